package form

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// offer is what a question proposes.
type offer struct {
	choices []Choice
	closed  bool // nothing else is taken
	resolve bool // the start of a choice stands for it
	taken   []string
	preset  string // what Enter stands for
}

func plainWords(list []string) []Choice {
	out := make([]Choice, len(list))
	for i, w := range list {
		out[i].Word = w
	}
	return out
}

// offer works out the choices and the default of a key.
func (w *walker) offer(t at, f schema.Field) offer {
	var o offer
	e := f.Type
	for e.Kind() == reflect.Pointer || e.Kind() == reflect.Slice && !f.Tables() {
		e = e.Elem()
	}
	switch {
	case f.Words() != nil:
		o.choices, o.closed = plainWords(f.Words()), true
	case e.Kind() == reflect.Bool:
		o.choices, o.closed = plainWords([]string{"yes", "no"}), true
	case e == reflect.TypeFor[schema.FamilyName]():
		o.choices, o.resolve = w.families(), true
	case e == reflect.TypeFor[schema.Names](), f.Key == "section":
		o.choices, o.resolve = w.sections(), true
	case f.Key == "with":
		o.choices, o.resolve = w.meters(), true
	case f.Key == "lot":
		o.choices, o.resolve = w.lots(), true
	case f.Key == "settles":
		o.choices, o.resolve = w.standing(), true
	case f.Key == "job":
		for _, j := range w.src.Unit.Jobs {
			o.choices = append(o.choices, Choice{Word: j.Name()})
		}
		o.resolve = true
	case f.Key == "kit":
		o.choices, o.resolve = w.kits(), true
	case f.Key == "fault" && e.Kind() == reflect.String:
		for _, x := range w.openFaults() {
			o.choices = append(o.choices, Choice{x.ID, x.Symptom})
		}
		o.resolve = true
	case f.Key == "maker":
		o.choices = plainWords(w.makers())
	case f.Of != "" && e.Kind() == reflect.String:
		o.choices = w.ofModel(f.Of)
	case f.Key == "caused_by":
		o.choices = plainWords(schema.Causes())
	case f.Key == "said_by", f.Key == "last_known_working_by":
		o.choices = plainWords([]string{"owner", "seller", "dealer", "own bench"})
	}
	switch e := t.value().(type) {
	case *schema.SectionState:
		if f.Key == "name" {
			o.choices, o.resolve = w.sections(), true
		}
	case *schema.Comeback:
		if f.Key == "release" {
			o.choices, o.resolve = w.releases(), true
			if n := len(o.choices); n > 0 {
				o.preset = o.choices[n-1].Word
			}
		}
	case *schema.Release:
		w.ofRelease(&o, e, f.Key)
	case *schema.FaultAtEnd:
		if f.Key == "state" {
			o.preset = string(w.endState(e.ID))
		}
	case *schema.Warranty:
		if f.Key == "start" {
			o.preset = w.src.Head.Date.String()
		}
	case *schema.ApplyKit:
		switch f.Key {
		case "revision":
			o.choices, o.resolve = plainWords(w.revisions(e.Kit)), true
			o.preset = last(w.revisions(e.Kit))
		case "except", "ref":
			o.choices = w.positionsOf(string(e.Section))
		case "found":
			o.preset = string(schema.Untested)
		}
	case *schema.Mod:
		if f.Key == "revision" {
			o.choices, o.resolve = plainWords(w.revisions(e.Kit)), true
			o.preset = last(w.revisions(e.Kit))
		}
	case *schema.PartLine:
		w.ofLine(&o, e, t.index, f.Key)
	case *schema.Component:
		if strings.HasPrefix(t.name, "new") {
			w.ofNew(&o, f.Key)
		}
	case *schema.Reading:
		w.ofReading(&o, e, t.index, f.Key)
	case *schema.Table:
		w.ofTable(&o, e, t.index, f.Key)
	case *schema.SafetyCheck:
		w.ofCheck(&o, e, f.Key)
	}
	return o
}

func last(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[len(list)-1]
}

// addWord adds a choice once.
func addWord(list []Choice, c Choice) []Choice {
	if c.Word == "" || slices.ContainsFunc(list, func(x Choice) bool { return strings.EqualFold(x.Word, c.Word) }) {
		return list
	}
	return append(list, c)
}

func (w *walker) sections() []Choice {
	var out []Choice
	for _, s := range w.src.Unit.Sections {
		out = append(out, Choice{s.Name, strings.TrimSpace(s.Board + " " + s.Revision)})
	}
	return out
}

// families lists all families, those of the unit first.
func (w *walker) families() []Choice {
	var out []Choice
	for _, p := range w.src.Unit.Positions {
		if p.Family != "" {
			out = addWord(out, Choice{string(p.Family), w.src.Families.Title(p.Family)})
		}
	}
	for _, n := range w.src.Families.Names() {
		out = addWord(out, Choice{n, w.src.Families.Title(schema.FamilyName(n))})
	}
	return out
}

func (w *walker) hasMeters() bool { return w.src.Shop != nil && len(w.src.Shop.TestInstruments) > 0 }

func (w *walker) meters() []Choice {
	var out []Choice
	if w.src.Shop == nil {
		return nil
	}
	for _, x := range w.src.Shop.TestInstruments {
		about := x.Name
		switch n := len(x.Calibrations); {
		case n == 0:
			about += ", not calibrated"
		case x.Calibrations[n-1].Due.Before(w.src.Head.Date.Day):
			about += ", calibration was due " + x.Calibrations[n-1].Due.String()
		}
		out = append(out, Choice{x.ID, about})
	}
	return out
}

func (w *walker) kits() []Choice {
	var out []Choice
	for _, k := range w.src.Unit.Model.Kits {
		out = addWord(out, Choice{k.Name, k.Title})
	}
	return out
}

func (w *walker) revisions(kit string) []string {
	var out []string
	for _, k := range w.src.Unit.Model.Kits {
		if k.Name == kit && k.Revision != "" {
			out = append(out, k.Revision)
		}
	}
	return out
}

func (w *walker) releases() []Choice {
	var out []Choice
	for _, j := range w.src.Unit.Jobs {
		if j.Release != nil {
			out = append(out, Choice{j.Release.Name(), "works: " + string(j.ReleaseRecord().Works)})
		}
	}
	return out
}

// standing lists the warnings and due items that nobody has settled.
func (w *walker) standing() []Choice {
	var out []Choice
	for _, x := range w.src.Unit.Warnings {
		if !x.Settled {
			out = addWord(out, Choice{x.ID, x.Text})
		}
	}
	for _, x := range w.src.Unit.Due {
		if !x.Settled {
			out = addWord(out, Choice{x.ID, x.What})
		}
	}
	return out
}

// openFaults lists the faults of the job on the bench.
func (w *walker) openFaults() []*unit.Fault {
	if j := w.src.Unit.OpenJob(); j != nil {
		return j.Faults
	}
	return nil
}

// endState is what became of a fault, as far as part lines show it.
func (w *walker) endState(id string) schema.FaultState {
	for _, f := range w.openFaults() {
		if f.ID == id && len(f.Cured) > 0 {
			return schema.FaultCured
		}
	}
	return schema.FaultOpen
}

func (w *walker) ofRelease(o *offer, r *schema.Release, key string) {
	before := func(get func(*schema.Release) string) string {
		for _, j := range slices.Backward(w.src.Unit.Jobs) {
			if e := j.ReleaseRecord(); e != nil && get(e) != "" {
				return get(e)
			}
		}
		return ""
	}
	switch key {
	case "power":
		if r.Works == schema.WorksFully {
			o.preset = string(schema.PowerNormal)
		}
	case "mains":
		o.preset = before(func(r *schema.Release) string { return string(r.Mains) })
		if m := w.src.Unit.Instrument.Mains; o.preset == "" && m != nil {
			o.preset = string(m.AsFound)
		}
	case "fuse":
		o.preset = before(func(r *schema.Release) string { return r.Fuse })
		if m := w.src.Unit.Instrument.Mains; o.preset == "" && m != nil {
			o.preset = m.FuseFound
		}
	}
}

// lines are the part lines of the record, the one being asked for last.
func (w *walker) lines() []schema.PartLine {
	switch r := w.rec.(type) {
	case *schema.Parts:
		return r.Lines
	case *schema.Mod:
		return r.Lines
	}
	return nil
}

// line is the part line being asked for, and the one before it; nil where
// there is none. The first of a record goes by the last of the job.
func (w *walker) line() (now, before *schema.PartLine) {
	l := w.lines()
	n := len(l)
	if n == 0 {
		return nil, nil
	}
	if n > 1 {
		return &l[n-1], &l[n-2]
	}
	if j := w.src.Unit.OpenJob(); j != nil {
		for _, f := range slices.Backward(j.Files) {
			if r, ok := f.Record.(*schema.Parts); ok && len(r.Lines) > 0 && r.By == w.src.Head.By {
				return &l[0], &r.Lines[len(r.Lines)-1]
			}
		}
	}
	return &l[0], nil
}

// named returns the positions of the unit that a line names.
func (w *walker) named(l *schema.PartLine) []*unit.Position {
	if l == nil {
		return nil
	}
	return w.positions(string(l.Section), string(l.Ref))
}

func (w *walker) positions(section, ref string) []*unit.Position {
	list, err := refs.Parse(ref)
	if err != nil || ref == "" {
		return nil
	}
	in := w.inSections(section)
	have := map[refs.Ref]bool{}
	var all []refs.Ref
	for _, p := range in {
		if !have[p.Ref] {
			have[p.Ref] = true
			all = append(all, p.Ref)
		}
	}
	found, _ := list.Select(all)
	want := map[refs.Ref]bool{}
	for _, r := range found {
		want[r] = true
	}
	return slices.DeleteFunc(slices.Clone(in), func(p *unit.Position) bool { return !want[p.Ref] })
}

// inSections lists the positions of some sections; "" is all.
func (w *walker) inSections(section string) []*unit.Position {
	if section == "" {
		return w.src.Unit.Positions
	}
	l, err := refs.ParseNames(section)
	if err != nil {
		return nil
	}
	names := make([]string, len(w.src.Unit.Sections))
	for i, s := range w.src.Unit.Sections {
		names[i] = s.Name
	}
	found, _ := l.Select(names)
	return slices.DeleteFunc(slices.Clone(w.src.Unit.Positions), func(p *unit.Position) bool { return !slices.Contains(found, p.Section) })
}

func (w *walker) positionsOf(section string) []Choice {
	var out []Choice
	for _, p := range w.inSections(section) {
		about := []string{strings.TrimSpace(string(p.Value) + " " + string(p.Rating)), p.Type, p.Function, w.src.Families.Title(p.Family)}
		about = slices.DeleteFunc(about, func(s string) bool { return s == "" })
		out = addRef(out, Choice{string(p.Ref), strings.Join(about, ", ")})
	}
	return out
}

// addRef adds a reference that follows its like: sections alike have the same.
func addRef(list []Choice, c Choice) []Choice {
	if n := len(list); n > 0 && list[n-1].Word == c.Word {
		return list
	}
	return append(list, c)
}

// stranger reports whether the model says nothing of the parts of a line.
func (w *walker) stranger(l *schema.PartLine) bool {
	return !slices.ContainsFunc(w.named(l), func(p *unit.Position) bool { return p.Family != "" })
}

// familyOf is the family of the parts of a line.
func (w *walker) familyOf(l *schema.PartLine) schema.FamilyName {
	if l == nil {
		return ""
	}
	if l.Family != "" {
		return l.Family
	}
	for _, p := range w.named(l) {
		if p.Family != "" {
			return p.Family
		}
	}
	return ""
}

func (w *walker) ofLine(o *offer, l *schema.PartLine, index int, key string) {
	_, before := w.line()
	switch key {
	case "section":
		if before != nil {
			o.preset = string(before.Section)
		}
	case "ref":
		o.choices = w.positionsOf(string(l.Section))
	case "family":
		if before != nil && index > 0 {
			o.preset = string(w.familyOf(before))
		}
	case "fault":
		if f := w.openFaults(); len(f) == 1 {
			o.preset = f[0].ID
		}
	case "action":
		switch l.Found {
		case schema.Failed, schema.Degraded, schema.Untested:
			o.preset = string(schema.Replaced)
		case schema.Missing:
			o.preset = string(schema.Fitted)
		case schema.OK, schema.InService:
			o.preset = string(schema.Left)
		}
	}
}

// usual says which particulars the parts of a line have.
type usual struct{ value, rating, kind bool }

// usual goes by what the model says of the parts, and by their family where
// it says nothing.
func (w *walker) usual() usual {
	l, _ := w.line()
	for _, p := range w.named(l) {
		if p.Value != "" || p.Rating != "" || p.Type != "" {
			return usual{p.Value != "", p.Rating != "", p.Value == "" && p.Type != ""}
		}
	}
	switch w.familyOf(l).Group() {
	case "capacitor", "resistor":
		return usual{value: true, rating: true}
	}
	return usual{kind: true}
}

func (w *walker) ofNew(o *offer, key string) {
	l, before := w.line()
	var was *schema.Component // what went in on the line before, where the parts are alike
	if before != nil && before.New != nil && w.familyOf(before) == w.familyOf(l) {
		was = before.New
	}
	var p unit.Position // what the model has
	if ps := w.named(l); len(ps) > 0 {
		p = *ps[0]
	}
	same := false
	if was != nil {
		ps := w.named(before)
		same = len(ps) == 0 && p.Value == "" || len(ps) > 0 && sameQuantity(ps[0].Value, p.Value)
	}
	switch key {
	case "value":
		if o.preset = string(p.Value); same && was.Value != "" {
			o.preset = string(was.Value)
		}
	case "rating":
		if o.preset = string(p.Rating); same && was.Rating != "" {
			o.preset = string(was.Rating)
		}
	case "type":
		if o.preset = p.Type; same && was.Type != "" {
			o.preset = was.Type
		}
	case "maker":
		if was != nil {
			o.preset = was.Maker
		}
	case "lot":
		if same {
			o.preset = was.Lot
		}
	case "source":
		if was != nil {
			o.preset = string(was.Source)
		}
	}
}

func sameQuantity(a, b schema.Quantity) bool {
	x, ok := a.Parse()
	y, ok2 := b.Parse()
	if !ok || !ok2 {
		return a == b
	}
	c, err := x.Cmp(y)
	return err == nil && c == 0
}

// lots lists the lots that fit the parts of the line being asked for.
func (w *walker) lots() []Choice {
	l, _ := w.line()
	family := w.familyOf(l)
	var value schema.Quantity
	if ps := w.named(l); len(ps) > 0 {
		value = ps[0].Value
	}
	var fit, rest []Choice
	names := make([]string, 0, len(w.src.Lots))
	for n := range w.src.Lots {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		lot := w.src.Lots[n]
		if lot.Family != family || lot.Date.After(w.src.Head.Date.Day) {
			continue
		}
		c := Choice{n, strings.TrimSpace(string(lot.Part.Value) + " " + string(lot.Part.Rating) + " " + lot.Part.Maker)}
		if value == "" || sameQuantity(value, lot.Part.Value) {
			fit = append(fit, c)
		} else {
			rest = append(rest, c)
		}
	}
	if len(fit) == 0 {
		return nil
	}
	return append(fit, rest...)
}

// makers lists the makers of parts that the unit's records and the lots name.
func (w *walker) makers() []string {
	var out []string
	add := func(c *schema.Component) {
		if c != nil && c.Maker != "" && !slices.Contains(out, c.Maker) {
			out = append(out, c.Maker)
		}
	}
	for _, l := range w.lines() {
		add(l.New)
	}
	for _, lot := range w.src.Lots {
		add(&lot.Part)
	}
	for _, f := range w.src.Unit.Files {
		if r, ok := f.Record.(*schema.Parts); ok {
			for _, l := range r.Lines {
				add(l.New)
			}
		}
	}
	slices.Sort(out)
	return out
}

// limitSections lists the sections a point has limits in.
func (w *walker) limitSections(point string) []string {
	var out []string
	for _, l := range w.src.Unit.Model.Limits {
		if !strings.EqualFold(l.Point, point) || l.Section == "" {
			continue
		}
		if names, err := refs.ParseNames(string(l.Section)); err == nil {
			for _, n := range names.Enumerate() {
				if !slices.Contains(out, n) {
					out = append(out, n)
				}
			}
		}
	}
	return out
}

// several reports whether a point has limits in several sections. Where it has
// them in one, that is the section.
func (w *walker) several(point string, section *string) bool {
	s := w.limitSections(point)
	if len(s) == 1 {
		*section = s[0]
	}
	return len(s) > 1
}

// points lists what can be measured: the points with limits, then those of
// procedures and of readings taken before.
func (w *walker) points(tables bool) []Choice {
	var out []Choice
	for _, l := range w.src.Unit.Model.Limits {
		if spread := l.Spread != "" || l.At != ""; spread == tables {
			out = addWord(out, Choice{l.Point, limitText(&unit.Limit{Low: l.Low, High: l.High, Spread: l.Spread})})
		}
	}
	for _, p := range w.src.Unit.Model.Procedures {
		for _, s := range p.Steps {
			out = addWord(out, Choice{s.Point, "procedure " + p.Name})
		}
	}
	for _, f := range w.src.Unit.Files {
		r, ok := f.Record.(*schema.Measurements)
		if !ok {
			continue
		}
		for _, x := range r.Readings {
			if !tables {
				out = addWord(out, Choice{x.Point, "measured before"})
			}
		}
		for _, x := range r.Tables {
			if tables {
				out = addWord(out, Choice{x.Point, "measured before"})
			}
		}
	}
	return out
}

// stage is when a first reading is usually taken: before the work, as long as
// none is recorded, and as left from then on.
func (w *walker) stage() schema.Stage {
	if j := w.src.Unit.OpenJob(); j != nil {
		for _, f := range j.Files {
			switch f.Record.(type) {
			case *schema.Parts, *schema.Mod:
				return schema.AsLeft
			}
		}
		return schema.AsFound
	}
	return ""
}

func (w *walker) ofReading(o *offer, r *schema.Reading, index int, key string) {
	list := w.rec.(*schema.Measurements).Readings
	var before *schema.Reading
	if index > 0 {
		before = &list[index-1]
	}
	taken := func(point, section string) bool {
		return slices.ContainsFunc(list[:index], func(x schema.Reading) bool {
			return strings.EqualFold(x.Point, point) && (section == "" || x.Section == section)
		})
	}
	switch key {
	case "point":
		o.choices, o.resolve = w.points(false), true
		for _, c := range o.choices {
			if taken(c.Word, "") && len(w.limitSections(c.Word)) < 2 {
				o.taken = append(o.taken, c.Word)
			}
		}
		if before == nil {
			return
		}
		// The next that has not been taken.
		for _, c := range o.choices {
			sections := w.limitSections(c.Word)
			if len(sections) < 2 && !taken(c.Word, "") || len(sections) > 1 && slices.ContainsFunc(sections, func(s string) bool { return !taken(c.Word, s) }) {
				o.preset = c.Word
				return
			}
		}
	case "section":
		o.choices = nil
		for _, s := range w.limitSections(r.Point) {
			if about := ""; w.src.Unit.Section(s) != nil {
				if l := w.src.Unit.ReadingLimit(schema.Reading{Point: r.Point, Section: s}); l != nil {
					about = limitText(l)
				}
				o.choices = append(o.choices, Choice{s, about})
			}
			if o.preset == "" && !taken(r.Point, s) {
				o.preset = s
			}
		}
		if len(o.choices) == 0 {
			o.choices = w.sections()
		}
	case "ref":
		o.choices = w.positionsOf(r.Section)
	case "stage":
		if o.preset = string(w.stage()); before != nil {
			o.preset = string(before.Stage)
		}
	case "value":
		o.choices = []Choice{{schema.NotMeasurable, "it could not be taken"}}
	case "with":
		if before != nil {
			o.preset = before.With
		}
	case "conditions":
		if before != nil {
			o.preset = before.Conditions
		}
	}
}

func (w *walker) ofTable(o *offer, t *schema.Table, index int, key string) {
	list := w.rec.(*schema.Measurements).Tables
	switch key {
	case "point":
		o.choices = w.points(true)
	case "section":
		o.choices = plainWords(w.limitSections(t.Point))
	case "at", "unit":
		for _, f := range slices.Backward(w.src.Unit.Files) {
			r, ok := f.Record.(*schema.Measurements)
			if !ok {
				continue
			}
			for _, x := range r.Tables {
				if strings.EqualFold(x.Point, t.Point) && x.Section == t.Section && o.preset == "" {
					if o.preset = string(x.At); key == "unit" {
						o.preset = string(x.Unit)
					}
				}
			}
		}
		for _, l := range w.src.Unit.Model.Limits {
			if !strings.EqualFold(l.Point, t.Point) || o.preset != "" {
				continue
			}
			if o.preset = string(l.At); key == "unit" {
				for _, q := range []schema.Quantity{l.High, l.Low, l.Spread} {
					if u := unitOf(q); u != "" {
						o.preset = u
						break
					}
				}
			}
		}
	case "stage":
		if o.preset = string(w.stage()); index > 0 {
			o.preset = string(list[index-1].Stage)
		}
	case "with":
		if index > 0 {
			o.preset = list[index-1].With
		}
	}
}

// ofCheck goes by the same check the last time it was made: its limits are
// the shop's own.
func (w *walker) ofCheck(o *offer, c *schema.SafetyCheck, key string) {
	var names []Choice
	var was *schema.SafetyCheck
	for _, f := range w.src.Unit.Files {
		if r, ok := f.Record.(*schema.Safety); ok {
			for i := range r.Checks {
				x := &r.Checks[i]
				names = addWord(names, Choice{x.Name, limitText(&unit.Limit{Low: x.Low, High: x.High})})
				if strings.EqualFold(x.Name, c.Name) {
					was = x
				}
			}
		}
	}
	switch key {
	case "name":
		o.choices = names
	case "result":
		o.preset = string(schema.CheckDone)
	case "stage":
		o.preset = string(schema.AsLeft)
	}
	if was == nil {
		return
	}
	switch key {
	case "low":
		o.preset = string(was.Low)
	case "high":
		o.preset = string(was.High)
	case "limit_source":
		o.preset = was.LimitSource
	case "with":
		o.preset = was.With
	}
}

// unitOf is the unit a quantity is written with, "" where there is none.
func unitOf(q schema.Quantity) string {
	v, ok := q.Parse()
	if !ok {
		return ""
	}
	for _, text := range []string{string(q), v.Canonical()} { // 2u2 has its unit only in the canonical form
		u := strings.TrimSpace(text[strings.LastIndexAny(text, "0123456789.,")+1:])
		if _, err := quantity.ParseUnit(u); err == nil {
			return u
		}
	}
	return ""
}

func limitText(l *unit.Limit) string {
	if l == nil {
		return ""
	}
	if text := l.String(); text != "" {
		return "limit " + text
	}
	return ""
}

// count says how many there are of something.
func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
