package page

import (
	"image"
	"image/color"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// Recording is a canvas that can be drawn again on another one. The plot library has
// one that brings all its fonts along, three megabytes that nothing here is set in.
type Recording struct{ strokes []func(vg.Canvas) }

var _ vg.Canvas = (*Recording)(nil)

// On draws everything again.
func (r *Recording) On(c vg.Canvas) {
	for _, stroke := range r.strokes {
		stroke(c)
	}
}

func (r *Recording) note(stroke func(vg.Canvas)) { r.strokes = append(r.strokes, stroke) }

func (r *Recording) SetLineWidth(w vg.Length) { r.note(func(c vg.Canvas) { c.SetLineWidth(w) }) }

func (r *Recording) SetLineDash(pattern []vg.Length, offset vg.Length) {
	dash := append([]vg.Length(nil), pattern...)
	r.note(func(c vg.Canvas) { c.SetLineDash(dash, offset) })
}

func (r *Recording) SetColor(ink color.Color) { r.note(func(c vg.Canvas) { c.SetColor(ink) }) }
func (r *Recording) Rotate(angle float64)     { r.note(func(c vg.Canvas) { c.Rotate(angle) }) }
func (r *Recording) Translate(to vg.Point)    { r.note(func(c vg.Canvas) { c.Translate(to) }) }
func (r *Recording) Scale(x, y float64)       { r.note(func(c vg.Canvas) { c.Scale(x, y) }) }
func (r *Recording) Push()                    { r.note(func(c vg.Canvas) { c.Push() }) }
func (r *Recording) Pop()                     { r.note(func(c vg.Canvas) { c.Pop() }) }

func (r *Recording) Stroke(path vg.Path) {
	p := append(vg.Path(nil), path...)
	r.note(func(c vg.Canvas) { c.Stroke(p) })
}

func (r *Recording) Fill(path vg.Path) {
	p := append(vg.Path(nil), path...)
	r.note(func(c vg.Canvas) { c.Fill(p) })
}

func (r *Recording) FillString(f font.Face, at vg.Point, text string) {
	r.note(func(c vg.Canvas) { c.FillString(f, at, text) })
}

func (r *Recording) DrawImage(rect vg.Rectangle, img image.Image) {
	r.note(func(c vg.Canvas) { c.DrawImage(rect, img) })
}
