package lifedata

import "math"

// maximize returns the masses that maximise the likelihood.
//
// In place of Σ mass = 1 the total count times Σ mass is subtracted, which at
// the maximum comes to the same. With d the slopes of the log likelihood and
// z ≥ 0 the multipliers of mass ≥ 0, the conditions are d + z = total and
// mass·z = 0; the method follows mass·z = target down to zero.
func (m *intervalModel) maximize() []float64 {
	p := make([]float64, m.n)
	z := make([]float64, m.n)
	for i := range p {
		p[i] = 1 / float64(m.n)
	}
	m.selfConsistent(p, 20)
	for i, d := range m.slopes(p) {
		p[i] = math.Max(p[i], 1e-3/float64(m.n))
		z[i] = math.Max(m.total-d, 0.1*m.total)
	}
	l := newLaplacian(m)
	start := append([]float64(nil), p...)
	best := append([]float64(nil), p...)
	normalize(best)
	better := func(from []float64) {
		if q := m.polish(from, l); m.gap(q) < m.gap(best) {
			best = q
		}
	}
	for range 100 {
		var gap float64
		for i := range p {
			gap += p[i] * z[i]
		}
		if gap < 1e-8*m.total {
			better(p)
			if m.gap(best) <= turnbullGap/10 || gap < 1e-15*m.total {
				break
			}
		}
		if !m.follow(p, z, gap/float64(m.n)/10, l) {
			break
		}
	}
	if !(m.gap(best) <= turnbullGap) {
		better(start)
	}
	return best
}

// selfConsistent runs Turnbull's own iteration, which is slow to converge but
// never wrong in direction.
func (m *intervalModel) selfConsistent(p []float64, times int) {
	for range times {
		for i, d := range m.slopes(p) {
			p[i] *= d / m.total
		}
	}
}

// follow takes one Newton step towards mass·z = target, kept inside the
// bounds and halved until the conditions are closer to being met.
func (m *intervalModel) follow(p, z []float64, target float64, l *laplacian) bool {
	d := m.slopes(p)
	r := make([]float64, m.n)
	for i := range p {
		l.chain[i] = z[i] / p[i]
		r[i] = d[i] - m.total + target/p[i]
	}
	l.weigh(p)
	dp := l.solve(r, 1e-9)

	dz := make([]float64, m.n)
	step := 1.0
	for i := range p {
		dz[i] = target/p[i] - z[i] - z[i]/p[i]*dp[i]
		if dp[i] < 0 {
			step = math.Min(step, -0.99*p[i]/dp[i])
		}
		if dz[i] < 0 {
			step = math.Min(step, -0.99*z[i]/dz[i])
		}
	}
	before := m.miss(p, z, target)
	tp, tz := make([]float64, m.n), make([]float64, m.n)
	for range 40 {
		for i := range p {
			tp[i] = p[i] + step*dp[i]
			tz[i] = z[i] + step*dz[i]
		}
		if m.miss(tp, tz, target) <= (1-0.01*step)*before || step < 1e-8 {
			break
		}
		step /= 2
	}
	if step < 1e-8 || math.IsNaN(step) {
		return false
	}
	copy(p, tp)
	copy(z, tz)
	return true
}

// miss measures how far the conditions are from being met.
func (m *intervalModel) miss(p, z []float64, target float64) float64 {
	var sum float64
	for i, d := range m.slopes(p) {
		dual := m.total - d - z[i]
		pair := p[i]*z[i] - target
		// Both in units of total, the first weighted by the mass it concerns.
		dual *= p[i]
		sum += dual*dual + pair*pair
	}
	return math.Sqrt(sum)
}

// polish drops the masses that the multipliers have driven towards zero and
// solves for the others by Newton's method. It returns masses that add up to
// 1.
func (m *intervalModel) polish(p []float64, l *laplacian) []float64 {
	q := make([]float64, m.n)
	least := 1e-3 / m.total
	for i, v := range p {
		if v >= least {
			q[i] = v
		}
	}
	normalize(q)
	if math.IsInf(m.logLik(q), -1) || math.IsNaN(m.logLik(q)) {
		// Something seen would have no mass at all.
		copy(q, p)
		normalize(q)
		return q
	}
	best, bestGap := append([]float64(nil), q...), m.gap(q)
	for range 12 {
		d := m.slopes(q)
		r := make([]float64, m.n)
		for i := range q {
			l.chain[i] = 0
			r[i] = d[i] - m.total
			if q[i] == 0 {
				l.chain[i] = math.Inf(1)
				r[i] = 0
			}
		}
		l.weigh(q)
		dq := l.solve(r, 1e-12)
		step := 1.0
		for i := range q {
			if dq[i] < 0 {
				step = math.Min(step, -q[i]/dq[i])
			}
		}
		for i := range q {
			if q[i] > 0 {
				q[i] += step * dq[i]
				if step < 1 && q[i] < 1e-14 {
					q[i] = 0
				}
			}
		}
		normalize(q)
		if g := m.gap(q); g < bestGap {
			best, bestGap = append(best[:0], q...), g
		} else if step == 1 {
			break
		}
		if bestGap <= 1e-14 {
			break
		}
	}
	return best
}

func normalize(p []float64) {
	var sum float64
	for _, v := range p {
		sum += v
	}
	for i := range p {
		p[i] /= sum
	}
}

// laplacian solves the Newton equations. The unknowns are the changes of the
// cumulative masses F[1] … F[n]; each observation is a spring between the two
// it runs between, of weight count/mass², and each step one between its
// neighbours, of weight chain (infinite for a mass held at zero).
type laplacian struct {
	m      *intervalModel
	chain  []float64
	weight []float64 // of m.edges

	// Nodes tied by an infinite chain are one.
	node  []int
	nodes int
	diag  []float64
	off   []float64 // between neighbours
	far   []edge    // springs between nodes that are not neighbours
}

func newLaplacian(m *intervalModel) *laplacian {
	return &laplacian{
		m:      m,
		chain:  make([]float64, m.n),
		weight: make([]float64, len(m.edges)),
		node:   make([]int, m.n+1),
		diag:   make([]float64, m.n+1),
		off:    make([]float64, m.n+1),
	}
}

// weigh sets up the matrix at the given masses.
func (l *laplacian) weigh(p []float64) {
	f := cumulate(p)
	l.nodes = 0
	for i, c := range l.chain {
		if !math.IsInf(c, 1) {
			l.nodes++
		}
		l.node[i+1] = l.nodes
	}
	clear(l.diag)
	clear(l.off)
	l.far = l.far[:0]
	for i, c := range l.chain {
		if !math.IsInf(c, 1) {
			l.spring(l.node[i], l.node[i+1], c)
		}
	}
	for i, e := range l.m.edges {
		b := e.between(f, p)
		l.weight[i] = e.count / (b * b)
		if from, to := l.node[e.from], l.node[e.to]; from != to {
			l.spring(from, to, l.weight[i])
		}
	}
}

func (l *laplacian) spring(from, to int, weight float64) {
	l.diag[from] += weight
	l.diag[to] += weight
	if to == from+1 {
		l.off[to] -= weight
	} else if from > 0 { // node 0 is held
		l.far = append(l.far, edge{from, to, weight})
	}
}

// solve returns the changes of the masses for slopes r, by conjugate gradients
// with the tridiagonal part of the matrix as preconditioner; without far
// springs that is the answer at once.
func (l *laplacian) solve(r []float64, tolerance float64) []float64 {
	n := l.nodes
	b := make([]float64, n+1)
	for i := range r {
		if !math.IsInf(l.chain[i], 1) {
			b[l.node[i+1]] += r[i]
			b[l.node[i]] -= r[i]
		}
	}
	b[0] = 0
	// The tridiagonal part, factorised.
	pivot := make([]float64, n+1)
	pivot[0] = 1
	for i := 1; i <= n; i++ {
		pivot[i] = l.diag[i]
		if i > 1 {
			pivot[i] -= l.off[i] * l.off[i] / pivot[i-1]
		}
		if !(pivot[i] > 1e-14*l.diag[i]) {
			pivot[i] = 1e-14*l.diag[i] + math.SmallestNonzeroFloat64
		}
	}
	precondition := func(into, v []float64) {
		copy(into, v)
		for i := 2; i <= n; i++ {
			into[i] -= l.off[i] / pivot[i-1] * into[i-1]
		}
		for i := n; i >= 1; i-- {
			into[i] /= pivot[i]
			if i < n {
				into[i] -= l.off[i+1] / pivot[i] * into[i+1]
			}
		}
	}
	x := make([]float64, n+1)
	s := make([]float64, n+1)
	precondition(s, b)
	if len(l.far) == 0 {
		x = s
	} else {
		l.conjugate(x, b, s, precondition, tolerance)
	}
	change := make([]float64, l.m.n)
	for i := range change {
		if !math.IsInf(l.chain[i], 1) {
			change[i] = x[l.node[i+1]] - x[l.node[i]]
		}
	}
	return change
}

func (l *laplacian) conjugate(x, residual, s []float64, precondition func(into, v []float64), tolerance float64) {
	n := l.nodes
	direction := append([]float64(nil), s...)
	ad := make([]float64, n+1)
	rs := dot(residual, s)
	start := rs
	for range 20*n + 100 {
		if !(rs > tolerance*tolerance*start) {
			break
		}
		l.times(ad, direction)
		a := rs / dot(direction, ad)
		for i := range x {
			x[i] += a * direction[i]
			residual[i] -= a * ad[i]
		}
		precondition(s, residual)
		next := dot(residual, s)
		ratio := next / rs
		for i := range direction {
			direction[i] = s[i] + ratio*direction[i]
		}
		rs = next
	}
}

// times multiplies by the matrix; v[0] is 0.
func (l *laplacian) times(into, v []float64) {
	n := l.nodes
	for i := 1; i <= n; i++ {
		into[i] = l.diag[i] * v[i]
	}
	for i := 2; i <= n; i++ {
		into[i] += l.off[i] * v[i-1]
		into[i-1] += l.off[i] * v[i]
	}
	for _, e := range l.far {
		into[e.from] -= e.count * v[e.to]
		into[e.to] -= e.count * v[e.from]
	}
	into[0] = 0
}

func dot(a, b []float64) float64 {
	var sum float64
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}
