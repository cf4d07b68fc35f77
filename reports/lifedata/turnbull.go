package lifedata

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// TurnbullStep is one innermost interval: (Lower, Upper], or the age itself
// where both are equal. Upper is +Inf for what outlived every observation.
type TurnbullStep struct {
	Lower, Upper float64
	Mass         float64 // probability of failing in it; may be 0
	Survival     float64 // share surviving Upper; not known within the interval
}

// Exact says that the step is at one age.
func (s TurnbullStep) Exact() bool { return s.Lower == s.Upper }

// TurnbullCurve is the nonparametric maximum likelihood estimate of survival.
type TurnbullCurve struct {
	Tally
	Steps  []TurnbullStep
	LogLik float64
	// Gap is how far the curve is from the optimality conditions: with d the
	// derivative of the log likelihood by a mass and N the number of
	// components, the larger of max(d)/N − 1 over all steps and |d/N − 1|
	// over those with mass.
	Gap float64
}

// turnbullGap is the largest Gap that counts as converged.
const turnbullGap = 1e-9

// Turnbull returns the nonparametric maximum likelihood estimate of survival
// from exact, interval-, left- and right-censored ages. All mass lies in the
// innermost intervals, those that begin at the start of some observation and
// end at the end of one with nothing between; how it lies within one is not
// determined. The masses themselves are: every step ends where some observation
// ends, which ties its cumulative mass to a lower one.
//
// The likelihood is maximised by a primal–dual interior-point method in the
// cumulative masses, whose Newton equations are a weighted graph Laplacian
// with an edge for each observation, and then solved on the support alone.
//
// It refuses delayed entry, data without failures, and reports as a refusal
// a curve that does not meet the optimality conditions to 1e-9.
//
// Sources: Peto (1973), Applied Statistics 22, 86–91; Turnbull (1976), Journal
// of the Royal Statistical Society B 38, 290–295; Gentleman and Geyer (1994),
// Biometrika 81, 618–623, for the conditions; Boyd and Vandenberghe (2004),
// Convex Optimization, section 11.7, for the method.
func Turnbull(obs []Obs) (TurnbullCurve, error) {
	if err := checkFit(obs, 0.5); err != nil {
		return TurnbullCurve{}, err
	}
	for _, o := range obs {
		if o.Entry > 0 {
			return TurnbullCurve{}, refuse("some are only at risk from a later age; a curve from intervals needs all from the start")
		}
	}
	c := TurnbullCurve{Tally: TallyOf(obs)}
	if c.Failures == 0 {
		return TurnbullCurve{}, refuse("nothing failed")
	}
	steps, m := innermost(obs)
	masses := m.maximize()
	c.Gap = m.gap(masses)
	if !(c.Gap <= turnbullGap) {
		return TurnbullCurve{}, refuse("the search for the curve did not converge")
	}
	c.LogLik = m.logLik(masses)
	rest := 1.0
	for i := range steps {
		rest -= masses[i]
		steps[i].Mass = masses[i]
		steps[i].Survival = math.Max(rest, 0)
		if rest < 1e-13 || math.IsInf(steps[i].Upper, 1) {
			steps[i].Survival = 0
		}
	}
	c.Steps = steps
	return c, nil
}

// intervalModel is the likelihood Π (F[to] − F[from])^count of cumulative
// masses F[0] = 0 … F[n] = 1.
type intervalModel struct {
	n     int
	edges []edge
	total float64 // Σ count
}

type edge struct {
	from, to int
	count    float64
}

// endpoint is where an observation begins or ends, in the order of age. At
// one age the beginning of an exact observation comes before every end, and
// the beginning of (age, …] after.
type endpoint struct {
	age  float64
	rank int8 // −1 exact begins, 0 ends, 1 begins after the age
}

func (a endpoint) compare(b endpoint) int {
	return cmp.Or(cmp.Compare(a.age, b.age), cmp.Compare(a.rank, b.rank))
}

func ends(o Obs) (begin, end endpoint) {
	begin, end = endpoint{o.Lower, 1}, endpoint{o.Upper, 0}
	if o.Exact() {
		begin.rank = -1
	}
	return begin, end
}

// innermost finds the innermost intervals and says which run of them each
// observation covers.
func innermost(obs []Obs) ([]TurnbullStep, *intervalModel) {
	points := make([]endpoint, 0, 2*len(obs))
	for _, o := range obs {
		if o.informative() {
			begin, end := ends(o)
			points = append(points, begin, end)
		}
	}
	slices.SortFunc(points, endpoint.compare)
	points = slices.Compact(points)
	var steps []TurnbullStep
	var begins, finishes []endpoint
	for i := 1; i < len(points); i++ {
		if points[i-1].rank != 0 && points[i].rank == 0 {
			steps = append(steps, TurnbullStep{Lower: points[i-1].age, Upper: points[i].age})
			begins = append(begins, points[i-1])
			finishes = append(finishes, points[i])
		}
	}
	m := &intervalModel{n: len(steps)}
	for _, o := range obs {
		if !o.informative() {
			continue
		}
		begin, end := ends(o)
		e := edge{
			from:  sort.Search(len(begins), func(i int) bool { return begins[i].compare(begin) >= 0 }),
			to:    sort.Search(len(finishes), func(i int) bool { return finishes[i].compare(end) > 0 }),
			count: o.Count,
		}
		m.edges = append(m.edges, e)
		m.total += o.Count
	}
	m.merge()
	return steps, m
}

// merge makes one edge of those that run between the same two places.
func (m *intervalModel) merge() {
	slices.SortFunc(m.edges, func(a, b edge) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to))
	})
	kept := m.edges[:0]
	for _, e := range m.edges {
		if last := len(kept) - 1; last >= 0 && kept[last].from == e.from && kept[last].to == e.to {
			kept[last].count += e.count
			continue
		}
		kept = append(kept, e)
	}
	m.edges = kept
}

// cumulate returns F, with F[0] = 0.
func cumulate(masses []float64) []float64 {
	f := make([]float64, len(masses)+1)
	for i, p := range masses {
		f[i+1] = f[i] + p
	}
	return f
}

func (m *intervalModel) logLik(masses []float64) float64 {
	f := cumulate(masses)
	var ll float64
	for _, e := range m.edges {
		ll += e.count * math.Log(f[e.to]-f[e.from])
	}
	return ll
}

// slopes returns the derivative of the log likelihood by each mass.
func (m *intervalModel) slopes(masses []float64) []float64 {
	f := cumulate(masses)
	d := make([]float64, m.n+1)
	for _, e := range m.edges {
		g := e.count / e.between(f, masses)
		d[e.from] += g
		d[e.to] -= g
	}
	for i := 1; i < m.n; i++ {
		d[i] += d[i-1]
	}
	return d[:m.n]
}

// between returns the mass that an edge covers; that of a single step is
// taken as it is, since a small one is lost in the difference of two sums.
func (e edge) between(f, masses []float64) float64 {
	if e.to == e.from+1 {
		return masses[e.from]
	}
	return f[e.to] - f[e.from]
}

func (m *intervalModel) gap(masses []float64) float64 {
	var worst float64
	for i, d := range m.slopes(masses) {
		g := d/m.total - 1
		if masses[i] > 0 {
			g = math.Abs(g)
		}
		if !(g <= worst) {
			worst = g
		}
	}
	return worst
}
