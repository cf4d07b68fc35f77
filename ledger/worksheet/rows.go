package worksheet

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/remedy"
)

// CellError is one thing wrong with a worksheet.
type CellError struct {
	Cell    string `json:"cell"`         // "F17"; "row 17"; "" for the sheet as a whole
	Of      string `json:"of,omitempty"` // the position or point of the row
	Message string `json:"message"`
	Write   string `json:"write,omitempty"` // what to write instead
}

func (e CellError) Error() string {
	s := e.Cell
	if e.Of != "" {
		s += " (" + e.Of + ")"
	}
	return strings.TrimPrefix(strings.TrimSpace(s)+": "+e.Message, ": ")
}

// cell is one filled cell of a row.
type cell struct {
	at   string // its address
	text string
}

// sheetRow is one row below the headings.
type sheetRow struct {
	n      int // as the spreadsheet counts
	cells  map[string]cell
	tables map[int]cell // by column of table.columns
	of     string       // what it is about, for messages
	lost   []string     // keys of cells that were refused
}

func (r *sheetRow) get(key string) string { return r.cells[key].text }

// table is a sheet whose headings are understood.
type table struct {
	kind    Kind
	head    int               // row of the headings, from 0
	at      map[string]string // address of each heading, by key
	columns []sheetTable      // of a sheet of tables
	rows    []*sheetRow
	comma   bool
}

// cellErrors gathers what is wrong with the cells.
type cellErrors struct {
	list []CellError
	seen map[CellError]bool
	lost bool // a heading was refused, so that its cells seem to be missing
}

func (e *cellErrors) add(at, of, format string, args ...any) {
	e.err(at, of, remedy.Errorf(format, args...))
}

// err adds what an error says about a cell.
func (e *cellErrors) err(at, of string, err error) {
	what, write := remedy.Parts(err)
	e.put(CellError{at, of, what, write})
}

// put adds an error once.
func (e *cellErrors) put(c CellError) {
	if e.seen == nil {
		e.seen = map[CellError]bool{}
	}
	if !e.seen[c] {
		e.seen[c] = true
		e.list = append(e.list, c)
	}
}

// cell adds an error about a row's cell of a key, or about the row where it
// has none.
func (e *cellErrors) cell(r *sheetRow, key, format string, args ...any) {
	e.cellErr(r, key, remedy.Errorf(format, args...))
}

// cellErr is cell for an error.
func (e *cellErrors) cellErr(r *sheetRow, key string, err error) {
	at := fmt.Sprintf("row %d", r.n)
	if c, ok := r.cells[key]; ok {
		at = c.at
	} else if e.lost || slices.Contains(r.lost, key) {
		return // what is missing was refused already
	}
	e.err(at, r.of, err)
}

// headings are the columns of a kind of sheet by plain heading.
func headings(cols []Column) map[string]string {
	out := map[string]string{}
	for _, c := range cols {
		out[c.Heading] = c.Key
	}
	return out
}

var sheetHeadings = map[Kind]map[string]string{
	Parts:    headings(partColumns()),
	Readings: headings(readingColumns()),
	Tables:   headings(tableColumns()),
}

// headingForm writes a heading as the lists have it.
func headingForm(s string) string {
	s = strings.Map(func(r rune) rune {
		if r == '_' || r == '.' || r == '\u00a0' || r == '\n' {
			return ' '
		}
		return r
	}, strings.ToLower(s))
	return strings.TrimSpace(strings.Trim(strings.Join(strings.Fields(s), " "), ":*"))
}

// headingKey finds the column a heading means, "" for none.
func headingKey(kind Kind, heading string) string {
	h := headingForm(heading)
	if key, ok := sheetHeadings[kind][h]; ok {
		return key
	}
	if dashed := strings.ReplaceAll(h, " ", "-"); sheetHeadings[kind][dashed] != "" {
		return sheetHeadings[kind][dashed] // a stage
	}
	key := sheetAliases[h]
	for _, k := range sheetHeadings[kind] {
		if k == key {
			return key
		}
	}
	return ""
}

// maxHead is how many rows may stand above the headings.
const maxHead = 30

// headRow reads a row as headings: its kind, and how many it knows. The kind is
// "" where it is none.
func headRow(row []string) (Kind, int) {
	seen := map[Kind]map[string]bool{}
	tables := 0
	for kind := range sheetHeadings {
		seen[kind] = map[string]bool{}
		for _, h := range row {
			if key := headingKey(kind, h); key != "" {
				seen[kind][key] = true
			}
		}
	}
	for _, h := range row {
		if _, ok, _ := parseTableHeading(h); ok {
			tables++
		}
	}
	stages := 0
	for _, s := range schema.Stage("").Words() {
		if seen[Readings]["stage."+s] {
			stages++
		}
	}
	switch parts := seen[Parts]; {
	case seen[Readings]["point"] && stages > 0:
		return Readings, len(seen[Readings])
	case (parts["ref"] || parts["count"]) && (parts["found"] || parts["action"]):
		return Parts, len(parts)
	case seen[Tables]["ref"] && tables > 0:
		return Tables, len(seen[Tables]) + tables
	}
	return "", 0
}

// headingCount is the most headings any of the first rows has.
func headingCount(g *grid) int {
	best := 0
	for _, row := range g.rows[:min(len(g.rows), maxHead)] {
		if _, n := headRow(row); n > best {
			best = n
		}
	}
	return best
}

// findTable finds the one sheet that is a worksheet, and reads its headings and
// rows.
func findTable(grids []*grid, errs *cellErrors) (*table, error) {
	var found *grid
	head, kind := 0, Kind("")
	for _, g := range grids {
		for r, row := range g.rows[:min(len(g.rows), maxHead)] {
			k, n := headRow(row)
			if n == 0 {
				continue
			}
			if found != nil {
				return nil, refused(fmt.Sprintf("the workbook has two worksheets, %q and %q", found.name, g.name), "delete one, or import them from files of their own")
			}
			found, head, kind = g, r, k
			break
		}
	}
	for _, g := range grids {
		if found == nil && g.hidden && g.name != ListsSheet {
			return nil, refused(fmt.Sprintf("sheet %q is hidden, and was not read", g.name), "show it, save the workbook, and import it again")
		}
	}
	if found == nil {
		return nil, refused("no row of headings was found",
			"a worksheet of parts has columns section, ref, found and action; of readings section, point and as-left; of tables section, ref and such as: contact resistance (mOhm) as-left")
	}
	t := &table{kind: kind, head: head, at: map[string]string{}, comma: found.comma}
	t.read(found, errs)
	return t, nil
}

// read reads headings and rows of a grid.
func (t *table) read(g *grid, errs *cellErrors) {
	keys := map[int]string{}
	tables := map[int]int{}
	heads := g.rows[t.head]
	used := make([]bool, len(heads))
	for _, row := range g.rows[t.head+1:] {
		for c := range row[:min(len(row), len(heads))] {
			used[c] = used[c] || strings.TrimSpace(row[c]) != ""
		}
	}
	for c, h := range heads {
		at := cellName(t.head, c)
		h = strings.TrimSpace(h)
		if err := g.bad[[2]int{t.head, c}]; err != nil {
			errs.err(at, "the heading", err)
			errs.lost = true
			continue
		}
		if strings.HasPrefix(h, "#") {
			continue // the restorer's own
		}
		if t.kind == Tables {
			if one, ok, err := parseTableHeading(h); err != nil {
				errs.err(at, "the heading", err)
				continue
			} else if ok {
				if slices.Contains(t.columns, one) {
					errs.add(at, "the heading", "stands there twice => put both into one column")
				}
				tables[c] = len(t.columns)
				t.columns = append(t.columns, one)
				continue
			}
		}
		key := headingKey(t.kind, h)
		switch {
		case key == "" && !used[c]:
		case key == "" && h == "":
			errs.add(at, "", "the column has entries and no heading => write one, or # for a column of your own that is not read")
		case key == "":
			errs.err(at, "", t.unknownHeading(h))
			errs.lost = true
		case t.at[key] != "":
			errs.add(at, "", "the heading %q stands in %s too => keep one of the two columns", h, t.at[key])
		default:
			keys[c], t.at[key] = key, at
		}
	}
	for r := t.head + 1; r < len(g.rows); r++ {
		row := &sheetRow{n: r + 1, cells: map[string]cell{}, tables: map[int]cell{}}
		filled := false
		for c, text := range g.rows[r] {
			at := cellName(r, c)
			if c >= len(heads) {
				if strings.TrimSpace(text) != "" {
					errs.add(at, fmt.Sprintf("row %d", r+1), "the row has more cells than there are headings => write decimal commas in quotes, or set the cells apart by semicolons")
					break
				}
				continue
			}
			key, known := keys[c]
			column, inTable := tables[c]
			if !known && !inTable {
				continue
			}
			text, ok := t.cellText(key, at, text, errs)
			if err := g.bad[[2]int{r, c}]; err != nil && key != KeyHasNow && key != KeyLimit {
				errs.err(at, "", err)
				ok = false
			}
			if !ok {
				row.lost = append(row.lost, key)
			}
			if !ok || text == "" {
				continue
			}
			filled = true
			if inTable {
				row.tables[column] = cell{at, text}
			} else {
				row.cells[key] = cell{at, text}
			}
		}
		if filled {
			t.rows = append(t.rows, row)
		}
	}
	for at, err := range g.bad { // of cells past the end of their row
		if at[0] > t.head && at[0] < len(g.rows) && at[1] >= len(g.rows[at[0]]) && (keys[at[1]] != "" || slices.Contains(mapKeys(tables), at[1])) {
			errs.err(cellName(at[0], at[1]), "", err)
		}
	}
}

func mapKeys(m map[int]int) []int {
	var out []int
	for k := range m {
		out = append(out, k)
	}
	return out
}

// cellText reads the text of one cell; ok is false where it was refused.
func (t *table) cellText(key, at, text string, errs *cellErrors) (string, bool) {
	if day, isDate := strings.CutPrefix(text, dateCell); isDate {
		if key == "date" {
			return day, true
		}
		if key == KeyHasNow || key == KeyLimit {
			return "", true
		}
		errs.add(at, "", "the spreadsheet has made a date of it (%s) => format the column as text, and type again what it should say", day)
		return "", false
	}
	text = strings.TrimSpace(text)
	switch {
	case key == KeyHasNow || key == KeyLimit:
		return unguard(text), true
	case len(text) > maxSheetCell:
		errs.add(at, "", "holds %d letters => at most %d go into one cell", len(text), maxSheetCell)
		return "", false
	case strings.HasPrefix(text, "="):
		errs.add(at, "", "begins with =, as a formula does: %s => write its result; text that begins so takes an apostrophe in front", clipped(text))
		return "", false
	}
	text = unguard(text)
	if key != "note" {
		text = strings.Join(strings.Fields(text), " ")
	} else {
		text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	}
	return text, true
}

func (t *table) unknownHeading(h string) error {
	var names []string
	for n := range sheetHeadings[t.kind] {
		names = append(names, n)
	}
	slices.Sort(names)
	if near := schema.Nearest(headingForm(h), names); near != "" {
		return remedy.Errorf("there is no column %q => did you mean %q? A column of your own begins with # and is not read", h, near)
	}
	extra := ""
	if t.kind == Tables {
		extra = "tables of readings, such as: contact resistance (mOhm) as-left, and "
	}
	return remedy.Errorf("there is no column %q => the columns are: %s%s; one of your own begins with #", h, extra, strings.Join(names, ", "))
}

// Knows reports whether a row of headings is a worksheet's: it says what a row is
// about and what was found or done, in the worksheet's own words.
func Knows(headings []string) bool {
	kind, _ := headRow(headings)
	if kind == "" {
		return false
	}
	for _, h := range headings {
		if h = strings.TrimSpace(h); h != "" && !strings.HasPrefix(h, "#") && headingKey(kind, h) == "" {
			if _, ok, _ := parseTableHeading(h); !ok {
				return false
			}
		}
	}
	return true
}
