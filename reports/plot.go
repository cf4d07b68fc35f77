package reports

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/recorder"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Pictures are drawn in points from the bottom left, in black and greys that
// print and copy, 400 points wide so that the letters stay readable on a
// telephone.
const (
	pictureWidth = 400
	letter       = 10 // points
)

var (
	ink   = color.Gray{Y: 0x11}
	quiet = color.Gray{Y: 0x55} // still 7:1 on white
	rule  = color.Gray{Y: 0xd0}
	band  = color.Gray{Y: 0xe2}
)

// liberationFonts measure like Arial and Helvetica, which readers have.
var liberationFonts = sync.OnceValue(func() *font.Cache { return font.NewCache(liberation.Collection()) })

// picture is a drawing with what it shows in words.
type picture struct {
	svg         *vgsvg.Canvas
	again       *recorder.Canvas // the same, to be drawn on other paper
	c           draw.Canvas
	height      float64
	title, desc string
}

func newPicture(height float64) *picture {
	w, h := vg.Points(pictureWidth), vg.Points(height)
	svg, again := vgsvg.New(w, h), &recorder.Canvas{}
	return &picture{svg: svg, again: again, c: draw.NewCanvas(vg.MultiCanvas(svg, again), w, h), height: height}
}

// at is a place counted from the top left.
func (p *picture) at(x, y float64) vg.Point {
	return vg.Point{X: vg.Points(x), Y: vg.Points(p.height - y)}
}

func (p *picture) line(c color.Color, width float64, dash []float64, xy ...float64) {
	style := draw.LineStyle{Color: c, Width: vg.Points(width)}
	for _, d := range dash {
		style.Dashes = append(style.Dashes, vg.Points(d))
	}
	var points []vg.Point
	for i := 0; i+1 < len(xy); i += 2 {
		points = append(points, p.at(xy[i], xy[i+1]))
	}
	p.c.StrokeLines(style, points)
}

func (p *picture) area(c color.Color, xy ...float64) {
	var points []vg.Point
	for i := 0; i+1 < len(xy); i += 2 {
		points = append(points, p.at(xy[i], xy[i+1]))
	}
	p.c.FillPolygon(c, points)
}

func (p *picture) dot(x, y, radius float64) {
	p.c.DrawGlyphNoClip(draw.GlyphStyle{Color: ink, Radius: vg.Points(radius), Shape: draw.CircleGlyph{}}, p.at(x, y))
}

// Where a text stands from its place: 0 after it, -0.5 in the middle of it, -1
// before it.
const (
	after  = draw.XLeft
	middle = draw.XCenter
	before = draw.XRight
)

func style(size float64) draw.TextStyle {
	return draw.TextStyle{Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Points(size)}, Handler: text.Plain{Fonts: liberationFonts()}}
}

// write sets one line with its base at y.
func (p *picture) write(c color.Color, x, y float64, align text.XAlignment, s string) {
	st := style(letter)
	st.Color, st.XAlign, st.YAlign = c, align, draw.YBottom
	// YBottom is below the descenders.
	p.c.FillText(st, p.at(x, y+2), s)
}

// lettersWide is how wide a line is.
func lettersWide(s string) float64 { return style(letter).Width(s).Points() }

// fitted shortens a text to a width.
func fitted(s string, width float64) string {
	if lettersWide(s) <= width {
		return s
	}
	runes := []rune(s)
	for len(runes) > 0 && lettersWide(string(runes)+"…") > width {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + "…"
}

var (
	svgHead   = regexp.MustCompile(`(?s)^.*?<svg [^>]*>`)
	svgStyle  = regexp.MustCompile(`style="([^"]*)"`)
	svgFamily = regexp.MustCompile(`font-family="[^"]*"`)
)

// render returns the drawing as SVG for a page, its styles as attributes, which
// a strict content security policy lets through. The id tells the pictures of
// a page apart; alone, the drawing is a file of its own.
func (p *picture) render(id string, alone bool) string {
	var b bytes.Buffer
	if _, err := p.svg.WriteTo(&b); err != nil {
		panic(err) // a buffer takes everything
	}
	size := fmt.Sprintf(`viewBox="0 0 %d %g"`, pictureWidth, p.height)
	if alone {
		size += fmt.Sprintf(` width="%dpt" height="%gpt"`, pictureWidth, p.height)
	}
	head := fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" %s role="img" aria-labelledby="%s-title %s-desc"><title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		size, id, id, id, html.EscapeString(p.title), id, html.EscapeString(p.desc))
	if alone {
		head += fmt.Sprintf(`<rect width="%d" height="%g" fill="#ffffff"/>`, pictureWidth, p.height)
	}
	s := svgHead.ReplaceAllLiteralString(b.String(), head)
	s = svgStyle.ReplaceAllStringFunc(s, func(m string) string {
		var attributes []string
		for _, d := range strings.Split(svgStyle.FindStringSubmatch(m)[1], ";") {
			if name, value, ok := strings.Cut(d, ":"); ok {
				attributes = append(attributes, fmt.Sprintf(`%s="%s"`, strings.TrimSpace(name), strings.TrimSpace(value)))
			}
		}
		return strings.Join(attributes, " ")
	})
	return svgFamily.ReplaceAllLiteralString(s, `font-family="Liberation Sans, Arial, Helvetica, sans-serif"`)
}

// axis turns values into places.
type axis struct {
	lo, hi   float64 // values
	from, to float64 // places
	log      bool
}

func (a axis) at(v float64) float64 {
	f := (v - a.lo) / (a.hi - a.lo)
	if a.log {
		f = math.Log(v/a.lo) / math.Log(a.hi/a.lo)
	}
	return a.from + min(max(f, 0), 1)*(a.to-a.from)
}

// ticks are round values, about n of them; on a log axis the decades.
func (a axis) ticks(n int) []float64 {
	var out []float64
	if a.log {
		from, to := int(math.Round(math.Log10(a.lo))), int(math.Round(math.Log10(a.hi)))
		step := max(1, (to-from+n-1)/n)
		for k := from; k <= to; k += step {
			out = append(out, math.Pow10(k))
		}
		return out
	}
	step := roundStep((a.hi - a.lo) / float64(n))
	for k := math.Ceil(a.lo/step - 1e-9); k*step <= a.hi*(1+1e-9); k++ {
		out = append(out, k*step+0) // no -0
	}
	return out
}

// roundStep is the least of 1, 2, 5 times a power of ten that is at least v.
func roundStep(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*ten >= v*(1-1e-9) {
			return m * ten
		}
	}
	return 10 * ten
}

// tickWords writes the value of a tick.
func tickWords(v float64) string {
	if v >= 1000 && v == math.Trunc(v) && v < 1e7 {
		return thousands(int(v))
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}

func (p *picture) ring(x, y, radius float64) {
	p.c.DrawGlyphNoClip(draw.GlyphStyle{Color: quiet, Radius: vg.Points(radius), Shape: draw.RingGlyph{}}, p.at(x, y))
}
