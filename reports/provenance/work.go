package provenance

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// ev is one line of work on one position.
type ev struct {
	*unit.Event
	old, new *PartText
	mod      string
}

// sectionNames writes out a list of sections as the unit has them.
func (b *builder) sectionNames(list schema.Names) []string {
	l, err := refs.ParseNames(string(list))
	if err != nil || list == "" {
		return nil
	}
	if len(b.u.Sections) == 0 {
		return l.Enumerate()
	}
	found, _ := l.Select(b.u.SectionNames())
	return found
}

// collect gathers the work on every position.
func (b *builder) collect() {
	b.events = map[*unit.Position][]ev{}
	for _, p := range b.u.Positions {
		for i, o := range p.Occupants {
			// The line that put it there is told with what it took out, if anything.
			if e := o.Fitted; e != nil && (i == 0 || !slices.Contains(p.Occupants[i-1].Events, e)) {
				b.events[p] = append(b.events[p], ev{e, nil, partText(o.Component), modName(e.File)})
			}
			for _, e := range o.Events {
				x := ev{Event: e, mod: modName(e.File)}
				switch {
				case e.Line.Old != nil:
					x.old = partText(e.Line.Old)
				case o.Component != nil:
					x.old = partText(o.Component)
				case e.Line.Action != schema.Replaced:
				case p.Value != "" || p.Rating != "" || p.Type != "":
					x.old = &PartText{Value: page.Clean(string(p.Value)), Rating: page.Clean(string(p.Rating)), Type: page.Clean(p.Type), FromModel: true}
				}
				x.new = partText(e.Line.New)
				b.events[p] = append(b.events[p], x)
			}
		}
	}
}

// modName gives the modification a record is, "" for other records.
func modName(f *unit.File) string {
	if m, ok := f.Record.(*schema.Mod); ok {
		return m.Name
	}
	return ""
}

func partText(c *schema.Component) *PartText {
	if c == nil {
		return nil
	}
	t := PartText{Value: page.Clean(string(c.Value)), Rating: page.Clean(string(c.Rating)), Type: page.Clean(c.Type), Maker: page.Clean(c.Maker),
		PartNumber: page.Clean(c.PartNumber), Lot: page.Clean(c.Lot), DateCode: page.Clean(c.DateCode), Source: c.Source, Measured: page.Clean(string(c.Measured))}
	if t == (PartText{}) {
		return nil
	}
	return &t
}

// item makes the work item of one event without its places.
func (b *builder) item(e ev) WorkItem {
	l := e.Line
	w := WorkItem{Job: jobName(e.Job), Date: dayText(e.Date), Record: e.File.Name(), Bench: b.benchName(e.File), By: b.person(e.File, e.File.Record.Head().By),
		Found: l.Found, How: l.How, CausedBy: page.Clean(string(l.CausedBy)),
		Faults: l.Fault, Action: l.Action, Old: e.old, New: e.new, Kit: e.Kit, Mod: e.mod, OldKept: l.OldKept, Modes: l.Mode, Why: l.Why, Note: l.Note}
	return w
}

// placed is one position with what is said of it.
type placed struct {
	section string
	ref     refs.Ref
	family  schema.FamilyName
}

// places groups positions: the references of a section together, and sections
// with the same references.
func places(ps []placed) []Place {
	by := map[string][]refs.Ref{}
	var sections []string
	for _, p := range ps {
		if by[p.section] == nil {
			sections = append(sections, p.section)
		}
		by[p.section] = append(by[p.section], p.ref)
	}
	same := map[string][]string{}
	var order []string
	for _, s := range sections {
		t := compactKinds(by[s])
		if same[t] == nil {
			order = append(order, t)
		}
		same[t] = append(same[t], s)
	}
	out := make([]Place, len(order))
	for i, t := range order {
		out[i] = Place{page.CompactNames(same[t]), t}
	}
	return out
}

// compactKinds writes references kind by kind, so that the hammers of a piano
// stand before their pivots and both as runs.
func compactKinds(rs []refs.Ref) string {
	by := map[string][]refs.Ref{}
	var kinds []string
	rs = slices.Clone(rs)
	slices.SortFunc(rs, func(x, y refs.Ref) int {
		switch {
		case refs.Less(x, y):
			return -1
		case refs.Less(y, x):
			return 1
		}
		return 0
	})
	for _, r := range rs {
		k := refKind(r)
		if by[k] == nil {
			kinds = append(kinds, k)
		}
		by[k] = append(by[k], r)
	}
	var out []string
	for _, k := range kinds {
		out = append(out, refs.Compact(by[k]))
	}
	return strings.Join(out, ", ")
}

// workGroup gathers work items alike, in order of the records, then of the
// positions.
type workGroup struct {
	item   WorkItem
	file   *unit.File
	where  []placed
	pool   string // section of a counted pool
	counts int
	family schema.FamilyName // of the pool
}

// grouped merges the events of all positions that one line brought about.
func (b *builder) grouped(keep func(p *unit.Position, e ev) bool) []WorkItem {
	type key struct{ file, path, text string }
	at := map[key]*workGroup{}
	var all []*workGroup
	for _, p := range b.u.Positions {
		for _, e := range b.events[p] {
			if keep != nil && !keep(p, e) {
				continue
			}
			w := b.item(e)
			k := key{e.File.Path, e.Path, fmt.Sprintf("%s|%s|%s|%s|%s|%s|%s", w.Date, w.Found, w.Action, describe(w.Old), describe(w.New), w.CausedBy, w.Note)}
			g := at[k]
			if g == nil {
				g = &workGroup{item: w, file: e.File}
				at[k] = g
				all = append(all, g)
			}
			g.where = append(g.where, placed{p.Section, p.Ref, p.Family})
			if n := p.Family; !slices.Contains(g.item.Families, n) {
				g.item.Families = append(g.item.Families, n)
				g.item.Titles = append(g.item.Titles, b.family(p.Family))
			}
		}
	}
	for _, q := range b.u.Pools {
		for _, e := range q.Events {
			x := ev{Event: e, new: partText(e.Line.New), old: partText(e.Line.Old), mod: modName(e.File)}
			if keep != nil && !keep(nil, x) {
				continue
			}
			all = append(all, &workGroup{item: b.item(x), file: e.File, pool: q.Section, counts: e.Line.Count, family: q.Family})
		}
	}
	slices.SortStableFunc(all, func(x, y *workGroup) int {
		switch {
		case x.file.Path == y.file.Path:
			return 0
		case unit.Less(*x.file, *y.file):
			return -1
		}
		return 1
	})
	out := make([]WorkItem, 0, len(all))
	for _, g := range all {
		if g.pool != "" {
			g.item.Places, g.item.Parts = []Place{{Sections: page.Clean(g.pool)}}, g.counts
			g.item.Families, g.item.Titles = []schema.FamilyName{g.family}, []string{b.family(g.family)}
		} else {
			g.item.Places, g.item.Parts = places(g.where), len(g.where)
		}
		out = append(out, g.item)
	}
	return out
}

// work lists everything found and done.
func (b *builder) work() {
	// Each section has its own lines, also where one line of a record met
	// several.
	for _, w := range b.grouped(nil) {
		for _, p := range w.Places {
			one := w
			one.Places = []Place{p}
			b.p.Work = append(b.p.Work, one)
		}
	}
	// Parts known to be bad and still there: the last line on what sits there
	// now says failed or degraded, and left or pending.
	b.p.KnownBad = b.grouped(func(p *unit.Position, e ev) bool {
		waits := e.Line.Action == schema.Left || e.Line.Action == schema.Pending
		bad := e.Line.Found == schema.Failed || e.Line.Found == schema.Degraded || e.Line.Found == schema.Missing || e.Line.Action == schema.Pending
		if !waits || !bad {
			return false
		}
		if p == nil {
			return !b.laterWorked(e.Event)
		}
		o := p.Current()
		return o != nil && len(o.Events) > 0 && o.Events[len(o.Events)-1] == e.Event
	})
}

// laterWorked tells whether a pool's parts were worked on after an event.
func (b *builder) laterWorked(e *unit.Event) bool {
	for _, q := range b.u.Pools {
		if i := slices.Index(q.Events, e); i >= 0 {
			return slices.ContainsFunc(q.Events[i+1:], func(x *unit.Event) bool { return lineHandling(x.Line) == handlingWorked })
		}
	}
	return false
}

func (b *builder) faults() {
	for _, f := range b.u.Faults {
		x := FaultReport{Bench: b.benchName(f.File), ID: page.Clean(f.ID), Symptom: f.Symptom, Conditions: f.Conditions, Section: page.Clean(f.Section), Noted: dayText(f.File.Record.Head().Date),
			Job: jobName(f.Job), State: f.State, Note: f.Note}
		says := func(e schema.FaultAtEnd) bool { return e.ID == f.ID }
		for _, j := range b.u.Jobs {
			r := j.ReleaseRecord()
			switch {
			case r == nil:
			case slices.ContainsFunc(r.Faults, says):
				x.Unsaid = false
			case j == f.Job:
				x.Unsaid = true
			}
		}
		x.Work = b.grouped(func(_ *unit.Position, e ev) bool { return slices.Contains(e.Line.Fault, f.ID) })
		b.p.Faults = append(b.p.Faults, x)
	}
}

// partsNow lists what is not as the unit left the factory.
func (b *builder) partsNow() {
	type entry struct {
		now   PartNow
		where []placed
	}
	at := map[string]*entry{}
	var all []*entry
	add := func(p *unit.Position, n PartNow) {
		k := fmt.Sprintf("%s|%s|%s|%s|%s|%s", n.Is, n.Family, describe(n.Part), n.Since, n.Kit, n.Mod+"|"+n.Bench)
		e := at[k]
		if e == nil {
			e = &entry{now: n}
			at[k] = e
			all = append(all, e)
		}
		e.where = append(e.where, placed{p.Section, p.Ref, p.Family})
	}
	for _, p := range b.u.Positions {
		n := PartNow{}
		o := p.Current()
		switch {
		case o == nil:
			if k := len(p.Occupants); k > 0 {
				n.Is, n.Since = PartEmpty, dayText(p.Occupants[k-1].Ended)
				if ev := p.Occupants[k-1].Events; len(ev) > 0 {
					n.Bench = b.benchName(ev[len(ev)-1].File)
					n.Mod = modName(ev[len(ev)-1].File)
				}
				add(p, n)
			}
		case o.Origin == schema.OriginReplaced:
			n.Is, n.Since, n.Part, n.Kit = PartFitted, dayText(o.Seen), partText(o.Component), o.Kit
			if o.Mod != nil {
				n.Mod = modName(o.Mod)
			}
			n.Family = p.Family
			if o.Family != "" {
				n.Family = o.Family
			}
			n.Title = b.family(n.Family)
			if o.Fitted != nil {
				n.Bench = b.benchName(o.Fitted.File)
			}
			add(p, n)
		case o.Origin == schema.OriginUnknown:
			n.Is, n.Part = PartUnknown, partText(o.Component)
			add(p, n)
		}
	}
	for _, e := range all {
		e.now.Places, e.now.Parts = places(e.where), len(e.where)
		b.p.Parts = append(b.p.Parts, e.now)
	}
	for _, q := range b.u.Pools {
		for _, e := range q.Events {
			if e.Line.Action != schema.Replaced && e.Line.Action != schema.Fitted && e.Line.Action != schema.Removed {
				continue
			}
			n := PartNow{Places: []Place{{Sections: page.Clean(q.Section)}}, Parts: e.Line.Count, Family: q.Family, Title: b.family(q.Family),
				Is: PartFitted, Since: dayText(e.Date), Part: partText(e.Line.New), Kit: e.Kit, Mod: modName(e.File), Bench: b.benchName(e.File)}
			if e.Line.Action == schema.Removed {
				n.Is = PartEmpty
			}
			b.p.Parts = append(b.p.Parts, n)
		}
	}
}

// describe puts a part in words: value, rating, type, maker and number, lot,
// date code, source where it is not new, and what it measured.
func describe(t *PartText) string {
	if t == nil {
		return ""
	}
	var w []string
	add := func(format, s string) {
		if s != "" {
			w = append(w, fmt.Sprintf(format, s))
		}
	}
	add("%s", strings.TrimSpace(t.Value+" "+t.Rating))
	add("%s", Own(t.Type))
	add("%s", Own(strings.TrimSpace(t.Maker+" "+t.PartNumber)))
	add("date code %s", Own(t.DateCode))
	add("lot %s", Own(t.Lot))
	if t.Source != schema.SourceNew {
		add("%s", sourceWords(t.Source))
	}
	add("measured %s", t.Measured)
	s := strings.Join(w, ", ")
	if t.FromModel {
		s += " (by the model)"
	}
	return s
}

func sourceWords(s schema.Source) string {
	switch s {
	case schema.SourceUsed:
		return "used part"
	case schema.SourceDonor:
		return "from a donor"
	case schema.SourceOldStock:
		return "old stock"
	case schema.SourceReproduction:
		return "reproduction"
	case schema.SourceShopMade:
		return "made in the shop"
	}
	return string(s)
}
