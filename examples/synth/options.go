// Package synth makes ledgers of any size in which the truth is known: when
// every part really failed, and why. What their records say follows from that
// truth and from the habits of the shop and of the owners. They serve studies
// of how often an interval covers the true value, and measurements of speed.
//
// A [Ledger] holds what the shop knows; its units are worked out one by one
// when they are asked for, each from the seed and its own number alone, so that
// they may be had in any order and on all processors.
package synth

import (
	"math"
	"slices"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/remedy"
)

// Options says what to make. The presets give complete ones.
type Options struct {
	Preset   string   // name for reports; no effect
	Units    int      // units that reached the bench
	Seed     uint64   // equal seeds give equal ledgers
	Models   []Model  // each unit is one of these, all equally likely
	Families []Family // the truth; parts of families not listed never fail
	External External
	Habits   Habits
	Built    Years // units left the factory within these years, evenly spread
	Opened   schema.Date
	End      schema.Date // the last day anything is written
	Records  int         // least number of records of a unit; readings, checks and notes make up for what is missing
	Open     int         // how many units, the last ones, are still at the bench on the last day
}

// Model is a model with its folder name.
type Model struct {
	Slug string
	schema.Model
}

// Years is a span of whole years or of durations in years, both ends included.
type Years struct {
	From float64 `json:"from"`
	To   float64 `json:"to"`
}

// Family is the truth about one family of parts. The lifetime of a part is
// Weibull: it survives t years with probability
//
//	exp(-z (t/Scale)^Shape)
//
// where z is the product of the unit's own factor for the family (see Spread)
// and of that of its lot. Shape 1 is a constant hazard of 1/Scale a year.
type Family struct {
	Name     schema.FamilyName `json:"name"`
	Hidden   bool              `json:"hidden"` // the unit plays on when one has failed
	Shape    float64           `json:"shape"`
	Scale    float64           `json:"scale"` // years
	Spread   Spread            `json:"spread"`
	BadLots  BadLots           `json:"badLots"`
	Cascade  float64           `json:"cascade"`  // probability that a failure takes down another part of the section
	Degrades float64           `json:"degrades"` // share of its life after which a part is degraded; 0: never degraded
	Repair   schema.Action     `json:"repair"`   // what is done with a failed one: replaced, cleaned, reworked, adjusted; the last three make it as new
	Mode     schema.Mode       `json:"mode"`     // how it fails
}

// Rate is the hazard per component-year where it is constant, in a unit and a
// lot without a factor; NaN where it is not constant.
func (f Family) Rate() float64 {
	if f.Shape != 1 {
		return math.NaN()
	}
	return 1 / f.Scale
}

// SpreadKind is how the units' own factors are distributed. Their mean is 1.
type SpreadKind string

// The kinds of spread.
const (
	NoSpread        SpreadKind = ""
	GammaSpread     SpreadKind = "gamma"
	LognormalSpread SpreadKind = "lognormal"
)

// Spread is how much the hazard of a family differs between units.
type Spread struct {
	Kind     SpreadKind `json:"kind"`
	Variance float64    `json:"variance"` // of the factor, whose mean is 1
}

// BadLots says that some lots of new parts are bad. Parts a unit left the
// factory with belong to no lot.
type BadLots struct {
	Share float64 `json:"share"` // probability that a lot is bad
	Times float64 `json:"times"` // factor on the hazard of its parts
}

// External is harm from outside: a surge, a fall in transport, a drink spilt.
type External struct {
	PerYear float64 `json:"perYear"` // events per unit-year
	Parts   int     `json:"parts"`   // parts of one section taken down by each
}

// Habits say how the shop looks and how owners behave.
type Habits struct {
	// Tested is the probability that a part which gives no sign of trouble is
	// tested during a stay: 1 for a shop that tests everything, 0 for one that
	// looks at suspects only. What is heard to have failed is always found.
	Tested float64 `json:"tested"`
	// Principle lists families of which every original part is replaced during
	// the first stay, untested.
	Principle []schema.FamilyName `json:"principle"`
	// Kits is the share of units in which a kit does that.
	Kits float64 `json:"kits"`
	// ReplaceDegraded is the share of parts found degraded that are replaced;
	// the others are left in.
	ReplaceDegraded float64 `json:"replaceDegraded"`

	// Service is the mean number of years from a release to a stay that has
	// nothing to do with any fault; 0: never.
	Service float64 `json:"service"`
	// SecondStay is the share of units with one more stay of that kind,
	// SecondAfter years after the first.
	SecondStay  float64 `json:"secondStay"`
	SecondAfter Years   `json:"secondAfter"`
	// Return is the probability that a unit comes back when something is heard
	// to fail, and Notice the mean number of years that takes.
	Return float64 `json:"return"`
	Notice float64 `json:"notice"`
	// Silent is the share of owners who write only when something breaks: no
	// service, no second stay, no follow-ups.
	Silent float64 `json:"silent"`
	// Followups is how often in a year the others tell how the unit is doing.
	Followups float64 `json:"followups"`

	// KnownBuild is the share of units whose build date is known, and BuildSpan
	// to how many years: 0 to the day, 0.1 to the month, 1 to the year.
	KnownBuild float64 `json:"knownBuild"`
	BuildSpan  float64 `json:"buildSpan"`
	// LastKnown is the share of stays begun with something broken for which
	// somebody knows when the unit last worked fully. They name a date up to
	// LastKnownSpan years before the first failure, as widely as that.
	LastKnown     float64 `json:"lastKnown"`
	LastKnownSpan float64 `json:"lastKnownSpan"`
	// UnknownOrigin is the share of sections whose parts are found not to be
	// original at the first stay, and nobody knows how old they are.
	UnknownOrigin float64 `json:"unknownOrigin"`
}

func date(year, month, day int) schema.Date {
	return schema.Date{Day: edtf.Day{Year: year, Month: month, Day: day}}
}

// Presets returns the names [Preset] takes.
func Presets() []string {
	return []string{"independent", "clustered", "wearing", "silent", "untested", "lots", "bench"}
}

// Preset returns options by name, for units of them and a seed:
//
//   - independent: constant hazards, the same in all units; stays at times that
//     no failure has any say in; everything is tested. The records tell all
//     that interval-censored likelihoods assume.
//   - clustered: as independent, with strong differences between units.
//   - wearing: as independent, with Weibull lifetimes of shape 3.
//   - silent: owners write only when something breaks, the shop looks at
//     suspects only, and memory of the last good day is vague. Stays follow
//     failures, so estimates may lean.
//   - untested: capacitors are replaced untested on principle.
//   - lots: many parts fitted by the shop, a quarter of the lots bad.
//   - bench: a typical shop, a mixture of all of it, three models, full
//     paperwork.
//
// An unknown name is an error that lists the names.
func Preset(name string, units int, seed uint64) (Options, error) {
	if !slices.Contains(Presets(), name) {
		return Options{}, remedy.Errorf("no preset %q => write one of: %v", name, Presets())
	}
	o := Options{Preset: name, Units: units, Seed: seed, Models: []Model{studyModel()}, Families: constantFamilies(),
		Habits: Habits{Tested: 1, Service: 6, KnownBuild: 1, BuildSpan: 0.1},
		Built:  Years{From: 1968, To: 1982}, Opened: date(2005, 1, 3), End: date(2025, 12, 31)}
	each := func(change func(*Family)) {
		for i := range o.Families {
			change(&o.Families[i])
		}
	}
	switch name {
	case "clustered":
		each(func(f *Family) { f.Spread = Spread{GammaSpread, 1.5} })
	case "wearing":
		each(func(f *Family) {
			// As many fail in the first 40 years as in the preset independent.
			f.Scale = 40 / math.Cbrt(40/f.Scale)
			f.Shape = 3
		})
	case "silent":
		o.Habits = Habits{Return: 0.9, Notice: 0.3, Silent: 1, KnownBuild: 0.8, BuildSpan: 2, LastKnown: 0.5, LastKnownSpan: 3}
	case "untested":
		o.Habits.Principle = []schema.FamilyName{"capacitor/electrolytic", "capacitor/tantalum"}
		o.Habits.Kits = 0.5
	case "lots":
		o.Habits.Principle = []schema.FamilyName{"capacitor/electrolytic", "capacitor/tantalum", "capacitor/film"}
		o.Habits.Service = 3
		each(func(f *Family) { f.BadLots = BadLots{Share: 0.25, Times: 8} })
	case "bench":
		bench(&o)
	}
	return o, nil
}

// constantFamilies are of the order of what old instruments show at a bench;
// common practice, no source.
func constantFamilies() []Family {
	family := func(name schema.FamilyName, perYear float64, hidden bool, mode schema.Mode) Family {
		return Family{Name: name, Hidden: hidden, Shape: 1, Scale: 1 / perYear, Repair: schema.Replaced, Mode: mode}
	}
	return []Family{
		family("capacitor/electrolytic", 0.006, true, "high-esr"),
		family("capacitor/tantalum", 0.004, true, "short"),
		family("capacitor/film", 0.0015, false, "open"),
		family("transistor/silicon", 0.001, false, "open"),
		family("diode/rectifier", 0.0008, false, "short"),
		family("resistor/variable", 0.005, false, "wear"),
		family("contact/switch", 0.003, false, "intermittent"),
	}
}

// bench is a shop as they are.
func bench(o *Options) {
	o.Models = []Model{organModel(), pianoModel(), studyModel()}
	for i := range o.Families {
		f := &o.Families[i]
		f.Spread = Spread{LognormalSpread, 0.5}
		f.BadLots = BadLots{Share: 0.1, Times: 5}
		switch f.Name {
		case "capacitor/electrolytic":
			f.Shape, f.Scale, f.Degrades = 3, 55, 0.7
		case "capacitor/tantalum":
			f.Cascade = 0.2
		case "capacitor/film", "transistor/silicon":
			f.Scale *= 3
		case "resistor/variable":
			f.Degrades, f.Repair = 0.6, schema.Cleaned
		case "contact/switch":
			f.Scale *= 3
			f.Repair = schema.Cleaned
		}
	}
	o.Families = append(o.Families,
		Family{Name: "ic/logic", Shape: 1, Scale: 900, Spread: Spread{GammaSpread, 0.4}, Cascade: 0.05, Repair: schema.Replaced, Mode: "dead"},
		Family{Name: "contact/key", Shape: 1, Scale: 2000, Spread: Spread{GammaSpread, 1}, Repair: schema.Cleaned, Mode: "intermittent"},
		Family{Name: "board/joint", Shape: 1, Scale: 12000, Spread: Spread{GammaSpread, 1}, Repair: schema.Reworked, Mode: "dry-joint"},
		Family{Name: "material/felt", Hidden: true, Shape: 3, Scale: 50, Degrades: 0.6, Repair: schema.Replaced, Mode: "hardened"},
		Family{Name: "mechanism/belt", Shape: 4, Scale: 25, Repair: schema.Replaced, Mode: "tacky"},
	)
	o.External = External{PerYear: 0.004, Parts: 3}
	o.Habits = Habits{Tested: 0.35, Principle: []schema.FamilyName{"capacitor/electrolytic"}, Kits: 0.6, ReplaceDegraded: 0.7,
		Service: 12, SecondStay: 0.2, SecondAfter: Years{From: 3, To: 10}, Return: 0.6, Notice: 0.2, Silent: 0.4, Followups: 0.3,
		KnownBuild: 0.8, BuildSpan: 1, LastKnown: 0.6, LastKnownSpan: 2, UnknownOrigin: 0.04}
	o.Records = 10
}

// check refuses options that make no sense.
func (o *Options) check() error {
	share := func(what string, x float64) error {
		if !(x >= 0 && x <= 1) {
			return remedy.Errorf("%s is %g => write a share from 0 to 1", what, x)
		}
		return nil
	}
	h := o.Habits
	for _, e := range []error{
		share("Habits.Tested", h.Tested), share("Habits.Kits", h.Kits), share("Habits.ReplaceDegraded", h.ReplaceDegraded),
		share("Habits.SecondStay", h.SecondStay), share("Habits.Return", h.Return), share("Habits.Silent", h.Silent),
		share("Habits.KnownBuild", h.KnownBuild), share("Habits.LastKnown", h.LastKnown), share("Habits.UnknownOrigin", h.UnknownOrigin),
	} {
		if e != nil {
			return e
		}
	}
	for what, x := range map[string]float64{"Habits.Service": h.Service, "Habits.Notice": h.Notice, "Habits.Followups": h.Followups,
		"Habits.BuildSpan": h.BuildSpan, "Habits.LastKnownSpan": h.LastKnownSpan, "External.PerYear": o.External.PerYear} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return remedy.Errorf("%s is %g => write a number from 0 up", what, x)
		}
	}
	switch {
	case o.Units < 0 || o.Open < 0 || o.Open > o.Units:
		return remedy.Errorf("%d units, %d of them open => write numbers from 0 up, no more open than there are", o.Units, o.Open)
	case len(o.Models) == 0:
		return remedy.Errorf("no model => add one to Models")
	case !(o.Built.From <= o.Built.To) || !(o.Built.From >= 1900) || int(o.Built.To) >= o.Opened.Year:
		return remedy.Errorf("built %g to %g, opened %s => units are built from 1900 on and before the year the shop opens", o.Built.From, o.Built.To, o.Opened)
	case o.Opened.Year < 1970 || o.End.Sub(o.Opened.Day) < 365:
		return remedy.Errorf("opened %s, end %s => leave at least a year between them, from 1970 on", o.Opened, o.End)
	}
	for i, f := range o.Families {
		switch {
		case !(f.Shape > 0) || !(f.Scale > 0):
			return remedy.Errorf("family %s: shape %g, scale %g => write numbers above 0", f.Name, f.Shape, f.Scale)
		case !(f.Spread.Variance >= 0) || !slices.Contains([]SpreadKind{NoSpread, GammaSpread, LognormalSpread}, f.Spread.Kind):
			return remedy.Errorf("family %s: spread %q of variance %g => write gamma or lognormal, and a variance from 0 up", f.Name, f.Spread.Kind, f.Spread.Variance)
		case f.BadLots.Share > 0 && !(f.BadLots.Times > 0):
			return remedy.Errorf("family %s: bad lots fail %g times as often => write a number above 0", f.Name, f.BadLots.Times)
		case !slices.Contains([]schema.Action{schema.Replaced, schema.Cleaned, schema.Reworked, schema.Adjusted}, f.Repair):
			return remedy.Errorf("family %s: repair %q => write replaced, cleaned, reworked or adjusted", f.Name, f.Repair)
		case !slices.Contains(f.Mode.Words(), string(f.Mode)):
			return remedy.Errorf("family %s: mode %q => write one of: %v", f.Name, f.Mode, f.Mode.Words())
		case slices.ContainsFunc(o.Families[:i], func(g Family) bool { return g.Name == f.Name }):
			return remedy.Errorf("family %s is there twice => keep one", f.Name)
		}
		for _, e := range []error{share("BadLots.Share of "+string(f.Name), f.BadLots.Share), share("Cascade of "+string(f.Name), f.Cascade),
			share("Degrades of "+string(f.Name), f.Degrades)} {
			if e != nil {
				return e
			}
		}
	}
	return nil
}
