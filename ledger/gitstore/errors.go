package gitstore

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"benchlore/ledger/gitstore/object"
)

// UnsupportedError says why a directory cannot be used as a repository here
// and what to do about it.
type UnsupportedError struct {
	Path   string // the directory or file that was looked at
	Reason string // what is wrong with it
	Remedy string // what to do instead
}

func (e *UnsupportedError) Error() string {
	return fmt.Sprintf("%q %s; %s", e.Path, e.Reason, e.Remedy)
}

// NotRepositoryError is returned by Open where there is no git repository.
type NotRepositoryError struct{ Path string }

func (e *NotRepositoryError) Error() string {
	return fmt.Sprintf("%q is not a git repository: it has no .git folder", e.Path)
}

// MissingObject is returned when an object is named by a ref, a commit or a
// tree and is not in the repository: damage, or a shallow or partial clone.
type MissingObject struct{ Hash object.Hash }

func (e *MissingObject) Error() string {
	return fmt.Sprintf("git's object %s is gone", e.Hash)
}

// Hint names the next step.
func (e *MissingObject) Hint() string { return "get it back from a full copy: " + refetch }

// refetch brings every object again and moves no ref of ours. A plain fetch brings
// nothing where the refs are the same, however much is missing behind them.
const refetch = "git fetch --refetch COPY \"refs/*:refs/remotes/copy/*\", where COPY is its folder or address"

// CorruptObject is returned when the stored bytes of an object cannot be read
// or do not have the hash they are stored under.
type CorruptObject struct {
	Hash object.Hash
	Err  error
	File string // the file that holds it alone; "" where it lies in a pack
}

func (e *CorruptObject) Error() string {
	return fmt.Sprintf("git's object %s is damaged: %v", e.Hash, e.Err)
}

// Hint names the next step.
func (e *CorruptObject) Hint() string {
	if e.File == "" {
		return "a pack is damaged: clone a full copy, and bring over what only this one has with git pull"
	}
	return fmt.Sprintf("move %s out of the .git folder, keep it, and get the object back from a full copy: %s", e.File, refetch)
}

func (e *CorruptObject) Unwrap() error { return e.Err }

// ReadError is returned where an object cannot be read now. It says nothing about what
// is stored, which may be whole.
type ReadError struct {
	Hash object.Hash
	Err  error
}

func (e *ReadError) Error() string {
	return fmt.Sprintf("git's object %s cannot be read now: %v", e.Hash, e.Err)
}

// Hint names the next step.
func (e *ReadError) Hint() string {
	const whole = "; nothing says that the file is damaged"
	switch {
	case errors.Is(e.Err, fs.ErrPermission):
		return "you have no right to read it: change the folder's owner or permissions, then run the command again"
	case isTooMany(e.Err):
		return "too much is open: close other programs, or allow more open files (ulimit -n), then run the command again" + whole
	}
	return "see that the disk, or the network it is reached by, is well, then run the command again" + whole
}

func (e *ReadError) Unwrap() error { return e.Err }

// EditedError is returned by Tx.Commit when a file it would write was edited
// by hand and not committed. Nothing has been written.
type EditedError struct {
	Path   string // slash path in the work tree
	Staged bool   // the edit is in git's index, not only in the file
	Save   string // command that commits edits made by hand
}

func (e *EditedError) Error() string {
	if e.Staged {
		return fmt.Sprintf("%q has changes staged with git that are not committed", e.Path)
	}
	return fmt.Sprintf("%q was edited by hand and not saved", e.Path)
}

// Hint names the next step.
func (e *EditedError) Hint() string {
	if e.Staged {
		return "commit them with git, or take them back: git restore --staged FILE"
	}
	return "keep the edit with " + e.Save + ", or drop it with git restore FILE; then run the command again"
}

// PathError is returned for a path that must not be written: one that leaves
// the work tree, enters .git, or passes through a symbolic link.
type PathError struct {
	Path   string
	Reason string
}

func (e *PathError) Error() string {
	return fmt.Sprintf("path %q %s", e.Path, e.Reason)
}

// BusyError is returned by Lock when another program of ours held the
// repository for the whole time waited.
type BusyError struct {
	Program string
	Path    string // the lock file
	Waited  time.Duration
}

func (e *BusyError) Error() string {
	return fmt.Sprintf("another %s command is writing here (waited %s for %q); try again when it is done",
		e.Program, e.Waited.Round(time.Millisecond), e.Path)
}

// ForeignLockError reports a lock file that another git program holds or has
// left behind. It is removed only when [Repo.DropLock] says so.
type ForeignLockError struct {
	Path        string
	Age         time.Duration
	Empty       bool // it holds nothing: git has just made it, or died, or the power went
	BeforeStart bool // it is older than the last start of this computer, on a disk of its own
	Shared      bool // it lies on a disk that other computers may use

	info fs.FileInfo
}

func (e *ForeignLockError) Error() string {
	more := ""
	if e.Empty {
		more += ", empty"
	}
	if e.BeforeStart {
		more += ", before this computer was last started"
	}
	where := ""
	if e.Shared {
		where = " on this computer or on another that uses this disk"
	}
	return fmt.Sprintf("another git program holds %q (made %s ago%s); if no git program is running%s, delete that file and try again",
		e.Path, e.Age.Round(time.Second), more, where)
}

// RefMovedError is returned by Tx.Commit when a ref is not where the plan says
// it was. Nothing visible has been written.
type RefMovedError struct {
	Name      string
	Want, Got object.Hash // Zero: the ref does not exist
}

func (e *RefMovedError) Error() string {
	return fmt.Sprintf("%s was moved by another program: expected %s, found %s; run the command again",
		e.Name, hashOrNone(e.Want), hashOrNone(e.Got))
}

func hashOrNone(h object.Hash) string {
	if h.IsZero() {
		return "nothing"
	}
	return h.String()
}

// RefError reports a ref name that is not valid or a ref file that cannot be
// read as one.
type RefError struct {
	Name   string
	Reason string
}

func (e *RefError) Error() string { return fmt.Sprintf("ref %q %s", e.Name, e.Reason) }

// InterruptedError is returned by Tx.Commit when refs had begun to move and
// the rest failed. The next Lock finishes the work.
type InterruptedError struct{ Err error }

func (e *InterruptedError) Error() string {
	return fmt.Sprintf("the write was interrupted: %v; the next command finishes it", e.Err)
}

func (e *InterruptedError) Unwrap() error { return e.Err }

// WriteError is returned when the repository cannot be written to at all.
type WriteError struct {
	Path string
	Err  error
}

func (e *WriteError) Error() string {
	cause := e.Err
	// The message names the path already; that of the temporary file helps nobody.
	if p, ok := errors.AsType[*fs.PathError](cause); ok {
		cause = p.Err
	} else if p, ok := errors.AsType[*os.LinkError](cause); ok {
		cause = p.Err
	}
	return fmt.Sprintf("cannot write to %q: %v", e.Path, cause)
}

// Hint names the next step.
func (e *WriteError) Hint() string { return WriteRemedy(e.Err) }

func (e *WriteError) Unwrap() error { return e.Err }

// WriteRemedy says what to do about an error of the operating system that kept
// a file from being written.
func WriteRemedy(err error) string {
	switch {
	case isFull(err):
		return "make room on that disk, then run the command again"
	case errors.Is(err, errTooLarge):
		return "a file may not become that large there: a limit of the shell (ulimit -f) or of that disk's file system; raise it, or write elsewhere"
	case isReadOnly(err):
		return "that disk is mounted read-only: mount it for writing, or copy the folder to another"
	case errors.Is(err, fs.ErrPermission):
		return "you have no right to write there: change the folder's owner or permissions, then run the command again"
	case errors.Is(err, fs.ErrNotExist):
		return "make that folder first, or name another"
	}
	return "check that disk, then run the command again"
}
