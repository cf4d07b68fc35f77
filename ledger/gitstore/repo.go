// Package gitstore reads and writes one git repository with a work tree. It
// knows git but not what is kept in it, and does not need a git program.
//
// Open a repository, take the write lock with Repo.Lock, make objects through
// the Tx, and end with Tx.Commit, which moves refs and brings the work tree and
// git's index along as one step: after a crash at any instant the next Lock
// finishes the step or leaves it undone. Stock git may be used on the same
// repository at the same time; its lock files are honoured.
//
// Deliberately absent: bare repositories, linked worktrees, SHA-256 objects,
// reftables, split and sparse indexes, submodules, and content filters (files
// hold the bytes of their blobs).
package gitstore

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/go-git/go-git/v5/storage/filesystem"

	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/object"
)

// Repo is an open repository. Reading is safe from several goroutines;
// writing goes through Lock. Close it when done.
type Repo struct {
	Dir     string // work tree, absolute
	GitDir  string // Dir/.git
	Shallow bool   // history is cut short; read only what is there
	Partial bool   // objects may be missing until fetched
	NoSync  bool   // skip fsync: for throw-away repositories only

	// DropLock is asked whether to remove an empty lock file that may be another git's;
	// nil: never.
	DropLock func(*ForeignLockError) bool

	// Mended names the indexes of packs that were damaged and were made again.
	Mended []string

	program Program

	root *os.Root
	bare bool // no files and no index go with any branch

	mu      sync.Mutex // guards the fields below; go-git's storage is not safe for concurrent use
	objects *filesystem.ObjectStorage

	packReaders []*packReader // nil: not looked for yet
	packNames   []string      // of the indexes when they were looked for
	packReads   int
	packPool    filePool
	readErr     error // the last that kept something from being read and says nothing about it
	mendTried   bool
	pending     map[object.Hash]pendingObject
	packed      packedRefs

	packsStamp, packsListed time.Time // change time of objects/pack when it was last listed

	fault func(step string) error // set by tests to stop a write between steps
}

// InitOptions are the choices made when a repository is created.
type InitOptions struct {
	Branch  string // first branch; "main" when empty
	NoSync  bool   // skip fsync: for throw-away repositories only
	Nested  bool   // it may lie inside another repository, such as in its .git
	Program Program
}

// unborn begins the name of a repository's folder while it is made.
const unborn = ".git-new-"

// Unborn reports whether a name is that of a repository that was being made.
func Unborn(name string) bool { return strings.HasPrefix(name, unborn) }

// MakeDir makes a folder and those above it where they are missing. With sync, it is
// there after a power cut too.
func MakeDir(dir string, perm os.FileMode, sync bool) error {
	var above []string // folders that get a new name in them
	for up := dir; ; up = filepath.Dir(up) {
		if _, err := os.Lstat(up); err == nil || up == filepath.Dir(up) {
			break
		}
		above = append(above, filepath.Dir(up))
	}
	if err := os.MkdirAll(dir, perm); err != nil {
		return err
	}
	if !sync {
		return nil
	}
	for _, up := range above {
		if err := syncDir(up); err != nil {
			return err
		}
	}
	return nil
}

// SyncDir makes the names in a folder durable.
func SyncDir(dir string) error { return syncDir(dir) }

// Init creates a repository as `git init` does, in dir, which is made when
// missing. It refuses a directory that is one already or lies inside one that
// does not ignore it.
func Init(dir string, opt InitOptions) (*Repo, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	for up := dir; !opt.Nested; up = filepath.Dir(up) {
		if _, err := os.Lstat(filepath.Join(up, ".git")); err == nil {
			if up == dir {
				return nil, &UnsupportedError{Path: dir, Reason: "is a git repository already", Remedy: "use it, or choose another folder"}
			}
			ignored, err := ignoredBy(up, dir)
			if err != nil {
				return nil, err
			}
			if ignored {
				break
			}
			return nil, &UnsupportedError{Path: dir, Reason: fmt.Sprintf("lies inside the git repository %q", up),
				Remedy: "choose a folder outside it, or one that its .gitignore names"}
		}
		if up == filepath.Dir(up) {
			break
		}
	}
	branch := opt.Branch
	if branch == "" {
		branch = "main"
	}
	if err := checkRefName("refs/heads/" + branch); err != nil {
		return nil, err
	}
	// Built beside its final name, so that a crash leaves no half repository.
	if err := MakeDir(dir, 0o777, !opt.NoSync); err != nil {
		return nil, &WriteError{dir, err}
	}
	// What a killed Init left.
	left, err := filepath.Glob(filepath.Join(dir, unborn+"*"))
	for _, old := range left {
		err = errors.Join(err, os.RemoveAll(old))
	}
	if err != nil {
		return nil, &WriteError{dir, err}
	}
	tmp, err := os.MkdirTemp(dir, unborn)
	if err != nil {
		return nil, &WriteError{dir, err}
	}
	defer os.RemoveAll(tmp)
	if err := os.Chmod(tmp, 0o755); err != nil {
		return nil, &WriteError{tmp, err}
	}
	for _, d := range []string{"objects/info", "objects/pack", "refs/heads", "refs/tags", "info"} {
		if err := os.MkdirAll(filepath.Join(tmp, filepath.FromSlash(d)), 0o777); err != nil {
			return nil, &WriteError{tmp, err}
		}
	}
	config := fmt.Sprintf("[core]\n\trepositoryformatversion = 0\n\tfilemode = %t\n\tbare = false\n"+
		"\tlogallrefupdates = true\n\tautocrlf = false\n", keepsModes(tmp))
	if !keepsLinks(tmp) {
		config += "\tsymlinks = false\n"
	}
	if !keepsCase(tmp) {
		config += "\tignorecase = true\n"
	}
	for _, f := range []struct{ name, text string }{
		{"config", config},
		{"info/exclude", "# Patterns of files that git leaves alone in this copy only, one a line.\n"},
		{"HEAD", "ref: refs/heads/" + branch + "\n"},
	} {
		name := filepath.Join(tmp, filepath.FromSlash(f.name))
		if err := writeSynced(name, []byte(f.text), 0o666, !opt.NoSync); err != nil {
			return nil, &WriteError{name, err}
		}
	}
	git := filepath.Join(dir, ".git")
	if err := retryShared(func() error { return os.Rename(tmp, git) }); err != nil {
		return nil, &WriteError{git, err}
	}
	if !opt.NoSync {
		if err := syncDir(dir); err != nil {
			return nil, &WriteError{dir, err}
		}
	}
	r, err := Open(dir, opt.Program)
	if err != nil {
		return nil, err
	}
	r.NoSync = opt.NoSync
	return r, nil
}

// Open opens the repository whose work tree is dir, for a program. It does not
// look in the folders above. What this package cannot keep right is refused with
// *NotRepositoryError or *UnsupportedError.
func Open(dir string, p Program) (*Repo, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	git := filepath.Join(dir, ".git")
	info, err := os.Lstat(git)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if isGitDir(dir) {
			return nil, &UnsupportedError{dir, "is a bare git repository, without a work tree", "clone it and use the clone"}
		}
		return nil, &NotRepositoryError{dir}
	case err != nil:
		return nil, err
	case !info.IsDir():
		return nil, &UnsupportedError{git, "is not a folder: this is a linked worktree or a submodule", "use the main repository, or a clone of its own"}
	case !isGitDir(git):
		return nil, &NotRepositoryError{dir}
	}
	r := &Repo{Dir: dir, GitDir: git, program: p}
	if err := r.checkConfig(); err != nil {
		return nil, err
	}
	if b, err := os.ReadFile(filepath.Join(git, "shallow")); err == nil && len(b) > 0 {
		r.Shallow = true
	}
	// A split index is small. Large ones are looked at when they are needed.
	if info, err := os.Stat(r.indexFile()); err == nil && info.Size() < 1<<20 {
		_, err := r.readIndex()
		if u, ok := errors.AsType[*UnsupportedError](err); ok {
			return nil, u
		}
	}
	if r.root, err = os.OpenRoot(dir); err != nil {
		return nil, err
	}
	r.openObjects()
	return r, nil
}

// Close releases open packs and folders.
func (r *Repo) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	err := errors.Join(r.objects.Close(), r.root.Close())
	for _, p := range r.packReaders {
		err = errors.Join(err, p.close())
	}
	return err
}

func isGitDir(dir string) bool {
	for _, name := range []string{"HEAD", "objects", "refs"} {
		if _, err := os.Lstat(filepath.Join(dir, name)); err != nil {
			return false
		}
	}
	return true
}

// Config reads the configuration that applies to this repository.
func (r *Repo) Config() (*config.Config, error) {
	branch, _, err := r.head()
	if err != nil {
		return nil, err
	}
	return config.Load(r.GitDir, strings.TrimPrefix(branch, "refs/heads/"))
}

// checkConfig refuses the settings under which writing here would damage the
// repository or mislead stock git. Only the repository's own files count:
// git itself ignores format settings elsewhere.
func (r *Repo) checkConfig() error {
	cfg, err := config.Local(r.GitDir)
	if err != nil {
		return err
	}
	refuse := func(reason, remedy string) error {
		return &UnsupportedError{r.Dir, reason, remedy}
	}
	version, err := cfg.Int("core.repositoryformatversion", 0)
	if err != nil {
		return err
	}
	if version < 0 || version > 1 {
		return refuse(fmt.Sprintf("has repository format %d, newer than this program", version), "upgrade the program")
	}
	if format, ok := cfg.Get("extensions.objectformat"); ok && !strings.EqualFold(format, "sha1") {
		return refuse(fmt.Sprintf("keeps its objects under %s hashes", format), "make a new repository with `git init --object-format=sha1`")
	}
	if storage, ok := cfg.Get("extensions.refstorage"); ok && !strings.EqualFold(storage, "files") {
		return refuse(fmt.Sprintf("keeps its refs as %s", storage), "run `git refs migrate --ref-format=files`")
	}
	if _, err := os.Lstat(filepath.Join(r.GitDir, "reftable")); err == nil {
		return refuse("keeps its refs as reftable", "run `git refs migrate --ref-format=files`")
	}
	if version == 1 {
		known := []string{"noop", "objectformat", "refstorage", "partialclone", "preciousobjects", "worktreeconfig", "relativeworktrees"}
		for _, name := range cfg.Names("extensions.") {
			if !slices.Contains(known, name) {
				return refuse(fmt.Sprintf("uses the git extension %q, which this program does not know", name), "upgrade the program")
			}
		}
	}
	if _, ok := cfg.Get("core.worktree"); ok {
		return refuse("has its work tree elsewhere (core.worktree)", "run `git config --unset core.worktree`, or clone it")
	}
	for _, c := range []struct {
		key, reason, remedy string
		allowed             bool
	}{
		{"core.bare", "is a bare git repository, without a work tree", "clone it and use the clone", r.bare},
		{"core.sparsecheckout", "has a sparse work tree", "run `git sparse-checkout disable`", false},
	} {
		on, err := cfg.Bool(c.key, false)
		if err != nil {
			return err
		}
		if on && !c.allowed {
			return refuse(c.reason, c.remedy)
		}
	}
	_, r.Partial = cfg.Get("extensions.partialclone")
	for _, key := range cfg.Names("remote.") {
		if strings.HasSuffix(key, ".promisor") {
			on, err := cfg.Bool("remote."+key, false)
			if err != nil {
				return err
			}
			r.Partial = r.Partial || on
		}
	}
	return nil
}

func (r *Repo) indexFile() string { return filepath.Join(r.GitDir, "index") }

// State is what stock git has going on in the repository.
type State struct {
	Branch      string      // full name of the branch HEAD is on, "" when detached
	Head        object.Hash // commit HEAD stands on; zero on a branch without commits
	Operation   string      // "merge", "rebase", "cherry-pick", "revert", "bisect" under way, or ""
	Shallow     bool
	Partial     bool
	Interrupted bool // a write of ours waits to be finished by the next Lock, or is running now
	Converts    bool // .git/info/attributes has git change the bytes of files, over what .gitattributes says
	NoIndex     bool // git's index is gone
}

// State reads HEAD and what git leaves behind while a command of several steps
// is under way.
func (r *Repo) State() (State, error) {
	s := State{Shallow: r.Shallow, Partial: r.Partial}
	var err error
	if s.Branch, s.Head, err = r.head(); err != nil {
		return s, err
	}
	for _, m := range []struct{ file, operation string }{
		{"rebase-merge", "rebase"}, {"rebase-apply", "rebase"}, {"MERGE_HEAD", "merge"},
		{"CHERRY_PICK_HEAD", "cherry-pick"}, {"REVERT_HEAD", "revert"}, {"BISECT_LOG", "bisect"},
	} {
		if _, err := os.Lstat(filepath.Join(r.GitDir, m.file)); err == nil {
			s.Operation = m.operation
			break
		}
	}
	_, err = os.Lstat(r.journalFile())
	s.Interrupted = err == nil
	_, err = os.Lstat(r.indexFile())
	s.NoIndex = errors.Is(err, fs.ErrNotExist) && !s.Head.IsZero()
	s.Converts, err = r.converts()
	return s, err
}

// converts reports whether .git/info/attributes, which comes before every
// .gitattributes, names an attribute under which files differ from their blobs.
func (r *Repo) converts() (bool, error) {
	b, err := os.ReadFile(filepath.Join(r.GitDir, "info", "attributes"))
	if isAbsent(err) {
		return false, nil
	}
	for line := range strings.Lines(string(b)) {
		if strings.HasPrefix(strings.TrimSpace(line), "#") {
			continue
		}
		for i, attr := range strings.Fields(line) {
			name, _, _ := strings.Cut(attr, "=")
			if i > 0 && slices.Contains([]string{"text", "eol", "crlf", "filter", "ident", "working-tree-encoding"}, name) {
				return true, nil
			}
		}
	}
	return false, err
}

// LeftLock is a lock file of git's that has not been let go for long.
type LeftLock struct {
	Path string // slash path from the work tree
	Age  time.Duration
}

// LeftLocks lists the lock files that stop writing here and are older than
// that. Those that a dead program of ours left are not among them: the next
// Lock clears them.
func (r *Repo) LeftLocks(older time.Duration) ([]LeftLock, error) {
	var out []LeftLock
	look := func(file string) error {
		info, err := os.Lstat(file)
		if isAbsent(err) {
			return nil
		}
		if err != nil {
			return err
		}
		age := time.Since(info.ModTime())
		if b, err := lockText(file); age < older || err == nil && r.ours(b) {
			return nil
		}
		rel, err := filepath.Rel(r.Dir, file)
		out = append(out, LeftLock{filepath.ToSlash(rel), age})
		return err
	}
	for _, name := range []string{"index.lock", "HEAD.lock", "packed-refs.lock"} {
		if err := look(filepath.Join(r.GitDir, name)); err != nil {
			return nil, err
		}
	}
	err := filepath.WalkDir(filepath.Join(r.GitDir, "refs"), func(file string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(file, ".lock") {
			return err
		}
		return look(file)
	})
	if isAbsent(err) {
		err = nil // git removed an empty folder
	}
	return out, err
}

// writeSynced writes a new or emptied file and makes it durable.
func writeSynced(name string, data []byte, perm os.FileMode, sync bool) error {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, perm)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil && sync {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

func (r *Repo) configFile() string { return filepath.Join(r.GitDir, "config") }

// SetConfig sets keys in the repository's own configuration, under git's lock and
// as a whole. They go to its end, where they win over what stands before.
// Errors: *BusyError, *ForeignLockError, *config.Error, *WriteError, or ctx's.
func (r *Repo) SetConfig(ctx context.Context, timeout time.Duration, settings ...config.Setting) error {
	tx, err := r.Lock(ctx, timeout)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	name := r.configFile()
	if err := tx.acquire(ctx, name, time.Now().Add(timeout)); err != nil {
		return err
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return &config.Error{File: name, Reason: err.Error()}
	}
	if err := r.replace(name, config.Append(text, settings...)); err != nil {
		return &WriteError{name, err}
	}
	return nil
}
