package lifedata

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Exponential is a constant failure rate fitted by maximum likelihood. Rates
// are per the caller's unit of time.
type Exponential struct {
	Tally
	Level     float64
	Rate      float64  // 0 where nothing failed
	Mean      float64  // 1/Rate, the mean life
	LogLik    float64  // at Rate
	SELogRate float64  // of ln Rate, from the observed information
	Wald      Interval // exp(ln Rate ∓ z·SELogRate)
	Profile   Interval // all rates with 2(LogLik − ll(rate)) ≤ χ²(level; 1)

	// Robust is the same as Wald with the standard error replaced by one that
	// counts each unit as a single observation, and z by Student's t.
	SERobust float64
	Robust   Interval
	// DesignEffect is (SERobust/SELogRate)²: how many failures in these units
	// weigh as much as one independent failure.
	DesignEffect float64
}

// FitExponential returns the maximum likelihood estimate of a constant
// failure rate under exact, interval, left and right censoring with delayed
// entry. The log likelihood, concave in ln rate, is that of [FitWeibull] at
// shape 1; counts multiply the contributions.
//
// The sandwich variance is that of clustered scores,
//
//	G/(G−1) · Σ u² / I²
//
// with u the derivative of a unit's log likelihood by ln rate, I the
// observed information and G the number of units; its limits use Student's t
// with G−1 degrees of freedom. With exact ages it is the variance of
// [EstimateRatio].
//
// Special cases are:
//
//	nothing failed: Rate 0, LogLik 0, Profile [0, χ²(level; 1)/2T], T the
//	time at risk; Mean is +Inf and the rest NaN
//	fewer than two units: SERobust, Robust and DesignEffect are NaN
//
// It refuses data without any time at risk and those whose failures all
// happened at an unknown time since entry with no time at risk besides: any
// rate high enough explains them (see [EstimateRate] for a lower bound).
//
// Sources: Meeker and Escobar (1998), Statistical Methods for Reliability
// Data, chapter 7; Liang and Zeger (1986), Biometrika 73, 13–22, for the
// sandwich.
func FitExponential(obs []Obs, level float64) (Exponential, error) {
	if err := checkFit(obs, level); err != nil {
		return Exponential{}, err
	}
	t := newTerms(obs)
	nan := math.NaN()
	e := Exponential{Tally: TallyOf(obs), Level: level, SERobust: nan, Robust: undefined(), DesignEffect: nan}
	if !t.atRisk && len(t.intervals) == 0 {
		return Exponential{}, refuse("no time at risk was observed")
	}
	drop := mathext.GammaIncRegInv(0.5, level) // half the χ² quantile
	if e.Failures == 0 {
		e.Mean, e.SELogRate, e.Wald = math.Inf(1), nan, undefined()
		e.Profile = Interval{0, drop / exposure(t)}
		return e, nil
	}
	p, err := t.constant()
	if err != nil {
		return Exponential{}, err
	}
	e.Rate = math.Exp(-p.mu)
	e.Mean = math.Exp(p.mu)
	e.LogLik = p.ll
	e.SELogRate = 1 / math.Sqrt(p.imm)
	z := normalUpper((1 - level) / 2)
	e.Wald = Interval{e.Rate * math.Exp(-z*e.SELogRate), e.Rate * math.Exp(z*e.SELogRate)}

	ends := [2]float64{}
	for i, dir := range []float64{1, -1} {
		profile := func(mu float64) (float64, float64, bool) {
			q := t.at(mu, 0)
			return q.ll, q.gm, !math.IsInf(q.ll, -1)
		}
		var closed bool
		ends[i], closed = profileEnd(profile, p.mu, p.ll, e.SELogRate, drop, dir, 50)
		if !closed {
			return Exponential{}, refuse("the data set the rate no limit on one side")
		}
	}
	e.Profile = Interval{math.Exp(-ends[0]), math.Exp(-ends[1])}

	if e.Units >= 2 {
		var sum float64
		for _, u := range unitScores(obs, p.mu, 0) {
			sum += u.times * u.gm * u.gm
		}
		g := float64(e.Units)
		e.SERobust = math.Sqrt(g/(g-1)*sum) / p.imm
		e.DesignEffect = e.SERobust * e.SERobust * p.imm
		tq := studentUpper((1-level)/2, g-1)
		e.Robust = Interval{e.Rate * math.Exp(-tq*e.SERobust), e.Rate * math.Exp(tq*e.SERobust)}
	}
	return e, nil
}

// constant returns the maximum at shape 1 of data with failures.
func (t *terms) constant() (point, error) {
	if !t.atRisk {
		return point{}, refuse("every failure happened at an unknown time before it was found and nothing was seen to survive: any rate high enough explains that")
	}
	p, ok := t.maximize(t.at(startMu(t), 0), true, false)
	if !ok {
		return point{}, refuse("the likelihood of a constant rate has no maximum that can be found")
	}
	return p, nil
}

func checkFit(obs []Obs, level float64) error {
	if err := checkLevel(level); err != nil {
		return err
	}
	if err := checkObs(obs); err != nil {
		return err
	}
	if len(obs) == 0 {
		return refuse("there are no observations")
	}
	return nil
}

// exposure is the time at risk of terms without interval-censored failures;
// with them, the part of it that is known.
func exposure(t *terms) float64 {
	var sum float64
	for i, x := range t.logAge {
		sum -= t.weight[i] * math.Exp(x)
	}
	return sum
}

// startMu is the logarithm of a mean life to start from: each failure in an
// interval counted at its middle.
func startMu(t *terms) float64 {
	time, failures := exposure(t), t.exact
	for _, i := range t.intervals {
		time += i.count * t.width(i) / 2
		failures += i.count
	}
	return math.Log(time / failures)
}

// unitScore is the score of one unit, or of each of a number of like ones.
type unitScore struct {
	gm, gs, times float64
}

// unitScores adds up the scores of each unit.
func unitScores(obs []Obs, mu, s float64) []unitScore {
	at := map[string]int{}
	var all []unitScore
	for _, o := range obs {
		if !o.informative() {
			continue
		}
		gm, gs := o.score(mu, s)
		if o.Unit == "" {
			all = append(all, unitScore{gm, gs, o.Count})
			continue
		}
		i, ok := at[o.Unit]
		if !ok {
			i = len(all)
			at[o.Unit] = i
			all = append(all, unitScore{times: 1})
		}
		all[i].gm += o.Count * gm
		all[i].gs += o.Count * gs
	}
	return all
}
