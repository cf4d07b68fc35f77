package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/gob"
	"fmt"
	"os"
	"path/filepath"
	"sync"
)

const resultsMagic = "benchlore results 1\n"

// Results keeps values under the sums of what they follow from, so that what is
// worked out from many units is worked out again only where it may differ. The
// zero pointer keeps nothing. It may be used by several goroutines.
type Results struct {
	file  string
	base  [sha256.Size]byte
	mu    sync.Mutex
	have  map[[sha256.Size]byte][]byte // as read, encoded
	used  map[[sha256.Size]byte][]byte // of those, and new ones
	fresh bool
}

type result struct {
	Key   [sha256.Size]byte
	Value []byte
}

// Results returns what is kept for one use by this program.
func (v *View) Results(use string) *Results {
	name := sha256.Sum256([]byte("results\n" + use))
	r := &Results{file: filepath.Join(v.l.Dir, filepath.FromSlash(derivedDir), fmt.Sprintf("%.16x", name)),
		base: sha256.Sum256(fmt.Appendf(nil, "%s\n%s\n", programID(), use)),
		have: map[[sha256.Size]byte][]byte{}, used: map[[sha256.Size]byte][]byte{}}
	data, err := readDerived(r.file)
	head := len(resultsMagic) + 2*sha256.Size
	if err != nil || len(data) < head || string(data[:len(resultsMagic)]) != resultsMagic {
		return r
	}
	sum, base, body := data[len(resultsMagic):len(resultsMagic)+sha256.Size], data[len(resultsMagic)+sha256.Size:head], data[head:]
	if s := sha256.Sum256(body); !bytes.Equal(s[:], sum) || !bytes.Equal(base, r.base[:]) {
		return r
	}
	var all []result
	if gob.NewDecoder(bytes.NewReader(body)).Decode(&all) == nil {
		for _, x := range all {
			r.have[x.Key] = x.Value
		}
	}
	return r
}

// Once returns what is kept under a key or, where there is nothing, what work
// returns, which is kept then. The key must be a sum over all that the value
// follows from but for the program and the use. T is encoded with encoding/gob.
func Once[T any](r *Results, key [sha256.Size]byte, work func() T) T {
	if r == nil {
		return work()
	}
	r.mu.Lock()
	data, ok := r.have[key]
	if ok {
		r.used[key] = data
	}
	r.mu.Unlock()
	var v T
	if ok && gob.NewDecoder(bytes.NewReader(data)).Decode(&v) == nil {
		return v
	}
	v = work()
	var b bytes.Buffer
	if gob.NewEncoder(&b).Encode(v) == nil {
		r.mu.Lock()
		r.used[key], r.fresh = b.Bytes(), true
		r.mu.Unlock()
	}
	return v
}

// Keep writes what was used since [View.Results], if any of it is new, and
// drops the rest. Where it cannot, the next time takes longer.
func (r *Results) Keep() {
	if !r.fresh {
		return
	}
	var all []result
	for k, v := range r.used {
		all = append(all, result{k, v})
	}
	var body bytes.Buffer
	if gob.NewEncoder(&body).Encode(all) != nil {
		return
	}
	sum := sha256.Sum256(body.Bytes())
	replaceDerived(r.file, func(f *os.File) error {
		for _, part := range [][]byte{[]byte(resultsMagic), sum[:], r.base[:], body.Bytes()} {
			if _, err := f.Write(part); err != nil {
				return err
			}
		}
		return nil
	})
}
