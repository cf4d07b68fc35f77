package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
)

// trade is a ledger in the office, a copy at the fair, and the bare repository
// between them. Both have something the other has not.
type trade struct {
	t                       *testing.T
	top, office, fair, bare string
}

var traded struct {
	once sync.Once
	dir  string
	err  error
}

func newTrade(t *testing.T) *trade {
	t.Helper()
	needGit(t)
	traded.once.Do(func() {
		traded.dir, traded.err = os.MkdirTemp(os.Getenv("HOME"), "trade-")
		if traded.err != nil {
			return
		}
		run := func(dir string, args ...string) error {
			out, err := program(dir, []string{testRandom + "=" + dir}, args...).CombinedOutput()
			if err != nil {
				err = fmt.Errorf("benchlore %s: %w\n%s", strings.Join(args, " "), err, out)
			}
			return err
		}
		office := filepath.Join(traded.dir, "office")
		if traded.err = layBench(office, run); traded.err != nil {
			return
		}
		f, err := os.OpenFile(filepath.Join(office, "shop.toml"), os.O_APPEND|os.O_WRONLY, 0)
		if err == nil {
			_, err = f.WriteString("\n[[remote]]\nname = \"office\"\nurl = \"../office.git\"\nrole = \"own\"\n")
			f.Close()
		}
		if traded.err = err; err != nil {
			return
		}
		fair := filepath.Join(traded.dir, "fair")
		for _, c := range []struct {
			dir  string
			args []string
		}{
			{office, []string{"save"}},
			{office, []string{"record", "note", "--unit", closedUnit, "--title", "first"}},
			{office, []string{"close", closedUnit, "--yes"}},
			{office, []string{"sync", "--create"}},
			{traded.dir, []string{"join", "office.git", "fair"}},
			{office, []string{"record", "note", "--unit", openUnit, "--title", "from-the-office"}},
			{office, []string{"sync"}},
			{fair, []string{"record", "note", "--unit", openUnit, "--title", "from-the-fair"}},
		} {
			if traded.err = run(c.dir, c.args...); traded.err != nil {
				return
			}
		}
	})
	if traded.err != nil {
		t.Fatal(traded.err)
	}
	top := t.TempDir()
	if err := os.CopyFS(top, os.DirFS(traded.dir)); err != nil {
		t.Fatal(err)
	}
	return &trade{t, top, filepath.Join(top, "office"), filepath.Join(top, "fair"), filepath.Join(top, "office.git")}
}

func (w *trade) git(dir string, args ...string) string {
	w.t.Helper()
	out, err := gitOut(dir, args...)
	if err != nil {
		w.t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return out
}

// whole checks that the ledger is in order and has both notes.
func (w *trade) whole(dir string) {
	w.t.Helper()
	if err := judged(dir); err != nil {
		w.t.Error(err)
	}
	must(w.t, dir, "check")
	for _, note := range []string{"from-the-office", "from-the-fair", "first"} {
		if out, err := gitOut(dir, "grep", "-q", note, "main"); err != nil {
			w.t.Errorf("%s is gone from %s: %s", note, dir, out)
		}
	}
}

// loose is the file of the object a revision names, unpacked.
func (w *trade) loose(dir, rev string) string {
	w.t.Helper()
	h := w.git(dir, "rev-parse", rev)
	git := dir
	if _, err := os.Stat(filepath.Join(dir, ".git")); err == nil {
		git = filepath.Join(dir, ".git")
	}
	return filepath.Join(git, "objects", h[:2], h[2:])
}

func write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

// TestSyncFaults: each fault ends in a message that says what to do, changes
// nothing, and doing that brings the exchange to its end with everything there.
func TestSyncFaults(t *testing.T) {
	longRound(t)
	note := "HEAD:instruments/" + openUnit
	for i, c := range []struct {
		name   string
		damage func(w *trade)
		says   string // "": it goes through all the same
		repair func(w *trade)
	}{
		{"a lock of git's on main", func(w *trade) { write(w.t, filepath.Join(w.fair, ".git/refs/heads/main.lock"), "") },
			`another git program holds .*main\.lock.*delete that file`, func(w *trade) { os.Remove(filepath.Join(w.fair, ".git/refs/heads/main.lock")) }},
		{"a lock on the server", func(w *trade) { write(w.t, filepath.Join(w.bare, "refs/heads/main.lock"), "") },
			`another git program holds .*main\.lock.*delete that file`, func(w *trade) { os.Remove(filepath.Join(w.bare, "refs/heads/main.lock")) }},
		{"an index cut short", func(w *trade) {
			name := filepath.Join(w.fair, ".git/index")
			data, err := os.ReadFile(name)
			if err != nil {
				w.t.Fatal(err)
			}
			write(w.t, name, string(data[:len(data)/2]))
		}, `(?s)index is not readable.*git read-tree HEAD`, func(w *trade) { os.Remove(filepath.Join(w.fair, ".git/index")); w.git(w.fair, "reset", "-q") }},
		{"an object gone from the server", func(w *trade) { os.Remove(w.loose(w.bare, note)) }, `(?s)object [0-9a-f]+ is gone.*git fetch --refetch`,
			func(w *trade) {
				data, err := os.ReadFile(w.loose(w.office, note))
				if err != nil {
					w.t.Fatal(err)
				}
				write(w.t, w.loose(w.bare, note), string(data))
			}},
		{"an object damaged on the server", func(w *trade) {
			os.Chmod(w.loose(w.bare, note), 0o666)
			write(w.t, w.loose(w.bare, note), "rubbish")
		}, `is damaged`, func(w *trade) {
			data, err := os.ReadFile(w.loose(w.office, note))
			if err != nil {
				w.t.Fatal(err)
			}
			write(w.t, w.loose(w.bare, note), string(data))
		}},
		{"the server's folder gone", func(w *trade) { os.Rename(w.bare, w.bare+"-away") }, `there is no repository at`,
			func(w *trade) { os.Rename(w.bare+"-away", w.bare) }},
		{"the server's folder lost for good", func(w *trade) { must(w.t, w.office, "sync"); os.RemoveAll(w.bare) }, `sync --create`,
			func(w *trade) { must(w.t, w.office, "sync", "--create") }},
		{"a merge by hand under way", func(w *trade) {
			write(w.t, filepath.Join(w.fair, ".git/MERGE_HEAD"), w.git(w.fair, "rev-parse", "main")+"\n")
		},
			`a merge is in progress.*git merge --abort`, func(w *trade) { os.Remove(filepath.Join(w.fair, ".git/MERGE_HEAD")) }},
		{"another branch", func(w *trade) { w.git(w.fair, "switch", "-qc", "aside") }, `the ledger is kept on main`, func(w *trade) { w.git(w.fair, "switch", "-q", "main") }},
		{"a shallow clone", func(w *trade) {
			os.RemoveAll(w.fair)
			must(w.t, w.office, "record", "note", "--unit", openUnit, "--title", "from-the-fair")
			must(w.t, w.office, "sync")
			w.git(w.top, "clone", "-q", "--depth", "1", "file://"+filepath.ToSlash(w.bare), w.fair)
		}, `git fetch --unshallow`, func(w *trade) { w.git(w.fair, "fetch", "-q", "--unshallow") }},
		{"a clone of main alone", func(w *trade) {
			os.RemoveAll(w.fair)
			must(w.t, w.office, "record", "note", "--unit", openUnit, "--title", "from-the-fair")
			must(w.t, w.office, "sync")
			w.git(w.top, "clone", "-q", "--single-branch", "--branch", "main", "file://"+filepath.ToSlash(w.bare), w.fair)
		}, "", nil},
		{"a clone that converts line endings and has no case", func(w *trade) {
			os.RemoveAll(w.fair)
			must(w.t, w.office, "record", "note", "--unit", openUnit, "--title", "from-the-fair")
			must(w.t, w.office, "sync")
			w.git(w.top, "clone", "-q", "-c", "core.autocrlf=true", "-c", "core.eol=crlf", "-c", "core.ignorecase=true", w.bare, w.fair)
		}, "", nil},
		{"a unit's branch gone here", func(w *trade) { w.git(w.fair, "branch", "-qD", "unit/"+closedUnit) }, "", nil},
		{"everything packed by git", func(w *trade) { w.git(w.fair, "gc", "-q", "--prune=now"); w.git(w.bare, "gc", "-q", "--prune=now") }, "", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			sampled(t, i, 3)
			w := newTrade(t)
			c.damage(w)
			if c.says != "" {
				out, err := program(w.fair, nil, "sync").CombinedOutput()
				if err == nil || !regexp.MustCompile(`(?s)`+c.says).Match(out) {
					t.Fatalf("sync: %v, want %s\n%s", err, c.says, out)
				}
				c.repair(w)
			}
			must(t, w.fair, "sync")
			must(t, w.office, "sync")
			w.whole(w.fair)
			w.whole(w.office)
		})
	}
}

// TestSyncClockBack: a clock that stands a year early neither stops an exchange
// nor loses anything.
func TestSyncClockBack(t *testing.T) {
	w := newTrade(t)
	cmd := program(w.fair, []string{testNow + "=2030-03-04T10:00:00+01:00"}, "sync")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	must(t, w.office, "sync")
	w.whole(w.fair)
	w.whole(w.office)
}

// TestSyncCrowd: several exchanges, commands and a stock git at work in two
// copies at once. Every one of them either does its work or says why not, and
// what was acknowledged is there.
func TestSyncCrowd(t *testing.T) {
	longRound(t)
	w := newTrade(t)
	var all sync.WaitGroup
	var mu sync.Mutex
	var marks []string
	for k := range 6 {
		dir := []string{w.office, w.fair}[k%2]
		all.Go(func() {
			for i := range 2 {
				mark := fmt.Sprintf("crowd-%d-%d", k, i)
				var out []byte
				var err error
				switch k / 2 {
				case 0:
					out, err = program(dir, nil, "sync").CombinedOutput()
				case 1:
					out, err = program(dir, []string{testRandom + "=" + mark}, "record", "note", "--unit", openUnit, "--title", mark).CombinedOutput()
					if err == nil {
						mu.Lock()
						marks = append(marks, mark)
						mu.Unlock()
					}
				case 2: // somebody types git
					name := "lots/" + mark + ".toml"
					if err := os.MkdirAll(filepath.Join(dir, "lots"), 0o777); err != nil {
						t.Error(err)
					}
					write(t, filepath.Join(dir, name), "family = \"capacitor/film\"\npart = {value = \"10 nF\"}\ndate = 2031-03-01\nquantity = 1\n")
					g, gerr := gitOut(dir, "add", name)
					if gerr == nil {
						g, gerr = gitOut(dir, "commit", "-qm", "a lot, by hand", "--", name)
					}
					if gerr == nil {
						mu.Lock()
						marks = append(marks, mark)
						mu.Unlock()
					} else if !strings.Contains(g, "lock") {
						t.Errorf("git: %v\n%s", gerr, g)
					}
				}
				if err != nil && !regexp.MustCompile(`run the command again|moved|holds|edited|staged|somebody else was faster`).Match(out) {
					t.Errorf("%s: %v\n%s", mark, err, out)
				}
			}
		})
	}
	all.Wait()
	for _, dir := range []string{w.office, w.fair, w.office} {
		must(t, dir, "save")
		must(t, dir, "sync")
	}
	w.whole(w.fair)
	w.whole(w.office)
	for _, m := range marks {
		for _, dir := range []string{w.office, w.fair} {
			if out, err := gitOut(dir, "ls-tree", "-r", "--name-only", "main"); err != nil || !strings.Contains(out, m) {
				if _, err := gitOut(dir, "grep", "-q", m, "main"); err != nil {
					t.Errorf("%s had been acknowledged and is not in %s", m, dir)
				}
			}
		}
	}
}
