package gitstore

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"slices"
	"strings"
	"sync"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"
)

// fewObjects is how many objects are read from packs without their indexes being
// read whole: the report of one unit of a large ledger took most of its time for
// that. Who reads more than a few objects is better off with it.
const fewObjects = 2000

// packCacheBytes bounds what is kept of objects that deltas of packs build on.
const packCacheBytes = 24 << 20

// packReader reads single objects of one pack. Format: git's
// Documentation/gitformat-pack, index version 2.
type packReader struct {
	name      string // of the index
	idx, pack *os.File
	fanout    [256]uint32   // how many objects have a first byte up to this
	whole     *storedReader // with the index in memory; nil for the first few objects
}

// maxDeltaDepth bounds how deep deltas may build on each other; git makes them
// no deeper than 4095.
const maxDeltaDepth = 4096

var errNotHere = errors.New("not in this pack")

// openPack opens a pack by its index. Other versions of an index are left to
// go-git.
func openPack(idxName string) (*packReader, error) {
	p := &packReader{name: idxName}
	var err error
	if p.idx, err = os.Open(idxName); err != nil {
		return nil, err
	}
	var head [8 + 4*256]byte
	if _, err = p.idx.ReadAt(head[:], 0); err == nil && string(head[:8]) != "\xfftOc\x00\x00\x00\x02" {
		err = errNotHere
	}
	if err == nil {
		p.pack, err = os.Open(strings.TrimSuffix(idxName, ".idx") + ".pack")
	}
	if err != nil {
		p.idx.Close()
		return nil, err
	}
	for i := range p.fanout {
		p.fanout[i] = binary.BigEndian.Uint32(head[8+4*i:])
	}
	return p, nil
}

func (p *packReader) close() error { return errors.Join(p.idx.Close(), p.pack.Close()) }

// find returns where in the pack an object begins.
func (p *packReader) find(h plumbing.Hash) (int64, error) {
	if p.whole != nil {
		if i := p.whole.pack.idx.find(h); i >= 0 {
			return p.whole.pack.idx.offset(i), nil
		}
		return 0, errNotHere
	}
	const names = 8 + 4*256
	lo, hi := uint32(0), p.fanout[h[0]]
	if h[0] > 0 {
		lo = p.fanout[h[0]-1]
	}
	n := int64(p.fanout[255])
	for lo < hi {
		mid := lo + (hi-lo)/2
		var name [20]byte
		if _, err := p.idx.ReadAt(name[:], names+20*int64(mid)); err != nil {
			return 0, err
		}
		switch c := bytes.Compare(name[:], h[:]); {
		case c < 0:
			lo = mid + 1
		case c > 0:
			hi = mid
		default:
			var small [4]byte
			if _, err := p.idx.ReadAt(small[:], names+24*n+4*int64(mid)); err != nil {
				return 0, err
			}
			at := binary.BigEndian.Uint32(small[:])
			if at&(1<<31) == 0 {
				return int64(at), nil
			}
			var large [8]byte
			_, err := p.idx.ReadAt(large[:], names+28*n+8*int64(at&^(1<<31)))
			return int64(binary.BigEndian.Uint64(large[:])), err
		}
	}
	return 0, errNotHere
}

// object reads the object that begins at a place in the pack.
func (p *packReader) object(at int64, depth int) (plumbing.ObjectType, []byte, error) {
	if p.whole != nil {
		o, err := p.whole.object(at)
		return o.Type, o.Data, err
	}
	if depth > maxDeltaDepth {
		return 0, nil, errors.New("its deltas build on each other without end")
	}
	kind, data, back, ref, err := readEntry(p.pack, at)
	if err != nil || kind != plumbing.OFSDeltaObject && kind != plumbing.REFDeltaObject {
		return kind, data, err
	}
	base := at - back
	if kind == plumbing.REFDeltaObject {
		if base, err = p.find(ref); err != nil {
			return 0, nil, err
		}
	}
	kind, whole, err := p.object(base, depth+1)
	if err != nil {
		return 0, nil, err
	}
	data, err = patchDelta(whole, data)
	return kind, data, err
}

// maxFromDelta bounds what a delta may say it makes: room is made for it before
// anything else is known of it.
const maxFromDelta = 1 << 30

// patchDelta is what a delta makes of its base.
func patchDelta(base, delta []byte) ([]byte, error) {
	rest := delta
	for _, what := range []string{"base", "result"} {
		var size int64
		for shift := 0; ; shift += 7 {
			if len(rest) == 0 || shift > 56 {
				return nil, fmt.Errorf("a delta does not say how long its %s is", what)
			}
			c := rest[0]
			rest = rest[1:]
			if size |= int64(c&0x7f) << shift; c&0x80 == 0 {
				break
			}
		}
		if size > maxFromDelta {
			return nil, fmt.Errorf("a delta says its %s has %d bytes", what, size)
		}
	}
	return packfile.PatchDelta(base, delta)
}

// inflaters are reused: a new one takes some forty kilobytes.
var inflaters sync.Pool

func inflate(r io.Reader, size int64) ([]byte, error) {
	z, _ := inflaters.Get().(io.ReadCloser)
	var err error
	if z == nil {
		z, err = zlib.NewReader(r)
	} else {
		err = z.(zlib.Resetter).Reset(r, nil)
	}
	if err != nil {
		return nil, err
	}
	defer inflaters.Put(z)
	// Room for what the header says, but not for more than has come by much: the
	// header may lie.
	data := make([]byte, min(size, 1<<20))
	for n := 0; ; {
		got, err := io.ReadFull(z, data[n:])
		n += got
		switch {
		case err == io.EOF || err == io.ErrUnexpectedEOF:
			return nil, fmt.Errorf("it ends after %d of the %d bytes its header says", n, size)
		case err != nil:
			return nil, err
		case int64(n) < size:
			data = append(data, make([]byte, min(size-int64(n), int64(n)))...)
			continue
		}
		break
	}
	// The checksum is looked at where the end is reached.
	var more [1]byte
	if n, err := io.ReadFull(z, more[:]); n > 0 {
		return nil, fmt.Errorf("it goes on after the %d bytes its header says", size)
	} else if err != io.EOF {
		return nil, err
	}
	return data, nil
}

// readAll takes the index into memory, if it can be.
func (p *packReader) readAll(cache int) {
	if idx, err := os.ReadFile(p.name); err == nil && packIndex(idx).whole() {
		p.whole = &storedReader{pack: &storedPack{idx: idx, file: p.pack}, cache: deltaCache{most: cache}}
	}
}

// findPacks opens the packs that have come since the last time, and closes those
// that are gone.
func (r *Repo) findPacks() {
	names := r.packIndexes()
	if r.packReaders != nil && slices.Equal(names, r.packNames) {
		return
	}
	had := map[string]*packReader{}
	for _, p := range r.packReaders {
		had[p.name] = p
	}
	r.packNames = names
	r.packReaders = make([]*packReader, 0, len(names))
	for _, name := range names {
		p := had[name]
		if delete(had, name); p == nil {
			var err error
			if p, err = openPack(name); err != nil {
				continue // left to go-git
			}
		}
		r.packReaders = append(r.packReaders, p)
	}
	for _, p := range had {
		p.close()
	}
	if r.packReads >= fewObjects {
		r.readAllPacks()
	}
}

func (r *Repo) readAllPacks() {
	for _, p := range r.packReaders {
		if p.whole == nil {
			p.readAll(packCacheBytes / len(r.packReaders))
		}
	}
}

// fromPacks reads an object without go-git, if a pack has it. What goes wrong here
// is left to go-git to find and to name.
func (r *Repo) fromPacks(h plumbing.Hash) (plumbing.ObjectType, []byte, bool) {
	if r.packReaders == nil {
		r.findPacks()
	}
	if r.packReads++; r.packReads == fewObjects {
		r.readAllPacks()
	}
	for _, p := range r.packReaders {
		at, err := p.find(h)
		if err != nil {
			continue
		}
		if t, data, err := p.object(at, 0); err == nil && objectHash(t, data) == h {
			return t, data, true
		}
	}
	return 0, nil, false
}

// packsWith yields the packs that list an object.
func (r *Repo) packsWith(h plumbing.Hash) iter.Seq[*packReader] {
	return func(yield func(*packReader) bool) {
		if r.packReaders == nil {
			r.findPacks()
		}
		for _, p := range r.packReaders {
			if _, err := p.find(h); err == nil && !yield(p) {
				return
			}
		}
	}
}

// isPacked reports whether a pack lists an object.
func (r *Repo) isPacked(h plumbing.Hash) bool {
	for range r.packsWith(h) {
		return true
	}
	return false
}
