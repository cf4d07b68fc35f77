package refs

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/schema/remedy"
)

// List is a list of positions as written in a record. The zero List is empty.
type List struct {
	// Text is the list as written.
	Text  string
	items []item
}

// An item is what stands between two commas.
type item struct {
	text  string // as written, trimmed
	steps []step // nil if in words
	words string // canonical, with the @
}

// members gives every position of the item, counting ranges through.
func (it item) members() []Ref {
	if it.steps == nil {
		return []Ref{Ref(it.words)}
	}
	if !anyRange(it.steps) {
		return []Ref{Ref(stepsText(it.steps))}
	}
	texts := []string{""}
	for i, s := range it.steps {
		var next []string
		for _, t := range texts {
			if i > 0 {
				t += "/"
			}
			for n := s.lo; n <= s.hi; n++ {
				one := s
				one.lo, one.hi = n, n
				next = append(next, t+one.text())
			}
		}
		texts = next
	}
	out := make([]Ref, len(texts))
	for i, t := range texts {
		out[i] = Ref(t)
	}
	return out
}

// Parse reads a list of positions set apart by commas. Letters of either case
// and long dashes are taken; "C1-12" is C1-C12.
//
// It refuses a position named twice, a range that runs backwards or has more
// than 2000 positions, a list of more than 5000, and invisible characters.
func Parse(s string) (List, error) { return lists.of(s, parse) }

var lists known[List]

func parse(s string) (List, error) {
	if err := checkText(s); err != nil {
		return List{}, err
	}
	if plain(s) == "" {
		return List{}, remedy.Errorf("list of positions is empty => write one such as C14 or C1-C12, C15")
	}
	l := List{Text: s}
	total := 0
	for part := range strings.SplitSeq(s, ",") {
		it, err := parseItem(part)
		if err != nil {
			return List{}, err
		}
		for i := range l.items {
			if r, ok := l.items[i].common(&it); ok {
				return List{}, repeated(string(r), l.items[i].text, it.text)
			}
		}
		if total += size(it.steps); total > maxMembers {
			return List{}, remedy.Errorf("list %q has more than %d positions => write several", clip(s), maxMembers)
		}
		l.items = append(l.items, it)
	}
	return l, nil
}

// common finds the first position that two items both count through.
func (it *item) common(o *item) (Ref, bool) {
	if len(it.steps) != len(o.steps) || it.words != o.words {
		return "", false
	}
	for i := range it.steps {
		a, b := &it.steps[i], &o.steps[i]
		if a.lo > b.hi || b.lo > a.hi || a.name != b.name || a.join != b.join || a.suffix != b.suffix {
			return "", false
		}
	}
	both := item{words: it.words}
	for i, a := range it.steps {
		a.lo = max(a.lo, o.steps[i].lo)
		a.hi = a.lo
		both.steps = append(both.steps, a)
	}
	return both.members()[0], true
}

func repeated(name, first, second string) error {
	if first == second {
		return remedy.Errorf("%q is named twice => take the second one out", name)
	}
	return fmt.Errorf("%q is named twice: it is in %q and again in %q", name, first, second)
}

func parseItem(part string) (item, error) {
	it := item{text: strings.TrimSpace(part)}
	text := plain(part)
	if text == "" {
		return item{}, remedy.Errorf("nothing stands between two commas, or behind the last one => take the comma out")
	}
	if strings.HasPrefix(text, "@") {
		// A position in words keeps its own dashes.
		words := strings.Join(strings.Fields(strings.TrimPrefix(it.text, "@")), " ")
		if words == "" {
			return item{}, remedy.Errorf("nothing stands behind the @ => say where, as in @under IC4")
		}
		if len(words) > maxWords {
			return item{}, remedy.Errorf("%q is longer than %d bytes => say where in fewer words", clip(it.text), maxWords)
		}
		it.words = "@" + words
		return it, nil
	}
	var err error
	it.steps, err = parseSteps(text)
	return it, err
}

// Exact says whether every position is named, without a range.
func (l List) Exact() bool {
	for _, it := range l.items {
		if anyRange(it.steps) {
			return false
		}
	}
	return true
}

// Enumerate gives the positions in the order written, counting ranges through:
// C1-C3 is C1, C2, C3 whether or not there is a C2.
func (l List) Enumerate() []Ref {
	var out []Ref
	for _, it := range l.items {
		out = append(out, it.members()...)
	}
	return out
}

// Select gives those of the positions in have that the list names, each once,
// in the order of the list and within a range in natural order; and the items,
// as written, that name none of them. A range holds whatever bears a number in
// it: C3A lies in C1-C12, behind C3. It holds only positions of its own kind:
// key:17/contact.2 is not in key:1-61.
func (l List) Select(have []Ref) (found []Ref, unmatched []string) {
	return l.SelectFrom(NewSet(have))
}

// A Set holds the positions that exist, ready for SelectFrom.
type Set struct {
	exists map[Ref]bool
	groups map[string][]parsed // in natural order, by what ranges do not vary
}

// NewSet makes a Set of canonical positions.
func NewSet(rs []Ref) *Set {
	s := &Set{exists: make(map[Ref]bool, len(rs)), groups: map[string][]parsed{}}
	for _, r := range rs {
		if s.exists[r] {
			continue
		}
		s.exists[r] = true
		if p := parseRef(r); p.steps != nil {
			k := group(p.steps)
			s.groups[k] = append(s.groups[k], p)
		}
	}
	for _, g := range s.groups {
		slices.SortFunc(g, compare)
	}
	return s
}

// Has says whether the position is in the set.
func (s *Set) Has(r Ref) bool { return s.exists[r] }

// SelectFrom is Select for many lists over the same positions.
func (l List) SelectFrom(s *Set) (found []Ref, unmatched []string) {
	taken := map[Ref]bool{}
	for _, it := range l.items {
		var matches []Ref
		if anyRange(it.steps) {
			matches = within(it.steps, s.groups[group(it.steps)])
		} else if r := it.members()[0]; s.exists[r] {
			matches = []Ref{r}
		}
		if len(matches) == 0 {
			unmatched = append(unmatched, it.text)
		}
		for _, r := range matches {
			if !taken[r] {
				taken[r] = true
				found = append(found, r)
			}
		}
	}
	return found, unmatched
}

// group is the same for positions that one range could hold.
func group(steps []step) string {
	var b strings.Builder
	for _, s := range steps {
		b.WriteString(s.name + s.join + "/")
	}
	return b.String()
}

// within gives the positions of a group, in its order, that a range holds.
func within(steps []step, group []parsed) []Ref {
	start, _ := slices.BinarySearchFunc(group, steps[0].lo, func(p parsed, lo int) int { return p.steps[0].lo - lo })
	var out []Ref
	for _, p := range group[start:] {
		if p.steps[0].lo > steps[0].hi {
			break
		}
		if covers(steps, p.steps) {
			out = append(out, p.ref)
		}
	}
	return out
}

func covers(steps, one []step) bool {
	for i, s := range steps {
		if one[i].lo < s.lo || one[i].lo > s.hi || (!s.isRange() && one[i].suffix != s.suffix) {
			return false
		}
	}
	return true
}
