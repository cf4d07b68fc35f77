package ledger

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// fair is several benches that work without a line to one another and exchange
// now and then, with a model of what was acknowledged.
//
// Every text that is written carries a mark of its own. Writing over a text, or
// taking it out, ends the mark that stood in it on that bench; no other
// thing does. Whatever mark has not been ended must be found in the end, in
// the file or under conflicts/.
type fair struct {
	*offices
	rng    *rand.Rand
	n      int
	opened int
	live   map[string]string          // mark -> what it was
	closed map[string]map[string]bool // unit -> records that were closed
	seals  map[string]string          // tag -> object
	keys   map[string]bool            // of signers: still in
	spare  []string                   // keys to come
	done   map[string]int
}

var markForm = regexp.MustCompile(`mark-[0-9]+-`)

func newFair(t *testing.T, benches int, seed uint64) *fair {
	f := &fair{offices: newOffices(t, benches), rng: rand.New(rand.NewPCG(seed, 5)), live: map[string]string{}, closed: map[string]map[string]bool{},
		seals: map[string]string{}, keys: map[string]bool{}, done: map[string]int{}}
	for range 12 {
		f.spare = append(f.spare, gitobj.Authorized(newKey(t, "ed25519").PublicKey()))
	}
	for k, b := range f.bench {
		b.signWith(newKey(t, "ed25519"))
		f.bench[k] = f.again(k)
	}
	f.bench[0].job(lw)
	f.bench[0].close(lw)
	f.settled()
	return f
}

// again opens a bench anew, as the next command does.
func (f *fair) again(k int) *workshop {
	b := f.bench[k]
	f.opened++
	opt := Options{Now: func() time.Time { return f.bench[k].now }, Random: rand.NewChaCha8([32]byte{byte(k), byte(f.opened), byte(f.opened >> 8), 1}), NoSync: true,
		Author: &gitstore.Ident{Name: fmt.Sprintf("Bench %d", k), Email: "x@halden-street.example"}}
	b.Ledger.Close()
	l, err := Open(b.Dir, opt)
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { l.Close() })
	return &workshop{Ledger: l, t: f.t, now: b.now}
}

func (f *fair) mark() string { f.n++; return fmt.Sprintf("mark-%d-", f.n) }

// overwrite notes that a text replaced another one on a bench.
func (f *fair) overwrite(old, text []byte, what string) {
	had, has := markForm.FindAllString(string(old), -1), markForm.FindAllString(string(text), -1)
	for _, m := range had {
		if !slices.Contains(has, m) {
			delete(f.live, m)
		}
	}
	for _, m := range has {
		if !slices.Contains(had, m) {
			f.live[m] = what
		}
	}
}

// ended ends the marks that a bench had and has no longer. What it has anew is
// an old text brought back, which another bench may have written over already.
func (f *fair) ended(before, after map[string][]byte) {
	has := map[string]bool{}
	for _, text := range after {
		for _, m := range markForm.FindAllString(string(text), -1) {
			has[m] = true
		}
	}
	for _, text := range before {
		for _, m := range markForm.FindAllString(string(text), -1) {
			if !has[m] {
				delete(f.live, m)
			}
		}
	}
}

// pick chooses a file of a bench, "" where there is none.
func (f *fair) pick(b *workshop, pattern string) string {
	list, err := filepath.Glob(filepath.Join(b.Dir, filepath.FromSlash(pattern)))
	if err != nil || len(list) == 0 {
		return ""
	}
	rel, err := filepath.Rel(b.Dir, list[f.rng.IntN(len(list))])
	if err != nil {
		f.t.Fatal(err)
	}
	return filepath.ToSlash(rel)
}

// act has a bench do one thing. What is refused has not been done.
func (f *fair) act(k int) {
	b := f.bench[k]
	b.now = b.now.Add(time.Duration(f.rng.IntN(90)) * time.Minute)
	if f.rng.IntN(40) == 0 {
		b.now = b.now.Add(-26 * time.Hour) // a clock that jumps back
	}
	units, err := b.Units()
	if err != nil {
		f.t.Fatal(err)
	}
	if len(units) == 0 { // its opening was undone
		f.n++
		b.unit(fmt.Sprintf("longwave-3/u%d", f.n))
		f.n++
		return
	}
	unit := units[f.rng.IntN(len(units))]
	did := func(what string, err error) bool {
		if err != nil {
			f.done[what+" refused"]++
			var git *gitstore.MissingObject
			if errors.As(err, &git) {
				f.t.Errorf("%s: %v", what, err)
			}
			return false
		}
		f.done[what]++
		return true
	}
	switch n := f.rng.IntN(100); {
	case n < 30:
		m := f.mark()
		s, err := b.Add(unit, "", fmt.Appendf(nil, "kind = \"note\"\ndate = %s\nby = \"mw\"\ntitle = %q\n", b.Today(), m))
		if did("add", err) {
			f.live[m] = s.Path
		}
	case n < 48: // a correction of a record, closed or not
		p := f.pick(b, "instruments/*/*/*-note-*.toml")
		if p == "" {
			return
		}
		old := mustRead(f.t, b.Dir, p)
		text := markForm.ReplaceAllString(string(old), f.mark())
		_, err := b.Correct([]Corrected{{Path: p, Data: []byte(text)}}, "mw", "it was wrong", CloseOptions{})
		if did("amend", err) {
			f.overwrite(old, mustRead(f.t, b.Dir, p), p)
		}
	case n < 54: // by hand
		p := f.pick(b, "instruments/*/*/*-note-*.toml")
		if p == "" {
			return
		}
		old := mustRead(f.t, b.Dir, p)
		text := []byte(markForm.ReplaceAllString(string(old), f.mark()))
		b.edit(p, text)
		if _, err := b.Save(); did("save", err) {
			f.overwrite(old, text, p)
		} else {
			b.edit(p, old)
		}
	case n < 60: // deleted by hand
		p := f.pick(b, "instruments/*/*/*-note-*.toml")
		if p == "" {
			return
		}
		old := mustRead(f.t, b.Dir, p)
		if err := os.Remove(filepath.Join(b.Dir, filepath.FromSlash(p))); err != nil {
			f.t.Fatal(err)
		}
		if _, err := b.Save(); did("delete", err) {
			f.overwrite(old, nil, p)
		} else {
			b.edit(p, old)
		}
	case n < 64:
		before := f.texts(b)
		if _, _, err := b.Undo(unit); did("undo", err) {
			f.ended(before, f.texts(b))
		}
	case n < 70: // models, families, shop
		p := []string{"models/longwave-3.toml", "shop.toml", "families.toml"}[f.rng.IntN(3)]
		old, _ := os.ReadFile(filepath.Join(b.Dir, p))
		m := f.mark()
		text := markForm.ReplaceAll(old, []byte(m))
		if !markForm.Match(old) {
			text = append(slices.Clip(old), "# "+m+"\n"...)
		}
		b.edit(p, text)
		if _, err := b.Save(); did("edit "+path.Base(p), err) {
			f.overwrite(old, text, p)
		} else if err := os.WriteFile(filepath.Join(b.Dir, p), old, 0o666); err != nil {
			f.t.Fatal(err)
		}
		f.bench[k] = f.again(k)
	case n < 74:
		if len(f.spare) == 0 {
			return
		}
		key := f.spare[0]
		old, _ := os.ReadFile(filepath.Join(b.Dir, "signers"))
		b.edit("signers", append(old, "x@halden-street.example "+key+"\n"...))
		if _, err := b.Save(); did("key in", err) {
			f.spare, f.keys[key] = f.spare[1:], true
		}
	case n < 76:
		old, _ := os.ReadFile(filepath.Join(b.Dir, "signers"))
		lines := strings.SplitAfter(string(old), "\n")
		i := f.rng.IntN(len(lines))
		if lines[i] == "" || len(lines) < 3 {
			return
		}
		b.edit("signers", []byte(strings.Join(slices.Delete(slices.Clone(lines), i, i+1), "")))
		if _, err := b.Save(); did("key out", err) {
			f.keys[strings.TrimSpace(strings.TrimPrefix(lines[i], "x@halden-street.example "))] = false
		}
	case n < 79:
		name := fmt.Sprintf("longwave-3/u%d", f.n)
		f.n++
		if len(units) < 6 {
			_, err := b.NewUnit(name, schema.Instrument{})
			did("new", err)
		}
	case n < 90:
		if all, err := b.Conflicts(); err == nil && len(all) > 0 {
			f.settle(k, did) // nothing is closed before that
			return
		}
		if _, err := b.CloseJob(unit, CloseOptions{}); did("close", err) {
			if f.closed[unit] == nil {
				f.closed[unit] = map[string]bool{}
			}
			for _, p := range strings.Fields(git(f.t, b.Dir, "ls-tree", "--name-only", "-r", "unit/"+unit)) {
				f.closed[unit][p] = true
			}
		}
	case n < 96:
		// Only what had its first close before the benches parted: two first closes
		// that are both sealed are for people to sort out.
		if unit != lw {
			return
		}
		if r, err := b.Seal(unit, SealOptions{}); did("seal", err) {
			f.seals[r.Tag] = git(f.t, b.Dir, "rev-parse", "refs/tags/"+r.Tag)
		}
	default:
		f.settle(k, did)
	}
}

// settle has a bench settle one conflict, one way or the other.
func (f *fair) settle(k int, did func(string, error) bool) {
	b := f.bench[k]
	all, err := b.Conflicts()
	if err != nil {
		f.t.Fatal(err)
	}
	if len(all) == 0 {
		return
	}
	c := all[f.rng.IntN(len(all))]
	o := SettleOptions{Keep: true, By: "mw", Reason: "it was the right one"}
	if f.rng.IntN(2) == 0 {
		o.Keep, o.Take = false, true
	}
	before := f.texts(b)
	if _, err := b.Settle(c.Other, o); did("settle", err) {
		f.ended(before, f.texts(b))
		f.bench[k] = f.again(k)
	}
}

// texts reads everything of a bench that may carry a mark.
func (f *fair) texts(b *workshop) map[string][]byte {
	out := map[string][]byte{}
	err := filepath.WalkDir(b.Dir, func(p string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.Name() == ".git" {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(p, ".toml") {
			return nil
		}
		data, err := os.ReadFile(p)
		rel, _ := filepath.Rel(b.Dir, p)
		out[filepath.ToSlash(rel)] = data
		return err
	})
	if err != nil {
		f.t.Fatal(err)
	}
	return out
}

var errKilled = errors.New("killed here")

// exchange has a bench sync, and now and then stops it between two steps.
func (f *fair) exchange(k int) {
	b := f.bench[k]
	stop := ""
	if f.rng.IntN(3) == 0 {
		stop = []string{"fetched", "merged", "pushed a part"}[f.rng.IntN(3)]
	}
	skip := f.rng.IntN(2)
	if stop != "" {
		b.fault = func(step string) error {
			if step != stop {
				return nil
			}
			if skip > 0 && step == "pushed a part" {
				skip--
				return nil
			}
			return errKilled
		}
	}
	_, err := b.Sync(context.Background(), b.Shop.Remotes[0], SyncOptions{})
	b.fault = nil
	switch {
	case errors.Is(err, errKilled):
		f.done["sync stopped"]++
	case err != nil:
		f.t.Fatalf("bench %d: sync: %v%s", k, err, drawings(err))
	default:
		f.done["sync"]++
	}
	f.bench[k] = f.again(k)
}

// holds checks the end state against the model.
func (f *fair) holds() {
	t := f.t
	t.Helper()
	f.settled()
	for k := range f.bench {
		f.bench[k] = f.again(k)
	}
	b := f.bench[0]
	found := map[string]string{}
	for p, text := range f.texts(b) {
		for _, m := range markForm.FindAllString(string(text), -1) {
			found[m] = p
		}
	}
	for m, what := range f.live {
		if found[m] == "" {
			t.Errorf("%s in %s had been acknowledged and is gone", m, what)
		}
	}
	for unit, files := range f.closed {
		tree := strings.Fields(git(t, b.Dir, "ls-tree", "--name-only", "-r", "unit/"+unit))
		for p := range files {
			if !slices.Contains(tree, p) {
				t.Errorf("%s had been closed on %s and is gone", p, unit)
			}
		}
		if n := len(strings.Fields(git(t, b.Dir, "rev-list", "--max-parents=0", "unit/"+unit))); n != 1 {
			t.Errorf("%s has %d beginnings", unit, n)
		}
	}
	for tag, h := range f.seals {
		for k, w := range f.bench {
			if got := git(t, w.Dir, "rev-parse", "refs/tags/"+tag); got != h {
				t.Errorf("bench %d has the seal %s at %s, it was made at %s", k, tag, got, h)
			}
		}
	}
	signers, _ := os.ReadFile(filepath.Join(b.Dir, "signers"))
	for key, in := range f.keys {
		if strings.Contains(string(signers), key) != in {
			t.Errorf("the key %.60s: in signers %v, want %v", key, !in, in)
		}
	}
	r, err := b.Check()
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range r.Git {
		if !g.Warning {
			t.Errorf("check: %s: %s", g.Unit, g.What)
		}
	}
	for _, p := range r.Problems {
		if p.Severity > schema.Warned && !strings.Contains(p.Message, "two benches") && !strings.Contains(p.Message, "in the future") {
			t.Errorf("check: %s", p.Drawing())
		}
	}
}

// rounds is how many rounds of work and exchange the property test runs:
// BENCHLORE_TEST_SYNC, else few enough for every run.
func rounds(t *testing.T) int {
	if s := os.Getenv("BENCHLORE_TEST_SYNC"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatalf("BENCHLORE_TEST_SYNC: %v", err)
		}
		return n
	}
	if testing.Short() {
		return 8
	}
	return 12
}

// TestBenchesConverge: two, then five benches work apart and exchange in any
// order, stopped between steps now and then. In the end all of them and the
// server have the same commits, main in step with every unit's branch, and
// everything that was acknowledged.
func TestBenchesConverge(t *testing.T) {
	for _, benches := range []int{2, 5} {
		t.Run(fmt.Sprint(benches), func(t *testing.T) {
			seed := uint64(time.Now().UnixNano())
			if s := os.Getenv("BENCHLORE_TEST_SEED"); s != "" {
				n, err := strconv.ParseUint(s, 10, 64)
				if err != nil {
					t.Fatal(err)
				}
				seed = n
			}
			t.Logf("seed %d", seed)
			f := newFair(t, benches, seed)
			for i := range rounds(t) {
				for range 1 + f.rng.IntN(4) {
					f.act(f.rng.IntN(benches))
				}
				if f.rng.IntN(2) == 0 {
					f.exchange(f.rng.IntN(benches))
				}
				if i%20 == 19 {
					f.holds()
				}
				if t.Failed() {
					t.Fatalf("after round %d", i)
				}
			}
			f.holds()
			keys := slices.Sorted(maps.Keys(f.done))
			var b strings.Builder
			for _, k := range keys {
				fmt.Fprintf(&b, " %s %d,", k, f.done[k])
			}
			t.Logf("done:%s live marks %d", b.String(), len(f.live))
		})
	}
}
