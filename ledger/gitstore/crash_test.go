package gitstore

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchlore/ledger/gitstore/object"
)

const killed = 77

// child is the process that tests kill or race.
func child(role string) int {
	r, err := Open(os.Getenv("GITSTORE_DIR"), Program{})
	if err != nil {
		fmt.Println(err)
		return 1
	}
	r.NoSync = role == "append" || role == "pack"
	at, _ := strconv.Atoi(os.Getenv("GITSTORE_KILL"))
	r.fault = func(string) error {
		if at--; at == 0 {
			os.Exit(killed) // as a kill: nothing deferred runs
		}
		return nil
	}
	if role == "pack" {
		if err := r.pack(); err != nil {
			fmt.Println(err)
			return 1
		}
		return 0
	}
	tx, err := r.Lock(context.Background(), 30*time.Second)
	if err != nil {
		fmt.Println(err)
		return 1
	}
	switch role {
	case "write":
		_, err = write(tx, crashFiles, crashRefs(r)...)
	case "recover":
		tx.Rollback()
	case "append":
		tx.Rollback()
		at = 0
		for i := range 4 {
			if tx, err = r.Lock(context.Background(), 30*time.Second); err != nil {
				break
			}
			name := fmt.Sprintf("instruments/astrella-61/%s/%d.toml", os.Getenv("GITSTORE_NAME"), i)
			if _, err = write(tx, map[string]string{name: name}); err != nil {
				break
			}
		}
	}
	if err != nil {
		fmt.Println(err)
		return 1
	}
	return 0
}

func runChild(t *testing.T, role, dir string, kill int, more ...string) int {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "GITSTORE_CHILD="+role, "GITSTORE_DIR="+dir, "GITSTORE_KILL="+strconv.Itoa(kill))
	cmd.Env = append(cmd.Env, more...)
	out, err := cmd.CombinedOutput()
	code := cmd.ProcessState.ExitCode()
	if err != nil && code != killed {
		t.Fatalf("%s: exit %d: %s", role, code, out)
	}
	return code
}

var (
	crashBase = map[string]string{
		"shop.toml":                          "name = \"Halden Street Workshop\"\n",
		"instruments/nocturne-64/t1/a.toml":  "kind = \"intake\"\n",
		"instruments/nocturne-64/t1/gone":    "old\n",
		"instruments/longwave-3/only/x.toml": "kind = \"note\"\n",
	}
	crashFiles = map[string]string{
		"instruments/nocturne-64/t1/a.toml":  "kind = \"intake\"\nreason = \"overhaul\"\n",
		"instruments/nocturne-64/t1/gone":    "-",
		"instruments/longwave-3/only/x.toml": "-",
		"instruments/longwave-3/only":        "a file now\n",
		"books/nocturne-64/t1/price.toml":    "hours = 3\n",
	}
)

const (
	unitRef = "refs/heads/unit/nocturne-64/t1"
	oldRef  = "refs/heads/unit/old"
)

func crashRefs(r *Repo) []RefUpdate {
	h, _, _ := r.Ref(oldRef)
	return []RefUpdate{{Name: unitRef, New: newest}, {Name: oldRef, Old: h}}
}

// crashRepo is a repository in which write will change, add and remove files
// and refs, some of them packed.
func crashRepo(t *testing.T) string {
	r := newRepo(t)
	mustWrite(t, r, crashBase, RefUpdate{Name: oldRef, New: newest})
	git(t, r.Dir, "pack-refs", "--all")
	git(t, r.Dir, "repack", "-adq")
	return r.Dir
}

func copyRepo(t testing.TB, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// outcome is "before" or "after", or describes a mixture.
func outcome(t *testing.T, r *Repo) string {
	t.Helper()
	_, unit, err := r.Ref(unitRef)
	if err != nil {
		t.Fatal(err)
	}
	_, old, err := r.Ref(oldRef)
	if err != nil {
		t.Fatal(err)
	}
	n := git(t, r.Dir, "rev-list", "--count", "main")
	before, after := true, true
	for p, text := range crashBase {
		before = before && read(t, r, p) == text
	}
	for p, text := range crashFiles {
		after = after && read(t, r, p) == text
	}
	switch {
	case before && n == "1" && !unit && old:
		return "before"
	case after && n == "2" && unit && !old:
		return "after"
	}
	return fmt.Sprintf("mixed: before=%t after=%t commits=%s unit=%t old=%t", before, after, n, unit, old)
}

func refsOf(t *testing.T, r *Repo) string {
	t.Helper()
	refs, err := r.Refs("refs/")
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprint(refs)
}

// stride is by how many steps a test goes on: 1 where BENCHLORE_TEST_KILLS asks for
// the long run.
func stride(short int) int {
	if os.Getenv("BENCHLORE_TEST_KILLS") != "" {
		return 1
	}
	return short
}

func TestKilledAtEveryStep(t *testing.T) {
	t.Parallel()
	base := crashRepo(t)
	seen := map[string]int{}
	for k := 1; ; k += stride(3) {
		dir := copyRepo(t, base)
		code := runChild(t, "write", dir, k)
		twin := copyRepo(t, dir)
		r := open(t, dir)
		tx := lock(t, r)
		rec := tx.Recovered
		tx.Rollback()
		if rec != nil && !rec.Finished {
			t.Errorf("step %d: abandoned: %s", k, rec.Reason)
		}
		got := outcome(t, r)
		seen[got]++
		if got != "before" && got != "after" || code == 0 && got != "after" {
			t.Fatalf("step %d: %s", k, got)
		}
		clean(t, dir)
		other := open(t, twin)
		lock(t, other).Rollback()
		if a, b := refsOf(t, r), refsOf(t, other); a != b {
			t.Errorf("step %d: two copies recovered to %s and %s", k, a, b)
		}
		// The ledger goes on as if nothing had happened.
		mustWrite(t, r, map[string]string{"shop.toml": "next\n"})
		clean(t, dir)
		if code == 0 {
			break
		}
	}
	if few := 5 / stride(3); seen["before"] < few || seen["after"] < few {
		t.Errorf("too few steps were tried: %v", seen)
	}
}

func TestKilledAgainDuringRecovery(t *testing.T) {
	t.Parallel()
	base := crashRepo(t)
	for first := 3; ; first += 4 * stride(2) {
		start := copyRepo(t, base)
		if runChild(t, "write", start, first) == 0 {
			return
		}
		if !fileExists(filepath.Join(start, ".git", "gitstore", "journal")) {
			continue
		}
		for second := 1; ; second += 3 * stride(2) {
			dir := copyRepo(t, start)
			code := runChild(t, "recover", dir, second)
			r := open(t, dir)
			lock(t, r).Rollback()
			if got := outcome(t, r); got != "after" {
				t.Fatalf("steps %d, %d: %s", first, second, got)
			}
			clean(t, dir)
			if code == 0 {
				break
			}
		}
	}
}

func TestErrorAtEveryStep(t *testing.T) {
	t.Parallel()
	base := crashRepo(t)
	broken := errors.New("no space left")
	undone, done := 0, 0
	for k := 1; ; k += stride(3) {
		dir := copyRepo(t, base)
		r := open(t, dir)
		at := k
		r.fault = func(string) error {
			if at--; at == 0 {
				return broken
			}
			return nil
		}
		tx, err := r.Lock(context.Background(), time.Second)
		if err == nil {
			_, err = write(tx, crashFiles, crashRefs(r)...)
		}
		r.fault = nil
		_, interrupted := errors.AsType[*InterruptedError](err)
		if err == nil || interrupted {
			lock(t, r).Rollback()
			if got := outcome(t, r); got != "after" {
				t.Fatalf("step %d (%v): %s", k, err, got)
			}
			done++
		} else {
			if !errors.Is(err, broken) {
				t.Fatalf("step %d: %v", k, err)
			}
			if got := outcome(t, r); got != "before" {
				t.Fatalf("step %d (%v): %s", k, err, got)
			}
			undone++
		}
		clean(t, dir)
		if at > 0 {
			break
		}
	}
	if undone < 10/stride(3) || done < 3/stride(3) {
		t.Errorf("%d undone, %d done", undone, done)
	}
}

// journalled returns a repository whose writer died just after the journal was
// complete.
func journalled(t *testing.T) string {
	base := crashRepo(t)
	for k := 1; ; k++ {
		dir := copyRepo(t, base)
		if runChild(t, "write", dir, k) == 0 {
			t.Fatal("no journal was written")
		}
		if fileExists(filepath.Join(dir, ".git", "gitstore", "journal")) {
			return dir
		}
	}
}

func TestRecoveryStepsAsideForEdits(t *testing.T) {
	tests := map[string]func(dir string){
		"edited file": func(dir string) { put(t, dir, "instruments/nocturne-64/t1/a.toml", "by hand\n") },
		"file in the way": func(dir string) {
			put(t, dir, "books/nocturne-64/t1/price.toml", "another\n")
		},
		"commit by git": func(dir string) { git(t, dir, "commit", "-q", "--allow-empty", "-m", "meanwhile") },
		"other branch": func(dir string) {
			git(t, dir, "symbolic-ref", "HEAD", "refs/heads/elsewhere")
		},
		"damaged journal": func(dir string) { put(t, dir, ".git/gitstore/journal", "{") },
	}
	for name, meddle := range tests {
		t.Run(name, func(t *testing.T) {
			dir := journalled(t)
			os.Remove(filepath.Join(dir, ".git", "index.lock")) // as the user is told to
			meddle(dir)
			before := git(t, dir, "status", "--porcelain")
			r := open(t, dir)
			main, _, _ := r.Ref("refs/heads/main")
			tx := lock(t, r)
			rec := tx.Recovered
			tx.Rollback()
			if rec == nil || rec.Finished || rec.Reason == "" {
				t.Fatalf("recovery: %+v", rec)
			}
			if !fileExists(rec.Journal) {
				t.Errorf("no journal at %q", rec.Journal)
			}
			if now, _, _ := r.Ref("refs/heads/main"); now != main {
				t.Error("main was moved")
			}
			if after := git(t, dir, "status", "--porcelain"); after != before {
				t.Errorf("status was\n%s\nand is\n%s", before, after)
			}
			if tx := lock(t, r); tx.Recovered != nil {
				t.Error("recovered twice")
			}
		})
	}
}

func TestConcurrentProcesses(t *testing.T) {
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"shop.toml": "x\n"})
	var wg sync.WaitGroup
	const n = 8
	for i := range n {
		wg.Go(func() {
			if i%2 == 0 {
				runChild(t, "append", r.Dir, 0, fmt.Sprintf("GITSTORE_NAME=p%d", i))
				return
			}
			own, err := Open(r.Dir, Program{})
			if err != nil {
				t.Error(err)
				return
			}
			defer own.Close()
			own.NoSync = true
			for k := range 4 {
				tx, err := own.Lock(context.Background(), 30*time.Second)
				if err == nil {
					name := fmt.Sprintf("instruments/astrella-61/p%d/%d.toml", i, k)
					_, err = write(tx, map[string]string{name: name})
				}
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	for i := range n {
		for k := range 4 {
			name := fmt.Sprintf("instruments/astrella-61/p%d/%d.toml", i, k)
			if got := read(t, r, name); got != name {
				t.Errorf("%s holds %q", name, got)
			}
		}
	}
	if got := git(t, r.Dir, "rev-list", "--count", "main"); got != strconv.Itoa(4*n+1) {
		t.Errorf("%s commits, want %d", got, 4*n+1)
	}
	clean(t, r.Dir)
}

func TestStockGitAtTheSameTime(t *testing.T) {
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"shop.toml": "x\n"})
	git(t, r.Dir, "config", "gc.auto", "0")
	const n = 10
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := range n {
			name := fmt.Sprintf("git-%d", i)
			put(t, r.Dir, name, name)
			for _, args := range [][]string{{"add", name}, {"commit", "-q", "-m", name, "--", name}, {"pack-refs", "--all"}} {
				for try := 0; ; try++ {
					out, err := gitErr(t, r.Dir, args...)
					if err == nil {
						break
					}
					if try == 500 {
						t.Errorf("%v: %s", args, out)
						return
					}
					time.Sleep(5 * time.Millisecond)
				}
			}
		}
	})
	wg.Go(func() {
		for i := range n {
			name := fmt.Sprintf("ours-%d", i)
			for try := 0; ; try++ {
				tx, err := r.Lock(context.Background(), 30*time.Second)
				if err == nil {
					_, err = write(tx, map[string]string{name: name})
				}
				if err == nil {
					break
				}
				_, moved := errors.AsType[*RefMovedError](err)
				_, locked := errors.AsType[*ForeignLockError](err)
				if !moved && !locked || try == 500 {
					t.Error(err)
					return
				}
			}
		}
	})
	wg.Wait()
	for i := range n {
		for _, name := range []string{fmt.Sprintf("git-%d", i), fmt.Sprintf("ours-%d", i)} {
			if got, err := gitErr(t, r.Dir, "show", "main:"+name); err != nil || got != name {
				t.Errorf("main:%s holds %q %v", name, got, err)
			}
		}
	}
	if got := git(t, r.Dir, "rev-list", "--count", "main"); got != strconv.Itoa(2*n+1) {
		t.Errorf("%s commits, want %d", got, 2*n+1)
	}
	clean(t, r.Dir)
}

func TestForeignLocksAreReportedAndKept(t *testing.T) {
	for _, lockFile := range []string{"index.lock", "refs/heads/main.lock"} {
		t.Run(lockFile, func(t *testing.T) {
			r := newRepo(t)
			mustWrite(t, r, map[string]string{"a": "1\n"})
			name := filepath.Join(r.GitDir, filepath.FromSlash(lockFile))
			if err := os.WriteFile(name, []byte("someone else\n"), 0o666); err != nil {
				t.Fatal(err)
			}
			tx, err := r.Lock(context.Background(), 50*time.Millisecond)
			if err == nil {
				_, err = write(tx, map[string]string{"a": "2\n"})
			}
			foreign, ok := errors.AsType[*ForeignLockError](err)
			if !ok || foreign.Path != name || !strings.Contains(err.Error(), "delete that file") {
				t.Fatalf("got %v", err)
			}
			if b, _ := os.ReadFile(name); string(b) != "someone else\n" {
				t.Errorf("the lock now holds %q", b)
			}
			os.Remove(name)
			if got := read(t, r, "a"); got != "1\n" {
				t.Errorf("a holds %q", got)
			}
			clean(t, r.Dir)
		})
	}
}

// TestEmptyLock: an empty index.lock may be a living git's. It is removed only when
// whoever was asked says so, and only where it is the file they were asked about.
func TestEmptyLock(t *testing.T) {
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"a": "1\n"})
	name := filepath.Join(r.GitDir, "index.lock")
	lay := func() {
		if err := os.WriteFile(name, nil, 0o666); err != nil {
			t.Fatal(err)
		}
		long := time.Now().AddDate(-20, 0, 0) // longer than any computer runs
		if err := os.Chtimes(name, long, long); err != nil {
			t.Fatal(err)
		}
	}
	lay()
	for _, c := range []struct {
		ask  func(*ForeignLockError) bool
		gone bool
	}{
		{nil, false},
		{func(*ForeignLockError) bool { return false }, false},
		{func(*ForeignLockError) bool {
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name, []byte("another git took it\n"), 0o666); err != nil {
				t.Fatal(err)
			}
			return true
		}, false},
		{func(e *ForeignLockError) bool { return e.Empty && e.Path == name }, true},
	} {
		r.DropLock = c.ask
		tx, err := r.Lock(context.Background(), 50*time.Millisecond)
		if err == nil {
			tx.Rollback()
		}
		if foreign, ok := errors.AsType[*ForeignLockError](err); c.gone && err != nil || !c.gone && (!ok || foreign.Path != name) {
			t.Errorf("got %v", err)
		}
		if c.gone == fileExists(name) {
			t.Errorf("it is there: %v", fileExists(name))
		}
		lay()
	}
}

func TestBusy(t *testing.T) {
	r := newRepo(t)
	tx := lock(t, r)
	if out, err := gitErr(t, r.Dir, "commit", "--allow-empty", "-m", "x"); err == nil || !strings.Contains(out, "index.lock") {
		t.Errorf("stock git was not kept out: %v %s", err, out)
	}
	other := open(t, r.Dir)
	_, err := other.Lock(context.Background(), 30*time.Millisecond)
	if _, ok := errors.AsType[*BusyError](err); !ok {
		t.Errorf("got %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := other.Lock(ctx, time.Minute); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	tx.Rollback()
	lock(t, other)
}

func TestRefMoved(t *testing.T) {
	r := newRepo(t)
	first := mustWrite(t, r, map[string]string{"a": "1\n"})
	tx := lock(t, r)
	err := tx.Commit(Plan{Refs: []RefUpdate{{Name: "refs/heads/main", New: first}}})
	moved, ok := errors.AsType[*RefMovedError](err)
	if !ok || moved.Got != first || moved.Want != object.ZeroHash {
		t.Fatalf("got %v", err)
	}
	if _, err := tx.WriteBlob(nil); err == nil {
		t.Error("the transaction can still be used")
	}
	clean(t, r.Dir)
}
