package gitstore

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"pgregory.net/rapid"

	"benchlore/ledger/gitstore/index"
	"benchlore/ledger/gitstore/object"
)

func TestInitIsWhatStockGitMakes(t *testing.T) {
	r := newRepo(t)
	for key, want := range map[string]string{
		"core.repositoryformatversion": "0", "core.bare": "false", "core.autocrlf": "false",
	} {
		if got := git(t, r.Dir, "config", "--local", key); got != want {
			t.Errorf("%s is %q, want %q", key, got, want)
		}
	}
	if got := git(t, r.Dir, "symbolic-ref", "HEAD"); got != "refs/heads/main" {
		t.Errorf("HEAD is on %q", got)
	}
	s, err := r.State()
	if err != nil || s.Branch != "refs/heads/main" || !s.Head.IsZero() || s.Operation != "" || s.Interrupted {
		t.Errorf("state %+v, %v", s, err)
	}
	mustWrite(t, r, map[string]string{"shop.toml": "format = 1\n", "instruments/nocturne-64/t1/a.toml": "x\n"})
	clean(t, r.Dir)
	if _, err := Init(r.Dir, InitOptions{}); err == nil || !strings.Contains(err.Error(), "already") {
		t.Errorf("got %v", err)
	}
	if _, err := Init(filepath.Join(r.Dir, "instruments", "x"), InitOptions{}); err == nil || !strings.Contains(err.Error(), "inside") {
		t.Errorf("got %v", err)
	}
	// Stock git carries on from what was written.
	put(t, r.Dir, "by-git", "y\n")
	git(t, r.Dir, "add", ".")
	git(t, r.Dir, "commit", "-q", "-m", "by git")
	mustWrite(t, r, map[string]string{"by-git": "z\n"})
	clean(t, r.Dir)
	if got := git(t, r.Dir, "log", "--format=%s %an <%ae> %ai", "-1"); got != "record the work Ines Marlow <ines@halden.example> 2031-03-04 17:05:00 +0100" {
		t.Errorf("log says %q", got)
	}
	if got := git(t, r.Dir, "reflog", "--format=%gs", "main"); got != "test: record\ncommit: by git\ntest: record" {
		t.Errorf("reflog says %q", got)
	}
}

func TestOpenRefuses(t *testing.T) {
	tests := []struct {
		name string
		make func(t *testing.T, dir string) string
		want string
	}{
		{"no repository", func(t *testing.T, dir string) string { return dir }, "not a git repository"},
		{"bare", func(t *testing.T, dir string) string { git(t, dir, "init", "-q", "--bare", "."); return dir }, "bare"},
		{"linked worktree", func(t *testing.T, dir string) string {
			r := newRepo(t)
			mustWrite(t, r, map[string]string{"a": "1"})
			git(t, r.Dir, "worktree", "add", "-q", filepath.Join(dir, "w"), "-b", "w")
			return filepath.Join(dir, "w")
		}, "linked worktree"},
		{"sha256", func(t *testing.T, dir string) string {
			git(t, dir, "init", "-q", "--object-format=sha256", ".")
			return dir
		}, "sha256"},
		{"split index", func(t *testing.T, dir string) string {
			git(t, dir, "init", "-q", ".")
			put(t, dir, "a", "1")
			git(t, dir, "add", ".")
			git(t, dir, "update-index", "--split-index")
			return dir
		}, "split index"},
		{"sparse checkout", func(t *testing.T, dir string) string {
			git(t, dir, "init", "-q", ".")
			git(t, dir, "sparse-checkout", "set", "a")
			return dir
		}, "sparse"},
		{"reftable", func(t *testing.T, dir string) string {
			git(t, dir, "init", "-q", ".")
			git(t, dir, "config", "core.repositoryformatversion", "1")
			git(t, dir, "config", "extensions.refStorage", "reftable")
			return dir
		}, "reftable"},
		{"unknown extension", func(t *testing.T, dir string) string {
			git(t, dir, "init", "-q", ".")
			git(t, dir, "config", "core.repositoryformatversion", "1")
			git(t, dir, "config", "extensions.tapeLoops", "true")
			return dir
		}, "tapeloops"},
		{"work tree elsewhere", func(t *testing.T, dir string) string {
			git(t, dir, "init", "-q", ".")
			git(t, dir, "config", "core.worktree", "/")
			return dir
		}, "core.worktree"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, err := Open(tt.make(t, t.TempDir()), Program{})
			if err == nil {
				r.Close()
				t.Fatal("opened")
			}
			_, unsupported := errors.AsType[*UnsupportedError](err)
			_, not := errors.AsType[*NotRepositoryError](err)
			if !unsupported && !not || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %T %v", err, err)
			}
		})
	}
}

func TestShallowPartialAndOperations(t *testing.T) {
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"a": "1"})
	last := mustWrite(t, r, map[string]string{"a": "2"})
	dir := t.TempDir()
	git(t, dir, "clone", "-q", "--depth=1", "file://"+r.Dir, "shallow")
	s := open(t, filepath.Join(dir, "shallow"))
	n := 0
	for _, err := range s.Log(last) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	if !s.Shallow || n != 1 {
		t.Errorf("shallow %t, %d commits", s.Shallow, n)
	}
	git(t, r.Dir, "config", "uploadpack.allowFilter", "true")
	git(t, dir, "clone", "-q", "--no-checkout", "--filter=blob:none", "file://"+r.Dir, "partial")
	p := open(t, filepath.Join(dir, "partial"))
	e, ok, err := p.TreeAt(mustTree(t, p, last), "a")
	if err != nil || !ok || !p.Partial {
		t.Fatalf("%v %v %v", e, ok, err)
	}
	_, err = p.Blob(e.Hash)
	if missing, ok := errors.AsType[*MissingObject](err); !ok || missing.Hash != e.Hash {
		t.Errorf("got %v", err)
	}

	git(t, r.Dir, "checkout", "-q", "-b", "side", "HEAD~1")
	put(t, r.Dir, "a", "3")
	git(t, r.Dir, "commit", "-qam", "side")
	if _, err := gitErr(t, r.Dir, "merge", "main"); err == nil {
		t.Fatal("the merge did not conflict")
	}
	st, err := r.State()
	if err != nil || st.Operation != "merge" || st.Branch != "refs/heads/side" {
		t.Errorf("%+v %v", st, err)
	}
	changes, err := r.Changes()
	if err != nil || len(changes) != 1 || changes[0].Work != Unmerged {
		t.Errorf("%+v %v", changes, err)
	}
	if _, err := write(lock(t, r), map[string]string{"a": "4"}); !isEdited(err, "a") {
		t.Errorf("got %v", err)
	}
	git(t, r.Dir, "merge", "--abort")
	git(t, r.Dir, "checkout", "-q", "--detach")
	if st, err := r.State(); err != nil || st.Branch != "" || st.Head.IsZero() {
		t.Errorf("%+v %v", st, err)
	}
}

func mustTree(t *testing.T, r *Repo, commit object.Hash) object.Hash {
	t.Helper()
	h, err := r.commitTree(commit)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func isEdited(err error, path string) bool {
	e, ok := errors.AsType[*EditedError](err)
	return ok && e.Path == path && e.Hint() != ""
}

func TestPackedEverything(t *testing.T) {
	r := newRepo(t)
	var commits []object.Hash
	for i := range 12 {
		commits = append(commits, mustWrite(t, r, map[string]string{"log": strings.Repeat("line\n", i+1)},
			RefUpdate{Name: fmt.Sprintf("refs/heads/unit/astrella-61/u%d", i), New: newest}))
	}
	git(t, r.Dir, "tag", "-a", "-m", "seal", "seal/one")
	before, err := r.Refs("refs/heads/unit/")
	if err != nil || len(before) != 12 {
		t.Fatal(before, err)
	}
	git(t, r.Dir, "gc", "-q", "--prune=now")
	if fileExists(r.refFile("refs/heads/unit/astrella-61/u3")) {
		t.Fatal("gc left a loose ref")
	}
	for i, want := range commits {
		got, ok, err := r.Ref(fmt.Sprintf("refs/heads/unit/astrella-61/u%d", i))
		if err != nil || !ok || got != want {
			t.Errorf("u%d is %s, %t, %v", i, got, ok, err)
		}
		e, _, err := r.TreeAt(mustTree(t, r, want), "log")
		if err != nil {
			t.Fatal(err)
		}
		if b, err := r.Blob(e.Hash); err != nil || string(b) != strings.Repeat("line\n", i+1) {
			t.Errorf("u%d: %q %v", i, b, err)
		}
	}
	if ok, err := r.IsAncestor(commits[0], commits[11]); err != nil || !ok {
		t.Error("the first commit is no ancestor", err)
	}
	if ok, err := r.IsAncestor(commits[11], commits[0]); err != nil || ok {
		t.Error("the last commit is an ancestor", err)
	}
	tag, _, err := r.Ref("refs/tags/seal/one")
	if err != nil {
		t.Fatal(err)
	}
	if tg, err := r.Tag(tag); err != nil || tg.Target != commits[11] {
		t.Errorf("%v %v", tg, err)
	}
	// Packed refs move and go; their neighbours and the peeled tags stay.
	mustWrite(t, r, map[string]string{"log": "-", "other": "x"},
		RefUpdate{Name: "refs/heads/unit/astrella-61/u3", Old: commits[3], New: newest},
		RefUpdate{Name: "refs/heads/unit/astrella-61/u4", Old: commits[4]})
	if got := git(t, r.Dir, "for-each-ref", "--format=%(refname)", "refs/heads/unit"); strings.Count(got, "\n") != 10 || strings.Contains(got, "u4") {
		t.Errorf("refs are %s", got)
	}
	if got := git(t, r.Dir, "rev-parse", "seal/one^{commit}"); got != commits[11].String() {
		t.Errorf("the tag peels to %s", got)
	}
	clean(t, r.Dir)
}

func TestRefConflictsAndNames(t *testing.T) {
	r := newRepo(t)
	c := mustWrite(t, r, map[string]string{"a": "1"}, RefUpdate{Name: "refs/heads/unit/a", New: newest})
	for _, tt := range []struct{ name, want string }{
		{"refs/heads/unit/a/b", "cannot exist beside"},
		{"refs/heads/unit", "cannot exist beside"},
		{"refs/heads/../../x", "may not"},
		{"refs/heads/x.lock", ".lock"},
		{"HEAD", "refs/"},
	} {
		err := lock(t, r).Commit(Plan{Refs: []RefUpdate{{Name: tt.name, New: c}}})
		if _, ok := errors.AsType[*RefError](err); !ok || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	err := lock(t, r).Commit(Plan{Refs: []RefUpdate{{Name: "refs/heads/y", New: newest}}})
	if _, ok := errors.AsType[*MissingObject](err); !ok {
		t.Errorf("got %v", err)
	}
	// An empty folder left by git is no obstacle.
	if err := os.MkdirAll(r.refFile("refs/heads/free/deep"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := lock(t, r).Commit(Plan{Refs: []RefUpdate{{Name: "refs/heads/free", New: c}}}); err != nil {
		t.Error(err)
	}
	clean(t, r.Dir)
}

// The names git check-ref-format(1) accepts and refuses.
func TestRefNamesAsStockGit(t *testing.T) {
	names := []string{"refs/heads/main", "refs/heads/a b", "refs/heads/a..b", "refs/heads/a~", "refs/heads/.a", "refs/heads/a/",
		"refs/heads//a", "refs/heads/a.lock/b", "refs/heads/a.", "refs/heads/@{", "refs/heads/@", "refs/heads/a[b",
		"refs/heads/ä", "refs/heads/a\\b", "refs/heads/a\x7f", "refs/tags/seal/nocturne-64/t1/1-0a1b2c3d"}
	for _, name := range names {
		_, err := gitErr(t, t.TempDir(), "check-ref-format", name)
		if ours := checkRefName(name); (ours == nil) != (err == nil) {
			t.Errorf("%q: git says %v, here %v", name, err, ours)
		}
	}
}

func TestDamagedObjects(t *testing.T) {
	r := newRepo(t)
	h := mustWrite(t, r, map[string]string{"a": "1"})
	blob := HashBlob([]byte("1"))
	name := r.looseFile(blob)
	os.Chmod(name, 0o666)
	if err := os.WriteFile(name, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	r = open(t, r.Dir)
	if _, err := r.Blob(blob); !isCorrupt(err) {
		t.Errorf("got %v", err)
	}
	if _, err := r.Blob(h); !isCorrupt(err) {
		t.Errorf("a commit passes for a blob: %v", err)
	}
	// Writing the same content again mends it.
	tx := lock(t, r)
	mustWriteBlob(t, tx, "1")
	if err := tx.Commit(Plan{}); err != nil {
		t.Fatal(err)
	}
	if b, err := open(t, r.Dir).Blob(blob); err != nil || string(b) != "1" {
		t.Errorf("%q %v", b, err)
	}
	clean(t, r.Dir)
}

func isCorrupt(err error) bool {
	_, ok := errors.AsType[*CorruptObject](err)
	return ok
}

func mustWriteBlob(t *testing.T, tx *Tx, s string) object.Hash {
	t.Helper()
	h, err := tx.WriteBlob([]byte(s))
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func TestPathsThatAreRefused(t *testing.T) {
	for _, p := range []string{"", "/a", "../a", "a/../../b", "a//b", "a/", "./a", ".git/config", "a/.GIT/x", ".git./x", "git~1/x",
		".g\u200cit/x", ".git::$INDEX_ALLOCATION/x", `a\b`, "a\nb", "a\x00b", "\xff"} {
		if err := checkPath(p); err == nil {
			t.Errorf("%q was accepted", p)
		}
	}
	for _, p := range []string{"a", ".gitignore", "instruments/a/.gitattributes", "photos/größe 1.jpg", "a..b"} {
		if err := checkPath(p); err != nil {
			t.Error(err)
		}
	}
	if runtime.GOOS == "windows" {
		t.Skip("making symbolic links needs rights on Windows")
	}
	r := newRepo(t)
	outside := t.TempDir()
	mustWrite(t, r, map[string]string{"a": "1"})
	if err := os.Symlink(outside, filepath.Join(r.Dir, "link")); err != nil {
		t.Fatal(err)
	}
	_, err := write(lock(t, r), map[string]string{"link/x": "escaped"})
	if _, ok := errors.AsType[*PathError](err); !ok || !strings.Contains(err.Error(), "symbolic link") {
		t.Errorf("got %v", err)
	}
	if fileExists(filepath.Join(outside, "x")) {
		t.Error("a file was written outside the work tree")
	}
	// A link in a tree made elsewhere is not followed either.
	tx := lock(t, r)
	tree, err := tx.WriteTree([]object.TreeEntry{{Name: "evil", Mode: object.ModeSymlink, Hash: mustWriteBlob(t, tx, "/etc")}})
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ := r.Ref("HEAD")
	c, err := tx.WriteCommit(CommitSpec{Tree: tree, Parents: []object.Hash{head}, Author: ident(), Committer: ident(), Message: "x"})
	if err != nil {
		t.Fatal(err)
	}
	err = tx.Commit(Plan{Refs: []RefUpdate{{"refs/heads/main", head, c}}})
	if _, ok := errors.AsType[*PathError](err); !ok {
		t.Errorf("got %v", err)
	}
}

// UpdateTree gives the tree stock git would have with the same files.
func TestUpdateTreeAgainstPlainMap(t *testing.T) {
	r := newRepo(t)
	names := rapid.SampledFrom([]string{"a", "b", "a/x", "a/y/z", "a-b", "a0", "b/c/d", "c/d/e/f", "c/d", "aa/x"})
	rapid.Check(t, func(rt *rapid.T) {
		tx := lock(t, r)
		defer tx.Rollback()
		model := map[string]object.Hash{}
		tree := emptyTree
		for range rapid.IntRange(1, 6).Draw(rt, "rounds") {
			changes := map[string]*object.Hash{}
			next := map[string]object.Hash{}
			for p, h := range model {
				next[p] = h
			}
			for range rapid.IntRange(1, 4).Draw(rt, "changes") {
				p := names.Draw(rt, "path")
				if rapid.Bool().Draw(rt, "remove") {
					changes[p] = nil
					continue
				}
				h := mustWriteBlob(t, tx, rapid.StringN(0, 3, -1).Draw(rt, "text"))
				changes[p] = &h
			}
			for p, h := range changes {
				delete(next, p)
				if h != nil {
					next[p] = *h
				}
			}
			got, err := tx.UpdateTree(tree, changes)
			idx := index.New()
			entries := map[string]*index.Entry{}
			conflict := false
			for p, h := range next {
				entries[p] = &index.Entry{Name: p, Mode: object.ModeRegular, Hash: h}
				for q := range next {
					conflict = conflict || strings.HasPrefix(q, p+"/")
				}
			}
			if conflict != (err != nil) {
				rt.Fatalf("conflict %t, error %v", conflict, err)
			}
			if conflict {
				continue
			}
			idx.Update(entries)
			root, _ := idx.Trees()
			if root.Hash != got {
				rt.Fatalf("tree of %v is %s, want %s", next, got, root.Hash)
			}
			diff, err := r.DiffTrees(tree, got)
			if err != nil {
				rt.Fatal(err)
			}
			for _, d := range diff {
				if model[d.Path] != d.Old.Hash || next[d.Path] != d.New.Hash || d.Old.Hash == d.New.Hash {
					rt.Fatalf("diff %+v", d)
				}
			}
			model, tree = next, got
		}
	})
}

func TestDeterministic(t *testing.T) {
	a := mustWrite(t, newRepo(t), crashBase)
	b := mustWrite(t, newRepo(t), crashBase)
	if a != b {
		t.Errorf("%s and %s", a, b)
	}
	r := newRepo(t)
	tx := lock(t, r)
	for name, spec := range map[string]CommitSpec{
		"no name":   {Author: Ident{Name: "<>", Email: "a@b.example", When: testTime}, Committer: ident(), Message: "x"},
		"no text":   {Author: ident(), Committer: ident(), Message: " \n"},
		"zero byte": {Author: ident(), Committer: ident(), Message: "a\x00b"},
		"before 1970": {Author: Ident{Name: "A", Email: "a@b.example", When: testTime.AddDate(-80, 0, 0)},
			Committer: ident(), Message: "x"},
	} {
		spec.Tree = emptyTree
		if _, err := tx.WriteCommit(spec); err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
}

// TestRefBesideFolder: a folder that comes and goes under the name of a ref, as git
// makes and removes it for refs further down, is no ref and no error.
func TestRefBesideFolder(t *testing.T) {
	r := newRepo(t)
	dir := filepath.Join(r.GitDir, "refs", "heads", "unit")
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			select {
			case <-stop:
				return
			default:
				os.Mkdir(dir, 0o777)
				os.Remove(dir)
			}
		}
	})
	defer wg.Wait()
	defer close(stop)
	for range 20_000 {
		if _, ok, err := r.Ref("refs/heads/unit"); ok || err != nil {
			t.Fatalf("the folder is read as a ref: %t, %v", ok, err)
		}
	}
}
