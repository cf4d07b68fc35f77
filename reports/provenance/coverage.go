package provenance

import (
	"cmp"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// handling is how far a position was dealt with, over its whole history.
type handling int

const (
	handlingNone handling = iota
	handlingUntested
	handlingCircuit
	handlingTested
	handlingWorked
)

// handlingOf is the furthest any of a position's lines went.
func (b *builder) handlingOf(p *unit.Position) handling {
	h := handlingNone
	for _, e := range b.events[p] {
		h = max(h, lineHandling(e.Line))
	}
	return h
}

func lineHandling(l schema.PartLine) handling {
	if l.Action != schema.Left && l.Action != schema.Pending {
		return handlingWorked
	}
	switch l.Found {
	case schema.OK, schema.Failed, schema.Degraded, schema.Missing:
		return handlingTested
	case schema.InService:
		return handlingCircuit
	}
	return handlingUntested
}

// coverage counts what was dealt with, in sections whose list of parts is
// complete; elsewhere nobody knows how many there are.
func (b *builder) coverage() {
	c := &b.p.Coverage
	var complete, incomplete []string
	for _, s := range b.u.Sections {
		if s.Complete {
			complete = append(complete, s.Name)
		} else {
			incomplete = append(incomplete, s.Name)
		}
	}
	c.Complete, c.Incomplete = mergedNames(complete), mergedNames(incomplete)
	if len(complete) == 0 {
		c.Note = "The model's list of parts is not complete, so nothing is said about coverage."
	} else if len(incomplete) > 0 {
		c.Note = "The model's list of parts is not complete for " + page.Listed(c.Incomplete) + ", so nothing is said about coverage there."
	}

	by := map[schema.FamilyName]*FamilyCoverage{}
	count := func(n schema.FamilyName, h handling, parts int) {
		if parts == 0 {
			return
		}
		f := by[n]
		if f == nil {
			f = &FamilyCoverage{Family: n, Title: b.family(n)}
			by[n] = f
		}
		f.Listed += parts
		switch h {
		case handlingWorked:
			f.Worked += parts
		case handlingTested:
			f.Tested += parts
		case handlingCircuit:
			f.InService += parts
		case handlingUntested:
			f.Untested += parts
		default:
			f.NotLooked += parts
		}
	}
	dealt := map[string]bool{}
	for _, p := range b.u.Positions {
		if len(b.events[p]) > 0 {
			dealt[p.Section] = true
		}
		if p.Complete && p.InModel {
			count(p.Family, b.handlingOf(p), 1)
		}
	}
	for _, q := range b.u.Pools {
		if len(q.Events) > 0 {
			dealt[q.Section] = true
		}
		if !q.Complete || !q.InModel {
			continue
		}
		// Nobody can tell whether two lines met the same parts of a pool, so a
		// pool's parts are counted by its furthest lines first, up to its size.
		rest := q.Count
		for _, h := range []handling{handlingWorked, handlingTested, handlingCircuit, handlingUntested} {
			most := 0
			for _, e := range q.Events {
				if lineHandling(e.Line) == h {
					most = max(most, e.Line.Count)
				}
			}
			n := min(most, rest)
			count(q.Family, h, n)
			rest -= n
		}
		count(q.Family, handlingNone, rest)
	}
	for _, f := range by {
		c.Families = append(c.Families, *f)
	}
	slices.SortFunc(c.Families, func(x, y FamilyCoverage) int { return cmp.Compare(x.Family, y.Family) })

	seen := map[string]bool{}
	mark := func(section string, to map[string]bool) {
		for _, s := range b.sectionNames(schema.Names(section)) {
			to[s] = true
		}
	}
	b.records(func(f *unit.File, h *schema.Common) {
		switch r := f.Record.(type) {
		case *schema.Measurements:
			for _, m := range r.Readings {
				mark(m.Section, dealt)
			}
			for _, t := range r.Tables {
				mark(t.Section, dealt)
			}
		case *schema.Intake:
			for _, s := range r.Sections {
				mark(s.Name, seen)
			}
			for _, x := range r.Faults {
				mark(x.Section, seen)
			}
		}
	})
	var no, only []string
	for _, s := range b.u.Sections {
		switch {
		case dealt[s.Name]:
		case seen[s.Name]:
			only = append(only, s.Name)
		default:
			no = append(no, s.Name)
		}
	}
	c.NotDealtWith, c.SeenOnly = mergedNames(no), mergedNames(only)
}

// mergedNames writes section names with their numbers run together.
func mergedNames(names []string) []string {
	var out []string
	for _, s := range strings.Split(page.CompactNames(names), ", ") {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

// Letters of the map.
const (
	letterOriginal = 'O'
	letterTaken    = '.'
	letterNew      = 'N'
	letterModified = 'M'
	letterDonor    = 'D'
	letterRepro    = 'R'
	letterUnknown  = '?'
	letterEmpty    = '-'
)

// positionMap draws the sections whose list of parts is complete.
func (b *builder) positionMap() {
	b.p.MapLegend = []MapLetter{
		{string(letterOriginal), "the part it left the factory with, as far as the records say"},
		{string(letterTaken), "no record mentions it; taken to be the part it left the factory with"},
		{string(letterNew), "new part, or unused old stock"},
		{string(letterModified), "changed by a modification"},
		{string(letterDonor), "used part, or from a donor"},
		{string(letterRepro), "reproduction, or made in the shop"},
		{string(letterUnknown), "its age and origin are not known"},
		{string(letterEmpty), "empty"},
	}
	stated := map[string]bool{} // sections an intake calls original
	b.records(func(f *unit.File, h *schema.Common) {
		if r, ok := f.Record.(*schema.Intake); ok {
			for _, s := range r.Sections {
				for _, n := range b.sectionNames(schema.Names(s.Name)) {
					stated[n] = stated[n] || s.Origin == schema.OriginOriginal
				}
			}
		}
	})
	same := map[string][]string{}
	rows := map[string][]MapRow{}
	var order []string
	for _, s := range b.u.Sections {
		if !s.Complete {
			continue
		}
		var ps []*unit.Position
		for _, p := range b.u.Positions {
			if p.Section == s.Name {
				ps = append(ps, p)
			}
		}
		if len(ps) == 0 {
			continue
		}
		slices.SortStableFunc(ps, func(x, y *unit.Position) int {
			switch {
			case refs.Less(x.Ref, y.Ref):
				return -1
			case refs.Less(y.Ref, x.Ref):
				return 1
			}
			return 0
		})
		kinds := map[string]*MapRow{}
		members := map[string][]refs.Ref{}
		var kindOrder []string
		for _, p := range ps {
			k := refKind(p.Ref)
			if kinds[k] == nil {
				kinds[k] = &MapRow{}
				kindOrder = append(kindOrder, k)
			}
			kinds[k].Letters += string(b.letter(p, stated[p.Section]))
			members[k] = append(members[k], p.Ref)
		}
		var out []MapRow
		var text strings.Builder
		for _, k := range kindOrder {
			r := *kinds[k]
			r.Refs = refs.Compact(members[k])
			out = append(out, r)
			text.WriteString(r.Refs + "=" + r.Letters + ";")
		}
		k := text.String()
		if same[k] == nil {
			order = append(order, k)
			rows[k] = out
		}
		same[k] = append(same[k], s.Name)
	}
	for _, k := range order {
		b.p.Map = append(b.p.Map, MapSection{page.CompactNames(same[k]), rows[k]})
	}
}

// refKind is what references of one row have in common: their letters.
func refKind(r refs.Ref) string {
	if strings.HasPrefix(string(r), "@") {
		return "@"
	}
	return strings.Map(func(c rune) rune {
		if c >= '0' && c <= '9' {
			return -1
		}
		return c
	}, strings.TrimRight(string(r), "ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
}

// letter says what sits in a position now.
func (b *builder) letter(p *unit.Position, stated bool) rune {
	o := p.Current()
	if o == nil {
		return letterEmpty
	}
	switch {
	case o.Mod != nil:
		return letterModified
	case o.Origin == schema.OriginUnknown:
		return letterUnknown
	case o.Origin == schema.OriginReplaced:
		if o.Component != nil {
			switch o.Component.Source {
			case schema.SourceDonor, schema.SourceUsed:
				return letterDonor
			case schema.SourceReproduction, schema.SourceShopMade:
				return letterRepro
			}
		}
		return letterNew
	case stated || len(o.Events) > 0:
		return letterOriginal
	}
	return letterTaken
}
