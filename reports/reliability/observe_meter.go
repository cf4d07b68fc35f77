package reliability

import (
	"math"

	"benchlore/schema/edtf"
)

// reading is what the hour meter showed on a day.
type reading struct {
	day   edtf.Day
	hours float64
}

// meterless reports whether time runs on a meter and the unit shows none.
func (h *unitHistory) meterless() bool { return h.opt.Hours && len(h.meter) == 0 }

// shownBy is the least the meter can have stood at on a day: the greatest
// reading until then, 0 before the first.
func (h *unitHistory) shownBy(d edtf.Day) float64 {
	least := 0.0
	for _, r := range h.meter {
		if !r.day.After(d) {
			least = max(least, r.hours)
		}
	}
	return least
}

// shownFrom is the most it can have stood at: the least reading from that day
// on, NaN after the last.
func (h *unitHistory) shownFrom(d edtf.Day) float64 {
	most := math.NaN()
	for _, r := range h.meter {
		if !r.day.Before(d) && !(most < r.hours) {
			most = r.hours
		}
	}
	return most
}

// least is the shortest time a part can have run until a day: in years from
// the middle of when it may have been fitted, in hours from the most the meter can
// have stood at then. A unit is taken to have left the maker with the meter at
// 0. NaN where no reading bounds it.
func (h *unitHistory) least(t tenure, to edtf.Day) float64 {
	switch {
	case !h.opt.Hours:
		return years(t.mid, to)
	case t.fromNew:
		return h.shownBy(to)
	}
	return h.shownBy(to) - h.shownFrom(t.hi)
}

// most is the longest time a part can have run until a day.
func (h *unitHistory) most(t tenure, to edtf.Day) float64 {
	switch {
	case !h.opt.Hours:
		return years(t.mid, to)
	case t.fromNew:
		return h.shownFrom(to)
	}
	return h.shownFrom(to) - h.shownBy(t.lo)
}

// shortest is what counts as no time at all.
func (h *unitHistory) shortest() float64 {
	if h.opt.Hours {
		return 1
	}
	return oneDay
}

// withoutMeter leaves out what no reading bounds.
func (h *unitHistory) withoutMeter(x *Observation, t tenure) {
	offset := t.offset
	if math.IsNaN(offset) {
		offset = 0
	}
	x.Kind, x.Reason, x.Entry, x.Lower, x.Upper = ObservedLeftOut, LeftOutMeter, offset, offset, math.Inf(1)
}
