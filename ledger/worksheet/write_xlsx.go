package worksheet

import (
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"benchlore/schema"
)

// spareRows are ready below the last one for parts that are not listed.
const spareRows = 200

// WriteXLSX writes the worksheet as a workbook (ISO/IEC 29500): text cells, so that
// nothing typed becomes a date or a rounded number, drop-down lists from a hidden
// sheet, notes on the headings, and a page set for printing.
func (s *Sheet) WriteXLSX(w io.Writer) error {
	f := excelize.NewFile()
	defer f.Close()
	x := &workbook{f: f, s: s, name: string(s.Kind)}
	for _, step := range []func() error{x.cells, x.look, x.notes, x.dropDowns, x.howTo, x.page} {
		if err := step(); err != nil {
			return err
		}
	}
	day := s.Date.String() + "T00:00:00Z"
	if err := f.SetDocProps(&excelize.DocProperties{Title: s.Title + " " + s.Unit, Creator: "Benchlore", Created: day, Modified: day}); err != nil {
		return err
	}
	return f.Write(w)
}

type workbook struct {
	f    *excelize.File
	s    *Sheet
	name string
}

func (x *workbook) cells() error {
	if err := x.f.SetSheetName("Sheet1", x.name); err != nil {
		return err
	}
	for c, col := range x.s.Columns {
		if err := x.put(c, 0, col.Heading); err != nil {
			return err
		}
	}
	for r, row := range x.s.Rows {
		for c, text := range row {
			if text == "" {
				continue
			}
			if err := x.put(c, r+1, text); err != nil {
				return err
			}
		}
	}
	return nil
}

func (x *workbook) put(col, row int, text string) error {
	at, err := excelize.CoordinatesToCellName(col+1, row+1)
	if err != nil {
		return err
	}
	return x.f.SetCellStr(x.name, at, Guard(text))
}

// ColumnName gives the letters of a column.
func ColumnName(i int) string {
	name, err := excelize.ColumnNumberToName(i + 1)
	if err != nil {
		return ""
	}
	return name
}

const TextFormat = 49 // "@", ISO/IEC 29500-1, 18.8.30

func (x *workbook) look() error {
	plain, err := x.f.NewStyle(&excelize.Style{NumFmt: TextFormat, Alignment: &excelize.Alignment{Vertical: "top"}})
	if err != nil {
		return err
	}
	known, err := x.f.NewStyle(&excelize.Style{NumFmt: TextFormat, Alignment: &excelize.Alignment{Vertical: "top"}, Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"F0F0F0"}}})
	if err != nil {
		return err
	}
	head, err := x.f.NewStyle(&excelize.Style{NumFmt: TextFormat, Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{WrapText: true, Vertical: "bottom"},
		Border: []excelize.Border{{Type: "bottom", Color: "000000", Style: 2}}})
	if err != nil {
		return err
	}
	last := len(x.s.Rows) + 1
	for c, col := range x.s.Columns {
		letter := ColumnName(c)
		if err := x.f.SetColStyle(x.name, letter, plain); err != nil {
			return err
		}
		style := plain
		if notFilledIn(col.Key) {
			style = known
		}
		if err := x.f.SetCellStyle(x.name, CellAt(c, 2), CellAt(c, last), style); err != nil {
			return err
		}
		if err := x.f.SetCellStyle(x.name, CellAt(c, 1), CellAt(c, 1), head); err != nil {
			return err
		}
		wide := utf8.RuneCountInString(col.Heading)
		if len(col.Words) > 0 {
			for _, word := range col.Words {
				wide = max(wide, utf8.RuneCountInString(word))
			}
		}
		for _, row := range x.s.Rows {
			wide = max(wide, utf8.RuneCountInString(row[c]))
		}
		if col.Key == "note" {
			wide = max(wide, 24)
		}
		if err := x.f.SetColWidth(x.name, letter, letter, float64(min(max(wide, 6), 40))+2); err != nil {
			return err
		}
	}
	// The cursor is where typing begins.
	begin := CellAt(max(slices.IndexFunc(x.s.Columns, func(c Column) bool { return !notFilledIn(c.Key) && c.Key != "count" }), 0), 2)
	if err := x.f.SetPanes(x.name, &excelize.Panes{Freeze: true, XSplit: 2, YSplit: 1, TopLeftCell: "C2", ActivePane: "bottomRight",
		Selection: []excelize.Selection{{SQRef: begin, ActiveCell: begin, Pane: "bottomRight"}}}); err != nil {
		return err
	}
	return x.f.AutoFilter(x.name, "A1:"+CellAt(len(x.s.Columns)-1, last), nil)
}

// notFilledIn reports whether a column is there to be read.
func notFilledIn(key string) bool {
	switch key {
	case "section", "ref", "point", "family", KeyHasNow, KeyLimit, KeyInstrument, KeyJob:
		return true
	}
	return false
}

func CellAt(col, row int) string {
	name, err := excelize.CoordinatesToCellName(col+1, row)
	if err != nil {
		return ""
	}
	return name
}

func (x *workbook) notes() error {
	for c, col := range x.s.Columns {
		text := col.Doc
		if len(col.Words) > 0 && !strings.Contains(text, col.Words[len(col.Words)-1]) {
			text += ": " + strings.Join(col.Words, ", ")
		}
		if err := x.f.AddComment(x.name, excelize.Comment{Cell: CellAt(c, 1), Author: "Benchlore", Text: text, Width: 260, Height: 90}); err != nil {
			return err
		}
	}
	return nil
}

// dropDowns offer words without insisting on them: two modes go into one cell.
func (x *workbook) dropDowns() error {
	const lists = ListsSheet
	if _, err := x.f.NewSheet(lists); err != nil {
		return err
	}
	n := 0
	for c, col := range x.s.Columns {
		words := col.Words
		if words == nil {
			words = x.s.lists[col.Key]
		}
		if len(words) == 0 {
			continue
		}
		letter := ColumnName(n)
		n++
		for i, word := range append([]string{"for " + col.Heading}, words...) {
			if err := x.f.SetCellStr(lists, CellAt(n-1, i+1), Guard(word)); err != nil {
				return err
			}
		}
		dv := excelize.NewDataValidation(true)
		dv.SetSqref(CellAt(c, 2) + ":" + CellAt(c, len(x.s.Rows)+1+spareRows))
		dv.SetSqrefDropList(lists + "!$" + letter + "$2:$" + letter + "$" + strings.TrimLeft(CellAt(0, len(words)+1), "A"))
		dv.ShowErrorMessage = false // words may be cut short; import names every cell it does not understand
		if err := x.f.AddDataValidation(x.name, dv); err != nil {
			return err
		}
	}
	return x.f.SetSheetVisible(lists, false)
}

// howTo says on a sheet of its own how the worksheet is filled in.
func (x *workbook) howTo() error {
	const name = "how to"
	if _, err := x.f.NewSheet(name); err != nil {
		return err
	}
	lines := append([]string{x.s.Title + ", " + x.s.Unit}, x.s.powerLines()...)
	for i, line := range append(lines, x.s.rules()...) {
		if err := x.f.SetCellStr(name, CellAt(0, i+1), Guard(line)); err != nil {
			return err
		}
	}
	return x.f.SetColWidth(name, "A", "A", 100)
}

// powerLines say in capitals when the unit must not be switched on.
func (s *Sheet) powerLines() []string {
	why := s.PowerWhy
	if why == "" {
		why = "no reason recorded"
	}
	switch s.Power {
	case schema.PowerForbidden:
		return []string{"DO NOT POWER: " + why}
	case schema.PowerLimited:
		return []string{"Power limited: " + why}
	}
	return nil
}

// rules say how the worksheet is filled in.
func (s *Sheet) rules() []string {
	out := map[Kind][]string{
		Parts: {
			"Leave found and action empty for a part you have not got to. For one you looked at and left in, write action left.",
			"Three letters of a word are enough: fai, sho, rep. Several modes go into one cell, with commas between. What went in: new value and new rating; \"like\" under new value for the same as the model has.",
			"Parts that are not listed: add rows at the end, with section, ref and family.",
		},
		Readings: {
			"Empty stage: not measured. x: could not be measured; write the reason under why.",
			"A number without a unit is in the unit of its row. Conditions, with and note belong to the stages you fill in now.",
		},
		Tables: {
			"Empty cell: not measured. x: could not be measured; write the reason under why.",
			"Numbers are in the unit of the heading. For another table add a column headed: point (unit) stage.",
		},
	}[s.Kind]
	out = append(slices.Clone(out), "You may sort and delete rows and move columns; columns whose heading begins with # are yours. Leave instrument and job as they are.",
		"benchlore import FILE reads it back, even half filled and as often as you like: what is recorded already is skipped.")
	return append(append(out, s.Cautions...), schema.Caution)
}

func (x *workbook) page() error {
	landscape, a4, one, many := "landscape", 9, 1, 0
	if err := x.f.SetPageLayout(x.name, &excelize.PageLayoutOptions{Orientation: &landscape, Size: &a4, FitToWidth: &one, FitToHeight: &many}); err != nil {
		return err
	}
	fit := true
	if err := x.f.SetSheetProps(x.name, &excelize.SheetPropsOptions{FitToPage: &fit}); err != nil {
		return err
	}
	if err := x.f.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: "'" + x.name + "'!$1:$1", Scope: x.name}); err != nil {
		return err
	}
	return x.f.SetHeaderFooter(x.name, &excelize.HeaderFooterOptions{OddHeader: "&L" + headerText(strings.Join(append([]string{x.s.Unit}, x.s.powerLines()...), "   ")) + "&R&P/&N"})
}

// headerText takes out what a page header would read as a code, and keeps to its
// 255 letters.
func headerText(s string) string {
	s = schema.OneLine(strings.ReplaceAll(s, "&", "&&"))
	if r := []rune(s); len(r) > 200 {
		s = string(r[:200])
	}
	return s
}
