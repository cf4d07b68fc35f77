package ledger

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/schema"
)

// TestTakenBack: nothing that was added and taken out again before the close,
// in whichever way, and nothing that belongs to the shop or to another unit,
// is in any object the unit's branch reaches.
func TestTakenBack(t *testing.T) {
	w := newWorkshop(t)
	n := 0
	var gone []string
	canary := func() string {
		n++
		c := fmt.Sprintf("canary-%02d-brindle", n)
		gone = append(gone, c)
		return c
	}
	note := func(title string) string { return w.add(lw, schema.KindNote, fmt.Sprintf("title = %q\n", title)) }
	text := func(title string) []byte {
		return fmt.Appendf(nil, "kind = \"note\"\ndate = 2031-03-04\nby = \"mw\"\ntitle = %q\n", title)
	}

	// Another unit, the shop's books and private papers.
	w.unit("longwave-3/lw3-9001")
	other := canary()
	w.add("longwave-3/lw3-9001", schema.KindNote, fmt.Sprintf("title = %q\n", other))
	if _, err := w.AddBook(lw, &schema.Book{Kind: "quote", Date: w.Today(), By: "mw", What: canary(), Amount: "480.00"}); err != nil {
		t.Fatal(err)
	}
	w.edit("private/customers.toml", fmt.Appendf(nil, "[[customer]]\ncode = \"K17\"\nname = %q\n", canary()))

	// Through undo.
	note(canary())
	if _, _, err := w.Undo(""); err != nil {
		t.Fatal(err)
	}
	kept := note("kept, then changed and changed back")
	// Through a hand edit, saved, and another.
	original, err := os.ReadFile(filepath.Join(w.Dir, filepath.FromSlash(kept)))
	if err != nil {
		t.Fatal(err)
	}
	w.edit(kept, append(bytes.Clone(original), "note = \""+canary()+"\"\n"...))
	w.save()
	w.edit(kept, original)
	w.save()
	// Through amend.
	if _, err := w.Correct([]Corrected{{kept, append(bytes.Clone(original), "# "+canary()+"\n"...)}}, "mw", "", CloseOptions{}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Correct([]Corrected{{kept, original}}, "mw", "", CloseOptions{}); err != nil {
		t.Fatal(err)
	}
	// Through deleting the file.
	p := note(canary())
	if err := os.Remove(filepath.Join(w.Dir, filepath.FromSlash(p))); err != nil {
		t.Fatal(err)
	}
	w.save()
	// A picture, and a name that says too much.
	photo := "instruments/" + lw + "/photos/" + canary() + ".jpg"
	w.edit(photo, []byte(canary()))
	w.save()
	if err := os.Remove(filepath.Join(w.Dir, filepath.FromSlash(photo))); err != nil {
		t.Fatal(err)
	}
	w.save()
	// In the unit's particulars.
	particulars := "instruments/" + lw + "/instrument.toml"
	was, err := os.ReadFile(filepath.Join(w.Dir, filepath.FromSlash(particulars)))
	if err != nil {
		t.Fatal(err)
	}
	w.edit(particulars, append(bytes.Clone(was), "note = \""+canary()+"\"\n"...))
	w.save()
	w.edit(particulars, was)
	w.save()
	// By stock git: messages of main, and a commit that was amended away.
	w.edit("instruments/"+lw+"/2031-03-04-note-abcd.toml", text(canary()))
	git(t, w.Dir, "add", "-A")
	git(t, w.Dir, "commit", "-q", "-m", canary())
	w.edit("instruments/"+lw+"/2031-03-04-note-abcd.toml", text("what remains"))
	git(t, w.Dir, "add", "-A")
	git(t, w.Dir, "commit", "-q", "--amend", "-m", canary())

	w.job(lw)
	w.close(lw)
	judge(t, w.Dir)
	all := reachable(t, w.Dir, "unit/"+lw)
	for _, c := range append(gone, "lw3-9001", "480.00", "books/", "shop.toml", "Halden Street Workshop") {
		if bytes.Contains(all, []byte(c)) {
			t.Errorf("%q travels with the unit", c)
		}
	}
	// The net catches: what did travel is found, and main has the canaries.
	for _, c := range []string{"what remains", "kept, then changed", "quillard", "2031-03-04-note-abcd.toml"} {
		if !bytes.Contains(bytes.ToLower(all), []byte(c)) {
			t.Errorf("%q does not travel", c)
		}
	}
	main := reachable(t, w.Dir, "main")
	for _, c := range gone {
		inMain := bytes.Contains(main, []byte(c))
		private := strings.Contains(string(mustRead(t, w.Dir, "private/customers.toml")), c)
		if private && inMain {
			t.Errorf("%q is private and was committed", c)
		}
	}
	if !bytes.Contains(main, []byte(other)) {
		t.Error("main does not have what it should: the search finds nothing")
	}
}

func mustRead(t testing.TB, dir, p string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(p)))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// TestLearnTellsNothingOfOthers: a model that learnt from one unit travels
// with the next, and does not say from which it learnt.
func TestLearnTellsNothingOfOthers(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	w.close(lw)
	_, learnt, err := w.Learn(lw)
	if err != nil {
		t.Fatalf("%v%s", err, drawings(err))
	}
	if len(learnt) != 1 || learnt[0].Where != "board LW-A" || learnt[0].Set.Ref != "C1-C3" || learnt[0].Set.Value != "10 uF" {
		t.Errorf("learnt %+v", learnt)
	}
	judge(t, w.Dir)
	// The model knows them now: learning again finds nothing new.
	if _, _, err := w.Learn(lw); err == nil {
		t.Error("the same was learnt twice")
	}
	r, err := w.Check()
	if err != nil || !r.Clean() {
		t.Errorf("%v %+v", err, r)
	}
	w.unit("longwave-3/lw3-9001")
	w.job("longwave-3/lw3-9001")
	w.close("longwave-3/lw3-9001")
	all := reachable(t, w.Dir, "unit/longwave-3/lw3-9001")
	if !bytes.Contains(all, []byte("C1-C3")) {
		t.Error("what was learnt does not travel")
	}
	if bytes.Contains(all, []byte("lw3-2204")) {
		t.Error("the unit it was learnt from is named on another unit's branch")
	}
}
