package reliability

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"benchlore/reports/lifedata"
	"benchlore/schema"
)

// An interval holds its point, whatever the ledger: shares, rates, bounds, ranks
// and B10, under both readings of silence.
func TestIntervalsHoldTheirPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := []string{"a", "b", "c", "d", "e", "f", "g"}
		families := []string{"capacitor/film", "capacitor/tantalum", "lamp/pilot", "contact/key", "head/play", "fuse/mains"}
		obs := &Observations{}
		for range rapid.IntRange(1, 80).Draw(t, "parts") {
			age := float64(rapid.IntRange(1, 50).Draw(t, "age"))
			o := Observation{Unit: rapid.SampledFrom(names).Draw(t, "unit"), Count: rapid.IntRange(1, 4).Draw(t, "count"), Verified: true,
				Kind: ObservedCensored, Lower: age, Upper: math.Inf(1), Found: "ok", Handled: true, FoundFirst: "ok",
				Half: float64(rapid.IntRange(0, 3).Draw(t, "half"))}
			o.Family = schema.FamilyName(rapid.SampledFrom(families).Draw(t, "family"))
			switch rapid.IntRange(0, 3).Draw(t, "kind") {
			case 0:
				o.Kind, o.Lower, o.Upper, o.Found, o.FoundFirst, o.Failed, o.FailedFirst = ObservedEvent, age/2, age, "failed", "failed", true, true
			case 1:
				o.Kind, o.Reason, o.Lower, o.Latest, o.Found, o.FoundFirst, o.Handled = ObservedLeftOut, LeftOutUntested, 0, age, "untested", "untested", false
				o.Suspect = rapid.Bool().Draw(t, "suspect")
			}
			o.LowerWorking = o.Lower
			obs.All = append(obs.All, o)
		}
		r, err := Estimate(obs, nil, Options{})
		if err != nil {
			t.Fatal(err)
		}
		holds := func(what string, point float64, i lifedata.Interval) {
			if point < i.Low || point > i.High {
				t.Errorf("%s: %v is not in %v to %v", what, point, i.Low, i.High)
			}
		}
		for _, g := range r.Groups {
			holds("units", g.Units.Share, g.Units.Interval)
			holds("first visits", g.First.Units.Share, g.First.Units.Interval)
			if i := g.Parts.OfHandled.Interval; i != nil {
				holds("parts", g.Parts.OfHandled.Share, *i)
			}
			for s, e := range g.Life {
				if x := e.Rate; x != nil && !x.LowerOnly {
					holds("rate "+string(s), x.PerYear, lifedata.Interval{Low: x.Low, High: x.High})
				}
				if b := e.Bounds; b != nil && (b.Low > b.High || b.Middle < b.Low || b.Middle > b.High) {
					t.Errorf("bounds %+v", b)
				}
				if x := e.Rank; x != nil {
					holds("rank", x.Mean, lifedata.Interval{Low: x.Low, High: x.High})
				}
				if e.Weibull != nil {
					holds("B10", e.Wear.B10, e.Wear.Tenth)
				}
			}
			if e, ok := r.EitherRate(g); ok {
				holds("either rate", e.Point, lifedata.Interval{Low: e.Low, High: e.High})
			}
		}
	})
}
