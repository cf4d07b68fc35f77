package lifedata

import (
	"fmt"
	"math"
)

// Cluster is the numerator and denominator of one unit: parts failed of parts
// tested, or failures over time at risk.
type Cluster struct {
	Numerator, Denominator float64
}

// RatioKind says what a ratio is of, which decides its variance were all
// components independent, and the scale of its limits.
type RatioKind string

const (
	KindProportion RatioKind = "proportion" // failed of tested; logit limits
	KindRate       RatioKind = "rate"       // failures over time; log limits
)

// RatioEstimate is a ratio with the variance that counts each unit as one
// observation.
type RatioEstimate struct {
	Units       int
	Numerator   float64
	Denominator float64
	Ratio       float64

	SENaive      float64 // were all components independent
	SERobust     float64
	DesignEffect float64 // (SERobust/SENaive)²
	Effective    float64 // Denominator/DesignEffect

	SETransformed float64  // of logit Ratio for a proportion, of ln Ratio for a rate
	PlainZ        Interval // Ratio ∓ z·SERobust
	PlainT        Interval // the same with Student's t, Units−1 degrees of freedom
	TransformedZ  Interval // limits on the logit or log scale, turned back
	TransformedT  Interval
}

// EstimateRatio returns Σy/Σm over the n units with
//
//	SERobust² = n/(n−1) · Σ(y − ratio·m)² / (Σm)²
//	SENaive²  = ratio(1−ratio)/Σm for a proportion, ratio/Σm for a rate
//
// For rates these are the figures of a Poisson likelihood with a clustered
// sandwich. Where the ratio is 0, or a proportion 1, no unit differs from
// another: the transformed limits and DesignEffect are NaN, and the exact
// limits ([ClopperPearson], [Garwood]) are to be used.
//
// It returns an error for a kind it does not know, a number that is negative
// or not finite, or a proportion's numerator above its denominator. It
// refuses fewer than two units and a denominator of zero.
//
// Source: Cochran (1977), Sampling Techniques, section 2.11 and chapter 6;
// Kish (1965), Survey Sampling, for the design effect.
func EstimateRatio(kind RatioKind, units []Cluster, level float64) (RatioEstimate, error) {
	if err := checkLevel(level); err != nil {
		return RatioEstimate{}, err
	}
	if kind != KindProportion && kind != KindRate {
		return RatioEstimate{}, fmt.Errorf("unknown kind of ratio %q; write %q or %q", string(kind), string(KindProportion), string(KindRate))
	}
	e := RatioEstimate{Units: len(units)}
	for i, u := range units {
		switch {
		case bad(u.Numerator) || bad(u.Denominator) || u.Numerator < 0 || u.Denominator < 0:
			return RatioEstimate{}, fmt.Errorf("unit %d: %v over %v; give finite numbers, zero or more", i+1, u.Numerator, u.Denominator)
		case kind == KindProportion && u.Numerator > u.Denominator:
			return RatioEstimate{}, fmt.Errorf("unit %d: %v of %v is more than all", i+1, u.Numerator, u.Denominator)
		}
		e.Numerator += u.Numerator
		e.Denominator += u.Denominator
	}
	if len(units) < 2 {
		return RatioEstimate{}, refuse("a single unit does not show how units differ")
	}
	if e.Denominator == 0 {
		return RatioEstimate{}, refuse("nothing was at risk")
	}
	e.Ratio = e.Numerator / e.Denominator
	n := float64(len(units))
	var sum float64
	for _, u := range units {
		d := u.Numerator - e.Ratio*u.Denominator
		sum += d * d
	}
	e.SERobust = math.Sqrt(n/(n-1)*sum) / e.Denominator

	z := normalUpper((1 - level) / 2)
	t := studentUpper((1-level)/2, n-1)
	plain := func(q float64) Interval {
		return Interval{e.Ratio - q*e.SERobust, e.Ratio + q*e.SERobust}
	}
	e.PlainZ, e.PlainT = plain(z), plain(t)

	var turned func(q float64) Interval
	if kind == KindProportion {
		e.SENaive = math.Sqrt(e.Ratio * (1 - e.Ratio) / e.Denominator)
		e.SETransformed = e.SERobust / (e.Ratio * (1 - e.Ratio))
		odds := e.Ratio / (1 - e.Ratio)
		turned = func(q float64) Interval {
			o := around(odds, q*e.SETransformed)
			return Interval{o.Low / (1 + o.Low), o.High / (1 + o.High)}
		}
	} else {
		e.SENaive = math.Sqrt(e.Ratio / e.Denominator)
		e.SETransformed = e.SERobust / e.Ratio
		turned = func(q float64) Interval { return around(e.Ratio, q*e.SETransformed) }
	}
	ratio := e.SERobust / e.SENaive
	e.DesignEffect = ratio * ratio
	e.Effective = e.Denominator / e.DesignEffect
	e.TransformedZ, e.TransformedT = turned(z), turned(t)
	return e, nil
}
