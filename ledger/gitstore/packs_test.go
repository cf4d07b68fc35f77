package gitstore

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/gitstore/object"
)

// packFiles lists the folder of packs.
func packFiles(t testing.TB, r *Repo) []string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(r.GitDir, "objects", "pack"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// unnamedPack leaves a pack as git repack has it while it runs: whole, with an
// index, under a name that goes when git is stopped. It returns how to stop it.
func unnamedPack(t testing.TB, r *Repo) (stop func()) {
	t.Helper()
	dir := filepath.Join(r.GitDir, "objects", "pack")
	line := "git rev-list --objects --all | git pack-objects -q " + filepath.Join(dir, ".tmp-7-pack")
	if out, err := shell(r.Dir, line); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return func() {
		t.Helper()
		names, _ := filepath.Glob(filepath.Join(dir, ".tmp-7-pack-*"))
		if len(names) < 2 {
			t.Errorf("git's unnamed pack is gone: %v is left", names)
		}
		for _, name := range names {
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestPackGitStopped: a git repack that is at work may be stopped, and takes its
// unnamed packs with it. Nothing may lie in those alone.
func TestPackGitStopped(t *testing.T) {
	t.Parallel()
	for name, of := range map[string]func(testing.TB) *Repo{"packing": scattered, "merging": manyPacks} {
		t.Run(name, func(t *testing.T) {
			r := of(t)
			before := standing(t, r.Dir)
			stop := unnamedPack(t, r)
			if err := open(t, r.Dir).pack(); err != nil {
				t.Fatal(err)
			}
			stop()
			if after := standing(t, r.Dir); after != before {
				t.Errorf("it was\n%s\nand is\n%s", before, after)
			}
			clean(t, r.Dir)
		})
	}
	t.Run("writing", func(t *testing.T) {
		r := newRepo(t)
		mustWrite(t, r, map[string]string{"a": "1\n"})
		mustWrite(t, r, map[string]string{"a": "2\n"})
		stop := unnamedPack(t, r)
		git(t, r.Dir, "prune-packed")
		r = open(t, r.Dir)
		again := HashBlob([]byte("1\n"))
		tx := lock(t, r)
		if _, err := tx.WriteBlob([]byte("1\n")); err != nil {
			t.Fatal(err)
		}
		if err := tx.Commit(Plan{}); err != nil {
			t.Fatal(err)
		}
		stop()
		git(t, r.Dir, "cat-file", "-e", again.String())
	})
}

// TestWriteAmidGC: what a transaction writes stays, though a pack had it long since,
// nothing refers to it yet, and git clears what is old.
func TestWriteAmidGC(t *testing.T) {
	t.Parallel()
	old := time.Now().AddDate(0, 0, -30)
	expire := []string{"repack", "-A", "-d", "-q", "--unpack-unreachable=2.weeks.ago"}
	for name, gc := range map[string][]string{
		"packed": expire, "packed and loose": expire,
		"cruft": {"repack", "--cruft", "-d", "-q", "--cruft-expiration=2.weeks.ago"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRepo(t)
			mustWrite(t, r, map[string]string{"a": "1\n"})
			tx := lock(t, r)
			h, err := tx.WriteBlob([]byte("again\n"))
			if err != nil {
				t.Fatal(err)
			}
			if err := tx.Commit(Plan{}); err != nil {
				t.Fatal(err)
			}
			if name == "cruft" {
				os.Chtimes(r.looseFile(h), old, old)
				git(t, r.Dir, "repack", "--cruft", "-d", "-q")
			} else if out, err := shell(r.Dir, "echo "+h.String()+" | git pack-objects -q .git/objects/pack/pack"); err != nil {
				t.Fatalf("%v: %s", err, out)
			}
			if name == "packed" {
				git(t, r.Dir, "prune-packed")
			}
			for _, file := range packFiles(t, r) {
				os.Chtimes(filepath.Join(r.GitDir, "objects", "pack", file), old, old)
			}
			r = open(t, r.Dir)
			tx = lock(t, r)
			if _, err := tx.WriteBlob([]byte("again\n")); err != nil {
				t.Fatal(err)
			}
			if err := open(t, r.Dir).pack(); err != nil { // another of ours tidies up
				t.Fatal(err)
			}
			git(t, r.Dir, gc...)
			branch, head, err := r.head()
			if err != nil {
				t.Fatal(err)
			}
			tree, err := tx.WriteTree([]object.TreeEntry{{Name: "a", Mode: object.ModeRegular, Hash: h}})
			if err != nil {
				t.Fatal(err)
			}
			c, err := tx.WriteCommit(CommitSpec{Tree: tree, Parents: []object.Hash{head}, Author: ident(), Committer: ident(), Message: "again"})
			if err != nil {
				t.Fatal(err)
			}
			if err := tx.Commit(Plan{Refs: []RefUpdate{{branch, head, c}}, Reason: "test"}); err != nil {
				t.Fatal(err)
			}
			clean(t, r.Dir)
		})
	}
}

// TestPackBesideCruft: a loose object that was written again since git put it among
// what it will throw away stays loose, or comes into a pack that lasts.
func TestPackBesideCruft(t *testing.T) {
	t.Parallel()
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"a": "1\n"})
	for _, again := range []string{"reachable\n", "not yet\n"} {
		cmd := exec.Command("git", "hash-object", "-w", "--stdin")
		cmd.Dir, cmd.Stdin = r.Dir, strings.NewReader(again)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	git(t, r.Dir, "repack", "--cruft", "-d", "-q")
	r = open(t, r.Dir)
	tx := lock(t, r)
	mustWriteBlob(t, tx, "not yet\n")
	if _, err := write(tx, map[string]string{"b": "reachable\n"}); err != nil {
		t.Fatal(err)
	}
	if err := open(t, r.Dir).pack(); err != nil {
		t.Fatal(err)
	}
	for _, file := range packFiles(t, r) {
		if stem, ok := strings.CutSuffix(file, ".mtimes"); ok { // all in there have come of age
			for _, ext := range []string{".idx", ".mtimes", ".pack"} {
				if err := os.Remove(filepath.Join(r.GitDir, "objects", "pack", stem+ext)); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	clean(t, r.Dir)
	git(t, r.Dir, "cat-file", "-e", HashBlob([]byte("not yet\n")).String())
}

// TestPackMergeAmidMultiPackIndex: git makes its index of packs while they are made
// one, and finds all that it names.
func TestPackMergeAmidMultiPackIndex(t *testing.T) {
	t.Parallel()
	r := manyPacks(t)
	before := standing(t, r.Dir)
	made := 0
	r.fault = func(step string) error {
		if step == "pack durable" {
			if made++; made == 1 {
				git(t, r.Dir, "multi-pack-index", "write")
			}
		}
		return nil
	}
	if err := r.pack(); err != nil || made != 1 {
		t.Fatal(made, err)
	}
	if after := standing(t, r.Dir); after != before {
		t.Errorf("it was\n%s\nand is\n%s", before, after)
	}
	git(t, r.Dir, "multi-pack-index", "verify")
	clean(t, r.Dir)
}

// TestPackAnyFolder: a folder's name is no pattern.
func TestPackAnyFolder(t *testing.T) {
	t.Parallel()
	base := manyPacks(t)
	dir := filepath.Join(t.TempDir(), "bench [2]")
	if err := os.Rename(copyRepo(t, base.Dir), dir); err != nil {
		t.Fatal(err)
	}
	r := open(t, dir)
	if err := r.pack(); err != nil {
		t.Fatal(err)
	}
	if c := counts(t, dir); c["packs"] != 2 || c["prune-packable"] != 0 {
		t.Errorf("git counts %v", c)
	}
	clean(t, dir)
}

// TestPackKilledBesideReverseIndex: of a pack that is being taken away nothing is
// left, whatever else git has made for it.
func TestPackKilledBesideReverseIndex(t *testing.T) {
	t.Parallel()
	base := manyPacks(t)
	for _, file := range packFiles(t, base) {
		if stem, ok := strings.CutSuffix(file, ".pack"); ok {
			git(t, base.Dir, "-c", "pack.writeReverseIndex=true", "index-pack", filepath.Join(base.GitDir, "objects", "pack", stem+".pack"))
		}
	}
	if n := strings.Count(strings.Join(packFiles(t, base), " "), ".rev"); n < 4 {
		t.Fatalf("git made %d reverse indexes", n)
	}
	for _, stop := range []string{"old pack's .idx removed", "old pack's .rev removed", "old pack's .bitmap removed", "old pack's .pack removed"} {
		r := open(t, copyRepo(t, base.Dir))
		r.fault = func(step string) error {
			if step == stop {
				return errors.New("stopped")
			}
			return nil
		}
		if err := r.pack(); err == nil {
			t.Fatalf("it never came to %q", stop)
		}
		if err := open(t, r.Dir).pack(); err != nil {
			t.Fatal(err)
		}
		if c := counts(t, r.Dir); c["garbage"] != 0 {
			t.Errorf("stopped at %q: git counts %v; there is %v", stop, c, packFiles(t, r))
		}
	}
}

// TestDamagedPackIndex: an index whose table of first bytes is wrong is no index.
func TestDamagedPackIndex(t *testing.T) {
	t.Parallel()
	r := manyPacks(t)
	for _, file := range packFiles(t, r) {
		if !strings.HasSuffix(file, ".idx") {
			continue
		}
		name := filepath.Join(r.GitDir, "objects", "pack", file)
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 255 {
			b[8+4*i] = 0x7f
		}
		os.Chmod(name, 0o666)
		if err := os.WriteFile(name, b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if packs := r.openPacks(); len(packs) > 0 {
		t.Errorf("%d packs with damaged indexes are taken", len(packs))
	}
}
