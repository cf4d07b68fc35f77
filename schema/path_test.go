package schema

import (
	"strings"
	"testing"
)

// TestParsePath goes through every kind of file a ledger has, and through names
// that come close to one.
func TestParsePath(t *testing.T) {
	const unit = "astrella-49/4711"
	for p, want := range map[string]Path{
		"shop.toml":            {Is: IsShop},
		"families.toml":        {Is: IsFamilies},
		"signers":              {Is: IsSigners},
		"revoked":              {Is: IsRevoked},
		".gitattributes":       {Is: IsGitFile},
		"models/x.toml":        {Is: IsModel},
		"lots/x.toml":          {Is: IsLot},
		"keys/x.toml":          {Is: IsKey},
		"adopted/m/t.toml":     {Is: IsAdopted},
		"conflicts/m/t/x.toml": {Is: IsConflict},
		"instruments/astrella-49/4711/instrument.toml":                {Is: IsInstrument, Unit: unit},
		"instruments/astrella-49/4711/model.toml":                     {Is: IsUnitModel, Unit: unit},
		"instruments/astrella-49/4711/2031-03-04-parts-7q3f.toml":     {Is: IsRecord, Unit: unit, Kind: "parts"},
		"instruments/astrella-49/4711/.gitattributes":                 {Is: IsUnitFile, Unit: unit},
		"instruments/astrella-49/4711/notes.toml":                     {Is: IsUnitFile, Unit: unit},
		"instruments/astrella-49/4711/photos/2031-03-04-7q3f.jpg":     {Is: IsAttachment, Unit: unit},
		"instruments/astrella-49/4711/files/2031-03-04-parts-aa.toml": {Is: IsAttachment, Unit: unit},
		"books/astrella-49/4711/2031-03-04-invoice-7q3f.toml":         {Is: IsBook, Unit: unit, Kind: "invoice"},
		"books/astrella-49/4711/files/bill.pdf":                       {Is: IsBookFile, Unit: unit},

		"README.md":                        {},
		"models/x.txt":                     {},
		"models/x/y.toml":                  {},
		"models":                           {},
		"instruments/astrella-49/x":        {},
		"instruments/astrella-49/4711/a/b": {Unit: unit},
		"books/astrella-49/4711/a/b":       {Unit: unit},
		"old/shop.toml":                    {},
	} {
		got := ParsePath(p)
		if got.Is != want.Is || got.Unit != want.Unit || got.Kind != want.Kind || got.String() != p {
			t.Errorf("%s: %+v, not %+v", p, got, want)
		}
		rel, inUnit := strings.CutPrefix(p, "instruments/"+unit+"/")
		if got.Rel() != rel && inUnit || got.OfUnit() != inUnit {
			t.Errorf("%s: %q of a unit: %v", p, got.Rel(), got.OfUnit())
		}
		if IsRecordIn(rel) != (got.Is == IsRecord) && inUnit {
			t.Errorf("%s: a record: %v", p, IsRecordIn(rel))
		}
		if (got.Kind != "") != !got.Date.IsZero() {
			t.Errorf("%s: kind %q of %s", p, got.Kind, got.Date)
		}
	}
}
