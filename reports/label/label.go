package label

import (
	"fmt"
	"io"
	"strings"
	"time"

	"benchlore/ledger/proof"
	"benchlore/reports/page"
	"benchlore/reports/provenance"
)

// LabelSize is the size of a label and how large its code is, in millimetres.
type Size struct {
	page.Paper
	code float64
	text float64 // points
}

// Sizes of label: one for a label printer's 62 mm tape, and a card of
// ISO 216 A6.
var (
	Tape = Size{page.Paper{Width: 62, Height: 29}, 27, 6.6}
	Card = Size{page.Paper{Width: 105, Height: 148}, 60, 10}
)

// Label is the label inside a unit's case: which unit it is, the state it last
// left a bench in, and how to tell whether a history shown later is this one.
type Label struct {
	Title  string   `json:"title"` // maker and model
	Lines  []string `json:"lines"` // the rest, in order
	Code   string   `json:"code"`  // what the QR code says
	Unit   string   `json:"unit"`
	Sealed bool     `json:"sealed"`
	AsOf   string   `json:"asOf"`
}

// For makes the label of a unit. head is the head of its own history, 40
// hexadecimal digits; statement is the SHA-256 of the newest seal's statement
// where that seal is over this head, else "".
func For(p *provenance.Report, head, statement string) Label {
	id := p.Unit
	l := Label{Title: strings.TrimSpace(provenance.Own(id.Maker) + " " + provenance.Own(id.Model)), Code: proof.QRText(id.UUID, head, statement),
		Unit: provenance.Own(id.Name), Sealed: statement != "", AsOf: p.AsOf}
	if l.Title == "" {
		l.Title = l.Unit
	}
	add := func(format string, args ...any) { l.Lines = append(l.Lines, fmt.Sprintf(format, args...)) }
	add("%s", l.Unit)
	add("Serial: %s", labelSerial(id.Serials))
	switch s := p.State; {
	case s.Date != "" && s.OnBenchSince != "":
		add("Released %s: %s", s.Date, provenance.WorksWords(s.Works))
		add("On the bench again since %s", s.OnBenchSince)
	case s.Date != "":
		add("Released %s: %s", s.Date, provenance.WorksWords(s.Works))
	default:
		add("No release is recorded")
	}
	if !p.SafetyTested() {
		add("NOT SAFETY TESTED")
	}
	add("Head %.12s", head)
	if l.Sealed {
		add("Seal %.16s", statement)
	} else {
		add("NOT SEALED")
	}
	add("Service history available: ask for the packet")
	return l
}

// labelSerial is the number on the plate, else the first that is known.
func labelSerial(serials []provenance.SerialReport) string {
	var best *provenance.SerialReport
	for i := range serials {
		s := &serials[i]
		if s.Value != "" && (best == nil || s.Place == "plate" && best.Place != "plate") {
			best = s
		}
	}
	switch {
	case best == nil:
		return "not known"
	case best.How == "read":
		return fmt.Sprintf("%s (%s)", provenance.Own(best.Value), provenance.Own(best.Place))
	}
	return fmt.Sprintf("%s (%s, %s)", provenance.Own(best.Value), provenance.Own(best.Place), provenance.Own(string(best.How)))
}

// labelText is one line of a label where it stands, in millimetres, its
// letters on y.
type labelText struct {
	page.Face
	x, y float64
	text string
}

// lay places a label's lines: on tape to the right of the code, on a card below
// it. Lines that are too long are set smaller down to 5 points, then cut.
func (l Label) lay(t *page.Typesetter, size Size) (codeX, codeY float64, texts []labelText) {
	const edge = 1.0
	x, y := edge+size.code-1, edge+0.6
	codeX, codeY = 0, (size.Height-size.code)/2
	width := size.Width - x - edge
	if size.Height > size.Width {
		codeX, codeY = (size.Width-size.code)/2, 6
		x, y, width = 10, codeY+size.code+4, size.Width-20
	}
	step := (size.Height - y - edge) / float64(len(l.Lines)+1)
	step = min(step, size.text*1.7*page.Point)
	for i, s := range append([]string{l.Title}, l.Lines...) {
		f := page.Face{Family: page.Sans, Size: size.text}
		if i == 0 || s == "NOT SEALED" {
			f.Style = "B"
		}
		if i == 0 {
			f.Size *= 1.2
		}
		s = page.Settable(page.Clean(s))
		for f.Size > 5 && t.Width(f, s) > width {
			f.Size = max(5, f.Size-0.2)
		}
		y += step
		texts = append(texts, labelText{f, x, y - step*0.25, t.Cut(f, s, width)})
	}
	return codeX, codeY, texts
}

// typesetter starts the page a label is set on.
func (l Label) typesetter(size Size) *page.Typesetter {
	day, err := time.Parse(time.DateOnly, l.AsOf)
	if err != nil {
		day = time.Unix(0, 0).UTC()
	}
	return page.NewTypesetter(size.Paper, day)
}

// WritePDF writes the label as a PDF of one page of its size, with bytes that
// follow from the label alone.
func (l Label) WritePDF(w io.Writer, size Size) error {
	q, err := page.QROf(l.Code)
	if err != nil {
		return err
	}
	t := l.typesetter(size)
	t.SetTitle("Label of "+l.Unit, true)
	t.AddPage()
	x, y, texts := l.lay(t, size)
	t.QR(q, x, y, size.code)
	for _, s := range texts {
		t.Put(s.Face, s.x, s.y, s.text)
	}
	return t.Output(w)
}

// WriteSVG writes the label as an SVG file in millimetres.
func (l Label) WriteSVG(w io.Writer, size Size) error {
	q, err := page.QROf(l.Code)
	if err != nil {
		return err
	}
	x, y, texts := l.lay(l.typesetter(size), size)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g" role="img"><title>%s</title>`,
		size.Width, size.Height, size.Width, size.Height, page.EscapeXML("Label of "+l.Unit))
	fmt.Fprintf(&b, `<path fill="#ffffff" d="M0 0h%gv%gH0z"/>`, size.Width, size.Height)
	fmt.Fprintf(&b, `<path fill="#000000" shape-rendering="crispEdges" transform="translate(%.3f %.3f) scale(%.5f)" d="%s"/>`,
		x, y, size.code/float64(q.Size+2*page.QRQuiet), q.Path())
	for _, s := range texts {
		weight := "normal"
		if s.Style == "B" {
			weight = "bold"
		}
		fmt.Fprintf(&b, `<text x="%.2f" y="%.2f" font-family="Liberation Sans, Arial, Helvetica, sans-serif" font-size="%.3f" font-weight="%s">%s</text>`,
			s.x, s.y, s.Size*page.Point, weight, page.EscapeXML(s.text))
	}
	b.WriteString("</svg>\n")
	_, err = io.WriteString(w, b.String())
	return err
}
