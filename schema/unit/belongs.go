package unit

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"regexp"
	"strings"

	"benchlore/schema"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
)

// sameKind are the units in which parts of a group are given: value for most, rating
// for fuses. A value in another unit was meant for another part.
var sameKind = map[string]string{"capacitor": "F", "resistor": "Ohm", "inductor": "H"}

// belongs compares what a line puts into a position with what belongs there, and reports
// every difference with both. What a modification fits is meant; so is what a line says
// the reason of, and what an earlier one of these put there. A larger fuse without a
// reason is an error: it protects nothing.
func (b *builder) belongs(c *schema.Collector, f *File, k kitLine, p *Position, l schema.PartLine) {
	n := l.New
	if n == nil || l.Why != "" || f.Record.Head().Kind == schema.KindMod || n.Family.Group() != "" && n.Family.Group() != p.Family.Group() {
		return
	}
	meant := func(same func(*schema.Component) bool) bool {
		if b.ofKit(p, same) {
			return true
		}
		for _, o := range p.Occupants {
			if o.Fitted != nil && o.Component != nil && (o.Mod != nil || o.Fitted.Line.Why != "") && same(o.Component) {
				return true
			}
		}
		return false
	}
	const slip = " => correct it, or say the reason: why = \"...\""
	group := p.Family.Group()
	if group == "fuse" {
		want, ok := current(string(p.Rating), string(p.Value))
		got, ok2 := current(string(n.Rating), string(n.Value), n.Type)
		if !ok || !ok2 || meant(func(x *schema.Component) bool {
			v, ok := current(string(x.Rating), string(x.Value), x.Type)
			return ok && equal(v, got)
		}) {
			return
		}
		switch cmp, err := got.Cmp(want); {
		case err != nil || cmp == 0:
		case cmp > 0:
			b.each(k.path+".new", p, "%s: a fuse of %s where %s belongs%s: a danger of fire => fit the right one, or say the reason: why = \"...\"",
				Amps(got), Amps(want), factor(got, want))
		default:
			b.eachWarning(k.path+".new", p, "%s: a fuse of %s where %s belongs%s"+slip, Amps(got), Amps(want), factor(got, want))
		}
		if x, y := speed(p.Type), speed(n.Type); x != "" && y != "" && x != y {
			b.eachWarning(k.path+".new.type", p, "%s: a %s fuse where a %s one belongs"+slip, y, x)
		}
	}
	if n.Family != "" && n.Family != p.Family && (group != "capacitor" || p.Family == "capacitor/safety") {
		b.eachWarning(k.path+".new.family", p, "%s: a %s where a %s belongs"+slip, n.Family, p.Family)
	}
	if r, ok := p.Rating.Parse(); ok && (group == "capacitor" || group == "resistor") {
		if x, ok := n.Rating.Parse(); ok && x.Compatible(r) && r.Value.Sign() > 0 && new(big.Rat).Quo(x.Value, r.Value).Cmp(big.NewRat(10, 1)) >= 0 {
			b.eachWarning(k.path+".new.rating", p, "%s: a rating of %s where %s belongs%s"+slip, n.Rating, p.Rating, factor(x, r))
		}
	}
	want, ok := p.Value.Parse()
	got, ok2 := n.Value.Parse()
	switch {
	case group == "fuse" || !ok2:
	case ok && (equal(got, want) || nearest(got, want, group)):
	case ok && !meant(func(x *schema.Component) bool { v, ok := x.Value.Parse(); return ok && equal(v, got) }):
		more := factor(got, want)
		if !got.Compatible(want) && sameKind[group] != "" {
			more = fmt.Sprintf(": the value of a %s is given in %s", group, sameKind[group])
		}
		b.eachWarning(k.path+".new.value", p, "%s: %s where %s belongs%s"+slip, n.Value, p.Value, more)
	case !ok && sameKind[group] != "":
		if one, err := quantity.Parse("1 " + sameKind[group]); err == nil && !got.Compatible(one) {
			b.eachWarning(k.path+".new.value", p, "%s: a %s of %s => give its value in %s", group, n.Value, sameKind[group])
		}
	}
	if typeForm.MatchString(p.Type) && typeForm.MatchString(n.Type) && !sameType(p.Type, n.Type) &&
		!meant(func(x *schema.Component) bool { return sameType(x.Type, n.Type) }) {
		b.eachWarning(k.path+".new.type", p, "%s: %s where %s belongs"+slip, n.Type, p.Type)
	}
}

// again reports a part that was replaced twice in one job: one of the two lines is a
// slip, or the first new part was no good. A line that says what came out knows of the
// first one.
func (b *builder) again(e *Event, p *Position, o *Occupant) {
	if o == nil || o.Fitted == nil || e.Job == nil || o.Fitted.Job != e.Job || e.Line.Action != schema.Replaced || e.Line.Why != "" || e.Line.Old != nil {
		return
	}
	b.eachWarning(e.Path, p, "%s: replaced already on %s in this job (%s), and now again (%s) => take one of the two lines out, or say the reason: why = \"...\"",
		o.Fitted.Date, fitted(o.Component), fitted(e.Line.New))
}

func fitted(c *schema.Component) string {
	if c == nil {
		return "with what, is not said"
	}
	var parts []string
	for _, s := range []string{string(c.Value), string(c.Rating), c.Type} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	return cmp.Or(strings.Join(parts, " "), "value not given")
}

// ofKit reports whether a kit of the model that says what it changes, or has a note,
// fits such a part there.
func (b *builder) ofKit(p *Position, same func(*schema.Component) bool) bool {
	for i := range b.u.Model.Kits {
		kit := &b.u.Model.Kits[i]
		reason := kit.Note != "" || kit.Changes != "" && !strings.HasPrefix(strings.ToLower(kit.Changes), "none")
		for j := range kit.Lines {
			l := &kit.Lines[j]
			if l.New == nil || !reason && l.Why == "" && l.Note == "" || !same(l.New) {
				continue
			}
			names, err := refs.ParseNames(string(l.Section))
			list, err2 := refs.Parse(string(l.Ref))
			if err != nil || err2 != nil {
				continue
			}
			in, _ := names.Select([]string{p.Section})
			at, _ := list.Select([]refs.Ref{p.Ref})
			if len(in) > 0 && len(at) > 0 {
				return true
			}
		}
	}
	return false
}

func equal(a, b quantity.Quantity) bool {
	c, err := a.Cmp(b)
	return err == nil && c == 0
}

// nearest reports whether a value is what one buys today for an old one that no
// series has: 47 nF for 0.05 uF, 22 uF for 25 uF. The old one must be of no series
// of IEC 60063 that such parts are made in, and the new one within a fifth of it, which
// is common practice, without a source.
func nearest(got, want quantity.Quantity, group string) bool {
	series := 24
	if group == "capacitor" {
		series = 12
	}
	if quantity.Preferred(want.Value, series) || !quantity.Preferred(got.Value, series) || !got.Compatible(want) || want.Value.Sign() <= 0 {
		return false
	}
	ratio := new(big.Rat).Quo(got.Value, want.Value)
	return ratio.Cmp(big.NewRat(4, 5)) >= 0 && ratio.Cmp(big.NewRat(5, 4)) <= 0
}

// typeForm is how types are written that name one part: letters and figures, without
// blanks. Types in words, such as NPN small signal, are not compared.
var typeForm = regexp.MustCompile(`^[A-Za-z0-9./-]*[0-9][A-Za-z0-9./-]*$`)

func sameType(a, b string) bool {
	plain := func(s string) string {
		return strings.ToUpper(strings.NewReplacer("-", "", ".", "", "/", "").Replace(s))
	}
	return plain(a) == plain(b)
}

var ampere = regexp.MustCompile(`(?i)([0-9]+(?:[.,][0-9]+)?)\s*(mA|A)\b`)

// current reads the first current that the texts give: 315 mA, 10 A T, T3,15A.
func current(texts ...string) (quantity.Quantity, bool) {
	for _, t := range texts {
		if m := ampere.FindStringSubmatch(t); m != nil {
			unit := "A"
			if strings.EqualFold(m[2], "mA") {
				unit = "mA"
			}
			if q, err := quantity.Parse(m[1] + " " + unit); err == nil {
				return q, true
			}
		}
	}
	return quantity.Quantity{}, false
}

// Amps writes a current as fuses have it: 315 mA, 10 A.
func Amps(q quantity.Quantity) string {
	v, _ := q.Value.Float64()
	if v < 1 {
		return fmt.Sprintf("%.4g mA", v*1000)
	}
	return fmt.Sprintf("%.4g A", v)
}

// factor says how many times as large one quantity is as another, from twice on: ", 100
// times smaller", ", about 30 times larger".
func factor(got, want quantity.Quantity) string {
	if !got.Compatible(want) || got.Value.Sign() <= 0 || want.Value.Sign() <= 0 {
		return ""
	}
	r, _ := new(big.Rat).Quo(got.Value, want.Value).Float64()
	word := "larger"
	if r < 1 {
		r, word = 1/r, "smaller"
	}
	if r < 2 {
		return ""
	}
	unit := math.Pow(10, math.Floor(math.Log10(r*1.0001)))
	n := math.Round(r/unit) * unit
	about := ""
	if math.Abs(n-r) > r/1000 {
		about = "about "
	}
	text := fmt.Sprintf("%.0f", n)
	if n >= 1e6 {
		text = fmt.Sprintf("%.0f million", n/1e6)
	}
	return fmt.Sprintf(", %s%s times %s", about, text, word)
}

// speed is slow or quick where a fuse's type says so, "" where it does not.
func speed(text string) string {
	for _, w := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return r == ' ' || r == ',' }) {
		switch w {
		case "slow", "t", "tt", "time-lag", "anti-surge":
			return "slow"
		case "quick", "fast", "f", "ff":
			return "quick"
		}
	}
	return ""
}

// MainsFuse compares a mains fuse, as a release or an intake words it, with the model's.
// It returns what belongs there, "" where neither says a current, and whether the fuse is
// larger, with how many times.
func (u *Unit) MainsFuse(text string) (belongs string, larger bool, times string) {
	got, ok := current(text)
	if !ok {
		return "", false, ""
	}
	for _, p := range u.Positions {
		if p.Family != "fuse/mains" || !p.InModel {
			continue
		}
		want, ok := current(string(p.Rating), string(p.Value))
		if !ok {
			continue
		}
		c, err := got.Cmp(want)
		if err == nil {
			return Amps(want), c > 0, strings.TrimPrefix(factor(got, want), ", ")
		}
	}
	return "", false, ""
}
