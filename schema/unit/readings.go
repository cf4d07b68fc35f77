package unit

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
)

// Limit is what a reading is held against.
type Limit struct {
	Nominal, Low, High, Spread schema.Quantity
	Source                     string
	Own                        bool // the record's own, not the model's
}

// Verdict is the outcome of a reading against its limit.
type Verdict string

// The verdicts. A reading without a limit has none.
const (
	Within  Verdict = "within"
	Outside Verdict = "outside"
	// Near means within the limit, but by less than the stated uncertainty:
	// neither conformity nor non-conformity is shown (ISO 14253-1, ILAC-G8).
	Near     Verdict = "within by less than the uncertainty"
	NoLimit  Verdict = ""
	NotTaken Verdict = "not measurable"
)

// ReadingLimit returns the limit of a reading: its own, else the model's for
// the point and section; nil where there is none.
func (u *Unit) ReadingLimit(r schema.Reading) *Limit {
	if r.Low != "" || r.High != "" {
		return &Limit{Low: r.Low, High: r.High, Source: r.LimitSource, Own: true}
	}
	return u.modelLimit(r.Point, r.Section, refs.Ref(r.Ref))
}

// TableLimit returns the limit of one position of a table.
func (u *Unit) TableLimit(t schema.Table, at refs.Ref) *Limit {
	if t.Low != "" || t.High != "" || t.Spread != "" {
		return &Limit{Low: t.Low, High: t.High, Spread: t.Spread, Source: t.LimitSource, Own: true}
	}
	return u.modelLimit(t.Point, t.Section, at)
}

// modelLimit finds the most specific limit of the model: one for the section
// before a general one, one for some positions before one for all.
// Revisions come before sections, sections before positions.
func (u *Unit) modelLimit(point, section string, at refs.Ref) *Limit {
	var best *schema.Limit
	score := -1
	for i := range u.Model.Limits {
		l := &u.Model.Limits[i]
		if !strings.EqualFold(l.Point, point) {
			continue
		}
		s := 0
		if l.Section != "" {
			names, err := refs.ParseNames(string(l.Section))
			if err != nil || !slices.Contains(names.Enumerate(), section) {
				continue
			}
			s += 2
		}
		if l.Revision != "" {
			here := u.Section(section)
			if here == nil || here.Revision != l.Revision {
				continue
			}
			s += 4
		}
		if l.At != "" {
			list, err := refs.Parse(string(l.At))
			if err != nil || !slices.Contains(list.Enumerate(), at) {
				continue
			}
			s++
		}
		if s > score {
			best, score = l, s
		}
	}
	if best == nil {
		return nil
	}
	return &Limit{Nominal: best.Nominal, Low: best.Low, High: best.High, Spread: best.Spread, Source: best.Source}
}

// Judge holds a value with its uncertainty (nil where not known) against the
// limit. The decision rule is simple acceptance, with the uncertainty shown
// (ILAC-G8:09/2019, binary statement without guard band).
func (l *Limit) Judge(v quantity.Quantity, uncertainty *big.Rat) Verdict {
	if l == nil || l.Low == "" && l.High == "" {
		return NoLimit
	}
	near := false
	for _, side := range []struct {
		q    schema.Quantity
		sign int
	}{{l.Low, 1}, {l.High, -1}} {
		limit, ok := side.q.Parse()
		if !ok || !limit.Compatible(v) {
			if side.q != "" {
				return NoLimit
			}
			continue
		}
		margin := new(big.Rat).Sub(v.Value, limit.Value)
		if side.sign < 0 {
			margin.Neg(margin)
		}
		if margin.Sign() < 0 {
			return Outside
		}
		if uncertainty != nil && margin.Cmp(uncertainty) < 0 {
			near = true
		}
	}
	if near {
		return Near
	}
	return Within
}

// JudgeReading returns the verdict on a reading.
func (u *Unit) JudgeReading(r schema.Reading) Verdict {
	if r.Value == schema.NotMeasurable {
		return NotTaken
	}
	v, ok := r.Value.Parse()
	if !ok {
		return NoLimit
	}
	var unc *big.Rat
	if q, ok := r.Uncertainty.Parse(); ok {
		unc = q.Value
	}
	return u.ReadingLimit(r).Judge(v, unc)
}

// measurements checks readings against the limits they will be held to.
func (b *builder) measurements(c *schema.Collector, r *schema.Measurements) {
	if r.Procedure != "" {
		b.procedure(c, r.Procedure)
	}
	for i, m := range r.Readings {
		at := fmt.Sprintf("reading[%d]", i)
		b.oneSection(c, at+".section", m.Section)
		b.instrument(c, at+".with", m.With, r.Date)
		v, ok := m.Value.Parse()
		l := b.u.ReadingLimit(m)
		if near := b.nearPoint(m.Point); near != "" {
			c.Warnf(at+".point", "%q is no point that the model has limits for => did you mean %q?", m.Point, near)
		}
		if !ok || l == nil {
			continue
		}
		if !b.fits(c, at+".value", string(m.Value), v, l, m.Point) {
			continue
		}
		if what := l.farOff(v); what != "" && m.Note == "" {
			c.Warnf(at+".value", "%s: %s where %s => correct it, or add note = \"...\" that says why", m.Point, m.Value, what)
			continue
		}
		if m.Stage == schema.AsLeft && l.Judge(v, nil) == Outside && m.Note == "" {
			c.Warnf(at+".value", "%s is left outside its limit (%s) => measure again after the work, or add note = \"...\" that says why it stays", m.Point, l)
		}
	}
	for i, t := range r.Tables {
		at := fmt.Sprintf("table[%d]", i)
		b.oneSection(c, at+".section", t.Section)
		b.instrument(c, at+".with", t.With, r.Date)
		one, err := quantity.Parse("1 " + string(t.Unit))
		list, err2 := refs.Parse(string(t.At))
		values, err3 := t.Values.Parse()
		if err != nil || err2 != nil || err3 != nil {
			continue
		}
		all := list.Enumerate()
		if len(all) != len(values) {
			continue
		}
		out := 0
		for k, ref := range all {
			l := b.u.TableLimit(t, ref)
			if l == nil || values[k] == nil {
				continue
			}
			if !b.fits(c, at+".unit", string(t.Unit), one, l, t.Point) {
				break
			}
			if l.Judge(Scale(one, values[k]), nil) == Outside {
				out++
			}
		}
		if out > 0 && t.Stage == schema.AsLeft && t.Note == "" {
			c.Warnf(at+".values", "%d of %d are left outside the limit of %s => measure again after the work, or add note = \"...\" that says why they stay", out, len(all), t.Point)
		}
	}
}

// nearPoint is the point with limits that a point without was probably meant to be, ""
// where there is none or the model names it in a procedure.
func (b *builder) nearPoint(point string) string {
	var points []string
	for _, l := range b.u.Model.Limits {
		if strings.EqualFold(l.Point, point) {
			return ""
		}
		points = append(points, l.Point)
	}
	for _, p := range b.u.Model.Procedures {
		for _, s := range p.Steps {
			if strings.EqualFold(s.Point, point) {
				return ""
			}
		}
	}
	if len(point) < 5 {
		return ""
	}
	near := schema.Nearest(point, points)
	if near == "" || len([]rune(near)) != len([]rune(point)) || figures(near) != figures(point) {
		return "" // another point of a family: +15 V rail and -15 V rail
	}
	return near
}

// figures are the figures and signs of a text.
func figures(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r == '+' || r == '-' {
			return r
		}
		return -1
	}, s)
}

// farOff says what a value should be near to where it has the other sign, or is 100 times
// too large or too small: a slip of the sign or of the unit. "" where it is neither.
func (l *Limit) farOff(v quantity.Quantity) string {
	for _, q := range []schema.Quantity{l.Nominal, l.Low, l.High} {
		want, ok := q.Parse()
		if !ok || want.Value.Sign() == 0 || v.Value.Sign() == 0 || !want.Compatible(v) {
			continue
		}
		if q != l.Nominal && (l.Nominal != "" || l.Low == "" || l.High == "") {
			return ""
		}
		r, _ := new(big.Rat).Quo(v.Value, want.Value).Float64()
		switch {
		case r < 0 && !dB(l):
			return fmt.Sprintf("%s belongs: it has the other sign", q)
		case r < 0.01 || r > 100:
			return fmt.Sprintf("%s belongs%s", q, factor(v, want))
		}
		return ""
	}
	return ""
}

// dB reports whether a limit is on a scale on which the sign says little.
func dB(l *Limit) bool {
	return strings.Contains(string(l.Nominal+l.Low+l.High), "dB") || strings.Contains(string(l.Nominal+l.Low+l.High), "C")
}

// Scale returns x times the unit of one.
func Scale(one quantity.Quantity, x *big.Rat) quantity.Quantity {
	one.Value = new(big.Rat).Mul(one.Value, x)
	one.Text = x.FloatString(3)
	return one
}

func (b *builder) fits(c *schema.Collector, at, text string, v quantity.Quantity, l *Limit, point string) bool {
	for _, q := range []schema.Quantity{l.Low, l.High, l.Spread} {
		if lim, ok := q.Parse(); ok && !lim.Compatible(v) {
			c.Errorf(at, "%q where the limit of %s is %q => give it in the unit of the limit", text, point, string(q))
			return false
		}
	}
	return true
}

// String gives the limit as a range.
func (l *Limit) String() string {
	var parts []string
	switch {
	case l.Low != "" && l.High != "":
		parts = append(parts, string(l.Low)+" to "+string(l.High))
	case l.Low != "":
		parts = append(parts, "at least "+string(l.Low))
	case l.High != "":
		parts = append(parts, "at most "+string(l.High))
	}
	if l.Spread != "" {
		parts = append(parts, "spread at most "+string(l.Spread))
	}
	return strings.Join(parts, ", ")
}

// procedure checks a cited procedure.
func (b *builder) procedure(c *schema.Collector, cited string) {
	var have []string
	for _, p := range b.u.Model.Procedures {
		name := p.Name + "/" + p.Revision
		if name == cited {
			return
		}
		have = append(have, name)
	}
	if have == nil {
		c.Errorf("procedure", "the model has no procedures => add a [[procedure]] to it, or leave the key out")
		return
	}
	c.Errorf("procedure", "the model has no procedure %q => cite one with its revision: %s", cited, strings.Join(have, ", "))
}
