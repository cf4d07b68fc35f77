package lifedata

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// readData returns the rows of a reference data set, of one group or of all
// if group is "*".
func readData(t testing.TB, name, group string) []Obs {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := ReadObs(f)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	var kept []Obs
	for _, o := range all {
		if group == "*" || o.Group == group {
			kept = append(kept, o)
		}
	}
	if len(kept) == 0 {
		t.Fatalf("%s has no group %q", name, group)
	}
	return kept
}

func TestExponentialReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "C_exponential.json", 5) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				Dataset, Group string
				Level          float64
			}
			c.decode(t, &in)
			e, err := FitExponential(readData(t, in.Dataset, in.Group), in.Level)
			if err != nil {
				t.Fatal(err)
			}
			c.check(t, map[string]float64{
				"rate":                 e.Rate,
				"mean":                 e.Mean,
				"loglik":               e.LogLik,
				"se_log_rate":          e.SELogRate,
				"wald_lower":           e.Wald.Low,
				"wald_upper":           e.Wald.High,
				"lr_lower":             e.Profile.Low,
				"lr_upper":             e.Profile.High,
				"n_units":              e.Components,
				"n_not_right_censored": e.Failures,
			}, map[string][]float64{
				"mean":          {e.Mean},
				"se_mean":       {e.Mean * e.SELogRate},
				"mean_lr":       {1 / e.Profile.High, 1 / e.Profile.Low},
				"mean_wald_log": {1 / e.Wald.High, 1 / e.Wald.Low},
			})
		})
	}
}

func TestWeibullReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "D_weibull.json", 6) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				Dataset, Group string
				Level          float64
				Times          []float64
				BFraction      float64 `json:"b_fraction"`
			}
			c.decode(t, &in)
			w, err := FitWeibull(readData(t, in.Dataset, in.Group), WeibullOptions{Level: in.Level, FitAnyway: true})
			if err != nil {
				t.Fatal(err)
			}
			b := w.Quantile(in.BFraction)
			got := map[string]float64{
				"shape":                   w.Shape,
				"scale":                   w.Scale,
				"loglik":                  w.LogLik,
				"se_log_shape":            w.SELogShape,
				"se_log_scale":            w.SELogScale,
				"cov_log_shape_log_scale": w.Covariance,
				"shape_lower":             w.ShapeWald.Low,
				"shape_upper":             w.ShapeWald.High,
				"scale_lower":             w.ScaleWald.Low,
				"scale_upper":             w.ScaleWald.High,
				"b10":                     b.Value,
				"se_log_b10":              b.SE,
				"b10_lower":               b.Low,
				"b10_upper":               b.High,
				"mean_life":               w.MeanLife(),
				"exponential_loglik":      w.ExponentialLogLik,
				"exponential_rate":        w.ExponentialRate,
				"lr_stat_shape1":          w.LRShape1,
				"lr_p_shape1":             w.PLRShape1,
				"n_units":                 w.Components,
				"n_not_right_censored":    w.Failures,
			}
			for i, time := range in.Times {
				s := w.Survival(time)
				for key, v := range map[string]float64{"t": time, "survival": s.Value, "lower": s.Low, "upper": s.High} {
					got[fmt.Sprintf("survival_at.%d.%s", i, key)] = v
				}
			}
			c.check(t, got, map[string][]float64{
				"shape":      {w.Shape},
				"scale":      {w.Scale},
				"abs_loglik": {math.Abs(w.LogLik)},
			})
		})
	}
}

func TestAgeReplacementReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "J_age_replacement.json", 6) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				Shape, Scale, CP, CF float64
				At                   []float64 `json:"T_eval"`
			}
			c.decode(t, &in)
			p, err := NewAgePolicy(in.Shape, in.Scale, in.CP, in.CF)
			if err != nil {
				t.Fatal(err)
			}
			got := map[string]float64{
				"mttf":                    p.MeanLife,
				"run_to_failure_rate":     p.RunToFailure,
				"finite_optimum":          truth(p.Finite),
				"optimal_T":               p.Age,
				"optimal_cost_rate":       p.CostRate,
				"ratio_to_run_to_failure": p.Ratio,
			}
			if p.Finite {
				got["prob_fail_before_T"] = p.FailBefore
			}
			for i, age := range in.At {
				got[fmt.Sprintf("evaluated.%d.T", i)] = age
				got[fmt.Sprintf("evaluated.%d.cost_rate", i)] = p.CostAt(age)
			}
			c.check(t, got, map[string][]float64{"optimal_T": {p.Age}, "optimal_cost_rate": {p.CostRate}})
		})
	}
}

func TestConditionalReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "K_conditional.json", 6) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				Kind           string
				Shape, Scale   float64
				Dataset, Group string
				Level          float64
			}
			c.decode(t, &in)
			var grid struct {
				Grid []struct{ Age, Horizon float64 }
			}
			if err := json.Unmarshal(c.Outputs, &grid); err != nil {
				t.Fatal(err)
			}
			got := map[string]float64{}
			at := func(i int, key string, v float64) { got[fmt.Sprintf("grid.%d.%s", i, key)] = v }
			var w Weibull
			if in.Kind == "weibull_fit" {
				var err error
				w, err = FitWeibull(readData(t, in.Dataset, in.Group), WeibullOptions{Level: in.Level})
				if err != nil {
					t.Fatal(err)
				}
				got["shape"], got["scale"] = w.Shape, w.Scale
			}
			for i, g := range grid.Grid {
				at(i, "age", g.Age)
				at(i, "horizon", g.Horizon)
				if in.Kind == "weibull" {
					at(i, "prob", ConditionalFailure(in.Shape, in.Scale, g.Age, g.Horizon))
					continue
				}
				e := w.ConditionalFailure(g.Age, g.Horizon)
				at(i, "prob", e.Value)
				at(i, "lower", e.Low)
				at(i, "upper", e.High)
			}
			c.check(t, got, nil)
		})
	}
}
