package worksheet

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"benchlore/ledger"
)

// TestCellsThereAndBack: what encoding/csv (RFC 4180) writes is read as the same
// cells.
func TestCellsThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.StringMatching(`[a-zA-Z0-9 ,;"'µ\t\n=+@.-]{0,8}`)
		rows := rapid.SliceOfN(rapid.SliceOfN(cell, 4, 4), 1, 6).Draw(t, "rows")
		sep := rapid.SampledFrom([]rune{',', ';', '\t'}).Draw(t, "separator")
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		w.Comma = sep
		w.UseCRLF = rapid.Bool().Draw(t, "CRLF")
		if err := w.WriteAll(rows); err != nil {
			t.Fatal(err)
		}
		g, err := splitCSV(b.String(), byte(sep))
		if err != nil {
			t.Fatal(err)
		}
		if len(g.rows) != len(rows) {
			t.Fatalf("%d rows of %d\n%q", len(g.rows), len(rows), b.String())
		}
		for i := range rows {
			if !slices.Equal(g.rows[i], rows[i]) {
				t.Fatalf("%q is read as %q", rows[i], g.rows[i])
			}
		}
	})
}

// TestCSVReader holds the reader against what spreadsheets and people write.
func TestCSVReader(t *testing.T) {
	for _, c := range []struct {
		name, text string
		head       int // row of the headings, from 0
		cell       string
		comma      bool
	}{
		{"commas", "section,ref,found,action\nchassis,C1,ok,left\n", 0, "chassis", false},
		{"semicolons", "section;ref;found;action\nchassis;C1;ok;left", 0, "chassis", true},
		{"tabs", "section\tref\tfound\taction\r\nchassis\tC1\tok\tleft\r\n", 0, "chassis", false},
		{"old line ends", "section,ref,found,action\rchassis,C1,ok,left\r", 0, "chassis", false},
		{"the separator named", "sep=;\r\nsection;ref;found;action\r\nchassis;C1;ok;left\r\n", 1, "chassis", true},
		{"a title above", "Recap of the organ, second try\n\nsection;ref;found;action\nchassis;C1;ok;left\n", 2, "chassis", true},
		{"a mark in front", "\ufeffsection,ref,found,action\nchassis,C1,ok,left\n", 0, "chassis", false},
		{"a quote within", "section,ref,found,action,note\n3\" drawer,C1,ok,left,x\n", 0, `3" drawer`, false},
		{"doubled quotes", "section,ref,found,action\n\"3\"\" drawer\",C1,ok,left\n", 0, `3" drawer`, false},
		{"a line end within", "section,ref,found,action\n\"two\nlines\",C1,ok,left\n", 0, "two\nlines", false},
		{"separators within", "section;ref;found;action\n\"a;b\";C1;ok;left\n", 0, "a;b", true},
	} {
		grids, err := readSheets([]byte(c.text))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var errs cellErrors
		tab, err := findTable(grids, &errs)
		if err != nil || len(errs.list) > 0 {
			t.Errorf("%s: %v %v", c.name, err, errs.list)
			continue
		}
		if tab.head != c.head || tab.comma != c.comma || grids[0].rows[c.head+1][0] != c.cell {
			t.Errorf("%s: headings in row %d, decimal commas %v, first cell %q", c.name, tab.head+1, tab.comma, grids[0].rows[c.head+1][0])
		}
	}
}

// TestHiddenRowsCount: rows and columns a filter hides are read as the others are.
func TestHiddenRowsCount(t *testing.T) {
	f := excelize.NewFile()
	defer f.Close()
	for i, row := range [][]string{{"section", "ref", "found", "action"}, {"chassis", "C1", "ok", "left"}, {"chassis", "C2", "ok", "left"}} {
		for j, text := range row {
			if err := f.SetCellStr("Sheet1", cellName(i, j), text); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := errors.Join(f.SetRowVisible("Sheet1", 2, false), f.SetColVisible("Sheet1", "D", false)); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	grids, err := readSheets(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	var errs cellErrors
	tab, err := findTable(grids, &errs)
	if err != nil || len(errs.list) > 0 || len(tab.rows) != 2 || tab.rows[0].get("ref") != "C1" || tab.rows[0].get("action") != "left" {
		t.Errorf("%v %v %+v", err, errs.list, tab)
	}
}

// TestCellNames holds them against what spreadsheets call their cells.
func TestCellNames(t *testing.T) {
	for _, at := range [][2]int{{0, 0}, {1, 25}, {9, 26}, {99, 51}, {0, 701}, {7, 702}, {1048575, 16383}} {
		want, err := excelize.CoordinatesToCellName(at[1]+1, at[0]+1)
		if err != nil {
			t.Fatal(err)
		}
		if got := cellName(at[0], at[1]); got != want {
			t.Errorf("row %d, column %d is %s, want %s", at[0], at[1], got, want)
		}
	}
}

// TestDayOfSerial holds dates of cells against the library's own reading of the
// 1900 date system (ISO/IEC 29500-1, 18.17.4.1).
func TestDayOfSerial(t *testing.T) {
	for _, x := range []float64{61, 367, 36526, 45000.75, 47880, 2958465} {
		want, err := excelize.ExcelDateToTime(x, false)
		if err != nil {
			t.Fatal(err)
		}
		if got := serialDay(x); got != want.Format("2006-01-02") {
			t.Errorf("%v is %s, want %s", x, got, want)
		}
	}
	for _, x := range []float64{0, 60, -1, 3e6} {
		if got := serialDay(x); got != "?" {
			t.Errorf("%v is %s", x, got)
		}
	}
}

// TestGuardedText: what a spreadsheet would take for a formula is made text, and
// comes back as it was.
func TestGuardedText(t *testing.T) {
	for _, c := range []struct{ plain, guarded string }{
		{"", ""}, {"C14", "C14"}, {"=1+1", "'=1+1"}, {"+15 V rail", "'+15 V rail"}, {"-9 V", "'-9 V"}, {"@under IC4", "'@under IC4"},
		{"-9", "-9"}, {"+4,5", "+4,5"}, {"'=x", "''=x"}, {"'t is worn", "'t is worn"}, {"''", "'''"}, {"\tx", "'\tx"},
	} {
		if got := Guard(c.plain); got != c.guarded {
			t.Errorf("%q is guarded as %q, want %q", c.plain, got, c.guarded)
		}
		if got := unguard(c.guarded); got != c.plain {
			t.Errorf("%q comes back as %q, want %q", c.guarded, got, c.plain)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[=+@'a0 -]{0,5}`).Draw(t, "text")
		if got := unguard(Guard(text)); got != text {
			t.Errorf("%q comes back as %q", text, got)
		}
	})
}

// TestSheetThatUnpacksTooFar: an archive that is small and holds more than a
// worksheet may is refused before it is unpacked.
func TestSheetThatUnpacksTooFar(t *testing.T) {
	var book bytes.Buffer
	if err := excelize.NewFile().Write(&book); err != nil {
		t.Fatal(err)
	}
	in, err := zip.NewReader(bytes.NewReader(book.Bytes()), int64(book.Len()))
	if err != nil {
		t.Fatal(err)
	}
	var bomb bytes.Buffer
	w := zip.NewWriter(&bomb)
	w.RegisterCompressor(zip.Deflate, func(out io.Writer) (io.WriteCloser, error) { return flate.NewWriter(out, flate.BestSpeed) })
	for _, f := range in.File {
		out, err := w.Create(f.Name)
		if err != nil {
			t.Fatal(err)
		}
		if f.Name == "xl/worksheets/sheet1.xml" {
			fmt.Fprint(out, `<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>`)
			row := []byte(strings.Repeat(`<row><c t="inlineStr"><is><t>ref</t></is></c></row>`, 1000))
			for n := 0; n < maxUnzipped; n += len(row) {
				out.Write(row)
			}
			fmt.Fprint(out, `</sheetData></worksheet>`)
			continue
		}
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(out, r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if bomb.Len() > MaxSheetSize/10 {
		t.Fatalf("the archive has %d bytes, and would be refused for its own size", bomb.Len())
	}
	_, err = readSheets(bomb.Bytes())
	var usage *ledger.UsageError
	if !errors.As(err, &usage) || usage.Remedy == "" {
		t.Errorf("%v", err)
	}
	if _, err := readSheets(make([]byte, MaxSheetSize+1)); !errors.As(err, &usage) || !strings.Contains(usage.What, "larger than") {
		t.Errorf("a file that is too large: %v", err)
	}
}

// FuzzReadSheet: whatever the bytes are, they are read as rows or refused with a
// remedy, and every cell that is wrong has an address.
func FuzzReadSheet(f *testing.F) {
	for _, s := range []string{
		"section,ref,found,action\nchassis,C1,ok,left\n", "\ufeffsep=;\nsection;ref;count;found;action\n;;12;ok;left\n",
		"point,as-left\n+15 V rail,15,1 V\n", "ref,contact resistance (mOhm) as-left\nkey:1,30\n", "\xff\xfes\x00e\x00", "PK\x03\x04", "\"", "ref,found,found,\n=1,2,3,4,5\n",
		"ref\x00found", "section,ref,found,action\r\n\"a\"\"b\"c,\"d\n", "%PDF", "<html>",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		grids, err := readSheets(data)
		var usage *ledger.UsageError
		if err != nil {
			if !errors.As(err, &usage) || usage.Remedy == "" {
				t.Errorf("%v", err)
			}
			return
		}
		var errs cellErrors
		tab, err := findTable(grids, &errs)
		if err != nil {
			if !errors.As(err, &usage) || usage.Remedy == "" {
				t.Errorf("%v", err)
			}
			return
		}
		for _, e := range errs.list {
			if e.Cell == "" || e.Message == "" || e.Write == "" {
				t.Errorf("%+v", e)
			}
		}
		for _, row := range tab.rows {
			for _, c := range row.cells {
				if c.text == "" || c.at == "" || len(c.text) > maxSheetCell {
					t.Errorf("row %d: %+v", row.n, c)
				}
			}
		}
	})
}
