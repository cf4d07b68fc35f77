package partslist

import (
	"fmt"
	"math/big"
	"strings"

	"benchlore/schema/pattern"
	"benchlore/schema/quantity"
)

// A found quantity of a text, or a number that may become one.
type found struct {
	text      string // as the ledger writes it: "10 uF"; a number alone for bare
	dimension string // "capacitance"; "" for a number alone
	bare      bool
	doubt     string // why it is not to be relied on
	write     string
	odd       string // how it was read, where that is not obvious
}

// unitWords are units as lists write them, and as the ledger has them. Longer
// ones come first.
var unitWords = []struct{ re, unit string }{
	{`m ?m ?f ?d|mmf|uuf`, "pF"}, {`m\.?f\.?d\.?|ufd|mf(?:d)?`, "uF"},
	{`m(?:eg)? ?ohms?|meg(?:ohms?)?|megs?`, "MOhm"}, {`k ?ohms?`, "kOhm"}, {`ohms?`, "Ohm"},
	{`pf|p`, "pF"}, {`nf|n`, "nF"}, {`uf|u`, "uF"},
	{`mh`, "mH"}, {`uh`, "uH"}, {`h|henry`, "H"},
	{`w\.?v\.?d\.?c\.?|v ?d ?c ?w?|v\.?d\.?c\.?|volts?(?: ?dc)?|vw`, "V"}, {`v ?a ?c|v~|vac|volts? ac`, "VAC"}, {`kv`, "kV"}, {`mv`, "mV"}, {`v`, "V"},
	{`mw`, "mW"}, {`watts?|w`, "W"}, {`ma`, "mA"}, {`amps?|a`, "A"},
	{`khz`, "kHz"}, {`mhz`, "MHz"}, {`hz`, "Hz"}, {`mm`, "mm"}, {`cm`, "cm"},
	{`k`, "kOhm"}, {`r`, "Ohm"}, {`m`, "MOhm"},
}

var (
	number = `[0-9]{1,3}(?:[ .'][0-9]{3})+(?:[,.][0-9]+)?|[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+`
	// The value of a multi-section can, 40-40-20 MFD, is words: it is three values.
	sectionsOf = pattern.New(`(?i)\b[0-9.]+(?:[-/+][0-9.]+){1,4} ?(?:mfd|uf|mf|µf|ufd)\b`)
	codeForm   = pattern.New(`(?i)(^|[^\pL\d.,])([0-9]+[rkmpnuvµμ][0-9]+|[rµμunpk][0-9]+)(?:f|ohm)?($|[^\pL\d])`)
	percent    = pattern.New(`(^|\s|±|\+/-)([0-9]+(?:[.,][0-9]+)?) ?%`)
	fractions  = pattern.New(`(?i)(^|[^\d\pL/-])(?:([0-9]+)[- ])?([0-9])/([0-9]{1,2}) ?(w(?:atts?)?|a(?:mps?)?|v)\b`)
	slipForm   = pattern.New(`(?i)(^|[^\pL\d])([0-9]*[oO][0-9oO]*[0-9oO]) ?(k|r|m|n|p|u|uf|nf|pf|ohms?)?($|[^\pL\d])`)
	unitForm   = pattern.New(`(?i)(^|[^\pL\d.,])(` + number + `) ?(` + unitPattern() + `)($|[^\pL\d])`)
	bareForm   = pattern.New(`(^|[\s/,;])(` + number + `)($|[\s/,;])`)
	// what is written behind a number, "x 20", makes a size of it
	sizeForm = pattern.New(`(?i)\b[0-9.,]+ ?[x×] ?[0-9.,]+( ?mm)?\b`)
)

func unitPattern() string {
	var p []string
	for _, u := range unitWords {
		p = append(p, u.re)
	}
	return strings.Join(p, "|")
}

// unitOf is the ledger's unit for a unit as written.
func unitOf(written string) string {
	for _, u := range unitWords {
		if regexpWhole(u.re).MatchString(written) {
			switch {
			case written == "m" && u.unit == "MOhm": // 3.3m is no megohm
				return ""
			case u.unit == "MOhm" && strings.HasPrefix(written, "m") && len(written) > 1 && !strings.HasPrefix(strings.ToLower(written), "meg"):
				return "mOhm"
			case u.unit == "uF" && written == "mF":
				return "mF"
			}
			return u.unit
		}
	}
	return ""
}

var wholes = map[string]*pattern.Pattern{}

func init() {
	for _, u := range unitWords {
		wholes[u.re] = pattern.New(`(?i)^(?:` + u.re + `)$`)
	}
}

func regexpWhole(re string) *pattern.Pattern { return wholes[re] }

var signs = strings.NewReplacer("\u00b5", "u", "\u03bc", "u", "\u2126", "Ohm", "\u03a9", "Ohm")

// quantities takes the quantities out of a text, and returns the words that are
// left. comma says that a comma is the decimal sign and a point may set off
// thousands.
func quantities(text string, comma bool) (list []found, rest string) {
	text = signs.Replace(text)
	var kept []string // words that must not be read as numbers
	keep := func(s string) string {
		kept = append(kept, s)
		return fmt.Sprintf(" \x01%d\x02 ", len(kept)-1)
	}
	text = sectionsOf.ReplaceAllStringFunc(text, func(s string) string {
		n := strings.TrimRight(strings.ToLower(s), "abcdefghijklmnopqrstuvwxyz ")
		return keep(n + " uF")
	})
	text = sizeForm.ReplaceAllStringFunc(text, func(s string) string { return keep(s) })
	text = percent.ReplaceAllStringFunc(text, func(s string) string {
		m := percent.FindStringSubmatch(s)
		return keep(strings.Replace(m[2], ",", ".", 1) + " %")
	})
	take := func(form *pattern.Pattern, read func(m []string) (found, bool)) {
		for at := 0; at < len(text); {
			loc := form.FindStringSubmatchIndex(text[at:])
			if loc == nil {
				break
			}
			m := make([]string, len(loc)/2)
			for i := range m {
				if loc[2*i] >= 0 {
					m[i] = text[at+loc[2*i] : at+loc[2*i+1]]
				}
			}
			f, ok := read(m)
			if !ok {
				at += loc[0] + max(1, loc[1]-loc[0]-len(m[len(m)-1]))
				continue
			}
			list = append(list, f)
			cut := at + loc[0] + len(m[1])
			end := at + loc[1]
			if form != fractions {
				end -= len(m[len(m)-1])
			}
			text = text[:cut] + " \x03 " + text[end:]
			at = cut
		}
	}
	take(fractions, func(m []string) (found, bool) {
		whole, num, den := rat(m[2]), rat(m[3]), rat(m[4])
		if den == nil || den.Sign() == 0 || num == nil {
			return found{}, false
		}
		v := new(big.Rat).Quo(num, den)
		if whole != nil {
			v.Add(v, whole)
		}
		unit := map[byte]string{'w': "W", 'a': "A", 'v': "V"}[strings.ToLower(m[5])[0]]
		return quantityOf(strings.TrimRight(strings.TrimRight(v.FloatString(4), "0"), ".")+" "+unit, "")
	})
	take(codeForm, func(m []string) (found, bool) {
		code := m[2]
		if len(code) > 1 && (code[0] == 'k' || code[0] == 'K') {
			return found{}, false
		}
		fixed := strings.Map(func(r rune) rune {
			switch r {
			case 'r':
				return 'R'
			case 'N', 'U', 'P':
				return r + 'a' - 'A'
			case 'v':
				return 'V'
			case 'K':
				return 'k'
			}
			return r
		}, code)
		if strings.Contains(fixed, "m") { // 2m2 is 2M2 in a list of parts
			fixed = strings.ReplaceAll(fixed, "m", "M")
		}
		return quantityOf(fixed, "")
	})
	take(unitForm, func(m []string) (found, bool) {
		unit := unitOf(m[3])
		n, odd, ok := plainNumber(m[2], comma)
		if unit == "" || !ok {
			return found{}, false
		}
		if unit == "mF" {
			return found{text: n + " mF", dimension: "capacitance", doubt: fmt.Sprintf("%s mF is a thousand times %s uF", n, n), write: fmt.Sprintf("write %s uF, if that is what it is", n)}, true
		}
		return quantityOf(n+" "+unit, odd)
	})
	take(slipForm, func(m []string) (found, bool) {
		if !strings.ContainsAny(m[2], "0123456789") || len(m[2]) < 2 {
			return found{}, false
		}
		fixed := strings.NewReplacer("O", "0", "o", "0").Replace(m[2]) + m[3]
		return found{doubt: fmt.Sprintf("%s%s has letters O for noughts", m[2], m[3]), write: fmt.Sprintf("write %s, if that is what it is", fixed), dimension: "?"}, true
	})
	take(bareForm, func(m []string) (found, bool) {
		n, _, ok := plainNumber(m[2], comma)
		return found{text: n, bare: true}, ok
	})
	for i, k := range kept {
		text = strings.ReplaceAll(text, fmt.Sprintf("\x01%d\x02", i), k)
	}
	return list, strings.Join(strings.Fields(strings.ReplaceAll(text, "\x03", " ")), " ")
}

func quantityOf(text, odd string) (found, bool) {
	q, err := quantity.Parse(text)
	if err != nil {
		return found{}, false
	}
	return found{text: text, dimension: q.Unit.Dimension(), odd: odd}, true
}

func rat(s string) *big.Rat {
	if s == "" {
		return nil
	}
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		return nil
	}
	return r
}

var (
	grouped   = pattern.New(`^[0-9]{1,3}(?:[ '][0-9]{3})+(?:[.,][0-9]+)?$`)
	pointed   = pattern.New(`^[0-9]{1,3}(?:\.[0-9]{3})+(?:,[0-9]+)?$`)
	oneSignOf = pattern.New(`^[0-9]*[.,]?[0-9]+$`)
)

// plainNumber writes a number with a decimal point and without thousands
// separators.
func plainNumber(s string, comma bool) (n, odd string, ok bool) {
	switch {
	case grouped.MatchString(s):
		n = strings.NewReplacer(" ", "", "'", "", ",", ".").Replace(s)
	case comma && pointed.MatchString(s):
		n = strings.ReplaceAll(strings.ReplaceAll(s, ".", ""), ",", ".")
		odd = fmt.Sprintf("%s taken as %s: this list writes decimals with a comma", s, n)
	case oneSignOf.MatchString(s):
		n = strings.Replace(s, ",", ".", 1)
		if !comma && strings.Contains(s, ",") && len(s)-strings.Index(s, ",") == 4 && !strings.HasPrefix(s, "0") {
			n = strings.Replace(s, ",", "", 1)
			odd = fmt.Sprintf("%s taken as %s: this list writes decimals with a point", s, n)
		}
	default:
		return "", "", false
	}
	if strings.HasPrefix(n, ".") {
		n = "0" + n
	}
	return n, odd, true
}
