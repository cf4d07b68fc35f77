package unit

import (
	"strings"
	"testing"

	"benchlore/schema"
)

// Whatever a record says, building the unit and drawing its problems never
// panics, and a position is never left with two parts at once.
func FuzzBuild(f *testing.F) {
	for _, name := range samples(f) {
		src, _, _ := sample(f, name)
		for _, r := range src.Records {
			f.Add(r.Name()+".toml", r.Data)
		}
	}
	src, ctx := source(f, base(f))
	intake, _ := schema.DecodeRecord("2029-03-01-intake-a7xk.toml",
		[]byte("kind = \"intake\"\ndate = 2029-03-01\nby = \"mw\"\nreason = \"repair\"\nworks = \"no\"\n"))
	f.Fuzz(func(t *testing.T, name string, data []byte) {
		rec, _ := schema.DecodeRecord(name, data)
		if rec == nil || rec.Head().Date.IsZero() {
			return // without a day there is no before and after
		}
		src := src
		src.Records = []File{
			{Path: unitDir + "/2029-03-01-intake-a7xk.toml", Record: intake},
			{Path: unitDir + "/" + name, Data: data, Record: rec},
		}
		u := Build(src, ctx)
		if d := drawings(u.Problems); len(u.Problems) > 0 && !strings.Contains(d, "\n") {
			t.Errorf("a drawing without a line: %q", d)
		}
		for _, p := range u.Positions {
			for i, o := range p.Occupants {
				if o.Ended.IsZero() && i < len(p.Occupants)-1 {
					t.Errorf("%s: two parts at once: %s", p.Name(), chain(p))
				}
			}
		}
	})
}
