package entry

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"benchlore/schema"
	"benchlore/schema/refs"
)

// Ways in which quantities are typed that are no quantity as they stand.
var (
	unitWord  = regexp.MustCompile(`(?i)([0-9]) *(watts?|volts?|amps?|amperes?|ohms)\b`)
	wvdc      = regexp.MustCompile(`(?i)([0-9]) *(?:wvdc|vdcw|vdc|wvac|vac|wv|v~|v=)(\b|[^A-Za-z0-9]|$)`)
	runInto   = regexp.MustCompile(`^([0-9]*[.,]?[0-9]+[pnuµm]?[fF])([0-9]+[.,]?[0-9]*[vV])$`)
	bareParts = regexp.MustCompile(`^([0-9]*[.,]?[0-9]+)([pnuµmkKM]?)/([0-9]*[.,]?[0-9]+)$`)
	codeUnit  = regexp.MustCompile(`^([0-9]*[RkKM][0-9]*|[0-9]+[.,]?[0-9]*[kKM]?)([WVA])/([0-9.,]+ ?[WVA])$`)
	threePart = regexp.MustCompile(`^([0-9]*[.,]?[0-9]+)/([pnuµm]?F|k?Ohm)/(.+)$`)
	letterO   = regexp.MustCompile(`[0-9][oO]|[oO][0-9]|[0-9][lI]|[lI][0-9]`)
)

// spellUnits writes units as the program reads them: 1 Watt, 25WVDC, 250v~.
func spellUnits(text string) string {
	text = unitWord.ReplaceAllStringFunc(text, func(m string) string {
		s := unitWord.FindStringSubmatch(m)
		if strings.HasPrefix(strings.ToLower(s[2]), "ohm") {
			return s[1] + "Ohm"
		}
		return s[1] + strings.ToUpper(s[2][:1])
	})
	return wvdc.ReplaceAllString(text, "${1}V$2")
}

// digits is a text with figures for the letters that are taken for them.
func digits(text string) string {
	return strings.NewReplacer("O", "0", "o", "0", "l", "1", "I", "1").Replace(text)
}

// slipOfQuantity says what a word that looks like a quantity should have been, "" where
// it does not.
func slipOfQuantity(w string) *Error {
	if m := codeUnit.FindStringSubmatch(w); m != nil {
		return &Error{fmt.Sprintf("%q gives the value in %s", w, m[2]), "write value/rating: " + m[1] + "/" + m[3]}
	}
	if m := threePart.FindStringSubmatch(w); m != nil {
		return &Error{fmt.Sprintf("%q has a slash too many", w), "write value/rating: " + m[1] + m[2] + "/" + m[3]}
	}
	if letterO.MatchString(w) {
		if q := digits(w); q != w {
			if _, ok := readSpec(q); ok {
				return &Error{fmt.Sprintf("%q has the letter O or l in it where a figure belongs", w), "write " + q}
			}
		}
	}
	return nil
}

// bareNumbers reads two numbers as value and rating, and a number with a prefix and a
// number, in the model's units: 470 25, 22n/63, .1/250.
func (p *parser) bareNumbers(w string) (spec, bool) {
	m := bareParts.FindStringSubmatch(w)
	if m == nil {
		return spec{}, false
	}
	value, rating := leadingZero(m[1]), leadingZero(m[3])
	for _, q := range p.positions() {
		v, ok := unitOf(q.Value)
		r, ok2 := unitOf(q.Rating)
		if !ok || !ok2 {
			continue
		}
		if m[2] != "" { // the prefix typed, and the model's unit
			v = m[2] + strings.TrimLeft(v, "pnuµmkKM")
			if v == m[2] || v == m[2]+"Ohm" && !strings.Contains("kKM", m[2]) {
				return spec{}, false
			}
		}
		return spec{value: schema.Quantity(value + " " + v), rating: schema.Quantity(rating + " " + r)}, true
	}
	return spec{}, false
}

func leadingZero(s string) string {
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, ",") {
		return "0" + s
	}
	return s
}

// speeds are the ways in which the speed of a fuse is written.
var speeds = map[string]string{"t": "slow", "slow": "slow", "tt": "slow", "time-lag": "slow", "anti-surge": "slow", "slow-blow": "slow",
	"f": "quick", "ff": "quick", "fast": "quick", "quick": "quick", "quick-blow": "quick"}

// speed takes the letter or word of a fuse's speed, and turns a current into its rating.
func (p *parser) speed(w string) bool {
	s, ok := speeds[strings.ToLower(w)]
	if !ok || !p.ofGroup("fuse") {
		return false
	}
	c := p.component()
	if c.Type == "" {
		c.Type = s
	}
	return true
}

// laws are the laws of a control.
var laws = map[string]string{"lin": "lin", "linear": "lin", "log": "log", "audio": "log", "rev-log": "reverse log", "antilog": "reverse log"}

func (p *parser) law(w string) bool {
	law, ok := laws[strings.ToLower(w)]
	if !ok || !p.ofGroup("resistor") {
		return false
	}
	c := p.component()
	if c.Type == "" {
		c.Type = law
	}
	return true
}

// component is the part that the words at hand are about.
func (p *parser) component() *schema.Component {
	if p.sawAction && !p.wasOld {
		return p.fresh()
	}
	return p.old()
}

// ofGroup reports whether the parts named are of a group of families.
func (p *parser) ofGroup(group string) bool {
	if p.line.Family != "" {
		return p.line.Family.Group() == group
	}
	in := p.positions()
	return len(in) > 0 && in[0].Family.Group() == group
}

// belongs names what the model has at the first of the parts, "" where it says nothing.
func (p *parser) belongs() string {
	in := p.positions()
	if len(in) == 0 {
		return ""
	}
	if s := specified(in[0]); s != "nothing" {
		return s
	}
	return ""
}

// nearWord is the listed word that was meant: the nearest, also to a beginning of one
// (fial), or two that were run together (driftreplaced).
func nearWord(w string) string {
	var all []string
	for _, l := range vocabularies {
		all = append(all, l.words...)
	}
	for _, x := range all {
		if rest, ok := strings.CutPrefix(w, x); ok && slices.Contains(all, rest) {
			return x + " " + rest
		}
	}
	if near := schema.Nearest(w, all); near != "" {
		return near
	}
	for _, x := range all {
		if n := len(w); n >= shortest && len(x) > n && schema.Nearest(w, []string{x[:n]}) != "" {
			return x
		}
	}
	return ""
}

// slipOfRef says what a word that looks like a reference should have been, nil where it
// does not.
func (p *parser) slipOfRef(w string) *Error {
	wrong := func(write string) *Error {
		return &Error{fmt.Sprintf("%q is not a reference", w), "write " + write}
	}
	for _, form := range []struct {
		pattern *regexp.Regexp
		write   string
	}{
		{regexp.MustCompile(`^([A-Za-z]{1,4})-([0-9]+)$`), "$1$2"},
		{regexp.MustCompile(`^([A-Za-z]{1,4}[0-9]+)(?:/[A-Za-z]{1,4}[0-9]+)+$`), ""},
		{regexp.MustCompile(`^([A-Za-z]{1,4})([0-9]+)-[A-Za-z]{0,4}([0-9]+)$`), "$1$3-$1$2"},
		{regexp.MustCompile(`^key:([0-9]+)-([0-9]+)(/.*)?$`), "key:$2-$1$3"},
	} {
		if !form.pattern.MatchString(w) {
			continue
		}
		write := strings.ReplaceAll(w, "/", ", ")
		if form.write != "" {
			write = form.pattern.ReplaceAllString(w, form.write)
		}
		write = asRef(write)
		if _, err := refs.Parse(write); err == nil {
			return wrong(write)
		}
	}
	return nil
}

// asRef writes the letters of plain references large, as they are printed on boards.
func asRef(s string) string {
	if strings.HasPrefix(s, "key:") {
		return s
	}
	return strings.ToUpper(s)
}

// letterInRef says which part of the unit was meant where a letter was typed for a
// figure: C1O.
func (p *parser) letterInRef(w string) *Error {
	if !letterO.MatchString(w) || has(p.u, w) {
		return nil
	}
	if q := w[:1] + digits(w[1:]); q != w && has(p.u, q) {
		return &Error{fmt.Sprintf("%s has no %s: it has the letter O or l in it where a figure belongs", p.u.Name, w), "write " + q}
	}
	return nil
}

// turned writes a line whose part stands behind its beginning as it should be typed:
// the section, the part, and the rest. It is "" where no part is named at all.
func (p *parser) turned() string {
	for i, w := range p.words {
		if i == 0 || !has(p.u, w) {
			continue
		}
		for n := min(4, len(p.words)-i-1); n >= 0; n-- {
			for _, at := range []int{i + 1, i - n} { // the section behind the part, or before it
				if at < 0 || at+n > len(p.words) {
					continue
				}
				q := &parser{u: p.u, words: slices.Clone(p.words[at : at+n])}
				if q.section(); n > 0 && (q.line.Section == "" || len(q.words) > 0) {
					continue
				}
				var rest []string
				for j, x := range p.words {
					if j != i && (j < at || j >= at+n) {
						rest = append(rest, x)
					}
				}
				// Values stand behind the action.
				slices.SortStableFunc(rest, func(a, b string) int { return spoken(b) - spoken(a) })
				return strings.Join(append([]string{strings.TrimSpace(string(q.line.Section) + " " + w)}, rest...), " ")
			}
		}
	}
	return ""
}

// spoken orders the words of a turned line: findings and modes, the action, the values.
func spoken(w string) int {
	switch {
	case slices.Contains(schema.Action("").Words(), w):
		return 1
	case leads(w):
		return 2
	}
	return 0
}

// abbreviations are what the trade calls sections for short.
var abbreviations = map[string]string{"psu": "power supply", "kbd": "keyboard", "vca": "amplifier", "xfmr": "transformer"}

var trailingNumbers = regexp.MustCompile(`^(.*?)\s*([0-9]+(?:\s*(?:-|,|and|&)\s*[0-9]+)*)$`)

// stem is the name of a section without its number.
func stemOf(name string) string {
	if m := trailingNumbers.FindStringSubmatch(name); m != nil && m[1] != "" {
		return m[1]
	}
	return name
}

// stems finds the sections, without their numbers, that a text means: by the start of
// its words, without its blanks, by its board, the model's other names for it, or what
// the trade calls it.
func (p *parser) stems(text string) (found []string, exact bool) {
	text = strings.ToLower(text)
	plain := strings.ReplaceAll(text, " ", "")
	add := func(s string) {
		if !slices.Contains(found, s) {
			found = append(found, s)
		}
	}
	for _, s := range p.u.Sections {
		name := strings.ToLower(stemOf(s.Name))
		switch {
		case name == text, strings.ReplaceAll(name, " ", "") == plain, s.Board != "" && strings.EqualFold(s.Board, text),
			abbreviations[text] == name, slices.ContainsFunc(s.Also, func(a string) bool { return strings.EqualFold(a, text) }):
			add(stemOf(s.Name))
			exact = true
		}
	}
	if exact {
		return found, true
	}
	typed := strings.Fields(text)
	for _, s := range p.u.Sections {
		words := strings.Fields(strings.ToLower(stemOf(s.Name)))
		fits := len(typed) <= len(words)
		for i := range typed {
			fits = fits && strings.HasPrefix(words[i], typed[i])
		}
		if fits {
			add(stemOf(s.Name))
		}
	}
	return found, false
}

// shortened takes words that mean sections without naming them in full, and reports
// whether there were any. p.wrong says what they leave open.
func (p *parser) shortened() bool {
	for n := min(len(p.words), 5); n > 0; n-- {
		text := strings.TrimRight(strings.Join(p.words[:n], " "), ":,")
		if has(p.u, text) || leads(p.words[0]) || grammar[strings.ToLower(p.words[0])] {
			continue
		}
		name, number := text, ""
		found, exact := p.stems(text)
		if found == nil {
			if m := trailingNumbers.FindStringSubmatch(text); m != nil && m[1] != "" {
				name, number = m[1], strings.ReplaceAll(m[2], " ", "")
				found, exact = p.stems(name)
			}
		}
		// The beginning of a name counts where a part follows, or nothing does.
		follows := len(p.words) == n || p.beginsPart(p.words[n])
		if len(found) == 0 || !exact && (!follows || utf8.RuneCountInString(name) < 1) {
			continue
		}
		if len(found) > 1 {
			if exact || follows {
				p.wrong = &Error{fmt.Sprintf("%q could be %s", text, strings.Join(clip(found), ", ")), "type more letters of the section"}
				return true
			}
			continue
		}
		numbered := p.numbered(found[0])
		switch {
		case numbered == 0 && number == "":
			p.line.Section = schema.Names(found[0])
		case numbered > 0 && number == "":
			p.wrong = &Error{fmt.Sprintf("which %s? %s has %s 1 to %s %d", found[0], p.u.Name, found[0], found[0], numbered),
				"write its number: " + found[0] + " 1"}
			return true
		default:
			full := found[0] + " " + number
			l, err := refs.ParseNames(full)
			if err != nil {
				if m := regexp.MustCompile(`^([0-9]+)-([0-9]+)$`).FindStringSubmatch(number); m != nil {
					p.wrong = &Error{fmt.Sprintf("%q runs backwards", text), "write " + found[0] + " " + m[2] + "-" + m[1]}
					return true
				}
				continue
			}
			in, unmatched := l.Select(p.u.SectionNames())
			if len(unmatched) > 0 {
				if numbered == 0 {
					continue
				}
				p.wrong = &Error{fmt.Sprintf("%s has no %s: it has %s 1 to %s %d", p.u.Name, full, found[0], found[0], numbered),
					fmt.Sprintf("write one of them: %s %d", found[0], numbered)}
				return true
			}
			p.line.Section = schema.Names(refs.CompactNames(in))
		}
		p.words = p.words[n:]
		return true
	}
	return false
}

// numbered counts the sections of a name with a number.
func (p *parser) numbered(stem string) int {
	n := 0
	for _, s := range p.u.Sections {
		if s.Name != stem && stemOf(s.Name) == stem {
			n++
		}
	}
	return n
}

// beginsPart reports whether a word may be the part after a section.
func (p *parser) beginsPart(w string) bool {
	if strings.HasPrefix(w, "@") || countForm.MatchString(w) || countWord.MatchString(w) {
		return true
	}
	w = strings.TrimRight(w, ",:;")
	_, err := refs.Parse(w)
	return err == nil && !p.known(w) || p.slipOfRef(w) != nil
}

// pools names the kinds of counted parts that the sections of the line have.
func (p *parser) pools() []string {
	var out []string
	for _, q := range p.u.Pools {
		if (p.line.Section == "" || q.Section == string(p.line.Section)) && !slices.Contains(out, string(q.Family)) {
			out = append(out, string(q.Family))
		}
	}
	return out
}

// familyOf writes a kind of part with its group: electrolytic is capacitor/electrolytic
// where a capacitor sits.
func (p *parser) familyOf(kind string) string {
	if strings.Contains(kind, "/") {
		return kind
	}
	group := p.line.Family.Group()
	if in := p.positions(); group == "" && len(in) > 0 {
		group = in[0].Family.Group()
	}
	if group == "" {
		return kind
	}
	return group + "/" + kind
}

// kindWord reports whether a word is a kind of the group of the parts named: film, where
// a capacitor sits.
func (p *parser) kindWord(w string) bool {
	in := p.positions()
	if len(in) == 0 {
		return false
	}
	_, ok := schema.NewFamilyList(nil)[schema.FamilyName(string(in[0].Family.Group())+"/"+w)]
	return ok
}

// noFault is the answer to a fault that the unit does not have.
func (p *parser) noFault(w string) *Error {
	var ids []string
	for _, f := range p.u.Faults {
		if j := p.u.OpenJob(); j == nil || f.Job == j {
			ids = append(ids, f.ID)
		}
	}
	text := fmt.Sprintf("there is no fault %s", strings.ToUpper(w))
	for _, q := range p.u.Positions {
		if strings.EqualFold(string(q.Ref), w) {
			text += fmt.Sprintf("; %s is a %s of %s", q.Ref, q.Family.Group(), q.Section)
			break
		}
	}
	if len(ids) == 0 {
		return &Error{text, "no intake of this stay lists any; leave it out"}
	}
	return &Error{text, "its faults are " + strings.Join(ids, ", ") + ": write fault=" + ids[0] + "; a second part goes on a line of its own"}
}

// leadingName is what stands before the part of a line whose beginning is no section of the
// unit, as the name of a new one; "" where it cannot be one.
func (p *parser) leadingName() string {
	for i, w := range p.words {
		if i > 0 && (p.beginsPart(w) || strings.EqualFold(w, "kit")) {
			return strings.TrimRight(strings.Join(p.words[:i], " "), ":,")
		}
		if i == 4 || p.poolNamed(w) != "" || leads(w) || strings.ContainsAny(w, "=/@,\"") {
			return ""
		}
	}
	return ""
}

// usualKind is the family that parts of a letter usually are, as boards are printed (IEEE
// 315 and common practice); capacitors go by their value.
var usualKind = map[string]string{"C": "capacitor/film", "R": "resistor/carbon", "RV": "resistor/variable", "VR": "resistor/variable",
	"P": "resistor/variable", "Q": "transistor/silicon", "TR": "transistor/silicon", "D": "diode/signal", "CR": "diode/signal", "ZD": "diode/zener",
	"IC": "ic/linear", "U": "ic/linear", "V": "tube/small", "L": "inductor/coil", "F": "fuse/internal", "SW": "contact/switch", "S": "contact/switch",
	"J": "connector/jack", "RL": "contact/relay", "K": "contact/relay", "LP": "lamp/pilot", "LA": "lamp/pilot", "BT": "battery/memory"}

var refLetters = regexp.MustCompile(`^[A-Za-z]+`)

// kindOfNew is the family that a word means for a part that the model does not have:
// electrolytic, where the letter says capacitor.
func (p *parser) kindOfNew(w string) schema.FamilyName {
	if p.line.Ref == "" || len(p.positions()) > 0 {
		return ""
	}
	group := schema.FamilyName(usualKind[strings.ToUpper(refLetters.FindString(string(p.line.Ref)))]).Group()
	var found []string
	for name := range schema.NewFamilyList(nil) {
		if g, kind, _ := strings.Cut(string(name), "/"); kind == w && (g == group || group == "") {
			found = append(found, string(name))
		}
	}
	if len(found) != 1 {
		return ""
	}
	return schema.FamilyName(found[0])
}

// guessFamily says what a part is that neither the model nor the line does, by its
// letter, and says that it did.
func (p *parser) guessFamily() {
	l := &p.line
	if l.Family != "" || l.Count > 0 || l.Ref == "" || len(p.positions()) > 0 {
		return
	}
	kind := usualKind[strings.ToUpper(refLetters.FindString(string(l.Ref)))]
	if kind == "" {
		return
	}
	for _, c := range []*schema.Component{l.Old, l.New} {
		if c == nil || kind != "capacitor/film" {
			continue
		}
		if v, ok := c.Value.Parse(); ok {
			if least, ok := schema.Quantity("1 uF").Parse(); ok {
				if cmp, err := v.Cmp(least); err == nil && cmp >= 0 {
					kind = "capacitor/electrolytic"
				}
			}
		}
	}
	l.Family = schema.FamilyName(kind)
	p.remarks = append(p.remarks, fmt.Sprintf("the model does not know %s: taken as %s; if it is another kind, undo it and add the kind, or family=...", l.Ref, kind))
}
