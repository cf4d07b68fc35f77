package reliability

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"benchlore/schema"
)

// madeBy gives observations of a family from two makers: of each, units with
// one part at risk for ten years, of which so many failed at five.
func madeBy(family string, makers map[string][2]int) []Observation {
	var out []Observation
	for _, maker := range sortedKeys(makers) {
		n := makers[maker]
		for i := range n[0] {
			o := Observation{Unit: fmt.Sprintf("%s-%d", maker, i), Family: schema.FamilyName(family), Maker: maker, Count: 1, Handled: true}
			if i < n[1] {
				o.Kind, o.Lower, o.Upper, o.Failed, o.Found = ObservedEvent, 4.9, 5.1, true, schema.Failed
			} else {
				o.Kind, o.Lower, o.LowerWorking, o.Upper, o.Found = ObservedCensored, 10, 10, math.Inf(1), schema.OK
			}
			out = append(out, o)
		}
	}
	return out
}

func TestComparisons(t *testing.T) {
	obs := &Observations{}
	obs.All = append(obs.All, madeBy("capacitor/film", map[string][2]int{"Ormvik": {40, 30}, "Brask": {40, 4}})...)
	obs.All = append(obs.All, madeBy("capacitor/paper", map[string][2]int{"Ormvik": {30, 5}, "Brask": {30, 6}})...)
	obs.All = append(obs.All, madeBy("lamp/pilot", map[string][2]int{"Ormvik": {10, 1}, "": {10, 1}})...)
	obs.All = append(obs.All, madeBy("head/play", map[string][2]int{"Ormvik": {10, 3}})...)
	obs.All = append(obs.All, madeBy("head/erase", map[string][2]int{"Ormvik": {10, 0}, "Brask": {9, 0}})...)
	for _, by := range [][]string{{"maker"}, {"family", "maker"}} {
		r, err := Estimate(obs, schema.NewFamilyList(nil), Options{By: by})
		if err != nil {
			t.Fatal(err)
		}
		// Only families with two makers and a failure.
		if len(r.Comparisons) != 2 {
			t.Fatalf("%d comparisons: %+v", len(r.Comparisons), r.Comparisons)
		}
		film, paper := r.Comparisons[0], r.Comparisons[1]
		if !(film.Adjusted < 0.001) || film.Test != TestLikelihood || !(film.P < film.Adjusted) {
			t.Errorf("film %+v", film)
		}
		if s := r.comparisonSentence(film); !strings.Contains(s, "they do not fail alike (p below 0.001 after allowing for 2 tests") || !strings.Contains(s, "Brask 4 of 40 parts failed") {
			t.Error(s)
		}
		if !(paper.Adjusted > 0.3) || !strings.Contains(r.comparisonSentence(paper), "no difference shown") {
			t.Errorf("paper %+v", paper)
		}
		if notes := strings.Join(r.Notes, "\n"); strings.Count(notes, "comparison: ") != 2 {
			t.Errorf("notes %s", notes)
		}
	}
	r, err := Estimate(obs, schema.NewFamilyList(nil), Options{By: []string{"family", "group"}})
	if err != nil || r.Comparisons != nil {
		t.Errorf("families were compared: %v %+v", err, r.Comparisons)
	}
}

// Failures that all come from one unit do not make a maker worse.
func TestComparisonCountsUnits(t *testing.T) {
	obs := &Observations{}
	for i := range 20 {
		for _, maker := range []string{"Ormvik", "Brask"} {
			o := Observation{Unit: fmt.Sprintf("%s-%d", maker, i), Family: "contact/key", Maker: maker, Count: 30, Kind: ObservedCensored,
				Lower: 10, LowerWorking: 10, Upper: math.Inf(1), Found: schema.OK, Handled: true}
			if i == 0 && maker == "Ormvik" {
				o.Kind, o.Lower, o.Upper, o.Failed, o.Found = ObservedEvent, 4, 6, true, schema.Failed
			}
			obs.All = append(obs.All, o)
			if maker == "Brask" && i < 2 {
				o.Count, o.Kind, o.Lower, o.Upper, o.Failed, o.Found = 1, ObservedEvent, 4, 6, true, schema.Failed
				obs.All = append(obs.All, o)
			}
		}
	}
	r, err := Estimate(obs, nil, Options{By: []string{"maker"}})
	if err != nil {
		t.Fatal(err)
	}
	if c := r.Comparisons[0]; c.NotTested == "" && !(c.P > 0.05) {
		t.Errorf("30 failures of one unit: %+v", c)
	}
}
