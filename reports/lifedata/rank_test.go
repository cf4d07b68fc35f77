package lifedata

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
)

// lives returns observations with the given failures of known age and time at
// risk.
func lives(events int, exposure float64) []Obs {
	part := exposure / float64(events+1)
	obs := []Obs{{Lower: part, Upper: math.Inf(1), Count: 1}}
	if events > 0 {
		obs = append(obs, Obs{Lower: part, Upper: part, Count: float64(events)})
	}
	return obs
}

// With exact ages, nothing to temper and a spread that the data settle, the
// ranking is the Gamma–Poisson model of the reference.
func TestRankFamiliesReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "I_empirical_bayes.json", 2) {
		t.Run(c.name(), func(t *testing.T) {
			var out struct {
				Mean     float64 `json:"prior_mean"`
				Shape    float64 `json:"prior_shape"`
				Families []struct {
					Family       string
					Events       int
					Exposure     float64
					Mean         float64 `json:"post_mean"`
					Lower, Upper float64
					Worst        float64 `json:"p_highest"`
					Raw          float64 `json:"raw_rate"`
					Shrinkage    float64 `json:"shrinkage_weight"`
				}
			}
			if err := json.Unmarshal(c.Outputs, &out); err != nil {
				t.Fatal(err)
			}
			var groups []Group
			for _, f := range out.Families {
				groups = append(groups, Group{f.Family, lives(f.Events, f.Exposure)})
			}
			r, err := RankFamilies(groups, 0.9)
			if err != nil {
				t.Fatal(err)
			}
			if r.Integrated {
				t.Error("integrated over priors that the data settle")
			}
			near := func(what string, got, want, rel, abs float64) {
				t.Helper()
				if !near(got, want, rel, abs) {
					t.Errorf("%s = %v, want %v", what, got, want)
				}
			}
			near("prior mean", r.Mean, out.Mean, 1e-5, 0)
			near("spread", r.Spread, 1/math.Sqrt(out.Shape), 1e-5, 0)
			for i, want := range out.Families {
				got := r.Families[i]
				near(want.Family+" mean", got.Mean, want.Mean, 1e-5, 0)
				near(want.Family+" low", got.Low, want.Lower, 1e-5, 0)
				near(want.Family+" high", got.High, want.Upper, 1e-5, 0)
				near(want.Family+" worst", got.ProbWorst, want.Worst, 1e-5, 1e-6)
			}
		})
	}
}

// inUnits spreads components over units, each seen for the given time: failed
// of the first ones failed at half of it.
func inUnits(units, perUnit int, failed []int, time float64) []Obs {
	var obs []Obs
	for u := range units {
		name := fmt.Sprintf("u%03d", u)
		f := 0
		if u < len(failed) {
			f = failed[u]
		}
		if f > 0 {
			obs = append(obs, Obs{Unit: name, Lower: time / 2, Upper: time / 2, Count: float64(f)})
		}
		obs = append(obs, Obs{Unit: name, Lower: time, Upper: math.Inf(1), Count: float64(perUnit - f)})
	}
	return obs
}

func ones(n int) []int {
	s := make([]int, n)
	for i := range s {
		s[i] = 1
	}
	return s
}

func rankOf(t testing.TB, families ...Group) Ranking {
	t.Helper()
	r, err := RankFamilies(families, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

var ordinary = []Group{
	{"transistor", inUnits(24, 60, ones(2), 50)},
	{"resistor", inUnits(24, 60, ones(1), 50)},
	{"relay", inUnits(24, 60, ones(9), 50)},
	{"lamp", inUnits(24, 60, ones(5), 50)},
	{"diode", inUnits(24, 60, nil, 50)},
}

// Forty failures in one unit are one event, twenty in twenty are twenty.
func TestRankClusters(t *testing.T) {
	t.Parallel()
	for _, other := range []struct {
		name string
		obs  []Obs
	}{
		{"one of many units", inUnits(24, 60, []int{40}, 50)},
		{"one of two units", inUnits(2, 60, []int{40}, 50)},
	} {
		t.Run(other.name, func(t *testing.T) {
			r := rankOf(t, append([]Group{
				{"twenty in twenty", inUnits(24, 60, ones(20), 50)},
				{"forty in one", other.obs},
			}, ordinary...)...)
			twenty, forty := r.Families[0], r.Families[1]
			if !(twenty.Mean > forty.Mean && twenty.Low > forty.Low && twenty.ProbWorst > forty.ProbWorst) {
				t.Errorf("twenty in twenty %+v, forty in one %+v", twenty, forty)
			}
		})
	}
}

// One failure in the only unit seen outranks nothing, and does not move the
// others.
func TestRankOneInOne(t *testing.T) {
	t.Parallel()
	with := rankOf(t, append([]Group{{"one in one", inUnits(1, 1, ones(1), 50)}}, ordinary...)...)
	without := rankOf(t, ordinary...)
	one := with.Families[0]
	if one.Refused == "" || one.Mean != 0 || one.ProbWorst != 0 {
		t.Errorf("one failure in one unit is ranked: %+v", one)
	}
	for i, f := range without.Families {
		if got := with.Families[i+1]; got != f {
			t.Errorf("%+v became %+v", f, got)
		}
	}
}

func TestRankProperties(t *testing.T) {
	t.Parallel()
	r := rankOf(t, ordinary...)
	var sum float64
	for i, f := range r.Families {
		sum += f.ProbWorst
		if !(f.Low < f.Mean && f.Mean < f.High) {
			t.Errorf("%+v", f)
		}
		for _, g := range r.Families[:i] {
			// All were at risk equally long, so the order is that of failures.
			if TallyOf(ordinary[i].Obs).Failures > TallyOf(groupOf(g.Name).Obs).Failures != (f.Mean > g.Mean) {
				t.Errorf("%+v and %+v are not in the order of their failures", f, g)
			}
		}
	}
	if !near(sum, 1, 1e-5, 0) {
		t.Errorf("the probabilities of being the worst add up to %v", sum)
	}

	// No more variation than chance makes: the spread is left open, so the
	// interval is wider than that of a common rate and no family is certain.
	var alike []Group
	for i := range 6 {
		alike = append(alike, Group{fmt.Sprint(i), lives(4+i%2, 1000)})
	}
	r = rankOf(t, alike...)
	if !r.Integrated {
		t.Errorf("a spread that the data leave open is not integrated over: %+v", r)
	}
	pooled := Garwood(27, 0.9)
	for _, f := range r.Families {
		if !(f.High-f.Low > (pooled.High-pooled.Low)/6000) || !(f.ProbWorst < 0.4) {
			t.Errorf("%+v", f)
		}
	}
}

func groupOf(name string) Group {
	for _, g := range ordinary {
		if g.Name == name {
			return g
		}
	}
	return Group{}
}

// A failure in a narrow interval is one of known age.
func TestRankIntervals(t *testing.T) {
	t.Parallel()
	exact := rankOf(t, ordinary...)
	var narrow []Group
	for _, g := range ordinary {
		n := Group{Name: g.Name}
		for _, o := range g.Obs {
			if o.Exact() {
				o.Lower -= 0.001
				o.Upper += 0.001
			}
			n.Obs = append(n.Obs, o)
		}
		narrow = append(narrow, n)
	}
	got := rankOf(t, narrow...)
	for i, want := range exact.Families {
		f := got.Families[i]
		if !near(f.Mean, want.Mean, 1e-4, 0) || !near(f.Low, want.Low, 1e-4, 0) || !near(f.High, want.High, 1e-4, 0) || !near(f.ProbWorst, want.ProbWorst, 1e-3, 1e-5) {
			t.Errorf("%+v, want %+v", f, want)
		}
	}
}

func TestRankRefusals(t *testing.T) {
	t.Parallel()
	none := func(n int) (groups []Group) {
		for i := range n {
			groups = append(groups, Group{fmt.Sprint(i), lives(0, 10)})
		}
		return groups
	}
	for _, tt := range []struct {
		families []Group
		want     string
	}{
		{ordinary[:4], "4 families can be ranked; a ranking needs at least 5"},
		{append(none(1), ordinary[1:4]...), "4 families can be ranked; a ranking needs at least 5"},
		{none(7), "nothing failed in any family"},
	} {
		_, err := RankFamilies(tt.families, 0.9)
		checkRefusal(t, err, tt.want)
	}
}
