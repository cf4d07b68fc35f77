package pack

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// maxPatched bounds what Patch makes: the room for it is taken before anything
// else is known of the delta.
const maxPatched = 1 << 30

var errDelta = errors.New("it does not fit its base")

// deltaSizes reads the two sizes a delta begins with: of its base and of what it
// makes.
func deltaSizes(delta []byte) (base, result int64, rest []byte, err error) {
	var sizes [2]int64
	for i := range sizes {
		v, n := binary.Uvarint(delta)
		if n <= 0 {
			return 0, 0, nil, errors.New("it does not say how long its base and its result are")
		}
		if v > maxPatched {
			return 0, 0, nil, fmt.Errorf("it is about %d bytes; more than %d cannot be read", v, maxPatched)
		}
		sizes[i], delta = int64(v), delta[n:]
	}
	return sizes[0], sizes[1], delta, nil
}

// patchedSize is how many bytes a delta makes of its base.
func patchedSize(base, delta []byte) (int64, error) {
	from, size, _, err := deltaSizes(delta)
	if err == nil && from != int64(len(base)) {
		err = errDelta
	}
	return size, err
}

// Patch returns what a delta makes of its base: at most 1 GiB.
func Patch(base, delta []byte) ([]byte, error) {
	from, size, rest, err := deltaSizes(delta)
	if err != nil {
		return nil, err
	}
	if from != int64(len(base)) {
		return nil, errDelta
	}
	// The size is a claim: a large one is believed as pieces come.
	out := make([]byte, 0, min(size, 1<<20))
	for len(rest) > 0 {
		op := rest[0]
		rest = rest[1:]
		var piece []byte
		if op&0x80 == 0 {
			n := int(op)
			if n == 0 || n > len(rest) {
				return nil, errDelta
			}
			piece, rest = rest[:n], rest[n:]
		} else {
			var at, n uint32
			for i := range 7 {
				if op>>i&1 == 0 {
					continue
				}
				if len(rest) == 0 {
					return nil, errDelta
				}
				if i < 4 {
					at |= uint32(rest[0]) << (8 * i)
				} else {
					n |= uint32(rest[0]) << (8 * (i - 4))
				}
				rest = rest[1:]
			}
			if n == 0 {
				n = 0x10000
			}
			if uint64(at)+uint64(n) > uint64(len(base)) {
				return nil, errDelta
			}
			piece = base[at : at+n]
		}
		if int64(len(out)+len(piece)) > size {
			return nil, errDelta
		}
		out = append(out, piece...)
	}
	if int64(len(out)) != size {
		return nil, errDelta
	}
	return out, nil
}
