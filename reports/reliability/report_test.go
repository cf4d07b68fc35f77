package reliability

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"benchlore/reports/lifedata"
	"benchlore/schema"
	"benchlore/schema/unit"
)

func near(got, want, rel float64) bool { return math.Abs(got-want) <= rel*math.Abs(want) }

func estimate(t *testing.T, asOf string, opt Options, units ...*unit.Unit) *Report {
	t.Helper()
	obs := Observe(units, ObserveOptions{AsOf: mustDate(t, asOf), Families: observedFamilies()})
	r, err := Estimate(obs, observedFamilies(), opt)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func groupOf(t *testing.T, r *Report, key ...string) Group {
	t.Helper()
	for _, g := range r.Groups {
		same := len(g.Key) == len(key)
		for i := range g.Key {
			same = same && g.Key[i].Value == key[i]
		}
		if same {
			return g
		}
	}
	t.Fatalf("no group %v in %+v", key, r.Groups)
	return Group{}
}

// datedLedger is four units built on 2000-01-01 and seen fully working on
// 2010-01-01. In two of them a film capacitor had failed by 2010-12-31.
func datedLedger(t *testing.T) []*unit.Unit {
	seen := []ledgerRecord{{"2010-01-01-intake", inFully + "earlier_work = [\"none-seen\"]\n"}, {"2010-01-01-release", outFully}}
	var units []*unit.Unit
	for i := range 4 {
		records := seen
		if i < 2 {
			records = append(records[:2:2],
				ledgerRecord{"2010-12-31-intake", inNo},
				ledgerRecord{"2010-12-31-parts", partLine("channel 1", "C1", "failed", "left")},
				ledgerRecord{"2011-01-10-release", outPartly})
		}
		units = append(units, observedUnit(t, fmt.Sprintf("q3-%04d", i), "2000-01-01", records...))
	}
	return units
}

// Two of the eight failed between 3,653 and 4,017 days; six were last known
// good at 3,653, or, if silence means working, four of those at 7,305. With
// a = 3,653 days and w = 364 the likelihood of silence unknown has its maximum
// where exp(λw) - 1 = 2w/8a; each unit's score is 2aλ up or down, and the
// information 32a²λ²(1+w/4a), all by ln λ. 3.182446 is the t quantile of 3
// degrees of freedom.
func TestRateByHand(t *testing.T) {
	r := estimate(t, "2020-01-01", Options{}, datedLedger(t)...)
	g := groupOf(t, r, "capacitor/film")
	if g.Units.Affected != 2 || g.Units.Inspected != 4 || g.Parts.Handled != 8 || g.Parts.Failed != 2 || g.Parts.Tested != 2 || g.Parts.InService != 6 {
		t.Errorf("counts: %+v %+v", g.Units, g.Parts)
	}
	// Two units left working partly: what was not looked at then makes bounds,
	// and these are the figures of what the records say.
	recorded := func(family string, s Silence) *Rate {
		l := groupOf(t, r, family).Life[s].times
		x, why := l.rate(l.all(), 0.95)
		if x == nil {
			t.Fatalf("%s refused: %s", family, why)
		}
		return x
	}
	u, w := recorded("capacitor/film", SilenceUnknown), recorded("capacitor/film", SilenceWorking)
	if x := g.Life[SilenceUnknown]; x.Rate.Method != RateBounded || x.Bounds.LeftOut != 2 || !(x.Rate.Low < x.Bounds.Low && x.Rate.High > x.Bounds.High) {
		t.Errorf("%+v %+v", x.Rate, x.Bounds)
	}
	age, wide := 3653/365.25, 364/365.25
	rate := math.Log1p(wide/(4*age)) / wide
	half := 3.182446 * math.Sqrt(4.0/3*16) * age * rate / (32 * age * age * rate * rate * (1 + wide/(4*age)))
	if u.Events != 2 || u.Units != 4 || u.Method != lifedata.RateClustered || u.LeftCensored != 0 ||
		!near(u.Years, 29588/365.25, 1e-12) || !near(u.PerYear, rate, 1e-9) ||
		!near(u.Low, rate*math.Exp(-half), 1e-5) || !near(u.High, rate*math.Exp(half), 1e-5) {
		t.Errorf("silence unknown: %+v, want %v (%v to %v)", u, rate, rate*math.Exp(-half), rate*math.Exp(half))
	}
	if !near(w.Years, 44196/365.25, 1e-12) || w.Events != 2 {
		t.Errorf("silence working: %+v", w)
	}
	// Joints: none failed of 80, in 80 times 3,653 days of all but the two
	// units' 20 on channel 1 and 20 on channel 2 alike.
	if j := recorded("board/joint", SilenceUnknown); !j.UpperOnly || j.Low != 0 || j.PerYear != 0 ||
		!near(j.High, -math.Log(0.05)/(160*3653/365.25), 1e-9) {
		t.Errorf("joints: %+v", j)
	}
	// The tantalum ones fail unheard: that the units worked says nothing.
	if why := groupOf(t, r, "capacitor/tantalum").Life[SilenceUnknown].RateRefused; !strings.HasSuffix(why, "had they all failed there would be no upper limit: nothing is known to have lasted") {
		t.Errorf("tantalum: %q", why)
	}
}

// Cases G2 and G4 of testdata/reference, computed for this project with R 4.2.2:
// cluster-robust variance with k/(k-1), t limits on the logit and the log scale.
// The wider of those and the exact limits is kept at either end: for the
// proportion and the rate both are the robust ones.
func TestClusterRobustLimits(t *testing.T) {
	var units []lifedata.Cluster
	for i, n := range []float64{35, 58, 48, 46, 58, 45, 25, 58} {
		units = append(units, lifedata.Cluster{Numerator: []float64{1, 1, 1, 0, 2, 4, 0, 4}[i], Denominator: n})
	}
	s := partShare(units, 0.95)
	if !near(s.Share, 0.0348525469168901, 1e-12) || !near(s.DesignEffect, 1.33915485765352, 1e-9) ||
		!near(s.Interval.Low, 0.0164042680322396, 1e-8) || !near(s.Interval.High, 0.0725181786874144, 1e-8) {
		t.Errorf("proportion: %+v %+v", s, s.Interval)
	}

	var obs []Observation
	for i, years := range []float64{120, 340.5, 95, 410, 60} {
		name := fmt.Sprintf("c%02d", i)
		events := []int{0, 2, 1, 7, 0}[i]
		for range events {
			obs = append(obs, Observation{Unit: name, Count: 1, Kind: ObservedEvent, Lower: 1, Upper: 1, Failed: true})
		}
		rest := years - float64(events)
		obs = append(obs, Observation{Unit: name, Count: 1, Kind: ObservedCensored, Lower: rest, LowerWorking: rest, Upper: math.Inf(1)})
	}
	x, _, why := lifetimesOf(obs, SilenceUnknown).bounded(0.9)
	if x == nil {
		t.Fatal(why)
	}
	if !near(x.PerYear, 0.00975134080936129, 1e-12) || !near(x.Low, 0.00420242949255085, 1e-8) || !near(x.High, 0.0226270655459817, 1e-8) || x.Method != "clustered" {
		t.Errorf("rate: %+v", x)
	}
}

// Case A2 of testdata/reference, with R 4.2.2 (binom.test; prop.test without
// correction for Wilson's); NIST/SEMATECH e-Handbook 7.2.4.2 prints the exact
// limits as 0.071354 and 0.401029.
func TestUnitAndPartIntervals(t *testing.T) {
	var obs []Observation
	for i := range 20 {
		obs = append(obs, Observation{Unit: fmt.Sprint(i), Count: 1, Kind: ObservedCensored, Lower: 1, LowerWorking: 1, Upper: math.Inf(1),
			Handled: true, Found: schema.OK})
		if i < 4 {
			obs[i] = Observation{Unit: fmt.Sprint(i), Count: 1, Kind: ObservedEvent, Upper: 1, Handled: true, Failed: true, Found: schema.Failed}
		}
	}
	g := countGroup(obs, 0.9)
	if !near(g.Units.Interval.Low, 0.093118016581211, 1e-9) || !near(g.Units.Interval.High, 0.378376685835368, 1e-9) {
		t.Errorf("Wilson: %+v", g.Units)
	}
	i := g.Parts.OfHandled.Interval
	// With one part a unit the robust limit, expit(logit 0.2 + 1.729133 ·
	// √(1/(19·0.16))) with Student's t for 19 degrees of freedom (R 4.2.2, qt), is a little above the exact 0.401028.
	if !near(i.Low, 0.0713538843086181, 1e-9) || !near(i.High, 0.402617, 1e-5) {
		t.Errorf("parts: %+v", i)
	}
}

func TestRateRefused(t *testing.T) {
	inf := math.Inf(1)
	event := func(unit string) Observation {
		return Observation{Unit: unit, Count: 1, Kind: ObservedEvent, Lower: 5, Upper: 25}
	}
	early := func(unit string) Observation {
		return Observation{Unit: unit, Count: 1, Kind: ObservedEvent, Upper: 25}
	}
	good := func(unit string, years float64) Observation {
		return Observation{Unit: unit, Count: 1, Kind: ObservedCensored, Lower: years, LowerWorking: years, Upper: inf}
	}
	out := func(reason LeftOutReason) Observation {
		return Observation{Unit: "a", Count: 1, Kind: ObservedLeftOut, Reason: reason, Upper: inf}
	}
	tests := []struct {
		name   string
		obs    []Observation
		why    string // empty: not refused
		method lifedata.RateMethod
	}{
		{"nothing", nil, "no part of it has come to the bench yet", ""},
		{"only new parts", []Observation{out(LeftOutNotBack)}, "no part of it has come to the bench yet", ""},
		{"no known age", []Observation{out(LeftOutAge)}, "no part has a time from when it was fitted to when it was last known good", ""},
		{"two of three left out", []Observation{good("a", 3), out(LeftOutHidden), out(LeftOutHidden)}, "2 of 3 parts have no usable times", ""},
		{"half left out, and new parts", []Observation{good("a", 3), good("b", 3), good("c", 3), out(LeftOutHidden), out(LeftOutHidden), out(LeftOutHidden), out(LeftOutNotBack)}, "", lifedata.RateUpper},
		{"two units", []Observation{good("a", 100), good("b", 100)}, "times from 2 units are too few to say anything", ""},
		{"one unit", []Observation{good("a", 100)}, "times from 1 unit are too few to say anything", ""},
		{"all failures in one unit", []Observation{event("a"), event("a"), good("b", 1), good("c", 1)},
			"all failures are of one unit: they say how that one is, not how others are", ""},
		{"one failure", []Observation{event("a"), good("b", 1), good("c", 1)}, "", lifedata.RateProfile},
		{"nothing failed", []Observation{good("a", 1), good("b", 1), good("c", 1)}, "", lifedata.RateUpper},
		{"failed at unknown times, some good", []Observation{early("a"), early("b"), good("c", 10)}, "", lifedata.RateProfile},
		{"all failed at unknown times", []Observation{early("a"), early("b"), early("c")}, "", lifedata.RateLower},
		{"no meter", []Observation{event("a"), good("b", 1), good("c", 1), {Unit: "d", Count: 1, Kind: ObservedLeftOut, Reason: LeftOutMeter, Upper: inf}},
			"d has no reading of its hour meter; hours need one for every unit", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			x, _, why := lifetimesOf(tt.obs, SilenceUnknown).bounded(0.95)
			if why != tt.why || (x == nil) != (tt.why != "") {
				t.Fatalf("got %+v, %q; want %q", x, why, tt.why)
			}
			if x != nil && x.Method != tt.method {
				t.Errorf("method %q, want %q", x.Method, tt.method)
			}
		})
	}
	// Three all failed within 25 years: at the bound, all of them do so with
	// probability 0.05.
	x, _, _ := lifetimesOf([]Observation{early("a"), early("b"), early("c")}, SilenceUnknown).bounded(0.95)
	if want := -math.Log1p(-math.Cbrt(0.05)) / 25; !near(x.Low, want, 1e-9) || !math.IsInf(x.High, 1) || !x.LowerOnly {
		t.Errorf("lower bound %+v, want %v", x, want)
	}
}

// Forty failures in one unit do not outrank twenty in twenty, and one in one
// outranks nothing.
func TestOrderOfGroups(t *testing.T) {
	obs := &Observations{}
	add := func(family schema.FamilyName, unit string, failed bool, count int) {
		o := Observation{Unit: unit, Family: family, Count: count, Kind: ObservedEvent, Upper: 1, Failed: failed, Handled: true, Found: schema.Failed}
		if !failed {
			o.Kind, o.Found, o.Upper, o.Lower, o.LowerWorking = ObservedCensored, schema.OK, math.Inf(1), 1, 1
		}
		obs.All = append(obs.All, o)
	}
	for i := range 20 {
		add("contact/key", fmt.Sprint(i), i == 0, 40)
		add("lamp/pilot", fmt.Sprint(i), true, 1)
		add("material/felt", fmt.Sprint(i), false, 1)
	}
	add("head/play", "0", true, 1)
	r, err := Estimate(obs, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, g := range r.Groups {
		got = append(got, g.Key[0].Value)
	}
	if want := "lamp/pilot contact/key material/felt head/play"; strings.Join(got, " ") != want {
		t.Errorf("order %v, want %s", got, want)
	}
	if g := groupOf(t, r, "contact/key"); g.FailedUnit != "0" || !strings.Contains(r.Sentence(g), "All 40 failures are of one unit, 0") {
		t.Errorf("not said that one unit has them all: %s", r.Sentence(g))
	}
	if s := r.Sentence(groupOf(t, r, "head/play")); !strings.Contains(s, "1 of 1 failed: too few to say anything") {
		t.Errorf("one of one: %s", s)
	}
	if s := r.Sentence(groupOf(t, r, "lamp/pilot")); !strings.Contains(s, "Expect a failed one in most units that come in") {
		t.Errorf("twenty of twenty: %s", s)
	}
	if s := r.Sentence(groupOf(t, r, "contact/key")); !strings.Contains(s, "One unit: no pattern yet.") {
		t.Errorf("one unit of twenty: %s", s)
	}
	if i := groupOf(t, r, "head/play").Parts.OfHandled.Interval; i != nil {
		t.Errorf("an interval for parts of one unit: %v", i)
	}
}

func TestGroupBy(t *testing.T) {
	units := datedLedger(t)
	tests := []struct {
		by   []string
		key  []string
		want int // handled
	}{
		{[]string{"group"}, []string{"capacitor"}, 8},
		{[]string{"model"}, []string{"longwave-3"}, 168},
		{[]string{"section", "family"}, []string{"channel", "capacitor/film"}, 8},
		{[]string{"origin"}, []string{"original"}, 168},
		{[]string{"built"}, []string{"2000-2004"}, 168},
		{[]string{"maker"}, []string{""}, 168},
		{[]string{"lot"}, []string{""}, 168},
		{[]string{"kit"}, []string{""}, 168},
		{[]string{"reason"}, []string{"fault-driven"}, 2},
		{[]string{"reason"}, []string{"not fault-driven"}, 166},
	}
	for _, tt := range tests {
		r := estimate(t, "2020-01-01", Options{By: tt.by}, units...)
		if g := groupOf(t, r, tt.key...); g.Parts.Handled != tt.want {
			t.Errorf("by %v, %v: %d handled, want %d", tt.by, tt.key, g.Parts.Handled, tt.want)
		}
	}
}

func TestReliabilityOptionErrors(t *testing.T) {
	for _, tt := range []struct {
		opt  Options
		want string
	}{
		{Options{By: []string{"famly"}}, `cannot group by "famly" => did you mean "family"?`},
		{Options{By: []string{"weather"}}, "write one or more of: family, group, model, section, maker, lot, kit, origin, built, reason"},
		{Options{By: []string{"lot", "lot"}}, `"lot" is named twice`},
		{Options{Silence: "golden"}, `no reading of silence "golden" => write one of: unknown, working`},
		{Options{Confidence: 95}, "write 95 % as 0.95"},
		{Options{Confidence: math.NaN()}, "not between 0 and 1"},
	} {
		if _, err := Estimate(&Observations{}, nil, tt.opt); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: %v, want %q", tt.opt, err, tt.want)
		}
	}
}

// One part that failed, was repaired and failed again is one part that failed.
func TestRepairedCountsOnce(t *testing.T) {
	u := observedUnit(t, "q3-0001", "1976-01-01",
		ledgerRecord{"2006-01-01-intake", inNo},
		ledgerRecord{"2006-01-01-parts", partLine("channel 1", "C1", "failed", "reworked")},
		ledgerRecord{"2006-02-01-release", outPartly},
		ledgerRecord{"2016-01-01-intake", inNo},
		ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "reworked")})
	if g := groupOf(t, estimate(t, "2016-01-01", Options{}, u), "capacitor/film"); g.Parts.Handled != 1 || g.Parts.Failed != 1 || g.Parts.Tested != 1 {
		t.Errorf("got %+v", g.Parts)
	}
}

// A degraded part that counts as failed, and nothing but bench checks as good.
func TestFailureDegraded(t *testing.T) {
	u := observedUnit(t, "q3-0001", "1976-01-01",
		ledgerRecord{"2016-01-01-intake", inNo},
		ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "degraded", "left") + partLine("channel 2", "C1", "ok", "left")},
		ledgerRecord{"2016-01-01-release", outFully})
	obs := Observe(unitsOf(u), ObserveOptions{Families: observedFamilies(), FailureDegraded: true})
	r, err := Estimate(obs, observedFamilies(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	g := groupOf(t, r, "capacitor/film")
	if g.Parts.Failed != 1 || g.Parts.Degraded != 1 || g.Parts.Handled != 2 || r.Failure != schema.Degraded {
		t.Errorf("got %+v", g.Parts)
	}
	if g := groupOf(t, r, "board/joint"); g.Parts.Handled != 0 || g.Parts.LeftOut != 40 {
		t.Errorf("joints nobody looked at: %+v", g.Parts)
	}
}

// countGroup is a group of which only the counts are filled in.
func countGroup(obs []Observation, level float64) Group {
	c := newGroupCount()
	for _, o := range obs {
		c.add(o)
	}
	return c.group(level)
}

// lifetimesOf turns the observations of a group into those of its lifetimes.
func lifetimesOf(obs []Observation, s Silence) lifetimes {
	m := newMerger(s)
	for _, o := range obs {
		m.add(o)
	}
	return m.lifetimes
}
