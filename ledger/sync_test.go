package ledger

import (
	"context"
	crand "crypto/rand"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/schema"
)

// offices is a ledger on several benches with one bare repository between them.
type offices struct {
	t     testing.TB
	bare  string
	bench []*workshop
}

// newOffices starts a ledger, sends it to a bare repository and copies it to
// further benches. Each bench draws letters of its own.
func newOffices(t testing.TB, n int) *offices {
	t.Helper()
	o := &offices{t: t, bare: filepath.Join(t.TempDir(), "ledger.git")}
	w := newWorkshop(t)
	w.remote("office", o.bare, "own", "")
	w.save()
	w = w.again()
	o.bench = append(o.bench, w)
	if _, err := w.Sync(context.Background(), w.Shop.Remotes[0], SyncOptions{Create: true}); err != nil {
		t.Fatal(err)
	}
	for k := 1; k < n; k++ {
		b := &workshop{t: t, now: w.now}
		opt := b.options()
		opt.Random = rand.NewChaCha8([32]byte{byte(k), 99})
		opt.Author = &gitstore.Ident{Name: []string{"", "Jory Tarn", "Ada Penrice", "Ben Ostrow", "Cleo Marsh"}[k], Email: "x@halden-street.example"}
		l, err := Join(context.Background(), o.bare, filepath.Join(t.TempDir(), "bench"), opt)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		b.Ledger = l
		o.bench = append(o.bench, b)
	}
	return o
}

// remote writes a remote into shop.toml.
func (w *workshop) remote(name, url, role, units string) {
	w.t.Helper()
	data, err := os.ReadFile(filepath.Join(w.Dir, "shop.toml"))
	if err != nil {
		w.t.Fatal(err)
	}
	text := string(data) + "\n[[remote]]\nname = \"" + name + "\"\nurl = '" + url + "'\nrole = \"" + role + "\"\n"
	if units != "" {
		text += "units = [\"" + units + "\"]\n"
	}
	w.edit("shop.toml", []byte(text))
}

// again opens the ledger anew, as the next command does, with a clock that can
// be moved and letters nobody has drawn.
func (w *workshop) again() *workshop {
	x := w.reopen(w.Dir)
	x.opt.Now = func() time.Time { return x.now }
	x.opt.Random = crand.Reader
	x.opt.Author = w.opt.Author
	return x
}

func (w *workshop) sync() Synced {
	w.t.Helper()
	r, err := w.Sync(context.Background(), w.Shop.Remotes[0], SyncOptions{})
	if err != nil {
		w.t.Fatalf("sync: %v%s", err, drawings(err))
	}
	return r
}

// settled syncs round until nothing moves, and holds all benches and the server
// against one another.
func (o *offices) settled() {
	o.t.Helper()
	for range 2 {
		for _, b := range o.bench {
			b.sync()
		}
	}
	want := ""
	for k, b := range o.bench {
		judge(o.t, b.Dir)
		got := git(o.t, b.Dir, "for-each-ref", "--format=%(refname) %(objectname)", "refs/heads", "refs/tags")
		if k == 0 {
			want = got
		} else if got != want {
			o.t.Errorf("bench %d stands elsewhere:\n%s\nthe first:\n%s", k, got, want)
		}
	}
	if got := git(o.t, o.bare, "for-each-ref", "--format=%(refname) %(objectname)", "refs/heads", "refs/tags"); got != want {
		o.t.Errorf("the server stands elsewhere:\n%s\nthe first bench:\n%s", got, want)
	}
	if out := git(o.t, o.bare, "fsck", "--strict", "--no-dangling", "--no-progress"); out != "" {
		o.t.Errorf("git fsck on the server: %s", out)
	}
}

// inOrder fails where check finds errors.
func (w *workshop) inOrder() {
	w.t.Helper()
	r, err := w.reopen(w.Dir).Check()
	if err != nil {
		w.t.Fatal(err)
	}
	for _, p := range r.Problems {
		if p.Severity > schema.Warned {
			w.t.Errorf("check: %s", p.Drawing())
		}
	}
	for _, g := range r.Git {
		if !g.Warning {
			w.t.Errorf("check: %s: %s", g.Unit, g.What)
		}
	}
}

// TestSyncPlain: what two benches add apart is on both afterwards, and a third
// exchange moves nothing.
func TestSyncPlain(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	p := a.add(lw, schema.KindIntake, "reason = \"overhaul\"\nworks = \"partly\"\n")
	b.unit("longwave-3/lw3-9001")
	q := b.add("longwave-3/lw3-9001", schema.KindNote, "title = \"from the fair\"\n")
	o.settled()
	for _, w := range o.bench {
		mustRead(t, w.Dir, p)
		mustRead(t, w.Dir, q)
		w.inOrder()
	}
	if r := a.sync(); r.Commit != "" || r.Fetched != 0 || len(r.Pushed) != 0 {
		t.Errorf("nothing was left to do: %+v", r)
	}
}

// TestSyncCloses: a unit closed on one bench travels to the other, and one
// closed on both, before and after the first close, is one history.
func TestSyncCloses(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	a.job(lw)
	a.sync()
	b.sync()
	a.close(lw)
	b.add(lw, schema.KindNote, "title = \"seen at the fair\"\n")
	o.settled()
	b.close(lw)
	o.settled()
	// Now both close, each on top of what both have.
	pa := a.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	pb := b.add(lw, schema.KindFollowup, "state = \"faulty\"\nsaid_by = \"owner\"\n")
	a.close(lw)
	b.close(lw)
	a.sync()
	r := b.sync()
	if len(r.Conflicts) != 0 {
		t.Errorf("conflicts: %v", r.Conflicts)
	}
	o.settled()
	for _, w := range o.bench {
		for _, p := range []string{pa, pb} {
			if _, err := os.Stat(filepath.Join(w.Dir, filepath.FromSlash(p))); err != nil {
				t.Error(err)
			}
			git(t, w.Dir, "cat-file", "-e", "unit/"+lw+":"+filepath.Base(p))
		}
		if x, y := git(t, w.Dir, "rev-parse", "unit/"+lw+"^{tree}"), git(t, w.Dir, "rev-parse", "main:instruments/"+lw); x != y {
			t.Errorf("after both closed the branch has %s and main %s", x, y)
		}
		w.inOrder()
	}
	if n := len(strings.Fields(git(t, a.Dir, "rev-list", "--max-parents=0", "unit/"+lw))); n != 1 {
		t.Errorf("the branch has %d beginnings", n)
	}
}

// TestSyncFirstClosesApart: two benches close a unit for the first time, each
// alone. The history keeps one beginning and everything on it.
func TestSyncFirstClosesApart(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	a.job(lw)
	a.sync()
	b.sync()
	pa := a.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	pb := b.add(lw, schema.KindFollowup, "state = \"faulty\"\nsaid_by = \"owner\"\n")
	b.now = b.now.Add(time.Hour)
	a.close(lw)
	b.close(lw)
	o.settled()
	for _, w := range o.bench {
		for _, p := range []string{pa, pb} {
			git(t, w.Dir, "cat-file", "-e", "unit/"+lw+":"+filepath.Base(p))
		}
		w.inOrder()
	}
	if n := len(strings.Fields(git(t, a.Dir, "rev-list", "--max-parents=0", "unit/"+lw))); n != 1 {
		t.Errorf("the branch has %d beginnings", n)
	}
}

// TestSyncBranchMovedThere: a unit's branch that somebody put on another beginning
// at the server is not taken for a first close there: it is named, nothing moves
// here, and what the message says puts it right.
func TestSyncBranchMovedThere(t *testing.T) {
	o := newOffices(t, 1)
	a := o.bench[0]
	a.signWith(newKey(t, "ed25519"))
	a.job(lw)
	head := a.close(lw).Head
	a.sync()
	aside := git(t, o.bare, "commit-tree", "-m", "aside", head+"^{tree}")
	git(t, o.bare, "update-ref", unitRef(lw), aside)
	_, err := a.Sync(context.Background(), a.Shop.Remotes[0], SyncOptions{})
	var usage *UsageError
	if !errors.As(err, &usage) || !strings.Contains(err.Error(), "neither continues the other") {
		t.Fatalf("sync: %v", err)
	}
	if got := git(t, a.Dir, "rev-parse", unitRef(lw)); got != head {
		t.Errorf("the branch is at %s here, want %s", got, head)
	}
	judge(t, a.Dir)
	a.inOrder()
	_, command, _ := strings.Cut(usage.Hint(), "put it back with git ")
	command, _, _ = strings.Cut(command, " once you know")
	git(t, a.Dir, strings.Fields(command)...)
	o.settled()
}

// TestSyncConflict: a record changed on both benches keeps both versions until
// it is settled, and blocks the close until then.
func TestSyncConflict(t *testing.T) {
	for _, how := range []string{"keep", "take", "text"} {
		t.Run(how, func(t *testing.T) {
			o := newOffices(t, 2)
			a, b := o.bench[0], o.bench[1]
			p := a.add(lw, schema.KindNote, "title = \"first\"\n")
			a.sync()
			b.sync()
			text := string(mustRead(t, a.Dir, p))
			a.edit(p, []byte(strings.Replace(text, "first", "by the office", 1)))
			a.save()
			b.now = b.now.Add(time.Hour)
			b.edit(p, []byte(strings.Replace(text, "first", "by the fair", 1)))
			b.save()
			a.sync()
			if r := b.sync(); len(r.Conflicts) != 1 || !strings.HasPrefix(r.Conflicts[0], "conflicts/"+p) {
				t.Fatalf("conflicts: %v", r.Conflicts)
			}
			a.sync()
			// The later one stands, on both.
			for _, w := range o.bench {
				if got := string(mustRead(t, w.Dir, p)); !strings.Contains(got, "by the fair") {
					t.Errorf("stands: %s", got)
				}
				if r, err := w.reopen(w.Dir).Check(lw); err != nil || r.Clean() {
					t.Errorf("check: %v %+v", err, r)
				}
				if _, err := w.CloseJob(lw, CloseOptions{}); err == nil {
					t.Error("closed all the same")
				}
			}
			so, want := SettleOptions{Keep: true, By: "mw"}, "by the fair"
			switch how {
			case "take":
				so, want = SettleOptions{Take: true, By: "mw"}, "by the office"
			case "text":
				so, want = SettleOptions{Text: []byte(strings.Replace(text, "first", "by both", 1)), By: "mw"}, "by both"
			}
			if _, err := a.Settle(p, so); err != nil {
				t.Fatal(err)
			}
			o.settled()
			for _, w := range o.bench {
				if got := string(mustRead(t, w.Dir, p)); !strings.Contains(got, want) {
					t.Errorf("stands: %s, want %s", got, want)
				}
				if c, err := w.Conflicts(); err != nil || len(c) != 0 {
					t.Errorf("left: %v %v", c, err)
				}
				w.inOrder()
			}
		})
	}
}

// TestSyncSettledApart: one bench keeps what stands, the other takes the other
// version or writes a third. Neither decision overrules the other without a
// word: what was kept waits again, and settling that ends it.
func TestSyncSettledApart(t *testing.T) {
	for _, closed := range []bool{false, true} {
		for _, how := range []string{"keep", "take", "text"} {
			t.Run(fmt.Sprintf("closed %t, %s", closed, how), func(t *testing.T) {
				o := newOffices(t, 2)
				a, b := o.bench[0], o.bench[1]
				p := a.add(lw, schema.KindNote, "title = \"first\"\n")
				if closed {
					a.job(lw)
					a.close(lw)
				}
				a.sync()
				b.sync()
				text := string(mustRead(t, a.Dir, p))
				change := func(w *workshop, to string) {
					t.Helper()
					w.now = w.now.Add(time.Hour)
					if _, err := w.Correct([]Corrected{{p, []byte(strings.Replace(text, "first", to, 1))}}, "mw", "a slip", CloseOptions{}); err != nil {
						t.Fatal(err)
					}
				}
				settle := func(w *workshop, so SettleOptions) {
					t.Helper()
					w.now = w.now.Add(time.Hour)
					so.By, so.Reason = "mw", "asked the owner"
					if _, err := w.Settle(p, so); err != nil {
						t.Fatalf("%v%s", err, drawings(err))
					}
				}
				stands := func(want string) {
					t.Helper()
					for k, w := range o.bench {
						if got := string(mustRead(t, w.Dir, p)); !strings.Contains(got, want) {
							t.Errorf("bench %d: stands: %s, want %s", k, got, want)
						}
					}
				}
				change(a, "by the office")
				b.now = a.now
				change(b, "by the fair")
				a.sync()
				b.sync()
				a.sync()
				stands("by the fair")
				settle(a, SettleOptions{Keep: true})
				waits := 1
				switch how {
				case "keep":
					settle(b, SettleOptions{Keep: true})
					waits = 0
				case "take":
					settle(b, SettleOptions{Take: true})
				case "text":
					settle(b, SettleOptions{Text: []byte(strings.Replace(string(mustRead(t, b.Dir, p)), "by the fair", "by both", 1))})
				}
				o.settled()
				stands(map[string]string{"keep": "by the fair", "take": "by the office", "text": "by both"}[how])
				for k, w := range o.bench {
					if c, err := w.Conflicts(); err != nil || len(c) != waits {
						t.Fatalf("bench %d: %d wait, want %d: %v", k, len(c), waits, err)
					}
				}
				if waits > 0 {
					settle(a, SettleOptions{Take: true})
					o.settled()
					stands("by the fair")
				}
				for _, w := range o.bench {
					if c, err := w.Conflicts(); err != nil || len(c) != 0 {
						t.Errorf("left: %v %v", c, err)
					}
					w.inOrder()
				}
			})
		}
	}
}
