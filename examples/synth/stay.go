package synth

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"github.com/google/uuid"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// Days a stay takes at most, from intake to release, and what is kept free of
// new stays at the end of the ledger.
const (
	longest = 30
	lastly  = 40
)

// work is what shop and owner see and do of an aging unit, and write down.
type work struct {
	*aging
	name    string
	records []unit.File
	faults  int // given ids so far
	stays   []stay
	earlier map[*part]bool // mended in the stay before
	others  []*part        // mended by others before the first stay
	never   bool           // nothing brings the unit in
}

type stay struct{ in, out int } // days; out is 0 while the unit is at the bench

// Unit works out a unit, 0 to Options.Units-1. Calls with the same number give
// equal units.
func (l *Ledger) Unit(i int) *Unit {
	o := &l.Options
	rng := rand.New(rand.NewPCG(o.Seed, uint64(i)+1))
	k := rng.IntN(len(o.Models))
	a := newAging(l, rng, l.populations[k])
	w := &work{aging: a, name: fmt.Sprintf("%s/%05d", o.Models[k].Slug, i+1), earlier: map[*part]bool{}}

	from := dayNumber(date(int(o.Built.From), 1, 1).Day)
	to := dayNumber(date(int(o.Built.To), 12, 31).Day)
	built := from + rng.IntN(to-from+1)
	end := dayNumber(o.End.Day)
	open := i >= o.Units-o.Open
	if open {
		end -= 2 * lastly
	}
	opened := dayNumber(o.Opened.Day)
	first := opened + rng.IntN(max(end-lastly-opened, 1))

	unknown := make([]bool, len(a.sections))
	for s := range unknown {
		unknown[s] = rng.Float64() < o.Habits.UnknownOrigin
	}
	for _, p := range a.parts {
		at := Instant(built)
		if unknown[p.section] {
			at += Instant(rng.Float64() * float64(first-built))
		}
		a.fit(p, at, nil)
	}
	if o.External.PerYear > 0 {
		a.shock = Instant(built) + Instant(rng.ExpFloat64()/o.External.PerYear*365.25)
	}
	u := &Unit{Name: w.name, Built: Instant(built), Factors: a.factors}
	u.Instrument = w.instrument(&o.Models[k].Model, built)
	w.youth(Instant(built), Instant(opened), Instant(first))
	if o.Habits.FirstByFailure {
		at, _, ok := w.heard(Instant(end - lastly))
		if ok {
			first = min(int(math.Ceil(float64(at+Instant(365.25*o.Habits.Notice*rng.ExpFloat64())))), end-lastly-1)
		} else {
			first = end - lastly - 1
			w.never = true
		}
	}
	w.live(first, end, builtBy(u.Instrument, built), unknown)
	if open {
		w.open(dayNumber(o.End.Day)-longest, builtBy(u.Instrument, built))
	}
	if o.Records > 0 {
		w.paperwork(o.Records)
	}
	slices.SortStableFunc(w.records, func(a, b unit.File) int {
		switch {
		case unit.Less(a, b):
			return -1
		case unit.Less(b, a):
			return 1
		}
		return 0
	})
	u.Records, u.Never = w.records, w.never
	for _, life := range a.lives {
		if life.Ref != "" || !life.Ended.Never() || life.Failed <= Instant(end) {
			u.Lives = append(u.Lives, life)
		}
	}
	return u
}

// youth is the unit's story before its first stay: what is heard to fail is
// repaired elsewhere, or waits.
func (w *work) youth(built, opened, first Instant) {
	h := &w.l.Options.Habits
	if h.Elsewhere == 0 {
		if h.FirstByFailure {
			w.advance(opened)
		}
		return
	}
	until := first
	if h.FirstByFailure {
		until = opened
	}
	for {
		at, heard, ok := w.next(until)
		if !ok {
			return
		}
		if !heard || w.rng.Float64() >= h.Elsewhere {
			continue
		}
		for _, p := range w.parts {
			if p.happened && !p.hidden && p.life.Failed == at {
				w.others = append(w.others, p)
				w.fit(p, at+1, nil)
			}
		}
	}
}

// heard lets time pass until something is heard to fail.
func (w *work) heard(until Instant) (Instant, bool, bool) {
	for {
		at, heard, ok := w.next(until)
		if !ok || heard {
			return at, heard, ok
		}
	}
}

// live is the unit's story from its first stay on.
func (w *work) live(first, end, built int, unknown []bool) {
	h := &w.l.Options.Habits
	silent := w.rng.Float64() < h.Silent
	second := never
	if w.rng.Float64() < h.SecondStay {
		second = Instant(first) + Instant(365.25*(h.SecondAfter.From+w.rng.Float64()*(h.SecondAfter.To-h.SecondAfter.From)))
	}
	if silent {
		second = never
	}
	in, why := first, schema.ReasonOverhaul
	for {
		out := w.stay(in, why, built, unknown)
		unknown = nil
		next := never
		if h.Service > 0 && !silent {
			next = Instant(out) + Instant(365.25*h.Service*w.rng.ExpFloat64())
		}
		if second > Instant(out) {
			next = min(next, second)
		}
		why = schema.ReasonInspection
		broken := never
		for {
			at, heard, ok := w.next(min(next, Instant(end)))
			if !ok {
				break
			}
			if heard {
				broken = at
				break
			}
		}
		if !broken.Never() && w.rng.Float64() < h.Return {
			if back := broken + Instant(365.25*h.Notice*w.rng.ExpFloat64()); back < next {
				next, why = back, schema.ReasonRepair
			}
		}
		until := min(next, Instant(end))
		w.advance(until)
		if !silent {
			w.followups(out, until, broken)
		}
		if next > Instant(end-lastly) {
			return
		}
		in = max(int(math.Ceil(float64(next))), out+1)
	}
}

// followups are what the owner tells between two stays.
func (w *work) followups(from int, to, broken Instant) {
	rate := w.l.Options.Habits.Followups
	if rate == 0 {
		return
	}
	for at := Instant(from); ; {
		at += Instant(math.Ceil(365.25 / rate * w.rng.ExpFloat64()))
		if at >= to {
			return
		}
		c := &schema.Followup{State: schema.FollowupWorking, SaidBy: "owner"}
		if broken <= at {
			c.State, c.About = schema.FollowupFaulty, "something in it has stopped working"
		}
		w.put(schema.KindFollowup, int(at), c)
	}
}

// stay is one stay from intake to release; it returns the day of the latter.
func (w *work) stay(in int, why schema.Reason, built int, unknown []bool) int {
	day := in + 1 + w.rng.IntN(5)
	out := day + 2 + w.rng.IntN(longest-8)
	intake, faults := w.intake(in, why, built, unknown)
	first := len(w.stays) == 0

	w.advance(Instant(day))
	if rec := w.inspect(day, first, faults); rec != nil {
		w.put(schema.KindParts, day, rec)
	}
	// What fails at the bench is heard in the last test before the release.
	w.advance(Instant(out))
	if late := w.find(func(*part) bool { return false }); late != nil {
		var g lines
		w.repair(&g, late, out, nil)
		rec := &schema.Parts{Lines: w.write(&g, out)}
		rec.Note = "failed at the bench, in the last test"
		for i := range rec.Lines {
			if l := &rec.Lines[i]; l.New != nil { // it may be the second time in this stay
				l.Why = "failed in the last test"
			}
		}
		w.put(schema.KindParts, out, rec)
	}
	rel := &schema.Release{Works: schema.WorksFully}
	for _, f := range intake.Faults {
		rel.Faults = append(rel.Faults, schema.FaultAtEnd{ID: f.ID, State: schema.FaultCured})
	}
	w.put(schema.KindRelease, out, rel)
	w.stays = append(w.stays, stay{in, out})
	return out
}

// open is a last stay that has no release yet.
func (w *work) open(in, built int) {
	w.advance(Instant(in))
	_, faults := w.intake(in, schema.ReasonOverhaul, built, nil)
	day := in + 1 + w.rng.IntN(5)
	w.advance(Instant(day))
	if rec := w.inspect(day, false, faults); rec != nil {
		w.put(schema.KindParts, day, rec)
	}
	w.stays = append(w.stays, stay{in: in})
}

// intake writes the intake of a unit, with a fault for each section in which
// something is heard.
func (w *work) intake(in int, why schema.Reason, built int, unknown []bool) (*schema.Intake, map[int]string) {
	w.advance(Instant(in))
	r := &schema.Intake{Reason: why, Works: schema.WorksFully}
	faults := map[int]string{}
	same := false
	for _, p := range w.parts {
		if !p.happened || p.hidden {
			continue
		}
		same = same || w.earlier[p]
		r.Works = schema.WorksPartly
		if faults[p.section] == "" {
			w.faults++
			id := fmt.Sprintf("F%d", w.faults)
			faults[p.section] = id
			r.Faults = append(r.Faults, schema.Fault{ID: id, Symptom: "does not work as it should", Section: w.sections[p.section]})
		}
	}
	if faults[0] != "" {
		r.Works = schema.WorksNo // the supply
	}
	w.earlier = map[*part]bool{}
	if w.l.Options.Habits.Neutral {
		r.Reason = why
	} else if u := w.rng.Float64(); len(w.stays) == 0 && w.l.Options.Habits.FirstByFailure {
		r.Reason = schema.ReasonRepair
	} else if len(w.stays) == 0 {
		switch {
		case r.Works != schema.WorksFully && u < 0.5:
			r.Reason = schema.ReasonRepair
		case r.Works == schema.WorksFully && u < 0.2:
			r.Reason = schema.ReasonPurchase
		}
	}
	if n := len(w.stays); n > 0 && why == schema.ReasonRepair && in-w.stays[n-1].out < 730 {
		r.Reason = schema.ReasonComeback
		c := &schema.Comeback{Release: w.lastRelease(), Fault: schema.ComebackNew}
		if same {
			c.Fault = schema.ComebackSame
		}
		r.Comeback = c
	}
	for s, is := range unknown {
		if is {
			r.Sections = append(r.Sections, schema.SectionState{Name: w.sections[s], Origin: schema.OriginUnknown})
		}
	}
	h := &w.l.Options.Habits
	if h.Looks && len(w.stays) == 0 {
		w.lookForOthers(r)
	}
	if h.Noticed {
		for i := range r.Faults {
			s := slices.Index(w.sections, r.Faults[i].Section)
			r.Faults[i].Since = schema.EDTF(Instant(math.Ceil(float64(w.brokenIn(s)))).Day().String())
		}
	}
	if r.Works != schema.WorksFully && w.rng.Float64() < h.LastKnown {
		after := built
		if n := len(w.stays); n > 0 {
			after = w.stays[n-1].out
		}
		last := w.broken() - Instant(w.rng.Float64()*h.LastKnownSpan*365.25)
		if text, lo := span(last, h.LastKnownSpan, 0); lo > after {
			r.LastKnownWorking, r.LastKnownWorkingBy = text, "owner"
		}
	}
	w.put(schema.KindIntake, in, r)
	return r, faults
}

// lookForOthers says at the first intake where others have worked.
func (w *work) lookForOthers(r *schema.Intake) {
	seen := map[schema.WorkedOn]bool{}
	codes := map[string]bool{}
	for _, p := range w.others {
		codes[w.sections[p.section]+string(p.name)] = true
	}
	for _, p := range w.parts {
		if codes[w.sections[p.section]+string(p.name)] {
			p.code = p.life.Installed.Day().Year
		}
	}
	for _, p := range w.others {
		on := schema.WorkedOn{Section: schema.Names(w.sections[p.section]), Family: p.name, What: "other solder"}
		if !seen[on] {
			seen[on] = true
			r.WorkedOn = append(r.WorkedOn, on)
		}
	}
	if r.WorkedOn == nil {
		r.EarlierWork = []string{schema.NoneSeen}
	}
}

// brokenIn is when the first of the heard failures of a section happened.
func (w *work) brokenIn(section int) Instant {
	first := never
	for _, p := range w.parts {
		if p.section == section && p.happened && !p.hidden {
			first = min(first, p.life.Failed)
		}
	}
	return first
}

// lastRelease is the file name of the release before.
func (w *work) lastRelease() string {
	for i := len(w.records) - 1; ; i-- {
		if w.records[i].Record.Head().Kind == schema.KindRelease {
			return w.records[i].Name()
		}
	}
}

// span writes a day as somebody who knows it to so many years would; before is
// how many of them lie before it. It returns the first day that may be meant.
func span(t Instant, years float64, before int) (schema.EDTF, int) {
	d := t.Day()
	switch {
	case years <= 0:
		return schema.EDTF(d.String()), dayNumber(d)
	case years < 0.2:
		return schema.EDTF(fmt.Sprintf("%04d-%02d", d.Year, d.Month)), dayNumber(date(d.Year, d.Month, 1).Day)
	}
	from := d.Year - before
	lo := dayNumber(date(from, 1, 1).Day)
	if n := int(math.Round(years)); n > 1 {
		return schema.EDTF(fmt.Sprintf("%04d/%04d", from, from+n-1)), lo
	}
	return schema.EDTF(fmt.Sprintf("%04d", from)), lo
}

// instrument says who the unit is, and when it was built as far as that is
// known.
func (w *work) instrument(m *schema.Model, built int) *schema.Instrument {
	h := &w.l.Options.Habits
	var id uuid.UUID
	for i := range id {
		id[i] = byte(w.rng.Uint32())
	}
	id[6], id[8] = id[6]&0x0f|0x40, id[8]&0x3f|0x80 // version 4 of RFC 9562
	ins := &schema.Instrument{Format: schema.Format, UUID: id.String(), Maker: m.Maker, Model: m.Name,
		Serials: []schema.Serial{{Place: "plate", Value: fmt.Sprint(10000 + w.rng.IntN(80000)), How: schema.SerialRead}}}
	before := 0
	if n := int(math.Round(h.BuildSpan)); n > 1 {
		before = w.rng.IntN(n)
	}
	if w.rng.Float64() < h.KnownBuild {
		said := Instant(built)
		if h.BuildError > 0 {
			said += Instant(365.25 * h.BuildError * (2*w.rng.Float64() - 1))
		}
		ins.Built, _ = span(said, h.BuildSpan, before)
		ins.BuiltFrom = "date codes on the boards"
	}
	return ins
}

// builtBy is the last day the unit may have been built as far as anybody
// knows.
func builtBy(ins *schema.Instrument, built int) int {
	if d, ok := ins.Built.Span(); ok {
		return dayNumber(d.Hi)
	}
	return built
}

// put adds a record.
func (w *work) put(kind schema.Kind, day int, r schema.Record) {
	h := r.Head()
	h.Kind, h.Date = kind, schema.Date{Day: Instant(day).Day()}
	h.By = w.l.Shop.Technicians[w.rng.IntN(len(w.l.Shop.Technicians))].ID
	const letters = "abcdefghjkmnpqrstuvwxyz23456789"
	n := len(w.records)
	random := []byte{letters[w.rng.IntN(len(letters))], letters[n/len(letters)/len(letters)%len(letters)], letters[n/len(letters)%len(letters)], letters[n%len(letters)]}
	w.records = append(w.records, unit.File{Path: strings.Join([]string{"instruments/", w.name, "/", h.Date.String(), "-", string(kind), "-", string(random), ".toml"}, ""), Record: r})
}
