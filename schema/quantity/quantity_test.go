package quantity

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func mustParse(t interface {
	Helper()
	Fatalf(string, ...any)
}, s string) Quantity {
	t.Helper()
	q, err := Parse(s)
	if err != nil {
		t.Fatalf("Parse(%q): %v", s, err)
	}
	return q
}

// sameQuantity compares everything but the text and the prefix.
func sameQuantity(a, b Quantity) bool {
	if a.Value.Cmp(b.Value) != 0 || a.Unit.Symbol() != b.Unit.Symbol() || (a.Tolerance == nil) != (b.Tolerance == nil) {
		return false
	}
	return a.Tolerance == nil || a.Tolerance.Cmp(b.Tolerance) == 0
}

// The values follow from the SI Brochure, 9th edition: prefixes table 7, hour
// and minute table 8, symbol and number section 5.4; the inch of ips is 25.4 mm
// (NIST SP 811, appendix B.8); from memory. Symbols without a place in the SI
// (cent, dB, rpm, ips, VAC, mVpp) and spellings beside the symbols (u for µ, Meg,
// KOhm, Mhz, MFD, a bare k, M or u, a decimal comma) are common practice, no
// source. The canonical form is ours.
func TestParse(t *testing.T) {
	t.Parallel()
	tests := []struct {
		text      string
		value     string // in the coherent SI unit
		unit      string
		canonical string
	}{
		{"22 uF", "22e-6", "uF", "22 uF"},
		{"22uF", "22e-6", "uF", "22 uF"},
		{"0.47µF", "0.47e-6", "uF", "470 nF"},
		{"0.47 μF", "0.47e-6", "uF", "470 nF"},
		{"100 nF", "100e-9", "nF", "100 nF"},
		{"1e-6 F", "1e-6", "F", "1 uF"},
		{"1 MOhm", "1e6", "MOhm", "1 MOhm"},
		{"1MΩ", "1e6", "MOhm", "1 MOhm"},
		{"1 MΩ", "1e6", "MOhm", "1 MOhm"},
		{"1 Meg", "1e6", "MOhm", "1 MOhm"},
		{"8 Ohm", "8", "Ohm", "8 Ohm"},
		{"33 ohm", "33", "Ohm", "33 Ohm"},
		{"4.7 KOhm", "4700", "kOhm", "4.7 kOhm"},
		{"22 k", "22e3", "kOhm", "22 kOhm"},
		{"10kW", "10e3", "kW", "10 kW"}, // the unit wins over the tolerance letter W
		{"22 M", "22e6", "MOhm", "22 MOhm"},
		{"22 u", "22e-6", "uF", "22 uF"},
		{"15.02 V", "15.02", "V", "15.02 V"},
		{"15,02 V", "15.02", "V", "15.02 V"},
		{"0,125 V", "0.125", "V", "125 mV"},
		{".5 V", "0.5", "V", "500 mV"},
		{"-12 V", "-12", "V", "-12 V"},
		{"−12 V", "-12", "V", "-12 V"},
		{"+5 V", "5", "V", "5 V"},
		{"63 V", "63", "V", "63 V"},
		{"12 mV", "0.012", "mV", "12 mV"},
		{"0 V", "0", "V", "0 V"},
		{"12 VAC", "12", "VAC", "12 VAC"},
		{"12 V AC", "12", "VAC", "12 VAC"},
		{"800 mVpp", "0.8", "mVpp", "800 mVpp"},
		{"1.5 A", "1.5", "A", "1.5 A"},
		{"500 mA", "0.5", "mA", "500 mA"},
		{"440 Hz", "440", "Hz", "440 Hz"},
		{"2 Mhz", "2e6", "MHz", "2 MHz"},
		{"3.2 cent", "3.2", "cent", "3.2 cent"},
		{"-3 dB", "-3", "dB", "-3 dB"},
		{"1203.4 h", "4332240", "h", "1203.4 h"},
		{"90 min", "5400", "min", "90 min"},
		{"20 ms", "0.02", "ms", "20 ms"},
		{"23 C", "23", "C", "23 C"},
		{"23 °C", "23", "C", "23 C"},
		{"23℃", "23", "C", "23 C"},
		{"295 kelvin", "295", "kelvin", "295 kelvin"},
		{"5 %", "0.05", "%", "5 %"},
		{"45 mm", "0.045", "mm", "45 mm"},
		{"2.5 cm", "0.025", "cm", "25 mm"},
		{"52 g", "0.052", "g", "52 g"},
		{"0.2 N", "0.2", "N", "200 mN"},
		{"9.5 cm/s", "0.095", "cm/s", "95 mm/s"},
		{"7.5 ips", "0.1905", "ips", "7.5 ips"},
		{"12 N·m", "12", "Nm", "12 Nm"},
		{"1500 rpm", "25", "rpm", "1500 rpm"},
		{"0.2 T", "0.2", "T", "200 mT"},
		{"2 m", "2", "m", "2 m"},
		{"40 MFD", "40e-6", "uF", "40 uF"},
		{"  22  uF ", "22e-6", "uF", "22 uF"},
		{"22\u00a0uF", "22e-6", "uF", "22 uF"},
		{"1e12 s", "1e12", "s", "1e12 s"},
		{"-1e12 s", "-1e12", "s", "-1e12 s"},
		{"1e-30 cent", "1e-30", "cent", "1e-30 cent"},
		{".123456789012345678901234567891 dB", ".123456789012345678901234567891", "dB", "1.23456789012345678901234567891e-1 dB"},
		{"0.0005 T", "0.0005", "T", "500 uT"},
	}
	for _, tt := range tests {
		q := mustParse(t, tt.text)
		if q.Value.Cmp(rat(tt.value)) != 0 || q.Unit.String() != tt.unit || q.Tolerance != nil {
			t.Errorf("Parse(%q) = %v %v, tolerance %v; want %s %s", tt.text, q.Value, q.Unit, q.Tolerance, tt.value, tt.unit)
		}
		if q.String() != tt.text {
			t.Errorf("Parse(%q).String() = %q", tt.text, q.String())
		}
		if got := q.Canonical(); got != tt.canonical {
			t.Errorf("Parse(%q).Canonical() = %q, want %q", tt.text, got, tt.canonical)
		}
	}
}

// The rows marked * are the examples of IEC 60062 for resistance as public
// summaries of the standard repeat them; the others are from memory, except
// those marked +, which are common practice beyond the standard.
func TestLetterCode(t *testing.T) {
	t.Parallel()
	tests := []struct{ text, value, unit string }{
		{"R47", "0.47", "Ohm"},    // *
		{"4R7", "4.7", "Ohm"},     // *
		{"470R", "470", "Ohm"},    // *
		{"4K7", "4700", "kOhm"},   // *
		{"47K", "47e3", "kOhm"},   // *
		{"47K3", "47300", "kOhm"}, // *
		{"470K", "470e3", "kOhm"}, // *
		{"4M7", "4.7e6", "MOhm"},  // *
		{"2k2", "2200", "kOhm"},
		{"1G", "1e9", "GOhm"},
		{"3T3", "3.3e12", "TOhm"},
		{"p33", "0.33e-12", "pF"},
		{"3p3", "3.3e-12", "pF"},
		{"33p", "33e-12", "pF"},
		{"33p2", "33.2e-12", "pF"},
		{"n33", "0.33e-9", "nF"},
		{"4n7", "4.7e-9", "nF"},
		{"100n", "100e-9", "nF"},
		{"4u7", "4.7e-6", "uF"},
		{"4µ7", "4.7e-6", "uF"},
		{"3m3", "3.3e-3", "mF"},
		{"4F7", "4.7", "F"},
		{"4H7", "4.7", "H"},         // +
		{"5V1", "5.1", "V"},         // +
		{"4.7k", "4700", "kOhm"},    // +
		{"4u7F", "4.7e-6", "uF"},    // +
		{"4u7H", "4.7e-6", "uH"},    // +
		{"2k2 Ohm", "2200", "kOhm"}, // +
		{"2k2Ω", "2200", "kOhm"},    // +
	}
	for _, tt := range tests {
		q := mustParse(t, tt.text)
		if q.Value.Cmp(rat(tt.value)) != 0 || q.Unit.String() != tt.unit || q.Tolerance != nil {
			t.Errorf("Parse(%q) = %v %v, tolerance %v; want %s %s", tt.text, q.Value, q.Unit, q.Tolerance, tt.value, tt.unit)
		}
	}
}

// The letters are those of IEC 60062, from memory; a tolerance in per cent
// behind the value is common practice, no source.
func TestTolerance(t *testing.T) {
	t.Parallel()
	tests := []struct{ text, value, percent, canonical string }{
		{"10k 5%", "10e3", "5", "10 kOhm 5 %"},
		{"10k ±5 %", "10e3", "5", "10 kOhm 5 %"},
		{"10k±5%", "10e3", "5", "10 kOhm 5 %"},
		{"22 uF +/-20%", "22e-6", "20", "22 uF 20 %"},
		{"22 uF 2,5 %", "22e-6", "2.5", "22 uF 2.5 %"},
		{"4k7E", "4700", "0.005", "4.7 kOhm 0.005 %"},
		{"4k7L", "4700", "0.01", "4.7 kOhm 0.01 %"},
		{"4k7P", "4700", "0.02", "4.7 kOhm 0.02 %"},
		{"4k7W", "4700", "0.05", "4.7 kOhm 0.05 %"},
		{"4k7B", "4700", "0.1", "4.7 kOhm 0.1 %"},
		{"4k7C", "4700", "0.25", "4.7 kOhm 0.25 %"},
		{"4k7D", "4700", "0.5", "4.7 kOhm 0.5 %"},
		{"4k7F", "4700", "1", "4.7 kOhm 1 %"},
		{"4k7G", "4700", "2", "4.7 kOhm 2 %"},
		{"4k7H", "4700", "3", "4.7 kOhm 3 %"},
		{"4k7J", "4700", "5", "4.7 kOhm 5 %"},
		{"47KK", "47e3", "10", "47 kOhm 10 %"},
		{"470RM", "470", "20", "470 Ohm 20 %"},
		{"470RN", "470", "30", "470 Ohm 30 %"},
		{"22nJ", "22e-9", "5", "22 nF 5 %"},
		{"4n7K", "4.7e-9", "10", "4.7 nF 10 %"},
		{"4R7F", "4.7", "1", "4.7 Ohm 1 %"},
	}
	for _, tt := range tests {
		q := mustParse(t, tt.text)
		want := new(big.Rat).Quo(rat(tt.percent), rat("100"))
		if q.Value.Cmp(rat(tt.value)) != 0 || q.Tolerance == nil || q.Tolerance.Cmp(want) != 0 {
			t.Errorf("Parse(%q) = %v, tolerance %v; want %s, %s %%", tt.text, q.Value, q.Tolerance, tt.value, tt.percent)
		}
		if got := q.Canonical(); got != tt.canonical {
			t.Errorf("Parse(%q).Canonical() = %q, want %q", tt.text, got, tt.canonical)
		}
	}
}

// Which letters of IEC 60062 stand for unsymmetrical tolerances, and that B, C
// and D are in picofarad below 10 pF, is from memory. What is refused as readable
// in two ways, and the limits of length and range, are ours.
func TestParseErrors(t *testing.T) {
	t.Parallel()
	tests := []struct{ text, want string }{
		{"", "quantity is empty"},
		{"   ", "quantity is empty"},
		{"22", `"22" has no unit: write one, as in 22 Ohm, 22 uF, 22 V`},
		{"15.02", "as in 15.02 Ohm"},
		{"uF", "does not start with a number"},
		{"NaN V", "write the value, or not-measurable with the reason"},
		{"-Inf V", "not-measurable"},
		{"OL", "not-measurable"},
		{">200 MOhm", "is a bound and not a value"},
		{"1/4 W", "as in 0.25 W"},
		{"1,234,567 V", "thousands separators"},
		{"1.234,5 V", "thousands separators"},
		{"1,234.5 V", "thousands separators"},
		{"1 000 V", "thousands separators"},
		{"1'000 V", "thousands separators"},
		{"15,025 V", "write 15.025 or 15025"},
		{"1.2.3 V", "thousands separators"},
		{"22 K", "write kOhm or kelvin"},
		{"22m", "write mF, or m after a space"},
		{"2T", "write TOhm, or T after a space"},
		{"22 MF", "write uF for the microfarad"},
		{"10MF", "write uF for the microfarad"},
		{"10MH", "write mH (m is milli"},
		{"4M7F", "as in 4.7 MOhm 1 %"},
		{"5 mhz", "write MHz or mHz"},
		{"22 uh", "write uH"},
		{"12 frobs", `unknown unit "frobs"`},
		{"22uF/25V", `unknown unit "uF/25V"`},
		{"4k7 F", "code letter of one unit and the name of another"},
		{"100nZ", "unsymmetrical tolerance"},
		{"4k7A", "no tolerance of IEC 60062"},
		{"4n7F F", "unknown unit"},
		{"V5", "write 0V5 or 0.5 V"},
		{"4V7F", "can be a unit or a tolerance"},
		{"5e V", "unknown unit"},
		{"22 mmF", "write pF"},
		{"10k 1,250 %", "read in two ways"},
		{"10k 0.00000000000000000000000000001%", "out of range"},
		{strings.Repeat("1", 20) + "k" + strings.Repeat("1", 11), "more than 30 digits"},
		{"4p7C", "in pF below 10 pF"},
		{"4k7J 5%", "two tolerances"},
		{"5 % 1 %", "two percentages"},
		{"10k 0%", "above 0 % and at most 100 %"},
		{"10k 150%", "above 0 % and at most 100 %"},
		{"1e31 V", "out of range"},
		{"1e-31 V", "out of range"},
		{"1e999999999 V", "out of range"},
		{"1e99999999999999999999 V", "out of range"},
		{"1e-20 pF", "out of range"},
		{strings.Repeat("1", 31) + " V", "more than 30 digits"},
		{strings.Repeat("1", 81), "longer than 80 bytes"},
		{"22 \u202euF", `\u202e`},
		{"22 uF\x00", `\x00`},
		{"22 \xff", "not UTF-8"},
	}
	for _, tt := range tests {
		q, err := Parse(tt.text)
		if err == nil {
			t.Errorf("Parse(%q) = %v, want an error with %q", tt.text, q.Canonical(), tt.want)
		} else if !strings.Contains(err.Error(), tt.want) {
			t.Errorf("Parse(%q): %v; want %q in it", tt.text, err, tt.want)
		}
	}
}

// The factors are those of the SI Brochure, 9th edition, table 7.
func TestPrefixes(t *testing.T) {
	t.Parallel()
	for prefix, power := range map[string]int{"n": -9, "u": -6, "µ": -6, "m": -3, "": 0, "k": 3, "K": 3, "M": 6, "G": 9, "T": 12} {
		got := mustParse(t, "1 "+prefix+"Ohm").Value
		if want := rat(fmt.Sprintf("1e%d", power)); got.Cmp(want) != 0 {
			t.Errorf("1 %sOhm = %v, want %v", prefix, got, want)
		}
	}
	if got := mustParse(t, "1 pF").Value; got.Cmp(rat("1e-12")) != 0 {
		t.Errorf("1 pF = %v", got)
	}
	if got := mustParse(t, "1 cm").Value; got.Cmp(rat("1e-2")) != 0 {
		t.Errorf("1 cm = %v", got)
	}
}

// The inch is 25.4 mm, the standard acceleration 9.80665 m/s² (SI Brochure,
// 9th edition, and NIST SP 811 appendix B.8, from memory).
func TestConversions(t *testing.T) {
	t.Parallel()
	tests := []struct {
		text, unit string
		want       float64
	}{
		{"15.02 V", "mV", 15020},
		{"1 h", "min", 60},
		{"1 in", "mm", 25.4},
		{"7.5 ips", "cm/s", 19.05},
		{"100 gf", "N", 0.980665},
		{"1 kg", "g", 1000},
		{"5 %", "%", 5},
		{"1200 rpm", "rpm", 1200},
		{"1 Ah", "mAh", 1000},
	}
	for _, tt := range tests {
		got, err := mustParse(t, tt.text).In(tt.unit)
		if err != nil || !(math.Abs(got-tt.want) <= 1e-12*tt.want) {
			t.Errorf("%s in %s = %v, %v; want %v", tt.text, tt.unit, got, err, tt.want)
		}
	}
	if _, err := mustParse(t, "1 V").In("mA"); err == nil || !strings.Contains(err.Error(), "current in mA") {
		t.Errorf("1 V in mA: %v", err)
	}
	if _, err := mustParse(t, "1 V").In("volt-ish"); err == nil || !strings.Contains(err.Error(), "unknown unit") {
		t.Errorf("1 V in an unknown unit: %v", err)
	}
}

// Equal by the prefixes and by 1 h = 60 min (SI Brochure, tables 7 and 8). That
// peak, effective and mean voltages, and levels against different references, do
// not compare is common practice, no source.
func TestCmp(t *testing.T) {
	t.Parallel()
	tests := []struct {
		a, b string
		want int
	}{
		{"4k7", "4.7 kOhm", 0},
		{"0.47 uF", "470 nF", 0},
		{"1 V", "999 mV", 1},
		{"-12 V", "5 mV", -1},
		{"90 min", "1.5 h", 0},
		{"10k 5%", "10k", 0},
	}
	for _, tt := range tests {
		got, err := mustParse(t, tt.a).Cmp(mustParse(t, tt.b))
		if err != nil || got != tt.want {
			t.Errorf("%s against %s = %d, %v; want %d", tt.a, tt.b, got, err, tt.want)
		}
	}
	for _, pair := range [][2]string{{"1 V", "1 A"}, {"12 VAC", "12 V"}, {"1 Vpp", "1 Vrms"}, {"300 kelvin", "27 C"}, {"1 dBu", "1 dBV"}, {"5 %", "5 cent"}} {
		a, b := mustParse(t, pair[0]), mustParse(t, pair[1])
		if a.Compatible(b) {
			t.Errorf("%s and %s are compatible", a, b)
		}
		_, err := a.Cmp(b)
		if err == nil || !strings.Contains(err.Error(), pair[0]) || !strings.Contains(err.Error(), pair[1]) {
			t.Errorf("%s against %s: %v; want both named", a, b, err)
		}
	}
	if (Quantity{}).Compatible(Quantity{}) {
		t.Error("two quantities without a unit are compatible")
	}
}

// Symbols of the SI Brochure, tables 2, 4 and 7; the other spellings are common
// practice, no source.
func TestParseUnit(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"mV": "mV", "cent": "cent", "kΩ": "kOhm", "K": "kelvin", "°C": "C", "%": "%", "V p-p": "Vpp", "μs": "us", "m": "m", "T": "T", "mNm": "mNm",
	} {
		u, err := ParseUnit(text)
		if err != nil || u.String() != want {
			t.Errorf("ParseUnit(%q) = %v, %v; want %s", text, u, err, want)
		}
	}
	for text, want := range map[string]string{"": "no unit", "MV": "write mV", "xyz": "unknown unit", "mdB": "unknown unit", strings.Repeat("m", 99): "longer than"} {
		if u, err := ParseUnit(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParseUnit(%q) = %v, %v; want %q", text, u, err, want)
		}
	}
}

// Two units that could be spelled alike would make one of them unreachable.
func TestSpellingsDistinct(t *testing.T) {
	t.Parallel()
	seen := map[string]Unit{}
	add := func(name string, u Unit) {
		if o, ok := seen[name]; ok && o != u {
			t.Errorf("%q spells both %v and %v", name, o, u)
		}
		seen[name] = u
	}
	for _, k := range kindList {
		for _, name := range append([]string{k.symbol}, k.aliases...) {
			add(name, Unit{"", k.symbol})
			for _, p := range k.prefixes {
				add(string(p)+name, Unit{string(p), k.symbol})
			}
		}
	}
	for name, u := range slips {
		add(name, u)
	}
	for name, u := range seen {
		if name != normal(name) {
			t.Errorf("spelling %q is not in the form that is looked up", name)
		}
		if back, err := ParseUnit(u.String()); err != nil || back != u {
			t.Errorf("ParseUnit(%q) = %v, %v", u.String(), back, err)
		}
	}
}

func TestCanonicalKeepsValue(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := drawQuantity(t, ".")
		q := mustParse(t, text)
		back := mustParse(t, q.Canonical())
		if !sameQuantity(q, back) {
			t.Fatalf("%q: canonical %q reads as %v %v", text, q.Canonical(), back.Value, back.Unit)
		}
		if back.Canonical() != q.Canonical() {
			t.Fatalf("%q: canonical form of %q is %q", text, q.Canonical(), back.Canonical())
		}
	})
}

func TestCommaIsPoint(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := drawQuantity(t, ".")
		comma := strings.Replace(text, ".", ",", 1)
		b, err := Parse(comma)
		if err != nil {
			if strings.Contains(err.Error(), "read in two ways") {
				return
			}
			t.Fatal(err)
		}
		if !sameQuantity(mustParse(t, text), b) {
			t.Fatalf("%q and %q differ", text, comma)
		}
	})
}

// drawQuantity draws a quantity with a fraction behind the given decimal sign.
func drawQuantity(t *rapid.T, sign string) string {
	var names []string
	for _, k := range kindList {
		for _, p := range append([]string{""}, strings.Split(k.prefixes, "")...) {
			names = append(names, p+k.symbol)
		}
	}
	text := rapid.SampledFrom([]string{"", "-"}).Draw(t, "minus") +
		rapid.StringMatching(`\d{1,8}`).Draw(t, "whole") + sign + rapid.StringMatching(`\d{1,8}`).Draw(t, "part") +
		rapid.SampledFrom([]string{"", " "}).Draw(t, "space")
	name := rapid.SampledFrom(names).Draw(t, "unit")
	if name == "m" || name == "T" {
		text = strings.TrimRight(text, " ") + " "
	}
	text += name
	if name != "%" {
		text += rapid.SampledFrom([]string{"", " 5 %", " 0.1 %"}).Draw(t, "tolerance")
	}
	return text
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"22 uF", "4u7", "2k2", "R47", "15,02 V", "1MΩ", "10k ±5%", "4k7J", "1e-6 F", "-3 dB", "22 K", "1,000 V", "4u7H", "5V1", "1e30 V", "23 °C", "1e-28 rpm 0.1%", ".123456789012345678901234567891 dB"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		q, err := Parse(s)
		if err != nil {
			return
		}
		if q.Text != s {
			t.Fatalf("%q kept as %q", s, q.Text)
		}
		back, err := Parse(q.Canonical())
		if err != nil {
			t.Fatalf("%q: canonical form: %v", s, err)
		}
		if !sameQuantity(q, back) {
			t.Fatalf("%q: canonical form %q has another value", s, q.Canonical())
		}
	})
}
