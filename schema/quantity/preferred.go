package quantity

import (
	"math"
	"math/big"
	"slices"
)

// e24 is the E24 series of IEC 60063 in hundredths. E12, E6 and E3 take every
// second, fourth and eighth value. The coarse series are a table and not the
// rounded powers of ten because 27 to 47 and 82 depart from those.
var e24 = []int64{
	100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300,
	330, 360, 390, 430, 470, 510, 560, 620, 680, 750, 820, 910,
}

// Preferred says whether v is a value of the series E3, E6, E12, E24, E48, E96
// or E192 of IEC 60063, in any decade. It is false for values that are not
// positive, for values beyond 1e-30 and 1e30, and for any other series.
func Preferred(v *big.Rat, series int) bool {
	if v == nil || v.Sign() <= 0 || inRange(v) != nil {
		return false
	}
	m := new(big.Rat).Set(v)
	ten := rat("10")
	for m.Cmp(rat("1000")) >= 0 {
		m.Quo(m, ten)
	}
	for m.Cmp(rat("100")) < 0 {
		m.Mul(m, ten)
	}
	return m.IsInt() && slices.Contains(eSeries(series), m.Num().Int64())
}

// eSeries gives the values of a series in the decade from 100, in order, or nil
// if there is no such series. E48, E96 and E192 are the powers of the n-th root
// of ten rounded to three digits, but for one value of E192: 920 stands where
// the rule gives 919.
func eSeries(n int) []int64 {
	var values []int64
	switch n {
	case 3, 6, 12, 24:
		for i := 0; i < len(e24); i += len(e24) / n {
			values = append(values, e24[i])
		}
	case 48, 96, 192:
		for i := range n {
			value := int64(math.Round(100 * math.Pow(10, float64(i)/float64(n))))
			if value == 919 {
				value = 920
			}
			values = append(values, value)
		}
	}
	return values
}
