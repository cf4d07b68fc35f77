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
