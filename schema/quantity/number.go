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

const (
	maxText     = 80 // bytes of a quantity as written
	maxDigits   = 30 // digits of its number
	maxExponent = 60 // of ten, as written
)

// The smallest and largest magnitude a value may have. They keep the exact
// rationals small; nothing measured at a bench comes near.
var (
	smallest = rat("1e-30")
	largest  = rat("1e30")
)

// spellingOf maps characters that mean the same to the ASCII the parser knows.
var spellingOf = strings.NewReplacer(
	"\u00b5", "u", // micro sign
	"\u03bc", "u", // Greek mu
	"\u03a9", "Ohm", // Greek Omega
	"\u2126", "Ohm", // ohm sign
	"\u00b0 C", "C",
	"\u00b0C", "C",
	"\u2103", "C", // degree Celsius as one character
	"\u2212", "-", // minus sign
	"\u00b1", "+/-",
	"\u00b7", "*", // middle dot
	"\u22c5", "*", // dot operator
	"\u00a0", " ", // no-break space
	"\u2009", " ", // thin space
	"\u202f", " ", // narrow no-break space
)

// normal trims s, replaces the characters of spellingOf and leaves single
// spaces.
func normal(s string) string {
	if strings.IndexFunc(s, func(r rune) bool { return r >= utf8.RuneSelf }) >= 0 {
		s = spellingOf.Replace(s)
	}
	s = strings.Trim(s, " ")
	for strings.Contains(s, "  ") {
		s = strings.ReplaceAll(s, "  ", " ")
	}
	return s
}

var (
	fraction  = pattern.New(`^\d+(?: \d+)?/\d+ ?\pL`)
	notNumber = pattern.New(`(?i)^[+-]?(nan|inf|infinity|ol|o\.l\.?|overload)\b`)
)

// cutDigits splits s behind the digits it starts with.
func cutDigits(s string) (digits, rest string) {
	i := 0
	for i < len(s) && '0' <= s[i] && s[i] <= '9' {
		i++
	}
	return s[:i], s[i:]
}

// scanNumber reads the number at the start of s, in normal form, and returns
// what follows it. The comma and the point are both decimal signs. Grouped
// thousands are refused, and so is a comma before exactly three digits: 15,025
// is one number in one country and another in the next.
func scanNumber(s string) (v *big.Rat, rest string, err error) {
	rest = s
	negative := strings.HasPrefix(rest, "-")
	if negative || strings.HasPrefix(rest, "+") {
		rest = strings.TrimPrefix(rest[1:], " ")
	}
	var sign byte
	var part string
	whole, rest := cutDigits(rest)
	if rest != "" && (rest[0] == '.' || rest[0] == ',') {
		sign = rest[0]
		part, rest = cutDigits(rest[1:])
	}
	if whole == "" && part == "" {
		return nil, "", noNumber(s)
	}
	power := 0
	if exponent, after := cutExponent(rest); exponent != "" {
		power, err = strconv.Atoi(exponent)
		if err != nil || power > maxExponent || power < -maxExponent {
			return nil, "", remedy.Errorf("exponent %s of %q is out of range => a value lies between 1e-30 and 1e30 in SI units", exponent, s)
		}
		rest = after
	}
	if isGrouped(rest) {
		return nil, "", remedy.Errorf("%q has thousands separators => write the digits without them, as in 15025 V", s)
	}
	if strings.Contains(rest, "/") && fraction.MatchString(s) {
		return nil, "", remedy.Errorf("%q has a fraction => write it as a decimal number, as in 0.25 W", s)
	}
	if sign == ',' && len(part) == 3 && strings.Trim(whole, "0") != "" && len(whole) <= 3 {
		return nil, "", remedy.Errorf("%q can be read in two ways => write %s.%s or %s%s", s, whole, part, whole, part)
	}
	if len(whole)+len(part) > maxDigits {
		return nil, "", fmt.Errorf("%q has more than %d digits", s, maxDigits)
	}
	v = scaled(whole+part, power-len(part))
	if negative {
		v.Neg(v)
	}
	return v, strings.TrimLeft(rest, " "), nil
}

// noNumber says why there is no number at the start of s.
func noNumber(s string) error {
	switch {
	case s != "" && (s[0] == '<' || s[0] == '>'):
		return remedy.Errorf("%q is a bound and not a value => write the value, or not-measurable with the reason", s)
	case notNumber.MatchString(s):
		return remedy.Errorf("%q is not a number => write the value, or not-measurable with the reason", s)
	}
	return remedy.Errorf("%q does not start with a number => write one such as 22 uF or 4k7", s)
}

// cutExponent takes e-6 or E6 from the start of s. exponent is "" if there is
// none.
func cutExponent(s string) (exponent, rest string) {
	if s == "" || s[0] != 'e' && s[0] != 'E' {
		return "", s
	}
	sign := s[1:]
	if sign != "" && (sign[0] == '+' || sign[0] == '-') {
		sign = sign[1:]
	}
	digits, rest := cutDigits(sign)
	if digits == "" {
		return "", s
	}
	return s[1 : len(s)-len(rest)], rest
}

// isGrouped tells whether what follows the digits of a number continues it.
func isGrouped(rest string) bool {
	if rest == "" {
		return false
	}
	if rest[0] != ' ' {
		return strings.IndexByte(".,'_", rest[0]) >= 0
	}
	digits, _ := cutDigits(rest[1:])
	return len(digits) == 3
}

// scaled gives the number that the digits stand for times a power of ten.
func scaled(digits string, power int) *big.Rat {
	n, ok := new(big.Int).SetString(digits, 10)
	if !ok {
		panic("quantity: bad digits " + digits)
	}
	ten := big.NewInt(10)
	if power < 0 {
		return new(big.Rat).SetFrac(n, ten.Exp(ten, big.NewInt(int64(-power)), nil))
	}
	return new(big.Rat).SetInt(n.Mul(n, ten.Exp(ten, big.NewInt(int64(power)), nil)))
}

// inRange refuses magnitudes beyond smallest and largest.
func inRange(v *big.Rat) error {
	if v.Sign() == 0 {
		return nil
	}
	// 1e30 lies between two to the 99th and to the 100th.
	if d := v.Num().BitLen() - v.Denom().BitLen(); -98 < d && d < 98 {
		return nil
	}
	a := new(big.Rat).Abs(v)
	if a.Cmp(smallest) < 0 || a.Cmp(largest) > 0 {
		return remedy.Errorf("value is out of range => it must lie between 1e-30 and 1e30 in SI units")
	}
	return nil
}

// decimal writes v, which must have a finite decimal expansion, without loss
// and in no more digits than scanNumber takes. Long runs of zeros become an
// exponent.
func decimal(v *big.Rat) string {
	digits, exact := v.FloatPrec()
	if !exact {
		panic("quantity: " + v.String() + " has no finite decimal expansion")
	}
	if v.Sign() == 0 {
		return "0"
	}
	a := new(big.Rat).Abs(v)
	if a.Cmp(rat("1e-4")) >= 0 && a.Cmp(rat("1e7")) < 0 {
		text := v.FloatString(digits)
		if len(strings.Trim(text, "-")) <= maxDigits {
			return text
		}
	}
	power := 0
	ten := rat("10")
	for m := a; ; {
		switch {
		case m.Cmp(ten) >= 0:
			m.Quo(m, ten)
			power++
			continue
		case m.Cmp(rat("1")) < 0:
			m.Mul(m, ten)
			power--
			continue
		}
		if v.Sign() < 0 {
			m.Neg(m)
		}
		digits, _ = m.FloatPrec()
		return fmt.Sprintf("%se%d", m.FloatString(digits), power)
	}
}
