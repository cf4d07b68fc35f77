package photo

import (
	"image"
	"image/draw"
	"math"
	"runtime"
	"sync"
)

// plane is one component of a picture.
type plane struct {
	pix          []byte
	stride, w, h int
}

// planes are a picture as JPEG keeps it: brightness, and two of colour that may be
// smaller. To shrink these takes a fraction of what it takes to shrink red, green and
// blue, and nothing is converted on the way.
type planes [3]plane

// planesOf returns the planes of a picture that is kept so, or grey, else nil. The
// picture is shared.
func planesOf(img image.Image) *planes {
	switch m := img.(type) {
	case *image.YCbCr:
		b := m.Rect
		y, c := m.YOffset(b.Min.X, b.Min.Y), m.COffset(b.Min.X, b.Min.Y)
		across, down := 1, 1
		switch m.SubsampleRatio {
		case image.YCbCrSubsampleRatio422:
			across = 2
		case image.YCbCrSubsampleRatio420:
			across, down = 2, 2
		case image.YCbCrSubsampleRatio440:
			down = 2
		case image.YCbCrSubsampleRatio411:
			across = 4
		case image.YCbCrSubsampleRatio410:
			across, down = 4, 2
		}
		w, h := (b.Dx()+across-1)/across, (b.Dy()+down-1)/down
		return &planes{{m.Y[y:], m.YStride, b.Dx(), b.Dy()}, {m.Cb[c:], m.CStride, w, h}, {m.Cr[c:], m.CStride, w, h}}
	case *image.Gray:
		none := plane{[]byte{128}, 1, 1, 1}
		return &planes{{m.Pix[m.PixOffset(m.Rect.Min.X, m.Rect.Min.Y):], m.Stride, m.Rect.Dx(), m.Rect.Dy()}, none, none}
	}
	return nil
}

// grey is a picture without its colours; it may share its pixels.
func grey(img image.Image) *image.Gray {
	if p := planesOf(img); p != nil {
		return &image.Gray{Pix: p[0].pix, Stride: p[0].stride, Rect: image.Rect(0, 0, p[0].w, p[0].h)}
	}
	out := image.NewGray(image.Rect(0, 0, img.Bounds().Dx(), img.Bounds().Dy()))
	draw.Draw(out, out.Rect, image.White, image.Point{}, draw.Src)
	draw.Draw(out, out.Rect, img, img.Bounds().Min, draw.Over)
	return out
}

// shrunk makes the long side at most so many pixels, and the planes of colour half as large.
func (p *planes) shrunk(side int) *planes {
	w, h := p[0].w, p[0].h
	if long := max(w, h); long > side {
		w, h = max(1, (w*side+long/2)/long), max(1, (h*side+long/2)/long)
	}
	return &planes{p[0].scaled(w, h), p[1].scaled((w+1)/2, (h+1)/2), p[2].scaled((w+1)/2, (h+1)/2)}
}

// upright turns and mirrors a shrunk picture, see upright.
func (p *planes) upright(orientation int) *image.YCbCr {
	for i := range p {
		p[i] = p[i].upright(orientation)
	}
	return &image.YCbCr{Y: p[0].pix, Cb: p[1].pix, Cr: p[2].pix, YStride: p[0].stride, CStride: p[1].stride,
		SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: image.Rect(0, 0, p[0].w, p[0].h)}
}

func (p plane) upright(orientation int) plane {
	if orientation < 2 || orientation > 8 {
		return p
	}
	out := plane{make([]byte, p.w*p.h), p.w, p.w, p.h}
	if orientation >= 5 {
		out.stride, out.w, out.h = p.h, p.h, p.w
	}
	for y := range out.h {
		row := out.pix[y*out.stride:][:out.w]
		for x := range row {
			sx, sy := stored(orientation, p.w, p.h, x, y)
			row[x] = p.pix[sy*p.stride+sx]
		}
	}
	return out
}

// taps are which source pixels make up one, and their weights, 1 being 1<<weightBits.
type taps struct {
	from    int
	weights []int32
}

const weightBits = 14

// tapsOf are the taps of each of n pixels made from of: Catmull and Rom's filter, as wide
// as a pixel that is made where that is larger (E. Catmull, R. Rom, A class of local
// interpolating splines, 1974; the cubic with B = 0, C = 1/2 of D. Mitchell, A. Netravali,
// Reconstruction filters in computer graphics, 1988).
func tapsOf(n, of int) []taps {
	scale := float64(of) / float64(n)
	wide := max(scale, 1)
	out := make([]taps, n)
	for i := range out {
		middle := (float64(i)+0.5)*scale - 0.5
		from, to := int(math.Ceil(middle-2*wide)), int(math.Floor(middle+2*wide))
		weights, sum := make([]float64, min(to, of-1)-max(from, 0)+1), 0.0
		for k := from; k <= to; k++ {
			x, v := math.Abs(float64(k)-middle)/wide, 0.0
			switch {
			case x < 1:
				v = (1.5*x-2.5)*x*x + 1
			case x < 2:
				v = ((-0.5*x+2.5)*x-4)*x + 2
			}
			weights[min(max(k, 0), of-1)-max(from, 0)] += v // the edge goes on outside
			sum += v
		}
		t := taps{max(from, 0), make([]int32, len(weights))}
		whole := int32(0)
		for k, v := range weights {
			t.weights[k] = int32(math.Round(v / sum * (1 << weightBits)))
			whole += t.weights[k]
		}
		t.weights[len(weights)/2] += 1<<weightBits - whole
		out[i] = t
	}
	return out
}

// scaled resamples a plane, in bands of lines on all processors.
func (p plane) scaled(w, h int) plane {
	out := plane{make([]byte, w*h), w, w, h}
	if w == p.w && h == p.h {
		for y := range h {
			copy(out.pix[y*w:][:w], p.pix[y*p.stride:][:w])
		}
		return out
	}
	down, along := tapsOf(h, p.h), tapsOf(w, p.w)
	const line = 8 // bits kept behind the point between the two passes
	band := func(from, to int) {
		sums := make([]int32, p.w)
		for y := from; y < to; y++ {
			clear(sums)
			for k, weight := range down[y].weights {
				row := p.pix[(down[y].from+k)*p.stride:][:len(sums)]
				for x, v := range row {
					sums[x] += weight * int32(v)
				}
			}
			for x := range sums {
				sums[x] >>= weightBits - line
			}
			row := out.pix[y*w:][:w]
			for x, t := range along {
				sum := int64(0)
				for k, v := range sums[t.from:][:len(t.weights)] {
					sum += int64(t.weights[k]) * int64(v)
				}
				row[x] = uint8(min(max((sum+1<<(weightBits+line-1))>>(weightBits+line), 0), 255))
			}
		}
	}
	n := min(runtime.GOMAXPROCS(0), h)
	var wait sync.WaitGroup
	for i := range n {
		wait.Go(func() { band(i*h/n, (i+1)*h/n) })
	}
	wait.Wait()
	return out
}
