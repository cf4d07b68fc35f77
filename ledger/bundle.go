package ledger

import (
	"bytes"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"sort"
	"strings"

	"benchlore/ledger/gitstore/object"
)

// A git bundle is a list of refs followed by a pack. The formats are git's own,
// gitformat-bundle(5) and gitformat-pack(5): version 2 of both.

// bundleHead is the first line of a bundle.
const bundleHead = "# v2 git bundle\n"

// Bounds on what is read from a stranger.
const (
	maxBundle   = 256 << 20 // bytes of a bundle
	maxObjects  = 200_000
	maxObject   = 64 << 20  // bytes of one object
	maxInflated = 512 << 20 // bytes of all objects
	maxDepth    = 250       // deltas on deltas; stock git writes at most 50
	maxRefs     = 10_000
)

// Entries of a pack that are changes to an object, not objects.
const (
	offsetDelta object.Type = 6
	nameDelta   object.Type = 7
)

// objectSet holds whole objects by hash.
type objectSet map[object.Hash]object.Object

// bundleRef is one line of a bundle's header.
type bundleRef struct {
	Name string
	Hash object.Hash
}

// bundle is a bundle that was read: its refs as they stand, its objects with
// their hashes computed anew.
type bundle struct {
	refs    []bundleRef
	objects objectSet
}

// ref returns where a ref of the bundle points.
func (b *bundle) ref(name string) (object.Hash, bool) {
	for _, r := range b.refs {
		if r.Name == name {
			return r.Hash, true
		}
	}
	return object.ZeroHash, false
}

// writeBundle makes a bundle of the objects given. Same input, same bytes.
func writeBundle(w io.Writer, refs []bundleRef, objects objectSet) error {
	sum := sha1.New()
	var head strings.Builder
	head.WriteString(bundleHead)
	for _, r := range refs {
		fmt.Fprintf(&head, "%s %s\n", r.Hash, r.Name)
	}
	head.WriteByte('\n')
	if _, err := io.WriteString(w, head.String()); err != nil {
		return err
	}
	pack := io.MultiWriter(w, sum)
	start := binary.BigEndian.AppendUint32([]byte("PACK\x00\x00\x00\x02"), uint32(len(objects)))
	if _, err := pack.Write(start); err != nil {
		return err
	}
	var z *zlib.Writer
	for _, h := range packOrder(objects) {
		o := objects[h]
		if _, err := pack.Write(packEntry(o.Type, len(o.Data))); err != nil {
			return err
		}
		if z == nil {
			z = zlib.NewWriter(pack)
		} else {
			z.Reset(pack)
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

// packOrder puts commits first, then tags, trees and blobs, each by hash.
func packOrder(objects objectSet) []object.Hash {
	rank := map[object.Type]int{object.TypeCommit: 0, object.TypeTag: 1, object.TypeTree: 2, object.TypeBlob: 3}
	order := slices.Collect(maps.Keys(objects))
	sort.Slice(order, func(i, j int) bool {
		a, b := rank[objects[order[i]].Type], rank[objects[order[j]].Type]
		if a != b {
			return a < b
		}
		return order[i].String() < order[j].String()
	})
	return order
}

// packEntry is the head of an entry: type and size.
func packEntry(t object.Type, size int) []byte {
	c := byte(t)<<4 | byte(size&0x0f)
	var out []byte
	for size >>= 4; size > 0; size >>= 7 {
		out = append(out, c|0x80)
		c = byte(size & 0x7f)
	}
	return append(out, c)
}

// readBundle reads a bundle that may come from anybody. It must be complete in
// itself: a bundle that builds on commits it does not hold is refused. Objects
// get the hash their bytes have.
func readBundle(data []byte) (*bundle, error) {
	if len(data) > maxBundle {
		return nil, fmt.Errorf("the bundle has %d bytes; more than %d are not read", len(data), maxBundle)
	}
	rest, ok := bytes.CutPrefix(data, []byte(bundleHead))
	if !ok {
		return nil, errors.New("this is no git bundle of version 2")
	}
	b := &bundle{}
	seen := map[string]bool{}
	for {
		line, after, ok := bytes.Cut(rest, []byte("\n"))
		if !ok {
			return nil, errors.New("the bundle's list of refs has no end")
		}
		rest = after
		if len(line) == 0 {
			break
		}
		if line[0] == '-' {
			return nil, errors.New("the bundle builds on commits it does not hold")
		}
		hash, name, ok := strings.Cut(string(line), " ")
		if !ok || !object.IsHash(hash) || len(hash) != 40 {
			return nil, fmt.Errorf("the bundle has an odd ref line %.80q", line)
		}
		if seen[name] {
			return nil, fmt.Errorf("the bundle names %.80q twice", name)
		}
		seen[name] = true
		if b.refs = append(b.refs, bundleRef{name, object.NewHash(hash)}); len(b.refs) > maxRefs {
			return nil, fmt.Errorf("the bundle has more than %d refs", maxRefs)
		}
	}
	var err error
	b.objects, err = readPack(rest, maxInflated)
	return b, err
}

// packItem is one entry of a pack. A delta has a base: by place in the pack, or by
// hash.
type packItem struct {
	typ   object.Type
	data  []byte // of a delta: the delta
	at    int64  // of the base, from the pack's start
	base  object.Hash
	depth int
}

// readPack reads a pack whose objects have at most room bytes together.
func readPack(data []byte, room int64) (objectSet, error) {
	const head, tail = 12, sha1.Size
	if len(data) < head+tail || string(data[:4]) != "PACK" {
		return nil, errors.New("the bundle holds no pack")
	}
	if v := binary.BigEndian.Uint32(data[4:]); v != 2 {
		return nil, fmt.Errorf("the pack is of version %d; version 2 is read", v)
	}
	n := binary.BigEndian.Uint32(data[8:])
	if n > maxObjects {
		return nil, fmt.Errorf("the pack holds %d objects; more than %d are not read", n, maxObjects)
	}
	body := data[:len(data)-tail]
	if sum := sha1.Sum(body); !bytes.Equal(sum[:], data[len(body):]) {
		return nil, errors.New("the pack's checksum does not fit its content")
	}
	p := &pack{at: map[int64]*packItem{}, objects: objectSet{}, room: room}
	r := bytes.NewReader(body)
	r.Seek(head, io.SeekStart)
	for range n {
		if err := p.entry(r, int64(len(body)-r.Len())); err != nil {
			return nil, err
		}
	}
	if r.Len() > 0 {
		return nil, fmt.Errorf("%d bytes follow the pack's last object", r.Len())
	}
	return p.objects, p.resolve()
}

var errTooLarge = fmt.Errorf("the pack unfolds to more than %d bytes", maxInflated)

type pack struct {
	at      map[int64]*packItem
	order   []*packItem
	objects objectSet
	room    int64 // bytes that may still be inflated
}

func (p *pack) entry(r *bytes.Reader, at int64) error {
	typ, size, err := entryHead(r)
	if err != nil {
		return err
	}
	e := &packItem{typ: typ}
	switch typ {
	case object.TypeCommit, object.TypeTree, object.TypeBlob, object.TypeTag:
	case offsetDelta:
		back, err := deltaOffset(r)
		if err != nil {
			return err
		}
		if e.at = at - back; back <= 0 || p.at[e.at] == nil {
			return fmt.Errorf("the object at byte %d of the pack is a change to nothing", at)
		}
	case nameDelta:
		if _, err := io.ReadFull(r, e.base[:]); err != nil {
			return errors.New("the pack ends in the middle of an object")
		}
	default:
		return fmt.Errorf("the object at byte %d of the pack is of an unknown kind", at)
	}
	if e.data, err = p.inflate(r, size); err != nil {
		return fmt.Errorf("the object at byte %d of the pack: %w", at, err)
	}
	p.at[at] = e
	p.order = append(p.order, e)
	return nil
}

func entryHead(r io.ByteReader) (object.Type, int64, error) {
	short := errors.New("the pack ends in the middle of an object")
	c, err := r.ReadByte()
	if err != nil {
		return 0, 0, short
	}
	typ, size := object.Type(c>>4&7), int64(c&0x0f)
	for shift := 4; c&0x80 != 0; shift += 7 {
		if c, err = r.ReadByte(); err != nil {
			return 0, 0, short
		}
		if shift > 32 {
			return 0, 0, errors.New("an object of the pack is too large")
		}
		size |= int64(c&0x7f) << shift
	}
	return typ, size, nil
}

func deltaOffset(r io.ByteReader) (int64, error) {
	var back int64
	for i := 0; ; i++ {
		c, err := r.ReadByte()
		if err != nil {
			return 0, errors.New("the pack ends in the middle of an object")
		}
		if i > 5 {
			return 0, errors.New("an object of the pack builds on one outside it")
		}
		back = back<<7 | int64(c&0x7f)
		if c&0x80 == 0 {
			return back, nil
		}
		back++
	}
}

// inflate reads one compressed stream of exactly the size announced.
func (p *pack) inflate(r *bytes.Reader, size int64) ([]byte, error) {
	if size > maxObject {
		return nil, fmt.Errorf("it has %d bytes; more than %d are not read", size, maxObject)
	}
	if p.room -= size; p.room < 0 {
		return nil, errTooLarge
	}
	z, err := zlib.NewReader(r)
	if err != nil {
		return nil, err
	}
	// The size is a claim: memory grows with what comes.
	var out bytes.Buffer
	if _, err := io.Copy(&out, io.LimitReader(z, size+1)); err != nil {
		return nil, err
	}
	if int64(out.Len()) != size {
		return nil, errors.New("it is not as long as it says")
	}
	return out.Bytes(), nil
}

// resolve turns deltas into objects, from the whole ones outward.
func (p *pack) resolve() error {
	onEntry := map[*packItem][]*packItem{}
	onHash := map[object.Hash][]*packItem{}
	var ready []*packItem
	for _, e := range p.order {
		switch e.typ {
		case offsetDelta:
			onEntry[p.at[e.at]] = append(onEntry[p.at[e.at]], e)
		case nameDelta:
			onHash[e.base] = append(onHash[e.base], e)
		default:
			ready = append(ready, e)
		}
	}
	for i := 0; i < len(ready); i++ {
		e := ready[i]
		o := object.Object{Type: e.typ, Data: e.data}
		h := o.Hash()
		p.objects[h] = o
		above := append(onEntry[e], onHash[h]...)
		delete(onHash, h)
		for _, d := range above {
			if d.depth = e.depth + 1; d.depth > maxDepth {
				return errors.New("the pack's changes stand too deep on one another")
			}
			data, err := p.patch(e.data, d.data)
			if err != nil {
				return err
			}
			d.typ, d.data = e.typ, data
			ready = append(ready, d)
		}
	}
	if len(ready) != len(p.order) {
		return errors.New("the pack builds on objects it does not hold")
	}
	return nil
}

// patch applies a delta.
func (p *pack) patch(base, delta []byte) ([]byte, error) {
	broken := errors.New("a change in the pack cannot be applied")
	r := bytes.NewReader(delta)
	from, err1 := binary.ReadUvarint(r)
	to, err2 := binary.ReadUvarint(r)
	if err1 != nil || err2 != nil || from != uint64(len(base)) || to > maxObject {
		return nil, broken
	}
	if p.room -= int64(to); p.room < 0 {
		return nil, errTooLarge
	}
	var out []byte
	for r.Len() > 0 {
		op, _ := r.ReadByte()
		var piece []byte
		if op&0x80 == 0 {
			n := int(op)
			at := len(delta) - r.Len()
			if n == 0 || n > r.Len() {
				return nil, broken
			}
			piece = delta[at : at+n]
			r.Seek(int64(n), io.SeekCurrent)
		} else {
			var at, n uint32
			for i := range 7 {
				if op>>i&1 == 0 {
					continue
				}
				c, err := r.ReadByte()
				if err != nil {
					return nil, broken
				}
				if i < 4 {
					at |= uint32(c) << (8 * i)
				} else {
					n |= uint32(c) << (8 * (i - 4))
				}
			}
			if n == 0 {
				n = 0x10000
			}
			if uint64(at)+uint64(n) > uint64(len(base)) {
				return nil, broken
			}
			piece = base[at : at+n]
		}
		if uint64(len(out)+len(piece)) > to {
			return nil, broken
		}
		out = append(out, piece...)
	}
	if uint64(len(out)) != to {
		return nil, broken
	}
	return out, nil
}
