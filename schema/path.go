package schema

import "strings"

// FileIs says what a file of a ledger is, by where it lies and how it is named.
type FileIs int

// What a file can be.
const (
	IsOther      FileIs = iota // not a file of a ledger
	IsShop                     // shop.toml
	IsFamilies                 // families.toml
	IsSigners                  // signers
	IsRevoked                  // revoked
	IsGitFile                  // .gitattributes or .gitignore of the ledger
	IsModel                    // models/MODEL.toml
	IsLot                      // lots/LOT.toml
	IsList                     // lists/NAME.toml
	IsKey                      // keys/NAME.toml: a rotation of the shop's key
	IsAdopted                  // adopted/MODEL/TAG.toml: another bench's keys
	IsInstrument               // instruments/MODEL/TAG/instrument.toml
	IsUnitModel                // instruments/MODEL/TAG/model.toml
	IsRecord                   // instruments/MODEL/TAG/DATE-KIND-xxxx.toml
	IsUnitFile                 // any other name in a unit's folder
	IsAttachment               // instruments/MODEL/TAG/photos/... or files/...
	IsBook                     // books/MODEL/TAG/...
	IsBookFile                 // books/MODEL/TAG/files/...
	IsConflict                 // conflicts/...
)

// Path is a file of a ledger, its slash path taken apart once.
type Path struct {
	Is   FileIs
	Unit string // model/tag of what lies in a unit's folder or among its books
	Name string // of the file: the last part of the path

	// Of a record, and of a book entry that is named like one: what its name says.
	Kind string
	Date Date

	whole string
}

// String is the slash path from the ledger.
func (p Path) String() string { return p.whole }

// OfUnit reports whether the file lies in the folder of an instrument, whatever
// it is there.
func (p Path) OfUnit() bool { return p.Unit != "" && strings.HasPrefix(p.whole, "instruments/") }

// Rel is the path of an instrument's file from the instrument's folder, as its
// own branch has it; "" of all others.
func (p Path) Rel() string {
	if !p.OfUnit() {
		return ""
	}
	return p.whole[len(UnitFolder(p.Unit))+1:]
}

// IsRecordIn reports whether a file of a unit is named as a record. rel is its
// path from the unit's folder: an attachment of such a name is no record.
func IsRecordIn(rel string) bool {
	_, _, _, named := ParseName(rel)
	return named && !strings.Contains(rel, "/")
}

// UnitFolder is the folder of a unit, model/tag, from the ledger.
func UnitFolder(unit string) string { return "instruments/" + unit }

// BookFolder is the folder of what only the shop knows about a unit, model/tag.
func BookFolder(unit string) string { return "books/" + unit }

// ParsePath tells what a file of a ledger is from its slash path. It judges the
// folders and the form of the name: a record's kind may be unknown, and a model
// or tag may be no proper folder name.
func ParsePath(s string) Path {
	p := Path{whole: s}
	parts := strings.Split(s, "/")
	p.Name = parts[len(parts)-1]
	toml := strings.HasSuffix(p.Name, ".toml")
	switch n, top := len(parts), parts[0]; {
	case n == 1:
		p.Is = map[string]FileIs{"shop.toml": IsShop, "families.toml": IsFamilies, "signers": IsSigners, "revoked": IsRevoked,
			".gitattributes": IsGitFile, ".gitignore": IsGitFile}[s]
	case n == 2 && toml:
		p.Is = map[string]FileIs{"models": IsModel, "lots": IsLot, "lists": IsList, "keys": IsKey}[top]
	case n == 3 && toml && top == "adopted":
		p.Is = IsAdopted
	case n >= 3 && top == "conflicts":
		p.Is = IsConflict
	case n >= 4 && (top == "instruments" || top == "books"):
		p.Unit = parts[1] + "/" + parts[2]
		date, kind, _, named := ParseName(p.Name)
		if n == 4 && named {
			p.Kind, p.Date = kind, date
		}
		switch {
		case top == "books" && n == 4:
			p.Is = IsBook
		case top == "books" && n == 5 && parts[3] == "files":
			p.Is = IsBookFile
		case top == "books":
		case n > 4 && (parts[3] == "photos" || parts[3] == "files"):
			p.Is = IsAttachment
		case n > 4:
		case p.Name == "instrument.toml":
			p.Is = IsInstrument
		case p.Name == "model.toml":
			p.Is = IsUnitModel
		case named:
			p.Is = IsRecord
		default:
			p.Is = IsUnitFile
		}
	}
	return p
}
