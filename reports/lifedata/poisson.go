package lifedata

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Garwood returns the exact two-sided interval for the mean of a Poisson
// count of which events were seen, in events. With α = 1−level, and χ²(q; k)
// the q quantile of the chi-square distribution with k degrees of freedom,
//
//	Low  = χ²(α/2;   2·events) / 2
//	High = χ²(1−α/2; 2·events + 2) / 2
//
// Divided by the exposure both are limits for the rate.
//
// Domain: events ≥ 0, 0 < level < 1. Special cases are:
//
//	Low is exactly 0 and High is −ln(α/2) at events = 0
//	both ends are NaN outside the domain
//
// Sources: Garwood (1936), Biometrika 28, 437–442; NIST/SEMATECH e-Handbook
// of Statistical Methods, 8.4.5.1, for the same limits turned into times.
func Garwood(events int, level float64) Interval {
	if events < 0 || !validLevel(level) {
		return undefined()
	}
	tail := (1 - level) / 2
	return Interval{gammaLow(events, tail), gammaHigh(float64(events)+1, tail)}
}

// GarwoodLower returns the exact one-sided lower limit for the mean of a
// Poisson count: the Low of [Garwood] with all of 1−level in the lower tail.
// Domain, special cases and sources are those of [Garwood].
func GarwoodLower(events int, level float64) float64 {
	if events < 0 || !validLevel(level) {
		return math.NaN()
	}
	return gammaLow(events, 1-level)
}

// GarwoodUpper returns the exact one-sided upper limit for the mean of a
// Poisson count: the High of [Garwood] with all of 1−level in the upper tail,
// and −ln(1−level) at events = 0. Domain, special cases and sources are those
// of [Garwood].
func GarwoodUpper(events int, level float64) float64 {
	if events < 0 || !validLevel(level) {
		return math.NaN()
	}
	return gammaHigh(float64(events)+1, 1-level)
}

// Bound says which limits an estimate carries.
type Bound string

const (
	// TwoSided: Low and High each leave half of 1−level outside.
	TwoSided Bound = "two-sided"
	// Upper: only High is a limit, and it leaves all of 1−level outside.
	Upper Bound = "upper"
)

// Rate is a constant failure rate estimated from a count over an exposure.
type Rate struct {
	Events   int     // failures counted
	Exposure float64 // time at risk, summed over the components, in the caller's unit
	Level    float64 // confidence level of the limits
	PerUnit  float64 // Events/Exposure: failures per unit of exposure
	Low      float64 // lower limit of PerUnit; 0 where Bound is Upper
	High     float64 // upper limit of PerUnit
	Bound    Bound   // TwoSided, or Upper where nothing failed
}

// ExactRate returns the maximum likelihood estimate events/exposure of a
// constant failure rate with its exact limits: the [Garwood] interval divided
// by the exposure, or, where nothing failed, the one-sided upper limit
//
//	High = −ln(1−level) / exposure
//
// which puts all of 1−level above it, since no rate lies below the estimate.
// The times of the failures must be known, or the exposure is not.
//
// It returns an error if events is negative, exposure is not a finite number
// above zero, or level is not strictly between 0 and 1.
//
// Sources: as [Garwood].
func ExactRate(events int, exposure, level float64) (Rate, error) {
	if err := checkCount("the number of failures", events); err != nil {
		return Rate{}, err
	}
	if err := checkPositive("the exposure (time at risk)", exposure); err != nil {
		return Rate{}, err
	}
	if err := checkLevel(level); err != nil {
		return Rate{}, err
	}
	r := Rate{
		Events:   events,
		Exposure: exposure,
		Level:    level,
		PerUnit:  float64(events) / exposure,
		Bound:    TwoSided,
	}
	if events == 0 {
		r.High = GarwoodUpper(0, level) / exposure
		r.Bound = Upper
		return r, nil
	}
	limits := Garwood(events, level)
	r.Low = limits.Low / exposure
	r.High = limits.High / exposure
	return r, nil
}

// gammaLow returns the value that a gamma variable of shape events and
// scale 1 stays below with probability tail; 0 for no events. It is half the
// chi-square quantile with 2·events degrees of freedom.
func gammaLow(events int, tail float64) float64 {
	switch events {
	case 0:
		return 0
	case 1:
		return -math.Log1p(-tail)
	}
	return mathext.GammaIncRegInv(float64(events), tail)
}

// gammaHigh returns the value that a gamma variable of the given shape ≥ 1
// and scale 1 exceeds with probability tail.
func gammaHigh(shape, tail float64) float64 {
	if shape == 1 {
		return -math.Log(tail)
	}
	return mathext.GammaIncRegCompInv(shape, tail)
}
