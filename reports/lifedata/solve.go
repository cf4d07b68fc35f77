package lifedata

import "math"

// zero finds a zero of f between lo and hi, at which f has different
// signs, by false position with the Illinois rule and bisection where that is
// slow. It stops when the bracket is as narrow as floating point allows.
func zero(f func(float64) float64, lo, hi float64) float64 {
	flo, fhi := f(lo), f(hi)
	if flo == 0 {
		return lo
	}
	if fhi == 0 {
		return hi
	}
	width := math.Abs(hi - lo)
	for i := range 400 {
		x := hi - fhi*(hi-lo)/(fhi-flo)
		if i%3 == 2 {
			if math.Abs(hi-lo) > width/2 {
				x = lo + (hi-lo)/2
			}
			width = math.Abs(hi - lo)
		}
		if !(x > math.Min(lo, hi) && x < math.Max(lo, hi)) {
			x = lo + (hi-lo)/2
		}
		if x == lo || x == hi {
			break
		}
		fx := f(x)
		if fx == 0 {
			return x
		}
		if (fx > 0) == (fhi > 0) {
			hi, fhi = x, fx
			flo /= 2
		} else {
			lo, flo = hi, fhi
			hi, fhi = x, fx
		}
		if math.Abs(hi-lo) <= 4e-16*math.Max(math.Abs(hi), math.Abs(lo)) {
			break
		}
	}
	return hi
}

// profileEnd finds the end of a profile likelihood interval: the place on one
// side of the maximum (dir −1 or +1) where the profile likelihood has fallen
// by drop. profile returns the log likelihood maximised over everything else
// and its slope at x. Newton's method is run on the signed root of the fall,
// which is nearly straight. ok is false if the likelihood never falls so far
// within limit of the maximum, or cannot be followed there.
//
// Source: Venzon and Moolgavkar (1988), Applied Statistics 37, 87–94, for the
// interval; Barndorff-Nielsen and Cox (1994), Inference and Asymptotics, for
// the signed root.
func profileEnd(profile func(x float64) (ll, slope float64, ok bool), best, top, step, drop, dir, limit float64) (end float64, ok bool) {
	want := math.Sqrt(2 * drop)
	inside, outside := best, math.NaN()
	x := best + dir*math.Min(step*want, limit/2)
	for range 200 {
		ll, slope, ok := profile(x)
		if !ok {
			return math.NaN(), false
		}
		root := math.Sqrt(2 * math.Max(top-ll, 0))
		if root < want {
			inside = x
		} else {
			outside = x
		}
		next := math.NaN()
		if root > 0 {
			next = x + (want-root)*root/-slope
		}
		if math.Abs(next-x) <= 1e-13*math.Max(1, math.Abs(x)) {
			return next, true
		}
		switch {
		case math.IsNaN(outside):
			// Not past the end yet: go on, at most as far again as before.
			far := inside + 2*(inside-best)
			if !((next-inside)*dir > 0 && (far-next)*dir > 0) {
				next = far
			}
			if math.Abs(next-best) > limit {
				if math.Abs(inside-best) >= limit {
					return math.NaN(), false
				}
				next = best + dir*limit
			}
		case !((next-inside)*dir > 0 && (outside-next)*dir > 0):
			next = inside + (outside-inside)/2
			if next == inside || next == outside {
				return outside, true
			}
		}
		x = next
	}
	return math.NaN(), false
}
