package lifedata

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
)

// minFamilies is how many families a ranking needs: below that the spread of
// rates between families cannot be told. Common practice, no source; Gelman
// (2006), Bayesian Analysis 1, 515–534, advises the same number.
const minFamilies = 5

// Ranking is the rates of several families estimated together.
type Ranking struct {
	Level float64
	// The Gamma prior that the families share: its mean, and Spread, the
	// coefficient of variation of rates between families (Shape = 1/Spread²).
	// Where Integrated, these are averages over what the data allow.
	Mean       float64
	Spread     float64
	Integrated bool
	Families   []RankedFamily // in the order given
}

// RankedFamily is one family of a [Ranking]. All figures but DesignEffect are
// zero where Refused says why there are none.
type RankedFamily struct {
	Name         string
	Refused      string
	DesignEffect float64 // the likelihood was raised to the power 1/DesignEffect
	Mean         float64 // of the rate given all data, per unit of time
	Low, High    float64 // equal-tailed interval
	ProbWorst    float64 // probability that no ranked family has a higher rate
}

// RankFamilies estimates the constant failure rates of families that share a
// Gamma prior, each from its likelihood under all kinds of censoring (see
// [FitExponential]), so that a family of which little is known is drawn
// towards the others. Obs.Group is not used.
//
// A likelihood is tempered: divided by its design effect, so that failures
// that come together in a unit do not count as if independent. Where units
// are named the design effect is that of [Exponential], at least 1, times the
// square by which Student's quantile at 95 % for so many units exceeds the
// normal one, since few units tell little of how units differ; a family seen
// in a single unit is not ranked, since nothing tells whether its failures are
// independent. Where no unit is named, or every lifetime is in a unit of its
// own, the design effect is 1.
//
// The prior is the one of greatest marginal likelihood. Where the data leave
// its spread open downwards (no spread at all is within 1.92 of the greatest
// log likelihood), it is integrated over, with uniform priors on the
// logarithm of the mean and on the coefficient of variation from 0.05 to 4.
//
// It returns an error for invalid observations and refuses fewer than five
// families that can be ranked, and families without failures.
//
// Sources: Carlin and Louis (2009), Bayesian Methods for Data Analysis,
// chapter 5, for empirical Bayes; Gelman (2006), Bayesian Analysis 1,
// 515–534, for the prior of the spread; Kish (1965) for design effects.
func RankFamilies(families []Group, level float64) (Ranking, error) {
	if err := checkLevel(level); err != nil {
		return Ranking{}, err
	}
	r := Ranking{Level: level, Families: make([]RankedFamily, len(families))}
	var ranked []int
	var likes []*rateLikelihood
	var failures float64
	for i, f := range families {
		if err := checkObs(f.Obs); err != nil {
			return Ranking{}, fmt.Errorf("family %q: %w", f.Name, err)
		}
		effect, reason, err := tempering(f.Obs)
		if err != nil {
			return Ranking{}, fmt.Errorf("family %q: %w", f.Name, err)
		}
		r.Families[i] = RankedFamily{Name: f.Name, Refused: reason, DesignEffect: effect}
		if reason == "" {
			like := newRateLikelihood(f.Obs, effect)
			ranked = append(ranked, i)
			likes = append(likes, like)
			failures += like.failures
		}
	}
	if len(ranked) < minFamilies {
		return Ranking{}, refuse("%d families can be ranked; a ranking needs at least %d", len(ranked), minFamilies)
	}
	if failures == 0 {
		return Ranking{}, refuse("nothing failed in any family")
	}
	p := newPriorSearch(likes)
	if err := p.search(); err != nil {
		return Ranking{}, err
	}
	r.Integrated = p.open
	mix := p.posterior()
	r.Mean, r.Spread = mix.mean, mix.spread
	for k, i := range ranked {
		f := &r.Families[i]
		f.Mean, f.ProbWorst = mix.means[k], mix.worst[k]
		f.Low = mix.quantile(k, (1-level)/2)
		f.High = mix.quantile(k, (1+level)/2)
	}
	return r, nil
}

// tempering returns the design effect of a family, or why it is not ranked.
func tempering(obs []Obs) (effect float64, reason string, err error) {
	t := TallyOf(obs)
	switch {
	case t.Units == 0:
		return math.NaN(), "no time at risk was observed", nil
	case t.Named && t.Units < 2:
		return math.NaN(), "seen in one unit only, which does not tell whether its failures are independent", nil
	case !t.Clustered():
		return 1, "", nil
	}
	effect = 1
	if t.Failures > 0 {
		e, err := FitExponential(obs, 0.95)
		var refused *Refusal
		switch {
		case err == nil:
			effect = math.Max(1, e.DesignEffect)
		case errors.As(err, &refused):
			effect = t.Failures / float64(t.Failed)
		default:
			return 0, "", err
		}
	}
	few := studentUpper(0.025, float64(t.Units-1)) / normalUpper(0.025)
	return effect * few * few, "", nil
}

// rateLikelihood is the tempered log likelihood of a rate,
//
//	exact·ln λ − exposure·λ + Σ count·ln(1−exp(−λ·width))
type rateLikelihood struct {
	exact, exposure float64
	width, count    []float64
	failures        float64 // tempered

	table       []float64 // its values on the grid; nil without interval-censored failures
	first, last int       // where in the table it is not negligible
}

func newRateLikelihood(obs []Obs, effect float64) *rateLikelihood {
	t := newTerms(obs)
	l := &rateLikelihood{exact: t.exact / effect, exposure: exposure(t) / effect}
	l.failures = l.exact
	widths := map[float64]float64{}
	for _, i := range t.intervals {
		widths[t.width(i)] += i.count / effect
	}
	l.width = slices.Sorted(maps.Keys(widths))
	for _, w := range l.width {
		l.count = append(l.count, widths[w])
		l.failures += widths[w]
	}
	return l
}

func (l *rateLikelihood) at(x, rate float64) float64 {
	v := l.exact*x - l.exposure*rate
	for i, w := range l.width {
		ll, _ := logFailed(rate * w)
		v += l.count[i] * ll
	}
	return v
}

// negligible is how far below its maximum a log likelihood no longer matters.
const negligible = 80

// on returns the log likelihood at every place of a grid. Where it is
// negligible it is continued in a straight line, which is above it, for it is
// concave in the logarithm of the rate.
func (l *rateLikelihood) on(g logGrid) []float64 {
	values := make([]float64, len(g.log))
	middle, _ := slices.BinarySearch(g.log, math.Log(math.Max(l.failures, 1e-3)/l.timeAtRisk()))
	middle = max(1, min(middle, len(g.log)-2))
	most := math.Inf(-1)
	walk := func(from, to, step int) {
		var slope float64
		for i := from; i != to; i += step {
			if slope < 0 && values[i-step] < most-negligible {
				values[i] = values[i-step] + slope
				continue
			}
			values[i] = l.at(g.log[i], g.rate[i])
			if i != from {
				slope = values[i] - values[i-step]
			}
			most = math.Max(most, values[i])
		}
	}
	walk(middle, len(values), 1)
	walk(middle-1, -1, -1)
	return values
}

// tabulate keeps the log likelihood on a grid.
func (l *rateLikelihood) tabulate(g logGrid) {
	l.table = l.on(g)
	most := slices.Max(l.table)
	for l.table[l.first] < most-negligible {
		l.first++
	}
	l.last = len(l.table) - 1
	for l.table[l.last] < most-negligible {
		l.last--
	}
}

// timeAtRisk is the exposure with each failure in an interval at its middle.
func (l *rateLikelihood) timeAtRisk() float64 {
	t := l.exposure
	for i, w := range l.width {
		t += l.count[i] * w / 2
	}
	return t
}

// logGrid is evenly spaced logarithms of rates.
type logGrid struct {
	step float64
	log  []float64
	rate []float64 // exp(log)
}

func newLogGrid(lo, hi, step float64) logGrid {
	g := logGrid{step: step}
	for i := range int((hi-lo)/step) + 2 {
		x := lo + float64(i)*step
		g.log = append(g.log, x)
		g.rate = append(g.rate, math.Exp(x))
	}
	return g
}

// The spreads (coefficients of variation) a prior may have.
const (
	leastSpread = 0.05
	mostSpread  = 4.
)

// priorSearch finds the Gamma prior, whose parameters are the logarithm of
// its mean and its spread.
type priorSearch struct {
	likes  []*rateLikelihood
	pooled float64 // logarithm of the rate of all families together
	grid   logGrid
	values []float64 // scratch, as long as the grid
	best   priorPoint
	open   bool
}

type priorPoint struct {
	logMean, spread float64
	ll              float64 // marginal log likelihood, maximised over the mean
	width           float64 // standard error of logMean given spread
}

func (q priorPoint) gamma() (shape, rate float64) {
	shape = 1 / (q.spread * q.spread)
	return shape, shape / math.Exp(q.logMean)
}

func newPriorSearch(likes []*rateLikelihood) *priorSearch {
	p := &priorSearch{likes: likes}
	var failures, time float64
	for _, l := range likes {
		failures += l.failures
		time += l.timeAtRisk()
	}
	p.pooled = math.Log(failures / time)
	p.grid = p.commonGrid()
	p.values = make([]float64, len(p.grid.log))
	for _, l := range likes {
		if len(l.width) > 0 {
			l.tabulate(p.grid)
		}
	}
	return p
}

// commonGrid returns a grid that holds every posterior under any prior looked at,
// fine enough for the narrowest of them.
func (p *priorSearch) commonGrid() logGrid {
	mean := math.Exp(p.pooled)
	// Priors further off than this fit no family.
	slow, fast := mean/100, mean*100
	leastShape := 1 / (mostSpread * mostSpread)
	lo, hi := math.Inf(1), math.Inf(-1)
	step := 0.1
	for _, l := range p.likes {
		lo = math.Min(lo, math.Log(1e-6/(1/slow+l.timeAtRisk())))
		n := l.failures
		hi = math.Max(hi, math.Log((n+40+9*math.Sqrt(n))/(leastShape/fast+l.exposure)))
		step = math.Min(step, 0.25/math.Sqrt(n+1/(leastSpread*leastSpread)))
	}
	step = math.Max(step, (hi-lo)/10000)
	return newLogGrid(lo, hi, step)
}

// marginal returns the log likelihood of all families under a prior.
func (p *priorSearch) marginal(logMean, spread float64) float64 {
	shape, rate := priorPoint{logMean: logMean, spread: spread}.gamma()
	prior := shape*math.Log(rate) - lgamma(shape)
	var sum float64
	for _, l := range p.likes {
		if l.table == nil {
			sum += prior + lgamma(shape+l.exact) - (shape+l.exact)*math.Log(rate+l.exposure)
			continue
		}
		total, most := p.integrate(l, shape, rate)
		sum += prior + most + math.Log(total)
	}
	return sum
}

// integrate returns ∫ likelihood·λ^shape·exp(−rate·λ) d ln λ as a number
// times exp(most).
func (p *priorSearch) integrate(l *rateLikelihood, shape, rate float64) (total, most float64) {
	most = math.Inf(-1)
	for i := l.first; i <= l.last; i++ {
		v := l.table[i] + shape*p.grid.log[i] - rate*p.grid.rate[i]
		p.values[i] = v
		if v > most {
			most = v
		}
	}
	for _, v := range p.values[l.first : l.last+1] {
		if v > most-50 {
			total += math.Exp(v - most)
		}
	}
	total *= p.grid.step
	return total + math.Exp(p.values[l.first]-most)/(shape+l.failures), most
}

// at finds the best mean for a spread.
func (p *priorSearch) at(spread, from float64) (priorPoint, bool) {
	const h = 1e-3
	surface := func(mu, _ float64) point {
		l, c, r := p.marginal(mu-h, spread), p.marginal(mu, spread), p.marginal(mu+h, spread)
		return point{mu: mu, ll: c, gm: (r - l) / (2 * h), imm: (2*c - l - r) / (h * h)}
	}
	q := surface(from, 0)
	for range 60 {
		step, definite := uphill(q.gm, q.imm)
		step = math.Max(-1, math.Min(1, step))
		next := surface(q.mu+step, 0)
		for next.ll < q.ll && math.Abs(step) > 1e-9 {
			step /= 2
			next = surface(q.mu+step, 0)
		}
		q = next
		if definite && math.Abs(step) < 1e-7 {
			return priorPoint{q.mu, spread, q.ll, 1 / math.Sqrt(q.imm)}, true
		}
	}
	return priorPoint{}, false
}

var errPrior = refuse("the spread of the rates between families cannot be found")

// search finds the prior of greatest marginal likelihood and whether the data
// leave its spread open.
func (p *priorSearch) search() error {
	// The profile over the spread by golden section on its logarithm, from
	// the best of a coarse grid.
	profile := func(u float64) priorPoint {
		q, ok := p.at(math.Exp(u), p.pooled)
		if !ok {
			q.ll = math.Inf(-1)
		}
		return q
	}
	const steps = 12
	lo, hi := math.Log(leastSpread), math.Log(mostSpread)
	var coarse [steps + 1]priorPoint
	best := 0
	for i := range coarse {
		coarse[i] = profile(lo + (hi-lo)*float64(i)/steps)
		if coarse[i].ll > coarse[best].ll {
			best = i
		}
	}
	if math.IsInf(coarse[best].ll, -1) {
		return errPrior
	}
	a := lo + (hi-lo)*float64(max(best-1, 0))/steps
	b := lo + (hi-lo)*float64(min(best+1, steps))/steps
	ratio := (math.Sqrt(5) - 1) / 2
	c, d := b-ratio*(b-a), a+ratio*(b-a)
	pc, pd := profile(c), profile(d)
	for b-a > 1e-6 {
		if pc.ll > pd.ll {
			b, d, pd = d, c, pc
			c = b - ratio*(b-a)
			pc = profile(c)
		} else {
			a, c, pc = c, d, pd
			d = a + ratio*(b-a)
			pd = profile(d)
		}
	}
	p.best = profile((a + b) / 2)
	if coarse[0].ll > p.best.ll {
		p.best = coarse[0]
	}
	p.open = coarse[0].ll > p.best.ll-1.92
	return nil
}

// posterior works out the rates of all families, at the best prior or, where
// the data leave it open, averaged over priors.
func (p *priorSearch) posterior() *rateMixture {
	mix := newRateMixture(p)
	if !p.open {
		mix.add(p.best, 1)
		return mix
	}
	var spreads, weights [24]float64
	quad.Legendre{}.FixedLocations(spreads[:], weights[:], leastSpread, mostSpread)
	type node struct {
		priorPoint
		weight float64
	}
	var nodes []node
	var total float64
	for i, spread := range spreads {
		centre, ok := p.at(spread, p.pooled)
		if !ok {
			continue
		}
		// The mean, by the trapezoidal rule over five standard errors.
		for j := -8; j <= 8; j++ {
			q := centre
			q.logMean += float64(j) * 5. / 8 * centre.width
			weight := weights[i] * centre.width * math.Exp(p.marginal(q.logMean, spread)-p.best.ll)
			nodes = append(nodes, node{q, weight})
			total += weight
		}
	}
	for _, n := range nodes {
		if n.weight > 1e-7*total {
			mix.add(n.priorPoint, n.weight/total)
		}
	}
	return mix
}

// rateMixture is the posterior distribution of each family's rate on a common
// grid, averaged over priors.
type rateMixture struct {
	likes  []*rateLikelihood
	grid   logGrid
	values [][]float64 // log likelihoods on the grid

	mean, spread float64
	means, worst []float64
	below        [][]float64 // cumulative probability at each place of the grid
}

func newRateMixture(p *priorSearch) *rateMixture {
	m := &rateMixture{likes: p.likes, grid: p.grid}
	k := len(p.likes)
	m.means, m.worst = make([]float64, k), make([]float64, k)
	for _, l := range p.likes {
		v := l.table
		if v == nil {
			v = l.on(m.grid)
		}
		m.values = append(m.values, v)
		m.below = append(m.below, make([]float64, len(v)))
	}
	return m
}

// add adds the posterior under one prior.
func (m *rateMixture) add(q priorPoint, weight float64) {
	shape, rate := q.gamma()
	m.mean += weight * math.Exp(q.logMean)
	m.spread += weight * q.spread
	h := m.grid.step
	density := make([][]float64, len(m.likes))
	below := make([][]float64, len(m.likes))
	for k, l := range m.likes {
		f := make([]float64, len(m.values[k]))
		most := math.Inf(-1)
		for i, v := range m.values[k] {
			f[i] = v + shape*m.grid.log[i] - rate*m.grid.rate[i]
			most = math.Max(most, f[i])
		}
		for i, v := range f {
			if f[i] = 0; v > most-200 {
				f[i] = math.Exp(v - most)
			}
		}
		// What lies below the grid falls off as a power of the rate.
		c := make([]float64, len(f))
		c[0] = f[0] / (shape + l.failures)
		total := c[0]
		for i := 1; i < len(f); i++ {
			total += h * (f[i-1] + f[i]) / 2
			// The trapezoid corrected by the slopes at both ends.
			c[i] = total - h*h/12*(slopeAt(f, i, h)-slopeAt(f, 0, h))
		}
		var mean float64
		for i := range f {
			f[i] /= total
			c[i] = math.Max(0, math.Min(1, c[i]/total))
			mean += h * f[i] * m.grid.rate[i]
			m.below[k][i] += weight * c[i]
		}
		m.means[k] += weight * mean
		density[k], below[k] = f, c
	}
	for i := range m.grid.log {
		product := 1.0
		for k := range below {
			product *= below[k][i]
		}
		if product == 0 {
			continue
		}
		for k := range below {
			m.worst[k] += weight * h * density[k][i] * product / below[k][i]
		}
	}
}

func slopeAt(f []float64, i int, h float64) float64 {
	a, b := max(i-1, 0), min(i+1, len(f)-1)
	return (f[b] - f[a]) / (float64(b-a) * h)
}

// quantile returns the rate below which family k lies with probability u.
func (m *rateMixture) quantile(k int, u float64) float64 {
	c := m.below[k]
	if u <= c[0] {
		return m.grid.rate[0] // lower still, and no different from nothing
	}
	lo, hi := 0, len(c)-1
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; c[mid] < u {
			lo = mid
		} else {
			hi = mid
		}
	}
	// A cubic through both places with the slopes there.
	h := m.grid.step
	s0, s1 := slopeAt(c, lo, h)*h, slopeAt(c, hi, h)*h
	excess := func(t float64) float64 {
		a := c[lo] + t*(s0+t*(3*(c[hi]-c[lo])-2*s0-s1+t*(s0+s1-2*(c[hi]-c[lo]))))
		return a - u
	}
	return math.Exp(m.grid.log[lo] + h*zero(excess, 0, 1))
}

func lgamma(x float64) float64 {
	l, _ := math.Lgamma(x)
	return l
}
