package gitobj

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"benchlore/ledger/gitstore/object"
)

// The modes a unit's history holds.
const (
	ModeFile = "100644"
	ModeTree = "40000"
)

// Entry is one entry of a tree.
type Entry struct {
	Mode string // as it stands: ModeFile, ModeTree, or what does not belong there
	Name string
	ID   object.Hash
}

// ParseTree reads a tree: its entries in git's order, none twice, with names
// that every program takes for the same file. Modes are left to the caller.
func ParseTree(raw []byte) ([]Entry, error) {
	var out []Entry
	last := ""
	for len(raw) > 0 {
		head, rest, ok := bytes.Cut(raw, []byte{0})
		mode, name, ok2 := strings.Cut(string(head), " ")
		var e Entry
		if !ok || !ok2 || len(rest) < len(e.ID) {
			return nil, errors.New("it cannot be read as a folder")
		}
		if len(mode) < 5 || len(mode) > 6 || mode[0] == '0' || strings.Trim(mode, "01234567") != "" {
			return nil, fmt.Errorf("%.80q has the invalid mode %.20q", name, mode)
		}
		if name == "" || name == "." || name == ".." || strings.ContainsRune(name, '/') || strings.EqualFold(name, ".git") {
			return nil, fmt.Errorf("%.80q cannot be the name of a file", name)
		}
		e.Mode, e.Name = mode, name
		key := name
		if mode == ModeTree {
			key += "/"
		}
		if len(out) > 0 && last >= key {
			return nil, fmt.Errorf("%.80q stands out of order, so that git and other programs may find different files", name)
		}
		last = key
		copy(e.ID[:], rest)
		out = append(out, e)
		raw = rest[len(e.ID):]
	}
	return out, nil
}
