package lifedata

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// atRisk counts a risk set from its definition.
func atRisk(obs []Obs, age float64) (n, failed float64) {
	for _, o := range obs {
		if o.Entry < age && age <= o.Lower {
			n += o.Count
			if o.Exact() && o.Lower == age {
				failed += o.Count
			}
		}
	}
	return n, failed
}

// dated keeps what Kaplan and Meier can use.
func dated(obs []Obs) []Obs {
	return slices.DeleteFunc(obs, func(o Obs) bool { return !o.Exact() && !o.RightCensored() || !o.informative() })
}

func TestKaplanMeierDefinition(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		obs := dated(drawObs(t, true))
		points, err := KaplanMeier(obs, 0.95)
		if err != nil {
			if TallyOf(obs).Failures > 0 {
				t.Fatal(err)
			}
			return
		}
		survival, last := 1.0, 0.0
		for _, p := range points {
			n, d := atRisk(obs, p.Time)
			if p.AtRisk != n || p.Events != d || d == 0 || p.Time <= last {
				t.Fatalf("%+v, want %v at risk, %v failed", p, n, d)
			}
			survival *= 1 - d/n
			if !near(p.Survival, survival, 1e-12, 1e-15) {
				t.Fatalf("%+v, want survival %v", p, survival)
			}
			if p.Survival > 0 && !(0 <= p.Low && p.Low <= p.Survival && p.Survival <= p.High && p.High <= 1) {
				t.Fatalf("limits of %+v", p)
			}
			last = p.Time
		}
	})
}

func TestKaplanMeierRefusals(t *testing.T) {
	t.Parallel()
	_, err := KaplanMeier([]Obs{{Lower: 2, Upper: 3, Count: 1}}, 0.95)
	checkRefusal(t, err, "some failures are only known to lie in an interval of ages; this needs exact ages at failure")
	_, err = KaplanMeier([]Obs{{Lower: 2, Upper: math.Inf(1), Count: 1}}, 0.95)
	checkRefusal(t, err, "nothing failed")
}

// Without intervals the curve is Kaplan and Meier's.
func TestTurnbullIsKaplanMeier(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		obs := dated(drawObs(t, false))
		points, err := KaplanMeier(obs, 0.95)
		if err != nil {
			return
		}
		curve, err := Turnbull(obs)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range points {
			s := curve.Steps[i]
			if !s.Exact() || s.Upper != p.Time || !near(s.Survival, p.Survival, 1e-8, 1e-9) {
				t.Fatalf("step %+v, want %+v", s, p)
			}
		}
	})
}

// poolAdjacent is weighted isotonic regression of the failed fractions at
// inspection ages, the answer for current status (Barlow, Bartholomew, Bremner
// and Brunk 1972).
func poolAdjacent(obs []Obs) map[float64]float64 {
	type block struct {
		ages      []float64
		failed, n float64
	}
	byAge := map[float64]*block{}
	for _, o := range obs {
		age := o.Lower
		if !o.RightCensored() {
			age = o.Upper
		}
		b := byAge[age]
		if b == nil {
			b = &block{ages: []float64{age}}
			byAge[age] = b
		}
		b.n += o.Count
		if !o.RightCensored() {
			b.failed += o.Count
		}
	}
	var blocks []block
	for _, b := range byAge {
		blocks = append(blocks, *b)
	}
	slices.SortFunc(blocks, func(a, b block) int { return cmp.Compare(a.ages[0], b.ages[0]) })
	for i := 0; i+1 < len(blocks); {
		a, b := blocks[i], blocks[i+1]
		if a.failed*b.n <= b.failed*a.n {
			i++
			continue
		}
		blocks[i] = block{append(a.ages, b.ages...), a.failed + b.failed, a.n + b.n}
		blocks = slices.Delete(blocks, i+1, i+2)
		i = max(i-1, 0)
	}
	share := map[float64]float64{}
	for _, b := range blocks {
		for _, age := range b.ages {
			share[age] = b.failed / b.n
		}
	}
	return share
}

func TestTurnbullIsIsotonicRegression(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		obs := slices.DeleteFunc(drawObs(t, false), func(o Obs) bool { return !o.RightCensored() && o.Lower > 0 })
		if TallyOf(obs).Failures == 0 {
			return
		}
		curve, err := Turnbull(obs)
		if err != nil {
			t.Fatal(err)
		}
		want := poolAdjacent(obs)
		for _, s := range curve.Steps {
			if share, ok := want[s.Upper]; ok && !near(1-s.Survival, share, 0, 1e-7) {
				t.Fatalf("failed by %v: %v, want %v", s.Upper, 1-s.Survival, share)
			}
		}
	})
}

// The optimality conditions, from their definition: no innermost interval has
// a derivative above the number of components, and those with mass have just
// that.
func checkOptimal(t rapid.TB, obs []Obs, curve TurnbullCurve) {
	t.Helper()
	covers := func(o Obs, s TurnbullStep) bool {
		if o.Exact() {
			return s.Exact() && s.Lower == o.Lower
		}
		if s.Exact() {
			return o.Lower < s.Lower && s.Upper <= o.Upper
		}
		return o.Lower <= s.Lower && s.Upper <= o.Upper
	}
	slopes := make([]float64, len(curve.Steps))
	var mass float64
	for _, s := range curve.Steps {
		mass += s.Mass
		if !(s.Mass >= 0) {
			t.Fatalf("mass of %+v", s)
		}
	}
	if !near(mass, 1, 1e-12, 0) {
		t.Fatalf("the masses add up to %v", mass)
	}
	n := 0.0
	for _, o := range obs {
		if !o.informative() {
			continue
		}
		n += o.Count
		var p float64
		for _, s := range curve.Steps {
			if covers(o, s) {
				p += s.Mass
			}
		}
		for i, s := range curve.Steps {
			if covers(o, s) {
				slopes[i] += o.Count / p
			}
		}
	}
	for i, d := range slopes {
		if !(d <= n*(1+1e-8)) || curve.Steps[i].Mass > 0 && !(d >= n*(1-1e-8)) {
			t.Fatalf("derivative %v of %+v for %v components", d, curve.Steps[i], n)
		}
	}
}

func TestTurnbullOptimal(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		obs := drawObs(t, false)
		curve, err := Turnbull(obs)
		if err != nil {
			if TallyOf(obs).Failures > 0 {
				t.Fatal(err)
			}
			return
		}
		checkOptimal(t, obs, curve)
	})
}

// Larger sets of each kind, where nearly every age is its own or nearly all
// are shared.
func TestTurnbullLarge(t *testing.T) {
	t.Parallel()
	kinds := map[string]func(o Obs) bool{
		"mixed":          func(Obs) bool { return true },
		"intervals only": func(o Obs) bool { return !o.Exact() },
		"current status": func(o Obs) bool { return o.Lower == 0 || o.RightCensored() },
	}
	for name, keep := range kinds {
		for _, unit := range []float64{0, 1. / 12, 1} { // as drawn, months, years
			t.Run(fmt.Sprintf("%s, ages by %.3g", name, unit), func(t *testing.T) {
				var obs []Obs
				for _, o := range mixedLives(6000) {
					if !keep(o) {
						continue
					}
					if unit > 0 {
						o.Lower = math.Floor(o.Lower/unit) * unit
						o.Upper = math.Max(math.Ceil(o.Upper/unit)*unit, o.Lower)
					}
					obs = append(obs, o)
				}
				curve, err := Turnbull(obs)
				if err != nil {
					t.Fatal(err)
				}
				if !(curve.Gap <= 1e-9) {
					t.Errorf("gap %v", curve.Gap)
				}
				if unit == 1 {
					checkOptimal(t, obs, curve)
				}
			})
		}
	}
}

func TestTurnbullRefusals(t *testing.T) {
	t.Parallel()
	_, err := Turnbull([]Obs{{Entry: 1, Lower: 2, Upper: 3, Count: 1}})
	checkRefusal(t, err, "some are only at risk from a later age; a curve from intervals needs all from the start")
	_, err = Turnbull([]Obs{{Lower: 2, Upper: math.Inf(1), Count: 1}})
	checkRefusal(t, err, "nothing failed")
}

// drawHistories draws units with recurrences, ties and late entry among them.
func drawHistories(t *rapid.T, late bool) []History {
	age := func(what string) float64 { return float64(rapid.IntRange(1, 20).Draw(t, what)) }
	var all []History
	for i := range rapid.IntRange(1, 12).Draw(t, "units") {
		h := History{Unit: fmt.Sprint(i), End: age("end")}
		if late && rapid.Bool().Draw(t, "late") {
			h.Entry = h.End
			h.End += age("stay")
		}
		for range rapid.IntRange(0, 5).Draw(t, "events") {
			if e := age("event"); e > h.Entry && e <= h.End {
				h.Events = append(h.Events, e)
			}
		}
		all = append(all, h)
	}
	return all
}

// The sums kept from step to step against the definition, unit by unit.
func TestMeanCumulativeDefinition(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		histories := drawHistories(t, true)
		points, err := MeanCumulative(histories, 0.95)
		if err != nil {
			var refused *Refusal
			if !errors.As(err, &refused) {
				t.Fatal(err)
			}
			return
		}
		influence := make([]float64, len(histories))
		var mean float64
		for _, p := range points {
			var r, d float64
			own := make([]float64, len(histories))
			present := make([]bool, len(histories))
			for i, h := range histories {
				if h.Entry < p.Time && p.Time <= h.End {
					present[i] = true
					r++
				}
				for _, e := range h.Events {
					if e == p.Time {
						own[i]++
						d++
					}
				}
			}
			mean += d / r
			var variance float64
			for i := range histories {
				if present[i] {
					influence[i] += (own[i] - d/r) / r
				}
				variance += influence[i] * influence[i]
			}
			if float64(p.AtRisk) != r || float64(p.Events) != d || !near(p.Mean, mean, 1e-12, 0) || !near(p.StdErr*p.StdErr, variance, 1e-9, 1e-12) {
				t.Fatalf("%+v, want %v at risk, %v events, mean %v, variance %v", p, r, d, mean, variance)
			}
		}
	})
}

func TestMeanCumulativeErrors(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name string
		h    History
		want string
	}{
		{"not a number", History{Unit: "a", End: math.NaN()}, `unit "a": age NaN is not a finite number`},
		{"ends before it begins", History{Unit: "a", Entry: 4, End: 4}, `unit "a": observation ends at 4, not after its begin 4`},
		{"event outside", History{Unit: "a", Entry: 4, End: 9, Events: []float64{4}}, `unit "a": an event at 4 lies outside the time observed, 4 to 9`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := MeanCumulative([]History{tt.h}, 0.95)
			checkError(t, err, tt.want)
		})
	}
	_, err := MeanCumulative(nil, 0.95)
	checkRefusal(t, err, "there are no units")
	_, err = MeanCumulative([]History{{End: 3}}, 0.95)
	checkRefusal(t, err, "there are no events")
}

// Exact ages in clusters: the sandwich of the likelihood is the ratio
// estimator's.
func TestClusterIsSandwich(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 2))
	var obs []Obs
	var units []Cluster
	for u := range 12 {
		c := Cluster{}
		for range 1 + r.IntN(6) {
			life, end := 50*r.ExpFloat64(), 40*r.Float64()+1
			o := Obs{Unit: fmt.Sprint(u), Lower: math.Min(life, end), Upper: math.Inf(1), Count: 1}
			if life <= end {
				o.Upper = life
				c.Numerator++
			}
			c.Denominator += o.Lower
			obs = append(obs, o)
		}
		units = append(units, c)
	}
	e, err := FitExponential(obs, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	want, err := EstimateRatio(KindRate, units, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	if !near(e.Rate, want.Ratio, 1e-10, 0) || !near(e.SERobust, want.SETransformed, 1e-10, 0) || !near(e.DesignEffect, want.DesignEffect, 1e-10, 0) || !near(e.Robust.Low, want.TransformedT.Low, 1e-10, 0) {
		t.Errorf("%+v, want %+v", e, want)
	}
}

func TestEstimateRatioErrors(t *testing.T) {
	t.Parallel()
	ok := []Cluster{{1, 2}, {0, 3}}
	for _, tt := range []struct {
		name  string
		kind  RatioKind
		units []Cluster
		level float64
		want  string
	}{
		{"kind", "share", ok, 0.95, `unknown kind of ratio "share"; write "proportion" or "rate"`},
		{"more than all", KindProportion, []Cluster{{3, 2}, {0, 1}}, 0.95, "unit 1: 3 of 2 is more than all"},
		{"negative", KindRate, []Cluster{{1, 2}, {-1, 1}}, 0.95, "unit 2: -1 over 1; give finite numbers, zero or more"},
		{"level", KindRate, ok, 95, "confidence level 95 is not between 0 and 1; write 95 % as 0.95"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := EstimateRatio(tt.kind, tt.units, tt.level)
			checkError(t, err, tt.want)
		})
	}
	_, err := EstimateRatio(KindRate, ok[:1], 0.95)
	checkRefusal(t, err, "a single unit does not show how units differ")
	_, err = EstimateRatio(KindRate, []Cluster{{0, 0}, {0, 0}}, 0.95)
	checkRefusal(t, err, "nothing was at risk")
}
