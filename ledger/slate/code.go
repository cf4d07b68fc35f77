// Package slate is about the codes that are photographed before pictures: what
// they say, and how they are read from a photograph.
//
// A slate is a QR code of 20 characters with the plain words beside it. It names
// a unit, one of its sections and, if it was printed so, the stage of the work:
//
//	BL1 7Q3FK0ZD 9M2TX 1 4HC
//	|   |        |     | the check: the first 15 bits of the SHA-256 of the 17 before it
//	|   |        |     the stage: 0 none, 1 as-found, 2 after-repair, 3 after-soak, 4 as-left
//	|   |        the section: the first 25 bits of the SHA-256 of its name; 00000: the whole unit
//	|   the unit: the first 40 bits of the SHA-256 of its UUID in small letters
//	the kind of code and its version
//
// Blanks and hyphens are for the eye and not in the QR code. The letters are those of
// Crockford's Base32, which has no I, L, O and U; capitals and small letters are the
// same, and O is read as 0, I and L as 1. The digest of a section's name is taken over
// its words in small letters (Unicode NFC), one blank between. A unit may be renamed: its
// UUID stays. A section that was renamed is found by any of its former names that
// the reader of the code still knows.
package slate

import (
	"crypto/sha256"
	"regexp"
	"strings"

	"golang.org/x/text/unicode/norm"
)

// prefix begins every slate of this version.
const prefix = "BL1"

// alphabet is Crockford's Base32.
const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// Whole is the section part of a slate for the whole unit.
const Whole = "00000"

// stages are the words of a slate's stage, by their digit. They are those of a photograph's
// stage, and never change their place.
var stages = []string{"", "as-found", "after-repair", "after-soak", "as-left"}

// Mark is what a code says: the parts of a slate, or for the label inside a case
// the UUID of its unit alone.
type Mark struct {
	Unit    string // 8 characters, see [UnitPart]
	Section string // 5 characters, see [SectionPart]; [Whole]: the whole unit
	Stage   string // "", or the stage of photographs
	Label   bool   // it is the label inside the case, which stands for the whole unit
}

// Kind says what sort of code a text is.
type Kind int

// Kinds of codes.
const (
	Foreign Kind = iota // not one of ours
	Good                // a slate or label
	Damaged             // it begins like a slate, but its check is wrong
	Newer               // of a later version of this program
)

// digest is the first n characters, of five bits, of the SHA-256 of a text.
func digest(s string, n int) string {
	sum := sha256.Sum256([]byte(s))
	out := make([]byte, n)
	for i := range out {
		bit := 5 * i
		pair := uint(sum[bit/8])<<8 | uint(sum[bit/8+1])
		out[i] = alphabet[pair>>(11-bit%8)&31]
	}
	return string(out)
}

// UnitPart stands for a unit, by its UUID.
func UnitPart(uuid string) string { return digest(strings.ToLower(strings.TrimSpace(uuid)), 8) }

// SectionPart stands for a section, by its name; "" is the whole unit.
func SectionPart(name string) string {
	name = strings.Join(strings.Fields(strings.ToLower(norm.NFC.String(name))), " ")
	if name == "" {
		return Whole
	}
	return digest(name, 5)
}

// Text is what the code of a slate says. A stage that photographs do not have
// is left out.
func Text(uuid, section, stage string) string {
	s := prefix + UnitPart(uuid) + SectionPart(section)
	at := 0
	for i, word := range stages {
		if word == stage {
			at = i
		}
	}
	s += alphabet[at : at+1]
	return s + digest(s, 3)
}

// Spaced is a slate's text as it is printed for the eye.
func Spaced(text string) string {
	if len(text) != 20 {
		return text
	}
	return text[:3] + " " + text[3:11] + " " + text[11:16] + " " + text[16:17] + " " + text[17:]
}

var (
	someSlate = regexp.MustCompile(`^BL[0-9A-Z]{4,60}$`)
	labelText = regexp.MustCompile(`^benchlore:1:([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}):[0-9a-f]{40}:[0-9a-f]*$`)
	eyeOnly   = strings.NewReplacer(" ", "", "-", "")
	lookAlike = strings.NewReplacer("O", "0", "I", "1", "L", "1")
)

// Parse reads a code's text, as a QR code has it or as a person types it.
func Parse(text string) (Mark, Kind) {
	if m := labelText.FindStringSubmatch(strings.ToLower(strings.TrimSpace(text))); m != nil {
		return Mark{Unit: UnitPart(m[1]), Section: Whole, Label: true}, Good
	}
	s := eyeOnly.Replace(strings.ToUpper(strings.TrimSpace(text)))
	if len(s) > len(prefix) && s[:2] == "BL" {
		s = s[:2] + lookAlike.Replace(s[2:])
	}
	switch {
	case !someSlate.MatchString(s):
		return Mark{}, Foreign
	case s[:3] != prefix && len(s) >= 12 && s[2] >= '2' && s[2] <= '9':
		return Mark{}, Newer
	case s[:3] != prefix:
		return Mark{}, Foreign
	case len(s) != 20 || digest(s[:17], 3) != s[17:]:
		return Mark{}, Damaged
	}
	stage := strings.IndexByte(alphabet, s[16])
	if stage < 0 || stage >= len(stages) {
		return Mark{}, Newer
	}
	return Mark{Unit: s[3:11], Section: s[11:16], Stage: stages[stage]}, Good
}
