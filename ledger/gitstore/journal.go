package gitstore

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"benchlore/ledger/gitstore/index"
	"benchlore/ledger/gitstore/object"
)

// journal says what Commit is about to do. It is written before anything visible
// changes, and holds all that is needed to finish the write after a crash.
type journal struct {
	Version int
	Branch  string      `json:",omitempty"` // HEAD's branch, when files move with it
	Tree    object.Hash // the tree of that branch afterwards
	Files   []fileMove
	Refs    []RefUpdate
	Reason  string // for the reflog
}

// fileMove is one work file and its index entry, as committed and as it will be.
type fileMove struct {
	Path     string
	Old, New object.TreeEntry
}

// RefUpdate moves one ref. A zero Old means that the ref must not exist yet; a zero
// New removes it.
type RefUpdate struct {
	Name     string // full: "refs/heads/main"
	Old, New object.Hash
}

// Recovery tells what became of an interrupted write.
type Recovery struct {
	Finished bool        // the write is complete now
	Reason   string      // if not: why it could not be finished
	Journal  string      // if not: the file its journal was moved to
	Refs     []RefUpdate // the refs it was to move, if the journal could be read
	Files    []string    // the work files it was to write, likewise
}

func (r *Repo) readJournal() (*journal, error) {
	b, err := os.ReadFile(r.journalFile())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	// Its last line is its checksum. Journals of version 1 had none.
	text, sum, _ := bytes.Cut(b, []byte("\n"))
	j := &journal{}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(j); err != nil {
		return nil, fmt.Errorf("its journal %s is damaged: %w", r.journalFile(), err)
	}
	if j.Version < 1 || j.Version > 2 {
		return nil, fmt.Errorf("its journal has version %d; this program reads versions 1 and 2", j.Version)
	}
	if j.Version == 2 && string(sum) != journalSum(text) {
		return nil, fmt.Errorf("its journal %s is damaged: its checksum does not match", r.journalFile())
	}
	for _, m := range j.Files {
		if err := checkPath(m.Path); err != nil {
			return nil, err
		}
	}
	for _, u := range j.Refs {
		if err := checkRefName(u.Name); err != nil {
			return nil, err
		}
	}
	return j, nil
}

// journalSum is the line that ends a journal.
func journalSum(text []byte) string { return fmt.Sprintf("sha256 %x\n", sha256.Sum256(text)) }

func (r *Repo) writeJournal(j *journal) error {
	if err := r.replaceWith(r.journalFile(), j.encode); err != nil {
		return &WriteError{r.journalFile(), err}
	}
	return nil
}

// encode writes what json.Marshal would and the checksum of it, one file at a time: when a whole ledger is
// copied, the journal names every file in it.
func (j *journal) encode(to io.Writer) error {
	sum := sha256.New()
	w := io.MultiWriter(to, sum)
	head := *j
	head.Files = []fileMove{}
	b, err := json.Marshal(head)
	if err != nil {
		return err
	}
	const list = `"Files":[`
	at := bytes.Index(b, []byte(list+"]")) + len(list)
	if _, err := w.Write(b[:at]); err != nil {
		return err
	}
	for i, m := range j.Files {
		one, err := json.Marshal(m)
		if err != nil {
			return err
		}
		if i > 0 {
			one = append([]byte{','}, one...)
		}
		if _, err := w.Write(one); err != nil {
			return err
		}
	}
	if _, err := w.Write(b[at:]); err != nil {
		return err
	}
	_, err = fmt.Fprintf(to, "\nsha256 %x\n", sum.Sum(nil))
	return err
}

func (r *Repo) removeJournal() error {
	if err := retryShared(func() error { return os.Remove(r.journalFile()) }); err != nil && !isAbsent(err) {
		return &WriteError{r.journalFile(), err}
	}
	return r.sync(r.ownDir())
}

// recover finishes the interrupted write of a journal if all that it touches is in
// its old or its new state. Otherwise it moves the journal aside.
func (tx *Tx) recover(ctx context.Context, j *journal, jerr error) (*Recovery, error) {
	r := tx.repo
	rec := &Recovery{}
	if jerr != nil {
		rec.Reason = jerr.Error()
	} else {
		rec.Refs = j.Refs
		for _, m := range j.Files {
			rec.Files = append(rec.Files, m.Path)
		}
		var err error
		if rec.Reason, err = tx.whyNotForward(j); err != nil {
			return nil, err
		}
	}
	if rec.Reason == "" {
		if err := tx.stageFiles(j.Files); err != nil {
			return nil, err
		}
		if err := r.step("recovery staged"); err != nil {
			return nil, err
		}
		if err := tx.carryOut(ctx, j); err != nil {
			return nil, err
		}
		rec.Finished = true
		return rec, nil
	}
	rec.Journal = filepath.Join(r.ownDir(), "abandoned-"+time.Now().UTC().Format("20060102T150405.000000000Z"))
	if err := r.rename(r.journalFile(), rec.Journal); err != nil {
		return nil, &WriteError{rec.Journal, err}
	}
	return rec, r.sync(r.ownDir())
}

// whyNotForward returns why a journal can no longer be finished, or "".
func (tx *Tx) whyNotForward(j *journal) (string, error) {
	r := tx.repo
	for _, u := range j.Refs {
		now, _, err := r.Ref(u.Name)
		if err != nil {
			return err.Error(), nil
		}
		if now != u.Old && now != u.New {
			return fmt.Sprintf("%s has since moved to %s", u.Name, hashOrNone(now)), nil
		}
		if !u.New.IsZero() {
			if reason, err := r.lacks(u.New); err != nil || reason != "" {
				return reason, err
			}
		}
	}
	if len(j.Files) == 0 {
		return "", nil
	}
	branch, _, err := r.head()
	if err != nil {
		return err.Error(), nil
	}
	if branch != j.Branch {
		return fmt.Sprintf("another branch than %s is checked out now", j.Branch), nil
	}
	if reason, err := r.lacks(j.Tree); err != nil || reason != "" {
		return reason, err
	}
	idx, err := tx.index()
	if err != nil {
		return err.Error(), nil
	}
	for _, m := range j.Files {
		now, err := r.workAt(m.Path)
		if err != nil {
			return err.Error(), nil
		}
		blocked := now.kind == index.Dir && m.Old.Hash.IsZero()
		if !now.is(m.Old) && !now.is(m.New) && !blocked || staged(idx, m) {
			return fmt.Sprintf("%q has been edited since", m.Path), nil
		}
		if !m.New.Hash.IsZero() {
			if reason, err := r.lacks(m.New.Hash); err != nil || reason != "" {
				return reason, err
			}
		}
	}
	return "", nil
}

// lacks returns why an object cannot be read, or "".
func (r *Repo) lacks(h object.Hash) (string, error) {
	if h == emptyTree {
		return "", nil
	}
	_, _, err := r.Object(h)
	if _, ok := errors.AsType[*MissingObject](err); ok {
		return err.Error(), nil
	}
	if _, ok := errors.AsType[*CorruptObject](err); ok {
		return err.Error(), nil
	}
	return "", err
}

// staged reports whether the index holds the file in a state that is neither the
// committed one nor the new one.
func staged(idx *index.Index, m fileMove) bool {
	from, to := idx.Find(m.Path)
	if to == from {
		return !m.Old.Hash.IsZero() && !m.New.Hash.IsZero()
	}
	e := idx.Entries[from]
	switch {
	case to-from > 1 || e.Stage() != 0:
		return true
	case e.IntentToAdd():
		return !m.Old.Hash.IsZero()
	}
	return e.Hash != m.Old.Hash && e.Hash != m.New.Hash
}

// moved reports whether the index entry of a file is no longer the old one.
func moved(idx *index.Index, m fileMove) bool {
	from, to := idx.Find(m.Path)
	if to == from || idx.Entries[from].IntentToAdd() {
		return !m.Old.Hash.IsZero()
	}
	return idx.Entries[from].Hash != m.Old.Hash || idx.Entries[from].Mode != m.Old.Mode
}

func reversed(moves []fileMove) []fileMove {
	out := make([]fileMove, len(moves))
	for i, m := range moves {
		out[i] = fileMove{m.Path, m.New, m.Old}
	}
	return out
}

// plainFile reports whether a tree entry may be written as a work file here.
func plainFile(e object.TreeEntry) bool {
	return e.Mode == object.ModeRegular || e.Mode == object.ModeExecutable || e.Mode == object.ModeGroup
}
