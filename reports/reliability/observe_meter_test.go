package reliability

import (
	"fmt"
	"math"
	"testing"
)

// metered is a record with a reading of the hour meter.
func metered(name string, hours float64, text string) ledgerRecord {
	return ledgerRecord{name, fmt.Sprintf("hours = %v\n", hours) + text}
}

func TestObserveHours(t *testing.T) {
	film := func(found, action string) string { return partLine("channel 1", "C1", found, action) }
	for _, tt := range []struct {
		name           string
		records        []ledgerRecord
		kind           ObservationKind
		reason         LeftOutReason
		lower, upper   float64
		second         ObservationKind // of the part fitted instead; empty: none
		lower2, upper2 float64
	}{
		{name: "failed between readings", records: []ledgerRecord{
			metered("2010-01-01-intake", 800, inFully), metered("2010-01-02-release", 801, outFully),
			metered("2012-01-01-intake", 1250, inNo), {"2012-01-01-parts", film("failed", "left")}},
			kind: ObservedEvent, lower: 801, upper: 1250},
		{name: "failed with no reading before", records: []ledgerRecord{
			metered("2012-01-01-intake", 1250, inNo), {"2012-01-01-parts", film("failed", "left")}},
			kind: ObservedEvent, lower: 0, upper: 1250},
		{name: "the reading comes a day late", records: []ledgerRecord{
			{"2012-01-01-intake", inNo}, {"2012-01-01-parts", film("failed", "left")}, metered("2012-01-02-release", 1252, outPartly)},
			kind: ObservedEvent, lower: 0, upper: 1252},
		{name: "good", records: []ledgerRecord{metered("2012-01-01-intake", 1250, inNo), {"2012-01-01-parts", film("ok", "left")}},
			kind: ObservedCensored, lower: 1250, upper: math.Inf(1)},
		{name: "replaced, and failed again", records: []ledgerRecord{
			metered("2012-01-01-intake", 1250, inNo), {"2012-01-01-parts", film("failed", "replaced")}, metered("2012-01-02-release", 1260, outFully),
			metered("2014-01-01-intake", 1900, inNo), {"2014-01-01-parts", film("failed", "left")}},
			kind: ObservedEvent, lower: 0, upper: 1250, second: ObservedEvent, lower2: 10, upper2: 650},
		{name: "no meter", records: []ledgerRecord{{"2012-01-01-intake", inNo}, {"2012-01-01-parts", film("failed", "left")}},
			kind: ObservedLeftOut, reason: LeftOutMeter, upper: math.Inf(1)},
		{name: "good, no meter", records: []ledgerRecord{{"2012-01-01-intake", inNo}, {"2012-01-01-parts", film("ok", "left")}},
			kind: ObservedLeftOut, reason: LeftOutMeter, upper: math.Inf(1)},
		{name: "no reading since", records: []ledgerRecord{metered("2010-01-01-intake", 800, inFully), {"2012-01-01-intake", inNo}, {"2012-01-01-parts", film("failed", "left")}},
			kind: ObservedLeftOut, reason: LeftOutMeter, upper: math.Inf(1)},
	} {
		t.Run(tt.name, func(t *testing.T) {
			obs := Observe(unitsOf(observedUnit(t, "q3-1", "1976", tt.records...)), ObserveOptions{Families: observedFamilies(), Hours: true})
			got := observedAt(obs, "channel 1", "C1", "")
			o := got[0]
			if o.Kind != tt.kind || o.Reason != tt.reason || o.Lower != tt.lower || o.Upper != tt.upper || o.LowerWorking != o.Lower {
				t.Errorf("got %+v", o)
			}
			if tt.second != "" && (len(got) != 2 || got[1].Kind != tt.second || got[1].Lower != tt.lower2 || got[1].Upper != tt.upper2) {
				t.Errorf("got %+v", got[1:])
			}
		})
	}
}

// One unit without a meter takes the rate from its group: the others may be
// those that ran little.
func TestHoursNeedEveryMeter(t *testing.T) {
	for missing, refused := range map[int]bool{-1: false, 2: true} {
		obs := &Observations{}
		for i := range 5 {
			r := metered("2012-01-01-intake", 1000, inNo)
			if i == missing {
				r = ledgerRecord{"2012-01-01-intake", inNo}
			}
			u := observedUnit(t, fmt.Sprintf("q3-%d", i), "1976", r, ledgerRecord{"2012-01-01-parts", partLine("channel 1", "C1", "ok", "left")})
			obs.All = append(obs.All, observedAt(Observe(unitsOf(u), ObserveOptions{Families: observedFamilies(), Hours: true}), "channel 1", "C1", "")...)
		}
		obs.Hours = true
		r, err := Estimate(obs, observedFamilies(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		e := r.Groups[0].Life[SilenceUnknown]
		if (e.Rate == nil) != refused || r.Time != Hours {
			t.Errorf("missing %d: %+v %q", missing, e.Rate, e.RateRefused)
		}
		if refused && e.RateRefused != "longwave-3/q3-2 has no reading of its hour meter; hours need one for every unit" {
			t.Errorf("%q", e.RateRefused)
		}
		if !refused && !near(e.Rate.High, -math.Log(0.05)/5000, 1e-9) {
			t.Errorf("%+v", e.Rate)
		}
	}
}
