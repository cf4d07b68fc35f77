package provenance

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"pgregory.net/rapid"

	"benchlore/reports/internal/benchtest"
	"benchlore/reports/internal/pagetest"
	"benchlore/reports/page"
	"benchlore/schema"
)

func FuzzQuote(f *testing.F) {
	for _, s := range []string{"", "as new", "“nested ”quotes“", "a\x1b[1mb\u202e", "\xff\xfe", "漢字 e\u0301"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		q := page.Quote(s)
		if strings.Count(q, "“") != 1 || strings.Count(q, "”") != 1 || !strings.HasPrefix(q, "“") || !strings.HasSuffix(q, "”") {
			t.Errorf("%q is not one quotation", q)
		}
		if strings.ContainsFunc(q, unicode.IsControl) || !utf8.ValidString(q) {
			t.Errorf("%q is not safe to print", q)
		}
		for _, l := range append(page.Wrap(s, 20), page.Chop(s, 20)...) {
			if strings.ContainsFunc(l, unicode.IsControl) {
				t.Errorf("line %q is not safe to print", l)
			}
		}
	})
}

var updateProvenance = flag.Bool("update-provenance", false, "rewrite testdata/golden/provenance*")

func provenanceString(t testing.TB, p *Report, o page.TextOptions) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.WriteText(&b, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// fact gives the lines of a fact of page one, run together.
func fact(p *Report, key string) string {
	for _, f := range p.PageOne {
		if f.Key == key {
			return strings.Join(f.Lines, "\n")
		}
	}
	return ""
}

// neverWords are what a report never says of its own.
var neverWords = regexp.MustCompile(`(?i)\bas new\b|\blike new\b|fully restored|all original|certified|\bverified\b|guarantee|\bscore\b|\brating of\b|life expectancy|expected to last|remaining life|€|\bEUR\b`)

var quoted = regexp.MustCompile(`“[^”]*”`)

// checkNever fails where a report says what it must not outside quotations.
func checkNever(t testing.TB, text string) {
	t.Helper()
	bare := quoted.ReplaceAllString(pagetest.Flat(text), "“”")
	if m := neverWords.FindString(bare); m != "" {
		i := strings.Index(bare, m)
		t.Errorf("the report says %q of its own: ... %s ...", m, bare[max(0, i-60):min(len(bare), i+60)])
	}
}

// checkWidth fails where a line is too long, unless it holds one word.
func checkWidth(t testing.TB, text string, width int) {
	t.Helper()
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\n")
		if page.TextWidth(line) > width && len(strings.Fields(line)) > 1 {
			t.Errorf("%d columns, want at most %d: %q", page.TextWidth(line), width, line)
		}
		if strings.TrimRight(line, " ") != line {
			t.Errorf("blanks at the end of %q", line)
		}
	}
}

func TestProvenanceGolden(t *testing.T) {
	history := []HistoryEntry{
		{File: "2021-03-01-intake-aaaa", Saved: "2021-03-01", Commit: "1f2e3d4c", SignedBy: "mw@halden-street.example"},
		{File: "2021-03-09-soak-aaag", Saved: "2021-06-01", Late: true, Commit: "5a6b7c8d"},
		{File: "2021-03-10-release-aaah", Saved: "2021-03-10", Commit: "9e8f7a6b", Corrections: []CorrectionEntry{{Date: "2021-04-02", By: "mw",
			Reason: "read from the wrong line", Changes: []schema.Change{{Path: "fuse", Old: "500 mA T", New: "315 mA T"}, {Path: "note", Old: "spelt wrong", New: "spelt right"}}}}},
	}
	open := map[string]string{
		"2021-03-01-intake-aaaa": benchtest.Restored["2021-03-01-intake-aaaa"],
		"2021-03-05-parts-aaac":  benchtest.Restored["2021-03-05-parts-aaac"],
	}
	bare := `format = 1
uuid = "0b0f4f0e-6d55-4a52-8c50-6f1f4dbd7a01"
maker = "Tessaly"
model = "Nocturne 64"
`
	for _, c := range []struct {
		name       string
		instrument string
		model      string
		records    map[string]string
		change     func(*Input)
		width      int
	}{
		{"provenance-restored", benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored, func(in *Input) {
			in.History, in.Head = history, "c0ffee00c0ffee00c0ffee00c0ffee00c0ffee00"
			in.Signers = []Signer{{Name: "Halden Street Workshop", Fingerprint: "SHA256:0000000000000000000000000000000000000000000", First: "2021-03-10", Last: "2021-10-07"}}
		}, 80},
		{"provenance-on-the-bench", benchtest.BenchInstrument, benchtest.BenchModel, open, func(in *Input) { in.Closed = false }, 80},
		{"provenance-nothing-recorded", bare, "", nil, func(in *Input) { in.Shop, in.Unit.Name = nil, "nocturne-64/0001" }, 60},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := benchInput(t, c.instrument, c.model, c.records)
			for _, p := range in.Unit.Problems {
				if p.Severity >= schema.Wrong {
					t.Errorf("the fixture contradicts itself: %v", p)
				}
			}
			c.change(&in)
			p := Build(in)
			got := provenanceString(t, p, page.TextOptions{Width: c.width})
			checkNever(t, got)
			checkWidth(t, got, c.width)
			file := filepath.Join("testdata", "golden", c.name+".txt")
			if *updateProvenance {
				if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s differs; look at it, then go test -run Golden -update-provenance\n%s", file, got)
			}
		})
	}
}

func TestPageOneSays(t *testing.T) {
	pending := `
kind = "parts"
date = 2022-02-02
by = "mw"
[[part]]
section = "power supply"
ref = "C1"
found = "failed"
how = "in-circuit"
mode = "short"
action = "pending"
`
	again := `
kind = "intake"
date = 2022-02-01
by = "mw"
reason = "repair"
works = "no"
power = "limited"
power_why = "series lamp"
fault = [{id = "F5", symptom = "dead"}]
`
	for _, c := range []struct {
		name    string
		records map[string]string
		key     string
		says    []string
		not     []string
	}{
		{"state, who, when and soak", benchtest.With(benchtest.Restored, map[string]string{"2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": ""}), "works",
			[]string{"Works fully, says Maren Wickstead for Halden Street Workshop, on 2021-03-10, after 1.5 hours of soak run and 3 power cycles.",
				"2021-09-01: FAULTY (said by: owner; not seen at this bench). “hum is back”"}, nil},
		{"no soak in the last stay", benchtest.Restored, "works", []string{"Works fully, says Joss Tarrant", "No soak run is recorded for that job.",
			"It came back on 2021-10-01 after an earlier release: no fault found."}, nil},
		{"no release", map[string]string{"2021-03-01-intake-aaaa": benchtest.Restored["2021-03-01-intake-aaaa"]}, "works",
			[]string{"nobody has signed", "worked partly"}, []string{"Works fully"}},
		{"on the bench again", benchtest.With(benchtest.Restored, map[string]string{"2022-02-01-intake-aaap": again}), "onBench", []string{"since 2022-02-01; not released"}, nil},
		{"the earlier release is not the present state", benchtest.With(benchtest.Restored, map[string]string{"2022-02-01-intake-aaap": again}), "works",
			[]string{"before its present stay at the bench"}, nil},
		{"limits on power", benchtest.With(benchtest.Restored, map[string]string{"2022-02-01-intake-aaap": again}), "power", []string{"only with limits", "“series lamp”"}, nil},
		{"a ban on power no release lifted", benchtest.Restored, "power", []string{"On 2021-03-01 it was marked: do not switch on, because “burnt smell”.", "came later and says nothing about it"}, nil},
		{"open faults", benchtest.With(benchtest.Restored, map[string]string{"2022-02-01-intake-aaap": again}), "openFaults", []string{"F5: “dead”"}, []string{"F1", "release does not say"}},
		{"fault a release forgot", benchtest.With(benchtest.Restored, map[string]string{"2021-10-05-release-aaam": "kind = \"release\"\ndate = 2021-10-05\nby = \"jt\"\nworks = \"fully\"\n"}),
			"openFaults", []string{"F4: “hum again”", "the release does not say what became of it"}, nil},
		{"fault not reproduced", benchtest.Restored, "otherFaults", []string{"F4", "could not be reproduced"}, nil},
		{"repair declined", benchtest.Restored, "declined", []string{"F3: “one key sits low”", "repair declined", "“too dear”"}, nil},
		{"bad parts left", benchtest.Restored, "knownBad", []string{"power supply R1", "degraded (drift)", "left as it is", "“8 % high, does no harm”"}, []string{"C1:"}},
		{"bad parts waiting", benchtest.With(benchtest.Restored, map[string]string{"2022-02-01-intake-aaap": again, "2022-02-02-parts-aaaq": pending}), "knownBad",
			[]string{"power supply C1: failed (short)", "still to be dealt with"}, nil},
		{"mains", benchtest.Restored, "mains", []string{"As left on 2021-03-10: set to 230 V, mains fuse 315 mA T.", "As first found: set to 117 V, mains fuse 630 mA T."}, nil},
		{"safety of an earlier stay does not count", benchtest.Restored, "safety", []string{"NOT SAFETY TESTED at its last stay", "The checks before that are of 2021-03-08"}, []string{"within", "Limits"}},
		{"safety, done and not done", benchtest.With(benchtest.Restored, map[string]string{"2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": ""}), "safety",
			[]string{"earth continuity: 0.1 Ohm, limit at most 0.3 Ohm: within.", "touch current: 0.1 mA, no limit given, so no verdict.",
				"insulation resistance: NOT DONE, because “tester away”."}, []string{"NOT SAFETY TESTED"}},
		{"only undone checks are no test", benchtest.With(benchtest.Restored, map[string]string{"2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": "",
			"2021-03-08-safety-aaaf": "kind = \"safety\"\ndate = 2021-03-08\nby = \"mw\"\n[[check]]\nname = \"earth continuity\"\nresult = \"not-done\"\nwhy = \"no lead\"\n"}), "safety",
			[]string{"NOT SAFETY TESTED.", "earth continuity: NOT DONE"}, []string{"within"}},
		{"work after the checks", benchtest.With(benchtest.Restored, map[string]string{"2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": "",
			"2021-03-09-parts-aaar": "kind = \"parts\"\ndate = 2021-03-09\nby = \"mw\"\n[[part]]\nsection = \"power supply\"\nref = \"R2\"\nfound = \"ok\"\nhow = \"in-circuit\"\naction = \"adjusted\"\n"}), "safety",
			[]string{"Parts were worked on after the checks of 2021-03-08."}, nil},
		{"donor parts and unknown ones", benchtest.Restored, "donor", []string{"divider 2 IC1: divider circuit, from a donor", "Of unknown age and origin", "divider 1"}, nil},
		{"modification", benchtest.Restored, "modifications", []string{"“quiet supply”, kit quiet supply/2 no. 07, 2021-03-06.", "“less hum”", "It can be undone in part.", "“one hole stays”",
			"The parts that came out are with the unit.", "“fuse wrapped in foil”"}, nil},
		{"modification undone", benchtest.With(benchtest.Restored, map[string]string{"2022-02-01-intake-aaap": again,
			"2022-02-03-parts-aaas": "kind = \"parts\"\ndate = 2022-02-03\nby = \"mw\"\n[[part]]\nsection = \"power supply\"\nref = \"IC1\"\nfound = \"ok\"\nhow = \"in-circuit\"\naction = \"removed\"\n"}),
			"modifications", []string{"have since been taken out"}, nil},
		{"warranty that runs", benchtest.Restored, "warranty", []string{"From 2021-03-11 to 2023-03-10: “parts fitted here”.", "It passes to the next owner.", "None was given with the release of 2021-10-05."}, nil},
		{"transit locks", benchtest.Restored, "transit", []string{"ON since 2021-03-11"}, nil},
		{"what comes next", benchtest.Restored, "due", []string{"“contacts” (keybed), by 2022-03-10; said on 2021-03-10. It is past due"}, nil},
		{"done", benchtest.Restored, "done", []string{"Replaced: 4 parts (aluminium electrolytic capacitors 3, divider and tone generator circuits 1)", "Taken out: 1 part", "Fitted where none was: 1 part", "Reworked: 6 parts"}, nil},
		{"not looked at", benchtest.Restored, "notLookedAt", []string{"No record mentions: case.", "No record mentions 18 of the 32 parts listed", "soldered joints 14",
			"Not tested one by one, though their circuits worked: 2 parts", "is not complete for keybed"}, []string{"%"}},
		{"nothing recorded at all", nil, "notLookedAt", []string{"No record mentions: case, divider 1-2, keybed, power supply.", "No reading as left is recorded.", "No soak run is recorded."}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, c.records))
			got := fact(p, c.key)
			for _, s := range c.says {
				if !strings.Contains(got, s) {
					t.Errorf("%s does not say %q:\n%s", c.key, s, got)
				}
			}
			for _, s := range c.not {
				if strings.Contains(got, s) {
					t.Errorf("%s says %q:\n%s", c.key, s, got)
				}
			}
			text := pagetest.Flat(provenanceString(t, p, page.TextOptions{}))
			for _, f := range p.PageOne {
				if len(f.Lines) == 0 || strings.Join(f.Lines, "") == "" {
					t.Errorf("%s says nothing", f.Key)
				}
			}
			if !strings.Contains(text, "NOT looked at") {
				t.Error("what was not looked at is missing")
			}
		})
	}
}

// A release lifts no ban on power of its own day: nobody knows which came last.
// One of a later day says so, and that it says nothing of power.
func TestPowerOnTheDayOfTheRelease(t *testing.T) {
	for _, c := range []struct{ marked, pageOne, short string }{
		{"2021-10-05", "Switch on only with limits, according to the record of 2021-10-05, because “series lamp”.", "Switch on only with limits."},
		{"2021-10-04", "The release of 2021-10-05 (works fully) came later and says nothing about it.", "Ask before you switch it on"},
		{"2021-10-06", "Switch on only with limits, according to the record of 2021-10-06, because “series lamp”.", "Switch on only with limits."},
	} {
		p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.With(benchtest.Restored, map[string]string{
			c.marked + "-note-aaap": "kind = \"note\"\ndate = " + c.marked + "\nby = \"mw\"\npower = \"limited\"\npower_why = \"series lamp\"\nnote = \"n\"\n"})))
		if got := fact(p, "power"); !strings.Contains(got, c.pageOne) {
			t.Errorf("marked on %s: page one says %q, want %q", c.marked, got, c.pageOne)
		}
		if got := strings.Join(p.InShort[0].Lines, " "); !strings.Contains(got, c.short) {
			t.Errorf("marked on %s: in short it says %q, want %q", c.marked, got, c.short)
		}
	}
}

// The buyer's list of parts has what sits there: a kit recorded after a part was
// fitted by hand in the same stay does not take its place.
func TestPartsNowAfterAKit(t *testing.T) {
	model := benchtest.BenchModel + `
[[kit]]
name = "electrolytics"
revision = "1"
[[kit.part]]
section = "power supply"
ref = "C1-C3"
action = "replaced"
new = {value = "470 uF", rating = "25 V", type = "from the kit"}
`
	p := Build(benchInput(t, benchtest.BenchInstrument, model, benchtest.With(benchtest.Restored, map[string]string{
		"2021-03-05-parts-aaac": "kind = \"parts\"\ndate = 2021-03-05\nby = \"mw\"\n[[part]]\nsection = \"power supply\"\nref = \"C1\"\nfound = \"untested\"\n" +
			"action = \"replaced\"\nnew = {value = \"470 uF\", rating = \"35 V\", type = \"by hand\"}\n",
		"2021-03-06-parts-aaap": "kind = \"parts\"\ndate = 2021-03-06\nby = \"mw\"\n[[apply_kit]]\nkit = \"electrolytics\"\nrevision = \"1\"\nfound = \"untested\"\n"})))
	got := map[string]string{}
	for _, n := range p.Parts {
		if n.Part != nil {
			got[n.Part.Type] = placesWords(n.Places) + ", kit " + n.Kit
		}
	}
	if got["by hand"] != "power supply C1, kit " || got["from the kit"] != "power supply C2-C3, kit electrolytics/1" {
		t.Errorf("the parts list has %v", got)
	}
}

// Bench notes are those of records that are shown nowhere else: the note of a
// soak or a release is shown with it, and a change of hands is news.
func TestNotesAreShownOnce(t *testing.T) {
	noted := map[string]string{
		"2021-03-12-note-aaap": "kind = \"note\"\ndate = 2021-03-12\nby = \"mw\"\nnote = \"of a note\"\n",
		"2021-03-13-note-aaap": "kind = \"note\"\ndate = 2021-03-13\nby = \"mw\"\nphoto = [{file = \"photos/a.jpg\"}]\n",
	}
	for _, name := range []string{"2021-03-06-mod-aaad", "2021-03-08-safety-aaaf", "2021-03-09-soak-aaag", "2021-03-11-custody-aaai", "2021-09-01-followup-aaaj"} {
		noted[name] = strings.Replace(benchtest.Restored[name], "by = ", "note = \"of its own\"\nby = ", 1)
	}
	p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.With(benchtest.Restored, noted)))
	var got []string
	for _, n := range p.Notes {
		got = append(got, n.Record+": "+n.Text)
	}
	if want := []string{"2021-03-05-parts-aaac: Supply first.", "2021-03-12-note-aaap: of a note"}; !slices.Equal(got, want) {
		t.Errorf("notes %q, want %q", got, want)
	}
	if n := strings.Count(pagetest.Flat(provenanceString(t, p, page.TextOptions{})), "“of its own”"); n != 5 {
		t.Errorf("the notes of five records are shown %d times", n)
	}
}

// Facts of page one stand in a fixed order: the state before the work, what
// was not looked at beside what was done.
func TestPageOneOrder(t *testing.T) {
	p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.With(benchtest.Restored, map[string]string{
		"2022-02-01-intake-aaap": "kind = \"intake\"\ndate = 2022-02-01\nby = \"mw\"\nreason = \"repair\"\nworks = \"no\"\n"})))
	var keys []string
	for _, f := range p.PageOne {
		keys = append(keys, f.Key)
	}
	want := []string{"onBench", "power", "what", "proof", "works", "openFaults", "otherFaults", "declined", "knownBad", "mains", "safety", "donor",
		"modifications", "warranty", "transit", "due", "done", "notLookedAt"}
	if !slices.Equal(keys, want) {
		t.Errorf("page one is %v, want %v", keys, want)
	}
}

// A correction stands on page one only if it changes state, safety or
// originality.
func TestCorrections(t *testing.T) {
	entry := func(file string, changes ...schema.Change) []HistoryEntry {
		return []HistoryEntry{{File: file, Corrections: []CorrectionEntry{{Date: "2021-05-01", By: "mw", Reason: "misread", Changes: changes}}}}
	}
	for _, c := range []struct {
		name    string
		history []HistoryEntry
		pageOne string // "" for nothing
	}{
		{"spelling of a note", entry("2021-03-05-parts-aaac", schema.Change{Path: "note", Old: "Suply", New: "Supply"}), ""},
		{"a reading", entry("2021-03-07-measurements-aaae", schema.Change{Path: "reading[0].value", Old: "15.4 V", New: "15.1 V"}), ""},
		{"the state", entry("2021-03-10-release-aaah", schema.Change{Path: "works", Old: "fully", New: "partly"}), "works: was “fully”, is “partly”"},
		{"a fault's state", entry("2021-03-10-release-aaah", schema.Change{Path: "fault[1].state", Old: "cured", New: "open"}), "fault 2 state: was “cured”, is “open”"},
		{"the fuse", entry("2021-03-10-release-aaah", schema.Change{Path: "fuse", Old: "500 mA T", New: "315 mA T"}), "fuse: was"},
		{"a check", entry("2021-03-08-safety-aaaf", schema.Change{Path: "check[0].value", Old: "0.2 Ohm", New: "0.1 Ohm"}), "check 1 value"},
		{"where a part came from", entry("2021-03-05-parts-aaac", schema.Change{Path: "part[5].new.source", New: "donor"}), "part 6 new source: added “donor”"},
		{"a whole line", entry("2021-03-05-parts-aaac", schema.Change{Path: "part[6]", New: "{ref = C9}"}), "part 7: added"},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored)
			in.History = c.history
			p := Build(in)
			got := fact(p, "corrections")
			if c.pageOne == "" && got != "" || !strings.Contains(got, c.pageOne) {
				t.Errorf("page one says %q, want %q", got, c.pageOne)
			}
			text := pagetest.Flat(provenanceString(t, p, page.TextOptions{}))
			if !strings.Contains(text, "Corrected 2021-05-01 by Maren Wickstead: “misread”") {
				t.Error("the history does not show the correction with its reason")
			}
		})
	}
}

func TestWithdrawnRecords(t *testing.T) {
	gone := strings.Replace(benchtest.Restored["2021-03-08-safety-aaaf"], "by = \"mw\"",
		"by = \"mw\"\nwithdrawn = true\ncorrection = [{date = 2021-04-01, by = \"mw\", reason = \"another unit's values\"}]", 1)
	p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.With(benchtest.Restored, map[string]string{
		"2021-03-08-safety-aaaf": gone, "2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": ""})))
	if s := fact(p, "safety"); s != "NOT SAFETY TESTED." {
		t.Errorf("a withdrawn safety record still counts: %s", s)
	}
	if s := fact(p, "corrections"); !strings.Contains(s, "The safety of 2021-03-08 was withdrawn") || !strings.Contains(s, "“another unit's values”") {
		t.Errorf("page one does not say that it was withdrawn: %q", s)
	}
	text := pagetest.Flat(provenanceString(t, p, page.TextOptions{}))
	for _, s := range []string{"WITHDRAWN, counts for nothing: 3 safety checks", "WITHDRAWN, counts for nothing: Note."} {
		if !strings.Contains(text, s) {
			t.Errorf("the history does not list %q", s)
		}
	}
	if strings.Contains(text, "belongs to another unit") {
		t.Error("the text of a withdrawn note is shown")
	}
}

// No verdict without a limit, and no percentage or count of coverage against
// a list that is not complete.
func TestNoVerdictWithoutLimit(t *testing.T) {
	p := Build(benchInput(t, benchtest.BenchInstrument, strings.ReplaceAll(benchtest.BenchModel, "complete = true", "complete = false"), benchtest.Restored))
	if len(p.Coverage.Families) > 0 || len(p.Map) > 0 {
		t.Errorf("coverage against incomplete lists: %+v %+v", p.Coverage.Families, p.Map)
	}
	if want := "The model's list of parts is not complete, so nothing is said about coverage."; !strings.Contains(fact(p, "notLookedAt"), want) {
		t.Errorf("page one does not say %q", want)
	}
	for _, r := range p.Readings {
		for _, v := range []*ReadingValue{r.Found, r.Between, r.Left} {
			if v != nil && v.Limit == "" && v.Verdict != "" && v.Verdict != "not measurable" {
				t.Errorf("%s has verdict %q without a limit", r.Point, v.Verdict)
			}
		}
	}
	for _, s := range p.Safety {
		for _, c := range s.Checks {
			if c.Limit == "" && c.Verdict != "" && !strings.HasSuffix(string(c.Verdict), "by inspection") {
				t.Errorf("%s has verdict %q without a limit", c.Name, c.Verdict)
			}
		}
	}
}

func TestReadings(t *testing.T) {
	p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored))
	r := p.Readings[0]
	if r.Point != "rail" || r.Found == nil || r.Left == nil {
		t.Fatalf("the rail as found and as left is not side by side: %+v", r)
	}
	if r.Found.Verdict != "outside" || r.Left.Verdict != "within by less than the uncertainty" {
		t.Errorf("verdicts %q and %q", r.Found.Verdict, r.Left.Verdict)
	}
	if len(p.Tables) != 2 {
		t.Fatalf("%d tables", len(p.Tables))
	}
	// By hand: 2.5, -0.40 and 1,2 of four; limits -2 to 2, spread 3.
	x := p.Tables[0]
	if x.Measured != 3 || x.Min != "-0.40" || x.MinAt != "key:3" || x.Max != "2.5" || x.Spread != "2.9" || !slices.Equal(x.Outside, []string{"key:1"}) || x.SpreadVerdict != "within" {
		t.Errorf("as found: %+v", x)
	}
	var lines []string
	for _, i := range p.Instruments {
		lines = append(lines, i.ID+": "+strings.Join(i.Lines, "; "))
	}
	want := []string{"dmm-1: calibrated 2021-02-10 by outside laboratory, valid to 2022-02-09", "var-1: an indicator: not calibrated"}
	if !slices.Equal(lines, want) {
		t.Errorf("test instruments %q, want %q", lines, want)
	}
}

func TestMapAndParts(t *testing.T) {
	p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored))
	got := map[string]string{}
	for _, s := range p.Map {
		for _, r := range s.Rows {
			got[s.Sections+" "+r.Refs] = r.Letters
		}
	}
	want := map[string]string{
		"power supply C1-C3": "NNN", "power supply R1-R2": "OO", "power supply Q1": "-", "power supply IC1": "M",
		"divider 1 C1-C2": "??", "divider 1 IC1": "?", "divider 2 C1": "O", "divider 2 IC1": "D", "case FN1": ".",
	}
	for k, v := range want {
		if got[k] != v {
			t.Errorf("map of %s is %q, want %q", k, got[k], v)
		}
	}
	if len(got) != len(want) {
		t.Errorf("map has %v", got)
	}
	for _, f := range p.Coverage.Families {
		if f.Worked+f.Tested+f.InService+f.Untested+f.NotLooked != f.Listed {
			t.Errorf("the counts of %s do not add up: %+v", f.Family, f)
		}
	}
	var now []string
	for _, n := range p.Parts {
		now = append(now, placesWords(n.Places)+" "+string(n.Is))
	}
	for _, s := range []string{"power supply C1-C3 fitted", "power supply Q1 empty", "power supply IC1 fitted", "divider 2 IC1 fitted"} {
		if !slices.Contains(now, s) {
			t.Errorf("the parts list lacks %q: %q", s, now)
		}
	}
}

// What a calibration or test report has to hold (ISO/IEC 17025:2017, 7.8.2.1
// a to p, wording from memory) and what a maintenance record has to hold
// (14 CFR 43.9(a), 91.417(a), from memory), each with the place where this
// report has it. The report claims neither.
func TestReportCovers(t *testing.T) {
	in := benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored)
	in.Head = "c0ffee00"
	in.Signers = []Signer{{Name: "Halden Street Workshop", Fingerprint: "SHA256:abc"}}
	text := pagetest.Flat(provenanceString(t, Build(in), page.TextOptions{}))
	for _, c := range []struct{ item, says string }{
		{"17025 a title", "Provenance report: Corvane Astrella 49"},
		{"17025 b, c name and place of the shop", "Halden Street Workshop, by appointment"},
		{"17025 d identification, the whole, the end", "Read it whole"},
		{"17025 d the end", "End of the report on astrella-49/4711, 6f0c7e5a-0d0c-4c0e-9b7e-2d3a5c1f4b11"},
		{"17025 e customer: left out on purpose, and said so", "names no owners or customers"},
		{"17025 f methods", "Decision rule: simple acceptance"},
		{"17025 g the item", "Serial, chassis 4711 (read)"},
		{"17025 g its condition", "As received it worked partly"},
		{"17025 h day received", "received 2021-03-01 for overhaul"},
		{"17025 i days of the work", "2021-03-05 C1: failed"},
		{"17025 j day of issue", "As the records stood on 2022-06-01"},
		{"17025 l relates only to the item", "relates only to the unit named"},
		{"17025 m results with units", "15.4 V ± 0.2 V"},
		{"17025 n exclusions", "insulation resistance: NOT DONE"},
		{"17025 o who authorized it", "says Joss Tarrant for Halden Street Workshop"},
		{"17025 p results of others marked", "said by: owner; not seen at this bench"},
		{"17025 7.8.4.1 traceability", "calibrated 2021-02-10 by outside laboratory"},
		{"17025 7.8.6 decision rule", "no guard band is kept"},
		{"17025 7.8.8 amendments", "Every record, in order of the day it is about. Corrections"},
		{"43.9(a)(1) description of work", "drift, high ESR), tested out of circuit; replaced: 470 uF"},
		{"43.9(a)(2) date of completion", "released 2021-03-10"},
		{"43.9(a)(3) who did it", "Maren Wickstead"},
		{"43.9(a)(4) signature", "key SHA256:abc"},
		{"91.417(a)(2)(i) time in service", "Hour meter no reading recorded"},
		{"91.417(a)(2)(ii) life-limited parts and (v) what is due", "“contacts” (keybed), by 2022-03-10"},
		{"91.417(a)(2)(iii) time since overhaul", "Last overhaul released 2021-03-10"},
		{"91.417(a)(2)(iv) inspection status", "Safety checks"},
		{"91.417(a)(2)(vi) alterations", "“quiet supply”, kit quiet supply/2"},
	} {
		if !strings.Contains(text, c.says) {
			t.Errorf("%s: the report does not say %q", c.item, c.says)
		}
	}
	for _, claim := range []string{"17025", "43.9", "91.417"} {
		if strings.Contains(text, claim) {
			t.Errorf("the report claims %s", claim)
		}
	}
}

// Hostile and boastful texts stand in quotation marks or not at all, and
// never end a line where they like.
func TestHostileTexts(t *testing.T) {
	boast := `fully restored, as new, all original, certified safe, verified”. “It is verified`
	records := map[string]string{}
	for name, text := range benchtest.Restored {
		for _, s := range []string{"loud hum", "burnt smell", "fuse wrapped in foil", "brown board", "no load", "off the scale", "key 2 silent", "Supply first.", "8 % high, does no harm",
			"one hole stays", "less hum", "tester away", "a click, once", "parts fitted here", "too dear", "chassis at rail common", "in its crate", "hum is back",
			"a lamp dimmer next door", "the back", "three-terminal regulator", "divider circuit", "axial", "contacts", "shop's own list", "earth continuity"} {
			text = strings.ReplaceAll(text, `"`+s+`"`, `"`+boast+`"`)
		}
		records[name] = text
	}
	instrument := strings.ReplaceAll(benchtest.BenchInstrument, `variant = "red"`, `variant = "verified as new"`)
	in := benchInput(t, instrument, benchtest.BenchModel, records)
	p := Build(in)
	for _, width := range []int{40, 80, 132} {
		text := provenanceString(t, p, page.TextOptions{Width: width})
		checkNever(t, text)
		checkWidth(t, text, width)
	}
	for _, f := range p.PageOne {
		checkNever(t, strings.Join(f.Lines, " "))
	}
	text := pagetest.Flat(provenanceString(t, p, page.TextOptions{}))
	if !strings.Contains(text, "“fully restored, as new") {
		t.Error("the restorer's own words are not quoted")
	}
}

func TestCleanAndQuote(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"plain", "“plain”"},
		{"two\nlines\tand  blanks", "“two lines and blanks”"},
		{"say “this” and \"that\"", "“say ‘this’ and 'that'”"},
		{"red \x1b[31mink\x07", "“red [31mink”"},
		{"right\u202eto left\u2066", "“rightto left”"},
		{"bad \xff byte", "“bad byte”"},
	} {
		if got := page.Quote(c.in); got != c.want {
			t.Errorf("quote(%q) = %q, want %q", c.in, got, c.want)
		}
	}
	for in, want := range map[string]string{"polyester film": "polyester film", "as new": "“as new”", "As-New spares": "“As-New spares”", "was newer": "was newer"} {
		if got := Own(in); got != want {
			t.Errorf("own(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestWrap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOf(rapid.StringMatching(`[a-zé漢“”.,-]{1,12}`)).Draw(t, "words")
		width := rapid.IntRange(1, 40).Draw(t, "width")
		text := strings.Join(words, " ")
		lines := page.Wrap(text, width)
		if got, want := strings.Join(lines, " "), page.Tidy(page.Clean(text)); got != want {
			t.Fatalf("wrap lost text: %q, want %q", got, want)
		}
		for i, l := range lines {
			if page.TextWidth(l) > width && strings.Contains(l, " ") {
				t.Fatalf("line %q is wider than %d", l, width)
			}
			if i > 0 && page.TextWidth(lines[i-1])+1+page.TextWidth(strings.Fields(l)[0]) <= width {
				t.Fatalf("%q would have had room behind %q", strings.Fields(l)[0], lines[i-1])
			}
		}
	})
}

// Every open fault and every declined repair is on page one, whatever the
// records say of the others.
func TestOpenFaultsAppear(t *testing.T) {
	states := []string{"open", "cured", "not-reproduced", "accepted", "declined"}
	rapid.Check(t, func(rt *rapid.T) {
		var faults, ends strings.Builder
		want := map[string]string{}
		for i := range rapid.IntRange(0, 6).Draw(rt, "faults") {
			id := "F" + string(rune('1'+i))
			faults.WriteString("[[fault]]\nid = \"" + id + "\"\nsymptom = \"symptom of " + id + "\"\n")
			want[id] = "open"
			if rapid.Bool().Draw(rt, "said") {
				want[id] = rapid.SampledFrom(states).Draw(rt, "state")
				ends.WriteString("[[fault]]\nid = \"" + id + "\"\nstate = \"" + want[id] + "\"\n")
			}
		}
		records := map[string]string{
			"2021-01-01-intake-aaaa": "kind = \"intake\"\ndate = 2021-01-01\nby = \"mw\"\nreason = \"repair\"\nworks = \"no\"\n" + faults.String(),
		}
		if rapid.Bool().Draw(rt, "released") {
			records["2021-01-02-release-aaab"] = "kind = \"release\"\ndate = 2021-01-02\nby = \"mw\"\nworks = \"partly\"\n" + ends.String()
		} else {
			for id := range want {
				want[id] = "open"
			}
		}
		p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, records))
		keys := map[string]string{"open": "openFaults", "not-reproduced": "otherFaults", "accepted": "otherFaults", "declined": "declined"}
		for id, state := range want {
			for s, key := range keys {
				has := strings.Contains(fact(p, key), "symptom of "+id+"”")
				if s == state && !has {
					rt.Fatalf("%s (%s) is not under %s", id, state, key)
				}
				if has && keys[state] != key {
					rt.Fatalf("%s (%s) is under %s", id, state, key)
				}
			}
		}
	})
}

func TestProvenanceJSON(t *testing.T) {
	p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored))
	var b bytes.Buffer
	if err := p.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(b.Bytes(), []byte("null")) {
		t.Error("a list is null")
	}
	var back Report
	d := json.NewDecoder(&b)
	d.DisallowUnknownFields()
	if err := d.Decode(&back); err != nil {
		t.Fatal(err)
	}
	if provenanceString(t, &back, page.TextOptions{}) != provenanceString(t, p, page.TextOptions{}) {
		t.Error("the text from the JSON differs from the text of the report: the value does not hold everything")
	}
	var tree map[string]any
	var again bytes.Buffer
	if err := p.WriteJSON(&again); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(again.Bytes(), &tree); err != nil {
		t.Fatal(err)
	}
	if tree["schema"] != 1.0 {
		t.Errorf("schema is %v", tree["schema"])
	}
	checkKeys(t, "", tree)
}

var lowerCamel = regexp.MustCompile(`^[a-z][a-zA-Z0-9]*$`)

func checkKeys(t *testing.T, at string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			if !lowerCamel.MatchString(k) {
				t.Errorf("key %s.%s is not in lower camel case", at, k)
			}
			checkKeys(t, at+"."+k, x)
		}
	case []any:
		for _, x := range v {
			checkKeys(t, at, x)
		}
	}
}

// The order of the files does not matter, nor does building twice.
func TestProvenanceIsDeterministic(t *testing.T) {
	want := provenanceString(t, Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored)), page.TextOptions{})
	for range 5 {
		in := benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored)
		if got := provenanceString(t, Build(in), page.TextOptions{}); got != want {
			t.Fatal("two reports on the same records differ")
		}
		if got := provenanceString(t, Build(in), page.TextOptions{}); got != want {
			t.Fatal("building a report changes the unit")
		}
	}
}

func TestColorIsOnlyBold(t *testing.T) {
	p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored))
	plain := provenanceString(t, p, page.TextOptions{})
	if strings.Contains(plain, "\x1b") {
		t.Error("escapes without colour")
	}
	bold := provenanceString(t, p, page.TextOptions{Color: true})
	if strings.NewReplacer("\x1b[1m", "", "\x1b[0m", "").Replace(bold) != plain {
		t.Error("with colour the text differs by more than bold headings")
	}
}

func TestDateWords(t *testing.T) {
	for in, want := range map[schema.EDTF]string{
		"": "not known", "1974": "1974", "1974-05": "1974-05", "1974~": "about 1974", "1974?": "perhaps 1974",
		"1971/1974": "between 1971 and 1974", "../1974": "not after 1974", "1971/..": "not before 1971",
	} {
		if got := dateWords(in); got != want {
			t.Errorf("dateWords(%q) = %q, want %q", string(in), got, want)
		}
	}
}

// TestOldPartFromTheModel: a part that went without being described was what the
// model lists, and the report says that this is where it has it from. One of
// value, rating and type is enough; where the model has none, nothing is told.
func TestOldPartFromTheModel(t *testing.T) {
	for _, tt := range []struct{ line, want string }{
		{"ref = \"R2\"", "1k"},
		{"ref = \"Q1\"", ""},
	} {
		r := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.With(benchtest.Restored, map[string]string{
			"2021-03-05-parts-zzzz": "kind = \"parts\"\ndate = 2021-03-05\nby = \"jt\"\n[[part]]\nsection = \"power supply\"\n" + tt.line +
				"\nfound = \"untested\"\naction = \"replaced\"\nnew = {type = \"as found in the drawer\"}\n"})))
		found := false
		for _, w := range r.Work {
			if w.New == nil || w.New.Type != "as found in the drawer" {
				continue
			}
			found = true
			switch {
			case tt.want == "" && w.Old != nil:
				t.Errorf("%s: the report tells of an old part nobody described: %+v", tt.line, w.Old)
			case tt.want != "" && (w.Old == nil || w.Old.Value != tt.want || !w.Old.FromModel):
				t.Errorf("%s: old part %+v, not %s as the model lists it", tt.line, w.Old, tt.want)
			}
		}
		if !found {
			t.Errorf("%s: the work is not in the report", tt.line)
		}
	}
}
