package synth

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// Ledger is a synthetic ledger: what the shop knows, and a recipe for its
// units. It is safe for use by several goroutines.
type Ledger struct {
	Options  Options
	Shop     *schema.Shop
	Models   map[string]*schema.Model // by folder name, with the kits
	Own      *schema.Families         // families.toml; nil: the built-in list serves
	Families schema.FamilyList
	Lots     map[string]*schema.Lot

	populations []*population // by model
	lots        []Lot
	lotAt       map[lotKey]int
}

type lotKey struct {
	family schema.FamilyName
	year   int
}

// population is what a model has where, as parts without a life.
type population struct {
	sections []string
	places   []part
}

// Unit is one unit: its files as values, and the truth about it.
type Unit struct {
	Name       string             `json:"name"` // model/tag
	Built      Instant            `json:"built"`
	Factors    []float64          `json:"factors"` // on the hazards, by family in the order of the options
	Lives      []*Life            `json:"lives"`   // of a pool only those that ended or failed
	Never      bool               `json:"-"`       // nothing ever brought it in, and it stands for no unit of the bench
	Instrument *schema.Instrument `json:"-"`
	Records    []unit.File        `json:"-"` // in order; Data is nil
}

// Generate prepares a ledger. Errors: options that make no sense, models that
// do not hold together.
func Generate(opt Options) (*Ledger, error) {
	if err := opt.check(); err != nil {
		return nil, fmt.Errorf("synthetic ledger: %w", err)
	}
	l := &Ledger{Options: opt, Models: map[string]*schema.Model{}, Lots: map[string]*schema.Lot{}, lotAt: map[lotKey]int{}}
	l.Families = schema.NewFamilyList(nil)
	for _, f := range opt.Families {
		own, known := l.Families[f.Name]
		if known && own.Hidden == f.Hidden {
			continue
		}
		if !known {
			_, kind, _ := strings.Cut(string(f.Name), "/")
			own = schema.Family{Name: f.Name, Title: kind}
		}
		own.Hidden = f.Hidden
		if l.Own == nil {
			l.Own = &schema.Families{}
		}
		l.Own.Families = append(l.Own.Families, own)
	}
	l.Families = schema.NewFamilyList(l.Own)
	l.shop()
	for _, m := range opt.Models {
		model := m.Model
		model.Kits = slices.Clone(m.Kits)
		for _, f := range opt.Habits.Principle {
			if k := kitFor(&model, f); k != nil {
				model.Kits = append(model.Kits, *k)
			}
		}
		if l.Models[m.Slug] != nil {
			return nil, fmt.Errorf("synthetic ledger: model %q is there twice", m.Slug)
		}
		l.Models[m.Slug] = &model
		pop, err := l.populate(&model)
		if err != nil {
			return nil, fmt.Errorf("synthetic ledger: model %q: %w", m.Slug, err)
		}
		l.populations = append(l.populations, pop)
	}
	l.stock()
	return l, nil
}

// shop is Halden Street Workshop with what it measures with.
func (l *Ledger) shop() {
	l.Shop = &schema.Shop{Format: schema.Format, Name: "Halden Street Workshop", Currency: "EUR", Technicians: []schema.Technician{
		{ID: "mw", Name: "Maren Wickstead", Email: "maren@halden-street.example"},
		{ID: "jt", Name: "Joss Tarrant", Email: "joss@halden-street.example"},
	}}
	var every []schema.Calibration
	for y := l.Options.Opened.Year; y <= l.Options.End.Year; y++ {
		every = append(every, schema.Calibration{Date: date(y, 1, 1), Due: date(y, 12, 31), By: "outside laboratory"})
	}
	l.Shop.TestInstruments = []schema.TestInstrument{
		{ID: "dmm-1", Name: "Bench multimeter", Calibrations: every},
		{ID: "pat-1", Name: "Appliance tester", Calibrations: every},
	}
}

// kitName is what the kit with new parts of a family is called.
func kitName(f schema.FamilyName) string {
	_, kind, _ := strings.Cut(string(f), "/")
	return kind + " set"
}

const kitRevision = "1"

// kitFor makes a kit of all parts of a family; nil where the model has none.
func kitFor(m *schema.Model, f schema.FamilyName) *schema.Kit {
	k := &schema.Kit{Name: kitName(f), Revision: kitRevision, Title: "all parts of the family, like for like", Changes: "none"}
	for _, s := range m.Sections {
		sets := s.Positions
		for _, b := range m.Boards {
			if s.Board == b.Name && (s.Revision == "" || s.Revision == b.Revision) {
				sets = b.Positions
			}
		}
		name := s.Name
		if s.Count > 0 {
			name = fmt.Sprintf("%s 1-%d", s.Name, s.Count)
		}
		for _, set := range sets {
			if set.Family == f && set.Ref != "" {
				k.Lines = append(k.Lines, schema.PartLine{Section: schema.Names(name), Ref: set.Ref, Family: f,
					Action: schema.Replaced, New: &schema.Component{Source: "new"}})
			}
		}
	}
	if k.Lines == nil {
		return nil
	}
	return k
}

// populate writes a model out.
func (l *Ledger) populate(m *schema.Model) (*population, error) {
	u := unit.Build(unit.Source{Dir: "instruments/x/x", Model: m, Instrument: &schema.Instrument{}}, unit.Context{Families: l.Families})
	if n, _ := schema.Count(u.Problems); n > 0 {
		return nil, &u.Problems[0]
	}
	pop := &population{}
	add := func(section string, ref refs.Ref, name schema.FamilyName) {
		p := part{section: slices.Index(pop.sections, section), ref: ref, name: name,
			family: slices.IndexFunc(l.Options.Families, func(f Family) bool { return f.Name == name }), hidden: l.Families[name].Hidden}
		pop.places = append(pop.places, p)
	}
	for _, s := range u.Sections {
		pop.sections = append(pop.sections, s.Name)
	}
	for _, p := range u.Positions {
		add(p.Section, p.Ref, p.Family)
	}
	for _, p := range u.Pools {
		for range p.Count {
			add(p.Section, "", p.Family)
		}
	}
	return pop, nil
}

// stock buys the lots: one a year of each family of which parts may be
// replaced.
func (l *Ledger) stock() {
	rng := rand.New(rand.NewPCG(l.Options.Seed, 0))
	most := map[schema.FamilyName]int{} // parts with a place of their own, or of a pool whose parts are replaced
	for _, pop := range l.populations {
		here := map[schema.FamilyName]int{}
		for _, p := range pop.places {
			if p.ref == "" && (p.family < 0 || l.Options.Families[p.family].Repair != schema.Replaced) {
				continue
			}
			here[p.name]++
			most[p.name] = max(most[p.name], here[p.name])
		}
	}
	names := make([]schema.FamilyName, 0, len(most))
	for f := range most {
		names = append(names, f)
	}
	slices.Sort(names)
	for _, name := range names {
		var bad BadLots
		for _, f := range l.Options.Families {
			if f.Name == name {
				bad = f.BadLots
			}
		}
		for year := l.Options.Opened.Year; year <= l.Options.End.Year; year++ {
			lot := Lot{Name: fmt.Sprintf("%d-%s", year, strings.ReplaceAll(string(name), "/", "-")), Family: name, Factor: 1}
			if bad.Share > 0 && rng.Float64() < bad.Share {
				lot.Bad, lot.Factor = true, bad.Times
			}
			l.lotAt[lotKey{name, year}] = len(l.lots)
			l.lots = append(l.lots, lot)
			l.Lots[lot.Name] = &schema.Lot{Family: name, Part: schema.Component{Maker: "Aldermoor", Source: "new"}, Supplier: "Tarn & Vale Components",
				Date: date(year, 1, 1), Quantity: max(1, 2*most[name]*l.Options.Units)}
		}
	}
}

// lot is what the shop takes new parts from on a day.
func (l *Ledger) lot(f schema.FamilyName, day int) *Lot {
	return &l.lots[l.lotAt[lotKey{f, Instant(day).Day().Year}]]
}

// Context is what the units are read against.
func (l *Ledger) Context() unit.Context {
	return unit.Context{Shop: l.Shop, Families: l.Families, Lots: l.Lots, Today: l.Options.End}
}

// Source returns a unit as [unit.Build] takes it, without any text.
func (l *Ledger) Source(u *Unit) unit.Source {
	model, _, _ := strings.Cut(u.Name, "/")
	return unit.Source{Name: u.Name, Dir: "instruments/" + u.Name, Instrument: u.Instrument,
		Model: l.Models[model], Records: u.Records}
}

// Build works out a unit, 0 to Options.Units-1, and reads its records as a
// whole.
func (l *Ledger) Build(i int) *unit.Unit { return unit.Build(l.Source(l.Unit(i)), l.Context()) }
