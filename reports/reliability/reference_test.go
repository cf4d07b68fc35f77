package reliability

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"benchlore/reports/lifedata"
	"benchlore/schema/edtf"
	"benchlore/schema/unit"
)

// The data of testdata/reference, whose README names their published sources,
// written as ledgers: what the whole report says of them is what R says of the
// data.

func referenceRows(t *testing.T, name string) []map[string]string {
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
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, cell := range row {
			m[rows[0][i]] = cell
		}
		out = append(out, m)
	}
	if len(out) == 0 {
		t.Fatalf("%s has no rows", name)
	}
	return out
}

// referenceCase decodes the outputs of one case.
func referenceCase(t *testing.T, file, id string, into any) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", file))
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Cases []struct {
			ID      string
			Outputs json.RawMessage
		}
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		t.Fatal(err)
	}
	for _, c := range doc.Cases {
		if c.ID == id {
			if err := json.Unmarshal(c.Outputs, into); err != nil {
				t.Fatal(err)
			}
			return
		}
	}
	t.Fatalf("%s has no case %s", file, id)
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// dayZero is when all of these units were built.
const dayZero = "1950-01-01"

func dayAfter(t *testing.T, days int) string {
	t.Helper()
	d, err := edtf.ParseDay(dayZero)
	if err != nil {
		t.Fatal(err)
	}
	return d.AddDays(days).String()
}

// looked is a stay at the bench in which the only smoothing capacitor was
// looked at.
func looked(t *testing.T, days int, found string) []ledgerRecord {
	day := dayAfter(t, days)
	return []ledgerRecord{
		{day + "-intake", inNo},
		{day + "-parts", partLine("supply", "C1", found, "left")},
		{day + "-release", outPartly},
	}
}

type referenceWeibull struct {
	Shape, Scale, Loglik, B10 float64
	ShapeLower                float64 `json:"shape_lower"`
	ShapeUpper                float64 `json:"shape_upper"`
	ScaleLower                float64 `json:"scale_lower"`
	ScaleUpper                float64 `json:"scale_upper"`
}

// check compares, with years of so many of the data's units of time.
func (want referenceWeibull) check(t *testing.T, w *lifedata.Weibull, perYear, rel float64) {
	t.Helper()
	for _, x := range []struct {
		name      string
		got, want float64
	}{
		{"shape", w.Shape, want.Shape}, {"shape low", w.ShapeWald.Low, want.ShapeLower}, {"shape high", w.ShapeWald.High, want.ShapeUpper},
		{"scale", w.Scale * perYear, want.Scale}, {"scale low", w.ScaleWald.Low * perYear, want.ScaleLower}, {"scale high", w.ScaleWald.High * perYear, want.ScaleUpper},
		{"B10", w.Quantile(0.1).Value * perYear, want.B10},
	} {
		if !near(x.got, x.want, rel) {
			t.Errorf("%s %v, want %v", x.name, x.got, x.want)
		}
	}
}

// 432 turbine wheels, each looked at once for cracks (Nelson 1982; Meeker and
// Escobar 1998, table 1.5), 100 hours as 365 days: each a unit of its own.
func TestTurbineWheelsAsLedger(t *testing.T) {
	const daysPerUnit = 365
	var units []*unit.Unit
	for i, row := range referenceRows(t, "turbine.csv") {
		age, found := row["upper"], "failed"
		if age == "" {
			age, found = row["lower"], "ok"
		}
		for k := range int(number(t, row["count"])) {
			units = append(units, observedUnit(t, fmt.Sprintf("w-%d-%d", i, k), dayZero, looked(t, int(number(t, age))*daysPerUnit, found)...))
		}
	}
	r := estimate(t, "2026-01-01", Options{Confidence: 0.9}, units...)
	e := groupOf(t, r, "capacitor/electrolytic").Life[SilenceUnknown]
	if e.Rate == nil || e.Weibull == nil || e.Curve == nil {
		t.Fatalf("refused: %q %q %q", e.RateRefused, e.WeibullRefused, e.CurveRefused)
	}
	perYear := 365.25 / daysPerUnit
	var want referenceWeibull
	referenceCase(t, "D_weibull.json", "D4", &want)
	want.check(t, e.Weibull, perYear, 1e-6)
	if !near(e.Weibull.LogLik, want.Loglik, 1e-9) || e.Weibull.Verdict != lifedata.WearsOut {
		t.Errorf("log likelihood %v, want %v; verdict %q", e.Weibull.LogLik, want.Loglik, e.Weibull.Verdict)
	}
	var exponential struct {
		Rate    float64
		LRLower float64 `json:"lr_lower"`
		LRUpper float64 `json:"lr_upper"`
	}
	referenceCase(t, "C_exponential.json", "C4", &exponential)
	if !near(e.Rate.PerYear/perYear, exponential.Rate, 1e-9) || e.Rate.LeftCensored != 1 {
		t.Errorf("rate %+v, want %+v", e.Rate, exponential)
	}
	// The profile likelihood's limits, or wider.
	if l, h := e.Rate.Low/perYear, e.Rate.High/perYear; !(l <= exponential.LRLower*(1+1e-6) && h >= exponential.LRUpper*(1-1e-6) && h < 1.1*exponential.LRUpper) {
		t.Errorf("limits %v to %v, want %+v", l, h, exponential)
	}
	var turnbull struct {
		Intervals []struct {
			Upper *float64
			Prob  float64
			After float64 `json:"survival_after"`
		}
	}
	referenceCase(t, "E_km_turnbull.json", "E5", &turnbull)
	k := 0
	for _, s := range turnbull.Intervals {
		if s.Prob < 1e-6 || s.Upper == nil {
			continue
		}
		if k >= len(e.Curve.Points) {
			t.Fatalf("%d points, too few", k)
		}
		p := e.Curve.Points[k]
		k++
		if !near(p.Time*perYear, *s.Upper, 1e-9) || !near(p.Survival, s.After, 1e-6) {
			t.Errorf("survival %v, want %v at %v", p, s.After, *s.Upper)
		}
		if !(p.Low < p.Survival && p.Survival < p.High) {
			t.Errorf("limits of %+v", p)
		}
	}
	if k != len(e.Curve.Points) || e.Curve.Method != CurveTurnbull {
		t.Errorf("%d points, want %d; %s", len(e.Curve.Points), k, e.Curve.Method)
	}
	// At 10, where 4 of 43 wheels had failed, neighbours are pooled; at 34, 7 of
	// 13 by themselves. Limits there are the binomial ones on the log-log scale.
	for _, p := range e.Curve.Points {
		if near(p.Time*perYear, 34, 1e-9) {
			s := 7.0 / 13
			half := math.Sqrt2 * math.Erfinv(0.9) * math.Sqrt((1-s)/(13*s)) / math.Abs(math.Log(s))
			if !near(p.Low, math.Pow(s, math.Exp(half)), 1e-6) || !near(p.High, math.Pow(s, math.Exp(-half)), 1e-6) {
				t.Errorf("limits %+v", p)
			}
		}
	}
}

// 70 fans, of which 12 failed (Nelson 1982; Meeker and Escobar 1998, table
// C.1), an hour as a day: each seen good the day before it failed. The failures
// lie within a day instead of at an hour, 0.1 % of the youngest.
func TestFansAsLedger(t *testing.T) {
	var units []*unit.Unit
	for i, row := range referenceRows(t, "genfan.csv") {
		if row["count"] != "1" {
			t.Fatalf("row %v", row)
		}
		age := int(number(t, row["lower"]))
		records := looked(t, age, "ok")
		if row["upper"] != "" {
			records = append(looked(t, age-1, "ok"), looked(t, age, "failed")...)
		}
		units = append(units, observedUnit(t, fmt.Sprintf("fan-%d", i), dayZero, records...))
	}
	r := estimate(t, "2026-01-01", Options{}, units...)
	g := groupOf(t, r, "capacitor/electrolytic")
	if g.Units.Affected != 12 || g.Units.Inspected != 70 || g.Parts.Failed != 12 {
		t.Errorf("%+v %+v", g.Units, g.Parts)
	}
	e := g.Life[SilenceUnknown]
	if e.Rate == nil || e.Weibull == nil || e.Curve == nil {
		t.Fatalf("refused: %q %q %q", e.RateRefused, e.WeibullRefused, e.CurveRefused)
	}
	var want referenceWeibull
	referenceCase(t, "D_weibull.json", "D2", &want)
	want.check(t, e.Weibull, 365.25, 1e-3)
	var exponential struct{ Rate float64 }
	referenceCase(t, "C_exponential.json", "C1", &exponential)
	if !near(e.Rate.PerYear/365.25, exponential.Rate, 1e-3) || e.Rate.Events != 12 {
		t.Errorf("rate %+v, want %v", e.Rate, exponential.Rate)
	}
	var km struct {
		Table []struct{ Time, Survival, Lower, Upper float64 }
	}
	referenceCase(t, "E_km_turnbull.json", "E1", &km)
	if len(km.Table) != len(e.Curve.Points) {
		t.Fatalf("%d points, want %d", len(e.Curve.Points), len(km.Table))
	}
	for i, p := range km.Table {
		got := e.Curve.Points[i]
		if !near(got.Time*365.25, p.Time, 1e-9) || !near(got.Survival, p.Survival, 1e-3) || !near(got.Low, p.Lower, 5e-3) || !near(got.High, p.Upper, 5e-3) {
			t.Errorf("%+v, want %+v", got, p)
		}
	}
}

// Replacements of the valve seats of 41 engines (Nelson and Doganaksoy 1989;
// Meeker and Escobar 1998, table C.7): released on the day it was built, each
// replacement a comeback, and heard of at the end.
func TestValveSeatsAsLedger(t *testing.T) {
	records := map[string][]ledgerRecord{}
	var order []string
	events := 0
	for _, row := range referenceRows(t, "valveseat.csv") {
		id, day := row["unit"], dayAfter(t, int(number(t, row["time"])))
		if records[id] == nil {
			order = append(order, id)
			records[id] = []ledgerRecord{{dayZero + "-intake", "reason = \"inspection\"\nworks = \"fully\"\n"}, {dayZero + "-release", outFully}}
		}
		if row["event"] == "1" {
			events++
			records[id] = append(records[id],
				ledgerRecord{day + "-intake", fmt.Sprintf("reason = \"comeback\"\nworks = \"no\"\n[comeback]\nrelease = \"%s-release-0001\"\nfault = \"same\"\n", dayZero)},
				ledgerRecord{day + "-release", outFully})
			continue
		}
		records[id] = append(records[id], ledgerRecord{day + "-followup", said})
	}
	var units []*unit.Unit
	for _, id := range order {
		units = append(units, observedUnit(t, "e-"+id, dayZero, records[id]...))
	}
	c := Observe(units, ObserveOptions{AsOf: mustDate(t, "1953-01-01"), Families: observedFamilies(), Lag: DefaultLag}).Comebacks
	if c.Units != 41 || c.All != events {
		t.Fatalf("%d units, %d comebacks of %d", c.Units, c.All, events)
	}
	var want struct {
		Table []struct {
			Time   float64
			NRisk  int `json:"n_risk"`
			NEvent int `json:"n_event"`
			MCF    float64
			SE     float64 `json:"se_robust"`
			Lower  float64 `json:"ci_log_lower"`
			Upper  float64 `json:"ci_log_upper"`
		}
	}
	referenceCase(t, "F_mcf.json", "F1", &want)
	e := c.Estimate(SilenceUnknown, 0.95)
	if len(e.Mean) != len(want.Table) || len(e.ByKind) != 1 || e.ByKind[0].Kind != "same" {
		t.Fatalf("%d points, want %d; kinds %v", len(e.Mean), len(want.Table), e.ByKind)
	}
	for i, w := range want.Table {
		p := e.Mean[i]
		if !near(p.Time*365.25, w.Time, 1e-9) || p.AtRisk != w.NRisk || p.Events != w.NEvent ||
			!near(p.Mean, w.MCF, 1e-9) || !near(p.StdErr, w.SE, 1e-9) || !near(p.Low, w.Lower, 1e-8) || !near(p.High, w.Upper, 1e-8) {
			t.Errorf("%+v, want %+v", p, w)
		}
	}
}

// What a file says is what R says of it, whatever the report does around it.
func TestReferenceFiles(t *testing.T) {
	read := func(name string, opt Options) *Report {
		t.Helper()
		data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", name))
		if err != nil {
			t.Fatal(err)
		}
		r, err := FromFile(bytes.NewReader(data), "", opt)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	fans := read("genfan.csv", Options{}).Groups[0].Life[SilenceUnknown]
	var want referenceWeibull
	referenceCase(t, "D_weibull.json", "D2", &want)
	want.check(t, fans.Weibull, 1, 1e-6)
	var km struct {
		Table []struct{ Time, Survival, Lower, Upper float64 }
	}
	referenceCase(t, "E_km_turnbull.json", "E1", &km)
	if fans.Curve.Method != CurveKaplanMeier || len(fans.Curve.Points) != len(km.Table) {
		t.Fatalf("%+v", fans.Curve)
	}
	for i, p := range km.Table {
		if got := fans.Curve.Points[i]; !near(got.Survival, p.Survival, 1e-9) || !near(got.Low, p.Lower, 1e-7) || !near(got.High, p.Upper, 1e-7) {
			t.Errorf("%+v, want %+v", got, p)
		}
	}
	var test struct{ P float64 }
	referenceCase(t, "H_tests.json", "H1", &test)
	c := read("aml.csv", Options{}).Comparisons
	if len(c) != 1 || c[0].Test != TestLogRank || !near(c[0].P, test.P, 1e-9) {
		t.Errorf("%+v, want %v", c, test.P)
	}
}
