package reliability

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// referenceInput is one case that is computed from a file of observations.
type referenceInput struct {
	ID     string
	Inputs struct {
		Kind, Dataset, Group string
		Level                float64
	}
	Outputs json.RawMessage
}

func referenceCases(t *testing.T, file string) []referenceInput {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", file))
	if err != nil {
		t.Fatal(err)
	}
	var doc struct{ Cases []referenceInput }
	if err := json.Unmarshal(data, &doc); err != nil {
		t.Fatal(err)
	}
	return doc.Cases
}

// printedGroup is what the command prints as JSON for one group of a data set.
type printedGroup struct {
	Rate    *struct{ PerYear, Low, High *float64 }
	Weibull *struct{ Shape, ShapeLow, ShapeHigh, Scale, ScaleLow, ScaleHigh, LogLik, B10 float64 }
	Curve   []struct{ Time, Survival, Low, High *float64 }
}

func printed(t *testing.T, in referenceInput) printedGroup {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", in.Inputs.Dataset))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	head := rows[0]
	var file bytes.Buffer
	w := csv.NewWriter(&file)
	keep := []string{"entry", "lower", "upper", "count"}
	pick := func(row []string) (out []string) {
		for _, name := range keep {
			if i := slices.Index(head, name); i >= 0 {
				out = append(out, row[i])
			}
		}
		return out
	}
	_ = w.Write(pick(head))
	group := slices.Index(head, "group")
	for _, row := range rows[1:] {
		if in.Inputs.Group == "*" || group >= 0 && row[group] == in.Inputs.Group {
			_ = w.Write(pick(row))
		}
	}
	w.Flush()
	r, err := FromFile(&file, "", Options{Confidence: in.Inputs.Level, FitAnyway: true})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := r.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var doc struct{ Groups []printedGroup }
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil || len(doc.Groups) != 1 {
		t.Fatalf("%v, %d groups", err, len(doc.Groups))
	}
	return doc.Groups[0]
}

// What the command prints of the reference data is what R says of them, to
// 1e-6: the digits are all there. See testdata/reference/README.md.
func TestReferenceAsPrinted(t *testing.T) {
	same := func(t *testing.T, what string, got *float64, want float64) {
		t.Helper()
		if got == nil || !near(*got, want, 1e-6) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	for _, in := range referenceCases(t, "D_weibull.json") {
		t.Run(in.ID, func(t *testing.T) {
			var want referenceWeibull
			if err := json.Unmarshal(in.Outputs, &want); err != nil {
				t.Fatal(err)
			}
			w := printed(t, in).Weibull
			if w == nil {
				t.Fatal("refused")
			}
			for _, x := range []struct {
				what      string
				got, want float64
			}{{"shape", w.Shape, want.Shape}, {"shape low", w.ShapeLow, want.ShapeLower}, {"shape high", w.ShapeHigh, want.ShapeUpper},
				{"scale", w.Scale, want.Scale}, {"scale low", w.ScaleLow, want.ScaleLower}, {"scale high", w.ScaleHigh, want.ScaleUpper},
				{"log likelihood", w.LogLik, want.Loglik}, {"B10", w.B10, want.B10}} {
				same(t, x.what, &x.got, x.want)
			}
		})
	}
	for _, in := range referenceCases(t, "C_exponential.json") {
		t.Run(in.ID, func(t *testing.T) {
			var want struct {
				Rate    float64
				LRUpper float64 `json:"lr_upper"`
			}
			if err := json.Unmarshal(in.Outputs, &want); err != nil {
				t.Fatal(err)
			}
			x := printed(t, in).Rate
			if x == nil {
				t.Fatal("refused")
			}
			same(t, "rate", x.PerYear, want.Rate)
			if want.Rate == 0 {
				// The report gives the one-sided limit, R the two-sided one: both
				// are a multiple of 1 over the time at risk.
				two := distuv.ChiSquared{K: 1}.Quantile(in.Inputs.Level) / 2
				one := -math.Log1p(-in.Inputs.Level)
				same(t, "upper", x.High, want.LRUpper*one/two)
			}
		})
	}
	for _, in := range referenceCases(t, "E_km_turnbull.json") {
		if in.Inputs.Kind != "kaplan_meier" {
			continue
		}
		t.Run(in.ID, func(t *testing.T) {
			var want struct {
				Table []struct {
					Time, Survival float64
					Events         float64 `json:"n_event"`
				}
			}
			if err := json.Unmarshal(in.Outputs, &want); err != nil {
				t.Fatal(err)
			}
			at := map[float64]float64{}
			for _, p := range printed(t, in).Curve {
				at[*p.Time] = *p.Survival
			}
			for _, p := range want.Table {
				if got, ok := at[p.Time]; ok {
					same(t, "survival", &got, p.Survival)
				} else if p.Events > 0 {
					t.Errorf("no step at %v", p.Time)
				}
			}
			if len(at) == 0 {
				t.Error("no curve")
			}
		})
	}
}
