package reliability

import (
	"math"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// pool gives the observations of a counted pool: one for each line, and one
// for the parts no line is about. Nobody can say which of them failed, so they
// serve a constant hazard only. Parts that failed and were repaired, or that
// were fitted in their place, are at risk again in a window of their own.
func (h *unitHistory) pool(p *unit.Pool) []Observation {
	base := h.keys(p.Section, p.Family)
	base.Pool, base.Origin = true, schema.OriginOriginal
	t := h.built
	t.hidden = h.opt.FailureDegraded || h.opt.Families[p.Family].Hidden
	var seen schema.Date
	for _, s := range h.u.Sections {
		if s.Name == p.Section && s.Origin != "" && s.Origin != schema.OriginOriginal {
			base.Origin, seen = schema.OriginUnknown, s.Seen
		}
	}
	if base.Origin == schema.OriginUnknown {
		t = tenure{hidden: t.hidden}
	}
	t.end = moment{day: h.opt.AsOf.Day, record: len(h.u.Files), still: true}
	t.from = moment{day: t.hi, record: -1}
	if !t.started {
		t.from = moment{day: seen.Day, record: -1}
		if seen.IsZero() && len(h.intakes) > 0 {
			t.from.day = h.intakes[0].day
		}
	}
	base.UnknownOrigin = !t.known
	base.Hidden = t.hidden
	var lost []Observation
	what, _ := h.verified(p.Section, p.Family, nil)
	if base.Origin == schema.OriginOriginal && what == notAsMade {
		// Others have worked on some of them; nobody knows on which.
		t = tenure{hidden: t.hidden, end: t.end, from: moment{day: t.hi, record: -1}}
		if len(h.intakes) > 0 {
			t.from.day = h.intakes[0].day
		}
		base.Origin, base.UnknownOrigin = schema.OriginUnknown, true
	}
	if base.Origin == schema.OriginUnknown && p.Count > 0 {
		one := base
		one.Count = p.Count
		if was, ok := h.before(one, 0); ok {
			was.Pool = true
			lost = append(lost, was)
		}
	}
	base.Verified = what == asMade || base.Origin == schema.OriginUnknown
	base.First, base.Half = h.firstVisit(t), t.half

	out := lost
	left := p.Count
	for _, e := range h.until(p.Events) {
		one := []*unit.Event{e}
		x := base
		x.Intake, x.Prompted = h.reason(one, nil, t.hidden)
		own := h.poolTenure(t, one)
		h.state(&x, one, own)
		if p.Count == 0 {
			x.Count, x.Kind, x.Reason, x.Upper = e.Line.Count, ObservedLeftOut, LeftOutPool, math.Inf(1)
			out = append(out, x)
			continue
		}
		if e.Line.Action == schema.Fitted && e.Line.Found != schema.Missing {
			x.Count = e.Line.Count // more than there were
			out = append(out, h.poolAfter(x, t, e)...)
			continue
		}
		x.Count = min(e.Line.Count, left)
		left -= x.Count
		if x.Count > 0 {
			first, _ := h.window(x, own, one, 0)
			out = append(out, first)
		}
		if extra := e.Line.Count - x.Count; extra > 0 {
			y := base
			y.Intake, y.Count, y.Restart, y.Kind, y.Reason = x.Intake, extra, 1, ObservedLeftOut, LeftOutRepeat
			y.Upper = math.Inf(1)
			out = append(out, y)
		}
		out = append(out, h.poolAfter(x, t, e)...)
	}
	if left > 0 {
		x := base
		x.Count = left
		x.Intake, x.Prompted = h.reason(nil, nil, t.hidden)
		own := h.poolTenure(t, nil)
		h.state(&x, nil, own)
		first, _ := h.window(x, own, nil, 0)
		out = append(out, first)
	}
	return out
}

// poolTenure is the tenure of the parts one line is about.
func (h *unitHistory) poolTenure(t tenure, events []*unit.Event) tenure {
	for _, e := range events {
		if e.Line.Action == schema.Replaced || e.Line.Action == schema.Removed {
			t.end = h.at(e)
			t.removed = e.Line.Action == schema.Removed
		}
	}
	if !t.started {
		if g, ok := t.firstGood(h, events); ok {
			t.at(g.day, g.day)
			t.from = g
		}
	}
	return t
}

// poolAfter is what comes after a line: nothing, or a window of the repaired
// or new parts.
func (h *unitHistory) poolAfter(x Observation, t tenure, e *unit.Event) []Observation {
	if x.Count == 0 {
		return nil
	}
	switch e.Line.Action {
	case schema.Replaced, schema.Fitted:
		t = tenure{known: true, hidden: t.hidden, fittedHere: true, end: t.end}
		x.Origin, x.UnknownOrigin = schema.OriginReplaced, false
		if c := e.Line.New; c != nil {
			x.Maker, x.Lot = c.Maker, c.Lot
			if c.Family != "" {
				x.Family = c.Family
				t.hidden = h.opt.FailureDegraded || h.opt.Families[c.Family].Hidden
			}
			x.UnknownOrigin = c.Source == schema.SourceUsed || c.Source == schema.SourceDonor
		}
		t.at(e.Date.Day, e.Date.Day)
		x.Verified = true
		t.from = moment{day: t.hi, record: -1}
	default:
		if !h.failing(e) || repaired([]*unit.Event{e}) == nil {
			return nil
		}
		t = h.again(t, e)
	}
	x.Found, x.Handled, x.Failed, x.Secondary, x.External = "", false, false, false, false
	x.FoundFirst, x.FailedFirst, x.Half, x.First, x.Hidden = "", false, 0, 0, t.hidden
	after, _ := h.window(x, t, nil, 1)
	return []Observation{after}
}
