package gitstore

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/pack"
)

// scattered is a repository with what there may be: loose objects reachable and
// not, some packed by git, a pack that is to be kept, annotated tags, a tag of a
// tag, loose and packed refs, and a ref that is packed at an older commit.
func scattered(t testing.TB) *Repo {
	t.Helper()
	return fromTemplate(t, "scattered", makeScattered)
}

func makeScattered(t testing.TB) *Repo {
	t.Helper()
	r := newRepo(t)
	for i := range 6 {
		c := mustWrite(t, r, map[string]string{
			fmt.Sprintf("instruments/astrella-61/u%d/a.toml", i): strings.Repeat(fmt.Sprintf("note = %d\n", i), 40),
			"shop.toml": strings.Repeat("name = \"Halden Street Workshop\"\n", 30+i),
		}, RefUpdate{Name: fmt.Sprintf("refs/heads/unit/astrella-61/u%d", i), New: newest})
		tx := lock(t, r)
		tag, err := tx.WriteTag(TagSpec{Object: c, Type: object.TypeCommit, Name: fmt.Sprintf("seal/u%d", i), Tagger: ident(), Message: "sealed"})
		if err == nil {
			err = tx.Commit(Plan{Refs: []RefUpdate{{Name: fmt.Sprintf("refs/tags/seal/u%d", i), New: tag}}, Reason: "seal"})
		}
		if err != nil {
			t.Fatal(err)
		}
		switch i {
		case 1:
			git(t, r.Dir, "repack", "-adq")
			names, _ := filepath.Glob(filepath.Join(r.GitDir, "objects/pack/*.pack"))
			if err := os.WriteFile(strings.TrimSuffix(names[0], ".pack")+".keep", nil, 0o666); err != nil {
				t.Fatal(err)
			}
		case 2:
			git(t, r.Dir, "pack-refs", "--all")
		case 3:
			git(t, r.Dir, "tag", "-a", "-m", "twice", "of-a-tag", "seal/u3")
			git(t, r.Dir, "tag", "plain")
			git(t, r.Dir, "update-ref", "refs/remotes/office/main", "main")
			git(t, r.Dir, "symbolic-ref", "refs/remotes/office/HEAD", "refs/remotes/office/main")
			git(t, r.Dir, "update-ref", "refs/bisect/bad", "main")
		}
	}
	tx := lock(t, r)
	if _, err := tx.WriteBlob([]byte("nothing refers to this\n")); err != nil {
		t.Fatal(err)
	}
	if err := tx.Commit(Plan{}); err != nil {
		t.Fatal(err)
	}
	return r
}

// manyPacks is scattered with more packs than its gc.autoPackLimit of 3, of like
// size and with deltas of git's, and one that holds what others hold as well.
func manyPacks(t testing.TB) *Repo {
	t.Helper()
	return fromTemplate(t, "many packs", makeManyPacks)
}

func makeManyPacks(t testing.TB) *Repo {
	t.Helper()
	r := makeScattered(t)
	for i := range 5 {
		mustWrite(t, r, map[string]string{fmt.Sprintf("instruments/astrella-61/u%d/b.toml", i): strings.Repeat(fmt.Sprintf("note = %d\n", i), 200+i)})
		git(t, r.Dir, "repack", "-dq")
	}
	pack := git(t, r.Dir, "rev-list", "--objects", "-3", "main")
	cmd := exec.Command("git", "pack-objects", "-q", filepath.Join(r.GitDir, "objects", "pack", "pack"))
	cmd.Dir, cmd.Stdin = r.Dir, strings.NewReader(pack+"\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	git(t, r.Dir, "config", "gc.autoPackLimit", "3")
	return r
}

const everyRef = "--format=%(refname) %(objectname) %(*objectname) %(symref)"

// standing is what packing must not change, as stock git sees it.
func standing(t testing.TB, dir string) string {
	t.Helper()
	return git(t, dir, "for-each-ref", everyRef) + "\n" + git(t, dir, "cat-file", "--batch-check", "--batch-all-objects") + "\n" +
		git(t, dir, "rev-parse", "HEAD")
}

// counts is `git count-objects -v`.
func counts(t testing.TB, dir string) map[string]int {
	t.Helper()
	out := map[string]int{}
	for line := range strings.Lines(git(t, dir, "count-objects", "-v")) {
		name, n, _ := strings.Cut(strings.TrimSpace(line), ": ")
		out[name], _ = strconv.Atoi(n)
	}
	return out
}

func TestPack(t *testing.T) {
	t.Parallel()
	r := scattered(t)
	keep, _ := filepath.Glob(filepath.Join(r.GitDir, "objects/pack/*.keep"))
	before := standing(t, r.Dir)
	if err := r.pack(); err != nil {
		t.Fatal(err)
	}
	if after := standing(t, r.Dir); after != before {
		t.Errorf("it was\n%s\nand is\n%s", before, after)
	}
	clean(t, r.Dir)
	c := counts(t, r.Dir)
	if c["count"] != 1 || c["packs"] != 2 || c["prune-packable"] != 0 || c["garbage"] != 0 {
		t.Errorf("git counts %v", c)
	}
	if len(keep) != 1 || !fileExists(keep[0]) {
		t.Errorf("the pack to be kept: %v", keep)
	}
	// git reads each pack for itself.
	packs, _ := filepath.Glob(filepath.Join(r.GitDir, "objects/pack/*.idx"))
	git(t, r.Dir, append([]string{"verify-pack"}, packs...)...)
	// Packing what is packed does nothing.
	if err := r.pack(); err != nil {
		t.Fatal(err)
	}
	if again := counts(t, r.Dir); fmt.Sprint(again) != fmt.Sprint(c) {
		t.Errorf("git counted %v and counts %v", c, again)
	}
	mustWrite(t, r, map[string]string{"shop.toml": "next\n"})
	clean(t, r.Dir)
}

// TestPackMerge: too many packs become one, but for one that is to be kept, and one
// that is larger than all others together. git's limit decides.
func TestPackMerge(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, limit string
		prepare     func(t *testing.T, r *Repo)
		packs       int
	}{
		{"too many", "3", nil, 2},
		{"as many as may be", "6", nil, 7},
		{"one too many", "5", nil, 2},
		{"never", "0", nil, 7},
		{"git's limit", "", nil, 7},
		{"a large one", "3", func(t *testing.T, r *Repo) {
			noise := make([]byte, 1<<16)
			rand.NewChaCha8([32]byte{7}).Read(noise)
			mustWrite(t, r, map[string]string{"large": string(noise)})
			git(t, r.Dir, "repack", "-dq")
		}, 3},
		{"git's own index of packs", "3", func(t *testing.T, r *Repo) { git(t, r.Dir, "multi-pack-index", "write") }, 7},
		{"one that is damaged", "3", func(t *testing.T, r *Repo) {
			// The note of the first record, wherever it is.
			note := HashBlob([]byte(strings.Repeat("note = 0\n", 200)))
			packs, _ := filepath.Glob(filepath.Join(r.GitDir, "objects/pack/*.idx"))
			for _, p := range packs {
				for line := range strings.Lines(git(t, r.Dir, "verify-pack", "-v", p)) {
					var size, stored, at int
					if n, _ := fmt.Sscanf(line, note.String()+" blob %d %d %d", &size, &stored, &at); n < 3 {
						continue
					}
					name := strings.TrimSuffix(p, ".idx") + ".pack"
					data, err := os.ReadFile(name)
					if err != nil {
						t.Fatal(err)
					}
					data[at+stored/2] ^= 0xff
					os.Chmod(name, 0o666)
					if err := os.WriteFile(name, data, 0o666); err != nil {
						t.Fatal(err)
					}
				}
			}
		}, 7},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := manyPacks(t)
			if c.prepare != nil {
				c.prepare(t, r)
			}
			if git(t, r.Dir, "config", "--unset", "gc.autoPackLimit"); c.limit != "" {
				git(t, r.Dir, "config", "gc.autoPackLimit", c.limit)
			}
			r = open(t, r.Dir) // what it wrote it still has in memory
			damaged := c.name == "one that is damaged"
			var before string
			if !damaged {
				before = standing(t, r.Dir)
			}
			for range 2 { // the second time there is nothing to do
				if err := r.pack(); (err != nil) != damaged {
					t.Fatal(err)
				}
				if n := counts(t, r.Dir)["packs"]; n != c.packs {
					t.Errorf("%d packs, want %d", n, c.packs)
				}
			}
			if damaged {
				return // and is as it was
			}
			if after := standing(t, r.Dir); after != before {
				t.Errorf("it was\n%s\nand is\n%s", before, after)
			}
			clean(t, r.Dir)
			packs, _ := filepath.Glob(filepath.Join(r.GitDir, "objects/pack/*.idx"))
			git(t, r.Dir, append([]string{"verify-pack"}, packs...)...)
			mustWrite(t, r, map[string]string{"shop.toml": "next\n"})
			clean(t, r.Dir)
		})
	}
}

func TestPackKilledAtEveryStep(t *testing.T) {
	t.Parallel()
	t.Run("loose", func(t *testing.T) { packKilledAtEveryStep(t, scattered(t).Dir, 14) })
	t.Run("many packs", func(t *testing.T) { packKilledAtEveryStep(t, manyPacks(t).Dir, 24) })
}

func packKilledAtEveryStep(t *testing.T, base string, least int) {
	before := standing(t, base)
	steps := 0
	for k := 1; ; k += stride(3) {
		dir := copyRepo(t, base)
		code := runChild(t, "pack", dir, k)
		// Stock git at once, with whatever locks were left.
		if after := standing(t, dir); after != before {
			t.Fatalf("step %d: it was\n%s\nand is\n%s", k, before, after)
		}
		if out := git(t, dir, "fsck", "--strict", "--no-dangling", "--no-progress"); out != "" {
			t.Errorf("step %d: git fsck --strict says %q", k, out)
		}
		r := open(t, dir)
		if k%2 == 0 { // the next command writes, or packs
			mustWrite(t, r, map[string]string{"shop.toml": "next\n"})
		}
		if err := r.pack(); err != nil {
			t.Errorf("step %d: %v", k, err)
		}
		clean(t, dir)
		if c := counts(t, dir); c["count"] != 1 || c["packs"] > 4 || c["garbage"] != 0 || c["prune-packable"] != 0 {
			t.Errorf("step %d: git counts %v", k, c)
		}
		entries, err := os.ReadDir(r.packDir())
		if err != nil || len(entries) != 2 { // its lock and its note
			t.Errorf("step %d: left in the folder of packs: %v %v", k, entries, err)
		}
		if code == 0 {
			break
		}
		steps++
	}
	if steps < least/stride(3) {
		t.Errorf("only %d steps were tried", steps)
	}
}

func TestPackStoppedAtEveryStep(t *testing.T) {
	t.Parallel()
	t.Run("loose", func(t *testing.T) { packStoppedAtEveryStep(t, scattered(t).Dir) })
	t.Run("many packs", func(t *testing.T) { packStoppedAtEveryStep(t, manyPacks(t).Dir) })
}

func packStoppedAtEveryStep(t *testing.T, base string) {
	before := standing(t, base)
	full := errors.New("no space left")
	for k := 1; ; k += stride(3) {
		r := open(t, copyRepo(t, base))
		at := k
		r.fault = func(string) error {
			if at--; at == 0 {
				return full
			}
			return nil
		}
		err := r.pack()
		r.fault = nil
		if after := standing(t, r.Dir); after != before {
			t.Fatalf("step %d: it was\n%s\nand is\n%s", k, before, after)
		}
		clean(t, r.Dir)
		if at > 0 {
			if err != nil {
				t.Fatal(err)
			}
			break
		}
		if !errors.Is(err, full) {
			t.Errorf("step %d: %v", k, err)
		}
		mustWrite(t, r, map[string]string{"shop.toml": "next\n"})
	}
}

// TestPackWhen: gc.auto decides, as git reads it, and a run that could not help is
// not repeated at once.
func TestPackWhen(t *testing.T) {
	t.Parallel()
	filled := func(t *testing.T, n int) *Repo {
		r := newRepo(t)
		mustWrite(t, r, map[string]string{"shop.toml": "x\n"})
		tx := lock(t, r)
		for i, made := 0, 0; made < n; i++ { // objects whose names begin with 17
			text := fmt.Appendf(nil, "object %d\n", i)
			if HashBlob(text)[0] != 0x17 {
				continue
			}
			made++
			if _, err := tx.WriteBlob(text); err != nil {
				t.Fatal(err)
			}
		}
		if err := tx.Commit(Plan{}); err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, c := range []struct {
		auto   string
		n      int
		packed bool
	}{
		{"", 27, false}, {"", 28, true}, {"0", 28, false}, {"-1", 28, false}, {"1", 1, false}, {"1", 2, true}, {"257", 2, false}, {"257", 3, true}, {"7k", 28, false}, {"7k", 29, true},
	} {
		t.Run(fmt.Sprintf("%s with %d", c.auto, c.n), func(t *testing.T) {
			r := filled(t, c.n)
			if c.auto != "" {
				git(t, r.Dir, "config", "gc.auto", c.auto)
			}
			if err := r.Tidy(); err != nil {
				t.Fatal(err)
			}
			if got := counts(t, r.Dir)["packs"] > 0; got != c.packed {
				t.Fatalf("packed: %v", got)
			}
			if !c.packed {
				if out := git(t, r.Dir, "-c", "gc.autoDetach=false", "gc", "--auto"); strings.Contains(out, "packing") || counts(t, r.Dir)["packs"] > 0 {
					t.Errorf("git would have packed: %s", out)
				}
				return
			}
			// What nothing refers to stays, and does not make every command try anew.
			mustWrite(t, r, map[string]string{"shop.toml": "y\n"})
			if err := r.Tidy(); err != nil {
				t.Fatal(err)
			}
			if n := counts(t, r.Dir)["packs"]; n != 1 {
				t.Errorf("%d packs after the second time", n)
			}
			git(t, r.Dir, "-c", "gc.autoDetach=false", "gc", "--auto") // agrees that there are many
			clean(t, r.Dir)
		})
	}
}

// TestPackGivesWay: who holds one of git's locks, or packs already, is let be, and
// nothing is said.
func TestPackGivesWay(t *testing.T) {
	t.Parallel()
	for _, held := range []string{"packed-refs.lock", "gc.pid", "refs/heads/main.lock", "index.lock"} {
		t.Run(held, func(t *testing.T) {
			r := scattered(t)
			before := standing(t, r.Dir)
			name := filepath.Join(r.GitDir, filepath.FromSlash(held))
			if err := os.WriteFile(name, []byte("somebody else's\n"), 0o666); err != nil {
				t.Fatal(err)
			}
			err := r.pack()
			if _, foreign := errors.AsType[*ForeignLockError](err); err != nil && (!foreign || held != "packed-refs.lock") {
				t.Error(err)
			}
			if b, err := os.ReadFile(name); err != nil || string(b) != "somebody else's\n" {
				t.Errorf("the lock holds %q, %v", b, err)
			}
			os.Remove(name)
			if after := standing(t, r.Dir); after != before {
				t.Errorf("it was\n%s\nand is\n%s", before, after)
			}
			if held == "refs/heads/main.lock" && !fileExists(filepath.Join(r.GitDir, "refs", "heads", "main")) {
				t.Error("a ref was removed under somebody's lock")
			}
			clean(t, r.Dir)
		})
	}
}

// TestPackAfterDeadPrograms: what programs left that died long ago, git's gc.pid and
// packs that were coming in, stops nothing and is cleared.
func TestPackAfterDeadPrograms(t *testing.T) {
	t.Parallel()
	r := scattered(t)
	if err := os.MkdirAll(r.packDir(), 0o777); err != nil {
		t.Fatal(err)
	}
	long, now := filepath.Join(r.packDir(), "in-1"), filepath.Join(r.packDir(), "in-2")
	pid := filepath.Join(r.GitDir, "gc.pid")
	for _, name := range []string{long, now, pid} {
		if err := os.WriteFile(name, []byte("1 elsewhere"), 0o666); err != nil {
			t.Fatal(err)
		}
		if then := time.Now().Add(-25 * time.Hour); name != now {
			if err := os.Chtimes(name, then, then); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := r.pack(); err != nil {
		t.Fatal(err)
	}
	if c := counts(t, r.Dir); c["count"] != 1 {
		t.Errorf("git counts %v", c)
	}
	if fileExists(long) || !fileExists(now) {
		t.Errorf("left of the two that were coming in: %v, %v", fileExists(long), fileExists(now))
	}
	clean(t, r.Dir)
}

// TestPackAmidOthers: several that pack, our own writers and stock git that
// commits, packs and collects, all at once.
func TestPackAmidOthers(t *testing.T) {
	t.Parallel()
	r := scattered(t)
	git(t, r.Dir, "config", "gc.autoPackLimit", "2")
	// The packing that git commit starts would otherwise go on behind it, and past the
	// end of the test.
	git(t, r.Dir, "config", "gc.autoDetach", "false")
	git(t, r.Dir, "config", "maintenance.autoDetach", "false")
	const n = 6
	var wg sync.WaitGroup
	var done sync.WaitGroup
	stop := make(chan struct{})
	busy := func(what string, fn func(i int) (string, error)) {
		done.Add(1)
		wg.Go(func() {
			defer done.Done()
			for i := range n {
				for try := 0; ; try++ {
					out, err := fn(i)
					if err == nil {
						break
					}
					_, moved := errors.AsType[*RefMovedError](err)
					_, locked := errors.AsType[*ForeignLockError](err)
					// Git's own packing takes empty folders away that its add is about to write to.
					// Its gc gives way to the one that its commit starts.
					git := strings.Contains(out, "lock") || strings.Contains(out, "unable to create temporary file") || strings.Contains(out, "gc is already running")
					if !moved && !locked && !git || try == 500 {
						t.Errorf("%s: %v %s", what, err, out)
						return
					}
					time.Sleep(5 * time.Millisecond)
				}
			}
		})
	}
	for k := range 2 {
		own := open(t, r.Dir)
		wg.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				var foreign *ForeignLockError
				if err := own.pack(); err != nil && !errors.As(err, &foreign) {
					t.Errorf("packing %d: %v", k, err)
					return
				}
			}
		})
	}
	ours := open(t, r.Dir)
	busy("ours", func(i int) (string, error) {
		tx, err := ours.Lock(context.Background(), 30*time.Second)
		if err == nil {
			_, err = write(tx, map[string]string{fmt.Sprintf("ours-%d", i): strings.Repeat("x\n", i)},
				RefUpdate{Name: fmt.Sprintf("refs/heads/unit/new/u%d", i), New: newest})
		}
		return "", err
	})
	busy("git", func(i int) (string, error) {
		name := fmt.Sprintf("git-%d", i)
		put(t, r.Dir, name, name)
		if out, err := gitErr(t, r.Dir, "add", name); err != nil {
			return out, err
		}
		return gitErr(t, r.Dir, "commit", "-q", "-m", name, "--", name)
	})
	busy("git's packing", func(i int) (string, error) {
		return gitErr(t, r.Dir, [][]string{{"repack", "-q", "-a", "-d"}, {"gc", "-q"}, {"pack-refs", "--all"}}[i%3]...)
	})
	done.Wait()
	close(stop)
	wg.Wait()
	for i := range n {
		for _, name := range []string{fmt.Sprintf("git-%d", i), fmt.Sprintf("ours-%d", i)} {
			if out, err := gitErr(t, r.Dir, "cat-file", "-e", "main:"+name); err != nil {
				t.Errorf("main:%s: %v %s", name, err, out)
			}
		}
		git(t, r.Dir, "rev-parse", "-q", "--verify", fmt.Sprintf("refs/heads/unit/new/u%d", i))
	}
	clean(t, r.Dir)
}

// TestPackRefsAsGit: the same refs, packed by stock git and here, give the same
// packed-refs file, byte for byte, and the same refs.
func TestPackRefsAsGit(t *testing.T) {
	t.Parallel()
	base := newRepo(t)
	mustWrite(t, base, map[string]string{"a": "1\n"})
	git(t, base.Dir, "tag", "-a", "-m", "x", "deep")
	git(t, base.Dir, "tag", "-a", "-m", "y", "deeper", "deep")
	objects := strings.Fields(git(t, base.Dir, "rev-parse", "main", "deep", "deeper", "main^{tree}", "main:a"))
	// Each draw takes stock git some dozens of times, so there are few in one run.
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	name := rapid.StringMatching(`refs/(heads/unit/[a-c]/[a-d]|tags/seal/[a-c]/[a-d]/[1-3]|tags/[a-d]|remotes/o/[a-d]|notes/[a-c]|bisect/[a-c]|top[a-c])`)
	state := rapid.Custom(func(rt *rapid.T) []refStep {
		return rapid.SliceOfN(rapid.Custom(func(rt *rapid.T) refStep {
			return refStep{name.Draw(rt, "name"), name.Draw(rt, "other"), rapid.IntRange(0, len(objects)-1).Draw(rt, "object"), rapid.IntRange(0, 7).Draw(rt, "then")}
		}), 1, 12).Draw(rt, "steps")
	})
	for i := range 8 {
		r := open(t, copyRepo(t, base.Dir))
		for _, s := range state.Example(int(seed>>8) + i) {
			to := objects[s.object]
			if strings.HasPrefix(s.name, "refs/heads/") {
				to = objects[0]
			}
			if out, err := gitErr(t, r.Dir, "update-ref", s.name, to); err != nil {
				continue // beside another it has no room
			} else if out != "" {
				t.Fatal(out)
			}
			switch s.then {
			case 0:
				git(t, r.Dir, "pack-refs", "--all")
			case 1:
				git(t, r.Dir, "pack-refs", "--all", "--no-prune")
			case 2:
				git(t, r.Dir, "update-ref", "-d", s.other)
			case 3: // as other programs write it
				b, err := os.ReadFile(filepath.Join(r.GitDir, "packed-refs"))
				if err == nil {
					_, rest, _ := strings.Cut(string(b), "\n")
					put(t, r.Dir, ".git/packed-refs", "# pack-refs with: peeled \n"+rest)
				}
			}
		}
		twin := copyRepo(t, r.Dir)
		before := git(t, r.Dir, "for-each-ref", everyRef)
		if err := r.packRefs(); err != nil {
			t.Fatal(err)
		}
		if after := git(t, r.Dir, "for-each-ref", everyRef); after != before {
			t.Fatalf("refs were\n%s\nand are\n%s", before, after)
		}
		git(t, twin, "pack-refs", "--all")
		ours, _ := os.ReadFile(filepath.Join(r.GitDir, "packed-refs"))
		theirs, _ := os.ReadFile(filepath.Join(twin, ".git", "packed-refs"))
		if string(ours) != string(theirs) {
			t.Fatalf("packed-refs is\n%s\ngit writes\n%s", ours, theirs)
		}
		left, err := r.looseRefs()
		if err != nil || len(left) > 0 {
			t.Fatalf("still loose: %v %v", left, err)
		}
		noLocks(t, r.Dir)
	}
}

// refStep makes a ref and then does something else.
type refStep struct {
	name, other  string
	object, then int
}

// TestWritePack: whatever objects there are, loose and packed by git with deltas
// or here, git makes the same index of the pack and reads every one of them.
func TestWritePack(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	r := newRepo(t)
	tx := lock(t, r)
	var all []object.Hash
	text := make([]byte, 3000)
	for i := range text {
		text[i] = byte('a' + rng.IntN(26))
	}
	for i := range 300 {
		b := append([]byte(nil), text[:rng.IntN(len(text)+1)]...)
		for range rng.IntN(4) {
			if len(b) > 0 {
				b[rng.IntN(len(b))] = byte(rng.IntN(256))
			}
		}
		if i%50 == 0 { // a photograph
			b = make([]byte, deltaMost+i)
			for k := range b {
				b[k] = byte(rng.Uint32())
			}
		}
		h, err := tx.WriteBlob(b)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, h)
	}
	if err := tx.Commit(Plan{}); err != nil {
		t.Fatal(err)
	}
	for round := range 3 {
		take := map[object.Hash]bool{}
		for _, h := range all {
			if rng.IntN(3) > 0 {
				take[h] = true
			}
		}
		list := make([]object.Hash, 0, len(take))
		var names strings.Builder
		for h := range take {
			list = append(list, h)
			fmt.Fprintln(&names, h)
		}
		f, err := os.Create(filepath.Join(t.TempDir(), "x.pack"))
		if err != nil {
			t.Fatal(err)
		}
		wrote, sum, err := r.writePack(f, list)
		if err != nil {
			t.Fatal(err)
		}
		read, readSum, err := scanFile(f)
		if err != nil || readSum != sum {
			t.Fatalf("read back: %v; sums %s, %s", err, sum, readSum)
		}
		if fmt.Sprint(read) != fmt.Sprint(wrote) {
			t.Error("what is read back is not what was written")
		}
		x, err := os.Create(f.Name() + ".ours")
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(pack.WriteIndex(x, read, sum), x.Close(), f.Close()); err != nil {
			t.Fatal(err)
		}
		git(t, r.Dir, "index-pack", "--strict", "-o", f.Name()+".git", f.Name())
		ours, _ := os.ReadFile(f.Name() + ".ours")
		theirs, _ := os.ReadFile(f.Name() + ".git")
		if string(ours) != string(theirs) {
			t.Errorf("round %d: the index is not as git makes it", round)
		}
		switch round {
		case 0: // from now on there are packs of git's, with its deltas
			half := filepath.Join(r.GitDir, "objects", "pack", "pack")
			cmd := "git cat-file --batch-check='%(objectname)' --batch-all-objects | head -200 | git pack-objects -q --depth=40 " + half
			if out, err := shell(r.Dir, cmd); err != nil {
				t.Fatalf("%v %s", err, out)
			}
			git(t, r.Dir, "prune-packed", "-q")
		case 1: // and one whose deltas name what they build on
			cmd := "git cat-file --batch-check='%(objectname)' --batch-all-objects | git pack-objects -q --no-reuse-delta --depth=9 " +
				filepath.Join(r.GitDir, "objects", "pack", "pack")
			if out, err := shell(r.Dir, cmd); err != nil {
				t.Fatalf("%v %s", err, out)
			}
			git(t, r.Dir, "prune-packed", "-q")
		}
		r = open(t, r.Dir)
	}
}

// TestManyNewRefs: a step that makes hundreds of refs, stopped anywhere, makes all of
// them or none, and they are as stock git would have them.
func TestManyNewRefs(t *testing.T) {
	t.Parallel()
	base := newRepo(t)
	old := mustWrite(t, base, map[string]string{"a": "1\n"}, RefUpdate{Name: "refs/heads/unit/there", New: newest})
	git(t, base.Dir, "tag", "-a", "-m", "x", "sealed")
	tag := object.NewHash(git(t, base.Dir, "rev-parse", "sealed"))
	var more []RefUpdate
	for i := range manyRefs + 20 {
		more = append(more, RefUpdate{Name: fmt.Sprintf("refs/heads/unit/longwave-3/u%03d", i), New: newest})
	}
	more = append(more, RefUpdate{Name: "refs/tags/seal/x", New: tag}, RefUpdate{Name: "refs/heads/unit/there", Old: old})
	for _, stop := range []string{"journal", "index", "new refs packed", "moved refs/heads/main", "refs unlocked", ""} {
		r := open(t, copyRepo(t, base.Dir))
		r.fault = func(step string) error {
			if step == stop {
				return errors.New("stopped")
			}
			return nil
		}
		_, err := write(lock(t, r), map[string]string{"a": "2\n"}, append([]RefUpdate(nil), more...)...)
		r.fault = nil
		_, interrupted := errors.AsType[*InterruptedError](err)
		lock(t, r).Rollback()
		units := len(strings.Fields(git(t, r.Dir, "for-each-ref", "--format=%(refname)", "refs/heads/unit/longwave-3", "refs/tags/seal")))
		switch {
		case err == nil || interrupted:
			if units != manyRefs+21 || read(t, r, "a") != "2\n" {
				t.Errorf("stopped at %q (%v): %d refs", stop, err, units)
			}
			if peeled := git(t, r.Dir, "rev-parse", "seal/x^{}"); peeled != old.String() {
				t.Errorf("stopped at %q: the tag stands on %s", stop, peeled)
			}
			if log := git(t, r.Dir, "reflog", "show", "unit/longwave-3/u007"); strings.Count(log, "\n") != 0 || !strings.Contains(log, "test: record") {
				t.Errorf("stopped at %q: the reflog is %q", stop, log)
			}
		case units != 0 || read(t, r, "a") != "1\n":
			t.Errorf("stopped at %q (%v): %d refs", stop, err, units)
		}
		clean(t, r.Dir)
	}
}

func shell(dir, line string) (string, error) {
	cmd := exec.Command("sh", "-c", line)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// BenchmarkPack packs the loose objects of 1,000 commands in a ledger of 1,000 units:
// what one command in a thousand does on top.
func BenchmarkPack(b *testing.B) {
	r := newRepo(b)
	files := map[string]string{}
	for i := range 1000 {
		files[fmt.Sprintf("instruments/astrella-61/a%04d/a.toml", i)] = fmt.Sprintf("kind = \"note\"\nseq = %d\n", i)
	}
	mustWrite(b, r, files)
	if err := r.pack(); err != nil {
		b.Fatal(err)
	}
	for i := range 1000 {
		mustWrite(b, r, map[string]string{fmt.Sprintf("instruments/astrella-61/a%04d/b.toml", i): fmt.Sprintf("kind = \"note\"\nseq = %d\n", i)})
	}
	for b.Loop() {
		b.StopTimer()
		own := open(b, copyRepo(b, r.Dir))
		b.StartTimer()
		if err := own.pack(); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkTidyNothing is what every command that writes pays to know that there
// is nothing to pack.
func BenchmarkTidyNothing(b *testing.B) {
	r := scattered(b)
	for b.Loop() {
		if err := r.Tidy(); err != nil {
			b.Fatal(err)
		}
	}
}
