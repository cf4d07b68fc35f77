// Package pack reads and writes git's packs and their indexes. It takes bytes,
// readers and writers, knows no repository, and needs nothing but the standard
// library and package object, so that it also runs in a browser.
//
// Read takes a whole pack that may come from a stranger and returns its objects,
// within Limits. A bundle is a list of refs followed by such a pack. Write makes a
// pack of whole objects; the same objects give the same bytes.
//
// Format: git's Documentation/gitformat-pack, version 2 of packs and of indexes,
// with SHA-1 names.
package pack

import (
	"bytes"
	"cmp"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"

	"benchlore/ledger/gitstore/object"
)

const (
	headLen = 12 // "PACK", version, number of entries
	tailLen = sha1.Size
)

// kinds of entries that are no objects but changes to one.
const (
	offsetDelta object.Type = 6 // to the object that begins so many bytes before it
	nameDelta   object.Type = 7 // to the object of a name
)

// Limits bounds what Read takes from a stranger. Each must be set.
type Limits struct {
	Objects  int   // how many entries
	Object   int64 // bytes of one object, and of one delta
	Inflated int64 // bytes of all objects and deltas together, inflated
	Depth    int   // how many deltas build on each other; stock git writes at most 50
}

// LimitError is returned where a pack holds more than the reader was told to take.
type LimitError struct {
	What  string // "objects", "bytes in one object", "bytes inflated", "deltas on top of each other"
	Limit int64
}

func (e *LimitError) Error() string {
	return fmt.Sprintf("the pack holds more than %d %s", e.Limit, e.What)
}

// Read reads a pack that may come from anybody. It must be complete in itself:
// one with deltas to objects that it does not hold is refused. Each object gets
// the name its bytes have; an object that the pack holds twice is returned once.
// Memory grows with what is really there, not with what the pack says of itself,
// up to len(data) and Limits.Inflated.
//
// Errors: *LimitError, and one that says what is wrong at which byte.
func Read(data []byte, limits Limits) (map[object.Hash]object.Object, error) {
	if len(data) < headLen+tailLen || string(data[:4]) != "PACK" {
		return nil, errors.New("this is not a git pack")
	}
	if v := binary.BigEndian.Uint32(data[4:]); v != 2 {
		return nil, fmt.Errorf("the pack has version %d; only version 2 can be read", v)
	}
	n := int64(binary.BigEndian.Uint32(data[8:]))
	if n > int64(limits.Objects) {
		return nil, &LimitError{"objects", int64(limits.Objects)}
	}
	body := data[:len(data)-tailLen]
	if sum := sha1.Sum(body); !bytes.Equal(sum[:], data[len(body):]) {
		return nil, errors.New("the pack's checksum does not match its content")
	}
	u := &unpacking{limits: limits, room: limits.Inflated, at: map[int64]*item{}, objects: map[object.Hash]object.Object{}}
	r := bytes.NewReader(body)
	r.Seek(headLen, io.SeekStart)
	for range n {
		at := int64(len(body) - r.Len())
		if err := u.entry(r, at); err != nil {
			if _, ok := errors.AsType[*LimitError](err); ok {
				return nil, err
			}
			return nil, fmt.Errorf("the pack's object at byte %d: %w", at, err)
		}
	}
	if r.Len() > 0 {
		return nil, fmt.Errorf("%d more bytes follow the pack's last object", r.Len())
	}
	if err := u.resolve(); err != nil {
		return nil, err
	}
	return u.objects, nil
}

// item is one entry of a pack that is being read. A delta has a base: by place in
// the pack, or by name.
type item struct {
	typ   object.Type
	data  []byte // of a delta: the delta
	at    int64  // where the entry begins
	base  *item  // of an offset delta
	name  object.Hash
	depth int
}

type unpacking struct {
	limits  Limits
	room    int64 // bytes that may still be inflated
	at      map[int64]*item
	order   []*item
	objects map[object.Hash]object.Object
}

func (u *unpacking) entry(r *bytes.Reader, at int64) error {
	h, err := readHead(r)
	if err != nil {
		return err
	}
	e := &item{typ: h.typ, at: at, name: h.name}
	if h.typ == offsetDelta {
		if e.base = u.at[at-h.back]; e.base == nil {
			return errors.New("no object begins where its base should be")
		}
	}
	if err := u.take(h.size); err != nil {
		return err
	}
	if e.data, err = inflate(r, h.size); err != nil {
		return err
	}
	u.at[at] = e
	u.order = append(u.order, e)
	return nil
}

// take counts bytes about to be made.
func (u *unpacking) take(size int64) error {
	if size > u.limits.Object {
		return &LimitError{"bytes in one object", u.limits.Object}
	}
	if u.room -= size; u.room < 0 {
		return &LimitError{"bytes inflated", u.limits.Inflated}
	}
	return nil
}

// resolve turns deltas into objects, from the whole ones outward.
func (u *unpacking) resolve() error {
	onItem := map[*item][]*item{}
	onName := map[object.Hash][]*item{}
	var ready []*item
	for _, e := range u.order {
		switch e.typ {
		case offsetDelta:
			onItem[e.base] = append(onItem[e.base], e)
		case nameDelta:
			onName[e.name] = append(onName[e.name], e)
		default:
			ready = append(ready, e)
		}
	}
	for i := 0; i < len(ready); i++ {
		e := ready[i]
		o := object.Object{Type: e.typ, Data: e.data}
		name := o.Hash()
		u.objects[name] = o
		above := append(onItem[e], onName[name]...)
		delete(onName, name)
		for _, d := range above {
			if d.depth = e.depth + 1; d.depth > u.limits.Depth {
				return &LimitError{"deltas on top of each other", int64(u.limits.Depth)}
			}
			size, err := patchedSize(e.data, d.data)
			if err == nil {
				if err = u.take(size); err != nil {
					return err
				}
				d.data, err = Patch(e.data, d.data)
			}
			if err != nil {
				return fmt.Errorf("the pack's delta at byte %d: %w", d.at, err)
			}
			d.typ = e.typ
			ready = append(ready, d)
		}
	}
	if len(ready) != len(u.order) {
		return errors.New("the pack has deltas to objects that it does not hold")
	}
	return nil
}

// Write writes a pack of whole objects: commits first, then tags, trees and blobs,
// each in the order of their names. The same objects give the same bytes, on any
// machine.
func Write(w io.Writer, objects map[object.Hash]object.Object) error {
	sum := sha1.New()
	to := io.MultiWriter(w, sum)
	if _, err := to.Write(packHead(len(objects))); err != nil {
		return err
	}
	z := zlib.NewWriter(to)
	for i, name := range writeOrder(objects) {
		o := objects[name]
		if _, err := to.Write(entryHead(o.Type, int64(len(o.Data)))); err != nil {
			return err
		}
		if i > 0 {
			z.Reset(to)
		}
		if _, err := z.Write(o.Data); err != nil {
			return err
		}
		if err := z.Close(); err != nil {
			return err
		}
	}
	_, err := w.Write(sum.Sum(nil))
	return err
}

func writeOrder(objects map[object.Hash]object.Object) []object.Hash {
	rank := [...]int{object.TypeCommit: 0, object.TypeTag: 1, object.TypeTree: 2, object.TypeBlob: 3}
	return slices.SortedFunc(maps.Keys(objects), func(a, b object.Hash) int {
		return cmp.Or(cmp.Compare(rank[objects[a].Type], rank[objects[b].Type]), a.Compare(b))
	})
}
