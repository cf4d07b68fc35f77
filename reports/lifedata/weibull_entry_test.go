package lifedata

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Delayed entry for the Weibull has no counterpart in R's survival (survreg
// takes no entry time), so it is held against simulation: lives of shape 2.5
// and scale 30 years are only seen from an age at which they may have failed
// already. Fitted with their entry the truth comes out again and the limits
// cover it; without it the same lives seem to wear less early on and last longer.
func TestWeibullDelayedEntryBySimulation(t *testing.T) {
	t.Parallel()
	const shape, scale, studies, lives = 2.5, 30.0, 200, 150
	rng := rand.New(rand.NewPCG(3, 14))
	var shapes, scales, naive []float64
	covered := 0
	for range studies {
		var obs, blind []Obs
		for len(obs) < lives {
			age := scale * math.Pow(rng.ExpFloat64(), 1/shape)
			entry := 40 * rng.Float64()
			if age <= entry {
				continue // failed before anybody looked
			}
			o := Obs{Entry: entry, Lower: age, Upper: age, Count: 1}
			if end := entry + 15*rng.Float64(); age > end {
				o.Lower, o.Upper = end, math.Inf(1)
			}
			obs = append(obs, o)
			o.Entry = 0
			blind = append(blind, o)
		}
		w, err := FitWeibull(obs, WeibullOptions{Level: 0.95})
		if err != nil {
			t.Fatal(err)
		}
		b, err := FitWeibull(blind, WeibullOptions{Level: 0.95})
		if err != nil {
			t.Fatal(err)
		}
		shapes, scales, naive = append(shapes, math.Log(w.Shape)), append(scales, math.Log(w.Scale)), append(naive, math.Log(b.Scale))
		if w.ShapeWald.Low <= shape && shape <= w.ShapeWald.High {
			covered++
		}
	}
	for _, c := range []struct {
		name  string
		logs  []float64
		truth float64
	}{{"shape", shapes, shape}, {"scale", scales, scale}} {
		mean, se := meanAndError(c.logs)
		// Maximum likelihood leans by the order of 1/failures; two hundredths are allowed for it.
		if d := math.Abs(mean - math.Log(c.truth)); !(d <= 0.02+3*se) {
			t.Errorf("%s: %.3f on average (standard error %.3f), want %.3f", c.name, math.Exp(mean), se, c.truth)
		}
	}
	// Three standard errors of a binomial share of 0.95 over the studies.
	if p := float64(covered) / studies; !(p >= 0.904 && p <= 0.996) {
		t.Errorf("limits cover the shape in %.3f of the studies", p)
	}
	if mean, se := meanAndError(naive); !(mean-math.Log(scale) > 5*se) {
		t.Errorf("without entry the scale is %.2f: the simulation does not tell the difference", math.Exp(mean))
	}
}

func meanAndError(x []float64) (mean, se float64) {
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	ss := 0.0
	for _, v := range x {
		ss += (v - mean) * (v - mean)
	}
	return mean, math.Sqrt(ss / float64(len(x)-1) / float64(len(x)))
}
