package reliability

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"benchlore/reports/page"
	"benchlore/schema/unit"
)

// echoLedger is a small bench's tape echoes: three with a tantalum capacitor
// that failed at a time nobody knows, one of those taking a film one with it,
// one dropped on its way home, one that came back, one nobody can date, and
// one that only passed through.
func echoLedger(t *testing.T) []*unit.Unit {
	var units []*unit.Unit
	for i := range 3 {
		units = append(units, observedUnit(t, fmt.Sprintf("q3-10%d", i), "1974-03/1974-09",
			ledgerRecord{"2019-02-04-intake", inNo + "last_known_working = \"1998\"\n"},
			ledgerRecord{"2019-02-05-parts", partLine("channel 1", "C2", "failed", "replaced", `mode = "short"`, `new = {maker = "Ormvik", lot = "2018-tant"}`) +
				map[bool]string{true: partLine("channel 1", "C1", "failed", "replaced", `caused_by = "C2"`)}[i == 0] +
				partLine("channel 2", "C2", "ok", "replaced") +
				partLine("supply", "C1", "degraded", "replaced") +
				jointLine(2, "failed", "reworked")},
			ledgerRecord{fmt.Sprintf("2019-02-1%d-release", i), outFully},
			ledgerRecord{"2021-05-01-followup", said}))
	}
	return append(units,
		observedUnit(t, "q3-110", "1975",
			ledgerRecord{"2020-06-01-intake", inNo},
			ledgerRecord{"2020-06-02-parts", partLine("channel 1-2", "C1", "failed", "replaced", `caused_by = "transport"`) +
				partLine("channel 1-2", "C2", "untested", "left")},
			ledgerRecord{"2020-06-20-release", outPartly}),
		observedUnit(t, "q3-111", "1975",
			ledgerRecord{"2020-07-01-intake", inNo},
			ledgerRecord{"2020-07-02-parts", partLine("supply", "C1", "failed", "replaced")},
			ledgerRecord{"2020-07-20-release", outFully},
			ledgerRecord{"2020-09-03-intake", "reason = \"comeback\"\nworks = \"no\"\n[comeback]\nrelease = \"2020-07-20-release-0002\"\nfault = \"same\"\n"},
			ledgerRecord{"2020-09-03-parts", partLine("supply", "C1", "failed", "replaced")},
			ledgerRecord{"2020-09-10-release", outFully}),
		observedUnit(t, "q3-112", "",
			ledgerRecord{"2022-01-10-intake", inFully},
			ledgerRecord{"2022-01-11-parts", partLine("channel 1", "C1", "ok", "left")},
			ledgerRecord{"2022-01-12-release", outFully},
			ledgerRecord{"2024-01-12-followup", said}),
		observedUnit(t, "q3-113", "1976-05-04",
			ledgerRecord{"2023-03-01-intake", inFully},
			ledgerRecord{"2023-03-02-release", outFully}),
	)
}

// checkGolden compares with testdata/golden/name. With BENCHLORE_GOLDEN=write
// in the environment the file is written instead.
func checkGolden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", "golden", name)
	if os.Getenv("BENCHLORE_GOLDEN") == "write" {
		if err := os.WriteFile(path, got, 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	want = bytes.ReplaceAll(want, []byte("\r\n"), []byte("\n"))
	if !bytes.Equal(bytes.ReplaceAll(got, []byte("\r\n"), []byte("\n")), want) {
		t.Errorf("%s differs; look at the difference, and if it is meant run with BENCHLORE_GOLDEN=write\n%s", path, got)
	}
}

func TestReliabilityGolden(t *testing.T) {
	obs := Observe(echoLedger(t), ObserveOptions{AsOf: mustDate(t, "2026-01-01"), Families: observedFamilies(), Lag: DefaultLag})
	r, err := Estimate(obs, observedFamilies(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var text, wide, js, table bytes.Buffer
	for _, err := range []error{r.WriteText(&text, page.TextOptions{}), r.WriteText(&wide, page.TextOptions{Width: 120}), r.WriteJSON(&js), r.WriteCSV(&table)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for width, b := range map[int]*bytes.Buffer{80: &text, 120: &wide} {
		for line := range strings.Lines(b.String()) {
			if n := page.TextWidth(strings.TrimRight(line, "\n")); n > width {
				t.Errorf("%d columns of %d: %s", n, width, line)
			}
		}
	}
	checkGolden(t, "reliability.txt", text.Bytes())
	checkGolden(t, "reliability-wide.txt", wide.Bytes())
	checkGolden(t, "reliability.json", js.Bytes())
	checkGolden(t, "reliability.csv", table.Bytes())
}

// keyOrder lists the keys of a JSON text in order of appearance, those of
// arrays' later elements left out.
func keyOrder(t *testing.T, data []byte) []string {
	t.Helper()
	var keys []string
	d := json.NewDecoder(bytes.NewReader(data))
	var walk func(prefix string)
	walk = func(prefix string) {
		tok, err := d.Token()
		if err != nil {
			t.Fatal(err)
		}
		switch tok {
		case json.Delim('{'):
			for d.More() {
				k, err := d.Token()
				if err != nil {
					t.Fatal(err)
				}
				name := prefix + k.(string)
				keys = append(keys, name)
				walk(name + ".")
			}
		case json.Delim('['):
			for d.More() {
				walk(prefix)
			}
		default:
			return
		}
		if _, err := d.Token(); err != nil {
			t.Fatal(err)
		}
	}
	walk("")
	var first []string
	seen := map[string]bool{}
	for _, k := range keys {
		if !seen[k] {
			first = append(first, k)
		}
		seen[k] = true
	}
	return first
}

func TestReliabilityJSONKeys(t *testing.T) {
	want := strings.Fields(`schema estimand timeUnit failure asOf silence by earlierWork earlierWork.units earlierWork.of earlierWork.lookedIn groups
		groups.key groups.key.section groups.key.family
		groups.firstVisit groups.firstVisit.units groups.firstVisit.units.inspected groups.firstVisit.units.affected groups.firstVisit.units.share groups.firstVisit.units.low groups.firstVisit.units.high
		groups.firstVisit.tested groups.firstVisit.failed groups.firstVisit.share groups.firstVisit.low groups.firstVisit.high
		groups.units groups.units.inspected groups.units.affected groups.units.share groups.units.low groups.units.high
		groups.parts groups.parts.handled groups.parts.tested groups.parts.inService groups.parts.untested groups.parts.failed
		groups.parts.degraded groups.parts.secondary groups.parts.external groups.parts.leftOut groups.parts.failedOrDegraded groups.parts.share groups.parts.low
		groups.parts.high groups.parts.designEffect
		groups.rate groups.rate.events groups.rate.perYear groups.rate.low groups.rate.high groups.rate.method groups.rate.leftCensored
		groups.rateRefused groups.rateBounds groups.rateBounds.low groups.rateBounds.middle groups.rateBounds.high groups.rateBounds.leftOut groups.rateEitherSilence groups.rateEitherSilence.low groups.rateEitherSilence.high groups.rateSystematic
		groups.earlierWork groups.earlierWork.units groups.earlierWork.of
		groups.weibull groups.weibullRefused
		groups.wear groups.wear.verdict groups.wear.reasons groups.wear.b10 groups.wear.b10Low groups.wear.b10High groups.wear.unitsLeftOut groups.wear.failedByAge
		groups.rank groups.curve notes`)
	r := estimate(t, "2020-01-01", Options{By: []string{"section", "family"}, Silence: SilenceWorking}, datedLedger(t)...)
	var b bytes.Buffer
	if err := r.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	got := keyOrder(t, b.Bytes())
	// The first group may have no rate: its keys then come with a later one.
	if !reflect.DeepEqual(sorted(got), sorted(want)) {
		t.Errorf("keys %v\nwant %v", got, want)
	}
	var doc struct {
		Silence string
		Groups  []json.RawMessage
	}
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Silence != "working" {
		t.Errorf("silence %q", doc.Silence)
	}
	rated := false
	for _, g := range doc.Groups {
		keys := keyOrder(t, g)
		var wanted []string
		for _, k := range want {
			if name, ok := strings.CutPrefix(k, "groups."); ok && (bytes.Contains(g, []byte(`"perYear"`)) || !strings.HasPrefix(name, "rate.") && !strings.HasPrefix(name, "rateEitherSilence.")) &&
				(!strings.HasPrefix(name, "rateBounds.") || !bytes.Contains(g, []byte(`"rateBounds": null`))) {
				wanted = append(wanted, name)
			}
		}
		rated = rated || bytes.Contains(g, []byte(`"perYear"`))
		if !reflect.DeepEqual(keys, wanted) {
			t.Errorf("keys %v\nwant %v", keys, wanted)
		}
	}
	if !rated {
		t.Error("no group with a rate was looked at")
	}
}

func sorted(words []string) []string {
	words = slices.Clone(words)
	slices.Sort(words)
	return words
}

func TestReliabilityCSV(t *testing.T) {
	u := observedUnit(t, "q3-0001", "1976-01-01",
		ledgerRecord{"2016-01-01-intake", inNo},
		ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left", `old = {maker = "=HYPERLINK(\"x\")"}`) +
			partLine("channel 2", "C1", "ok", "left", `old = {maker = " +49, Ormvik"}`)})
	r := estimate(t, "2020-01-01", Options{By: []string{"maker"}}, u)
	var b bytes.Buffer
	if err := r.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]bool{}
	for _, row := range rows {
		if len(row) != len(rows[0]) {
			t.Errorf("%d cells, want %d", len(row), len(rows[0]))
		}
		got[row[0]] = true
	}
	if !got[`'=HYPERLINK("x")`] || !got["' +49, Ormvik"] {
		t.Errorf("makers %v", got)
	}
}

func TestSafeCell(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "Ormvik": "Ormvik", "2.2": "2.2", "a=b": "a=b",
		"=1": "'=1", "+1": "'+1", "-1": "'-1", "@x": "'@x", "\t=1": "'\t=1", "  =1": "'  =1", "\r1": "'\r1",
	} {
		if got := safeCell(in); got != want {
			t.Errorf("safeCell(%q) = %q, want %q", in, got, want)
		}
	}
}

func FuzzSafeCell(f *testing.F) {
	for _, s := range []string{"", "Ormvik", "=1+1", " \t@x", "'=1", "\r\n-2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := safeCell(s)
		if strings.TrimPrefix(got, "'") != s && got != s {
			t.Errorf("safeCell(%q) = %q: the text is changed", s, got)
		}
		if first := strings.TrimLeft(got, " "); first != "" && strings.ContainsAny(first[:1], "=+-@\t\r\n") {
			t.Errorf("safeCell(%q) = %q: a spreadsheet may run it", s, got)
		}
	})
}

func TestReliabilityOfNothing(t *testing.T) {
	r, err := Estimate(Observe(nil, ObserveOptions{}), nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var text, js, table bytes.Buffer
	if err := r.WriteText(&text, page.TextOptions{}); err != nil || !strings.Contains(text.String(), "Nothing has been handled yet: no figures.") {
		t.Errorf("%v\n%s", err, text.String())
	}
	if err := r.WriteJSON(&js); err != nil || !strings.Contains(js.String(), `"groups": []`) || !strings.Contains(js.String(), `"asOf": ""`) {
		t.Errorf("%v\n%s", err, js.String())
	}
	if err := r.WriteCSV(&table); err != nil || strings.Count(table.String(), "\n") != 1 {
		t.Errorf("%v\n%s", err, table.String())
	}
}

// One unit says how it is itself, and nothing about others.
func TestReliabilityOfOneUnit(t *testing.T) {
	r := estimate(t, "2026-01-01", Options{}, echoLedger(t)[0])
	for _, g := range r.Groups {
		if g.Units.Inspected > 1 || g.Life[SilenceUnknown].Rate != nil || g.Life[SilenceWorking].Rate != nil || g.Parts.OfHandled.Interval != nil {
			t.Errorf("%s: %+v", g.Title, g)
		}
		if s := r.Sentence(g); g.Units.Inspected == 1 && !strings.Contains(s, "too few to say anything") {
			t.Errorf("%s", s)
		}
	}
}

func TestPercent(t *testing.T) {
	for v, want := range map[float64]string{
		0: "0%", 1: "100%", 0.5: "50%", 0.024: "2.4%", 0.0949: "9.5%", 0.1: "10%", 0.00041: "0.04%", 0.000001: "<0.001%",
		0.9999: ">99.9%", 0.995: "99.5%", 0.9: "90%",
	} {
		if got := percent(v); got != want {
			t.Errorf("percent(%v) = %q, want %q", v, got, want)
		}
	}
}
