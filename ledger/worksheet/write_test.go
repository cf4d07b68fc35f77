package worksheet

import (
	"bytes"
	"encoding/csv"
	"slices"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// testModel has parts and limits for both kinds of worksheet.
const testModel = `
maker = "Corvane"
name = "Astrella 49"
section = [{name = "power supply", board = "PS-1"}, {name = "divider", count = 2, board = "DV-1"}]
[[board]]
name = "PS-1"
complete = true
position = [
  {ref = "C1-C3", family = "capacitor/electrolytic", value = "470 uF", rating = "25 V"},
  {ref = "R1-R2", family = "resistor/carbon", value = "1k"},
]
[[board]]
name = "DV-1"
complete = true
position = [{ref = "C1-C2", family = "capacitor/tantalum", value = "10 uF", rating = "25 V"}]
[[limit]]
point = "rail"
section = "power supply"
low = "14.5 V"
high = "15.5 V"
source = "shop's own"
`

// testSheet is a worksheet with a word no spreadsheet may take for a formula and
// markup no page may take for its own.
func testSheet(t testing.TB, kind Kind) *Sheet {
	t.Helper()
	m, problems := schema.Decode[schema.Model]("models/astrella-49.toml", []byte(testModel))
	if schema.Worst(problems) >= schema.Wrong {
		t.Fatal(problems)
	}
	day, err := schema.ParseDate("2022-06-01")
	if err != nil {
		t.Fatal(err)
	}
	shop, stock := &schema.Shop{}, &ledger.Catalog{Families: schema.NewFamilyList(nil)}
	u := unit.Build(unit.Source{Name: "astrella-49/4711", Dir: "instruments/astrella-49/4711", Model: m,
		Instrument: &schema.Instrument{Maker: m.Maker, Model: m.Name}}, unit.Context{Shop: shop, Families: stock.Families})
	s, err := New(kind, u, shop, stock, day, Options{Done: true})
	if err != nil {
		t.Fatal(err)
	}
	if kind == Parts {
		note := s.columnOf("note")
		s.Rows[0][note], s.Rows[1][note] = `=HYPERLINK("http://x.example")`, "<b>-9 V</b>"
	}
	s.Power, s.PowerWhy = schema.PowerForbidden, "primary open to the frame"
	return s
}

// TestSheetAlike: the same cells stand in all forms; only a page that is printed
// leaves out what nobody reads there.
func TestSheetAlike(t *testing.T) {
	s := testSheet(t, Parts)
	var b bytes.Buffer
	if err := s.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(b.String(), "\ufeff"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(s.Rows)+1 {
		t.Fatalf("%d rows of %d", len(rows), len(s.Rows)+1)
	}
	note := s.columnOf("note")
	if rows[1][note] != `'=HYPERLINK("http://x.example")` {
		t.Errorf("a formula stands in the file: %s", rows[1][note])
	}

	var book bytes.Buffer
	if err := s.WriteXLSX(&book); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(&book)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got, err := f.GetRows("parts")
	if err != nil {
		t.Fatal(err)
	}
	for i := range rows {
		for len(got[i]) < len(rows[i]) {
			got[i] = append(got[i], "")
		}
		if !slices.Equal(got[i], rows[i]) {
			t.Fatalf("row %d\nworkbook %q\ntext     %q", i+1, got[i], rows[i])
		}
	}
	// Cells are text, so that nothing typed becomes a date or loses a zero.
	for c := range s.Columns {
		id, err := f.GetCellStyle("parts", CellAt(c, 2))
		if err != nil {
			t.Fatal(err)
		}
		style, err := f.GetStyle(id)
		if err != nil || style.NumFmt != TextFormat {
			t.Errorf("column %q has the number format %d, %v", s.Columns[c].Heading, style.NumFmt, err)
		}
	}
	// Lists drop down for every column that takes its words from one.
	lists, err := f.GetDataValidations("parts")
	if err != nil {
		t.Fatal(err)
	}
	for c, col := range s.Columns {
		has := slices.ContainsFunc(lists, func(d *excelize.DataValidation) bool { return strings.HasPrefix(d.Sqref, CellAt(c, 2)+":") })
		if len(col.Words) > 0 && !has {
			t.Errorf("column %q has no list", col.Heading)
		}
	}
	words, err := f.GetRows(ListsSheet)
	if err != nil || len(words) < 5 {
		t.Errorf("the lists: %v %v", words, err)
	}
	if visible, err := f.GetSheetVisible(ListsSheet); err != nil || visible {
		t.Error("the lists are in sight")
	}
	notes, err := f.GetComments("parts")
	if err != nil || len(notes) != len(s.Columns) {
		t.Errorf("%d notes on %d headings, %v", len(notes), len(s.Columns), err)
	}
}

// TestSheetPage: what is written on the printed page, and what its markup is.
func TestSheetPage(t *testing.T) {
	for _, kind := range []Kind{Parts, Readings} {
		s := testSheet(t, kind)
		var b bytes.Buffer
		if err := s.WriteHTML(&b); err != nil {
			t.Fatal(err)
		}
		page := b.String()
		for _, want := range []string{"DO NOT POWER: primary open to the frame", s.Unit, `lang="en"`, "default-src &#39;none&#39;"} {
			if !strings.Contains(page, want) && !strings.Contains(page, strings.ReplaceAll(want, "&#39;", "'")) {
				t.Errorf("%s: the page lacks %q", kind, want)
			}
		}
		for _, never := range []string{"<script", "http://", "https://", "<b>-9 V"} {
			if strings.Contains(strings.ReplaceAll(page, "http://x.example", ""), never) {
				t.Errorf("%s: the page holds %q", kind, never)
			}
		}
		if kind == Parts {
			boxes := len(schema.Finding("").Words()) + len(schema.Action("").Words())
			if got := strings.Count(page, `class="box"`); got != boxes*len(s.Rows) {
				t.Errorf("%d boxes to tick for %d rows of %d", got, len(s.Rows), boxes)
			}
		}
	}
}
