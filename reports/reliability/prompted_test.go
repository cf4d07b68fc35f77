package reliability

import (
	"math"
	"strings"
	"testing"

	"benchlore/reports/lifedata"
)

// Where most failures brought their unit in, wear is not claimed: in simulation
// (cmd/coverage, preset silent) such stays make a constant hazard look like wear.
func TestWearIsNotClaimedFromStaysThatFollowFailures(t *testing.T) {
	w := &lifedata.Weibull{Shape: 3, Scale: 40, ShapeWald: lifedata.Interval{Low: 2, High: 4.5}, ScaleWald: lifedata.Interval{Low: 30, High: 50},
		Verdict: lifedata.WearsOut, SELogShape: 0.2, SELogScale: 0.1, RobustShape: lifedata.Interval{Low: math.NaN(), High: math.NaN()}}
	w.Failures, w.Failed = 10, 8
	r := &Report{Silence: SilenceUnknown, Time: Years, Confidence: 0.95, FromFile: true}
	g := Group{Parts: PartCounts{Failed: 10, Handled: 40}, Life: map[Silence]*Life{SilenceUnknown: {Weibull: w}}}
	for _, c := range []struct {
		prompted int
		want     string
	}{
		{0, "It wears out: the older"},
		{4, "It wears out: the older"},
		{5, "It may wear out (shape 3, 2 to 4.5, from 10 failures in 8 units), but 5 of its 10 failures brought the unit in"},
	} {
		g.Prompted = c.prompted
		if got := r.wearSentence(g); !strings.HasPrefix(got, c.want) {
			t.Errorf("%d prompted: %s", c.prompted, got)
		}
		r.Groups = []Group{g}
		said := strings.Contains(strings.Join(r.notes(), "\n"), "brought their unit to the bench")
		if said != (c.prompted == 5) {
			t.Errorf("%d prompted: the notes say so: %v", c.prompted, said)
		}
	}
}
