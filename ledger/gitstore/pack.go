package gitstore

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"
	"github.com/go-git/go-git/v5/plumbing/protocol/packp/capability"
	gitsideband "github.com/go-git/go-git/v5/plumbing/protocol/packp/sideband"
	"github.com/go-git/go-git/v5/storage/filesystem"
	"github.com/go-git/go-git/v5/storage/memory"
)

// unpackLimit is how many objects a pack may have to be kept as single files;
// larger ones stay packs. Many small packs would make every look-up slow.
const unpackLimit = 1000

// Received is a pack that has come in. A small one is still in memory and is
// stored by Tx.Store; a large one lies in the repository already, and nothing
// refers to it.
type Received struct {
	Objects int
	small   []Object
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
		return nil, errors.New("what came is no pack")
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
			out.small = append(out.small, Object{o.Type(), data})
		}
		return out, nil
	}
	before, err := r.packFiles()
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	err = packfile.WritePackfileToObjectStorage(r.objects, b)
	r.packsChanged()
	r.objects.Reindex()
	r.mu.Unlock()
	if err != nil {
		return nil, fmt.Errorf("the pack cannot be stored: %w", noEOF(err))
	}
	after, err := r.packFiles()
	if err != nil {
		return nil, err
	}
	for name := range after {
		if before[name] {
			continue
		}
		if err := os.Chmod(name, 0o444); err != nil {
			return nil, &WriteError{name, err}
		}
		if !r.NoSync {
			if err := syncFile(name); err != nil {
				return nil, &WriteError{name, err}
			}
		}
	}
	return out, r.sync(filepath.Join(r.GitDir, "objects", "pack"))
}

func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

func (r *Repo) packFiles() (map[string]bool, error) {
	dir := filepath.Join(r.GitDir, "objects", "pack")
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	out := map[string]bool{}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".pack") || strings.HasSuffix(e.Name(), ".idx") {
			out[filepath.Join(dir, e.Name())] = true
		}
	}
	return out, nil
}

// Store writes what came in small.
func (tx *Tx) Store(in *Received) error {
	for _, o := range in.small {
		if _, err := tx.WriteObject(o.Type, o.Data); err != nil {
			return err
		}
	}
	return nil
}

// WritePack writes a pack of the objects named, which must be here.
func (r *Repo) WritePack(w io.Writer, objects []plumbing.Hash) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	const window = 10 // git's own
	_, err := packfile.NewEncoder(w, packSource{r.objects}, false).Encode(objects, window)
	return err
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

// packSource is an object storage as go-git's pack encoder wants it.
type packSource struct{ *filesystem.ObjectStorage }

func (packSource) AddAlternate(string) error { return errors.New("no alternates are added here") }
