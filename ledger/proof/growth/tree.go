package growth

import (
	"bytes"
	"fmt"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
	"benchlore/schema/pattern"
)

// change is one file that differs between two folders.
type change struct {
	path     string
	was, now object.Hash // zero: not there
}

// entry is an entry of a tree, without a copy of its name.
type entry struct {
	mode, name []byte
	id         object.Hash
}

func (e *entry) folder() bool { return string(e.mode) == gitobj.ModeTree }

// cursor reads a tree entry by entry. Folders of 20,000 files are read once for
// each commit, so nothing is allocated.
type cursor struct {
	raw []byte
	entry
	ok  bool
	bad bool
}

func (c *cursor) next() {
	if c.ok = false; len(c.raw) == 0 {
		return
	}
	end := bytes.IndexByte(c.raw, 0)
	space := bytes.IndexByte(c.raw, ' ')
	if end < 0 || space < 0 || space > end || len(c.raw) < end+1+len(c.id) {
		c.bad = true
		return
	}
	c.mode, c.name = c.raw[:space], c.raw[space+1:end]
	copy(c.id[:], c.raw[end+1:])
	c.raw = c.raw[end+1+len(c.id):]
	c.ok = true
}

// order compares as git sorts: a folder's name ends with a slash.
func order(a, b *entry) int {
	n := min(len(a.name), len(b.name))
	if c := bytes.Compare(a.name[:n], b.name[:n]); c != 0 {
		return c
	}
	end := func(e *entry) byte {
		switch {
		case len(e.name) > n:
			return e.name[n]
		case e.folder():
			return '/'
		}
		return 0
	}
	x, y := end(a), end(b)
	switch {
	case x != y:
		return int(x) - int(y)
	}
	return len(a.name) - len(b.name)
}

// folder reads a tree. The last few are kept: what is new in one commit is what the
// next one is compared with.
func (k *checker) folder(n *node, id object.Hash, dir string) ([]byte, error) {
	for _, f := range k.folders {
		if f.id == id {
			return f.raw, nil
		}
	}
	raw, err := k.object(n, id, object.TypeTree, dir)
	if err == nil {
		k.folders[k.nextFolder] = folderRead{id, raw}
		k.nextFolder = (k.nextFolder + 1) % len(k.folders)
	}
	return raw, err
}

type folderRead struct {
	id  object.Hash
	raw []byte
}

// compare lists the files in which a commit's folder differs from another one,
// and checks what is new in it: plain files and folders, in git's order, with names
// that belong there and that no system takes for another.
func (k *checker) compare(n *node, old, tree object.Hash, dir string, out *[]change) error {
	if old == tree {
		return nil
	}
	var a, b cursor
	var err error
	if !old.IsZero() {
		if a.raw, err = k.folder(n, old, dir); err != nil {
			return err
		}
	}
	if !tree.IsZero() {
		if b.raw, err = k.folder(n, tree, dir); err != nil {
			return err
		}
	}
	whole := b.raw
	added := [][]byte{}
	var last entry
	advance := func() error {
		b.next()
		if b.bad {
			if err := k.breaks(n, dir, RuleObject, object.Hash{}, tree, "the folder cannot be read"); err != nil {
				return err
			}
			return errStop
		}
		if b.ok && last.name != nil && order(&last, &b.entry) >= 0 {
			if err := k.breaks(n, dir+string(b.name), RulePath, object.Hash{}, tree, "it stands out of order, so that git and other programs may find different files"); err != nil {
				return err
			}
			return errStop
		}
		last = b.entry
		return nil
	}
	a.next()
	if err := advance(); err != nil {
		return err
	}
	steps := 0
	for a.ok || b.ok {
		steps++
		c := 0
		switch {
		case !a.ok:
			c = 1
		case !b.ok:
			c = -1
		default:
			c = order(&a.entry, &b.entry)
		}
		switch {
		case c < 0:
			path := dir + string(a.name)
			if a.folder() && strings.Count(path, "/") < maxDepth {
				err = k.compare(n, a.id, object.Hash{}, path+"/", out)
			} else {
				err = k.differs(out, change{path: path, was: a.id})
			}
			a.next()
		case c > 0:
			path := dir + string(b.name)
			added = append(added, b.name)
			var good bool
			if good, err = k.newEntry(n, dir, path, &b.entry); err == nil && good {
				if b.folder() {
					err = k.compare(n, object.Hash{}, b.id, path+"/", out)
				} else {
					err = k.differs(out, change{path: path, now: b.id})
				}
			}
			if err == nil {
				err = advance()
			}
		default:
			if a.id != b.id || !bytes.Equal(a.mode, b.mode) {
				path := dir + string(b.name)
				var good bool
				if good, err = k.newEntry(n, dir, path, &b.entry); err == nil && good {
					if b.folder() {
						err = k.compare(n, a.id, b.id, path+"/", out)
					} else if a.id != b.id {
						err = k.differs(out, change{path: path, was: a.id, now: b.id})
					}
				}
			}
			a.next()
			if err == nil {
				err = advance()
			}
		}
		if err != nil {
			return err
		}
	}
	if err := k.step(steps); err != nil {
		return err
	}
	return k.alike(n, dir, whole, added)
}

// differs notes a file that differs. Folders that hold one another many times over
// unfold to more than is kept.
func (k *checker) differs(out *[]change, c change) error {
	*out = append(*out, c)
	return k.step(perChange)
}

// newEntry checks an entry that is new or another one.
func (k *checker) newEntry(n *node, dir, path string, e *entry) (bool, error) {
	if mode := string(e.mode); mode != gitobj.ModeFile && mode != gitobj.ModeTree {
		return false, k.breaks(n, path, RuleMode, object.Hash{}, e.id, "it is %s; a unit's history holds plain files and folders only", modeText(mode))
	}
	name := string(e.name)
	_, kind, _, isRecord := schema.ParseName(name)
	isRecord = isRecord && schema.New(schema.Kind(kind)) != nil && dir == "" && !e.folder()
	good := false
	switch {
	case dir == "" && e.folder():
		good = name == "photos" || name == "files"
	case dir == "":
		good = isRecord || name == ".gitattributes" || name == "instrument.toml" || name == "model.toml"
	default:
		stem, _, _ := strings.Cut(strings.ToLower(name), ".")
		good = attachmentForm.MatchString(name) && !deviceForm.MatchString(stem) && strings.Count(path, "/") < maxDepth
	}
	if good {
		return true, nil
	}
	return false, k.breaks(n, path, RulePath, object.Hash{}, e.id, "nothing of that name belongs there: an instrument's folder holds .gitattributes, instrument.toml, model.toml, records, photos/ and files/")
}

// Names that every system can keep.
var (
	attachmentForm = pattern.New(`^[A-Za-z0-9]([A-Za-z0-9._-]{0,98}[A-Za-z0-9_-])?$`)
	deviceForm     = pattern.New(`^(con|prn|aux|nul|com[0-9]|lpt[0-9])$`)
)

func modeText(mode string) string {
	switch mode {
	case "120000":
		return "a symbolic link"
	case "160000":
		return "another repository (a submodule)"
	case "100755":
		return "marked executable"
	}
	return fmt.Sprintf("of the mode %.10q", mode)
}

// alike reports new names that some system takes for a name beside them. Names
// have been checked to hold plain letters, so that case alone is left.
func (k *checker) alike(n *node, dir string, raw []byte, added [][]byte) error {
	if len(added) == 0 {
		return nil
	}
	few := len(added) <= 2
	seen := map[string][]byte{}
	report := func(name, other []byte) error {
		return k.breaks(n, dir+string(name), RulePath, object.Hash{}, object.Hash{}, "some systems cannot tell it from %.80q beside it", other)
	}
	steps := 0
	for c := (cursor{raw: raw}); ; {
		c.next()
		if !c.ok {
			return k.step(steps)
		}
		steps++
		if few {
			for _, name := range added {
				if len(name) == len(c.name) && (&name[0] != &c.name[0]) && bytes.EqualFold(name, c.name) {
					if err := report(name, c.name); err != nil {
						return err
					}
				}
			}
			continue
		}
		low := string(bytes.ToLower(c.name))
		if other, ok := seen[low]; ok {
			if err := report(c.name, other); err != nil {
				return err
			}
		}
		seen[low] = c.name
	}
}
