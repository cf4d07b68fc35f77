package lifedata

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// History is the recurrences of one unit: comebacks, repairs of one kind.
// Times are ages, or days since a release, in the caller's unit.
type History struct {
	Unit   string
	Entry  float64   // observed from after this age
	End    float64   // to this age
	Events []float64 // in (Entry, End], in any order; equal ones count apiece
}

// MCFPoint is one step of a mean cumulative function.
type MCFPoint struct {
	Time   float64
	AtRisk int
	Events int
	Mean   float64 // mean number of events per unit by Time
	StdErr float64 // robust
	Low    float64 // Mean·exp(∓z·StdErr/Mean)
	High   float64
	// Unbiased is Nelson's unbiased estimate of the variance of Mean, which
	// can be negative. NaN with late entry, and from the first point with
	// fewer than two units at risk on.
	Unbiased float64
}

// MeanCumulative returns the mean number of recurrences per unit by age, one
// point for each age at which there was one. At risk at t are the units with
// Entry < t ≤ End; with r of them and d events the mean grows by d/r. The
// variance is the robust
//
//	Σ_units ( Σ_{t_j ≤ t} Y_j/r_j · (d_j(unit) − d_j/r_j) )²
//
// (Y_j 1 where the unit is at risk), which needs no model of the recurrences.
//
// It returns an error for an age that is not a finite number, an End not
// after Entry or an event outside them; it refuses data without units or
// events.
//
// Sources: Nelson (1995), Journal of Quality Technology 27, 147–157; Lawless
// and Nadeau (1995), Technometrics 37, 158–168, for the robust variance;
// Meeker and Escobar (1998), chapter 16, for the limits.
func MeanCumulative(histories []History, level float64) ([]MCFPoint, error) {
	if err := checkLevel(level); err != nil {
		return nil, err
	}
	if len(histories) == 0 {
		return nil, refuse("there are no units")
	}
	w, err := newRecurrences(histories)
	if err != nil {
		return nil, err
	}
	if len(w.events) == 0 {
		return nil, refuse("there are no events")
	}
	z := normalUpper((1 - level) / 2)
	var points []MCFPoint
	for i := 0; i < len(w.events); {
		j := i
		for j < len(w.events) && w.events[j].time == w.events[i].time {
			j++
		}
		p := w.step(w.events[i:j])
		p.Low = p.Mean * math.Exp(-z*p.StdErr/p.Mean)
		p.High = p.Mean * math.Exp(z*p.StdErr/p.Mean)
		points = append(points, p)
		i = j
	}
	return points, nil
}

type recurrence struct {
	time float64
	unit int
}

// recurrences walks events in the order of age, keeping sums over units that
// let each step cost no more than the events it holds.
type recurrences struct {
	events         []recurrence
	byEntry, byEnd []recurrence
	entered, ended int
	late           bool

	mean    float64
	drift   float64   // Σ d/r² so far: what a unit at risk throughout lost
	own     []float64 // Σ over own events of 1/r, less drift at entry
	atRisk  int
	sum     float64 // over units at risk of own
	squares float64 // and of own²
	gone    float64 // Σ over units no longer at risk of their influence squared

	past    []float64 // Σ over own earlier events of 1/r, for Unbiased
	pastSum float64   // over units at risk
	var2    float64
}

func newRecurrences(histories []History) (*recurrences, error) {
	w := &recurrences{own: make([]float64, len(histories)), past: make([]float64, len(histories))}
	for i, h := range histories {
		for _, v := range append([]float64{h.Entry, h.End}, h.Events...) {
			if bad(v) {
				return nil, fmt.Errorf("unit %q: age %v is not a finite number", h.Unit, v)
			}
		}
		if !(h.End > h.Entry) {
			return nil, fmt.Errorf("unit %q: observation ends at %v, not after its begin %v", h.Unit, h.End, h.Entry)
		}
		for _, t := range h.Events {
			if !(t > h.Entry && t <= h.End) {
				return nil, fmt.Errorf("unit %q: an event at %v lies outside the time observed, %v to %v", h.Unit, t, h.Entry, h.End)
			}
			w.events = append(w.events, recurrence{t, i})
		}
		w.byEntry = append(w.byEntry, recurrence{h.Entry, i})
		w.byEnd = append(w.byEnd, recurrence{h.End, i})
		w.late = w.late || h.Entry > 0
	}
	order := func(a, b recurrence) int {
		return cmp.Or(cmp.Compare(a.time, b.time), cmp.Compare(a.unit, b.unit))
	}
	slices.SortFunc(w.events, order)
	slices.SortFunc(w.byEntry, order)
	slices.SortFunc(w.byEnd, order)
	return w, nil
}

// step takes all events of one age.
func (w *recurrences) step(events []recurrence) MCFPoint {
	time := events[0].time
	for ; w.entered < len(w.byEntry) && w.byEntry[w.entered].time < time; w.entered++ {
		u := w.byEntry[w.entered].unit
		w.own[u] = w.drift
		w.atRisk++
		w.sum += w.own[u]
		w.squares += w.own[u] * w.own[u]
	}
	for ; w.ended < len(w.byEnd) && w.byEnd[w.ended].time < time; w.ended++ {
		u := w.byEnd[w.ended].unit
		w.atRisk--
		w.sum -= w.own[u]
		w.squares -= w.own[u] * w.own[u]
		left := w.own[u] - w.drift
		w.gone += left * left
		w.pastSum -= w.past[u]
	}
	r := float64(w.atRisk)
	d := float64(len(events))
	w.mean += d / r
	w.drift += d / r / r

	var same, cross float64 // Σ d², Σ d·past over units
	for i := 0; i < len(events); {
		u := events[i].unit
		var n float64
		for ; i < len(events) && events[i].unit == u; i++ {
			n++
		}
		same += n * n
		cross += n * w.past[u]
		w.sum += n / r
		w.squares += n / r * (2*w.own[u] + n/r)
		w.own[u] += n / r
	}
	if r > 1 {
		w.var2 += ((same-d*d/r)/r + 2*(cross-d/r*w.pastSum)) / (r - 1)
	} else {
		w.var2 = math.NaN()
	}
	for _, e := range events {
		w.past[e.unit] += 1 / r
		w.pastSum += 1 / r
	}

	variance := w.gone + w.squares - 2*w.drift*w.sum + r*w.drift*w.drift
	p := MCFPoint{
		Time: time, AtRisk: w.atRisk, Events: len(events),
		Mean: w.mean, StdErr: math.Sqrt(math.Max(variance, 0)), Unbiased: w.var2,
	}
	if w.late {
		p.Unbiased = math.NaN()
	}
	return p
}
