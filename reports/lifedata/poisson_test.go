package lifedata

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Pearson and Hartley, Biometrika Tables for Statisticians, volume 1, table
// 40: 95 % limits for a Poisson mean, to the places given. Values from memory.
func TestGarwoodPublished(t *testing.T) {
	t.Parallel()
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
	t.Parallel()
	for _, tt := range []struct {
		events int
		level  float64
	}{
		{-1, 0.95}, {3, 0}, {3, 1}, {3, 95}, {3, math.NaN()},
	} {
		for name, v := range map[string]float64{
			"Garwood low":  Garwood(tt.events, tt.level).Low,
			"Garwood high": Garwood(tt.events, tt.level).High,
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
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		events := rapid.IntRange(0, 200).Draw(t, "events")
		level := level(t)
		limits, tail := Garwood(events, level), (1-level)/2
		if got := 1 - sumPoisson(events-1, limits.Low); events > 0 && !near(got, tail, 1e-8, 0) {
			t.Fatalf("P(N >= %d) at the lower limit %v is %v, want %v", events, limits.Low, got, tail)
		}
		if got := sumPoisson(events, limits.High); !near(got, tail, 1e-8, 0) {
			t.Fatalf("P(N <= %d) at the upper limit %v is %v, want %v", events, limits.High, got, tail)
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
	t.Parallel()
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

func checkError(t *testing.T, err error, want string) {
	t.Helper()
	if err == nil {
		t.Fatalf("no error, want %q", want)
	}
	if err.Error() != want {
		t.Errorf("error %q, want %q", err, want)
	}
}
