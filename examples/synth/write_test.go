package synth

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchlore/ledger"
	"benchlore/ledger/gitstore"
	"benchlore/schema"
)

// git runs the stock program, without the settings of whoever runs the test.
func git(t *testing.T, dir string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("git is not installed")
		}
		t.Skip("no git here")
	}
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GIT_CONFIG_GLOBAL="+os.DevNull, "GIT_CONFIG_NOSYSTEM=1", "LC_ALL=C")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("git %v: %v\n%s", args, err, out)
	}
	return string(out)
}

func open(t *testing.T, dir string, today schema.Date) *ledger.Ledger {
	t.Helper()
	author := &gitstore.Ident{Name: "Maren Wickstead", Email: "maren@halden-street.example"}
	now := today.Time().Add(12 * time.Hour)
	l, err := ledger.Open(dir, ledger.Options{NoSync: true, Author: author, Random: rand.NewChaCha8([32]byte{1}), Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func checked(t *testing.T, l *ledger.Ledger) *ledger.CheckReport {
	t.Helper()
	r, err := l.Check()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range r.Problems {
		t.Errorf("check: %v", p)
	}
	for _, p := range r.Git {
		t.Errorf("check: %+v", p)
	}
	return r
}

// A ledger that was written is one the program and stock git find nothing
// wrong with, and goes on from.
func TestWrittenLedgerIsClean(t *testing.T) {
	for _, preset := range Presets() {
		for _, commits := range []int{1, 7, 1000} {
			if preset != "bench" && commits != 7 {
				continue
			}
			t.Run(fmt.Sprintf("%s/%d", preset, commits), func(t *testing.T) {
				l := generate(t, preset, 8, 5, func(o *Options) { o.Open = 3 })
				dir := filepath.Join(t.TempDir(), "ledger")
				out, err := l.Write(dir, WriteOptions{Commits: commits})
				if err != nil {
					t.Fatal(err)
				}
				on := open(t, dir, l.Options.End)
				r := checked(t, on)
				if r.Units != 8 || r.Records != out.Records || r.Records == 0 {
					t.Errorf("check saw %d units and %d records, written were %+v", r.Units, r.Records, out)
				}
				if s := git(t, dir, "fsck", "--strict", "--full"); s != "" {
					t.Errorf("git fsck: %s", s)
				}
				if s := git(t, dir, "status", "--porcelain"); s != "" {
					t.Errorf("git status: %s", s)
				}
				if n := strings.Count(git(t, dir, "ls-files"), "\n"); n != out.Files {
					t.Errorf("%d files in git, %d written", n, out.Files)
				}
				if n := strings.Count(git(t, dir, "rev-list", "main"), "\n"); n != out.Commits+1 || n > commits+1 {
					t.Errorf("%d commits on main, want the first and %d", n, out.Commits)
				}
				closeOpen(t, l, on)
				checked(t, on)
				if s := git(t, dir, "fsck", "--strict") + git(t, dir, "status", "--porcelain"); s != "" {
					t.Errorf("after a close: %s", s)
				}
			})
		}
	}
}

// closeOpen releases and closes the last unit, which is at the bench, and looks
// whether its history is one line that begins and goes on as the program's own.
func closeOpen(t *testing.T, l *Ledger, on *ledger.Ledger) {
	t.Helper()
	u := l.Unit(l.Options.Units - 1)
	rel := &schema.Release{Works: schema.WorksPartly}
	rel.Kind, rel.Date, rel.By = schema.KindRelease, l.Options.End, "mw"
	var records int
	for _, f := range u.Records {
		records++
		if in, ok := f.Record.(*schema.Intake); ok {
			rel.Faults = nil
			for _, x := range in.Faults {
				rel.Faults = append(rel.Faults, schema.FaultAtEnd{ID: x.ID, State: schema.FaultDeclined})
			}
		}
	}
	before, err := on.UnitHistory(u.Name)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := on.Add(u.Name, l.Options.End.String()+"-release-zzzz.toml", schema.Encode(rel)); err != nil {
		t.Fatal(err)
	}
	if _, err := on.CloseJob(u.Name, ledger.CloseOptions{}); err != nil {
		t.Fatal(err)
	}
	after, err := on.UnitHistory(u.Name)
	if err != nil {
		t.Fatal(err)
	}
	// One commit for what the unit is, one for each record, one for the model.
	if len(after) != records+1+2 || len(before) == 0 || len(before) >= len(after) {
		t.Errorf("%s: %d steps of history, then %d, with %d records and a release", u.Name, len(before), len(after), records)
	}
	for i := range before {
		if before[i].Commit != after[i].Commit {
			t.Errorf("%s: step %d was written anew", u.Name, i)
		}
	}
}

func TestSameSeedSameHashes(t *testing.T) {
	var heads []string
	for range 2 {
		dir := filepath.Join(t.TempDir(), "ledger")
		if _, err := generate(t, "bench", 8, 2, nil).Write(dir, WriteOptions{}); err != nil {
			t.Fatal(err)
		}
		heads = append(heads, git(t, dir, "for-each-ref"))
	}
	if heads[0] != heads[1] {
		t.Errorf("two ledgers of one seed:\n%s\n%s", heads[0], heads[1])
	}
}

// The files alone are those of the repository.
func TestFilesAlone(t *testing.T) {
	l := generate(t, "bench", 6, 4, func(o *Options) { o.Open = 2 })
	with, without := filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "b")
	out, err := l.Write(with, WriteOptions{})
	if err != nil {
		t.Fatal(err)
	}
	alone, err := l.Write(without, WriteOptions{Git: Files})
	if err != nil {
		t.Fatal(err)
	}
	names := strings.Fields(git(t, with, "ls-files"))
	for _, name := range names {
		a, err := os.ReadFile(filepath.Join(with, name))
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(without, name))
		if err != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: %v, or not the same", name, err)
		}
	}
	if alone.Files != out.Files || alone.Records != out.Records || alone.Files != len(names) {
		t.Errorf("%+v and %+v, %d in git", alone, out, len(names))
	}
	if _, err := l.Write(without, WriteOptions{}); err == nil {
		t.Error("written over a ledger that is there")
	}
	if _, err := l.Write(filepath.Join(t.TempDir(), "c"), WriteOptions{Git: "none"}); err == nil {
		t.Error("there is a history none")
	}
}

func TestTruthAsJSON(t *testing.T) {
	l := generate(t, "bench", 5, 6, nil)
	var b bytes.Buffer
	if err := l.WriteTruth(&b); err != nil {
		t.Fatal(err)
	}
	dec := json.NewDecoder(&b)
	var head struct {
		Schema, Units int
		Families      []struct {
			Name         string
			Shape, Scale float64
		}
	}
	if err := dec.Decode(&head); err != nil || head.Schema != 1 || head.Units != 5 || len(head.Families) != len(l.Options.Families) {
		t.Fatalf("%+v, %v", head, err)
	}
	for i := range 5 {
		var u struct {
			Name, Built string
			Lives       []struct {
				Family, Installed string
				Failed            *string
			}
		}
		want := l.Unit(i)
		if err := dec.Decode(&u); err != nil || u.Name != want.Name || u.Built != want.Built.Day().String() || len(u.Lives) != len(want.Lives) {
			t.Fatalf("unit %d: %+v, %v", i, u, err)
		}
		for k, life := range u.Lives {
			if w := want.Lives[k]; (life.Failed == nil) != w.Failed.Never() || life.Failed != nil && *life.Failed != w.Failed.Day().String() {
				t.Fatalf("unit %d, life %d: failed %v, want %v", i, k, life.Failed, w.Failed)
			}
		}
	}
	if err := dec.Decode(&head); err != io.EOF {
		t.Errorf("after the last unit: %v", err)
	}
}

func BenchmarkWrite(b *testing.B) {
	for _, style := range []History{Files, Stretches} {
		b.Run(string(style), func(b *testing.B) {
			const units = 200
			l := generate(b, "bench", units, 1, nil)
			for b.Loop() {
				dir, err := os.MkdirTemp(b.TempDir(), "")
				if err != nil {
					b.Fatal(err)
				}
				if _, err := l.Write(dir, WriteOptions{Git: style}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*units), "µs/unit")
		})
	}
}
