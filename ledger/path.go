package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/proof"
	"benchlore/schema"
	"benchlore/schema/pattern"
)

// CheckSlug refuses what cannot be a folder name on every system.
func CheckSlug(what, s string) error {
	if proof.IsSlug(s) {
		return nil
	}
	remedy := "write lower-case letters, digits and hyphens, at most 64"
	if fixed := slugOf(s); fixed != "" {
		remedy += ": " + fixed
	}
	if proof.IsDevice(s) {
		remedy = "Windows keeps that name for itself: choose another"
	}
	return &UsageError{fmt.Sprintf("%s %q cannot be a folder name", what, s), remedy}
}

// slugOf makes a folder name of a text, "" where nothing is left of it.
func slugOf(s string) string {
	s = strings.Trim(pattern.New(`[^a-z0-9]+`).ReplaceAllString(strings.ToLower(s), "-"), "-")
	if len(s) > 64 {
		s = s[:64]
	}
	return s
}

// unitDir is the folder of a unit, from the ledger.
func unitDir(name string) string { return schema.UnitFolder(name) }

// unitRef is the branch of a unit.
func unitRef(name string) string { return unitRefs + name }

// modelOf is the model part of a unit's name.
func modelOf(name string) string { m, _, _ := strings.Cut(name, "/"); return m }

// read returns a file of the ledger by slash path. Links are not followed, and
// files larger than a record can be are not read.
func (l *Ledger) read(p string) ([]byte, error) { return readPlain(l.root, p, p) }

// ReadFile returns a file of the ledger by slash path. Links are not followed, and
// what is longer than a record can be is cut off behind that.
func (l *Ledger) ReadFile(p string) ([]byte, error) { return l.read(p) }

// ReadDir returns what is in a folder of the ledger by slash path, in order of
// name; a missing folder holds nothing.
func (l *Ledger) ReadDir(dir string) ([]fs.DirEntry, error) { return l.list(dir) }

// readPlain is read below a folder that is open already.
func readPlain(root *os.Root, name, p string) ([]byte, error) {
	fi, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !fi.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a plain file", p)
	}
	f, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data := bytes.NewBuffer(make([]byte, 0, min(fi.Size(), schema.MaxSize)+bytes.MinRead))
	_, err = data.ReadFrom(io.LimitReader(f, schema.MaxSize+1))
	return data.Bytes(), err
}

// list returns the names in a folder, in order; a missing folder has none.
func (l *Ledger) list(dir string) ([]fs.DirEntry, error) {
	f, err := l.root.Open(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	entries, err := f.ReadDir(-1)
	sortEntries(entries)
	return entries, err
}

func sortEntries(entries []fs.DirEntry) {
	slices.SortFunc(entries, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
}

// junk is what systems and editors leave in folders: no part of a ledger.
var junkForm = pattern.New(`^(\.DS_Store|Thumbs\.db|desktop\.ini|\._.*|\..*\.sw[a-z]|.*~|#.*#|\.#.*)$`)

// checkAttachment refuses a file name that some system cannot keep.
func checkAttachment(name string) error {
	if proof.IsAttachment(name) {
		return nil
	}
	return &UsageError{fmt.Sprintf("%q cannot be kept on every system", name), "name it with letters, digits, hyphens, underscores and one ending: front-panel.jpg"}
}

// Units lists all units, model/tag, in order.
func (l *Ledger) Units() ([]string, error) {
	models, err := l.list("instruments")
	if err != nil {
		return nil, err
	}
	var names []string
	for _, m := range models {
		if !m.IsDir() {
			continue
		}
		tags, err := l.list("instruments/" + m.Name())
		if err != nil {
			return nil, err
		}
		for _, t := range tags {
			if t.IsDir() {
				names = append(names, m.Name()+"/"+t.Name())
			}
		}
	}
	return names, nil
}

// Models lists all models.
func (l *Ledger) Models() ([]string, error) { return l.tomlNames("models") }

func (l *Ledger) tomlNames(dir string) ([]string, error) {
	entries, err := l.list(dir)
	var names []string
	for _, e := range entries {
		if n, ok := strings.CutSuffix(e.Name(), ".toml"); ok && !e.IsDir() {
			names = append(names, n)
		}
	}
	return names, err
}

// Resolve finds a unit by model/tag or any unambiguous ending of it. A path
// into the ledger's instruments folder is taken too.
func (l *Ledger) Resolve(s string) (string, error) {
	s = strings.Trim(strings.TrimPrefix(path.Clean(strings.ReplaceAll(s, `\`, "/")), "instruments/"), "/")
	if model, tag, ok := strings.Cut(s, "/"); ok && CheckSlug("model", model) == nil && CheckSlug("tag", tag) == nil {
		if fi, err := l.root.Lstat(unitDir(s)); err == nil && fi.IsDir() {
			return s, nil // the whole name: no need to list all others
		}
	}
	units, err := l.Units()
	if err != nil {
		return "", err
	}
	if slices.Contains(units, s) {
		return s, nil
	}
	var matches, tags []string
	for _, u := range units {
		if strings.HasSuffix(u, "/"+s) {
			tags = append(tags, u)
		}
		if s != "" && strings.HasSuffix(u, s) {
			matches = append(matches, u)
		}
	}
	if tags != nil {
		matches = tags // a whole tag goes before a part of one
	}
	switch len(matches) {
	case 1:
		return matches[0], nil
	case 0:
		if len(units) == 0 {
			return "", &UsageError{fmt.Sprintf("there is no unit %q: the ledger has none yet", s), "open one with: benchlore new MODEL TAG"}
		}
		for _, u := range units {
			tags = append(tags, path.Base(u))
		}
		var begin []string
		for _, u := range units {
			if s != "" && (strings.HasPrefix(path.Base(u), s) || strings.HasPrefix(u, s)) {
				begin = append(begin, path.Base(u))
			}
		}
		if n := len(begin); n > 0 {
			if n == 1 {
				return "", &UsageError{fmt.Sprintf("there is no unit %q", s), "did you mean " + begin[0] + "?"}
			}
			if n > 8 {
				begin = append([]string{}, begin[n-8:]...)
			}
			return "", &UsageError{fmt.Sprintf("which unit? %q begins %d names", s, n), "write one whole: " + strings.Join(begin, ", ")}
		}
		remedy := "see: benchlore list"
		near := schema.Nearest(path.Base(s), tags)
		for _, t := range tags { // a61-18052, typed without its first letters
			if _, number, ok := strings.Cut(t, "-"); ok && near == "" {
				if schema.Nearest(s, []string{number}) != "" {
					near = t
				}
			}
		}
		if near != "" {
			remedy = "did you mean " + near + "? " + remedy
		}
		return "", &UsageError{fmt.Sprintf("there is no unit %q", s), remedy}
	}
	if len(matches) > 8 {
		matches = append(matches[:8], "...")
	}
	return "", &UsageError{fmt.Sprintf("%q could be any of: %s", s, strings.Join(matches, ", ")), "write more of the name"}
}

// onBenchFile remembers the unit chosen with `on`. It is this copy's own
// affair and not part of the ledger.
const onBenchFile = ".git/benchlore/on"

// OnBench returns the unit chosen with SetOnBench, "" where there is none.
func (l *Ledger) OnBench() string {
	data, err := l.root.ReadFile(onBenchFile)
	if err != nil {
		return ""
	}
	name := strings.TrimSpace(string(data))
	if fi, err := l.root.Stat(unitDir(name)); err != nil || !fi.IsDir() {
		return ""
	}
	return name
}

// SetOnBench chooses the unit commands are about when none is named; "" chooses
// none.
func (l *Ledger) SetOnBench(name string) error {
	if name == "" {
		err := l.root.Remove(onBenchFile)
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return err
	}
	return l.replace(onBenchFile, []byte(name+"\n"))
}

// replace writes a file of the ledger's folder that takes its name when it is
// whole: what stood there stays where the disk is full.
func (l *Ledger) replace(p string, data []byte) error {
	failed := func(err error) error {
		return &gitstore.WriteError{Path: filepath.Join(l.Dir, filepath.FromSlash(p)), Err: err}
	}
	dir := path.Dir(onBenchFile)
	if err := l.root.MkdirAll(dir, 0o777); err != nil {
		return failed(err)
	}
	f, err := os.CreateTemp(filepath.Join(l.Dir, filepath.FromSlash(dir)), "new-*")
	if err != nil {
		return failed(err)
	}
	defer os.Remove(f.Name()) // no more there once it has its name
	_, err = f.Write(data)
	if err == nil && !l.opt.NoSync {
		err = f.Sync()
	}
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = l.root.Rename(path.Join(dir, filepath.Base(f.Name())), p)
	}
	if err == nil && !l.opt.NoSync {
		err = gitstore.SyncDir(filepath.Dir(filepath.Join(l.Dir, filepath.FromSlash(p))))
	}
	if err != nil {
		return failed(err)
	}
	return nil
}

// checkUnit refuses what is not model/tag.
func checkUnit(name string) error {
	model, tag, _ := strings.Cut(name, "/")
	if err := CheckSlug("model", model); err != nil {
		return err
	}
	return CheckSlug("tag", tag)
}
