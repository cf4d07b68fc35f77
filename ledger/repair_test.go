package ledger

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/schema"
)

// twiceClosed is a ledger whose unit was closed twice; it returns the head of
// the first close.
func twiceClosed(t *testing.T) (w *workshop, first string) {
	w = newWorkshop(t)
	w.job(lw)
	first = w.close(lw).Head
	w.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	w.close(lw)
	return w, first
}

// TestRepairOfABranchLeftBehind: a branch that is behind what main names, or
// gone, is brought into step by save, and check says so before.
func TestRepairOfABranchLeftBehind(t *testing.T) {
	for name, damage := range map[string]func(t *testing.T, w *workshop, first string){
		"behind":  func(t *testing.T, w *workshop, first string) { git(t, w.Dir, "update-ref", unitRef(lw), first) },
		"deleted": func(t *testing.T, w *workshop, first string) { git(t, w.Dir, "branch", "-q", "-D", "unit/"+lw) },
		"behind, in a packed repository": func(t *testing.T, w *workshop, first string) {
			git(t, w.Dir, "update-ref", unitRef(lw), first)
			git(t, w.Dir, "gc", "-q")
		},
	} {
		t.Run(name, func(t *testing.T) {
			w, first := twiceClosed(t)
			want := git(t, w.Dir, "rev-parse", unitRef(lw))
			damage(t, w, first)
			w = w.reopen(w.Dir)
			r, err := w.Check()
			if err != nil || r.Clean() || len(r.Git) != 1 || r.Git[0].Unit != lw || !strings.Contains(r.Git[0].Remedy, "benchlore save") {
				t.Fatalf("check: %v %+v", err, r)
			}
			s := w.save()
			if len(s.Repaired) != 1 || s.Repaired[0] != lw {
				t.Errorf("repaired %v", s.Repaired)
			}
			if got := git(t, w.Dir, "rev-parse", unitRef(lw)); got != want {
				t.Errorf("the branch is at %s, want %s", got, want)
			}
			if r, err := w.Check(); err != nil || !r.Clean() {
				t.Errorf("after the repair: %v %+v", err, r)
			}
			if s := w.save(); len(s.Repaired) > 0 || s.Commit != "" {
				t.Errorf("repaired again: %+v", s)
			}
			judge(t, w.Dir)
		})
	}
}

// TestBranchMovedAside: a branch that neither leads nor follows is never
// touched.
func TestBranchMovedAside(t *testing.T) {
	w, _ := twiceClosed(t)
	tree := git(t, w.Dir, "rev-parse", "unit/"+lw+"^{tree}")
	aside := git(t, w.Dir, "commit-tree", "-m", "aside", tree)
	git(t, w.Dir, "update-ref", unitRef(lw), aside)
	w = w.reopen(w.Dir)
	r, err := w.Check()
	if err != nil || r.Clean() || !strings.Contains(r.Git[0].What, "neither continues the other") {
		t.Fatalf("check: %v %+v", err, r)
	}
	if _, err := w.Save(); err == nil {
		t.Error("save went on")
	}
	if got := git(t, w.Dir, "rev-parse", unitRef(lw)); got != aside {
		t.Errorf("the branch was moved to %s", got)
	}
}

// TestBranchAhead: commits that another copy put on the branch are taken as
// they are.
func TestBranchAhead(t *testing.T) {
	w, first := twiceClosed(t)
	git(t, w.Dir, "reset", "-q", "--hard", git(t, w.Dir, "rev-list", "-1", "--grep", "Unit-Head: "+lw+" "+first, "main"))
	w = w.reopen(w.Dir)
	want := git(t, w.Dir, "rev-parse", unitRef(lw))
	if s := w.save(); len(s.Repaired) > 0 {
		t.Errorf("repaired %v", s.Repaired)
	}
	if got := git(t, w.Dir, "rev-parse", unitRef(lw)); got != want {
		t.Errorf("the branch went back to %s", got)
	}
}

// TestMissingHistory: where the commit that main names is not in this copy the
// command stops and names the fetch; nothing is rooted anew.
func TestMissingHistory(t *testing.T) {
	w, _ := twiceClosed(t)
	dir := filepath.Join(t.TempDir(), "copy")
	git(t, ".", "clone", "-q", "--no-local", "--single-branch", "--branch", "main", w.Dir, dir)
	c := w.reopen(dir)
	before := git(t, dir, "for-each-ref")
	r, err := c.Check()
	if err != nil || r.Clean() || !strings.Contains(r.Git[0].Remedy, "git fetch REMOTE refs/heads/unit/"+lw) {
		t.Fatalf("check: %v %+v", err, r)
	}
	c.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n") // recording goes on
	var missing *MissingError
	if _, err := c.CloseJob(lw, CloseOptions{}); !errors.As(err, &missing) || !strings.Contains(missing.Hint(), "git fetch") {
		t.Errorf("close: %v", err)
	}
	if after := git(t, dir, "for-each-ref", "refs/heads/unit"); after != "" {
		t.Errorf("a branch appeared: %s, before %s", after, before)
	}
	// The fetch it names is the cure.
	git(t, dir, "fetch", "-q", "origin", unitRef(lw)+":"+unitRef(lw))
	if _, err := c.reopen(dir).CloseJob(lw, CloseOptions{}); err != nil {
		t.Errorf("after the fetch: %v", err)
	}
	judge(t, dir)
}

// TestShallowClone: it may read, but not close.
func TestShallowClone(t *testing.T) {
	w, _ := twiceClosed(t)
	w.add(lw, schema.KindFollowup, "state = \"faulty\"\nsaid_by = \"owner\"\n")
	dir := filepath.Join(t.TempDir(), "copy")
	git(t, ".", "clone", "-q", "--depth", "1", "--no-single-branch", "--branch", "main", "file://"+filepath.ToSlash(w.Dir), dir)
	git(t, dir, "branch", "-q", "unit/"+lw, "origin/unit/"+lw)
	c := w.reopen(dir)
	stock, err := c.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	if u, err := c.Unit(lw, stock); err != nil || len(u.Unit.Files) != 5 {
		t.Errorf("reading: %v", err)
	}
	if _, err := c.Check(); err != nil {
		t.Errorf("checking: %v", err)
	}
	_, err = c.CloseJob(lw, CloseOptions{})
	var usage *UsageError
	if !errors.As(err, &usage) || !strings.Contains(usage.Hint(), "git fetch --unshallow") {
		t.Errorf("close: %v", err)
	}
	judge(t, dir)
}

// TestClonedWithLineEndings: whatever git is told about line endings, no byte
// changes, and the copy closes to the same trees.
func TestClonedWithLineEndings(t *testing.T) {
	w, _ := twiceClosed(t)
	crlf := w.add(lw, schema.KindNote, "title = \"typed elsewhere\"\r\n")
	dir := filepath.Join(t.TempDir(), "copy")
	git(t, ".", "clone", "-q", "-c", "core.autocrlf=true", "-c", "core.eol=crlf", w.Dir, dir)
	git(t, dir, "branch", "-q", "unit/"+lw, "origin/unit/"+lw)
	for _, p := range strings.Split(git(t, dir, "ls-files"), "\n") {
		if string(mustRead(t, dir, p)) != string(mustRead(t, w.Dir, p)) {
			t.Errorf("%s is not the same bytes in the clone", p)
		}
	}
	if !strings.Contains(string(mustRead(t, dir, crlf)), "elsewhere\"\r\n") {
		t.Error("a carriage return was lost")
	}
	c := w.reopen(dir)
	c.close(lw)
	w.close(lw)
	if a, b := git(t, dir, "rev-parse", "unit/"+lw), git(t, w.Dir, "rev-parse", "unit/"+lw); a != b {
		t.Errorf("the same close gave %s and %s", a, b)
	}
	judge(t, dir)
}

// TestGarbageCollected: stock git may pack and prune between any two commands.
func TestGarbageCollected(t *testing.T) {
	w, _ := twiceClosed(t)
	plain, _ := twiceClosed(t)
	for _, x := range []*workshop{w, plain} {
		if x == w {
			git(t, w.Dir, "pack-refs", "--all")
			git(t, w.Dir, "gc", "-q", "--prune=now", "--aggressive")
			x = w.reopen(w.Dir)
		}
		x.add(lw, schema.KindFollowup, "state = \"faulty\"\nsaid_by = \"owner\"\n")
		x.close(lw)
		judge(t, x.Dir)
	}
	if a, b := git(t, w.Dir, "rev-parse", "unit/"+lw+"^{tree}"), git(t, w.Dir, "rev-parse", "main:instruments/"+lw); a != b {
		t.Errorf("after the close the branch has tree %s, main %s", a, b)
	}
	if a, b := git(t, w.Dir, "rev-list", "--count", "main"), git(t, plain.Dir, "rev-list", "--count", "main"); a != b {
		t.Errorf("main has %s commits, and %s where nothing was packed", a, b)
	}
	if r, err := w.reopen(w.Dir).Check(); err != nil || !r.Clean() {
		t.Errorf("%v %+v", err, r)
	}
}

// TestHalfWritten: a closed file that vanished from disk is not passed over.
func TestHalfWritten(t *testing.T) {
	w, _ := twiceClosed(t)
	files, err := filepath.Glob(filepath.Join(w.Dir, "instruments", "longwave-3", "lw3-2204", "*-intake-*"))
	if err != nil || len(files) != 1 {
		t.Fatal(files, err)
	}
	if err := os.Remove(files[0]); err != nil {
		t.Fatal(err)
	}
	head := git(t, w.Dir, "rev-parse", "main")
	var problems *ProblemsError
	if _, err := w.Save(); !errors.As(err, &problems) || !strings.Contains(problems.Problems[0].Message, "was closed") {
		t.Errorf("save: %v", err)
	}
	if now := git(t, w.Dir, "rev-parse", "main"); now != head {
		t.Errorf("main moved to %s", now)
	}
	git(t, w.Dir, "checkout", "--", ".")
	judge(t, w.Dir)
}
