package lifedata

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// Exact ages and no clusters: failures over time at risk with Garwood's
// limits.
func TestEstimateRateExactAges(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		events := rapid.IntRange(0, 50).Draw(t, "events")
		exposure := rapid.Float64Range(0.01, 1e6).Draw(t, "exposure")
		level := level(t)
		r, err := EstimateRate(lives(events, exposure), level)
		if err != nil {
			t.Fatal(err)
		}
		want, low := Garwood(events, level), 0.0
		if events == 0 {
			want.High = -math.Log(1 - level) // nothing failed: a one-sided limit, of a level of 0.5 too
		} else {
			low = want.Low
		}
		if !near(r.PerUnit, float64(events)/exposure, 1e-9, 0) {
			t.Fatalf("rate %v, want %v", r.PerUnit, float64(events)/exposure)
		}
		if !near(r.Low, low/exposure, 1e-9, 0) || !near(r.High, want.High/exposure, 1e-9, 0) {
			t.Fatalf("limits %v, %v, want %v, %v", r.Low, r.High, low/exposure, want.High/exposure)
		}
	})
}

func TestEstimateRateMethods(t *testing.T) {
	t.Parallel()
	inf := math.Inf(1)
	tests := []struct {
		name              string
		obs               []Obs
		perUnit, low, hi  float64
		method            RateMethod
		rel               float64
		wantsDesignEffect bool
	}{
		// 3/400 hours by hand; TestGarwoodPublished holds Garwood's limits.
		{"exact ages", []Obs{{Lower: 100, Upper: 100, Count: 3}, {Lower: 100, Upper: inf, Count: 1}}, 0.0075, Garwood(3, 0.95).Low / 400, Garwood(3, 0.95).High / 400, RateGarwood, 1e-9, true},
		// By hand: 500 hours survived with probability 0.05.
		{"nothing failed", []Obs{{Lower: 50, Upper: inf, Count: 10}}, 0, 0, -math.Log(0.05) / 500, RateUpper, 1e-9, false},
		// By hand: (1−exp(−10λ))² = 0.05.
		{"all left-censored", []Obs{{Upper: 10, Count: 2}}, inf, -math.Log(1-math.Sqrt(0.05)) / 10, inf, RateLower, 1e-9, false},
		{"all left-censored since entry", []Obs{{Entry: 3, Upper: 13, Count: 2}}, inf, -math.Log(1-math.Sqrt(0.05)) / 10, inf, RateLower, 1e-9, false},
		// One inspection at 10: failed 6 of 20, so 1−exp(−10λ) = 0.3; limits
		// are those of a binomial likelihood, which the profile test covers.
		{"one inspection", []Obs{{Upper: 10, Count: 6}, {Lower: 10, Upper: inf, Count: 14}}, -math.Log(0.7) / 10, math.NaN(), math.NaN(), RateProfile, 1e-9, true},
		// By hand: 6 in 20 times 10 hours; 30 in 1000 times 10 hours, less the 5
		// that each of the 30 did not see.
		{"one unit", []Obs{{Unit: "a", Lower: 10, Upper: 10, Count: 6}, {Unit: "a", Lower: 10, Upper: inf, Count: 14}}, 0.03, math.NaN(), math.NaN(), RateGarwood, 1e-9, false},
		{"all in one of many units", inUnits(20, 50, []int{30}, 10), 30 / (1000*10 - 30*5.), math.NaN(), math.NaN(), RateClustered, 1e-9, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, err := EstimateRate(tt.obs, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			if r.Method != tt.method {
				t.Errorf("method %q, want %q", r.Method, tt.method)
			}
			for _, v := range []struct {
				what      string
				got, want float64
			}{{"rate", r.PerUnit, tt.perUnit}, {"low", r.Low, tt.low}, {"high", r.High, tt.hi}} {
				if v.want == inf && v.got == inf || math.IsNaN(v.want) {
					continue
				}
				if !near(v.got, v.want, tt.rel, 0) {
					t.Errorf("%s %v, want %v", v.what, v.got, v.want)
				}
			}
			if math.IsNaN(r.DesignEffect) == tt.wantsDesignEffect {
				t.Errorf("design effect %v", r.DesignEffect)
			}
		})
	}
}

func TestFitExponentialRefusals(t *testing.T) {
	t.Parallel()
	inf := math.Inf(1)
	for _, tt := range []struct {
		name string
		obs  []Obs
		want string
	}{
		{"none", nil, "there are no observations"},
		{"no time", []Obs{{Entry: 5, Lower: 5, Upper: inf, Count: 9}}, "no time at risk was observed"},
		{"all left-censored", []Obs{{Upper: 3, Count: 9}}, "every failure happened at an unknown time before it was found and nothing was seen to survive: any rate high enough explains that"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := FitExponential(tt.obs, 0.95)
			checkRefusal(t, err, tt.want)
		})
	}
	_, err := FitExponential([]Obs{{Lower: 3, Upper: 2, Count: 1}}, 0.95)
	checkError(t, err, "observation 1: upper 2 is below lower 3; a failure lies between lower, when it was last good, and upper, when it had failed")
	_, err = FitExponential([]Obs{{Lower: 3, Upper: inf, Count: 1}}, 95)
	checkError(t, err, "confidence level 95 is not between 0 and 1; write 95 % as 0.95")
}

// logLik is the log likelihood of a Weibull life from its definition.
func logLik(obs []Obs, shape, scale float64) float64 {
	hazard := func(t float64) float64 { return math.Pow(t/scale, shape) }
	var sum float64
	for _, o := range obs {
		// Survival from entry to the start, then what was seen.
		start := math.Max(o.Lower, o.Entry)
		ll := hazard(o.Entry) - hazard(start)
		switch {
		case o.Exact():
			ll += math.Log(shape / scale * math.Pow(o.Upper/scale, shape-1))
		case !o.RightCensored():
			ll += math.Log(1 - math.Exp(hazard(start)-hazard(o.Upper)))
		}
		sum += o.Count * ll
	}
	return sum
}

// Whatever is fitted is a maximum of the likelihood written out plainly, its
// limits are where the likelihood has fallen by half the chi-square quantile
// however the other parameter is moved, and it does not depend on the unit of
// time or on how counts are written.
func TestWeibullProperties(t *testing.T) {
	t.Parallel()
	checked := 0
	rapid.Check(t, func(t *rapid.T) {
		obs := drawObs(t, true)
		opt := WeibullOptions{Level: 0.9, FitAnyway: true}
		w, err := FitWeibull(obs, opt)
		if err != nil {
			var refused *Refusal
			if !errors.As(err, &refused) {
				t.Fatal(err)
			}
			return
		}
		if got := logLik(obs, w.Shape, w.Scale); !near(got, w.LogLik, 1e-7, 1e-7) {
			t.Fatalf("log likelihood %v, want %v", w.LogLik, got)
		}
		for _, d := range []float64{-1e-3, 1e-3} {
			if logLik(obs, w.Shape*(1+d), w.Scale) > w.LogLik+1e-9 || logLik(obs, w.Shape, w.Scale*(1+d)) > w.LogLik+1e-9 {
				t.Fatalf("not a maximum: %+v", w)
			}
		}
		var other []Obs
		for _, o := range obs {
			o.Entry, o.Lower, o.Upper = o.Entry*365.25, o.Lower*365.25, o.Upper*365.25
			count := o.Count
			o.Count = 1
			for range int(count) {
				other = append(other, o)
			}
		}
		v, err := FitWeibull(other, opt)
		if err != nil {
			t.Fatal(err)
		}
		if !near(v.Shape, w.Shape, 1e-7, 0) || !near(v.Scale, w.Scale*365.25, 1e-7, 0) || !near(v.PShape1, w.PShape1, 1e-6, 1e-12) {
			t.Fatalf("%+v in years, %+v in days", w, v)
		}

		// Half the 0.9 quantile of chi-square with 1 degree of freedom, which is the
		// square of a standard normal variable.
		drop := math.Pow(math.Erfinv(0.9), 2)
		end := func(what string, ll func(other float64) float64, around float64) {
			t.Helper()
			most := math.Inf(-1)
			for r := -500; r <= 500; r++ {
				if l := ll(around * math.Exp(float64(r)/100)); l > most && !math.IsInf(l, 1) {
					most = l
				}
			}
			if !near(most, w.LogLik-drop, 0, 0.02) {
				t.Fatalf("%s: log likelihood %v, want %v (%+v)", what, most, w.LogLik-drop, w)
			}
		}
		if w.ShapeLimits.High > 15 || w.ShapeLimits.Low < w.Shape/10 || w.ScaleLimits.High > 10*w.Scale || w.ScaleLimits.Low < w.Scale/10 {
			return // beyond the grid
		}
		checked++
		for _, shape := range []float64{w.ShapeLimits.Low, w.ShapeLimits.High} {
			end("shape", func(scale float64) float64 { return logLik(obs, shape, scale) }, w.Scale)
		}
		for _, scale := range []float64{w.ScaleLimits.Low, w.ScaleLimits.High} {
			end("scale", func(shape float64) float64 { return logLik(obs, shape, scale) }, w.Shape)
		}
	})
	if checked == 0 {
		t.Error("no limits were checked")
	}
}

func TestFitWeibullRefusals(t *testing.T) {
	t.Parallel()
	inf := math.Inf(1)
	spread := func(unit func(i int) string, n int) []Obs {
		var obs []Obs
		for i := range n {
			age := float64(10 + 3*i)
			obs = append(obs, Obs{Unit: unit(i), Lower: age, Upper: age, Count: 1})
		}
		return append(obs, Obs{Unit: "whole", Lower: 30, Upper: inf, Count: 9})
	}
	own := func(i int) string { return fmt.Sprint("u", i) }
	one := func(int) string { return "u" }
	overlap := "the failures and the survivors do not overlap in age enough to tell a shape: the likelihood rises without end"
	tests := []struct {
		name string
		obs  []Obs
		opt  WeibullOptions
		want string
	}{
		{"nothing failed", []Obs{{Lower: 3, Upper: inf, Count: 50}}, WeibullOptions{Level: 0.95, FitAnyway: true}, "nothing failed"},
		{"four failures", spread(own, 4), WeibullOptions{Level: 0.95}, "4 failed; a wear fit needs at least 5"},
		{"one unit", spread(one, 12), WeibullOptions{Level: 0.95}, "the failures are in 1 of the units; a wear fit needs them in at least 5"},
		{"one age", []Obs{{Upper: 20, Count: 7}, {Lower: 20, Upper: inf, Count: 30}}, WeibullOptions{Level: 0.95}, "everything was seen at one age; a shape needs at least two"},
		{"one age of death, survivors younger", []Obs{{Lower: 20, Upper: 20, Count: 7}, {Lower: 10, Upper: inf, Count: 30}}, WeibullOptions{Level: 0.95}, overlap},
		{"all survivors younger than all failures", []Obs{{Upper: 20, Count: 7}, {Lower: 10, Upper: inf, Count: 30}}, WeibullOptions{Level: 0.95}, overlap},
		{"all survivors older than all failures", []Obs{{Upper: 10, Count: 7}, {Lower: 20, Upper: inf, Count: 30}}, WeibullOptions{Level: 0.95}, overlap},
		{"intervals that share an age", []Obs{{Lower: 5, Upper: 20, Count: 7}, {Lower: 10, Upper: 30, Count: 4}}, WeibullOptions{Level: 0.95}, overlap},
		{"all left-censored", []Obs{{Upper: 10, Count: 7}, {Upper: 20, Count: 30}}, WeibullOptions{Level: 0.95}, "every failure happened at an unknown time before it was found and nothing was seen to survive: any rate high enough explains that"},
		{"open limit", []Obs{{Upper: 10, Count: 3}, {Lower: 10, Upper: inf, Count: 7}, {Upper: 20, Count: 4}, {Lower: 20, Upper: inf, Count: 6}}, WeibullOptions{Level: 0.95}, "the data set the shape no limit on one side"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := FitWeibull(tt.obs, tt.opt)
			checkRefusal(t, err, tt.want)
		})
	}
	if _, err := FitWeibull(spread(one, 12), WeibullOptions{Level: 0.95, FitAnyway: true}); err != nil {
		t.Errorf("FitAnyway: %v", err)
	}
	if w, err := FitWeibull([]Obs{{Lower: 10, Upper: 10, Count: 1}, {Lower: 3, Upper: 9.5, Count: 1}}, WeibullOptions{Level: 0.95, FitAnyway: true}); err != nil || w.Verdict != TooFew {
		t.Errorf("two failures: %q, %v", w.Verdict, err)
	}
	// No unit named: the rule on units does not apply.
	if _, err := FitWeibull(spread(func(int) string { return "" }, 12)[:12], WeibullOptions{Level: 0.95}); err != nil {
		t.Errorf("no units: %v", err)
	}
}

// sample draws clustered lives: units with a frailty of the given variance, a
// few components each, inspected a few times.
func sample(r *rand.Rand, units int, shape, frailty float64) []Obs {
	var obs []Obs
	for u := range units {
		f := 1.0
		if frailty > 0 { // log-normal with mean 1
			s := math.Sqrt(math.Log1p(frailty))
			f = math.Exp(s*r.NormFloat64() - s*s/2)
		}
		end := 20 + 40*r.Float64()
		for range 2 + r.IntN(8) {
			life := 45 * math.Pow(-math.Log(1-r.Float64())/f, 1/shape)
			o := Obs{Unit: fmt.Sprint(u), Upper: math.Inf(1), Count: 1}
			for at := end * r.Float64() / 2; at < end; at += 5 + 10*r.Float64() {
				if life <= at {
					o.Upper = at
					break
				}
				o.Lower = at
			}
			obs = append(obs, o)
		}
	}
	return obs
}

// Where the rate is constant a verdict of change is rare, also where failures
// come in clusters; where it is not, the verdict finds it. A verdict of wear takes
// a two-sided test at 0.05, so 0.025 is due; 0.05 and 0.08 leave three standard
// errors of 300 samples and what an approximate test is off by (common practice,
// no source). The shapes and variances are examples.
func TestVerdictCalibration(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name           string
		shape, frailty float64
		units          int
		verdict        Verdict
		least, most    float64 // share of samples
	}{
		{"constant, independent", 1, 0, 40, WearsOut, 0, 0.05},
		{"constant, few units", 1, 0, 10, WearsOut, 0, 0.05},
		{"constant, clustered", 1, 0.5, 40, WearsOut, 0, 0.05},
		{"constant, clustered, fails early", 1, 0.5, 40, FailsEarly, 0, 0.08},
		{"wears out", 3, 0, 40, WearsOut, 0.95, 1},
		{"fails early", 0.5, 0, 60, FailsEarly, 0.8, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(3, 9))
			const samples = 300
			said := 0.0
			for range samples {
				w, err := FitWeibull(sample(r, tt.units, tt.shape, tt.frailty), WeibullOptions{Level: 0.95})
				if err == nil && w.Verdict == tt.verdict {
					said++
				}
			}
			if share := said / samples; !(share >= tt.least && share <= tt.most) {
				t.Errorf("%q in %v of samples, want %v to %v", tt.verdict, share, tt.least, tt.most)
			}
		})
	}
}

func TestVerdictConstant(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(5, 9))
	w, err := FitWeibull(sample(r, 300, 1, 0), WeibullOptions{Level: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	if w.Verdict != Constant {
		t.Errorf("verdict %q, shape %v %v", w.Verdict, w.ShapeLimits, w.RobustShape)
	}
	w, err = FitWeibull(sample(r, 15, 1, 0), WeibullOptions{Level: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	if w.Verdict != TooFew {
		t.Errorf("verdict %q, shape %v %v", w.Verdict, w.ShapeLimits, w.RobustShape)
	}
}

// The limits of a rate hold the true one about as often as they say, also
// where failures come in clusters: 0.9 less two standard errors of 500 samples.
func TestRateCoverage(t *testing.T) {
	t.Parallel()
	for _, frailty := range []float64{0, 0.5} {
		r := rand.New(rand.NewPCG(8, 1))
		// Many units tell the constant rate that fits best, which a frailty
		// makes lower than the mean.
		best, err := EstimateRate(sample(r, 20000, 1, frailty), 0.9)
		if err != nil {
			t.Fatal(err)
		}
		const samples = 500
		held := 0.0
		for range samples {
			e, err := EstimateRate(sample(r, 30, 1, frailty), 0.9)
			if err != nil {
				t.Fatal(err)
			}
			if e.Low <= best.PerUnit && best.PerUnit <= e.High {
				held++
			}
		}
		if share := held / samples; !(share > 0.87) {
			t.Errorf("frailty %v: 90 %% limits hold the rate in %v of samples", frailty, share)
		}
	}
}

// Groups that do not differ are seldom told apart, also where failures come in
// clusters; groups that do are. At 0.05, 0.08 leaves two standard errors of 300
// samples and a little.
func TestCompareHazardsCalibration(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name           string
		frailty, times float64
		least, most    float64
	}{
		{"alike", 0, 1, 0, 0.08},
		{"alike, clustered", 0.5, 1, 0, 0.08},
		{"three times the rate", 0, 3, 0.95, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(2, 4))
			const samples = 300
			told := 0.0
			for range samples {
				a, b := sample(r, 25, 1.5, tt.frailty), sample(r, 25, 1.5, tt.frailty)
				for i := range b {
					b[i].Unit = "b" + b[i].Unit
					// A life shorter by the factor, seen at ages shorter by it.
					f := math.Pow(tt.times, 1/1.5)
					b[i].Lower, b[i].Upper = b[i].Lower/f, b[i].Upper/f
				}
				c, err := CompareHazards([]Group{{"a", a}, {"b", b}}, false)
				if err != nil {
					t.Fatal(err)
				}
				if c.P < 0.05 {
					told++
				}
			}
			if share := told / samples; !(share >= tt.least && share <= tt.most) {
				t.Errorf("told apart in %v of samples, want %v to %v", share, tt.least, tt.most)
			}
		})
	}
}

func TestCompareHazardsEdges(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(6, 6))
	some := sample(r, 25, 1, 0)
	inf := math.Inf(1)
	none := []Obs{}
	for i := range 10 {
		none = append(none, Obs{Unit: fmt.Sprint("n", i), Lower: 40, Upper: inf, Count: 3})
	}
	c, err := CompareHazards([]Group{{"some", some}, {"none", none}, {"empty", nil}}, false)
	if err != nil {
		t.Fatal(err)
	}
	if c.DF != 1 || !(c.P < 0.01) || len(c.Groups) != 2 {
		t.Errorf("a group without failures beside one with many: %+v", c)
	}
	for _, tt := range []struct {
		name   string
		groups []Group
		want   string
	}{
		{"one group", []Group{{"a", some}}, "fewer than two groups have time at risk"},
		{"too few failures", []Group{{"a", none}, {"b", none}}, "0 failed in all groups together; a comparison needs at least 5"},
		{"two units", []Group{
			{"a", []Obs{{Unit: "u", Lower: 3, Upper: 3, Count: 5}}},
			{"b", []Obs{{Unit: "v", Lower: 3, Upper: 3, Count: 5}}},
		}, "2 units are too few to compare 2 groups"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := CompareHazards(tt.groups, false)
			checkRefusal(t, err, tt.want)
		})
	}
}
