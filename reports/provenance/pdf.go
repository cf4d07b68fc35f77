//go:build !js

package provenance

import (
	"fmt"
	"io"
	"time"

	"benchlore/reports/page"
)

// PDFOptions says how a report is set as PDF.
type PDFOptions struct {
	Paper page.Paper // zero: A4
	// Code is set as a QR code on page one, "" for none.
	Code string
	// Photos returns a picture of the unit's folder, a JPEG, by its path as the
	// record names it. nil, or an error: the picture is listed and not shown.
	Photos func(path string) ([]byte, error)
}

// WritePDF sets the report as PDF 1.3 and later: the words of WriteText in the
// same order, with the fonts it uses inside, bookmarks, a title and a language.
// Its bytes follow from the report and the options alone.
func (p *Report) WritePDF(w io.Writer, o PDFOptions) error {
	if o.Paper == (page.Paper{}) {
		o.Paper = page.A4
	}
	day, err := time.Parse(time.DateOnly, p.AsOf)
	if err != nil {
		day = time.Unix(0, 0).UTC() // a report without a date still has fixed bytes
	}
	pdf := page.NewTypesetter(o.Paper, day)
	pdf.SetTitle(fmt.Sprintf("%s (%s)", p.heading(), Own(p.Unit.Name)), true)
	pdf.SetAuthor(Own(p.Shop.Name), true)
	pdf.SetSubject("Service history of "+Own(p.Unit.Name)+", "+p.Unit.UUID, true)
	var code *page.QR
	if o.Code != "" {
		q, err := page.QROf(o.Code)
		if err != nil {
			return err
		}
		code = &q
	}
	s := newPDFSheet(p, o, pdf)
	s.front(p.frontSize(o, day, code), code)
	s.size = 1
	s.newPage()
	(&textReport{sheet: s, p: p}).body()
	s.running(p.heading()+" ("+Own(p.Unit.Name)+")", "As of "+p.AsOf)
	return s.pdf.Output(w)
}

// front sets page one with letters of a size.
func (s *pdfSheet) front(size float64, code *page.QR) {
	s.size = size
	s.newPage()
	s.y -= 4 // there is no running head above it
	if code != nil {
		s.code(*code)
	}
	t := &textReport{sheet: s, p: s.p}
	t.title()
	s.y = max(s.y, s.beside+0.8)
	t.facts(pdfColumns, s.p.InShort)
	s.y += 2.5 * size
	if !s.factColumns(s.p.PageOne) {
		t.facts(pdfColumns, s.p.PageOne)
	}
}

// frontSize is how large letters can be for page one to be one page, where
// 7.6 points are enough for that.
func (p *Report) frontSize(o PDFOptions, day time.Time, code *page.QR) float64 {
	trial := page.NewTypesetter(o.Paper, day)
	for _, size := range []float64{1, 0.96, 0.92, 0.88, 0.84, 0.8} {
		before := trial.PageCount()
		newPDFSheet(p, o, trial).front(size, code)
		if trial.PageCount() == before+1 {
			return size
		}
	}
	return 1
}

// pdfBetween is what lies between the two columns of page one.
const pdfBetween = 7.0

// setFact is a fact of page one broken into lines.
type setFact struct {
	label  []string
	lines  [][]string // of each entry
	beside float64    // where a short entry stands behind its label; 0: below it
	marked bool       // entries bear marks
	height float64
}

// tight is the leading of the columns: short lines need less.
func (s *pdfSheet) tight() float64 { return s.body().Leading() * 0.92 }

// breakFact breaks a fact into lines of a column.
func (s *pdfSheet) breakFact(f Fact, width float64) setFact {
	body, bold := s.body(), s.bold()
	x := setFact{label: s.pdf.Wrap(bold, page.Settable(page.Clean(f.Label)), width), marked: len(f.Lines) > 1}
	if f.brief() {
		text := page.Settable(setWords(f.Lines[0]))
		if at := s.pdf.Width(bold, page.Settable(page.Clean(f.Label))) + 3; len(x.label) == 1 && at+s.pdf.Width(body, text) <= width {
			x.beside, x.lines, x.height = at, [][]string{{text}}, s.tight()
			return x
		}
	}
	if x.marked {
		width -= 3
	}
	n := len(x.label)
	for _, e := range f.Lines {
		l := s.pdf.Wrap(body, page.Settable(setWords(e)), width)
		x.lines = append(x.lines, l)
		n += len(l)
	}
	x.height = s.tight() * float64(n)
	return x
}

// factColumns sets facts in two columns that end on this page, and tells
// whether they fit.
func (s *pdfSheet) factColumns(facts []Fact) bool {
	width := (s.o.Paper.Width - pdfLeft - pdfRight - pdfBetween) / 2
	gap := 1.9 * s.size
	var all []setFact
	total := 0.0
	for _, f := range facts {
		x := s.breakFact(f, width)
		all = append(all, x)
		total += x.height + gap
	}
	// The left column takes facts until it is the longer one. Where one of them
	// then runs over, the other may have the room.
	top, best := s.y, -1
	height, longer := 0.0, 0.0
	for i := range len(all) + 1 {
		if l := max(height, total-height); best < 0 || l < longer {
			best, longer = i, l
		}
		if i < len(all) {
			height += all[i].height + gap
		}
	}
	if top+longer-gap > s.bottom() {
		return false
	}
	end := top
	for i, x := range all {
		at := pdfLeft
		if i >= best {
			at += width + pdfBetween
		}
		if i == best {
			end, s.y = s.y, top
		}
		s.setFact(x, at, width)
		s.y += gap
	}
	s.y = max(s.y, end)
	return true
}

// setFact sets a fact at the height reached.
func (s *pdfSheet) setFact(x setFact, at, width float64) {
	body, bold := s.body(), s.bold()
	s.pdf.SetDrawColor(0xb9, 0xbe, 0xc5)
	s.pdf.SetLineWidth(0.15)
	s.pdf.Line(at, s.y-0.7*s.size, at+width, s.y-0.7*s.size)
	s.ink()
	base := func(f page.Face) float64 { return s.y + f.Size*0.95*page.Point }
	if x.beside > 0 {
		s.pdf.Put(bold, at, base(bold), x.label[0])
		s.pdf.Put(body, at+x.beside, base(body), x.lines[0][0])
		s.y += s.tight()
		return
	}
	for _, l := range x.label {
		s.pdf.Put(bold, at, base(bold), l)
		s.y += s.tight()
	}
	for _, lines := range x.lines {
		in := at
		if x.marked {
			s.pdf.Put(body, at, base(body), "•")
			in += 3
		}
		for _, l := range lines {
			s.pdf.Put(body, in, base(body), l)
			s.y += s.tight()
		}
	}
}
