package worksheet

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"html/template"
	"io"
	"slices"
	"strings"

	"benchlore/schema"
)

//go:embed page.css
var sheetStyle string

//go:embed page.html.tmpl
var sheetPage string

var sheetTemplate = template.Must(template.New("sheet").Parse(sheetPage))

type sheetLayout struct {
	Title, Sub, Foot, StyleHash string
	Style                       template.CSS
	Power, Rules                []string
	Blanks                      []string      // to fill in by hand above the table
	Heads                       [][]sheetHead // one or two rows
	Groups                      []sheetGroup
	Width                       int
}

type sheetHead struct {
	Text         string
	Across, Down int // how many columns and rows it stands over
	Tick         bool
}

type sheetGroup struct {
	Title string
	Slate template.HTML // the code of the section, to be photographed before pictures
	Rows  [][]sheetTick
}

type sheetTick struct {
	Text, Class string
	Tick, On    bool
}

// WriteHTML writes the worksheet as a page to print and fill in with a pencil:
// boxes to tick for what was found and done, grouped by section. What the
// records have already is filled in.
func (s *Sheet) WriteHTML(w io.Writer) error {
	sum := sha256.Sum256([]byte(sheetStyle))
	d := sheetLayout{Title: schema.OneLine(s.Title + ": " + map[Kind]string{Parts: "parts", Readings: "readings", Tables: "tables of readings"}[s.Kind]),
		Sub:   schema.OneLine(strings.TrimSuffix(s.Unit+", "+s.Job, ", ") + ", " + s.Date.String()),
		Style: template.CSS(sheetStyle), StyleHash: "sha256-" + base64.StdEncoding.EncodeToString(sum[:]),
		Power: s.powerLines(),
		Rules: map[Kind][]string{
			Parts:    {"No box ticked: not got to yet. Looked at and stays in: left.", "Disconnect the mains and discharge before touching."},
			Readings: {"Empty: not measured. x with the reason: could not be measured.", "Readings on a live unit are for people qualified to take them."},
			Tables:   {"Empty: not measured. x with the reason: could not be measured."},
		}[s.Kind],
		Blanks: []string{"done by", "on", "page"},
		Foot:   "To enter it: benchlore sheet -o FILE.xlsx with the same options, then benchlore import FILE.xlsx.",
	}
	groups, shared := s.groups()
	columns := s.printed(shared)
	d.head(s, columns)
	section := ""
	for i, g := range groups {
		out := sheetGroup{Title: strings.TrimSuffix(g.title+": "+g.limit, ": ")}
		if s.Slate != nil && g.title != "" && (i == 0 || g.title != section) {
			svg, err := s.Slate(g.title)
			if err != nil {
				return err
			}
			out.Slate = template.HTML(svg)
		}
		section = g.title
		for _, row := range g.rows {
			out.Rows = append(out.Rows, s.printedRow(row, columns))
		}
		d.Groups = append(d.Groups, out)
	}
	return sheetTemplate.Execute(w, d)
}

type sheetSection struct {
	title, limit string
	rows         [][]string
}

// groups are the rows by section. In a sheet of tables a section falls into groups
// with the same limit, which stands in their titles (shared), unless that made
// more titles than rows.
func (s *Sheet) groups() (out []sheetSection, shared bool) {
	section, limit := s.columnOf("section"), s.columnOf(KeyLimit)
	at := func(row []string, i int) string {
		if i < 0 {
			return ""
		}
		return schema.OneLine(row[i])
	}
	by := func(limits bool) (out []sheetSection) {
		for _, row := range s.Rows {
			g := sheetSection{title: at(row, section)}
			if limits {
				g.limit = at(row, limit)
			}
			if n := len(out); n == 0 || out[n-1].title != g.title || out[n-1].limit != g.limit {
				out = append(out, g)
			}
			last := &out[len(out)-1]
			last.rows = append(last.rows, row)
		}
		return out
	}
	if s.Kind == Tables {
		if out := by(true); 4*len(out) < len(s.Rows) {
			return out, true
		}
	}
	return by(false), false
}

func (s *Sheet) columnOf(key string) int {
	return slices.IndexFunc(s.Columns, func(c Column) bool { return c.Key == key })
}

// printed are the columns that go on paper.
func (s *Sheet) printed(limitInTitle bool) []int {
	var out []int
	for i, c := range s.Columns {
		switch {
		case c.Key == "section", c.Key == KeyInstrument, c.Key == KeyJob, c.Key == KeyLimit && limitInTitle:
		default:
			out = append(out, i)
		}
	}
	return out
}

func ticked(c Column) bool { return c.Key == "found" || c.Key == "action" }

// head writes the headings: a tick box for each word has its own, below that of
// the column.
func (d *sheetLayout) head(s *Sheet, columns []int) {
	down := 1
	if slices.ContainsFunc(columns, func(i int) bool { return ticked(s.Columns[i]) }) {
		down = 2
	}
	d.Heads = make([][]sheetHead, down)
	for _, i := range columns {
		c := s.Columns[i]
		if !ticked(c) {
			d.Heads[0] = append(d.Heads[0], sheetHead{Text: c.Heading, Across: 1, Down: down})
			d.Width++
			continue
		}
		d.Heads[0] = append(d.Heads[0], sheetHead{Text: c.Heading, Across: len(c.Words), Down: 1})
		for _, word := range c.Words {
			d.Heads[1] = append(d.Heads[1], sheetHead{word, 1, 1, true})
			d.Width++
		}
	}
}

func (s *Sheet) printedRow(row []string, columns []int) []sheetTick {
	var cells []sheetTick
	for _, i := range columns {
		c := s.Columns[i]
		if ticked(c) {
			for _, word := range c.Words {
				cells = append(cells, sheetTick{Class: "tick", Tick: true, On: row[i] == word})
			}
			continue
		}
		class := "write"
		switch {
		case c.Key == "ref" || c.Key == "point":
			class = "key"
		case slices.Contains([]string{"family", KeyHasNow, KeyLimit, KeyUnit}, c.Key):
			class = "known"
		case c.Key == "count":
			class = ""
		case c.Key == "note" || c.Key == "conditions":
			class = "wide"
		}
		cells = append(cells, sheetTick{Text: schema.OneLine(row[i]), Class: class})
	}
	return cells
}
