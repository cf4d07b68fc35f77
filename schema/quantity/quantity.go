// Package quantity reads quantities the way a restorer writes them, "22 uF",
// "4u7", "2k2", "15,02 V", exactly and without losing what was written.
//
// Parse reads a value with its unit, ParseUnit a unit alone. Prefixes follow the
// SI Brochure, the letter code IEC 60062.
//
// A number without a unit is an error: the package never guesses one.
package quantity

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"unicode/utf8"

	"benchlore/schema/pattern"
	"benchlore/schema/remedy"
)

// Quantity is a value with its unit. The zero Quantity is none.
type Quantity struct {
	// Text is the quantity as written.
	Text string
	// Value is exact, in the coherent SI unit: ohm, farad, volt, second,
	// metre, kilogram, newton. Ratios are fractions (5 % is 1/20); decibels,
	// cents and degrees Celsius count as they are; rpm is in turns per second.
	Value *big.Rat
	// Unit is the unit as written, prefix included.
	Unit Unit
	// Tolerance is a fraction of the value, to both sides (5 % is 1/20), or
	// nil where none was written.
	Tolerance *big.Rat
}

// tolerancePart splits "10k 5%" and "22 uF +/-20 %".
var tolerancePart = pattern.New(`^(.*?\S) ?(?:\+/-| )[ ]?(\d+(?:[.,]\d+)?) ?%$`)

// splitTolerance gives the submatches of tolerancePart, or nil.
func splitTolerance(text string) []string {
	if !strings.HasSuffix(text, "%") {
		return nil
	}
	return tolerancePart.FindStringSubmatch(text)
}

// Parse reads a quantity: a decimal number (point or comma, exponent allowed)
// and a unit, with or without a space, or a code of IEC 60062. A tolerance in
// per cent, or the letter of IEC 60062 behind a code, may follow. A bare k, M
// or G means ohms and a bare p, n or u farads.
//
// Text is at most 80 bytes and the magnitude of a value other than zero lies
// between 1e-30 and 1e30 in SI units. Errors quote the text and say what to
// write instead.
func Parse(s string) (Quantity, error) {
	if len(s) > maxText {
		return Quantity{}, fmt.Errorf("quantity is longer than %d bytes", maxText)
	}
	if !utf8.ValidString(s) {
		return Quantity{}, fmt.Errorf("quantity %q is not UTF-8", s)
	}
	text := normal(s)
	if text == "" {
		return Quantity{}, remedy.Errorf("quantity is empty => write a number and a unit, as in 22 uF")
	}
	var tolerance *big.Rat
	if m := splitTolerance(text); m != nil {
		t, _, err := scanNumber(m[2])
		if err != nil {
			return Quantity{}, err
		}
		tolerance = t.Mul(t, rat("0.01"))
		if tolerance.Sign() == 0 || tolerance.Cmp(rat("1")) > 0 {
			return Quantity{}, fmt.Errorf("tolerance of %q is not above 0 %% and at most 100 %%", s)
		}
		text = m[1]
	}
	q, err := parseValue(text)
	if err != nil {
		return Quantity{}, err
	}
	if tolerance != nil {
		if q.Tolerance != nil {
			return Quantity{}, remedy.Errorf("%q has two tolerances => leave one out", s)
		}
		if q.Unit.symbol == "%" {
			return Quantity{}, remedy.Errorf("%q has two percentages => write one", s)
		}
		if err := inRange(tolerance); err != nil {
			return Quantity{}, remedy.In(fmt.Sprintf("tolerance of %q", s), err)
		}
		q.Tolerance = tolerance
	}
	if err := inRange(q.Value); err != nil {
		return Quantity{}, remedy.In(strconv.Quote(s), err)
	}
	q.Text = s
	return q, nil
}

// parseValue reads a quantity in normal form that has no tolerance in per cent.
func parseValue(s string) (Quantity, error) {
	if q, ok, err := parseInner(s); ok {
		return q, err
	}
	v, rest, err := scanNumber(s)
	if err != nil {
		return Quantity{}, err
	}
	if rest == "" {
		return Quantity{}, remedy.Errorf("%q has no unit => write one, as in %s", s,
			strings.ReplaceAll("N Ohm, N uF, N V, N mA, N Hz, N mm or N %", "N", strings.TrimSuffix(s, ".")))
	}
	spaced := strings.HasSuffix(strings.TrimSuffix(s, rest), " ")
	// m, T and K are units of their own behind a space and code letters
	// without one; every other unit wins over a code with a tolerance letter.
	u, known := spellings[rest]
	if !known || rest == "K" || (!spaced && (rest == "m" || rest == "T")) {
		if q, ok, err := parseTail(s, v, rest, spaced); ok {
			return q, err
		}
		if u, err = lookup(rest); err != nil {
			return Quantity{}, remedy.In(strconv.Quote(s), err)
		}
	}
	return Quantity{Value: v.Mul(v, u.factor()), Unit: u}, nil
}

// String gives the quantity as it was written.
func (q Quantity) String() string { return q.Text }

// Compatible says whether the two quantities can be compared.
func (q Quantity) Compatible(o Quantity) bool { return q.Unit.Compatible(o.Unit) }

// Cmp compares the values, without regard to tolerances: -1 if q is less than
// o, 0 if they are equal, +1 if it is greater. It fails if the units do not fit
// one another.
func (q Quantity) Cmp(o Quantity) (int, error) {
	if !q.Compatible(o) {
		return 0, mismatch(q, o.Text, o.Unit)
	}
	return q.Value.Cmp(o.Value), nil
}

// In gives the value in the named unit, such as "mV", rounded to the nearest
// float64. It fails if the unit is unknown or does not fit.
func (q Quantity) In(unit string) (float64, error) {
	u, err := ParseUnit(unit)
	if err != nil {
		return 0, err
	}
	if !q.Unit.Compatible(u) {
		return 0, mismatch(q, unit, u)
	}
	f, _ := new(big.Rat).Quo(q.Value, u.factor()).Float64()
	return f, nil
}

func mismatch(q Quantity, text string, u Unit) error {
	return fmt.Errorf("%q and %q do not fit: one is a %s in %v, the other a %s in %v",
		q.Text, text, q.Unit.Dimension(), q.Unit, u.Dimension(), u)
}

// Canonical gives the quantity in a form that depends only on its value, its
// unit without prefix and its tolerance: ASCII, a decimal point, one space, and
// where the unit takes one, the prefix that leaves one to three digits before
// the point, as in "4.7 uF" or "10 kOhm 5 %". Parsing it gives the same value
// again.
func (q Quantity) Canonical() string {
	if q.Value == nil {
		return ""
	}
	u := Unit{"", q.Unit.symbol}
	size := new(big.Rat).Abs(q.Value)
	if size.Sign() != 0 {
		u = q.Unit.engineering(size)
	}
	text := decimal(new(big.Rat).Quo(q.Value, u.factor())) + " " + u.String()
	if q.Tolerance != nil {
		text += " " + decimal(new(big.Rat).Mul(q.Tolerance, rat("100"))) + " %"
	}
	return text
}

// engineering gives the unit with the largest prefix that leaves at least one
// whole unit, or the smallest prefix there is.
func (u Unit) engineering(size *big.Rat) Unit {
	best := Unit{"", u.symbol}
	for _, p := range []string{"T", "G", "M", "k", "", "m", "u", "n", "p"} {
		if p != "" && !strings.Contains(kinds[u.symbol].prefixes, p) {
			continue
		}
		best = Unit{p, u.symbol}
		if best.factor().Cmp(size) <= 0 {
			break
		}
	}
	return best
}
