//go:build !js

package provenance

import (
	"bytes"
	"fmt"
	"image"
	_ "image/jpeg" // photographs
	"slices"
	"strings"

	"codeberg.org/go-pdf/fpdf"

	"benchlore/reports/page"
)

// Measures of a page, in millimetres.
const (
	pdfLeft   = 20.0
	pdfRight  = 18.0
	pdfTop    = 20.0
	pdfBottom = 19.0
	pdfColumn = 2.0 // a column of a text's indents
	pdfPhoto  = 82.0
	pdfCode   = 27.0

	pdfColumns = 80
)

// pdfSheet sets a report on pages of a PDF.
type pdfSheet struct {
	pdf    *page.Typesetter
	p      *Report
	o      PDFOptions
	size   float64 // of letters and gaps, 1 as a rule
	y      float64 // what comes next stands below it
	begun  bool    // there is a title
	beside float64 // down to here something stands at the right margin
	narrow float64 // and takes this much of the width
	shown  int     // pictures

	// A photograph stands at the left margin between photoY and photoEnd, and
	// there is room beside it.
	besidePhoto      bool
	photoY, photoEnd float64
}

func newPDFSheet(p *Report, o PDFOptions, pdf *page.Typesetter) *pdfSheet {
	return &pdfSheet{pdf: pdf, p: p, o: o, size: 1}
}

func (s *pdfSheet) body() page.Face { return page.BodyFace.Sized(s.size) }
func (s *pdfSheet) bold() page.Face { return page.BoldFace.Sized(s.size) }

func (s *pdfSheet) newPage() {
	s.besidePhoto = false
	s.pdf.AddPage()
	s.y = pdfTop
	s.beside = 0
}

func (s *pdfSheet) bottom() float64 { return s.o.Paper.Height - pdfBottom }

// right is where lines end at the height that has been reached.
func (s *pdfSheet) right() float64 {
	r := s.o.Paper.Width - pdfRight
	if s.y < s.beside {
		r -= s.narrow
	}
	return r
}

// need starts a new page where so much does not fit on this one.
func (s *pdfSheet) need(height float64) {
	if s.y+height > s.bottom() && s.y > pdfTop {
		s.newPage()
	}
}

// running sets the heads and feet, when it is known how many pages there are.
func (s *pdfSheet) running(head, foot string) {
	n := s.pdf.PageCount()
	left, right := pdfLeft, s.o.Paper.Width-pdfRight
	head, foot = page.Settable(head), page.Settable(foot)
	for i := 1; i <= n; i++ {
		s.pdf.SetPage(i)
		s.pdf.Now = page.Face{} // a page begins without a font
		s.pdf.SetTextColor(0x44, 0x44, 0x44)
		if i > 1 {
			s.pdf.Put(page.SmallFace, left, 12, s.pdf.Cut(page.SmallFace, head, right-left))
			s.rule(14, 0.1)
		}
		number := fmt.Sprintf("page %d of %d", i, n)
		y := s.o.Paper.Height - 10
		s.pdf.Put(page.SmallFace, left, y, foot)
		s.pdf.Put(page.SmallFace, right-s.pdf.Width(page.SmallFace, number), y, number)
	}
}

// rule draws a line across the page.
func (s *pdfSheet) rule(y, width float64) {
	s.pdf.SetDrawColor(0x77, 0x77, 0x77)
	s.pdf.SetLineWidth(width)
	s.pdf.Line(pdfLeft, y, s.o.Paper.Width-pdfRight, y)
}

// code sets the QR code at the top right of page one.
func (s *pdfSheet) code(q page.QR) {
	x := s.o.Paper.Width - pdfRight - pdfCode
	s.pdf.QR(q, x, pdfTop-6, pdfCode)
	s.narrow, s.beside = pdfCode+3, pdfTop-6+pdfCode+1
}

// lines sets lines one below the other, together where they are few.
func (s *pdfSheet) lines(f page.Face, x float64, lines []string) {
	h := f.Leading()
	if len(lines) <= 6 {
		s.need(h * float64(len(lines)))
	}
	for i, l := range lines {
		if rest := len(lines) - i; i == 0 || rest == 2 {
			s.need(h * float64(min(2, rest)))
		} else {
			s.need(h)
		}
		s.pdf.Put(f, x, s.y+f.Size*0.95*page.Point, l)
		s.y += h
	}
}

func (s *pdfSheet) ink() { s.pdf.SetTextColor(0x11, 0x11, 0x11) }

func (s *pdfSheet) Heading(text string) {
	text = page.Settable(text)
	f, level := page.HeadFace, 0
	if !s.begun {
		f = page.TitleFace
	}
	s.begun = true
	if s.y > pdfTop {
		s.y += 5
	}
	lines := s.pdf.Wrap(f, text, s.right()-pdfLeft)
	s.need(f.Leading()*float64(len(lines)) + 20)
	s.ink()
	s.pdf.Bookmark(text, level, s.y)
	s.lines(f, pdfLeft, lines)
	if s.y >= s.beside {
		s.rule(s.y+0.4, 0.25)
	}
	s.y += 2.4
}

func (s *pdfSheet) Subheading(text string) {
	text = page.Settable(text)
	s.y += 2.5
	lines := s.pdf.Wrap(page.SubFace, text, s.right()-pdfLeft)
	s.need(page.SubFace.Leading()*float64(len(lines)) + 14)
	s.ink()
	s.pdf.Bookmark(text, 1, s.y)
	s.lines(page.SubFace, pdfLeft, lines)
	s.y += 0.8
}

// Line sets an empty line as a gap; the report has no other lines of its own.
func (s *pdfSheet) Line(text string) {
	if text != "" {
		s.Para(0, text)
		return
	}
	if s.y > pdfTop {
		s.y += 1.4 * s.size
	}
}

func (s *pdfSheet) Para(indent int, text string) { s.block(s.body(), "", indent, text) }

func (s *pdfSheet) Item(indent int, text string) { s.block(s.body(), "•", indent, text) }

func (s *pdfSheet) command(text string) { s.block(page.CodeFace, "", 4, text) }

// block sets a paragraph, behind a mark where it is an entry of a list.
func (s *pdfSheet) block(f page.Face, mark string, indent int, text string) {
	x := pdfLeft + pdfColumn*float64(indent)
	body := x
	if mark != "" {
		body += 3
	}
	lines := s.pdf.Wrap(f, page.Settable(page.Tidy(page.Clean(text))), s.right()-body)
	s.ink()
	if len(lines) == 0 {
		return
	}
	s.need(f.Leading() * float64(min(len(lines), 6)))
	if mark != "" {
		s.pdf.Put(f, x, s.y+f.Size*0.95*page.Point, mark)
	}
	s.lines(f, body, lines)
	s.y += 0.8 * s.size
}

func (s *pdfSheet) Hang(lead string, indent int, text string) {
	f := s.body()
	s.behind(lead, indent, f.Leading(), func(width float64) []string {
		return s.pdf.Wrap(f, page.Settable(page.Tidy(page.Clean(text))), width)
	}, func(x, y float64, line string) { s.pdf.Put(f, x, y, line) })
}

// behind sets lines to the right of a label, or below one that is too long:
// wrap breaks what is to be set, and set sets one line of it.
func (s *pdfSheet) behind(lead string, indent int, leading float64, wrap func(width float64) []string, set func(x, y float64, line string)) {
	f := s.body()
	x := pdfLeft + pdfColumn*float64(len(lead)-len(strings.TrimLeft(lead, " ")))
	body := pdfLeft + pdfColumn*float64(indent)
	lead = page.Settable(page.Clean(lead))
	lines := wrap(s.right() - body)
	s.ink()
	if lead != "" && x+s.pdf.Width(f, lead)+1.5 > body {
		s.need(leading * float64(1+min(len(lines), 5)))
		s.lines(f, x, s.pdf.Wrap(f, lead, s.right()-x))
	} else {
		s.need(leading * float64(min(len(lines), 6)))
		s.pdf.Put(f, x, s.y+f.Size*0.95*page.Point, lead)
	}
	for _, l := range lines {
		s.need(leading)
		set(body, s.y+f.Size*0.95*page.Point, l)
		s.y += leading
	}
	s.y += 0.8 * s.size
}

// Labelled sets one fact of page one: the label in bold, all its entries kept
// together where a page can hold them.
func (s *pdfSheet) Labelled(label string, indent int, entries []string) {
	f, bold := s.body(), s.bold()
	body := pdfLeft + pdfColumn*float64(indent)
	names := s.pdf.Wrap(bold, page.Settable(page.Clean(label)), body-pdfLeft-3)
	x := body
	if len(entries) > 1 {
		x += 3
	}
	gap := 0.5 * s.size
	var all [][]string
	height := 0.0
	for _, e := range entries {
		l := s.pdf.Wrap(f, page.Settable(page.Tidy(page.Clean(e))), s.right()-x)
		all = append(all, l)
		height += f.Leading()*float64(len(l)) + gap
	}
	height = max(height, f.Leading()*float64(len(names)))
	if height < s.bottom()-pdfTop {
		s.need(height)
	}
	if slices.ContainsFunc(s.p.InShort, func(f Fact) bool { return f.Label == label }) && s.y+height <= s.bottom() {
		// The answers in short stand on a tint, one below the other.
		s.pdf.SetFillColor(0xf0, 0xef, 0xe9)
		s.pdf.Rect(pdfLeft-2, s.y-1, s.right()-pdfLeft+4, height+1.8*s.size+0.4, "F")
	}
	s.ink()
	top, first := s.y, s.pdf.PageNo()
	for i, n := range names {
		s.pdf.Put(bold, pdfLeft, s.y+f.Size*0.95*page.Point+f.Leading()*float64(i), n)
	}
	for _, l := range all {
		if len(entries) > 1 {
			s.need(f.Leading() * float64(len(l)))
			s.pdf.Put(f, body, s.y+f.Size*0.95*page.Point, "•")
		}
		s.lines(f, x, l)
		s.y += gap
	}
	if s.pdf.PageNo() == first {
		s.y = max(s.y, top+f.Leading()*float64(len(names)))
	}
}

// Shades of the map: the letter says it, the shade helps the eye.
var letterShades = map[rune][3]int{
	letterOriginal: {0xe3, 0xe0, 0xd6},
	letterNew:      {0xb9, 0xd3, 0xec},
	letterModified: {0xdc, 0xc4, 0xe8},
	letterDonor:    {0xf0, 0xc9, 0xa0},
	letterRepro:    {0xf6, 0xe3, 0xa8},
}

// positionMap sets a row of letters for each kind of reference.
func (s *pdfSheet) positionMap(m MapSection) {
	label := 0
	for _, r := range m.Rows {
		label = max(label, min(page.TextWidth(r.Refs), 20))
	}
	f := page.LettersFace
	for _, r := range m.Rows {
		s.behind("  "+r.Refs, 4+label, f.Leading(), func(width float64) []string {
			return s.pdf.Wrap(f, lettersWords(r.Letters), width)
		}, func(x, y float64, line string) {
			one := s.pdf.Width(f, "N")
			for i, c := range []rune(line) {
				if shade, ok := letterShades[c]; ok {
					s.pdf.SetFillColor(shade[0], shade[1], shade[2])
					s.pdf.Rect(x+one*float64(i), y-f.Leading()*0.75, one, f.Leading()*0.97, "F")
				}
			}
			s.pdf.Put(f, x, y, line)
		})
	}
}

// values draws a table's values, and sets them in rows of twelve, each row
// behind its first position.
func (s *pdfSheet) values(x TableReport) {
	rows := page.BodyFace.Leading() * float64(min(6, (len(x.Values)+11)/12))
	if pic, found := s.p.stripOf(x); pic != nil {
		s.y += 1
		s.need(pic.Height*0.85*page.Point + 8 + rows)
		s.drawPicture(pic, 2, 0.85)
		caption := "In order of position."
		if len(x.LimitSpans) > 0 {
			caption += " Grey: within the limit."
		}
		if len(x.Outside) > 0 {
			caption += " Ringed dots: outside."
		}
		if found != nil {
			caption += " Small rings: as found on " + found.Date + "."
		}
		s.block(page.SmallFace, "", 2, caption)
	}
	f := page.LettersFace
	cells := make([]string, len(x.Values))
	width, label := 0.0, 0.0
	for i, v := range x.Values {
		cells[i] = page.Settable(v)
		if slices.Contains(x.Outside, x.Positions[i]) {
			cells[i] += "*"
		}
		width = max(width, s.pdf.Width(f, cells[i]))
		label = max(label, min(s.pdf.Width(page.BodyFace, page.Settable(x.Positions[i])), 40))
	}
	left := pdfLeft + 2*pdfColumn
	width += 2.5
	per := max(1, min(12, int((s.right()-left-label)/width)))
	s.Line("")
	h := page.BodyFace.Leading()
	s.ink()
	s.need(rows)
	for i := 0; i < len(cells); i += per {
		s.need(h)
		base := s.y + page.BodyFace.Size*0.95*page.Point
		s.pdf.Put(page.BodyFace, left, base, s.pdf.Cut(page.BodyFace, page.Settable(x.Positions[i]), label+0.1))
		for k, v := range cells[i:min(i+per, len(cells))] {
			s.pdf.Put(f, left+label+width*float64(k+1)-s.pdf.Width(f, v), base, v)
		}
		s.y += h
	}
	s.y += 0.8
}

// photo lists a picture and shows it above its words where it is at hand.
func (s *pdfSheet) photo(x PhotoReport, words string) {
	var data []byte
	if s.o.Photos != nil {
		data, _ = s.o.Photos(x.File) // what cannot be had is listed all the same
	}
	c, format, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil || format != "jpeg" || c.Width <= 0 || c.Height <= 0 {
		s.besidePhoto = false
		s.Item(0, words)
		return
	}
	w, h := pdfPhoto, pdfPhoto*float64(c.Height)/float64(c.Width)
	if most := 90.0; h > most {
		w, h = w*most/h, most
	}
	s.shown++
	name := fmt.Sprintf("photo-%d", s.shown)
	o := fpdf.ImageOptions{ImageType: "JPG"}
	s.pdf.RegisterImageOptionsReader(name, o, bytes.NewReader(data))
	lines := s.pdf.Wrap(page.BodyFace, page.Settable(setWords(words)), pdfPhoto)
	height := h + 2 + page.BodyFace.Leading()*float64(len(lines)) + 3
	at := pdfLeft
	if s.besidePhoto && s.photoY+height <= s.bottom() {
		// It stands to the right of the one before.
		at = s.o.Paper.Width - pdfRight - pdfPhoto
		s.y = s.photoY
	} else {
		s.need(height)
		s.photoY = s.y
	}
	top, end := s.photoY, s.photoEnd
	s.pdf.ImageOptions(name, at, top+1, w, h, false, o, 0, "")
	s.y = top + h + 2
	s.ink()
	s.lines(page.BodyFace, at, lines)
	s.y = top + height
	if at > pdfLeft {
		s.y = max(s.y, end)
		s.besidePhoto = false
		return
	}
	s.besidePhoto, s.photoEnd = true, s.y
}
