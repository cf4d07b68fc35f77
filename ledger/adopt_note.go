package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// adoptedDir holds one file for each unit that came from another bench. It
// stays in the shop: what travels says the same by its seals.
const adoptedDir = "adopted"

// Adoption is adopted/<model>/<tag>.toml: where a unit came from, and who let it
// in on what grounds.
type Adoption struct {
	Format   int         `toml:"format"`
	UUID     string      `toml:"uuid"`
	From     string      `toml:"from"` // the shop that handed it over
	Unit     string      `toml:"unit"` // model/tag, as that shop calls it
	Head     string      `toml:"head"` // the commit it came with
	Key      string      `toml:"key"`  // fingerprint of the key that signed the packet
	Accepted string      `toml:"accepted"`
	By       string      `toml:"by"`
	Date     schema.Date `toml:"date"`
	Seals    []string    `toml:"seals"` // the tags of the other benches' seals
}

func adoptionFile(name string) string { return adoptedDir + "/" + name + ".toml" }

func (a *Adoption) encode() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "format = %d\nuuid = %s\nfrom = %s\nunit = %s\nhead = %s\nkey = %s\naccepted = %s\nby = %s\ndate = %s\nseals = [\n",
		a.Format, quote(a.UUID), quote(a.From), quote(a.Unit), quote(a.Head), quote(a.Key), quote(a.Accepted), quote(a.By), a.Date)
	for _, s := range a.Seals {
		b.WriteString("  " + quote(s) + ",\n")
	}
	b.WriteString("]\n")
	return []byte(b.String())
}

func parseAdoption(p string, data []byte) (*Adoption, error) {
	a := &Adoption{}
	err := strictTOML(data, a)
	switch {
	case err != nil:
	case a.Format != schema.Format:
		err = fmt.Errorf("is of format %d; this program reads format %d", a.Format, schema.Format)
	case checkUUID(a.UUID) != nil:
		err = checkUUID(a.UUID)
	case len(a.Seals) == 0:
		err = errors.New("names no seals")
	}
	for _, s := range a.Seals {
		if !sealForm.MatchString(s) {
			err = fmt.Errorf("%.120q is not named as a seal", s)
		}
	}
	if err != nil {
		return nil, &ProblemsError{p + " cannot be read", []schema.Problem{{File: p, Severity: schema.Unreadable, Message: err.Error(),
			Write: "adopt writes this file; restore it with git"}}}
	}
	return a, nil
}

// adoption returns where a unit came from, nil for one that began here.
func (l *Ledger) adoption(name string) (*Adoption, error) {
	if l.root == nil {
		return nil, nil // a quarantine holds nothing but a unit's history
	}
	p := adoptionFile(name)
	data, err := l.read(p)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return parseAdoption(p, data)
}

// elsewhere says which records of a unit were written at other benches.
func (l *Ledger) elsewhere(name string) (map[string]*unit.Bench, error) {
	a, err := l.adoption(name)
	if err != nil || a == nil {
		return nil, err
	}
	chain, err := l.Seals(name)
	if err != nil {
		return nil, err
	}
	return benches(chain, func(s *Seal) bool { return slices.Contains(a.Seals, s.Name) }), nil
}

// benches gives each record the bench whose seal held it first, where that
// bench is another one. Who sealed a record first had it first.
func benches(chain []*Seal, other func(*Seal) bool) map[string]*unit.Bench {
	out := map[string]*unit.Bench{}
	seen := map[string]bool{}
	byShop := map[string]*unit.Bench{}
	for _, s := range chain {
		var b *unit.Bench
		if other(s) {
			b = s.Statement.bench()
			if known := byShop[b.Name]; known == nil {
				byShop[b.Name] = b
			} else {
				// The same shop again: what it said later is on top.
				known.Technicians = append(b.Technicians, known.Technicians...)
				known.TestInstruments = append(b.TestInstruments, known.TestInstruments...)
				for n, lot := range b.Lots {
					known.Lots[n] = lot
				}
				b = known
			}
		}
		for p := range s.Statement.Files {
			if _, _, _, isRecord := schema.ParseName(p); !isRecord || seen[p] {
				continue
			}
			if seen[p] = true; b != nil {
				out[recordName(p)] = b
			}
		}
	}
	return out
}
