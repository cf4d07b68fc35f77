package worksheet

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"benchlore/ledger"
	"benchlore/schema/remedy"
)

// readXLSX reads the visible sheets of a workbook as they are stored, not as they are
// shown: 15.025 is not 15.03. Formulas, errors and joined cells
// are refused where they stand, and so is a date where somebody typed something
// else: the spreadsheet has thrown away what was typed.
func readXLSX(data []byte) ([]*grid, error) {
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{RawCellValue: true, UnzipSizeLimit: maxUnzipped, UnzipXMLSizeLimit: maxUnzipped})
	if err != nil {
		if !bytes.Contains(data, []byte("xl/workbook.xml")) { // names are not packed
			return nil, refused("this is an archive without a workbook in it", "import an .xlsx or .csv file")
		}
		return nil, refused("the workbook cannot be read: "+err.Error(), "save it again as .xlsx, or as .csv")
	}
	defer f.Close()
	var out []*grid
	for _, name := range f.GetSheetList() {
		if visible, err := f.GetSheetVisible(name); err != nil || !visible {
			out = append(out, &grid{name: name, hidden: true})
			continue
		}
		g, err := readXLSXSheet(f, name)
		var usage *ledger.UsageError
		if err != nil && !errors.As(err, &usage) {
			err = refused(fmt.Sprintf("sheet %q cannot be read: %v", name, err), "save it again as .xlsx, or as .csv")
		}
		if err != nil {
			return nil, err
		}
		out = append(out, g)
	}
	return out, nil
}

func readXLSXSheet(f *excelize.File, name string) (*grid, error) {
	g := &grid{name: name}
	rows, err := f.GetRows(name)
	if err != nil {
		return nil, err
	}
	if len(rows) > maxSheetRows {
		return nil, refused(fmt.Sprintf("sheet %q has more than %d rows", name, maxSheetRows), "delete the empty ones below the last")
	}
	wide := 0
	for _, row := range rows {
		wide = max(wide, len(row))
	}
	wide = min(wide, maxSheetCols)
	dates := map[int]bool{} // by style
	for r, row := range rows {
		for c := range wide { // a formula that was never worked out has no value
			cell := cellName(r, c)
			formula, err := f.GetCellFormula(name, cell)
			if err == nil && formula != "" {
				g.refuse(r, c, remedy.Errorf("holds a formula, %s => write its result: copy the cell and paste it as a value", clipped("="+formula)))
				continue
			}
			if c >= len(row) || row[c] == "" {
				continue
			}
			kind, err := f.GetCellType(name, cell)
			if err != nil {
				return nil, err
			}
			switch kind {
			case excelize.CellTypeError:
				g.refuse(r, c, remedy.Errorf("holds the error %s => write what it should say", row[c]))
			case excelize.CellTypeBool:
				row[c] = map[string]string{"1": "TRUE", "0": "FALSE"}[row[c]]
			case excelize.CellTypeUnset, excelize.CellTypeNumber, excelize.CellTypeDate:
				x, err := strconv.ParseFloat(row[c], 64)
				if err != nil {
					continue
				}
				row[c] = strconv.FormatFloat(x, 'f', -1, 64)
				style, err := f.GetCellStyle(name, cell)
				if err != nil {
					return nil, err
				}
				isDate, known := dates[style]
				if !known {
					isDate = dateStyle(f, style)
					dates[style] = isDate
				}
				if isDate {
					row[c] = dateCell + serialDay(x)
				}
			}
		}
	}
	merged, err := f.GetMergeCells(name)
	if err != nil {
		return nil, err
	}
	for _, m := range merged {
		c, r, err := excelize.CellNameToCoordinates(m.GetStartAxis())
		if err == nil {
			g.refuse(r-1, c-1, remedy.Errorf("is joined with others (%s:%s), so one entry stands for several rows or columns => split the cells, and fill in each", m.GetStartAxis(), m.GetEndAxis()))
		}
	}
	g.rows = rows
	return g, nil
}

// dateCell stands before the day in a cell that a spreadsheet keeps as a date.
const dateCell = "\x00date "

// serialDay is the day of a number that a spreadsheet shows as a date: days
// since 1899-12-30, by the 1900 date system of ISO/IEC 29500-1, 18.17.4.1.
func serialDay(x float64) string {
	if math.IsNaN(x) || x < 61 || x > 2_958_465 { // 1900-03-01 to 9999-12-31
		return "?"
	}
	return time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC).AddDate(0, 0, int(x)).Format(time.DateOnly)
}

// dateStyle reports whether numbers in a style are shown as a date or a time.
func dateStyle(f *excelize.File, style int) bool {
	s, err := f.GetStyle(style)
	if err != nil || s == nil {
		return false
	}
	if s.CustomNumFmt != nil {
		return dateFormat(*s.CustomNumFmt)
	}
	n := s.NumFmt // built-in formats of ISO/IEC 29500-1, 18.8.30
	return n >= 14 && n <= 22 || n >= 27 && n <= 36 || n >= 45 && n <= 47 || n >= 50 && n <= 58
}

// dateFormat reports whether a number format has a day, month, year or hour in
// it, outside of quoted text and brackets.
func dateFormat(format string) bool {
	var b strings.Builder
	quoted, bracket := false, false
	for _, r := range format {
		switch {
		case r == '"':
			quoted = !quoted
		case r == '[' && !quoted:
			bracket = true
		case r == ']' && !quoted:
			bracket = false
		case !quoted && !bracket:
			b.WriteRune(r)
		}
	}
	plain := strings.ToLower(b.String())
	return !strings.Contains(plain, "general") && strings.ContainsAny(plain, "dmyh")
}

func clipped(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "..."
	}
	return s
}
