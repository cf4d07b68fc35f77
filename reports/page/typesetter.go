//go:build !js

package page

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"codeberg.org/go-fonts/liberation/liberationmonoregular"
	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"
)

// Face is a font in a size, in points.
type Face struct {
	Family, Style string
	Size          float64
}

const (
	Sans = "LiberationSans"
	mono = "LiberationMono"
)

var (
	BodyFace    = Face{Sans, "", 9.5}
	BoldFace    = Face{Sans, "B", 9.5}
	TitleFace   = Face{Sans, "B", 15}
	HeadFace    = Face{Sans, "B", 12}
	SubFace     = Face{Sans, "B", 10}
	CellFace    = Face{Sans, "", 8.5}
	CellBold    = Face{Sans, "B", 8.5}
	SmallFace   = Face{Sans, "", 7.5}
	LettersFace = Face{mono, "", 9}
	CodeFace    = Face{mono, "", 8.5}
)

// Point is a point in millimetres: 72 are an inch.
const Point = 25.4 / 72

// Leading is the distance of lines in millimetres.
func (f Face) Leading() float64 { return f.Size * 1.32 * Point }

// Typesetter is a PDF with the fonts the reports use. Measures are in
// millimetres from the top left.
type Typesetter struct {
	*fpdf.Fpdf
	Now Face
}

// NewTypesetter starts a PDF whose bytes depend on nothing but what is set.
func NewTypesetter(p Paper, day time.Time) *Typesetter {
	pdf := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: p.Width, Ht: p.Height}})
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(day)
	pdf.SetModificationDate(day)
	pdf.SetProducer("Benchlore", true)
	pdf.SetLang("en")
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(0, 0, 0)
	pdf.SetCellMargin(0)
	pdf.AddUTF8FontFromBytes(Sans, "", liberationsansregular.TTF)
	pdf.AddUTF8FontFromBytes(Sans, "B", liberationsansbold.TTF)
	pdf.AddUTF8FontFromBytes(mono, "", liberationmonoregular.TTF)
	return &Typesetter{Fpdf: pdf}
}

func (t *Typesetter) use(f Face) {
	if t.Now != f {
		t.SetFont(f.Family, f.Style, f.Size)
		t.Now = f
	}
}

// Width is how wide a text is.
func (t *Typesetter) Width(f Face, s string) float64 {
	t.use(f)
	return t.GetStringWidth(s)
}

// Put sets one line whose letters stand on y.
func (t *Typesetter) Put(f Face, x, y float64, s string) {
	t.use(f)
	t.Text(x, y, s)
}

// Wrap breaks a text at blanks into lines of at most width, and words that
// are wider than a line anywhere.
func (t *Typesetter) Wrap(f Face, s string, width float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		if try := line + " " + word; line != "" && t.Width(f, try) <= width {
			line = try
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for t.Width(f, word) > width {
			n := 0
			for i := range word {
				if i > 0 && t.Width(f, word[:i]) > width {
					break
				}
				n = i
			}
			if n == 0 {
				break // not even one letter fits
			}
			lines = append(lines, word[:n])
			word = word[n:]
		}
		line = word
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// Cut shortens a text to a width.
func (t *Typesetter) Cut(f Face, s string, width float64) string {
	runes := []rune(s)
	if t.Width(f, s) <= width {
		return s
	}
	for len(runes) > 0 && t.Width(f, string(runes)+"…") > width {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + "…"
}

var glyphs = struct {
	sync.Mutex
	font func() *sfnt.Font
	has  map[rune]bool
}{
	font: sync.OnceValue(func() *sfnt.Font {
		f, err := sfnt.Parse(liberationsansregular.TTF)
		if err != nil {
			panic(err) // it is part of the program
		}
		return f
	}),
	has: map[rune]bool{},
}

// Settable composes a text, and writes what the fonts have no letter for by
// its number, so that nothing is lost without a trace.
func Settable(s string) string {
	var b strings.Builder
	for _, r := range norm.NFC.String(s) {
		switch {
		case r < 0x7f:
			b.WriteRune(r)
		case r == '\u00ad' || r == '\u200d':
		case hasGlyph(r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

func hasGlyph(r rune) bool {
	glyphs.Lock()
	defer glyphs.Unlock()
	known, ok := glyphs.has[r]
	if !ok {
		i, err := glyphs.font().GlyphIndex(nil, r)
		known = err == nil && i != 0 && r <= 0xffff // the writer's own bound
		glyphs.has[r] = known
	}
	return known
}

// Paper is the size of a page, width and height in millimetres.
type Paper struct{ Width, Height float64 }

// Sizes of paper: ISO 216 and ANSI/ASME Y14.1.
var (
	A4     = Paper{210, 297}
	Letter = Paper{215.9, 279.4}
)

// QR draws a code with its quiet zone into a square.
func (t *Typesetter) QR(q QR, x, y, size float64) {
	module := size / float64(q.Size+2*QRQuiet)
	t.SetFillColor(0, 0, 0)
	for _, r := range q.Rects() {
		t.Rect(x+module*float64(r.Min.X+QRQuiet), y+module*float64(r.Min.Y+QRQuiet), module*float64(r.Dx()), module*float64(r.Dy()), "F")
	}
}

func (f Face) Sized(by float64) Face {
	f.Size *= by
	return f
}
