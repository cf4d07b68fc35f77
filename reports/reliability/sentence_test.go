package reliability

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"benchlore/reports/lifedata"
	"benchlore/schema"
)

// agesFile is an observation file of exact ages, one part a unit.
func agesFile(ages []float64, survivors int, at float64) string {
	var b strings.Builder
	b.WriteString("unit,lower,upper\n")
	for i, a := range ages {
		fmt.Fprintf(&b, "u%d,%g,%g\n", i, a, a)
	}
	for i := range survivors {
		fmt.Fprintf(&b, "s%d,%g,\n", i, at)
	}
	return b.String()
}

// quantiles are n ages of a Weibull life, evenly spread in probability.
func quantiles(shape, scale float64, n int) []float64 {
	var out []float64
	for i := range n {
		out = append(out, scale*math.Pow(-math.Log(1-(float64(i)+0.5)/float64(n)), 1/shape))
	}
	return out
}

func TestWearSentences(t *testing.T) {
	for _, tt := range []struct {
		name    string
		file    string
		verdict lifedata.Verdict
		want    []string
	}{
		{"wears out", agesFile(quantiles(4, 30, 20), 0, 0), lifedata.WearsOut,
			[]string{"It wears out: the older, the more readily it fails (shape 4", "from 20 failures in 20 units)", "one in ten has failed by 17 units of time of the file"}},
		{"constant", agesFile(quantiles(1, 30, 60), 0, 0), lifedata.Constant, []string{"It fails as readily young as old (shape 1"}},
		{"early", agesFile(quantiles(0.4, 30, 40), 0, 0), lifedata.FailsEarly, []string{"It fails early, or is a mixture of good and bad lots: one that has lasted is less likely to fail than a new one"}},
		{"too few", agesFile(quantiles(1.3, 30, 6), 2, 40), lifedata.TooFew, []string{"Too few failures to tell whether it wears out (shape 1"}},
		{"four", agesFile(quantiles(2, 30, 4), 2, 40), "", []string{"Too little to judge wear: 4 failed; a wear fit needs at least 5."}},
		{"one age", "unit,lower,upper\na,,5\nb,,5\nc,,5\nd,,5\ne,,5\nf,5,\n", "", []string{"Too little to judge wear: everything was seen at one age; a shape needs at least two."}},
		{"all left-censored", "unit,lower,upper\na,,5\nb,,6\nc,,7\nd,,8\ne,,9\n", "",
			[]string{"Rate: 5 failures, each at an unknown time before it was found and nothing seen to survive, so above", "(one-sided 95%)"}},
		{"none failed", "unit,lower,upper\na,5,\nb,6,\nc,9,\n", "",
			[]string{"no failure of their own in 3 units inspected.", "Rate: no failure in 20 units of time of single parts of 3 units, so below 0.15 per part and unit of time (one-sided 95%)."}},
		{"mostly left out", "unit,lower,upper\na,5,\nb,0,\nc,0,\nd,0,\n", "", []string{"No rate: 3 of 4 parts have no usable times."}},
		{"some at unknown times", "unit,lower,upper\na,,5\nb,6,7\nc,9,\nd,12,\n", "", []string{"50% of them at an unknown time before they were found"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r, err := FromFile(strings.NewReader(tt.file), "", Options{})
			if err != nil {
				t.Fatal(err)
			}
			g := r.Groups[0]
			w := g.Life[SilenceUnknown].Weibull
			if (w != nil) != (tt.verdict != "") || w != nil && w.Verdict != tt.verdict {
				t.Errorf("verdict of %+v, want %q", w, tt.verdict)
			}
			s := r.Sentence(g)
			for _, want := range tt.want {
				if !strings.Contains(s, want) {
					t.Errorf("not said: %q in\n%s", want, s)
				}
			}
		})
	}
}

// Parts that fail together in their units widen what is said of wear.
func TestWearOfClusters(t *testing.T) {
	var b strings.Builder
	b.WriteString("unit,lower,upper,count\n")
	for i, age := range quantiles(3, 30, 8) {
		fmt.Fprintf(&b, "u%d,%g,%g,20\n", i, age, age)
	}
	r, err := FromFile(strings.NewReader(b.String()), "", Options{})
	if err != nil {
		t.Fatal(err)
	}
	w := r.Groups[0].Life[SilenceUnknown].Weibull
	shape := wearLimits(w)
	b10, tenth := wearB10(w)
	naive := w.Quantile(0.1)
	if !(shape.Low < w.ShapeWald.Low && shape.High > w.ShapeWald.High) {
		t.Errorf("shape %v, not wider than %v", shape, w.ShapeWald)
	}
	if !(tenth.Low < naive.Low && naive.Low < b10 && b10 < naive.High && naive.High < tenth.High) {
		t.Errorf("B10 %v %v, not wider than %+v", b10, tenth, naive)
	}
	s, n := wearSurvival(w, 20), w.Survival(20)
	if !(s.Low < n.Low && s.High > n.High && s.High < 1 && s.Low > 0) {
		t.Errorf("survival %v, not wider than %+v", s, n)
	}
	// Where each unit holds one part they are those of the information.
	r, err = FromFile(strings.NewReader(agesFile(quantiles(3, 30, 20), 0, 0)), "", Options{})
	if err != nil {
		t.Fatal(err)
	}
	w = r.Groups[0].Life[SilenceUnknown].Weibull
	s, n = wearSurvival(w, 20), w.Survival(20)
	if wearLimits(w) != w.ShapeWald || !near(s.Low, n.Low, 1e-9) || !near(s.High, n.High, 1e-9) {
		t.Errorf("%v %v", s, n)
	}
}

// Forty failures in one unit do not outrank twenty in twenty, one in one is not
// ranked, and below five families there is no ranking.
func TestRanking(t *testing.T) {
	build := func(families int) *Report {
		obs := &Observations{}
		add := func(family schema.FamilyName, unit string, failed bool, count int) {
			o := Observation{Unit: unit, Family: family, Count: count, Kind: ObservedEvent, Lower: 19, Upper: 21, Failed: failed, Handled: true, Found: schema.Failed}
			if !failed {
				o.Kind, o.Found, o.Upper, o.Lower, o.LowerWorking = ObservedCensored, schema.OK, math.Inf(1), 40, 40
			}
			obs.All = append(obs.All, o)
		}
		for i := range 20 {
			unit := fmt.Sprint(i)
			add("contact/key", unit, i == 0, 40)
			add("contact/key", unit, false, 1)
			add("lamp/pilot", unit, true, 1)
			for k := range families - 2 {
				add(schema.FamilyName(fmt.Sprintf("capacitor/kind-%d", k)), unit, i == k, 1+k)
			}
		}
		add("head/play", "0", true, 1)
		r, err := Estimate(obs, nil, Options{})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	r := build(6)
	rank := func(family string) *Rank { return groupOf(t, r, family).Life[SilenceUnknown].Rank }
	lamp, key := rank("lamp/pilot"), rank("contact/key")
	if lamp == nil || key == nil || !(lamp.Mean > key.Mean) || !(lamp.ProbWorst > 0.9) || !(key.ProbWorst < 0.1) {
		t.Fatalf("lamp %+v, key %+v", lamp, key)
	}
	if !(lamp.Low < lamp.Mean && lamp.Mean < lamp.High) {
		t.Errorf("%+v", lamp)
	}
	if rank("head/play") != nil {
		t.Error("one in one is ranked")
	}
	if s := r.Sentence(groupOf(t, r, "lamp/pilot")); strings.Contains(s, "fails most") {
		t.Error("one family is not ranked, and none can be called the worst:", s)
	}
	if got := r.unrankedWords(); !strings.Contains(got, "head/play (failed in 1 of 1 units)") {
		t.Error(got)
	}
	if got := r.ranked(r.Groups); got[0].Key[0].Value != "lamp/pilot" || len(got) != 6 {
		t.Errorf("%d ranked", len(got))
	}
	r = build(4)
	if rank("lamp/pilot") != nil || groupOf(t, r, "lamp/pilot").Life[SilenceUnknown].RankRefused != "4 families can be ranked; a ranking needs at least 5" {
		t.Errorf("%+v", groupOf(t, r, "lamp/pilot").Life[SilenceUnknown])
	}
}

func TestOrigin(t *testing.T) {
	units := wearingLedger(t)
	all := estimate(t, "2026-01-01", Options{}, units...)
	sum := 0
	for _, o := range schema.Origin("").Words() {
		r := estimate(t, "2026-01-01", Options{Origin: schema.Origin(o)}, units...)
		for _, g := range r.Groups {
			sum += g.Parts.Handled
		}
		if !strings.Contains(r.estimand(), "Only parts of this origin: "+o) {
			t.Error(r.estimand())
		}
	}
	want := 0
	for _, g := range all.Groups {
		want += g.Parts.Handled
	}
	if sum != want {
		t.Errorf("%d handled by origin, %d in all", sum, want)
	}
	if _, err := Estimate(&Observations{}, nil, Options{Origin: "stolen"}); err == nil || !strings.Contains(err.Error(), "original, replaced, unknown") {
		t.Error(err)
	}
}

// A part of unknown age, of a pool or repaired counts in no life.
func TestAgelessAreNotWear(t *testing.T) {
	event := func(unit string) Observation {
		return Observation{Unit: unit, Count: 1, Kind: ObservedEvent, Lower: 5, Upper: 6}
	}
	unknown, pooled, again := event("a"), event("b"), event("c")
	unknown.UnknownOrigin, pooled.Pool, again.Restart = true, true, 1
	l := lifetimesOf([]Observation{unknown, pooled, again, event("d")}, SilenceUnknown)
	if len(l.aged()) != 1 || len(l.ageless()) != 3 || l.came != 4 || len(l.all()) != 4 {
		t.Errorf("%+v", l)
	}
	if why := l.wear(Options{Confidence: 0.95}).Refused; why != "of the parts of known age, 1 failed; a wear fit needs at least 5" {
		t.Errorf("%q", why)
	}
	l = lifetimesOf([]Observation{unknown, pooled}, SilenceUnknown)
	if why := l.wear(Options{Confidence: 0.95}).Refused; why != "no part has a known age; those of a counted pool have none of their own" {
		t.Errorf("%q", why)
	}
}
