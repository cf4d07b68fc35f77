package partslist

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema/pattern"
	"benchlore/schema/refs"
)

// refCell is what a cell of references says.
type refCell struct {
	refs   []refs.Ref
	board  string // before the references: PSU of PSU/C1
	count  int    // 2x: a number of parts without references
	words  string // behind them, in brackets: tuning
	odd    string // what is odd about it, and was read all the same
	wrong  string // why it is no reference
	write  string // what to write instead
	letter bool   // it looks like a reference, even where it is wrong
}

var (
	dashes   = strings.NewReplacer("\u2010", "-", "\u2011", "-", "\u2012", "-", "\u2013", "-", "\u2014", "-", "\u2015", "-", "\u2212", "-")
	brackets = pattern.New(`^(.*?)\s*\(([^()]*)\)\s*$`)
	countOf  = pattern.New(`(?i)^(\d{1,4}) ?(?:x|\x{d7}|off|pcs?\.?|pieces?|st\.?|stk\.?|stück|pi[eè]ces?|pz\.?|pezzi)$`)
	onBoard  = pattern.New(`^([\pL][\pL\d ]*[\pL ]|[\pL]{2,}[\pL\d]*)\s*[-/:]\s*(\pL{1,4} ?\d.*)$`)
	between  = pattern.New(`(?i)(\d[A-Za-z]?)(?:\s*(?:-|\.\.+|…)\s*|\s+(?:to|thru|through|bis|à|a|al|hasta|t/m)\s+)([A-Za-z]{0,4}\.?\s?\d)`)
	and      = pattern.New(`(?i)\s+(?:and|und|et|e|y|en)\s+`)
	spaced   = pattern.New(`\b([A-Za-z]{1,4})[ .]\s?(\d+)`)
	oneRef   = pattern.New(`^([A-Za-z]{1,4})(\d{1,5})([A-Za-z]?)$`)
	rangeRef = pattern.New(`^([A-Za-z]{1,4})(\d{1,5})-([A-Za-z]{0,4})(\d{1,5})$`)
	badDigit = pattern.New(`^([A-Za-z]{1,3})([0-9]*[OoIl][0-9OoIl]*)$`)
	refLike  = pattern.New(`^([A-Za-z]{1,4})([ .]?)\d`)
)

// maxRange is the most positions one range may have.
const maxRange = 2000

// readRefs reads the references of a cell as people write them: C1, C2; C1-C4;
// C2 to C4; C3/C4/C7; C1 C2 C3; R6-9; C1..C6; PSU/C1; KBD-S1-S44; key:1-61.
func readRefs(text string) refCell {
	var out refCell
	text = strings.TrimSpace(dashes.Replace(text))
	if m := brackets.FindStringSubmatch(text); m != nil && m[1] != "" {
		text, out.words = m[1], strings.TrimSpace(m[2])
	}
	if m := countOf.FindStringSubmatch(text); m != nil {
		out.count, _ = strconv.Atoi(m[1])
		return out
	}
	if m := refLike.FindStringSubmatch(text); m != nil {
		out.letter = m[2] == "" || groupsOf[strings.ToUpper(m[1])] != nil
	}
	if l, err := refs.Parse(text); err == nil && strings.ContainsAny(text, ":@") {
		out.refs, out.letter = l.Enumerate(), true // key:1-61/contact.1-3, as the ledger has it
		return out
	}
	if m := onBoard.FindStringSubmatch(text); m != nil && !oneRef.MatchString(strings.TrimSpace(m[1])) {
		out.board, text, out.letter = strings.TrimSpace(m[1]), m[2], true
	}
	text = and.ReplaceAllString(text, ", ")
	text = spaced.ReplaceAllStringFunc(text, func(s string) string { // C 3, but not bay 4
		m := spaced.FindStringSubmatch(s)
		if groupsOf[strings.ToUpper(m[1])] == nil {
			return s
		}
		return m[1] + m[2]
	})
	for range 2 { // C1 - C4 - : neighbours share their digits
		text = between.ReplaceAllString(text, "$1-$2")
	}
	for _, item := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(",;/+& ", r) }) {
		item = strings.Trim(item, ".:")
		if item == "" {
			continue
		}
		if m := oneRef.FindStringSubmatch(item); m != nil && !strings.ContainsAny(m[3], "OoIl") {
			out.refs = append(out.refs, refs.Ref(strings.ToUpper(m[1])+trimZeros(m[2])+strings.ToUpper(m[3])))
			continue
		}
		if m := rangeRef.FindStringSubmatch(item); m != nil && (m[3] == "" || strings.EqualFold(m[1], m[3])) {
			from, _ := strconv.Atoi(m[2])
			to, _ := strconv.Atoi(m[4])
			name := strings.ToUpper(m[1])
			if to < from {
				out.odd = fmt.Sprintf("%s runs the wrong way round; taken as %s%d-%s%d", item, name, to, name, from)
				from, to = to, from
			}
			if to-from >= maxRange {
				return refCell{letter: true, wrong: fmt.Sprintf("the range %s has more than %d parts", item, maxRange), write: "write shorter ranges"}
			}
			for n := from; n <= to; n++ {
				out.refs = append(out.refs, refs.Ref(name+strconv.Itoa(n)))
			}
			continue
		}
		if m := badDigit.FindStringSubmatch(item); m != nil && strings.ContainsAny(item, "0123456789") {
			fixed := m[1] + strings.NewReplacer("O", "0", "o", "0", "I", "1", "l", "1").Replace(m[2])
			return refCell{letter: true, wrong: fmt.Sprintf("%s has a letter where a number belongs", item), write: "write " + strings.ToUpper(fixed) + ", if that is what it is"}
		}
		if l, err := refs.Parse(item); err == nil {
			out.refs = append(out.refs, l.Enumerate()...)
			continue
		}
		return refCell{letter: out.letter, words: out.words, wrong: fmt.Sprintf("%q is no reference", item), write: "write it like C14, C1-C12 or C1, C3"}
	}
	if len(out.refs) == 0 {
		out.wrong, out.write = "no reference", "write which part it is: C14, C1-C12"
		return out
	}
	var once []refs.Ref
	for _, r := range out.refs {
		if slices.Contains(once, r) {
			out.odd = fmt.Sprintf("%s stands there twice", r)
			continue
		}
		once = append(once, r)
	}
	out.refs = once
	return out
}

func trimZeros(digits string) string {
	n, _ := strconv.Atoi(digits)
	return strconv.Itoa(n)
}

// isRefs reports whether a cell holds references or a count.
func isRefs(text string) bool {
	c := readRefs(text)
	return len(c.refs) > 0 || c.count > 0 || c.letter && c.wrong != ""
}
