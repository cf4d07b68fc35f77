package proof

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// Statement is what a seal says: the message of its tag, as TOML. Digests are
// SHA-256 in lower-case hexadecimal, object names SHA-1 as git has them.
type Statement struct {
	Format int    `toml:"format"`
	Kind   string `toml:"kind"` // "seal"
	Unit   string `toml:"unit"` // model/tag, as the shop that sealed it calls it
	UUID   string `toml:"uuid"`
	// Number is one more than the highest of the seals it supersedes; 1 for the
	// first. Two benches that seal beside one another may give the same.
	Number int    `toml:"number"`
	Root   string `toml:"root"` // the history's first commit
	Head   string `toml:"head"` // the commit that is sealed
	// Supersedes holds the digests of the tag objects of every seal below the head
	// that no other one there supersedes, in order.
	Supersedes []string  `toml:"supersedes,omitempty"`
	Sealed     time.Time `toml:"sealed"`
	Objects    int       `toml:"objects"` // reachable from head, and covered by no seal before
	// ObjectsSHA256 is taken over one line for each of them, in order of name:
	// "<name> <type> <digest of its content>\n".
	ObjectsSHA256 string `toml:"objects_sha256"`

	Shop SealedShop `toml:"shop"`
	// What the records name and the unit's folder does not hold. Reports are made
	// from the folder and from this alone.
	Persons         []Person                `toml:"person"`
	TestInstruments []schema.TestInstrument `toml:"test_instrument"`
	Lots            []SealedLot             `toml:"lot"`
	Families        []schema.Family         `toml:"family"`

	Rotations []SignedRotation  `toml:"rotation"`
	Files     map[string]string `toml:"files"` // digest by path in the unit's folder
}

// SealedShop is who sealed.
type SealedShop struct {
	Name    string   `toml:"name"`
	Contact string   `toml:"contact,omitempty"`
	Keys    []string `toml:"keys"` // public keys its people sign with, as OpenSSH writes them
}

// Person is somebody the records name.
type Person struct {
	ID   string `toml:"id"`
	Name string `toml:"name"`
}

// SealedLot is a lot of parts the records name, without where it was bought, for
// how much, and how many.
type SealedLot struct {
	Name   string            `toml:"name"`
	Family schema.FamilyName `toml:"family"`
	Part   schema.Component  `toml:"part"`
	Date   schema.Date       `toml:"date"`
}

// Encode writes the statement. Same statement, same bytes.
func (s *Statement) Encode() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "format = %d\nkind = %s\nunit = %s\nuuid = %s\nnumber = %d\nroot = %s\nhead = %s\n",
		s.Format, Quote(s.Kind), Quote(s.Unit), Quote(s.UUID), s.Number, Quote(s.Root), Quote(s.Head))
	writeList(&b, "supersedes", s.Supersedes)
	fmt.Fprintf(&b, "sealed = %s\nobjects = %d\nobjects_sha256 = %s\n", s.Sealed.Format(time.RFC3339), s.Objects, Quote(s.ObjectsSHA256))
	fmt.Fprintf(&b, "\n[shop]\nname = %s\n", Quote(s.Shop.Name))
	if s.Shop.Contact != "" {
		fmt.Fprintf(&b, "contact = %s\n", Quote(s.Shop.Contact))
	}
	writeList(&b, "keys", s.Shop.Keys)
	for _, p := range s.Persons {
		fmt.Fprintf(&b, "\n[[person]]\nid = %s\nname = %s\n", Quote(p.ID), Quote(p.Name))
	}
	for i := range s.TestInstruments {
		b.Write(schema.EncodeTable("test_instrument", &s.TestInstruments[i]))
	}
	for i := range s.Lots {
		b.Write(schema.EncodeTable("lot", &s.Lots[i]))
	}
	for i := range s.Families {
		b.Write(schema.EncodeTable("family", &s.Families[i]))
	}
	for _, r := range s.Rotations {
		b.WriteString("\n[[rotation]]\n" + r.Encode())
	}
	// One line a file, which sed can turn into what sha256sum reads.
	b.WriteString("\n[files]\n")
	for _, p := range slices.Sorted(maps.Keys(s.Files)) {
		fmt.Fprintf(&b, "%s = %s\n", Quote(p), Quote(s.Files[p]))
	}
	return []byte(b.String())
}

// writeList writes a list of strings, one a line.
func writeList(b *strings.Builder, key string, list []string) {
	if len(list) == 0 {
		return
	}
	b.WriteString(key + " = [\n")
	for _, x := range list {
		b.WriteString("  " + Quote(x) + ",\n")
	}
	b.WriteString("]\n")
}

// ParseStatement reads a statement, from whomever it comes. A key this program
// does not know is an error: what it says could not be told.
// Errors: *TooNewError among others.
func ParseStatement(data []byte) (*Statement, error) {
	if n := formatOf(data); n != 0 {
		if err := checkFormat("statement of a seal", n, acceptedStatements); err != nil {
			return nil, err
		}
	}
	s := &Statement{}
	if err := StrictTOML("statement", MaxStatement, data, s); err != nil {
		return nil, err
	}
	if err := checkFormat("statement of a seal", s.Format, acceptedStatements); err != nil {
		return nil, err
	}
	switch {
	case s.Kind != "seal":
		return nil, fmt.Errorf("the statement is of kind %.40q, not a seal", s.Kind)
	case !IsUnit(s.Unit):
		return nil, fmt.Errorf("the statement names the unit %.120q, which is not model/tag", s.Unit)
	case CheckUUID(s.UUID) != nil:
		return nil, CheckUUID(s.UUID)
	case s.Number < 1 || s.Number > 1_000_000:
		return nil, fmt.Errorf("a seal cannot have the number %d", s.Number)
	case (s.Number == 1) != (len(s.Supersedes) == 0):
		return nil, fmt.Errorf("seal %d: only a first seal, number 1, supersedes none", s.Number)
	case !slices.IsSorted(s.Supersedes) || len(slices.Compact(slices.Clone(s.Supersedes))) != len(s.Supersedes):
		return nil, fmt.Errorf("seal %d names the seals it supersedes out of order, or one of them twice", s.Number)
	case slices.ContainsFunc(s.Supersedes, func(d string) bool { return !sha256Form.MatchString(d) }), !sha256Form.MatchString(s.ObjectsSHA256):
		return nil, fmt.Errorf("seal %d holds an invalid digest", s.Number)
	case !sha1Form.MatchString(s.Root), !sha1Form.MatchString(s.Head):
		return nil, fmt.Errorf("seal %d holds an invalid name of a commit", s.Number)
	case s.Sealed.IsZero():
		return nil, fmt.Errorf("seal %d has no date", s.Number)
	case strings.TrimSpace(s.Shop.Name) == "":
		return nil, fmt.Errorf("seal %d does not say which shop made it", s.Number)
	case strings.ContainsAny(s.Shop.Name, "\n\t"):
		return nil, fmt.Errorf("seal %d: the shop's name has more than one line", s.Number)
	case len(s.Shop.Keys) == 0:
		return nil, fmt.Errorf("seal %d does not list the shop's keys", s.Number)
	}
	for _, k := range s.Shop.Keys {
		if _, err := gitobj.ParseKey(k); err != nil {
			return nil, fmt.Errorf("seal %d, the shop's keys: %w", s.Number, err)
		}
	}
	for _, p := range s.Persons {
		if strings.ContainsAny(p.ID+p.Name, "\n\t") {
			return nil, fmt.Errorf("seal %d: the name of %.60q has more than one line", s.Number, p.ID)
		}
	}
	for p, d := range s.Files {
		if !sha256Form.MatchString(d) {
			return nil, fmt.Errorf("seal %d: the digest of %.80q is invalid", s.Number, p)
		}
	}
	for i := range s.Rotations {
		if _, err := s.Rotations[i].parse(); err != nil {
			return nil, fmt.Errorf("seal %d: %w", s.Number, err)
		}
	}
	return s, nil
}

// Bench is the shop that sealed, as its records are read.
func (s *Statement) Bench() *unit.Bench {
	b := &unit.Bench{Name: s.Shop.Name, Contact: s.Shop.Contact, TestInstruments: s.TestInstruments, Lots: map[string]*schema.Lot{}}
	for _, p := range s.Persons {
		b.Technicians = append(b.Technicians, schema.Technician{ID: p.ID, Name: p.Name})
	}
	for _, l := range s.Lots {
		b.Lots[l.Name] = &schema.Lot{Family: l.Family, Part: l.Part, Date: l.Date}
	}
	return b
}

// named gathers what the records of a unit name by short words: the values of
// the keys by, with, lot and family, wherever they stand.
func named(files map[string][]byte) map[string]map[string]bool {
	out := map[string]map[string]bool{"by": {}, "with": {}, "lot": {}, "family": {}}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, x := range v {
				if s, ok := x.(string); ok && out[k] != nil {
					out[k][s] = true
				}
				walk(x)
			}
		case []any:
			for _, x := range v {
				walk(x)
			}
		case []map[string]any:
			for _, x := range v {
				walk(x)
			}
		}
	}
	for p, data := range files {
		var v map[string]any
		if strings.HasSuffix(p, ".toml") && CheckNesting(data) == nil && toml.Unmarshal(data, &v) == nil {
			walk(v)
		}
	}
	return out
}

// Tell fills in what the shop says about the words its records use: own are the
// files with records of this shop, all are all of the unit's.
func (s *Statement) Tell(shop *schema.Shop, families schema.FamilyList, lots map[string]*schema.Lot, own, all map[string][]byte) {
	s.Shop.Name, s.Shop.Contact = shop.Name, shop.Contact
	words := named(own)
	for _, t := range shop.Technicians {
		if words["by"][t.ID] {
			s.Persons = append(s.Persons, Person{t.ID, t.Name})
		}
	}
	for _, t := range shop.TestInstruments {
		if words["with"][t.ID] {
			x := schema.TestInstrument{ID: t.ID, Name: t.Name}
			for _, k := range t.Calibrations {
				x.Calibrations = append(x.Calibrations, schema.Calibration{Date: k.Date, Due: k.Due})
			}
			s.TestInstruments = append(s.TestInstruments, x)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(lots)) {
		if l := lots[name]; words["lot"][name] {
			s.Lots = append(s.Lots, SealedLot{name, l.Family, l.Part, l.Date})
			words["family"][string(l.Family)] = true
		}
	}
	for f := range named(all)["family"] {
		words["family"][f] = true
	}
	known := schema.NewFamilyList(nil)
	for _, n := range families.Names() {
		f := families[schema.FamilyName(n)]
		if words["family"][n] && known[f.Name] != f {
			s.Families = append(s.Families, f)
		}
	}
}

// errUnsealed is the flaw of a history that nothing vouches for.
var errUnsealed = errors.New("there is no seal over this history, so nothing vouches for all of it")
