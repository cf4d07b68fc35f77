package reliability

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/unit"
)

// oneDay is one day in years.
const oneDay = 1 / 365.25

func years(from, to edtf.Day) float64 { return float64(to.Sub(from)) / 365.25 }

// moment is a day and the place within it: the record, and still for an end
// that has not come.
type moment struct {
	day    edtf.Day
	record int
	still  bool
}

func (m moment) before(o moment) bool {
	return o.still || cmp.Or(m.day.Compare(o.day), cmp.Compare(m.record, o.record)) < 0
}

// unitHistory is what a unit's records say about it as a whole.
type unitHistory struct {
	u       *unit.Unit
	opt     ObserveOptions
	index   map[*unit.File]int
	good    []moment // days the whole unit worked fully
	shown   []moment // of those, the days it did so at the bench
	intakes []moment
	seen    bool // has a record by the as-of date
	silent  bool // last heard of working, and not at the bench
	built   tenure
	meter   []reading // by date
	earlier earlier
	whole   map[stayGroup]bool // tested whole; nil: not worked out yet
}

// newUnitHistory collects when the unit worked fully: the earliest day of
// last_known_working, releases and intakes with works = "fully", follow-ups
// that say working.
func newUnitHistory(u *unit.Unit, opt ObserveOptions) *unitHistory {
	h := &unitHistory{u: u, opt: opt, index: map[*unit.File]int{}}
	var first edtf.Day
	atBench := false
	for i := range u.Files {
		f := &u.Files[i]
		h.index[f] = i
		head := f.Record.Head()
		if head.Withdrawn || head.Date.After(opt.AsOf.Day) {
			continue
		}
		m := moment{day: head.Date.Day, record: i}
		if head.Hours != nil {
			h.meter = append(h.meter, reading{m.day, *head.Hours})
		}
		if head.Kind.Evidence() && !h.seen {
			h.seen, first = true, m.day
		}
		switch r := f.Record.(type) {
		case *schema.Intake:
			h.intakes = append(h.intakes, m)
			h.silent, atBench = false, true
			if d, ok := r.LastKnownWorking.Span(); ok && !d.OpenLo && !d.Lo.After(m.day) {
				h.good = append(h.good, moment{day: d.Lo, record: i})
			}
			if r.Works == schema.WorksFully {
				h.good = append(h.good, m)
				h.shown = append(h.shown, m)
			}
		case *schema.Release:
			h.silent, atBench = r.Works == schema.WorksFully, false
			if h.silent {
				h.good = append(h.good, m)
				h.shown = append(h.shown, m)
			}
		case *schema.Followup:
			switch r.State {
			case schema.FollowupWorking:
				h.good = append(h.good, m)
				h.silent = !atBench
			case schema.FollowupFaulty:
				h.silent = false
			}
		}
	}
	slices.SortFunc(h.good, func(a, b moment) int {
		return cmp.Or(a.day.Compare(b.day), cmp.Compare(a.record, b.record))
	})
	h.built = span(u.Built, first)
	h.readEarlier()
	return h
}

// until drops what lies after the as-of date.
func (h *unitHistory) until(events []*unit.Event) []*unit.Event {
	var out []*unit.Event
	for _, e := range events {
		if !e.Date.After(h.opt.AsOf.Day) {
			out = append(out, e)
		}
	}
	return out
}

func (h *unitHistory) failing(e *unit.Event) bool {
	return e.Line.Found == schema.Failed || h.opt.FailureDegraded && e.Line.Found == schema.Degraded
}

// blame says whether a failure was caused by another part or from outside. An
// unknown cause counts as the part's own.
func blame(e *unit.Event) (secondary, external bool) {
	switch c := e.Line.CausedBy; {
	case c == "" || c == "unknown":
		return false, false
	case c.Word():
		return false, true
	}
	return true, false
}

// repaired returns the events from the one that repaired a failure on, nil
// where the part came out or stayed as it was.
func repaired(events []*unit.Event) []*unit.Event {
	for i, e := range events {
		switch e.Line.Action {
		case schema.Cleaned, schema.Adjusted, schema.Reworked:
			return events[i:]
		case schema.Replaced, schema.Removed:
			return nil
		}
	}
	return nil
}

// tenure is the time an occupant sat in its position, as far as it is known.
type tenure struct {
	lo, hi     edtf.Day // first and last day it may have been installed, or first seen good
	mid        edtf.Day // the middle of them, from which its times count
	half       float64  // half the time from lo to hi, in years
	refuted    int      // an intake, by record, that took the unit to work fully and was wrong about this part; 0: none
	known      bool     // its age is known
	fromNew    bool     // there since the unit was built
	started    bool     // lo and hi are set
	offset     float64  // age at lo and hi; 0 but in a window after a repair
	fittedHere bool
	hidden     bool
	removed    bool
	from       moment // no evidence before it counts
	end        moment // still, where it sits there yet
}

// aboutYears is how far an approximate date reaches each way. Common practice,
// no source.
const aboutYears = 2

// at sets the day something was installed, or seen good.
func (t *tenure) at(lo, hi edtf.Day) {
	t.lo, t.hi, t.started = lo, hi, true
	t.mid = lo.AddDays(hi.Sub(lo) / 2)
	t.half = years(lo, hi) / 2
}

// span reads the days something was built or fitted. A part was there by the
// day it was first seen; a date without a start gives no age.
func span(d edtf.Date, seen edtf.Day) tenure {
	if d.Text == "" || d.OpenLo {
		return tenure{}
	}
	t := tenure{known: true, fromNew: true}
	lo, hi := d.Lo, d.Hi
	if d.Approximate {
		if lo.Year > aboutYears {
			lo.Year -= aboutYears
		}
		hi.Year = min(hi.Year+aboutYears, edtf.LastDay.Year)
		lo, hi = edtf.FromTime(lo.Time()), edtf.FromTime(hi.Time()) // 29 February
	}
	if seen.Valid() && seen.Before(hi) {
		hi = seen
	}
	if hi.Before(lo) {
		lo = hi
	}
	t.at(lo, hi)
	return t
}

// tenure works out when an occupant came and went. One of unknown age is at
// risk only from the first day it was seen good: had it failed before, nobody
// would have counted it. A used part fitted here is at risk from that day, its
// age unknown all the same.
func (h *unitHistory) tenure(o *unit.Occupant, hidden bool) tenure {
	t := span(o.Since, o.Seen.Day)
	if o.Origin == schema.OriginOriginal {
		t = h.builtSince(o)
	}
	if o.Origin == schema.OriginUnknown {
		t = tenure{}
	}
	return h.tenureFrom(o, hidden, t)
}

// builtSince is the span an original came in: that of its unit, whatever day
// the part itself was first written about.
func (h *unitHistory) builtSince(o *unit.Occupant) tenure {
	if h.built.started {
		return h.built
	}
	return span(o.Since, o.Seen.Day)
}

// tenureFrom is a tenure that began as t did.
func (h *unitHistory) tenureFrom(o *unit.Occupant, hidden bool, t tenure) tenure {
	t.hidden = hidden
	t.fittedHere = o.Origin == schema.OriginReplaced
	t.fromNew = t.fromNew && o.Origin == schema.OriginOriginal
	if c := o.Component; t.fittedHere && c != nil && (c.Source == schema.SourceUsed || c.Source == schema.SourceDonor) {
		t.known = false
	}
	t.end = moment{day: h.opt.AsOf.Day, record: len(h.u.Files), still: true}
	events := h.until(o.Events)
	if n := len(events); n > 0 && !o.Ended.IsZero() && !o.Ended.After(h.opt.AsOf.Day) {
		last := events[n-1]
		t.end = h.at(last)
		t.removed = last.Line.Action == schema.Removed
	}
	if t.started {
		t.from = moment{day: t.hi, record: -1}
		return t
	}
	t.from = moment{day: o.Seen.Day, record: -1}
	if g, ok := t.firstGood(h, events); ok {
		t.at(g.day, g.day)
		t.from = g
	}
	return t
}

// again is the tenure from a repair on.
func (h *unitHistory) again(t tenure, e *unit.Event) tenure {
	if t.started && t.known {
		t.offset += max(0, h.least(t, e.Date.Day))
	}
	t.at(e.Date.Day, e.Date.Day)
	t.fromNew, t.refuted = false, 0
	t.from = moment{day: e.Date.Day, record: -1}
	return t
}

func (h *unitHistory) at(e *unit.Event) moment {
	return moment{day: e.Date.Day, record: h.index[e.File]}
}

// evidence lists the moments within the tenure at which the part was known
// good. The unit's working says so only if it worked fully and the family does
// not fail unheard; a bench check always does. In a hidden family neither
// silence nor an owner nor a circuit that works is a bench check of the part.
// An intake that took the unit to work fully is no evidence for the part that
// the same stay found failed.
func (t tenure) evidence(h *unitHistory, events []*unit.Event, until moment) []moment {
	var out []moment
	if !t.hidden {
		for _, g := range h.good {
			if !g.before(t.from) && g.before(until) && !h.isRefuted(t, g) {
				out = append(out, g)
			}
		}
	}
	for _, e := range events {
		if h.failing(e) {
			continue
		}
		switch e.Line.Found {
		case schema.InService:
			if !t.hidden {
				out = append(out, h.at(e))
			}
		case schema.OK, schema.Degraded:
			out = append(out, h.at(e))
		}
	}
	return out
}

// refuted is the intake of the stay a failure was found in, by record and from
// 1; 0 where there is none.
func (h *unitHistory) refuted(e *unit.Event) int {
	if e.Job == nil {
		return 0
	}
	return h.index[e.Job.Intake] + 1
}

// isRefuted reports whether a moment is the day of the intake that was wrong.
// The day the owner last saw it working stands.
func (h *unitHistory) isRefuted(t tenure, g moment) bool {
	return t.refuted > 0 && g.record == t.refuted-1 && g.day == h.u.Files[g.record].Record.Head().Date.Day
}

// noticed is when the fault that a failure caused was first noticed, the
// earliest where there are several. Of several failures behind one fault nobody
// knows which was noticed first, and the others may have come later.
func (h *unitHistory) noticed(e *unit.Event) (lo, hi edtf.Day, ok bool) {
	for _, id := range e.Line.Fault {
		for _, f := range h.u.Faults {
			failed := 0
			for _, c := range f.Cured {
				if h.failing(c) {
					failed += max(1, c.Line.Count)
				}
			}
			if f.ID != id || failed > 1 {
				continue
			}
			d, known := f.Since.Span()
			if !known || d.OpenLo || d.Hi.After(e.Date.Day) || ok && !d.Lo.Before(lo) {
				continue
			}
			lo, hi, ok = d.Lo, d.Hi, true
		}
	}
	return lo, hi, ok
}

// firstVisit is the age at the end of the unit's first visit, +Inf where it has
// not ended.
func (h *unitHistory) firstVisit(t tenure) float64 {
	if !t.started || !t.known || h.opt.Hours {
		return 0
	}
	if len(h.u.Jobs) == 0 {
		return 0
	}
	r := h.u.Jobs[0].ReleaseRecord()
	if r == nil || r.Date.After(h.opt.AsOf.Day) {
		return math.Inf(1)
	}
	return max(0, years(t.mid, r.Date.Day))
}

// inServiceFirst reports whether a part nobody wrote about left the first visit
// in a unit that worked fully.
func (h *unitHistory) inServiceFirst(t tenure) bool {
	if t.fittedHere || t.hidden || len(h.u.Jobs) == 0 {
		return false
	}
	j := h.u.Jobs[0]
	r := j.ReleaseRecord()
	return r != nil && r.Works == schema.WorksFully && !r.Date.After(h.opt.AsOf.Day) || j.IntakeRecord().Works == schema.WorksFully
}

// inSystematic reports whether the tests of a part were all of groups tested
// whole.
func (h *unitHistory) inSystematic(p *unit.Position, events []*unit.Event) bool {
	if h.whole == nil {
		h.whole = h.systematic()
	}
	n := 0
	for _, e := range events {
		if bench(e.Line.Found) {
			if !h.whole[stayGroup{e.Job, p.Section, p.Family}] {
				return false
			}
			n++
		}
	}
	return n > 0
}

func (t tenure) lastGood(h *unitHistory, events []*unit.Event, until moment) (moment, bool) {
	var last moment
	all := t.evidence(h, events, until)
	for i, g := range all {
		if i == 0 || last.before(g) {
			last = g
		}
	}
	return last, len(all) > 0
}

func (t tenure) firstGood(h *unitHistory, events []*unit.Event) (moment, bool) {
	if i := slices.IndexFunc(events, h.failing); i >= 0 {
		t.end = h.at(events[i])
		events = events[:i]
	}
	all := t.evidence(h, events, t.end)
	if len(all) == 0 {
		return moment{}, false
	}
	return slices.MinFunc(all, func(a, b moment) int {
		return cmp.Or(a.day.Compare(b.day), cmp.Compare(a.record, b.record))
	}), true
}

// presented reports whether the part was in the unit when it came to the
// bench: one fitted here must have come back.
func (h *unitHistory) presented(t tenure) bool { return h.firstIntake(t) != nil }

func (h *unitHistory) firstIntake(t tenure) *moment {
	for i := range h.intakes {
		m := &h.intakes[i]
		if (!t.fittedHere || m.day.After(t.hi)) && m.before(t.end) {
			return m
		}
	}
	return nil
}

// wasInService reports whether a part nobody wrote about came in with a unit
// that then left, or was, fully working.
func (h *unitHistory) wasInService(t tenure) bool {
	in := h.firstIntake(t)
	if in == nil || t.hidden {
		return false
	}
	return slices.ContainsFunc(h.shown, func(m moment) bool { return !m.before(*in) && m.before(t.end) })
}

// keys fills in what an observation can be grouped by.
func (h *unitHistory) keys(section string, family schema.FamilyName) Observation {
	model, _, _ := strings.Cut(h.u.Name, "/")
	return Observation{Unit: h.u.Name, Section: section, Family: family, Model: model, Place: h.place(section), Built: h.period()}
}

// place is the section as the model writes it: voice for voice 3.
func (h *unitHistory) place(section string) string {
	for _, s := range h.u.Model.Sections {
		if rest, ok := strings.CutPrefix(section, s.Name+" "); ok && s.Count > 0 && strings.Trim(rest, "0123456789") == "" {
			return s.Name
		}
	}
	return section
}

// period is the five years the unit was built in, if it is known so closely.
func (h *unitHistory) period() string {
	if !h.built.started {
		return ""
	}
	from := h.built.lo.Year / 5 * 5
	if h.built.hi.Year/5*5 != from {
		return ""
	}
	return fmt.Sprintf("%d-%d", from, from+4)
}

// reason is why the unit was at the bench when the part was dealt with: when
// it was found failed, else when it was last looked at, else the first time.
func (h *unitHistory) reason(events []*unit.Event, o *unit.Occupant, hidden bool) (why schema.Reason, prompted bool) {
	var job *unit.Job
	var failed *unit.Event
	for _, e := range events {
		if e.Job != nil {
			job = e.Job
		}
		if h.failing(e) {
			failed = e
			break
		}
	}
	if job == nil {
		for _, j := range h.u.Jobs {
			if d := j.IntakeRecord().Date; !d.After(h.opt.AsOf.Day) && (o == nil || o.Origin != schema.OriginReplaced || !d.Before(o.Since.Lo)) {
				job = j
				break
			}
		}
	}
	if job == nil {
		return "", false
	}
	in := job.IntakeRecord()
	if failed == nil || failed.Job != job || !(in.Reason == schema.ReasonRepair || in.Reason == schema.ReasonComeback ||
		in.LastKnownWorking != "" && in.Works != schema.WorksFully) {
		return in.Reason, false
	}
	if len(failed.Line.Fault) > 0 {
		return in.Reason, slices.ContainsFunc(in.Faults, func(f schema.Fault) bool { return slices.Contains(failed.Line.Fault, f.ID) })
	}
	return in.Reason, !hidden && !h.namesFaults(job)
}

// namesFaults reports whether any line of a stay says which fault it cures.
func (h *unitHistory) namesFaults(j *unit.Job) bool {
	for _, f := range j.Faults {
		if len(f.Cured) > 0 {
			return true
		}
	}
	return false
}
