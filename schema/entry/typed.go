package entry

import (
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// typedWords are words people type for those of the closed lists.
var typedWords = map[string]string{
	"bad": "failed", "faulty": "failed", "defective": "failed", "good": "ok", "fine": "ok",
	"shorted": "short", "leaky": "leakage", "leaking": "leakage", "leaks": "leakage", "drifted": "drift", "noisy": "noise", "worn": "wear",
	"seized": "seizure", "cracked": "crack", "corroded": "corrosion", "burned": "burnt", "dirty": "contamination",
	"changed": "replaced", "swapped": "replaced", "resoldered": "reworked", "nos": "old-stock", "=": "same", "ditto": "same", "→": "->", "=>": "->",
}

// typedPhrases are those of several words. They are looked for in lower case.
var typedPhrases = [][2]string{
	{"out of circuit", "out-of-circuit"}, {"in circuit", "in-circuit"}, {"in service", "in-service"}, {"out of adjustment", "out-of-adjustment"},
	{"dry joint", "dry-joint"}, {"wrong part", "wrong-part"}, {"high esr", "high-esr"}, {"esr high", "high-esr"}, {"new old stock", "old-stock"},
	{"old stock", "old-stock"}, {"shop made", "shop-made"}, {"left in", "left"}, {"left alone", "left"},
	{"like for like", "like"}, {"like-for-like", "like"},
}

// Blanks people type inside what is one word: 10 uF, 10uF / 35V, C1 - C4, C1 to C4.
var (
	unitBlank  = pattern.New(`([0-9]) +([pnuµmkM]?(?:F|V|Ohm|Ω|H|W|A)\b)`)
	slashBlank = pattern.New(` +/ +`)
	rangeBlank = pattern.New(`([0-9A-Za-z]) +[-–] +([0-9A-Za-z])`)
	rangeWord  = pattern.New(`\b([A-Za-z]{1,4}[0-9]+)(?: +(?:to|thru|through) +|\.{2,3}|…)([A-Za-z]{0,4}[0-9]+)\b`)
	keyBlank   = pattern.New(`(?i)\bkeys? +([0-9]+(?:-[0-9]+)?)\b`)
	partBlank  = pattern.New(`(?i)\b(key:[0-9]+(?:-[0-9]+)?) +contacts? +([0-9]+(?:-[0-9]+)?)\b`)
)

// split takes words apart at blanks, except those that hold key=value, closes up
// what belongs together, and writes words as the lists have them. Free text after
// an @ stays as it is, up to the first word that is of a list as it stands.
func split(words []string, u *unit.Unit) []string {
	hasKeys := slices.ContainsFunc(u.Positions, func(p *unit.Position) bool { return strings.HasPrefix(string(p.Ref), "key:") })
	var out, run []string
	flush := func() {
		text := unitBlank.ReplaceAllString(strings.Join(run, " "), "$1$2")
		text = rangeBlank.ReplaceAllString(slashBlank.ReplaceAllString(text, "/"), "$1-$2")
		run = nil
		free := ""
		if i := strings.IndexByte(text, '@'); i >= 0 {
			free, text = text[i:], text[:i]
		}
		text = rangeWord.ReplaceAllString(text, "$1-$2")
		if hasKeys {
			text = partBlank.ReplaceAllString(keyBlank.ReplaceAllString(text, "key:$1"), "$1/contact.$2")
		}
		for _, w := range strings.Fields(asListed(text)) {
			bare := strings.ToLower(strings.Trim(w, ",;()"))
			if listed, ok := typedWords[bare]; ok {
				w = listed
			} else if full := shortFor(bare); len(full) == 1 && !named(bare, u) {
				w = full[0]
			}
			out = append(out, w)
		}
		out = append(out, strings.Fields(free)...)
	}
	for _, w := range words {
		if key, _, ok := strings.Cut(w, "="); ok && !strings.ContainsAny(key, " \t") && key != "" {
			flush()
			out = append(out, w)
			continue
		}
		run = append(run, w)
	}
	flush()
	return out
}

// shortest is how many letters of a listed word must be typed.
const shortest = 3

// shortFor gives the listed words that begin with what is typed, if it is long
// enough and none itself: "rep" is replaced. Findings, actions, modes and how it
// was found go before what is said of the new part and the old.
func shortFor(typed string) []string {
	if len(typed) < shortest || grammar[typed] {
		return nil
	}
	var out []string
	for i, l := range vocabularies {
		if i == ofTheParts && len(out) > 0 {
			break
		}
		for _, w := range l.words {
			if w == typed {
				return nil
			}
			if strings.HasPrefix(w, typed) {
				out = append(out, w)
			}
		}
	}
	return out
}

// Listed is the word of one list that a text in small letters means: the word
// itself, what people type for it, or the only one that begins with the text, if
// that is long enough.
func Listed(text string, words []string) (string, bool) {
	if w, ok := typedWords[text]; ok && slices.Contains(words, w) {
		text = w
	}
	if slices.Contains(words, text) {
		return text, true
	}
	full := ""
	for _, w := range words {
		if len(text) >= shortest && strings.HasPrefix(w, text) {
			if full != "" {
				return "", false
			}
			full = w
		}
	}
	return full, full != ""
}

// grammar are the words of a line that are of no list.
var grammar = map[string]bool{"and": true, "found": true, "tested": true, "with": true, "was": true, "all": true,
	"kit": true, "except": true, "same": true, "like": true, "about": true, "circa": true, "dated": true, "from": true, "apply": true, "fit": true}

// named reports whether a word names a part, a fault or a kit of the unit, or may
// begin a word of the name of a section.
func named(w string, u *unit.Unit) bool {
	return has(u, w) || slices.ContainsFunc(u.Faults, func(f *unit.Fault) bool { return strings.EqualFold(f.ID, w) }) ||
		slices.ContainsFunc(u.Model.Kits, func(k schema.Kit) bool { return strings.EqualFold(k.Name, w) }) ||
		slices.ContainsFunc(u.Sections, func(s *unit.Section) bool {
			return slices.ContainsFunc(strings.Fields(strings.ToLower(s.Name)), func(x string) bool { return strings.HasPrefix(x, w) })
		})
}

// asListed writes phrases as the lists have them.
func asListed(text string) string {
	lower := strings.ToLower(text)
	if len(lower) != len(text) {
		return text // a letter whose small form has another length
	}
	for _, p := range typedPhrases {
		from := 0
		for {
			i := strings.Index(lower[from:], p[0])
			if i < 0 {
				break
			}
			i += from
			end := i + len(p[0])
			if i > 0 && isLetter(lower[i-1]) || end < len(lower) && isLetter(lower[end]) {
				from = end
				continue
			}
			lower = lower[:i] + p[1] + lower[end:]
			text = text[:i] + p[1] + text[end:]
			from = i + len(p[1])
		}
	}
	return text
}

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c == '-' }

// reorder puts the words that stand before the part behind it: "replaced C5
// 470uF/35V". A kit may be called by its name first.
func (p *parser) reorder() {
	if len(p.words) > 0 && (strings.EqualFold(p.words[0], "apply") || strings.EqualFold(p.words[0], "fit")) {
		p.words = p.words[1:]
	}
	if len(p.words) > 1 && strings.EqualFold(p.words[1], "kit") {
		if name, _, _ := strings.Cut(p.words[0], "/"); slices.ContainsFunc(p.u.Model.Kits, func(k schema.Kit) bool { return k.Name == name }) {
			p.words[0], p.words[1] = p.words[1], p.words[0]
		}
	}
	n := 0
	for n < len(p.words) && leads(p.words[n]) {
		n++
	}
	if n < len(p.words) { // else no part is named at all
		p.words = append(slices.Clone(p.words[n:]), p.words[:n]...)
	}
}

// leads reports whether a word may stand before the part and belongs behind it.
func leads(w string) bool {
	w = strings.ToLower(strings.Trim(w, ",;:()"))
	if w == "same" {
		return true
	}
	return slices.ContainsFunc(vocabularies, func(l vocabulary) bool { return slices.Contains(l.words, w) })
}

var (
	gluedSection = pattern.New(`^([A-Za-z]+)([0-9][0-9,-]*)$`)
	manyNumbers  = pattern.New(`^(.*\S)\s+([0-9]+(?:\s*(?:,|and|&)\s*[0-9]+)+)$`)
	numbers      = pattern.New(`[0-9]+`)
)

// sectionForms are the ways a text may name sections: as it stands, "voice3", and
// "voice 1, 2".
func sectionForms(text string) []string {
	out := []string{text}
	if m := gluedSection.FindStringSubmatch(text); m != nil {
		text = m[1] + " " + m[2]
		out = append(out, text)
	}
	if m := manyNumbers.FindStringSubmatch(text); m != nil {
		var list []string
		for _, n := range numbers.FindAllString(m[2], -1) {
			list = append(list, m[1]+" "+n)
		}
		out = append(out, strings.Join(list, ", "))
	}
	return out
}

// poolNamed is the pool whose kind of part a word names: joints, joint,
// board/joint.
func (p *parser) poolNamed(w string) schema.FamilyName {
	w = strings.ToLower(strings.Trim(w, ",;:()"))
	for _, q := range p.u.Pools {
		_, kind, _ := strings.Cut(string(q.Family), "/")
		if w == string(q.Family) || w == kind || w == kind+"s" {
			return q.Family
		}
	}
	return ""
}

var countWord = pattern.New(`^([0-9]{1,5})[x×]?$`)

// counted takes a number of a pool: "12x board/joint", "12 joints". The section may
// come behind.
func (p *parser) counted() bool {
	m := countWord.FindStringSubmatch(p.words[0])
	if m == nil {
		return false
	}
	var family schema.FamilyName
	if len(p.words) > 1 {
		family = p.poolNamed(p.words[1])
	}
	if family == "" && !countForm.MatchString(p.words[0]) {
		return false
	}
	p.line.Count, _ = strconv.Atoi(m[1])
	p.words = p.words[1:]
	if family != "" {
		p.line.Family, p.words = family, p.words[1:]
	}
	if p.line.Section == "" {
		p.section()
	}
	return true
}

// lineOf finds the last line about a part, for "same as C3".
func (p *parser) lineOf(ref string) (*schema.PartLine, error) {
	list, err := refs.Parse(ref)
	if err != nil {
		return nil, &Error{"same as what?", "name one part after it: same as C3"}
	}
	var found *unit.Event
	in := (&parser{u: p.u, line: schema.PartLine{Ref: schema.Refs(list.Text)}}).positions()
	for _, q := range in {
		for _, o := range q.Occupants {
			for _, e := range append([]*unit.Event{o.Fitted}, o.Events...) {
				if e != nil && (found == nil || !e.Date.Day.Before(found.Date.Day)) {
					found = e
				}
			}
		}
	}
	if found == nil {
		return nil, &Error{"nothing is recorded about " + ref, "write the line in full once; the next can be the same"}
	}
	l := found.Line
	return &l, nil
}

// Section is the one section that the words name, and nothing beside it; "" where
// they say more, or less.
func Section(words []string, u *unit.Unit) string {
	p := &parser{u: u, words: split(words, u)}
	p.section()
	if len(p.words) > 0 || !slices.ContainsFunc(u.Sections, func(s *unit.Section) bool { return s.Name == string(p.line.Section) }) {
		return ""
	}
	return string(p.line.Section)
}

// Repeats reports whether a line says no more than that it is the same as the one
// before.
func Repeats(words []string) bool {
	for i, w := range words {
		w = strings.ToLower(strings.Trim(w, ",;:()"))
		if listed := typedWords[w]; listed != "" {
			w = listed
		}
		if w == "same" {
			return i+1 == len(words) || !strings.EqualFold(words[i+1], "as")
		}
	}
	return false
}
