package gitstore

import (
	"bufio"
	"cmp"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/go-git/go-git/v5/plumbing"
)

// packScan reads a pack file from end to end and finds what every object in it is
// called: what git index-pack does. Format: git's Documentation/gitformat-pack.
type packScan struct {
	file  *os.File
	list  []packedObject
	kinds []byte                // of each entry
	bases []int64               // of each delta: the entry it builds on
	byRef map[int]plumbing.Hash // of deltas that name what they build on
	cache deltaCache
	buf   []byte // to copy by way of
}

// deltaCache keeps objects that deltas build on, the last ones read.
type deltaCache struct {
	held  map[int64]Object
	order []int64
	bytes int
	most  int // bytes
}

func (c *deltaCache) put(i int64, o Object) {
	if c.held == nil {
		c.held = map[int64]Object{}
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

// scanPack reads a pack and lists its objects in the order they lie there. A pack
// that builds on objects it does not hold is refused.
func scanPack(f *os.File) ([]packedObject, plumbing.Hash, error) {
	info, err := f.Stat()
	if err != nil {
		return nil, plumbing.ZeroHash, err
	}
	const head = 12
	end := info.Size() - sha1.Size
	if end < head {
		return nil, plumbing.ZeroHash, io.ErrUnexpectedEOF
	}
	sum := sha1.New()
	if _, err := io.Copy(sum, io.NewSectionReader(f, 0, end)); err != nil {
		return nil, plumbing.ZeroHash, err
	}
	var start [head]byte
	var want plumbing.Hash
	if _, err := f.ReadAt(start[:], 0); err != nil {
		return nil, plumbing.ZeroHash, err
	}
	if _, err := f.ReadAt(want[:], end); err != nil {
		return nil, plumbing.ZeroHash, err
	}
	switch {
	case string(start[:4]) != "PACK" || binary.BigEndian.Uint32(start[4:]) != 2:
		return nil, want, errors.New("it is no pack of version 2")
	case plumbing.Hash(sum.Sum(nil)) != want:
		return nil, want, errors.New("its checksum does not fit its content")
	}
	n := int(binary.BigEndian.Uint32(start[8:]))
	if int64(n) > end-head {
		return nil, want, errors.New("it is shorter than the number of its objects")
	}
	s := &packScan{file: f, list: make([]packedObject, 0, n), kinds: make([]byte, 0, n), bases: make([]int64, 0, n), byRef: map[int]plumbing.Hash{},
		cache: deltaCache{most: packCacheBytes}, buf: make([]byte, 1<<15)}
	if err := s.entries(n, head, end); err != nil {
		return nil, want, err
	}
	return s.list, want, s.deltas()
}

// countingReader knows how far it was read.
type countingReader struct {
	r io.Reader
	n int64
}

func (c *countingReader) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.n += int64(n)
	return n, err
}

// entries goes over the entries once. Whole objects get their names.
func (s *packScan) entries(n int, at, end int64) error {
	under := &countingReader{r: io.NewSectionReader(s.file, at, end-at), n: at}
	r := bufio.NewReaderSize(under, 1<<16)
	place := func() int64 { return under.n - int64(r.Buffered()) }
	var z io.ReadCloser
	sum := sha1.New()
	for i := range n {
		begin := place()
		kind, size, back, ref, err := readEntryHead(r)
		if err != nil {
			return noEOF(err)
		}
		if z == nil {
			z, err = zlib.NewReader(r)
		} else {
			err = z.(zlib.Resetter).Reset(r, nil)
		}
		if err != nil {
			return noEOF(err)
		}
		sum.Reset()
		fmt.Fprintf(sum, "%s %d\x00", kind, size)
		got, err := io.CopyBuffer(sum, z, s.buf)
		if err != nil {
			return noEOF(err)
		}
		if got != size {
			return fmt.Errorf("its object at %d is not of the %d bytes its header says", begin, size)
		}
		o := packedObject{at: begin}
		if o.crc, err = s.crcOf(begin, place()); err != nil {
			return err
		}
		base := int64(-1)
		switch kind {
		case plumbing.OFSDeltaObject:
			b, ok := slices.BinarySearchFunc(s.list, begin-back, func(o packedObject, at int64) int { return cmp.Compare(o.at, at) })
			if !ok {
				return fmt.Errorf("its delta at %d builds on what is %d bytes before it", begin, back)
			}
			base = int64(b)
		case plumbing.REFDeltaObject:
			s.byRef[i] = ref
		default:
			o.hash = plumbing.Hash(sum.Sum(nil))
		}
		s.list, s.kinds, s.bases = append(s.list, o), append(s.kinds, byte(kind)), append(s.bases, base)
	}
	if place() != end {
		return fmt.Errorf("it goes on after its last object, at %d", place())
	}
	return nil
}

func (s *packScan) crcOf(from, to int64) (uint32, error) {
	sum := crc32.NewIEEE()
	_, err := io.CopyBuffer(sum, io.NewSectionReader(s.file, from, to-from), s.buf)
	return sum.Sum32(), err
}

// readEntryHead reads type and size of an entry and, of a delta, what it builds
// on: how far back, or by name.
func readEntryHead(r *bufio.Reader) (kind plumbing.ObjectType, size, back int64, ref plumbing.Hash, err error) {
	c, err := r.ReadByte()
	if err != nil {
		return
	}
	kind, size = plumbing.ObjectType(c>>4&7), int64(c&15)
	for shift := 4; c&0x80 != 0; shift += 7 {
		if shift > 56 {
			return kind, 0, 0, ref, errors.New("the size of an object has no end")
		}
		if c, err = r.ReadByte(); err != nil {
			return
		}
		size |= int64(c&0x7f) << shift
	}
	switch kind {
	case plumbing.CommitObject, plumbing.TreeObject, plumbing.BlobObject, plumbing.TagObject:
	case plumbing.OFSDeltaObject:
		if c, err = r.ReadByte(); err != nil {
			return
		}
		back = int64(c & 0x7f)
		for c&0x80 != 0 {
			if c, err = r.ReadByte(); err != nil {
				return
			}
			if back = (back+1)<<7 | int64(c&0x7f); back > 1<<50 {
				return kind, 0, 0, ref, errors.New("a delta builds on what is before the pack")
			}
		}
		if back <= 0 {
			err = errors.New("a delta builds on itself")
		}
	case plumbing.REFDeltaObject:
		_, err = io.ReadFull(r, ref[:])
	default:
		err = fmt.Errorf("objects of type %d are not known", kind)
	}
	return
}

// deltas gives the deltas their names.
func (s *packScan) deltas() error {
	if len(s.byRef) > 0 {
		if err := s.resolveRefs(); err != nil {
			return err
		}
	}
	for i := range s.list {
		if err := s.name(i); err != nil {
			return err
		}
	}
	return nil
}

// resolveRefs finds the bases that deltas name: those of whole objects first, and
// then of deltas as they get names.
func (s *packScan) resolveRefs() error {
	named := make(map[plumbing.Hash]int, len(s.list))
	for len(s.byRef) > 0 {
		before := len(s.byRef)
		for i := range s.list {
			if s.list[i].hash.IsZero() && s.bases[i] >= 0 && !s.list[s.bases[i]].hash.IsZero() {
				if err := s.name(i); err != nil {
					return err
				}
			}
			if !s.list[i].hash.IsZero() {
				named[s.list[i].hash] = i
			}
		}
		for i, h := range s.byRef {
			if b, ok := named[h]; ok {
				s.bases[i] = int64(b)
				delete(s.byRef, i)
			}
		}
		if len(s.byRef) == before {
			return errors.New("it builds on objects it does not hold")
		}
	}
	return nil
}

func (s *packScan) name(i int) error {
	if !s.list[i].hash.IsZero() {
		return nil
	}
	o, err := s.object(i)
	if err == nil {
		s.list[i].hash = o.Hash()
	}
	return err
}

// object reads an entry whole, from what it builds on upwards.
func (s *packScan) object(i int) (Object, error) {
	chain := []int{}
	var o Object
	for at := i; ; at = int(s.bases[at]) {
		if held, ok := s.cache.held[int64(at)]; ok {
			o = held
			break
		}
		if chain = append(chain, at); len(chain) > maxDeltaDepth {
			return o, errors.New("its deltas build on each other without end")
		}
		if s.bases[at] < 0 {
			break
		}
	}
	for k := len(chain) - 1; k >= 0; k-- {
		at := chain[k]
		kind, data, _, _, err := readEntry(s.file, s.list[at].at)
		if err != nil {
			return o, err
		}
		if s.bases[at] < 0 {
			o = Object{kind, data}
		} else {
			if data, err = patchDelta(o.Data, data); err != nil {
				return o, fmt.Errorf("its delta at %d does not fit: %w", s.list[at].at, err)
			}
			o = Object{o.Type, data}
		}
		s.cache.put(int64(at), o)
	}
	return o, nil
}

// readEntry inflates one entry.
func readEntry(f io.ReaderAt, at int64) (kind plumbing.ObjectType, data []byte, back int64, ref plumbing.Hash, err error) {
	r := bufio.NewReader(io.NewSectionReader(f, at, 1<<62-at))
	kind, size, back, ref, err := readEntryHead(r)
	if err == nil {
		data, err = inflate(r, size)
	}
	return kind, data, back, ref, err
}

// storedReader reads objects of an indexed pack and keeps what others build on.
type storedReader struct {
	pack  *storedPack
	cache deltaCache // by offset
}

func (s *storedReader) object(at int64) (Object, error) {
	type delta struct {
		at   int64
		data []byte
	}
	var chain []delta
	var o Object
	for {
		if held, ok := s.cache.held[at]; ok {
			o = held
			break
		}
		kind, data, back, ref, err := readEntry(s.pack.file, at)
		if err != nil {
			return o, err
		}
		if kind != plumbing.OFSDeltaObject && kind != plumbing.REFDeltaObject {
			o = Object{kind, data}
			if len(chain) > 0 {
				s.cache.put(at, o)
			}
			break
		}
		if chain = append(chain, delta{at, data}); len(chain) > maxDeltaDepth {
			return o, errors.New("its deltas build on each other without end")
		}
		if at -= back; kind == plumbing.REFDeltaObject {
			i := s.pack.idx.find(ref)
			if i < 0 {
				return o, errNotHere
			}
			at = s.pack.idx.offset(i)
		}
	}
	for _, d := range slices.Backward(chain) {
		data, err := patchDelta(o.Data, d.data)
		if err != nil {
			return o, err
		}
		o = Object{o.Type, data}
		s.cache.put(d.at, o)
	}
	return o, nil
}

// packDir is where packs are made before they get their names.
func (r *Repo) packDir() string { return filepath.Join(r.ownDir(), "pack") }

// installPack gives a pack that lies complete in a file of ours its index and its
// name, durable. The file is closed.
func (r *Repo) installPack(f *os.File, list []packedObject, sum plumbing.Hash) (idx string, err error) {
	tmp := f.Name()
	if err := r.finish(f); err != nil {
		return "", &WriteError{tmp, err}
	}
	x, err := os.Create(tmp + ".idx")
	if err != nil {
		return "", &WriteError{tmp + ".idx", err}
	}
	if err := errors.Join(writeIndex(x, list, sum), r.finish(x)); err != nil {
		return "", &WriteError{tmp + ".idx", err}
	}
	if err := r.step("pack written"); err != nil {
		return "", err
	}
	dir := filepath.Join(r.GitDir, "objects", "pack")
	name := filepath.Join(dir, "pack-"+sum.String())
	if fileExists(name + ".idx") {
		return name + ".idx", nil // the same objects, written the same way
	}
	if err := r.rename(tmp, name+".pack"); err != nil {
		return "", &WriteError{name + ".pack", err}
	}
	if err := r.step("pack named"); err != nil {
		return "", err
	}
	// git takes a pack for there once it has an index.
	if err := r.rename(tmp+".idx", name+".idx"); err != nil {
		return "", &WriteError{name + ".idx", err}
	}
	if err := r.sync(dir); err != nil {
		return "", &WriteError{dir, err}
	}
	r.mu.Lock()
	r.forgetPacks()
	r.mu.Unlock()
	return name + ".idx", r.step("pack durable")
}

// finish makes a written file durable, and read-only as git has its packs.
func (r *Repo) finish(f *os.File) error {
	err := f.Chmod(0o444)
	if err == nil && !r.NoSync {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// forgetPacks makes the next look list the packs anew.
func (r *Repo) forgetPacks() {
	r.packsListed, r.packsStamp = time.Time{}, time.Time{}
	r.packsChanged()
}
