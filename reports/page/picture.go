//go:build !js

package page

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"math"
	"strconv"
	"strings"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"benchlore/schema/pattern"
)

// Pictures are drawn in points from the bottom left, in black and greys that
// print and copy, 400 points wide so that the letters stay readable on a
// telephone.
const (
	PictureWidth = 400
	letter       = 10 // points
)

var (
	Ink       = color.Gray{Y: 0x11}
	Quiet     = color.Gray{Y: 0x55} // still 7:1 on white
	Rule      = color.Gray{Y: 0xd0}
	LightBand = color.Gray{Y: 0xe2}
)

// letters are those of the pictures. They measure like Arial and Helvetica, which
// readers have. The plot library's own collection has eleven fonts more, of three and
// a half megabytes.
var letters = sync.OnceValue(func() *font.Cache {
	face, err := opentype.Parse(liberationsansregular.TTF)
	if err != nil {
		panic(err) // the font is part of the program
	}
	return font.NewCache(font.Collection{{Font: font.Font{Typeface: "Liberation", Variant: "Sans"}, Face: face}})
})

// Picture is a drawing with what it shows in words.
type Picture struct {
	svg         *vgsvg.Canvas
	Again       *Recording // the same, to be drawn on other paper
	c           draw.Canvas
	Height      float64
	Title, Desc string
}

func NewPicture(height float64) *Picture {
	w, h := vg.Points(PictureWidth), vg.Points(height)
	svg, again := vgsvg.New(w, h), &Recording{}
	return &Picture{svg: svg, Again: again, c: draw.NewCanvas(vg.MultiCanvas(svg, again), w, h), Height: height}
}

// at is a place counted from the top left.
func (p *Picture) at(x, y float64) vg.Point {
	return vg.Point{X: vg.Points(x), Y: vg.Points(p.Height - y)}
}

func (p *Picture) Line(c color.Color, width float64, dash []float64, xy ...float64) {
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

func (p *Picture) Area(c color.Color, xy ...float64) {
	var points []vg.Point
	for i := 0; i+1 < len(xy); i += 2 {
		points = append(points, p.at(xy[i], xy[i+1]))
	}
	p.c.FillPolygon(c, points)
}

func (p *Picture) Dot(x, y, radius float64) {
	p.c.DrawGlyphNoClip(draw.GlyphStyle{Color: Ink, Radius: vg.Points(radius), Shape: draw.CircleGlyph{}}, p.at(x, y))
}

// Where a text stands from its place: 0 after it, -0.5 in the middle of it, -1
// before it.
const (
	After  = draw.XLeft
	Middle = draw.XCenter
	Before = draw.XRight
)

func style(size float64) draw.TextStyle {
	return draw.TextStyle{Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Points(size)}, Handler: text.Plain{Fonts: letters()}}
}

// Write sets one line with its base at y.
func (p *Picture) Write(c color.Color, x, y float64, align text.XAlignment, s string) {
	st := style(letter)
	st.Color, st.XAlign, st.YAlign = c, align, draw.YBottom
	// YBottom is below the descenders.
	p.c.FillText(st, p.at(x, y+2), s)
}

// LettersWide is how wide a line is.
func LettersWide(s string) float64 { return style(letter).Width(s).Points() }

// Fitted shortens a text to a width.
func Fitted(s string, width float64) string {
	if LettersWide(s) <= width {
		return s
	}
	runes := []rune(s)
	for len(runes) > 0 && LettersWide(string(runes)+"…") > width {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + "…"
}

var (
	svgHead   = pattern.New(`(?s)^.*?<svg [^>]*>`)
	svgStyle  = pattern.New(`style="([^"]*)"`)
	svgFamily = pattern.New(`font-family="[^"]*"`)
)

// Render returns the drawing as SVG for a page, its styles as attributes, which
// a strict content security policy lets through. The id tells the pictures of
// a page apart; alone, the drawing is a file of its own.
func (p *Picture) Render(id string, alone bool) string {
	var b bytes.Buffer
	if _, err := p.svg.WriteTo(&b); err != nil {
		panic(err) // a buffer takes everything
	}
	size := fmt.Sprintf(`viewBox="0 0 %d %g"`, PictureWidth, p.Height)
	if alone {
		size += fmt.Sprintf(` width="%dpt" height="%gpt"`, PictureWidth, p.Height)
	}
	head := fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" %s role="img" aria-labelledby="%s-title %s-desc"><title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		size, id, id, id, html.EscapeString(p.Title), id, html.EscapeString(p.Desc))
	if alone {
		head += fmt.Sprintf(`<rect width="%d" height="%g" fill="#ffffff"/>`, PictureWidth, p.Height)
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

// Axis turns values into places.
type Axis struct {
	Lo, Hi   float64 // values
	From, To float64 // places
	Log      bool
}

func (a Axis) At(v float64) float64 {
	f := (v - a.Lo) / (a.Hi - a.Lo)
	if a.Log {
		f = math.Log(v/a.Lo) / math.Log(a.Hi/a.Lo)
	}
	return a.From + min(max(f, 0), 1)*(a.To-a.From)
}

// Ticks are round values, about n of them; on a log axis the decades.
func (a Axis) Ticks(n int) []float64 {
	var out []float64
	if a.Log {
		from, to := int(math.Round(math.Log10(a.Lo))), int(math.Round(math.Log10(a.Hi)))
		step := max(1, (to-from+n-1)/n)
		for k := from; k <= to; k += step {
			out = append(out, math.Pow10(k))
		}
		return out
	}
	step := RoundStep((a.Hi - a.Lo) / float64(n))
	for k := math.Ceil(a.Lo/step - 1e-9); k*step <= a.Hi*(1+1e-9); k++ {
		out = append(out, k*step+0) // no -0
	}
	return out
}

// RoundStep is the least of 1, 2, 5 times a power of ten that is at least v.
func RoundStep(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*ten >= v*(1-1e-9) {
			return m * ten
		}
	}
	return 10 * ten
}

// TickWords writes the value of a tick.
func TickWords(v float64) string {
	if v >= 1000 && v == math.Trunc(v) && v < 1e7 {
		return Thousands(int(v))
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}

func (p *Picture) Ring(x, y, radius float64) {
	p.c.DrawGlyphNoClip(draw.GlyphStyle{Color: Quiet, Radius: vg.Points(radius), Shape: draw.RingGlyph{}}, p.at(x, y))
}
