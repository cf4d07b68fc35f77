package reports

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

// breakFact breaks a fact into lines of a column.
func (s *pdfSheet) breakFact(f Fact, width float64) setFact {
	body, bold := s.body(), s.bold()
	x := setFact{label: s.pdf.wrap(bold, settable(clean(f.Label)), width), marked: len(f.Lines) > 1}
	if f.brief() {
		text := settable(setWords(f.Lines[0]))
		if at := s.pdf.width(bold, settable(clean(f.Label))) + 3; len(x.label) == 1 && at+s.pdf.width(body, text) <= width {
			x.beside, x.lines, x.height = at, [][]string{{text}}, body.leading()
			return x
		}
	}
	if x.marked {
		width -= 3
	}
	n := len(x.label)
	for _, e := range f.Lines {
		l := s.pdf.wrap(body, settable(setWords(e)), width)
		x.lines = append(x.lines, l)
		n += len(l)
	}
	x.height = body.leading() * float64(n)
	return x
}

// factColumns sets facts in two columns that end on this page, and tells
// whether they fit.
func (s *pdfSheet) factColumns(facts []Fact) bool {
	width := (s.o.Paper.Width - pdfLeft - pdfRight - pdfBetween) / 2
	gap := 2.2 * s.size
	var all []setFact
	total := 0.0
	for _, f := range facts {
		x := s.breakFact(f, width)
		all = append(all, x)
		total += x.height + gap
	}
	// The left column takes facts until it is the longer one, or full.
	left, height := 0, 0.0
	for left < len(all) && height+all[left].height/2 < total/2 && s.y+height+all[left].height <= s.bottom() {
		height += all[left].height + gap
		left++
	}
	top := s.y
	if top+total-height-gap > s.bottom() {
		return false
	}
	end := top
	for i, x := range all {
		at := pdfLeft
		if i >= left {
			at += width + pdfBetween
		}
		if i == left {
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
	s.pdf.Line(at, s.y-0.9*s.size, at+width, s.y-0.9*s.size)
	s.ink()
	base := func(f face) float64 { return s.y + f.size*0.95*point }
	if x.beside > 0 {
		s.pdf.put(bold, at, base(bold), x.label[0])
		s.pdf.put(body, at+x.beside, base(body), x.lines[0][0])
		s.y += body.leading()
		return
	}
	for _, l := range x.label {
		s.pdf.put(bold, at, base(bold), l)
		s.y += body.leading()
	}
	for _, lines := range x.lines {
		in := at
		if x.marked {
			s.pdf.put(body, at, base(body), "•")
			in += 3
		}
		for _, l := range lines {
			s.pdf.put(body, in, base(body), l)
			s.y += body.leading()
		}
	}
}
