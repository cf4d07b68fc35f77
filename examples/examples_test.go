package examples

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"benchlore/ledger"
	"benchlore/ledger/testutil"
)

// TestMain gives git and the replay a neutral home, so that nobody's
// configuration decides a hash.
func TestMain(m *testing.M) {
	flag.Parse()
	os.Exit(testutil.Run(func() int {
		scratch = os.Getenv("HOME")
		return m.Run()
	}, ""))
}

// scratch is removed after the tests.
var scratch string

var replayed struct {
	once   sync.Once
	ledger *ledger.Ledger
	err    error
}

// shop is the example ledger, replayed once for all tests, which only read it.
func shop(t testing.TB) *ledger.Ledger {
	t.Helper()
	if testing.Short() {
		t.Skip("replays three hundred records")
	}
	replayed.once.Do(func() {
		dir, err := os.MkdirTemp(scratch, "shop-")
		if err == nil {
			replayed.ledger, err = Replay(filepath.Join(dir, "ledger"), nil)
		}
		replayed.err = err
	})
	if replayed.err != nil {
		t.Fatal(replayed.err)
	}
	return replayed.ledger
}

func git(t testing.TB, dir string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("stock git is not installed")
		}
		t.Skip("stock git is not installed; it is the judge here")
	}
	cmd := exec.Command("git", append([]string{"-c", "safe.directory=*"}, args...)...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return strings.TrimRight(string(out), "\n")
}

// TestCheck: the example ledger is clean, and stock git finds nothing wrong.
func TestCheck(t *testing.T) {
	l := shop(t)
	r, err := l.Check()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range r.Problems {
		t.Error(p.Drawing())
	}
	for _, g := range r.Git {
		t.Errorf("%+v", g)
	}
	if r.Units < 20 || r.Records < 200 {
		t.Errorf("only %d units with %d records were read", r.Units, r.Records)
	}
	if out := git(t, l.Dir, "status", "--porcelain"); out != "" {
		t.Errorf("git status: %s", out)
	}
	if out := git(t, l.Dir, "fsck", "--strict", "--no-dangling", "--no-progress"); out != "" {
		t.Errorf("git fsck: %s", out)
	}
}

var update = flag.Bool("update", false, "rewrite testdata/heads.txt after a change of the example")

// TestReplayIsDeterministic: a replay gives the hashes every other replay gave,
// for main and for every unit's branch, on whatever machine that was.
func TestReplayIsDeterministic(t *testing.T) {
	got := git(t, shop(t).Dir, "for-each-ref", "--format=%(refname) %(objectname)") + "\n"
	const file = "testdata/heads.txt"
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the replay differs from the one kept in %s; if the example was changed, run go test ./examples -update\n%s", file, got)
	}
	if n := strings.Count(got, "refs/heads/unit/"); n < 15 {
		t.Errorf("only %d units have a history of their own:\n%s", n, got)
	}
}

// TestUnitHistoriesAreAlone: the branch of a unit has a root of its own, holds
// that unit's files alone, names no other unit, and once a job is closed its
// tree is the very one main has.
func TestUnitHistoriesAreAlone(t *testing.T) {
	l := shop(t)
	units, err := l.Units()
	if err != nil {
		t.Fatal(err)
	}
	stock, err := l.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	branches := git(t, l.Dir, "for-each-ref", "--format=%(refname:lstrip=3)", "refs/heads/unit")
	for _, name := range strings.Fields(branches) {
		u, err := l.Unit(name, stock)
		if err != nil {
			t.Fatal(err)
		}
		branch := "unit/" + name
		if roots := git(t, l.Dir, "rev-list", "--max-parents=0", branch); len(strings.Fields(roots)) != 1 {
			t.Errorf("%s has these roots: %s", branch, roots)
		}
		for _, p := range strings.Fields(git(t, l.Dir, "log", "--name-only", "--format=", branch)) {
			if strings.Contains(p, "/") && !strings.HasPrefix(p, "photos/") && !strings.HasPrefix(p, "files/") ||
				p == "shop.toml" || p == "families.toml" {
				t.Errorf("%s has %s", branch, p)
			}
		}
		log := git(t, l.Dir, "log", "-p", "--format=%B", branch)
		if commits, named := git(t, l.Dir, "rev-list", "--count", branch), strings.Count(log, "\nInstrument: "+u.Instrument.UUID); fmt.Sprint(named) != commits {
			t.Errorf("%s has %s commits, and %d name the instrument", branch, commits, named)
		}
		for _, other := range units {
			if other != name && strings.Contains(log, other) {
				t.Errorf("the history of %s names %s", name, other)
			}
		}
		if u.OpenJob() == nil {
			if a, b := git(t, l.Dir, "rev-parse", branch+"^{tree}"), git(t, l.Dir, "rev-parse", "main:instruments/"+name); a != b {
				t.Errorf("%s has tree %s, main has %s", branch, a, b)
			}
		}
	}
}

func BenchmarkReplay(b *testing.B) {
	for b.Loop() {
		l, err := Replay(b.TempDir(), nil)
		if err != nil {
			b.Fatal(err)
		}
		l.Close()
	}
}
