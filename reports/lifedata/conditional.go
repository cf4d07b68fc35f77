package lifedata

import "math"

// ConditionalFailure returns the probability of failing in the next horizon
// of time, given survival to age, for a Weibull life:
//
//	1 − S(age+horizon)/S(age) = 1 − exp(−(H(age+horizon) − H(age)))
//
// worked out from the difference of cumulative hazards, so that small
// probabilities and ages at which S is all but 0 keep their digits. It is NaN
// unless shape and scale are above zero and age and horizon at least zero.
func ConditionalFailure(shape, scale, age, horizon float64) float64 {
	if !(shape > 0 && scale > 0 && age >= 0 && horizon >= 0) {
		return math.NaN()
	}
	return -math.Expm1(-hazardIncrement(shape, scale, age, horizon))
}

func hazardIncrement(shape, scale, age, horizon float64) float64 {
	if horizon > age { // nothing cancels, and age may be 0
		return math.Pow((age+horizon)/scale, shape) - math.Pow(age/scale, shape)
	}
	return math.Pow(age/scale, shape) * math.Expm1(shape*math.Log1p(horizon/age))
}

// ConditionalFailure returns the probability of failing in the next horizon of
// time given survival to age. SE and limits are by the delta method for
// ln(H(age+horizon) − H(age)). All are NaN unless age ≥ 0 and horizon > 0.
func (w Weibull) ConditionalFailure(age, horizon float64) Estimate {
	if !(age >= 0 && horizon > 0) {
		nan := math.NaN()
		return Estimate{nan, nan, nan, nan}
	}
	d := hazardIncrement(w.Shape, w.Scale, age, horizon)
	mu := math.Log(w.Scale)
	between := newHazardAt(w.Shape, math.Log(age+horizon)-mu).less(newHazardAt(w.Shape, math.Log(age)-mu))
	se := w.delta(-w.Shape, between.hw/d)
	z := normalUpper((1 - w.Level) / 2)
	return Estimate{
		Value: -math.Expm1(-d),
		SE:    se,
		Low:   -math.Expm1(-d * math.Exp(-z*se)),
		High:  -math.Expm1(-d * math.Exp(z*se)),
	}
}
