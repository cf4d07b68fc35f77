package provenance

import (
	"cmp"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// readings puts readings as found and as left side by side, and sums tables up.
func (b *builder) readings() {
	b.p.DecisionRule = []string{
		"Decision rule: simple acceptance. A value on or inside its limit is within, any other is outside; no guard band is kept (ILAC-G8:09/2019; ISO 14253-1 would keep one).",
		"An uncertainty is the expanded one (k = 2) and is shown where the record states it. “" + string(unit.Near) + "” means that neither conformity nor non-conformity is shown. Where none is stated the verdict takes no account of it.",
		"Where no limit is given there is no verdict, only the value.",
	}
	type slot struct{ job, section, point, quantity string }
	type column struct{ found, between, left []*ReadingValue }
	at := map[slot]*column{}
	var order []slot
	used := map[usedInstrument][]schema.Date{}
	use := func(f *unit.File, id string, d schema.Date) {
		u := usedInstrument{id, b.bench(f)}
		if id != "" && !slices.Contains(used[u], d) {
			used[u] = append(used[u], d)
		}
	}
	b.records(func(f *unit.File, h *schema.Common) {
		if r, ok := f.Record.(*schema.Safety); ok {
			for _, k := range r.Checks {
				use(f, k.With, h.Date)
			}
			return
		}
		r, ok := f.Record.(*schema.Measurements)
		if !ok {
			return
		}
		job := jobName(b.jobOf(f))
		for _, m := range r.Readings {
			use(f, m.With, r.Date)
			v := &ReadingValue{Record: f.Name(), Bench: b.benchName(f), Date: dayText(r.Date), By: b.person(f, r.By), Stage: m.Stage, Value: page.Clean(string(m.Value)), Why: m.Why,
				Uncertainty: page.Clean(string(m.Uncertainty)), Verdict: b.u.JudgeReading(m), Conditions: m.Conditions, With: page.Clean(m.With),
				Procedure: page.Clean(r.Procedure), Note: m.Note}
			if l := b.u.ReadingLimit(m); l != nil {
				v.Limit, v.LimitSource = page.Clean(l.String()), l.Source
				v.LimitLow, v.LimitHigh = plainNumberOf(l.Low.Parse()), plainNumberOf(l.High.Parse())
			}
			v.Number = plainNumberOf(m.Value.Parse())
			k := slot{job, page.Clean(m.Section), page.Clean(m.Point), page.Clean(m.Quantity)}
			if at[k] == nil {
				at[k] = &column{}
				order = append(order, k)
			}
			switch c := at[k]; m.Stage {
			case schema.AsFound:
				c.found = append(c.found, v)
			case schema.AsLeft:
				c.left = append(c.left, v)
			default:
				c.between = append(c.between, v)
			}
		}
		for _, t := range r.Tables {
			use(f, t.With, r.Date)
			b.table(f, job, r, t)
		}
	})
	rank := map[string]int{}
	for i, s := range b.u.Sections {
		rank[s.Name] = i - len(b.u.Sections) // what names no section comes last
	}
	jobs := map[string]int{}
	for i, j := range b.u.Jobs {
		jobs[j.Name()] = i + 1
	}
	slices.SortStableFunc(order, func(x, y slot) int {
		if d := jobs[x.job] - jobs[y.job]; d != 0 {
			return d
		}
		return rank[x.section] - rank[y.section]
	})
	pick := func(l []*ReadingValue, i int) *ReadingValue {
		if i < len(l) {
			return l[i]
		}
		return nil
	}
	for _, k := range order {
		c := at[k]
		for i := range max(len(c.found), len(c.between), len(c.left)) {
			b.p.Readings = append(b.p.Readings, ReadingRow{k.job, k.section, k.point, k.quantity, pick(c.found, i), pick(c.between, i), pick(c.left, i)})
		}
	}
	b.instruments(used)
}

// table sums up one table of readings.
func (b *builder) table(f *unit.File, job string, r *schema.Measurements, t schema.Table) {
	x := TableReport{Record: f.Name(), Bench: b.benchName(f), Job: job, Date: dayText(r.Date), By: b.person(f, r.By), Stage: t.Stage, Section: page.Clean(t.Section),
		Point: page.Clean(t.Point), At: page.Clean(string(t.At)), Unit: page.Clean(string(t.Unit)), Uncertainty: page.Clean(string(t.Uncertainty)),
		Conditions: t.Conditions, With: page.Clean(t.With), Procedure: page.Clean(r.Procedure), Why: t.Why, Note: t.Note}
	list, err := refs.Parse(string(t.At))
	values, err2 := t.Values.Parse()
	one, err3 := quantity.Parse("1 " + string(t.Unit))
	if err != nil || err2 != nil || err3 != nil {
		return
	}
	at, written := list.Enumerate(), strings.Fields(string(t.Values))
	if len(at) != len(values) {
		return
	}
	var uncertainty *big.Rat
	if q, ok := t.Uncertainty.Parse(); ok {
		uncertainty = q.Value
	}
	var low, high *big.Rat
	var span *LimitSpan
	for i, v := range values {
		x.Positions = append(x.Positions, string(at[i]))
		if l := b.u.TableLimit(t, at[i]); l != nil && (l.Low != "" || l.High != "") {
			s := LimitSpan{string(at[i]), string(at[i]), inUnit(l.Low, one), inUnit(l.High, one)}
			if span != nil && span.Low == s.Low && span.High == s.High {
				span.To = s.To
			} else {
				x.LimitSpans = append(x.LimitSpans, s)
				span = &x.LimitSpans[len(x.LimitSpans)-1]
			}
		} else {
			span = nil
		}
		if v == nil {
			x.Values = append(x.Values, "x")
			continue
		}
		x.Values = append(x.Values, written[i])
		x.Measured++
		if low == nil || v.Cmp(low) < 0 {
			low, x.Min, x.MinAt = v, written[i], string(at[i])
		}
		if high == nil || v.Cmp(high) > 0 {
			high, x.Max, x.MaxAt = v, written[i], string(at[i])
		}
		l := b.u.TableLimit(t, at[i])
		if l == nil {
			continue
		}
		each := unit.Limit{Low: l.Low, High: l.High}
		if s := page.Clean(each.String()); s != "" && !slices.Contains(x.Limits, s) {
			x.Limits = append(x.Limits, s)
		}
		if l.Source != "" && !slices.Contains(x.LimitSources, l.Source) {
			x.LimitSources = append(x.LimitSources, l.Source)
		}
		if l.Spread != "" {
			x.SpreadLimit = page.Clean(string(l.Spread))
		}
		switch l.Judge(unit.Scale(one, v), uncertainty) {
		case unit.Outside:
			x.Judged++
			x.Outside = append(x.Outside, string(at[i]))
		case unit.Near:
			x.Judged++
			x.Near = append(x.Near, string(at[i]))
		case unit.Within:
			x.Judged++
		}
	}
	if low != nil {
		spread := new(big.Rat).Sub(high, low)
		x.Spread = ratText(spread)
		if x.SpreadLimit != "" && x.Measured > 1 {
			x.SpreadVerdict = (&unit.Limit{High: schema.Quantity(x.SpreadLimit)}).Judge(unit.Scale(one, spread), nil)
		}
	}
	b.p.Tables = append(b.p.Tables, x)
}

// plainNumberOf is a quantity as a number in the base unit, nil for none.
func plainNumberOf(v quantity.Quantity, ok bool) *float64 {
	if !ok || v.Value == nil {
		return nil
	}
	f, _ := v.Value.Float64()
	return &f
}

// inUnit gives a limit as a number of the unit of one, "" for none.
func inUnit(q schema.Quantity, one quantity.Quantity) string {
	v, ok := q.Parse()
	if !ok || !v.Compatible(one) || one.Value.Sign() == 0 {
		return ""
	}
	return ratText(new(big.Rat).Quo(v.Value, one.Value))
}

// ratText prints an exact number with the decimals it needs, at most six.
func ratText(v *big.Rat) string {
	f, _ := v.Float64()
	for n := range 6 {
		s := v.FloatString(n)
		if back, ok := new(big.Rat).SetString(s); ok && back.Cmp(v) == 0 {
			return s
		}
	}
	return fmt.Sprintf("%.6g", f)
}

// usedInstrument is a test instrument of a bench, nil for this one.
type usedInstrument struct {
	id    string
	bench *unit.Bench
}

func (u usedInstrument) benchName() string {
	if u.bench == nil {
		return ""
	}
	return cmp.Or(page.Clean(u.bench.Name), "another bench")
}

// instruments says what the readings were taken with, and whether that was
// within its calibration.
func (b *builder) instruments(used map[usedInstrument][]schema.Date) {
	list := slices.SortedFunc(maps.Keys(used), func(x, y usedInstrument) int {
		return cmp.Or(cmp.Compare(x.id, y.id), cmp.Compare(x.benchName(), y.benchName()))
	})
	for _, u := range list {
		x := InstrumentReport{ID: page.Clean(u.id), Name: page.Clean(u.id), Bench: u.benchName()}
		var have []schema.TestInstrument
		switch {
		case u.bench != nil:
			have = u.bench.TestInstruments
		case b.in.Shop != nil:
			have = b.in.Shop.TestInstruments
		}
		var known *schema.TestInstrument
		for i := range have {
			if t := &have[i]; t.ID == u.id {
				known = t
				x.Name = page.Clean(t.Name)
			}
		}
		switch {
		case known == nil:
			x.Lines = append(x.Lines, "its calibration is not known here")
		case len(known.Calibrations) == 0:
			x.Lines = append(x.Lines, "an indicator: not calibrated")
		default:
			var out []string
			var covered []schema.Calibration
			for _, d := range used[u] {
				i := slices.IndexFunc(known.Calibrations, func(k schema.Calibration) bool { return !d.Before(k.Date.Day) && !d.After(k.Due.Day) })
				if i < 0 {
					out = append(out, dayText(d))
				} else if !slices.Contains(covered, known.Calibrations[i]) {
					covered = append(covered, known.Calibrations[i])
				}
			}
			for _, k := range covered {
				by := ""
				if k.By != "" {
					by = " by " + Own(k.By)
				}
				x.Lines = append(x.Lines, fmt.Sprintf("calibrated %s%s, valid to %s", dayText(k.Date), by, dayText(k.Due)))
			}
			if out != nil {
				x.Lines = append(x.Lines, "used outside its calibration on "+page.Listed(out))
			}
		}
		b.p.Instruments = append(b.p.Instruments, x)
	}
}
