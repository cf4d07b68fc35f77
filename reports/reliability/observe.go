package reliability

import (
	"cmp"
	"math"
	"slices"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// DefaultLag is how many days before the as-of date silence is taken to mean
// working, where it is: a fault takes time to come to the bench's ears. Common
// practice, no source.
const DefaultLag = 180

// ObserveOptions says how records become observations.
type ObserveOptions struct {
	AsOf            schema.Date       // records and lines after it are not read; zero: the latest record that is no note
	FailureDegraded bool              // a degraded part counts as failed
	Families        schema.FamilyList // which families fail hidden; nil: none
	Lag             int               // days; see [DefaultLag]
	Hours           bool              // time runs on the hour meter and not in calendar years
}

// ObservationKind is what is known of a lifetime.
type ObservationKind string

const (
	ObservedEvent    ObservationKind = "event"    // failed in (Lower, Upper]
	ObservedCensored ObservationKind = "censored" // good at Lower, not known after
	ObservedLeftOut  ObservationKind = "left out" // says nothing about a lifetime; Reason says why
)

// LeftOutReason says why an occupant is not counted in rates, in words that
// follow a number of parts.
type LeftOutReason string

const (
	LeftOutUntested  LeftOutReason = "untested, and not known to have worked since they were fitted"
	LeftOutUnseen    LeftOutReason = "not looked at, in a unit not known to work fully"
	LeftOutHidden    LeftOutReason = "not tested, and a dead one would go unnoticed"
	LeftOutMissing   LeftOutReason = "missing, and not known to have worked"
	LeftOutRemoved   LeftOutReason = "removed, and not known to have worked"
	LeftOutSecondary LeftOutReason = "taken down by another failure, and not known to have worked before"
	LeftOutExternal  LeftOutReason = "damaged from outside, and not known to have worked before"
	LeftOutAge       LeftOutReason = "of unknown age, with no known good period"
	LeftOutPool      LeftOutReason = "counted from a pool of unknown size"
	LeftOutRepeat    LeftOutReason = "counted from a pool that failed more often than it has parts"
	LeftOutMeter     LeftOutReason = "in units without the readings of the hour meter it takes"
	LeftOutEarlier   LeftOutReason = "replaced or repaired elsewhere before the first visit"
	LeftOutNotBack   LeftOutReason = "fitted or repaired here and not seen since"
)

// Observation is what the records say about one occupant of one position, or
// about Count alike of a pool. Times are years of 365.25 days, or hours on the
// meter, since it was installed or, where UnknownOrigin is set, since it was
// first seen good.
type Observation struct {
	Unit    string
	Section string
	Ref     string // empty for a pool
	Family  schema.FamilyName
	Count   int

	Model  string // the first half of the unit's name
	Place  string // the section without its number: voice for voice 3
	Maker  string // of the part; empty: not recorded
	Lot    string
	Kit    string // the kit and revision that fitted it, A3/2
	Origin schema.Origin
	Built  string // build period of the unit, five years: 1970-1974; empty: not known so closely
	Intake schema.Reason
	// Prompted says that its failure brought the unit in: the stay came because
	// something had failed, and the line names a fault of the intake, or no line
	// does and the failure is heard.
	Prompted bool

	Kind   ObservationKind // with silence read as unknown
	Reason LeftOutReason
	Entry  float64 // at risk from this age
	Lower  float64 // last known good; 0 where it is not known
	Upper  float64 // found failed; +Inf unless Kind is ObservedEvent
	// LowerWorking takes the place of Lower where silence is read as working.
	LowerWorking float64
	// still is the last day it may have been fitted, or was seen good, where it
	// sits yet in a unit silent since it worked; zero otherwise, and LowerWorking
	// is Lower then.
	still edtf.Day

	// Half is half the span of the unit's build date, of which the times count
	// from the middle: one unknown date, the same for all its original parts.
	Half float64
	// Latest is the age at the last visit of a part that was not looked at
	// then, where that is after Lower: it may have been good or failed.
	Latest float64
	// First is the age at the end of the unit's first visit, of a part it came
	// with; +Inf where that has not ended.
	First float64
	// Verified says that the part was shown to be the one the unit was made
	// with, or was fitted here.
	Verified   bool
	Hidden     bool // its failure goes unheard
	Suspect    bool // not tested, but suspected; see [suspected]
	Systematic bool // in a group tested whole because all of it was to be
	// DegradedOut says that it was found degraded and taken out for that.
	DegradedOut bool
	// FoundFirst and FailedFirst are Found and Failed as of the first visit.
	FoundFirst  schema.Finding
	FailedFirst bool

	Found         schema.Finding // the gravest finding; empty: nobody looked
	Handled       bool           // somebody looked, or it was in service in a unit that left fully working
	Failed        bool           // failed by itself, under the definition in force
	Secondary     bool           // taken down by another part
	External      bool           // damaged from outside: transport, surge, earlier work
	UnknownOrigin bool           // age not known: constant hazard only
	Pool          bool           // one of a counted pool: constant hazard only
	Restart       int            // 0: the lifetime; n: the window after the n-th repair, constant hazard only
}

// Observations is all there is to say about the times of the parts of some
// units, with nothing dropped: every occupant of every position stands in All
// once with Restart 0.
type Observations struct {
	All             []Observation
	Units           int // with at least one record
	LeftOut         map[LeftOutReason]int
	AsOf            schema.Date
	Lag             int
	FailureDegraded bool
	Hours           bool
	Comebacks       Comebacks
	// Worked is how many units others had worked on before they first came,
	// Looked in how many somebody looked for signs of that.
	Worked, Looked int
	Copies         []string // units left out because another has their UUID

	uuids map[string]bool
}

// Silence says how a part of a unit that nobody has heard of since is read.
type Silence string

const (
	SilenceUnknown Silence = "unknown" // good until last known good
	SilenceWorking Silence = "working" // good until the as-of date less a lag
)

// Words lists the readings of silence.
func (Silence) Words() []string { return []string{"unknown", "working"} }

// Under returns the kind of the observation and its last known good time under
// one reading of silence.
func (o Observation) Under(s Silence) (ObservationKind, float64) {
	if s != SilenceWorking || o.Kind == ObservedEvent {
		return o.Kind, o.Lower
	}
	if o.Kind == ObservedLeftOut && o.LowerWorking > o.Entry {
		return ObservedCensored, o.LowerWorking
	}
	return o.Kind, o.LowerWorking
}

// Observe turns the histories of units into observations. It follows the rules
// that stand in the comments of each step; records in any order give the same
// observations in the same order.
func Observe(units []*unit.Unit, opt ObserveOptions) *Observations {
	if opt.AsOf.IsZero() {
		for _, u := range units {
			if d := LastRecord(u); d.After(opt.AsOf.Day) {
				opt.AsOf = d
			}
		}
	}
	obs := newObservations(opt)
	units = slices.Clone(units)
	slices.SortStableFunc(units, func(a, b *unit.Unit) int { return cmp.Compare(a.Name, b.Name) })
	for _, u := range units {
		if x := observeUnit(u, opt); obs.first(u.Name, u.Instrument.UUID, x) {
			obs.add(x)
		}
	}
	return obs
}

// first reports whether a unit is no copy of one that was there before it: two
// folders with one UUID are one instrument.
func (obs *Observations) first(name, id string, x unitObservations) bool {
	if !x.Seen || id == "" {
		return true
	}
	if obs.uuids[id] {
		obs.Copies = append(obs.Copies, name)
		return false
	}
	if obs.uuids == nil {
		obs.uuids = map[string]bool{}
	}
	obs.uuids[id] = true
	return true
}

func newObservations(opt ObserveOptions) *Observations {
	return &Observations{LeftOut: map[LeftOutReason]int{}, AsOf: opt.AsOf, Lag: opt.Lag, FailureDegraded: opt.FailureDegraded, Hours: opt.Hours}
}

// unitObservations is what one unit adds to [Observations].
type unitObservations struct {
	Seen           bool // it has a record by the as-of date
	All            []Observation
	Back           *followUp
	Worked, Looked bool
}

// observeUnit turns the history of one unit into observations, by section and
// designator.
func observeUnit(u *unit.Unit, opt ObserveOptions) unitObservations {
	h := newUnitHistory(u, opt)
	if !h.seen {
		return unitObservations{}
	}
	x := unitObservations{Seen: true, Back: follow(u, opt), Worked: h.earlier.worked, Looked: h.earlier.looked}
	for _, p := range u.Positions {
		for _, o := range p.Occupants {
			if enteredTwice(o) {
				continue
			}
			x.All = append(x.All, h.occupant(p, o)...)
		}
	}
	for _, p := range u.Pools {
		x.All = append(x.All, h.pool(p)...)
	}
	x.Worked = x.Worked || slices.ContainsFunc(x.All, func(o Observation) bool { return o.Restart == earlierWindow })
	slices.SortStableFunc(x.All, func(a, b Observation) int {
		c := cmp.Compare(a.Section, b.Section)
		switch {
		case c != 0:
		case a.Ref == "" && b.Ref == "":
			c = cmp.Compare(a.Family, b.Family)
		case a.Ref != b.Ref && refs.Less(refs.Ref(a.Ref), refs.Ref(b.Ref)):
			c = -1
		case a.Ref != b.Ref:
			c = 1
		}
		return c
	})
	return x
}

// alike makes one observation of those that differ in their position only. The
// estimates are the same to the last bit: they do so themselves, in this order.
func (x unitObservations) alike() unitObservations {
	at := map[Observation]int{}
	all := x.All
	x.All = nil
	for _, o := range all {
		n := o.Count
		o.Section, o.Ref, o.Count = "", "", 0
		i, ok := at[o]
		if !ok {
			i = len(x.All)
			at[o] = i
			x.All = append(x.All, o)
		}
		x.All[i].Count += n
	}
	return x
}

func (obs *Observations) add(x unitObservations) {
	if !x.Seen {
		return
	}
	obs.Units++
	if x.Worked {
		obs.Worked++
	}
	if x.Looked {
		obs.Looked++
	}
	obs.Comebacks.add(x.Back)
	obs.All = append(obs.All, x.All...)
	for _, o := range x.All {
		if o.Kind == ObservedLeftOut {
			obs.LeftOut[o.Reason] += o.Count
		}
	}
}

// LastRecord is the day of the latest record that is evidence: a note says
// nothing about a part, so adding one must change nothing.
func LastRecord(u *unit.Unit) (last schema.Date) {
	for _, f := range u.Files {
		h := f.Record.Head()
		if h.Kind.Evidence() && !h.Withdrawn && h.Date.After(last.Day) {
			last = h.Date
		}
	}
	return last
}

// occupant gives the observations of one occupant: its lifetime, then a window
// for each time it was repaired after a failure. An occupant fails once; what
// was left failed is no longer at risk.
func (h *unitHistory) occupant(p *unit.Position, o *unit.Occupant) []Observation {
	if o.Origin == schema.OriginReplaced && o.Since.Lo.After(h.opt.AsOf.Day) {
		return nil // not there yet
	}
	family := cmp.Or(o.Family, p.Family)
	hidden := h.opt.FailureDegraded || h.opt.Families[family].Hidden
	base := h.keys(p.Section, family)
	base.Ref, base.Count = string(p.Ref), 1
	base.Origin, base.Kit = o.Origin, o.Kit
	if c := o.Component; c != nil {
		base.Maker, base.Lot = c.Maker, c.Lot
	}
	events := h.until(o.Events)
	base.Intake, base.Prompted = h.reason(events, o, hidden)
	base.Hidden = hidden

	t := h.tenure(o, hidden)
	var out []Observation
	base.Verified = true
	if o.Origin != schema.OriginReplaced {
		what, year := h.verified(p.Section, family, o.Component)
		switch {
		case what == asMade && o.Origin == schema.OriginUnknown && h.built.started && !h.opt.Hours:
			// Its own date code says more than its section does.
			if o.Component != nil && o.Component.DateCode != "" {
				t, base.Origin = h.tenureFrom(o, hidden, h.builtSince(o)), schema.OriginOriginal
			}
		case what == notAsMade || what == ageless || o.Origin == schema.OriginUnknown:
			if o.Origin != schema.OriginUnknown {
				t, base.Origin = h.tenureFrom(o, hidden, tenure{}), schema.OriginUnknown
			}
			if was, ok := h.before(base, year); ok && what != asMade {
				was.Suspect = what == notAsMade && o.Component != nil && (year > 0 || o.Component.Source != "")
				out = append(out, was)
			}
		}
		base.Verified = what == asMade || base.Origin == schema.OriginUnknown
		base.First = h.firstVisit(t)
	}
	base.UnknownOrigin = !t.known
	base.Half = t.half
	h.state(&base, events, t)
	base.Systematic = h.inSystematic(p, events)

	for restart := 0; ; restart++ {
		x, rest := h.window(base, t, events, restart)
		if restart > 0 {
			x.Half, x.First = 0, 0
		}
		out = append(out, x)
		if rest == nil {
			return out
		}
		// After a repair the clock of what can be known starts again.
		t = h.again(t, rest[0])
		events = rest[1:]
	}
}

// state counts an occupant once: what was found, and whether anybody looked.
func (h *unitHistory) state(x *Observation, events []*unit.Event, t tenure) {
	rank := map[schema.Finding]int{schema.Failed: 6, schema.Degraded: 5, schema.OK: 4, schema.InService: 3, schema.Untested: 2, schema.Missing: 1}
	for _, e := range events {
		first := e.Job == nil && h.u.Jobs == nil || len(h.u.Jobs) > 0 && e.Job == h.u.Jobs[0]
		if rank[e.Line.Found] > rank[x.Found] {
			x.Found = e.Line.Found
		}
		if first && !t.fittedHere && rank[e.Line.Found] > rank[x.FoundFirst] {
			x.FoundFirst = e.Line.Found
		}
		if h.failing(e) {
			second, outside := blame(e)
			x.FailedFirst = x.FailedFirst || first && !t.fittedHere && !second && !outside
			x.Secondary = x.Secondary || second
			x.External = x.External || outside
			x.Failed = x.Failed || !second && !outside
		}
	}
	if x.Failed {
		x.Secondary, x.External = false, false
	}
	x.External = x.External && !x.Secondary
	if x.Found == "" && h.wasInService(t) {
		x.Found = schema.InService
	}
	if x.FoundFirst == "" && h.inServiceFirst(t) {
		x.FoundFirst = schema.InService
	}
	x.Handled = tellsOf(x.Found, t.hidden)
}

// tellsOf reports whether a finding says how a part was: one that was not tested
// is in no denominator, and one that fails unheard is not known by its circuit.
func tellsOf(found schema.Finding, hidden bool) bool {
	return bench(found) || found == schema.InService && !hidden
}

// window gives one observation from the start of a tenure to its first failure
// or its end, and the events from the repair on, nil where there was none.
func (h *unitHistory) window(x Observation, t tenure, events []*unit.Event, restart int) (Observation, []*unit.Event) {
	x.Restart, x.Entry = restart, t.offset
	x.Upper = math.Inf(1)
	stop := slices.IndexFunc(events, func(e *unit.Event) bool {
		return h.failing(e) || e.Line.Found == schema.Missing
	})
	if stop < 0 {
		h.survived(&x, t, events)
		return x, nil
	}
	e := events[stop]
	t.refuted = h.refuted(e)
	good, ok := t.lastGood(h, events[:stop], h.at(e))
	second, outside := blame(e)
	switch {
	case e.Line.Found == schema.Missing:
		h.censor(&x, t, good, ok, LeftOutMissing)
		return x, nil
	case second:
		h.censor(&x, t, good, ok, LeftOutSecondary)
	case outside:
		h.censor(&x, t, good, ok, LeftOutExternal)
	default:
		h.fail(&x, t, good, ok, e)
	}
	x.LowerWorking = x.Lower
	return x, repaired(events[stop:])
}

// fail sets an event in (g_lo - a, t - a]: from the first day that last known
// good may mean to the day it was found, or noticed where the fault says when.
// The day it was built, a, is the middle of what is known of it.
func (h *unitHistory) fail(x *Observation, t tenure, good moment, ok bool, e *unit.Event) {
	if !t.started {
		// Age not known and never seen good before: it was not at risk while
		// anybody watched.
		x.Kind, x.Reason = ObservedLeftOut, LeftOutAge
		return
	}
	x.Kind = ObservedEvent
	from := t.hi
	if ok && good.day.After(t.hi) {
		from = good.day
	}
	x.Lower = t.offset
	if from != t.hi {
		x.Lower = t.offset + max(0, h.least(t, from))
	}
	// A failure within the day it was last good, or the day it was fitted,
	// lies in (0, 1 day].
	x.Upper = max(t.offset+h.most(t, e.Date.Day), x.Lower+h.shortest())
	if lo, hi, ok := h.noticed(e); ok && !h.opt.Hours && hi.After(t.hi) {
		if before := lo.AddDays(-1); !t.hidden && before.After(from) {
			x.Lower = t.offset + max(0, h.least(t, before))
		}
		x.Upper = max(min(x.Upper, t.offset+h.most(t, hi)), x.Lower+h.shortest())
	}
	if math.IsNaN(x.Lower) || math.IsNaN(x.Upper) {
		h.withoutMeter(x, t)
	}
}

// censor ends an observation at last known good; where that is not after
// installation it says nothing and is left out, counted by its reason.
func (h *unitHistory) censor(x *Observation, t tenure, good moment, ok bool, reason LeftOutReason) {
	switch {
	case !t.started:
		x.Kind, x.Reason = ObservedLeftOut, LeftOutAge
	case ok && good.day.After(t.hi):
		x.Kind, x.Lower = ObservedCensored, t.offset+max(0, h.least(t, good.day))
	default:
		x.Kind, x.Reason, x.Lower = ObservedLeftOut, reason, t.offset
		if !t.known && !t.fittedHere {
			x.Reason = LeftOutAge
		}
	}
	if math.IsNaN(x.Lower) || h.meterless() && x.Reason != LeftOutNotBack {
		h.withoutMeter(x, t)
	}
	x.LowerWorking = x.Lower
}

// survived ends an observation that saw no failure: at the last day the part
// was known good, and, where it is still fitted in a unit that has been silent
// since it worked, also at the as-of date less the lag.
func (h *unitHistory) survived(x *Observation, t tenure, events []*unit.Event) {
	good, ok := t.lastGood(h, events, t.end)
	reason := LeftOutUnseen
	last := schema.Finding("")
	for _, e := range events {
		last = cmp.Or(e.Line.Found, last)
	}
	switch {
	case x.Restart > 0 || t.fittedHere && !h.presented(t):
		reason = LeftOutNotBack
	case last == schema.Untested:
		reason = LeftOutUntested
	case t.removed:
		reason = LeftOutRemoved
	case t.hidden:
		reason = LeftOutHidden
	}
	h.censor(x, t, good, ok, reason)
	h.untold(x, t, events, good, ok)
	if n := len(events); n > 0 && !t.end.still {
		e := events[n-1]
		x.DegradedOut = e.Line.Found == schema.Degraded && (e.Line.Action == schema.Replaced || e.Line.Action == schema.Removed)
	}
	// Nobody knows how long a silent unit has run. Its silence says nothing of
	// parts that fail unheard.
	if t.end.still && h.silent && t.started && !h.opt.Hours && !t.hidden {
		x.still = t.mid
		x.LowerWorking = x.working(h.opt.AsOf.AddDays(-h.opt.Lag))
	}
}

// untold sets Latest where the part was there at the last visit and nothing
// says whether it was good then.
func (h *unitHistory) untold(x *Observation, t tenure, events []*unit.Event, good moment, ok bool) {
	if !t.started || h.opt.Hours || x.Kind == ObservedLeftOut && x.Reason == LeftOutNotBack {
		return
	}
	var seen edtf.Day
	suspect := false
	var last *unit.Job
	for _, j := range h.u.Jobs {
		m := moment{day: j.IntakeRecord().Date.Day, record: h.index[j.Intake]}
		if m.day.After(h.opt.AsOf.Day) || j.Intake.Record.Head().Withdrawn {
			continue
		}
		if (!t.fittedHere || m.day.After(t.hi)) && m.before(t.end) {
			last, seen = j, m.day
		}
	}
	if n := len(events); n > 0 && !events[n-1].Date.Before(seen) && (last == nil || events[n-1].Job == last || events[n-1].Date.After(seen)) {
		e := events[n-1]
		seen = e.Date.Day
		// What a modification takes out need not be suspected.
		suspect = suspected(e) && e.File.Record.Head().Kind != schema.KindMod
	}
	if !seen.Valid() || ok && !good.day.Before(seen) {
		return
	}
	if latest := t.offset + h.least(t, seen); latest > x.Lower {
		x.Latest, x.Suspect = latest, suspect
	}
}

// working is the last known good time of a part that still sits in a silent
// unit, if it worked until a day.
func (o Observation) working(until edtf.Day) float64 {
	return max(o.Lower, o.Entry+years(o.still, until))
}
