package provenance

import (
	"bytes"
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"benchlore/reports/internal/benchtest"
	"benchlore/reports/internal/pagetest"
	"benchlore/reports/page"
	"benchlore/reports/reliability"
	"benchlore/schema/unit"
)

// shownModel is the bench's model with functions.
const shownModel = benchtest.BenchModel + `
[[function]]
id = "percussion"
name = "percussion"
section = "power supply"
[[function]]
id = "vibrato"
name = "vibrato"
[[function]]
id = "pedal"
name = "bass pedal"
`

// shown adds a demonstration of each stage, and a second one of a function.
var shown = benchtest.With(benchtest.Restored, map[string]string{
	"2021-03-02-demonstration-aada": `
kind = "demonstration"
date = 2021-03-02
by = "mw"
stage = "as-found"
[[function]]
id = "percussion"
works = "no"
`,
	"2021-03-09-demonstration-aadb": `
kind = "demonstration"
date = 2021-03-09
by = "mw"
stage = "as-left"
[[function]]
id = "percussion"
works = "partly"
[[function]]
id = "vibrato"
works = "fully"
url = "https://recordings.example/4711"
at = "01:20"
`,
	"2022-05-20-demonstration-aadc": `
kind = "demonstration"
date = 2022-05-20
by = "jt"
stage = "as-left"
[[function]]
id = "percussion"
works = "fully"
note = "second and third harmonic"
file = "files/walk-through.flac"
sha256 = "` + digestOfA + `"
at = "00:05"
`,
})

const digestOfA = "ca978112ca1bbdcafac231b39a23dc4da786eff8147c4e72b9807785afee48bb" // SHA-256 of the letter a, made with sha256sum

func TestDemonstrationIsPrinted(t *testing.T) {
	p := Build(benchInput(t, benchtest.BenchInstrument, shownModel, shown))
	var text, set, data bytes.Buffer
	if err := p.WriteText(&text, page.TextOptions{Width: 100}); err != nil {
		t.Fatal(err)
	}
	if err := p.WriteHTML(&set, HTMLOptions{}); err != nil {
		t.Fatal(err)
	}
	if err := p.WriteJSON(&data); err != nil {
		t.Fatal(err)
	}
	flatText := strings.Join(strings.Fields(text.String()), " ")
	printed := map[string]string{"text": flatText, "PDF": pagetest.Flat(pagetest.Poppler(t, provenancePDF(t, p, PDFOptions{}), "pdftotext", "-raw", "FILE", "-"))}
	for what, got := range printed {
		got = strings.Join(strings.Fields(got), " ")
		for _, want := range []string{"What it does, and where to hear it", "percussion (power supply)",
			"As found, 2021-03-02, Maren Wickstead: DOES NOT WORK.",
			"As left, 2022-05-20, Joss Tarrant: works.", "second and third harmonic", "files/walk-through.flac at 00:05",
			"https://recordings.example/4711 at 01:20", "Never shown: bass pedal."} {
			if !strings.Contains(strings.ReplaceAll(got, " ", ""), strings.ReplaceAll(want, " ", "")) {
				t.Errorf("%s: no %q", what, want)
			}
		}
		if strings.Contains(got, "works partly. To") || strings.Contains(got, "As left, 2021-03-09, Maren Wickstead: works partly") {
			t.Errorf("%s: what a later demonstration took the place of is printed", what)
		}
	}
	if !strings.Contains(set.String(), "What it does, and where to hear it") || !strings.Contains(set.String(), digestOfA) {
		t.Error("HTML: no chapter, or no digest")
	}
	var got struct {
		Functions []map[string]any
		Not       []string `json:"functionsNotShown"`
	}
	if err := json.Unmarshal(data.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Functions) != 3 || got.Functions[1]["works"] != "fully" || got.Functions[1]["stage"] != "as-left" || got.Functions[1]["sha256"] != digestOfA {
		t.Errorf("JSON: %v", got.Functions)
	}
	if !reflect.DeepEqual(got.Not, []string{"bass pedal"}) {
		t.Errorf("JSON: not shown: %v", got.Not)
	}
}

// A demonstration says nothing about a part: with it, the observations are the
// same, and so is the day they are settled on.
func TestDemonstrationIsNoEvidence(t *testing.T) {
	opt := reliability.ObserveOptions{AsOf: benchtest.Date(t, "2022-06-01")}
	without := benchInput(t, benchtest.BenchInstrument, shownModel, benchtest.Restored).Unit
	shownUnit := benchInput(t, benchtest.BenchInstrument, shownModel, shown).Unit
	a, b := reliability.Observe([]*unit.Unit{without}, opt), reliability.Observe([]*unit.Unit{shownUnit}, opt)
	if !reflect.DeepEqual(a, b) {
		t.Errorf("observations differ:\n%v\n%v", a, b)
	}
	if x, y := reliability.LastRecord(without), reliability.LastRecord(shownUnit); x != y {
		t.Errorf("the last record is of %s, with the demonstrations of %s", x, y)
	}
	if x, y := reliability.Settled(without), reliability.Settled(shownUnit); x != y {
		t.Errorf("settled on %s, with the demonstrations on %s", x, y)
	}
}

func TestNothingShownPrintsNothing(t *testing.T) {
	p := Build(benchInput(t, benchtest.BenchInstrument, shownModel, benchtest.Restored))
	var text, data bytes.Buffer
	if err := p.WriteText(&text, page.TextOptions{}); err != nil {
		t.Fatal(err)
	}
	if err := p.WriteJSON(&data); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(text.String(), "What it does") || strings.Contains(data.String(), "unctionsNotShown") {
		t.Error("a chapter about nothing")
	}
}
