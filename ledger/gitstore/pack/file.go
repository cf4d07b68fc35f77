package pack

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"io"
	"slices"
	"sync"

	"benchlore/ledger/gitstore/object"
)

// maxChain bounds how many deltas may build on each other in a pack of our own
// disk; git makes them no deeper than 4095.
const maxChain = 4096

// smallBase is up to how many bytes an object that was read for itself is kept for
// the deltas that may build on it.
const smallBase = 64 << 10

var errChain = errors.New("its deltas build on each other without end")

// ErrNotHere is returned for an object that is not in the pack.
var ErrNotHere = errors.New("the object is not in this pack")

// readers are reused: each has a buffer of four kilobytes, most of it more than an
// entry fills.
var readers = sync.Pool{New: func() any { return bufio.NewReader(nil) }}

// readEntry inflates the entry that begins at a place.
func readEntry(f io.ReaderAt, at int64) (head, []byte, error) {
	r := readers.Get().(*bufio.Reader)
	defer readers.Put(r)
	r.Reset(io.NewSectionReader(f, at, 1<<62-at))
	h, err := readHead(r)
	if err != nil {
		return h, nil, err
	}
	data, err := inflate(r, h.size)
	return h, data, err
}

// readObject reads the object whose entry begins at a place, with the deltas it is
// made of. find returns where the entry of a base begins that a delta names.
func readObject(f io.ReaderAt, cache *deltaCache, at int64, find func(object.Hash) (int64, error)) (object.Object, error) {
	type delta struct {
		at   int64
		data []byte
	}
	var chain []delta
	var o object.Object
	for {
		if held, ok := cache.held[at]; ok {
			o = held
			break
		}
		h, data, err := readEntry(f, at)
		if err != nil {
			return o, err
		}
		if !h.delta() {
			o = object.Object{Type: h.typ, Data: data}
			// Whether deltas build on it is not known yet. Photographs would push out
			// what they do build on.
			if len(chain) > 0 || len(data) <= smallBase {
				cache.put(at, o)
			}
			break
		}
		if chain = append(chain, delta{at, data}); len(chain) > maxChain {
			return o, errChain
		}
		if at -= h.back; h.typ == nameDelta {
			if at, err = find(h.name); err != nil {
				return o, err
			}
		}
	}
	for _, d := range slices.Backward(chain) {
		data, err := Patch(o.Data, d.data)
		if err != nil {
			return o, err
		}
		o = object.Object{Type: o.Type, Data: data}
		cache.put(d.at, o)
	}
	return o, nil
}

// File is a pack whose index is in memory. It is not safe for use by several
// goroutines at once.
type File struct {
	Index Index
	r     io.ReaderAt
	end   int64    // where the last entry ends
	order []uint32 // the places of the index in the order of their offsets; nil: not sorted yet
	cache deltaCache
}

// NewFile takes an index and its pack of so many bytes. Up to cache bytes of the
// objects read last are kept, since deltas build on them.
func NewFile(idx Index, pack io.ReaderAt, size int64, cache int) *File {
	return &File{Index: idx, r: pack, end: size - tailLen, cache: deltaCache{most: cache}}
}

// Size is how many bytes the pack has.
func (f *File) Size() int64 { return f.end + tailLen }

// Object reads the object whose entry begins at a place. Whether its bytes have the
// name that the index gives them is for the caller to ask.
func (f *File) Object(at int64) (object.Object, error) {
	return readObject(f.r, &f.cache, at, func(h object.Hash) (int64, error) {
		i := f.Index.Find(h)
		if i < 0 {
			return 0, ErrNotHere
		}
		return f.Index.Offset(i), nil
	})
}

// sort puts the places of the index in the order of their offsets.
func (f *File) sort() {
	if f.order != nil {
		return
	}
	f.order = make([]uint32, f.Index.Len())
	for i := range f.order {
		f.order[i] = uint32(i)
	}
	slices.SortFunc(f.order, func(a, b uint32) int { return cmp.Compare(f.Index.Offset(int(a)), f.Index.Offset(int(b))) })
}

// placeOf returns the place in order of the entry that begins at an offset, -1
// where none does.
func (f *File) placeOf(offset int64) int {
	f.sort()
	i, ok := slices.BinarySearchFunc(f.order, offset, func(a uint32, at int64) int { return cmp.Compare(f.Index.Offset(int(a)), at) })
	if !ok {
		return -1
	}
	return i
}

// Lookup reads single objects of a pack without its index in memory: a few reads
// of the index file find an object. For more than a few thousand objects, File is
// faster. It is not safe for use by several goroutines at once.
type Lookup struct {
	idx, pack io.ReaderAt
	cache     deltaCache
	fanout    [256]uint32 // how many names have a first byte up to this
}

// NewLookup takes an index file and its pack. Up to cache bytes of the objects read
// last are kept, since deltas build on them.
func NewLookup(idx, pack io.ReaderAt, cache int) (*Lookup, error) {
	l := &Lookup{idx: idx, pack: pack, cache: deltaCache{most: cache}}
	var start [indexNames]byte
	if _, err := idx.ReadAt(start[:], 0); err != nil {
		return nil, err
	}
	if string(start[:len(indexHead)]) != indexHead {
		return nil, errors.New("it is not a pack index of version 2")
	}
	for i := range l.fanout {
		l.fanout[i] = binary.BigEndian.Uint32(start[len(indexHead)+4*i:])
	}
	return l, nil
}

// Find returns where in the pack an object's entry begins. Error: ErrNotHere.
func (l *Lookup) Find(h object.Hash) (int64, error) {
	lo, hi := uint32(0), l.fanout[h[0]]
	if h[0] > 0 {
		lo = l.fanout[h[0]-1]
	}
	n := int64(l.fanout[255])
	for lo < hi {
		mid := lo + (hi-lo)/2
		var name [20]byte
		if _, err := l.idx.ReadAt(name[:], int64(indexNames)+20*int64(mid)); err != nil {
			return 0, err
		}
		switch c := bytes.Compare(name[:], h[:]); {
		case c < 0:
			lo = mid + 1
		case c > 0:
			hi = mid
		default:
			var small [4]byte
			if _, err := l.idx.ReadAt(small[:], int64(indexNames)+24*n+4*int64(mid)); err != nil {
				return 0, err
			}
			at := binary.BigEndian.Uint32(small[:])
			if at&(1<<31) == 0 {
				return int64(at), nil
			}
			var large [8]byte
			_, err := l.idx.ReadAt(large[:], int64(indexNames)+28*n+8*int64(at&^(1<<31)))
			return int64(binary.BigEndian.Uint64(large[:])), err
		}
	}
	return 0, ErrNotHere
}

// Object reads the object whose entry begins at a place in the pack.
func (l *Lookup) Object(at int64) (object.Object, error) {
	return readObject(l.pack, &l.cache, at, l.Find)
}

// deltaCache keeps objects that deltas build on: the last ones read.
type deltaCache struct {
	held  map[int64]object.Object
	order []int64
	bytes int
	most  int // bytes
}

func (c *deltaCache) put(i int64, o object.Object) {
	if c.held == nil {
		c.held = map[int64]object.Object{}
	}
	if _, ok := c.held[i]; ok || len(o.Data) > c.most/4 {
		return
	}
	c.held[i] = o
	c.order = append(c.order, i)
	c.bytes += len(o.Data)
	for c.bytes > c.most && len(c.order) > 1 {
		c.bytes -= len(c.held[c.order[0]].Data)
		delete(c.held, c.order[0])
		c.order = c.order[1:]
	}
}
