package pack

import (
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"

	"benchlore/ledger/gitstore/object"
)

// packHead is how a pack of n entries begins.
func packHead(n int) []byte {
	return binary.BigEndian.AppendUint32([]byte("PACK\x00\x00\x00\x02"), uint32(n))
}

// head is what stands before the compressed bytes of an entry.
type head struct {
	typ  object.Type // or a kind of delta
	size int64       // of what is compressed
	back int64       // of an offset delta: how far before the entry its base begins; above 0
	name object.Hash // of a name delta: its base
}

func (h head) delta() bool { return h.typ == offsetDelta || h.typ == nameDelta }

type byteReader interface {
	io.Reader
	io.ByteReader
}

// readHead reads the head of an entry. Where the bytes end in the middle of it the
// error is io.ErrUnexpectedEOF.
func readHead(r byteReader) (head, error) {
	var h head
	c, err := r.ReadByte()
	if err != nil {
		return h, noEOF(err)
	}
	h.typ, h.size = object.Type(c>>4&7), int64(c&15)
	for shift := 4; c&0x80 != 0; shift += 7 {
		if shift > 53 { // 60 bits
			return h, errors.New("its size is too large to be true")
		}
		if c, err = r.ReadByte(); err != nil {
			return h, noEOF(err)
		}
		h.size |= int64(c&0x7f) << shift
	}
	switch h.typ {
	case object.TypeCommit, object.TypeTree, object.TypeBlob, object.TypeTag:
	case offsetDelta:
		for i := 0; ; i++ {
			if c, err = r.ReadByte(); err != nil {
				return h, noEOF(err)
			}
			if h.back = h.back<<7 | int64(c&0x7f); c&0x80 == 0 {
				break
			}
			if h.back++; i > 6 {
				return h, errors.New("its base would begin before the pack")
			}
		}
		if h.back <= 0 {
			return h, errors.New("it is a delta to itself")
		}
	case nameDelta:
		if _, err := io.ReadFull(r, h.name[:]); err != nil {
			return h, noEOF(err)
		}
	default:
		return h, fmt.Errorf("objects of type %d are unknown", h.typ)
	}
	return h, nil
}

// entryHead writes type and size of an entry.
func entryHead(t object.Type, size int64) []byte {
	c := byte(t)<<4 | byte(size&15)
	var out []byte
	for size >>= 4; size > 0; size >>= 7 {
		out = append(out, c|0x80)
		c = byte(size & 0x7f)
	}
	return append(out, c)
}

// backOffset writes how far before a delta its base begins.
func backOffset(n int64) []byte {
	out := []byte{byte(n & 0x7f)}
	for n >>= 7; n > 0; n >>= 7 {
		n--
		out = append(out, byte(n&0x7f)|0x80)
	}
	slices.Reverse(out)
	return out
}

// noEOF makes the end of the bytes in the middle of something an error of its own.
func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

// inflaters are reused: a new one takes some forty kilobytes.
var inflaters sync.Pool

// inflate reads one compressed stream that must hold exactly size bytes. From a
// byteReader it reads not a byte more than the stream has.
func inflate(r io.Reader, size int64) ([]byte, error) {
	z, _ := inflaters.Get().(io.ReadCloser)
	var err error
	if z == nil {
		z, err = zlib.NewReader(r)
	} else {
		err = z.(zlib.Resetter).Reset(r, nil)
	}
	if err != nil {
		return nil, noEOF(err)
	}
	defer inflaters.Put(z)
	// The size is a claim: memory grows with what really comes.
	data := make([]byte, min(size, 1<<20))
	for n := 0; ; {
		got, err := io.ReadFull(z, data[n:])
		n += got
		switch {
		case err == io.EOF || err == io.ErrUnexpectedEOF:
			return nil, fmt.Errorf("it has fewer than the %d bytes its header says", size)
		case err != nil:
			return nil, err
		case int64(n) < size:
			data = append(data, make([]byte, min(size-int64(n), int64(n)))...)
			continue
		}
		break
	}
	// The stream's checksum is compared where its end is reached.
	var more [1]byte
	if n, err := io.ReadFull(z, more[:]); n > 0 {
		return nil, fmt.Errorf("it has more than the %d bytes its header says", size)
	} else if err != io.EOF {
		return nil, err
	}
	return data, nil
}
