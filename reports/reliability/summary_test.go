package reliability

import (
	"bytes"
	"strings"
	"testing"

	"benchlore/reports/page"
)

// The first lines are one sentence and one table, the words for one group stand
// with its picture, and what would help is said once for all groups.
func TestFirstLines(t *testing.T) {
	r := estimate(t, "2026-01-01", Options{}, wearingLedger(t)...)
	text := func(write func(*bytes.Buffer) error) string {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		return strings.Join(strings.Fields(b.String()), " ")
	}
	o := page.TextOptions{Width: 100}
	first := text(func(b *bytes.Buffer) error { return r.WriteSummary(b, o) })
	for _, want := range []string{"30 units, as of 2026-01-01; not all that were made", "Others had worked on 6 of them before.", "What fails",
		"film capacitors 0 of 30 units 0% 0 to 11% good", "benchlore reliability", "--what-helps"} {
		if !strings.Contains(first, want) {
			t.Errorf("not said: %q in\n%s", want, first)
		}
	}
	one := text(func(b *bytes.Buffer) error { return r.WriteGroup(b, "capacitor/electrolytic", o) })
	for _, want := range []string{"Found failed at the first visit in 0 of 30 units (0 to 11%); of 30 parts tested then, 0.", "It wears out", "Parts that survive, by age in years", "####"} {
		if !strings.Contains(one, want) {
			t.Errorf("not said: %q in\n%s", want, one)
		}
	}
	helps := text(func(b *bytes.Buffer) error { return r.WriteHelps(b, o) })
	if strings.Count(helps, "because = \"systematic\"") != 1 || !strings.Contains(helps, "tantalum capacitors ") || !strings.Contains(helps, "soldered joints 120") {
		t.Error(helps)
	}
	if _, err := r.Find("capacitor/tantalumm"); err == nil || !strings.Contains(err.Error(), "did you mean \"capacitor/tantalum\"?") {
		t.Error(err)
	}
}
