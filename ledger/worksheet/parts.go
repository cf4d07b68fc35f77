package worksheet

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/entry"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
	"benchlore/schema/remedy"
	"benchlore/schema/unit"
)

// sheetPart is a row of positions as it was understood.
type sheetPart struct {
	row      *sheetRow
	line     schema.PartLine // as the cells say, without section and ref
	sections []string
	places   []place
}

// placedLine is a line for one position, on its way to be written.
type placedLine struct {
	at   place
	line schema.PartLine
	row  *sheetRow
}

// parts reads a sheet of positions.
func (s *worksheet) parts() error {
	events := map[place][]*unit.Event{}
	positions := map[place]*unit.Position{}
	for _, p := range s.u.Positions {
		at := place{p.Section, p.Ref}
		positions[at] = p
		events[at] = jobEvents(p, s.job)
	}
	said := map[place]*sheetPart{}
	var fresh []placedLine                   // for positions of which nothing is recorded
	var pools []*sheetPart                   // rows with a count
	edited := map[*unit.Event]*changedLine{} // one for each line that changes
	var changes []*changedLine
	for _, row := range s.t.rows {
		p := s.part(row, positions)
		if p == nil {
			continue
		}
		if p.line.Count > 0 {
			pools = append(pools, p)
			continue
		}
		same := true
		for _, at := range p.places {
			if first := said[at]; first != nil {
				if !bytes.Equal(schema.EncodeTable("part", first.line), schema.EncodeTable("part", p.line)) {
					s.errs.cell(row, "ref", "%s is in row %d too, and that says something else => keep one row for each part", at, first.row.n)
				}
				continue
			}
			said[at] = p
			line := s.complete(p, positions[at])
			list := events[at]
			if slices.ContainsFunc(list, func(e *unit.Event) bool { return says(line, e.Line, positions[at]) }) {
				continue
			}
			same = false
			if len(list) == 0 {
				fresh = append(fresh, placedLine{at, line, row})
				continue
			}
			last := list[len(list)-1]
			if finishes(line, last, s.in.Day, s.b.Closed(last.File.Path)) {
				if line.Found == "" {
					line.Found, line.Mode = last.Line.Found, last.Line.Mode
				}
				fresh = append(fresh, placedLine{at, line, row})
				continue
			}
			if !s.mayEdit(row, firstKey(row), last.File) {
				continue
			}
			if last.File.Record.Head().Kind != schema.KindParts {
				s.errs.cell(row, firstKey(row), "says something else than the %s record %s => correct it there, and run: benchlore save", last.File.Record.Head().Kind, last.File.Path)
				continue
			}
			c := edited[lineKey(last, edited)]
			if c == nil {
				c = &changedLine{event: last}
				edited[last] = c
				changes = append(changes, c)
			}
			c.list = append(c.list, placedLine{at, line, row})
		}
		if same {
			s.out.Unchanged++
		}
	}
	if len(s.errs.list) > 0 {
		return nil
	}
	for _, c := range changes {
		s.change(c)
	}
	if len(fresh) > 0 {
		if err := s.newParts(fresh); err != nil {
			return err
		}
	}
	return s.pools(pools)
}

// newParts adds lines about positions of which nothing is recorded.
func (s *worksheet) newParts(fresh []placedLine) error {
	e, err := s.openRecord(schema.KindParts, "part", func(rec schema.Record) bool {
		return !slices.ContainsFunc(fresh, func(p placedLine) bool { return s.mentions(rec.(*schema.Parts), p.at) })
	})
	if err != nil {
		return err
	}
	for _, x := range s.group(fresh) {
		e.added = append(e.added, x)
		s.out.New = append(s.out.New, entry.Echo(x.value.(schema.PartLine)))
	}
	return nil
}

// changedLine is a line of a record that rows say something else about.
type changedLine struct {
	event *unit.Event
	list  []placedLine
}

// lineKey finds the event under which changes to the same line are gathered: one
// line has an event for each of its positions.
func lineKey(e *unit.Event, edited map[*unit.Event]*changedLine) *unit.Event {
	for k := range edited {
		if k.File == e.File && k.Path == e.Path {
			return k
		}
	}
	return e
}

// firstKey is the key of the first entry that says what was found or done.
func firstKey(row *sheetRow) string {
	if row.get("found") != "" {
		return "found"
	}
	return "action"
}

// finishes reports whether a row is a later step and not a correction: what
// waited, or was left, is dealt with on another day, or after that was closed.
func finishes(line schema.PartLine, last *unit.Event, day schema.Date, closed bool) bool {
	waiting := last.Line.Action == schema.Pending || last.Line.Action == schema.Left
	return waiting && line.Action != "" && line.Action != last.Line.Action && (closed || day.After(last.Date.Day))
}

// part reads one row. nil: it was not reached, or refused.
func (s *worksheet) part(row *sheetRow, positions map[place]*unit.Position) *sheetPart {
	row.of = strings.TrimSpace(row.get("section") + " " + row.get("ref"))
	p := &sheetPart{row: row}
	ok := true
	set := func(key string, v reflect.Value, name string) {
		c := row.cells[key]
		text := c.text
		if number, err := sheetNumber(text, s.t.comma && isQuantity(name)); err != nil {
			s.errs.err(c.at, row.of, err)
			ok = false
			return
		} else {
			text = number
		}
		if err := fill(v, name, text); err != nil {
			s.errs.err(c.at, row.of, err)
			ok = false
		}
	}
	var other []string // entries that are no use without a finding or an action
	for _, c := range partColumns() {
		text := row.get(c.Key)
		switch c.Key {
		case KeyHasNow, KeyInstrument, KeyJob, "section", "ref":
			continue
		}
		if text == "" || c.Key == "new.value" && isLike(text) {
			continue
		}
		part, name, nested := strings.Cut(c.Key, ".")
		switch {
		case !nested:
			set(c.Key, reflect.ValueOf(&p.line).Elem(), c.Key)
		case part == "new":
			set(c.Key, reflect.ValueOf(component(&p.line.New)).Elem(), name)
		default:
			set(c.Key, reflect.ValueOf(component(&p.line.Old)).Elem(), name)
		}
		if c.Key != "found" && c.Key != "action" && c.Key != "family" && part != "new" {
			other = append(other, c.Key)
		}
	}
	for i, id := range p.line.Fault {
		for _, f := range s.u.Faults {
			if strings.EqualFold(f.ID, id) {
				p.line.Fault[i] = f.ID
			}
		}
	}
	if row.get("found") == "" && row.get("action") == "" {
		switch {
		case slices.Contains(row.lost, "found") || slices.Contains(row.lost, "action"):
		case len(other) > 0 && other[0] != "count":
			s.errs.cell(row, other[0], "the row says neither what was found nor what was done => fill in found and action, or empty this cell; a row that was not reached stays blank")
		case row.get("new.value") != "" && !s.prefilled(p, positions):
			s.errs.cell(row, "new.value", "the row says neither what was found nor what was done => fill in found and action, or empty this cell; a row that was not reached stays blank")
		default:
			s.out.Unreached++
		}
		return nil
	}
	if p.line.Ref = schema.Refs(row.get("ref")); p.line.Ref == "" && p.line.Count == 0 {
		if row.get("count") != "" {
			return nil // said already
		}
		if p.line.Family != "" && hasPool(s.u, row.get("section"), p.line.Family) {
			s.errs.cell(row, "count", "how many is not said => write the number under count")
		} else {
			s.errs.cell(row, "ref", "the row names no part => write its reference, such as C14, or a number under count for a pool")
		}
		return nil
	}
	if p.line.Ref != "" && p.line.Count > 0 {
		s.errs.cell(row, "count", "the row has both ref and count => keep ref for parts with a place of their own, count for a pool")
		return nil
	}
	if p.sections = s.sections(row); p.sections == nil {
		return nil
	}
	if p.line.Count == 0 {
		list, err := refs.Parse(string(p.line.Ref))
		if err != nil {
			s.errs.cellErr(row, "ref", likeDate(err, row.get("ref")))
			return nil
		}
		for _, section := range p.sections {
			for _, r := range s.refsOf(section, list, p.line.Action == schema.Fitted) {
				p.places = append(p.places, place{section, r})
			}
		}
	}
	p.line.Ref, p.line.Section = "", ""
	if !ok {
		return nil
	}
	s.checkHasNow(p, positions)
	s.newPart(p, positions)
	return p
}

// likeDate says of a reference that looks like a date what a spreadsheet may have
// done to it.
func likeDate(err error, text string) error {
	if dateLike.MatchString(text) || shortNumber.MatchString(text) {
		what, _ := remedy.Parts(err)
		return &remedy.Error{What: what, Write: "the spreadsheet may have made a date of it: format the column as text, and type the reference again"}
	}
	return err
}

func isQuantity(key string) bool {
	return slices.Contains([]string{"value", "rating", "measured", "uncertainty", "low", "high"}, key)
}

func component(c **schema.Component) *schema.Component {
	if *c == nil {
		*c = &schema.Component{}
	}
	return *c
}

// hasPool reports whether a section has a pool of a family.
func hasPool(u *ledger.Loaded, section string, family schema.FamilyName) bool {
	return slices.ContainsFunc(u.Pools, func(p *unit.Pool) bool { return p.Section == section && p.Family == family })
}

// checkHasNow refuses an entry under "has now": it would be lost.
func (s *worksheet) checkHasNow(p *sheetPart, positions map[place]*unit.Position) {
	text := p.row.get(KeyHasNow)
	if text == "" {
		return
	}
	for _, at := range p.places {
		q := positions[at]
		if q == nil {
			continue
		}
		may := []string{modelText(q)}
		for _, o := range q.Occupants {
			if o.Component != nil {
				may = append(may, componentText(o.Component))
			}
		}
		if !slices.ContainsFunc(may, func(m string) bool { return strings.EqualFold(plainSpaces(m), plainSpaces(text)) }) {
			s.errs.cell(p.row, KeyHasNow, "%q is not what model and records have there (%s) => what went in belongs under new value and new rating, what sat there under old value; or empty this cell", text, orNothing(may[0]))
			return
		}
	}
}

func orNothing(s string) string {
	if s == "" {
		return "nothing is known"
	}
	return s
}

func plainSpaces(s string) string { return strings.Join(strings.Fields(s), "") }

// newPart checks that what went in fits what was done.
func (s *worksheet) newPart(p *sheetPart, positions map[place]*unit.Position) {
	like := isLike(p.row.get("new.value"))
	switch p.line.Action {
	case schema.Replaced, schema.Fitted:
		if p.line.New == nil && !like && !s.known(p) && !slices.Contains(p.row.lost, "new.value") {
			at := p.row.cells["action"].at
			if c := s.t.at["new.value"]; c != "" {
				at = strings.TrimRight(c, "0123456789") + strconv.Itoa(p.row.n)
			}
			s.errs.add(at, p.row.of, "%s with what? => write its value under new value and its rating under new rating; %q for the same as the model has", p.line.Action, sheetLike)
		}
		if like {
			for _, at := range p.places {
				if q := positions[at]; q == nil || q.Value == "" && q.Type == "" {
					s.errs.cell(p.row, "new.value", "%q, but the model has no value for %s => write the value under new value, or the type under new type", sheetLike, at)
					return
				}
			}
		}
	case schema.Pending:
	default:
		if p.line.New != nil && s.prefilled(p, positions) {
			p.line.New = nil // the sheet of a kit had it there
		}
	}
}

// known reports whether the records of this job say already what went into these
// positions, by a kit or by an earlier line.
func (s *worksheet) known(p *sheetPart) bool {
	for _, at := range p.places {
		q := s.u.Position(at.section, at.ref)
		if q == nil || !slices.ContainsFunc(jobEvents(q, s.job), func(e *unit.Event) bool { return e.Line.New != nil }) {
			return false
		}
	}
	return len(p.places) > 0
}

// prefilled reports whether what stands under new is what the sheet of a kit has
// there.
func (s *worksheet) prefilled(p *sheetPart, positions map[place]*unit.Position) bool {
	if p.line.New == nil {
		return false
	}
	section, list := p.row.get("section"), p.row.get("ref")
	l, err := refs.Parse(list)
	names, err2 := refs.ParseNames(section)
	if err != nil || err2 != nil {
		return false
	}
	for _, k := range s.u.Model.Kits {
		for _, line := range k.Lines {
			of, err := refs.ParseNames(string(line.Section))
			kl, err2 := refs.Parse(string(line.Ref))
			if err != nil || err2 != nil || line.New == nil {
				continue
			}
			if _, left := names.Select(of.Enumerate()); len(left) > 0 {
				continue
			}
			if _, left := l.Select(kl.Enumerate()); len(left) > 0 {
				continue
			}
			if filledIn(reflect.ValueOf(*p.line.New), reflect.ValueOf(*line.New)) {
				return true
			}
		}
	}
	return false
}

// complete is a row's line for one position: "like" and a rating alone take their
// value from the model.
func (s *worksheet) complete(p *sheetPart, q *unit.Position) schema.PartLine {
	l := p.line
	if q != nil && l.Family == q.Family {
		l.Family = ""
	}
	like := isLike(p.row.get("new.value"))
	if q == nil || !like && (l.New == nil || l.New.Value != "" || l.New.Rating == "") {
		return l
	}
	n := schema.Component{}
	if l.New != nil {
		n = *l.New
	}
	n.Value = q.Value
	if like && n.Rating == "" {
		n.Rating = q.Rating
	}
	if like && n.Type == "" {
		n.Type = q.Type
	}
	l.New = &n
	return l
}

// says reports whether an event says what a row says, or more.
func says(line, has schema.PartLine, q *unit.Position) bool {
	line.Section, line.Ref = "", ""
	if line.Family != "" && q != nil && line.Family == q.Family {
		line.Family = ""
	}
	if !filledIn(reflect.ValueOf(line), reflect.ValueOf(has)) {
		return false
	}
	for _, c := range []struct{ a, b *schema.Component }{{line.New, has.New}, {line.Old, has.Old}} {
		if c.a != nil && (c.b == nil || !filledIn(reflect.ValueOf(*c.a), reflect.ValueOf(*c.b))) {
			return false
		}
	}
	return true
}

// merge changes a line as a row says. A blank cell takes nothing away, but where
// the finding or the action is another, what hung on the old one goes with it.
func merge(has, line schema.PartLine) schema.PartLine {
	if line.Found != "" && line.Found != has.Found {
		has.Mode, has.How, has.CausedBy = nil, "", ""
	}
	if line.Action != "" && line.Action != has.Action {
		has.New, has.OldKept = nil, ""
	}
	fresh, old := line.New, line.Old
	fillFrom(reflect.ValueOf(&has).Elem(), reflect.ValueOf(line))
	for _, c := range []struct {
		to   **schema.Component
		from *schema.Component
	}{{&has.New, fresh}, {&has.Old, old}} {
		if c.from == nil {
			continue
		}
		n := schema.Component{}
		if *c.to != nil {
			n = **c.to
		}
		fillFrom(reflect.ValueOf(&n).Elem(), reflect.ValueOf(*c.from))
		*c.to = &n
	}
	return has
}

// changedText tells a line, and what it was: an old sheet that takes back what was
// typed since is seen before it is imported.
func changedText(line, was schema.PartLine) string {
	was.Section, was.Ref = "", ""
	if was.Count == 0 {
		was.Family = ""
	}
	return fmt.Sprintf("%s (was: %s)", entry.Echo(line), strings.TrimPrefix(entry.Echo(was), ": "))
}

// shortNumber is what a spreadsheet program makes of a date.
var shortNumber = pattern.New(`^[0-9]{4,6}$`)

var linePath = pattern.New(`^part\[([0-9]+)\]$`)

// change takes the rows about one line of a record in. Where they are about some
// of its positions only, the line is taken apart.
func (s *worksheet) change(c *changedLine) {
	e := s.editOf(c.event.File, "part")
	tell := func(list []listed) {
		for _, x := range list {
			s.out.Changed = append(s.out.Changed, changedText(x.value.(schema.PartLine), c.event.Line))
		}
	}
	m := linePath.FindStringSubmatch(c.event.Path)
	if m == nil { // a line of a kit: the record's own lines win over it
		list := s.group(c.list)
		e.added = append(e.added, list...)
		tell(list)
		return
	}
	i, _ := strconv.Atoi(m[1])
	has := e.record.(*schema.Parts).Lines[i]
	taken := map[place]bool{}
	bare := has
	bare.Section, bare.Ref = "", ""
	for k := range c.list {
		c.list[k].line = merge(bare, c.list[k].line)
		taken[c.list[k].at] = true
	}
	var rest []placedLine
	names, _ := refs.ParseNames(string(has.Section))
	list, _ := refs.Parse(string(has.Ref))
	sections := names.Enumerate()
	if len(s.u.Sections) > 0 {
		var all []string
		for _, x := range s.u.Sections {
			all = append(all, x.Name)
		}
		sections, _ = names.Select(all)
	}
	for _, section := range sections {
		for _, r := range s.refsOf(section, list, false) {
			if at := (place{section, r}); !taken[at] {
				rest = append(rest, placedLine{at, bare, nil})
			}
		}
	}
	changed := s.group(c.list)
	if len(rest) == 0 && len(changed) == 1 {
		one := changed[0].value.(schema.PartLine)
		one.Section, one.Ref = has.Section, has.Ref // as it was written
		changed[0].value = one
	}
	e.replaced[i] = append(s.group(rest), changed...)
	tell(changed)
}

// mentions reports whether a record has a line about a position.
func (s *worksheet) mentions(rec *schema.Parts, at place) bool {
	for _, l := range rec.Lines {
		names, err := refs.ParseNames(string(l.Section))
		list, err2 := refs.Parse(string(l.Ref))
		if err != nil || err2 != nil || l.Ref == "" {
			continue
		}
		in, _ := names.Select([]string{at.section})
		of, _ := list.Select([]refs.Ref{at.ref})
		if len(in) > 0 && len(of) > 0 {
			return true
		}
	}
	return false
}

// group writes lines that say the same of several positions as one line, in the
// order in which they first come.
func (s *worksheet) group(list []placedLine) []listed {
	type group struct {
		line     schema.PartLine
		sections []string
		refs     map[string][]refs.Ref
		rows     []*sheetRow
	}
	var order []*group
	byText := map[string]*group{}
	for _, p := range list {
		l := p.line
		l.Section, l.Ref = "", ""
		text := string(schema.EncodeTable("part", l))
		g := byText[text]
		if g == nil {
			g = &group{line: l, refs: map[string][]refs.Ref{}}
			byText[text] = g
			order = append(order, g)
		}
		if g.refs[p.at.section] == nil {
			g.sections = append(g.sections, p.at.section)
		}
		g.refs[p.at.section] = append(g.refs[p.at.section], p.at.ref)
		if p.row != nil && !slices.Contains(g.rows, p.row) {
			g.rows = append(g.rows, p.row)
		}
	}
	var out []listed
	for _, g := range order {
		done := map[string]bool{}
		for _, first := range g.sections {
			if done[first] {
				continue
			}
			text := s.refsText([]string{first}, g.refs[first])
			var alike []string
			for _, other := range g.sections {
				if !done[other] && s.refsText([]string{other}, g.refs[other]) == text {
					alike = append(alike, other)
					done[other] = true
				}
			}
			l := g.line
			l.Section, l.Ref = s.namesText(alike), text
			out = append(out, listed{l, g.rows})
		}
	}
	return out
}

// namesText writes sections as a list that means these and no others.
func (s *worksheet) namesText(list []string) schema.Names {
	text := refs.CompactNames(list)
	if l, err := refs.ParseNames(text); err == nil {
		if got := l.Enumerate(); len(got) == len(list) && !slices.ContainsFunc(got, func(n string) bool { return !slices.Contains(list, n) }) {
			return schema.Names(text)
		}
	}
	return schema.Names(strings.Join(list, ", "))
}

// pools takes in rows about counted pools. A row is held against the lines of
// this job about the same pool: first one that says the same, then one with the
// same finding and action, then the only one that is left.
func (s *worksheet) pools(rows []*sheetPart) error {
	type pool struct {
		section string
		family  schema.FamilyName
	}
	type line struct {
		event *unit.Event
		used  bool
	}
	lines := map[pool][]*line{}
	for _, p := range s.u.Pools {
		for _, e := range p.Events {
			if e.Job == s.job {
				k := pool{p.Section, p.Family}
				lines[k] = append(lines[k], &line{event: e})
			}
		}
	}
	var left []*sheetPart
	take := func(p *sheetPart, fits func(schema.PartLine) bool) *line {
		if len(p.sections) != 1 {
			return nil
		}
		for _, l := range lines[pool{p.sections[0], p.line.Family}] {
			if !l.used && fits(l.event.Line) {
				l.used = true
				return l
			}
		}
		return nil
	}
	for _, p := range rows {
		if take(p, func(has schema.PartLine) bool { return says(p.line, has, nil) }) != nil {
			s.out.Unchanged++
			continue
		}
		left = append(left, p)
	}
	var fresh []*sheetPart
	change := func(p *sheetPart, l *line) {
		if !s.mayEdit(p.row, "count", l.event.File) {
			return
		}
		m := linePath.FindStringSubmatch(l.event.Path)
		parts, ok := l.event.File.Record.(*schema.Parts)
		if m == nil || !ok {
			s.errs.cell(p.row, "count", "says something else than %s => correct it there, and run: benchlore save", l.event.File.Path)
			return
		}
		i, _ := strconv.Atoi(m[1])
		was := parts.Lines[i]
		line := merge(was, p.line)
		s.editOf(l.event.File, "part").replaced[i] = []listed{{line, []*sheetRow{p.row}}}
		s.out.Changed = append(s.out.Changed, changedText(line, was))
	}
	var rest []*sheetPart
	for _, p := range left {
		if l := take(p, func(has schema.PartLine) bool { return has.Found == p.line.Found && has.Action == p.line.Action }); l != nil {
			change(p, l)
			continue
		}
		rest = append(rest, p)
	}
	for _, p := range rest {
		if l := take(p, func(schema.PartLine) bool { return true }); l != nil {
			change(p, l)
			continue
		}
		fresh = append(fresh, p)
	}
	if len(fresh) == 0 || len(s.errs.list) > 0 {
		return nil
	}
	e, err := s.openRecord(schema.KindParts, "part", func(schema.Record) bool { return true })
	if err != nil {
		return err
	}
	for _, p := range fresh {
		l := p.line
		l.Section = s.namesText(p.sections)
		e.added = append(e.added, listed{l, []*sheetRow{p.row}})
		s.out.New = append(s.out.New, entry.Echo(l))
	}
	return nil
}
