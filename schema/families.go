package schema

import (
	_ "embed"
	"sort"
	"sync"
)

//go:embed families.toml
var builtinFamilies []byte

var builtin = sync.OnceValue(func() []Family {
	f, problems := Decode[Families]("families.toml", builtinFamilies)
	if len(problems) > 0 {
		panic("built-in families: " + problems[0].Error())
	}
	return f.Families
})

// FamilyList is the families a ledger knows, by name.
type FamilyList map[FamilyName]Family

// NewFamilyList returns the built-in families with a ledger's own on top; own
// may be nil. A family refined by the ledger keeps the built-in text it does
// not replace.
func NewFamilyList(own *Families) FamilyList {
	l := FamilyList{}
	for _, f := range builtin() {
		l[f.Name] = f
	}
	if own == nil {
		return l
	}
	for _, f := range own.Families {
		base := l[f.Name]
		for _, p := range []struct{ to, from *string }{
			{&f.Title, &base.Title}, {&f.Failed, &base.Failed}, {&f.Degraded, &base.Degraded}, {&f.Class, &base.Class},
		} {
			if *p.to == "" {
				*p.to = *p.from
			}
		}
		l[f.Name] = f
	}
	return l
}

// Names returns the families' names in order.
func (l FamilyList) Names() []string {
	names := make([]string, 0, len(l))
	for n := range l {
		names = append(names, string(n))
	}
	sort.Strings(names)
	return names
}

// Title returns how reports call a family.
func (l FamilyList) Title(n FamilyName) string {
	if f, ok := l[n]; ok {
		return f.Title
	}
	return string(n)
}
