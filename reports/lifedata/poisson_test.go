package lifedata

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Pearson and Hartley, Biometrika Tables for Statisticians, volume 1, table
// 40: 95 % limits for a Poisson mean, to the places given. Values from memory.
func TestGarwoodPublished(t *testing.T) {
	tests := []struct {
		events int
		want   Interval
		half   Interval // half a unit of the last place
	}{
		{0, Interval{0, 3.69}, Interval{0, 0.005}},
		{1, Interval{0.0253, 5.57}, Interval{0.00005, 0.005}},
		{2, Interval{0.242, 7.22}, Interval{0.0005, 0.005}},
		{3, Interval{0.619, 8.77}, Interval{0.0005, 0.005}},
		{4, Interval{1.09, 10.24}, Interval{0.005, 0.005}},
		{5, Interval{1.62, 11.67}, Interval{0.005, 0.005}},
		{10, Interval{4.80, 18.39}, Interval{0.005, 0.005}},
	}
	for _, tt := range tests {
		got := Garwood(tt.events, 0.95)
		if !near(got.Low, tt.want.Low, 0, tt.half.Low) || !near(got.High, tt.want.High, 0, tt.half.High) {
			t.Errorf("Garwood(%d) = %v, want %v", tt.events, got, tt.want)
		}
	}
}

func TestGarwoodOutsideDomain(t *testing.T) {
	for _, tt := range []struct {
		events int
		level  float64
	}{
		{-1, 0.95}, {3, 0}, {3, 1}, {3, 95}, {3, math.NaN()},
	} {
		for name, v := range map[string]float64{
			"Garwood low":  Garwood(tt.events, tt.level).Low,
			"Garwood high": Garwood(tt.events, tt.level).High,
			"GarwoodLower": GarwoodLower(tt.events, tt.level),
			"GarwoodUpper": GarwoodUpper(tt.events, tt.level),
		} {
			if !math.IsNaN(v) {
				t.Errorf("%s(%d, %v) = %v, want NaN", name, tt.events, tt.level, v)
			}
		}
	}
}

// At the lower limit the count seen or more, at the upper limit the count
// seen or fewer, has exactly the probability left in that tail, by adding up
// Poisson probabilities. Garwood (1936).
func TestGarwoodDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := rapid.IntRange(0, 200).Draw(t, "events")
		level := level(t)
		for _, tt := range []struct {
			low, high, tail float64
		}{
			{Garwood(events, level).Low, Garwood(events, level).High, (1 - level) / 2},
			{GarwoodLower(events, level), GarwoodUpper(events, level), 1 - level},
		} {
			if got := 1 - sumPoisson(events-1, tt.low); events > 0 && !near(got, tt.tail, 1e-8, 0) {
				t.Fatalf("P(N >= %d) at the lower limit %v is %v, want %v", events, tt.low, got, tt.tail)
			}
			if got := sumPoisson(events, tt.high); !near(got, tt.tail, 1e-8, 0) {
				t.Fatalf("P(N <= %d) at the upper limit %v is %v, want %v", events, tt.high, got, tt.tail)
			}
		}
	})
}

// sumPoisson adds the probabilities of 0..to events.
func sumPoisson(to int, mean float64) float64 {
	sum, term := 0.0, math.Exp(-mean)
	for k := 0; k <= to; k++ {
		sum += term
		term *= mean / float64(k+1)
	}
	return sum
}

func TestGarwoodProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := rapid.IntRange(0, 5000).Draw(t, "events")
		level := level(t)
		got := Garwood(events, level)
		if !(0 <= got.Low && got.Low <= float64(events) && float64(events) < got.High) {
			t.Fatalf("%v does not hold %d", got, events)
		}
		if next := Garwood(events+1, level); !(next.Low > got.Low && next.High > got.High) {
			t.Fatalf("one more event moves %v to %v, want both ends higher", got, next)
		}
		if surer := Garwood(events, (1+level)/2); !(surer.Low <= got.Low && got.High < surer.High) {
			t.Fatalf("%v at a higher level is not around %v", surer, got)
		}
		// Rare events in many trials: the binomial limits go over into these.
		const n = 1_000_000_000
		rare := ClopperPearson(events, n, level)
		if !near(rare.Low*n, got.Low, 1e-4, 0) || !near(rare.High*n, got.High, 1e-4, 0) {
			t.Fatalf("%v does not agree with the binomial limits %v", got, rare)
		}
	})
}

func TestExactRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := rapid.IntRange(0, 500).Draw(t, "events")
		exposure := rapid.Float64Range(1e-3, 1e6).Draw(t, "exposure")
		level := level(t)
		r, err := ExactRate(events, exposure, level)
		if err != nil {
			t.Fatal(err)
		}
		if !(r.Low <= r.PerUnit && r.PerUnit < r.High) {
			t.Fatalf("limits do not hold the estimate: %+v", r)
		}
		want := TwoSided
		if events == 0 {
			want = Upper
		}
		if r.Bound != want {
			t.Fatalf("bound %q with %d failures, want %q", r.Bound, events, want)
		}
		// A year of exposure counted in months: every figure a twelfth.
		months, err := ExactRate(events, 12*exposure, level)
		if err != nil {
			t.Fatal(err)
		}
		for _, pair := range [][2]float64{
			{months.PerUnit, r.PerUnit}, {months.Low, r.Low}, {months.High, r.High},
		} {
			if !near(12*pair[0], pair[1], 1e-12, 0) {
				t.Fatalf("per month %+v, per year %+v", months, r)
			}
		}
		longer, err := ExactRate(2*events, 2*exposure, level)
		if err != nil {
			t.Fatal(err)
		}
		if !(longer.High-longer.Low < r.High-r.Low) {
			t.Fatalf("twice the exposure at the same rate widens %+v to %+v", r, longer)
		}
	})
}

func TestExactRateErrors(t *testing.T) {
	tests := []struct {
		name            string
		events          int
		exposure, level float64
		want            string
	}{
		{"no exposure", 2, 0, 0.95, "the exposure (time at risk) is 0; give a finite number above zero"},
		{"negative exposure", 2, -3.5, 0.95, "the exposure (time at risk) is -3.5; give a finite number above zero"},
		{"exposure not a number", 2, math.NaN(), 0.95, "the exposure (time at risk) is NaN; give a finite number above zero"},
		{"endless exposure", 2, math.Inf(1), 0.95, "the exposure (time at risk) is +Inf; give a finite number above zero"},
		{"negative count", -1, 10, 0.95, "the number of failures is -1; give zero or more"},
		{"level in percent", 2, 10, 95, "confidence level 95 is not between 0 and 1; write 95 % as 0.95"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, err := ExactRate(tt.events, tt.exposure, tt.level)
			checkError(t, err, tt.want)
			if r != (Rate{}) {
				t.Errorf("a refused rate has figures: %+v", r)
			}
		})
	}
}

func checkError(t *testing.T, err error, want string) {
	t.Helper()
	if err == nil {
		t.Fatalf("no error, want %q", want)
	}
	if err.Error() != want {
		t.Errorf("error %q, want %q", err, want)
	}
}

func FuzzExactRate(f *testing.F) {
	f.Add(0, 12500.0, 0.95)
	f.Add(137, 24.19893, 0.95)
	f.Add(1, 0.0, 0.95)
	f.Add(math.MaxInt32, 1e-300, 0.5)
	f.Add(-1, -1.0, 95.0)
	f.Fuzz(func(t *testing.T, events int, exposure, level float64) {
		r, err := ExactRate(events, exposure, level)
		if err != nil {
			return
		}
		if !(0 <= r.Low && r.Low <= r.PerUnit && r.PerUnit <= r.High) {
			t.Errorf("%+v", r)
		}
	})
}
