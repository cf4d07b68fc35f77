package lifedata

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestBenjaminiHochbergProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOf(rapid.Float64Range(0, 1)).Draw(t, "p")
		adjusted := BenjaminiHochberg(p)
		// The step-up rule itself, at a level drawn.
		q := rapid.Float64Range(0.001, 0.999).Draw(t, "q")
		sorted := slices.Sorted(slices.Values(p))
		cut := -1.0
		for i, v := range sorted {
			if v <= q*float64(i+1)/float64(len(p)) {
				cut = v
			}
		}
		for i, v := range p {
			if !(adjusted[i] >= v && adjusted[i] <= 1) {
				t.Fatalf("%v adjusted to %v", v, adjusted[i])
			}
			if math.Abs(adjusted[i]-q) > 1e-9 && (v <= cut) != (adjusted[i] <= q) {
				t.Fatalf("%v adjusted to %v; the step-up rule at %v rejects up to %v", v, adjusted[i], q, cut)
			}
		}
	})
	got := BenjaminiHochberg([]float64{0.02, math.NaN(), 0.01})
	if got[0] != 0.02 || !math.IsNaN(got[1]) || got[2] != 0.02 {
		t.Errorf("a test not made counts: %v", got)
	}
}

// Two groups with the same data do not differ; the names and the order of
// groups do not matter; a third that was never at risk changes nothing.
func TestLogRankProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := dated(drawObs(t, true)), dated(drawObs(t, true))
		x, err := LogRank([]Group{{"a", a}, {"b", b}})
		if err != nil {
			return
		}
		y, err := LogRank([]Group{{"b", b}, {"never", nil}, {"a", a}})
		if err != nil {
			t.Fatal(err)
		}
		if !near(x.ChiSquare, y.ChiSquare, 1e-9, 1e-12) || x.DF != y.DF {
			t.Fatalf("%+v and %+v", x, y)
		}
		var observed, expected float64
		for _, g := range x.Groups {
			observed += g.Observed
			expected += g.Expected
		}
		if !near(observed, expected, 1e-9, 0) {
			t.Fatalf("%v observed, %v expected", observed, expected)
		}
		same, err := LogRank([]Group{{"a", a}, {"b", a}})
		if err == nil && !near(same.ChiSquare, 0, 0, 1e-12) {
			t.Fatalf("a group differs from itself: %+v", same)
		}
	})
	_, err := LogRank([]Group{{"a", lives(3, 10)}, {"b", nil}})
	checkRefusal(t, err, "only one group was at risk when something failed")
	_, err = LogRank([]Group{{"a", lives(0, 10)}, {"b", lives(0, 4)}})
	checkRefusal(t, err, "nothing failed")
}

// The age that costs least is no dearer than any other, and its cost rate is
// the hazard there times the difference of costs (Barlow and Hunter 1960).
func TestAgePolicyProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		shape := rapid.Float64Range(0.3, 8).Draw(t, "shape")
		scale := rapid.Float64Range(0.1, 1e4).Draw(t, "scale")
		planned := rapid.Float64Range(0.1, 100).Draw(t, "planned")
		failure := rapid.Float64Range(0.1, 1000).Draw(t, "failure")
		p, err := NewAgePolicy(shape, scale, planned, failure)
		if err != nil {
			if math.Abs(shape-1) > 0.05 {
				t.Fatal(err)
			}
			return
		}
		if p.Finite != (shape > 1 && failure > planned) {
			t.Fatalf("%+v", p)
		}
		age := scale * rapid.Float64Range(0.01, 5).Draw(t, "age")
		if p.CostAt(age) < p.CostRate*(1-1e-9) {
			t.Fatalf("age %v costs %v, less than %+v", age, p.CostAt(age), p)
		}
		if p.Finite && p.Age < 30*scale {
			hazard := shape / scale * math.Pow(p.Age/scale, shape-1)
			if !near(p.CostRate, (failure-planned)*hazard, 1e-6, 0) {
				t.Fatalf("cost rate %v, want %v", p.CostRate, (failure-planned)*hazard)
			}
		}
	})
	_, err := NewAgePolicy(2, 10, 0, 5)
	checkError(t, err, "the planned cost is 0; give a finite number above zero")
}

func TestConditionalFailureProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		shape := rapid.Float64Range(0.3, 5).Draw(t, "shape")
		scale := rapid.Float64Range(1, 100).Draw(t, "scale")
		age := rapid.Float64Range(0, 100).Draw(t, "age")
		first := rapid.Float64Range(0.01, 50).Draw(t, "first")
		second := rapid.Float64Range(0.01, 50).Draw(t, "second")
		// Surviving both spans is surviving the first and then the second.
		whole := 1 - ConditionalFailure(shape, scale, age, first+second)
		parts := (1 - ConditionalFailure(shape, scale, age, first)) * (1 - ConditionalFailure(shape, scale, age+first, second))
		if !near(whole, parts, 1e-9, 1e-14) {
			t.Fatalf("survives both with %v, one after the other %v", whole, parts)
		}
	})
	for _, bad := range [][4]float64{{0, 1, 1, 1}, {1, -1, 1, 1}, {1, 1, -1, 1}, {1, 1, 1, -1}, {math.NaN(), 1, 1, 1}} {
		if p := ConditionalFailure(bad[0], bad[1], bad[2], bad[3]); !math.IsNaN(p) {
			t.Errorf("ConditionalFailure(%v) = %v", bad, p)
		}
	}
}
