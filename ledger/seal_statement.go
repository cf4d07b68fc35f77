package ledger

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
	"github.com/google/uuid"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// Statement is what a seal says: the message of its tag, as TOML. Digests are
// SHA-256 in lower-case hexadecimal, object names SHA-1 as git has them.
type Statement struct {
	Format   int       `toml:"format"`
	Kind     string    `toml:"kind"` // "seal"
	Unit     string    `toml:"unit"` // model/tag, as the shop that sealed it calls it
	UUID     string    `toml:"uuid"`
	Number   int       `toml:"number"`             // 1 and up without a gap
	Root     string    `toml:"root"`               // the history's first commit
	Head     string    `toml:"head"`               // the commit that is sealed
	Previous string    `toml:"previous,omitempty"` // digest of the content of the tag object before; "" for number 1
	Sealed   time.Time `toml:"sealed"`
	Objects  int       `toml:"objects"` // reachable from head
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
	Name    string `toml:"name"`
	Contact string `toml:"contact,omitempty"`
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

// maxStatement bounds a statement that is read, in bytes.
const maxStatement = 4 << 20

var (
	sha1Form   = regexp.MustCompile(`^[0-9a-f]{40}$`)
	sha256Form = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

// Encode writes the statement. Same statement, same bytes.
func (s *Statement) Encode() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "format = %d\nkind = %s\nunit = %s\nuuid = %s\nnumber = %d\nroot = %s\nhead = %s\n",
		s.Format, quote(s.Kind), quote(s.Unit), quote(s.UUID), s.Number, quote(s.Root), quote(s.Head))
	if s.Previous != "" {
		fmt.Fprintf(&b, "previous = %s\n", quote(s.Previous))
	}
	fmt.Fprintf(&b, "sealed = %s\nobjects = %d\nobjects_sha256 = %s\n", s.Sealed.Format(time.RFC3339), s.Objects, quote(s.ObjectsSHA256))
	fmt.Fprintf(&b, "\n[shop]\nname = %s\n", quote(s.Shop.Name))
	if s.Shop.Contact != "" {
		fmt.Fprintf(&b, "contact = %s\n", quote(s.Shop.Contact))
	}
	for _, p := range s.Persons {
		fmt.Fprintf(&b, "\n[[person]]\nid = %s\nname = %s\n", quote(p.ID), quote(p.Name))
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
		b.WriteString("\n[[rotation]]\n" + r.encode())
	}
	writeDigests(&b, s.Files)
	return []byte(b.String())
}

// writeDigests ends a statement with the table that digests are checked from:
// one line a file, which sed can turn into what sha256sum reads.
func writeDigests(b *strings.Builder, files map[string]string) {
	b.WriteString("\n[files]\n")
	for _, p := range slices.Sorted(maps.Keys(files)) {
		fmt.Fprintf(b, "%s = %s\n", quote(p), quote(files[p]))
	}
}

// quote writes a TOML basic string.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// Digest is the SHA-256 of the statement as it stands in its tag.
func Digest(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// ParseStatement reads a statement, from whomever it comes. A key this program
// does not know is an error: what it says could not be told.
func ParseStatement(data []byte) (*Statement, error) {
	s := &Statement{}
	if err := strictTOML(data, s); err != nil {
		return nil, err
	}
	if s.Format != schema.Format {
		return nil, fmt.Errorf("the statement is of format %d; this program reads format %d", s.Format, schema.Format)
	}
	switch {
	case s.Kind != "seal":
		return nil, fmt.Errorf("the statement is of kind %q, not a seal", s.Kind)
	case checkUnit(s.Unit) != nil:
		return nil, fmt.Errorf("the statement names the unit %q, which is not model/tag", s.Unit)
	case checkUUID(s.UUID) != nil:
		return nil, checkUUID(s.UUID)
	case s.Number < 1 || s.Number > 1_000_000:
		return nil, fmt.Errorf("a seal cannot have the number %d", s.Number)
	case (s.Number == 1) != (s.Previous == ""):
		return nil, fmt.Errorf("seal %d: the first seal has no previous one, all others have", s.Number)
	case s.Previous != "" && !sha256Form.MatchString(s.Previous), !sha256Form.MatchString(s.ObjectsSHA256):
		return nil, fmt.Errorf("seal %d holds a digest that is none", s.Number)
	case !sha1Form.MatchString(s.Root), !sha1Form.MatchString(s.Head):
		return nil, fmt.Errorf("seal %d names a commit that is none", s.Number)
	case s.Sealed.IsZero():
		return nil, fmt.Errorf("seal %d has no date", s.Number)
	case strings.TrimSpace(s.Shop.Name) == "":
		return nil, fmt.Errorf("seal %d does not say which shop made it", s.Number)
	}
	if strings.ContainsAny(s.Shop.Name, "\n\t") {
		return nil, fmt.Errorf("seal %d: the shop's name has more than one line", s.Number)
	}
	for _, p := range s.Persons {
		if strings.ContainsAny(p.ID+p.Name, "\n\t") {
			return nil, fmt.Errorf("seal %d: the name of %.60q has more than one line", s.Number, p.ID)
		}
	}
	for p, d := range s.Files {
		if !sha256Form.MatchString(d) {
			return nil, fmt.Errorf("seal %d: the digest of %.80q is none", s.Number, p)
		}
	}
	for i := range s.Rotations {
		if _, err := s.Rotations[i].parse(); err != nil {
			return nil, fmt.Errorf("seal %d: %w", s.Number, err)
		}
	}
	return s, nil
}

// strictTOML decodes text of ours that a stranger may have written.
func strictTOML(data []byte, into any) error { return strictTOMLUpTo(maxStatement, data, into) }

func strictTOMLUpTo(most int, data []byte, into any) error {
	if len(data) > most {
		return fmt.Errorf("the statement has more than the %d bytes that are read", most)
	}
	if !utf8.Valid(data) {
		return fmt.Errorf("the statement is not UTF-8")
	}
	for _, r := range string(data) {
		if Hidden(r) {
			return fmt.Errorf("the statement holds the hidden character U+%04X", r)
		}
	}
	md, err := toml.Decode(string(data), into)
	if err != nil {
		return fmt.Errorf("the statement is no TOML of the expected form: %w", err)
	}
	if keys := md.Undecoded(); len(keys) > 0 {
		return fmt.Errorf("the statement has the key %.80q, which this program does not know", keys[0].String())
	}
	// What is written with a backslash counts as well.
	var plain map[string]any
	if _, err := toml.Decode(string(data), &plain); err != nil {
		return err
	}
	return checkWords(plain)
}

// checkWords refuses hidden characters in the strings of decoded TOML.
func checkWords(v any) error {
	switch v := v.(type) {
	case string:
		for _, r := range v {
			if Hidden(r) {
				return fmt.Errorf("the statement holds the hidden character U+%04X", r)
			}
		}
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			if err := errors.Join(checkWords(k), checkWords(v[k])); err != nil {
				return err
			}
		}
	case []map[string]any:
		for _, x := range v {
			if err := checkWords(x); err != nil {
				return err
			}
		}
	case []any:
		for _, x := range v {
			if err := checkWords(x); err != nil {
				return err
			}
		}
	}
	return nil
}

// Hidden reports characters that do not show or turn the direction of text
// (Unicode TR 36, UAX 9).
func Hidden(r rune) bool {
	return r < 0x20 && r != '\n' && r != '\t' || r >= 0x7f && r < 0xa0 || r == 0x61c || r == 0x200e || r == 0x200f ||
		r >= 0x2028 && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}

// checkUUID refuses what is not a UUID in its usual form.
func checkUUID(s string) error {
	if u, err := uuid.Parse(s); err != nil || u.String() != s {
		return fmt.Errorf("%.80q is not a UUID in lower case", s)
	}
	return nil
}

// checkUnit refuses what is not model/tag.
func checkUnit(name string) error {
	model, tag, _ := strings.Cut(name, "/")
	if err := CheckSlug("model", model); err != nil {
		return err
	}
	return CheckSlug("tag", tag)
}

// bench is the shop that sealed, as its records are read.
func (s *Statement) bench() *unit.Bench {
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
		if strings.HasSuffix(p, ".toml") && toml.Unmarshal(data, &v) == nil {
			walk(v)
		}
	}
	return out
}

// tell fills in what the shop says about the words its records use.
func (s *Statement) tell(shop *schema.Shop, stock *Stock, own, all map[string][]byte) {
	s.Shop = SealedShop{shop.Name, shop.Contact}
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
	for _, name := range slices.Sorted(maps.Keys(stock.Lots)) {
		if l := stock.Lots[name]; words["lot"][name] {
			s.Lots = append(s.Lots, SealedLot{name, l.Family, l.Part, l.Date})
			words["family"][string(l.Family)] = true
		}
	}
	for f := range named(all)["family"] {
		words["family"][f] = true
	}
	known := schema.NewFamilyList(nil)
	for _, n := range stock.Families.Names() {
		f := stock.Families[schema.FamilyName(n)]
		if words["family"][n] && known[f.Name] != f {
			s.Families = append(s.Families, f)
		}
	}
}
