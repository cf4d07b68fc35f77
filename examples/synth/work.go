package synth

import (
	"fmt"
	"slices"

	"benchlore/schema"
	"benchlore/schema/refs"
)

// lineKey tells the part lines of a record apart.
type lineKey struct {
	section int
	family  schema.FamilyName
	found   schema.Finding
	action  schema.Action
	mode    schema.Mode
	cause   schema.Cause
	fault   string
	pool    bool
	because schema.Because
	code    string // on what came out
}

// lines gathers what was found and done in one record, alike parts together.
type lines struct {
	order []lineKey
	refs  map[lineKey][]refs.Ref
	count map[lineKey]int
}

func (g *lines) add(k lineKey, p *part) {
	k.section, k.family, k.pool = p.section, p.name, p.ref == ""
	if p.code > 0 && !k.pool {
		k.code = fmt.Sprint(p.code)
	}
	if g.count == nil {
		g.count, g.refs = map[lineKey]int{}, map[lineKey][]refs.Ref{}
	}
	if g.count[k] == 0 {
		g.order = append(g.order, k)
	}
	g.count[k]++
	if !k.pool {
		g.refs[k] = append(g.refs[k], p.ref)
	}
}

func (w *work) write(g *lines, day int) []schema.PartLine {
	var out []schema.PartLine
	for _, k := range g.order {
		l := schema.PartLine{Section: schema.Names(w.sections[k.section]), Family: k.family, Found: k.found, Action: k.action, CausedBy: k.cause}
		if k.pool {
			l.Count = g.count[k]
		} else {
			l.Ref = schema.Refs(refs.Compact(g.refs[k]))
		}
		l.Because = k.because
		if k.code != "" {
			l.Old = &schema.Component{DateCode: k.code}
		}
		if k.mode != "" {
			l.Mode = schema.Modes{k.mode}
		}
		if k.fault != "" {
			l.Fault = schema.Idents{k.fault}
		}
		switch k.found {
		case schema.OK, schema.Failed, schema.Degraded:
			l.How = "in-circuit"
		}
		if k.action == schema.Replaced {
			l.New = &schema.Component{Lot: w.l.lot(k.family, day).Name}
		}
		out = append(out, l)
	}
	return out
}

// find finds what is broken on a day. Where something of a group of failures
// is heard or tested, the rest of the group is found with it.
func (w *work) find(tested func(*part) bool) (failed []*part) {
	seen := map[int]bool{}
	for _, p := range w.parts {
		if p.happened && (!p.hidden || tested(p)) {
			seen[p.group] = true
		}
	}
	for _, p := range w.parts {
		if p.happened && seen[p.group] {
			failed = append(failed, p)
		}
	}
	return failed
}

// repair mends what was found failed, and says so.
func (w *work) repair(g *lines, failed []*part, day int, faults map[int]string) {
	for _, p := range failed {
		k := lineKey{found: schema.Failed, action: schema.Replaced, mode: "burnt", cause: p.life.CausedBy, fault: faults[p.section]}
		if w.l.Options.Habits.Because {
			k.because = schema.BecauseSystematic
			if !p.hidden && k.fault != "" {
				k.because = schema.BecauseSuspect
			}
		}
		if p.hidden {
			k.fault = ""
		}
		if p.family >= 0 {
			f := &w.l.Options.Families[p.family]
			k.action, k.mode = f.Repair, f.Mode
		}
		p.life.Found = Instant(day)
		w.earlier[p] = true
		g.add(k, p)
		if k.action == schema.Replaced {
			w.fit(p, Instant(day), w.l.lot(p.name, day))
		} else {
			w.renew(p, Instant(day))
		}
	}
}

// inspect is the main look at a unit: it finds, tests, mends and replaces, and
// returns the record of it; nil where nothing was done.
func (w *work) inspect(day int, first bool, faults map[int]string) *schema.Parts {
	h := &w.l.Options.Habits
	blanket := first && (h.Blanket == 0 || w.rng.Float64() < h.Blanket)
	principle := func(p *part) bool { return blanket && p.ref != "" && slices.Contains(h.Principle, p.name) }
	tested := map[*part]bool{}
	for _, p := range w.parts {
		chance := h.Tested
		if h.TestedFailed > 0 && p.happened {
			chance = h.TestedFailed
		}
		if p.ref != "" && !principle(p) && w.rng.Float64() < chance {
			tested[p] = true
		}
	}
	failed := w.find(func(p *part) bool { return tested[p] })
	mended := map[*part]bool{}
	for _, p := range failed {
		mended[p] = true
	}
	var g lines
	w.repair(&g, failed, day, faults)
	kit := first && w.rng.Float64() < h.Kits
	rec := &schema.Parts{}
	var why schema.Because
	if h.Because {
		why = schema.BecauseSystematic
	}
	for _, p := range w.parts {
		switch {
		case mended[p]:
		case principle(p):
			if !kit {
				g.add(lineKey{found: schema.Untested, action: schema.Replaced}, p)
			} else if !slices.ContainsFunc(rec.ApplyKits, func(k schema.ApplyKit) bool { return k.Kit == kitName(p.name) }) {
				rec.ApplyKits = append(rec.ApplyKits, schema.ApplyKit{Kit: kitName(p.name), Revision: kitRevision,
					Found: schema.Untested, Lot: w.l.lot(p.name, day).Name})
			}
			w.fit(p, Instant(day), w.l.lot(p.name, day))
		case !tested[p]:
		case p.life.Degraded <= Instant(day):
			k := lineKey{found: schema.Degraded, action: schema.Left, mode: "drift", because: why}
			if w.rng.Float64() < h.ReplaceDegraded && w.l.Options.Families[p.family].Repair == schema.Replaced {
				k.action = schema.Replaced
				w.fit(p, Instant(day), w.l.lot(p.name, day))
			}
			g.add(k, p)
		default:
			g.add(lineKey{found: schema.OK, action: schema.Left, because: why}, p)
		}
	}
	rec.Lines = w.write(&g, day)
	if len(rec.Lines)+len(rec.ApplyKits) == 0 {
		return nil
	}
	return rec
}
