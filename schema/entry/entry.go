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
	"regexp"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
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
var countForm = regexp.MustCompile(`^([0-9]{1,5})[x×]$`)

// Parse turns the words of a line into a part line for the unit. Words may
// come in any order after the part; quoting by a shell is undone already, so a
// word may hold blanks.
func Parse(words []string, u *unit.Unit) (schema.PartLine, error) {
	p := &parser{u: u, words: split(words)}
	p.section()
	if err := p.parts(); err != nil {
		return p.line, err
	}
	for len(p.words) > 0 {
		if err := p.word(); err != nil {
			return p.line, err
		}
	}
	return p.line, p.finish()
}

type parser struct {
	u         *unit.Unit
	words     []string
	line      schema.PartLine
	specs     []spec // value/rating, in order
	sawAction bool
}

// spec is a component given by value and rating.
type spec struct {
	value, rating schema.Quantity
	afterAction   bool
}

// Blanks people type inside what is one word: 10 uF, 10uF / 35V, C1 - C4.
var (
	unitBlank  = regexp.MustCompile(`([0-9]) +([pnuµmkM]?(?:F|V|Ohm|Ω|H|W|A)\b)`)
	slashBlank = regexp.MustCompile(` +/ +`)
	rangeBlank = regexp.MustCompile(`([0-9A-Za-z]) +[-–] +([0-9A-Za-z])`)
)

// split takes words apart at blanks, except those that hold key=value, and
// closes up what belongs together.
func split(words []string) []string {
	var out, run []string
	flush := func() {
		text := unitBlank.ReplaceAllString(strings.Join(run, " "), "$1$2")
		text = rangeBlank.ReplaceAllString(slashBlank.ReplaceAllString(text, "/"), "$1-$2")
		out = append(out, strings.Fields(text)...)
		run = nil
	}
	for _, w := range words {
		if key, _, ok := strings.Cut(w, "="); ok && !strings.ContainsAny(key, " \t") {
			flush()
			out = append(out, w)
			continue
		}
		run = append(run, w)
	}
	flush()
	return out
}

// section takes the longest run of first words that names sections of the
// unit.
func (p *parser) section() {
	names := make([]string, len(p.u.Sections))
	for i, s := range p.u.Sections {
		names[i] = s.Name
	}
	for n := min(len(p.words), 6); n > 0; n-- {
		text := strings.TrimSuffix(strings.Join(p.words[:n], " "), ":")
		l, err := refs.ParseNames(text)
		if err != nil {
			continue
		}
		if found, unmatched := l.Select(names); len(found) > 0 && len(unmatched) == 0 {
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
	if m := countForm.FindStringSubmatch(p.words[0]); m != nil {
		p.line.Count, _ = strconv.Atoi(m[1])
		p.words = p.words[1:]
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
		w := p.words[0]
		if _, err := refs.Parse(strings.Trim(w, ",")); err != nil || len(text) > 0 && p.known(w) {
			break
		}
		if len(text) > 0 && faultForm.MatchString(w) && len(p.u.Faults) > 0 && !p.has(w) {
			ids := make([]string, len(p.u.Faults))
			for i, f := range p.u.Faults {
				ids[i] = f.ID
			}
			return &Error{fmt.Sprintf("%s has neither a part nor a fault %s", p.u.Name, w), "its faults are: " + strings.Join(ids, ", ")}
		}
		text = append(text, strings.Trim(w, ","))
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
			"begin with the section (" + strings.Join(clip(names), ", ") + ") or with the part: C14, C1-C12, key:17, @under IC4"}
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
	return strings.Contains(w, "=") || p.isFault(w) || schema.FamilyName(w).Check() == nil
}

// faultForm is how faults are usually called.
var faultForm = regexp.MustCompile(`^[Ff][0-9]{1,3}$`)

// has reports whether any section of the unit has a part of that name.
func (p *parser) has(w string) bool {
	return slices.ContainsFunc(p.u.Positions, func(q *unit.Position) bool { return strings.EqualFold(string(q.Ref), w) })
}

func (p *parser) isFault(w string) bool {
	return slices.ContainsFunc(p.u.Faults, func(f *unit.Fault) bool { return strings.EqualFold(f.ID, w) })
}

// vocabularies are the closed lists a bare word is looked up in, in order.
var vocabularies = []struct {
	words []string
	set   func(p *parser, w string)
}{
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
	bare := strings.ToLower(strings.Trim(w, ",;"))
	if bare == "" || bare == "->" || bare == "with" || bare == "by" || bare == "and" {
		return nil
	}
	for _, l := range vocabularies {
		if !slices.Contains(l.words, bare) {
			continue
		}
		for _, other := range []string{string(p.line.Found), string(p.line.Action), string(p.line.How)} {
			if other != "" && other != bare && slices.Contains(l.words, other) {
				return &Error{fmt.Sprintf("the line says both %s and %s", other, bare), "keep one; what happened later is a line of its own"}
			}
		}
		l.set(p, bare)
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
	if s, ok := readSpec(strings.Trim(w, ",;")); ok {
		s.afterAction = p.sawAction
		// "10 uF" typed with a blank
		p.specs = append(p.specs, s)
		return nil
	}
	if len(p.words) > 0 {
		if s, ok := readSpec(w + " " + strings.Trim(p.words[0], ",;")); ok {
			p.words = p.words[1:]
			s.afterAction = p.sawAction
			p.specs = append(p.specs, s)
			return nil
		}
	}
	var all []string
	for _, l := range vocabularies {
		all = append(all, l.words...)
	}
	remedy := "a finding, a mode, an action, a value/rating such as 10uF/35V, or key=value such as note=\"...\""
	if near := schema.Nearest(bare, all); near != "" {
		remedy = fmt.Sprintf("did you mean %q?", near)
	}
	return &Error{fmt.Sprintf("%q is not understood", w), remedy}
}

// readSpec reads value/rating, a value alone, or a rating alone.
func readSpec(w string) (spec, bool) {
	a, b, two := strings.Cut(w, "/")
	q, err := quantity.Parse(a)
	if err != nil {
		return spec{}, false
	}
	if two {
		if _, err := quantity.Parse(b); err != nil {
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
	target, k := reflect.ValueOf(&p.line).Elem(), strings.ToLower(key)
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
		if fresh := schema.FieldsOf(schema.Component{}); slices.ContainsFunc(fresh, func(f schema.Field) bool { return f.Key == k }) {
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
	var keys []string
	for _, f := range append(schema.FieldsOf(schema.PartLine{}), schema.FieldsOf(schema.Component{})...) {
		if !f.Tables() {
			keys = append(keys, f.Key)
		}
	}
	remedy := "the keys are: " + strings.Join(keys, ", ")
	if near := schema.Nearest(k, keys); near != "" {
		remedy = "did you mean " + near + "=?"
	}
	return &Error{fmt.Sprintf("there is no key %q", key), remedy}
}

// finish places the values and finds the section where none was named.
func (p *parser) finish() error {
	l := &p.line
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
		if s.afterAction || goesIn && i == len(specs)-1 {
			c = &l.New
		}
		if *c == nil {
			*c = &schema.Component{}
		}
		if s.value != "" {
			(*c).Value = s.value
		}
		if s.rating != "" {
			(*c).Rating = s.rating
		}
	}
	if l.Section == "" {
		if err := p.guessSection(); err != nil {
			return err
		}
	}
	// A rating alone replaces like for like.
	if l.New != nil && l.New.Value == "" && l.New.Rating != "" {
		l.New.Value = p.modelValue()
	}
	if len(l.Mode) > 0 && l.Found == "" {
		l.Found = schema.Failed // nobody names a mode for a good part
		if slices.Equal(l.Mode, schema.Modes{"out-of-adjustment"}) || slices.Equal(l.Mode, schema.Modes{"wear"}) {
			l.Found = schema.Degraded
		}
	}
	return nil
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
	switch len(in) {
	case 1:
		p.line.Section = schema.Names(in[0])
		return nil
	case 0:
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

// Echo tells in one line how a line was understood.
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
	return strings.Join(parts, " ")
}
