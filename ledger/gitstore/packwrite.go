package gitstore

import (
	"cmp"
	"io"
	"os"
	"slices"

	"github.com/go-git/go-git/v5/plumbing/format/objfile"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/pack"
)

// An object that is in a pack already is copied as it is stored there. Of the others,
// trees and blobs are written as a delta to one of the last few objects if that saves
// at least half.
const (
	deltaWindow = 8       // how many of the last objects are tried as a base
	deltaDepth  = 50      // how long a chain of deltas may be; git's default
	deltaMost   = 1 << 20 // in bytes: larger objects are photographs, and are not tried
)

// WritePack writes a pack of the objects named, which must be in the repository and
// be named once each.
// Errors: *MissingObject, *CorruptObject, and those of w.
func (r *Repo) WritePack(w io.Writer, objects []object.Hash) error {
	_, _, err := r.writePack(w, objects)
	return err
}

// writePack is WritePack. It returns where each object lies, and the checksum of
// the pack.
func (r *Repo) writePack(to io.Writer, objects []object.Hash) ([]pack.Entry, object.Hash, error) {
	packs := r.openPacks()
	files := make([]*pack.File, len(packs))
	for i, p := range packs {
		defer p.file.Close()
		files[i] = p.File
	}
	w, err := pack.NewWriter(to, len(objects))
	if err != nil {
		return nil, object.ZeroHash, err
	}
	rest, err := w.Copy(files, objects)
	if err != nil {
		return nil, object.ZeroHash, err
	}
	if err := r.packNew(w, rest); err != nil {
		return nil, object.ZeroHash, err
	}
	return w.Close()
}

// candidate is an object that a delta may have as its base.
type candidate struct {
	hash  object.Hash
	typ   object.Type
	data  []byte
	depth int
}

// packNew writes objects that are in no pack yet. It sorts them by type and then by
// size, largest first: versions of one file then tend to be neighbours, and a delta
// that removes bytes is shorter than one that adds them. The deltas are made by
// go-git's DiffDelta.
func (r *Repo) packNew(w *pack.Writer, objects []object.Hash) error {
	type sized struct {
		hash object.Hash
		typ  object.Type
		size int64
		turn int
	}
	list := make([]sized, 0, len(objects))
	for i, h := range objects {
		t, size, err := r.sizeOf(h)
		if err != nil {
			return err
		}
		list = append(list, sized{h, t, size, i})
	}
	slices.SortFunc(list, func(a, b sized) int {
		return cmp.Or(cmp.Compare(a.typ, b.typ), cmp.Compare(b.size, a.size), cmp.Compare(a.turn, b.turn))
	})
	var window []candidate
	for _, o := range list {
		t, data, err := r.Object(o.hash)
		if err != nil {
			return err
		}
		if t != object.TypeTree && t != object.TypeBlob || len(data) > deltaMost || len(data) < 50 {
			if err := w.Add(o.hash, object.Object{Type: t, Data: data}); err != nil {
				return err
			}
			continue
		}
		var best []byte
		var base *candidate
		for i := range window {
			c := &window[i]
			// A delta of more than half the object is not worth the chain it makes.
			if c.typ != t || c.depth >= deltaDepth || len(c.data) > 4*len(data) {
				continue
			}
			d := packfile.DiffDelta(c.data, data)
			if len(d) < len(data)/2 && (base == nil || len(d) < len(best)) {
				best, base = d, c
			}
		}
		now := candidate{hash: o.hash, typ: t, data: data}
		if base == nil {
			err = w.Add(o.hash, object.Object{Type: t, Data: data})
		} else {
			now.depth = base.depth + 1
			err = w.AddDelta(o.hash, base.hash, best)
		}
		if err != nil {
			return err
		}
		if window = append(window, now); len(window) > deltaWindow {
			window = slices.Delete(window, 0, 1)
		}
	}
	return nil
}

// sizeOf returns type and size of an object; of a loose one, only its beginning
// is read.
func (r *Repo) sizeOf(h object.Hash) (object.Type, int64, error) {
	if t, size, err := looseSize(r.looseFile(h)); err == nil {
		return t, size, nil
	}
	t, data, err := r.Object(h)
	return t, int64(len(data)), err
}

func looseSize(name string) (object.Type, int64, error) {
	f, err := os.Open(name)
	if err != nil {
		return 0, 0, err
	}
	defer f.Close()
	rd, err := objfile.NewReader(f)
	if err != nil {
		return 0, 0, err
	}
	defer rd.Close()
	t, size, err := rd.Header()
	return object.Type(t), size, err
}
