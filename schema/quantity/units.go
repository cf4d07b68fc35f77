package quantity

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	"benchlore/schema/remedy"
)

// Unit is a unit of measurement with its SI prefix, if any: mV, kOhm, min.
// Units are comparable with ==; two spellings of one unit (Ω, ohm, Ohm) are
// the same Unit. The zero Unit is no unit at all.
type Unit struct {
	prefix string // "", "p", "n", "u", "m", "c", "k", "M", "G" or "T"
	symbol string // key of kinds
}

// String gives the unit in ASCII: "uF", "kOhm", "C" for the degree Celsius.
func (u Unit) String() string { return u.prefix + u.symbol }

// Symbol gives the unit without its prefix: "F" for uF.
func (u Unit) Symbol() string { return u.symbol }

// Dimension names what the unit measures, such as "voltage". Units of the same
// dimension can be compared.
func (u Unit) Dimension() string { return kinds[u.symbol].dimension }

// Compatible says whether values in the two units can be compared.
func (u Unit) Compatible(o Unit) bool {
	return u.symbol != "" && u.Dimension() == o.Dimension()
}

// factor is the size of the unit in the coherent SI unit of its dimension. It
// is shared and must not be changed.
func (u Unit) factor() *big.Rat { return factors[u] }

// A kind is a unit without prefix.
type kind struct {
	symbol    string
	dimension string
	factor    *big.Rat // size in the coherent SI unit
	prefixes  string   // those allowed, one letter each
	aliases   []string // further spellings that take the same prefixes
}

// prefixes holds the SI prefixes in use (SI Brochure, 9th edition, table 7).
var prefixes = map[string]*big.Rat{
	"":  rat("1"),
	"p": rat("1e-12"),
	"n": rat("1e-9"),
	"u": rat("1e-6"),
	"m": rat("1e-3"),
	"c": rat("1e-2"),
	"k": rat("1e3"),
	"M": rat("1e6"),
	"G": rat("1e9"),
	"T": rat("1e12"),
}

// kindList is the table of units.
//
// The alternating, direct, effective and peak-to-peak volt are dimensions of
// their own: 12 VAC and 12 V from a supply rail are not the same reading, and
// no factor relates Vpp to Vrms without knowing the waveform.
//
// The degree Celsius and the kelvin do not convert either. A reading needs the
// offset of 273.15 and a spread must not have it, and the text does not say
// which of the two it is.
//
// Prefixes are left out where only a slip would use them: "MF" is a microfarad
// on an old drawing and never a megafarad.
var kindList = []kind{
	{"Ohm", "resistance", rat("1"), "numkMGT", []string{"ohm", "ohms", "Ohms", "OHM", "OHMS"}},
	{"F", "capacitance", rat("1"), "pnum", []string{"f", "farad"}},
	{"H", "inductance", rat("1"), "pnum", []string{"henry"}},
	{"V", "voltage", rat("1"), "numk", []string{"v", "volt", "volts"}},
	{"Vrms", "effective voltage", rat("1"), "umk", []string{"VRMS", "V rms", "V RMS"}},
	{"Vpp", "peak-to-peak voltage", rat("1"), "umk", []string{"VPP", "Vp-p", "V pp", "V p-p"}},
	{"VAC", "alternating voltage", rat("1"), "umk", []string{"Vac", "V AC", "V ac", "V~"}},
	{"VDC", "direct voltage", rat("1"), "umk", []string{"Vdc", "V DC", "V dc"}},
	{"A", "current", rat("1"), "pnumk", []string{"a", "amp", "amps"}},
	{"Ah", "charge", rat("3600"), "m", nil},
	{"W", "power", rat("1"), "numk", []string{"w", "watt", "watts"}},
	{"VA", "apparent power", rat("1"), "mk", nil},
	{"Hz", "frequency", rat("1"), "mkMG", nil},
	{"s", "time", rat("1"), "num", []string{"sec"}},
	{"min", "time", rat("60"), "", []string{"mins", "minute", "minutes"}},
	{"h", "time", rat("3600"), "", []string{"hr", "hrs", "hour", "hours"}},
	{"dB", "level difference", rat("1"), "", []string{"db"}},
	{"dBu", "level re 0.775 V", rat("1"), "", nil},
	{"dBV", "level re 1 V", rat("1"), "", nil},
	{"dBm", "level re 1 mW", rat("1"), "", nil},
	{"cent", "pitch interval", rat("1"), "", []string{"cents"}},
	{"%", "ratio", rat("0.01"), "", []string{"percent"}},
	{"C", "Celsius temperature", rat("1"), "", []string{"degC", "deg C"}},
	{"kelvin", "thermodynamic temperature", rat("1"), "", nil},
	{"m", "length", rat("1"), "umck", nil},
	{"in", "length", rat("0.0254"), "", []string{"inch", "inches"}},
	{"g", "mass", rat("0.001"), "umk", nil},
	{"N", "force", rat("1"), "umck", nil},
	{"gf", "force", rat("0.00980665"), "k", nil},
	{"Nm", "torque", rat("1"), "umck", []string{"N m", "N*m"}},
	{"rpm", "rotational speed", big.NewRat(1, 60), "", []string{"RPM"}},
	{"m/s", "speed", rat("1"), "umck", nil},
	{"ips", "speed", rat("0.0254"), "", []string{"in/s"}},
	{"T", "magnetic flux density", rat("1"), "num", nil},
}

// slips are spellings of one unit each that are common and cannot be read as
// anything else. MFD and MMFD are how capacitors and drawings of the period
// write micro- and picofarad (common practice, no source).
var slips = map[string]Unit{
	"R":      {"", "Ohm"},
	"Meg":    {"M", "Ohm"},
	"meg":    {"M", "Ohm"},
	"MEG":    {"M", "Ohm"},
	"megohm": {"M", "Ohm"},
	"Megohm": {"M", "Ohm"},
	"UF":     {"u", "F"},
	"NF":     {"n", "F"},
	"PF":     {"p", "F"},
	"mfd":    {"u", "F"},
	"MFD":    {"u", "F"},
	"ufd":    {"u", "F"},
	"mmfd":   {"p", "F"},
	"MMFD":   {"p", "F"},
	"hz":     {"", "Hz"},
	"HZ":     {"", "Hz"},
	"khz":    {"k", "Hz"},
	"KHZ":    {"k", "Hz"},
	"Khz":    {"k", "Hz"},
	"Mhz":    {"M", "Hz"},
	"MHZ":    {"M", "Hz"},
	"K":      {"", "kelvin"},
}

var (
	kinds     = map[string]kind{}
	spellings = map[string]Unit{} // every spelling of every unit, prefix included
	factors   = map[Unit]*big.Rat{}
)

func init() {
	for _, k := range kindList {
		kinds[k.symbol] = k
		for _, name := range append([]string{k.symbol}, k.aliases...) {
			spellings[name] = Unit{"", k.symbol}
			for _, p := range k.prefixes {
				u := Unit{string(p), k.symbol}
				spellings[string(p)+name] = u
				if p == 'k' {
					spellings["K"+name] = u
				}
			}
		}
	}
	for name, u := range slips {
		spellings[name] = u
	}
	for _, u := range spellings {
		factors[u] = new(big.Rat).Mul(kinds[u.symbol].factor, prefixes[u.prefix])
	}
}

// rat reads a literal of this package.
func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("quantity: bad literal " + s)
	}
	return r
}

// ParseUnit reads a unit as it stands in the heading of a table or behind a
// number: "mV", "kΩ", "cent", "V AC". The case of a prefix counts (m is milli,
// M is mega), except that K is taken for k. The error for an unknown unit names
// the ones that may have been meant.
func ParseUnit(s string) (Unit, error) {
	if len(s) > maxText {
		return Unit{}, fmt.Errorf("unit is longer than %d bytes", maxText)
	}
	return lookup(normal(s))
}

// lookup finds a unit by its spelling in normal form.
func lookup(s string) (Unit, error) {
	if s == "" {
		return Unit{}, remedy.Errorf("no unit => write one such as Ohm, uF, V, mA, Hz, mm or %%")
	}
	if u, ok := spellings[s]; ok {
		return u, nil
	}
	switch s {
	case "MF", "Mf":
		return Unit{}, remedy.Errorf("unit %q could be read as megafarad => write uF for the microfarad that old drawings mean, mF for the millifarad", s)
	case "MMF", "mmF", "mmf":
		return Unit{}, remedy.Errorf("unit %q is not an SI unit => write pF for the micro-microfarad of old drawings", s)
	}
	var near []string
	for name, u := range spellings {
		if strings.EqualFold(name, s) && !slices.Contains(near, u.String()) {
			near = append(near, u.String())
		}
	}
	if len(near) > 0 {
		slices.Sort(near)
		return Unit{}, remedy.Errorf("unknown unit %q => write %s (m is milli, M is mega)", s, strings.Join(near, " or "))
	}
	return Unit{}, remedy.Errorf("unknown unit %q => write one such as Ohm, uF, V, mA, Hz, mm or %%", s)
}
