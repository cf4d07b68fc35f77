// Package refs reads lists of positions and of sections, "C1-C12, C15",
// "key:1-61/contact.1-2", "voice 1-8, power supply", and writes them again as
// short as they go.
//
// A position is one of
//
//	C14, IC4, C14A       a designator: one to four letters, a number, and at most one letter
//	key:17, slider:3     a kind of part and a number
//	key:17/contact.2     a part of either
//	@under IC4           anything that has no label, in words
//
// Parse reads a list of positions and ParseNames one of sections. A range means
// the positions that exist in it: Select finds them, and Enumerate counts where
// it is not known what exists.
package refs

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"benchlore/schema/pattern"
	"benchlore/schema/remedy"
)

// Ref is one position in canonical form: "C14", "key:17/contact.2",
// "@under IC4".
type Ref string

// Bounds of a list.
const (
	maxText    = 100_000 // bytes
	maxRange   = 2000    // positions in one range
	maxMembers = 5000    // positions in one list
	maxWords   = 80      // bytes of a position in words, or of a name
	maxDepth   = 4       // steps of a path
)

// A step is one stage of the way to a position, or a range of such: C14, key:17
// or contact.2.
type step struct {
	name   string
	join   string // between name and number: "" for a designator, ":" or "."
	lo, hi int
	suffix string // of a designator; a range has none
}

func (s step) isRange() bool { return s.lo != s.hi }

// text gives the step in canonical form.
func (s step) text() string {
	t := s.name + s.join + strconv.Itoa(s.lo) + s.suffix
	if s.isRange() {
		t += "-"
		if s.join == "" {
			t += s.name
		}
		t += strconv.Itoa(s.hi)
	}
	return t
}

// parseSteps reads one item of a list that is not in words, in plain form.
func parseSteps(item string) ([]step, error) {
	steps := make([]step, 0, 1)
	size := 1
	for rest, more := item, true; more; {
		if len(steps) == maxDepth {
			return nil, fmt.Errorf("%q has more than %d steps", item, maxDepth)
		}
		var part string
		part, rest, more = strings.Cut(rest, "/")
		s, err := parseStep(strings.Trim(part, " "), len(steps) == 0)
		if err != nil {
			return nil, err
		}
		if s.hi < s.lo {
			return nil, remedy.Errorf("range %q runs backwards => write the lower number first", item)
		}
		if size *= s.hi - s.lo + 1; size > maxRange {
			return nil, remedy.Errorf("range %q has more than %d positions => write shorter ones", item, maxRange)
		}
		steps = append(steps, s)
	}
	return steps, nil
}

func parseStep(part string, first bool) (step, error) {
	if first {
		if s, ok, err := parseDesignator(part); ok {
			return s, err
		}
	}
	if s, ok := parseNumbered(part, first); ok {
		return s, nil
	}
	if first {
		return step{}, stepError(part)
	}
	return step{}, remedy.Errorf("%q is no part of a position => write a name and a number, as in key:17/contact.2", part)
}

// The readers below are written out because a check of a whole ledger runs them
// once for every line of every record.

// parseDesignator reads C14, C14A, C1-C12 or C1-12. ok is false if part does not
// have that form.
func parseDesignator(part string) (s step, ok bool, err error) {
	from, rest, ok := cutDesignator(part)
	if !ok || from.name == "" {
		return step{}, false, nil
	}
	if rest == "" {
		return from, true, nil
	}
	rest, ok = cutHyphen(rest)
	if !ok {
		return step{}, false, nil
	}
	to, rest, ok := cutDesignator(rest)
	if !ok || rest != "" {
		return step{}, false, nil
	}
	if from.suffix != "" || to.suffix != "" {
		return step{}, true, remedy.Errorf("range %q has a letter behind a number => a range runs over numbers, so write C14A, C14B one by one", part)
	}
	if to.name != "" && to.name != from.name {
		return step{}, true, remedy.Errorf("range %q starts with %s and ends with %s => write one range for each", part, from.name, to.name)
	}
	from.hi = to.lo
	return from, true, nil
}

// cutDesignator reads up to four letters, one to five digits and at most one
// letter from the start of s.
func cutDesignator(s string) (d step, rest string, ok bool) {
	n := 0
	for n < len(s) && isLetter(s[n]) {
		n++
	}
	if n > 4 {
		return step{}, s, false
	}
	d.name = strings.ToUpper(s[:n])
	d.lo, rest, ok = cutNumber(s[n:])
	d.hi = d.lo
	if rest != "" && isLetter(rest[0]) {
		d.suffix = strings.ToUpper(rest[:1])
		rest = rest[1:]
	}
	return d, rest, ok
}

// parseNumbered reads key:17 or key:1-61 as the first step of a path, and
// contact.2, contact:2 or contact.1-2 as a further one.
func parseNumbered(part string, first bool) (s step, ok bool) {
	n := strings.IndexAny(part, ":.")
	if n < 1 || n > 32 || first && part[n] == '.' || !isLetter(part[0]) || !isLetter(part[n-1]) {
		return step{}, false
	}
	for i := range n {
		if !isLetter(part[i]) && part[i] != '-' {
			return step{}, false
		}
	}
	s = step{name: strings.ToLower(part[:n]), join: "."}
	if first {
		s.join = ":"
	}
	var rest string
	if s.lo, rest, ok = cutNumber(part[n+1:]); !ok {
		return step{}, false
	}
	s.hi = s.lo
	if rest != "" {
		if rest, ok = cutHyphen(rest); !ok {
			return step{}, false
		}
		if s.hi, rest, ok = cutNumber(rest); !ok || rest != "" {
			return step{}, false
		}
	}
	return s, true
}

func isLetter(b byte) bool { return 'a' <= b|0x20 && b|0x20 <= 'z' }

func isDigit(b byte) bool { return '0' <= b && b <= '9' }

// cutNumber reads one to five digits from the start of s.
func cutNumber(s string) (n int, rest string, ok bool) {
	i := 0
	for i < len(s) && isDigit(s[i]) {
		i++
	}
	if i < 1 || i > 5 {
		return 0, s, false
	}
	for _, b := range []byte(s[:i]) {
		n = 10*n + int(b-'0')
	}
	return n, s[i:], true
}

// cutHyphen takes a hyphen, with or without spaces round it, from the start of
// s.
func cutHyphen(s string) (rest string, ok bool) {
	rest, ok = strings.CutPrefix(strings.TrimLeft(s, " "), "-")
	return strings.TrimLeft(rest, " "), ok
}

var (
	separated = pattern.New(`^[A-Za-z]+\d+[A-Za-z]?(?:[ ;+&]+[A-Za-z]+\d+[A-Za-z]?)+$`)
	worded    = pattern.New(`^([A-Za-z]*\d+) ?(?:to|through|\.\.+) ?([A-Za-z]*\d+)$`)
	loose     = pattern.New(`^([A-Za-z-]{2,}) ?[ .#] ?(\d+)$`)
)

// stepError says what to write instead of something that is no position.
func stepError(part string) error {
	if separated.MatchString(part) {
		list := strings.FieldsFunc(part, func(r rune) bool { return strings.ContainsRune(" ;+&", r) })
		return remedy.Errorf("%q holds several positions => write %s", part, strings.Join(list, ", "))
	}
	if m := worded.FindStringSubmatch(part); m != nil {
		return remedy.Errorf("%q is no position => write the range %s-%s", part, m[1], m[2])
	}
	if m := loose.FindStringSubmatch(part); m != nil {
		return remedy.Errorf("%q is no position => write %s:%s", part, strings.ToLower(m[1]), m[2])
	}
	return remedy.Errorf("%q is no position => write a designator (C14, C1-C12), a part and its number (key:17), or @ and words (@under IC4)", part)
}

var plainForm = strings.NewReplacer(
	"\u2010", "-", // hyphen
	"\u2011", "-", // no-break hyphen
	"\u2012", "-", // figure dash
	"\u2013", "-", // en dash
	"\u2014", "-", // em dash
	"\u2212", "-", // minus sign
	"\u00a0", " ", // no-break space
)

// plain gives an item with ASCII hyphens and single spaces.
func plain(s string) string {
	s = strings.Trim(s, " ")
	if isASCII(s) && !strings.Contains(s, "  ") {
		return s
	}
	return strings.Join(strings.FieldsFunc(plainForm.Replace(s), func(r rune) bool { return r == ' ' }), " ")
}

// checkText refuses what no list may hold. Control and format characters could
// show a reader another list than the one that is stored.
func checkText(s string) error {
	if len(s) > maxText {
		return fmt.Errorf("list is longer than %d bytes", maxText)
	}
	if isASCII(s) && strings.IndexFunc(s, unicode.IsControl) < 0 {
		return nil
	}
	if !utf8.ValidString(s) {
		return fmt.Errorf("list %q is not UTF-8", clip(s))
	}
	for _, r := range s {
		if unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) {
			return remedy.Errorf("list %q holds the invisible character %U => take it out", clip(s), r)
		}
	}
	return nil
}

func isASCII(s string) bool {
	for i := range len(s) {
		if s[i] >= utf8.RuneSelf {
			return false
		}
	}
	return true
}

// clip shortens a text for an error message.
func clip(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// parsed is a Ref taken apart, for ordering.
type parsed struct {
	ref   Ref
	steps []step // nil if in words, or no canonical reference
}

func parseRef(r Ref) parsed {
	p, _ := apart.of(string(r), takeApart)
	return p
}

var apart known[parsed]

func takeApart(r string) (parsed, error) {
	if !strings.HasPrefix(r, "@") {
		if steps, err := parseSteps(r); err == nil && stepsText(steps) == r && !anyRange(steps) {
			return parsed{Ref(r), steps}, nil
		}
	}
	return parsed{ref: Ref(r)}, nil
}

func anyRange(steps []step) bool {
	for _, s := range steps {
		if s.isRange() {
			return true
		}
	}
	return false
}

// stepsText gives steps in canonical form.
func stepsText(steps []step) string {
	if len(steps) == 1 {
		return steps[0].text()
	}
	texts := make([]string, len(steps))
	for i, s := range steps {
		texts[i] = s.text()
	}
	return strings.Join(texts, "/")
}

// Less orders positions as a person would: by prefix, number, suffix and then
// what comes behind the slash, so that C2 stands before C10. Designators come
// before other kinds of part, and those before positions in words.
func Less(a, b Ref) bool { return compare(parseRef(a), parseRef(b)) < 0 }

func compare(a, b parsed) int {
	if a.steps == nil || b.steps == nil {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a.ref, b.ref))
	}
	for i := range min(len(a.steps), len(b.steps)) {
		x, y := a.steps[i], b.steps[i]
		if c := cmp.Or(cmp.Compare(x.join, y.join), cmp.Compare(x.name, y.name), cmp.Compare(x.lo, y.lo), cmp.Compare(x.suffix, y.suffix)); c != 0 {
			return c
		}
	}
	return cmp.Compare(len(a.steps), len(b.steps))
}

func rank(p parsed) int {
	if p.steps == nil {
		return 1
	}
	return 0
}
