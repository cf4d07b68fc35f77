package lifedata

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Newcombe (1998), Statistics in Medicine 17, 857–872, table I: 95 %
// intervals by his methods 3 (score) and 5 (exact), to four decimals. Values
// from memory.
func TestProportionPublished(t *testing.T) {
	t.Parallel()
	tests := []struct {
		x, n         int
		exact, score Interval
	}{
		{81, 263, Interval{0.2527, 0.3676}, Interval{0.2553, 0.3662}},
		{15, 148, Interval{0.0578, 0.1617}, Interval{0.0624, 0.1605}},
		{0, 20, Interval{0, 0.1684}, Interval{0, 0.1611}},
		{1, 29, Interval{0.0009, 0.1776}, Interval{0.0061, 0.1718}},
	}
	for _, tt := range tests {
		checkInterval(t, "ClopperPearson", tt.x, tt.n, ClopperPearson(tt.x, tt.n, 0.95), tt.exact)
		checkInterval(t, "Wilson", tt.x, tt.n, Wilson(tt.x, tt.n, 0.95), tt.score)
	}
}

func checkInterval(t *testing.T, what string, x, n int, got, want Interval) {
	t.Helper()
	const half = 0.5e-4
	if !near(got.Low, want.Low, 0, half) || !near(got.High, want.High, 0, half) {
		t.Errorf("%s(%d, %d) = %v, want %v", what, x, n, got, want)
	}
}

func TestProportionSpecialCases(t *testing.T) {
	t.Parallel()
	for name, f := range map[string]func(x, n int, level float64) Interval{
		"ClopperPearson": ClopperPearson,
		"Wilson":         Wilson,
	} {
		if got := f(0, 0, 0.95); got != (Interval{0, 1}) {
			t.Errorf("%s without trials = %v, want [0, 1]", name, got)
		}
		for _, n := range []int{1, 2, 17, 1000000} {
			if got := f(0, n, 0.95); got.Low != 0 || !(got.High < 1) {
				t.Errorf("%s(0, %d) = %v, want a low end of exactly 0", name, n, got)
			}
			if got := f(n, n, 0.95); got.High != 1 || !(got.Low > 0) {
				t.Errorf("%s(%d, %d) = %v, want a high end of exactly 1", name, n, n, got)
			}
		}
	}
	for _, tt := range outsideProportion {
		for name, v := range map[string]float64{
			"ClopperPearson low":  ClopperPearson(tt.x, tt.n, tt.level).Low,
			"ClopperPearson high": ClopperPearson(tt.x, tt.n, tt.level).High,
			"Wilson low":          Wilson(tt.x, tt.n, tt.level).Low,
			"Wilson high":         Wilson(tt.x, tt.n, tt.level).High,
		} {
			if !math.IsNaN(v) {
				t.Errorf("%s(%d, %d, %v) = %v, want NaN", name, tt.x, tt.n, tt.level, v)
			}
		}
	}
}

var outsideProportion = []struct {
	x, n  int
	level float64
}{
	{-1, 5, 0.95},
	{6, 5, 0.95},
	{0, -1, 0.95},
	{2, 5, 0},
	{2, 5, 1},
	{2, 5, 95},
	{2, 5, math.NaN()},
}

func level(t *rapid.T) float64 {
	return rapid.Float64Range(0.5, 0.999).Draw(t, "level")
}

// The limits are checked against what defines them, by adding up binomial
// probabilities: at the lower limit x or more, at the upper limit x or fewer,
// successes have exactly the probability left in that tail. Clopper and
// Pearson (1934).
func TestClopperPearsonDefinition(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 200).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		level := level(t)
		limits, tail := ClopperPearson(x, n, level), (1-level)/2
		if x > 0 {
			if got := sumBinomial(x, n, n, limits.Low); !near(got, tail, 1e-9, 0) {
				t.Fatalf("P(K >= %d) at the lower limit %v is %v, want %v", x, limits.Low, got, tail)
			}
		}
		if x < n {
			if got := sumBinomial(0, x, n, limits.High); !near(got, tail, 1e-9, 0) {
				t.Fatalf("P(K <= %d) at the upper limit %v is %v, want %v", x, limits.High, got, tail)
			}
		}
	})
}

// sumBinomial adds the probabilities of from..to successes in n trials.
func sumBinomial(from, to, n int, p float64) float64 {
	sum := 0.0
	for k := from; k <= to; k++ {
		sum += binomial(k, n, p)
	}
	return sum
}

func binomial(k, n int, p float64) float64 {
	product := 1.0
	for i := 1; i <= k; i++ {
		product *= float64(n-k+i) / float64(i) * p
		// Failures are multiplied in along the way to keep the product in range.
		if i <= n-k {
			product *= 1 - p
		}
	}
	return product * math.Pow(1-p, math.Max(0, float64(n-2*k)))
}

// The ends of the score interval are the p at which x/n lies z standard
// errors, taken at p, away. Wilson (1927).
func TestWilsonDefinition(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 1000).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		z := math.Sqrt2 * math.Erfinv(0.95) // the 0.975 quantile of the standard normal distribution
		w := Wilson(x, n, 0.95)
		seen := float64(x) / float64(n)
		for _, p := range []float64{w.Low, w.High} {
			if (x == 0 && p == 0) || (x == n && p == 1) {
				continue
			}
			want := z * z * p * (1 - p) / float64(n)
			if got := (seen - p) * (seen - p); !near(got, want, 1e-8, 1e-15) {
				t.Fatalf("at the end %v of %v the squared distance is %v, want %v", p, w, got, want)
			}
		}
	})
}

func TestProportionProperties(t *testing.T) {
	t.Parallel()
	for name, f := range map[string]func(x, n int, level float64) Interval{
		"ClopperPearson": ClopperPearson,
		"Wilson":         Wilson,
	} {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				n := rapid.IntRange(1, 5000).Draw(t, "n")
				x := rapid.IntRange(0, n).Draw(t, "x")
				level := level(t)
				got := f(x, n, level)
				share := float64(x) / float64(n)

				if !(0 <= got.Low && got.Low <= share && share <= got.High && got.High <= 1) {
					t.Fatalf("%v does not hold %d/%d", got, x, n)
				}
				mirror := f(n-x, n, level)
				if !near(1-mirror.High, got.Low, 0, 1e-12) || !near(1-mirror.Low, got.High, 0, 1e-12) {
					t.Fatalf("%v is not the mirror of %v", got, mirror)
				}
				if x < n {
					if next := f(x+1, n, level); !(next.Low > got.Low && next.High > got.High) {
						t.Fatalf("one more success moves %v to %v, want both ends higher", got, next)
					}
				}
				more := rapid.IntRange(2, 10).Draw(t, "more")
				if wide, narrow := width(got), width(f(more*x, more*n, level)); !(narrow < wide) {
					t.Fatalf("%d times the trials change the width from %v to %v, want less", more, wide, narrow)
				}
				if surer := f(x, n, (1+level)/2); !(surer.Low <= got.Low && got.High <= surer.High) {
					t.Fatalf("%v at a higher level is not around %v", surer, got)
				}
			})
		})
	}
}

func width(i Interval) float64 {
	return i.High - i.Low
}

// "Exact" promises that the true probability is covered at least level of the
// time, whatever it is.
func TestClopperPearsonCoverage(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "n")
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		level := level(t)
		covered := 0.0
		for x := 0; x <= n; x++ {
			if i := ClopperPearson(x, n, level); i.Low <= p && p <= i.High {
				covered += binomial(x, n, p)
			}
		}
		if !(covered >= level-1e-9) {
			t.Fatalf("%v is covered with probability %v, want at least %v", p, covered, level)
		}
	})
}

func FuzzProportion(f *testing.F) {
	f.Add(0, 0, 0.95)
	f.Add(3, 1000, 0.99)
	f.Add(12, 12, 0.9)
	f.Add(1, math.MaxInt32, 0.999999999)
	for _, tt := range outsideProportion {
		f.Add(tt.x, tt.n, tt.level)
	}
	f.Fuzz(func(t *testing.T, x, n int, level float64) {
		inside := 0 <= x && x <= n && level > 0 && level < 1
		for _, i := range []Interval{
			ClopperPearson(x, n, level),
			Wilson(x, n, level),
		} {
			if ok := 0 <= i.Low && i.Low <= i.High && i.High <= 1; ok != inside {
				t.Errorf("x = %d, n = %d, level = %v: %v", x, n, level, i)
			}
		}
	})
}
