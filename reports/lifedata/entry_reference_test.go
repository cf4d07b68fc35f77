package lifedata

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"
)

// Delayed entry, clusters and comparisons; make_entry.R beside the values
// makes them and the data with R and its package survival.
func TestEntryReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "L_entry.json", 10) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				Kind, Dataset, Group string
				Level                float64
			}
			c.decode(t, &in)
			obs := readData(t, in.Dataset, in.Group)
			numbers, _ := c.flatten(t)
			got := map[string]float64{}
			// A case compares some of what the estimator gives.
			some := func(all map[string]float64) {
				for key := range numbers {
					got[key] = all[key]
				}
			}
			switch in.Kind {
			case "kaplan_meier":
				checkKaplanMeier(t, c)
				return
			case "logrank":
				r, err := LogRank(byGroup(obs))
				if err != nil {
					t.Fatal(err)
				}
				some(map[string]float64{"chisq": r.ChiSquare, "df": float64(r.DF), "p": r.P})
			case "exponential":
				e, err := FitExponential(obs, in.Level)
				if err != nil {
					t.Fatal(err)
				}
				some(map[string]float64{
					"rate": e.Rate, "loglik": e.LogLik, "se_log_rate": e.SELogRate,
					"se_robust": e.SERobust, "robust_lower": e.Robust.Low, "robust_upper": e.Robust.High,
				})
			case "weibull":
				w, err := FitWeibull(obs, WeibullOptions{Level: in.Level})
				if err != nil {
					t.Fatal(err)
				}
				some(map[string]float64{
					"shape": w.Shape, "scale": w.Scale, "loglik": w.LogLik,
					"se_log_shape": w.SELogShape, "se_log_scale": w.SELogScale,
					"shape_lower": w.ShapeLimits.Low, "shape_upper": w.ShapeLimits.High,
					"scale_lower": w.ScaleLimits.Low, "scale_upper": w.ScaleLimits.High,
					"robust_shape_lower": w.RobustShape.Low, "robust_shape_upper": w.RobustShape.High,
				})
			case "weibull_groups", "constant_groups":
				constant := in.Kind == "constant_groups"
				named, err := CompareHazards(byGroup(obs), constant)
				if err != nil {
					t.Fatal(err)
				}
				if named.P <= *numbers["p_independent"] || named.DesignEffect <= 1 {
					t.Errorf("units that differ do not weaken the evidence: %+v", named)
				}
				for i := range obs {
					obs[i].Unit = ""
				}
				alone, err := CompareHazards(byGroup(obs), constant)
				if err != nil {
					t.Fatal(err)
				}
				some(map[string]float64{"lr": named.LR, "df": float64(named.DF), "p_independent": alone.P})
			default:
				t.Fatalf("unknown kind %q", in.Kind)
			}
			c.check(t, got, nil)
		})
	}
}

// Entry at 0 for all is no delayed entry, and what happened before entry says
// nothing.
func TestEntryEdges(t *testing.T) {
	t.Parallel()
	obs := readData(t, "syn_entry2.csv", "*")
	before, err := FitWeibull(obs, WeibullOptions{Level: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	for i, o := range obs {
		if o.Lower == o.Entry && o.Entry > 0 {
			obs[i].Lower = 0 // a lower limit below entry counts as entry
		}
	}
	obs = append(obs, Obs{Unit: "late", Entry: 12, Lower: 12, Upper: math.Inf(1), Count: 1})
	after, err := FitWeibull(obs, WeibullOptions{Level: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	after.Components--
	if fmt.Sprint(before) != fmt.Sprint(after) {
		t.Errorf("%+v became %+v", before, after)
	}
}

// byGroup splits observations by group, in the order of the names.
func byGroup(obs []Obs) []Group {
	in := map[string][]Obs{}
	for _, o := range obs {
		in[o.Group] = append(in[o.Group], o)
	}
	var groups []Group
	for _, name := range slices.Sorted(maps.Keys(in)) {
		groups = append(groups, Group{name, in[name]})
	}
	return groups
}
