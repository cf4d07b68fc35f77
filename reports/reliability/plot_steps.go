package reliability

import (
	"fmt"
	"math"
	"slices"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
)

// chart is a plot of steps over time: an axis of each, and counts below.
type chart struct {
	*page.Picture
	x, y page.Axis
}

const (
	chartTop  = 20.0
	chartHigh = 190.0
	countHigh = 13.0
)

// countRow is a row of counts below the time axis.
type countRow struct {
	label string
	at    func(time float64) int
}

// newChart draws the frame: axes with their units, ticks, and rows of counts at
// the ticks of time.
func newChart(maxTime, lo, hi float64, timeLabel, valueLabel string, value func(float64) string, counts []countRow) chart {
	bottom := chartTop + chartHigh
	p := page.NewPicture(bottom + 34 + 2*countHigh*float64(len(counts)))
	c := chart{p, page.Axis{Lo: 0, Hi: maxTime, From: 40, To: page.PictureWidth - 14}, page.Axis{Lo: lo, Hi: hi, From: bottom, To: chartTop}}
	for _, v := range c.y.Ticks(5) {
		p.Line(page.Rule, 0.6, nil, c.x.From, c.y.At(v), c.x.To, c.y.At(v))
		p.Write(page.Ink, c.x.From-4, c.y.At(v)+3.5, page.Before, value(v))
	}
	p.Write(page.Ink, 0, 10, page.After, valueLabel)
	ticks := c.x.Ticks(6)
	for _, v := range ticks {
		p.Line(page.Ink, 0.8, nil, c.x.At(v), bottom, c.x.At(v), bottom+4)
		p.Write(page.Ink, c.x.At(v), bottom+14, page.Middle, page.TickWords(v))
	}
	p.Line(page.Ink, 0.8, nil, c.x.From, chartTop, c.x.From, bottom, c.x.To, bottom)
	p.Write(page.Ink, (c.x.From+c.x.To)/2, bottom+28, page.Middle, timeLabel)
	y := bottom + 28
	for _, row := range counts {
		y += countHigh
		p.Write(page.Quiet, 0, y, page.After, row.label)
		y += countHigh
		for _, v := range ticks {
			p.Write(page.Quiet, c.x.At(v), y, page.Middle, page.Thousands(row.at(v)))
		}
	}
	return c
}

// steps is a line that jumps at times, flat between.
type step struct{ time, value float64 }

func (c chart) path(start float64, steps []step, until float64) []float64 {
	xy := []float64{c.x.At(0), c.y.At(start)}
	last := start
	for _, s := range steps {
		xy = append(xy, c.x.At(s.time), c.y.At(last), c.x.At(s.time), c.y.At(s.value))
		last = s.value
	}
	return append(xy, c.x.At(until), c.y.At(last))
}

// shade fills between two lines of steps, wherever both have limits.
func (c chart) shade(low, high []step, until float64) {
	for i := 0; i < len(low); {
		var over, under []float64
		for ; i < len(low) && !math.IsNaN(low[i].value) && !math.IsNaN(high[i].value); i++ {
			to := until
			if i+1 < len(low) {
				to = low[i+1].time
			}
			x0, x1 := c.x.At(low[i].time), c.x.At(to)
			over = append(over, x0, c.y.At(high[i].value), x1, c.y.At(high[i].value))
			under = append(under, x0, c.y.At(low[i].value), x1, c.y.At(low[i].value))
		}
		for k := len(under) - 2; k >= 0; k -= 2 {
			over = append(over, under[k], under[k+1])
		}
		if len(over) > 0 {
			c.Area(page.LightBand, over...)
		} else {
			i++
		}
	}
}

// plotCurve draws the survival of a group; nil where it has no curve.
func (r *Report) plotCurve(g Group) *page.Picture {
	e := g.Life[r.Silence]
	if e.Curve == nil || len(e.Curve.Points) == 0 {
		return nil
	}
	obs := e.times.aged()
	points := e.Curve.Points
	until, least := 0.0, 1.0
	for _, o := range obs {
		until = max(until, o.Lower)
		if !o.RightCensored() {
			until = max(until, o.Upper)
		}
	}
	var curve, low, high []step
	for _, p := range points {
		curve = append(curve, step{p.Time, p.Survival})
		low, high = append(low, step{p.Time, p.Low}), append(high, step{p.Time, p.High})
		least = min(least, p.Survival)
		if p.Low < least {
			least = p.Low
		}
	}
	if e.Weibull != nil {
		least = min(least, wearSurvival(e.Weibull, until).Low)
	}
	floor := 0.0
	if least > 0.5 {
		step := page.RoundStep((1 - least) / 4)
		floor = max(0, 1-step*math.Ceil((1-least)/step+0.2))
	}
	label := "parts that survive, if nothing else removes them"
	if floor > 0 {
		label += " (axis from " + percent(floor) + ")"
	}
	counts := []countRow{{"parts known good at that age", func(t float64) int { return knownGood(obs, t) }}}
	c := newChart(until*1.02, floor, 1, "age in "+r.Time.ages(), label, percent, counts)
	c.shade(low, high, until)
	for _, l := range e.Curve.Loose {
		// Within these ages the data do not say where it falls.
		from := survivalBefore(points, l[1])
		to := survivalBefore(points, math.Nextafter(l[1], math.Inf(1)))
		c.Line(page.Quiet, 0.7, []float64{1, 2}, c.x.At(l[0]), c.y.At(from), c.x.At(l[1]), c.y.At(to))
	}
	c.Line(page.Ink, 1.5, nil, c.path(1, curve, until)...)
	end := c.y.At(points[len(points)-1].Survival)
	if w := e.Weibull; w != nil {
		var fit, fitLow, fitHigh []float64
		for i := range 81 {
			t := until * float64(i) / 80
			limits := wearSurvival(w, t)
			fit = append(fit, c.x.At(t), c.y.At(w.Survival(t).Value))
			fitLow = append(fitLow, c.x.At(t), c.y.At(limits.Low))
			fitHigh = append(fitHigh, c.x.At(t), c.y.At(limits.High))
		}
		c.Line(page.Ink, 1, []float64{5, 3}, fit...)
		c.Line(page.Quiet, 0.6, []float64{1, 1.5}, fitLow...)
		c.Line(page.Quiet, 0.6, []float64{1, 1.5}, fitHigh...)
	}
	c.nameCurves(e, until, end)
	c.Title = page.Capital(g.Title) + ": parts that survive, by age"
	c.Desc = r.curveWords(e)
	return c.Picture
}

// nameCurves labels the lines where there is room: the survivors stand at the
// top right or bottom left of a falling curve.
func (c chart) nameCurves(e *Life, until, end float64) {
	names := []struct {
		words string
		dash  []float64
		width float64
	}{{string(e.Curve.Method), nil, 1.5}}
	if e.Weibull != nil {
		names = append(names, struct {
			words string
			dash  []float64
			width float64
		}{"Weibull, with limits dotted", []float64{5, 3}, 1})
	}
	x, y := c.x.From+8, c.y.At(c.y.Lo)-8-countHigh*float64(len(names)-1)
	if end > (c.y.From+c.y.To)/2+20 { // low at the end: the top right is free
		widest := 0.0
		for _, n := range names {
			widest = max(widest, page.LettersWide(n.words))
		}
		x, y = c.x.To-widest-28, c.y.To+14
	}
	for _, n := range names {
		c.Line(page.Ink, n.width, n.dash, x, y-3, x+20, y-3)
		c.Write(page.Ink, x+24, y, page.After, n.words)
		y += countHigh
	}
}

// curveWords says in words what a survival picture shows.
func (r *Report) curveWords(e *Life) string {
	points := e.Curve.Points
	s := fmt.Sprintf("%s estimate%s.", e.Curve.Method, r.silenceWords())
	for _, i := range slices.Compact([]int{0, len(points) / 2, len(points) - 1}) {
		p := points[i]
		s += fmt.Sprintf(" By %s %s %s survive", figure(p.Time), r.Time.ages(), percent(p.Survival))
		if !math.IsNaN(p.Low) {
			s += fmt.Sprintf(" (%s)", percents(lifedata.Interval{Low: p.Low, High: p.High}))
		}
		s += "."
	}
	if len(e.Curve.Loose) > 0 {
		s += " Dotted slopes join ages between which the data do not say where it falls."
	}
	if math.IsNaN(points[0].Low) {
		s += " The data set this curve no limits."
	}
	return s
}

// survivalBefore is the share that survives just before an age.
func survivalBefore(points []CurvePoint, age float64) float64 {
	s := 1.0
	for _, p := range points {
		if p.Time < age {
			s = p.Survival
		}
	}
	return s
}

// knownGood counts the parts that were seen good at an age or later and were
// at risk then.
func knownGood(obs []lifedata.Obs, age float64) int {
	n := 0.0
	for _, o := range obs {
		if o.Lower >= age && o.Entry <= age {
			n += o.Count
		}
	}
	return int(n)
}

// plotComebacks draws the mean number of comebacks for each unit, under both
// readings of silence; nil where there is none.
func (r *Report) plotComebacks() *page.Picture {
	if r.FromFile {
		return nil
	}
	type reading struct {
		s     Silence
		mean  []lifedata.MCFPoint
		until float64 // while enough units were followed
	}
	var shown []reading
	until, top := 0.0, 0.0
	var counts []countRow
	for _, s := range r.readings() {
		e := r.Comebacks.Estimate(s, r.Confidence)
		if e.Refused != "" {
			continue
		}
		mean := sureOf(e.Mean)
		if len(mean) == 0 {
			continue
		}
		x := reading{s, mean, r.Comebacks.followed(s)}
		shown = append(shown, x)
		until = max(until, x.until)
		for _, p := range mean {
			top = max(top, p.High)
		}
		counts = append(counts, countRow{"units followed, silence read as " + string(s), func(t float64) int { return r.Comebacks.AtRisk(s, t) }})
	}
	if shown == nil {
		return nil
	}
	c := newChart(until*1.02, 0, top*1.05, "years since the first release", "mean number of comebacks for each unit", page.TickWords, counts)
	dashes := map[Silence][]float64{SilenceUnknown: nil, SilenceWorking: {5, 3}}
	lines := map[Silence][]step{}
	for i, x := range shown {
		var mean, low, high []step
		for _, p := range x.mean {
			mean = append(mean, step{p.Time, p.Mean})
			low, high = append(low, step{p.Time, p.Low}), append(high, step{p.Time, min(p.High, c.y.Hi)})
		}
		lines[x.s] = mean
		if i == 0 {
			c.shade(low, high, x.until)
		} else {
			c.Line(page.Quiet, 0.6, []float64{1, 1.5}, c.path(0, low, x.until)...)
			c.Line(page.Quiet, 0.6, []float64{1, 1.5}, c.path(0, high, x.until)...)
		}
	}
	y := c.y.To + 14
	limits := []string{"limits grey", "limits dotted"}
	for i, x := range shown {
		c.Line(page.Ink, 1.5, dashes[x.s], c.path(0, lines[x.s], x.until)...)
		c.Line(page.Ink, 1.5, dashes[x.s], c.x.From+8, y-3, c.x.From+28, y-3)
		c.Write(page.Ink, c.x.From+32, y, page.After, "silence read as "+string(x.s)+", "+limits[i])
		y += countHigh
	}
	c.Title = "Comebacks by return date"
	c.Desc = "Mean cumulative number of comebacks for each unit since its first release, with " + percent(r.Confidence) + " limits, while at least 5 units were followed."
	for _, x := range shown {
		p := x.mean[len(x.mean)-1]
		c.Desc += fmt.Sprintf(" With silence read as %s: %s (%s to %s) by %s years.", x.s, figure(p.Mean), figure(p.Low), figure(p.High), figure(p.Time))
	}
	return c.Picture
}
