package gitstore

import (
	"crypto/sha256"
	"errors"
	"io"
	"iter"
	"slices"
	"strings"

	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/index"
	"benchlore/ledger/gitstore/object"
)

// Snapshot tells what the work files hold without reading them: if the stat data of a
// file are those in git's index, the file holds the blob the index names.
type Snapshot struct {
	repo  *Repo
	cfg   *config.Config
	idx   *index.Index
	work  map[string]ChangeKind // work files that are not as the index has them
	other map[string]bool       // those, and paths not in the index, ignored ones too
}

// Snapshot looks at every file of the index and at every file in the folders
// named, slash paths from the top. Only files whose stat data differ from the
// index are read.
func (r *Repo) Snapshot(folders ...string) (*Snapshot, error) {
	cfg, err := r.Config()
	if err != nil {
		return nil, err
	}
	idx, err := r.loadIndex()
	if err != nil {
		return nil, err
	}
	s := &Snapshot{repo: r, cfg: cfg, idx: idx, other: map[string]bool{}}
	// Folders are listed by one processor while the others look at files.
	listed := make(chan error, 1)
	go func() {
		u := &untrackedWalk{repo: r, idx: idx, all: true, report: func(p string) { s.other[p] = true }}
		for _, f := range folders {
			if err := u.walk(strings.Split(f, "/"), nil); err != nil {
				listed <- err
				return
			}
		}
		listed <- nil
	}()
	s.work, err = r.workChanges(cfg, idx)
	if err := errors.Join(err, <-listed); err != nil {
		return nil, err
	}
	for p := range s.work {
		s.other[p] = true
	}
	for i := range idx.Entries {
		if e := &idx.Entries[i]; e.Unwatched() {
			s.other[e.Name] = true
		}
	}
	return s, nil
}

// Changes lists the files that are not as committed, by path: what `git status`
// shows, with each untracked file by itself and without ignored ones. A file
// is only read when its stat data differ from those in the index.
func (s *Snapshot) Changes() ([]Change, error) {
	found := map[string]*Change{}
	at := func(p string) *Change {
		c := found[p]
		if c == nil {
			c = &Change{Path: p}
			found[p] = c
		}
		return c
	}
	if err := s.repo.stagedChanges(s.idx, at); err != nil {
		return nil, err
	}
	for p, k := range s.work {
		at(p).Work = k
	}
	if err := s.repo.untracked(s.cfg, s.idx, func(p string) { at(p).Work = Added }); err != nil {
		return nil, err
	}
	out := make([]Change, 0, len(found))
	for _, c := range found {
		if c.Staged != Unchanged || c.Work != Unchanged {
			out = append(out, *c)
		}
	}
	slices.SortFunc(out, func(a, b Change) int { return strings.Compare(a.Path, b.Path) })
	return out, nil
}

// Paths yields the paths of the index below a folder, in order, and those of
// other files Snapshot came across there.
func (s *Snapshot) Paths(dir string) iter.Seq[string] {
	dir += "/"
	return func(yield func(string) bool) {
		for i, _ := s.idx.Find(dir); i < len(s.idx.Entries) && strings.HasPrefix(s.idx.Entries[i].Name, dir); i++ {
			if !yield(s.idx.Entries[i].Name) {
				return
			}
		}
		for p := range s.other {
			if strings.HasPrefix(p, dir) && !yield(p) {
				return
			}
		}
	}
}

// Blob returns the hash of a file's content; false if the file must be read to know.
func (s *Snapshot) Blob(p string) (object.Hash, bool) {
	from, to := s.idx.Find(p)
	if to != from+1 || s.other[p] {
		return object.ZeroHash, false
	}
	return s.idx.Entries[from].Hash, true
}

// Dirty returns the folders, cut to so many names, that hold a file whose content is
// known only by reading it.
func (s *Snapshot) Dirty(depth int) map[string]bool {
	out := map[string]bool{}
	for p := range s.other {
		parts := strings.SplitN(p, "/", depth+1)
		out[strings.Join(parts[:min(depth, len(parts))], "/")] = true
	}
	return out
}

// Digest is one sum over the paths, modes and contents of the files below a folder
// that Snapshot looked into. It can be relied on only if Dirty does not list the
// folder.
func (s *Snapshot) Digest(dir string) [sha256.Size]byte {
	dir += "/"
	h := sha256.New()
	for i, _ := s.idx.Find(dir); i < len(s.idx.Entries) && strings.HasPrefix(s.idx.Entries[i].Name, dir); i++ {
		e := &s.idx.Entries[i]
		io.WriteString(h, e.Name[len(dir):])
		h.Write([]byte{0, byte(e.Mode >> 8), byte(e.Mode)})
		h.Write(e.Hash[:])
	}
	return [sha256.Size]byte(h.Sum(nil))
}
