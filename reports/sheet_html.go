package reports

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"html/template"
	"io"
	"slices"
	"strings"

	"benchlore/ledger"
)

//go:embed sheet.css
var sheetStyle string

//go:embed sheet.html.tmpl
var sheetPage string

var sheetTemplate = template.Must(template.New("sheet").Parse(sheetPage))

type sheetLayout struct {
	Title, Sub, Foot, StyleHash string
	Style                       template.CSS
	Power, Rules                []string
	Head                        []sheetHead
	Groups                      []sheetGroup
	Width                       int
}

type sheetHead struct {
	Text string
	Tick bool
}

type sheetGroup struct {
	Title string
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
	d := sheetLayout{Title: clean(s.Title + ": " + map[ledger.SheetKind]string{ledger.SheetParts: "parts", ledger.SheetReadings: "readings", ledger.SheetTables: "tables of readings"}[s.Kind]),
		Sub:   clean(strings.TrimSuffix(s.Unit+", "+s.Job, ", ") + ", " + s.Date.String() + ". Done by:                    Pages:"),
		Style: template.CSS(sheetStyle), StyleHash: "sha256-" + base64.StdEncoding.EncodeToString(sum[:]),
		Power: s.powerLines(),
		Rules: map[ledger.SheetKind][]string{
			ledger.SheetParts:    {"No box ticked: not reached. Looked at and stays in: left.", "Disconnect the mains and discharge before touching."},
			ledger.SheetReadings: {"An empty field has not been measured; x with the reason: it could not be.", "Readings on a live unit are for those who are qualified for it."},
			ledger.SheetTables:   {"An empty field has not been measured; x with the reason: it could not be."},
		}[s.Kind],
		Foot: "To type it in: benchlore sheet -o FILE.xlsx with the same options, then benchlore import FILE.xlsx.",
	}
	var columns []int // printed
	section := -1
	for i, c := range s.Columns {
		switch c.Key {
		case "section":
			section = i
		case ledger.SheetInstrument, ledger.SheetJob:
		default:
			columns = append(columns, i)
		}
	}
	ticked := func(c ledger.SheetColumn) bool { return c.Key == "found" || c.Key == "action" }
	for _, i := range columns {
		c := s.Columns[i]
		if !ticked(c) {
			d.Head = append(d.Head, sheetHead{Text: c.Heading})
			continue
		}
		for _, word := range c.Words {
			d.Head = append(d.Head, sheetHead{word, true})
		}
	}
	d.Width = len(d.Head)
	for _, row := range s.Rows {
		title := ""
		if section >= 0 {
			title = clean(row[section])
		}
		n := len(d.Groups)
		if n == 0 || d.Groups[n-1].Title != title {
			d.Groups = append(d.Groups, sheetGroup{Title: title})
			n++
		}
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
			case slices.Contains([]string{"family", ledger.SheetHasNow, ledger.SheetLimit, ledger.SheetUnitOf}, c.Key):
				class = ""
			case c.Key == "note" || c.Key == "conditions":
				class = "wide"
			}
			cells = append(cells, sheetTick{Text: clean(row[i]), Class: class})
		}
		d.Groups[n-1].Rows = append(d.Groups[n-1].Rows, cells)
	}
	return sheetTemplate.Execute(w, d)
}
