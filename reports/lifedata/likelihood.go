package lifedata

import (
	"math"
	"runtime"
	"sync"
	"sync/atomic"
)

// terms is the Weibull log likelihood of a set of observations, arranged so
// that one pass over it costs one exponential a row. With the cumulative
// hazard H(t) = (t/scale)^shape, an observation that starts to tell at
// start = max(lower, entry) contributes, times its count,
//
//	right-censored  H(entry) − H(lower)
//	exact           H(entry) − H(t) + ln h(t)
//	interval        H(entry) − H(start) + ln(1 − exp(H(start) − H(upper)))
//
// which is the log of the probability of what was seen, given survival to
// entry. Source: Meeker and Escobar (1998), Statistical Methods for
// Reliability Data, sections 2.4 and 11.6.
//
// Parameters are mu = ln scale and s = ln shape.
type terms struct {
	// Each age once, so that a pass costs one exponential an age.
	logAge []float64
	weight []float64 // of H(age) in the sum
	atRisk bool      // something is known to have been at risk: a weight was given

	exact   float64 // failures of known age
	sumLogs float64 // of their ages

	intervals []interval

	scratch []hazardAt
}

// interval is count·ln(1 − exp(−(H(to) − H(from)))), places in logAge.
type interval struct {
	from, to int // from is −1 for age 0
	count    float64
}

// hazardAt is H at an age with its products by w = ln H.
type hazardAt struct {
	w, h, hw, hww float64
}

func newTerms(obs []Obs) *terms {
	t := &terms{}
	ages := map[float64]int{}
	place := func(age float64) int {
		i, ok := ages[age]
		if !ok {
			i = len(t.logAge)
			ages[age] = i
			t.logAge = append(t.logAge, math.Log(age))
			t.weight = append(t.weight, 0)
		}
		return i
	}
	seen := map[[2]int]int{}
	for _, o := range obs {
		if !o.informative() {
			continue
		}
		start := o.start()
		if o.Exact() {
			start = o.Upper
			t.exact += o.Count
			t.sumLogs += o.Count * math.Log(o.Upper)
		} else if !o.RightCensored() {
			key := [2]int{-1, place(o.Upper)}
			if start > 0 {
				key[0] = place(start)
			}
			i, ok := seen[key]
			if !ok {
				i = len(t.intervals)
				seen[key] = i
				t.intervals = append(t.intervals, interval{from: key[0], to: key[1]})
			}
			t.intervals[i].count += o.Count
		}
		if start > o.Entry {
			t.atRisk = true
			t.weight[place(start)] -= o.Count
			if o.Entry > 0 {
				t.weight[place(o.Entry)] += o.Count
			}
		}
	}
	t.scratch = make([]hazardAt, len(t.logAge))
	return t
}

// width is the length of an interval in time.
func (t *terms) width(i interval) float64 {
	if i.from < 0 {
		return math.Exp(t.logAge[i.to])
	}
	return math.Exp(t.logAge[i.to]) - math.Exp(t.logAge[i.from])
}

// point is the log likelihood at one place with its derivatives by mu and s.
type point struct {
	mu, s  float64
	ll     float64
	gm, gs float64
	// minus the second derivatives: the observed information
	imm, ims, iss float64
}

func (t *terms) at(mu, s float64) point {
	k := math.Exp(s)
	var s0, s1, s2 float64 // Σ weight·H·w^i
	for _, sum := range inParts(len(t.logAge), func(from, to int) (sum [3]float64) {
		for i := from; i < to; i++ {
			w := k * (t.logAge[i] - mu)
			h := math.Exp(w)
			a := hazardAt{w, h, h * w, h * w * w}
			t.scratch[i] = a
			if c := t.weight[i]; c != 0 {
				sum[0] += c * a.h
				sum[1] += c * a.hw
				sum[2] += c * a.hww
			}
		}
		return sum
	}) {
		s0, s1, s2 = s0+sum[0], s1+sum[1], s2+sum[2]
	}
	start := point{mu: mu, s: s}
	sumW := k * (t.sumLogs - t.exact*mu)
	start.ll = s0 + t.exact*s + sumW - t.sumLogs
	start.gm = -k*s0 - k*t.exact
	start.gs = s1 + t.exact + sumW
	start.imm = -k * k * s0
	start.ims = k * (s1 + s0 + t.exact)
	start.iss = -(s2 + s1 + sumW)
	var p point
	for i, sum := range inParts(len(t.intervals), func(from, to int) (sum point) {
		if from == 0 {
			sum = start
		}
		for _, row := range t.intervals[from:to] {
			d := t.scratch[row.to]
			if row.from >= 0 {
				d = d.less(t.scratch[row.from])
			}
			// The log of 1−exp(−d) and its derivatives by d.
			ll, g := logFailed(d.h)
			gg := g * (1 + g)
			sum.ll += row.count * ll
			sum.gm -= row.count * g * k * d.h
			sum.gs += row.count * g * d.hw
			sum.imm += row.count * k * k * d.h * (gg*d.h - g)
			sum.ims += row.count * k * (g*(d.hw+d.h) - gg*d.h*d.hw)
			sum.iss += row.count * (gg*d.hw*d.hw - g*(d.hww+d.hw))
		}
		return sum
	}) {
		if i == 0 {
			p = sum
			continue
		}
		p.ll, p.gm, p.gs = p.ll+sum.ll, p.gm+sum.gm, p.gs+sum.gs
		p.imm, p.ims, p.iss = p.imm+sum.imm, p.ims+sum.ims, p.iss+sum.iss
	}
	// A place too far out to tell its likelihood from nothing.
	if bad(p.ll) || bad(p.gm) || bad(p.gs) || bad(p.imm) || bad(p.ims) || bad(p.iss) {
		p.ll = math.Inf(-1)
	}
	return p
}

// partLength is how many rows are summed at a time. It is part of the result, in
// its last digits, and does not depend on the machine.
const partLength = 1 << 13

// inParts sums rows in parts of partLength on all processors, and returns the sums
// in order: at least one.
func inParts[T any](n int, sum func(from, to int) T) []T {
	parts := max(1, (n+partLength-1)/partLength)
	out := make([]T, parts)
	if parts == 1 {
		out[0] = sum(0, n)
		return out
	}
	var w sync.WaitGroup
	var next atomic.Int64
	for range min(parts, runtime.GOMAXPROCS(0)) {
		w.Go(func() {
			for i := int(next.Add(1)) - 1; i < parts; i = int(next.Add(1)) - 1 {
				out[i] = sum(i*partLength, min(n, (i+1)*partLength))
			}
		})
	}
	w.Wait()
	return out
}

// less returns the differences of H, H·w and H·w² between two ages.
func (a hazardAt) less(b hazardAt) hazardAt {
	d := hazardAt{h: a.h - b.h, hw: a.hw - b.hw, hww: a.hww - b.hww}
	if b.h > 0.99*a.h {
		d.h = b.h * math.Expm1(a.w-b.w) // the difference would cancel
	}
	return d
}

// newHazardAt returns H at a log age relative to mu, for shape k.
func newHazardAt(k, x float64) hazardAt {
	if math.IsInf(x, -1) {
		return hazardAt{w: x}
	}
	w := k * x
	h := math.Exp(w)
	return hazardAt{w, h, h * w, h * w * w}
}

func bad(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }

// logFailed returns ln(1−exp(−d)) and its derivative by d, 1/(exp(d)−1).
func logFailed(d float64) (ll, slope float64) {
	failed := -math.Expm1(-d)
	return math.Log(failed), (1 - failed) / failed
}

// score returns the derivatives of the log likelihood of one lifetime of o.
func (o Obs) score(mu, s float64) (gm, gs float64) {
	k := math.Exp(s)
	add := func(time, weight float64) {
		if time > 0 {
			w := k * (math.Log(time) - mu)
			e := weight * math.Exp(w)
			gm -= k * e
			gs += e * w
		}
	}
	if o.Exact() {
		add(o.Upper, -1)
		add(o.Entry, 1)
		gm -= k
		gs += 1 + k*(math.Log(o.Upper)-mu)
		return gm, gs
	}
	start := o.start()
	if start > o.Entry {
		add(start, -1)
		add(o.Entry, 1)
	}
	if !o.RightCensored() {
		d := newHazardAt(k, math.Log(o.Upper)-mu).less(newHazardAt(k, math.Log(start)-mu))
		_, g := logFailed(d.h)
		gm -= g * k * d.h
		gs += g * d.hw
	}
	return gm, gs
}

// Bounds for the logarithm of a shape, far outside any life: 1/3000 to 3000.
const maxLogShape = 8

func (t *terms) maximize(p point, moveMu, moveS bool) (point, bool) {
	return maximize(t.at, p, moveMu, moveS, maxLogShape)
}

// maximize finds the maximum of a log likelihood from a starting place by
// Newton's method, each step kept short and halved until the likelihood rises.
// moveMu and moveS say which parameters are free. ok is false if there is no
// maximum to be found with |s| ≤ limit.
func maximize(at func(mu, s float64) point, p point, moveMu, moveS bool, limit float64) (point, bool) {
	for range 200 {
		dm, ds, definite := newtonStep(p, moveMu, moveS)
		slope := p.gm*dm + p.gs*ds // twice the rise Newton expects
		small := math.Abs(dm) <= 1e-10 && math.Abs(ds) <= 1e-10
		next := at(p.mu+dm, p.s+ds)
		for h := 0; !(next.ll >= p.ll+1e-4*slope); h++ {
			if small || slope <= 1e-12*(1+math.Abs(p.ll)) {
				break // the rise is below what the sum resolves
			}
			if h == 60 {
				return p, false
			}
			dm, ds, slope = dm/2, ds/2, slope/2
			next = at(p.mu+dm, p.s+ds)
		}
		if math.IsInf(next.ll, -1) || math.Abs(next.s) > limit {
			return p, false
		}
		done := definite && math.Abs(dm) <= 1e-10 && math.Abs(ds) <= 1e-10
		p = next
		if done {
			return p, true
		}
	}
	return p, false
}

// newtonStep returns the step to the maximum of the quadratic through p, or,
// where that has none, one uphill.
func newtonStep(p point, moveMu, moveS bool) (dm, ds float64, definite bool) {
	switch {
	case moveMu && moveS:
		det := p.imm*p.iss - p.ims*p.ims
		definite = p.imm > 0 && p.iss > 0 && det > 1e-13*p.imm*p.iss
		if !definite {
			// Enough on the diagonal to make it definite.
			add := math.Hypot(p.imm-p.iss, 2*p.ims)/2 - (p.imm+p.iss)/2
			add = math.Max(add, 0) + 0.1*(math.Abs(p.imm)+math.Abs(p.iss)) + 1e-300
			p.imm += add
			p.iss += add
			det = p.imm*p.iss - p.ims*p.ims
		}
		dm = (p.iss*p.gm - p.ims*p.gs) / det
		ds = (p.imm*p.gs - p.ims*p.gm) / det
	case moveMu:
		dm, definite = uphill(p.gm, p.imm)
	default:
		ds, definite = uphill(p.gs, p.iss)
	}
	if long := math.Max(math.Abs(dm)/3, math.Abs(ds)); long > 1 {
		dm /= long
		ds /= long
	}
	return dm, ds, definite
}

func uphill(g, info float64) (step float64, definite bool) {
	if info > 0 {
		return g / info, true
	}
	return math.Copysign(1, g), false
}
