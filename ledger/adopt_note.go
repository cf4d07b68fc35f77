package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"benchlore/ledger/proof"
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
		a.Format, proof.Quote(a.UUID), proof.Quote(a.From), proof.Quote(a.Unit), proof.Quote(a.Head), proof.Quote(a.Key), proof.Quote(a.Accepted), proof.Quote(a.By), a.Date)
	for _, s := range a.Seals {
		b.WriteString("  " + proof.Quote(s) + ",\n")
	}
	b.WriteString("]\n")
	return []byte(b.String())
}

func parseAdoption(p string, data []byte) (*Adoption, error) {
	a := &Adoption{}
	err := proof.StrictTOML(p, proof.MaxStatement, data, a)
	switch {
	case err != nil:
	case proof.CheckAdoption(a.Format) != nil:
		err = proof.CheckAdoption(a.Format)
	case proof.CheckUUID(a.UUID) != nil:
		err = proof.CheckUUID(a.UUID)
	case len(a.Seals) == 0:
		err = errors.New("names no seals")
	}
	for _, s := range a.Seals {
		if !proof.SealForm.MatchString(s) {
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
	return proof.Benches(chain, func(s *proof.Seal) bool { return slices.Contains(a.Seals, s.Name) }), nil
}
