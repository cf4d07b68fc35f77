package pack

import (
	"bufio"
	"bytes"
	"compress/zlib"
	"crypto/sha1"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"slices"

	"benchlore/ledger/gitstore/object"
)

// Writer writes a pack entry by entry. It keeps the name and the place of each
// object in memory, but no object. After an error it cannot be used any more.
type Writer struct {
	to     *bufio.Writer
	sum    hash.Hash
	at     int64
	crc    uint32 // of the entry being written
	z      *zlib.Writer
	places map[object.Hash]int64 // where each object begins
	list   []Entry
	n      int // objects announced
}

// NewWriter begins a pack of n objects.
func NewWriter(to io.Writer, n int) (*Writer, error) {
	w := &Writer{to: bufio.NewWriterSize(to, 1<<16), sum: sha1.New(), places: make(map[object.Hash]int64, n), list: make([]Entry, 0, n), n: n}
	return w, w.write(packHead(n))
}

// Add writes an object whole, under its name.
func (w *Writer) Add(name object.Hash, o object.Object) error {
	return w.entry(name, entryHead(o.Type, int64(len(o.Data))), o.Data)
}

// AddDelta writes an object as a delta to one that was written before.
func (w *Writer) AddDelta(name, base object.Hash, delta []byte) error {
	at, ok := w.places[base]
	if !ok {
		return fmt.Errorf("pack: the delta of %s comes before its base %s", name, base)
	}
	return w.entry(name, append(entryHead(offsetDelta, int64(len(delta))), backOffset(w.at-at)...), delta)
}

// Close ends the pack. It returns the entries in the order they lie there, and the
// checksum at the pack's end: what WriteIndex needs.
func (w *Writer) Close() ([]Entry, object.Hash, error) {
	if len(w.list) != w.n {
		return nil, object.ZeroHash, fmt.Errorf("pack: %d objects were announced and %d written", w.n, len(w.list))
	}
	sum := object.Hash(w.sum.Sum(nil))
	_, err := w.to.Write(sum[:])
	return w.list, sum, errors.Join(err, w.to.Flush())
}

func (w *Writer) write(b []byte) error {
	w.sum.Write(b)
	w.crc = crc32.Update(w.crc, crc32.IEEETable, b)
	w.at += int64(len(b))
	_, err := w.to.Write(b)
	return err
}

// deflated passes on what a compressor writes.
type deflated struct{ w *Writer }

func (d deflated) Write(b []byte) (int, error) { return len(b), d.w.write(b) }

// begin notes that an object's entry starts here.
func (w *Writer) begin(name object.Hash) {
	w.crc = 0
	w.places[name] = w.at
	w.list = append(w.list, Entry{Name: name, At: w.at})
}

func (w *Writer) end() { w.list[len(w.list)-1].CRC = w.crc }

func (w *Writer) entry(name object.Hash, head, body []byte) error {
	w.begin(name)
	if err := w.write(head); err != nil {
		return err
	}
	if w.z == nil {
		w.z = zlib.NewWriter(deflated{w})
	} else {
		w.z.Reset(deflated{w})
	}
	if _, err := w.z.Write(body); err != nil {
		return err
	}
	err := w.z.Close()
	w.end()
	return err
}

// Copy copies the entries of objects from the packs they lie in, in the order they
// lie there, and returns the objects that are in none of them or cannot be copied:
// damaged ones, and deltas whose base this pack does not have yet. The caller adds
// those with Add.
func (w *Writer) Copy(files []*File, objects []object.Hash) (rest []object.Hash, err error) {
	lists := make([][]int, len(files)) // places in order
next:
	for _, h := range objects {
		for k, f := range files {
			if i := f.Index.Find(h); i >= 0 {
				lists[k] = append(lists[k], f.placeOf(f.Index.Offset(i)))
				continue next
			}
		}
		rest = append(rest, h)
	}
	var buf []byte
	for k, f := range files {
		slices.Sort(lists[k])
		for _, o := range lists[k] {
			i := int(f.order[o])
			at, end := f.Index.Offset(i), f.end
			if o+1 < len(f.order) {
				end = f.Index.Offset(int(f.order[o+1]))
			}
			if end <= at || end-at > 1<<30 {
				rest = append(rest, f.Index.Name(i))
				continue
			}
			buf = slices.Grow(buf[:0], int(end-at))[:end-at]
			if _, err := f.r.ReadAt(buf, at); err != nil || crc32.ChecksumIEEE(buf) != f.Index.CRC(i) {
				rest = append(rest, f.Index.Name(i)) // whoever reads it says what is wrong with it
				continue
			}
			ok, err := w.copyEntry(f, f.Index.Name(i), at, buf)
			if err != nil {
				return nil, err
			}
			if !ok {
				rest = append(rest, f.Index.Name(i))
			}
		}
	}
	return rest, nil
}

// copyEntry copies one entry, unless it is a delta whose base this pack does not
// have yet.
func (w *Writer) copyEntry(f *File, h object.Hash, at int64, raw []byte) (bool, error) {
	n := 1
	for n < len(raw) && raw[n-1]&0x80 != 0 {
		n++
	}
	var base object.Hash
	body := n
	switch object.Type(raw[0] >> 4 & 7) {
	case offsetDelta:
		var back int64
		for ; body < len(raw); body++ {
			back = back<<7 | int64(raw[body]&0x7f)
			if raw[body]&0x80 == 0 {
				body++
				break
			}
			back++
		}
		o := f.placeOf(at - back)
		if o < 0 {
			return false, nil
		}
		base = f.Index.Name(int(f.order[o]))
	case nameDelta:
		if body += copy(base[:], raw[n:]); body > len(raw) {
			return false, nil
		}
	default:
		w.begin(h)
		err := w.write(raw)
		w.end()
		return true, err
	}
	if _, ok := w.places[base]; !ok {
		return false, nil
	}
	w.begin(h)
	head := bytes.Clone(raw[:n])
	head[0] = head[0]&^0x70 | byte(offsetDelta)<<4
	err := w.write(append(head, backOffset(w.at-w.places[base])...))
	if err == nil {
		err = w.write(raw[body:])
	}
	w.end()
	return true, err
}
