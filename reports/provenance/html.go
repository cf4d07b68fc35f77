//go:build !js

package provenance

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"image"
	_ "image/gif"  // sizes of pictures
	_ "image/jpeg" // sizes of pictures
	_ "image/png"  // sizes of pictures
	"io"
	"net/http"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/pattern"
)

//go:embed provenance.css
var provenanceStyle string

//go:embed provenance.html.tmpl
var provenancePage string

var provenanceTemplate = template.Must(template.New("provenance").Funcs(template.FuncMap{"words": htmlWords, "brief": Fact.brief}).Parse(provenancePage))

var isoDay = pattern.New(`\b\d{4}-\d{2}-\d{2}\b`)

// htmlWords escapes a text for a page and keeps its dates in one piece.
func htmlWords(s string) template.HTML {
	return template.HTML(isoDay.ReplaceAllString(template.HTMLEscapeString(s), `<span class="day">$0</span>`))
}

// HTMLOptions says what goes into a page besides the report.
type HTMLOptions struct {
	QR []byte // a picture, SVG or PNG, of the code that names unit, head and statement; nil: none
	// Photos gives the picture of a file of the unit's folder, by PhotoReport.File.
	// Nil, or an error: the photograph is listed and not shown.
	Photos func(path string) ([]byte, error)
}

// htmlProvenance is what the template sets.
type htmlProvenance struct {
	Title, Who     string
	StyleHash      string
	Style          template.CSS
	QR             template.URL
	Preamble       []string
	InShort, Facts []Fact
	Sections       []*htmlSection
}

// htmlSection is the part of a page below one heading.
type htmlSection struct {
	ID, Title string
	Blocks    []*htmlBlock
}

// htmlBlock is a paragraph, list, table or picture: the field that is filled in
// says which.
type htmlBlock struct {
	ID      string
	Heading string
	Para    string
	Command string
	Items   []string
	Terms   []*htmlTerm
	Class   string // of the terms
	Grid    *htmlGrid
	Cells   []htmlCells
	Figure  *page.Figure
	Photo   *htmlPhoto
	// Together are blocks that stay on one page of paper.
	Together []*htmlBlock
}

// htmlTerm is a label and the text after it.
type htmlTerm struct {
	Lead, Text string
	More       []*htmlBlock
}

// htmlGrid is a table whose rows are named by one of their cells.
type htmlGrid struct {
	Caption, Label, Class string
	Legend                string // the part of the caption that is shown: the heading above says the rest
	Whole                 bool   // stays on one page of paper
	Head                  []page.HTMLCell
	Rows                  [][]gridCell
}

type gridCell struct {
	Text                 string
	Number, Name, Strong bool
	SVG                  template.HTML
}

type htmlCells struct {
	Refs, Times string
	SVG         template.HTML
}

type htmlPhoto struct {
	Words, Alt    string
	Data          template.URL
	Width, Height int
}

// WriteHTML writes the report as one self-contained page: no script,
// nothing from a network, and a content security policy that allows its own
// style sheet and the pictures within it. It says what WriteText says, in the
// same order.
func (p *Report) WriteHTML(w io.Writer, o HTMLOptions) error {
	style := provenanceStyle + pageFoot(p)
	sum := sha256.Sum256([]byte(style))
	s := &htmlSheet{p: p, o: o}
	t := &textReport{sheet: s, p: p}
	t.body()
	d := htmlProvenance{
		Title: setWords(p.heading()), Who: setWords(p.who()),
		Style: template.CSS(style), StyleHash: "sha256-" + base64.StdEncoding.EncodeToString(sum[:]),
		InShort: setFacts(p.InShort), Facts: setFacts(p.PageOne), Sections: s.sections,
	}
	for _, x := range p.Preamble {
		d.Preamble = append(d.Preamble, setWords(x))
	}
	if len(o.QR) > 0 {
		if kind := pictureKind(o.QR); kind != "" {
			d.QR = dataURL(kind, o.QR)
		} else if bytes.Contains(o.QR, []byte("<svg")) {
			d.QR = dataURL("image/svg+xml", o.QR)
		} else {
			return fmt.Errorf("the QR code is neither SVG nor PNG => give one of them")
		}
	}
	return provenanceTemplate.Execute(w, d)
}

// brief tells whether a fact fits on the line of its label.
func (f Fact) brief() bool {
	return len(f.Lines) == 1 && utf8.RuneCountInString(f.Label)+utf8.RuneCountInString(f.Lines[0]) <= 52
}

// setWords makes a text as every sheet shows it.
func setWords(s string) string { return page.Tidy(page.Clean(s)) }

func setFacts(facts []Fact) []Fact {
	out := make([]Fact, len(facts))
	for i, f := range facts {
		out[i] = Fact{f.Key, setWords(f.Label), nil}
		for _, s := range f.Lines {
			out[i].Lines = append(out[i].Lines, setWords(s))
		}
	}
	return out
}

// pageFoot names the unit at the foot of every printed page: pages get separated.
func pageFoot(p *Report) string {
	var s strings.Builder
	for _, r := range Own(p.Unit.Name) + ", as of " + p.AsOf {
		if r < 0x80 && (unicode.IsLetter(r) || unicode.IsDigit(r)) {
			s.WriteRune(r)
			continue
		}
		fmt.Fprintf(&s, "\\%06x", r) // a CSS escape of six digits ends by itself
	}
	return "@page { @bottom-left { content: \"" + s.String() + "\"; } }\n"
}

// pictureKind is the media type of a picture a page may hold, "" for none.
func pictureKind(data []byte) string {
	switch k := http.DetectContentType(data); k {
	case "image/jpeg", "image/png", "image/gif", "image/webp":
		return k
	}
	return ""
}

func dataURL(kind string, data []byte) template.URL {
	return template.URL("data:" + kind + ";base64," + base64.StdEncoding.EncodeToString(data))
}

// htmlSheet gathers a report as blocks for the template.
type htmlSheet struct {
	p        *Report
	o        HTMLOptions
	sections []*htmlSection
	headings int
	pictures int
}

func (h *htmlSheet) section() *htmlSection { return h.sections[len(h.sections)-1] }

func (h *htmlSheet) add(b *htmlBlock) *htmlBlock {
	s := h.section()
	s.Blocks = append(s.Blocks, b)
	return b
}

// last is the block the next line may be added to.
func (h *htmlSheet) last() *htmlBlock {
	if s := h.section(); len(s.Blocks) > 0 {
		return s.Blocks[len(s.Blocks)-1]
	}
	return &htmlBlock{}
}

// term is the entry of a list of terms that deep lines belong to; nil without.
func (h *htmlSheet) term(indent int) *htmlTerm {
	if l := h.last(); indent >= 12 && l.Terms != nil {
		return l.Terms[len(l.Terms)-1]
	}
	return nil
}

func (h *htmlSheet) Heading(s string) {
	h.sections = append(h.sections, &htmlSection{ID: fmt.Sprintf("part-%d", len(h.sections)+1), Title: setWords(s)})
}

func (h *htmlSheet) Subheading(s string) {
	h.headings++
	h.add(&htmlBlock{ID: fmt.Sprintf("sub-%d", h.headings), Heading: setWords(s)})
}

func (h *htmlSheet) Para(indent int, s string) {
	if t := h.term(indent); t != nil {
		t.More = append(t.More, &htmlBlock{Para: setWords(s)})
		return
	}
	h.add(&htmlBlock{Para: setWords(s)})
}

func (h *htmlSheet) Item(indent int, s string) {
	if t := h.term(indent); t != nil {
		if n := len(t.More); n > 0 && t.More[n-1].Items != nil {
			t.More[n-1].Items = append(t.More[n-1].Items, setWords(s))
			return
		}
		t.More = append(t.More, &htmlBlock{Items: []string{setWords(s)}})
		return
	}
	if l := h.last(); l.Items != nil {
		l.Items = append(l.Items, setWords(s))
		return
	}
	h.add(&htmlBlock{Items: []string{setWords(s)}})
}

func (h *htmlSheet) Hang(lead string, _ int, s string) {
	x := &htmlTerm{Lead: setWords(lead), Text: setWords(s)}
	if l := h.last(); l.Terms != nil {
		l.Terms = append(l.Terms, x)
		return
	}
	b := &htmlBlock{Terms: []*htmlTerm{x}}
	if len(x.Lead) <= 2 { // numbers and letters need no wide column
		b.Class = "narrow"
	}
	h.add(b)
}

func (h *htmlSheet) Labelled(label string, indent int, lines []string) {
	h.Hang(label, indent, strings.Join(lines, " "))
}

func (h *htmlSheet) Line(string) {}

func (h *htmlSheet) command(s string) { h.add(&htmlBlock{Command: setWords(s)}) }

// caption names a table by the headings it stands below.
func (h *htmlSheet) caption() string {
	s := h.section()
	for i := len(s.Blocks) - 1; i >= 0; i-- {
		if t := s.Blocks[i].Heading; t != "" {
			return s.Title + ": " + t
		}
	}
	return s.Title
}

func (h *htmlSheet) Table(_ int, t *page.Table) {
	if len(t.Rows) > 0 {
		g := gridOf(h.caption(), t, 0)
		g.short()
		h.add(&htmlBlock{Grid: g})
	}
}

// short keeps a table on one page of paper where it has few rows.
func (g *htmlGrid) short() {
	if len(g.Rows) <= 12 {
		g.Whole = true
	}
}

// gridOf sets a table whose rows are named by the cell at name.
func gridOf(caption string, t *page.Table, name int) *htmlGrid {
	base := page.AsHTML(t, caption)
	g := &htmlGrid{Caption: caption, Label: "Table: " + caption, Head: base.Head}
	for _, row := range base.Rows {
		var cells []gridCell
		for i, c := range row {
			cells = append(cells, gridCell{Text: page.Tidy(c.Text), Number: c.Number, Name: i == name})
		}
		g.Rows = append(g.Rows, cells)
	}
	return g
}

func (h *htmlSheet) readingTable(rows []ReadingRow, t *page.Table) {
	g := gridOf(h.caption(), t, 1)
	g.Class = "readings"
	drawn := false
	for i, r := range rows {
		m := r.mark()
		drawn = drawn || m != ""
		g.Rows[i] = append(g.Rows[i], gridCell{SVG: template.HTML(m)})
		for k := range g.Rows[i] {
			c := &g.Rows[i][k]
			c.Strong = strings.Contains(c.Text, "OUTSIDE")
		}
	}
	if drawn {
		g.Head = append(g.Head, page.HTMLCell{})
		g.Legend = "Ring: as found; dot: as left; grey: within the limit; arrow: off the scale."
	} else {
		for i := range g.Rows {
			g.Rows[i] = g.Rows[i][:len(g.Rows[i])-1]
		}
	}
	g.short()
	h.add(&htmlBlock{Grid: g})
}

// values sets a strip and below it the values, a dozen to a row.
func (h *htmlSheet) values(x TableReport) {
	if pic, found := h.p.stripOf(x); pic != nil {
		h.pictures++
		caption := "Values in order of position."
		if len(x.LimitSpans) > 0 {
			caption += " Grey: within the limit."
		}
		if len(x.Outside) > 0 {
			caption += " Ringed dots: outside."
		}
		if found != nil {
			caption += " Small rings: as found on " + found.Date + "."
		}
		h.add(&htmlBlock{Figure: &page.Figure{SVG: template.HTML(pic.Render(fmt.Sprintf("strip-%d", h.pictures), false)), Label: "Picture: " + pic.Title, Caption: caption}})
	}
	const per = 12
	g := &htmlGrid{Class: "values", Caption: h.caption() + ", in " + Own(x.Unit), Label: "Values: " + h.caption()}
	if len(x.Values) <= per {
		g.Class = "values one"
		g.Head = append(g.Head, page.HTMLCell{Text: "position"})
		for _, at := range x.Positions {
			g.Head = append(g.Head, page.HTMLCell{Text: setWords(at), Number: true})
		}
	} else {
		g.Legend = "Each row begins at the position it names."
		g.Head = append(g.Head, page.HTMLCell{Text: "from"})
		for i := range per {
			g.Head = append(g.Head, page.HTMLCell{Text: fmt.Sprintf("+%d", i), Number: true})
		}
	}
	for i := 0; i < len(x.Values); i += per {
		row := []gridCell{{Text: setWords(x.Positions[i]), Name: true}}
		if len(x.Values) <= per {
			row[0].Text = Own(x.Unit) // the heads name the positions
		}
		for k := i; k < min(i+per, len(x.Values)); k++ {
			c := gridCell{Text: x.Values[k], Number: true}
			for _, out := range x.Outside {
				if out == x.Positions[k] {
					c.Text, c.Strong = c.Text+"*", true
				}
			}
			row = append(row, c)
		}
		for len(row) < len(g.Head) {
			row = append(row, gridCell{})
		}
		g.Rows = append(g.Rows, row)
	}
	g.short()
	h.add(&htmlBlock{Grid: g})
	if g.Whole {
		h.together()
	}
}

// together makes one block of the last heading and everything below it.
func (h *htmlSheet) together() {
	s := h.section()
	for i := len(s.Blocks) - 1; i >= 0; i-- {
		if s.Blocks[i].Heading != "" {
			s.Blocks = append(s.Blocks[:i], &htmlBlock{Together: slices.Clone(s.Blocks[i:])})
			return
		}
	}
}

// foundBefore is the same table as found in the same stay, nil for none.
func (p *Report) foundBefore(x TableReport) *TableReport {
	if x.Stage == schema.AsFound {
		return nil
	}
	for i := range p.Tables {
		t := &p.Tables[i]
		if t.Stage == schema.AsFound && t.Job == x.Job && t.Section == x.Section && t.Point == x.Point && t.Unit == x.Unit && t.At == x.At {
			return t
		}
	}
	return nil
}

func (h *htmlSheet) positionMap(s MapSection) {
	b := &htmlBlock{}
	for _, r := range s.Rows {
		letters, times := r.Letters, ""
		if alike(letters) {
			letters, times = letters[:1], fmt.Sprintf("× %d", len(letters))
		}
		b.Cells = append(b.Cells, htmlCells{setWords(r.Refs), times, template.HTML(mapCells(letters, mapWords(r, h.p.MapLegend)))})
	}
	h.add(b)
}

func (h *htmlSheet) photo(x PhotoReport, words string) {
	ph := &htmlPhoto{Words: setWords(words), Alt: "Photograph"}
	if x.Caption != "" {
		ph.Alt = "Photograph: " + setWords(x.Caption)
	} else if x.Section != "" {
		ph.Alt = "Photograph of " + setWords(x.Section)
	}
	if h.o.Photos != nil {
		if data, err := h.o.Photos(x.File); err == nil {
			if kind := pictureKind(data); kind != "" {
				ph.Data = dataURL(kind, data)
				if c, _, err := image.DecodeConfig(bytes.NewReader(data)); err == nil {
					ph.Width, ph.Height = c.Width, c.Height
				}
			}
		}
	}
	if ph.Data == "" {
		h.Item(0, words)
		return
	}
	h.add(&htmlBlock{Photo: ph})
}
