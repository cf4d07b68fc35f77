package gitstore

import (
	"bufio"
	"bytes"
	"cmp"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"hash"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/objfile"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"
)

// Packs are written as git's Documentation/gitformat-pack has them, version 2. What
// lies in a pack already is copied as it lies there; of the rest, trees and blobs
// are written as what differs from one of the few before them. Nothing but names
// and places is held in memory for the whole of a pack.
const (
	deltaWindow = 8       // how many objects a delta may build on are tried
	deltaDepth  = 50      // how deep deltas build on each other: git's own
	deltaMost   = 1 << 20 // bytes of the largest object that is tried: larger ones are pictures
)

// packedObject is where an object lies in a pack.
type packedObject struct {
	hash plumbing.Hash
	at   int64
	crc  uint32 // of the bytes of its entry
}

// WritePack writes a pack of the objects named, each once, which must be here.
// Errors: *MissingObject, *CorruptObject, and those of w.
func (r *Repo) WritePack(w io.Writer, objects []plumbing.Hash) error {
	_, _, err := r.writePack(w, objects)
	return err
}

// writePack is WritePack; it tells what lies where, and the sum of the pack.
func (r *Repo) writePack(w io.Writer, objects []plumbing.Hash) ([]packedObject, plumbing.Hash, error) {
	packs := r.openPacks()
	defer func() {
		for _, p := range packs {
			p.file.Close()
		}
	}()
	p := &packing{w: bufio.NewWriterSize(w, 1<<16), sum: sha1.New(), places: make(map[plumbing.Hash]int64, len(objects)),
		list: make([]packedObject, 0, len(objects))}
	if err := p.write(binary.BigEndian.AppendUint32([]byte("PACK\x00\x00\x00\x02"), uint32(len(objects)))); err != nil {
		return nil, plumbing.ZeroHash, err
	}
	rest, err := p.copyStored(packs, objects)
	if err != nil {
		return nil, plumbing.ZeroHash, err
	}
	if err := p.writeNew(r, rest); err != nil {
		return nil, plumbing.ZeroHash, err
	}
	sum := plumbing.Hash(p.sum.Sum(nil))
	_, err = p.w.Write(sum[:])
	return p.list, sum, errors.Join(err, p.w.Flush())
}

// packing is a pack as far as it is written.
type packing struct {
	w      *bufio.Writer
	sum    hash.Hash
	at     int64
	crc    uint32 // of the entry being written
	z      *zlib.Writer
	places map[plumbing.Hash]int64
	list   []packedObject
}

func (p *packing) write(b []byte) error {
	p.sum.Write(b)
	p.crc = crc32.Update(p.crc, crc32.IEEETable, b)
	p.at += int64(len(b))
	_, err := p.w.Write(b)
	return err
}

// Write lets a compressor write.
func (p *packing) Write(b []byte) (int, error) { return len(b), p.write(b) }

// begin notes that an object's entry starts here.
func (p *packing) begin(h plumbing.Hash) {
	p.crc = 0
	p.places[h] = p.at
	p.list = append(p.list, packedObject{hash: h, at: p.at})
}

func (p *packing) end() { p.list[len(p.list)-1].crc = p.crc }

// entryHead is type and size of an entry.
func entryHead(t plumbing.ObjectType, size int64) []byte {
	c := byte(t)<<4 | byte(size&15)
	var out []byte
	for size >>= 4; size > 0; size >>= 7 {
		out = append(out, c|0x80)
		c = byte(size & 0x7f)
	}
	return append(out, c)
}

// backOffset is how far before a delta its base begins.
func backOffset(n int64) []byte {
	out := []byte{byte(n & 0x7f)}
	for n >>= 7; n > 0; n >>= 7 {
		n--
		out = append(out, byte(n&0x7f)|0x80)
	}
	slices.Reverse(out)
	return out
}

// entry writes a whole object, or a delta where base is not nil.
func (p *packing) entry(h plumbing.Hash, t plumbing.ObjectType, data []byte, base *plumbing.Hash) error {
	p.begin(h)
	head := entryHead(t, int64(len(data)))
	if base != nil {
		head = append(entryHead(plumbing.OFSDeltaObject, int64(len(data))), backOffset(p.at-p.places[*base])...)
	}
	if err := p.write(head); err != nil {
		return err
	}
	if p.z == nil {
		p.z = zlib.NewWriter(p)
	} else {
		p.z.Reset(p)
	}
	if _, err := p.z.Write(data); err != nil {
		return err
	}
	err := p.z.Close()
	p.end()
	return err
}

// storedPack is a pack whose index is in memory.
type storedPack struct {
	idx   packIndex
	file  *os.File
	order []uint32 // the places of the index in order of their offsets
	end   int64    // where the last entry ends
}

// packIndex is an index file, version 2.
type packIndex []byte

func (x packIndex) fan(b int) int { return int(binary.BigEndian.Uint32(x[8+4*b:])) }
func (x packIndex) n() int        { return x.fan(255) }

func (x packIndex) name(i int) (h plumbing.Hash) {
	copy(h[:], x[8+4*256+20*i:])
	return h
}

func (x packIndex) crc(i int) uint32 {
	return binary.BigEndian.Uint32(x[8+4*256+20*x.n()+4*i:])
}

func (x packIndex) offset(i int) int64 {
	small := 8 + 4*256 + 24*x.n()
	at := binary.BigEndian.Uint32(x[small+4*i:])
	if at&(1<<31) == 0 {
		return int64(at)
	}
	return int64(binary.BigEndian.Uint64(x[small+4*x.n()+8*int(at&^(1<<31)):]))
}

// whole reports whether an index is long enough for what it says it holds.
func (x packIndex) whole() bool {
	if len(x) < 8+4*256+40 || string(x[:8]) != "\xfftOc\x00\x00\x00\x02" {
		return false
	}
	for b := range 255 {
		if x.fan(b) > x.fan(b+1) {
			return false
		}
	}
	n, large := x.n(), 0
	if len(x) < 8+4*256+28*n+40 {
		return false
	}
	for i := range n {
		if at := binary.BigEndian.Uint32(x[8+4*256+24*n+4*i:]); at&(1<<31) != 0 {
			large = max(large, int(at&^(1<<31))+1)
		}
	}
	return len(x) >= 8+4*256+28*n+8*large+40
}

// find returns an object's place in the index, -1 where it is not there.
func (x packIndex) find(h plumbing.Hash) int {
	lo, hi := 0, x.fan(int(h[0]))
	if h[0] > 0 {
		lo = x.fan(int(h[0]) - 1)
	}
	for lo < hi {
		mid := lo + (hi-lo)/2
		switch c := bytes.Compare(x[8+4*256+20*mid:8+4*256+20*mid+20], h[:]); {
		case c < 0:
			lo = mid + 1
		case c > 0:
			hi = mid
		default:
			return mid
		}
	}
	return -1
}

// packIndexes lists the indexes of the packs, by name. The packs of a git repack
// that is at work have one too, but begin with a dot and go when it is stopped.
func (r *Repo) packIndexes() (names []string) {
	dir := filepath.Join(r.GitDir, "objects", "pack")
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		if name := e.Name(); strings.HasSuffix(name, ".idx") && name[0] != '.' {
			names = append(names, filepath.Join(dir, name))
		}
	}
	return names
}

// stem is a pack's name without its ending.
func (s *storedPack) stem() string { return strings.TrimSuffix(s.file.Name(), ".pack") }

// cruft reports whether a pack, without its ending, holds what git is about to
// throw away: each object has its own day in there.
func cruft(stem string) bool { return fileExists(stem + ".mtimes") }

// openPacks opens the packs as they are now. One that cannot be read is left out:
// its objects are then looked for one by one, and missed by name.
func (r *Repo) openPacks() []*storedPack {
	var out []*storedPack
	for _, name := range r.packIndexes() {
		idx, err := os.ReadFile(name)
		if err != nil || !packIndex(idx).whole() {
			continue
		}
		f, err := os.Open(strings.TrimSuffix(name, ".idx") + ".pack")
		if err != nil {
			continue
		}
		info, err := f.Stat()
		if err != nil {
			f.Close()
			continue
		}
		s := &storedPack{idx: idx, file: f, end: info.Size() - sha1.Size}
		s.order = make([]uint32, s.idx.n())
		for i := range s.order {
			s.order[i] = uint32(i)
		}
		slices.SortFunc(s.order, func(a, b uint32) int { return cmp.Compare(s.idx.offset(int(a)), s.idx.offset(int(b))) })
		out = append(out, s)
	}
	return out
}

// placeOf returns the place in order of the entry that begins at an offset, -1
// where none does.
func (s *storedPack) placeOf(offset int64) int {
	i, ok := slices.BinarySearchFunc(s.order, offset, func(a uint32, at int64) int { return cmp.Compare(s.idx.offset(int(a)), at) })
	if !ok {
		return -1
	}
	return i
}

// copyStored copies the entries of objects that lie in packs, in the order they
// lie there, and returns the objects for which that cannot be done.
func (p *packing) copyStored(packs []*storedPack, objects []plumbing.Hash) (rest []plumbing.Hash, err error) {
	lists := make([][]int, len(packs)) // places in order
next:
	for _, h := range objects {
		for k, s := range packs {
			if i := s.idx.find(h); i >= 0 {
				lists[k] = append(lists[k], s.placeOf(s.idx.offset(i)))
				continue next
			}
		}
		rest = append(rest, h)
	}
	var buf []byte
	for k, s := range packs {
		slices.Sort(lists[k])
		for _, o := range lists[k] {
			i := int(s.order[o])
			at, end := s.idx.offset(i), s.end
			if o+1 < len(s.order) {
				end = s.idx.offset(int(s.order[o+1]))
			}
			if end <= at || end-at > 1<<30 {
				rest = append(rest, s.idx.name(i))
				continue
			}
			buf = slices.Grow(buf[:0], int(end-at))[:end-at]
			if _, err := s.file.ReadAt(buf, at); err != nil || crc32.ChecksumIEEE(buf) != s.idx.crc(i) {
				rest = append(rest, s.idx.name(i)) // who reads it says what is wrong with it
				continue
			}
			ok, err := p.copyEntry(s, s.idx.name(i), at, buf)
			if err != nil {
				return nil, err
			}
			if !ok {
				rest = append(rest, s.idx.name(i))
			}
		}
	}
	return rest, nil
}

// copyEntry copies one entry, unless it builds on what this pack does not have
// yet.
func (p *packing) copyEntry(s *storedPack, h plumbing.Hash, at int64, raw []byte) (bool, error) {
	n := 1
	for n < len(raw) && raw[n-1]&0x80 != 0 {
		n++
	}
	var base plumbing.Hash
	body := n
	switch plumbing.ObjectType(raw[0] >> 4 & 7) {
	case plumbing.OFSDeltaObject:
		var back int64
		for ; body < len(raw); body++ {
			back = back<<7 | int64(raw[body]&0x7f)
			if raw[body]&0x80 == 0 {
				body++
				break
			}
			back++
		}
		o := s.placeOf(at - back)
		if o < 0 {
			return false, nil
		}
		base = s.idx.name(int(s.order[o]))
	case plumbing.REFDeltaObject:
		if body += copy(base[:], raw[n:]); body > len(raw) {
			return false, nil
		}
	default:
		p.begin(h)
		err := p.write(raw)
		p.end()
		return true, err
	}
	if _, ok := p.places[base]; !ok {
		return false, nil
	}
	p.begin(h)
	head := bytes.Clone(raw[:n])
	head[0] = head[0]&^0x70 | byte(plumbing.OFSDeltaObject)<<4
	err := p.write(append(head, backOffset(p.at-p.places[base])...))
	if err == nil {
		err = p.write(raw[body:])
	}
	p.end()
	return true, err
}

// candidate is an object a delta may build on.
type candidate struct {
	hash  plumbing.Hash
	typ   plumbing.ObjectType
	data  []byte
	depth int
}

// writeNew writes objects that lie in no pack: those of one kind together, larger
// ones first, since it is cheaper to take away than to add; versions of one thing
// come to stand side by side.
func (p *packing) writeNew(r *Repo, objects []plumbing.Hash) error {
	type sized struct {
		hash plumbing.Hash
		typ  plumbing.ObjectType
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
		if t != plumbing.TreeObject && t != plumbing.BlobObject || len(data) > deltaMost || len(data) < 50 {
			if err := p.entry(o.hash, t, data, nil); err != nil {
				return err
			}
			continue
		}
		var best []byte
		var base *candidate
		for i := range window {
			c := &window[i]
			// A delta that leaves half of it to be written anew is not worth its chain.
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
			err = p.entry(o.hash, t, data, nil)
		} else {
			now.depth = base.depth + 1
			err = p.entry(o.hash, t, best, &base.hash)
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
func (r *Repo) sizeOf(h plumbing.Hash) (plumbing.ObjectType, int64, error) {
	if t, size, err := looseSize(r.looseFile(h)); err == nil {
		return t, size, nil
	}
	t, data, err := r.Object(h)
	return t, int64(len(data)), err
}

func looseSize(name string) (plumbing.ObjectType, int64, error) {
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
	return rd.Header()
}

// writeIndex writes the index of a pack, version 2, and sorts the list by name.
func writeIndex(to io.Writer, list []packedObject, pack plumbing.Hash) error {
	slices.SortFunc(list, func(a, b packedObject) int { return bytes.Compare(a.hash[:], b.hash[:]) })
	sum := sha1.New()
	w := bufio.NewWriterSize(io.MultiWriter(to, sum), 1<<16)
	w.WriteString("\xfftOc\x00\x00\x00\x02")
	number := func(n uint32) { w.Write(binary.BigEndian.AppendUint32(nil, n)) }
	i := 0
	for b := range 256 {
		for i < len(list) && int(list[i].hash[0]) == b {
			i++
		}
		number(uint32(i))
	}
	for _, o := range list {
		w.Write(o.hash[:])
	}
	for _, o := range list {
		number(o.crc)
	}
	var large []int64
	for _, o := range list {
		if o.at < 1<<31 {
			number(uint32(o.at))
			continue
		}
		number(1<<31 | uint32(len(large)))
		large = append(large, o.at)
	}
	for _, at := range large {
		w.Write(binary.BigEndian.AppendUint64(nil, uint64(at)))
	}
	w.Write(pack[:])
	if err := w.Flush(); err != nil { // a bufio.Writer keeps its first error
		return err
	}
	_, err := to.Write(sum.Sum(nil))
	return err
}
