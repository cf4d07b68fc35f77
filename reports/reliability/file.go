package reliability

import (
	"cmp"
	"io"
	"math"
	"slices"
	"strings"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
	"benchlore/schema"
)

// agelessSuffix marks the groups of an observation file whose times do not
// count from installation: parts of unknown age, of counted pools, and after a
// repair. They serve a constant rate only.
const agelessSuffix = " (age not known)"

// WriteObservations writes the observations the report rests on, under its
// reading of silence, as an observation file: unit,group,entry,lower,upper,
// count. A part not counted in rates is written as not failed by 0, which says
// nothing; one fitted here and not seen since does not stand there.
func (r *Report) WriteObservations(w io.Writer) error {
	var all []lifedata.Obs
	for _, g := range r.Groups {
		l := g.Life[r.Silence].times
		if l.noMeter != "" {
			l = l.unmeasured()
		}
		name := safeCell(g.title())
		for _, x := range []struct {
			obs  []lifedata.Obs
			name string
		}{{l.aged(), name}, {l.ageless(), name + agelessSuffix}, {l.nothing(), name}} {
			for _, o := range x.obs {
				o.Group = x.name
				all = append(all, o)
			}
		}
	}
	return lifedata.WriteObs(w, all)
}

// unmeasured says nothing of all times, as where hours are asked for and one
// unit has no meter.
func (l lifetimes) unmeasured() lifetimes {
	l.parts = slices.Clone(l.parts)
	for i := range l.parts {
		l.parts[i].leftOut = true
	}
	return l
}

// ReliabilityFromFile estimates from an observation file (see
// [lifedata.ReadObs]), whose groups take the place of By. What only records
// can tell, such as comebacks, is left out.
func FromFile(in io.Reader, unit TimeUnit, opt Options) (*Report, error) {
	if err := opt.fill(); err != nil {
		return nil, err
	}
	all, err := lifedata.ReadObs(in)
	if err != nil {
		return nil, err
	}
	r := &Report{By: []string{"group"}, Silence: opt.Silence, Confidence: opt.Confidence, Failure: schema.Failed,
		Time: cmp.Or(unit, FileTimes), FromFile: true}
	byName := map[string]*lifetimes{}
	var names []string
	units := map[string]bool{}
	for _, o := range all {
		name, ageless := strings.CutSuffix(o.Group, agelessSuffix)
		o.Group = ""
		l := byName[name]
		if l == nil {
			l = &lifetimes{}
			byName[name] = l
			names = append(names, name)
		}
		if o.Unit == "" {
			r.Units += int(o.Count)
		}
		units[o.Unit] = true
		l.came += int(o.Count)
		switch {
		case o.RightCensored() && !(o.Lower > o.Entry):
			l.out += int(o.Count)
			l.parts = append(l.parts, timed{Obs: o, leftOut: true})
		case ageless:
			l.parts = append(l.parts, timed{Obs: o})
		default:
			l.parts = append(l.parts, timed{Obs: o, flags: isAged})
		}
	}
	delete(units, "")
	r.Units += len(units)
	slices.Sort(names)
	c := Comparison{Keys: []string{"group"}}
	var times []lifetimes
	for _, name := range names {
		l := *byName[name]
		g := l.count(opt.Confidence)
		g.Key = []KeyPart{{"group", name}}
		g.Title = cmp.Or(page.Clean(name), "all")
		e := l.estimateOnce(opt, nil)
		g.Life[r.Silence] = &e
		r.Groups = append(r.Groups, g)
		c.Groups = append(c.Groups, ComparedGroup{Name: g.Title})
		times = append(times, l)
	}
	slices.SortStableFunc(r.Groups, mostAffected)
	rankGroups(r.Groups, r.Silence, nil)
	if len(times) > 1 && c.test(times, opt) {
		r.Comparisons = append(r.Comparisons, c)
		r.adjust()
	}
	r.Notes = r.notes()
	return r, nil
}

// count is what a file tells of units and parts.
func (l lifetimes) count(level float64) Group {
	obs := append(l.all(), l.nothing()...)
	g := Group{Life: map[Silence]*Life{}}
	type seen struct{ parts, failed float64 }
	units := map[string]*seen{}
	var order []string
	alone := seen{}
	for _, o := range obs {
		u := &alone
		if o.Unit != "" {
			if u = units[o.Unit]; u == nil {
				u = &seen{}
				units[o.Unit] = u
				order = append(order, o.Unit)
			}
		}
		u.parts += o.Count
		if !o.RightCensored() {
			u.failed += o.Count
		}
	}
	n := &g.Parts
	n.Handled, n.LeftOut, n.Untested = l.came, l.out, l.out
	n.Tested = l.came - l.out
	g.Units.Inspected, g.Units.Affected = int(alone.parts), int(alone.failed)
	n.Failed = int(alone.failed)
	var clusters []lifedata.Cluster
	for _, name := range order {
		u := units[name]
		g.Units.Inspected++
		n.Failed += int(u.failed)
		if u.failed > 0 {
			g.Units.Affected++
			g.FailedUnit = name
		}
		clusters = append(clusters, lifedata.Cluster{Numerator: u.failed, Denominator: u.parts})
	}
	if g.Units.Affected != 1 || n.Failed < 2 {
		g.FailedUnit = ""
	}
	g.Units.Interval = lifedata.Wilson(g.Units.Affected, g.Units.Inspected, level)
	if g.Units.Inspected > 0 {
		g.Units.Share = float64(g.Units.Affected) / float64(g.Units.Inspected)
	}
	if alone.parts == 0 {
		n.OfHandled = partShare(clusters, level)
	} else {
		// Parts without a unit are units of their own.
		limits := lifedata.ClopperPearson(n.Failed, n.Handled, level)
		n.OfHandled = Share{Share: float64(n.Failed) / float64(n.Handled), Interval: &limits, DesignEffect: math.NaN()}
	}
	return g
}
