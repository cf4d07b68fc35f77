package main

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// market is several benches, each with its copy of the ledger, that record, close
// and seal by themselves and exchange by way of a shared folder, and whose programs
// are killed at random instants. It knows what was acknowledged.
type market struct {
	t     *testing.T
	rng   *rand.Rand
	bare  string
	bench []string
	units []string
	n     int
	took  map[string]time.Duration
	marks []string          // of records
	heads map[string]string // acknowledged heads of units' branches -> unit
	seals map[string]string // tag -> unit
	done  map[string]int
}

// benchClock is when the first command of a market is given; each comes a minute
// after the one before.
var benchClock = time.Date(2031, 3, 5, 10, 0, 0, 0, time.FixedZone("", 3600))

func newMarket(t *testing.T, benches int, seed uint64) *market {
	w := newTrade(t)
	m := &market{t: t, rng: rand.New(rand.NewPCG(seed, uint64(benches))), bare: w.bare, took: map[string]time.Duration{}, heads: map[string]string{},
		seals: map[string]string{}, done: map[string]int{}}
	key := filepath.Join(w.top, "key")
	if out, err := exec.Command("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "bench", "-f", key).CombinedOutput(); err != nil {
		t.Fatalf("ssh-keygen: %v %s", err, out)
	}
	settings := func(dir string) {
		for _, kv := range [][]string{{"gpg.format", "ssh"}, {"user.signingkey", key}, {"gc.auto", "300"}, {"gc.autoPackLimit", "2"}} {
			w.git(dir, append([]string{"config"}, kv...)...)
		}
	}
	settings(w.office)
	m.bench = []string{w.office}
	for i := range 3 {
		unit := fmt.Sprintf("longwave-3/lw3-%d", 3000+i)
		m.units = append(m.units, unit)
		m.must(0, "new", "longwave-3", fmt.Sprintf("lw3-%d", 3000+i), "--maker", "Quillard", "--serial", fmt.Sprintf("plate=%d", 3000+i))
		m.must(0, "record", "followup", "--unit", unit, "--state", "working", "--said-by", "owner")
		m.must(0, "close", unit, "--yes")
	}
	m.must(0, "sync")
	w.git(m.bare, "config", "gc.auto", "300")
	w.git(m.bare, "config", "gc.autoPackLimit", "2")
	for k := 1; k < benches; k++ {
		dir := filepath.Join(w.top, fmt.Sprintf("bench-%d", k))
		must(t, w.top, "join", m.bare, dir)
		settings(dir)
		m.bench = append(m.bench, dir)
	}
	return m
}

// command readies the program at a bench.
func (m *market) command(k int, args ...string) *exec.Cmd {
	m.n++
	now := benchClock.Add(time.Duration(m.n) * time.Minute).Format(time.RFC3339)
	return program(m.bench[k], []string{testNow + "=" + now, testRandom + "=" + fmt.Sprint("market", m.n)}, args...)
}

// must runs the program at a bench to its end.
func (m *market) must(k int, args ...string) string {
	m.t.Helper()
	out, err := m.command(k, args...).CombinedOutput()
	if err != nil {
		m.t.Fatalf("bench %d: benchlore %s: %v\n%s", k, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// Refusals that are no fault: another bench was faster, or nothing was new.
var refusals = regexp.MustCompile(`nothing new|everything is closed already|nothing to close|is sealed already|has what is not closed yet|somebody else was faster|first pass over|the last seal of|behind what was closed|run the command again`)

var (
	headSaid = regexp.MustCompile(`, head ([0-9a-f]{10})`)
	sealSaid = regexp.MustCompile(`(seal/\S+/\d+-[0-9a-f]{8})`)
)

// round has some benches do one thing each, at once, and kills some of them.
func (m *market) round() {
	type run struct {
		kind, unit, mark string
		cmd              *exec.Cmd
		out              bytes.Buffer
		start            time.Time
		doomed           bool
		done             chan error
	}
	var runs []*run
	for _, k := range m.rng.Perm(len(m.bench))[:1+m.rng.IntN(min(3, len(m.bench)))] {
		r := &run{unit: m.units[m.rng.IntN(len(m.units))], done: make(chan error, 1)}
		r.mark = fmt.Sprintf("mark%06d", m.n+1)
		var args []string
		switch n := m.rng.IntN(10); {
		case n < 3:
			r.kind, args = "note", []string{"record", "note", "--unit", append(m.units, openUnit)[m.rng.IntN(len(m.units)+1)], "--title", r.mark}
		case n < 5:
			m.must(k, "record", "note", "--unit", r.unit, "--title", "before the close")
			r.kind, args = "close", []string{"close", r.unit, "--yes"}
		case n < 6:
			r.kind, args = "seal", []string{"seal", r.unit, "--unsigned-history"}
		default:
			r.kind, args = "sync", []string{"sync"}
		}
		r.cmd = m.command(k, args...)
		r.cmd.Stdout, r.cmd.Stderr = &r.out, &r.out
		r.doomed = m.rng.IntN(5) < 3
		r.start = time.Now()
		if err := r.cmd.Start(); err != nil {
			m.t.Fatal(err)
		}
		took := max(m.took[r.kind], 60*time.Millisecond)
		if r.doomed {
			at := took/6 + time.Duration(m.rng.Int64N(int64(took)))
			time.AfterFunc(at, func() { _ = r.cmd.Process.Kill() })
		}
		go func() { r.done <- r.cmd.Wait() }()
		runs = append(runs, r)
	}
	for _, r := range runs {
		err := <-r.done
		out := r.out.String()
		switch {
		case err == nil:
			m.took[r.kind] = time.Since(r.start)
			m.done[r.kind]++
		case !r.cmd.ProcessState.Exited():
			m.took[r.kind] += m.took[r.kind] / 8
			m.done[r.kind+" killed"]++
		case refusals.MatchString(out), r.kind == "sync" && r.cmd.ProcessState.ExitCode() == exitProblems:
			m.done[r.kind+" refused"]++
		default:
			m.t.Fatalf("benchlore %s: %v\n%s", strings.Join(r.cmd.Args[1:], " "), err, out)
		}
		// What it had said before it died counts.
		if strings.Contains(out, "saved instruments/") && r.kind == "note" {
			m.marks = append(m.marks, r.mark)
		}
		if said := headSaid.FindStringSubmatch(out); said != nil && r.kind == "close" {
			m.heads[said[1]] = r.unit
		}
		if said := sealSaid.FindStringSubmatch(out); said != nil && r.kind == "seal" && strings.Contains(out, "sealed "+r.unit) {
			m.seals[said[1]] = r.unit
		}
	}
}

// agreed has every bench take up what was cut short and exchange, and holds all of
// them, and the shared folder, against one another and what was acknowledged.
func (m *market) agreed() {
	t := m.t
	t.Helper()
	for range 2 {
		for k := range m.bench {
			m.must(k, "save")
			m.must(k, "sync")
		}
	}
	m.must(0, "sync") // whose turn came before the last one's
	refs := func(dir string) string {
		out, err := gitOut(dir, "for-each-ref", "--format=%(refname) %(objectname)", "refs/heads", "refs/tags")
		if err != nil {
			t.Fatalf("git for-each-ref: %v\n%s", err, out)
		}
		return out
	}
	for k := range m.bench {
		if k > 0 && k < len(m.bench)-1 {
			m.must(k, "sync")
		}
	}
	want := refs(m.bare)
	if out, err := gitOut(m.bare, "fsck", "--strict", "--no-dangling", "--no-progress"); err != nil || out != "" {
		t.Errorf("git fsck in the shared folder: %v\n%s", err, out)
	}
	for k, dir := range m.bench {
		if got := refs(dir); got != want {
			t.Fatalf("bench %d stands at\n%s\nthe shared folder at\n%s", k, got, want)
		}
		if err := judged(dir); err != nil {
			t.Errorf("bench %d: %v", k, err)
		}
		for line := range strings.Lines(m.must(k, "check")) {
			if strings.HasPrefix(line, "history:") && !strings.Contains(line, "two benches sealed it under one number") {
				t.Errorf("bench %d: check: %s", k, line)
			}
		}
	}
	// Identical refs are identical trees: what holds in one copy holds in all.
	dir := m.bench[m.rng.IntN(len(m.bench))]
	all, err := gitOut(dir, "grep", "-h", "mark", "main", "--", "instruments")
	if err != nil && len(m.marks) > 0 {
		t.Errorf("git grep: %v\n%s", err, all)
	}
	for _, mark := range m.marks {
		if !strings.Contains(all, mark) {
			t.Errorf("%s had been acknowledged and is gone", mark)
		}
	}
	for head, unit := range m.heads {
		if out, err := gitOut(dir, "merge-base", "--is-ancestor", head, "unit/"+unit); err != nil {
			t.Errorf("the close of %s acknowledged as %s is gone: %v %s", unit, head, err, out)
		}
	}
	for tag, unit := range m.seals {
		if out, err := gitOut(dir, "rev-parse", "-q", "--verify", "refs/tags/"+tag); err != nil {
			t.Errorf("the seal %s of %s had been acknowledged and is gone: %s", tag, unit, out)
		}
	}
	for _, unit := range append(m.units, closedUnit) {
		if err := unitAlone(dir, unit); err != nil {
			t.Error(err)
		}
	}
}

// TestBenchesKilled: two, then five benches whose programs are killed at random
// instants, several at once, in the middle of recording, closing, sealing and
// exchanging. Afterwards all of them have the same commits, trees and seals, in
// step, with everything that was acknowledged.
func TestBenchesKilled(t *testing.T) {
	longRound(t)
	needFaults(t)
	rounds, sizes := 2, []int{2} // few enough for every run
	if s := os.Getenv("BENCHLORE_TEST_SYNC"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatalf("BENCHLORE_TEST_SYNC: %v", err)
		}
		rounds, sizes = n, []int{2, 5}
	}
	for _, benches := range sizes {
		t.Run(fmt.Sprint(benches), func(t *testing.T) {
			t.Parallel()
			seed := uint64(time.Now().UnixNano())
			t.Logf("seed %d", seed)
			m := newMarket(t, benches, seed)
			for i := range rounds {
				m.round()
				if i%25 == 24 {
					m.agreed()
				}
				if t.Failed() {
					t.Fatalf("after round %d", i)
				}
			}
			// Each unit is sealed in the end, at one bench or another.
			m.agreed()
			for i, unit := range m.units {
				k := i % len(m.bench)
				m.must(k, "record", "note", "--unit", unit, "--title", "last words")
				m.must(k, "close", unit, "--yes")
				tag := sealSaid.FindString(m.must(k, "seal", unit, "--unsigned-history"))
				if tag == "" {
					t.Fatalf("%s was not sealed", unit)
				}
				m.seals[tag] = unit
			}
			m.agreed()
			killed := 0
			var b strings.Builder
			for _, what := range slices.Sorted(maps.Keys(m.done)) {
				fmt.Fprintf(&b, " %s %d,", what, m.done[what])
				if strings.HasSuffix(what, "killed") {
					killed += m.done[what]
				}
			}
			t.Logf("done:%s records %d, closes %d, seals %d", b.String(), len(m.marks), len(m.heads), len(m.seals))
			if killed == 0 && rounds > 4 { // by chance none is in two rounds
				t.Error("nothing was killed")
			}
		})
	}
}
