package unit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/refs"
)

// kitLine is a line on its way to its positions.
type kitLine struct {
	line    schema.PartLine
	path    string
	kit     string // "A3/2" where it came from a kit
	section string // for a kit's line: the position it is for
	ref     refs.Ref
}

// parts takes the lines of a parts record to their positions: the record's
// own first, then those of its kits for the positions that are left.
func (b *builder) parts(c *schema.Collector, f *File, r *schema.Parts) {
	var kits []kitLine // what the kits say of each position
	for i, k := range r.ApplyKits {
		kits = append(kits, b.applyKit(c, f, fmt.Sprintf("apply_kit[%d]", i), k)...)
	}
	taken := map[*Position]string{}
	for i := range r.Lines {
		b.line(c, f, kitLine{line: r.Lines[i], path: fmt.Sprintf("part[%d]", i)}, kits, taken)
	}
	used := map[string]bool{}
	for _, k := range kits {
		p := b.position(k.section, k.ref, k.line)
		used[k.path] = true
		if _, has := taken[p]; has || b.freshIn(p, b.jobOf[f.Path]) {
			continue
		}
		taken[p] = k.path
		if k.line.Found == "" && k.line.Action != schema.Fitted {
			c.Errorf(k.path, "it does not say how the old parts of the kit were found => add found = \"untested\", \"in-service\" or what was found")
			break
		}
		b.event(c, f, k, p)
	}
	for i, k := range r.ApplyKits {
		if at := fmt.Sprintf("apply_kit[%d]", i); !used[at] && k.Section != "" {
			c.Warnf(at, "kit %q changes nothing in %s => name sections the kit is for", k.Kit, string(k.Section))
		}
	}
}

// freshIn reports whether this very job put a new part into the position
// already: an earlier line that a kit does not undo.
func (b *builder) freshIn(p *Position, j *Job) bool {
	o := p.Current()
	if j == nil || o == nil || o.Fitted == nil {
		return false
	}
	return o.Fitted.Job == j
}

// applyKit writes out what a kit says of each position of the unit.
func (b *builder) applyKit(c *schema.Collector, f *File, at string, k schema.ApplyKit) []kitLine {
	kit := b.kit(c, at, k.Kit, k.Revision)
	if kit == nil {
		return nil
	}
	applied := &AppliedKit{ApplyKit: k, Kit: kit, File: f}
	b.u.Kits = append(b.u.Kits, applied)
	only := b.sectionNames(c, at+".section", k.Section)
	lot := k.Lot
	if lot != "" {
		b.lot(c, at+".lot", lot, nil, schema.PartLine{}, f.Record.Head().Date)
		if lots, known := b.lots(c); known && lots[lot] == nil {
			lot = "" // reported once, not again for every part
		}
	}
	var out []kitLine
	for _, l := range kit.Lines {
		if l.Action != schema.Fitted || k.Found == schema.Missing { // where nothing sat, nothing was found
			l.Found, l.How = cmp.Or(l.Found, k.Found), cmp.Or(l.How, k.How)
		}
		if l.OldKept == "" && l.Action == schema.Replaced {
			l.OldKept = k.OldKept
		}
		if l.New != nil && lot != "" {
			n := *l.New
			n.Lot = lot
			l.New = &n
		}
		out = append(out, b.spread(c, kitLine{line: l, path: at, kit: applied.Name()}, only)...)
	}
	return b.someOf(c, at, k, out)
}

// someOf keeps the positions a kit is applied to.
func (b *builder) someOf(c *schema.Collector, at string, k schema.ApplyKit, lines []kitLine) []kitLine {
	for _, f := range []struct {
		key  string
		list schema.Refs
		keep bool
	}{{".ref", k.Ref, true}, {".except", k.Except, false}} {
		l, err := refs.Parse(string(f.list))
		if f.list == "" || err != nil {
			continue
		}
		have := make([]refs.Ref, len(lines))
		for i, x := range lines {
			have[i] = x.ref
		}
		found, unmatched := l.Select(have)
		for _, r := range unmatched {
			c.Errorf(at+f.key, "kit %q has no %s here => it has %s", k.Kit, r, clipText(refs.Compact(unique(have))))
		}
		lines = slices.DeleteFunc(lines, func(x kitLine) bool { return slices.Contains(found, x.ref) != f.keep })
	}
	return lines
}

// unique returns the references in order, each once.
func unique(rs []refs.Ref) []refs.Ref {
	out := slices.Clone(rs)
	slices.SortFunc(out, func(a, b refs.Ref) int {
		switch {
		case refs.Less(a, b):
			return -1
		case refs.Less(b, a):
			return 1
		}
		return 0
	})
	return slices.Compact(out)
}

// kit finds a kit of the model.
func (b *builder) kit(c *schema.Collector, at, name, revision string) *schema.Kit {
	var found *schema.Kit
	var revisions, names []string
	for i := range b.u.Model.Kits {
		k := &b.u.Model.Kits[i]
		names = append(names, k.Name)
		if k.Name != name {
			continue
		}
		revisions = append(revisions, k.Revision)
		if k.Revision == revision || revision == "" {
			found = k
		}
	}
	switch {
	case len(revisions) == 0:
		if names == nil {
			c.Errorf(at, "the model has no kit %q, and no other => add a [[kit]] to the model", name)
		} else {
			c.Errorf(at, "the model has no kit %q => its kits are: %s", name, strings.Join(slices.Compact(names), ", "))
		}
		return nil
	case revision == "" && len(revisions) > 1:
		c.Errorf(at, "the model has kit %q in revisions %s => add revision = \"...\"", name, strings.Join(revisions, ", "))
		return nil
	case found == nil:
		c.Errorf(at, "the model has kit %q in revision %s, not %q => write one of those, or add the revision to the model", name, strings.Join(revisions, ", "), revision)
	}
	return found
}

// KitLine is a line of a kit for one place of a unit.
type KitLine struct {
	Position *Position // nil: the kit makes the place
	Section  string
	Ref      refs.Ref
	Line     schema.PartLine
}

// KitLines writes a kit of the model out over the places of the unit it is for,
// whether or not a record has applied it: one line for each place, the kit's
// first, in the kit's order. A place the unit does not have is listed where the
// kit fits a part there.
func (u *Unit) KitLines(k *schema.Kit) []KitLine {
	at := map[place]*Position{}
	have := map[string][]refs.Ref{}
	for _, p := range u.Positions {
		at[place{p.Section, p.Ref}] = p
		have[p.Section] = append(have[p.Section], p.Ref)
	}
	var out []KitLine
	taken := map[place]bool{}
	for _, l := range k.Lines {
		names, err := refs.ParseNames(string(l.Section))
		list, err2 := refs.Parse(string(l.Ref))
		if err != nil || err2 != nil {
			continue // reported with the model
		}
		sections, _ := names.Select(u.SectionNames())
		for _, s := range sections {
			found, _ := list.Select(have[s])
			if l.Action == schema.Fitted {
				for _, r := range list.Enumerate() {
					if at[place{s, r}] == nil {
						found = append(found, r)
					}
				}
			}
			for _, r := range found {
				if w := (place{s, r}); !taken[w] {
					taken[w] = true
					out = append(out, KitLine{at[w], s, r, l})
				}
			}
		}
	}
	return out
}

// spread writes one line of a kit out over the positions it is for. Positions
// another board revision lacks are passed over.
func (b *builder) spread(c *schema.Collector, k kitLine, only []string) []kitLine {
	var out []kitLine
	scratch := &schema.Collector{}
	for _, name := range b.sectionNames(c, k.path, k.line.Section) {
		if only != nil && !slices.Contains(only, name) {
			continue
		}
		for _, r := range b.refs(scratch, k.path, name, k.line.Ref, k.line.Action == schema.Fitted) {
			k.section, k.ref = name, r
			out = append(out, k)
		}
	}
	return out
}

// line applies a record's own line to its positions or its pool.
func (b *builder) line(c *schema.Collector, f *File, k kitLine, kits []kitLine, taken map[*Position]string) {
	l := k.line
	b.dates(c, k.path+".date", l.Date)
	for i, id := range l.Fault {
		b.faultExists(c, fmt.Sprintf("%s.fault[%d]", k.path, i), id)
	}
	b.family(c, k.path+".family", l.Family)
	if l.Old != nil {
		b.family(c, k.path+".old.family", l.Old.Family)
	}
	if l.New != nil {
		b.family(c, k.path+".new.family", l.New.Family)
	}
	for _, name := range b.sectionNames(c, k.path+".section", l.Section) {
		if l.Count > 0 {
			b.pool(c, f, k, name)
			continue
		}
		for _, r := range b.refs(c, k.path+".ref", name, l.Ref, l.Action == schema.Fitted) {
			p := b.position(name, r, l)
			if first, has := taken[p]; has && strings.HasPrefix(first, "part") {
				b.each(k.path+".ref", p, "%s: there is an earlier line of this record about this part => keep one line for each part")
				continue
			}
			taken[p] = k.path
			if here, ok := b.withKit(k, kits, name, r); ok {
				b.event(c, f, here, p)
			} else {
				b.again(&Event{File: f, Path: k.path, Line: l, Job: b.jobOf[f.Path]}, p, p.Current())
			}
		}
	}
}

// withKit fills in from the kit what a record's own line leaves to it.
func (b *builder) withKit(k kitLine, kits []kitLine, section string, r refs.Ref) (kitLine, bool) {
	l := &k.line
	if l.Action != "" && (l.New != nil || l.Action != schema.Replaced && l.Action != schema.Fitted) {
		return k, true
	}
	for _, from := range kits {
		if from.section != section || from.ref != r || l.Action != "" && l.Action != from.line.Action {
			continue
		}
		l.Action, l.New, k.kit = from.line.Action, from.line.New, from.kit
		if l.OldKept == "" {
			l.OldKept = from.line.OldKept
		}
		return k, true
	}
	if len(kits) == 0 {
		return k, false // reported with the file
	}
	if l.Action == "" {
		b.each(k.path, b.position(section, r, *l), "%s: action is missing, and no kit of this record has this part => write what was done: %s",
			strings.Join(schema.Action("").Words(), ", "))
	} else {
		b.each(k.path+".action", b.position(section, r, *l), "%s: %s with what? No kit of this record has this part => add new = {value = \"...\"}", l.Action)
	}
	return k, false
}

// family reports a family nobody knows.
func (b *builder) family(c *schema.Collector, at string, f schema.FamilyName) {
	if !b.knownFamily(f) && f.Check() == nil {
		c.Errorf(at, "no family %q => %s", string(f), nearFamily(b.ctx.Families, string(f)))
	}
}

// knownFamily reports whether the ledger has the family; no family at all
// counts as known.
func (b *builder) knownFamily(f schema.FamilyName) bool {
	_, ok := b.ctx.Families[f]
	return ok || f == "" || b.ctx.Families == nil
}

func nearFamily(l schema.FamilyList, s string) string {
	group, kind, _ := strings.Cut(s, "/")
	var same, kinds []string
	for _, n := range l.Names() {
		if g, k, _ := strings.Cut(n, "/"); g == group {
			same, kinds = append(same, n), append(kinds, k)
		}
	}
	if near := schema.Nearest(kind, kinds); near != "" {
		return "did you mean " + group + "/" + near + "?"
	}
	if same != nil {
		return "write one of: " + strings.Join(same, ", ") + "; or add it to families.toml"
	}
	if near := schema.Nearest(s, l.Names()); near != "" {
		return "did you mean " + near + "?"
	}
	return "see benchlore list families, or add it to families.toml"
}

// position finds or makes the position a line is about.
func (b *builder) position(section string, r refs.Ref, l schema.PartLine) *Position {
	if p := b.at[place{section, r}]; p != nil {
		return p
	}
	s := b.u.Section(section)
	p := &Position{Section: section, Ref: r, Family: l.Family, Complete: s != nil && s.Complete}
	b.add(p)
	if l.Action != schema.Fitted || l.Found == schema.Missing {
		b.original(p, new(Occupant))
		if s != nil && s.Origin != "" && s.Origin != schema.OriginOriginal {
			p.Occupants[0].Origin, p.Occupants[0].Since = schema.OriginUnknown, edtf.Date{}
		}
	}
	return p
}

// event applies a line to one position.
func (b *builder) event(c *schema.Collector, f *File, k kitLine, p *Position) {
	l := k.line
	date := l.Date
	if date.IsZero() {
		date = f.Record.Head().Date
	}
	if p.Family == "" {
		p.Family = l.Family
	}
	if p.Family == "" {
		b.each(k.path, p, "%s: not in the model, and the line does not say what it is => add family = \"capacitor/electrolytic\" or whatever it is")
	} else if l.Family != "" && l.Family != p.Family && b.knownFamily(l.Family) && l.Action != schema.Fitted && !slices.Contains(l.Mode, "wrong-part") {
		b.each(k.path+".family", p, "%s: a %s in the model => leave family out; where another kind of part sat there, write old = {family = \"...\"}", p.Family)
	}
	if l.Family == "" {
		l.Family = p.Family
	}
	if l.New != nil {
		n := *l.New
		if n.Lot != "" {
			b.lot(c, k.path+".new.lot", n.Lot, &n, l, date)
		}
		if n.Source == "" {
			n.Source = schema.SourceNew
		}
		l.New = &n
		if p.Family.Group() != "fuse" && l.Why == "" {
			c.LowerRating(k.path+".new.rating", n.Rating, "the position's", p.Rating)
		}
		b.belongs(c, f, k, p, l)
	}
	e := &Event{File: f, Path: k.path, Date: date, Line: l, Kit: k.kit, Job: b.jobOf[f.Path]}
	b.cause(c, e, p)
	for _, id := range l.Fault {
		for _, x := range b.u.Faults {
			if x.ID == id {
				x.Cured = append(x.Cured, e)
			}
		}
	}

	o := p.Current()
	b.again(e, p, o)
	switch {
	case o == nil && l.Action != schema.Fitted:
		if n := len(p.Occupants); n > 0 {
			b.each(k.path, p, "%s: the position has been empty since %s => for a part that goes in there now, write action = \"fitted\"", p.Occupants[n-1].Ended)
		} else {
			b.each(k.path, p, "%s: the position is still empty => for a part that goes in there now, write action = \"fitted\"")
		}
		return
	case o != nil && l.Action == schema.Fitted && l.Found != schema.Missing:
		b.each(k.path+".action", p, "%s: there is a part already => write action = \"replaced\" and how the old one was found")
		return
	}
	if o != nil {
		if o.Seen.IsZero() {
			o.Seen = date
		}
		b.once(o, e, p)
		if l.Old != nil && o.Component == nil {
			o.Component = l.Old
		}
		if o.Family == "" {
			o.Family = p.Family
		}
		if l.Old != nil && l.Old.Family != "" {
			o.Family = l.Old.Family
		}
		o.Events = append(o.Events, e)
	}
	switch l.Action {
	case schema.Replaced, schema.Fitted:
		if o != nil {
			o.Ended = date
		}
		fresh := &Occupant{Family: p.Family, Fitted: e, Origin: schema.OriginReplaced, Component: l.New, Kit: k.kit, Seen: date,
			Since: edtf.Date{Text: date.String(), Lo: date.Day, Hi: date.Day}}
		if l.New != nil && l.New.Family != "" {
			fresh.Family = l.New.Family
		}
		if f.Record.Head().Kind == schema.KindMod {
			fresh.Mod = f
		}
		p.Occupants = append(p.Occupants, fresh)
	case schema.Removed:
		o.Ended = date
	}
}

// once reports a second event for one occupant that the first one rules out:
// one occupant fails once, and is repaired or waits in between.
func (b *builder) once(o *Occupant, e *Event, p *Position) {
	first := o.Failure()
	if first == nil || e.Line.Found != schema.Failed {
		return
	}
	last := o.Events[len(o.Events)-1]
	waiting := last.Line.Action == schema.Pending || last.Line.Action == schema.Left
	if waiting && (e.Line.Action == schema.Pending || e.Line.Action == schema.Left) {
		b.each(e.Path, p, "%s: found failed and %s already in %s => say what was done with it, or leave this line out",
			last.Line.Action, last.File.Name())
	}
}

// cause resolves caused_by to a position.
func (b *builder) cause(c *schema.Collector, e *Event, p *Position) {
	if e.Line.CausedBy == "" || e.Line.CausedBy.Word() {
		return
	}
	section, r, ok := e.Line.CausedBy.Position()
	if !ok {
		return // reported with the file
	}
	if section == "" {
		section = p.Section
	}
	q := b.at[place{section, r}]
	if q == nil {
		// It may be named on a later line of the same record.
		if parts, isParts := e.File.Record.(*schema.Parts); isParts {
			for _, l := range parts.Lines {
				names, err := refs.ParseNames(string(l.Section))
				list, err2 := refs.Parse(string(l.Ref))
				if err == nil && err2 == nil && slices.Contains(names.Enumerate(), section) && slices.Contains(list.Enumerate(), r) {
					q = b.position(section, r, l)
				}
			}
		}
	}
	switch {
	case q == nil:
		if s := b.u.Section(section); s == nil && len(b.u.Sections) > 0 {
			c.Errorf(e.Path+".caused_by", "the model has no section %q => its sections are: %s", section, clip(b.u.SectionNames()))
		} else {
			c.Errorf(e.Path+".caused_by", "%s has no %s => name a part of this unit, or a cause such as earlier-work", section, r)
		}
	case q == p:
		c.Errorf(e.Path+".caused_by", "%s cannot have failed because of itself => leave caused_by out", p.Name())
	default:
		e.CausedBy = q
	}
}

// pool applies a counted line.
func (b *builder) pool(c *schema.Collector, f *File, k kitLine, section string) {
	var pool *Pool
	for _, q := range b.u.Pools {
		if q.Section == section && q.Family == k.line.Family {
			pool = q
		}
	}
	s := b.u.Section(section)
	if pool == nil {
		if s != nil && s.Complete {
			c.Errorf(k.path+".family", "%s has no pool of %s in the model => name the parts by ref, or add position with count to the board", section, k.line.Family)
			return
		}
		pool = &Pool{Section: section, Family: k.line.Family}
		b.u.Pools = append(b.u.Pools, pool)
	}
	if pool.Count > 0 && k.line.Count > pool.Count {
		c.Errorf(k.path+".count", "%d of a pool of %d (%s, %s) => write at most %d", k.line.Count, pool.Count, section, pool.Family, pool.Count)
	}
	date := k.line.Date
	if date.IsZero() {
		date = f.Record.Head().Date
	}
	e := &Event{File: f, Path: k.path, Date: date, Line: k.line, Job: b.jobOf[f.Path]}
	pool.Events = append(pool.Events, e)
	for _, id := range k.line.Fault {
		for _, x := range b.u.Faults {
			if x.ID == id {
				x.Cured = append(x.Cured, e)
			}
		}
	}
}

// lots are those of the bench that wrote the file at hand; known is false where
// they may not be all it has.
func (b *builder) lots(c *schema.Collector) (lots map[string]*schema.Lot, known bool) {
	if e := b.elsewhere(c); e != nil {
		return e.Lots, false
	}
	return b.ctx.Lots, b.ctx.Shop != nil
}

// lot checks that a lot exists and fills a component in from it.
func (b *builder) lot(c *schema.Collector, at, name string, n *schema.Component, l schema.PartLine, day schema.Date) {
	if i, named := slices.BinarySearch(b.u.LotsNamed, name); !named {
		b.u.LotsNamed = slices.Insert(b.u.LotsNamed, i, name)
	}
	lots, known := b.lots(c)
	lot := lots[name]
	if lot == nil && !known {
		return // the record came from another bench: the lot stayed there
	}
	if lot == nil {
		var names []string
		for k := range lots {
			names = append(names, k)
		}
		slices.Sort(names)
		if near := schema.Nearest(name, names); near != "" {
			c.Errorf(at, "there is no lot %q => did you mean %q?", name, near)
		} else {
			c.Errorf(at, "there is no lot %q => add lots/%s.toml, or correct the name", name, name)
		}
		return
	}
	if lot.Date.After(day.Day) {
		c.Errorf(at, "lot %s came on %s, after it was used on %s => correct one of the dates", name, lot.Date, day)
	}
	if n == nil {
		return
	}
	if n.Family == "" && l.Family != "" && lot.Family != l.Family {
		c.Warnf(at, "lot %s is %s, the position takes %s => add family = %q to new if it is meant to be another kind", name, lot.Family, l.Family, string(lot.Family))
	}
	for _, p := range []struct{ to, from *schema.Quantity }{{&n.Value, &lot.Part.Value}, {&n.Rating, &lot.Part.Rating}} {
		if *p.to == "" {
			*p.to = *p.from
		}
	}
	for _, p := range []struct{ to, from *string }{
		{&n.Type, &lot.Part.Type}, {&n.Maker, &lot.Part.Maker}, {&n.PartNumber, &lot.Part.PartNumber}, {&n.DateCode, &lot.Part.DateCode},
	} {
		if *p.to == "" {
			*p.to = *p.from
		}
	}
	if n.Source == "" {
		n.Source = lot.Part.Source
	}
}

// mod takes a modification's lines to their positions, its kit's where it has
// none of its own.
func (b *builder) mod(c *schema.Collector, f *File, r *schema.Mod) {
	var kits []kitLine
	kit := ""
	if r.Kit != "" {
		kits = b.applyKit(c, f, "kit", schema.ApplyKit{Kit: r.Kit, Revision: r.Revision})
		kit = r.Kit + "/" + r.Revision
	}
	taken := map[*Position]string{}
	for i := range r.Lines {
		b.line(c, f, kitLine{line: r.Lines[i], path: fmt.Sprintf("part[%d]", i), kit: kit}, kits, taken)
	}
	for _, k := range kits {
		p := b.position(k.section, k.ref, k.line)
		if _, has := taken[p]; !has {
			taken[p] = k.path
			b.event(c, f, k, p)
		}
	}
}
