package lifedata

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Equal exposures and a ratio of 1 make the test the sign test, whose
// p-values are sums of binomial coefficients over a power of two, worked out
// by hand.
func TestCompareRatesByHand(t *testing.T) {
	tests := []struct {
		first, second           int
		twoSided, greater, less float64
	}{
		{0, 6, 2. / 64, 1, 1. / 64},
		{2, 4, 44. / 64, 57. / 64, 22. / 64},
		{3, 3, 1, 42. / 64, 42. / 64},
		{5, 1, 14. / 64, 7. / 64, 63. / 64},
		{1, 0, 1, 1. / 2, 1},
		{0, 0, 1, 1, 1},
	}
	for _, tt := range tests {
		r, err := CompareRates(Count{tt.first, 40}, Count{tt.second, 40}, 1, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if !near(r.TwoSided, tt.twoSided, 1e-12, 0) || !near(r.Greater, tt.greater, 1e-12, 0) || !near(r.Less, tt.less, 1e-12, 0) {
			t.Errorf("%d against %d: %+v, want %+v", tt.first, tt.second, r, tt)
		}
	}
}

func TestCompareRatesWithoutFailures(t *testing.T) {
	r, err := CompareRates(Count{0, 40}, Count{0, 25}, 1, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsNaN(r.Ratio) || r.Limits != (Interval{0, math.Inf(1)}) {
		t.Errorf("neither failed: ratio %v in %v, want NaN in [0, +Inf]", r.Ratio, r.Limits)
	}
	r, err = CompareRates(Count{4, 40}, Count{0, 25}, 1, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(r.Ratio, 1) || !math.IsInf(r.Limits.High, 1) || !(r.Limits.Low > 0) {
		t.Errorf("only the first failed: ratio %v in %v, want +Inf in [above 0, +Inf]", r.Ratio, r.Limits)
	}
}

func drawCounts(t *rapid.T) (a, b Count) {
	events := rapid.IntRange(0, 60)
	exposure := rapid.Float64Range(0.1, 1000)
	a = Count{events.Draw(t, "events 1"), exposure.Draw(t, "exposure 1")}
	b = Count{events.Draw(t, "events 2"), exposure.Draw(t, "exposure 2")}
	return a, b
}

// The p-values against sums of probabilities over all outcomes, for every
// small count and for drawn ones. At a probability of a half outcomes tie in
// pairs.
func TestCompareRatesDefinition(t *testing.T) {
	for _, other := range []float64{1, 2, 29. / 71, 0.01} {
		for first := 0; first <= 30; first++ {
			for second := 0; second <= 30; second++ {
				checkPValues(t, Count{first, 1}, Count{second, other}, 1)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawCounts(t)
		checkPValues(t, a, b, rapid.Float64Range(0.1, 10).Draw(t, "null"))
	})
}

func checkPValues(t rapid.TB, a, b Count, null float64) {
	t.Helper()
	r, err := CompareRates(a, b, null, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	n := a.Events + b.Events
	share := null * a.Exposure / (null*a.Exposure + b.Exposure)
	limit := binomial(a.Events, n, share) * (1 + 1e-7)
	var twoSided, greater, less float64
	for k := 0; k <= n; k++ {
		p := binomial(k, n, share)
		if p <= limit {
			twoSided += p
		}
		if k >= a.Events {
			greater += p
		}
		if k <= a.Events {
			less += p
		}
	}
	if r.Total != n || !near(r.Share, share, 1e-12, 0) {
		t.Fatalf("binomial with %d trials and probability %v, want %d and %v", r.Total, r.Share, n, share)
	}
	if !near(r.TwoSided, twoSided, 1e-9, 0) || !near(r.Greater, greater, 1e-9, 0) || !near(r.Less, less, 1e-9, 0) {
		t.Fatalf("%v against %v: %+v, want p-values %v, %v, %v", a, b, r, twoSided, greater, less)
	}
}

// With exposures so unequal that the share rounds to 0 or 1, all failures
// must fall on one group.
func TestCompareRatesCertain(t *testing.T) {
	for _, tt := range []struct {
		a, b Count
		null float64
		want float64
	}{
		{Count{2, 1e20}, Count{0, 1}, 1, 1},
		{Count{2, 1e20}, Count{1, 1}, 1, 0},
		{Count{0, 1}, Count{2, 1e300}, 1e-300, 1},
		{Count{1, 1}, Count{2, 1e300}, 1e-300, 0},
	} {
		r, err := CompareRates(tt.a, tt.b, tt.null, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if r.TwoSided != tt.want {
			t.Errorf("%v against %v: p-value %v, want %v", tt.a, tt.b, r.TwoSided, tt.want)
		}
	}
}

// The limits are the ratios at which the one-sided tests just reject, and
// exchanging the groups turns everything upside down.
func TestCompareRatesProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawCounts(t)
		level := level(t)
		r, err := CompareRates(a, b, 1, level)
		if err != nil {
			t.Fatal(err)
		}
		if a.Events+b.Events > 0 && !(r.Limits.Low <= r.Ratio && r.Ratio <= r.Limits.High) {
			t.Fatalf("limits do not hold the ratio: %+v", r)
		}
		if a.Events > 0 {
			at, err := CompareRates(a, b, r.Limits.Low, level)
			if err != nil {
				t.Fatal(err)
			}
			if !near(at.Greater, (1-level)/2, 1e-8, 0) {
				t.Fatalf("p-value %v at the lower limit, want %v", at.Greater, (1-level)/2)
			}
		}
		if b.Events > 0 {
			at, err := CompareRates(a, b, r.Limits.High, level)
			if err != nil {
				t.Fatal(err)
			}
			if !near(at.Less, (1-level)/2, 1e-8, 0) {
				t.Fatalf("p-value %v at the upper limit, want %v", at.Less, (1-level)/2)
			}
		}
		s, err := CompareRates(b, a, 1, level)
		if err != nil {
			t.Fatal(err)
		}
		if !near(s.Greater, r.Less, 1e-9, 0) || !near(s.Less, r.Greater, 1e-9, 0) || !near(s.TwoSided, r.TwoSided, 1e-9, 0) {
			t.Fatalf("p-values of %+v and the exchanged %+v", r, s)
		}
		if a.Events > 0 && !near(1/s.Limits.High, r.Limits.Low, 1e-9, 0) {
			t.Fatalf("limits %v and exchanged %v", r.Limits, s.Limits)
		}
	})
}

func TestCompareRatesErrors(t *testing.T) {
	ok := Count{3, 40}
	tests := []struct {
		name        string
		a, b        Count
		null, level float64
		want        string
	}{
		{"first without exposure", Count{3, 0}, ok, 1, 0.95, "the exposure of group 1 is 0; give a finite number above zero"},
		{"second with negative exposure", ok, Count{3, -2}, 1, 0.95, "the exposure of group 2 is -2; give a finite number above zero"},
		{"negative count", ok, Count{-3, 40}, 1, 0.95, "the number of failures of group 2 is -3; give zero or more"},
		{"ratio of zero", ok, ok, 0, 0.95, "the ratio to test is 0; give a finite number above zero"},
		{"level in percent", ok, ok, 1, 95, "confidence level 95 is not between 0 and 1; write 95 % as 0.95"},
		{"exposures too far apart", Count{3, 1e-300}, Count{3, 1e300}, 1, 0.95, "the exposure of group 2 over that of group 1 is +Inf; give a finite number above zero"},
		{"too many", Count{math.MaxInt, 40}, ok, 1, 0.95, "9223372036854775807 and 3 failures are too many to add"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := CompareRates(tt.a, tt.b, tt.null, tt.level)
			checkError(t, err, tt.want)
		})
	}
}

func FuzzCompareRates(f *testing.F) {
	f.Add(11, 800.0, 21, 3011.0, 1.0)
	f.Add(0, 1500.0, 6, 2100.0, 1.0)
	f.Add(0, 1.0, 0, 1.0, 1.0)
	f.Add(5, 1e-200, 3, 1e200, 1e-100)
	f.Fuzz(func(t *testing.T, events1 int, exposure1 float64, events2 int, exposure2, null float64) {
		r, err := CompareRates(Count{events1, exposure1}, Count{events2, exposure2}, null, 0.95)
		if err != nil {
			return
		}
		for _, p := range []float64{r.TwoSided, r.Greater, r.Less} {
			if !(0 <= p && p <= 1) {
				t.Errorf("p-value %v in %+v", p, r)
			}
		}
		if !(0 <= r.Limits.Low && r.Limits.Low <= r.Limits.High) {
			t.Errorf("limits of %+v", r)
		}
	})
}
