package worklist

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"benchlore/ledger"
	"benchlore/reports/internal/benchtest"
	"benchlore/reports/page"
	"benchlore/schema"
)

// firstStay is the first stay of restored before its release.
var firstStay = benchtest.With(benchtest.Restored, map[string]string{"2021-03-10-release-aaah": "", "2021-03-11-custody-aaai": "", "2021-09-01-followup-aaaj": "",
	"2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": "", "2021-10-06-note-aaan": ""})

func checklistOf(t *testing.T, records map[string]string, change func(*ChecklistInput)) *Checklist {
	t.Helper()
	in := benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, records)
	c := ChecklistInput{Unit: in.Unit, Shop: in.Shop, Today: benchtest.Date(t, "2021-03-10"), Problems: in.Unit.Problems}
	if change != nil {
		change(&c)
	}
	return NewChecklist(c)
}

func TestChecklistNamesWhatIsMissing(t *testing.T) {
	const parts = "kind = \"parts\"\ndate = 2021-03-09\nby = \"mw\"\n"
	for _, c := range []struct {
		name    string
		records map[string]string
		change  func(*ChecklistInput)
		must    []string // beginnings, in order: all there are
		should  []string // parts of lines that must be there
		without []string // parts of lines that must not be there
	}{
		{name: "one fault without a cure", records: firstStay,
			must: []string{"fault F3 (one key sits low) is open, and no part line cures it"},
			should: []string{"DO NOT POWER is still set (burnt smell)", "no photograph in this job",
				`safety check “insulation resistance” was not done: tester away`,
				"power supply: 1 of 6 parts not looked at in this job: R2",
				"case: its one part was not looked at"},
			without: []string{"no soak", "keybed: ", "reading as left", "F1", "calibration"}},
		{name: "the same doubt in three lines", records: firstStay,
			change: func(in *ChecklistInput) {
				file := in.Unit.Jobs[0].Files[0].Path
				for i, point := range []string{"one", "two", "three"} {
					in.Problems = append(in.Problems, schema.Problem{File: file, Line: i + 1, Severity: schema.Warned,
						Message: fmt.Sprintf("the test instrument for %q is missing", point), Write: "add with"})
				}
			},
			must:    []string{"fault F3"},
			should:  []string{`:1: the test instrument for "one" is missing; the same in 2 more lines`},
			without: []string{"two", "three"}},
		{name: "a part that waits cures nothing", records: benchtest.With(firstStay, map[string]string{"2021-03-09-parts-aaaz": parts +
			"[[part]]\nsection = \"keybed\"\nref = \"key:2\"\nfound = \"failed\"\nfault = \"F3\"\naction = \"pending\"\n"}),
			must: []string{"fault F3", "parts still pending: keybed key:2"}},
		{name: "work after soak, safety checks and readings", records: benchtest.With(firstStay, map[string]string{"2021-03-10-parts-aaaz": strings.Replace(parts, "09", "10", 1) +
			"[[part]]\nsection = \"power supply\"\nref = \"R2\"\nfound = \"degraded\"\nfault = \"F3\"\naction = \"replaced\"\nnew = {value = \"1k\"}\n"}),
			must: []string{},
			should: []string{"no soak since the last work (2021-03-10); the last one was on 2021-03-09",
				"the safety checks of 2021-03-08 are from before the last work (2021-03-10)",
				"the reading as left of rail (power supply) is from before the last work there",
				"the reading as left of tuning is from before the last work there"},
			without: []string{"power supply: "}},
		{name: "nothing measured, checked or soaked", records: benchtest.With(firstStay, map[string]string{"2021-03-07-measurements-aaae": "",
			"2021-03-08-safety-aaaf": "", "2021-03-09-soak-aaag": ""}),
			must: []string{"fault F3", "it came in not to be powered (burnt smell): no safety check is recorded"},
			should: []string{"no reading as left of rail (power supply), which has a limit", "no reading as left of tuning, which has a limit",
				"the report will say NOT SAFETY TESTED", "no soak in this job"}},
		{name: "a failed check and a late calibration", records: benchtest.With(firstStay, map[string]string{"2021-03-08-safety-aaaf": strings.Replace(
			benchtest.Restored["2021-03-08-safety-aaaf"], `value = "0.1 Ohm"`, `value = "0.4 Ohm"`, 1)}),
			change: func(in *ChecklistInput) { in.Today = schema.Date{Day: in.Today.Day.AddDays(400)} },
			must:   []string{"fault F3"},
			should: []string{"safety check “earth continuity” did not pass", "dmm-1 (Bench multimeter) is past its calibration date, 2022-02-09; it was used in this job"}},
		{name: "a repair is asked about what it dealt with", records: benchtest.With(firstStay, map[string]string{"2021-03-01-intake-aaaa": strings.Replace(
			benchtest.Restored["2021-03-01-intake-aaaa"], `"overhaul"`, `"repair"`, 1), "2021-03-07-measurements-aaae": ""}),
			must:    []string{"fault F3"},
			should:  []string{"power supply: 1 of 6", "no reading as left of rail", "no reading as left of tuning"},
			without: []string{"case: "}},
		{name: "what a close would refuse", records: firstStay,
			change: func(in *ChecklistInput) {
				in.Unsaved = []string{"instruments/astrella-49/4711/instrument.toml"}
				in.Problems = append(in.Problems, schema.Problem{File: "instruments/astrella-49/4711/x.toml", Line: 3, Severity: schema.Wrong, Message: "no such thing", Write: "another"})
				in.Findings = []ledger.Finding{{File: "instruments/astrella-49/4711/y.toml", Line: 4, What: "a telephone number", Text: "020 7946 0123"}}
			},
			must: []string{"instrument.toml was edited by hand", "x.toml:3: no such thing", "y.toml:4: a telephone number: “020 7946 0123”", "fault F3"}},
		{name: "what is due", records: benchtest.Restored, change: func(in *ChecklistInput) { in.Today = benchtest.Date(t, "2022-03-10") },
			must: []string{}, should: []string{"contacts (keybed), due 2022-03-10"}},
		{name: "not yet due", records: benchtest.Restored, change: func(in *ChecklistInput) { in.Today = benchtest.Date(t, "2022-03-09") },
			must: []string{}, without: []string{"contacts"}, should: []string{"the release does not say which mains setting"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := checklistOf(t, c.records, c.change)
			var must []string
			for _, i := range l.Must {
				must = append(must, i.Text)
			}
			if !slices.EqualFunc(must, c.must, strings.HasPrefix) {
				t.Errorf("must:\n%s\nwant beginnings:\n%s", strings.Join(must, "\n"), strings.Join(c.must, "\n"))
			}
			if l.OK() != (len(c.must) == 0) {
				t.Errorf("OK is %v", l.OK())
			}
			var all []string
			for _, i := range l.Should {
				all = append(all, i.Text)
			}
			text := strings.Join(all, "\n")
			for _, s := range c.should {
				if !strings.Contains(text, s) {
					t.Errorf("nothing says %q:\n%s", s, text)
				}
			}
			for _, s := range c.without {
				if strings.Contains(text, s) {
					t.Errorf("something says %q:\n%s", s, text)
				}
			}
		})
	}
}

func TestChecklistTextKeepsToItsWidth(t *testing.T) {
	l := checklistOf(t, firstStay, nil)
	for _, width := range []int{40, 80} {
		var b bytes.Buffer
		if err := l.WriteText(&b, page.TextOptions{Width: width}); err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(b.String()) {
			if page.TextWidth(strings.TrimRight(line, "\n")) > width {
				t.Errorf("wider than %d: %q", width, line)
			}
		}
		if !strings.HasPrefix(b.String(), "DO NOT POWER: burnt smell\n") {
			t.Errorf("the first line is not the warning:\n%s", b.String())
		}
	}
}

func TestChecklistOfAClosedUnit(t *testing.T) {
	l := checklistOf(t, benchtest.Restored, func(in *ChecklistInput) { in.Closed, in.Problems = true, nil })
	var b bytes.Buffer
	if err := l.WriteText(&b, page.TextOptions{}); err != nil {
		t.Fatal(err)
	}
	if l.Job != "" || !l.OK() || !strings.Contains(b.String(), "Everything is closed: nothing is missing.") {
		t.Errorf("%+v\n%s", l, b.String())
	}
}
