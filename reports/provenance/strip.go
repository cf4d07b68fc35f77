//go:build !js

package provenance

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchlore/reports/page"
)

// plotNumber reads a value of a table or a limit of one.
func plotNumber(s string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	return v, err == nil && !math.IsInf(v, 0) && !math.IsNaN(v)
}

// Places of a strip, in points from the top left.
const (
	stripLeft, stripRight = 46, 394
	stripTop, stripBottom = 16, 104
	stripHeight           = 122
)

// stripOf is the strip of a table, and the same table as found, which is
// drawn behind it. It is nil for a few values, which are read faster than drawn.
func (p *Report) stripOf(x TableReport) (*page.Picture, *TableReport) {
	if len(x.Values) < 5 {
		return nil, nil
	}
	found := p.foundBefore(x)
	return x.strip(found), found
}

// strip draws a table's values position by position against their limits, and
// behind them those of before, the same table as found. It is nil where fewer
// than two values could be measured.
func (x TableReport) strip(found *TableReport) *page.Picture {
	if x.Measured < 2 {
		return nil
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(s string) {
		if v, ok := plotNumber(s); ok {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	tables := []*TableReport{&x}
	if found != nil {
		tables = []*TableReport{found, &x}
	}
	for _, t := range tables {
		for _, v := range t.Values {
			see(v)
		}
	}
	for _, s := range x.LimitSpans {
		see(s.Low)
		see(s.High)
	}
	if lo == hi {
		lo, hi = lo-1, hi+1
	}
	margin := (hi - lo) * 0.06
	y := page.Axis{Lo: lo - margin, Hi: hi + margin, From: stripBottom, To: stripTop}
	step := float64(stripRight-stripLeft) / float64(len(x.Positions))
	place := func(i int) float64 { return stripLeft + (float64(i)+0.5)*step }

	p := page.NewPicture(stripHeight)
	for _, s := range x.LimitSpans {
		i, k := slices.Index(x.Positions, s.From), slices.Index(x.Positions, s.To)
		if i < 0 || k < i {
			continue
		}
		from, to := place(i)-step/2, place(k)+step/2
		top, bottom := float64(stripTop), float64(stripBottom)
		low, hasLow := plotNumber(s.Low)
		high, hasHigh := plotNumber(s.High)
		if hasHigh {
			top = y.At(high)
		}
		if hasLow {
			bottom = y.At(low)
		}
		p.Area(page.LightBand, from, top, to, top, to, bottom, from, bottom)
		if hasHigh {
			p.Line(page.Quiet, 0.8, []float64{3, 2}, from, top, to, top)
		}
		if hasLow {
			p.Line(page.Quiet, 0.8, []float64{3, 2}, from, bottom, to, bottom)
		}
	}
	for _, v := range y.Ticks(4) {
		if v < y.Lo || v > y.Hi {
			continue
		}
		p.Line(page.Rule, 0.4, nil, stripLeft, y.At(v), stripRight, y.At(v))
		p.Write(page.Quiet, stripLeft-4, y.At(v)+3.5, page.Before, page.TickWords(v))
	}
	p.Line(page.Ink, 0.8, nil, stripLeft, stripTop, stripLeft, stripBottom, stripRight, stripBottom)
	p.Write(page.Quiet, stripLeft-4, stripTop-6, page.Before, page.Fitted(x.Unit, stripLeft-6))

	if found != nil {
		for i, v := range found.Values {
			if f, ok := plotNumber(v); ok {
				p.Ring(place(i), y.At(f), 2.2)
			}
		}
	}
	radius := min(2.2, max(1.2, step*0.35))
	for i, v := range x.Values {
		f, ok := plotNumber(v)
		if !ok {
			p.Line(page.Ink, 0.8, nil, place(i)-2, stripBottom-5, place(i)+2, stripBottom-1)
			p.Line(page.Ink, 0.8, nil, place(i)-2, stripBottom-1, place(i)+2, stripBottom-5)
			continue
		}
		p.Dot(place(i), y.At(f), radius)
		if slices.Contains(x.Outside, x.Positions[i]) {
			p.Ring(place(i), y.At(f), radius+2)
		}
	}
	x.underStrip(p, place)

	p.Title = fmt.Sprintf("%s, %s, value by value", page.Clean(x.Point), stageWords(x.Stage))
	p.Desc = fmt.Sprintf("%d of %d values measured, in %s, lowest %s at %s, highest %s at %s.", x.Measured, len(x.Values), x.Unit, x.Min, x.MinAt, x.Max, x.MaxAt)
	if len(x.LimitSpans) > 0 {
		p.Desc += fmt.Sprintf(" %d outside the limit, ringed.", len(x.Outside))
	}
	if found != nil {
		p.Desc += fmt.Sprintf(" Behind them in outline as found: lowest %s, highest %s.", found.Min, found.Max)
	}
	p.Desc += " The table has every value."
	return p
}

// underStrip names some positions below the strip.
func (x TableReport) underStrip(p *page.Picture, place func(int) float64) {
	n := len(x.Positions)
	wide := 0.0
	for _, s := range x.Positions {
		wide = max(wide, page.LettersWide(s))
	}
	every := max(1, int(math.Ceil(float64(n)*(wide+10)/float64(stripRight-stripLeft))))
	for _, round := range []int{1, 2, 4, 5, 10, 12, 20, 25, 50} {
		if round >= every {
			every = round
			break
		}
	}
	for i := 0; i < n; i += every {
		p.Line(page.Ink, 0.8, nil, place(i), stripBottom, place(i), stripBottom+3)
		at, s := place(i), page.Fitted(x.Positions[i], 120)
		switch half := page.LettersWide(s) / 2; {
		case at+half > page.PictureWidth:
			p.Write(page.Quiet, page.PictureWidth-1, stripBottom+14, page.Before, s)
		case at-half < 0:
			p.Write(page.Quiet, 0, stripBottom+14, page.After, s)
		default:
			p.Write(page.Quiet, at, stripBottom+14, page.Middle, s)
		}
	}
}

// The small picture beside a reading, in pixels.
const markWide, markHigh = 120, 16

// mark draws a reading as found (a ring) and as left (a dot) against its
// limits (the grey band). It is "" where there is no limit to draw against.
func (r ReadingRow) mark() string {
	var limit *ReadingValue
	for _, v := range []*ReadingValue{r.Found, r.Left} {
		if v != nil && v.Number != nil && (v.LimitLow != nil || v.LimitHigh != nil) {
			limit = v
		}
	}
	if limit == nil {
		return ""
	}
	// Each row has a scale of its own: what lies between the limits takes the
	// same width in all of them.
	var at func(float64) float64
	from, to := 0.0, float64(markWide)
	low, high := limit.LimitLow, limit.LimitHigh
	switch {
	case low != nil && high != nil && *high > *low:
		from, to = 35, 85
		at = func(v float64) float64 { return from + (v-*low)/(*high-*low)*(to-from) }
	case low != nil && high == nil && *low > 0:
		from = 35
		at = func(v float64) float64 { return from * v / *low }
	case high != nil && low == nil && *high > 0:
		to = 85
		at = func(v float64) float64 { return to * v / *high }
	default:
		return ""
	}
	var s strings.Builder
	words := []string{}
	for _, v := range []struct {
		what string
		v    *ReadingValue
	}{{"as found", r.Found}, {"as left", r.Left}} {
		if v.v != nil && v.v.Number != nil {
			words = append(words, v.what+" "+verdictWords(v.v.Verdict))
		}
	}
	label := page.Clean(r.Point) + " against its limit: " + strings.Join(words, ", ")
	fmt.Fprintf(&s, `<svg class="mark" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-label="%s">`, markWide, markHigh, markWide, markHigh, html.EscapeString(label))
	fmt.Fprintf(&s, `<path fill="#e2e2e2" d="M%g 2h%gv12h%gz"/><path stroke="#555555" d="M0 8h%d"/>`, from, to-from, from-to, markWide)
	for _, x := range []float64{from, to} {
		if x > 0 && x < markWide {
			fmt.Fprintf(&s, `<path stroke="#111111" d="M%g 1v14"/>`, x)
		}
	}
	draw := func(v *ReadingValue, fill string) {
		if v == nil || v.Number == nil {
			return
		}
		switch x := at(*v.Number); {
		case x < 5:
			fmt.Fprintf(&s, `<path fill="%s" stroke="#111111" d="M1 8l8-5v10z"/>`, fill)
		case x > markWide-5:
			fmt.Fprintf(&s, `<path fill="%s" stroke="#111111" d="M%d 8l-8-5v10z"/>`, fill, markWide-1)
		default:
			fmt.Fprintf(&s, `<circle cx="%.1f" cy="8" r="4" fill="%s" stroke="#111111"/>`, x, fill)
		}
	}
	draw(r.Found, "#ffffff")
	draw(r.Left, "#111111")
	s.WriteString("</svg>")
	return s.String()
}
