package gitstore

import (
	"bytes"
	"container/heap"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/storage/filesystem/dotgit"

	"benchlore/ledger/gitstore/object"
)

// Object returns the type and the bytes of any object. The bytes are checked
// against the hash. They must not be changed.
// Errors: *MissingObject, *CorruptObject.
func (r *Repo) Object(h object.Hash) (object.Type, []byte, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	t, data, err := r.object(h)
	_, missing := errors.AsType[*MissingObject](err)
	_, corrupt := errors.AsType[*CorruptObject](err)
	if (missing || corrupt) && r.mendIndexes() {
		return r.object(h)
	}
	return t, data, err
}

func (r *Repo) object(h object.Hash) (object.Type, []byte, error) {
	if p, ok := r.pending[h]; ok {
		return p.typ, p.data, nil
	}
	r.readErr = nil
	if t, data, ok := r.fromPacks(h); ok {
		return t, data, nil
	}
	o, err := r.objects.EncodedObject(plumbing.AnyObject, plumbing.Hash(h))
	// Git may repack more than once while this looks.
	for try := 0; (try < 2 && notStored(err) || try < 10 && errors.Is(err, dotgit.ErrPackfileNotFound)) && r.packsChanged(); try++ {
		if t, data, ok := r.fromPacks(h); ok {
			return t, data, nil
		}
		o, err = r.objects.EncodedObject(plumbing.AnyObject, plumbing.Hash(h))
	}
	if err != nil && r.readErr != nil {
		return 0, nil, &ReadError{h, r.readErr} // it may be where we could not look
	}
	switch {
	case notStored(err):
		// The index of a pack that was cut short still lists the lost objects.
		if r.objects.HasEncodedObject(plumbing.Hash(h)) == nil {
			return 0, nil, r.corrupt(h, errors.New("its pack is cut short"))
		}
		return 0, nil, &MissingObject{h}
	case err != nil:
		return 0, nil, r.corrupt(h, err)
	}
	rd, err := o.Reader()
	if err != nil {
		return 0, nil, r.corrupt(h, err)
	}
	defer rd.Close()
	data, err := io.ReadAll(rd)
	if err != nil {
		return 0, nil, r.corrupt(h, err)
	}
	t := object.Type(o.Type())
	if object.Sum(t, data) != h {
		return 0, nil, r.corrupt(h, errors.New("its bytes do not match its name"))
	}
	return t, data, nil
}

// corrupt describes a damaged object and where it lies; one that only cannot be read
// now is another matter.
func (r *Repo) corrupt(h object.Hash, err error) error {
	file := r.looseFile(h)
	// Not every reader on the way passes on what the system said.
	if _, again := os.ReadFile(file); again != nil && !isAbsent(again) {
		err = again
	}
	if isPassing(err) || errors.Is(err, fs.ErrPermission) {
		return &ReadError{h, err}
	}
	e := &CorruptObject{Hash: h, Err: err}
	if fileExists(file) {
		if rel, err := filepath.Rel(r.Dir, file); err == nil {
			e.File = filepath.ToSlash(rel)
		}
	}
	return e
}

// HashBlob returns the hash data would have as a blob.
func HashBlob(data []byte) object.Hash { return object.Sum(object.TypeBlob, data) }

// Has reports whether an object is in the repository, without reading it.
func (r *Repo) Has(h object.Hash) (bool, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.pending[h]; ok {
		return true, nil
	}
	if fileExists(r.looseFile(h)) || r.isPacked(h) {
		return true, nil
	}
	err := r.objects.HasEncodedObject(plumbing.Hash(h))
	if notStored(err) {
		_, err = r.objects.EncodedObject(plumbing.AnyObject, plumbing.Hash(h)) // looks in alternates too
	}
	if notStored(err) && r.packsChanged() {
		err = r.objects.HasEncodedObject(plumbing.Hash(h))
	}
	if notStored(err) {
		return false, nil
	}
	return err == nil, err
}

func notStored(err error) bool {
	return errors.Is(err, plumbing.ErrObjectNotFound) || errors.Is(err, fs.ErrNotExist)
}

// packsChanged makes storage list the packs again if git may have repacked since
// it last did, and reports whether it may.
func (r *Repo) packsChanged() bool {
	now := time.Now()
	info, err := os.Stat(filepath.Join(r.GitDir, "objects", "pack"))
	if err != nil {
		return false
	}
	// A folder that changed just before it was listed may have changed again since
	// with the same time stamp.
	settled := r.packsListed.Sub(r.packsStamp) > 2*time.Second
	if settled && info.ModTime().Equal(r.packsStamp) {
		return false
	}
	r.packsListed, r.packsStamp = now, info.ModTime()
	r.objects.Reindex()
	if r.packReaders != nil {
		r.findPacks()
	}
	return true
}

func (r *Repo) typed(want object.Type, h object.Hash) ([]byte, error) {
	t, data, err := r.Object(h)
	if err != nil {
		return nil, err
	}
	if t != want {
		return nil, r.corrupt(h, fmt.Errorf("it is a %s where a %s was expected", t, want))
	}
	return data, nil
}

// Blob returns the bytes of a blob. They must not be changed.
func (r *Repo) Blob(h object.Hash) ([]byte, error) { return r.typed(object.TypeBlob, h) }

// Tree returns the entries of a tree in git's order.
func (r *Repo) Tree(h object.Hash) ([]object.TreeEntry, error) {
	if h == emptyTree {
		return nil, nil
	}
	data, err := r.typed(object.TypeTree, h)
	if err != nil {
		return nil, err
	}
	entries, err := object.ParseTree(data)
	if err != nil {
		return nil, r.corrupt(h, err)
	}
	return entries, nil
}

// Commit returns a decoded commit.
func (r *Repo) Commit(h object.Hash) (*object.Commit, error) {
	data, err := r.typed(object.TypeCommit, h)
	if err != nil {
		return nil, err
	}
	c, err := object.ParseCommit(data)
	if err != nil {
		return nil, r.corrupt(h, err)
	}
	return c, nil
}

// Tag returns a decoded annotated tag.
func (r *Repo) Tag(h object.Hash) (*object.Tag, error) {
	data, err := r.typed(object.TypeTag, h)
	if err != nil {
		return nil, err
	}
	t, err := object.ParseTag(data)
	if err != nil {
		return nil, r.corrupt(h, err)
	}
	return t, nil
}

// TreeAt finds a slash path below a tree. The empty path is the tree itself.
func (r *Repo) TreeAt(tree object.Hash, path string) (object.TreeEntry, bool, error) {
	at := object.TreeEntry{Mode: object.ModeDir, Hash: tree}
	if path == "" {
		return at, true, nil
	}
	for name := range strings.SplitSeq(path, "/") {
		if at.Mode != object.ModeDir {
			return object.TreeEntry{}, false, nil
		}
		entries, err := r.Tree(at.Hash)
		if err != nil {
			return object.TreeEntry{}, false, err
		}
		i := indexName(entries, name)
		if i < 0 {
			return object.TreeEntry{}, false, nil
		}
		at = entries[i]
	}
	return at, true, nil
}

// Parents returns the parents of a commit as far as this copy has them: none
// where a shallow clone was cut.
func (r *Repo) Parents(c *object.Commit) ([]object.Hash, error) {
	if !r.Shallow {
		return c.Parents, nil
	}
	b, err := os.ReadFile(filepath.Join(r.GitDir, "shallow"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if bytes.Contains(b, []byte(c.Hash.String())) {
		return nil, nil
	}
	return c.Parents, nil
}

// Log yields the commits reachable from the given ones, each once, newest
// committer date first, a parent never before the child that led to it. It
// stops after yielding an error.
func (r *Repo) Log(from ...object.Hash) iter.Seq2[*object.Commit, error] {
	return func(yield func(*object.Commit, error) bool) {
		seen := map[object.Hash]bool{}
		q := &commitQueue{}
		push := func(h object.Hash) error {
			if seen[h] {
				return nil
			}
			seen[h] = true
			c, err := r.Commit(h)
			if err == nil {
				heap.Push(q, c)
			}
			return err
		}
		for _, h := range from {
			if err := push(h); err != nil {
				yield(nil, err)
				return
			}
		}
		for q.Len() > 0 {
			c := heap.Pop(q).(*object.Commit)
			if !yield(c, nil) {
				return
			}
			parents, err := r.Parents(c)
			for i := 0; err == nil && i < len(parents); i++ {
				err = push(parents[i])
			}
			if err != nil {
				yield(nil, err)
				return
			}
		}
	}
}

type commitQueue []*object.Commit

func (q commitQueue) Len() int      { return len(q) }
func (q commitQueue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q commitQueue) Less(i, j int) bool {
	a, b := q[i].Committer.When, q[j].Committer.When
	if !a.Equal(b) {
		return a.After(b)
	}
	return bytes.Compare(q[i].Hash[:], q[j].Hash[:]) < 0
}
func (q *commitQueue) Push(x any) { *q = append(*q, x.(*object.Commit)) }
func (q *commitQueue) Pop() any {
	old := *q
	c := old[len(old)-1]
	*q = old[:len(old)-1]
	return c
}

// IsAncestor reports whether a is b or reachable from b. In a shallow clone a
// false may only mean that the history is cut.
func (r *Repo) IsAncestor(a, b object.Hash) (bool, error) {
	for c, err := range r.Log(b) {
		if err != nil {
			return false, err
		}
		if c.Hash == a {
			return true, nil
		}
	}
	return false, nil
}
