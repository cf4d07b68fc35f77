package pack

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"testing"
)

// TestPagesReadWhatTheFileHolds: any stretch, also over pages and over the end.
func TestPagesReadWhatTheFileHolds(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, size := range []int{0, 1, 15, 16, 17, 32, 100, 333} {
		data := make([]byte, size)
		for i := range data {
			data[i] = byte(random.Uint32())
		}
		file := bytes.NewReader(data)
		p := NewPages(file, 16, 3)
		for range 400 {
			b, want := make([]byte, random.IntN(40)), make([]byte, 40)
			at := random.Int64N(int64(size) + 20)
			want = want[:len(b)]
			n, err := p.ReadAt(b, at)
			k, wantErr := file.ReadAt(want, at)
			if len(b) == 0 {
				wantErr = err
			}
			if n != k || !bytes.Equal(b[:n], want[:k]) || (err == nil) != (wantErr == nil) {
				t.Fatalf("%d bytes at %d of %d: %d, %v; want %d, %v", len(b), at, size, n, err, k, wantErr)
			}
		}
		if len(p.held) > 3 {
			t.Errorf("%d pages are held", len(p.held))
		}
	}
	if _, err := NewPages(broken{}, 16, 3).ReadAt(make([]byte, 4), 0); !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("a file that cannot be read: %v", err)
	}
}

type broken struct{}

func (broken) ReadAt([]byte, int64) (int, error) { return 0, io.ErrClosedPipe }
