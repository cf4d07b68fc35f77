package gitstore

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/gofrs/flock"

	"benchlore/ledger/gitstore/index"
	"benchlore/ledger/gitstore/object"
)

// Locking has two layers. An operating-system lock on .git/NAME/lock keeps our own
// processes apart; the kernel frees it when a process dies. Git's own lock files keep
// stock git out, and nobody removes those after a crash. Our lock files therefore are
// hard links to .git/NAME/nonce, a file that holds a line with our mark and was made
// durable before its first link: not even a power cut leaves a lock of ours empty. A
// process that has the operating-system lock and finds our mark in a lock file knows
// that the process that made it is dead, and removes it. A lock file without the mark
// may belong to another program; it is reported, and removed only when somebody who
// was asked says so. Nobody writes to a lock file of ours: it would change the nonce.

// refLockWait is how long to wait for another git to unlock a ref.
const refLockWait = time.Second

func (r *Repo) ownDir() string { return filepath.Join(r.GitDir, r.program.name()) }

// lockMarker begins the line in our lock files.
func (r *Repo) lockMarker() string { return r.program.name() + " lock " }

func (r *Repo) tmpDir() string      { return filepath.Join(r.ownDir(), "tmp") }
func (r *Repo) nonceFile() string   { return filepath.Join(r.ownDir(), "nonce") }
func (r *Repo) journalFile() string { return filepath.Join(r.ownDir(), "journal") }

// Tx is a write in progress. It holds the locks until Commit or Rollback; its
// methods must be called from one goroutine.
type Tx struct {
	// Recovered tells what became of an interrupted earlier write; nil if there was
	// none.
	Recovered *Recovery

	repo    *Repo
	flock   *flock.Flock
	marker  string // content of our lock files
	locks   []string
	pending pendingSet
	idx     *index.Index // as read under index.lock, until it is replaced
	done    bool
	fresh   bool // what Commit carries out for the first time, not after a crash
}

// Lock takes the write lock, waiting up to timeout for our own processes and
// for stock git, and finishes or sets aside a write that an earlier process
// left unfinished.
// Errors: *BusyError, *ForeignLockError, *WriteError, or ctx's.
func (r *Repo) Lock(ctx context.Context, timeout time.Duration) (*Tx, error) {
	start := time.Now()
	deadline := start.Add(timeout)
	if !fileExists(r.ownDir()) {
		err := os.MkdirAll(r.ownDir(), 0o777)
		if err = errors.Join(err, r.sync(r.GitDir)); err != nil {
			return nil, &WriteError{r.ownDir(), err}
		}
	}
	name := filepath.Join(r.ownDir(), "lock")
	l := flock.New(name)
	wait, cancel := context.WithDeadline(ctx, deadline)
	defer cancel()
	ok, err := l.TryLock()
	if err == nil && !ok {
		ok, err = l.TryLockContext(wait, 15*time.Millisecond)
	}
	if !ok {
		l.Close()
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case err == nil, errors.Is(err, context.DeadlineExceeded):
			return nil, &BusyError{r.program.name(), name, time.Since(start)}
		}
		return nil, &WriteError{name, err}
	}
	tx := &Tx{repo: r, flock: l}
	if err := tx.begin(ctx, deadline); err != nil {
		tx.release()
		return nil, err
	}
	return tx, nil
}

// begin runs under the operating-system lock.
func (tx *Tx) begin(ctx context.Context, deadline time.Time) error {
	r := tx.repo
	j, jerr := r.readJournal()
	if err := tx.mark(j); err != nil {
		return err
	}
	if err := tx.acquire(ctx, r.indexFile(), deadline); err != nil {
		return err
	}
	if err := r.step("index locked"); err != nil {
		return err
	}
	r.mu.Lock()
	r.pending = map[object.Hash]pendingObject{}
	r.packsChanged()
	r.mu.Unlock()
	if j == nil && jerr == nil {
		return nil
	}
	rec, err := tx.recover(ctx, j, jerr)
	tx.Recovered = rec
	return err
}

// mark removes what a dead process of this program left, and prepares a marker for
// the lock files that says whose they are.
func (tx *Tx) mark(j *journal) error {
	r := tx.repo
	if err := r.dropDeadLocks(j); err != nil {
		return &WriteError{r.GitDir, err}
	}
	if err := os.RemoveAll(r.tmpDir()); err != nil {
		return &WriteError{r.tmpDir(), err}
	}
	if err := os.MkdirAll(r.tmpDir(), 0o777); err != nil {
		return &WriteError{r.tmpDir(), err}
	}
	marker, err := r.nonce()
	if err != nil {
		return &WriteError{r.nonceFile(), err}
	}
	tx.marker = marker
	return r.step("nonce")
}

// nonce returns the line in our lock files, and makes the file that holds it where
// there is none or it is no longer whole.
func (r *Repo) nonce() (string, error) {
	if line, err := os.ReadFile(r.nonceFile()); err == nil && r.ours(line) {
		return string(line), nil
	}
	line := r.lockMarker() + rand.Text() + "\n"
	if err := writeSynced(r.nonceFile()+".new", []byte(line), 0o666, !r.NoSync); err != nil {
		return "", err
	}
	if err := r.rename(r.nonceFile()+".new", r.nonceFile()); err != nil {
		return "", err
	}
	return line, r.sync(r.ownDir())
}

// ours reports whether the content of a lock file is that of ours.
func (r *Repo) ours(b []byte) bool {
	word, ok := strings.CutPrefix(string(b), r.lockMarker())
	return ok && len(word) == nonceLen+1 && word[nonceLen] == '\n'
}

// nonceLen is the length of [rand.Text].
const nonceLen = 26

// lockText reads as much of a lock file as tells whose it is.
func lockText(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, 256))
}

// acquire creates target.lock. If another program has it, acquire waits for it until
// the deadline. One that a dead process of this program left is taken over.
func (tx *Tx) acquire(ctx context.Context, target string, deadline time.Time) error {
	r, name := tx.repo, target+".lock"
	if slices.Contains(tx.locks, name) {
		return nil
	}
	for {
		err := createLock(name, r.nonceFile(), tx.marker)
		if err == nil {
			tx.locks = append(tx.locks, name)
			return nil
		}
		switch {
		case errors.Is(err, fs.ErrNotExist):
			// Stock git removes empty folders below refs at any time.
			if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return &WriteError{name, err}
			}
		case !errors.Is(err, fs.ErrExist):
			return &WriteError{name, err}
		}
		if b, err := lockText(name); err == nil && r.ours(b) {
			if err := retryShared(func() error { return os.Remove(name) }); err != nil && !isAbsent(err) {
				return &WriteError{name, err}
			}
			continue
		}
		if foreign := lookAtLock(name); foreign != nil && (!time.Now().Before(deadline) || foreign.Empty && foreign.BeforeStart) {
			if !foreign.Empty || r.DropLock == nil || !r.DropLock(foreign) {
				return foreign
			}
			// The one that was asked about, and no other that came in the meantime.
			if now := lookAtLock(name); now != nil && now.Empty && os.SameFile(now.info, foreign.info) {
				if err := os.Remove(name); err != nil && !isAbsent(err) {
					return &WriteError{name, err}
				}
			}
			continue
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// createLock makes a lock file that holds its marker from the start: a hard link to a
// file with the marker in it. On a file system without links, the file is created
// first and then filled. A crash in between leaves an empty lock file, which is
// reported like one of another program.
func createLock(name, nonceFile, marker string) error {
	err := os.Link(nonceFile, name)
	if err == nil || errors.Is(err, fs.ErrExist) || errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	_, err = f.WriteString(marker)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		os.Remove(name)
	}
	return err
}

// lookAtLock describes a lock file of another program; nil where it is gone.
func lookAtLock(name string) *ForeignLockError {
	info, err := os.Lstat(name)
	if err != nil {
		return nil
	}
	e := &ForeignLockError{Path: name, Age: time.Since(info.ModTime()), Empty: info.Mode().IsRegular() && info.Size() == 0, Shared: !onLocalDisk(name), info: info}
	// A second or two for clocks that count in whole ones.
	if up, ok := sinceStart(); ok && !e.Shared {
		e.BeforeStart = e.Age > up+2*time.Second
	}
	return e
}

// dropDeadLocks removes lock files that a dead process of this program left.
func (r *Repo) dropDeadLocks(j *journal) error {
	if !fileExists(r.nonceFile()) {
		return nil // there never was a lock of ours
	}
	names := []string{filepath.Join(r.GitDir, "packed-refs"), r.configFile()}
	if j != nil {
		for _, u := range j.Refs {
			names = append(names, r.refFile(u.Name))
		}
	}
	// Whoever died with the index locked may have had refs locked as well.
	b, err := lockText(r.indexFile() + ".lock")
	if fileExists(r.refsNote()) || err == nil && r.ours(b) {
		loose, err := r.looseRefLocks()
		if err != nil {
			return err
		}
		names = append(names, loose...)
	}
	for _, name := range append(names, r.indexFile()) {
		name += ".lock"
		if b, err := lockText(name); err != nil || !r.ours(b) {
			continue // absent, or not ours: acquire reports it
		}
		if err := retryShared(func() error { return os.Remove(name) }); err != nil {
			return err
		}
	}
	if err := os.Remove(r.refsNote()); err != nil && !isAbsent(err) {
		return err
	}
	return nil
}

// looseRefLocks lists the files below refs that have a lock beside them.
func (r *Repo) looseRefLocks() ([]string, error) {
	var out []string
	err := filepath.WalkDir(filepath.Join(r.GitDir, "refs"), func(file string, d fs.DirEntry, err error) error {
		if isAbsent(err) {
			return nil
		}
		if target, ok := strings.CutSuffix(file, ".lock"); err == nil && ok && !d.IsDir() {
			out = append(out, target)
		}
		return err
	})
	return out, err
}

// Rollback releases the locks and drops what was written so far. After
// Commit it does nothing, so that it can be deferred.
func (tx *Tx) Rollback() {
	if !tx.done {
		tx.release()
	}
}

// release removes our lock files, last taken first, then the lock between
// processes.
func (tx *Tx) release() {
	tx.done = true
	r := tx.repo
	tx.unlock(0)
	os.RemoveAll(r.tmpDir())
	r.mu.Lock()
	r.pending = nil
	r.mu.Unlock()
	tx.flock.Close()
}

// unlock removes our lock files, last taken first, and keeps the first few.
func (tx *Tx) unlock(keep int) {
	for len(tx.locks) > keep {
		name := tx.locks[len(tx.locks)-1]
		tx.locks = tx.locks[:len(tx.locks)-1]
		// Only if it is still ours: somebody may have removed it by hand.
		if b, err := lockText(name); err == nil && string(b) == tx.marker {
			retryShared(func() error { return os.Remove(name) })
		}
	}
}

// rename moves a file over another.
func (r *Repo) rename(from, to string) error {
	return retryShared(func() error { return os.Rename(from, to) })
}

// sync makes changes to the names inside a folder durable.
func (r *Repo) sync(dir string) error {
	if r.NoSync {
		return nil
	}
	return syncDir(dir)
}

// replace writes a temporary file in our own folder and renames it, so that others see
// the old file or the whole new one. It makes the file durable.
func (r *Repo) replace(target string, data []byte) error {
	return r.replaceWith(target, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

func (r *Repo) replaceWith(target string, write func(io.Writer) error) error {
	tmp := filepath.Join(r.tmpDir(), "replace")
	os.Remove(tmp)
	f, err := os.OpenFile(tmp, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o666)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<16)
	err = write(w)
	if err == nil {
		err = w.Flush()
	}
	if err == nil && !r.NoSync {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		os.Remove(tmp)
		return err
	}
	if err := r.rename(tmp, target); err != nil {
		os.Remove(tmp)
		return err
	}
	return r.sync(filepath.Dir(target))
}

// step marks a point at which tests can stop a write.
func (r *Repo) step(name string) error {
	if r.fault == nil {
		return nil
	}
	if err := r.fault(name); err != nil {
		return fmt.Errorf("at %q: %w", name, err)
	}
	return nil
}
