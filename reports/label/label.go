package label

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchlore/ledger/proof"
	"benchlore/reports/page"
	"benchlore/reports/provenance"
	"benchlore/schema"
)

// Size is the size of a label in millimetres.
type Size struct{ page.Paper }

// Sizes of label by name: those of common label printers' rolls and cards, and of
// ISO 216 sheets. Any other is written the same way, width first.
var (
	Tape = Size{page.Paper{Width: 62, Height: 29}}
	Card = Size{page.Paper{Width: 105, Height: 148}}
	A4   = Size{page.Paper{Width: 210, Height: 297}}
)

// Common are sizes to choose from; the printers of labels that are sold take most of
// them.
var Common = []string{"62x29", "57x32", "89x36", "a6", "a4"}

// ParseSize reads a size in millimetres, width first: 62x29, or the name of a sheet.
func ParseSize(s string) (Size, error) {
	switch s = strings.ToLower(strings.TrimSuffix(strings.TrimSpace(s), "mm")); s {
	case "a6":
		return Card, nil
	case "a4":
		return A4, nil
	}
	var size Size
	w, h, ok := strings.Cut(strings.ReplaceAll(s, "×", "x"), "x")
	var err error
	if ok {
		if size.Width, err = strconv.ParseFloat(strings.TrimSpace(w), 64); err == nil {
			size.Height, err = strconv.ParseFloat(strings.TrimSpace(h), 64)
		}
	}
	if !ok || err != nil {
		return size, fmt.Errorf("%q is not a size in millimetres", s)
	}
	const least, most = 25, 450
	if !(min(size.Width, size.Height) >= least && max(size.Width, size.Height) <= most) {
		return size, fmt.Errorf("a label of %g × %g mm is not between %d and %d mm", size.Width, size.Height, least, most)
	}
	return size, nil
}

// margin is how far from the edge nothing is printed: label printers leave 1.5 mm at
// least, and rolls run askew.
func (s Size) margin() float64 {
	if min(s.Width, s.Height) < 60 {
		return 2
	}
	return 8
}

// upright tells whether the words stand below the code.
func (s Size) upright() bool { return s.Height > s.Width }

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
	if p.State.Power == schema.PowerForbidden {
		add("DO NOT POWER: %s", cmp.Or(provenance.Own(p.State.PowerWhy), "no reason recorded"))
	}
	switch s := p.State; {
	case s.Date != "" && s.OnBenchSince != "":
		add("Released %s: %s", s.Date, provenance.WorksWords(s.Works))
		add("On the bench again since %s", s.OnBenchSince)
	case s.Date != "":
		add("Released %s: %s", s.Date, provenance.WorksWords(s.Works))
	default:
		add("No release is recorded")
	}
	if !slices.ContainsFunc(p.Safety, func(r provenance.SafetyRun) bool { return r.Counts }) {
		add(notTested)
	}
	if first := checkFirst(p); first != "" {
		add("Check first: %s", first)
	}
	add("Head %.12s", head)
	if l.Sealed {
		add("Seal %.16s", statement)
	} else {
		add(notSealed)
	}
	if shop := provenance.Own(p.Shop.Name); shop != "" {
		switch contact := provenance.Own(p.Shop.Contact); {
		case strings.HasPrefix(contact, shop):
			shop = contact
		case contact != "":
			shop += ", " + contact
		}
		add("%s", shop)
	}
	add(available)
	return l
}

// Lines of a label that are set whole.
const (
	notTested = "NOT SAFETY TESTED"
	notSealed = "NOT SEALED"
	available = "History available: ask for the packet"
)

// strong tells whether a line is set bold.
func strong(s string) bool {
	return s == notTested || s == notSealed || strings.HasPrefix(s, "DO NOT POWER")
}

// checkFirst is what the next bench should look at before anything else: what is due,
// what is past due first, else what was known to be bad and left in.
func checkFirst(p *provenance.Report) string {
	best := ""
	for _, passed := range []bool{true, false} {
		for _, d := range p.Due {
			if d.Settled || d.Passed != passed || best != "" {
				continue
			}
			best = provenance.Own(d.What)
			if d.Section != "" {
				best += " (" + provenance.Own(d.Section) + ")"
			}
			if d.When != "" {
				best += ", by " + d.When
			}
		}
	}
	if best == "" && len(p.KnownBad) > 0 {
		best = page.Plural(len(p.KnownBad), "part", "parts") + " known to be bad, see the history"
	}
	return best
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

// captionLines say what the code on a label is for.
var captionLines = []string{"Checks the history:", "benchlore verify --label"}

// place is a code where it stands, its border counted, and its words.
type place struct {
	x, y, size float64 // of the code
	texts      []labelText
}

// lay places a label's code with its caption, and its lines beside it, or below it on
// an upright label.
func (l Label) lay(t *page.Typesetter, size Size, q page.QR) place {
	edge := size.margin()
	caption := page.Face{Family: page.Sans, Size: 5}
	if edge > 2 {
		caption.Size = 8
	}
	under := float64(len(captionLines))*caption.Leading() + 0.6
	black := min(size.Height-2*edge-under, (size.Width-2*edge)*0.4)
	x, y := edge+black+1.8, edge
	if size.upright() {
		black = min(size.Width-2*edge, size.Height*0.42)
		x, y = edge, edge+black+under+1.5
	}
	width := size.Width - edge - x
	out := place{x: edge, y: edge}
	if size.upright() {
		out.x = (size.Width - black) / 2
	}
	middle := out.x + black/2
	for i, s := range captionLines {
		f := caption
		for f.Size > 3.5 && t.Width(f, s) > black+1 {
			f.Size -= 0.1
		}
		out.texts = append(out.texts, labelText{f, middle - t.Width(f, s)/2, edge + black + 0.6 + (float64(i)+0.8)*caption.Leading(), s})
	}
	module := black / float64(q.Size)
	out.x, out.y, out.size = out.x-page.QRQuiet*module, out.y-page.QRQuiet*module, module*float64(q.Size+2*page.QRQuiet)
	points := 8.0
	if edge > 2 {
		points = 12
	}
	out.texts = append(out.texts, fit(t, append([]string{l.Title}, l.Lines...), box{x, y, width, size.Height - edge - y, points, 1.25})...)
	return out
}

// box is where lines are set, in millimetres, with the largest size of letters in
// points and how much larger the first line is.
type box struct {
	x, y, width, height float64
	points, first       float64
}

// fit sets lines into a box, as large as they fit. A line that is too long goes on in the
// next, twice at most; where there is no room at 5 points, it is cut, and the last
// lines are left out. What must be read whole, the first line and warnings, is set smaller.
func fit(t *page.Typesetter, lines []string, in box) []labelText {
	set := func(points float64, most int) (out []labelText, used float64) {
		for i, s := range lines {
			s = page.Settable(page.Clean(s))
			f := page.Face{Family: page.Sans, Size: points}
			if i == 0 {
				f.Style, f.Size = "B", points*in.first
			}
			if strong(s) {
				f.Style = "B"
			}
			var parts []string
			small := f
			for small.Size > 4.7 && t.Width(small, s) > in.width {
				small.Size -= 0.1
			}
			if i == 0 || strong(s) || s == available && t.Width(small, s) <= in.width {
				f = small
				parts = []string{t.Cut(f, s, in.width)}
			} else if parts = t.Wrap(f, s, in.width); len(parts) > most {
				parts = append(parts[:most-1:most-1], t.Cut(f, strings.Join(parts[most-1:], " "), in.width))
			}
			for _, part := range parts {
				out = append(out, labelText{f, in.x, in.y + used + f.Size*0.95*page.Point, part})
				used += f.Size * 1.2 * page.Point
			}
		}
		return out, used
	}
	for points := in.points; points >= 5; points -= 0.2 {
		if out, used := set(points, 3); used <= in.height {
			return out
		}
	}
	for most := 2; ; {
		out, used := set(5, most)
		switch {
		case used <= in.height || len(lines) == 1:
			return out
		case most > 1:
			most--
		default:
			lines = lines[:len(lines)-1]
		}
	}
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
	at := l.lay(t, size, q)
	t.QR(q, at.x, at.y, at.size)
	for _, s := range at.texts {
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
	at := l.lay(l.typesetter(size), size, q)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g" role="img"><title>%s</title>`,
		size.Width, size.Height, size.Width, size.Height, page.EscapeXML("Label of "+l.Unit))
	fmt.Fprintf(&b, `<path fill="#ffffff" d="M0 0h%gv%gH0z"/>`, size.Width, size.Height)
	fmt.Fprintf(&b, `<path fill="#000000" shape-rendering="crispEdges" transform="translate(%.3f %.3f) scale(%.5f)" d="%s"/>`,
		at.x, at.y, at.size/float64(q.Size+2*page.QRQuiet), q.Path())
	for _, s := range at.texts {
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
