package ledger

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// apart has two benches do something each, then merges both ways round, in
// copies that know nothing of each other, and holds the two trees against one
// another. It returns the offices after an exchange, and what the second
// exchange reported.
func apart(t *testing.T, before, first, second func(w *workshop)) (*offices, Synced) {
	t.Helper()
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	before(a)
	a.sync()
	b.sync()
	a, b = a.again(), b.again()
	first(a)
	b.now = b.now.Add(time.Hour)
	second(b)
	o.bench = []*workshop{a, b}
	// Each merges the other's state with its own, from copies of the server that
	// the other one has not touched.
	var trees [2]string
	for k, w := range o.bench {
		other := o.bench[1-k]
		bare := filepath.Join(t.TempDir(), "other.git")
		git(t, ".", "clone", "-q", "--bare", other.Dir, bare)
		dir := filepath.Join(t.TempDir(), "copy")
		if err := os.CopyFS(dir, os.DirFS(w.Dir)); err != nil {
			t.Fatal(err)
		}
		c := w.reopen(dir)
		c.now = w.now.Add(time.Duration(k) * 24 * time.Hour) // whose turn it is and when do not count
		if _, err := c.Sync(context.Background(), schema.Remote{Name: "other", URL: bare, Role: schema.RemoteOwn}, SyncOptions{}); err != nil {
			t.Fatalf("bench %d merges: %v%s", k, err, drawings(err))
		}
		trees[k] = git(t, dir, "rev-parse", "main^{tree}")
		for _, ref := range strings.Fields(git(t, dir, "for-each-ref", "--format=%(refname)", unitRefs)) {
			trees[k] += "\n" + ref + " " + git(t, dir, "rev-parse", ref+"^{tree}")
		}
		judge(t, dir)
	}
	if trees[0] != trees[1] {
		t.Errorf("the two merged differently:\n%s\n%s", trees[0], trees[1])
	}
	a.sync()
	r := b.sync()
	a.sync()
	o.settled()
	o.bench = []*workshop{a.again(), b.again()}
	return o, r
}

func nothing(*workshop) {}

// line is a signers line with a new key.
func line(t *testing.T, who string) string {
	return who + "@halden-street.example " + gitobj.Authorized(newKey(t, "ed25519").PublicKey()) + "\n"
}

// TestMergeSigners: a key taken out on one bench is out, whatever the other did;
// new ones of both are in. In revoked it is the other way round.
func TestMergeSigners(t *testing.T) {
	one, two, three, four := line(t, "one"), line(t, "two"), line(t, "three"), line(t, "four")
	o, r := apart(t, func(w *workshop) {
		w.edit("signers", []byte(one+two))
		w.edit("revoked", []byte("# lost\n"+strings.TrimPrefix(one, "one@halden-street.example ")))
		w.save()
	},
		func(w *workshop) { w.edit("signers", []byte(two+three)); w.edit("revoked", nil); w.save() },
		func(w *workshop) {
			w.edit("signers", []byte(strings.Replace(one, "one@", "other@", 1)+two+four))
			w.edit("revoked", []byte("# lost twice\n"+strings.TrimPrefix(one, "one@halden-street.example ")))
			w.save()
		})
	if len(r.Conflicts) != 0 {
		t.Errorf("conflicts: %v", r.Conflicts)
	}
	got := string(mustRead(t, o.bench[0].Dir, "signers"))
	key := func(l string) string { return strings.Fields(l)[2] }
	for l, in := range map[string]bool{one: false, two: true, three: true, four: true} {
		if strings.Contains(got, key(l)) != in {
			t.Errorf("%.30s in signers: %v, want %v\n%s", l, !in, in, got)
		}
	}
	if got := string(mustRead(t, o.bench[0].Dir, "revoked")); !strings.Contains(got, key(one)) {
		t.Errorf("the key is revoked no more:\n%s", got)
	}
}

// TestMergeEditBeatsDeletion on main, with a record nobody closed.
func TestMergeEditBeatsDeletion(t *testing.T) {
	var p string
	o, r := apart(t, func(w *workshop) { p = w.add(lw, schema.KindNote, "title = \"first\"\n") },
		func(w *workshop) {
			if err := os.Remove(filepath.Join(w.Dir, filepath.FromSlash(p))); err != nil {
				t.Fatal(err)
			}
			w.save()
		},
		func(w *workshop) {
			w.edit(p, []byte(strings.Replace(string(mustRead(t, w.Dir, p)), "first", "second", 1)))
			w.save()
		})
	if got := string(mustRead(t, o.bench[0].Dir, p)); !strings.Contains(got, "second") || len(r.Conflicts) != 0 {
		t.Errorf("%s %v", got, r.Conflicts)
	}
}

// TestMergeClosedBeatsOpen: one bench closes a record that another has edited
// since. What was closed stands, even where it is older.
func TestMergeClosedBeatsOpen(t *testing.T) {
	var p string
	o, r := apart(t, func(w *workshop) { p = w.add(lw, schema.KindNote, "title = \"first\"\n") },
		func(w *workshop) { w.close(lw) },
		func(w *workshop) {
			w.edit(p, []byte(strings.Replace(string(mustRead(t, w.Dir, p)), "first", "second", 1)))
			w.save()
		})
	if len(r.Conflicts) != 1 || !strings.HasPrefix(r.Conflicts[0], "conflicts/"+p+"/") {
		t.Fatalf("conflicts: %v", r.Conflicts)
	}
	a := o.bench[0]
	if got := string(mustRead(t, a.Dir, p)); !strings.Contains(got, "first") {
		t.Errorf("stands: %s", got)
	}
	if got := string(mustRead(t, a.Dir, r.Conflicts[0])); !strings.Contains(got, "second") {
		t.Errorf("kept: %s", got)
	}
	if c, err := a.Conflicts(); err != nil || len(c) != 1 || !c[0].Closed || len(c[0].Changes) != 1 {
		t.Errorf("%v %+v", err, c)
	}
	// To take the other one is a correction: it needs a reason and travels.
	if _, err := a.Settle(p, SettleOptions{Take: true, By: "mw"}); err == nil {
		t.Error("corrected without a reason")
	}
	if _, err := a.Settle(p, SettleOptions{Take: true, By: "mw", Reason: "the fair was right"}); err != nil {
		t.Fatalf("%v%s", err, drawings(err))
	}
	if got := git(t, a.Dir, "show", "unit/"+lw+":"+filepath.Base(p)); !strings.Contains(got, "second") || !strings.Contains(got, "the fair was right") {
		t.Errorf("travels: %s", got)
	}
	o.settled()
	o.bench[1].inOrder()
}

// TestMergeAmendedTwice: a closed record corrected on both benches.
func TestMergeAmendedTwice(t *testing.T) {
	var p string
	amend := func(to string) func(w *workshop) {
		return func(w *workshop) {
			text := strings.Replace(string(mustRead(t, w.Dir, p)), "first", to, 1)
			if _, err := w.Correct([]Corrected{{Path: p, Data: []byte(text)}}, "mw", "it was "+to, CloseOptions{}); err != nil {
				t.Fatal(err)
			}
		}
	}
	o, r := apart(t, func(w *workshop) { p = w.add(lw, schema.KindNote, "title = \"first\"\n"); w.close(lw) }, amend("second"), amend("third"))
	if len(r.Conflicts) != 1 {
		t.Fatalf("conflicts: %v", r.Conflicts)
	}
	a := o.bench[0]
	if got := string(mustRead(t, a.Dir, p)); !strings.Contains(got, "third") {
		t.Errorf("stands: %s", got)
	}
	if x, y := git(t, a.Dir, "rev-parse", "unit/"+lw+"^{tree}"), git(t, a.Dir, "rev-parse", "main:instruments/"+lw); x != y {
		t.Error("main and the branch are out of step")
	}
	var problems *ProblemsError
	if _, err := a.CloseJob(lw, CloseOptions{}); !errors.As(err, &problems) {
		t.Errorf("close: %v", err)
	}
	if _, err := a.Settle(p, SettleOptions{Keep: true, By: "mw"}); err != nil {
		t.Fatal(err)
	}
	o.settled()
	o.bench[1].inOrder()
}

// TestMergeOneNameTwoInstruments: the open one of two instruments that were
// given one name on two benches takes another; nothing of it is lost.
func TestMergeOneNameTwoInstruments(t *testing.T) {
	const name = "longwave-3/lw3-5000"
	for _, closed := range []string{"neither", "here", "there", "both"} {
		t.Run(closed, func(t *testing.T) {
			open := func(mark string, close bool) func(w *workshop) {
				return func(w *workshop) {
					w.now = w.now.Add(time.Minute)
					w.unit(name)
					w.add(name, schema.KindNote, "title = \""+mark+"\"\n")
					w.edit("books/"+name+"/2031-03-04-quote-"+map[bool]string{true: "7q3f", false: "8q3f"}[mark == "of-a"]+".toml",
						[]byte("kind = \"quote\"\ndate = 2031-03-04\nby = \"mw\"\nnote = \""+mark+"\"\n"))
					w.save()
					if close {
						w.close(name)
					}
				}
			}
			if closed == "both" {
				o := newOffices(t, 2)
				open("of-a", true)(o.bench[0])
				open("of-b", true)(o.bench[1])
				o.bench[0].sync()
				var usage *UsageError
				if _, err := o.bench[1].Sync(context.Background(), o.bench[1].Shop.Remotes[0], SyncOptions{}); !errors.As(err, &usage) || usage.Hint() == "" {
					t.Errorf("sync: %v", err)
				}
				judge(t, o.bench[1].Dir)
				return
			}
			o, r := apart(t, nothing, open("of-a", closed == "here"), open("of-b", closed == "there"))
			if len(r.Renamed) != 1 {
				t.Errorf("renamed: %v", r.Renamed)
			}
			for _, w := range o.bench {
				units, err := w.Units()
				if err != nil || len(units) != 3 {
					t.Fatalf("%v %v", units, err)
				}
				for _, u := range units[1:] {
					text := git(t, w.Dir, "grep", "-h", "of-", "main", "--", "instruments/"+u, "books/"+u)
					if (strings.Contains(text, "of-a") == strings.Contains(text, "of-b")) || strings.Count(text, "of-") != 2 {
						t.Errorf("%s has %s", u, text)
					}
				}
				w.inOrder()
			}
		})
	}
}

// TestMergeRevivesUnit: a unit that was taken out on one bench and worked on on
// the other is there, whole.
func TestMergeRevivesUnit(t *testing.T) {
	const name = "longwave-3/lw3-5000"
	var p string
	o, _ := apart(t, func(w *workshop) { w.unit(name) },
		func(w *workshop) {
			if _, _, err := w.Undo(name); err != nil {
				t.Fatal(err)
			}
		},
		func(w *workshop) { p = w.add(name, schema.KindNote, "title = \"x\"\n") })
	mustRead(t, o.bench[0].Dir, p)
	mustRead(t, o.bench[0].Dir, "instruments/"+name+"/instrument.toml")
	o.bench[0].inOrder()
}

// TestMergeUndoAcross: after an exchange a unit's own last change can still be
// taken back, and an undo on both benches is one.
func TestMergeUndoAcross(t *testing.T) {
	var p string
	o, _ := apart(t, func(w *workshop) { p = w.add(lw, schema.KindNote, "title = \"first\"\n") },
		func(w *workshop) {
			if _, _, err := w.Undo(lw); err != nil {
				t.Fatal(err)
			}
		},
		func(w *workshop) {
			if _, _, err := w.Undo(lw); err != nil {
				t.Fatal(err)
			}
			w.unit("longwave-3/lw3-6000")
		})
	a := o.bench[0]
	if _, err := os.Stat(filepath.Join(a.Dir, filepath.FromSlash(p))); err == nil {
		t.Error("it came back")
	}
	q := a.add(lw, schema.KindNote, "title = \"again\"\n")
	b := o.bench[1]
	b.add("longwave-3/lw3-6000", schema.KindNote, "title = \"other\"\n")
	o.settled()
	if _, what, err := a.again().Undo(lw); err != nil || !strings.Contains(what, "again") {
		t.Errorf("undo after an exchange: %q %v", what, err)
	}
	if _, err := os.Stat(filepath.Join(a.Dir, filepath.FromSlash(q))); err == nil {
		t.Error("it is still there")
	}
}

// TestMergeSeals: two benches seal one unit under one number. No seal moves, both
// count, and the next seal supersedes both.
func TestMergeSeals(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	for _, w := range o.bench {
		w.signWith(newKey(t, "ed25519"))
	}
	a.job(lw)
	a.close(lw)
	o.settled()
	a, b = a.again(), b.again()
	a.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	a.close(lw)
	b.now = b.now.Add(time.Hour)
	b.add(lw, schema.KindNote, "title = \"x\"\n")
	b.close(lw)
	sa, sb := a.seal(lw), b.seal(lw)
	at := func(w *workshop, tag string) string { return git(t, w.Dir, "rev-parse", "refs/tags/"+tag) }
	ha, hb := at(a, sa.Tag), at(b, sb.Tag)
	o.bench = []*workshop{a, b}
	o.settled()
	for _, w := range o.bench {
		if at(w, sa.Tag) != ha || at(w, sb.Tag) != hb {
			t.Error("a seal was moved")
		}
		chain, err := w.Seals(lw)
		if err != nil || len(chain) != 2 || len(proof.Tips(chain)) != 2 {
			t.Fatalf("chain: %v %v", chain, err)
		}
		if _, _, err := w.Handover(lw, plainReports); err == nil {
			t.Error("a unit with two last seals is handed over")
		}
		r, err := w.reopen(w.Dir).Check()
		if err != nil || len(r.Git) != 1 || !r.Git[0].Warning || !strings.Contains(r.Git[0].What, "one number") {
			t.Errorf("check: %v %+v", err, r.Git)
		}
	}
	b.now = b.now.Add(time.Hour)
	s := b.seal(lw)
	if s.Number != 2 {
		t.Errorf("the next seal has number %d", s.Number)
	}
	if chain := must(b.Seals(lw)); len(proof.Tips(chain)) != 1 || len(chain[2].Statement.Supersedes) != 2 {
		t.Errorf("the seal supersedes %v", chain[len(chain)-1].Statement.Supersedes)
	}
	packet := b.handover(lw)
	if v := proof.VerifyBytes(packet, proof.Options{Trust: &proof.Trust{Expect: []string{s.SignedBy}}, Reports: &plainReports}); v.Verdict == proof.Broken {
		t.Errorf("the packet after a merge: %+v", v.Flaws)
	}
	o.settled()
}

// TestSyncOfAnotherLedger: two ledgers that began apart are not mixed.
func TestSyncOfAnotherLedger(t *testing.T) {
	o := newOffices(t, 1)
	w := &workshop{t: t, now: benchDay}
	l, err := Start(filepath.Join(t.TempDir(), "other"), StartOptions{Shop: schema.Shop{Name: "Quay Lane Workshop", Technicians: []schema.Technician{{ID: "mw", Name: "M"}}}}, w.options())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	w.Ledger = l
	w.remote("office", o.bare, "own", "")
	w.save()
	w = w.reopen(w.Dir)
	before := git(t, w.Dir, "for-each-ref")
	var usage *UsageError
	if _, err := w.Sync(context.Background(), w.Shop.Remotes[0], SyncOptions{}); !errors.As(err, &usage) || !strings.Contains(usage.Hint(), "join") {
		t.Errorf("sync: %v", err)
	}
	if git(t, w.Dir, "for-each-ref") != before {
		t.Error("something moved")
	}
}

// TestSyncUnreadable: what nobody could read afterwards is not taken in.
func TestSyncUnreadable(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	p := a.add(lw, schema.KindNote, "title = \"x\"\n")
	a.edit(p, []byte("kind = \"note\nbroken"))
	git(t, a.Dir, "commit", "-qam", "by hand")
	git(t, a.Dir, "push", "-q", o.bare, "main")
	before := git(t, b.Dir, "for-each-ref")
	var problems *ProblemsError
	if _, err := b.Sync(context.Background(), b.Shop.Remotes[0], SyncOptions{}); !errors.As(err, &problems) || problems.Problems[0].File != p {
		t.Errorf("sync: %v", err)
	}
	if git(t, b.Dir, "for-each-ref") != before {
		t.Error("something moved")
	}
	judge(t, b.Dir)
}

// TestSyncPrivate: private/ that somebody put into git goes nowhere.
func TestSyncPrivate(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	a.edit("private/customers.toml", []byte("[[customer]]\ncode = \"c1\"\nname = \"Oona Penhallow\"\n"))
	git(t, a.Dir, "add", "-f", "private/customers.toml")
	git(t, a.Dir, "commit", "-qm", "by mistake")
	before := git(t, o.bare, "rev-parse", "main")
	var usage *UsageError
	if _, err := a.Sync(context.Background(), a.Shop.Remotes[0], SyncOptions{}); !errors.As(err, &usage) || !strings.Contains(usage.Hint(), "git rm") {
		t.Errorf("sync: %v", err)
	}
	if now := git(t, o.bare, "rev-parse", "main"); now != before {
		t.Error("it was sent")
	}
	git(t, a.Dir, "push", "-q", o.bare, "main") // by hand, all the same
	var problems *ProblemsError
	if _, err := b.Sync(context.Background(), b.Shop.Remotes[0], SyncOptions{}); !errors.As(err, &problems) {
		t.Errorf("sync: %v", err)
	}
}

// TestSyncHandEdits: what was edited by hand and not saved is in nobody's way
// unless the same file came in.
func TestSyncHandEdits(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	p := a.add(lw, schema.KindNote, "title = \"x\"\n")
	o.settled()
	a.edit(p, []byte(strings.Replace(string(mustRead(t, a.Dir, p)), "\"x\"", "\"y\"", 1)))
	a.save()
	a.sync()
	b.edit("models/longwave-3.toml", append(mustRead(t, b.Dir, "models/longwave-3.toml"), "# by hand\n"...))
	b.sync()
	if !strings.Contains(string(mustRead(t, b.Dir, "models/longwave-3.toml")), "by hand") {
		t.Error("a hand edit is gone")
	}
	a.edit(p, []byte(strings.Replace(string(mustRead(t, a.Dir, p)), "\"y\"", "\"z\"", 1)))
	a.save()
	a.sync()
	b.edit(p, append(mustRead(t, b.Dir, p), "# by hand\n"...))
	var edited *gitstore.EditedError
	if _, err := b.Sync(context.Background(), b.Shop.Remotes[0], SyncOptions{}); !errors.As(err, &edited) {
		t.Errorf("sync: %v", err)
	}
	b.save()
	b.sync()
	if c, err := b.Conflicts(); err != nil || len(c) != 1 {
		t.Errorf("%v %v", c, err)
	}
}

// TestSyncStockGit: somebody with stock git clones, edits, merges and pushes to
// the same server, and neither confuses the other.
func TestSyncStockGit(t *testing.T) {
	o := newOffices(t, 1)
	a := o.bench[0]
	a.job(lw)
	a.close(lw)
	a.sync()
	plain := filepath.Join(t.TempDir(), "plain")
	git(t, ".", "clone", "-q", o.bare, plain)
	p := unitDir(lw) + "/2031-03-04-note-8y2x.toml"
	for i := range 4 {
		mark := strings.Repeat("x", i+1)
		if err := os.WriteFile(filepath.Join(plain, filepath.FromSlash(p)), []byte("kind = \"note\"\ndate = 2031-03-04\nby = \"jt\"\ntitle = \""+mark+"\"\n"), 0o666); err != nil {
			t.Fatal(err)
		}
		git(t, plain, "add", "-A")
		git(t, plain, "commit", "-qm", "note by hand")
		a.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
		if i == 2 {
			a.close(lw)
		}
		if i%2 == 0 {
			a.sync()
			git(t, plain, "pull", "-q", "--no-rebase", "--no-edit")
			git(t, plain, "push", "-q")
			a.sync()
		} else {
			git(t, plain, "pull", "-q", "--no-rebase", "--no-edit")
			git(t, plain, "push", "-q")
			a.sync()
			git(t, plain, "pull", "-q", "--no-rebase", "--no-edit")
		}
		if x, y := git(t, plain, "rev-parse", "main"), git(t, a.Dir, "rev-parse", "main"); x != y {
			git(t, plain, "pull", "-q", "--ff-only")
		}
		// What was closed in between stands, and then the edit waits to be settled.
		git(t, a.Dir, "grep", "-q", "\""+mark+"\"", "main")
		if i < 2 && !strings.Contains(string(mustRead(t, a.Dir, p)), "\""+mark+"\"") {
			t.Errorf("round %d: %s", i, mustRead(t, a.Dir, p))
		}
		a = a.again()
		judge(t, a.Dir)
	}
	if x, y := git(t, plain, "rev-parse", "main"), git(t, a.Dir, "rev-parse", "main"); x != y {
		t.Errorf("main is at %s for one and at %s for the other", x, y)
	}
	if out := git(t, plain, "status", "--porcelain"); out != "" {
		t.Errorf("git status: %s", out)
	}
}
