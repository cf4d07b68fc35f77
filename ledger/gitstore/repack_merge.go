package gitstore

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/pack"
)

// autoPacks is git's default for gc.autoPackLimit: more packs than this are merged.
const autoPacks = 50

// mergePacks merges the smaller packs into one when there are more than git's limit,
// since every look-up asks each pack. A pack larger than all smaller ones together
// stays, so that a large ledger is not rewritten each time. Packs with a .keep file
// stay too. With a multi-pack index of git's, nothing is merged.
func (r *Repo) mergePacks() error {
	cfg, err := r.Config()
	if err != nil {
		return err
	}
	limit, err := cfg.Int("gc.autopacklimit", autoPacks)
	if err != nil || limit <= 0 || r.multiPackIndex() {
		return err
	}
	packs := r.openPacks()
	defer func() {
		for _, s := range packs {
			s.file.Close()
		}
	}()
	ours := slices.DeleteFunc(slices.Clone(packs), func(s *storedPack) bool {
		// clearPacking cleans up only after packs with such names.
		return !strings.HasPrefix(filepath.Base(s.stem()), "pack-") || cruft(s.stem()) ||
			fileExists(s.stem()+".keep") || fileExists(s.stem()+".promisor")
	})
	if len(ours) <= int(limit) {
		return nil
	}
	slices.SortFunc(ours, func(a, b *storedPack) int { return cmp.Compare(b.Size(), a.Size()) })
	for sum := total(ours); len(ours) > 0 && ours[0].Size() > sum-ours[0].Size(); ours = ours[1:] {
		sum -= ours[0].Size()
	}
	if len(ours) < 2 {
		return nil
	}
	var objects []object.Hash
	for _, s := range ours {
		for i := range s.Index.Len() {
			objects = append(objects, s.Index.Name(i))
		}
	}
	slices.SortFunc(objects, func(a, b object.Hash) int { return bytes.Compare(a[:], b[:]) })
	objects = slices.Compact(objects)
	name, err := r.makePack(objects)
	if err != nil {
		return err
	}
	if err := readsBack(name, objects); err != nil || r.multiPackIndex() {
		return err // git has just made an index of packs that names the old ones
	}
	for _, s := range ours {
		s.file.Close() // Windows removes no open file
	}
	r.mu.Lock()
	for _, p := range r.packReaders {
		p.close()
	}
	r.packReaders = nil
	r.mu.Unlock()
	for _, s := range ours {
		if s.stem()+".idx" == name {
			continue
		}
		if err := r.dropPack(s.stem()); err != nil {
			return err
		}
	}
	r.mu.Lock()
	r.forgetPacks()
	r.mu.Unlock()
	return nil
}

// multiPackIndex reports whether git has made one index for several packs, in one
// file or in layers.
func (r *Repo) multiPackIndex() bool {
	name := filepath.Join(r.GitDir, "objects", "pack", "multi-pack-index")
	return fileExists(name) || fileExists(name+".d")
}

// total is the size of all these packs in bytes.
func total(packs []*storedPack) (sum int64) {
	for _, s := range packs {
		sum += s.Size()
	}
	return sum
}

// readsBack checks that a pack holds all these objects, by reading each of them.
func readsBack(idxName string, objects []object.Hash) error {
	p, err := openStored(idxName, &filePool{})
	if err != nil {
		return err
	}
	defer p.file.Close()
	type place struct {
		at   int64
		hash object.Hash
	}
	places := make([]place, 0, len(objects))
	for _, h := range objects {
		i := p.Index.Find(h)
		if i < 0 {
			return fmt.Errorf("%s: %w", h, pack.ErrNotHere)
		}
		places = append(places, place{p.Index.Offset(i), h})
	}
	slices.SortFunc(places, func(a, b place) int { return cmp.Compare(a.at, b.at) })
	for _, x := range places {
		o, err := p.Object(x.at)
		if err != nil {
			return fmt.Errorf("%s: %w", x.hash, err)
		}
		if o.Hash() != x.hash {
			return fmt.Errorf("%s reads back as another object", x.hash)
		}
	}
	return nil
}

// besideIndex are the endings of the files that a pack may have besides its index.
var besideIndex = []string{".rev", ".bitmap", ".pack"}

// dropPack removes a pack whose objects are in another pack. The index goes first:
// without it nobody reads the pack. If the program dies here, the note lets the next
// run remove the rest.
func (r *Repo) dropPack(stem string) error {
	note := filepath.Join(r.packDir(), filepath.Base(stem)+".pack")
	if err := os.WriteFile(note, nil, 0o666); err != nil {
		return err
	}
	for _, ext := range append([]string{".idx"}, besideIndex...) {
		if err := retryShared(func() error { return os.Remove(stem + ext) }); err != nil && !isAbsent(err) {
			return err
		}
		if err := r.step("old pack's " + ext + " removed"); err != nil {
			return err
		}
	}
	return errors.Join(r.sync(filepath.Dir(stem)), os.Remove(note))
}
