package object

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
)

// Mode says what a name in a tree stands for.
type Mode uint32

const (
	ModeDir        Mode = 0o040000
	ModeRegular    Mode = 0o100644
	ModeGroup      Mode = 0o100664 // a plain file, as early versions of git wrote it
	ModeExecutable Mode = 0o100755
	ModeSymlink    Mode = 0o120000
	ModeSubmodule  Mode = 0o160000
)

// String writes the mode in octal as a tree has it: 40000, 100644.
func (m Mode) String() string { return strconv.FormatUint(uint64(m), 8) }

// IsFile reports whether the name has a blob of its own: a file or a symbolic link.
func (m Mode) IsFile() bool {
	return m == ModeRegular || m == ModeGroup || m == ModeExecutable || m == ModeSymlink
}

// IsRegular reports whether it is a plain file, not executable.
func (m Mode) IsRegular() bool { return m == ModeRegular || m == ModeGroup }

// TreeEntry is one name in a tree.
type TreeEntry struct {
	Name string
	Mode Mode
	Hash Hash
}

// ParseTree reads the entries of a tree, in the order they stand there.
func ParseTree(data []byte) ([]TreeEntry, error) {
	var entries []TreeEntry
	for len(data) > 0 {
		space := bytes.IndexByte(data, ' ')
		if space < 0 {
			return nil, errors.New("a tree entry has no mode")
		}
		nul := bytes.IndexByte(data[space:], 0)
		if nul < 2 || len(data) < space+nul+21 {
			return nil, errors.New("a tree entry is cut short")
		}
		mode, err := strconv.ParseUint(string(data[:space]), 8, 32)
		if err != nil {
			return nil, fmt.Errorf("a tree entry has the mode %.20q", data[:space])
		}
		e := TreeEntry{Name: string(data[space+1 : space+nul]), Mode: Mode(mode)}
		copy(e.Hash[:], data[space+nul+1:])
		entries = append(entries, e)
		data = data[space+nul+21:]
	}
	return entries, nil
}

// AppendTreeEntry appends one entry as a tree has it.
func AppendTreeEntry(b []byte, e TreeEntry) []byte {
	b = strconv.AppendUint(b, uint64(e.Mode), 8)
	b = append(b, ' ')
	b = append(b, e.Name...)
	b = append(b, 0)
	return append(b, e.Hash[:]...)
}

// SortKey makes byte order the order of a tree: folders sort as if their name
// ended in a slash.
func (e TreeEntry) SortKey() string {
	if e.Mode == ModeDir {
		return e.Name + "/"
	}
	return e.Name
}
