package refs

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema/remedy"
)

// Names is a list of section names as written in a record. The zero Names is
// empty.
type Names struct {
	// Text is the list as written.
	Text  string
	items []nameItem
}

// A nameItem is a name, or the names that stem and the numbers from lo to hi
// make.
type nameItem struct {
	name   string  // as written, in plain form
	stem   string  // "" unless a range
	key    nameKey // of the name, or of the first of a range
	lo, hi int
}

// A nameKey is the same for spellings of one name: "Voice  03" and "voice 3".
type nameKey struct {
	stem string
	n    int // the number at the end, or -1
}

func keyOf(name string) nameKey {
	stem, n := splitNumber(plain(name))
	return nameKey{strings.ToLower(stem), n}
}

// splitNumber takes the number, of one to five digits and set apart by a space,
// from the end of a name in plain form. n is -1 if there is none.
func splitNumber(name string) (stem string, n int) {
	i := strings.LastIndexByte(name, ' ')
	if i < 1 {
		return name, -1
	}
	n, rest, ok := cutNumber(name[i+1:])
	if !ok || rest != "" {
		return name, -1
	}
	return name[:i], n
}

// members gives every name of the item, counting a range through.
func (it nameItem) members() []string {
	if it.stem == "" {
		return []string{it.name}
	}
	var out []string
	for n := it.lo; n <= it.hi; n++ {
		out = append(out, it.stem+" "+strconv.Itoa(n))
	}
	return out
}

// common finds the first name that two items both count through.
func (it *nameItem) common(o *nameItem) (string, bool) {
	if it.key.stem != o.key.stem || it.lo > o.hi || o.lo > it.hi {
		return "", false
	}
	if o.stem == "" {
		return o.name, true
	}
	return o.stem + " " + strconv.Itoa(max(it.lo, o.lo)), true
}

// ParseNames reads a list of section names set apart by commas, such as
// "voice 1-8, power supply". A name that ends in two numbers with a hyphen
// between them is a range.
//
// It refuses a name given twice, a range that runs backwards or has more than
// 2000 names, a list of more than 5000, and invisible characters.
func ParseNames(s string) (Names, error) {
	if err := checkText(s); err != nil {
		return Names{}, err
	}
	if plain(s) == "" {
		return Names{}, remedy.Errorf("list of sections is empty => write one such as power supply or voice 1-8")
	}
	list := Names{Text: s}
	total := 0
	for part := range strings.SplitSeq(s, ",") {
		it, err := parseName(part)
		if err != nil {
			return Names{}, err
		}
		for i := range list.items {
			if name, ok := list.items[i].common(&it); ok {
				return Names{}, repeated(name, list.items[i].name, it.name)
			}
		}
		if total += it.hi - it.lo + 1; total > maxMembers {
			return Names{}, remedy.Errorf("list %q has more than %d names => write several", clip(s), maxMembers)
		}
		list.items = append(list.items, it)
	}
	return list, nil
}

func parseName(part string) (nameItem, error) {
	it := nameItem{name: plain(part)}
	if it.name == "" {
		return nameItem{}, remedy.Errorf("nothing stands between two commas, or behind the last one => take the comma out")
	}
	if len(it.name) > maxWords {
		return nameItem{}, fmt.Errorf("name %q is longer than %d bytes", clip(it.name), maxWords)
	}
	stem, lo, hi, ok := splitRange(it.name)
	if !ok {
		it.key = keyOf(it.name)
		it.lo, it.hi = it.key.n, it.key.n
		return it, nil
	}
	it.stem, it.lo, it.hi = stem, lo, hi
	it.key = nameKey{strings.ToLower(stem), lo}
	if it.hi < it.lo {
		return nameItem{}, remedy.Errorf("range %q runs backwards => write the lower number first", it.name)
	}
	if it.hi-it.lo >= maxRange {
		return nameItem{}, remedy.Errorf("range %q has more than %d names => write shorter ones", it.name, maxRange)
	}
	return it, nil
}

// splitRange reads a name that ends in a range, "voice 1-8". ok is false if it
// does not.
func splitRange(name string) (stem string, lo, hi int, ok bool) {
	i := len(name)
	for i > 0 && (isDigit(name[i-1]) || name[i-1] == '-' || name[i-1] == ' ' && hyphenBeside(name, i-1)) {
		i--
	}
	if i < 2 || name[i-1] != ' ' {
		return "", 0, 0, false
	}
	lo, rest, ok := cutNumber(name[i:])
	if !ok {
		return "", 0, 0, false
	}
	if rest, ok = cutHyphen(rest); !ok {
		return "", 0, 0, false
	}
	hi, rest, ok = cutNumber(rest)
	return name[:i-1], lo, hi, ok && rest == ""
}

// hyphenBeside tells whether a hyphen stands before or behind place i.
func hyphenBeside(s string, i int) bool {
	return i > 0 && s[i-1] == '-' || i+1 < len(s) && s[i+1] == '-'
}

// Enumerate gives the names in the order written, counting ranges through.
func (l Names) Enumerate() []string {
	var out []string
	for _, it := range l.items {
		out = append(out, it.members()...)
	}
	return out
}

// Select gives those of the names in have that the list names, in their own
// spelling, each once, in the order of the list and within a range by number;
// and the items, as written, that name none of them. Case, runs of spaces and
// zeros before a number do not count. A name in have that reads like a range is
// found by that text.
func (l Names) Select(have []string) (found, unmatched []string) {
	return l.SelectFrom(NewNameSet(have))
}

// A NameSet holds the names that exist, ready for SelectFrom.
type NameSet struct{ byKey map[nameKey][]string }

// NewNameSet makes a NameSet.
func NewNameSet(names []string) *NameSet {
	s := &NameSet{byKey: make(map[nameKey][]string, len(names))}
	for _, name := range names {
		key := keyOf(name)
		if !slices.Contains(s.byKey[key], name) {
			s.byKey[key] = append(s.byKey[key], name)
		}
	}
	return s
}

// SelectFrom is Select for many lists over the same names.
func (l Names) SelectFrom(s *NameSet) (found, unmatched []string) {
	taken := map[string]bool{}
	for _, it := range l.items {
		matches := s.byKey[keyOf(it.name)]
		if it.stem != "" && len(matches) == 0 {
			for n := it.lo; n <= it.hi; n++ {
				matches = append(matches, s.byKey[nameKey{it.key.stem, n}]...)
			}
		}
		if len(matches) == 0 {
			unmatched = append(unmatched, it.name)
		}
		for _, name := range matches {
			if !taken[name] {
				taken[name] = true
				found = append(found, name)
			}
		}
	}
	return found, unmatched
}

// CompactNames writes section names as a list, in natural order and each once,
// with ranges for numbers that follow one another: "power supply, voice 1-8".
// Parsing the list and counting it through gives the names again, provided they
// hold no comma, do not themselves read like a range, have no zeros before
// their number, do not differ in case alone and are no more than ParseNames
// takes.
func CompactNames(names []string) string {
	sorted := slices.Clone(names)
	slices.SortFunc(sorted, compareNames)
	sorted = slices.Compact(sorted)
	var items []nameItem
	for _, name := range sorted {
		it := nameItem{name: name}
		if stem, n := splitNumber(name); n >= 0 && stem+" "+strconv.Itoa(n) == name {
			it.stem, it.lo, it.hi = stem, n, n
			if len(items) > 0 {
				last := &items[len(items)-1]
				if last.stem == it.stem && last.hi+1 == it.lo && it.hi-last.lo < maxRange {
					last.hi = it.hi
					continue
				}
			}
		}
		items = append(items, it)
	}
	texts := make([]string, len(items))
	for i, it := range items {
		texts[i] = it.name
		if it.lo != it.hi {
			texts[i] = fmt.Sprintf("%s %d-%d", it.stem, it.lo, it.hi)
		}
	}
	return strings.Join(texts, ", ")
}

// compareNames orders names without regard to case, and those that differ in
// the number at their end by that number.
func compareNames(a, b string) int {
	x, y := keyOf(a), keyOf(b)
	return cmp.Or(cmp.Compare(x.stem, y.stem), cmp.Compare(x.n, y.n), cmp.Compare(a, b))
}
