package ledger

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/proof"
	"benchlore/schema"
)

// TestVerifyClone: what is checked out in a clone is held against its history,
// whatever it is, and what git is told to show in other ways is listed.
func TestVerifyClone(t *testing.T) {
	shop := newKey(t, "ed25519")
	w := newWorkshop(t)
	w.signWith(shop)
	w.job(lw)
	w.close(lw)
	w.seal(lw)
	w.later(1)
	w.add(lw, schema.KindNote, "note = \"looked at it\"\n")
	w.close(lw)
	w.seal(lw)
	bundle := filepath.Join(t.TempDir(), "history.bundle")
	f, err := os.Create(bundle)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.WriteHistory(f, lw); err != nil {
		t.Fatal(err)
	}
	f.Close()
	verdict(t, must(Verify(bundle, trusting(shop))), proof.Trusted)
	for _, c := range []struct {
		name string
		make func(dir string)
		want proof.Verdict
		told string
	}{
		{"as cloned", func(string) {}, proof.Trusted, ""},
		{"a file changed", func(dir string) { change(t, dir, "instrument.toml") }, proof.Broken, "Check:files Place:instrument.toml"},
		{"a file gone", func(dir string) { os.Remove(filepath.Join(dir, "instrument.toml")) }, proof.Broken, "Check:files Place:instrument.toml"},
		{"an earlier commit checked out", func(dir string) { git(t, dir, "checkout", "-q", "HEAD~1") }, proof.Broken, "Check:files"},
		{"another branch checked out", func(dir string) {
			git(t, dir, "checkout", "-q", "-b", "other")
			change(t, dir, "instrument.toml")
			git(t, dir, "commit", "-qam", "x")
		}, proof.Broken, "refs that are no part of the history: refs/heads/other"},
		{"a file more", func(dir string) {
			if err := os.WriteFile(filepath.Join(dir, "2031-03-06-note-zzzz.toml"), []byte("kind = \"note\"\n"), 0o666); err != nil {
				t.Fatal(err)
			}
		}, proof.Trusted, "2031-03-06-note-zzzz.toml"},
		{"a commit shown in place of another", func(dir string) { git(t, dir, "replace", "HEAD", "HEAD~1") }, proof.Trusted, "refs/replace"},
		{"other parents", func(dir string) {
			if err := os.WriteFile(filepath.Join(dir, ".git", "info", "grafts"), []byte(git(t, dir, "rev-parse", "HEAD")+"\n"), 0o666); err != nil {
				t.Fatal(err)
			}
		}, proof.Trusted, "info/grafts"},
		{"a tag of its own", func(dir string) { git(t, dir, "tag", "v1") }, proof.Trusted, "refs/tags/v1"},
		{"borrowed objects", func(dir string) {
			if err := os.WriteFile(filepath.Join(dir, ".git", "objects", "info", "alternates"), []byte(filepath.Join(w.Dir, ".git", "objects")+"\n"), 0o666); err != nil {
				t.Fatal(err)
			}
		}, proof.Trusted, "objects/info/alternates"},
	} {
		dir := filepath.Join(t.TempDir(), "clone")
		git(t, filepath.Dir(dir), "clone", "-q", bundle, dir)
		c.make(dir)
		v, err := Verify(dir, trusting(shop))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if v.Verdict != c.want || !strings.Contains(flaws(v), c.told) {
			t.Errorf("%s: %s, want %s\n%s", c.name, v.Verdict, c.want, flaws(v))
		}
	}
}

func change(t *testing.T, dir, name string) {
	t.Helper()
	p := filepath.Join(dir, name)
	if err := os.WriteFile(p, append(must(os.ReadFile(p)), "# changed\n"...), 0o666); err != nil {
		t.Fatal(err)
	}
}

// TestAdoptClock: a history dated more than a day ahead is refused; one that a slow
// clock takes for some hours ahead is not.
func TestAdoptClock(t *testing.T) {
	shop := newKey(t, "ed25519")
	w := newWorkshop(t)
	w.signWith(shop)
	w.job(lw)
	w.close(lw)
	packet := w.packet(lw)
	b := newBench(t, "Lindgate Organ Works", "Tove Ashgrove", newKey(t, "ed25519"))
	for hours, want := range map[int]bool{-50: false, -5: true} {
		b.now = benchDay.Add(time.Duration(hours) * time.Hour)
		o := trusting(shop)
		o.Now = b.now
		_, err := b.Adopt(packet, AdoptOptions{By: "mw", Verify: o})
		if (err == nil) != want {
			t.Errorf("%d hours before: %v", -hours, err)
		}
	}
}
