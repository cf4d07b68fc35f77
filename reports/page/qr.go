//go:build !js

package page

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image"
	"io"
	"strings"

	"github.com/boombuler/barcode/qr"
)

// QRQuiet is the width of the white border a code needs, in modules
// (ISO/IEC 18004).
const QRQuiet = 4

// QR is a code as a square of modules, without its border.
type QR struct {
	Size int
	dark []bool // row after row
}

// QROf makes the code of a text, with error correction that survives a scratch
// (level M: 15 %), and of capitals and digits alone a smaller one. It refuses a text too long for a code.
func QROf(s string) (QR, error) {
	c, err := qr.Encode(s, qr.M, qr.Auto)
	if err != nil {
		return QR{}, fmt.Errorf("no QR code holds this text of %d bytes: %w", len(s), err)
	}
	b := c.Bounds()
	q := QR{Size: b.Dx()}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, _, _, _ := c.At(x, y).RGBA()
			q.dark = append(q.dark, r < 0x8000)
		}
	}
	return q, nil
}

// Dark tells whether a module is black.
func (q QR) Dark(x, y int) bool { return q.dark[y*q.Size+x] }

// Rects covers the black modules with rectangles that do not overlap. Runs of
// equal rows are one rectangle, so that no hairlines show between them.
func (q QR) Rects() []image.Rectangle {
	var out []image.Rectangle
	open := map[[2]int]int{} // runs of the row above, by columns
	for y := range q.Size {
		now := map[[2]int]int{}
		for x := 0; x < q.Size; x++ {
			if !q.Dark(x, y) {
				continue
			}
			from := x
			for x < q.Size && q.Dark(x, y) {
				x++
			}
			run := [2]int{from, x}
			i, ok := open[run]
			if !ok {
				i = len(out)
				out = append(out, image.Rect(from, y, x, y))
			}
			out[i].Max.Y = y + 1
			now[run] = i
		}
		open = now
	}
	return out
}

// Path is the code as the data of one SVG path, in modules.
func (q QR) Path() string {
	var b strings.Builder
	for _, r := range q.Rects() {
		fmt.Fprintf(&b, "M%d %dh%dv%dh-%dz", r.Min.X+QRQuiet, r.Min.Y+QRQuiet, r.Dx(), r.Dy(), r.Dx())
	}
	return b.String()
}

// WriteSVG writes the code with its border as one SVG element, without a size of
// its own, fit for a page with a strict content security policy.
func (q QR) WriteSVG(w io.Writer, title string) error {
	n := q.Size + 2*QRQuiet
	_, err := fmt.Fprintf(w, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" shape-rendering="crispEdges"><title>%s</title><path fill="#ffffff" d="M0 0h%dv%dH0z"/><path fill="#000000" d="%s"/></svg>`+"\n",
		n, n, EscapeXML(title), n, n, q.Path())
	return err
}

// QRImage is the code of a text as SVG.
func QRImage(text string) ([]byte, error) {
	q, err := QROf(text)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = q.WriteSVG(&b, "QR code: "+text)
	return b.Bytes(), err
}

// EscapeXML makes a text fit to stand in an element.
func EscapeXML(s string) string {
	var b strings.Builder
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		panic(err) // a builder takes everything
	}
	return b.String()
}
