package unit

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/refs"
)

type builder struct {
	u              *Unit
	ctx            Context
	cols           map[string]*schema.Collector // by file
	at             map[place]*Position
	instrumentPath string
	sectionSet     *refs.NameSet
	named          map[schema.Names][]string // lists that name sections the unit has, written out
	present        map[string]*present       // by section; dropped when its positions change
	repeated       []repeated                // what concerns several positions of one line alike
	jobOf          map[string]*Job           // by record path
}

// place is where a position is.
type place struct {
	section string
	ref     refs.Ref
}

// repeated is an error that may concern many positions of one line. It is
// reported once, with all of them.
type repeated struct {
	path, format string
	rest         []any // what else the format takes, after the positions
	positions    []*Position
}

// each notes an error about one position of a line. The format takes the
// positions first.
func (b *builder) each(path string, p *Position, format string, rest ...any) {
	for i := range b.repeated {
		r := &b.repeated[i]
		if r.path == path && r.format == format && fmt.Sprint(r.rest...) == fmt.Sprint(rest...) {
			r.positions = append(r.positions, p)
			return
		}
	}
	b.repeated = append(b.repeated, repeated{path, format, rest, []*Position{p}})
}

// report reports what each gathered.
func (b *builder) report(c *schema.Collector) {
	for _, r := range b.repeated {
		c.Errorf(r.path, r.format, append([]any{List(r.positions)}, r.rest...)...)
	}
	b.repeated = nil
}

// List names positions by section, ranges written short: "divider 3 C2-C7,
// C9; preamp C1".
func List(ps []*Position) string {
	bySection := map[string][]refs.Ref{}
	var order []string
	for _, p := range ps {
		if bySection[p.Section] == nil {
			order = append(order, p.Section)
		}
		bySection[p.Section] = append(bySection[p.Section], p.Ref)
	}
	for i, s := range order {
		order[i] = s + " " + refs.Compact(bySection[s])
	}
	return clipText(strings.Join(order, "; "))
}

func (b *builder) col(file string) *schema.Collector {
	c := b.cols[file]
	if c == nil {
		c = &schema.Collector{File: file}
		b.cols[file] = c
	}
	return c
}

// sections lists the model's sections, numbered ones written out, with the
// boards this unit carries.
func (b *builder) sections() {
	u := b.u
	for _, s := range u.Model.Sections {
		n := max(s.Count, 1)
		for i := range n {
			name := s.Name
			if s.Count > 0 {
				name = fmt.Sprintf("%s %d", s.Name, i+1)
			}
			u.Sections = append(u.Sections, &Section{Name: name, Board: s.Board, Revision: s.Revision, Complete: s.Complete, sets: s.Positions})
		}
	}
	c := b.col(b.instrumentPath)
	for i, f := range u.Instrument.Boards {
		at := fmt.Sprintf("board[%d]", i)
		for _, name := range b.sectionNames(c, at+".section", f.Section) {
			s := b.u.Section(name)
			if s == nil {
				continue
			}
			s.Board, s.Revision = f.Board, f.Revision
			if b.board(s) == nil {
				c.Errorf(at+".board", "the model has no board %q of revision %q => add it to models/, or correct it here", f.Board, f.Revision)
			}
		}
	}
}

// board finds the population a section carries; nil where the model has none.
func (b *builder) board(s *Section) *schema.Board {
	var named *schema.Board
	n := 0
	for i := range b.u.Model.Boards {
		bd := &b.u.Model.Boards[i]
		if bd.Name != s.Board {
			continue
		}
		if bd.Revision == s.Revision {
			return bd
		}
		named = bd
		n++
	}
	if s.Revision == "" && n == 1 {
		return named
	}
	return nil
}

// revisions counts the revisions of a board in the model.
func (b *builder) revisions(board string) int {
	n := 0
	for _, bd := range b.u.Model.Boards {
		if bd.Name == board {
			n++
		}
	}
	return n
}

// SectionNames lists the unit's sections, numbered ones written out, in the
// model's order.
func (u *Unit) SectionNames() []string {
	names := make([]string, len(u.Sections))
	for i, s := range u.Sections {
		names[i] = s.Name
	}
	return names
}

// sectionNames writes out a list of sections, reporting those the model does
// not have. Without a model every name is taken as it stands.
func (b *builder) sectionNames(c *schema.Collector, at string, list schema.Names) []string {
	if list == "" {
		return nil
	}
	if found, ok := b.named[list]; ok {
		return found
	}
	l, err := refs.ParseNames(string(list))
	if err != nil {
		return nil // reported with the file
	}
	if len(b.u.Sections) == 0 {
		return l.Enumerate()
	}
	have := b.u.SectionNames()
	if b.sectionSet == nil {
		b.sectionSet = refs.NewNameSet(have)
		b.named = map[schema.Names][]string{}
	}
	found, unmatched := l.SelectFrom(b.sectionSet)
	if unmatched == nil {
		b.named[list] = found
	}
	for _, n := range unmatched {
		if near := schema.Nearest(n, have); near != "" && stem(near) != stem(n) {
			c.Errorf(at, "the model has no section %q => did you mean %q?", n, near)
		} else {
			c.Errorf(at, "the model has no section %q => its sections are: %s; or add it to the model", n, clip(have))
		}
	}
	return found
}

// stem is a name without the number at its end: voice 9 is no slip for voice 1.
func stem(name string) string { return strings.TrimRight(name, "0123456789") }

// clip lists names, the first twenty of them.
func clip(names []string) string {
	if len(names) > 20 {
		return strings.Join(names[:20], ", ") + ", ..."
	}
	return strings.Join(names, ", ")
}

// population lists the positions of the model as this unit has them.
func (b *builder) population() {
	for _, s := range b.u.Sections {
		sets := s.sets
		if s.Board != "" {
			bd := b.board(s)
			if bd == nil {
				s.Complete = false
				if n := b.revisions(s.Board); s.Revision == "" && n > 1 {
					b.col(b.instrumentPath).Errorf("", "%s carries board %s, of which the model has %d revisions => say which: [[board]] with section, board and revision", s.Name, s.Board, n)
				}
				continue
			}
			sets, s.Complete, s.Revision = bd.Positions, bd.Complete, bd.Revision
		}
		for _, set := range sets {
			if set.Count > 0 {
				b.u.Pools = append(b.u.Pools, &Pool{Section: s.Name, Family: set.Family, Count: set.Count, InModel: true, Complete: s.Complete})
				continue
			}
			l, err := refs.Parse(string(set.Ref))
			if err != nil {
				continue
			}
			all := l.Enumerate()
			alike := make([]Position, len(all))
			for i, r := range all {
				alike[i] = Position{Section: s.Name, Ref: r, Family: set.Family, Value: set.Value, Rating: set.Rating, Type: set.Type,
					Match: set.Match, Function: set.Function, InModel: true, Complete: s.Complete}
				b.u.Positions = append(b.u.Positions, &alike[i])
			}
		}
	}
	b.at = make(map[place]*Position, len(b.u.Positions))
	for _, p := range b.u.Positions {
		b.at[place{p.Section, p.Ref}] = p
	}
	b.differences()
	occupants := make([]Occupant, len(b.u.Positions))
	for i, p := range b.u.Positions {
		b.original(p, &occupants[i])
	}
}

func (b *builder) add(p *Position) {
	delete(b.present, p.Section)
	b.u.Positions = append(b.u.Positions, p)
	b.at[place{p.Section, p.Ref}] = p
}

// original puts the part the unit left the factory with into a position.
func (b *builder) original(p *Position, o *Occupant) {
	*o = Occupant{Family: p.Family, Origin: schema.OriginOriginal, Since: b.u.Built}
	p.Occupants = append(p.Occupants, o)
}

// differences applies what sets this unit apart from its model since it left
// the factory.
func (b *builder) differences() {
	c := b.col(b.instrumentPath)
	for i, d := range b.u.Instrument.Differences {
		at := fmt.Sprintf("difference[%d]", i)
		for _, name := range b.sectionNames(c, at+".section", d.Section) {
			for _, r := range b.refs(c, at+".ref", name, d.Ref, !d.Absent) {
				p := b.at[place{name, r}]
				if d.Absent {
					delete(b.at, place{name, r})
					delete(b.present, name)
					b.u.Positions = slices.DeleteFunc(b.u.Positions, func(q *Position) bool { return q == p })
					continue
				}
				if p == nil {
					s := b.u.Section(name)
					p = &Position{Section: name, Ref: r, Complete: s != nil && s.Complete}
					b.add(p)
				}
				p.InModel = true
				if d.Family != "" {
					p.Family = d.Family
				}
				if d.Value != "" {
					p.Value = d.Value
				}
				if d.Rating != "" {
					p.Rating = d.Rating
				}
			}
		}
	}
}

// present is what a section has.
type present struct {
	list []refs.Ref
	set  *refs.Set
}

// inSection returns what a section has.
func (b *builder) inSection(section string) *present {
	if h := b.present[section]; h != nil {
		return h
	}
	h := &present{list: b.have(section)}
	for _, like := range b.present { // sections that carry the same board
		if slices.Equal(like.list, h.list) {
			h = like
			break
		}
	}
	if h.set == nil {
		h.set = refs.NewSet(h.list)
	}
	if b.present == nil {
		b.present = map[string]*present{}
	}
	b.present[section] = h
	return h
}

// have lists the references of a section, in order.
func (b *builder) have(section string) []refs.Ref {
	var out []refs.Ref
	for _, p := range b.u.Positions {
		if p.Section == section {
			out = append(out, p.Ref)
		}
	}
	return out
}

// refs writes out a list of references in a section. A range means the
// positions that exist in it; where the population is not complete, or create
// is set, also those nobody has met before.
func (b *builder) refs(c *schema.Collector, at, section string, list schema.Refs, create bool) []refs.Ref {
	l, err := refs.Parse(string(list))
	if err != nil || list == "" {
		return nil
	}
	s := b.u.Section(section)
	open := create || s == nil || !s.Complete
	if l.Exact() {
		found, missing := b.exactly(section, l)
		if open || missing == nil {
			return append(found, missing...)
		}
	}
	if open {
		found, _ := l.SelectFrom(b.inSection(section).set)
		for _, r := range l.Enumerate() {
			if !slices.Contains(found, r) {
				found = append(found, r)
			}
		}
		return found
	}
	have := b.inSection(section).list
	found, unmatched := l.SelectFrom(b.inSection(section).set)
	for _, r := range unmatched {
		if strings.HasPrefix(r, "@") {
			found = append(found, refs.Ref(r)) // what nobody labelled is in no model
			continue
		}
		words := make([]string, len(have))
		for i, h := range have {
			words[i] = string(h)
		}
		where := "the model's " + section
		if s.Board != "" {
			where += fmt.Sprintf(" (board %s", s.Board)
			if s.Revision != "" {
				where += " " + s.Revision
			}
			where += ")"
		}
		if near := schema.Nearest(r, words); near != "" && len(r) > 2 {
			c.Errorf(at, "%s has no %s => did you mean %s? It has %s", where, r, near, refs.Compact(have))
		} else {
			c.Errorf(at, "%s has no %s => it has %s; write a part that somebody else added as @ and its place, and one you added with action = \"fitted\"", where, r, clipText(refs.Compact(have)))
		}
	}
	return found
}

// exactly tells which positions of a list without ranges a section has.
func (b *builder) exactly(section string, l refs.List) (found, missing []refs.Ref) {
	for _, r := range l.Enumerate() {
		if b.at[place{section, r}] != nil {
			found = append(found, r)
		} else {
			missing = append(missing, r)
		}
	}
	return found, missing
}

func clipText(s string) string {
	if len(s) > 160 {
		return s[:160] + " ..."
	}
	return s
}

// record takes one record into the whole.
func (b *builder) record(f *File) {
	c := b.col(f.Path)
	h := f.Record.Head()
	b.dates(c, "date", h.Date)
	b.technician(c, "by", h.By)
	for i, w := range h.Corrections {
		b.technician(c, fmt.Sprintf("correction[%d].by", i), w.By)
		b.dates(c, fmt.Sprintf("correction[%d].date", i), w.Date)
	}
	for i, id := range h.Settles {
		if !b.settle(id) {
			c.Errorf(fmt.Sprintf("settles[%d]", i), "no earlier record has a warning or due item with the id %q => give that warning an id, or correct it here", id)
		}
	}
	for i, w := range h.Warnings {
		b.u.Warnings = append(b.u.Warnings, &Warning{Warning: w, File: f})
		b.oneSection(c, fmt.Sprintf("warning[%d].section", i), w.Section)
	}
	for _, d := range h.Due {
		b.u.Due = append(b.u.Due, &Due{Due: d, File: f})
	}
	for i, p := range h.Photos {
		b.oneSection(c, fmt.Sprintf("photo[%d].section", i), p.Section)
		b.faultExists(c, fmt.Sprintf("photo[%d].fault", i), p.Fault)
	}
	for i, x := range schema.Faults(f.Record) {
		b.oneSection(c, fmt.Sprintf("fault[%d].section", i), x.Section)
	}
	defer b.report(c)
	switch r := f.Record.(type) {
	case *schema.Intake:
		b.intake(c, f, r)
	case *schema.Parts:
		b.parts(c, f, r)
	case *schema.Mod:
		b.mod(c, f, r)
	case *schema.Measurements:
		b.measurements(c, r)
	case *schema.Safety:
		for i, k := range r.Checks {
			at := fmt.Sprintf("check[%d]", i)
			b.instrument(c, at+".with", k.With, r.Date)
			b.technician(c, at+".by", k.By)
		}
	case *schema.Soak:
		for i, e := range r.Events {
			b.faultExists(c, fmt.Sprintf("event[%d].fault", i), e.Fault)
		}
	case *schema.Demonstration:
		b.demonstration(c, f, r)
	}
}

// demonstration checks the functions against the model's, and what does not
// work against what the release says.
func (b *builder) demonstration(c *schema.Collector, f *File, r *schema.Demonstration) {
	ids := make([]string, len(b.u.Model.Functions))
	for i, x := range b.u.Model.Functions {
		ids[i] = x.ID
	}
	for i, x := range r.Functions {
		at := fmt.Sprintf("function[%d]", i)
		switch {
		case x.ID == "" || slices.Contains(ids, x.ID):
		case len(ids) == 0:
			c.Warnf(at+".id", "the model lists no functions => add [[function]] with id = %q and a name to the model", x.ID)
		case schema.Nearest(x.ID, ids) != "":
			c.Errorf(at+".id", "the model has no function %q => did you mean %s?", x.ID, schema.Nearest(x.ID, ids))
		default:
			c.Errorf(at+".id", "the model has no function %q => its functions are: %s; or add it to the model", x.ID, clip(ids))
		}
		if x.Works != schema.FunctionNo || b.u.shown(x.ID, r.Stage) != f {
			continue
		}
		if rel := b.promised(f, r); rel != nil {
			c.Warnf(at+".works", "%s does not work, but %s says works = \"fully\" => correct one of them, or open a new job for the fault", x.ID, rel.Name())
		}
	}
}

// promised returns the release that says of the unit, as a demonstration shows
// it, that it works fully: that of its stay, or the last one before it where it
// belongs to none. What was found before the work contradicts no release.
func (b *builder) promised(f *File, r *schema.Demonstration) *File {
	j := b.jobOf[f.Path]
	if j == nil {
		for _, k := range b.u.Jobs {
			if !Less(*f, *k.Intake) {
				j = k
			}
		}
	} else if r.Stage == schema.ShownAsFound {
		return nil
	}
	if j == nil || j.Release == nil || j.ReleaseRecord().Works != schema.WorksFully {
		return nil
	}
	return j.Release
}

// Demonstrated is how a function of a unit was last shown at one stage.
type Demonstrated struct {
	schema.Shown
	Stage    schema.DemonstrationStage
	Function schema.Function // the model's; of one it does not list only the id
	File     *File
}

// Demonstrated lists what was last shown of every function, as found before as
// left: in the model's order, then those the model does not list.
func (u *Unit) Demonstrated() []Demonstrated {
	all := slices.Clone(u.Model.Functions)
	for i := range u.Files {
		r, ok := u.Files[i].Record.(*schema.Demonstration)
		if !ok || r.Withdrawn {
			continue
		}
		for _, x := range r.Functions {
			if !slices.ContainsFunc(all, func(f schema.Function) bool { return f.ID == x.ID }) {
				all = append(all, schema.Function{ID: x.ID})
			}
		}
	}
	var out []Demonstrated
	for _, fn := range all {
		for _, stage := range []schema.DemonstrationStage{schema.ShownAsFound, schema.ShownAsLeft} {
			f := u.shown(fn.ID, stage)
			if f == nil {
				continue
			}
			for _, x := range f.Record.(*schema.Demonstration).Functions {
				if x.ID == fn.ID {
					out = append(out, Demonstrated{x, stage, fn, f})
					break
				}
			}
		}
	}
	return out
}

// shown returns the last record that shows a function at a stage, nil where
// none does.
func (u *Unit) shown(function string, stage schema.DemonstrationStage) *File {
	for i := len(u.Files) - 1; i >= 0; i-- {
		r, ok := u.Files[i].Record.(*schema.Demonstration)
		if ok && !r.Withdrawn && r.Stage == stage &&
			slices.ContainsFunc(r.Functions, func(x schema.Shown) bool { return x.ID == function }) {
			return &u.Files[i]
		}
	}
	return nil
}

// intake notes the origin of the sections: what was not original when it came
// in has an unknown age.
func (b *builder) intake(c *schema.Collector, f *File, r *schema.Intake) {
	for i, st := range r.Sections {
		names := b.sectionNames(c, fmt.Sprintf("section[%d].name", i), schema.Names(st.Name))
		if st.Origin == "" {
			continue
		}
		for _, n := range names {
			if s := b.u.Section(n); s != nil {
				s.Origin, s.Seen = st.Origin, r.Date
			}
			if st.Origin == schema.OriginOriginal {
				continue
			}
			for _, p := range b.u.Positions {
				if p.Section != n {
					continue
				}
				if o := p.Current(); o != nil && o.Origin == schema.OriginOriginal && len(o.Events) == 0 {
					o.Origin, o.Since = schema.OriginUnknown, edtf.Date{}
				}
			}
		}
	}
	for _, p := range b.u.Positions {
		if o := p.Current(); o != nil && o.Seen.IsZero() {
			o.Seen = r.Date
		}
	}
	if r.Comeback != nil {
		ok := false
		for i := range b.u.Files {
			g := &b.u.Files[i]
			if g.Name() == r.Comeback.Release && g.Record.Head().Kind == schema.KindRelease && g != f {
				ok = Less(*g, *f)
			}
		}
		if !ok {
			c.Errorf("comeback.release", "this unit has no earlier release %q => name the release by its file name without .toml; see benchlore history", r.Comeback.Release)
		}
	}
}

// settle marks a warning or a due item as dealt with.
func (b *builder) settle(id string) bool {
	found := false
	for _, w := range b.u.Warnings {
		if w.ID == id {
			w.Settled, found = true, true
		}
	}
	for _, d := range b.u.Due {
		if d.ID == id {
			d.Settled, found = true, true
		}
	}
	return found
}

func (b *builder) oneSection(c *schema.Collector, at, name string) {
	if name != "" && len(b.u.Sections) > 0 {
		b.sectionNames(c, at, schema.Names(name))
	}
}

// dates refuses days before the unit was built and days to come.
func (b *builder) dates(c *schema.Collector, at string, d schema.Date) {
	if d.IsZero() {
		return
	}
	if b.u.Built.Text != "" && !b.u.Built.OpenLo && d.Before(b.u.Built.Lo) {
		c.Errorf(at, "%s is before the unit was built (%s) => correct the date here, or built in instrument.toml", d, b.u.Built.Text)
	}
	if !b.ctx.Today.IsZero() && d.After(b.ctx.Today.Day) {
		b.u.Ahead = true
		if b.elsewhere(c) != nil {
			// Their clock, and not ours to correct; the history says when it came in.
			c.Warnf(at, "%s is in the future (today is %s): the clock there was ahead, or the one here is behind", d, b.ctx.Today)
			return
		}
		c.Errorf(at, "%s"+ahead+"%s) => write the day it happened; what is to come goes under [[due]]", d, b.ctx.Today)
	}
}

// ahead is what is said of a day to come, between it and today.
const ahead = " is in the future (today is "

// Ahead reports whether a problem is a day to come.
func Ahead(p schema.Problem) bool { return strings.Contains(p.Message, ahead) }

// elsewhere is the other bench the file at hand came from, nil for none.
func (b *builder) elsewhere(c *schema.Collector) *Bench {
	return b.ctx.Elsewhere[File{Path: c.File}.Name()]
}

func (b *builder) technician(c *schema.Collector, at, id string) {
	if id == "" || b.ctx.Shop == nil || b.elsewhere(c) != nil {
		return
	}
	var ids []string
	for _, t := range b.ctx.Shop.Technicians {
		if t.ID == id {
			return
		}
		ids = append(ids, t.ID)
	}
	c.Errorf(at, "shop.toml lists no technician %q => write one of: %s; or add a [[technician]] there", id, strings.Join(ids, ", "))
}

// instrument checks that the shop has a test instrument and that it was within
// its calibration on the day.
func (b *builder) instrument(c *schema.Collector, at, id string, day schema.Date) {
	if id == "" || b.ctx.Shop == nil || b.elsewhere(c) != nil {
		return
	}
	var ids []string
	for _, t := range b.ctx.Shop.TestInstruments {
		ids = append(ids, t.ID)
		if t.ID != id {
			continue
		}
		var last schema.Date
		for _, k := range t.Calibrations {
			if !day.Before(k.Date.Day) && !day.After(k.Due.Day) {
				return
			}
			if k.Due.Before(day.Day) && k.Due.After(last.Day) {
				last = k.Due
			}
		}
		switch {
		case len(t.Calibrations) == 0:
			// An indicator: used as such, and reports say so.
		case last.IsZero():
			c.Warnf(at, "%s was not calibrated on %s => measure again, or add the calibration to shop.toml", id, day)
		default:
			c.Warnf(at, "%s was past its calibration date (%s) on %s => measure again with one that is in date, or add the calibration to shop.toml", id, last, day)
		}
		return
	}
	c.Errorf(at, "shop.toml lists no test instrument %q => write one of: %s; or add a [[test_instrument]] there", id, strings.Join(ids, ", "))
}
