package lifedata

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// refCase is one case of a file in testdata/reference; the README there says
// how the values were made.
type refCase struct {
	ID          string
	Description string
	Inputs      json.RawMessage
	Outputs     json.RawMessage
	Source      string
	Published   map[string]json.RawMessage
	Tolerance   struct{ Rel, Abs float64 }
}

// readReference returns the cases of a file and fails unless there are want
// of them, so that a file cut short is not mistaken for a pass.
func readReference(t *testing.T, name string, want int) []refCase {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Cases []refCase }
	if err := json.Unmarshal(raw, &file); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if len(file.Cases) != want {
		t.Fatalf("%s has %d cases, want %d", name, len(file.Cases), want)
	}
	return file.Cases
}

func (c refCase) name() string {
	return c.ID + " " + c.Description
}

func (c refCase) decode(t *testing.T, into any) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(c.Inputs))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		t.Fatalf("inputs: %v", err)
	}
}

// flatten lists the numbers of a case's outputs by path, such as
// "table.3.survival". A truth value is 1 or 0, null is nil, and text is kept
// apart.
func (c refCase) flatten(t *testing.T) (numbers map[string]*float64, texts map[string]string) {
	t.Helper()
	var outputs any
	if err := json.Unmarshal(c.Outputs, &outputs); err != nil {
		t.Fatalf("outputs: %v", err)
	}
	numbers, texts = map[string]*float64{}, map[string]string{}
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for key, part := range v {
				walk(strings.TrimPrefix(path+"."+key, "."), part)
			}
		case []any:
			for i, part := range v {
				walk(fmt.Sprintf("%s.%d", path, i), part)
			}
		case float64:
			numbers[path] = &v
		case bool:
			one := truth(v)
			numbers[path] = &one
		case nil:
			numbers[path] = nil
		case string:
			texts[path] = v
		}
	}
	walk("", outputs)
	return numbers, texts
}

func truth(v bool) float64 {
	if v {
		return 1
	}
	return 0
}

// check compares every output of the case, and every published number. got
// must have exactly the paths of the outputs. A null output stands for a value
// that is infinite or undefined.
func (c refCase) check(t *testing.T, got map[string]float64, published map[string][]float64) {
	t.Helper()
	t.Logf("source: %s", c.Source)
	numbers, _ := c.flatten(t)
	if len(got) != len(numbers) {
		t.Errorf("%d values computed, the reference has %d", len(got), len(numbers))
	}
	for key, want := range numbers {
		g, ok := got[key]
		switch {
		case !ok:
			t.Errorf("%s: not computed", key)
		case want == nil:
			if !math.IsInf(g, 1) && !math.IsNaN(g) {
				t.Errorf("%s = %v, want +Inf or NaN", key, g)
			}
		case !near(g, *want, c.Tolerance.Rel, c.Tolerance.Abs):
			t.Errorf("%s = %.15g, want %.15g", key, g, *want)
		}
	}
	for key, raw := range c.Published {
		numbers := publishedNumbers(t, raw)
		if len(numbers) != len(published[key]) {
			t.Errorf("published %s: %d numbers computed, the source prints %d", key, len(published[key]), len(numbers))
			continue
		}
		for i, n := range numbers {
			want, unit := printed(t, n)
			if !near(published[key][i], want, 0, unit) {
				t.Errorf("published %s = %.15g, the source prints %s", key, published[key][i], n)
			}
		}
	}
}

// near is written so that NaN fails.
func near(got, want, rel, abs float64) bool {
	return math.Abs(got-want) <= abs+rel*math.Abs(want)
}

func publishedNumbers(t *testing.T, raw json.RawMessage) []json.Number {
	t.Helper()
	var list []json.Number
	if json.Unmarshal(raw, &list) == nil {
		return list
	}
	var one json.Number
	if err := json.Unmarshal(raw, &one); err != nil {
		t.Fatalf("published value %s: %v", raw, err)
	}
	return []json.Number{one}
}

// printed returns a number and one unit of its last printed place. A whole
// unit rather than half of one, because tables of the time were not always
// rounded to nearest.
func printed(t *testing.T, n json.Number) (value, unit float64) {
	t.Helper()
	value, err := n.Float64()
	if err != nil {
		t.Fatal(err)
	}
	_, decimals, _ := strings.Cut(n.String(), ".")
	return value, math.Pow(10, -float64(len(decimals)))
}

func TestBinomialReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "A_binomial.json", 6) {
		t.Run(c.name(), func(t *testing.T) {
			var in struct {
				X, N  int
				Level float64
			}
			c.decode(t, &in)
			exact := ClopperPearson(in.X, in.N, in.Level)
			// A one-sided limit is an end of the two-sided interval that leaves
			// as much beyond it.
			oneSided := ClopperPearson(in.X, in.N, 2*in.Level-1)
			score := Wilson(in.X, in.N, in.Level)
			c.check(t, map[string]float64{
				"estimate":              float64(in.X) / float64(in.N),
				"clopper_pearson_lower": exact.Low,
				"clopper_pearson_upper": exact.High,
				"wilson_lower":          score.Low,
				"wilson_upper":          score.High,
				"cp_onesided_lower":     oneSided.Low,
				"cp_onesided_upper":     oneSided.High,
			}, map[string][]float64{"clopper_pearson": {exact.Low, exact.High}})
		})
	}
}

func TestPoissonReference(t *testing.T) {
	t.Parallel()
	for _, c := range readReference(t, "B_poisson_mtbf.json", 6) {
		t.Run(c.name(), func(t *testing.T) {
			var kind struct{ Kind string }
			if err := json.Unmarshal(c.Inputs, &kind); err != nil {
				t.Fatal(err)
			}
			switch kind.Kind {
			case "one_sample":
				checkOneSample(t, c)
			case "mtbf":
				checkMTBF(t, c)
			default:
				t.Fatalf("unknown kind %q", kind.Kind)
			}
		})
	}
}

func checkOneSample(t *testing.T, c refCase) {
	var in struct {
		Kind            string
		Events          int
		Exposure, Level float64
	}
	c.decode(t, &in)
	limits, oneSided := Garwood(in.Events, in.Level), Garwood(in.Events, 2*in.Level-1)
	low, high := limits.Low/in.Exposure, limits.High/in.Exposure
	r, err := EstimateRate(lives(in.Events, in.Exposure), in.Level)
	if err != nil {
		t.Fatal(err)
	}
	c.check(t, map[string]float64{
		"rate":           r.PerUnit,
		"lower":          low,
		"upper":          high,
		"onesided_lower": oneSided.Low / in.Exposure,
		"onesided_upper": oneSided.High / in.Exposure,
	}, map[string][]float64{"ci": {low, high}})
	// Where nothing failed the limit shown is the one-sided one.
	if in.Events == 0 {
		low, high = 0, oneSided.High/in.Exposure
	}
	if !near(r.Low, low, 1e-9, 0) || !near(r.High, high, 1e-9, 0) {
		t.Errorf("EstimateRate: %v to %v, want %v to %v", r.Low, r.High, low, high)
	}
}

// A mean time between failures is the reciprocal of a rate, and its limits are
// those of the rate the other way round. A test that ended with a failure has
// no failure-free time at its end: its lower limits are those of one failure
// fewer.
func checkMTBF(t *testing.T, c refCase) {
	var in struct {
		Kind       string
		Failures   int
		TotalTime  float64 `json:"total_time"`
		Level      float64
		Truncation string
	}
	c.decode(t, &in)
	counted := map[string]int{"time": in.Failures, "failure": in.Failures - 1}[in.Truncation]
	lower := func(level float64) float64 { return in.TotalTime / Garwood(counted, level).High }
	upper := func(level float64) float64 { return in.TotalTime / Garwood(in.Failures, level).Low }
	two, one := in.Level, 2*in.Level-1
	c.check(t, map[string]float64{
		"mtbf":            in.TotalTime / float64(in.Failures),
		"lower_two_sided": lower(two),
		"upper_two_sided": upper(two),
		"lower_one_sided": lower(one),
		"upper_one_sided": upper(one),
	}, map[string][]float64{
		"lower":           {lower(two)},
		"upper":           {upper(two)},
		"lower_one_sided": {lower(one)},
	})
}
