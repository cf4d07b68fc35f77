package refs

import (
	"hash/maphash"
	"sync/atomic"
)

// known keeps what was made of short texts, the last of each slot: the records
// of a ledger name the same few positions over and over. What is kept is shared
// and never changed.
type known[T any] [1024]atomic.Pointer[remembered[T]]

type remembered[T any] struct {
	text string
	made T
}

var seed = maphash.MakeSeed()

// of returns what was made of a text, or makes it. An error is not kept.
func (k *known[T]) of(text string, make func(string) (T, error)) (T, error) {
	if len(text) > 40 {
		return make(text)
	}
	slot := &k[maphash.String(seed, text)%uint64(len(k))]
	if r := slot.Load(); r != nil && r.text == text {
		return r.made, nil
	}
	made, err := make(text)
	if err == nil {
		slot.Store(&remembered[T]{text, made})
	}
	return made, err
}
