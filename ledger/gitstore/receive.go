package gitstore

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/go-git/go-git/v5/plumbing/format/packfile"
	"github.com/go-git/go-git/v5/plumbing/protocol/packp/capability"
	gitsideband "github.com/go-git/go-git/v5/plumbing/protocol/packp/sideband"
	"github.com/go-git/go-git/v5/storage/memory"

	"benchlore/ledger/gitstore/object"
)

// unpackLimit is how many objects a pack may have to be kept as single files;
// larger ones stay packs. Many small packs would make every look-up slow.
const unpackLimit = 1000

// Received is a pack that was received. A small one is still in memory, and Tx.Store
// stores it. A large one is in the repository already, with nothing that refers to it.
type Received struct {
	Objects int
	small   []object.Object
}

// Receive reads a pack that is complete in itself. Nothing is visible of it
// until refs move.
func (r *Repo) Receive(pack io.Reader) (*Received, error) {
	b := bufio.NewReader(pack)
	head, err := b.Peek(12)
	if err != nil {
		return nil, fmt.Errorf("the pack is cut short: %w", noEOF(err))
	}
	if string(head[:4]) != "PACK" {
		return nil, errors.New("what the other side sent is not a pack")
	}
	n := int(binary.BigEndian.Uint32(head[8:]))
	out := &Received{Objects: n}
	if n == 0 {
		_, err := io.Copy(io.Discard, b)
		return out, err
	}
	if n <= unpackLimit {
		mem := memory.NewStorage()
		if err := packfile.UpdateObjectStorage(mem, b); err != nil {
			return nil, fmt.Errorf("the pack cannot be read: %w", noEOF(err))
		}
		for _, o := range mem.Objects {
			rd, err := o.Reader()
			if err != nil {
				return nil, err
			}
			data, err := io.ReadAll(rd)
			if err != nil {
				return nil, err
			}
			out.small = append(out.small, object.Object{Type: object.Type(o.Type()), Data: data})
		}
		return out, nil
	}
	return out, r.receiveLarge(b)
}

// receiveLarge stores a pack as it comes, without unpacking it.
func (r *Repo) receiveLarge(pack io.Reader) error {
	if err := os.MkdirAll(r.packDir(), 0o777); err != nil {
		return &WriteError{r.packDir(), err}
	}
	left, err := os.ReadDir(r.packDir())
	if err != nil {
		return err
	}
	for _, e := range left {
		if info, err := e.Info(); err == nil && leftIncoming(info) {
			os.Remove(filepath.Join(r.packDir(), e.Name()))
		}
	}
	f, err := os.CreateTemp(r.packDir(), "in-")
	if err != nil {
		return &WriteError{r.packDir(), err}
	}
	defer os.Remove(f.Name() + ".idx")
	defer os.Remove(f.Name())
	defer f.Close()
	if err := fill(f, pack); err != nil {
		return err
	}
	list, sum, err := scanFile(f)
	if err != nil {
		return fmt.Errorf("the pack cannot be read: %w", noEOF(err))
	}
	_, err = r.installPack(f, list, sum)
	return err
}

// fill copies what comes in to a file, and tells an error of the one from one of
// the other.
func fill(f *os.File, from io.Reader) error {
	w := &sinkError{w: f}
	if _, err := io.Copy(w, from); err != nil {
		if w.err != nil {
			return &WriteError{f.Name(), w.err}
		}
		return fmt.Errorf("the pack cannot be read: %w", noEOF(err))
	}
	return nil
}

type sinkError struct {
	w   io.Writer
	err error
}

func (s *sinkError) Write(b []byte) (int, error) {
	n, err := s.w.Write(b)
	s.err = err
	return n, err
}

func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

// Store writes the objects of a small pack.
func (tx *Tx) Store(in *Received) error {
	for _, o := range in.small {
		if _, err := tx.WriteObject(o.Type, o.Data); err != nil {
			return err
		}
	}
	return nil
}

// sideband takes the pack out of the stream it came in.
func sideband(caps *capability.List, r io.Reader) io.Reader {
	switch {
	case caps.Supports(capability.Sideband64k):
		return gitsideband.NewDemuxer(gitsideband.Sideband64k, r)
	case caps.Supports(capability.Sideband):
		return gitsideband.NewDemuxer(gitsideband.Sideband, r)
	}
	return r
}
