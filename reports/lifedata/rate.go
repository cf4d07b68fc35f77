package lifedata

import "math"

// RateMethod names what the limits of a [HazardRate] are.
type RateMethod string

const (
	// RateProfile: profile likelihood.
	RateProfile RateMethod = "profile"
	// RateClustered: unit-clustered sandwich, which was wider.
	RateClustered RateMethod = "clustered"
	// RateGarwood: exact Poisson limits of failures at known ages.
	RateGarwood RateMethod = "garwood"
	// RateUpper: nothing failed; High is a one-sided limit and Low is 0.
	RateUpper RateMethod = "upper bound"
	// RateLower: every failure is left-censored; Low is a one-sided limit,
	// and PerUnit and High are +Inf.
	RateLower RateMethod = "lower bound"
)

// HazardRate is a constant failure rate with the limits to be shown for it.
type HazardRate struct {
	Tally
	Level   float64
	PerUnit float64 // failures per unit of time
	Low     float64
	High    float64
	Method  RateMethod
	// DesignEffect is that of [Exponential]; 1 where every lifetime is in a
	// unit of its own, NaN where it cannot be had.
	DesignEffect float64
}

// EstimateRate returns the rate of [FitExponential] with the wider, as a
// ratio, of two intervals: the profile likelihood's (the [Garwood] interval
// where every failure has a known age) and the unit-clustered one, if a unit
// holds more than one lifetime. A single unit has no clustered interval; the
// first is shown then and DesignEffect is NaN.
//
// Special cases are:
//
//	nothing failed: [0, −ln(1−level)/T], T the time at risk
//	all failures left-censored and no other time at risk: a lower bound, the
//	rate at which failures of all of them have probability 1−level
//
// The two bounds are exact for a constant rate and independent components.
//
// It refuses what [FitExponential] refuses but for the second case.
func EstimateRate(obs []Obs, level float64) (HazardRate, error) {
	if err := checkFit(obs, level); err != nil {
		return HazardRate{}, err
	}
	t := newTerms(obs)
	r := HazardRate{Tally: TallyOf(obs), Level: level, DesignEffect: math.NaN()}
	switch {
	case r.Failures == 0 && t.atRisk:
		r.High = -math.Log1p(-level) / exposure(t)
		r.Method = RateUpper
		return r, nil
	case r.Failures > 0 && r.Left == r.Failures && !t.atRisk:
		r.Low = allFailedRate(t, 1-level)
		r.PerUnit, r.High, r.Method = math.Inf(1), math.Inf(1), RateLower
		return r, nil
	}
	e, err := FitExponential(obs, level)
	if err != nil {
		return HazardRate{}, err
	}
	r.PerUnit, r.DesignEffect = e.Rate, 1
	if r.Clustered() {
		r.DesignEffect = e.DesignEffect
	}
	limits := e.Profile
	r.Method = RateProfile
	if r.Exact == r.Failures {
		events := Garwood(int(r.Failures), level)
		scale := e.Rate / r.Failures
		limits = Interval{events.Low * scale, events.High * scale}
		r.Method = RateGarwood
	}
	if r.Clustered() && e.Robust.High/e.Robust.Low > limits.High/limits.Low {
		limits, r.Method = e.Robust, RateClustered
	}
	r.Low, r.High = limits.Low, limits.High
	return r, nil
}

// allFailedRate returns the rate at which every interval of t sees its
// failures with the given probability.
func allFailedRate(t *terms, probability float64) float64 {
	excess := func(mu float64) float64 {
		return t.at(mu, 0).ll - math.Log(probability)
	}
	best := startMu(t)
	slow, fast := best, best
	for excess(slow) > 0 {
		slow += 2
	}
	for excess(fast) < 0 {
		fast -= 2
	}
	return math.Exp(-zero(excess, slow, fast))
}
