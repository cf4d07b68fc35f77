package provenance

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// builder is what building a report needs throughout.
type builder struct {
	in   Input
	u    *unit.Unit
	p    *Report
	last *unit.Job // the last released job
	asOf schema.Date

	events map[*unit.Position][]ev // all work on a position, in order
}

// Build makes the report on a unit. Withdrawn records count for nothing but are
// listed in the history.
func Build(in Input) *Report {
	b := &builder{in: in, u: in.Unit, p: &Report{Schema: 1, Title: "Provenance report", Closed: in.Closed}, asOf: in.AsOf}
	if b.asOf.IsZero() {
		for _, f := range b.u.Files {
			b.asOf = f.Record.Head().Date
		}
	}
	for _, j := range b.u.Jobs {
		if !j.Open() {
			b.last = j
		}
	}
	p := b.p
	p.AsOf = dayText(b.asOf)
	if in.Shop != nil {
		p.Shop = ShopName{in.Shop.Name, in.Shop.Contact}
	}
	for _, x := range b.u.Sections {
		p.Sections = append(p.Sections, page.Clean(x.Name))
	}
	b.collect()
	b.identity()
	b.jobs()
	b.work()
	b.faults()
	for _, c := range chapters {
		c.build(b)
	}
	b.soaks()
	b.mods()
	b.released()
	b.readings()
	b.coverage()
	b.positionMap()
	b.partsNow()
	b.sundries()
	b.history()
	b.vouched()
	b.closing()
	b.pageOne()
	b.inShort()
	noNulls(reflect.ValueOf(p).Elem())
	return p
}

// noNulls makes every nil list an empty one, so that JSON readers have one case
// fewer.
func noNulls(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			noNulls(v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				noNulls(v.Field(i))
			}
		}
	case reflect.Slice:
		if v.IsNil() {
			v.Set(reflect.MakeSlice(v.Type(), 0, 0))
		}
		for i := range v.Len() {
			noNulls(v.Index(i))
		}
	}
}

// dayText gives a date, "" for none.
func dayText(d schema.Date) string {
	if d.IsZero() {
		return ""
	}
	return d.String()
}

// family gives a family's title.
func (b *builder) family(n schema.FamilyName) string {
	if n == "" {
		return "parts of no stated family"
	}
	return page.Clean(b.in.Families.Title(n))
}

// records walks the records that count, in order.
func (b *builder) records(do func(f *unit.File, h *schema.Common)) {
	for i := range b.u.Files {
		f := &b.u.Files[i]
		if h := f.Record.Head(); !h.Withdrawn {
			do(f, h)
		}
	}
}

// jobOf finds the job a record belongs to, nil for none.
func (b *builder) jobOf(f *unit.File) *unit.Job {
	for _, j := range b.u.Jobs {
		for _, g := range j.Files {
			if g.Path == f.Path {
				return j
			}
		}
	}
	return nil
}

func jobName(j *unit.Job) string {
	if j == nil {
		return ""
	}
	return j.Name()
}

func (b *builder) identity() {
	s := b.u.Instrument
	id := &b.p.Unit
	*id = UnitIdentity{Name: b.u.Name, UUID: s.UUID, Maker: page.Clean(s.Maker), Model: page.Clean(s.Model), Variant: page.Clean(s.Variant),
		Built: string(s.Built), BuiltText: dateWords(s.Built), BuiltFrom: s.BuiltFrom, Note: s.Note}
	for _, x := range s.Serials {
		id.Serials = append(id.Serials, SerialReport{page.Clean(x.Place), page.Clean(x.Value), x.How, x.Note})
	}
	type board struct {
		name, revision string
		stated         bool
	}
	sections := map[board][]string{}
	var order []board
	for _, x := range b.u.Sections {
		if x.Board == "" {
			continue
		}
		k := board{x.Board, x.Revision, b.boardStated(x.Name)}
		if sections[k] == nil {
			order = append(order, k)
		}
		sections[k] = append(sections[k], x.Name)
	}
	for _, k := range order {
		id.Boards = append(id.Boards, BoardReport{page.CompactNames(sections[k]), page.Clean(k.name), page.Clean(k.revision), k.stated})
	}
	for _, x := range s.Differences {
		var part []string
		for _, t := range []string{string(x.Value), string(x.Rating)} {
			if t != "" {
				part = append(part, t)
			}
		}
		if x.Family != "" {
			part = append(part, string(x.Family))
		}
		id.Differences = append(id.Differences, DifferenceReport{page.Clean(string(x.Section)), page.Clean(string(x.Ref)), x.Absent, strings.Join(part, ", "), x.Note})
	}
	b.records(func(f *unit.File, h *schema.Common) {
		if h.Hours != nil {
			id.Hours, id.HoursOn = h.Hours, dayText(h.Date)
		}
	})
}

// boardStated tells whether instrument.toml names the board of a section.
func (b *builder) boardStated(section string) bool {
	for _, f := range b.u.Instrument.Boards {
		if slices.Contains(b.sectionNames(f.Section), section) {
			return true
		}
	}
	return false
}

// dateWords puts an EDTF date in words.
func dateWords(e schema.EDTF) string {
	d, ok := e.Span()
	if !ok {
		return "not known"
	}
	one := func(s string) string {
		s = strings.TrimSpace(s)
		if t := strings.TrimRight(s, "~?%"); t != s {
			mark := s[len(t):]
			switch mark {
			case "~":
				return "about " + t
			case "?":
				return "perhaps " + t
			}
			return "perhaps about " + t
		}
		return s
	}
	text := page.Clean(d.Text)
	from, to, ranged := strings.Cut(text, "/")
	switch {
	case !ranged:
		return one(text)
	case d.OpenLo:
		return "not after " + one(to)
	case d.OpenHi:
		return "not before " + one(from)
	}
	return "between " + one(from) + " and " + one(to)
}

func (b *builder) jobs() {
	for _, j := range b.u.Jobs {
		r := j.IntakeRecord()
		x := JobReport{Name: j.Name(), Bench: b.benchName(j.Intake), Received: dayText(r.Date), By: b.person(j.Intake, r.By), Reason: r.Reason, Works: r.Works,
			LastWorkingBy: page.Clean(r.LastKnownWorkingBy), Power: r.Power, PowerWhy: r.PowerWhy,
			EarlierWork: r.EarlierWork, Missing: r.Missing, Accessories: r.Accessories, UserMemory: r.UserMemory, Note: r.Note}
		if r.LastKnownWorking != "" {
			x.LastWorking = dateWords(r.LastKnownWorking)
		}
		for _, f := range j.Faults {
			x.Faults = append(x.Faults, f.ID)
		}
		for _, s := range r.Sections {
			x.Sections = append(x.Sections, SectionAsSeen{page.Clean(s.Name), s.Condition, s.Origin, s.Note})
		}
		if c := r.Comeback; c != nil {
			x.Comeback = &ComebackReport{page.Clean(c.Release), c.Fault, c.Note}
		}
		if e := j.ReleaseRecord(); e != nil {
			x.Released, x.ReleasedBy, x.WorksReleased, x.ReleaseNote = dayText(e.Date), b.person(j.Release, e.By), e.Works, e.Note
			if r.Reason == schema.ReasonOverhaul {
				b.p.State.Overhaul = dayText(e.Date)
			}
		} else {
			b.p.State.OnBenchSince = dayText(r.Date)
		}
		b.p.Jobs = append(b.p.Jobs, x)
	}
}

// released fills in the state the unit last left in.
func (b *builder) released() {
	s := &b.p.State
	if m := b.u.Instrument.Mains; m != nil {
		s.MainsFound, s.FuseFound = page.Clean(string(m.AsFound)), page.Clean(m.FuseFound)
	}
	if power, why, f := b.u.Power(); f != nil {
		s.Power, s.PowerWhy, s.PowerDate = power, why, dayText(f.Record.Head().Date)
	}
	for _, j := range b.u.Jobs {
		r := j.ReleaseRecord()
		if r == nil {
			continue
		}
		if r.Mains != "" {
			s.Mains, s.MainsDate = page.Clean(string(r.Mains)), dayText(r.Date)
		}
		if r.Fuse != "" {
			s.Fuse, s.MainsDate = page.Clean(r.Fuse), dayText(r.Date)
		}
	}
	b.warranties()
	if b.last != nil {
		r := b.last.ReleaseRecord()
		s.Works, s.Date, s.By = r.Works, dayText(r.Date), b.signedFor(b.last.Release, r.By)
		s.Bench = b.benchName(b.last.Release)
		s.SoakHours, s.SoakCycles, s.WorkAfterSoak = b.soakOf(b.last)
	}
}

// warranties lists what was promised. A change of hands that names a warranty
// takes the place of the release's before it.
func (b *builder) warranties() {
	release := ""
	b.records(func(f *unit.File, h *schema.Common) {
		var w *schema.Warranty
		switch r := f.Record.(type) {
		case *schema.Release:
			release, w = f.Name(), r.Warranty
		case *schema.Custody:
			w = r.Warranty
		}
		if w == nil {
			return
		}
		x := WarrantyReport{Start: dayText(w.Start), End: dayText(w.End), Scope: w.Scope, Transferable: w.Transferable,
			Ended: w.End.Before(b.asOf.Day), Release: release, Bench: b.benchName(f)}
		if n := len(b.p.Warranties); n > 0 && b.p.Warranties[n-1].Release == release {
			b.p.Warranties[n-1] = x
			return
		}
		b.p.Warranties = append(b.p.Warranties, x)
	})
}

// supersede marks the earlier checks of the same stay that a run did again.
func (b *builder) supersede(later SafetyRun) {
	for i := range b.p.Safety {
		if b.p.Safety[i].Job != later.Job {
			continue
		}
		for k := range b.p.Safety[i].Checks {
			c := &b.p.Safety[i].Checks[k]
			c.Superseded = c.Superseded || slices.ContainsFunc(later.Checks, func(l SafetyReport) bool {
				return strings.EqualFold(l.Name, c.Name) && l.Result == schema.CheckDone
			})
		}
	}
}

// soakOf adds up a job's runs under power.
func (b *builder) soakOf(j *unit.Job) (hours float64, cycles int, after bool) {
	var last *unit.File
	for _, f := range j.Files {
		r, ok := f.Record.(*schema.Soak)
		if !ok {
			continue
		}
		last = f
		cycles += r.Cycles
		if q, ok := r.Duration.Parse(); ok {
			if h, err := q.In("h"); err == nil {
				hours += h
			}
		}
	}
	return hours, cycles, last != nil && b.workAfter(last)
}

// workAfter tells whether parts were worked on after a record of the same job:
// by the lines' own days, and on the same day by the order of the records.
func (b *builder) workAfter(f *unit.File) bool {
	j := b.jobOf(f)
	d := f.Record.Head().Date
	after := func(e *unit.Event) bool {
		if e.Job != j || e.File.Path == f.Path || e.Line.Action == schema.Left || e.Line.Action == schema.Pending {
			return false
		}
		c := e.Date.Compare(d.Day)
		return c > 0 || c == 0 && unit.Less(*f, *e.File)
	}
	for _, list := range b.events {
		for _, e := range list {
			if after(e.Event) {
				return true
			}
		}
	}
	for _, q := range b.u.Pools {
		if slices.ContainsFunc(q.Events, after) {
			return true
		}
	}
	return false
}

func (b *builder) soaks() {
	b.records(func(f *unit.File, h *schema.Common) {
		r, ok := f.Record.(*schema.Soak)
		if !ok {
			return
		}
		x := SoakReport{Record: f.Name(), Bench: b.benchName(f), Job: jobName(b.jobOf(f)), Date: dayText(r.Date), By: b.person(f, r.By),
			Duration: page.Clean(string(r.Duration)), Cycles: r.Cycles, Ambient: page.Clean(string(r.Ambient)), Note: r.Note}
		for _, e := range r.Events {
			t := page.Quote(e.What)
			if e.At != "" {
				t = "after " + page.Clean(string(e.At)) + ": " + t
			}
			if e.Fault != "" {
				t += " (fault " + page.Clean(e.Fault) + ")"
			}
			x.Events = append(x.Events, t)
		}
		b.p.Soaks = append(b.p.Soaks, x)
	})
}

func (b *builder) safety() {
	current := b.last
	if n := len(b.u.Jobs); n > 0 {
		current = b.u.Jobs[n-1]
	}
	b.records(func(f *unit.File, h *schema.Common) {
		r, ok := f.Record.(*schema.Safety)
		if !ok {
			return
		}
		j := b.jobOf(f)
		x := SafetyRun{Record: f.Name(), Bench: b.benchName(f), Job: jobName(j), Date: dayText(r.Date), By: b.person(f, r.By), Note: r.Note, WorkAfter: b.workAfter(f)}
		for _, k := range r.Checks {
			c := SafetyReport{Name: page.Clean(k.Name), Result: k.Result, Stage: k.Stage, Why: k.Why, Value: page.Clean(string(k.Value)), Conditions: k.Conditions,
				With: page.Clean(k.With), By: x.By, Note: k.Note, LimitSource: k.LimitSource}
			if k.By != "" {
				c.By = b.person(f, k.By)
			}
			l := &unit.Limit{Low: k.Low, High: k.High}
			c.Limit = page.Clean(l.String())
			if k.Result == schema.CheckDone {
				x.Counts = x.Counts || j == current
				switch v, ok := k.Value.Parse(); {
				case ok:
					c.Verdict = l.Judge(v, nil)
				case k.Value == schema.NotMeasurable:
					c.Verdict = unit.NotTaken
				case k.Passed != nil && *k.Passed:
					c.Verdict = passedByInspection
				case k.Passed != nil:
					c.Verdict = failedByInspection
				}
			}
			x.Checks = append(x.Checks, c)
		}
		b.supersede(x)
		b.p.Safety = append(b.p.Safety, x)
	})
}

func (b *builder) mods() {
	b.records(func(f *unit.File, h *schema.Common) {
		switch r := f.Record.(type) {
		case *schema.Mod:
			x := ModReport{Bench: b.benchName(f), Name: r.Name, Serial: page.Clean(r.Serial), Date: dayText(r.Date), By: b.person(f, r.By), Record: f.Name(), Changes: r.Changes,
				Reversible: r.Reversible, Undo: r.Undo, Originals: r.Originals, Note: r.Note}
			if r.Kit != "" {
				x.Kit = kitName(r.Kit, r.Revision)
			}
			b.modParts(&x, f, func(o *unit.Occupant) bool { return o.Mod != nil && o.Mod.Path == f.Path })
			b.p.Mods = append(b.p.Mods, x)
		case *schema.Parts:
			// A kit that changes something for the player is a modification
			// whatever kind of record took it.
			for _, a := range b.u.Kits {
				k := a.Kit
				if a.File != f || k.Changes == "" || strings.HasPrefix(strings.ToLower(k.Changes), "none") {
					continue
				}
				x := ModReport{Bench: b.benchName(f), Name: k.Title, Kit: kitName(k.Name, k.Revision), Serial: page.Clean(a.Serial), Date: dayText(r.Date), By: b.person(f, r.By),
					Record: f.Name(), Changes: k.Changes, Reversible: k.Reversible}
				if x.Name == "" {
					x.Name = k.Name
				}
				if a.OldKept != "" {
					x.Originals = schema.Originals(a.OldKept)
				}
				b.modParts(&x, f, func(o *unit.Occupant) bool { return o.Fitted != nil && o.Fitted.File == f && o.Kit == a.Name() })
				b.p.Mods = append(b.p.Mods, x)
			}
		}
	})
}

func kitName(name, revision string) string {
	if revision == "" {
		return page.Clean(name)
	}
	return page.Clean(name) + "/" + page.Clean(revision)
}

// modParts counts what a modification fitted, what of it is still there, and
// what it took out for good.
func (b *builder) modParts(x *ModReport, f *unit.File, by func(*unit.Occupant) bool) {
	for _, p := range b.u.Positions {
		for _, o := range p.Occupants {
			if by(o) {
				x.Fitted++
				if o.Ended.IsZero() {
					x.StillFitted++
				}
			}
			for _, e := range o.Events {
				if e.File.Path == f.Path && e.Line.Action == schema.Removed && (x.Kit == "" || e.Kit == x.Kit || f.Record.Head().Kind == schema.KindMod) {
					x.Removed++
				}
			}
		}
	}
}

// sundries gathers warnings, notes, what is due, news, photographs and files.
func (b *builder) sundries() {
	p := b.p
	for _, w := range b.u.Warnings {
		h := w.File.Record.Head()
		p.Warnings = append(p.Warnings, WarningReport{w.Text, page.Clean(w.Section), dayText(h.Date), b.person(w.File, h.By), w.Settled})
	}
	for _, x := range b.u.Due {
		r := DueReport{What: x.What, When: dayText(x.When), AtHours: x.AtHours, Section: page.Clean(x.Section), Said: dayText(x.File.Record.Head().Date), Settled: x.Settled, Bench: b.benchName(x.File)}
		r.Passed = !x.When.IsZero() && x.When.Before(b.asOf.Day) ||
			x.AtHours != nil && p.Unit.Hours != nil && *p.Unit.Hours >= *x.AtHours
		p.Due = append(p.Due, r)
	}
	b.records(func(f *unit.File, h *schema.Common) {
		d, by := dayText(h.Date), b.person(f, h.By)
		for _, x := range h.Photos {
			p.Photos = append(p.Photos, PhotoReport{page.Clean(x.File), x.Caption, page.Clean(x.Section), page.Clean(x.Fault), x.Stage, dayText(x.Taken), page.Clean(x.SHA256), f.Name(), b.benchName(f)})
		}
		for _, x := range h.Files {
			p.Files = append(p.Files, FileReport{page.Clean(x.File), x.Title, page.Clean(x.SHA256), f.Name(), b.benchName(f)})
		}
		switch r := f.Record.(type) {
		case *schema.Followup:
			p.Since = append(p.Since, NewsReport{Date: d, By: by, Record: f.Name(), Bench: b.benchName(f), Event: string(r.State), SaidBy: page.Clean(r.SaidBy), About: r.About, Note: r.Note})
			return
		case *schema.Custody:
			p.Since = append(p.Since, NewsReport{Date: d, By: by, Record: f.Name(), Bench: b.benchName(f), Event: string(r.Event), ConditionOut: r.ConditionOut,
				ConditionIn: r.ConditionIn, TransitLocks: r.TransitLocks, Note: r.Note})
			if r.TransitLocks != "" {
				p.State.TransitLocks, p.State.TransitDate = r.TransitLocks, d
			}
			return
		case *schema.Intake, *schema.Mod, *schema.Soak, *schema.Safety, *schema.Release:
			return // shown with the record
		case *schema.Note:
			if h.Note == "" && r.Title == "" {
				return // it holds pictures or files
			}
			p.Notes = append(p.Notes, NoteReport{d, by, f.Name(), h.Kind, r.Title, h.Note})
			return
		}
		if h.Note != "" {
			p.Notes = append(p.Notes, NoteReport{d, by, f.Name(), h.Kind, "", h.Note})
		}
	})
}

// plainNumber prints a figure without trailing zeros.
func plainNumber(x float64) string {
	s := strings.TrimRight(fmt.Sprintf("%.2f", x), "0")
	return strings.TrimSuffix(s, ".")
}
