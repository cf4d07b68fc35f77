// Package partslist reads parts lists, and lists of finished work, as restorers
// keep them: any spreadsheet with a row for a part or for several alike.
//
// [ReadSheets] turns a file into rows of text, whatever its encoding and
// separators. [Read] says what each column holds, and turns the rows into
// positions; what it cannot take it names, row by row. [Grow] puts positions into
// a model. [ReadWork] does for finished work what Read does for parts.
//
// The package knows nothing of ledgers: bytes in, what they say out.
package partslist

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
	"golang.org/x/text/encoding/charmap"
	utf "golang.org/x/text/encoding/unicode"

	"benchlore/schema/pattern"
)

// MaxSize is the most bytes a list may have.
const MaxSize = 20 << 20

// Further bounds of a list.
const (
	maxRows     = 50_000
	maxColumns  = 200
	maxCell     = 2000 // bytes
	maxUnzipped = 64 << 20
)

// Error says why a file cannot be read as a list, and what to do.
type Error struct {
	File, What, Remedy string
	Option             string // that answers the question, with a sample of what to write
}

func (e *Error) Error() string { return e.File + ": " + e.What }

// Hint names the next step.
func (e *Error) Hint() string { return e.Remedy }

// Sheet is one table of text. Rows[0] is the row that a spreadsheet numbers 1;
// blank rows count.
type Sheet struct {
	File  string // as named by the caller
	Name  string // of the sheet in its workbook; "" for text
	Rows  [][]string
	Comma bool // numbers have decimal commas

	decided bool // whether Comma is known from the cells themselves
}

// ReadSheets reads the tables of a file: a workbook (.xlsx), or text in UTF-8,
// UTF-16 or Latin-1 (Windows-1252) with cells set apart by commas, semicolons or
// tabs. Hidden sheets are read too. A file that is no table is an *Error.
func ReadSheets(file string, data []byte) ([]*Sheet, error) {
	bad := func(what, remedy string) error { return &Error{File: file, What: what, Remedy: remedy} }
	switch {
	case len(data) > MaxSize:
		return nil, bad(fmt.Sprintf("the file is larger than %d MB", MaxSize>>20), "delete pictures from it, or save the sheet alone as .csv")
	case bytes.HasPrefix(data, []byte("PK")) && bytes.Contains(data[:min(len(data), 200)], []byte("application/vnd.oasis.opendocument")):
		return nil, bad("this is an OpenDocument file", "save it as .xlsx or .csv, and name that file")
	case bytes.HasPrefix(data, []byte("PK")):
		return readWorkbook(file, data)
	case bytes.HasPrefix(data, []byte{0xd0, 0xcf, 0x11, 0xe0}):
		return nil, bad("this is a workbook of the old form (.xls), or one with a password", "save it without a password as .xlsx or .csv, and name that file")
	case bytes.HasPrefix(data, []byte("%PDF")):
		return nil, bad("this is a PDF", "name the .xlsx or .csv it was printed from")
	}
	text, err := decodeText(data)
	if err != nil {
		return nil, bad(err.Error(), "save it as .xlsx, or as .csv with the character set UTF-8, and name that file")
	}
	if head := strings.ToLower(strings.TrimSpace(text[:min(len(text), 200)])); strings.HasPrefix(head, "<!doctype html") || strings.HasPrefix(head, "<html") || strings.HasPrefix(head, "<?xml") {
		return nil, bad("this is a page, not a table", "save the list as .xlsx or .csv, and name that file")
	}
	if strings.TrimSpace(text) == "" {
		return nil, bad("the file is empty", "save the list as .xlsx or .csv, and name that file")
	}
	s := &Sheet{File: file}
	sep, rest := separator(text)
	s.Rows = split(rest, sep)
	if len(s.Rows) > maxRows {
		return nil, bad(fmt.Sprintf("the list has more than %d rows", maxRows), "delete the empty ones below the last")
	}
	if sep == '\t' || sep == ';' {
		s.Comma, s.decided = commaNumbers(s.Rows)
		if !s.decided {
			s.Comma = sep == ';'
		}
	} else {
		s.Comma, s.decided = commaNumbers(s.Rows)
	}
	s.clean()
	return []*Sheet{s}, nil
}

// decodeText turns the bytes of a text file into UTF-8. What is not UTF-8 or UTF-16
// is read as Windows-1252, which holds all of Latin-1.
func decodeText(data []byte) (string, error) {
	wide := func(e utf.Endianness) (string, error) {
		out, err := utf.UTF16(e, utf.UseBOM).NewDecoder().Bytes(data)
		if err == nil && (len(data)%2 != 0 || bytes.ContainsRune(out, utf8.RuneError)) {
			err = errors.New("the text is broken UTF-16")
		}
		return string(out), err
	}
	switch {
	case bytes.HasPrefix(data, []byte{0xef, 0xbb, 0xbf}):
		data = data[3:]
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}), len(data) > 3 && data[0] != 0 && data[1] == 0 && data[3] == 0:
		return wide(utf.LittleEndian)
	case bytes.HasPrefix(data, []byte{0xfe, 0xff}), len(data) > 3 && data[0] == 0 && data[1] != 0 && data[2] == 0:
		return wide(utf.BigEndian)
	}
	if bytes.IndexByte(data, 0) >= 0 {
		return "", errors.New("this is neither a workbook nor text")
	}
	if utf8.Valid(data) {
		return string(data), nil
	}
	out, err := charmap.Windows1252.NewDecoder().Bytes(data)
	return string(out), err
}

// separator finds what sets cells apart: the one that gives the most rows of the
// same width, and wide ones. Some spreadsheets name it in a first line, sep=;
func separator(text string) (sep byte, rest string) {
	if after, ok := strings.CutPrefix(text, "sep="); ok && len(after) > 1 && strings.IndexByte(",;\t", after[0]) >= 0 && (after[1] == '\r' || after[1] == '\n') {
		return after[0], "\n" + strings.TrimLeft(after[1:], "\r\n")
	}
	best := -1
	for _, s := range []byte{'\t', ';', ','} {
		widths := map[int]int{}
		for _, row := range split(text[:min(len(text), 64<<10)], s) {
			if len(row) > 1 {
				widths[len(row)]++
			}
		}
		for w, n := range widths {
			if score := n * min(w, 4); score > best {
				best, sep = score, s
			}
		}
	}
	if best < 0 {
		sep = ','
	}
	return sep, text
}

// split takes text apart as RFC 4180 has it, with any line ends; a quote inside a
// cell that is not quoted stands for itself, and a quotation mark that is never
// closed ends with the text.
func split(text string, sep byte) [][]string {
	var rows [][]string
	var row []string
	var cell strings.Builder
	end := func() {
		row = append(row, cell.String())
		cell.Reset()
		if len(row) == 1 && strings.TrimSpace(row[0]) == "" {
			row = nil
		}
		rows, row = append(rows, row), nil
	}
	start, quoted := true, false
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case quoted && c == '"' && i+1 < len(text) && text[i+1] == '"':
			cell.WriteByte('"')
			i++
		case quoted && c == '"':
			quoted = false
		case quoted:
			cell.WriteByte(c)
		case start && c == '"':
			quoted, start = true, false
		case c == sep:
			row = append(row, cell.String())
			cell.Reset()
			start = true
		case c == '\n' || c == '\r':
			if c == '\r' && i+1 < len(text) && text[i+1] == '\n' {
				i++
			}
			end()
			start = true
			if len(rows) > maxRows {
				return rows
			}
		default:
			cell.WriteByte(c)
			start = false
		}
	}
	if cell.Len() > 0 || len(row) > 0 {
		end()
	}
	return rows
}

// readWorkbook reads the sheets of a workbook as they are stored, not as they are
// shown: 15.025 is not 15.03. Formulas count as their results, a joined cell as
// each of its cells, and a day as 2031-03-04.
func readWorkbook(file string, data []byte) ([]*Sheet, error) {
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{RawCellValue: true, UnzipSizeLimit: maxUnzipped, UnzipXMLSizeLimit: maxUnzipped})
	if err != nil {
		what := "the workbook cannot be read: " + err.Error()
		if !bytes.Contains(data, []byte("xl/workbook.xml")) {
			what = "this is an archive without a workbook in it"
		}
		return nil, &Error{File: file, What: what, Remedy: "save the list again as .xlsx, or as .csv, and name that file"}
	}
	defer f.Close()
	var out []*Sheet
	for _, name := range f.GetSheetList() {
		s, err := readWorkbookSheet(f, name)
		if err != nil {
			return nil, &Error{File: file, What: fmt.Sprintf("sheet %q cannot be read: %v", name, err), Remedy: "save the list again as .xlsx, or as .csv, and name that file"}
		}
		s.File = file
		if len(s.Rows) > 0 {
			out = append(out, s)
		}
	}
	if len(out) == 0 {
		return nil, &Error{File: file, What: "the workbook is empty", Remedy: "name the workbook that holds the list"}
	}
	return out, nil
}

func readWorkbookSheet(f *excelize.File, name string) (*Sheet, error) {
	rows, err := f.GetRows(name)
	if err != nil {
		return nil, err
	}
	if len(rows) > maxRows {
		return nil, fmt.Errorf("it has more than %d rows", maxRows)
	}
	days := map[int]bool{} // by style
	for r, row := range rows {
		for c, text := range row[:min(len(row), maxColumns)] {
			if text == "" {
				continue
			}
			x, err := strconv.ParseFloat(text, 64)
			if err != nil {
				continue
			}
			at, err := excelize.CoordinatesToCellName(c+1, r+1)
			if err != nil {
				return nil, err
			}
			kind, err := f.GetCellType(name, at)
			if err != nil {
				return nil, err
			}
			switch kind {
			case excelize.CellTypeUnset, excelize.CellTypeNumber, excelize.CellTypeDate, excelize.CellTypeFormula:
			default:
				continue
			}
			row[c] = strconv.FormatFloat(x, 'f', -1, 64)
			style, err := f.GetCellStyle(name, at)
			if err != nil {
				return nil, err
			}
			isDay, known := days[style]
			if !known {
				isDay = dayStyle(f, style)
				days[style] = isDay
			}
			if isDay && x >= 61 && x <= 2_958_465 { // 1900-03-01 to 9999-12-31
				row[c] = serialDay(x)
			}
		}
	}
	merged, err := f.GetMergeCells(name)
	if err != nil {
		return nil, err
	}
	for _, m := range merged {
		c0, r0, err0 := excelize.CellNameToCoordinates(m.GetStartAxis())
		_, r1, err1 := excelize.CellNameToCoordinates(m.GetEndAxis())
		if errors.Join(err0, err1) != nil {
			continue
		}
		for r := r0; r < r1 && r < len(rows); r++ { // down, not across: a title over all columns is one cell
			for len(rows[r]) < c0 {
				rows[r] = append(rows[r], "")
			}
			rows[r][c0-1] = m.GetCellValue()
		}
	}
	s := &Sheet{Name: name, Rows: rows}
	s.Comma, s.decided = commaNumbers(rows)
	s.clean()
	return s, nil
}

// serialDay is the day of a number that a spreadsheet shows as one: days since
// 1899-12-30, by the 1900 date system of ISO/IEC 29500-1, 18.17.4.1.
func serialDay(x float64) string {
	return time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC).AddDate(0, 0, int(math.Floor(x))).Format(time.DateOnly)
}

var formatQuotes = pattern.New(`"[^"]*"|\[[^\]]*\]`)

// dayStyle reports whether numbers in a style are shown as a day.
func dayStyle(f *excelize.File, style int) bool {
	s, err := f.GetStyle(style)
	if err != nil || s == nil {
		return false
	}
	if s.CustomNumFmt != nil {
		plain := strings.ToLower(formatQuotes.ReplaceAllString(*s.CustomNumFmt, ""))
		return !strings.Contains(plain, "general") && strings.ContainsAny(plain, "dy")
	}
	n := s.NumFmt // built-in formats of ISO/IEC 29500-1, 18.8.30
	return n >= 14 && n <= 17 || n == 22 || n >= 27 && n <= 36 || n >= 50 && n <= 58
}

var (
	commaForm = pattern.New(`(^|[^0-9.,])[0-9]+,[0-9]{1,2}($|[^0-9,])|(^|[^0-9.,])0,[0-9]+`)
	pointForm = pattern.New(`(^|[^0-9.,])[0-9]*\.[0-9]{1,2}($|[^0-9.])|(^|[^0-9.,])0?\.[0-9]+`)
)

// commaNumbers tells from the cells whether decimals are written with a comma;
// decided is false where no cell says.
func commaNumbers(rows [][]string) (comma, decided bool) {
	commas, points := 0, 0
	for _, row := range rows {
		for _, c := range row {
			if strings.ContainsAny(c, "0123456789") {
				if commaForm.MatchString(c) {
					commas++
				}
				if pointForm.MatchString(c) {
					points++
				}
			}
		}
	}
	return commas > points, commas != points
}

// clean takes out what no file of the ledger may hold, and blanks at the ends.
func (s *Sheet) clean() {
	for _, row := range s.Rows {
		for c := range row {
			row[c] = cleanCell(row[c])
		}
	}
	for len(s.Rows) > 0 && blank(s.Rows[len(s.Rows)-1]) {
		s.Rows = s.Rows[:len(s.Rows)-1]
	}
}

func cleanCell(text string) string {
	text = strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r' || r == '\u00a0' || r == '\u202f' || r == '\u2009' || unicode.In(r, unicode.Zl, unicode.Zp, unicode.Zs):
			return ' '
		case unicode.In(r, unicode.Cc, unicode.Cf) || r == utf8.RuneError:
			return -1
		}
		return r
	}, text)
	text = strings.Join(strings.Fields(text), " ")
	if len(text) > maxCell {
		text = strings.ToValidUTF8(text[:maxCell], "")
	}
	return text
}

func blank(row []string) bool {
	for _, c := range row {
		if strings.TrimSpace(c) != "" {
			return false
		}
	}
	return true
}

// cell is a cell of a row, "" past its end.
func cell(row []string, c int) string {
	if c < 0 || c >= len(row) {
		return ""
	}
	return row[c]
}
