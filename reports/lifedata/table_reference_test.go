package lifedata

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// readTable returns the rows of a reference CSV that is no observation file,
// under the header it must have.
func readTable(t *testing.T, name string, header ...string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(rows[0]) != fmt.Sprint(header) {
		t.Fatalf("%s: columns %v, want %v", name, rows[0], header)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func checkKaplanMeier(t *testing.T, c refCase) {
	var in struct {
		Kind, Dataset, Group string
		Level                float64
	}
	c.decode(t, &in)
	points, err := KaplanMeier(readData(t, in.Dataset, in.Group), in.Level)
	if err != nil {
		t.Fatal(err)
	}
	got, published := map[string]float64{}, map[string][]float64{}
	for i, p := range points {
		published["survival"] = append(published["survival"], p.Survival)
		if p.Survival > 0 {
			published["se_survival"] = append(published["se_survival"], p.StdErr)
		}
		for key, v := range map[string]float64{
			"time": p.Time, "n_risk": p.AtRisk, "n_event": p.Events, "survival": p.Survival,
			"se_survival": p.StdErr, "lower": p.Low, "upper": p.High,
		} {
			got[fmt.Sprintf("table.%d.%s", i, key)] = v
		}
	}
	c.check(t, got, published)
}

func checkTurnbull(t *testing.T, c refCase) {
	var in struct{ Kind, Dataset, Group string }
	c.decode(t, &in)
	curve, err := Turnbull(readData(t, in.Dataset, in.Group))
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{
		"loglik":  curve.LogLik,
		"n_units": curve.Components,
		"unique":  1, // always, for observations that are intervals of one line
	}
	for i, s := range curve.Steps {
		for key, v := range map[string]float64{
			"lower": s.Lower, "upper": s.Upper, "exact": truth(s.Exact()),
			"prob": s.Mass, "survival_after": s.Survival,
		} {
			got[fmt.Sprintf("intervals.%d.%s", i, key)] = v
		}
	}
	c.check(t, got, nil)
}

func TestSurvivalCurveReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "E_km_turnbull.json", 7) {
		t.Run(c.name(), func(t *testing.T) {
			switch kind := c.kind(t); kind {
			case "kaplan_meier":
				checkKaplanMeier(t, c)
			case "turnbull":
				checkTurnbull(t, c)
			default:
				t.Fatalf("unknown kind %q", kind)
			}
		})
	}
}

func (c refCase) kind(t *testing.T) string {
	t.Helper()
	var kind struct{ Kind string }
	if err := json.Unmarshal(c.Inputs, &kind); err != nil {
		t.Fatal(err)
	}
	return kind.Kind
}

func readHistories(t *testing.T, name string) []History {
	t.Helper()
	var all []History
	at := map[string]int{}
	for _, row := range readTable(t, name, "unit", "group", "entry", "time", "event") {
		i, ok := at[row[0]]
		if !ok {
			i = len(all)
			at[row[0]] = i
			all = append(all, History{Unit: row[0], Entry: number(t, row[2])})
		}
		if row[4] == "1" {
			all[i].Events = append(all[i].Events, number(t, row[3]))
		} else {
			all[i].End = number(t, row[3])
		}
	}
	return all
}

func TestMeanCumulativeReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "F_mcf.json", 4) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				Dataset, Group string
				Level          float64
				Units          int `json:"n_units"`
				Events         int `json:"n_events"`
			}
			c.decode(t, &in)
			histories := readHistories(t, in.Dataset)
			events := 0
			for _, h := range histories {
				events += len(h.Events)
			}
			if len(histories) != in.Units || events != in.Events {
				t.Fatalf("%d units and %d events, want %d and %d", len(histories), events, in.Units, in.Events)
			}
			points, err := MeanCumulative(histories, in.Level)
			if err != nil {
				t.Fatal(err)
			}
			got := map[string]float64{}
			published := map[string][]float64{}
			for i, p := range points {
				half := normalUpper((1-in.Level)/2) * p.StdErr // of the plain limits
				variance := p.StdErr * p.StdErr
				for key, v := range map[string]float64{
					"time": p.Time, "n_risk": float64(p.AtRisk), "n_event": float64(p.Events), "mcf": p.Mean,
					"var_robust": variance, "se_robust": p.StdErr, "ci_log_lower": p.Low, "ci_log_upper": p.High,
					"ci_plain_lower": p.Mean - half, "ci_plain_upper": p.Mean + half, "var_unbiased": p.Unbiased,
				} {
					got[fmt.Sprintf("table.%d.%s", i, key)] = v
				}
				published["mcf"] = append(published["mcf"], p.Mean)
				published["var"] = append(published["var"], variance)
			}
			c.check(t, got, published)
		})
	}
}

func TestClusterReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "G_cluster.json", 6) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				Kind    RatioKind
				Dataset string
				Level   float64
			}
			c.decode(t, &in)
			names := map[RatioKind][2]string{KindProportion: {"successes", "trials"}, KindRate: {"events", "exposure"}}[in.Kind]
			var units []Cluster
			for _, row := range readTable(t, in.Dataset, "unit", "group", names[0], names[1]) {
				units = append(units, Cluster{number(t, row[2]), number(t, row[3])})
			}
			e, err := EstimateRatio(in.Kind, units, in.Level)
			if err != nil {
				t.Fatal(err)
			}
			scale := map[RatioKind]string{KindProportion: "logit", KindRate: "log"}[in.Kind]
			c.check(t, map[string]float64{
				"n_clusters":            float64(e.Units),
				"numerator":             e.Numerator,
				"denominator":           e.Denominator,
				"estimate":              e.Ratio,
				"se_naive":              e.SENaive,
				"se_robust":             e.SERobust,
				"design_effect":         e.DesignEffect,
				"effective_denominator": e.Effective,
				"ci_plain_z.0":          e.PlainZ.Low,
				"ci_plain_z.1":          e.PlainZ.High,
				"ci_plain_t.0":          e.PlainT.Low,
				"ci_plain_t.1":          e.PlainT.High,
				"se_" + scale:           e.SETransformed,
				"ci_" + scale + "_z.0":  e.TransformedZ.Low,
				"ci_" + scale + "_z.1":  e.TransformedZ.High,
				"ci_" + scale + "_t.0":  e.TransformedT.Low,
				"ci_" + scale + "_t.1":  e.TransformedT.High,
			}, map[string][]float64{"design_effect": {e.DesignEffect}})
		})
	}
}

func TestComparisonReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "H_tests.json", 6) {
		t.Run(c.name(), func(t *testing.T) {
			switch kind := c.kind(t); kind {
			case "logrank":
				checkLogRank(t, c)
			case "benjamini_hochberg":
				checkAdjusted(t, c)
			default:
				t.Fatalf("unknown kind %q", kind)
			}
		})
	}
}

func checkLogRank(t *testing.T, c refCase) {
	var in struct {
		Kind, Dataset string
		Groups        []string
	}
	c.decode(t, &in)
	var groups []Group
	for _, name := range in.Groups {
		groups = append(groups, Group{name, readData(t, in.Dataset, name)})
	}
	r, err := LogRank(groups)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{
		"chisq": r.ChiSquare, "df": float64(r.DF), "p": r.P, "var_first_group": r.Variance.At(0, 0),
	}
	_, texts := c.flatten(t)
	for i, g := range r.Groups {
		if want := texts[fmt.Sprintf("groups.%d.group", i)]; g.Name != want {
			t.Errorf("group %d is %q, want %q", i, g.Name, want)
		}
		for key, v := range map[string]float64{"n": g.Count, "observed": g.Observed, "expected": g.Expected} {
			got[fmt.Sprintf("groups.%d.%s", i, key)] = v
		}
	}
	c.check(t, got, map[string][]float64{"chisq": {r.ChiSquare}})
}

func checkAdjusted(t *testing.T, c refCase) {
	var in struct {
		Kind string
		P    []float64
	}
	c.decode(t, &in)
	got := map[string]float64{}
	for i, p := range BenjaminiHochberg(in.P) {
		got[fmt.Sprintf("adjusted.%d", i)] = p
		got["rejected_at_0.05"] += truth(p <= 0.05)
		got["rejected_at_0.10"] += truth(p <= 0.10)
	}
	c.check(t, got, map[string][]float64{"rejected_at_0.05": {got["rejected_at_0.05"]}})
}
