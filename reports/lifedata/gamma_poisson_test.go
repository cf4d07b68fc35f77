package lifedata

import (
	"fmt"
	"testing"
)

func TestGammaPoissonReference(t *testing.T) {
	for _, c := range readReference(t, "I_empirical_bayes.json", 4) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				Dataset string
				Level   float64
			}
			c.decode(t, &in)
			var counts []Count
			for _, row := range readTable(t, in.Dataset, "family", "events", "exposure") {
				counts = append(counts, Count{int(number(t, row[1])), number(t, row[2])})
			}
			f, err := GammaPoisson(counts, in.Level)
			if err != nil {
				t.Fatal(err)
			}
			got := map[string]float64{
				"prior_degenerate":    truth(f.Degenerate),
				"overdispersion_stat": f.Overdispersion,
			}
			if f.Degenerate {
				got["pooled_rate"], got["poisson_loglik"] = f.Pooled, f.PoissonLogLik
			} else {
				got["prior_shape"], got["prior_rate"] = f.Shape, f.Rate
				got["prior_mean"], got["loglik"] = f.Shape/f.Rate, f.LogLik
			}
			for i, p := range f.Families {
				for key, v := range map[string]float64{
					"events": float64(counts[i].Events), "exposure": counts[i].Exposure,
					"raw_rate":  float64(counts[i].Events) / counts[i].Exposure,
					"post_mean": p.Mean, "lower": p.Low, "upper": p.High,
					"shrinkage_weight": p.Shrinkage, "p_highest": p.ProbHighest,
				} {
					got[fmt.Sprintf("families.%d.%s", i, key)] = v
				}
			}
			c.check(t, got, nil)
		})
	}
}
