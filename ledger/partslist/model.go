package partslist

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
)

// Growth is what a list adds to a model.
type Growth struct {
	Added   int      // parts
	Same    int      // parts the model has already, alike
	Filled  int      // parts the model knew less of
	New     []string // sections that came into being
	Differs []Note   // parts that the model has otherwise
}

// Grow puts the positions of a list into a model: sections and boards that it does
// not have come into being, positions it has already stay. Where list and model
// differ the model's stays, and is named in Differs; with replace the list's is
// taken. Sections alike with numbers, divider 1 to divider 6, become one with a
// count. The model must be the caller's own.
func Grow(m *schema.Model, l *List, replace bool) Growth {
	g := &grower{m: m, replace: replace, taken: map[string]placed{}}
	g.collapse(l)
	pools := map[string]int{}
	boards, sections := map[string]int{}, map[string]int{} // sets they had before
	for _, b := range m.Boards {
		boards[b.Name+"\x00"+b.Revision] = len(b.Positions)
	}
	for _, s := range m.Sections {
		sections[s.Name] = len(s.Positions)
	}
	for i, p := range l.Positions {
		sets, where := g.home(&l.Positions[i])
		if p.Ref == "" {
			g.pool(sets, p, pools, where)
			continue
		}
		g.put(sets, p, where)
	}
	for i := range m.Boards {
		b := &m.Boards[i]
		b.Positions = compact(b.Positions, boards[b.Name+"\x00"+b.Revision])
	}
	for i := range m.Sections {
		s := &m.Sections[i]
		s.Positions = compact(s.Positions, sections[s.Name])
	}
	return g.Growth
}

type grower struct {
	Growth
	m       *schema.Model
	replace bool
	counts  map[string]SectionName // section of the list, in lower case: how the model is to name it
	taken   map[string]placed      // what this list has put already, by board or section and reference
}

// placed is a position that a list has put into a model.
type placed struct {
	in    string // section
	fresh bool
}

// alike is what two sections must share to be one with a count.
func alike(p Position) string {
	return fmt.Sprint(p.Board, p.Ref, p.Count, p.Family, p.Value, p.Rating, p.Type, p.Note)
}

// collapse finds the sections that differ in their number alone.
func (g *grower) collapse(l *List) {
	g.counts = map[string]SectionName{}
	parts := map[string][]string{}
	for _, p := range l.Positions {
		k := strings.ToLower(p.Section)
		parts[k] = append(parts[k], alike(p))
	}
	families := map[string][]SectionName{}
	for _, s := range l.Sections {
		if s.Count > 1 {
			g.counts[strings.ToLower(s.Name)] = s
			continue
		}
		base, n, ok := numbered(s.Name)
		if ok {
			families[strings.ToLower(base)] = append(families[strings.ToLower(base)], SectionName{base, n})
		}
	}
	for _, list := range families {
		if len(list) < 2 {
			continue
		}
		first, same := "", true
		have := map[int]bool{}
		for i, s := range list {
			text := strings.Join(parts[strings.ToLower(fmt.Sprintf("%s %d", s.Name, s.Count))], "\n")
			if i == 0 {
				first = text
			}
			same = same && text == first
			have[s.Count] = true
		}
		for n := 1; n <= len(list); n++ {
			same = same && have[n]
		}
		if same && len(have) == len(list) {
			for _, s := range list {
				g.counts[strings.ToLower(fmt.Sprintf("%s %d", s.Name, s.Count))] = SectionName{list[0].Name, len(list)}
			}
		}
	}
}

// numbered takes divider 3 apart.
func numbered(name string) (base string, n int, ok bool) {
	i := strings.LastIndex(name, " ")
	if i < 1 {
		return "", 0, false
	}
	n, err := strconv.Atoi(name[i+1:])
	return name[:i], n, err == nil && n >= 1 && name[i+1:] == strconv.Itoa(n)
}

// home finds or makes the population a position belongs to, and names it.
func (g *grower) home(p *Position) (*[]schema.PositionSet, string) {
	s := g.section(p.Section)
	if s == nil {
		name, count := p.Section, 0
		if c, ok := g.counts[strings.ToLower(p.Section)]; ok {
			name, count = c.Name, c.Count
		}
		g.m.Sections = append(g.m.Sections, schema.Section{Name: name, Count: count, Board: p.Board})
		s = &g.m.Sections[len(g.m.Sections)-1]
		g.New = append(g.New, name)
	}
	if s.Board == "" && p.Board != "" && len(s.Positions) == 0 && !s.Complete {
		s.Board = p.Board
	}
	if s.Board == "" {
		return &s.Positions, "section " + s.Name
	}
	for i := range g.m.Boards {
		if b := &g.m.Boards[i]; b.Name == s.Board && (s.Revision == "" || b.Revision == s.Revision) {
			return &b.Positions, strings.TrimSpace("board " + b.Name + " " + b.Revision)
		}
	}
	g.m.Boards = append(g.m.Boards, schema.Board{Name: s.Board})
	return &g.m.Boards[len(g.m.Boards)-1].Positions, "board " + s.Board
}

// section finds the section of the model that a section of the list is.
func (g *grower) section(name string) *schema.Section {
	want := name
	if c, ok := g.counts[strings.ToLower(name)]; ok {
		want = c.Name
	}
	for i := range g.m.Sections {
		s := &g.m.Sections[i]
		if strings.EqualFold(s.Name, want) || strings.EqualFold(s.Name, name) {
			return s
		}
		if base, n, ok := numbered(name); ok && s.Count > 0 && n <= s.Count && strings.EqualFold(s.Name, base) {
			return s
		}
	}
	return nil
}

// setOf finds the set of positions that a reference is in.
func setOf(sets []schema.PositionSet, ref refs.Ref) *schema.PositionSet {
	for i := range sets {
		l, err := refs.Parse(string(sets[i].Ref))
		if sets[i].Ref != "" && err == nil && slices.Contains(l.Enumerate(), ref) {
			return &sets[i]
		}
	}
	return nil
}

func (g *grower) put(sets *[]schema.PositionSet, p Position, where string) {
	key := where + "\x00" + string(p.Ref)
	want := schema.PositionSet{Ref: schema.Refs(p.Ref), Family: p.Family, Value: p.Value, Rating: p.Rating, Type: p.Type, Note: p.Note}
	has := setOf(*sets, p.Ref)
	if has == nil {
		*sets = append(*sets, want)
		g.Added++
		g.taken[key] = placed{p.Section, true}
		return
	}
	if before, ok := g.taken[key]; ok { // the same board in another section
		switch {
		case before.in != p.Section && !sameSet(*has, want):
			g.differs(p, *has, "the board is the same as in "+before.in+"; give one of the two another name if they differ")
		case before.fresh:
			g.Added++
		default:
			g.Same++
		}
		return
	}
	g.taken[key] = placed{p.Section, false}
	switch fills, clashes := compareSets(*has, want, p.Sure); {
	case clashes != "" && !g.replace:
		g.differs(p, *has, "the model was left as it is; to take the list's, add --replace")
		return
	case clashes == "" && !fills:
		g.Same++
		return
	case clashes == "":
		g.Filled++
	default:
		g.Note(p, fmt.Sprintf("%s: was %s, is %s", p.Ref, shown(*has), shown(want)))
	}
	next := *has
	fill(&next, want, p.Sure, g.replace)
	next.Ref = schema.Refs(p.Ref)
	takeOut(sets, p.Ref)
	*sets = append(*sets, next)
}

// Note adds to what differs.
func (g *Growth) Note(p Position, what string) {
	g.Differs = append(g.Differs, Note{p.File, p.Sheet, p.Row, what, ""})
}

func (g *grower) differs(p Position, has schema.PositionSet, write string) {
	want := schema.PositionSet{Family: p.Family, Value: p.Value, Rating: p.Rating, Type: p.Type}
	g.Differs = append(g.Differs, Note{p.File, p.Sheet, p.Row, fmt.Sprintf("%s: the model has %s, the list %s", p.Ref, shown(has), shown(want)), write})
}

func shown(s schema.PositionSet) string {
	return strings.Join(nonEmpty(string(s.Value), string(s.Rating), s.Type, string(s.Family)), ", ")
}

func sameQuantities(a, b schema.Quantity) bool {
	if a == b {
		return true
	}
	x, err1 := quantity.Parse(string(a))
	y, err2 := quantity.Parse(string(b))
	return err1 == nil && err2 == nil && x.Canonical() == y.Canonical()
}

func sameSet(has, want schema.PositionSet) bool {
	fills, clash := compareSets(has, want, true)
	return !fills && clash == ""
}

// compareSets tells whether the list knows more of a position than the model, and
// what of it the model has otherwise. A guessed family contradicts nothing, and of
// words the model's own win.
func compareSets(has, want schema.PositionSet, sure bool) (fills bool, clash string) {
	for _, q := range []struct {
		what string
		a, b schema.Quantity
	}{{"value", has.Value, want.Value}, {"rating", has.Rating, want.Rating}} {
		switch {
		case q.b == "":
		case q.a == "":
			fills = true
		case !sameQuantities(q.a, q.b):
			clash = q.what
		}
	}
	if sure && has.Family != want.Family {
		clash = "family"
	}
	if has.Type == "" && want.Type != "" || has.Note == "" && want.Note != "" {
		fills = true
	}
	return fills, clash
}

// fill takes over what the list says.
func fill(to *schema.PositionSet, from schema.PositionSet, sure, replace bool) {
	for _, q := range []struct {
		to   *schema.Quantity
		from schema.Quantity
	}{{&to.Value, from.Value}, {&to.Rating, from.Rating}} {
		if q.from != "" && (*q.to == "" || replace && !sameQuantities(*q.to, q.from)) {
			*q.to = q.from
		}
	}
	if sure && replace {
		to.Family = from.Family
	}
	for _, s := range []struct {
		to   *string
		from string
	}{{&to.Type, from.Type}, {&to.Note, from.Note}} {
		if s.from != "" && (*s.to == "" || replace) {
			*s.to = s.from
		}
	}
}

// takeOut takes a reference out of the set that has it.
func takeOut(sets *[]schema.PositionSet, ref refs.Ref) {
	for i := range *sets {
		s := &(*sets)[i]
		l, err := refs.Parse(string(s.Ref))
		if s.Ref == "" || err != nil {
			continue
		}
		list := l.Enumerate()
		if at := slices.Index(list, ref); at >= 0 {
			if list = slices.Delete(slices.Clone(list), at, at+1); len(list) == 0 {
				*sets = slices.Delete(*sets, i, i+1)
			} else {
				s.Ref = schema.Refs(refs.Compact(list))
			}
			return
		}
	}
}

// pool puts a number of parts without references: the n-th of its family and value
// in the list is the n-th in the model.
func (g *grower) pool(sets *[]schema.PositionSet, p Position, nth map[string]int, where string) {
	want := schema.PositionSet{Count: p.Count, Family: p.Family, Value: p.Value, Rating: p.Rating, Type: p.Type, Note: p.Note}
	key := fmt.Sprint(where, p.Family, p.Value, p.Rating, p.Type)
	n := 0
	for i := range *sets {
		has := &(*sets)[i]
		if has.Count == 0 || has.Family != want.Family || has.Type != want.Type || !sameQuantities(has.Value, want.Value) || !sameQuantities(has.Rating, want.Rating) {
			continue
		}
		if n++; n <= nth[key] {
			continue
		}
		nth[key]++
		switch {
		case has.Count == want.Count:
			g.Same += p.Count
		case g.replace:
			g.Note(p, fmt.Sprintf("%s: were %d, are %d", shown(*has), has.Count, want.Count))
			has.Count = want.Count
		default:
			g.Differs = append(g.Differs, Note{p.File, p.Sheet, p.Row, fmt.Sprintf("%s: the model has %d, the list %d", shown(*has), has.Count, want.Count), "the model was left as it is; to take the list's, add --replace"})
		}
		return
	}
	nth[key]++
	*sets = append(*sets, want)
	g.Added += p.Count
}

// compact joins the sets behind the first have, which were added one by one, with
// one another where they are alike.
func compact(sets []schema.PositionSet, have int) []schema.PositionSet {
	have = min(have, len(sets))
	out := slices.Clone(sets[:have])
	at := map[schema.PositionSet]int{}
	members := map[int][]refs.Ref{}
	for _, s := range sets[have:] {
		l, err := refs.Parse(string(s.Ref))
		if s.Ref == "" || err != nil {
			out = append(out, s)
			continue
		}
		k := s
		k.Ref = ""
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k], out = i, append(out, s)
		}
		members[i] = append(members[i], l.Enumerate()...)
	}
	for i, list := range members {
		out[i].Ref = schema.Refs(refs.Compact(list))
	}
	return out
}
