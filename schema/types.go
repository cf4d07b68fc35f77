package schema

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"benchlore/schema/edtf"
	"benchlore/schema/pattern"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
	"benchlore/schema/remedy"
)

// A checker is a field whose text has a form of its own.
type checker interface{ Check() error }

// Date is a calendar day, a TOML local date: 2031-03-04 without quotes. The
// zero Date stands for none.
type Date struct{ edtf.Day }

// NewDate returns the day of t in t's own zone.
func NewDate(t time.Time) Date { return Date{edtf.FromTime(t)} }

// ParseDate reads 2031-03-04.
func ParseDate(s string) (Date, error) {
	d, err := edtf.ParseDay(s)
	return Date{d}, err
}

// IsZero reports whether no date is given.
func (d Date) IsZero() bool { return d.Day == edtf.Day{} }

// UnmarshalTOML takes a TOML local date and nothing else.
func (d *Date) UnmarshalTOML(v any) error {
	t, ok := v.(time.Time)
	if !ok || t.Location().String() != "date-local" {
		return fmt.Errorf("must be a date such as 2031-03-04, without quotes and without a time")
	}
	d.Day = edtf.FromTime(t)
	return nil
}

// MarshalText gives 2031-03-04; an absent date gives the empty text.
func (d Date) MarshalText() ([]byte, error) {
	if d.IsZero() {
		return nil, nil
	}
	return []byte(d.String()), nil
}

// EDTF is a date of ISO 8601-2, as written: 1974, 1971/1974, 1974~.
type EDTF string

// Check implements the form of the field.
func (e EDTF) Check() error { _, err := edtf.Parse(string(e)); return err }

// Span returns the first and last day the date may mean; ok is false where
// there is none or it cannot be read.
func (e EDTF) Span() (d edtf.Date, ok bool) {
	if e == "" {
		return d, false
	}
	d, err := edtf.Parse(string(e))
	return d, err == nil
}

// Quantity is a number with a unit, as written: 22 uF, 4u7, 15.02 V.
type Quantity string

// Check implements the form of the field.
func (q Quantity) Check() error { _, err := quantity.Parse(string(q)); return err }

// Parse returns the exact value; ok is false where there is none or it cannot
// be read.
func (q Quantity) Parse() (v quantity.Quantity, ok bool) {
	if q == "" {
		return v, false
	}
	v, err := quantity.Parse(string(q))
	return v, err == nil
}

// NotMeasurable stands in a reading that could not be taken.
const NotMeasurable = "not-measurable"

// Measured is a quantity, or not-measurable.
type Measured string

// Check implements the form of the field.
func (m Measured) Check() error {
	if m == NotMeasurable {
		return nil
	}
	err := Quantity(m).Check()
	if err == nil {
		return nil
	}
	if Nearest(string(m), []string{NotMeasurable}) != "" {
		return remedy.Errorf("%q is not a quantity => write %s", string(m), NotMeasurable)
	}
	return err
}

// Parse returns the exact value; ok is false where nothing was measured.
func (m Measured) Parse() (quantity.Quantity, bool) {
	if m == NotMeasurable {
		return quantity.Quantity{}, false
	}
	return Quantity(m).Parse()
}

// UnitName is a unit alone: cent, mV.
type UnitName string

// Check implements the form of the field.
func (u UnitName) Check() error { _, err := quantity.ParseUnit(string(u)); return err }

// Decimal is an exact amount in quotes: "1250.00".
type Decimal string

var decimalForm = pattern.New(`^-?[0-9]{1,12}(\.[0-9]{1,4})?$`)

func (Decimal) pattern() string { return decimalForm.String() }

// Check implements the form of the field.
func (d Decimal) Check() error {
	if !decimalForm.MatchString(string(d)) {
		return remedy.Errorf("%q is not an amount => write it in quotes with a decimal point and no thousands separator: \"1250.00\"", string(d))
	}
	return nil
}

// Refs is a list of references to positions: C1-C12, C15.
type Refs string

// Check implements the form of the field.
func (r Refs) Check() error { _, err := refs.Parse(string(r)); return err }

// Names is a list of section names: voice 1-4, power supply.
type Names string

// Check implements the form of the field.
func (n Names) Check() error { _, err := refs.ParseNames(string(n)); return err }

// FamilyName is group/kind: capacitor/tantalum.
type FamilyName string

var familyForm = pattern.New(`^[a-z][a-z0-9-]*/[a-z][a-z0-9-]*$`)

func (FamilyName) pattern() string { return familyForm.String() }

// Check implements the form of the field.
func (f FamilyName) Check() error {
	if !familyForm.MatchString(string(f)) {
		return remedy.Errorf("%q is not a family => write group/kind in lower case, such as capacitor/tantalum", string(f))
	}
	return nil
}

// Group returns the part before the slash.
func (f FamilyName) Group() string { g, _, _ := strings.Cut(string(f), "/"); return g }

// Cause is what a part failed from: a position of the unit such as
// "power supply C3", or one of the words of [Causes].
type Cause string

// Causes returns the words caused_by accepts besides a position.
func Causes() []string { return slices.Clone(causes) }

// Word reports whether the cause is one of the words rather than a position.
func (c Cause) Word() bool { return slices.Contains(causes, string(c)) }

// Position splits the cause into section and reference; section is empty where
// it is the same as the line's. ok is false for a word and for text that is no
// position.
func (c Cause) Position() (section string, ref refs.Ref, ok bool) {
	if c == "" || c.Word() {
		return "", "", false
	}
	text := string(c)
	if at := strings.Index(text, "@"); at >= 0 {
		section, text = strings.TrimSpace(text[:at]), text[at:]
	} else if i := strings.LastIndexByte(text, ' '); i >= 0 {
		section, text = strings.TrimSpace(text[:i]), text[i+1:]
	}
	l, err := refs.Parse(text)
	if err != nil || !l.Exact() || len(l.Enumerate()) != 1 {
		return "", "", false
	}
	return section, l.Enumerate()[0], true
}

// Check implements the form of the field.
func (c Cause) Check() error {
	if c.Word() {
		return nil
	}
	if _, _, ok := c.Position(); !ok {
		return remedy.Errorf("%q is neither a position nor a cause => write a section and one reference, such as \"power supply C3\", or one of: %s",
			string(c), strings.Join(causes, ", "))
	}
	return nil
}

// Idents is one short name or several: fault = "F1" or fault = ["F1", "F2"].
type Idents []string

// UnmarshalTOML takes a string or an array of strings.
func (m *Modes) UnmarshalTOML(v any) error {
	words, err := oneOrMore(v)
	*m = nil
	for _, w := range words {
		*m = append(*m, Mode(w))
	}
	return err
}

// UnmarshalTOML takes a string or an array of strings.
func (x *Idents) UnmarshalTOML(v any) error {
	words, err := oneOrMore(v)
	*x = words
	return err
}

func oneOrMore(v any) ([]string, error) {
	switch v := v.(type) {
	case string:
		return []string{v}, nil
	case []any:
		var words []string
		for _, e := range v {
			s, ok := e.(string)
			if !ok {
				return nil, fmt.Errorf("must be text in quotes, or several texts in brackets")
			}
			words = append(words, s)
		}
		return words, nil
	}
	return nil, fmt.Errorf("must be text in quotes, or several texts in brackets")
}

// Values holds the numbers of a table, separated by white space; x stands for
// not measurable.
type Values string

// valueForm is one number of a table, or x. What else [big.Rat] reads, such as
// exponents, other bases and fractions, is a slip here.
var valueForm = pattern.New(`^(x|[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+))$`)

// Check implements the form of the field.
func (v Values) Check() error { _, err := v.Parse(); return err }

// Parse returns one exact number per position, nil where it was not
// measurable. A decimal comma is read.
func (v Values) Parse() ([]*big.Rat, error) {
	var out []*big.Rat
	for i, w := range strings.Fields(string(v)) {
		if w == "x" {
			out = append(out, nil)
			continue
		}
		ok := len(w) <= 20 && valueForm.MatchString(w) // before big.Rat: 1e999999999 would fill the memory
		r := new(big.Rat)
		if ok {
			r, ok = r.SetString(strings.Replace(w, ",", ".", 1))
		}
		if !ok {
			return nil, remedy.Errorf("value %d, %q, is not a number => write plain numbers such as 0.3 -1.2, or x for not measurable", i+1, w)
		}
		out = append(out, r)
	}
	return out, nil
}
