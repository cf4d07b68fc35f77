package ledger

import (
	"bytes"
	"encoding/gob"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"time"

	"benchlore/ledger/gitstore/object"
)

// walked is what was learnt from main's history and tree, and up to where.
// Commits and trees never change, so it holds for as long as main goes on from
// there.
type walked struct {
	Program string
	Main    object.Hash            // Heads is as of this commit
	Heads   map[string]object.Hash // the head each unit's branch was last given
	Seals   map[string]object.Hash // the seals that were made, by tag
	Tree    object.Hash            // a tree of main with nothing in it that must not be
	Grown   map[string]object.Hash // by unit: the head of a history that only grows
}

func (l *Ledger) walkedFile() string {
	return filepath.Join(l.Dir, filepath.FromSlash(derivedDir), "main")
}

// walked returns what is kept; a file that cannot be read is as good as none.
func (l *Ledger) walked() *walked {
	w := &walked{}
	if data, err := readDerived(l.walkedFile()); err == nil {
		if gob.NewDecoder(bytes.NewReader(data)).Decode(w) != nil || w.Program != programID() {
			w = &walked{}
		}
	}
	return w
}

func (l *Ledger) keepWalked(w *walked) {
	if l.repo.Shallow {
		return // what lies beyond the cut would never be looked at once it is fetched
	}
	w.Program = programID()
	replaceDerived(l.walkedFile(), func(f *os.File) error { return gob.NewEncoder(f).Encode(w) })
}

// replaceDerived writes a file that takes its name when it is whole. Where that
// cannot be, the next run takes longer.
func replaceDerived(name string, write func(*os.File) error) {
	dir := filepath.Dir(name)
	if os.MkdirAll(dir, 0o777) != nil {
		return
	}
	f, err := os.CreateTemp(dir, "new-*")
	if err != nil {
		return
	}
	defer os.Remove(f.Name()) // no more there once it has its name
	if errors.Join(write(f), f.Close()) != nil || os.Rename(f.Name(), name) != nil {
		return
	}
	// Every version of the program, and every question, has a file of its own.
	files, _ := os.ReadDir(dir)
	for _, e := range files {
		if fi, err := e.Info(); err == nil && fi.Mode().IsRegular() && time.Since(fi.ModTime()) > derivedUnused {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}

// derivedUnused is how long a kept file stays that nothing reads.
const derivedUnused = 60 * 24 * time.Hour

// readDerived reads a kept file, and marks it as used.
func readDerived(name string) ([]byte, error) {
	data, err := os.ReadFile(name)
	if fi, statErr := os.Stat(name); err == nil && statErr == nil && time.Since(fi.ModTime()) > 24*time.Hour {
		now := time.Now()
		_ = os.Chtimes(name, now, now) // it goes sooner than it need where this cannot be
	}
	return data, err
}

// closeHeads returns the head each unit's branch was last given by main, and the
// seals that were made on it. It walks main back to where it was walked before.
func (l *Ledger) closeHeads(from object.Hash) (heads, seals map[string]object.Hash, err error) {
	heads, seals = map[string]object.Hash{}, map[string]object.Hash{}
	if from.IsZero() {
		return heads, seals, nil
	}
	w := l.walked()
	if w.Main == from {
		return w.Heads, w.Seals, nil
	}
	take := func(message string) {
		for name, h := range unitHeads(message) {
			if _, ok := heads[name]; !ok {
				heads[name] = h
			}
		}
		maps.Copy(seals, sealsMade(message))
	}
	at := from
	for !w.Main.IsZero() && at != w.Main {
		c, err := l.repo.Commit(at)
		if err != nil {
			return nil, nil, err
		}
		take(c.Message)
		if len(c.Parents) != 1 {
			w.Main = object.ZeroHash // a merge, or another history: walk all of it
			break
		}
		at = c.Parents[0]
	}
	if w.Main.IsZero() {
		clear(heads)
		clear(seals)
		for c, err := range l.repo.Log(from) {
			if err != nil {
				return nil, nil, err
			}
			take(c.Message)
		}
	} else {
		for name, h := range w.Heads {
			if _, ok := heads[name]; !ok {
				heads[name] = h
			}
		}
		maps.Copy(seals, w.Seals)
	}
	w.Main, w.Heads, w.Seals = from, heads, seals
	l.keepWalked(w)
	return heads, seals, nil
}
