package provenance

import (
	"fmt"
	"slices"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// Facts that another bench recorded, before the unit came here with its
// history, are that bench's: their people, test instruments and limits are its
// own, and the report says so wherever it shows them.

// bench is the other bench a record was written at, nil for this one.
func (b *builder) bench(f *unit.File) *unit.Bench {
	if f == nil {
		return nil
	}
	return b.u.Elsewhere[f.Name()]
}

// benchName names the other bench a record was written at, "" for this one.
func (b *builder) benchName(f *unit.File) string {
	o := b.bench(f)
	switch {
	case o == nil:
		return ""
	case page.Clean(o.Name) == "":
		return "another bench"
	}
	return page.Clean(o.Name)
}

// person gives a technician's name from the list of the bench that wrote the
// record, and names that bench where it is another; without a list the id
// is shown.
func (b *builder) person(f *unit.File, id string) string {
	if o := b.bench(f); o != nil {
		return nameOf(o.Technicians, id) + " of " + b.benchName(f)
	}
	if b.in.Shop == nil {
		return page.Clean(id)
	}
	return nameOf(b.in.Shop.Technicians, id)
}

// signedFor is person without the bench.
func (b *builder) signedFor(f *unit.File, id string) string {
	if o := b.bench(f); o != nil {
		return nameOf(o.Technicians, id)
	}
	return b.person(f, id)
}

func nameOf(list []schema.Technician, id string) string {
	for _, t := range list {
		if t.ID == id {
			return page.Clean(t.Name)
		}
	}
	return page.Clean(id)
}

// atBench says where something was recorded, for the end of a sentence; "" for
// this bench.
func atBench(bench string) string {
	if bench == "" {
		return ""
	}
	return " at " + Own(bench)
}

// otherBenches tells on page one how much of the history is another bench's.
func (b *builder) otherBenches() []string {
	type stretch struct {
		records     int
		first, last string
	}
	by := map[string]*stretch{}
	var names []string
	n := 0
	for i := range b.u.Files {
		f := &b.u.Files[i]
		name := b.benchName(f)
		if name == "" {
			continue
		}
		n++
		d := dayText(f.Record.Head().Date)
		s := by[name]
		if s == nil {
			s = &stretch{first: d}
			by[name] = s
			names = append(names, name)
		}
		s.records++
		s.last = d
	}
	if n == 0 {
		return nil
	}
	var out []string
	for _, name := range names {
		s := by[name]
		out = append(out, fmt.Sprintf("%s of the %s, of %s to %s, %s written at %s; shown here as recorded there.", page.Capital(page.Thousands(s.records)),
			page.Plural(len(b.u.Files), "record", "records"), s.first, s.last, wasWere(s.records), Own(name)))
	}
	slices.Sort(out)
	return append(out, "What comes from them is marked with that bench's name. This bench did not see it for itself.")
}

func wasWere(n int) string {
	if n == 1 {
		return "was"
	}
	return "were"
}
