package ledger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"path"
	"sort"
	"strings"
	"time"

	"benchlore/ledger/disclosure"
	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// Result tells what a command wrote.
type Result struct {
	Commit  string   `json:"commit,omitempty"` // on main; "" for nothing written or a dry run
	Files   []string `json:"files"`            // changed, slash paths from the ledger
	Subject string   `json:"subject,omitempty"`
	Unit    string   `json:"unit,omitempty"`     // set where a unit's own branch moved
	Head    string   `json:"unitHead,omitempty"` // its new head
	Commits int      `json:"unitCommits,omitempty"`
	Signed  string   `json:"signedBy,omitempty"` // fingerprint of the key; "" unsigned

	Unseen []disclosure.Unseen `json:"unseen,omitempty"` // of what went on the unit's branch, what could not be looked into
}

// writer gathers one command's changes under the ledger's lock.
type writer struct {
	l        *Ledger
	tx       *gitstore.Tx
	head     object.Hash // main before; zero before the first commit
	tree     object.Hash // its tree
	files    map[string][]byte
	removed  map[string]bool
	subject  string
	trailers []trailer
	units    []gitstore.RefUpdate
	author   *gitstore.Ident
	marker   bool // commit even where no file changes
	result   Result
}

type trailer struct{ key, value string }

func (w *writer) put(p string, data []byte) {
	w.files[p] = data
	delete(w.removed, p)
}

func (w *writer) remove(p string) {
	w.removed[p] = true
	delete(w.files, p)
}

// committed returns a file as main has it.
func (w *writer) committed(p string) ([]byte, bool, error) { return w.l.blobAt(w.tree, p) }

// blobAt returns a file of a tree; ok is false where it has none.
func (l *Ledger) blobAt(tree object.Hash, p string) (data []byte, ok bool, err error) {
	if tree.IsZero() {
		return nil, false, nil
	}
	e, ok, err := l.repo.TreeAt(tree, p)
	if err != nil || !ok || !e.Mode.IsFile() {
		return nil, false, err
	}
	data, err = l.repo.Blob(e.Hash)
	return data, err == nil, err
}

// BranchError says that the work tree is not where commands write.
type BranchError struct{ What, Remedy string }

func (e *BranchError) Error() string { return e.What }

// Hint names the next step.
func (e *BranchError) Hint() string { return e.Remedy }

// writable refuses to write anywhere but on main, and in the middle of
// something git has begun.
func (l *Ledger) writable() error {
	st, err := l.repo.State()
	if err != nil {
		return err
	}
	switch {
	case st.Converts:
		return &BranchError{".git/info/attributes has git change the bytes of this copy's files, so they are not what is recorded",
			"move that file away, and have git write the files anew: git rm -r -q --cached . && git reset -q --hard"}
	case st.Operation == "bisect":
		return &BranchError{"a bisect is in progress in this ledger", "end it with: git bisect reset"}
	case st.Operation != "":
		return &BranchError{fmt.Sprintf("a %s is in progress in this ledger", st.Operation),
			fmt.Sprintf("finish it with git %s --continue, or drop it with git %s --abort", st.Operation, st.Operation)}
	case st.Branch == "":
		return &BranchError{"the work tree is on no branch (detached HEAD)", "go back with: git switch main"}
	case st.Branch != mainRef:
		return &BranchError{fmt.Sprintf("the work tree is on branch %q; the ledger is kept on main", strings.TrimPrefix(st.Branch, "refs/heads/")),
			"go back with: git switch main"}
	}
	return nil
}

// update runs fn under the lock and commits what it gathered, as one commit
// on main. Nothing is written where fn fails or gathers nothing new.
func (l *Ledger) update(fn func(*writer) error) (Result, error) {
	if err := l.writable(); err != nil {
		return Result{}, err
	}
	committer, author, err := l.idents()
	if err != nil {
		return Result{}, err
	}
	waiting := time.AfterFunc(time.Second, func() {
		if l.opt.Waiting != nil {
			l.opt.Waiting()
		}
	})
	tx, err := l.repo.Lock(context.Background(), l.opt.Wait)
	waiting.Stop()
	if err != nil {
		return Result{}, err
	}
	defer tx.Rollback()
	l.Recovered = tx.Recovered
	if err := l.writable(); err != nil {
		return Result{}, err
	}
	w := &writer{l: l, tx: tx, files: map[string][]byte{}, removed: map[string]bool{}}
	if w.head, w.tree, err = l.mainTree(); err != nil {
		return Result{}, err
	}
	if l.Clock, err = l.clockBack(w.head); err != nil {
		return Result{}, err
	}
	if err := fn(w); err != nil {
		return Result{}, err
	}
	if w.author != nil {
		author = *w.author
	}
	changes := map[string]*object.Hash{}
	for p, data := range w.files {
		h, err := tx.WriteBlob(data)
		if err != nil {
			return Result{}, err
		}
		changes[p] = &h
	}
	for p := range w.removed {
		changes[p] = nil
	}
	tree, err := tx.UpdateTree(w.tree, changes)
	if err != nil {
		return Result{}, err
	}
	res := w.result
	res.Subject = w.subject
	diff, err := l.repo.DiffTrees(w.tree, tree)
	if err != nil {
		return Result{}, err
	}
	for _, d := range diff {
		res.Files = append(res.Files, d.Path)
	}
	sort.Strings(res.Files)
	if len(diff) == 0 && !w.marker || l.opt.DryRun {
		return res, nil
	}
	sign, err := l.mainSigner()
	if err != nil {
		return Result{}, err
	}
	spec := gitstore.CommitSpec{Tree: tree, Author: author, Committer: committer, Message: message(w.subject, w.trailers), Sign: sign}
	if !w.head.IsZero() {
		spec.Parents = []object.Hash{w.head}
	}
	commit, err := tx.WriteCommit(spec)
	if err != nil {
		return Result{}, err
	}
	refs := append([]gitstore.RefUpdate{{Name: mainRef, Old: w.head, New: commit}}, w.units...)
	if err := tx.Commit(gitstore.Plan{Refs: refs, Reason: "benchlore: " + w.subject}); err != nil {
		return Result{}, err
	}
	l.wrote = true
	res.Commit = commit.String()
	return res, nil
}

// ClockRemedy is what to do about what Ledger.Clock says.
const ClockRemedy = "set the clock; if it is this computer's that is wrong, correct the days of what was recorded by it"

// clockBack says so where main's last commit was made on a later day: the clock of
// this computer, or of another, is wrong, and records would get a wrong day.
func (l *Ledger) clockBack(head object.Hash) (string, error) {
	if head.IsZero() {
		return "", nil
	}
	c, err := l.repo.Commit(head)
	now := l.opt.Now()
	if err != nil {
		return "", err
	}
	// Two computers are never quite of one mind.
	last := c.Committer.When.In(now.Location())
	if last.Sub(now) < time.Hour || last.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return "", nil
	}
	const form = "2006-01-02 15:04"
	return fmt.Sprintf("the clock says %s, but the last change was made %s", now.Format(form), last.Format(form)), nil
}

// mainTree returns main's head and its tree; both zero before the first
// commit.
func (l *Ledger) mainTree() (head, tree object.Hash, err error) {
	head, ok, err := l.repo.Ref(mainRef)
	if err == nil && !ok {
		// A ledger whose main was lost is not begun anew.
		units, uerr := l.repo.Refs(unitRefs)
		err = errors.Join(uerr, l.repo.Lost(mainRef, len(units) > 0))
	}
	if err != nil || !ok {
		return object.ZeroHash, object.ZeroHash, err
	}
	c, err := l.repo.Commit(head)
	if err != nil {
		return object.ZeroHash, object.ZeroHash, err
	}
	return head, c.Tree, nil
}

// message puts a commit message together: one line, then trailers.
func message(subject string, trailers []trailer) string {
	var b strings.Builder
	b.WriteString(strings.Join(strings.Fields(subject), " ") + "\n")
	if len(trailers) > 0 {
		b.WriteByte('\n')
	}
	for _, t := range trailers {
		b.WriteString(t.key + ": " + strings.Join(strings.Fields(t.value), " ") + "\n")
	}
	return b.String()
}

// trailersOf reads the trailers of a commit message: the lines of its last
// paragraph that have the form Key: value.
func trailersOf(msg string) []trailer {
	paragraphs := strings.Split(strings.TrimSpace(msg), "\n\n")
	if len(paragraphs) < 2 {
		return nil
	}
	var out []trailer
	for _, line := range strings.Split(paragraphs[len(paragraphs)-1], "\n") {
		if k, v, ok := strings.Cut(line, ": "); ok {
			out = append(out, trailer{k, v})
		}
	}
	return out
}

// headTrailer marks a commit on main that moved a unit's branch: its value is
// the unit and the branch's new head. Repair after a crash goes by it.
const headTrailer = "Unit-Head"

func unitHeads(msg string) map[string]object.Hash {
	heads := map[string]object.Hash{}
	for _, t := range trailersOf(msg) {
		name, hash, ok := strings.Cut(t.value, " ")
		if t.key == headTrailer && ok && object.IsHash(hash) {
			heads[name] = object.NewHash(hash)
		}
	}
	return heads
}

// Batch gathers changed files of one unit that are written together: in one
// commit, or not at all.
type Batch struct {
	Unit    *Loaded // as its folder stands
	Stock   *Catalog
	Subject string // of the commit

	w      *writer
	closed map[string]bool
	texts  map[string][]byte
}

// Change runs fn under the ledger's lock and commits what fn put into the batch.
// Nothing is written if fn fails, or if it put nothing new. Errors are those of
// fn, of reading the unit and of writing.
func (l *Ledger) Change(unit string, fn func(*Batch) error) (Result, error) {
	return l.update(func(w *writer) error {
		b, err := l.batch(unit, w)
		if err == nil {
			err = fn(b)
		}
		if err != nil {
			return err
		}
		for p, data := range b.texts {
			w.put(p, data)
		}
		w.subject = b.Subject
		return nil
	})
}

// Rehearse runs fn as Change does, without the lock, and writes nothing.
func (l *Ledger) Rehearse(unit string, fn func(*Batch) error) error {
	w := &writer{l: l}
	var err error
	if w.head, w.tree, err = l.mainTree(); err != nil {
		return err
	}
	b, err := l.batch(unit, w)
	if err != nil {
		return err
	}
	return fn(b)
}

func (l *Ledger) batch(unit string, w *writer) (*Batch, error) {
	b := &Batch{w: w, texts: map[string][]byte{}}
	var err error
	if b.Stock, err = l.Catalog(); err != nil {
		return nil, err
	}
	if b.Unit, err = l.Unit(unit, b.Stock); err != nil {
		return nil, err
	}
	b.closed, err = l.closedFiles(unit, w.head)
	return b, err
}

// Closed reports whether a record has been closed: it changes only by a
// correction from then on.
func (b *Batch) Closed(p string) bool { return b.closed[path.Base(p)] }

// NewRecord returns a path for a new record, which no other file of the unit has,
// and the record's place among those of the day.
func (b *Batch) NewRecord(kind schema.Kind, day schema.Date) (p string, seq int, err error) {
	if p, err = b.w.l.newName(unitDir(b.Unit.Name), day, string(kind)); err != nil {
		return "", 0, err
	}
	seq, err = b.w.l.NextSeq(b.Unit.Name, day)
	return p, seq, err
}

// Put gives a file of the unit its new text. A file that was edited by hand and
// not saved since is an *UnsavedError.
func (b *Batch) Put(p string, data []byte) error {
	if onDisk, there := b.Unit.Files[p]; there {
		committed, ok, err := b.w.committed(p)
		if err != nil {
			return err
		}
		if !ok || !bytes.Equal(committed, onDisk) {
			return &UnsavedError{[]string{p}}
		}
	}
	b.texts[p] = data
	return nil
}

// Problems reads the unit as it will be. It returns everything wrong with it
// then, and those of the errors that it does not have now.
func (b *Batch) Problems() (all, fresh []schema.Problem, err error) {
	after, err := b.w.l.load(b.Unit.Name, b.Stock, overlay{diskSource{b.w.l}, maps.Clone(b.texts)})
	if err != nil {
		return nil, nil, err
	}
	return after.Problems, newErrors(b.Unit.Problems, after.Problems), nil
}
