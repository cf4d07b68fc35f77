package pack

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
	"slices"

	"benchlore/ledger/gitstore/object"
)

// scanner reads a pack file from end to end and finds the name of each object in
// it, as git index-pack does.
type scanner struct {
	file  io.ReaderAt
	list  []Entry
	bases []int64             // of each delta: the entry it builds on
	byRef map[int]object.Hash // of deltas that name what they build on
	cache deltaCache
	buf   []byte // to copy by way of
}

// Scan reads a pack of so many bytes from end to end and lists its objects in the
// order they lie there; it also returns the checksum at the pack's end. A pack with
// deltas to objects that it does not hold is refused. Up to cache bytes of objects
// are kept in memory on the way, and about 60 bytes for each entry.
func Scan(pack io.ReaderAt, size int64, cache int) ([]Entry, object.Hash, error) {
	end := size - tailLen
	if end < headLen {
		return nil, object.ZeroHash, io.ErrUnexpectedEOF
	}
	sum := sha1.New()
	if _, err := io.Copy(sum, io.NewSectionReader(pack, 0, end)); err != nil {
		return nil, object.ZeroHash, err
	}
	var start [headLen]byte
	var want object.Hash
	if _, err := pack.ReadAt(start[:], 0); err != nil {
		return nil, object.ZeroHash, err
	}
	if _, err := pack.ReadAt(want[:], end); err != nil {
		return nil, object.ZeroHash, err
	}
	switch {
	case string(start[:4]) != "PACK" || binary.BigEndian.Uint32(start[4:]) != 2:
		return nil, want, errors.New("it is not a pack of version 2")
	case object.Hash(sum.Sum(nil)) != want:
		return nil, want, errors.New("its checksum does not match its content")
	}
	n := int(binary.BigEndian.Uint32(start[8:]))
	if int64(n) > end-headLen {
		return nil, want, errors.New("it is too short for the number of objects it announces")
	}
	s := &scanner{file: pack, list: make([]Entry, 0, n), bases: make([]int64, 0, n), byRef: map[int]object.Hash{},
		cache: deltaCache{most: cache}, buf: make([]byte, 1<<15)}
	if err := s.entries(n, headLen, end); err != nil {
		return nil, want, err
	}
	return s.list, want, s.deltas()
}

// countingReader counts the bytes read.
type countingReader struct {
	r io.Reader
	n int64
}

func (c *countingReader) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.n += int64(n)
	return n, err
}

// entries goes over the entries once, and names those that are whole objects.
func (s *scanner) entries(n int, at, end int64) error {
	under := &countingReader{r: io.NewSectionReader(s.file, at, end-at), n: at}
	r := bufio.NewReaderSize(under, 1<<16)
	place := func() int64 { return under.n - int64(r.Buffered()) }
	var z io.ReadCloser
	sum := sha1.New()
	for i := range n {
		begin := place()
		h, err := readHead(r)
		if err != nil {
			return fmt.Errorf("its object at byte %d: %w", begin, err)
		}
		if z == nil {
			z, err = zlib.NewReader(r)
		} else {
			err = z.(zlib.Resetter).Reset(r, nil)
		}
		if err != nil {
			return fmt.Errorf("its object at byte %d: %w", begin, noEOF(err))
		}
		sum.Reset()
		fmt.Fprintf(sum, "%s %d\x00", h.typ, h.size)
		got, err := io.CopyBuffer(sum, z, s.buf)
		if err != nil {
			return fmt.Errorf("its object at byte %d: %w", begin, noEOF(err))
		}
		if got != h.size {
			return fmt.Errorf("its object at byte %d has %d bytes; its header says %d", begin, got, h.size)
		}
		e := Entry{At: begin}
		if e.CRC, err = s.crcOf(begin, place()); err != nil {
			return err
		}
		base := int64(-1)
		switch h.typ {
		case offsetDelta:
			b, ok := slices.BinarySearchFunc(s.list, begin-h.back, func(e Entry, at int64) int { return cmp.Compare(e.At, at) })
			if !ok {
				return fmt.Errorf("its delta at byte %d: no object begins where its base should be", begin)
			}
			base = int64(b)
		case nameDelta:
			s.byRef[i] = h.name
		default:
			e.Name = object.Hash(sum.Sum(nil))
		}
		s.list, s.bases = append(s.list, e), append(s.bases, base)
	}
	if place() != end {
		return fmt.Errorf("it goes on after its last object, at byte %d", place())
	}
	return nil
}

func (s *scanner) crcOf(from, to int64) (uint32, error) {
	sum := crc32.NewIEEE()
	_, err := io.CopyBuffer(sum, io.NewSectionReader(s.file, from, to-from), s.buf)
	return sum.Sum32(), err
}

// deltas gives the deltas their names.
func (s *scanner) deltas() error {
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
func (s *scanner) resolveRefs() error {
	named := make(map[object.Hash]int, len(s.list))
	for len(s.byRef) > 0 {
		before := len(s.byRef)
		for i := range s.list {
			if s.list[i].Name.IsZero() && s.bases[i] >= 0 && !s.list[s.bases[i]].Name.IsZero() {
				if err := s.name(i); err != nil {
					return err
				}
			}
			if !s.list[i].Name.IsZero() {
				named[s.list[i].Name] = i
			}
		}
		for i, h := range s.byRef {
			if b, ok := named[h]; ok {
				s.bases[i] = int64(b)
				delete(s.byRef, i)
			}
		}
		if len(s.byRef) == before {
			return errors.New("it has deltas to objects that it does not hold")
		}
	}
	return nil
}

func (s *scanner) name(i int) error {
	if !s.list[i].Name.IsZero() {
		return nil
	}
	o, err := s.object(i)
	if err == nil {
		s.list[i].Name = o.Hash()
	}
	return err
}

// object reads an object whole: what its deltas build on first.
func (s *scanner) object(i int) (object.Object, error) {
	chain := []int{}
	var o object.Object
	for at := i; ; at = int(s.bases[at]) {
		if held, ok := s.cache.held[int64(at)]; ok {
			o = held
			break
		}
		if chain = append(chain, at); len(chain) > maxChain {
			return o, errChain
		}
		if s.bases[at] < 0 {
			break
		}
	}
	for k := len(chain) - 1; k >= 0; k-- {
		at := chain[k]
		h, data, err := readEntry(s.file, s.list[at].At)
		if err != nil {
			return o, err
		}
		if s.bases[at] < 0 {
			o = object.Object{Type: h.typ, Data: data}
		} else {
			if data, err = Patch(o.Data, data); err != nil {
				return o, fmt.Errorf("its delta at byte %d: %w", s.list[at].At, err)
			}
			o = object.Object{Type: o.Type, Data: data}
		}
		s.cache.put(int64(at), o)
	}
	return o, nil
}
