package lifedata

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Verdict says in words how the failure rate changes with age.
type Verdict string

const (
	WearsOut   Verdict = "wears out"
	Constant   Verdict = "constant"
	FailsEarly Verdict = "fails early, or a mixture of good and bad lots"
	TooFew     Verdict = "too few to tell"
)

// Of a verdict: the chance of seeing a change of rate where there is none, and
// the shapes that count as constant if the limits lie between them. Common
// practice, no source.
const (
	verdictAlpha = 0.05
	// The unit-clustered test is two-sided: one in twenty for wear.
	clusterAlpha = 0.1
	constantLow  = 2. / 3
	constantHigh = 3. / 2
)

// What a fit needs besides a likelihood with a maximum. Common practice, no
// source.
const (
	minFailures = 5
	minFailed   = 5
)

// WeibullOptions says how to fit.
type WeibullOptions struct {
	Level float64
	// FitAnyway fits fewer than five failures, or failures in fewer than
	// five units.
	FitAnyway bool
}

// Weibull is a fitted Weibull distribution, S(t) = exp(−(t/Scale)^Shape).
// Times are in the caller's unit.
type Weibull struct {
	Tally
	Level  float64
	Shape  float64
	Scale  float64 // 63.2 % have failed by then
	LogLik float64 // of time, not of its logarithm; counts multiply

	SELogShape float64
	SELogScale float64
	Covariance float64 // of ln Shape and ln Scale, from the observed information

	ShapeLimits Interval // profile likelihood
	ScaleLimits Interval
	ShapeWald   Interval // exp(ln Shape ∓ z·SELogShape)
	ScaleWald   Interval

	// RobustShape is ShapeWald with the unit-clustered sandwich variance and
	// Student's t with Units−1 degrees of freedom; NaN below two units.
	RobustShape Interval

	// The test that Shape is 1.
	ExponentialRate   float64
	ExponentialLogLik float64
	LRShape1          float64 // likelihood-ratio statistic
	PLRShape1         float64 // its p-value, chi-square with 1 degree of freedom
	PClusterShape1    float64 // p-value of the unit-clustered score test; NaN below two units
	PShape1           float64 // the larger of the two, if a unit holds more than one lifetime
	Verdict           Verdict
}

// FitWeibull returns the maximum likelihood estimates of a Weibull
// distribution under exact, interval, left and right censoring with delayed
// entry, and their profile likelihood limits: all values of the parameter
// with 2(LogLik − max over the other) ≤ χ²(level; 1).
//
// The test of Shape = 1 that the verdict rests on is the score test with each
// unit's score as one observation: with u the derivative of a unit's log
// likelihood by ln Shape at the best constant rate, less its regression on
// that by ln Scale, the mean of u over its standard error is Student's t with
// Units−1 degrees of freedom. PShape1 is the larger of its p-value and the
// likelihood-ratio test's, so that neither many failures in a unit nor a few
// units that happen to agree make a verdict; wear needs the likelihood ratio's
// below 0.05 and the clustered one below 0.1, early failure both below 0.05.
// Where every lifetime is in a unit
// of its own it is the likelihood-ratio test's.
//
// It refuses
//
//	fewer than five failures, or failures in fewer than five units where the
//	observations name units (FitAnyway overrides both)
//	ages that do not tell a shape: fewer than two different ones, or failures
//	that a jump at one age explains
//	limits of shape or scale that do not close at both ends
//
// Sources: Meeker and Escobar (1998), Statistical Methods for Reliability
// Data, chapters 8 and 11; NIST/SEMATECH e-Handbook of Statistical Methods,
// 8.4.1.3; Boos (1992), The American Statistician 46, 327–333, for the score
// test.
func FitWeibull(obs []Obs, opt WeibullOptions) (Weibull, error) {
	if err := checkFit(obs, opt.Level); err != nil {
		return Weibull{}, err
	}
	w := Weibull{Tally: TallyOf(obs), Level: opt.Level}
	if err := w.enough(obs, opt.FitAnyway); err != nil {
		return Weibull{}, err
	}
	t := newTerms(obs)
	constant, err := t.constant()
	if err != nil {
		return Weibull{}, err
	}
	w.ExponentialRate, w.ExponentialLogLik = math.Exp(-constant.mu), constant.ll
	p, ok := t.maximize(constant, true, true)
	if !ok {
		return Weibull{}, refuse("the failures and the survivors do not overlap in age enough to tell a shape: the likelihood rises without end")
	}
	if err := w.fill(t, p); err != nil {
		return Weibull{}, err
	}
	w.test(obs, constant)
	return w, nil
}

func (w *Weibull) enough(obs []Obs, anyway bool) error {
	if w.Failures == 0 {
		return refuse("nothing failed")
	}
	if w.Failures < minFailures && !anyway {
		return refuse("%.0f failed; a wear fit needs at least %d", w.Failures, minFailures)
	}
	if w.Named && w.Failed < minFailed && !anyway {
		return refuse("the failures are in %d of the units; a wear fit needs them in at least %d", w.Failed, minFailed)
	}
	ages := map[float64]bool{}
	for _, o := range obs {
		if !o.informative() {
			continue
		}
		for _, age := range []float64{o.Entry, o.start(), o.Upper} {
			if age > 0 && !math.IsInf(age, 1) {
				ages[age] = true
			}
		}
		if len(ages) > 1 {
			return nil
		}
	}
	return refuse("everything was seen at one age; a shape needs at least two")
}

// fill sets estimates and limits from the maximum p of t.
func (w *Weibull) fill(t *terms, p point) error {
	det := p.imm*p.iss - p.ims*p.ims
	w.Shape, w.Scale, w.LogLik = math.Exp(p.s), math.Exp(p.mu), p.ll
	w.SELogScale = math.Sqrt(p.iss / det)
	w.SELogShape = math.Sqrt(p.imm / det)
	w.Covariance = -p.ims / det
	z := normalUpper((1 - w.Level) / 2)
	w.ShapeWald = around(w.Shape, z*w.SELogShape)
	w.ScaleWald = around(w.Scale, z*w.SELogScale)

	drop := mathext.GammaIncRegInv(0.5, w.Level)
	var err error
	w.ShapeLimits, err = profileLimits(drop, p.s, p.ll, w.SELogShape, maxLogShape-math.Abs(p.s), func(s float64, from point) (point, float64, bool) {
		q, ok := t.maximize(t.at(from.mu-from.ims/from.imm*(s-from.s), s), true, false)
		return q, q.gs, ok
	}, p)
	if err != nil {
		return refuse("the data set the shape no limit on one side")
	}
	w.ScaleLimits, err = profileLimits(drop, p.mu, p.ll, w.SELogScale, 40, func(mu float64, from point) (point, float64, bool) {
		s := from.s - from.ims/from.iss*(mu-from.mu)
		if !(math.Abs(s) < maxLogShape && from.iss > 0) {
			s = from.s
		}
		q, ok := t.maximize(t.at(mu, s), false, true)
		return q, q.gm, ok
	}, p)
	if err != nil {
		return refuse("the data set the scale no limit on one side")
	}
	return nil
}

// around returns centre·exp(∓half).
func around(centre, half float64) Interval {
	return Interval{centre * math.Exp(-half), centre * math.Exp(half)}
}

// profileLimits returns the exponentials of both ends of a profile likelihood
// interval. follow finds the maximum over the other parameter, starting from
// the last one found, and the slope there.
func profileLimits(drop, best, top, step, limit float64, follow func(x float64, from point) (point, float64, bool), start point) (Interval, error) {
	var ends [2]float64
	for i, dir := range []float64{-1, 1} {
		last := start
		profile := func(x float64) (float64, float64, bool) {
			q, slope, ok := follow(x, last)
			if ok {
				last = q
			}
			return q.ll, slope, ok
		}
		var closed bool
		ends[i], closed = profileEnd(profile, best, top, step, drop, dir, limit)
		if !closed {
			return Interval{}, refuse("open")
		}
	}
	return Interval{math.Exp(ends[0]), math.Exp(ends[1])}, nil
}

// test sets the robust limits, the tests of a constant rate and the verdict.
func (w *Weibull) test(obs []Obs, constant point) {
	w.LRShape1 = math.Max(0, 2*(w.LogLik-w.ExponentialLogLik))
	w.PLRShape1 = chiSquareBeyond(w.LRShape1, 1)
	w.PShape1 = w.PLRShape1
	w.PClusterShape1 = math.NaN()
	w.RobustShape = undefined()
	if w.Units >= 2 {
		g := float64(w.Units)

		// The influence of each unit on ln Shape is a row of the inverse
		// information times its score.
		sv, cv := w.SELogShape*w.SELogShape, w.Covariance
		var sum float64
		for _, u := range unitScores(obs, math.Log(w.Scale), math.Log(w.Shape)) {
			d := cv*u.gm + sv*u.gs
			sum += u.times * d * d
		}
		tq := studentUpper((1-w.Level)/2, g-1)
		w.RobustShape = around(w.Shape, tq*math.Sqrt(g/(g-1)*sum))

		var total, squares float64
		for _, u := range unitScores(obs, constant.mu, 0) {
			d := u.gs - constant.ims/constant.imm*u.gm
			total += u.times * d
			squares += u.times * d * d
		}
		w.PClusterShape1 = 1
		if total != 0 {
			student := total / math.Sqrt(math.Max(squares-total*total/g, 0)*g/(g-1))
			w.PClusterShape1 = studentBeyond(student, g-1)
		}
		if w.Clustered() {
			w.PShape1 = math.Max(w.PLRShape1, w.PClusterShape1)
		}
	}
	w.Verdict = w.verdict()
}

func (w *Weibull) verdict() Verdict {
	if w.Failures < minFailures || w.Named && w.Failed < minFailed {
		return TooFew
	}
	switch {
	case w.Shape > 1 && w.PLRShape1 < verdictAlpha && (!w.Clustered() || w.PClusterShape1 < clusterAlpha):
		return WearsOut
	case w.Shape <= 1 && w.PShape1 < verdictAlpha:
		return FailsEarly
	}
	within := func(i Interval) bool { return i.Low >= constantLow && i.High <= constantHigh }
	if within(w.ShapeLimits) && (!w.Clustered() || within(w.RobustShape)) {
		return Constant
	}
	return TooFew
}

// Estimate is a value with a standard error and limits. SE is on the scale
// that the function's comment names.
type Estimate struct {
	Value, SE, Low, High float64
}

// Quantile returns the age by which the share p has failed, if nothing else
// removed them: Scale·(−ln(1−p))^(1/Shape); B10 is p = 0.1. SE and limits are
// by the delta method for the logarithm of the age. All are NaN unless
// 0 < p < 1.
//
// Source: Meeker and Escobar (1998), section 8.4.
func (w Weibull) Quantile(p float64) Estimate {
	if !(p > 0 && p < 1) {
		nan := math.NaN()
		return Estimate{nan, nan, nan, nan}
	}
	// ln t = mu + exp(−s)·c
	c := math.Log(-math.Log1p(-p))
	age := w.Scale * math.Exp(c/w.Shape)
	se := w.delta(1, -c/w.Shape)
	limits := around(age, normalUpper((1-w.Level)/2)*se)
	return Estimate{age, se, limits.Low, limits.High}
}

// Survival returns S(t), if nothing else removed them. SE and limits are by
// the delta method for ln(−ln S). At t ≤ 0 it is 1 with no uncertainty.
//
// Source: Meeker and Escobar (1998), section 8.4.
func (w Weibull) Survival(t float64) Estimate {
	if t <= 0 {
		return Estimate{1, 0, 1, 1}
	}
	c := w.Shape * (math.Log(t) - math.Log(w.Scale))
	se := w.delta(-w.Shape, c)
	z := normalUpper((1 - w.Level) / 2)
	return Estimate{
		Value: math.Exp(-math.Exp(c)),
		SE:    se,
		Low:   math.Exp(-math.Exp(c + z*se)),
		High:  math.Exp(-math.Exp(c - z*se)),
	}
}

// MeanLife returns Scale·Γ(1+1/Shape).
func (w Weibull) MeanLife() float64 {
	return weibullMean(w.Shape, w.Scale)
}

func weibullMean(shape, scale float64) float64 {
	return scale * math.Gamma(1+1/shape)
}

// delta returns the standard error of a quantity with the given derivatives
// by ln Scale and ln Shape.
func (w Weibull) delta(byScale, byShape float64) float64 {
	v := byScale*byScale*w.SELogScale*w.SELogScale +
		2*byScale*byShape*w.Covariance +
		byShape*byShape*w.SELogShape*w.SELogShape
	return math.Sqrt(math.Max(v, 0))
}
