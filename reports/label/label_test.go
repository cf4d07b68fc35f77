package label

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"benchlore/ledger/proof"
	"benchlore/reports/internal/benchtest"
	"benchlore/reports/internal/pagetest"
	"benchlore/reports/page"
	"benchlore/reports/provenance"
)

const (
	testHead      = "c0ffee00c0ffee00c0ffee00c0ffee00c0ffee00"
	testStatement = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"
)

func TestLabelSays(t *testing.T) {
	fixtures := labelled(t)
	for _, c := range []struct {
		name, statement string
		want            []string
	}{
		{"restored", testStatement, []string{"astrella-49/4711", "Serial: 4711 (chassis)", "DO NOT POWER: burnt smell", "Released 2021-10-05: works fully", "NOT SAFETY TESTED",
			"Check first: contacts (keybed), by 2022-03-10", "Head c0ffee00c0ff", "Seal 0123456789abcdef", "Halden Street Workshop, by appointment", "History available: ask for the packet"}},
		{"restored", "", []string{"astrella-49/4711", "Serial: 4711 (chassis)", "DO NOT POWER: burnt smell", "Released 2021-10-05: works fully", "NOT SAFETY TESTED",
			"Check first: contacts (keybed), by 2022-03-10", "Head c0ffee00c0ff", "NOT SEALED", "Halden Street Workshop, by appointment", "History available: ask for the packet"}},
		{"on the bench", "", []string{"astrella-49/4711", "Serial: 4711 (chassis)", "DO NOT POWER: burnt smell", "No release is recorded", "NOT SAFETY TESTED",
			"Check first: 1 part known to be bad, see the history", "Head c0ffee00c0ff", "NOT SEALED", "Halden Street Workshop, by appointment", "History available: ask for the packet"}},
	} {
		l := For(fixtures[c.name], testHead, c.statement)
		if l.Title != "Corvane Astrella 49" || strings.Join(l.Lines, "|") != strings.Join(c.want, "|") {
			t.Errorf("%s: %q %q", c.name, l.Title, l.Lines)
		}
		if l.Code != proof.QRText(fixtures[c.name].Unit.UUID, testHead, c.statement) || l.Sealed != (c.statement != "") {
			t.Errorf("%s: code %q, sealed %v", c.name, l.Code, l.Sealed)
		}
	}
}

func TestLabelSerial(t *testing.T) {
	for _, c := range []struct {
		serials []provenance.SerialReport
		want    string
	}{
		{nil, "not known"},
		{[]provenance.SerialReport{{Place: "plate", How: "missing"}}, "not known"},
		{[]provenance.SerialReport{{Place: "chassis", Value: "88", How: "read"}, {Place: "plate", Value: "77", How: "read"}}, "77 (plate)"},
		{[]provenance.SerialReport{{Place: "power supply", Value: "9", How: "assumed"}}, "9 (power supply, assumed)"},
	} {
		if got := labelSerial(c.serials); got != c.want {
			t.Errorf("%v: %q, want %q", c.serials, got, c.want)
		}
	}
}

// TestLabelOnPaper reads the code from the label as it comes out of a printer of
// 300 dots, the card of 150 dots, to the inch, and looks that everything on it is there and whole.
func TestLabelOnPaper(t *testing.T) {
	for name, p := range labelled(t) {
		for _, size := range []struct {
			Size
			dots string
		}{{Tape, "300"}, {Card, "150"}, {sized(t, "57x32"), "300"}, {sized(t, "89x36"), "300"}} {
			l := For(p, testHead, testStatement)
			var a, b bytes.Buffer
			if err := l.WritePDF(&a, size.Size); err != nil {
				t.Fatal(err)
			}
			if err := l.WritePDF(&b, size.Size); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
				t.Errorf("%s: two runs differ, %v", name, err)
			}
			if got, err := pagetest.ReadQR(pagetest.Rastered(t, a.Bytes(), size.dots), false); err != nil || got != l.Code {
				t.Errorf("%s, %g mm: read %q, %v", name, size.Width, got, err)
			}
			pages := pagetest.PageBoxes(t, a.Bytes()).Pages
			if len(pages) != 1 {
				t.Fatalf("%d pages", len(pages))
			}
			text := ""
			for _, w := range pages[0].Words {
				text += w.Word + " "
				if w.XMin < 0 || w.XMax > size.Width/page.Point || w.YMin < 0 || w.YMax > size.Height/page.Point {
					t.Errorf("%s, %g mm: %q leaves the label", name, size.Width, w.Word)
				}
				if name != "hostile" && w.YMax-w.YMin < 5 {
					t.Errorf("%s: %q is %.1f points high", name, w.Word, w.YMax-w.YMin)
				}
			}
			for _, want := range []string{"Seal 0123456789abcdef", "Head c0ffee00c0ff", "ask for the packet"} {
				if !strings.Contains(text, want) {
					t.Errorf("%s, %g mm: %q is not on it: %s", name, size.Width, want, text)
				}
			}
		}
	}
}

func TestLabelSVG(t *testing.T) {
	for name, p := range labelled(t) {
		l := For(p, testHead, "")
		var b bytes.Buffer
		if err := l.WriteSVG(&b, Tape); err != nil {
			t.Fatal(err)
		}
		svg := b.String()
		q, err := page.QROf(l.Code)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := pagetest.ReadQR(pagetest.Painted(q.Size+2*page.QRQuiet, pagetest.SvgRects(svg)), true); err != nil || got != l.Code {
			t.Errorf("%s: read %q, %v", name, got, err)
		}
		if !strings.Contains(svg, "NOT SEALED") || !strings.Contains(svg, `width="62mm" height="29mm"`) {
			t.Errorf("%s: %.300s", name, svg)
		}
		if strings.Contains(svg, "<script") || strings.Contains(svg, "onerror=alert(2)>") {
			t.Errorf("%s: a record's markup is markup here", name)
		}
	}
}

// sized is a size as it is typed.
func sized(t testing.TB, s string) Size {
	t.Helper()
	size, err := ParseSize(s)
	if err != nil {
		t.Fatal(err)
	}
	return size
}

// TestSlatesOnPaper reads a slate as it comes out of a label printer of 203 dots to the inch, and
// looks that words and code stay 2 mm from the edge; a sheet holds ten.
func TestSlatesOnPaper(t *testing.T) {
	s := Slate{Title: "Corvane Astrella 49", Unit: "astrella-49/4711", Section: "loudness pedal", Stage: "as-found", Code: "BL1RD503JMMHGXRF4MKT", Spaced: "BL1 RD503JMM HGXRF 4 MKT"}
	for _, name := range []string{"62x29", "57x32", "89x36", "29x62"} {
		size := sized(t, name)
		var b bytes.Buffer
		if err := WriteSlates(&b, []Slate{s}, size); err != nil {
			t.Fatal(err)
		}
		if got, err := pagetest.ReadQR(pagetest.Rastered(t, b.Bytes(), "203"), false); err != nil || got != s.Code {
			t.Errorf("%s: read %q, %v", name, got, err)
		}
		text := ""
		for _, w := range pagetest.PageBoxes(t, b.Bytes()).Pages[0].Words {
			text += w.Word + " "
			if w.XMin < 1.9/page.Point || w.XMax > (size.Width-1.9)/page.Point || w.YMin < 1.5/page.Point || w.YMax > (size.Height-1.5)/page.Point {
				t.Errorf("%s: %q is too near to the edge", name, w.Word)
			}
		}
		if want := "loudness pedal 4711 Corvane Astrella 49 as-found BL1 RD503JMM HGXRF 4 MKT "; text != want {
			t.Errorf("%s: %q", name, text)
		}
	}
	var b bytes.Buffer
	if err := WriteSlates(&b, slices.Repeat([]Slate{s}, 11), A4); err != nil {
		t.Fatal(err)
	}
	if n := len(pagetest.PageBoxes(t, b.Bytes()).Pages); n != 2 {
		t.Errorf("11 slates on %d sheets", n)
	}
}

// labelled are reports as labels are made from.
func labelled(t testing.TB) map[string]*provenance.Report {
	t.Helper()
	build := func(instrument, model string, records map[string]string) *provenance.Report {
		b := benchtest.BenchOf(t, instrument, model, records)
		return provenance.Build(provenance.Input{Unit: b.Unit, Shop: b.Shop, Families: b.Families, Closed: true, AsOf: b.AsOf})
	}
	return map[string]*provenance.Report{
		"restored": build(benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored),
		"on the bench": build(benchtest.BenchInstrument, benchtest.BenchModel, map[string]string{
			"2021-03-01-intake-aaaa": benchtest.Restored["2021-03-01-intake-aaaa"], "2021-03-05-parts-aaac": benchtest.Restored["2021-03-05-parts-aaac"]}),
		"nothing recorded": build("format = 1\nuuid = \"0b0f4f0e-6d55-4a52-8c50-6f1f4dbd7a01\"\nmaker = \"Tessaly\"\nmodel = \"Nocturne 64\"\n", "", nil),
	}
}
