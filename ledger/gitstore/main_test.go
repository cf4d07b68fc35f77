package gitstore

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/testutil"
)

// TestMain gives git and the code under test a neutral home, and lets the
// test binary play the part of a process that is killed.
func TestMain(m *testing.M) {
	if role := os.Getenv("GITSTORE_CHILD"); role != "" {
		os.Exit(child(role))
	}
	var err error
	if templates.dir, err = os.MkdirTemp("", "gitstore-templates-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(testutil.Run(func() int {
		defer os.RemoveAll(templates.dir)
		return m.Run()
	}, "[user]\n\tname = Ines Marlow\n\temail = ines@halden.example\n"+
		"[init]\n\tdefaultBranch = main\n[safe]\n\tdirectory = *\n"))
}

// git runs stock git, which checks the work from outside.
func git(t testing.TB, dir string, args ...string) string {
	t.Helper()
	out, err := gitErr(t, dir, args...)
	if err != nil {
		t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return out
}

func gitErr(t testing.TB, dir string, args ...string) (string, error) {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("stock git is not installed")
		}
		t.Skip("stock git is not installed; this test compares with it")
	}
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	var b bytes.Buffer
	cmd.Stdout, cmd.Stderr = &b, &b
	err := cmd.Run()
	return strings.TrimRight(b.String(), "\n"), err
}

// clean fails unless stock git finds the repository sound and the work tree
// as committed.
func clean(t testing.TB, dir string) {
	t.Helper()
	if out := git(t, dir, "fsck", "--strict", "--no-dangling", "--no-progress"); out != "" {
		t.Errorf("git fsck --strict says %q", out)
	}
	if out := git(t, dir, "status", "--porcelain"); out != "" {
		t.Errorf("git status says %q", out)
	}
	r, err := Open(dir, Program{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	changes, err := r.Changes()
	if err != nil || len(changes) > 0 {
		t.Errorf("Changes: %v, %v", changes, err)
	}
	noLocks(t, dir)
}

func noLocks(t testing.TB, dir string) {
	t.Helper()
	err := filepath.WalkDir(filepath.Join(dir, ".git"), func(p string, d fs.DirEntry, err error) error {
		if name := filepath.Base(p); strings.HasSuffix(name, ".lock") || name == "journal" || strings.HasPrefix(name, "tmp") {
			t.Errorf("left behind: %s", p)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

var testTime = time.Date(2031, 3, 4, 17, 5, 0, 0, time.FixedZone("", 3600))

func ident() Ident { return Ident{Name: "Ines Marlow", Email: "ines@halden.example", When: testTime} }

func newRepo(t testing.TB) *Repo {
	t.Helper()
	r, err := Init(filepath.Join(t.TempDir(), "ledger"), InitOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// templates are repositories that several tests begin with; making one takes stock
// git a few dozen commands.
var templates struct {
	sync.Mutex
	dir string
}

// fromTemplate returns a copy of a repository that build makes once.
func fromTemplate(t testing.TB, name string, build func(testing.TB) *Repo) *Repo {
	t.Helper()
	templates.Lock()
	defer templates.Unlock()
	dir := filepath.Join(templates.dir, name)
	if !fileExists(dir) {
		if err := os.CopyFS(dir, os.DirFS(build(t).Dir)); err != nil {
			t.Fatal(err)
		}
	}
	return open(t, copyRepo(t, dir))
}

func open(t testing.TB, dir string) *Repo {
	t.Helper()
	r, err := Open(dir, Program{})
	if err != nil {
		t.Fatal(err)
	}
	r.NoSync = true
	t.Cleanup(func() { r.Close() })
	return r
}

func lock(t testing.TB, r *Repo) *Tx {
	t.Helper()
	tx, err := r.Lock(context.Background(), 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(tx.Rollback)
	return tx
}

// write makes one commit on HEAD's branch that sets files to texts; the text
// "-" removes one.
func write(tx *Tx, files map[string]string, more ...RefUpdate) (object.Hash, error) {
	branch, head, err := tx.repo.head()
	if err != nil {
		return object.ZeroHash, err
	}
	base, err := tx.repo.commitTree(head)
	if err != nil {
		return object.ZeroHash, err
	}
	changes := map[string]*object.Hash{}
	for _, p := range slices.Sorted(maps.Keys(files)) {
		if files[p] == "-" {
			changes[p] = nil
			continue
		}
		h, err := tx.WriteBlob([]byte(files[p]))
		if err != nil {
			return object.ZeroHash, err
		}
		changes[p] = &h
	}
	tree, err := tx.UpdateTree(base, changes)
	if err != nil {
		return object.ZeroHash, err
	}
	spec := CommitSpec{Tree: tree, Author: ident(), Committer: ident(), Message: "record the work"}
	if !head.IsZero() {
		spec.Parents = []object.Hash{head}
	}
	c, err := tx.WriteCommit(spec)
	if err != nil {
		return c, err
	}
	for i := range more {
		if more[i].New == newest {
			more[i].New = c
		}
	}
	return c, tx.Commit(Plan{Refs: append([]RefUpdate{{branch, head, c}}, more...), Reason: "test: record"})
}

// newest stands in a RefUpdate for the commit that write makes.
var newest = object.NewHash("ffffffffffffffffffffffffffffffffffffffff")

func mustWrite(t testing.TB, r *Repo, files map[string]string, more ...RefUpdate) object.Hash {
	t.Helper()
	h, err := write(lock(t, r), files, more...)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func read(t testing.TB, r *Repo, p string) string {
	t.Helper()
	name := filepath.Join(r.Dir, filepath.FromSlash(p))
	if info, err := os.Stat(name); isAbsent(err) || err == nil && info.IsDir() {
		return "-"
	}
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func put(t testing.TB, dir, p, text string) {
	t.Helper()
	name := filepath.Join(dir, filepath.FromSlash(p))
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

// neutralHome gives the test its own home folder.
func neutralHome(t *testing.T, gitconfig string) string {
	t.Helper()
	home := t.TempDir()
	t.Setenv("HOME", home)
	put(t, home, ".gitconfig", gitconfig)
	return home
}
