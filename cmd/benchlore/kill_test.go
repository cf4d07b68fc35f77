package main

import (
	"bytes"
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
)

// program starts the real program in dir: this binary, playing it.
func program(dir string, env []string, args ...string) *exec.Cmd {
	exe, err := os.Executable()
	if err != nil {
		panic(err)
	}
	cmd := exec.Command(exe, args...)
	cmd.Dir = dir
	cmd.Env = append(append(os.Environ(), testPlay+"=1", testNow+"="+benchDay), env...)
	return cmd
}

// must runs the program and returns what it printed.
func must(t testing.TB, dir string, args ...string) string {
	t.Helper()
	out, err := program(dir, nil, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("benchlore %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// newBench lays the small ledger, with its job ready to be released.
func newBench(t testing.TB) string {
	t.Helper()
	needGit(t)
	dir := filepath.Join(t.TempDir(), "ledger")
	err := layBench(dir, func(at string, args ...string) error {
		out, err := program(at, nil, args...).CombinedOutput()
		if err != nil {
			err = fmt.Errorf("benchlore %s: %w\n%s", strings.Join(args, " "), err, out)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// kills is how often TestKilled kills the program: BENCHLORE_TEST_KILLS, else
// few enough for every run.
func kills(t *testing.T) int {
	if s := os.Getenv("BENCHLORE_TEST_KILLS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatalf("BENCHLORE_TEST_KILLS: %v", err)
		}
		return n
	}
	return 16
}

// victim is one ledger that is written to and killed over and over.
type victim struct {
	t     *testing.T
	dir   string
	rng   *rand.Rand
	lines []string // canaries of part lines and notes that were acknowledged
	head  string   // of the unit's branch, as a close or a correction that was acknowledged named it
	took  map[string]time.Duration
	n     int
	seen  map[string]int // outcomes
}

// TestKilled kills the program at random instants while it records, closes and
// corrects. Whatever it had acknowledged must be there after the next command,
// stock git must find nothing wrong, and two copies of what the crash left
// must recover to the same hashes.
func TestKilled(t *testing.T) {
	longRound(t)
	const victims = 2 // at the same time, each with a ledger of its own
	n := kills(t) / victims
	seed := uint64(time.Now().UnixNano())
	for k := range victims {
		t.Run(fmt.Sprint(k), func(t *testing.T) {
			t.Parallel()
			t.Logf("seed %d, %d kills", seed, n)
			const guess = 150 * time.Millisecond
			v := &victim{t: t, rng: rand.New(rand.NewPCG(seed, uint64(k))), seen: map[string]int{},
				took: map[string]time.Duration{"part": guess, "note": guess, "close": guess, "correct": guess}}
			for i := range n {
				if i%25 == 0 {
					v.fresh()
				}
				v.round(i)
				if t.Failed() {
					t.Fatalf("after kill %d", i)
				}
			}
			t.Logf("outcomes: %v", v.seen)
			if n >= 40 && (v.seen["nothing happened"] == n || v.seen["recovered in copies"] <= n/10+1) {
				t.Errorf("no kill came in the middle of the work: %v", v.seen)
			}
		})
	}
}

func (v *victim) fresh() {
	v.dir = newBench(v.t)
	v.lines, v.head = nil, ""
}

// waits reports whether the killed command left a journal or a lock behind.
func (v *victim) waits() bool {
	found := false
	err := filepath.WalkDir(filepath.Join(v.dir, ".git"), func(p string, d os.DirEntry, err error) error {
		if d != nil && d.Name() == "objects" {
			return filepath.SkipDir
		}
		found = found || strings.HasSuffix(p, ".lock") || filepath.Base(p) == "journal"
		return err
	})
	if err != nil {
		v.t.Error(err)
	}
	return found
}

// round is one command, killed, and the recovery from it.
func (v *victim) round(i int) {
	t := v.t
	mark := fmt.Sprintf("mark%06d", v.n)
	v.n++
	kind, args, stdin := v.command(i, mark)
	before := v.refs(v.dir)
	cmd := program(v.dir, []string{testRandom + "=" + mark}, args...)
	cmd.Stdin = strings.NewReader(stdin)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	start := time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	// Starting up takes the first half; most kills go for the writing after it.
	at := time.Duration(v.rng.Int64N(int64(v.took[kind])))
	if v.rng.IntN(5) > 0 {
		at = v.took[kind]/2 + at/2
	}
	kill := time.AfterFunc(at, func() { _ = cmd.Process.Kill() })
	err := cmd.Wait()
	kill.Stop()
	// Aim at the whole length of the command, however busy the machine is.
	if err == nil {
		v.took[kind] = time.Since(start)
	} else if v.took[kind] += v.took[kind] / 8; cmd.ProcessState.Exited() {
		t.Fatalf("benchlore %s was not killed, and failed: %v\n%s", strings.Join(args, " "), err, out.String())
	}
	v.acknowledged(kind, mark, out.String())

	// What is left recovers the same way in two copies. Where nothing waits to
	// be recovered a look now and then is enough.
	dirs := []string{v.dir}
	if v.waits() || i%10 == 0 {
		for _, c := range []string{v.dir + "-a", v.dir + "-b"} {
			if err := os.RemoveAll(c); err != nil {
				t.Fatal(err)
			}
			if err := os.CopyFS(c, os.DirFS(v.dir)); err != nil {
				t.Fatal(err)
			}
			dirs = append(dirs, c)
		}
	}
	after := make([]string, len(dirs))
	for k, dir := range dirs {
		if out, err := program(dir, nil, "save").CombinedOutput(); err != nil {
			t.Errorf("the command after %s: %v\n%s", kind, err, out)
			return
		}
		if after[k] = v.refs(dir); after[k] != after[0] {
			t.Errorf("after %s was killed, copies recovered differently:\n%s\n%s", kind, after[0], after[k])
		}
	}
	if len(dirs) > 1 {
		v.seen["recovered in copies"]++
	}
	if err := judged(v.dir); err != nil {
		t.Errorf("after %s was killed: %v", kind, err)
	}
	v.holds(i%10 == 0)
	switch {
	case strings.Contains(out.String(), mark) || strings.Contains(out.String(), "head "):
		v.seen["acknowledged"]++
	case before == after[0]:
		v.seen["nothing happened"]++
	default:
		v.seen["done but not acknowledged"]++
	}
}

const (
	openUnit   = "astrella-61/a61-10233" // its job stays open
	closedUnit = "longwave-3/lw3-2204"   // closed and corrected over and over
)

// command chooses what to do next: part lines, notes, closes and corrections
// in turn.
func (v *victim) command(i int, mark string) (kind string, args []string, stdin string) {
	switch i % 4 {
	case 0:
		return "part", []string{"part", "--unit", openUnit, "C14", "failed", "short", "replaced", "10uF/35V", "note=" + mark}, ""
	case 1:
		return "note", []string{"record", "note", "--unit", openUnit, "--title", mark}, ""
	case 2:
		must(v.t, v.dir, "record", "followup", "--unit", closedUnit, "--state", "working", "--said-by", "owner")
		return "close", []string{"close", closedUnit, "--yes"}, ""
	}
	list, err := gitOut(v.dir, "ls-tree", "--name-only", "unit/"+closedUnit)
	if err != nil {
		return v.command(2, mark) // the first close was killed
	}
	for _, f := range strings.Fields(list) {
		if strings.Contains(f, "-followup-") {
			text, err := os.ReadFile(filepath.Join(v.dir, "instruments", filepath.FromSlash(closedUnit), f))
			if err != nil {
				v.t.Fatal(err)
			}
			return "correct", []string{"correct", "instruments/" + closedUnit + "/" + f, "--from", "-", "--reason", mark},
				strings.Replace(string(text), `state = "working"`, `state = "faulty"`+"\nnote = \"x\"", 1) + "# " + mark + "\n"
		}
	}
	v.t.Fatalf("unit/%s has no followup: %s", closedUnit, list)
	return
}

// acknowledged notes what the program said it had done before it died.
func (v *victim) acknowledged(kind, mark, out string) {
	switch kind {
	case "part", "note":
		if strings.Contains(out, "saved instruments/") {
			v.lines = append(v.lines, mark)
		}
	case "correct":
		if _, rest, ok := strings.Cut(out, "unit/"+closedUnit+" "); ok && len(rest) >= 10 {
			v.lines, v.head = append(v.lines, mark), rest[:10]
		}
	case "close":
		if _, rest, ok := strings.Cut(out, ", head "); ok && len(rest) >= 10 {
			v.head = rest[:10]
		}
	}
}

// holds checks that everything acknowledged is there, committed.
func (v *victim) holds(alone bool) {
	v.t.Helper()
	text, err := gitOut(v.dir, "grep", "-h", "mark", "main", "--", "instruments")
	if err != nil && len(v.lines) > 0 {
		v.t.Errorf("git grep: %v\n%s", err, text)
	}
	for _, l := range v.lines {
		if !strings.Contains(text, l) {
			v.t.Errorf("%s had been acknowledged and is gone", l)
		}
	}
	if v.head == "" {
		return
	}
	if out, err := gitOut(v.dir, "merge-base", "--is-ancestor", v.head, "unit/"+closedUnit); err != nil {
		v.t.Errorf("the close or correction acknowledged as %s is gone: %v %s", v.head, err, out)
	}
	if alone {
		if err := unitAlone(v.dir, closedUnit); err != nil {
			v.t.Error(err)
		}
	}
}

// refs lists main and every unit's branch.
func (v *victim) refs(dir string) string {
	v.t.Helper()
	out, err := gitOut(dir, "for-each-ref", "--format=%(refname) %(objectname)")
	if err != nil {
		v.t.Fatalf("git for-each-ref: %v\n%s", err, out)
	}
	return out
}

// TestEightAtOnce records with eight processes into the same unit's open
// record and into another unit. All of them succeed, and nothing is lost.
func TestEightAtOnce(t *testing.T) {
	longRound(t)
	dir := newBench(t)
	const writers, lines = 8, 4
	var all sync.WaitGroup
	for w := range writers {
		all.Add(1)
		go func() {
			defer all.Done()
			for k := range lines {
				mark := fmt.Sprintf("mark-%d-%d", w, k)
				// Each a part of its own: a second line about the same part would
				// rightly begin another record.
				unit, where := openUnit, []string{"chassis", "@" + mark, "family=case/hardware"}
				if w%2 == 1 {
					unit, where = closedUnit, []string{"transport", "@" + mark, "family=mechanism/motor"}
				}
				args := append([]string{"part", "--unit", unit}, where...)
				out, err := program(dir, nil, append(args, "noise", "cleaned", "note="+mark)...).CombinedOutput()
				if err != nil || !strings.Contains(string(out), "saved instruments/") {
					t.Errorf("%s: %v\n%s", mark, err, out)
				}
			}
		}()
	}
	all.Wait()
	if err := judged(dir); err != nil {
		t.Error(err)
	}
	text, err := gitOut(dir, "grep", "-h", "mark-", "main", "--", "instruments")
	if err != nil {
		t.Fatalf("git grep: %v\n%s", err, text)
	}
	for w := range writers {
		for k := range lines {
			if mark := fmt.Sprintf("note = \"mark-%d-%d\"", w, k); strings.Count(text, mark) != 1 {
				t.Errorf("%s is there %d times", mark, strings.Count(text, mark))
			}
		}
	}
	for _, unit := range []string{openUnit, closedUnit} {
		found, err := filepath.Glob(filepath.Join(dir, "instruments", filepath.FromSlash(unit), "*-parts-*.toml"))
		if err != nil || len(found) != 1 {
			t.Errorf("the lines of %s are in %d records, want one: %v %v", unit, len(found), found, err)
		}
	}
	commits, err := gitOut(dir, "rev-list", "--count", "main")
	if err != nil || commits != fmt.Sprint(2+writers*lines) {
		t.Errorf("main has %s commits, want one for each command: %v", commits, err)
	}
}
