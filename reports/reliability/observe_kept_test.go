package reliability

import (
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"benchlore/schema"
)

// keptDraw is a drawn history, observed as of a drawn date.
func keptDraw(t *rapid.T) (observeOptions ObserveOptions, records drawnHistory) {
	h := drawHistory(t)
	for i := range h.others {
		if rapid.IntRange(0, 4).Draw(t, "meter") == 0 {
			h.others[i].text = "hours = 1234.5\n" + h.others[i].text
		}
	}
	day, err := schema.ParseDate(rapid.SampledFrom([]string{"1999-01-01", "2003-03-15", "2008-04-01", "2031-01-01"}).Draw(t, "as of"))
	if err != nil {
		t.Fatal(err)
	}
	return ObserveOptions{AsOf: day, Lag: rapid.SampledFrom([]int{0, DefaultLag}).Draw(t, "lag"), Families: observedFamilies(),
		FailureDegraded: rapid.Bool().Draw(t, "degraded"), Hours: rapid.Bool().Draw(t, "hours")}, h
}

// TestKeptObservations: what is kept of a unit gives the observations it was
// made from, and from the day the unit settled those of any later day.
func TestKeptObservations(t *testing.T) {
	settledSeen, silentSeen := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		opt, h := keptDraw(t)
		u := observedUnit(t, "q3-0001", h.built, h.records()...)
		want := observeUnit(u, opt).alike()
		for _, latest := range []bool{false, true} {
			k := keepUnit(u, opt, latest)
			if latest && k.Settled.After(opt.AsOf.Day) {
				continue
			}
			got, ok := newKeptReader(opt).read(u.Name, k.Data)
			if !ok {
				t.Fatalf("latest %t: what was kept cannot be read", latest)
			}
			if got.Seen != want.Seen || len(got.All) != len(want.All) || !reflect.DeepEqual(got.Back, want.Back) {
				t.Fatalf("latest %t: %t, %d observations, %+v\nwant %t, %d, %+v", latest, got.Seen, len(got.All), got.Back, want.Seen, len(want.All), want.Back)
			}
			for i, o := range want.All {
				if got.All[i] != o {
					t.Fatalf("latest %t: %+v\nwant %+v", latest, got.All[i], o)
				}
				if latest && o.LowerWorking > o.Lower {
					silentSeen++
				}
			}
			if latest {
				settledSeen++
			}
		}
	})
	if settledSeen == 0 || silentSeen == 0 {
		t.Errorf("%d units had settled, %d parts were in silent ones: the draw shows nothing", settledSeen, silentSeen)
	}
}

// FuzzKeptReader: whatever lies in the file, reading it ends, and well or not
// at all.
func FuzzKeptReader(f *testing.F) {
	u := observedUnit(f, "q3-0001", "1976", ledgerRecord{"2003-03-01-intake", "reason = \"repair\"\nworks = \"partly\"\n"},
		ledgerRecord{"2003-03-02-parts", partLine("channel 1", "C1", "failed", "replaced") + jointLine(3, "failed", "reworked")},
		ledgerRecord{"2003-04-01-release", "works = \"fully\"\n"})
	opt := ObserveOptions{AsOf: LastRecord(u), Families: observedFamilies()}
	data := keepUnit(u, opt, true).Data
	f.Add(data)
	f.Add(data[:len(data)/2])
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		x, ok := newKeptReader(opt).read(u.Name, data)
		for _, o := range x.All {
			if ok && o.Unit != u.Name {
				t.Errorf("an observation of %q", o.Unit)
			}
		}
	})
}
