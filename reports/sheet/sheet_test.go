package sheet

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"benchlore/ledger"
	"benchlore/reports/internal/benchtest"
	"benchlore/reports/internal/pagetest"
	"benchlore/schema"
)

// testSheet is a worksheet of the bench unit, with a word no spreadsheet may take
// for a formula and markup no page may take for its own.
func testSheet(t testing.TB, kind ledger.SheetKind) *Sheet {
	t.Helper()
	in := benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored)
	stock := &ledger.Stock{Families: in.Families}
	s, err := NewSheet(kind, in.Unit, in.Shop, stock, benchtest.Date(t, "2022-06-01"), SheetOptions{Done: true})
	if err != nil {
		t.Fatal(err)
	}
	if kind == ledger.SheetParts {
		note := s.columnOf("note")
		s.Rows[0][note], s.Rows[1][note] = `=HYPERLINK("http://x.example")`, "<b>-9 V</b>"
	}
	s.Power, s.PowerWhy = schema.PowerForbidden, "primary open to the frame"
	return s
}

// TestSheetAlike: the same cells stand in all forms; only a page that is printed
// leaves out what nobody reads there.
func TestSheetAlike(t *testing.T) {
	s := testSheet(t, ledger.SheetParts)
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
	words, err := f.GetRows(ledger.SheetLists)
	if err != nil || len(words) < 5 {
		t.Errorf("the lists: %v %v", words, err)
	}
	if visible, err := f.GetSheetVisible(ledger.SheetLists); err != nil || visible {
		t.Error("the lists are in sight")
	}
	notes, err := f.GetComments("parts")
	if err != nil || len(notes) != len(s.Columns) {
		t.Errorf("%d notes on %d headings, %v", len(notes), len(s.Columns), err)
	}
}

// TestSheetPage: what is written on the printed page, and what its markup is.
func TestSheetPage(t *testing.T) {
	for _, kind := range []ledger.SheetKind{ledger.SheetParts, ledger.SheetReadings} {
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
		if kind == ledger.SheetParts {
			boxes := len(schema.Finding("").Words()) + len(schema.Action("").Words())
			if got := strings.Count(page, `class="box"`); got != boxes*len(s.Rows) {
				t.Errorf("%d boxes to tick for %d rows of %d", got, len(s.Rows), boxes)
			}
		}
	}
}

// TestSheetInBrowser: the worksheet to print fits a telephone, a desk and both
// papers laid across, and asks for nothing.
func TestSheetInBrowser(t *testing.T) {
	ctx := pagetest.Browser(t)
	for _, kind := range []ledger.SheetKind{ledger.SheetParts, ledger.SheetReadings} {
		file := filepath.Join(t.TempDir(), string(kind)+".html")
		var b bytes.Buffer
		if err := testSheet(t, kind).WriteHTML(&b); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		v := pagetest.View(t, ctx, file)
		for _, width := range []int64{1280, 390, 320} {
			v.Size(width, 800, width < 768)
			if out := pagetest.Ask[[]string](v, pagetest.Overhang); len(out) > 0 {
				t.Errorf("%s at %d pixels: these stand out: %q", kind, width, out)
			}
			if w := pagetest.Ask[int64](v, "document.documentElement.scrollWidth"); w > width {
				t.Errorf("%s at %d pixels: the page is %d wide", kind, width, w)
			}
		}
		v.Media("print")
		for _, inside := range []int64{1047, 980} { // A4 and Letter laid across, less 10 mm margins
			v.Size(inside, 700, false)
			if out := pagetest.Ask[[]string](v, pagetest.Overhang); len(out) > 0 {
				t.Errorf("%s on paper %d pixels wide: cut off: %q", kind, inside, out)
			}
		}
		v.Mu.Lock()
		for _, s := range v.Said {
			t.Error(s)
		}
		v.Mu.Unlock()
	}
}
