package reliability

import (
	"cmp"
	"math"
	"slices"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/unit"
)

// ComebackKind is why a unit came back, as the intake has it.
type ComebackKind string

// ComebackUnsaid is a unit that came back for repair with nothing said about
// the release before.
const ComebackUnsaid ComebackKind = "not said"

// comebackKinds is the order of kinds, and how they are called.
var comebackKinds = []struct {
	kind  ComebackKind
	words string
}{
	{ComebackKind(schema.ComebackSame), "same fault"},
	{ComebackKind(schema.ComebackNew), "new fault"},
	{ComebackKind(schema.ComebackInduced), "caused by the work"},
	{ComebackKind(schema.ComebackTransport), "from transport"},
	{ComebackKind(schema.ComebackUse), "from use"},
	{ComebackKind(schema.ComebackNotFound), "no fault found"},
	{ComebackUnsaid, "for repair, nothing said"},
}

// follow-up of one unit from its first release on; times in years since then.
type followUp struct {
	Unit  string
	Heard float64 // last heard of: a record that is no note
	Due   float64 // to the as-of date
	Lag   float64
	Open  bool // not on the bench: silence can mean it works
	Backs []comeback

	start edtf.Day // of its first release
}

type comeback struct {
	Time float64
	Kind ComebackKind
}

// Comebacks is the follow-up of all units that were released here.
type Comebacks struct {
	units []followUp
	Units int // released at least once
	Back  int // of them, came back at least once
	All   int // comebacks
}

// add adds a unit; nil is one that was never released.
func (c *Comebacks) add(f *followUp) {
	if f == nil {
		return
	}
	c.units = append(c.units, *f)
	c.Units++
	c.All += len(f.Backs)
	if len(f.Backs) > 0 {
		c.Back++
	}
}

// follow follows a unit; nil where it was never released. A comeback is an
// intake for repair, or as a comeback, after a release from this bench, on the
// day it came in.
func follow(u *unit.Unit, opt ObserveOptions) *followUp {
	f := &followUp{Unit: u.Name, Lag: float64(opt.Lag) / 365.25}
	var start edtf.Day
	released := false
	for i := range u.Files {
		head := u.Files[i].Record.Head()
		if head.Withdrawn || head.Date.After(opt.AsOf.Day) || !head.Kind.Evidence() {
			continue
		}
		if released {
			f.Heard = max(f.Heard, years(start, head.Date.Day))
		}
		switch r := u.Files[i].Record.(type) {
		case *schema.Release:
			if !released {
				released, start = true, head.Date.Day
			}
			f.Open = true
		case *schema.Intake:
			f.Open = false
			if !released || r.Reason != schema.ReasonComeback && r.Reason != schema.ReasonRepair {
				continue
			}
			kind := ComebackUnsaid
			if r.Comeback != nil {
				kind = cmp.Or(ComebackKind(r.Comeback.Fault), kind)
			}
			// Back on the day it left is back within a day.
			f.Backs = append(f.Backs, comeback{max(years(start, head.Date.Day), oneDay), kind})
		}
	}
	if !released {
		return nil
	}
	f.start, f.Due = start, years(start, opt.AsOf.Day)
	return f
}

// end is until when a unit was followed. With silence read as working, a unit
// that is not on the bench has not come back until the as-of date less the
// lag.
func (f followUp) end(s Silence) float64 {
	end := f.Heard
	if s == SilenceWorking && f.Open {
		end = max(end, f.Due-f.Lag)
	}
	for _, b := range f.Backs {
		end = max(end, b.Time)
	}
	return end
}

// ComebackEstimate is comebacks over time since the first release under one
// reading of silence.
type ComebackEstimate struct {
	Units   int // followed for any time at all
	Mean    []lifedata.MCFPoint
	Refused string
	ByKind  []KindMean
	First   []lifedata.KMPoint // units that have not come back yet
}

// KindMean is the mean number of comebacks of one kind.
type KindMean struct {
	Kind   ComebackKind
	Events int
	Mean   []lifedata.MCFPoint
}

// Estimate works out the mean cumulative number of comebacks for each unit,
// in all and by kind, and the time to the first one. Source: see
// [lifedata.MeanCumulative] and [lifedata.KaplanMeier].
func (c Comebacks) Estimate(s Silence, level float64) ComebackEstimate {
	histories := func(kind ComebackKind) (list []lifedata.History, events int) {
		for _, f := range c.units {
			h := lifedata.History{Unit: f.Unit, End: f.end(s)}
			if !(h.End > 0) {
				continue
			}
			for _, b := range f.Backs {
				if kind == "" || b.Kind == kind {
					h.Events = append(h.Events, b.Time)
				}
			}
			events += len(h.Events)
			list = append(list, h)
		}
		return list, events
	}
	all, _ := histories("")
	e := ComebackEstimate{Units: len(all)}
	if e.Units == 0 {
		e.Refused = "no unit was heard of after it was released"
		return e
	}
	if e.Units < fewUnits {
		e.Refused = page.Plural(e.Units, "unit is", "units are") + " too few to say anything"
		return e
	}
	var err error
	if e.Mean, err = lifedata.MeanCumulative(all, level); err != nil {
		e.Refused = refusal(err)
		return e
	}
	for _, k := range comebackKinds {
		list, events := histories(k.kind)
		if events == 0 {
			continue
		}
		if m, err := lifedata.MeanCumulative(list, level); err == nil {
			e.ByKind = append(e.ByKind, KindMean{k.kind, events, m})
		}
	}
	var first []lifedata.Obs
	for _, h := range all {
		o := lifedata.Obs{Unit: h.Unit, Lower: h.End, Upper: math.Inf(1), Count: 1}
		if len(h.Events) > 0 {
			o.Lower = slices.Min(h.Events)
			o.Upper = o.Lower
		}
		first = append(first, o)
	}
	e.First, _ = lifedata.KaplanMeier(first, level) // there is a comeback
	return e
}

// Coverage is how many of the units released long enough ago were heard of at
// least so long after their release.
type Coverage struct {
	Years    int
	Released int // at least Years before the as-of date
	Heard    int // of them, came back before or heard of since
}

// Coverage is for one and for two years.
func (c Comebacks) Coverage() []Coverage {
	out := []Coverage{{Years: 1}, {Years: 2}}
	for i := range out {
		y := float64(out[i].Years)
		for _, f := range c.units {
			if f.Due < y {
				continue
			}
			out[i].Released++
			if f.Heard >= y || slices.ContainsFunc(f.Backs, func(b comeback) bool { return b.Time <= y }) {
				out[i].Heard++
			}
		}
	}
	return out
}

// AtRisk counts the units followed beyond a time.
func (c Comebacks) AtRisk(s Silence, years float64) int {
	n := 0
	for _, f := range c.units {
		if f.end(s) >= years {
			n++
		}
	}
	return n
}

// followed is until when at least [fewUnits] units were followed, 0 where never
// so many were.
func (c Comebacks) followed(s Silence) float64 {
	var ends []float64
	for _, f := range c.units {
		ends = append(ends, f.end(s))
	}
	slices.Sort(ends)
	if len(ends) < fewUnits {
		return 0
	}
	return ends[len(ends)-fewUnits]
}

// meanAt is the step of a mean cumulative function at a time, false before
// the first.
func meanAt(points []lifedata.MCFPoint, time float64) (lifedata.MCFPoint, bool) {
	var at lifedata.MCFPoint
	ok := false
	for _, p := range points {
		if p.Time <= time {
			at, ok = p, true
		}
	}
	return at, ok
}
