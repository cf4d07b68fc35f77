package lifedata

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// tables calls visit with every table of the given margins.
func tables(rows, columns []int, visit func(table [][]int)) {
	table := make([][]int, len(rows))
	for i := range table {
		table[i] = make([]int, len(columns))
	}
	left := slices.Clone(columns)
	var fill func(i, j, rest int)
	fill = func(i, j, rest int) {
		if i == len(rows) {
			for _, n := range left {
				if n != 0 {
					return
				}
			}
			visit(table)
			return
		}
		if j == len(columns)-1 {
			if rest > left[j] {
				return
			}
			table[i][j] = rest
			left[j] -= rest
			next := 0
			if i+1 < len(rows) {
				next = rows[i+1]
			}
			fill(i+1, 0, next)
			left[j] += rest
			return
		}
		for v := 0; v <= min(rest, left[j]); v++ {
			table[i][j] = v
			left[j] -= v
			fill(i, j+1, rest-v)
			left[j] += v
		}
	}
	fill(0, 0, rows[0])
}

// The p-value against the sum over every table with these margins.
func TestFisherExactDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, c := rapid.IntRange(2, 4).Draw(t, "rows"), rapid.IntRange(2, 3).Draw(t, "columns")
		table := make([][]int, r)
		rows, columns := make([]int, r), make([]int, c)
		for i := range table {
			for j := range c {
				v := rapid.IntRange(0, 4).Draw(t, "count")
				table[i] = append(table[i], v)
				rows[i] += v
				columns[j] += v
			}
		}
		weight := func(table [][]int) float64 {
			w := 1.0
			for _, row := range table {
				for _, v := range row {
					w /= math.Gamma(float64(v) + 1)
				}
			}
			return w
		}
		limit := weight(table) * (1 + 1e-7)
		var likely, all float64
		tables(rows, columns, func(other [][]int) {
			w := weight(other)
			all += w
			if w <= limit {
				likely += w
			}
		})
		f, err := FisherExact(table, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if !near(f.TwoSided, likely/all, 1e-9, 0) {
			t.Fatalf("p-value %v of %v, want %v", f.TwoSided, table, likely/all)
		}
		o := f.TwoByTwo
		if (o != nil) != (r == 2 && c == 2) {
			t.Fatalf("odds ratio %v", o)
		}
		if o != nil && !math.IsNaN(o.Conditional) && !(o.Limits.Low <= o.Conditional && o.Conditional <= o.Limits.High) {
			t.Fatalf("%v: odds ratio %+v", table, o)
		}
	})
}

func TestFisherExactErrors(t *testing.T) {
	for _, tt := range []struct {
		name  string
		table [][]int
		level float64
		want  string
	}{
		{"one row", [][]int{{1, 2}}, 0.95, "the table needs at least two rows and two columns"},
		{"one column", [][]int{{1}, {2}}, 0.95, "the table needs at least two rows and two columns"},
		{"ragged", [][]int{{1, 2}, {2}}, 0.95, "row 2 has 1 columns, the first 2"},
		{"negative", [][]int{{1, 2}, {2, -1}}, 0.95, "a count in row 2 is -1; give zero or more"},
		{"level", [][]int{{1, 2}, {2, 1}}, 2, "confidence level 2 is not between 0 and 1; write 95 % as 0.95"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := FisherExact(tt.table, tt.level)
			checkError(t, err, tt.want)
		})
	}
	_, err := FisherExact([][]int{{900, 900, 900, 900}, {900, 900, 900, 900}, {900, 900, 900, 900}}, 0.95)
	checkRefusal(t, err, "there are too many tables with these margins for an exact test")
}

func TestBenjaminiHochbergProperties(t *testing.T) {
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
