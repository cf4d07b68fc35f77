package gitstore

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchlore/ledger/gitstore/object"
)

// emptyTree is the hash of a tree without entries; it need not be stored.
var emptyTree = object.Sum(object.TypeTree, nil)

func encodeTree(entries []object.TreeEntry) ([]byte, error) {
	sorted := slices.Clone(entries)
	slices.SortFunc(sorted, func(a, b object.TreeEntry) int { return strings.Compare(a.SortKey(), b.SortKey()) })
	names := make(map[string]bool, len(sorted))
	var b []byte
	for _, e := range sorted {
		if e.Name == "" || strings.ContainsAny(e.Name, "/\x00") || names[e.Name] {
			return nil, fmt.Errorf("tree entry name %q is empty, has a slash in it or occurs twice", e.Name)
		}
		if e.Hash.IsZero() {
			return nil, fmt.Errorf("tree entry %q has no object", e.Name)
		}
		names[e.Name] = true
		b = object.AppendTreeEntry(b, e)
	}
	return b, nil
}

func indexName(entries []object.TreeEntry, name string) int {
	return slices.IndexFunc(entries, func(e object.TreeEntry) bool { return e.Name == name })
}

// UpdateTree returns a tree like base with some files changed: each slash path
// is given its new blob, or nil to remove it. Only the trees on those paths
// are rewritten, and folders left without files vanish. A file that was
// executable stays so. Removing a path that is not there changes nothing. A
// zero base is the empty tree. Errors: *PathError where a file and a folder
// would have the same name.
func (tx *Tx) UpdateTree(base object.Hash, changes map[string]*object.Hash) (object.Hash, error) {
	if base.IsZero() {
		base = emptyTree
	}
	root := &treeEdit{tx: tx, hash: base}
	// Removals go first, so that a folder may take the name of a removed file.
	for _, remove := range []bool{true, false} {
		for _, p := range slices.Sorted(maps.Keys(changes)) {
			blob := changes[p]
			if remove != (blob == nil) {
				continue
			}
			if err := checkPath(p); err != nil {
				return object.ZeroHash, err
			}
			var err error
			if remove {
				_, err = root.remove(strings.Split(p, "/"))
			} else {
				err = root.set(p, strings.Split(p, "/"), *blob)
			}
			if err != nil {
				return object.ZeroHash, err
			}
		}
	}
	return root.write()
}

// treeEdit is a folder being changed in memory. Its entries are read when first
// needed; those of subs carry stale hashes until write.
type treeEdit struct {
	tx      *Tx
	hash    object.Hash
	loaded  bool
	changed bool
	entries []object.TreeEntry
	subs    map[string]*treeEdit
}

func (t *treeEdit) load() error {
	if t.loaded {
		return nil
	}
	entries, err := t.tx.repo.Tree(t.hash)
	t.entries, t.loaded, t.subs = entries, err == nil, map[string]*treeEdit{}
	return err
}

func (t *treeEdit) sub(e object.TreeEntry) *treeEdit {
	s := t.subs[e.Name]
	if s == nil {
		s = &treeEdit{tx: t.tx, hash: e.Hash}
		t.subs[e.Name] = s
	}
	return s
}

// remove deletes a file and reports whether that left the folder empty.
func (t *treeEdit) remove(path []string) (emptied bool, err error) {
	if err := t.load(); err != nil {
		return false, err
	}
	i := indexName(t.entries, path[0])
	if i < 0 {
		return false, nil
	}
	isDir := t.entries[i].Mode == object.ModeDir
	if isDir != (len(path) > 1) {
		return false, nil
	}
	if isDir {
		if emptied, err := t.sub(t.entries[i]).remove(path[1:]); err != nil || !emptied {
			return false, err
		}
		delete(t.subs, path[0])
	}
	t.entries = slices.Delete(t.entries, i, i+1)
	t.changed = true
	return len(t.entries) == 0, nil
}

func (t *treeEdit) set(full string, path []string, blob object.Hash) error {
	if err := t.load(); err != nil {
		return err
	}
	i := indexName(t.entries, path[0])
	if len(path) > 1 {
		switch {
		case i < 0:
			i = len(t.entries)
			t.entries = append(t.entries, object.TreeEntry{Name: path[0], Mode: object.ModeDir, Hash: emptyTree})
		case t.entries[i].Mode != object.ModeDir:
			return &PathError{full, fmt.Sprintf("needs a folder, but %q is a file", path[0])}
		}
		return t.sub(t.entries[i]).set(full, path[1:], blob)
	}
	switch {
	case i < 0:
		t.entries = append(t.entries, object.TreeEntry{Name: path[0], Mode: object.ModeRegular, Hash: blob})
	case t.entries[i].Mode == object.ModeDir:
		return &PathError{full, "is a folder; give the file another name"}
	case t.entries[i].Mode == object.ModeExecutable:
		t.changed = t.changed || t.entries[i].Hash != blob
		t.entries[i].Hash = blob
		return nil
	case t.entries[i] == object.TreeEntry{Name: path[0], Mode: object.ModeRegular, Hash: blob}:
		return nil
	default:
		t.entries[i] = object.TreeEntry{Name: path[0], Mode: object.ModeRegular, Hash: blob}
	}
	t.changed = true
	return nil
}

func (t *treeEdit) write() (object.Hash, error) {
	for i := range t.entries {
		s := t.subs[t.entries[i].Name]
		if s == nil || t.entries[i].Mode != object.ModeDir {
			continue
		}
		h, err := s.write()
		if err != nil {
			return object.ZeroHash, err
		}
		if h != t.entries[i].Hash {
			t.entries[i].Hash, t.changed = h, true
		}
	}
	if !t.changed {
		return t.hash, nil
	}
	return t.tx.WriteTree(t.entries)
}

// TreeChange is one file that differs between two trees: an addition when Old
// has no hash, a removal when New has none.
type TreeChange struct {
	Path     string
	Old, New object.TreeEntry // Name is the last component; Hash is zero where absent
}

// DiffTrees lists the files that differ between two trees, by path. It reads
// only the folders that differ. A zero hash is the empty tree.
func (r *Repo) DiffTrees(a, b object.Hash) ([]TreeChange, error) {
	var out []TreeChange
	if err := r.EachChange(a, b, func(c TreeChange) { out = append(out, c) }); err != nil {
		return nil, err
	}
	slices.SortFunc(out, func(x, y TreeChange) int { return strings.Compare(x.Path, y.Path) })
	return out, nil
}

// EachChange is DiffTrees in no order, for trees that differ in very many files.
func (r *Repo) EachChange(a, b object.Hash, fn func(TreeChange)) error {
	if a.IsZero() {
		a = emptyTree
	}
	if b.IsZero() {
		b = emptyTree
	}
	return r.diffTrees(fn, "", a, b)
}

func (r *Repo) diffTrees(fn func(TreeChange), dir string, a, b object.Hash) error {
	if a == b {
		return nil
	}
	as, err := r.Tree(a)
	if err != nil {
		return err
	}
	bs, err := r.Tree(b)
	if err != nil {
		return err
	}
	visit := func(name string, old, new object.TreeEntry) error {
		if old.Hash == new.Hash && old.Mode == new.Mode {
			return nil
		}
		path := dir + name
		oldSub, newSub := emptyTree, emptyTree
		if old.Mode == object.ModeDir {
			oldSub, old = old.Hash, object.TreeEntry{}
		}
		if new.Mode == object.ModeDir {
			newSub, new = new.Hash, object.TreeEntry{}
		}
		if err := r.diffTrees(fn, path+"/", oldSub, newSub); err != nil {
			return err
		}
		if old != new {
			fn(TreeChange{path, old, new})
		}
		return nil
	}
	if len(as) == 0 { // a whole ledger: no need to pair anything
		for _, e := range bs {
			if err := visit(e.Name, object.TreeEntry{}, e); err != nil {
				return err
			}
		}
		return nil
	}
	type pair struct{ old, new object.TreeEntry }
	names := map[string]*pair{}
	for _, e := range as {
		names[e.Name] = &pair{old: e}
	}
	for _, e := range bs {
		p := names[e.Name]
		if p == nil {
			p = &pair{}
			names[e.Name] = p
		}
		p.new = e
	}
	for name, p := range names {
		if err := visit(name, p.old, p.new); err != nil {
			return err
		}
	}
	return nil
}

// Follower finds one folder in one root tree after another. Of the folders above it
// only the one entry is looked for, and each is read once: neighbouring commits share
// most of them, and in a large ledger one has a hundred thousand bytes.
type Follower struct {
	repo  *Repo
	names []string
	seen  []map[object.Hash]object.Hash // for each name: what it stands for in a tree; zero: no folder
}

// Follow follows a slash path from the top.
func (r *Repo) Follow(dir string) *Follower {
	f := &Follower{repo: r, names: strings.Split(dir, "/")}
	for range f.names {
		f.seen = append(f.seen, map[object.Hash]object.Hash{})
	}
	return f
}

// Folder returns the tree of the folder below a root tree, the zero hash where there
// is none.
func (f *Follower) Folder(root object.Hash) (object.Hash, error) {
	at := root
	for i, name := range f.names {
		if at.IsZero() || at == emptyTree {
			return object.ZeroHash, nil
		}
		next, ok := f.seen[i][at]
		if !ok {
			raw, err := f.repo.typed(object.TypeTree, at)
			if err != nil {
				return object.ZeroHash, err
			}
			if next, err = folderIn(raw, name); err != nil {
				return object.ZeroHash, f.repo.corrupt(at, err)
			}
			f.seen[i][at] = next
		}
		at = next
	}
	return at, nil
}

// folderIn finds a folder by its name in the bytes of a tree, the zero hash where
// there is none. It stops where the name would stand.
func folderIn(raw []byte, name string) (object.Hash, error) {
	want := name + "/"
	for len(raw) > 0 {
		space := bytes.IndexByte(raw, ' ')
		end := bytes.IndexByte(raw, 0)
		if space < 0 || end < space || len(raw) < end+21 {
			return object.ZeroHash, errors.New("a tree entry is cut short")
		}
		here := raw[space+1 : end]
		isDir := string(bytes.TrimLeft(raw[:space], "0")) == "40000"
		if isDir && string(here) == name {
			return object.Hash(raw[end+1 : end+21]), nil
		}
		if after(here, isDir, want) {
			break
		}
		raw = raw[end+21:]
	}
	return object.ZeroHash, nil
}

// after reports whether an entry stands behind a folder, whose name ends with a
// slash here as it does for git when it sorts.
func after(name []byte, isDir bool, want string) bool {
	n := min(len(name), len(want))
	if c := strings.Compare(string(name[:n]), want[:n]); c != 0 || len(name) > n {
		return c > 0 || c == 0
	}
	return isDir && n < len(want) && '/' > want[n]
}
