package lifedata

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// AgePolicy is the choice between replacing a part at a fixed age and
// replacing it when it fails, for a Weibull life. Costs are in the caller's
// currency, cost rates per the caller's unit of time.
type AgePolicy struct {
	Shape, Scale float64
	Planned      float64 // cost of a replacement before failure
	Failure      float64 // cost of a replacement at failure

	MeanLife     float64
	RunToFailure float64 // cost rate of never replacing before failure
	Finite       bool    // some age costs less than running to failure
	Age          float64 // the age that costs least; +Inf if not Finite
	CostRate     float64 // at that age; RunToFailure if not Finite
	Ratio        float64 // CostRate over RunToFailure
	FailBefore   float64 // probability of failing before Age
}

// NewAgePolicy finds the replacement age T that costs least in the long run,
//
//	C(T) = (planned·S(T) + failure·(1−S(T))) / ∫₀ᵀ S(t) dt
//
// A finite one exists if and only if shape > 1 and failure > planned; it
// solves h(T)·∫₀ᵀ S(t) dt − (1−S(T)) = planned/(failure−planned), with h the
// hazard.
//
// It returns an error unless all four are finite numbers above zero.
//
// Sources: Barlow and Hunter (1960), Operations Research 8, 90–100; Barlow and
// Proschan (1965), Mathematical Theory of Reliability, chapter 4.
func NewAgePolicy(shape, scale, planned, failure float64) (AgePolicy, error) {
	for _, v := range []struct {
		what  string
		value float64
	}{{"the shape", shape}, {"the scale", scale}, {"the planned cost", planned}, {"the failure cost", failure}} {
		if err := checkPositive(v.what, v.value); err != nil {
			return AgePolicy{}, err
		}
	}
	p := AgePolicy{Shape: shape, Scale: scale, Planned: planned, Failure: failure}
	p.MeanLife = weibullMean(shape, scale)
	p.RunToFailure = failure / p.MeanLife
	p.Age, p.CostRate, p.Ratio, p.FailBefore = math.Inf(1), p.RunToFailure, 1, 1
	if !(shape > 1 && failure > planned) {
		return p, nil
	}
	excess := func(x float64) float64 { // x = ln(T/scale)
		h := shape / scale * math.Exp((shape-1)*x)
		return h*p.life(x) + math.Expm1(-math.Exp(shape*x)) - planned/(failure-planned)
	}
	lo, hi := -1., 1.
	for excess(lo) > 0 {
		lo *= 2
	}
	for !(excess(hi) > 0) {
		if hi *= 2; hi > 1e4 {
			return AgePolicy{}, fmt.Errorf("shape %v is so near 1 that no replacement age can be told from running to failure", shape)
		}
	}
	x := zero(excess, lo, hi)
	p.Finite = true
	p.Age = scale * math.Exp(x)
	p.CostRate = p.CostAt(p.Age)
	p.Ratio = p.CostRate / p.RunToFailure
	p.FailBefore = -math.Expm1(-math.Exp(shape * x))
	return p, nil
}

// CostAt returns the long-run cost rate of replacing at the given age.
func (p AgePolicy) CostAt(age float64) float64 {
	x := math.Log(age / p.Scale)
	failed := -math.Expm1(-math.Exp(p.Shape * x))
	return (p.Planned*(1-failed) + p.Failure*failed) / p.life(x)
}

// life returns the mean time to failure or replacement at scale·exp(x).
func (p AgePolicy) life(x float64) float64 {
	return p.MeanLife * mathext.GammaIncReg(1/p.Shape, math.Exp(p.Shape*x))
}
