package entry

import (
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/refs"
)

// Choice is a word that could come next in a line, and what it stands for.
type Choice struct{ Word, About string }

// Stock is what choices are offered from, beside the unit's own.
type Stock struct {
	Lots     map[string]*schema.Lot // by name
	Families schema.FamilyList
}

// fewRefs is how many references are offered at once; where there are more,
// their beginnings are.
const fewRefs = 120

// Complete offers the words that could come next after words, where typed is
// what is typed of the next one already. open says that the choices are
// beginnings, behind which no blank belongs.
func Complete(words []string, typed string, at Context, s Stock) (choices []Choice, open bool) {
	p := &parser{u: at.Unit, words: split(words, at.Unit), at: at.Section}
	c := &completer{p: p, s: s, typed: typed}
	p.section()
	switch {
	case len(p.words) == 0:
		c.sections(words)
		if len(words) == 0 {
			p.line.Section = schema.Names(p.at)
		}
		if p.line.Section == "" {
			c.kitWord()
			c.refs("")
			break
		}
		c.refs("")
		if !c.open {
			c.kitWord()
		}
	case strings.EqualFold(p.words[0], "kit"):
		if len(p.words) == 1 {
			c.kits()
			break
		}
		p.kit = p.words[1]
		c.rest(p.words[2:])
	case p.line.Section == "" && c.sections(words):
		// The words so far begin the name of a section.
	default:
		if p.parts() != nil {
			break
		}
		p.here()
		left := p.words
		if len(left) == 0 && p.line.Count == 0 && p.line.Ref != "" && !strings.HasPrefix(string(p.line.Ref), "@") {
			c.word("except", "all but these")
		}
		c.rest(left)
	}
	return c.choices, c.open
}

type completer struct {
	p       *parser
	s       Stock
	typed   string
	choices []Choice
	open    bool
}

func (c *completer) word(w, about string) {
	if len(w) >= len(c.typed) && strings.EqualFold(w[:len(c.typed)], c.typed) && !slices.ContainsFunc(c.choices, func(x Choice) bool { return x.Word == w }) {
		c.choices = append(c.choices, Choice{w, about})
	}
}

// sections offers the next word of the names that begin with the words so far,
// and reports whether there is one.
func (c *completer) sections(words []string) bool {
	before := strings.ToLower(strings.Join(words, " "))
	if before != "" {
		before += " "
	}
	any := false
	for _, s := range c.p.u.Sections {
		if rest := strings.TrimPrefix(strings.ToLower(s.Name), before); rest != strings.ToLower(s.Name) || before == "" {
			next, _, _ := strings.Cut(rest, " ")
			any = true
			about := "section"
			if next == rest && s.Board != "" {
				about += ", board " + s.Board
			}
			c.word(next, about)
		}
	}
	return any
}

func (c *completer) kitWord() {
	if len(c.p.u.Model.Kits) > 0 {
		c.word("kit", "what a kit has")
	}
}

func (c *completer) kits() {
	for _, k := range c.p.u.Model.Kits {
		c.word(path.Clean(k.Name+"/"+k.Revision), k.Title)
	}
}

// refs offers the parts of the sections that were named, or those whose name
// only one section has. Where they are too many, their beginnings are offered,
// up to and with the letters before the first number.
func (c *completer) refs(after string) {
	var sections []string
	if l, err := refs.ParseNames(string(c.p.line.Section)); err == nil && c.p.line.Section != "" {
		sections = l.Enumerate()
	}
	in := func(s string) bool {
		return sections == nil || slices.ContainsFunc(sections, func(x string) bool { return strings.EqualFold(x, s) })
	}
	if l, err := refs.Parse(string(c.p.line.Ref)); err == nil && after != "" && c.p.line.Ref != "" {
		for _, r := range l.Enumerate() { // of a range, some are left out
			c.word(string(r), "")
		}
		return
	}
	at := map[refs.Ref]int{}
	for _, q := range c.p.u.Positions {
		if in(q.Section) {
			at[q.Ref]++
		}
	}
	var found []Choice
	for _, q := range c.p.u.Positions {
		if !in(q.Section) || sections == nil && at[q.Ref] > 1 && after == "" || len(q.Ref) < len(c.typed) || !strings.EqualFold(string(q.Ref)[:len(c.typed)], c.typed) {
			continue
		}
		if slices.ContainsFunc(found, func(x Choice) bool { return x.Word == string(q.Ref) }) {
			continue
		}
		found = append(found, Choice{string(q.Ref), strings.Join(strings.Fields(fmt.Sprintf("%s %s %s %s", q.Section, q.Family, q.Value, q.Rating)), " ")})
	}
	if len(found) <= fewRefs {
		for _, x := range found {
			c.word(x.Word, x.About)
		}
		return
	}
	if len(c.choices) > 0 {
		return // the sections come first
	}
	n := map[string]int{}
	for _, x := range found {
		n[stem(x.Word, len(c.typed))]++
	}
	for _, x := range found {
		s := stem(x.Word, len(c.typed))
		about := fmt.Sprintf("%d parts", n[s])
		if n[s] == 1 {
			s, about = x.Word, x.About
		}
		c.word(s, about)
	}
	c.open = true
}

// stem is a reference up to and with the letters before its next number, and at
// least one letter more than what is typed.
func stem(ref string, typed int) string {
	for i := typed + 1; i < len(ref); i++ {
		if d := ref[i] >= '0' && ref[i] <= '9'; d && (ref[i-1] < '0' || ref[i-1] > '9') {
			return ref[:i]
		}
	}
	return ref
}

// rest offers what may follow the parts: words of lists that have none yet,
// faults, families, lots and keys.
func (c *completer) rest(left []string) {
	p := c.p
	if n := len(left); n > 0 && strings.EqualFold(left[n-1], "except") {
		c.refs("except")
		return
	}
	if n := len(left); n > 0 && strings.EqualFold(left[n-1], "kit") {
		c.kits()
		return
	}
	p.words = left
	for len(p.words) > 0 {
		_ = p.word() // what cannot be read yet does not matter to what may follow
	}
	if key, _, ok := strings.Cut(c.typed, "="); ok {
		c.values(key)
		return
	}
	if p.line.Count > 0 && p.line.Family == "" {
		for _, n := range c.s.Families.Names() {
			c.word(n, c.s.Families.Title(schema.FamilyName(n)))
		}
		return
	}
	for i, l := range vocabularies {
		taken := []bool{p.line.Found != "", p.line.Action != "", false, p.line.How != "", p.line.New != nil && p.line.New.Source != "", p.line.OldKept != ""}[i]
		about := []string{"found", "action", "mode", "how it was found", "source of the new part", "the old part"}[i]
		if taken || i >= 4 && p.line.Action != schema.Replaced && p.line.Action != schema.Fitted && p.line.Action != schema.Removed && p.kit == "" {
			continue
		}
		for _, w := range l.words {
			if i != 2 || !slices.Contains(p.line.Mode, schema.Mode(w)) {
				c.word(w, about)
			}
		}
	}
	for _, f := range p.u.Faults {
		if f.State == schema.FaultOpen && !slices.Contains(p.line.Fault, f.ID) {
			c.word(f.ID, "cures: "+f.Symptom)
		}
	}
	c.word("same", "what the last line said")
	if p.line.New == nil && p.kit == "" {
		c.word("like", "replaced by what the model has there")
	}
	if p.kit == "" && len(p.u.Model.Kits) > 0 {
		c.word("kit", "what a kit has")
	}
	if c.typed == "" {
		return
	}
	if strings.Contains(c.typed, "/") || len(c.choices) == 0 {
		for _, n := range c.s.Families.Names() {
			c.word(n, c.s.Families.Title(schema.FamilyName(n)))
		}
	}
	if len(c.choices) == 0 {
		for _, f := range schema.FieldsOf(schema.PartLine{}) {
			if !f.Tables() && f.Key != "section" && f.Key != "ref" && f.Key != "count" {
				c.word(f.Key+"=", f.Doc)
			}
		}
		c.word("lot=", "the lot of the new part")
		for _, prefix := range []string{"new.", "old."} {
			for _, f := range schema.FieldsOf(schema.Component{}) {
				c.word(prefix+f.Key+"=", f.Doc)
			}
		}
		c.open = len(c.choices) > 0
	}
}

// values offers what a key can hold: lots of the part's family, a closed list,
// or families.
func (c *completer) values(key string) {
	switch key {
	case "lot", "new.lot":
		family := c.family()
		for _, n := range slices.Sorted(maps.Keys(c.s.Lots)) {
			lot := c.s.Lots[n]
			if family != "" && lot.Family.Group() != family.Group() {
				continue
			}
			about := strings.Join(strings.Fields(fmt.Sprintf("%s %s %s", lot.Family, lot.Part.Value, lot.Part.Rating)), " ")
			if k := len(lot.Notices); k > 0 && lot.Notices[k-1].Verdict != schema.LotGood {
				about = strings.ToUpper(string(lot.Notices[k-1].Verdict)) + ": " + about
			}
			c.word(key+"="+n, about)
		}
	case "family", "new.family", "old.family":
		for _, n := range c.s.Families.Names() {
			c.word(key+"="+n, c.s.Families.Title(schema.FamilyName(n)))
		}
	default:
		prefix, last, dotted := strings.Cut(key, ".")
		fields := schema.FieldsOf(schema.PartLine{})
		if dotted && (prefix == "new" || prefix == "old") {
			fields, key = schema.FieldsOf(schema.Component{}), last
		} else {
			prefix = ""
		}
		for _, f := range fields {
			if f.Key != key {
				continue
			}
			words := f.Words()
			if key == "caused_by" {
				words = schema.Causes()
			}
			for _, w := range words {
				c.word(strings.TrimPrefix(prefix+"."+key, ".")+"="+w, "")
			}
		}
	}
}

// family is the family of the first of the parts that were named, "" where it is
// not known.
func (c *completer) family() schema.FamilyName {
	if c.p.line.Family != "" {
		return c.p.line.Family
	}
	l, err := refs.Parse(string(c.p.line.Ref))
	if err != nil {
		return ""
	}
	var sections []string
	if n, err := refs.ParseNames(string(c.p.line.Section)); err == nil && c.p.line.Section != "" {
		sections = n.Enumerate()
	}
	for _, q := range c.p.u.Positions {
		if sections != nil && !slices.ContainsFunc(sections, func(s string) bool { return strings.EqualFold(s, q.Section) }) {
			continue
		}
		if found, _ := l.Select([]refs.Ref{q.Ref}); len(found) > 0 {
			return q.Family
		}
	}
	return ""
}
