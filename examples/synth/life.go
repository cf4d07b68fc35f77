package synth

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"benchlore/schema"
	"benchlore/schema/refs"
)

// part is one place of a unit and what sits there now.
type part struct {
	section  int
	ref      refs.Ref // empty for one of a pool
	family   int      // index into Options.Families, -1 where parts of it never fail
	name     schema.FamilyName
	life     *Life
	hidden   bool
	happened bool // its failure has taken its effects
	group    int  // failures that came together, from 1
	code     int  // year on it, where the shop reads that; 0: it does not
	lot      *Lot // of what sits there; nil: from the factory
}

// aging is the part of a unit's story that no shop sees: what fails, when and
// because of what.
type aging struct {
	l         *Ledger
	rng       *rand.Rand
	sections  []string
	bySection [][]int // named parts
	parts     []*part
	factors   []float64 // the unit's own, by family
	shock     Instant   // the next harm from outside
	groups    int
	lives     []*Life
}

// factor draws a unit's own factor on the hazard of a family, of mean 1.
func (s Spread) factor(rng *rand.Rand) float64 {
	switch {
	case s.Variance == 0:
		return 1
	case s.Kind == GammaSpread:
		return distuv.Gamma{Alpha: 1 / s.Variance, Beta: 1 / s.Variance, Src: rng}.Rand()
	case s.Kind == LognormalSpread:
		v := math.Log1p(s.Variance)
		return math.Exp(math.Sqrt(v)*rng.NormFloat64() - v/2)
	}
	return 1
}

func newAging(l *Ledger, rng *rand.Rand, pop *population) *aging {
	a := &aging{l: l, rng: rng, sections: pop.sections, bySection: make([][]int, len(pop.sections)), shock: never}
	for _, f := range l.Options.Families {
		a.factors = append(a.factors, f.Spread.factor(rng))
	}
	for _, p := range pop.places {
		if p.ref != "" {
			a.bySection[p.section] = append(a.bySection[p.section], len(a.parts))
		}
		c := p
		a.parts = append(a.parts, &c)
	}
	return a
}

// fit puts a new part of a lot into a place, or the first one from the factory.
func (a *aging) fit(p *part, at Instant, lot *Lot) {
	l := &Life{}
	if was := p.life; was != nil {
		was.Ended = at
		l.Occupant = was.Occupant + 1
	}
	p.lot, p.code = lot, 0
	a.begin(p, l, at)
}

// renew makes a part as new that failed.
func (a *aging) renew(p *part, at Instant) {
	was := p.life
	was.Ended = at
	a.begin(p, &Life{Occupant: was.Occupant, Restart: was.Restart + 1}, at)
}

func (a *aging) begin(p *part, l *Life, at Instant) {
	l.Section, l.Ref, l.Family, l.Installed = a.sections[p.section], p.ref, p.name, at
	l.Own, l.Degraded, l.Found, l.Ended = never, never, never, never
	z := 1.0
	if p.lot != nil {
		l.Lot, l.BadLot, z = p.lot.Name, p.lot.Bad, p.lot.Factor
	}
	if p.family >= 0 {
		f := &a.l.Options.Families[p.family]
		years := f.Scale * math.Pow(a.rng.ExpFloat64()/(z*a.factors[p.family]), 1/f.Shape)
		l.Own = at + Instant(years*365.25)
		if f.Degrades > 0 {
			l.Degraded = at + Instant(years*365.25*f.Degrades)
		}
	}
	l.Failed = l.Own
	p.life, p.happened, p.group = l, false, 0
	a.lives = append(a.lives, l)
}

// next lets the first failure up to a moment happen, with what it takes down.
// It returns when that was and whether it is heard; ok is false where nothing
// fails by then.
func (a *aging) next(to Instant) (at Instant, heard, ok bool) {
	first := -1
	at = to
	for i, p := range a.parts {
		if !p.happened && p.life.Failed <= at {
			first, at = i, p.life.Failed
		}
	}
	if a.shock <= at {
		at = a.shock
		a.shock += Instant(a.rng.ExpFloat64() / a.l.Options.External.PerYear * 365.25)
		return at, a.strike(at), true
	}
	if first < 0 {
		return 0, false, false
	}
	p := a.parts[first]
	a.groups++
	p.happened, p.group = true, a.groups
	heard = !p.hidden
	cascade := a.l.Options.Families[p.family].Cascade
	if p.ref != "" && cascade > 0 && a.rng.Float64() < cascade {
		if v := a.victim(p.section, at); v != nil {
			a.takeDown(v, at, schema.Cause(a.sections[p.section]+" "+string(p.ref)))
			heard = heard || !v.hidden
		}
	}
	return at, heard, true
}

// strike is harm from outside.
func (a *aging) strike(at Instant) (heard bool) {
	section := a.rng.IntN(len(a.sections))
	causes := []schema.Cause{"surge", "transport", "liquid"}
	cause := causes[a.rng.IntN(len(causes))]
	a.groups++
	for range a.l.Options.External.Parts {
		if v := a.victim(section, at); v != nil {
			a.takeDown(v, at, cause)
			heard = heard || !v.hidden
		}
	}
	return heard
}

// victim picks a part of a section that is there and works; nil where there is
// none.
func (a *aging) victim(section int, at Instant) *part {
	var well []*part
	for _, i := range a.bySection[section] {
		if p := a.parts[i]; p.life.Failed > at && p.life.Installed < at {
			well = append(well, p)
		}
	}
	if well == nil {
		return nil
	}
	return well[a.rng.IntN(len(well))]
}

func (a *aging) takeDown(p *part, at Instant, cause schema.Cause) {
	p.life.Failed, p.life.CausedBy = at, cause
	p.happened, p.group = true, a.groups
}

// advance lets time pass.
func (a *aging) advance(to Instant) {
	for {
		if _, _, ok := a.next(to); !ok {
			return
		}
	}
}

// broken returns when the first of the failures that are heard and not yet
// repaired happened; never where the unit works fully.
func (a *aging) broken() Instant {
	first := never
	for _, p := range a.parts {
		if p.happened && !p.hidden && p.life.Failed < first {
			first = p.life.Failed
		}
	}
	return first
}
