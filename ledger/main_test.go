package ledger

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/testutil"
	"benchlore/schema"
)

// TestMain gives git and the code under test a neutral home.
func TestMain(m *testing.M) { os.Exit(testutil.Run(m.Run, testutil.GitConfig)) }

// git runs stock git, which checks the work from outside.
func git(t testing.TB, dir string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("stock git is not installed")
		}
		t.Skip("stock git is not installed; it is the judge here")
	}
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return strings.TrimRight(string(out), "\n")
}

// judge has stock git look at a ledger.
func judge(t testing.TB, dir string) {
	t.Helper()
	if out := git(t, dir, "status", "--porcelain"); out != "" {
		t.Errorf("git status: %s", out)
	}
	if out := git(t, dir, "fsck", "--strict", "--no-dangling", "--no-progress"); out != "" {
		t.Errorf("git fsck: %s", out)
	}
}

// workshop is a ledger with a clock that stands still until it is moved.
type workshop struct {
	*Ledger
	t   testing.TB
	now time.Time
}

var benchDay = time.Date(2031, 3, 4, 10, 0, 0, 0, time.FixedZone("", 3600))

func (w *workshop) options() Options {
	return Options{Now: func() time.Time { return w.now }, Random: rand.NewChaCha8([32]byte{7}), NoSync: true}
}

// newWorkshop starts a ledger with one model and one unit of it.
func newWorkshop(t testing.TB) *workshop {
	t.Helper()
	w := &workshop{t: t, now: benchDay}
	shop := schema.Shop{Name: "Halden Street Workshop", Technicians: []schema.Technician{
		{ID: "mw", Name: "Maren Wickstead", Email: "maren@halden-street.example"}, {ID: "jt", Name: "Jory Tarn"}}}
	l, err := Start(filepath.Join(t.TempDir(), "ledger"), StartOptions{Shop: shop, Files: map[string][]byte{
		"models/longwave-3.toml": []byte("maker = \"Quillard\"\nname = \"Longwave 3\"\n\n[[section]]\nname = \"transport\"\n\n" +
			"[[section]]\nname = \"amplifier\"\nboard = \"LW-A\"\n\n[[board]]\nname = \"LW-A\"\n"),
	}}, w.options())
	if err != nil {
		t.Fatal(err)
	}
	w.Ledger = l
	t.Cleanup(func() { l.Close() })
	w.unit("longwave-3/lw3-2204")
	return w
}

func (w *workshop) unit(name string) {
	w.t.Helper()
	if _, err := w.NewUnit(name, schema.Instrument{}); err != nil {
		w.t.Fatal(err)
	}
}

// reopen opens a folder as the same shop would.
func (w *workshop) reopen(dir string) *workshop {
	w.t.Helper()
	l, err := Open(dir, w.options())
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() { l.Close() })
	return &workshop{Ledger: l, t: w.t, now: w.now}
}

const lw = "longwave-3/lw3-2204"

// add takes in a record of the day; text follows its head.
func (w *workshop) add(name string, kind schema.Kind, text string) string {
	w.t.Helper()
	s, err := w.Add(name, "", fmt.Appendf(nil, "kind = %q\ndate = %s\nby = \"mw\"\n%s", kind, w.Today(), text))
	if err != nil {
		w.t.Fatal(err)
	}
	return s.Path
}

// job records a job from intake to release, without closing it.
func (w *workshop) job(name string) {
	w.t.Helper()
	w.add(name, schema.KindIntake, "reason = \"overhaul\"\nworks = \"partly\"\n")
	w.add(name, schema.KindParts, "[[part]]\nsection = \"amplifier\"\nref = \"C1-C3\"\nfamily = \"capacitor/electrolytic\"\n"+
		"found = \"failed\"\nhow = \"out-of-circuit\"\nmode = \"drift\"\naction = \"replaced\"\n"+
		"old = {value = \"10 uF\", rating = \"16 V\"}\nnew = {value = \"10 uF\", rating = \"35 V\"}\n")
	w.add(name, schema.KindRelease, "works = \"fully\"\nmains = \"230 V\"\nfuse = \"315 mA T\"\n")
}

func (w *workshop) close(name string) Result {
	w.t.Helper()
	r, err := w.CloseJob(name, CloseOptions{})
	if err != nil {
		w.t.Fatalf("close: %v%s", err, drawings(err))
	}
	return r
}

func drawings(err error) string {
	var b strings.Builder
	if p, ok := err.(*ProblemsError); ok {
		for _, q := range p.Problems {
			b.WriteString("\n" + q.Drawing())
		}
	}
	return b.String()
}

func (w *workshop) save() SaveReport {
	w.t.Helper()
	r, err := w.Save()
	if err != nil {
		w.t.Fatalf("save: %v%s", err, drawings(err))
	}
	return r
}

// edit writes a file of the ledger by hand.
func (w *workshop) edit(p string, data []byte) {
	w.t.Helper()
	name := filepath.Join(w.Dir, filepath.FromSlash(p))
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		w.t.Fatal(err)
	}
	if err := os.WriteFile(name, data, 0o666); err != nil {
		w.t.Fatal(err)
	}
}

// reachable returns every object a ref reaches, header and all, one after the
// other as stock git decompresses them.
func reachable(t testing.TB, dir, ref string) []byte {
	t.Helper()
	list := git(t, dir, "rev-list", "--objects", ref)
	var hashes bytes.Buffer
	for _, line := range strings.Split(list, "\n") {
		hash, _, _ := strings.Cut(line, " ")
		fmt.Fprintln(&hashes, hash)
	}
	cmd := exec.Command("git", "cat-file", "--batch")
	cmd.Dir, cmd.Stdin = dir, &hashes
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("git cat-file: %v", err)
	}
	return append(out, list...) // names too: they stand in the trees
}
