package gitstore

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestHandEditsAreNeverOverwritten(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name   string
		meddle func(t *testing.T, dir string)
		staged bool
	}{
		{"file edited", func(t *testing.T, dir string) { put(t, dir, "f", "by hand\n") }, false},
		{"file deleted", func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, "f")) }, false},
		{"file became a folder", func(t *testing.T, dir string) {
			os.Remove(filepath.Join(dir, "f"))
			put(t, dir, "f/x", "1")
		}, false},
		{"edit staged and taken back", func(t *testing.T, dir string) {
			put(t, dir, "f", "staged\n")
			git(t, dir, "add", "f")
			put(t, dir, "f", "old\n")
		}, true},
		{"removal staged", func(t *testing.T, dir string) { git(t, dir, "rm", "-q", "--cached", "f") }, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRepo(t)
			head := mustWrite(t, r, map[string]string{"f": "old\n", "g": "1"})
			tt.meddle(t, r.Dir)
			before := git(t, r.Dir, "status", "--porcelain")
			_, err := write(lock(t, r), map[string]string{"f": "new\n", "g": "2"})
			e, ok := errors.AsType[*EditedError](err)
			if !ok || e.Path != "f" || e.Staged != tt.staged {
				t.Fatalf("got %v", err)
			}
			if after := git(t, r.Dir, "status", "--porcelain"); after != before {
				t.Errorf("status was %q, is %q", before, after)
			}
			if now, _, _ := r.Ref("HEAD"); now != head {
				t.Error("HEAD moved")
			}
		})
	}
	t.Run("untracked file in the way", func(t *testing.T) {
		r := newRepo(t)
		mustWrite(t, r, map[string]string{"f": "old\n"})
		put(t, r.Dir, "new", "mine\n")
		if _, err := write(lock(t, r), map[string]string{"new": "theirs\n"}); !isEdited(err, "new") {
			t.Errorf("got %v", err)
		}
		if got := read(t, r, "new"); got != "mine\n" {
			t.Errorf("new holds %q", got)
		}
	})
	t.Run("the edit is what is committed", func(t *testing.T) {
		r := newRepo(t)
		mustWrite(t, r, map[string]string{"f": "old\n", "gone": "x"})
		put(t, r.Dir, "f", "new\n")
		put(t, r.Dir, "added", "a\n")
		os.Remove(filepath.Join(r.Dir, "gone"))
		mustWrite(t, r, map[string]string{"f": "new\n", "added": "a\n", "gone": "-"})
		clean(t, r.Dir)
	})
}

func TestOtherEditsStayAsTheyAre(t *testing.T) {
	t.Parallel()
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"f": "old\n", "g": "old\n", "h": "old\n", "k": "old\n"})
	put(t, r.Dir, "g", "hand\n")
	put(t, r.Dir, "h", "staged\n")
	git(t, r.Dir, "add", "h")
	git(t, r.Dir, "update-index", "--assume-unchanged", "k")
	put(t, r.Dir, "k", "hidden edit\n")
	put(t, r.Dir, "n", "intended\n")
	git(t, r.Dir, "add", "-N", "n")
	mustWrite(t, r, map[string]string{"f": "new\n"})
	if got := git(t, r.Dir, "status", "--porcelain"); got != " M g\nM  h\n A n" {
		t.Errorf("status is\n%s", got)
	}
	if got := git(t, r.Dir, "ls-files", "-v", "k"); got != "h k" {
		t.Errorf("assume-unchanged was lost: %q", got)
	}
	changes, err := r.Changes()
	want := []Change{{"g", "", Modified}, {"h", Modified, ""}, {"n", "", Added}}
	if err != nil || !slices.Equal(changes, want) {
		t.Errorf("changes %+v, %v", changes, err)
	}
	// The intended file can then be committed for good.
	mustWrite(t, r, map[string]string{"n": "intended\n"})
	if got := git(t, r.Dir, "status", "--porcelain"); got != " M g\nM  h" {
		t.Errorf("status is\n%s", got)
	}
}

func TestIndexesWrittenByGit(t *testing.T) {
	t.Parallel()
	setups := map[string][][]string{
		"version 4":       {{"update-index", "--index-version=4"}},
		"version 3":       {{"update-index", "--index-version=3"}, {"add", "-N", "intent"}},
		"untracked cache": {{"update-index", "--force-untracked-cache"}, {"status"}},
		"file monitor":    {{"config", "core.fsmonitor", "false"}, {"update-index", "--force-write-index"}},
		"cached tree":     {{"write-tree"}},
		"offset table":    {{"config", "index.threads", "2"}, {"update-index", "--force-write-index"}},
		"missing":         {{"update-index", "--refresh"}},
	}
	for name, commands := range setups {
		t.Run(name, func(t *testing.T) {
			r := newRepo(t)
			files := map[string]string{"zz": "1\n"}
			for i := range 30 {
				files[fmt.Sprintf("dir%d/sub/file-with-a-long-name-%d.toml", i%4, i)] = "x\n"
			}
			mustWrite(t, r, files)
			if name == "version 3" {
				put(t, r.Dir, "intent", "")
			}
			for _, c := range commands {
				git(t, r.Dir, c...)
			}
			if name == "missing" {
				os.Remove(r.indexFile())
			}
			mustWrite(t, r, map[string]string{"zz": "2\n", "dir1/sub/new.toml": "n\n", "dir3/sub/file-with-a-long-name-3.toml": "-"})
			if name == "version 3" {
				if got := git(t, r.Dir, "status", "--porcelain"); got != " A intent" {
					t.Errorf("status is %q", got)
				}
				git(t, r.Dir, "rm", "-q", "--cached", "intent")
				os.Remove(filepath.Join(r.Dir, "intent"))
			}
			clean(t, r.Dir)
			if name == "version 4" {
				if b, _ := os.ReadFile(r.indexFile()); b[7] != 4 {
					t.Errorf("the index has version %d", b[7])
				}
			}
		})
	}
}

// An index written here needs no refresh: plumbing commands, which compare stat
// data only, see no change.
func TestIndexNeedsNoRefresh(t *testing.T) {
	t.Parallel()
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"a/b/c": "1\n", "a/d": "2\n"})
	mustWrite(t, r, map[string]string{"a/b/c": "3\n"})
	if got := git(t, r.Dir, "diff-files"); got != "" {
		t.Errorf("git diff-files says %q", got)
	}
	if got := git(t, r.Dir, "diff-index", "--cached", "HEAD"); got != "" {
		t.Errorf("git diff-index says %q", got)
	}
	// The cached trees are taken at their word by write-tree.
	if got, want := git(t, r.Dir, "write-tree"), git(t, r.Dir, "rev-parse", "HEAD^{tree}"); got != want {
		t.Errorf("git write-tree gives %s, want %s", got, want)
	}
}

func TestRacyEditStaysVisible(t *testing.T) {
	t.Parallel()
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"f": "aaaa\n", "g": "1\n"})
	// Same size, same time stamp as the index: only the content tells.
	info, err := os.Stat(r.indexFile())
	if err != nil {
		t.Fatal(err)
	}
	when := info.ModTime().Truncate(time.Second)
	name := filepath.Join(r.Dir, "f")
	os.Chtimes(name, when, when)
	git(t, r.Dir, "update-index", "--refresh")
	put(t, r.Dir, "f", "bbbb\n")
	os.Chtimes(name, when, when)
	os.Chtimes(r.indexFile(), when, when)
	git(t, r.Dir, "config", "core.trustctime", "false")
	mustWrite(t, r, map[string]string{"g": "2\n"})
	os.Chtimes(r.indexFile(), when.Add(5*time.Second), when.Add(5*time.Second))
	if got := git(t, r.Dir, "status", "--porcelain"); got != " M f" {
		t.Errorf("git status says %q", got)
	}
	if changes, err := r.Changes(); err != nil || len(changes) != 1 || changes[0] != (Change{"f", "", Modified}) {
		t.Errorf("%+v %v", changes, err)
	}
}

func TestAutocrlfCloneChangesNothing(t *testing.T) {
	t.Parallel()
	r := newRepo(t)
	mustWrite(t, r, map[string]string{".gitattributes": "* -text -filter -ident\n", "a.toml": "one\ntwo\n", "b.toml": "crlf\r\n"})
	dir := t.TempDir()
	git(t, dir, "clone", "-q", "-c", "core.autocrlf=true", r.Dir, "c")
	c := open(t, filepath.Join(dir, "c"))
	if got := read(t, c, "a.toml"); got != "one\ntwo\n" {
		t.Errorf("a.toml holds %q", got)
	}
	clean(t, c.Dir)
	mustWrite(t, c, map[string]string{"a.toml": "three\n"})
	clean(t, c.Dir)
}

func TestChangesAsStockGit(t *testing.T) {
	t.Parallel()
	r := newRepo(t)
	mustWrite(t, r, map[string]string{".gitignore": "private/\n*.tmp\n!keep.tmp\n", "a/1": "x", "a/2": "x", "b/3": "x", "c": "x", "d": "x",
		"s1": "x", "s2": "x"})
	put(t, r.Dir, "private/codes", "secret")
	put(t, r.Dir, "a/scratch.tmp", "")
	put(t, r.Dir, "a/keep.tmp", "")
	put(t, r.Dir, "new/deep/file", "n")
	put(t, r.Dir, "new/.gitignore", "ignored-here\n")
	put(t, r.Dir, "new/ignored-here", "n")
	put(t, r.Dir, ".git/info/exclude", "excluded\n")
	put(t, r.Dir, "excluded", "n")
	put(t, r.Dir, "a/1", "changed")
	os.Remove(filepath.Join(r.Dir, "a/2"))
	os.RemoveAll(filepath.Join(r.Dir, "b"))
	put(t, r.Dir, "b", "a file now")
	os.Remove(filepath.Join(r.Dir, "c"))
	os.Symlink("d", filepath.Join(r.Dir, "c"))
	git(t, r.Dir, "rm", "-q", "--cached", "d")
	put(t, r.Dir, "s1", "staged")
	put(t, r.Dir, "s3", "staged")
	git(t, r.Dir, "add", "s1", "s3")
	put(t, r.Dir, "s1", "and more")
	os.Chmod(filepath.Join(r.Dir, "s2"), 0o755)
	git(t, r.Dir, "init", "-q", "nested")
	put(t, r.Dir, "nested/f", "n")

	code := map[ChangeKind]string{Unchanged: " ", Added: "A", Modified: "M", Deleted: "D", TypeChanged: "T"}
	changes, err := r.Changes()
	if err != nil {
		t.Fatal(err)
	}
	var ours []string
	for _, c := range changes {
		work := code[c.Work]
		if c.Work == Added {
			work = "?"
		}
		switch {
		case c.Staged != Unchanged && c.Work == Added: // git shows two lines
			ours = append(ours, code[c.Staged]+"  "+c.Path, "?? "+c.Path)
		case c.Work == Added:
			ours = append(ours, "?? "+c.Path)
		default:
			ours = append(ours, code[c.Staged]+work+" "+c.Path)
		}
	}
	theirs := strings.Split(git(t, r.Dir, "status", "--porcelain", "-uall", "--no-renames"), "\n")
	slices.Sort(ours)
	slices.Sort(theirs)
	if !slices.Equal(ours, theirs) {
		t.Errorf("here:\n%s\ngit:\n%s", strings.Join(ours, "\n"), strings.Join(theirs, "\n"))
	}
}

func TestIndexExtensionsRefused(t *testing.T) {
	t.Parallel()
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"f": "1"})
	b, err := os.ReadFile(r.indexFile())
	if err != nil {
		t.Fatal(err)
	}
	entries := b[:len(b)-20]
	for sig, want := range map[string]string{"link": "split index", "sdir": "sparse index", "what": "required extension"} {
		// An empty extension, and the checksum of index.skipHash.
		b := slices.Concat(entries, []byte(sig), make([]byte, 4+20))
		if err := os.WriteFile(r.indexFile(), b, 0o666); err != nil {
			t.Fatal(err)
		}
		if o, err := Open(r.Dir, Program{}); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), ".git") {
			t.Errorf("%s: %v", sig, err)
			if err == nil {
				o.Close()
			}
		}
	}
}
