package reliability

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"benchlore/schema/unit"
)

const backSame = "reason = \"comeback\"\nworks = \"no\"\n[comeback]\nrelease = \"2010-01-11-release-0001\"\nfault = \"same\"\n"

// releasedLedger is eight units released on 2010-01-11. One came back for the
// same fault after half a year, and for repair after three; one was found
// without a fault after two; four were heard of after a year and a half, two
// never.
func releasedLedger(t *testing.T) []*unit.Unit {
	var units []*unit.Unit
	for i := range 8 {
		records := []ledgerRecord{{"2010-01-01-intake", inNo}, {"2010-01-11-release", outFully}}
		switch {
		case i == 0:
			records = append(records, ledgerRecord{"2010-07-11-intake", backSame}, ledgerRecord{"2010-07-20-release", outFully},
				ledgerRecord{"2013-01-11-intake", inNo}, ledgerRecord{"2013-01-12-release", outFully})
		case i == 1:
			records = append(records, ledgerRecord{"2012-01-11-intake", strings.Replace(backSame, `"same"`, `"not-found"`, 1)}, ledgerRecord{"2012-01-12-release", outFully})
		case i < 6:
			records = append(records, ledgerRecord{"2011-07-11-followup", said})
		}
		units = append(units, observedUnit(t, fmt.Sprintf("q3-%d", i), "1976", records...))
	}
	return units
}

func TestComebacks(t *testing.T) {
	c := Observe(releasedLedger(t), ObserveOptions{AsOf: mustDate(t, "2014-01-11"), Families: observedFamilies(), Lag: DefaultLag}).Comebacks
	if c.Units != 8 || c.Back != 2 || c.All != 3 {
		t.Fatalf("%+v", c)
	}
	for _, v := range c.Coverage() {
		// The one that came back after two years was heard of by then.
		if want := map[int]int{1: 6, 2: 2}[v.Years]; v.Released != 8 || v.Heard != want {
			t.Errorf("%d years: %d of %d, want %d of 8", v.Years, v.Heard, v.Released, want)
		}
	}
	half := 181 / 365.25
	u, w := c.Estimate(SilenceUnknown, 0.95), c.Estimate(SilenceWorking, 0.95)
	// Six were followed to the first comeback if silence is unknown, eight if
	// it means working; then two, and eight; then one, and eight.
	for _, x := range []struct {
		e      ComebackEstimate
		units  int
		atRisk []int
	}{{u, 6, []int{6, 2, 1}}, {w, 8, []int{8, 8, 8}}} {
		if x.e.Units != x.units || len(x.e.Mean) != 3 || !near(x.e.Mean[0].Time, half, 1e-12) {
			t.Fatalf("%+v", x.e)
		}
		mean := 0.0
		for i, p := range x.e.Mean {
			mean += 1 / float64(x.atRisk[i])
			if p.AtRisk != x.atRisk[i] || !near(p.Mean, mean, 1e-12) {
				t.Errorf("step %d: %+v, want %v from %d", i, p, mean, x.atRisk[i])
			}
		}
		var kinds []string
		for _, k := range x.e.ByKind {
			kinds = append(kinds, string(k.Kind))
		}
		if strings.Join(kinds, " ") != "same not-found not said" {
			t.Errorf("kinds %v", kinds)
		}
	}
	// Time to the first comeback: the third is a second one.
	if len(w.First) != 2 || !near(w.First[0].Survival, 7.0/8, 1e-12) || !near(w.First[1].Survival, 6.0/8, 1e-12) {
		t.Errorf("first %+v", w.First)
	}
}

// The as-of date cuts what came later, and a unit on the bench is not silent.
func TestComebacksUntil(t *testing.T) {
	c := Observe(releasedLedger(t), ObserveOptions{AsOf: mustDate(t, "2010-07-15"), Families: observedFamilies()}).Comebacks
	if c.All != 1 || c.Back != 1 || c.Coverage()[0].Released != 0 {
		t.Errorf("%+v %+v", c, c.Coverage())
	}
	for _, f := range c.units {
		if end := f.end(SilenceWorking); strings.HasSuffix(f.Unit, "-0") != near(end, 181/365.25, 1e-12) {
			t.Errorf("%s followed for %v", f.Unit, end)
		}
	}
}

func TestComebackSentences(t *testing.T) {
	r := estimate(t, "2014-01-11", Options{}, releasedLedger(t)...)
	text := strings.Join(r.comebackSentences(), " ")
	for _, want := range []string{
		"Of 8 units released here 2 came back, 3 times in all.",
		"Of 8 released at least 1 year ago 6 came back within that time or was heard of after it",
		"with 6 units still followed", "2 comebacks later, with fewer than 5 units followed", "With silence read as working, 0.12 comebacks for each unit within 1 year",
		"the first reading is the high side",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("not said: %q in\n%s", want, text)
		}
	}
	for units, want := range map[int]string{0: "No unit has been released yet.", 3: "3 units are too few to say anything"} {
		r := estimate(t, "2014-01-11", Options{}, releasedLedger(t)[:units]...)
		if text := strings.Join(r.comebackSentences(), " "); !strings.Contains(text, want) {
			t.Errorf("%d units: %s", units, text)
		}
	}
	if e := (Comebacks{}).Estimate(SilenceUnknown, 0.95); e.Refused == "" || e.Units != 0 {
		t.Errorf("%+v", e)
	}
}

func TestFollowed(t *testing.T) {
	var c Comebacks
	for i := range 7 {
		c.units = append(c.units, followUp{Heard: float64(i), Due: 10, Open: true})
	}
	if got := c.followed(SilenceUnknown); got != 2 { // 2, 3, 4, 5 and 6 were followed so long
		t.Errorf("followed %v", got)
	}
	if n := c.AtRisk(SilenceUnknown, 2); n != 5 {
		t.Errorf("%d at risk", n)
	}
	if got := c.followed(SilenceWorking); got != 10 || math.IsNaN(got) {
		t.Errorf("followed %v", got)
	}
}
