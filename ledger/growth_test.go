package ledger

import (
	"context"
	"errors"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/schema"
)

// byHand has stock git commit to a unit's branch, and to main so that the two are in
// step again, as somebody would who wants the change to pass.
func (w *workshop) byHand(name string, change func(dir string)) {
	w.t.Helper()
	work := filepath.Join(w.t.TempDir(), "unit")
	git(w.t, w.t.TempDir(), "clone", "-q", "-b", "unit/"+name, w.Dir, work)
	change(work)
	git(w.t, work, "add", "-A")
	git(w.t, work, "commit", "-q", "-m", "tidy up")
	git(w.t, work, "push", "-q", "origin", "HEAD:unit/"+name)
	head := git(w.t, work, "rev-parse", "HEAD")
	folder := filepath.Join(w.Dir, filepath.FromSlash(unitDir(name)))
	change(folder)
	git(w.t, w.Dir, "add", "-A", unitDir(name))
	git(w.t, w.Dir, "commit", "-q", "-m", "tidy up\n\nUnit-Head: "+name+" "+head)
}

func replace(t testing.TB, file, old, new string) {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil || !strings.Contains(string(data), old) {
		t.Fatalf("%s has no %q: %v", file, old, err)
	}
	if err := os.WriteFile(file, []byte(strings.Replace(string(data), old, new, 1)), 0o666); err != nil {
		t.Fatal(err)
	}
}

// What somebody with stock git changes in a closed history is named by check, with
// the last good commit, and neither sealed nor closed over nor taken in elsewhere.
func TestChangedByHand(t *testing.T) {
	for _, c := range []struct {
		name, want string
		change     func(t *testing.T, dir string)
	}{
		{"three records deleted", "it was there and is gone", func(t *testing.T, dir string) {
			list, err := filepath.Glob(filepath.Join(dir, "2031-*.toml"))
			if err != nil || len(list) < 3 {
				t.Fatal(list, err)
			}
			for _, p := range list[:3] {
				if err := os.Remove(p); err != nil {
					t.Fatal(err)
				}
			}
		}},
		{"a release from partly to fully", "it says something else without a correction: works", func(t *testing.T, dir string) {
			list, err := filepath.Glob(filepath.Join(dir, "*-release-*.toml"))
			if err != nil || len(list) != 1 {
				t.Fatal(list, err)
			}
			replace(t, list[0], "\"fully\"", "\"partly\"")
		}},
		{"a plate number", "it says something else without a correction: serial[1].value", func(t *testing.T, dir string) {
			replace(t, filepath.Join(dir, "instrument.toml"), "10233", "10238")
		}},
		{"a correction that names less than it changes", "it does not name works", func(t *testing.T, dir string) {
			list, err := filepath.Glob(filepath.Join(dir, "*-release-*.toml"))
			if err != nil || len(list) != 1 {
				t.Fatal(list, err)
			}
			replace(t, list[0], "works = \"fully\"\nmains = \"230 V\"", "works = \"partly\"\nmains = \"117 V\"")
			f, err := os.OpenFile(list[0], os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			if _, err := f.WriteString("\n[[correction]]\ndate = 2031-03-04\nby = \"mw\"\nreason = \"the mains setting\"\nchanged = [\"mains\"]\n"); err != nil {
				t.Fatal(err)
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := newOffices(t, 2)
			a, b := o.bench[0], o.bench[1]
			a.signWith(newKey(t, "ed25519"))
			i := unitDir(lw) + "/instrument.toml"
			a.edit(i, append(mustRead(t, a.Dir, i), "\n[[serial]]\nplace = \"plate\"\nvalue = \"10233\"\nhow = \"read\"\n"...))
			a.save()
			a.job(lw)
			good := a.close(lw).Head
			a.sync()
			b.sync()
			a.byHand(lw, func(dir string) { c.change(t, dir) })
			a = a.again()
			r, err := a.Check(lw)
			if err != nil {
				t.Fatal(err)
			}
			named := false
			for _, g := range r.Git {
				named = named || strings.Contains(g.What, c.want) && strings.Contains(g.Remedy, good)
			}
			if !named {
				t.Errorf("check does not name it with %s: %+v", good, r.Git)
			}
			var history *HistoryError
			if _, err := a.Seal(lw, SealOptions{UnsignedHistory: true}); !errors.As(err, &history) || history.Good != good {
				t.Errorf("seal: %v", err)
			}
			a.now = a.now.AddDate(0, 0, 1)
			a.add(lw, schema.KindNote, "title = \"next\"\n")
			var problems *ProblemsError
			if _, err := a.CloseJob(lw, CloseOptions{}); !errors.As(err, &problems) || !strings.Contains(problems.Error()+drawings(err), c.want) {
				t.Errorf("close: %v%s", err, drawings(err))
			}
			// It gets to the server by hand; nobody takes it in.
			git(t, a.Dir, "push", "-q", o.bare, "main", unitRef(lw))
			before := git(t, b.Dir, "for-each-ref")
			_, err = b.again().Sync(context.Background(), b.Shop.Remotes[0], SyncOptions{})
			if !errors.As(err, &history) || history.Good != good || !strings.Contains(history.Hint(), good) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("sync: %v", err)
			}
			if after := git(t, b.Dir, "for-each-ref", "refs/heads", "refs/tags"); !strings.Contains(before, after) {
				t.Errorf("sync moved something: %s", after)
			}
			// The remedy is what it says.
			git(t, a.Dir, "branch", "-f", "unit/"+lw, good)
			if err := a.again().onlyGrows(lw, "", object.NewHash(good), nil); err != nil {
				t.Error(err)
			}
		})
	}
}

// A late photograph travels with the correction that names it.
func TestLatePhotograph(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	p := w.add(lw, schema.KindNote, "title = \"the lid\"\n")
	w.close(lw)
	at := unitDir(lw) + "/files/lid.txt"
	w.edit(at, []byte("a crack"))
	w.save()
	text := append(mustRead(t, w.Dir, p), "\n[[file]]\nfile = \"files/lid.txt\"\n"...)
	if _, err := w.Correct([]Corrected{{Path: p, Data: text}}, "mw", "it had been left in the other folder", CloseOptions{}); err != nil {
		t.Fatal(err, drawings(err))
	}
	rec, _ := schema.DecodeRecord(p, mustRead(t, w.Dir, p))
	c := rec.Head().Corrections
	if len(c) != 1 || len(c[0].Files) != 1 || c[0].Files[0].SHA256 != proof.Digest([]byte("a crack")) || len(c[0].Added) != 1 || c[0].Added[0] != "file" {
		t.Fatalf("%+v", c)
	}
	r, err := w.reopen(w.Dir).Check()
	if err != nil || !r.Clean() {
		t.Errorf("%v %+v", err, r)
	}
	judge(t, w.Dir)
}

// A file that an old record names and that comes later by itself is refused.
func TestFileUnderANameInUse(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	p := w.add(lw, schema.KindNote, "title = \"the lid\"\n")
	w.close(lw)
	// By hand, since no command takes in a record that names a file that is not there.
	w.byHand(lw, func(dir string) {
		f := filepath.Join(dir, path.Base(p))
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		text := string(data) + "\n[[photo]]\nfile = \"photos/lid.jpg\"\n\n[[correction]]\ndate = 2031-03-04\nby = \"mw\"\nreason = \"forgotten\"\nadded = [\"photo\"]\n"
		if err := os.WriteFile(f, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	})
	w.byHand(lw, func(dir string) {
		if err := os.MkdirAll(filepath.Join(dir, "photos"), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "photos", "lid.jpg"), []byte("another lid"), 0o666); err != nil {
			t.Fatal(err)
		}
	})
	err := w.again().onlyGrows(lw, "", object.NewHash(git(t, w.Dir, "rev-parse", unitRef(lw))), nil)
	if err == nil || !strings.Contains(err.Error(), "it came later than") {
		t.Errorf("%v", err)
	}
}

// What two benches correct at once stays in the record from both, and the history
// of it holds wherever it goes.
func TestCorrectedOnTwoBenches(t *testing.T) {
	for _, how := range []string{"keep", "take"} {
		t.Run(how, func(t *testing.T) {
			o := newOffices(t, 2)
			a, b := o.bench[0], o.bench[1]
			a.job(lw)
			p := a.add(lw, schema.KindNote, "title = \"first\"\n")
			a.close(lw)
			a.sync()
			b.sync()
			text := string(mustRead(t, a.Dir, p))
			amend := func(w *workshop, title, reason string) {
				t.Helper()
				if _, err := w.Correct([]Corrected{{Path: p, Data: []byte(strings.Replace(text, "first", title, 1))}}, "mw", reason, CloseOptions{}); err != nil {
					t.Fatal(err)
				}
			}
			amend(a, "by the office", "misread")
			b.now = b.now.Add(time.Hour)
			amend(b, "by the fair", "misheard")
			a.sync()
			if r := b.sync(); len(r.Conflicts) != 1 {
				t.Fatalf("conflicts: %v", r.Conflicts)
			}
			a.sync()
			for _, w := range o.bench {
				rec, problems := schema.DecodeRecord(p, mustRead(t, w.Dir, p))
				if rec == nil || schema.Worst(problems) > schema.Warned {
					t.Fatal(problems)
				}
				c := rec.Head().Corrections
				if len(c) != 3 || c[0].Reason != "misheard" || c[1].Reason != "misread" || len(c[2].Over) != 1 || c[2].By != "jt" {
					t.Errorf("%+v", c)
				}
			}
			so := SettleOptions{Keep: true, By: "mw"}
			want := "by the fair"
			if how == "take" {
				so, want = SettleOptions{Take: true, By: "mw", Reason: "the office was right"}, "by the office"
			}
			if _, err := a.again().Settle(p, so); err != nil {
				t.Fatal(err, drawings(err))
			}
			o.settled()
			for _, w := range o.bench {
				if got := string(mustRead(t, w.Dir, p)); !strings.Contains(got, want) || !strings.Contains(got, "misheard") || !strings.Contains(got, "misread") {
					t.Errorf("stands: %s", got)
				}
				w.inOrder()
			}
		})
	}
}

// Two files of one name from two benches: one stands, and instrument.toml says so.
func TestFilesOfOneName(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	a.job(lw)
	a.close(lw)
	a.sync()
	b.sync()
	for k, w := range o.bench {
		w.now = w.now.Add(time.Duration(1+k) * time.Hour)
		at := unitDir(lw) + "/files/curve.txt"
		w.edit(at, []byte{byte('0' + k)})
		w.save()
		if _, err := w.Add(lw, "", []byte("kind = \"note\"\ndate = 2031-03-04\nby = \"mw\"\n\n[[file]]\nfile = \"files/curve.txt\"\n")); err != nil {
			t.Fatal(err, drawings(err))
		}
		w.close(lw)
	}
	a.sync()
	b.sync()
	a.sync()
	for _, w := range o.bench {
		i, _ := schema.Decode[schema.Instrument]("instrument.toml", mustRead(t, w.Dir, unitDir(lw)+"/instrument.toml"))
		if i == nil || len(i.Corrections) != 1 || len(i.Corrections[0].Files) != 1 || len(i.Corrections[0].Over) != 1 {
			t.Fatalf("%+v", i)
		}
		if err := w.again().onlyGrows(lw, "", object.NewHash(git(t, w.Dir, "rev-parse", unitRef(lw))), nil); err != nil {
			t.Error(err)
		}
	}
}
