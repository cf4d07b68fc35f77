package reliability

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
)

// Curve is the share of parts of a group that survive, by age, if nothing else
// removed them.
type Curve struct {
	Method CurveMethod
	Points []CurvePoint
	// Loose are ages between which a Turnbull curve falls without the data
	// saying where.
	Loose [][2]float64
}

// CurveMethod names how a curve was estimated.
type CurveMethod string

const (
	CurveKaplanMeier CurveMethod = "Kaplan-Meier"
	CurveTurnbull    CurveMethod = "Turnbull"
)

// CurvePoint is one step of a curve. Low and High are NaN where the data set
// no limits there.
type CurvePoint struct {
	Time      float64
	Survival  float64 // share surviving Time
	Low, High float64
}

const (
	unitsForCurve = 3   // with failures. Common practice, no source
	mostSteps     = 400 // of a Turnbull curve with limits
)

// curve estimates survival: Kaplan and Meier's estimate from exact ages,
// Turnbull's from intervals. Limits are those of log(-log S). Where a unit
// holds several parts they are widened by the square root of the design effect
// of the rate and by Student's for the normal quantile.
func (l lifetimes) curve(opt Options) (*Curve, string) {
	if why := l.noAge(); why != "" {
		return nil, why
	}
	if n := l.untold(); float64(n) > mostUntold*float64(l.came) {
		return nil, fmt.Sprintf("%s of %s parts were not looked at", page.Thousands(n), page.Thousands(l.came))
	}
	aged := l.aged()
	tally := lifedata.TallyOf(aged)
	if tally.Failures == 0 {
		if l.testedFailed > 0 {
			return nil, "no failure has a known age that counts"
		}
		return nil, "nothing failed"
	}
	if tally.Named && tally.Failed < unitsForCurve && !opt.FitAnyway {
		return nil, fmt.Sprintf("the failures are in %s; a curve needs them in at least %d", page.Plural(tally.Failed, "unit", "units"), unitsForCurve)
	}
	z := distuv.UnitNormal.Quantile((1 + opt.Confidence) / 2)
	if tally.Named && !tally.OnePerUnit {
		e, err := lifedata.FitExponential(aged, opt.Confidence)
		if err != nil || math.IsNaN(e.DesignEffect) {
			z = math.NaN()
		} else {
			z = math.Sqrt(max(1, e.DesignEffect)) * studentHalf(tally.Units, opt.Confidence)
		}
	}
	if !slices.ContainsFunc(aged, func(o lifedata.Obs) bool { return !o.Exact() && !o.RightCensored() }) {
		points, err := lifedata.KaplanMeier(aged, opt.Confidence)
		if err != nil {
			return nil, refusal(err)
		}
		c := &Curve{Method: CurveKaplanMeier}
		for _, p := range points {
			low, high := logLogLimits(p.Survival, p.StdErr, z)
			c.Points = append(c.Points, CurvePoint{p.Time, p.Survival, low, high})
		}
		return c, ""
	}
	t, err := lifedata.Turnbull(aged)
	if err != nil {
		return nil, refusal(err)
	}
	c := &Curve{Method: CurveTurnbull}
	errs := turnbullErrors(t, aged)
	k := 0
	for _, s := range t.Steps {
		if !(s.Mass > leastMass) {
			continue
		}
		if !math.IsInf(s.Upper, 1) {
			low, high := logLogLimits(s.Survival, errs[k], z)
			c.Points = append(c.Points, CurvePoint{s.Upper, s.Survival, low, high})
			if !s.Exact() {
				c.Loose = append(c.Loose, [2]float64{s.Lower, s.Upper})
			}
		}
		k++
	}
	return c, ""
}

// leastMass is below which a step of a Turnbull curve is none.
const leastMass = 1e-10

// logLogLimits returns S^exp(±z·se/(S·ln S)), NaN where S is 0 or 1.
func logLogLimits(s, se, z float64) (low, high float64) {
	if !(s > 0 && s < 1) {
		return math.NaN(), math.NaN()
	}
	half := z * se / (s * math.Abs(math.Log(s)))
	return math.Pow(s, math.Exp(half)), math.Pow(s, math.Exp(-half))
}

// turnbullErrors returns the standard error of survival at the end of every
// step with mass, from the inverse of the observed information on the
// cumulative masses of those steps; NaN for all where there are too many or
// the information has no inverse. That takes the steps as given, as they are
// where parts are looked at on a few occasions.
//
// Source: Turnbull (1976), Journal of the Royal Statistical Society B 38,
// 290-295, section 4.
func turnbullErrors(t lifedata.TurnbullCurve, obs []lifedata.Obs) []float64 {
	var steps []lifedata.TurnbullStep
	for _, s := range t.Steps {
		if s.Mass > leastMass {
			steps = append(steps, s)
		}
	}
	out := make([]float64, len(steps))
	for i := range out {
		out[i] = math.NaN()
	}
	n := len(steps) - 1 // the last cumulative mass is 1
	if n < 1 || n > mostSteps {
		return out
	}
	cumulative := make([]float64, len(steps)+1)
	for i, s := range steps {
		cumulative[i+1] = cumulative[i] + s.Mass
	}
	info := mat.NewSymDense(n, nil)
	for _, o := range obs {
		from, to := covered(o, steps)
		p := cumulative[to] - cumulative[from]
		if !(p > 0) {
			return out
		}
		w := o.Count / (p * p)
		// The probability falls with the mass up to from, index from-1 of the
		// free ones, and grows with that up to to.
		a, b := from-1, to-1
		if a >= 0 {
			info.SetSym(a, a, info.At(a, a)+w)
		}
		if b < n {
			info.SetSym(b, b, info.At(b, b)+w)
		}
		if a >= 0 && b < n && a != b {
			info.SetSym(a, b, info.At(a, b)-w)
		}
	}
	var chol mat.Cholesky
	var inverse mat.SymDense
	if !chol.Factorize(info) || chol.InverseTo(&inverse) != nil {
		return out
	}
	for i := range n {
		out[i] = math.Sqrt(inverse.At(i, i))
	}
	return out
}

// covered returns the steps [from, to) an observation may have failed in.
func covered(o lifedata.Obs, steps []lifedata.TurnbullStep) (from, to int) {
	within := func(s lifedata.TurnbullStep) bool {
		switch {
		case o.Exact():
			return s.Exact() && s.Upper == o.Upper
		case s.Exact():
			return s.Upper > o.Lower && s.Upper <= o.Upper
		}
		return s.Lower >= o.Lower && s.Upper <= o.Upper
	}
	from = slices.IndexFunc(steps, within)
	if from < 0 {
		return 0, 0
	}
	for to = from; to < len(steps) && within(steps[to]); to++ {
	}
	return from, to
}
