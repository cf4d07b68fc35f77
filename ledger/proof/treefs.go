package proof

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"path"
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
)

// treeFS is a tree of git as a file system: what a unit's folder held at one
// commit.
type treeFS struct {
	h    *history
	root object.Hash
}

// find goes down to a path.
func (t treeFS) find(op, name string) (gitobj.Entry, error) {
	at := gitobj.Entry{Mode: gitobj.ModeTree, Name: ".", ID: t.root}
	if !fs.ValidPath(name) {
		return at, &fs.PathError{Op: op, Path: name, Err: fs.ErrInvalid}
	}
	if name == "." {
		return at, nil
	}
	for part := range strings.SplitSeq(name, "/") {
		if at.Mode != gitobj.ModeTree {
			return at, &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
		}
		entries, err := t.h.tree(at.ID)
		if err != nil {
			return at, &fs.PathError{Op: op, Path: name, Err: err}
		}
		found := false
		for _, e := range entries {
			if e.Name == part {
				at, found = e, true
				break
			}
		}
		if !found {
			return at, &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
		}
	}
	return at, nil
}

// Open opens a file or a folder.
func (t treeFS) Open(name string) (fs.File, error) {
	e, err := t.find("open", name)
	if err != nil {
		return nil, err
	}
	if e.Mode == gitobj.ModeTree {
		list, err := t.ReadDir(name)
		return &treeDir{treeInfo{e.Name, 0, true}, list}, err
	}
	data, err := t.h.blob(e.ID)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return &treeFile{treeInfo{e.Name, int64(len(data)), false}, bytes.NewReader(data)}, nil
}

// ReadFile returns the bytes of a file.
func (t treeFS) ReadFile(name string) ([]byte, error) {
	e, err := t.find("read", name)
	if err != nil {
		return nil, err
	}
	data, err := t.h.blob(e.ID)
	if err != nil {
		return nil, &fs.PathError{Op: "read", Path: name, Err: err}
	}
	return bytes.Clone(data), nil
}

// ReadDir lists a folder in order of name.
func (t treeFS) ReadDir(name string) ([]fs.DirEntry, error) {
	e, err := t.find("readdir", name)
	if err != nil {
		return nil, err
	}
	if e.Mode != gitobj.ModeTree {
		return nil, &fs.PathError{Op: "readdir", Path: name, Err: errors.New("it is not a folder")}
	}
	entries, err := t.h.tree(e.ID)
	if err != nil {
		return nil, &fs.PathError{Op: "readdir", Path: name, Err: err}
	}
	out := make([]fs.DirEntry, 0, len(entries))
	for _, e := range entries {
		info := treeInfo{name: path.Base(e.Name), dir: e.Mode == gitobj.ModeTree}
		if !info.dir {
			if data, err := t.h.blob(e.ID); err == nil {
				info.size = int64(len(data))
			}
		}
		out = append(out, fs.FileInfoToDirEntry(info))
	}
	return out, nil
}

type treeInfo struct {
	name string
	size int64
	dir  bool
}

func (i treeInfo) Name() string       { return i.name }
func (i treeInfo) Size() int64        { return i.size }
func (i treeInfo) ModTime() time.Time { return time.Time{} }
func (i treeInfo) IsDir() bool        { return i.dir }
func (i treeInfo) Sys() any           { return nil }
func (i treeInfo) Mode() fs.FileMode {
	if i.dir {
		return fs.ModeDir | 0o555
	}
	return 0o444
}

type treeFile struct {
	info treeInfo
	*bytes.Reader
}

func (f *treeFile) Stat() (fs.FileInfo, error) { return f.info, nil }
func (f *treeFile) Close() error               { return nil }

type treeDir struct {
	info treeInfo
	list []fs.DirEntry
}

func (d *treeDir) Stat() (fs.FileInfo, error) { return d.info, nil }
func (d *treeDir) Close() error               { return nil }
func (d *treeDir) Read([]byte) (int, error) {
	return 0, &fs.PathError{Op: "read", Path: d.info.name, Err: errors.New("it is a folder")}
}

// ReadDir lists the next n entries, all that are left where n is not positive.
func (d *treeDir) ReadDir(n int) ([]fs.DirEntry, error) {
	if n <= 0 || n > len(d.list) {
		if n > 0 && len(d.list) == 0 {
			return nil, io.EOF
		}
		n = len(d.list)
	}
	out := d.list[:n]
	d.list = d.list[n:]
	return out, nil
}
