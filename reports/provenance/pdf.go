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
