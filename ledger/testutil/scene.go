package testutil

import (
	"image"
	"math"
	"math/rand/v2"

	"github.com/boombuler/barcode/qr"
)

// Scene is a photograph of a bench, made up: boards, parts and tools as shapes and grain, and on
// them a card with a code where Text is one.
type Scene struct {
	Seed          uint64
	Width, Height int     // pixels
	Text          string  // what the code on the card says; "": no card
	Code          float64 // width of the code without its border, in widths of the picture
	Turn          float64 // degrees, in the plane of the card
	Tilt, Toward  float64 // degrees; the direction that the card tilts to
	Blur          float64 // standard deviation, in pixels
	Shadow        bool    // one lies across the card
	Spoiled       float64 // share of the code that something dark covers
}

// Draw renders the scene as a camera with a field of view of 65 degrees sees it, always the
// same for the same scene. It has one colour, as a bench under a lamp has.
func (s Scene) Draw() *image.YCbCr {
	rnd := rand.New(rand.NewPCG(s.Seed, 11))
	w, h := s.Width, s.Height
	light := make([]float32, w*h)
	ground := 60 + rnd.Float32()*110
	for i := range light {
		light[i] = ground
	}
	for range 120 { // boards, parts and tools
		cx, cy := rnd.IntN(w), rnd.IntN(h)
		sx, sy := 1+rnd.IntN(w/9), 1+rnd.IntN(h/9)
		c := 10 + rnd.Float32()*200
		round := rnd.IntN(2) == 0
		for y := max(0, cy-sy); y < min(h, cy+sy); y++ {
			for x := max(0, cx-sx); x < min(w, cx+sx); x++ {
				dx, dy := float64(x-cx)/float64(sx), float64(y-cy)/float64(sy)
				if !round || dx*dx+dy*dy < 1 {
					light[y*w+x] = c
				}
			}
		}
	}
	if s.Text != "" {
		s.card(rnd, func(x, y int, l float32) { light[y*w+x] = l })
	}
	if s.Shadow {
		angle := rnd.Float64() * math.Pi
		nx, ny := math.Cos(angle), math.Sin(angle)
		deep, soft := 0.3+rnd.Float64()*0.2, float64(w)*(0.005+rnd.Float64()*0.02)
		for y := range h {
			for x := range w {
				d := (float64(x-w/2)*nx + float64(y-h/2)*ny) / soft
				light[y*w+x] *= float32(deep + (1-deep)/(1+math.Exp(-d)))
			}
		}
	}
	gauss(light, w, h, s.Blur)
	out := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	for i, v := range light {
		out.Y[i/w*out.YStride+i%w] = uint8(min(max(v+float32(rnd.NormFloat64()*5), 0), 255)) // with grain
	}
	for i := range out.Cb {
		out.Cb[i], out.Cr[i] = 118, 134
	}
	return out
}

// card puts the card where the camera sees it.
func (s Scene) card(rnd *rand.Rand, put func(x, y int, light float32)) {
	code, err := qr.Encode(s.Text, qr.M, qr.Auto)
	if err != nil {
		panic(err)
	}
	n := code.Bounds().Dx()
	const border = 4
	lines := float64(n)/3 + 2 // of words below the code
	dark := func(x, y float64) bool {
		if x < 0 || y < 0 || x >= float64(n) {
			return false
		}
		if y >= float64(n) {
			k := int((y - float64(n)) / 1.3)
			return k > 0 && k%2 == 1 && y < float64(n)+lines-1 && x < float64(n)*0.8 && int(x*3)%5 != 0
		}
		red, _, _, _ := code.At(int(x), int(y)).RGBA()
		return red < 0x8000
	}
	spoilX, spoilY := rnd.Float64()*float64(n)*(1-s.Spoiled), rnd.Float64()*float64(n)*(1-s.Spoiled)
	rad := math.Pi / 180
	focal := 0.5 / math.Tan(32.5*rad) * float64(s.Width)
	module := s.Code * float64(s.Width) / float64(n) // pixels, before it tilts
	// The card's axes in space, in modules; its middle lies on the camera's axis, a bit aside.
	turn, tilt, toward := s.Turn*rad, s.Tilt*rad, s.Toward*rad
	axis := func(x, y float64) [3]float64 {
		x, y = x*math.Cos(turn)-y*math.Sin(turn), x*math.Sin(turn)+y*math.Cos(turn)
		along := x*math.Cos(toward) + y*math.Sin(toward)
		return [3]float64{x + along*(math.Cos(tilt)-1)*math.Cos(toward), y + along*(math.Cos(tilt)-1)*math.Sin(toward), along * math.Sin(tilt)}
	}
	u, v := axis(1, 0), axis(0, 1)
	z := focal / module // how far away it is, in modules
	free := 0.9 - s.Code*1.5
	ox, oy := (rnd.Float64()-0.5)*max(0, free)*float64(s.Width), (rnd.Float64()-0.5)*max(0, free-0.1)*float64(s.Height)
	normal := [3]float64{u[1]*v[2] - u[2]*v[1], u[2]*v[0] - u[0]*v[2], u[0]*v[1] - u[1]*v[0]}
	middle := [3]float64{ox / module, oy / module, z}
	high := dot(normal, middle)
	at := func(px, py float64) (x, y float64, ok bool) {
		ray := [3]float64{(px - float64(s.Width)/2) / focal, (py - float64(s.Height)/2) / focal, 1}
		down := dot(normal, ray)
		if down == 0 {
			return 0, 0, false
		}
		t := high / down
		p := [3]float64{ray[0]*t - middle[0], ray[1]*t - middle[1], t - middle[2]}
		return dot(p, u) + float64(n)/2, dot(p, v) + float64(n)/2, t > 0
	}
	for py := range s.Height {
		for px := range s.Width {
			if x, y, ok := at(float64(px)+0.5, float64(py)+0.5); !ok || x < -border || y < -border || x > float64(n)+border || y > float64(n)+lines+border {
				continue
			}
			light := float32(0)
			for _, d := range [][2]float64{{0.25, 0.25}, {0.75, 0.25}, {0.25, 0.75}, {0.75, 0.75}} {
				x, y, _ := at(float64(px)+d[0], float64(py)+d[1])
				covered := x >= spoilX && y >= spoilY && x < spoilX+float64(n)*s.Spoiled && y < spoilY+float64(n)*s.Spoiled
				if covered || dark(x, y) {
					light += 35
				} else {
					light += 228
				}
			}
			put(px, py, light/4)
		}
	}
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// gauss blurs a plane.
func gauss(p []float32, w, h int, sigma float64) {
	if sigma <= 0 {
		return
	}
	reach := int(math.Ceil(3 * sigma))
	kernel := make([]float32, 2*reach+1)
	sum := float32(0)
	for i := range kernel {
		kernel[i] = float32(math.Exp(-0.5 * math.Pow(float64(i-reach)/sigma, 2)))
		sum += kernel[i]
	}
	pass := func(n, lines, step, next int) {
		row := make([]float32, n+2*reach)
		for l := range lines {
			for i := range row {
				row[i] = p[l*next+min(max(i-reach, 0), n-1)*step]
			}
			for i := range n {
				v := float32(0)
				for k, weight := range kernel {
					v += weight * row[i+k]
				}
				p[l*next+i*step] = v / sum
			}
		}
	}
	pass(w, h, 1, w)
	pass(h, w, w, 1)
}
