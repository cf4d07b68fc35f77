package reliability

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// earlier is what the records say of work done elsewhere before the unit first
// came to this bench.
type earlier struct {
	looked   bool // somebody looked for it
	noneSeen bool
	worked   bool // somebody has worked on the unit
	places   []placed
}

// placed is where others have worked: all families of a section, one family
// everywhere, or one in a section.
type placed struct {
	section string
	family  schema.FamilyName
}

func (h *unitHistory) readEarlier() {
	for _, f := range h.u.Files {
		r, ok := f.Record.(*schema.Intake)
		if !ok || r.Withdrawn || r.Date.After(h.opt.AsOf.Day) {
			continue
		}
		e := &h.earlier
		for _, sign := range r.EarlierWork {
			e.looked = true
			if sign == schema.NoneSeen {
				e.noneSeen = true
			} else {
				e.worked = true
			}
		}
		for _, w := range r.WorkedOn {
			e.looked, e.worked = true, true
			if w.Section == "" {
				e.places = append(e.places, placed{"", w.Family})
				continue
			}
			names, err := refs.ParseNames(string(w.Section))
			if err != nil {
				continue // reported with the file
			}
			for _, n := range names.Enumerate() {
				e.places = append(e.places, placed{n, w.Family})
			}
		}
	}
	for _, s := range h.u.Sections {
		if s.Origin == schema.OriginReplaced && !s.Seen.After(h.opt.AsOf.Day) {
			h.earlier.worked = true
		}
	}
}

// touched reports whether others have worked on the parts of a family in a
// section.
func (e *earlier) touched(section string, family schema.FamilyName) bool {
	return slices.ContainsFunc(e.places, func(p placed) bool {
		return (p.section == "" || p.section == section) && (p.family == "" || p.family == family)
	})
}

// maker is what is known of a part the unit came with.
type maker string

const (
	asMade    maker = "original"     // shown to be
	notAsMade maker = "not original" // shown not to be
	ageless   maker = "age unknown"  // carries a date code nobody can read
	unshown   maker = ""             // taken for original
)

// verified says what shows that a part the unit came with is the one it was
// made with, or is not; year is the year of a later date code, 0 where there is
// none. Its own date code and source come first, then what the intakes say.
func (h *unitHistory) verified(section string, family schema.FamilyName, old *schema.Component) (what maker, year int) {
	if old != nil && old.DateCode != "" {
		y, ok := codeYear(old.DateCode)
		switch {
		case !ok:
			return ageless, 0
		case !h.built.started:
			return unshown, 0
		case y > h.built.hi.Year+1:
			return notAsMade, y
		}
		return asMade, 0
	}
	if old != nil && old.Source != "" {
		return notAsMade, 0
	}
	e := &h.earlier
	switch s := h.u.Section(section); {
	case e.touched(section, family):
		return notAsMade, 0
	case e.noneSeen, len(e.places) > 0, s != nil && s.Origin == schema.OriginOriginal && !s.Seen.After(h.opt.AsOf.Day):
		return asMade, 0
	}
	return unshown, 0
}

// codeYear reads the year of a date code: a year, a year and a month or a week
// (1974, 1974-05, 2019W31), or two digits of a year and two of a week (7432,
// 74-32, 74W32).
func codeYear(code string) (int, bool) {
	s := strings.ToUpper(strings.TrimSpace(code))
	if d, err := edtf.Parse(s); err == nil && !d.OpenLo && d.Lo.Year >= 1930 && d.Lo.Year < 2100 {
		return d.Hi.Year, true
	}
	digits := strings.Map(func(r rune) rune {
		if strings.ContainsRune("-/. W", r) {
			return -1
		}
		return r
	}, s)
	n, err := strconv.Atoi(digits)
	if err != nil || n < 0 {
		return 0, false
	}
	week := n % 100
	switch {
	case len(digits) == 6 && n/100 >= 1930 && n/100 < 2100 && week >= 1 && week <= 53:
		return n / 100, true
	case len(digits) == 4 && week >= 1 && week <= 53:
		y := 1900 + n/100
		if y < 1930 {
			y += 100
		}
		return y, true
	}
	return 0, false
}

// before is the original of a place whose part is not the original: it left
// between the year on the newer part, or the day the unit was built, and the
// first visit. Nobody knows whether it had failed.
func (h *unitHistory) before(x Observation, year int) (Observation, bool) {
	if !h.built.started || len(h.intakes) == 0 || h.opt.Hours {
		return x, false
	}
	t := h.built
	y := Observation{Unit: x.Unit, Section: x.Section, Ref: x.Ref, Family: x.Family, Count: x.Count, Model: x.Model, Place: x.Place,
		Origin: schema.OriginOriginal, Built: x.Built, Kind: ObservedLeftOut, Reason: LeftOutEarlier, Upper: math.Inf(1), Restart: earlierWindow,
		Half: t.half, Verified: true, Hidden: x.Hidden}
	y.Latest = years(t.mid, h.intakes[0].day)
	if year > 0 {
		y.Lower = min(max(0, float64(year)-yearOf(t.mid)), y.Latest)
	}
	y.LowerWorking = y.Lower
	return y, y.Latest > y.Lower
}

// earlierWindow is the Restart of a lifetime that ended before the first visit:
// nobody saw it, so it counts in no number of parts.
const earlierWindow = -1

// yearOf is a day as a year with a fraction.
func yearOf(d edtf.Day) float64 {
	return float64(d.Year) + float64(d.Sub(edtf.Day{Year: d.Year, Month: 1, Day: 1}))/365.25
}

// suspected reports whether a part that was not tested was suspected all the
// same: it carries a fault or a mode, or was replaced by a line of its own.
func suspected(e *unit.Event) bool {
	l := &e.Line
	switch {
	case l.Because == schema.BecauseSuspect, len(l.Fault) > 0, len(l.Mode) > 0:
		return true
	case l.Because != "":
		return false
	}
	return l.Action == schema.Replaced && e.Kit == "" && l.Ref != "" && !strings.ContainsAny(string(l.Ref), ",-") &&
		l.Section != "" && !strings.ContainsAny(string(l.Section), ",-")
}

// bench reports whether a finding is that of a check of the part itself.
func bench(f schema.Finding) bool {
	return f == schema.OK || f == schema.Degraded || f == schema.Failed
}

// systematic says, for every stay and group of like parts of a section, whether
// all of them were tested because all of them were to be.
func (h *unitHistory) systematic() map[stayGroup]bool {
	all := map[stayGroup]bool{}
	any := map[stayGroup]bool{}
	for _, p := range h.u.Positions {
		for _, o := range p.Occupants {
			for _, e := range h.until(o.Events) {
				if e.Job != nil && e.Line.Because == schema.BecauseSystematic {
					k := stayGroup{e.Job, p.Section, p.Family}
					any[k], all[k] = true, true
				}
			}
		}
	}
	for k := range any {
		for _, p := range h.u.Positions {
			if p.Section != k.section || p.Family != k.family {
				continue
			}
			ok := false
			for _, o := range p.Occupants {
				for _, e := range o.Events {
					b := e.Line.Because
					ok = ok || e.Job == k.job && bench(e.Line.Found) && (b == schema.BecauseSystematic || b == schema.BecauseSuspect)
				}
			}
			if !ok {
				all[k] = false
			}
		}
	}
	return all
}

type stayGroup struct {
	job     *unit.Job
	section string
	family  schema.FamilyName
}

// enteredTwice reports whether the line that put an occupant there and the
// first line about it are one replacement entered twice.
func enteredTwice(o *unit.Occupant) bool {
	if o.Fitted == nil || len(o.Events) == 0 {
		return false
	}
	a, b := o.Fitted, o.Events[0]
	return a.Job == b.Job && a.Date == b.Date && a.Line.Action == b.Line.Action && a.Line.Found == b.Line.Found && a.Line.Found != "" &&
		sameComponent(a.Line.New, b.Line.New)
}

func sameComponent(a, b *schema.Component) bool {
	if a == nil || b == nil {
		return a == b
	}
	return *a == *b
}
