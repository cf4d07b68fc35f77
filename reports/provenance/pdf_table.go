//go:build !js

package provenance

import (
	"slices"
	"strings"

	"benchlore/reports/page"
)

// pdfGutter is what stands between two columns, in millimetres.
const pdfGutter = 3.0

// Table sets a table: its head again on every page it reaches, and no row cut
// by the end of a page unless the row is longer than one.
func (s *pdfSheet) Table(indent int, t *page.Table) { s.setTable(indent, t, 0, nil) }

// readingTable sets readings with a picture of each against its limits.
func (s *pdfSheet) readingTable(rows []ReadingRow, t *page.Table) {
	if !slices.ContainsFunc(rows, func(r ReadingRow) bool { _, ok := r.scale(); return ok }) {
		s.Table(2, t)
		return
	}
	with := &page.Table{Header: append(slices.Clone(t.Header), "○ found ● left"), Right: t.Right}
	for _, row := range t.Rows {
		with.Rows = append(with.Rows, append(slices.Clone(row), ""))
	}
	s.setTable(2, with, markWidth, func(i int, x, y float64) { s.mark(rows[i], x, y) })
}

// setTable sets a table. Where last is above 0 the last column is so wide, its
// cells are empty, and draw draws into row i from x, y being its middle.
func (s *pdfSheet) setTable(indent int, t *page.Table, last float64, draw func(i int, x, y float64)) {
	if len(t.Rows) == 0 {
		return
	}
	s.Line("")
	left := pdfLeft + pdfColumn*float64(indent)
	widths := s.columnWidths(t, s.right()-left, last)
	cells := func(f page.Face, row []string) ([][]string, float64) {
		out := make([][]string, len(row))
		most := 1
		for i, c := range row {
			out[i] = s.pdf.Wrap(f, page.Settable(page.Clean(c)), widths[i])
			most = max(most, len(out[i]))
		}
		return out, f.Leading()*float64(most) + 1.2
	}
	head, headHeight := cells(page.CellBold, t.Header)
	height := headHeight
	_, first := cells(page.CellFace, t.Rows[0])
	for _, row := range t.Rows {
		_, h := cells(page.CellFace, row)
		height += h
	}
	if height > (s.bottom()-pdfTop)/3 { // too long to be worth a gap
		height = headHeight + first
	}
	s.need(height)
	set := func(f page.Face, row [][]string) {
		x := left
		s.ink()
		for i, lines := range row {
			for k, l := range lines {
				at := x
				if slices.Contains(t.Right, i) {
					at += widths[i] - s.pdf.Width(f, l)
				}
				s.pdf.Put(f, at, s.y+0.6+f.Size*0.95*page.Point+f.Leading()*float64(k), l)
			}
			x += widths[i] + pdfGutter
		}
	}
	width := -pdfGutter
	for _, w := range widths {
		width += w + pdfGutter
	}
	stroke := func(weight float64, grey int) {
		s.pdf.SetDrawColor(grey, grey, grey)
		s.pdf.SetLineWidth(weight)
		s.pdf.Line(left, s.y, left+width, s.y)
	}
	setHead := func() {
		set(page.CellBold, head)
		s.y += headHeight
		stroke(0.25, 0x55)
	}
	setHead()
	for i, row := range t.Rows {
		body, h := cells(page.CellFace, row)
		for begun := false; h > 0; begun = true {
			room := s.bottom() - s.y
			part, rest := body, [][]string(nil)
			if h > room {
				if whole := s.bottom() - pdfTop - headHeight; h <= whole || room < 4*page.CellFace.Leading() {
					s.newPage()
					setHead()
					room = s.bottom() - s.y
				}
			}
			if h > room {
				part, rest = split(body, int((room-1.2)/page.CellFace.Leading()))
			}
			set(page.CellFace, part)
			if draw != nil && !begun {
				draw(i, left+width-last, s.y+0.6+page.CellFace.Leading()/2)
			}
			h = 0
			most := 0
			for _, c := range part {
				most = max(most, len(c))
			}
			s.y += page.CellFace.Leading()*float64(max(most, 1)) + 1.2
			stroke(0.1, 0xbb)
			for _, c := range rest {
				if len(c) > 0 {
					h = max(h, page.CellFace.Leading()*float64(len(c))+1.2)
				}
			}
			body = rest
		}
	}
	s.y += 1.5
}

// split takes the first n lines of every cell.
func split(row [][]string, n int) (head, rest [][]string) {
	for _, c := range row {
		k := min(n, len(c))
		head, rest = append(head, c[:k]), append(rest, c[k:])
	}
	return head, rest
}

// columnWidths shares a width among the columns as a text does: the widest
// give way first, and none to below its longest word.
// A last column of a fixed width keeps it.
func (s *pdfSheet) columnWidths(t *page.Table, width, last float64) []float64 {
	n := len(t.Header)
	natural, least := make([]float64, n), make([]float64, n)
	for i, row := range append([][]string{t.Header}, t.Rows...) {
		f := page.CellFace
		if i == 0 {
			f = page.CellBold
		}
		for k, cell := range row {
			cell = page.Settable(page.Clean(cell))
			for _, word := range strings.Fields(cell) {
				least[k] = max(least[k], min(s.pdf.Width(f, word), 40)+0.1)
			}
			whole := s.pdf.Width(f, cell) + 0.1
			if i == 0 { // headings wrap rather than make a column wide
				whole = min(whole, 18)
			}
			natural[k] = max(natural[k], whole, least[k])
		}
	}
	if last > 0 {
		natural[n-1], least[n-1] = last, last
	}
	room := width - pdfGutter*float64(n-1)
	for _, w := range natural {
		room -= w
	}
	for room < 0 {
		widest := -1
		for i, w := range natural {
			if w > least[i] && (widest < 0 || w > natural[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			// Even the longest words do not fit: all give way alike.
			sum := 0.0
			for _, w := range natural {
				sum += w
			}
			for i := range natural {
				natural[i] *= (sum + room) / sum
			}
			break
		}
		step := min(1, -room, natural[widest]-least[widest])
		natural[widest] -= step
		room += step
	}
	return natural
}
