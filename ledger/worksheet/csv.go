package worksheet

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// MaxSheetSize is the most bytes a worksheet may have.
const MaxSheetSize = 20 << 20

// Further bounds of a worksheet.
const (
	maxSheetRows = 50_000
	maxSheetCols = 300
	maxSheetCell = 4000 // bytes
	maxUnzipped  = 32 << 20
)

// grid is the cells of a worksheet, as text.
type grid struct {
	name   string           // of the sheet in its workbook; "" for CSV
	rows   [][]string       // rows[0] is row 1
	bad    map[[2]int]error // what is wrong with a cell itself, and what to do, by row and column from 0
	hidden bool             // the sheet is not shown, and was not read
	comma  bool             // numbers are written with a decimal comma
}

func (g *grid) refuse(row, col int, why error) {
	if g.bad == nil {
		g.bad = map[[2]int]error{}
	}
	g.bad[[2]int{row, col}] = why
}

// cellName is the address of a cell as a spreadsheet shows it.
func cellName(row, col int) string {
	name := ""
	for c := col + 1; c > 0; c = (c - 1) / 26 {
		name = string(rune('A'+(c-1)%26)) + name
	}
	return fmt.Sprintf("%s%d", name, row+1)
}

// readSheets reads the sheets of a file: XLSX, or CSV in UTF-8 or UTF-16, set
// apart by commas, semicolons or tabs.
func readSheets(data []byte) ([]*grid, error) {
	switch {
	case len(data) > MaxSheetSize:
		return nil, refused(fmt.Sprintf("the file is larger than %d MB", MaxSheetSize>>20), "a worksheet holds one unit; delete pictures and other sheets")
	case len(bytes.TrimSpace(data)) == 0:
		return nil, errEmptySheet
	case bytes.HasPrefix(data, []byte("PK")) && bytes.Contains(data[:min(len(data), 200)], []byte("application/vnd.oasis.opendocument")):
		return nil, refused("this is an OpenDocument file", "save it as a workbook (.xlsx) or as text (.csv), and import that")
	case bytes.HasPrefix(data, []byte("PK")):
		return readXLSX(data)
	case bytes.HasPrefix(data, []byte{0xd0, 0xcf, 0x11, 0xe0}):
		return nil, refused("this is a workbook of the old form (.xls), or one with a password", "save it without a password as .xlsx or .csv, and import that")
	case bytes.HasPrefix(data, []byte("%PDF")):
		return nil, refused("this is a PDF", "import the .xlsx or .csv it was printed from")
	}
	text, err := sheetText(data)
	if err != nil {
		return nil, err
	}
	if strings.TrimSpace(text) == "" {
		return nil, errEmptySheet
	}
	if head := strings.ToLower(strings.TrimSpace(text[:min(len(text), 200)])); strings.HasPrefix(head, "<!doctype html") || strings.HasPrefix(head, "<html") || strings.HasPrefix(head, "<?xml") {
		return nil, refused("this is a page, not a table", "the printable page cannot be read back; import the .xlsx or .csv")
	}
	g, err := readCSV(text)
	if err != nil {
		return nil, err
	}
	return []*grid{g}, nil
}

var errEmptySheet = refused("the file is empty", "write a worksheet with: benchlore sheet -o FILE.xlsx")

// sheetText turns the bytes of a text file into UTF-8.
func sheetText(data []byte) (string, error) {
	wide := func(order binary.ByteOrder, b []byte) (string, error) {
		units := make([]uint16, len(b)/2)
		for i := range units {
			units[i] = order.Uint16(b[2*i:])
		}
		text := string(utf16.Decode(units))
		if len(b)%2 != 0 || strings.ContainsRune(text, utf8.RuneError) {
			return "", refused("the text is broken UTF-16", "save it again as CSV with the character set UTF-8, or as .xlsx")
		}
		return text, nil
	}
	switch {
	case bytes.HasPrefix(data, []byte{0xef, 0xbb, 0xbf}):
		data = data[3:]
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}):
		return wide(binary.LittleEndian, data[2:])
	case bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		return wide(binary.BigEndian, data[2:])
	case len(data) > 3 && data[1] == 0 && data[3] == 0:
		return wide(binary.LittleEndian, data)
	case len(data) > 3 && data[0] == 0 && data[2] == 0:
		return wide(binary.BigEndian, data)
	}
	if bytes.IndexByte(data, 0) >= 0 {
		return "", refused("this is neither a workbook nor text", "import an .xlsx or .csv file")
	}
	if !utf8.Valid(data) {
		at := 0
		for at < len(data) {
			r, n := utf8.DecodeRune(data[at:])
			if r == utf8.RuneError && n == 1 {
				break
			}
			at += n
		}
		return "", refused(fmt.Sprintf("the text is not UTF-8 (line %d)", 1+bytes.Count(data[:at], []byte("\n"))),
			"save it again as CSV with the character set UTF-8, or as .xlsx")
	}
	return string(data), nil
}

// readCSV reads the form of RFC 4180 with any of three separators and any line
// ends; a quote inside a field that is not quoted stands for itself. The rows are
// those a spreadsheet shows: blank lines count.
func readCSV(text string) (*grid, error) {
	sep, named := byte(0), false
	if rest, ok := strings.CutPrefix(text, "sep="); ok && len(rest) > 1 && strings.IndexByte(",;\t", rest[0]) >= 0 && (rest[1] == '\r' || rest[1] == '\n') {
		sep, named = rest[0], true // what some spreadsheets write in front
	}
	if !named {
		best := -1
		for _, s := range []byte(",;\t") {
			g, _ := splitCSV(text[:min(len(text), 64<<10)], s) // the headings come before anything that is wrong
			if n := headingCount(g); n > best {
				best, sep = n, s
			}
		}
	}
	g, err := splitCSV(text, sep)
	if err != nil {
		return nil, err
	}
	if named {
		g.rows[0] = nil
	}
	g.comma = sep == ';'
	return g, nil
}

// splitCSV takes the text apart.
func splitCSV(text string, sep byte) (*grid, error) {
	g := &grid{}
	var row []string
	var field strings.Builder
	flush := func() { row = append(row, field.String()); field.Reset() }
	end := func() {
		flush()
		if len(row) == 1 && row[0] == "" {
			row = nil
		}
		g.rows = append(g.rows, row)
		row = nil
	}
	start, quoted := true, false // at the start of a field; inside quotes
	opened := 0
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case quoted && c == '"' && i+1 < len(text) && text[i+1] == '"':
			field.WriteByte('"')
			i++
		case quoted && c == '"':
			quoted = false
		case quoted:
			if c == '\r' && i+1 < len(text) && text[i+1] == '\n' {
				continue
			}
			field.WriteByte(c)
		case start && c == '"':
			quoted, start, opened = true, false, len(g.rows)
		case c == sep:
			flush()
			start = true
		case c == '\n' || c == '\r':
			if c == '\r' && i+1 < len(text) && text[i+1] == '\n' {
				i++
			}
			end()
			start = true
			if len(g.rows) > maxSheetRows {
				return g, refused(fmt.Sprintf("the sheet has more than %d rows", maxSheetRows), "delete the empty ones below the last")
			}
		default:
			field.WriteByte(c)
			start = false
		}
	}
	if field.Len() > 0 || len(row) > 0 {
		end()
	}
	if quoted {
		return g, refused(fmt.Sprintf("row %d: a quotation mark opens and nothing closes it", opened+1), "write \" inside a field as \"\", or take it out")
	}
	return g, nil
}
