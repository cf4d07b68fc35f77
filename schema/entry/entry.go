// Package entry understands one line about one part as it is typed at the
// bench: which part, how it was found, what was done, what went in.
//
//	C14 failed short replaced 10uF/35V
//	divider 3 C2-C8 untested replaced 2.2uF/63V lot=2021-el-2u2
//	power supply 12x board/joint degraded reworked
package entry

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// Error says which word was not understood and what to type instead.
type Error struct{ What, Remedy string }

func (e *Error) Error() string { return e.What }

// Hint names what to type instead.
func (e *Error) Hint() string { return e.Remedy }

// countForm is a number of a pool: 12x.
var countForm = pattern.New(`^([0-9]{1,5})[x×]$`)

// Entry is what was understood: a line about parts, or a kit applied.
type Entry struct {
	Line *schema.PartLine // nil where a kit is applied
	Kit  *schema.ApplyKit
}

// Context is what a line is typed about.
type Context struct {
	Unit    *unit.Unit
	By      string // the technician, whose last line "same" repeats
	Section string // where the bench is at work: of parts that several sections have, its own are meant; "" where it is nowhere yet
}

// Parse turns the words of a line into a part line, or a kit to apply. Words may
// come in any order after the part, and those of the closed lists may be cut
// short; quoting by a shell is undone already, so a word may hold blanks.
func Parse(words []string, c Context) (Entry, error) {
	p := &parser{u: c.Unit, words: split(words, c.Unit), by: c.By, at: c.Section}
	p.reorder()
	p.section()
	if len(p.words) == 0 || !strings.EqualFold(p.words[0], "kit") {
		if err := p.parts(); err != nil {
			return Entry{}, err
		}
	}
	for len(p.words) > 0 {
		if err := p.word(); err != nil {
			return Entry{}, err
		}
	}
	if p.kit != "" {
		k, err := p.applyKit()
		return Entry{Kit: k}, err
	}
	err := p.finish()
	return Entry{Line: &p.line}, err
}

type parser struct {
	u         *unit.Unit
	by        string
	at        string // the section where the bench is at work
	words     []string
	line      schema.PartLine
	specs     []spec // value/rating, in order
	sawAction bool
	wasOld    bool   // the next value is of the old part
	arrow     bool   // an arrow stood before the new part
	like      bool   // the new part is as the model has it
	kit       string // name, or name/revision
	except    string // references left out
}

// spec is a component given by value and rating.
type spec struct {
	value, rating schema.Quantity
	afterAction   bool
	old           bool // was said before it
}

// section takes the longest run of first words that names sections of the
// unit.
func (p *parser) section() {
	names := make([]string, len(p.u.Sections))
	for i, s := range p.u.Sections {
		names[i] = s.Name
	}
	for n := min(len(p.words), 6); n > 0; n-- {
		for _, text := range sectionForms(strings.TrimRight(strings.Join(p.words[:n], " "), ":,")) {
			l, err := refs.ParseNames(text)
			if err != nil {
				continue
			}
			found, unmatched := l.Select(names)
			if len(found) == 0 || len(unmatched) > 0 {
				continue
			}
			if plain := refs.CompactNames(found); strings.EqualFold(plain, text) || strings.Contains(text, ",") {
				text = plain // as the model writes them
			}
			p.line.Section = schema.Names(text)
			p.words = p.words[n:]
			return
		}
	}
}

// parts takes the references, or a number of a pool.
func (p *parser) parts() error {
	if len(p.words) == 0 {
		return &Error{"the line names no part", "begin with it: C14, C1-C12, key:17, or 12x for a pool"}
	}
	if p.counted() || strings.EqualFold(p.words[0], "same") && p.line.Section != "" {
		return nil
	}
	var text []string
	if strings.HasPrefix(p.words[0], "@") {
		// Free text: up to the first word that means something.
		for len(p.words) > 0 && (len(text) == 0 || !p.known(p.words[0])) {
			text = append(text, p.words[0])
			p.words = p.words[1:]
		}
		p.line.Ref = schema.Refs(strings.TrimSuffix(strings.Join(text, " "), ","))
		return nil
	}
	for len(p.words) > 0 {
		w := strings.TrimRight(p.words[0], ",:;")
		if len(text) > 0 && len(p.words) > 1 && isAnd(w) {
			w = strings.TrimRight(p.words[1], ",:;")
			if _, err := refs.Parse(w); err != nil {
				break
			}
			p.words = p.words[1:]
		}
		if _, err := refs.Parse(w); err != nil || len(text) > 0 && p.known(w) {
			break
		}
		if len(text) > 0 && faultForm.MatchString(w) && len(p.u.Faults) > 0 && !has(p.u, w) {
			ids := make([]string, len(p.u.Faults))
			for i, f := range p.u.Faults {
				ids[i] = f.ID
			}
			return &Error{fmt.Sprintf("%s has neither a part nor a fault %s", p.u.Name, w), "its faults are: " + strings.Join(ids, ", ")}
		}
		text = append(text, w)
		p.words = p.words[1:]
	}
	if len(text) == 0 {
		w := p.words[0]
		names := make([]string, len(p.u.Sections))
		for i, s := range p.u.Sections {
			names[i] = s.Name
		}
		near := schema.Nearest(w, names)
		if near == "" && len(p.words) > 1 {
			near = schema.Nearest(w+" "+p.words[1], names)
		}
		if near != "" {
			return &Error{fmt.Sprintf("%q is neither a part nor a section of %s", w, p.u.Name), fmt.Sprintf("did you mean %q?", near)}
		}
		return &Error{fmt.Sprintf("%q is neither a part nor a section of %s", w, p.u.Name),
			"begin with the section (" + strings.Join(clip(names), ", ") + ") or with the part: C14, C1-C12, key:17, @under IC4; a new section goes into the model's file"}
	}
	p.line.Ref = schema.Refs(strings.Join(text, ", "))
	return nil
}

// known reports whether a word is more than part of a free text.
func (p *parser) known(w string) bool {
	w = strings.ToLower(w)
	for _, l := range vocabularies {
		if slices.Contains(l.words, w) {
			return true
		}
	}
	return w == "kit" || w == "except" || w == "same" || w == "like" || strings.Contains(w, "=") || p.isFault(w) || schema.FamilyName(w).Check() == nil
}

// faultForm is how faults are usually called.
var faultForm = pattern.New(`^[Ff][0-9]{1,3}$`)

// has reports whether any section of the unit has a part of that name.
func has(u *unit.Unit, w string) bool {
	return slices.ContainsFunc(u.Positions, func(q *unit.Position) bool { return strings.EqualFold(string(q.Ref), w) })
}

func (p *parser) isFault(w string) bool {
	return slices.ContainsFunc(p.u.Faults, func(f *unit.Fault) bool { return strings.EqualFold(f.ID, w) })
}

func isAnd(w string) bool { return strings.EqualFold(w, "and") || w == "&" || w == "+" }

// vocabulary is a closed list, and what a word of it says.
type vocabulary struct {
	words []string
	set   func(p *parser, w string)
}

// ofTheParts is the first of the vocabularies that are about the new part or the
// old, and not about what was found or done.
const ofTheParts = 4

// vocabularies are the closed lists a bare word is looked up in, in order.
var vocabularies = []vocabulary{
	{schema.Finding("").Words(), func(p *parser, w string) { p.line.Found = schema.Finding(w) }},
	{schema.Action("").Words(), func(p *parser, w string) { p.line.Action, p.sawAction = schema.Action(w), true }},
	{schema.Mode("").Words(), func(p *parser, w string) { p.line.Mode = append(p.line.Mode, schema.Mode(w)) }},
	{schema.How("").Words(), func(p *parser, w string) { p.line.How = schema.How(w) }},
	{schema.Source("").Words(), func(p *parser, w string) { p.fresh().Source = schema.Source(w) }},
	{schema.OldKept("").Words(), func(p *parser, w string) { p.line.OldKept = schema.OldKept(w) }},
}

func (p *parser) fresh() *schema.Component {
	if p.line.New == nil {
		p.line.New = &schema.Component{}
	}
	return p.line.New
}

// word takes one word of the rest.
func (p *parser) word() error {
	w := p.words[0]
	p.words = p.words[1:]
	if key, value, ok := strings.Cut(w, "="); ok {
		return p.key(key, value)
	}
	w = strings.Trim(w, ",;()")
	bare := strings.ToLower(w)
	switch bare {
	case "", "and", "&", "+", "found", "is", "tested":
		return nil
	case "with", "by":
		p.sawAction, p.wasOld = true, false
		return nil
	case "->":
		p.sawAction, p.wasOld, p.arrow = true, false, true
		return nil
	case "was":
		p.wasOld = true
		return nil
	case "all":
		if p.kit != "" {
			return nil
		}
	}
	for _, l := range vocabularies {
		if !slices.Contains(l.words, bare) {
			continue
		}
		for _, other := range []string{string(p.line.Found), string(p.line.Action), string(p.line.How)} {
			if other != "" && other != bare && slices.Contains(l.words, other) {
				return &Error{fmt.Sprintf("the line says both %s and %s", other, bare), "keep one; write what happened later on a line of its own"}
			}
		}
		l.set(p, bare)
		return nil
	}
	switch bare {
	case "kit":
		if len(p.words) == 0 {
			return &Error{"which kit?", "write kit and its name: " + strings.Join(p.kits(), ", ")}
		}
		p.kit, p.words = p.words[0], p.words[1:]
		return nil
	case "like":
		p.like, p.sawAction = true, true
		return nil
	case "except":
		return p.exceptions()
	case "same":
		return p.same()
	case "about", "ca", "ca.", "circa", "c.", "dated", "from":
		if len(p.words) > 0 && yearForm.MatchString(strings.Trim(p.words[0], ",;()")) {
			p.old().DateCode = strings.Trim(p.words[0], ",;()")
			if bare != "dated" && bare != "from" {
				p.old().DateCode += "~"
			}
			p.words = p.words[1:]
			return nil
		}
	}
	if yearForm.MatchString(bare) {
		p.old().DateCode = bare
		return nil
	}
	if p.isFault(bare) {
		p.line.Fault = append(p.line.Fault, strings.ToUpper(bare))
		return nil
	}
	if f := schema.FamilyName(bare); f.Check() == nil {
		p.line.Family = f
		return nil
	}
	if s, ok := p.bareSpec(bare); ok {
		s.afterAction, s.old = p.sawAction && !p.wasOld, p.wasOld
		p.specs = append(p.specs, s)
		return nil
	}
	if s, ok := readSpec(w); ok {
		s.afterAction, s.old = p.sawAction && !p.wasOld, p.wasOld
		// "10 uF" typed with a blank
		p.specs = append(p.specs, s)
		return nil
	}
	if len(p.words) > 0 {
		if s, ok := readSpec(w + " " + strings.Trim(p.words[0], ",;")); ok {
			p.words = p.words[1:]
			s.afterAction, s.old = p.sawAction && !p.wasOld, p.wasOld
			p.specs = append(p.specs, s)
			return nil
		}
	}
	if p.byType(w) {
		p.fresh().Type = w
		return nil
	}
	if number.MatchString(bare) {
		return &Error{fmt.Sprintf("%q has no unit", w), "write it with one, such as 470uF, or as value/rating in the model's units: 470/35"}
	}
	if several := shortFor(bare); len(several) > 1 {
		return &Error{fmt.Sprintf("%q could be %s", w, strings.Join(several, " or ")), "type one more letter, or the whole word"}
	}
	var all []string
	for _, l := range vocabularies {
		all = append(all, l.words...)
	}
	remedy := "a finding, a mode, an action, a value/rating such as 10uF/35V, or key=value such as type=AX-12 or note=\"...\""
	if near := schema.Nearest(bare, all); near != "" {
		remedy = fmt.Sprintf("did you mean %q?", near)
	}
	return &Error{fmt.Sprintf("%q is not understood", w), remedy}
}

// typeForm is how types of semiconductors and the like are written: letters and
// figures.
var typeForm = pattern.New(`^[A-Z0-9][A-Z0-9./-]*$`)

// byType reports whether a word after the action may be the type of the new part:
// of parts the model gives no value, which go by their type.
func (p *parser) byType(w string) bool {
	if !p.sawAction || p.wasOld || !typeForm.MatchString(w) || !strings.ContainsAny(w, "0123456789") || !strings.ContainsAny(w, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") ||
		p.line.New != nil && p.line.New.Type != "" || has(p.u, w) || faultForm.MatchString(w) {
		return false
	}
	in := p.positions()
	return len(in) > 0 && !slices.ContainsFunc(in, func(q *unit.Position) bool { return q.Value != "" })
}

// readSpec reads value/rating, a value alone, or a rating alone.
func readSpec(w string) (spec, bool) {
	a, b, two := strings.Cut(w, "/")
	q, err := quantity.Parse(a)
	if err != nil || q.Value.Sign() < 0 {
		return spec{}, false
	}
	if two {
		if r, err := quantity.Parse(b); err != nil || r.Value.Sign() < 0 {
			return spec{}, false
		}
		return spec{value: schema.Quantity(a), rating: schema.Quantity(b)}, true
	}
	if isRating(q) {
		return spec{rating: schema.Quantity(a)}, true
	}
	return spec{value: schema.Quantity(a)}, true
}

// isRating reports whether a quantity alone is a rating: a voltage, a power or
// a current.
func isRating(q quantity.Quantity) bool {
	for _, unit := range []string{"1 V", "1 W", "1 A", "1 VAC", "1 VDC"} {
		if u, err := quantity.Parse(unit); err == nil && u.Compatible(q) {
			return true
		}
	}
	return false
}

// key takes key=value: a key of the line, or of the new part; old.key for the
// old part.
func (p *parser) key(key, value string) error {
	target, k := reflect.ValueOf(&p.line).Elem(), wholeKey(strings.ToLower(key))
	fields := schema.FieldsOf(p.line)
	if part, rest, ok := strings.Cut(k, "."); ok && (part == "old" || part == "new") {
		c := &p.line.Old
		if part == "new" {
			c = &p.line.New
		}
		if *c == nil {
			*c = &schema.Component{}
		}
		target, k, fields = reflect.ValueOf(*c).Elem(), rest, schema.FieldsOf(schema.Component{})
	} else if !slices.ContainsFunc(fields, func(f schema.Field) bool { return f.Key == k }) {
		if k == "measured" && !p.sawAction {
			target, fields = reflect.ValueOf(p.old()).Elem(), schema.FieldsOf(schema.Component{})
		} else if fresh := schema.FieldsOf(schema.Component{}); slices.ContainsFunc(fresh, func(f schema.Field) bool { return f.Key == k }) {
			target, fields = reflect.ValueOf(p.fresh()).Elem(), fresh
		}
	}
	for _, f := range fields {
		if f.Key != k || f.Tables() {
			continue
		}
		v := target.FieldByIndex(f.Index)
		switch {
		case f.Type == reflect.TypeFor[schema.Date]():
			d, err := schema.ParseDate(value)
			if err != nil {
				return &Error{fmt.Sprintf("%s=%s is not a date", key, value), "write it like 2031-03-04"}
			}
			v.Set(reflect.ValueOf(d))
		case v.Kind() == reflect.Slice:
			for _, w := range strings.Split(value, ",") {
				e := reflect.New(v.Type().Elem()).Elem()
				e.SetString(strings.TrimSpace(w))
				v.Set(reflect.Append(v, e))
			}
		case v.Kind() == reflect.Int:
			n, err := strconv.Atoi(value)
			if err != nil {
				return &Error{fmt.Sprintf("%s=%s is not a whole number", key, value), ""}
			}
			v.SetInt(int64(n))
		default:
			v.SetString(value)
		}
		return nil
	}
	keys := allKeys()
	remedy := "the keys are: " + strings.Join(keys, ", ")
	if near := schema.Nearest(k, keys); near != "" {
		remedy = "did you mean " + near + "=?"
	}
	return &Error{fmt.Sprintf("there is no key %q", key), remedy}
}

// allKeys are the keys of a line, and of the new part.
func allKeys() []string {
	var keys []string
	for _, f := range append(schema.FieldsOf(schema.PartLine{}), schema.FieldsOf(schema.Component{})...) {
		if !f.Tables() && !slices.Contains(keys, f.Key) {
			keys = append(keys, f.Key)
		}
	}
	return keys
}

// wholeKey is the one key that begins with what is typed of it.
func wholeKey(typed string) string {
	if len(typed) < shortest {
		return typed
	}
	var found []string
	for _, k := range allKeys() {
		if k == typed {
			return k
		}
		if strings.HasPrefix(k, typed) {
			found = append(found, k)
		}
	}
	if len(found) != 1 {
		return typed
	}
	return found[0]
}

var (
	number   = pattern.New(`^[0-9]+(?:[.,][0-9]+)?$`)
	yearForm = pattern.New(`^(1[89]|20)[0-9]{2}$`)
	// bareForm is value/rating without units: 22/25.
	bareForm = pattern.New(`^([0-9]+(?:[.,][0-9]+)?)/([0-9]+(?:[.,][0-9]+)?)$`)
)

func (p *parser) old() *schema.Component {
	if p.line.Old == nil {
		p.line.Old = &schema.Component{}
	}
	return p.line.Old
}

// bareSpec reads 22/25 in the units the model has for the part.
func (p *parser) bareSpec(w string) (spec, bool) {
	m := bareForm.FindStringSubmatch(w)
	if m == nil {
		return spec{}, false
	}
	for _, q := range p.positions() {
		v, ok := unitOf(q.Value)
		r, ok2 := unitOf(q.Rating)
		if ok && ok2 {
			return spec{value: schema.Quantity(m[1] + " " + v), rating: schema.Quantity(m[2] + " " + r)}, true
		}
	}
	return spec{}, false
}

// unitOf is the unit a quantity is written with.
func unitOf(q schema.Quantity) (string, bool) {
	v, ok := q.Parse()
	if !ok {
		return "", false
	}
	for _, text := range []string{string(q), v.Canonical()} { // 2u2 has its unit only in the canonical form
		u := strings.TrimSpace(text[strings.LastIndexAny(text, "0123456789.,")+1:])
		if _, err := quantity.ParseUnit(u); err == nil {
			return u, true
		}
	}
	return "", false
}

// exceptions takes the references after except.
func (p *parser) exceptions() error {
	var text []string
	for len(p.words) > 0 {
		w := strings.Trim(p.words[0], ",")
		if len(text) > 0 && len(p.words) > 1 && isAnd(w) {
			p.words = p.words[1:]
			continue
		}
		if _, err := refs.Parse(w); err != nil || p.known(w) {
			break
		}
		text = append(text, w)
		p.words = p.words[1:]
	}
	if text == nil {
		return &Error{"except what?", "name the parts after it: except C14, C20"}
	}
	p.except = strings.Join(text, ", ")
	return nil
}

// same copies what the unit's last line says to the parts named now.
func (p *parser) same() error {
	if len(p.words) > 1 && strings.EqualFold(p.words[0], "as") {
		l, err := p.lineOf(strings.Trim(p.words[1], ",;"))
		if err != nil {
			return err
		}
		l.Section, l.Ref, l.Count, l.Date = p.line.Section, p.line.Ref, p.line.Count, p.line.Date
		if len(p.positions()) > 0 {
			l.Family = "" // the position's own
		}
		p.line, p.words, p.sawAction = *l, p.words[2:], true
		return nil
	}
	p.here()
	for i := len(p.u.Files) - 1; i >= 0; i-- {
		r, ok := p.u.Files[i].Record.(*schema.Parts)
		if !ok || len(r.Lines) == 0 || r.Withdrawn || p.by != "" && r.By != p.by {
			continue
		}
		last := r.Lines[len(r.Lines)-1]
		if p.line.Ref == "" && p.line.Count == 0 { // the same parts in another section
			p.line.Ref, p.line.Count = last.Ref, last.Count
		}
		last.Section, last.Ref, last.Count, last.Date = p.line.Section, p.line.Ref, p.line.Count, p.line.Date
		if last.Section == "" {
			last.Section = r.Lines[len(r.Lines)-1].Section
			if len((&parser{u: p.u, line: last}).positions()) == 0 {
				last.Section = ""
			}
		}
		p.line = last
		p.sawAction = true
		return nil
	}
	return &Error{"same as what? This unit has no part line yet", "write the line in full once; the next can be the same"}
}

// here takes the section where the bench is at work, where none is named and it has
// parts of that name.
func (p *parser) here() {
	if p.at == "" || p.line.Section != "" {
		return
	}
	p.line.Section = schema.Names(p.at)
	if len(p.positions()) == 0 {
		p.line.Section = ""
	}
}

// kits names the model's kits.
func (p *parser) kits() []string {
	var out []string
	for _, k := range p.u.Model.Kits {
		out = append(out, strings.TrimSuffix(k.Name+"/"+k.Revision, "/"))
	}
	return out
}

// applyKit turns a line that names a kit into the kit applied.
func (p *parser) applyKit() (*schema.ApplyKit, error) {
	l := p.line
	k := &schema.ApplyKit{Section: l.Section, Ref: l.Ref, Except: schema.Refs(p.except), Found: l.Found, How: l.How, OldKept: l.OldKept}
	k.Kit, k.Revision, _ = strings.Cut(p.kit, "/")
	var revisions []string
	for _, x := range p.u.Model.Kits {
		if x.Name == k.Kit {
			revisions = append(revisions, x.Revision)
		}
	}
	switch {
	case revisions == nil:
		remedy := "its kits are: " + strings.Join(p.kits(), ", ")
		if len(p.kits()) == 0 {
			remedy = "add a [[kit]] to the model"
		}
		return nil, &Error{fmt.Sprintf("the model has no kit %q", k.Kit), remedy}
	case k.Revision == "" && len(revisions) > 1:
		return nil, &Error{fmt.Sprintf("the model has kit %q in several revisions", k.Kit), "write one of: " + strings.Join(p.kits(), ", ")}
	case k.Revision == "":
		k.Revision = revisions[0]
	case !slices.Contains(revisions, k.Revision):
		return nil, &Error{fmt.Sprintf("the model has no revision %q of kit %q", k.Revision, k.Kit), "its kits are: " + strings.Join(p.kits(), ", ")}
	}
	if l.New != nil || p.like {
		rest := *p.fresh()
		k.Lot, rest.Lot = rest.Lot, ""
		if rest != (schema.Component{}) || p.like {
			return nil, &Error{"the kit says what goes in", "leave value, rating and source out, or write the part on a line of its own"}
		}
	}
	if l.Action != "" && l.Action != schema.Replaced {
		return nil, &Error{fmt.Sprintf("a kit is fitted, not %s", l.Action), "leave the action out"}
	}
	if len(l.Mode)+len(l.Fault) > 0 || l.CausedBy != "" || l.Old != nil || l.Note != "" || len(p.specs) > 0 || l.Count > 0 {
		return nil, &Error{"modes, faults, values and notes belong to single parts", "write those parts on lines of their own: they win over the kit"}
	}
	return k, nil
}

// leaveOut takes the exceptions out of the parts named.
func (p *parser) leaveOut() error {
	if p.except == "" {
		return nil
	}
	list, err := refs.Parse(string(p.line.Ref))
	if err != nil {
		return &Error{"except what, of what?", "name the parts before it: C1-C40 except C14"}
	}
	except, err := refs.Parse(p.except)
	if err != nil {
		return &Error{p.except + " names no parts", err.Error()}
	}
	var have []refs.Ref
	for _, q := range p.positions() {
		if !slices.Contains(have, q.Ref) {
			have = append(have, q.Ref)
		}
	}
	if len(have) == 0 {
		have = list.Enumerate()
	}
	out, unmatched := except.Select(have)
	if len(unmatched) > 0 {
		return &Error{fmt.Sprintf("%s is not among %s", strings.Join(unmatched, ", "), p.line.Ref), "except takes parts of those named before it"}
	}
	have = slices.DeleteFunc(have, func(r refs.Ref) bool { return slices.Contains(out, r) })
	if len(have) == 0 {
		return &Error{"nothing is left of " + string(p.line.Ref), ""}
	}
	p.line.Ref = schema.Refs(refs.Compact(have))
	return nil
}

// finish places the values and finds the section where none was named.
func (p *parser) finish() error {
	l := &p.line
	if err := p.leaveOut(); err != nil {
		return err
	}
	if (p.arrow || p.like) && l.Action == "" {
		l.Action = schema.Replaced
	}
	goesIn := l.Action == schema.Replaced || l.Action == schema.Fitted
	// A rating alone belongs to the value before it: 10uF 35V is one part.
	var specs []spec
	for _, s := range p.specs {
		if n := len(specs); n > 0 && s.value == "" && specs[n-1].rating == "" && s.afterAction == specs[n-1].afterAction {
			specs[n-1].rating = s.rating
			continue
		}
		specs = append(specs, s)
	}
	for i, s := range specs {
		c := &l.Old
		if s.afterAction || goesIn && i == len(specs)-1 && !s.old {
			c = &l.New
		}
		if *c == nil {
			*c = &schema.Component{}
		}
		for _, x := range []struct {
			to   *schema.Quantity
			from schema.Quantity
			what string
		}{{&(*c).Value, s.value, "values"}, {&(*c).Rating, s.rating, "ratings"}} {
			if x.from == "" {
				continue
			}
			if *x.to != "" && *x.to != x.from {
				return &Error{fmt.Sprintf("the line names two %s, %s and %s", x.what, *x.to, x.from), "keep one; what sat there goes before the action: 470uF/25V replaced 470uF/35V"}
			}
			*x.to = x.from
		}
	}
	if l.Section == "" {
		if err := p.guessSection(); err != nil {
			return err
		}
	}
	if says := *l; says.Found == "" && says.Action == "" && len(says.Mode)+len(says.Fault) == 0 && says.New == nil && says.Old == nil &&
		says.Note == "" && says.How == "" && says.CausedBy == "" {
		return &Error{"the line says nothing about " + what(*l), "write how it was found and what was done: failed short replaced 470uF/35V"}
	}
	if p.like {
		if err := p.likeForLike(); err != nil {
			return err
		}
	}
	// A rating alone goes with the model's value.
	if l.New != nil && l.New.Value == "" && l.New.Rating != "" {
		l.New.Value = p.modelValue()
	}
	p.waiting()
	if len(l.Mode) > 0 && l.Found == "" {
		l.Found = schema.Failed // nobody names a mode for a good part
		if slices.Equal(l.Mode, schema.Modes{"out-of-adjustment"}) || slices.Equal(l.Mode, schema.Modes{"wear"}) {
			l.Found = schema.Degraded
		}
	}
	return nil
}

// likeForLike puts in what the model says sits there.
func (p *parser) likeForLike() error {
	l := &p.line
	if l.Action != schema.Replaced && l.Action != schema.Fitted {
		return &Error{"like says what was fitted, but nothing was", "leave one out: like, or " + string(l.Action)}
	}
	in := p.positions()
	if len(in) == 0 || in[0].Value == "" && in[0].Type == "" {
		return &Error{"like what? The model does not say what is at " + what(*l), "write its value/rating, or type=AX-12"}
	}
	for _, q := range in[1:] {
		if q.Value != in[0].Value || q.Rating != in[0].Rating || q.Type != in[0].Type {
			return &Error{fmt.Sprintf("the model has different parts at %s: %s, and %s", l.Ref, specified(in[0]), specified(q)),
				"write a line for each kind of part"}
		}
	}
	c := p.fresh()
	if c.Value != "" || c.Type != "" {
		return &Error{"like says what was fitted, and so does " + component(c), "keep one"}
	}
	c.Value, c.Type = in[0].Value, in[0].Type
	if c.Rating == "" {
		c.Rating = in[0].Rating
	}
	return nil
}

// specified is what the model says of a part.
func specified(q *unit.Position) string {
	if c := (schema.Component{Value: q.Value, Rating: q.Rating, Type: q.Type}); c != (schema.Component{}) {
		return component(&c)
	}
	return "nothing"
}

// waiting takes finding and modes from this job's lines that let these parts wait:
// what was found was said then.
func (p *parser) waiting() {
	l := &p.line
	if l.Found != "" || len(l.Mode) > 0 || l.Action == "" || l.Action == schema.Pending || l.Count > 0 {
		return
	}
	job := p.u.OpenJob()
	var first *unit.Event
	for _, q := range p.positions() {
		o := q.Current()
		if o == nil || len(o.Events) == 0 {
			return
		}
		e := o.Events[len(o.Events)-1]
		if e.Job != job || e.Line.Action != schema.Pending && e.Line.Action != schema.Left ||
			first != nil && (e.Line.Found != first.Line.Found || !slices.Equal(e.Line.Mode, first.Line.Mode)) {
			return
		}
		first = e
	}
	if first != nil {
		l.Found, l.Mode = first.Line.Found, slices.Clone(first.Line.Mode)
	}
}

// positions are those the line names, of the section if it has one.
func (p *parser) positions() []*unit.Position {
	list, err := refs.Parse(string(p.line.Ref))
	if err != nil {
		return nil
	}
	sections := map[string]bool{}
	if names, err := refs.ParseNames(string(p.line.Section)); err == nil {
		for _, n := range names.Enumerate() {
			sections[n] = true
		}
	}
	var out []*unit.Position
	for _, q := range p.u.Positions {
		if len(sections) > 0 && !sections[q.Section] {
			continue
		}
		if found, _ := list.Select([]refs.Ref{q.Ref}); len(found) > 0 {
			out = append(out, q)
		}
	}
	return out
}

func (p *parser) modelValue() schema.Quantity {
	var v schema.Quantity
	for i, q := range p.positions() {
		if i > 0 && q.Value != v {
			return ""
		}
		v = q.Value
	}
	return v
}

func (p *parser) guessSection() error {
	var in []string
	for _, q := range p.u.Pools {
		if p.line.Count > 0 && q.Family == p.line.Family && !slices.Contains(in, q.Section) {
			in = append(in, q.Section)
		}
	}
	for _, q := range p.positions() {
		if !slices.Contains(in, q.Section) {
			in = append(in, q.Section)
		}
	}
	if slices.Contains(in, p.at) {
		in = []string{p.at}
	}
	switch len(in) {
	case 1:
		p.line.Section = schema.Names(in[0])
		return nil
	case 0:
		var within []string
		for _, q := range p.u.Positions {
			if of, _, ok := strings.Cut(string(q.Ref), "/"); ok && strings.EqualFold(of, string(p.line.Ref)) {
				within = append(within, string(q.Ref))
			}
		}
		if within != nil {
			return &Error{fmt.Sprintf("%s is made up of several parts", p.line.Ref), "write one of them, or several: " + strings.Join(clip(within), ", ")}
		}
		if p.at != "" && p.line.Family != "" { // a part the model does not have, and what it is
			p.line.Section = schema.Names(p.at)
			return nil
		}
		var names []string
		for _, s := range p.u.Sections {
			names = append(names, s.Name)
		}
		return &Error{fmt.Sprintf("no section of %s is known to have %s", p.u.Name, what(p.line)),
			"begin with the section: " + strings.Join(clip(names), ", ")}
	}
	return &Error{fmt.Sprintf("%s could be in any of %d sections", what(p.line), len(in)),
		"begin with the section: " + strings.Join(clip(in), ", ")}
}

func what(l schema.PartLine) string {
	if l.Count > 0 {
		return "that pool"
	}
	return string(l.Ref)
}

func clip(names []string) []string {
	if len(names) > 14 {
		return append(slices.Clone(names[:14]), "...")
	}
	return names
}

// Echo tells in one line how an entry was understood.
func (e Entry) Echo() string {
	if e.Kit != nil {
		return echoKit(*e.Kit)
	}
	return Echo(*e.Line)
}

func echoKit(k schema.ApplyKit) string {
	s := strings.TrimSuffix("kit "+k.Kit+" "+k.Revision, " ")
	for _, f := range []struct{ lead, text string }{{" in ", string(k.Section)}, {", only ", string(k.Ref)}, {", except ", string(k.Except)},
		{"; found ", string(k.Found)}, {" (", string(k.How)}, {"; lot ", k.Lot}, {"; old parts ", string(k.OldKept)}} {
		if f.text != "" {
			s += f.lead + f.text
			if f.lead == " (" {
				s += ")"
			}
		}
	}
	return s
}

// Echo tells a part line in one line.
func Echo(l schema.PartLine) string {
	var b strings.Builder
	b.WriteString(string(l.Section))
	if l.Count > 0 {
		fmt.Fprintf(&b, ": %d of %s", l.Count, l.Family)
	} else {
		b.WriteString(" " + string(l.Ref))
		if l.Family != "" {
			fmt.Fprintf(&b, " (%s)", l.Family)
		}
		b.WriteByte(':')
	}
	var parts []string
	found := string(l.Found)
	for i, m := range l.Mode {
		sep := ", "
		if i == 0 {
			sep = " "
		}
		found += sep + string(m)
	}
	if l.How != "" {
		found += " (" + string(l.How) + ")"
	}
	if found != "" {
		parts = append(parts, "found "+found)
	}
	if l.CausedBy != "" {
		parts = append(parts, "because of "+string(l.CausedBy))
	}
	action := string(l.Action)
	if l.New != nil {
		if n := component(l.New); n != "" && l.Action == schema.Replaced {
			action += " by " + n
		} else if n != "" {
			action += " " + n
		}
	}
	if l.Old != nil {
		if o := component(l.Old); o != "" {
			parts = append(parts, "was "+o)
		}
	}
	if action != "" {
		parts = append(parts, action)
	}
	if len(l.Fault) > 0 {
		parts = append(parts, "cures "+strings.Join(l.Fault, ", "))
	}
	if l.OldKept != "" {
		parts = append(parts, "old part "+string(l.OldKept))
	}
	if l.Note != "" {
		parts = append(parts, fmt.Sprintf("note %q", l.Note))
	}
	return strings.TrimSpace(b.String() + " " + strings.Join(parts, "; "))
}

func component(c *schema.Component) string {
	var parts []string
	for _, s := range []string{string(c.Family), string(c.Value), string(c.Rating), c.Type, c.Maker, c.PartNumber} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if c.Source != "" && c.Source != schema.SourceNew {
		parts = append(parts, string(c.Source))
	}
	if c.Lot != "" {
		parts = append(parts, "lot "+c.Lot)
	}
	if c.Measured != "" {
		parts = append(parts, "measured "+string(c.Measured))
	}
	if c.DateCode != "" {
		parts = append(parts, "dated "+c.DateCode)
	}
	return strings.Join(parts, " ")
}
