package slate

import (
	"cmp"
	"image"
	"math"
	"slices"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/common"
	"github.com/makiuchi-d/gozxing/qrcode/decoder"
	"github.com/makiuchi-d/gozxing/qrcode/detector"
)

// Seen is what a photograph shows of codes.
type Seen struct {
	Texts  []string // of the codes that were read, each once
	Unread bool     // a code is in it that could not be read
}

// Read looks for QR codes in a photograph. It looks at it in several sizes, one in
// which a slate is found most easily first, and ends with the first in which it
// reads anything.
//
// A slate's code has 21 modules on a side and nothing that shows how it lies in
// perspective but its three corners: the fourth is searched for, and the check says
// when it was found.
func Read(m *image.Gray) Seen {
	var out Seen
	all := levels(m)
	for _, level := range all {
		here := readLevel(level)
		out.Unread = out.Unread || here.Unread
		if len(here.Texts) > 0 {
			return here
		}
	}
	for _, level := range all[:min(len(all), 2)] {
		here := readLevel(sharpened(level))
		out.Unread = out.Unread || here.Unread
		if len(here.Texts) > 0 {
			return here
		}
	}
	return out
}

// sharpened undoes some blur: each pixel is taken away from the mean of the 25 around
// it, twice as far as it is.
func sharpened(m *image.Gray) *image.Gray {
	const reach, n = 2, 25
	w, h := m.Rect.Dx(), m.Rect.Dy()
	out := image.NewGray(image.Rect(0, 0, w, h))
	columns := make([]int, w) // sums of the lines around
	for y := range h {
		clear(columns)
		for v := y - reach; v <= y+reach; v++ {
			row := m.Pix[min(max(v, 0), h-1)*m.Stride:][:w]
			for x, p := range row {
				columns[x] += int(p)
			}
		}
		row, to := m.Pix[y*m.Stride:][:w], out.Pix[y*out.Stride:][:w]
		for x := range to {
			sum := 0
			for u := x - reach; u <= x+reach; u++ {
				sum += columns[min(max(u, 0), w-1)]
			}
			to[x] = uint8(min(max((3*n*int(row[x])-2*sum)/n, 0), 255))
		}
	}
	return out
}

// levels are the picture in halves of its size, none longer than 3200 pixels, those
// near 1400 first. At that size a code of 6 % of a picture's width has four pixels a
// module, and the noise is gone.
func levels(m *image.Gray) []*image.Gray {
	long := func(m *image.Gray) int { return max(m.Rect.Dx(), m.Rect.Dy()) }
	for long(m) > 3200 {
		m = half(m)
	}
	list := []*image.Gray{m}
	for len(list) < 3 && long(m) > 500 {
		m = half(m)
		list = append(list, m)
	}
	slices.SortStableFunc(list, func(a, b *image.Gray) int {
		far := func(m *image.Gray) float64 { return math.Abs(math.Log(float64(long(m)) / 1400)) }
		return cmp.Compare(far(a), far(b))
	})
	return list
}

// half makes one pixel of every four.
func half(m *image.Gray) *image.Gray {
	w, h := m.Rect.Dx()/2, m.Rect.Dy()/2
	out := image.NewGray(image.Rect(0, 0, w, h))
	for y := range h {
		a, b, to := m.Pix[2*y*m.Stride:], m.Pix[(2*y+1)*m.Stride:], out.Pix[y*out.Stride:]
		for x := range w {
			to[x] = uint8((int(a[2*x]) + int(a[2*x+1]) + int(b[2*x]) + int(b[2*x+1]) + 2) / 4)
		}
	}
	return out
}

// source is a picture as the library takes it.
type source struct {
	gozxing.LuminanceSourceBase
	m *image.Gray
}

func (s *source) GetRow(y int, row []byte) ([]byte, error) {
	return append(row[:0], s.m.Pix[y*s.m.Stride:][:s.m.Rect.Dx()]...), nil
}

func (s *source) GetMatrix() []byte {
	w, h := s.m.Rect.Dx(), s.m.Rect.Dy()
	if s.m.Stride == w {
		return s.m.Pix[:w*h]
	}
	out := make([]byte, 0, w*h)
	for y := range h {
		out = append(out, s.m.Pix[y*s.m.Stride:][:w]...)
	}
	return out
}

func (s *source) Invert() gozxing.LuminanceSource { return gozxing.LuminanceSourceInvert(s) }
func (s *source) String() string                  { return gozxing.LuminanceSourceString(s) }

// readLevel looks for codes in a picture of one size.
func readLevel(m *image.Gray) (out Seen) {
	if m.Rect.Dx() < 40 || m.Rect.Dy() < 40 {
		return out
	}
	src := &source{m: m}
	src.LuminanceSourceBase = gozxing.LuminanceSourceBase{Width: m.Rect.Dx(), Height: m.Rect.Dy()}
	black, err := gozxing.NewHybridBinarizer(src).GetBlackMatrix()
	if err != nil {
		return out
	}
	var read, unread []code
	known := func(c code) bool { return slices.ContainsFunc(read, c.shares) }
	for _, c := range candidates(corners(black)) {
		if known(c) {
			continue
		}
		text, looks := readSmall(m, c)
		if text == "" {
			var also bool
			text, also = readAny(black, c)
			looks = looks || also
		}
		switch {
		case text != "":
			read = append(read, c)
			if !slices.Contains(out.Texts, text) {
				out.Texts = append(out.Texts, text)
			}
		case looks:
			unread = append(unread, c)
		}
	}
	out.Unread = slices.ContainsFunc(unread, func(c code) bool { return !known(c) })
	return out
}

// corner is the square in a corner of a code: its middle and the width of a module
// there, in pixels, and how many lines of the picture it was found in.
type corner struct {
	x, y, module float64
	count        int
}

// code is where three corners of a code may be.
type code struct{ topLeft, topRight, bottomLeft *corner }

// shares tells whether two codes have a corner in common.
func (c code) shares(d code) bool {
	for _, p := range []*corner{c.topLeft, c.topRight, c.bottomLeft} {
		if p == d.topLeft || p == d.topRight || p == d.bottomLeft {
			return true
		}
	}
	return false
}

// corners finds the squares in the corners of codes: black and white lie in them
// as 1:1:3:1:1 on every line through their middle (ISO/IEC 18004), and so they do
// however the code is turned and tilted. The library's own search wants them upright.
func corners(black *gozxing.BitMatrix) []*corner {
	var found []*corner
	w, h := black.GetWidth(), black.GetHeight()
	row := gozxing.NewEmptyBitArray()
	for y := 1; y < h; y += 2 {
		row = black.GetRow(y, row)
		var runs [5]int // the last five, from left to right
		x, dark := 0, false
		for x < w {
			from := x
			if dark {
				x = row.GetNextUnset(x)
			} else {
				x = row.GetNextSet(x)
			}
			copy(runs[:], runs[1:])
			runs[4] = x - from
			if dark && runs[0] > 0 && detector.FinderPatternFinder_foundPatternCross(runs[:]) {
				mx := float64(x) - float64(runs[4]+runs[3]) - float64(runs[2])/2
				if c, ok := middle(black, mx, float64(y)+0.5); ok {
					found = add(found, c)
				}
			}
			dark = !dark
		}
	}
	found = slices.DeleteFunc(found, func(p *corner) bool { return p.count < 2 })
	slices.SortStableFunc(found, func(a, b *corner) int { return cmp.Compare(b.count, a.count) })
	return found[:min(len(found), 32)]
}

// middle goes from a point in a corner to its middle, first up and down and then to both
// sides.
func middle(black *gozxing.BitMatrix, x, y float64) (corner, bool) {
	var sizes float64
	for _, upright := range []bool{true, false, true} {
		off, size, ok := across(black, int(x), int(y), upright)
		if !ok {
			return corner{}, false
		}
		if upright {
			y = math.Floor(y) + off
		} else {
			x = math.Floor(x) + off
			sizes = size
		}
		if upright && sizes > 0 {
			if size > 2.5*sizes || sizes > 2.5*size {
				return corner{}, false
			}
			return corner{x, y, (size + sizes) / 2 / 7, 1}, true
		}
	}
	return corner{}, false
}

// across measures the five runs of a corner through a point in one direction. It
// returns how far the middle is from the point's edge, and how long the five are.
func across(black *gozxing.BitMatrix, x, y int, upright bool) (off, size float64, ok bool) {
	n, at := black.GetWidth(), x
	get := func(i int) bool { return black.Get(i, y) }
	if upright {
		n, at = black.GetHeight(), y
		get = func(i int) bool { return black.Get(x, i) }
	}
	if at < 0 || at >= n || !get(at) {
		return 0, 0, false
	}
	run := func(i, step int, dark bool) int {
		for i >= 0 && i < n && get(i) == dark {
			i += step
		}
		return i
	}
	b := run(at, -1, true)
	white := run(b, -1, false)
	first := run(white, -1, true)
	e := run(at, 1, true)
	whiteEnd := run(e, 1, false)
	last := run(whiteEnd, 1, true)
	runs := []int{white - first, b - white, e - b - 1, whiteEnd - e, last - whiteEnd}
	if !detector.FinderPatternFinder_foundPatternCross(runs) {
		return 0, 0, false
	}
	return float64(b+1+e)/2 - float64(at), float64(last - first - 1), true
}

// add puts a corner to those found, or into the one it is.
func add(found []*corner, c corner) []*corner {
	for _, f := range found {
		if math.Abs(f.x-c.x) <= 2*f.module && math.Abs(f.y-c.y) <= 2*f.module && f.module < 2*c.module && c.module < 2*f.module {
			n := float64(f.count)
			f.x, f.y, f.module = (f.x*n+c.x)/(n+1), (f.y*n+c.y)/(n+1), (f.module*n+c.module)/(n+1)
			f.count++
			return found
		}
	}
	return append(found, &c)
}

// candidates are the corners that may belong to one code, those that fit best first.
// Perspective is allowed for.
func candidates(list []*corner) []code {
	type scored struct {
		code
		off float64
	}
	var out []scored
	for _, tl := range list {
		for i, a := range list {
			for _, b := range list[i+1:] {
				if a == tl || b == tl {
					continue
				}
				small, large := min(tl.module, a.module, b.module), max(tl.module, a.module, b.module)
				ux, uy, vx, vy := a.x-tl.x, a.y-tl.y, b.x-tl.x, b.y-tl.y
				u, v := math.Hypot(ux, uy), math.Hypot(vx, vy)
				cosine := (ux*vx + uy*vy) / (u * v)
				apart := (u + v) / (small + large) // in modules, of which a slate has 14
				if large > 2.2*small || min(u, v) <= 0 || max(u, v) > 2*min(u, v) || math.Abs(cosine) > 0.65 || apart < 8 || apart > 100 {
					continue
				}
				c := code{tl, a, b}
				if ux*vy-uy*vx < 0 { // clockwise, as a picture's lines go down
					c.topRight, c.bottomLeft = b, a
				}
				out = append(out, scored{c, large/small + max(u, v)/min(u, v) + math.Abs(cosine)})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b scored) int { return cmp.Compare(a.off, b.off) })
	var list3 []code
	for _, s := range out[:min(len(out), 40)] {
		list3 = append(list3, s.code)
	}
	return list3
}

// side is how many modules a slate has on each side: version 1 of ISO/IEC 18004.
const side = 21

// depths are how much nearer or farther a corner of a slate may be than its first
// one: both ways in steps of 4 %, half of which is half a module at the fourth corner.
var depths = func() []float64 {
	out := []float64{1}
	for d := 1.04; d < 1.7; d *= 1.04 {
		out = append(out, d, 1/d)
	}
	return out
}()

// readSmall reads a slate by its three corners, or another code of that size. It
// returns "" where it is none, and whether it looks like one nonetheless.
func readSmall(m *image.Gray, c code) (text string, looks bool) {
	u := math.Hypot(c.topRight.x-c.topLeft.x, c.topRight.y-c.topLeft.y)
	v := math.Hypot(c.bottomLeft.x-c.topLeft.x, c.bottomLeft.y-c.topLeft.y)
	if (u+v)/2 > 24*(c.topLeft.module+c.topRight.module+c.bottomLeft.module)/3 {
		return "", false
	}
	d := decoder.NewDecoder()
	other := "" // read once
	for n := range 2*len(depths) - 1 {
		for i := max(0, n-len(depths)+1); i <= min(n, len(depths)-1); i++ {
			a, b := depths[i], depths[n-i]
			// Of the corners of a square in perspective, each times its depth, those
			// opposite sum up to the same.
			w := a + b - 1
			if w < 0.4 {
				continue
			}
			x := (a*c.topRight.x + b*c.bottomLeft.x - c.topLeft.x) / w
			y := (a*c.topRight.y + b*c.bottomLeft.y - c.topLeft.y) / w
			t := common.PerspectiveTransform_QuadrilateralToQuadrilateral(3.5, 3.5, side-3.5, 3.5, side-3.5, side-3.5, 3.5, side-3.5,
				c.topLeft.x, c.topLeft.y, c.topRight.x, c.topRight.y, x, y, c.bottomLeft.x, c.bottomLeft.y)
			grid, ok := sample(m, t)
			if !ok {
				continue
			}
			for _, how := range ways {
				bits := how.modules(grid)
				if !regular(bits) {
					continue
				}
				looks = true
				r, err := d.Decode(bits, nil)
				if err != nil {
					continue
				}
				if _, kind := Parse(r.GetText()); kind == Good || kind == Newer {
					return r.GetText(), true
				}
				if r.GetText() != "" && r.GetText() == other {
					return other, true
				}
				other = r.GetText()
			}
		}
	}
	return "", looks
}

// sample takes the brightness of every module of a slate, each from five points.
func sample(m *image.Gray, t *common.PerspectiveTransform) (out [side * side]float64, ok bool) {
	const off = 0.22
	points := make([]float64, 0, 10*side*side)
	for y := range side {
		for x := range side {
			cx, cy := float64(x)+0.5, float64(y)+0.5
			points = append(points, cx, cy, cx-off, cy, cx+off, cy, cx, cy-off, cx, cy+off)
		}
	}
	t.TransformPoints(points)
	w, h := m.Rect.Dx(), m.Rect.Dy()
	for i := range out {
		for k := range 5 {
			x, y := points[10*i+2*k]-0.5, points[10*i+2*k+1]-0.5
			if !(x >= -2 && y >= -2 && x <= float64(w)+1 && y <= float64(h)+1) {
				return out, false
			}
			x, y = min(max(x, 0), float64(w-2)), min(max(y, 0), float64(h-2))
			ix, iy := int(x), int(y)
			fx, fy := x-float64(ix), y-float64(iy)
			p := m.Pix[iy*m.Stride+ix:]
			q := m.Pix[(iy+1)*m.Stride+ix:]
			out[i] += (1-fy)*((1-fx)*float64(p[0])+fx*float64(p[1])) + fy*((1-fx)*float64(q[0])+fx*float64(q[1]))
		}
	}
	return out, true
}

// way is a way to tell black from white.
type way struct {
	sharper float64 // how much of the blur is undone
	ratio   bool    // white and black are told by their ratio, as the edge of a shadow wants it
}

var ways = []way{{0, false}, {0.6, false}, {0, true}, {0.6, true}}

// modules tells black from white, each by the darkest and brightest around it, so
// that a shadow does no harm.
func (how way) modules(grid [side * side]float64) *gozxing.BitMatrix {
	at := func(x, y int) float64 { return grid[min(max(y, 0), side-1)*side+min(max(x, 0), side-1)] }
	var sharp [side * side]float64
	for y := range side {
		for x := range side {
			around := (at(x-1, y) + at(x+1, y) + at(x, y-1) + at(x, y+1)) / 4
			v := at(x, y) + how.sharper*(at(x, y)-around)
			if how.ratio {
				v = math.Log(max(v, 0) + 20)
			}
			sharp[y*side+x] = v
		}
	}
	bits, err := gozxing.NewSquareBitMatrix(side)
	if err != nil {
		panic(err) // the side is positive
	}
	for y := range side {
		for x := range side {
			low, high := math.Inf(1), math.Inf(-1)
			for v := max(0, y-3); v <= min(side-1, y+3); v++ {
				for u := max(0, x-3); u <= min(side-1, x+3); u++ {
					low, high = min(low, sharp[v*side+u]), max(high, sharp[v*side+u])
				}
			}
			if sharp[y*side+x] < (low+high)/2 {
				bits.Set(x, y)
			}
		}
	}
	return bits
}

// readAny reads a code of any size as the library does.
func readAny(black *gozxing.BitMatrix, c code) (text string, looks bool) {
	at := func(p *corner) *detector.FinderPattern {
		return detector.NewFinderPattern(p.x, p.y, p.module, p.count)
	}
	r, err := detector.NewDetector(black).ProcessFinderPatternInfo(detector.NewFinderPatternInfo(at(c.bottomLeft), at(c.topLeft), at(c.topRight)))
	if err != nil {
		return "", false
	}
	bits := r.GetBits()
	looks = regular(bits)
	d, err := decoder.NewDecoder().Decode(bits, nil)
	if err != nil || !looks {
		return "", looks
	}
	return d.GetText(), true
}

// regular tells whether a grid has the corners and the dotted lines between them that
// every code has (ISO/IEC 18004), nine of ten right. Of other things in a picture
// about half are.
func regular(bits *gozxing.BitMatrix) bool {
	n := bits.GetWidth()
	right, all := 0, 0
	check := func(x, y int, dark bool) {
		all++
		if bits.Get(x, y) == dark {
			right++
		}
	}
	for y := range 7 {
		for x := range 7 {
			ring := max(max(x-3, 3-x), max(y-3, 3-y))
			check(x, y, ring != 2)
			check(n-1-x, y, ring != 2)
			check(x, n-1-y, ring != 2)
		}
	}
	lines, linesRight := 0, 0
	for i := 8; i < n-8; i++ {
		for _, p := range [][2]int{{i, 6}, {6, i}} {
			lines++
			if bits.Get(p[0], p[1]) == (i%2 == 0) {
				linesRight++
			}
		}
	}
	return 10*right >= 9*all && 10*linesRight >= 7*lines
}
