package partslist

import (
	"math/big"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/quantity"
)

// fold writes text in lower case and without accents: Résistance is resistance.
func fold(s string) string {
	s = strings.ReplaceAll(strings.ToLower(s), "ß", "ss")
	out, _, err := transform.String(transform.Chain(norm.NFD, runes.Remove(runes.In(unicode.Mn)), norm.NFC), s)
	if err != nil {
		return s
	}
	return out
}

// groupsOf are the groups of families that the letters of a reference may stand
// for, the likely one first (IEEE 315, IEC 81346-2 and common practice, from
// memory). German Si is a fuse, Tr a transformer, La a lamp, Bu a socket.
var groupsOf = map[string][]string{
	"C": {"capacitor"}, "CV": {"capacitor"}, "VC": {"capacitor"}, "TC": {"capacitor"}, "CT": {"capacitor"},
	"R": {"resistor"}, "RV": {"resistor"}, "VR": {"resistor"}, "POT": {"resistor"}, "RP": {"resistor"}, "TP": {"resistor"}, "PR": {"resistor"},
	"P": {"resistor", "connector"}, "LDR": {"resistor"}, "TH": {"resistor"}, "NTC": {"resistor"},
	"D": {"diode"}, "CR": {"diode"}, "ZD": {"diode"}, "Z": {"diode"}, "DZ": {"diode"}, "LED": {"diode"}, "BR": {"diode"},
	"Q": {"transistor"}, "TS": {"transistor"}, "TR": {"transistor", "transformer"}, "T": {"transistor", "transformer"},
	"V": {"tube", "transistor"}, "VT": {"tube", "transistor"}, "RO": {"tube"}, "VS": {"contact", "tube"},
	"IC": {"ic"}, "U": {"ic"}, "CI": {"ic"}, "N": {"ic"},
	"L": {"inductor", "lamp"}, "DR": {"inductor"}, "CH": {"inductor"}, "SP": {"inductor"},
	"F": {"fuse"}, "FS": {"fuse"}, "FUS": {"fuse"}, "SI": {"fuse"},
	"S": {"contact"}, "SW": {"contact"}, "K": {"contact"}, "RL": {"contact"}, "RLA": {"contact"}, "RY": {"contact"}, "REL": {"contact"}, "KEY": {"contact"},
	"J": {"connector"}, "JK": {"connector"}, "BU": {"connector"}, "CN": {"connector"}, "CON": {"connector"}, "X": {"connector"}, "PL": {"connector", "lamp"}, "SK": {"connector"}, "ST": {"connector"},
	"LP": {"lamp"}, "LA": {"lamp"}, "NE": {"lamp"}, "PLT": {"lamp"},
	"BT": {"battery"}, "BAT": {"battery"}, "B": {"battery"}, "M": {"mechanism"}, "MOT": {"mechanism"}, "W": {"cable"},
}

// guessOf is the family of a reference that the list says nothing else about.
var guessOf = map[string]schema.FamilyName{
	"R": "resistor/carbon", "RV": "resistor/variable", "VR": "resistor/variable", "POT": "resistor/variable", "P": "resistor/variable", "RP": "resistor/variable",
	"TP": "resistor/trimmer", "PR": "resistor/trimmer", "LDR": "resistor/photo", "CV": "capacitor/variable", "VC": "capacitor/variable", "TC": "capacitor/variable", "CT": "capacitor/variable",
	"D": "diode/signal", "CR": "diode/signal", "ZD": "diode/zener", "Z": "diode/zener", "DZ": "diode/zener", "LED": "diode/lamp", "BR": "diode/rectifier",
	"Q": "transistor/silicon", "TS": "transistor/silicon", "V": "tube/small", "VT": "tube/small", "RO": "tube/small",
	"IC": "ic/linear", "U": "ic/linear", "CI": "ic/linear", "N": "ic/linear",
	"L": "inductor/coil", "DR": "inductor/coil", "CH": "inductor/coil", "SP": "inductor/coil",
	"F": "fuse/mains", "FS": "fuse/internal", "FUS": "fuse/mains", "SI": "fuse/internal",
	"S": "contact/switch", "SW": "contact/switch", "VS": "contact/switch", "K": "contact/relay", "RL": "contact/relay", "RLA": "contact/relay", "RY": "contact/relay", "REL": "contact/relay", "KEY": "contact/key",
	"J": "connector/jack", "JK": "connector/jack", "BU": "connector/jack", "CN": "connector/edge", "CON": "connector/edge", "X": "connector/edge", "PL": "connector/wire", "SK": "connector/socket", "ST": "connector/wire",
	"LP": "lamp/pilot", "LA": "lamp/pilot", "NE": "lamp/neon", "BT": "battery/memory", "BAT": "battery/memory", "B": "battery/memory", "MOT": "mechanism/motor",
}

// certain are letters that say the family by themselves.
var certain = []string{"LED", "LDR", "NE", "SW"}

// A naming is words that name a family, folded. strong words name it whatever the
// letters of the reference are.
type naming struct {
	words  *pattern.Pattern
	family schema.FamilyName
	strong bool
	guess  bool // the words only hint at it
}

func names(family schema.FamilyName, words string) naming {
	return naming{words: pattern.New(`(?:^|[^\pL\d])(?:` + words + `)(?:$|[^\pL\d])`), family: family}
}

func strong(n naming) naming { n.strong = true; return n }
func hints(n naming) naming  { n.guess = true; return n }

// namings are tried in order: English, German, French, Italian, Spanish, Dutch.
var namings = []naming{
	strong(names("bushing/key", `(?:key )?bushings?|tastenlager`)),
	strong(names("contact/key", `key ?contacts?(?: wires?)?|tastenkontakte?|contacts? de touches?|contatt[io] dei tasti`)),
	strong(names("mechanism/spring", `springs?|federn?|zugfeder|ressorts?|moll[ae]`)),
	strong(names("mechanism/belt", `belts?|riemen|antriebsriemen|courroies?|cinghi[ae]`)),
	strong(names("mechanism/motor", `motors?|motoren|moteurs?|motor[ei]`)),
	strong(names("mechanism/pinch-roller", `pinch ?rollers?|andruckrolle`)),
	strong(names("mechanism/capstan", `capstans?|flywheels?|tonwelle`)),
	strong(names("mechanism/bearing", `bearings?|kugellager|roulements?|cuscinett[io]`)),
	strong(names("mechanism/hammer", `hammers?|hammer ?tips?`)),
	strong(names("mechanism/damper", `dampers?`)),
	strong(names("mechanism/tine", `tines?|reeds?`)),
	strong(names("mechanism/key", `keys?|tasten?|touches?|tast[io]`)),
	strong(names("tape/loop", `tape loops?|bandschleifen?`)),
	strong(names("head/record", `record(?:ing)? heads?|aufnahmekopf`)), strong(names("head/play", `play(?:back)? heads?|wiedergabekopf`)), strong(names("head/erase", `erase heads?|loschkopf`)),
	strong(names("pickup/magnetic", `magnetic pickups?|pickups?|tonabnehmer`)), strong(names("pickup/piezo", `piezo(?:s| pickups?)?`)),
	strong(names("material/rubber", `rubbers?|rubber f(?:ee|oo)t|gummi(?:fusse?|fuss)?|caoutchouc|gomma`)),
	strong(names("material/foam", `foams?|schaumstoff|mousse`)), strong(names("material/felt", `felts?|filze?|feutres?|feltr[io]`)),
	strong(names("material/leather", `leathers?|leder|cuir`)), strong(names("material/grease", `grease|oil|fett|graisse`)),
	strong(names("case/hardware", `screws?|hinges?|handles?|schrauben?|griffe?|vis|vit[ei]`)), strong(names("case/panel", `panels?|lids?|deckel|couvercle`)),
	strong(names("battery/memory", `batter(?:y|ies)|batterien?|piles?|akkus?|accumulateur|pila|batteria|batterij`)),
	strong(names("contact/relay", `relays?|relais|rele`)),
	strong(names("lamp/neon", `neons?(?: lamps?)?|glimmlampen?|glimm|neones?`)), strong(names("lamp/pilot", `pilot(?: lamps?| lights?)?|lamps?|bulbs?|lampen?|gluhlampen?|ampoules?|voyants?|lampad[ae]|spi[ae]`)),

	names("fuse/mains", `mains|primary|secteur|netz|netzsicherung|di rete|rete|red|ac line|line fuse`),
	names("fuse/internal", `secondary|internal|sekundar|secondaire|interne|interno`),
	strong(hints(names("fuse/mains", `fuses?|feinsicherung|sicherung(?:en)?|fusibles?|fusibil[ei]|zekering|holder`))),

	names("tube/small", `tubes?|valves?|triodes?|pentodes?|tetrodes?|rohren?|lampe electronique|valvol[ae]|rectifier tube|buizen|buis`),

	names("transformer/mains", `mains transformers?|power transformers?|netztrafos?|netztransformator(?:en)?|transformateurs? secteur|transformateurs? d'alimentation|trasformator[ei] di (?:rete|alimentazione)|mains trafo|netz|secteur|power xfmr|mains`),
	names("transformer/audio", `output|audio|interstage|ausgangs(?:trafo|ubertrager)|ubertrager|sortie|uscita|driver`),
	hints(names("transformer/mains", `transformers?|trafos?|transformator(?:en)?|transformateurs?|trasformator[ei]|xfmr|xformer|transfo`)),

	names("diode/lamp", `leds?|light emitting|leuchtdioden?`), names("diode/zener", `zeners?|z-?dioden?|zd|z diode|zenerdioden?|reference`),
	names("diode/rectifier", `rectifiers?|gleichrichter|redressement|redresseurs?|raddrizzator[ei]|bridge|brucke|bruckengleichrichter|pont|ponte|rect`),
	names("diode/signal", `signals?|signal ?dioden?|switching|germanium|de signal|di segnale|small signal`),

	names("transistor/germanium", `germanium|ge|germanio`), names("transistor/fet", `fets?|j-?fets?|mos-?fets?|effet de champ`),
	names("transistor/silicon", `silicon|si|silizium|silicium|silicio`), hints(names("transistor/silicon", `npn|pnp|transistors?|transistor(?:en|i)`)),

	names("ic/divider", `dividers?|teiler|diviseurs?|divisor[ei]|top octave|tone generator`), names("ic/regulator", `regulators?|spannungsregler|regler|regulateurs?|regolator[ei]|stabili[sz]er`),
	names("ic/memory", `memor(?:y|ies)|s?d?rams?|e?e?p?roms?|speicher|memoires?|memori[ae]`), names("ic/linear", `op-?amps?|op amps?|operational(?: amplifier)?|operationsverstarker|ops?|ampli op|operazional[ei]|amplificateurs? operationnels?|amplifier|comparator|timer|vca|vco|ota`),
	names("ic/logic", `logic|gates?|flip-?flops?|counter|shift register|ttl|cmos|inverter|logik|gatter|microprocessor|processor|cpu`), hints(names("ic/linear", `delay(?: lines?)?|bbd|ics?|integrated circuits?|circuits? integres?|integrat[oi]|schaltkreise?`)),

	names("capacitor/safety", `x2|y2|x1|y1|suppress(?:ion|or)|entstor(?:kondensator)?|antiparasite|class x|class y|safety`),
	names("capacitor/variable", `trimmers?|variables?|trimm(?:er)?kondensator|drehko|ajustables?|variabil[ei]`),
	names("capacitor/tantalum", `tants?|tantal|tantalums?|tantales?|tantali[oi]?|tantalio|bead|perle|goutte`),
	names("capacitor/electrolytic", `electrolytics?|elec(?:tro)?|elect|lytics?|elkos?|elektrolyt(?:kondensator)?|elektrolyten|chimiques?|electrochimiques?|elettrolitic[oi]|electrolitic[oa]s?|elco|alu?|aluminium|al electrolytic|can|np|bipolar|non-polar`),
	names("capacitor/paper", `papers?|papier|carta|papel|wax|oil|pio`),
	names("capacitor/ceramic", `ceramics?|cer|keramik|keramisch|kerko|ceramiques?|ceramic[oi]|discs?|disks?|scheiben?|disque|mlcc`),
	hints(names("capacitor/film", `micas?|glimmer|silver(?:ed)? mica`)),
	names("capacitor/film", `films?|poly|polyesters?|poliester[ei]|polystyrenes?|polystyrol|polystyrene|styroflex|polistirolo|polypropylenes?|polypropylen|polycarbonates?|mylar|mk[tscp]|fkp|folien?|folienkondensator|plastique|plastic|greencap`),

	names("resistor/wirewound", `wire ?wounds?|wire-wound|ww|draht|drahtwiderstand|bobine(?:e|es|s)?|a filo|filo|cement|zement`),
	names("resistor/photo", `ldrs?|photo ?resistors?|fotowiderstand|photoresistances?|fotoresistenz[ae]`),
	names("resistor/trimmer", `trimmers?|trim ?pots?|trimpots?|presets?|trimmpotis?|trimmpotentiometer|ajustables?|einstellregler|trimmer potentiometer`),
	names("resistor/variable", `pots?|potis?|potentiom(?:eters?|etres?|etr[oi])|potenziometr[oi]|potenciometros?|sliders?|faders?|schieberegler|rheostat|variables?`),
	names("resistor/film", `metal ?films?|metal|metall(?:film|schicht)?|metallschichtwiderstand|couche metal(?:lique)?|metallico|mf|metal oxide|mox|oxide`),
	names("resistor/carbon", `carbons?|kohle(?:schicht|masse)?|kohleschichtwiderstand|schichtwiderstand|carbone|couche carbone|carbone agglomere|comp(?:osition)?|carbon films?|carbon comp(?:osition)?|carbonio|impasto|cf|cc`),

	names("inductor/coil", `coils?|pot cores?|chokes?|spulen?|drosseln?|bobines?|selfs?|bobin[ae]|induttanz[ae]|inductors?|ferrite`),
	names("contact/switch", `switch(?:es)?|schalter|taster|push|tabs?|rockers?|interrupteurs?|poussoirs?|interruttor[ei]|pulsant[ei]|commutateurs?|selectors?|toggle|dip`),
	names("contact/slider", `sliding contacts?|schleifer`),
	names("connector/jack", `jacks?|klinkenbuchsen?|klinke|prises? jack|buchsen?|pres[ae]|din`),
	names("connector/edge", `edge(?: connectors?)?|kartenstecker`), names("connector/socket", `sockets?|sockel|fassung(?:en)?|supports?|zoccol[oi]|holders?`),
	hints(names("connector/edge", `ribbons?|headers?|connectors?|stecker|connecteurs?|connettor[ei]`)), names("connector/wire", `wires?|plugs?|molex|terminals?`),
	names("cable/mains", `mains (?:leads?|cords?|cables?|inlets?)|netzkabel|cordon secteur|cavo di rete`), names("cable/signal", `cables?|looms?|harness|kabel|wiring`),
}

// anyOf are families whose name in a list need not go with the letters of the
// reference, by their own words.
var anyOf = []naming{
	strong(names("capacitor/electrolytic", `electrolytics?|elkos?|lytics?|elettrolitic[oi]|condensateurs? chimiques?|elektrolytkondensator`)),
	strong(names("capacitor/tantalum", `tantalums?|tantals?|tantales?|tantalio`)),
	strong(names("capacitor/film", `polyesters?|polystyrenes?|polypropylenes?|mylar|film capacitors?`)), strong(names("capacitor/ceramic", `ceramics?|keramik|ceramiques?`)),
	strong(names("resistor/wirewound", `wire ?wounds?|drahtwiderstand`)), strong(names("resistor/trimmer", `trimmers?|trimpots?|presets?|trimmpotis?`)), strong(names("resistor/variable", `pots?|potis?|potentiometers?|sliders?|faders?`)),
	strong(names("resistor/film", `metal film`)), strong(names("resistor/carbon", `carbon (?:film|comp(?:osition)?)`)),
	strong(names("diode/rectifier", `rectifiers?|gleichrichter`)), strong(names("diode/zener", `zeners?`)), strong(names("diode/lamp", `leds?`)), strong(hints(names("diode/signal", `diodes?|dioden`))),
	strong(names("transistor/germanium", `germanium transistors?`)), strong(hints(names("transistor/silicon", `transistors?`))),
	strong(names("transformer/mains", `mains transformers?|power transformers?|netztrafos?`)), strong(hints(names("transformer/audio", `transformers?|trafos?`))),
	strong(names("tube/small", `tubes?|valves?|triodes?|pentodes?`)), strong(names("ic/divider", `dividers?|diviseurs?`)), strong(names("ic/regulator", `regulators?`)), strong(hints(names("ic/linear", `ics?|op-?amps?|integrated circuits?`))),
	strong(names("contact/switch", `switch(?:es)?|schalter`)), strong(names("connector/jack", `jacks?|klinkenbuchsen?`)), strong(names("connector/socket", `sockets?`)), strong(hints(names("connector/edge", `connectors?`))),
	strong(names("inductor/coil", `coils?|chokes?|pot cores?|inductors?`)), strong(names("cable/mains", `mains (?:leads?|cords?|inlets?)`)), strong(names("cable/signal", `cables?|wiring`)),
	strong(hints(names("resistor/carbon", `resistors?|resistances?|widerstand|widerstande`))), strong(hints(names("capacitor/film", `capacitors?|caps?|condensateurs?|kondensator(?:en)?|condensator[ei]`))),
	strong(names("board/joint", `joints?`)), strong(names("case/finish", `finish|covering|tolex|veneer|furnier`)),
}

// vocabulary are words that slips are held against.
var vocabulary = []string{"electrolytic", "tantalum", "polyester", "polystyrene", "polypropylene", "ceramic", "carbon", "wirewound", "germanium", "silicon",
	"rectifier", "zener", "diode", "transistor", "transformer", "signal", "trimmer", "preset", "potentiometer", "divider", "regulator", "switch", "contact",
	"battery", "fuse", "relay", "inductor", "choke", "bushing", "spring", "paper", "poly", "film", "resistor", "capacitor", "mains", "valve",
	"connector", "socket", "radial", "axial", "matched", "power", "silver", "slow", "quick", "metal", "disc", "bead", "felt", "rubber"}

// straighten writes words as they are spelled, where a letter or two is wrong:
// electroltic, ployester.
func straighten(folded string) (text string, changed bool) {
	words := strings.Fields(folded)
	for i, w := range words {
		bare := strings.Trim(w, ".,;:()\"'")
		if len(bare) < 4 || strings.ContainsAny(bare, "0123456789-/") || slices.Contains(vocabulary, bare) || named(bare) {
			continue
		}
		near := schema.Nearest(bare, vocabulary)
		if near == "" || bare[0] != near[0] {
			continue
		}
		if len(bare) < 5 && near != "poly" && len(near) != len(bare)+1 {
			continue
		}
		words[i] = strings.Replace(w, bare, near, 1)
		changed = true
	}
	return strings.Join(words, " "), changed
}

func named(word string) bool {
	return slices.ContainsFunc(namings, func(n naming) bool { return n.words.MatchString(word) })
}

// family guesses what kind of part a row is about. sure is false for a guess from
// letters, values and hints.
func familyOf(letters, words, note string, qs []found) (f schema.FamilyName, sure bool) {
	words, _ = straighten(fold(words))
	words = strings.Join(strings.FieldsFunc(words, func(r rune) bool { return r == ' ' || r == ',' || r == '.' && false }), " ")
	note = fold(note)
	letters = strings.ToUpper(letters)
	groups, known := groupsOf[letters]
	if len(groups) == 2 && groups[0] == "transistor" && slices.ContainsFunc(namings, func(n naming) bool {
		return strings.HasPrefix(string(n.family), "transformer/") && (n.guess || n.family == "transformer/mains") && n.words.MatchString(words) && !namedIn("transistor", words)
	}) {
		groups = []string{"transformer"}
	}
	if letters == "V" && namedIn("tube", words) {
		return "tube/small", !largeValve.MatchString(words)
	}
	if letters == "" {
		groups = groupsBy(qs)
		known = groups != nil && !slices.ContainsFunc(namings, func(n naming) bool { return n.strong && !n.guess && n.words.MatchString(words) })
	}
	if known {
		for _, text := range []string{words, note} {
			for _, g := range groups {
				var hint schema.FamilyName
				for _, n := range namings {
					if !strings.HasPrefix(string(n.family), g+"/") || !n.words.MatchString(text) {
						continue
					}
					if !n.guess {
						return n.family, true
					}
					if hint == "" {
						hint = n.family
					}
				}
				if hint != "" && text == words && !namedIn(g, note) {
					return hint, false
				}
			}
		}
	}
	if !known || letters == "P" || letters == "X" || letters == "M" || letters == "W" || letters == "KEY" {
		for _, n := range slices.Concat(namings, anyOf) {
			if n.strong && n.words.MatchString(words) {
				if n.guess && strings.HasPrefix(string(n.family), "capacitor/") {
					if g := byValue(qs); g != "" {
						return g, false
					}
				}
				return n.family, !n.guess
			}
		}
	}
	if letters == "C" {
		return byValue(qs), false
	}
	if letters == "" {
		return bySorts(qs), false
	}
	if f := guessOf[letters]; f != "" {
		if strings.HasPrefix(string(f), "diode/") && f == "diode/signal" && slices.ContainsFunc(qs, func(q found) bool { return q.dimension == "voltage" }) && len(qs) == 1 {
			return "diode/zener", false
		}
		return f, slices.Contains(certain, letters) || f == "inductor/coil" || f == "battery/memory"
	}
	if known && groups[0] == "transistor" {
		return "transistor/silicon", false
	}
	return "", false
}

// largeValve are valves that the built-in families have no kind for.
var largeValve = pattern.New(`\b(?:rectifier|power|output|puissance|leistung|endrohre|gleichrichter)`)

// namedIn reports whether words name a family of the group outright.
func namedIn(group, words string) bool {
	return words != "" && slices.ContainsFunc(namings, func(n naming) bool {
		return strings.HasPrefix(string(n.family), group+"/") && n.words.MatchString(words)
	})
}

// byValue guesses the kind of a capacitor: below 1 nF ceramic, below 1 uF film, else
// electrolytic (common practice, no source).
func byValue(qs []found) schema.FamilyName {
	for _, q := range qs {
		if q.dimension != "capacitance" || q.doubt != "" {
			continue
		}
		v, err := quantity.Parse(q.text)
		if err != nil {
			continue
		}
		switch {
		case v.Value.Cmp(big.NewRat(1, 1_000_000_000)) < 0:
			return "capacitor/ceramic"
		case v.Value.Cmp(big.NewRat(1, 1_000_000)) < 0:
			return "capacitor/film"
		}
		return "capacitor/electrolytic"
	}
	return "capacitor/film"
}

// groupsBy are the groups of a part without a reference, by its quantities: 10 uF
// is a capacitor's, and so is .01 with a voltage.
func groupsBy(qs []found) []string {
	number, volts := false, false
	for _, q := range qs {
		switch q.dimension {
		case "capacitance":
			return []string{"capacitor"}
		case "resistance":
			return []string{"resistor"}
		case "inductance":
			return []string{"inductor"}
		case "voltage":
			volts = true
		}
		number = number || q.bare
	}
	if number && volts {
		return []string{"capacitor"}
	}
	return nil
}

// bySorts guesses the family of a part without a reference from its quantities.
func bySorts(qs []found) schema.FamilyName {
	for _, q := range qs {
		switch q.dimension {
		case "capacitance":
			return byValue(qs)
		case "resistance":
			return "resistor/carbon"
		case "inductance":
			return "inductor/coil"
		}
	}
	return ""
}

// silent are words of a description that the family says already.
var silent = pattern.New(`^(?:electrolytics?|elec|elect|lytics?|elkos?|elektrolyt(?:kondensator)?|chimiques?|elettrolitic[oi]|al|alu|aluminium|` +
	`tants?|tantal|tantalums?|tantales?|tantalio|folie|cer|ceramics?|keramik|ceramiques?|ceramic[oi]|poly|` +
	`capacitors?|caps?|condensateurs?|condensator[ei]|kondensator(?:en)?|resistors?|resistances?|widerstand|resistenz[ae]|` +
	`carbons?|carbone|carbonio|kohle|kohleschicht|schichtwiderstand|kohleschichtwiderstand|wire-?wounds?|ww|draht|drahtwiderstand|bobinee?s?|metal|metall(?:film|schicht)?|` +
	`transistors?|silicon|silizium|silicium|silicio|germanium|germanio|diodes?|dioden|z-diode|zeners?|zd|leds?|gleichrichter|redressement|raddrizzator[ei]|` +
	`fuses?|fusibles?|fusibil[ei]|feinsicherung|sicherung|mains|secteur|netz|transformers?|trafos?|transformateurs?|netztrafo|trasformator[ei]|xfmr|` +
	`tubes?|valves?|ics?|dividers?|diviseurs?|circuits?|op|amp|opamp|operazional[ei]|regulators?|` +
	`trimmers?|trimmpotis?|presets?|ajustables?|potis?|potentiometers?|potentiometres?|potenziometr[oi]|` +
	`switch(?:es)?|schalter|jacks?|klinkenbuchse|batter(?:y|ies)|memory|glimmlampe|neon|lamps?|coils?|belts?|springs?|bushings?|contacts?|rubber|` +
	`de|di|des|du|a|filo|ditto|do|paper|rectifiers?|` + `signal|film-?kondensator)$`)

// inEnglish are words that say more than the family, and how reports have them.
var inEnglish = map[string]string{
	"poliestere": "polyester", "polystyrol": "polystyrene", "polystyrene": "polystyrene", "styroflex": "polystyrene", "polistirolo": "polystyrene", "polypropylen": "polypropylene",
	"goutte": "bead", "perle": "bead", "axiale": "axial", "radiale": "radial", "gepaart": "matched", "paire": "pair", "paar": "pair",
	"temporise": "slow", "ritardato": "slow", "trage": "slow", "lent": "slow", "flink": "quick", "rapide": "quick", "rapido": "quick", "fast": "quick", "slow-blow": "slow", "t": "slow", "anti-surge": "slow",
	"logarithmisch": "log", "logarithmique": "log", "linear": "lin", "lineaire": "lin",
}

// typeWords is what the words of a row say beyond the family.
func typeWords(family schema.FamilyName, texts ...string) string {
	group, kind, _ := strings.Cut(string(family), "/")
	var phrases []string
	seen := map[string]bool{}
	for _, text := range texts {
		for _, phrase := range strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' }) {
			var kept []string
			for _, w := range strings.Fields(phrase) {
				bare := strings.Trim(w, ".:()\"'+/|")
				if bare == "-" || bare == "" || bare == "~" || bare == "x" {
					continue
				}
				f, _ := straighten(fold(bare))
				if e := inEnglish[f]; e != "" && (f != "t" || group == "fuse") {
					bare = e
				} else if group == "fuse" && bare == "F" {
					bare = "quick"
				} else if drops(group, kind, f) {
					continue
				} else if f != fold(bare) {
					bare = f // a slip
				}
				if f == "blow" && group == "fuse" {
					continue
				}
				if seen[strings.ToLower(bare)] && !strings.ContainsAny(bare, "0123456789") {
					continue
				}
				seen[strings.ToLower(bare)] = true
				kept = append(kept, bare)
			}
			if len(kept) > 0 {
				phrases = append(phrases, strings.Join(kept, " "))
			}
		}
	}
	return strings.Join(phrases, ", ")
}

// drops reports whether a word says no more than the family does.
func drops(group, kind, word string) bool {
	switch word {
	case "film":
		return group == "capacitor" || group == "resistor" && kind == "film"
	case "pot", "pots":
		return group == "resistor"
	case "key":
		return group == "contact" || group == "bushing"
	case "felt", "spring", "belt", "divider":
		return kind == word
	case "rectifier", "rectifiers":
		return kind == "rectifier"
	case "signal":
		return kind == "signal"
	case "carbon", "carbone":
		return kind == "carbon"
	case "si", "ge":
		return group == "transistor"
	case "memory":
		return group == "battery"
	case "rubber":
		return kind == "rubber"
	case "disc", "paper", "wax", "mica", "ceramic":
		return kind == word
	case "diviseur", "diviseurs":
		return kind == "divider"
	case "mains", "secteur", "netz":
		return kind == "mains"
	case "a", "al":
		return group == "resistor" || group == "capacitor"
	}
	return silent.MatchString(word)
}
