package pack

import (
	"bufio"
	"bytes"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"io"
	"slices"

	"benchlore/ledger/gitstore/object"
)

// Entry is where an object lies in a pack.
type Entry struct {
	Name object.Hash
	At   int64  // where its entry begins
	CRC  uint32 // CRC-32 of the bytes of its entry
}

// Index is the content of an index file: names in order, and where each object
// lies.
type Index []byte

const (
	indexHead  = "\xfftOc\x00\x00\x00\x02"
	indexNames = len(indexHead) + 4*256 // where the names begin
	indexTail  = 2 * sha1.Size
)

// ParseIndex takes the bytes of an index file, once they are long enough for what
// they say they hold. The two checksums at the end are not compared.
func ParseIndex(data []byte) (Index, error) {
	x := Index(data)
	if len(x) < indexNames+indexTail || string(x[:len(indexHead)]) != indexHead {
		return nil, errors.New("it is not a pack index of version 2")
	}
	for b := range 255 {
		if x.fan(b) > x.fan(b+1) {
			return nil, errors.New("its table of first bytes is not in order")
		}
	}
	n, large := x.Len(), 0
	if len(x) < indexNames+28*n+indexTail {
		return nil, errors.New("it is too short for its objects")
	}
	for i := range n {
		if at := x.small(i); at&(1<<31) != 0 {
			large = max(large, int(at&^(1<<31))+1)
		}
	}
	if len(x) < indexNames+28*n+8*large+indexTail {
		return nil, errors.New("it is too short for its objects")
	}
	return x, nil
}

// IndexWhole reports whether the bytes of an index file are those that were written:
// whether its last checksum is that of everything before it.
func IndexWhole(data []byte) bool {
	if _, err := ParseIndex(data); err != nil {
		return false
	}
	sum := sha1.Sum(data[:len(data)-sha1.Size])
	return bytes.Equal(sum[:], data[len(data)-sha1.Size:])
}

// fan is how many names have a first byte up to b.
func (x Index) fan(b int) int { return int(binary.BigEndian.Uint32(x[len(indexHead)+4*b:])) }

// small is an object's place as its first table has it: the highest bit set, it is
// a place in the table of large offsets.
func (x Index) small(i int) uint32 {
	return binary.BigEndian.Uint32(x[indexNames+24*x.Len()+4*i:])
}

// Len is how many objects the pack holds.
func (x Index) Len() int { return x.fan(255) }

// Name returns the name of an object by its place in the index, from 0.
func (x Index) Name(i int) (h object.Hash) {
	copy(h[:], x[indexNames+20*i:])
	return h
}

// CRC returns the CRC-32 of the bytes of an object's entry.
func (x Index) CRC(i int) uint32 {
	return binary.BigEndian.Uint32(x[indexNames+20*x.Len()+4*i:])
}

// Offset returns where in the pack an object's entry begins.
func (x Index) Offset(i int) int64 {
	at := x.small(i)
	if at&(1<<31) == 0 {
		return int64(at)
	}
	return int64(binary.BigEndian.Uint64(x[indexNames+28*x.Len()+8*int(at&^(1<<31)):]))
}

// Find returns an object's place in the index, -1 where it is not in the pack.
func (x Index) Find(h object.Hash) int {
	lo, hi := 0, x.fan(int(h[0]))
	if h[0] > 0 {
		lo = x.fan(int(h[0]) - 1)
	}
	for lo < hi {
		mid := lo + (hi-lo)/2
		switch c := bytes.Compare(x[indexNames+20*mid:indexNames+20*mid+20], h[:]); {
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

// WriteIndex writes the index of a pack and sorts its entries by name. sum is the
// checksum at the end of the pack.
func WriteIndex(to io.Writer, entries []Entry, sum object.Hash) error {
	slices.SortFunc(entries, func(a, b Entry) int { return a.Name.Compare(b.Name) })
	own := sha1.New()
	w := bufio.NewWriterSize(io.MultiWriter(to, own), 1<<16)
	w.WriteString(indexHead)
	number := func(n uint32) { w.Write(binary.BigEndian.AppendUint32(nil, n)) }
	i := 0
	for b := range 256 {
		for i < len(entries) && int(entries[i].Name[0]) == b {
			i++
		}
		number(uint32(i))
	}
	for _, e := range entries {
		w.Write(e.Name[:])
	}
	for _, e := range entries {
		number(e.CRC)
	}
	var large []int64
	for _, e := range entries {
		if e.At < 1<<31 {
			number(uint32(e.At))
			continue
		}
		number(1<<31 | uint32(len(large)))
		large = append(large, e.At)
	}
	for _, at := range large {
		w.Write(binary.BigEndian.AppendUint64(nil, uint64(at)))
	}
	w.Write(sum[:])
	if err := w.Flush(); err != nil { // a bufio.Writer keeps its first error
		return err
	}
	_, err := to.Write(own.Sum(nil))
	return err
}
