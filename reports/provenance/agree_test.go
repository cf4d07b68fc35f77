package provenance

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/reports/internal/benchtest"
	"benchlore/reports/internal/pagetest"
	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// examples are built once: they are many.
var examples map[string]*Report

// exampleReports are the reports on the units of the example ledger, by name.
// Nobody changes them.
func exampleReports(t testing.TB) map[string]*Report {
	t.Helper()
	if examples == nil {
		examples = buildExamples(t)
	}
	return examples
}

func buildExamples(t testing.TB) map[string]*Report {
	t.Helper()
	dir := filepath.Join("..", "..", "examples", "ledger")
	shop := readAs[schema.Shop](t, filepath.Join(dir, "shop.toml"))
	families := schema.NewFamilyList(nil)
	out := map[string]*Report{}
	files, err := filepath.Glob(filepath.Join(dir, "instruments", "*", "*", "instrument.toml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		folder := filepath.Dir(file)
		model, tag := filepath.Base(filepath.Dir(folder)), filepath.Base(folder)
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		records := map[string]string{}
		list, err := filepath.Glob(filepath.Join(folder, "2*.toml"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range list {
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			records[strings.TrimSuffix(filepath.Base(f), ".toml")] = string(text)
		}
		src := unit.Source{Name: model + "/" + tag, Dir: "instruments/" + model + "/" + tag, Instrument: readAs[schema.Instrument](t, file), InstrumentData: data,
			Model: readAs[schema.Model](t, filepath.Join(dir, "models", model+".toml")), Records: benchtest.DecodeRecords(t, records)}
		in := Input{Unit: unit.Build(src, unit.Context{Shop: shop, Families: families}), Shop: shop, Families: families, Closed: true, AsOf: benchtest.Date(t, "2026-11-25")}
		out[src.Name] = Build(in)
	}
	if len(out) < 20 {
		t.Fatalf("%d example units", len(out))
	}
	return out
}

func readAs[T any](t testing.TB, file string) *T {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	x, problems := schema.Decode[T](filepath.Base(file), data)
	if schema.Worst(problems) >= schema.Wrong {
		t.Fatal(problems)
	}
	return x
}

// adoptedInput is the unit of the fixtures whose first stay was at another
// bench, where mw and dmm-1 are somebody and something else.
func adoptedInput(t testing.TB) Input {
	t.Helper()
	in := benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored)
	other := &unit.Bench{Name: "Nordkai Repairs", Technicians: []schema.Technician{{ID: "mw", Name: "Mirko Wend"}},
		TestInstruments: []schema.TestInstrument{{ID: "dmm-1", Name: "Pocket meter"}}}
	in.Unit.Elsewhere = map[string]*unit.Bench{}
	for _, f := range in.Unit.Files {
		if f.Record.Head().Date.Before(benchtest.Date(t, "2021-09-01").Day) {
			in.Unit.Elsewhere[f.Name()] = other
		}
	}
	return in
}

// allFixtures are the reports whose renderings are held against each other.
func allFixtures(t testing.TB) map[string]*Report {
	t.Helper()
	out := pageFixtures(t)
	out["adopted"] = Build(adoptedInput(t))
	for name, p := range exampleReports(t) {
		out[name] = p
	}
	return out
}

// What another bench recorded is said to be its own in every rendering: who
// signed, what was measured with what, what was done, who gave the warranty.
func TestOtherBenchIsMarked(t *testing.T) {
	p := Build(adoptedInput(t))
	text := pagetest.Flat(provenanceString(t, p, page.TextOptions{Width: 200}))
	set := pagetest.Flat(textOf(parsePage(t, provenanceHTML(t, p, HTMLOptions{}))))
	pdf := pagetest.Flat(pagetest.Poppler(t, provenancePDF(t, p, PDFOptions{}), "pdftotext", "-raw", "FILE", "-"))
	for _, want := range []string{
		"Whose records", "written at Nordkai Repairs", "This bench did not see it for itself.",
		"Given by Nordkai Repairs.",
		"This stay was at Nordkai Repairs, and is described as that bench recorded it.",
		"recorded by Mirko Wend of Nordkai Repairs.",
		"; recorded at Nordkai Repairs.",
		"2021-03-05, failed (drift, high ESR), replaced; recorded at Nordkai Repairs.",
		"dmm-1 at Nordkai Repairs, Pocket meter",
		"at Nordkai Repairs with dmm-1",
		"Recorded at Nordkai Repairs;",
		"2021-03-05 at Nordkai Repairs",
	} {
		for kind, s := range map[string]string{"text": text, "page": set, "PDF": pdf} {
			if !strings.Contains(pagetest.Squeezed(strings.Fields(s)), pagetest.Squeezed(strings.Fields(want))) {
				t.Errorf("the %s does not say %q", kind, want)
			}
		}
	}
	// Every record of that bench, and no other, bears its name.
	for _, e := range p.History {
		if theirs := e.Date < "2021-09-01"; theirs != (e.Bench == "Nordkai Repairs") || theirs != strings.HasSuffix(e.By, " of Nordkai Repairs") {
			t.Errorf("%s: bench %q, by %q", e.File, e.Bench, e.By)
		}
	}
	for _, w := range p.Work {
		if theirs := w.Date < "2021-09-01"; theirs != (w.Bench != "") {
			t.Errorf("%s %v: bench %q", w.Date, w.Places, w.Bench)
		}
	}
	for _, r := range p.Readings {
		for _, v := range []*ReadingValue{r.Found, r.Between, r.Left} {
			if v != nil && (v.Date < "2021-09-01") != (v.Bench != "") {
				t.Errorf("%s of %s: bench %q", r.Point, v.Date, v.Bench)
			}
		}
	}
	all := adoptedInput(t)
	for _, f := range all.Unit.Files {
		all.Unit.Elsewhere[f.Name()] = &unit.Bench{}
	}
	if s := provenanceString(t, Build(all), page.TextOptions{Width: 200}); !strings.Contains(s, "“the back”, as left, recorded at another bench.") {
		t.Error("a photograph of a bench without a name is not marked")
	}
	if s := "Maren Wickstead"; strings.Contains(strings.Split(text, "Stay 2")[0], "recorded by "+s) {
		t.Errorf("%s is named for what she did not do", s)
	}
	for _, own := range []*Report{pageFixtures(t)["restored"]} {
		if s := provenanceString(t, own, page.TextOptions{}); strings.Contains(s, "Whose records") || strings.Contains(s, "recorded at ") {
			t.Error("a bench's own unit is marked as another's")
		}
	}
}

// What was seen at another bench was not seen at this one.
func TestHeardFrom(t *testing.T) {
	for _, c := range []struct{ who, bench, want string }{
		{"own bench", "", "seen at this bench"},
		{"own bench", "Nordkai Repairs", "seen at Nordkai Repairs; not at this bench"},
		{"owner", "", "said by: owner; not seen at this bench"},
		{"owner", "Nordkai Repairs", "said by: owner; not seen at this bench"},
	} {
		if got := heardFrom(c.who, c.bench); got != c.want {
			t.Errorf("%q at %q: %q, want %q", c.who, c.bench, got, c.want)
		}
	}
}

// No rendering of any unit says what a report never says. In JSON the records'
// own fields may: those the report writes itself may not.
func TestNeverWords(t *testing.T) {
	for name, p := range allFixtures(t) {
		t.Run(name, func(t *testing.T) {
			checkNever(t, provenanceString(t, p, page.TextOptions{Width: 200}))
			checkNever(t, textOf(parsePage(t, provenanceHTML(t, p, HTMLOptions{}))))
			for _, list := range [][]Fact{p.InShort, p.PageOne} {
				for _, f := range list {
					checkNever(t, f.Label+" "+strings.Join(f.Lines, "\n"))
				}
			}
			said := append(append(append(append([]string{p.Title, p.Coverage.Note}, p.Preamble...), p.DecisionRule...), p.Cautions...), p.Scope...)
			for _, v := range p.Verify {
				said = append(said, v.Text)
			}
			for _, l := range p.MapLegend {
				said = append(said, l.Meaning)
			}
			for _, e := range p.History {
				said = append(said, e.Summary)
			}
			checkNever(t, strings.Join(said, "\n"))
		})
	}
	for _, name := range []string{"restored", "hostile"} {
		checkNever(t, pagetest.Poppler(t, provenancePDF(t, pageFixtures(t)[name], PDFOptions{}), "pdftotext", "-raw", "FILE", "-"))
	}
	for _, s := range []string{"This unit is fully restored.", "as new", "It is all original.", "The seal is verified."} {
		failed := false
		checkNever(failing{t, &failed}, s)
		if !failed {
			t.Errorf("%q would pass", s)
		}
	}
}

// failing stands in for a test that is to fail.
type failing struct {
	testing.TB
	failed *bool
}

func (f failing) Helper()               {}
func (f failing) Errorf(string, ...any) { *f.failed = true }

// The three answers of every example unit end in sight of a desk's screen, at
// least by their length: some 14 lines of 45 letters.
func TestInShortIsShort(t *testing.T) {
	for name, p := range exampleReports(t) {
		for _, f := range p.InShort {
			lines := 0
			for _, s := range f.Lines {
				lines += 1 + len([]rune(s))/45
			}
			if lines > 14 {
				t.Errorf("%s: %q takes %d lines: %s", name, f.Label, lines, fmt.Sprint(f.Lines))
			}
		}
	}
}
