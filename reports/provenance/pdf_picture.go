//go:build !js

package provenance

import (
	"image"
	"image/color"
	"math"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"benchlore/reports/page"
)

// pdfPicture draws on a page what pictures are made of: lines, areas and text.
// Places come in points from the picture's lower left.
type pdfPicture struct {
	t           *page.Typesetter
	left, below float64 // of the picture, in millimetres
	scale       float64 // of a point of the picture to one of the page
	now         pdfPen
	stack       []pdfPen
}

// pdfPen is what Push and Pop keep.
type pdfPen struct {
	color  color.Color
	width  vg.Length
	dash   []vg.Length
	offset vg.Length
	at     [6]float64 // as PDF writes a matrix: x' = a x + c y + e
}

// drawPicture sets a picture at the left margin, so high and wide as scale says.
func (s *pdfSheet) drawPicture(p *page.Picture, indent int, scale float64) {
	h := p.Height * scale * page.Point
	s.need(h + 2)
	c := &pdfPicture{t: s.pdf, left: pdfLeft + pdfColumn*float64(indent), below: s.y + h, scale: scale * page.Point,
		now: pdfPen{color: color.Black, width: 1, at: [6]float64{1, 0, 0, 1, 0, 0}}}
	p.Again.On(c)
	s.ink()
	s.pdf.SetDashPattern(nil, 0)
	s.y += h + 1.5
}

// mm is a place on the page.
func (c *pdfPicture) mm(p vg.Point) (x, y float64) {
	m, px, py := c.now.at, p.X.Points(), p.Y.Points()
	return c.left + c.scale*(m[0]*px+m[2]*py+m[4]), c.below - c.scale*(m[1]*px+m[3]*py+m[5])
}

func (c *pdfPicture) SetLineWidth(w vg.Length) { c.now.width = w }

func (c *pdfPicture) SetLineDash(pattern []vg.Length, offset vg.Length) {
	c.now.dash, c.now.offset = pattern, offset
}

func (c *pdfPicture) SetColor(col color.Color) {
	if col == nil {
		col = color.Black
	}
	c.now.color = col
}

func (c *pdfPicture) transform(m [6]float64) {
	a := c.now.at
	c.now.at = [6]float64{
		a[0]*m[0] + a[2]*m[1], a[1]*m[0] + a[3]*m[1],
		a[0]*m[2] + a[2]*m[3], a[1]*m[2] + a[3]*m[3],
		a[0]*m[4] + a[2]*m[5] + a[4], a[1]*m[4] + a[3]*m[5] + a[5],
	}
}

func (c *pdfPicture) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	c.transform([6]float64{cos, sin, -sin, cos, 0, 0})
}

func (c *pdfPicture) Translate(p vg.Point) {
	c.transform([6]float64{1, 0, 0, 1, p.X.Points(), p.Y.Points()})
}

func (c *pdfPicture) Scale(x, y float64) { c.transform([6]float64{x, 0, 0, y, 0, 0}) }

func (c *pdfPicture) Push() { c.stack = append(c.stack, c.now) }

func (c *pdfPicture) Pop() {
	c.now, c.stack = c.stack[len(c.stack)-1], c.stack[:len(c.stack)-1]
}

func (c *pdfPicture) rgb() (r, g, b int) {
	x := color.NRGBAModel.Convert(c.now.color).(color.NRGBA)
	return int(x.R), int(x.G), int(x.B)
}

func (c *pdfPicture) Stroke(p vg.Path) {
	if c.now.width <= 0 {
		return
	}
	c.t.SetDrawColor(c.rgb())
	c.t.SetLineWidth(c.now.width.Points() * c.scale)
	dash := make([]float64, len(c.now.dash))
	for i, d := range c.now.dash {
		dash[i] = d.Points() * c.scale
	}
	c.t.SetDashPattern(dash, c.now.offset.Points()*c.scale)
	c.path(p)
	c.t.DrawPath("D")
}

func (c *pdfPicture) Fill(p vg.Path) {
	c.t.SetFillColor(c.rgb())
	c.path(p)
	c.t.DrawPath("F")
}

// path lays a path. Arcs become cubic curves of a quarter turn at most, which
// miss a circle by less than 0.03 % of its radius.
func (c *pdfPicture) path(p vg.Path) {
	for i, e := range p {
		x, y := c.mm(e.Pos)
		switch e.Type {
		case vg.MoveComp:
			c.t.MoveTo(x, y)
		case vg.LineComp:
			c.t.LineTo(x, y)
		case vg.CurveComp:
			x1, y1 := c.mm(e.Control[0])
			if len(e.Control) == 1 {
				c.t.CurveTo(x1, y1, x, y)
				continue
			}
			x2, y2 := c.mm(e.Control[1])
			c.t.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
		case vg.ArcComp:
			n := max(1, int(math.Ceil(math.Abs(e.Angle)/(math.Pi/2)-1e-9)))
			step := e.Angle / float64(n)
			k := 4.0 / 3 * math.Tan(step/4)
			on := func(angle, tangent float64) (float64, float64) {
				sin, cos := math.Sincos(angle)
				r := e.Radius.Points()
				return c.mm(vg.Point{X: e.Pos.X + vg.Points(r*(cos-tangent*sin)), Y: e.Pos.Y + vg.Points(r*(sin+tangent*cos))})
			}
			x, y := on(e.Start, 0)
			if i == 0 {
				c.t.MoveTo(x, y)
			} else {
				c.t.LineTo(x, y)
			}
			for s := range n {
				from, to := e.Start+float64(s)*step, e.Start+float64(s+1)*step
				x1, y1 := on(from, k)
				x2, y2 := on(to, -k)
				x, y := on(to, 0)
				c.t.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
			}
		case vg.CloseComp:
			c.t.ClosePath()
		}
	}
}

// FillString sets a text upright, whatever the picture was turned to: the
// pictures of reports turn none.
func (c *pdfPicture) FillString(f font.Face, p vg.Point, s string) {
	x, y := c.mm(p)
	c.t.SetTextColor(c.rgb())
	c.t.Put(page.Face{Family: page.Sans, Size: f.Font.Size.Points() * c.scale / page.Point}, x, y, page.Settable(s))
}

// DrawImage does nothing: the pictures of reports hold none.
func (c *pdfPicture) DrawImage(vg.Rectangle, image.Image) {}

// Places of the picture beside a reading, in millimetres.
const (
	markWidth  = 26.0
	markHeight = 2.6
)

// mark draws a reading as found (a ring) and as left (a dot) against its limits
// (the grey band); arrows point to what is off the scale. It draws nothing
// where there is no limit.
func (s *pdfSheet) mark(r ReadingRow, x, y float64) {
	m, ok := r.scale()
	if !ok {
		return
	}
	at := func(v float64) float64 { return x + markWidth*v }
	top, middle := y-markHeight/2, y
	s.pdf.SetFillColor(0xe2, 0xe2, 0xe2)
	s.pdf.Rect(at(m.from), top, at(m.to)-at(m.from), markHeight, "F")
	s.pdf.SetDrawColor(0x55, 0x55, 0x55)
	s.pdf.SetLineWidth(0.12)
	s.pdf.Line(x, middle, x+markWidth, middle)
	s.pdf.SetDrawColor(0x11, 0x11, 0x11)
	for _, v := range []float64{m.from, m.to} {
		if v > 0 && v < 1 {
			s.pdf.Line(at(v), top-0.2, at(v), top+markHeight+0.2)
		}
	}
	for _, v := range []struct {
		v    *ReadingValue
		grey int
	}{{r.Found, 0xff}, {r.Left, 0x11}} {
		if v.v == nil || v.v.Number == nil {
			continue
		}
		s.pdf.SetFillColor(v.grey, v.grey, v.grey)
		switch f := m.at(*v.v.Number); {
		case f < 0.04:
			s.arrow(x+0.2, middle, 1.6)
		case f > 0.96:
			s.arrow(x+markWidth-0.2, middle, -1.6)
		default:
			s.pdf.Circle(at(f), middle, 0.8, "FD")
		}
	}
}

// arrow points at x from the side where long leads to.
func (s *pdfSheet) arrow(x, y, long float64) {
	s.pdf.MoveTo(x, y)
	s.pdf.LineTo(x+long, y-0.9)
	s.pdf.LineTo(x+long, y+0.9)
	s.pdf.ClosePath()
	s.pdf.DrawPath("FD")
}

// readingScale places values beside a reading: what lies between the limits
// takes the same width in every row.
type readingScale struct {
	from, to float64 // shares of the width that the limits enclose
	at       func(float64) float64
}

func (r ReadingRow) scale() (readingScale, bool) {
	var limit *ReadingValue
	for _, v := range []*ReadingValue{r.Found, r.Left} {
		if v != nil && v.Number != nil && (v.LimitLow != nil || v.LimitHigh != nil) {
			limit = v
		}
	}
	if limit == nil {
		return readingScale{}, false
	}
	const a, b = 0.3, 0.7
	low, high := limit.LimitLow, limit.LimitHigh
	switch {
	case low != nil && high != nil && *high > *low:
		return readingScale{a, b, func(v float64) float64 { return a + (v-*low)/(*high-*low)*(b-a) }}, true
	case low != nil && high == nil && *low > 0:
		return readingScale{a, 1, func(v float64) float64 { return a * v / *low }}, true
	case high != nil && low == nil && *high > 0:
		return readingScale{0, b, func(v float64) float64 { return b * v / *high }}, true
	}
	return readingScale{}, false
}
