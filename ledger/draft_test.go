package ledger

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"benchlore/schema"
)

func TestDraft(t *testing.T) {
	l := newWorkshop(t)
	open := func() *Draft {
		t.Helper()
		d, err := l.Draft(lw, schema.KindParts)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	read := func(d *Draft) string {
		t.Helper()
		data, err := d.Read()
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	first := open()
	if got := read(first); got != "" {
		t.Errorf("a new draft holds %q", got)
	}
	for _, text := range []string{"one", "one, and more", "one"} {
		if err := first.Save([]byte(text), text != "one"); err != nil {
			t.Fatal(err)
		}
	}
	second := open() // while the first is in use
	if got := read(second); got != "" {
		t.Errorf("the second draft holds %q", got)
	}
	if err := second.Save([]byte("two"), true); err != nil {
		t.Fatal(err)
	}
	if first.Name() == second.Name() {
		t.Errorf("both are %s", first.Name())
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	again := open() // left behind
	if got := read(again); got != "one" {
		t.Errorf("kept %q", got)
	}
	if err := again.Drop(); err != nil {
		t.Fatal(err)
	}
	if err := again.Drop(); err != nil { // nothing to forget
		t.Error(err)
	}
	again.Close()
	second.Close()
	third := open() // the second is left, the first is free: what was typed comes first
	if got := read(third); got != "two" {
		t.Errorf("kept %q", got)
	}
	third.Close()
	if d, err := l.Draft(lw, schema.KindNote); err != nil {
		t.Error(err)
	} else {
		if got := read(d); got != "" {
			t.Errorf("a note's draft holds %q", got)
		}
		d.Close()
	}
	if _, err := os.Stat(filepath.Join(l.Dir, ".git", "benchlore", "drafts")); err != nil {
		t.Error(err)
	}
}

// A trial tells a record that contradicts the unit from one that is only
// incomplete, and stores neither.
func TestTrial(t *testing.T) {
	w := newWorkshop(t)
	stock, err := w.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	day := w.Today()
	trial, err := w.Trial(lw, stock, schema.KindParts, day)
	if err != nil {
		t.Fatal(err)
	}
	rec := &schema.Parts{Common: schema.Common{Kind: schema.KindParts, Date: day, By: "mw"},
		Lines: []schema.PartLine{{Section: "motor", Ref: "C1"}}}
	across, err := trial.Across(rec)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(across, func(p schema.Problem) bool { return p.Path == "part[0].section" }) {
		t.Errorf("across records: %v", across)
	}
	for _, p := range across {
		if p.Path == "part[0]" {
			t.Errorf("it is not complete yet: %v", p)
		}
	}
	all, err := trial.Problems(schema.Encode(rec))
	if err != nil || len(all) <= len(across) {
		t.Errorf("%v; problems %v", err, all)
	}
	if entries, _ := w.list(unitDir(lw)); len(entries) != 2 {
		t.Errorf("%d files in the unit's folder", len(entries))
	}
}
