package quantity

import (
	"fmt"
	"math/big"
	"strings"

	"benchlore/schema/pattern"
	"benchlore/schema/remedy"
)

// The letter and digit code of IEC 60062 puts a letter where the decimal point
// would be: 4k7, R47, 3n3, 470R. R, K, M, G and T stand for ohms; p, n, u, m
// and F for farads. Beyond the standard, and common in the trade, are 4H7 for
// henries and 5V1 for volts. A unit may follow to say otherwise: 4u7H.
var (
	afterCode = pattern.New(`^(?:( ?)(Ohm|ohm|F|H))?([A-Z])?$`)
	rkmTail   = pattern.New(`^([RkKMGTpnum])([A-Z])?$`)
)

// rkmUnit gives the unit a code letter stands for.
func rkmUnit(letter string) Unit {
	switch letter {
	case "R":
		return Unit{"", "Ohm"}
	case "K":
		return Unit{"k", "Ohm"}
	case "k", "M", "G", "T":
		return Unit{letter, "Ohm"}
	case "F", "H", "V":
		return Unit{"", letter}
	}
	return Unit{letter, "F"}
}

// tolerances holds the letters of IEC 60062 for symmetrical tolerances, in per
// cent; from memory.
var tolerances = map[string]string{
	"E": "0.005", "L": "0.01", "P": "0.02", "W": "0.05",
	"B": "0.1", "C": "0.25", "D": "0.5", "F": "1", "G": "2", "H": "3", "J": "5", "K": "10", "M": "20", "N": "30",
}

// letterTolerance gives the tolerance, a fraction, that the letter after code
// stands for on a part of the given value.
func letterTolerance(letter, code string, v *big.Rat, u Unit) (*big.Rat, error) {
	if (letter == "F" || letter == "H") && u != (Unit{"", "Ohm"}) && u != (Unit{"k", "Ohm"}) {
		return nil, remedy.Errorf("the last letter of %q can be a unit or a tolerance => write the unit and the tolerance, as in 4.7 MOhm 1 %%", code)
	}
	if strings.Contains("QSTZ", letter) {
		return nil, remedy.Errorf("the last letter of %q stands for an unsymmetrical tolerance => leave it out and put it in the note", code)
	}
	percent, ok := tolerances[letter]
	if !ok {
		return nil, remedy.Errorf("the last letter of %q is no tolerance of IEC 60062 => write the tolerance as in 4k7 5%%", code)
	}
	// Below 10 pF the standard's letters are absolute, in picofarad.
	if u.symbol == "F" && v.Cmp(rat("10e-12")) < 0 && strings.Contains("BCDG", letter) {
		return nil, remedy.Errorf("the tolerance letter of %q is in pF below 10 pF => leave it out and write the tolerance in %%", code)
	}
	return new(big.Rat).Mul(rat(percent), rat("0.01")), nil
}

// parseInner reads a code with digits behind the letter. ok is false if s does
// not have that form.
func parseInner(s string) (q Quantity, ok bool, err error) {
	whole, rest := cutDigits(s)
	if rest == "" || !strings.Contains("RkKMGTpnumFHV", rest[:1]) {
		return Quantity{}, false, nil
	}
	letter := rest[:1]
	part, rest := cutDigits(rest[1:])
	if part == "" {
		return Quantity{}, false, nil
	}
	m := afterCode.FindStringSubmatch(rest)
	if m == nil {
		return Quantity{}, false, nil
	}
	space, unit, tolerance := m[1], m[2], m[3]
	if letter == "V" && whole == "" {
		return Quantity{}, true, remedy.Errorf("%q does not start with a number => write 0V5 or 0.5 V", s)
	}
	if len(whole)+len(part) > maxDigits {
		return Quantity{}, true, fmt.Errorf("%q has more than %d digits", s, maxDigits)
	}
	q.Unit = rkmUnit(letter)
	if unit != "" {
		u, known := spellings[q.Unit.prefix+unit]
		switch {
		case known && (q.Unit.prefix != "" || q.Unit.symbol == u.symbol):
			q.Unit = u
		case tolerance == "" && space == "" && (unit == "F" || unit == "H"):
			tolerance = unit
		default:
			return Quantity{}, true, remedy.Errorf("%q has the code letter of one unit and the name of another => write it as in 4.7 uF", s)
		}
	}
	q.Value = new(big.Rat).Mul(scaled(whole+part, -len(part)), q.Unit.factor())
	if tolerance != "" {
		q.Tolerance, err = letterTolerance(tolerance, s, q.Value, q.Unit)
	}
	return q, true, err
}

// parseTail reads the rest of a code that ends with its letter, as in 470R or
// 4.7k, and a tolerance letter behind it. ok is false if rest does not have
// that form. spaced tells whether a space stood before rest.
func parseTail(s string, v *big.Rat, rest string, spaced bool) (q Quantity, ok bool, err error) {
	m := rkmTail.FindStringSubmatch(rest)
	if m == nil || (spaced && m[2] != "") || (m[1] == "M" && (m[2] == "F" || m[2] == "H")) {
		return Quantity{}, false, nil
	}
	letter, tolerance := m[1], m[2]
	switch {
	case letter == "K" && spaced:
		return Quantity{}, true, remedy.Errorf("%q can be read as kilohm or kelvin => write kOhm or kelvin", s)
	case letter == "m" && tolerance == "":
		return Quantity{}, true, remedy.Errorf("%q can be read as millifarad or metre => write mF, or m after a space", s)
	case letter == "T" && tolerance == "":
		return Quantity{}, true, remedy.Errorf("%q can be read as teraohm or tesla => write TOhm, or T after a space", s)
	}
	q.Unit = rkmUnit(letter)
	q.Value = new(big.Rat).Mul(v, q.Unit.factor())
	if tolerance != "" {
		q.Tolerance, err = letterTolerance(tolerance, s, q.Value, q.Unit)
	}
	return q, true, err
}
