package reliability

import (
	"fmt"
	"strconv"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
)

// comebackSentences say how many units came back, and how much of what
// happened since the bench knows.
func (r *Report) comebackSentences() []string {
	c := r.Comebacks
	if c.Units == 0 {
		return []string{"No unit has been released yet."}
	}
	back := fmt.Sprintf("None of %s released here came back.", page.Plural(c.Units, "unit", "units"))
	if c.All > 0 {
		back = fmt.Sprintf("Of %s released here %s came back, %s in all.", page.Plural(c.Units, "unit", "units"), page.Thousands(c.Back), page.Plural(c.All, "time", "times"))
	}
	out := []string{back}
	for _, v := range c.Coverage() {
		years := page.Plural(v.Years, "year", "years")
		switch {
		case v.Released == 0:
			out = append(out, fmt.Sprintf("None was released %s ago or longer.", years))
		default:
			out = append(out, fmt.Sprintf("Of %s released at least %s ago %s came back within that time or was heard of after it; nothing is known of the others.",
				page.Thousands(v.Released), years, page.Thousands(v.Heard)))
		}
	}
	if c.All == 0 {
		return out
	}
	for _, s := range r.readings() {
		e := c.Estimate(s, r.Confidence)
		if e.Refused != "" {
			out = append(out, fmt.Sprintf("With silence read as %s: %s.", s, e.Refused))
			continue
		}
		out = append(out, fmt.Sprintf("With silence read as %s, %s.", s, r.comebackMeans(e)))
	}
	return append(out, "Units that come back are heard of and units that do well may not be: the first reading is the high side, the second the low side.")
}

// sureOf is the part of a mean cumulative function at which enough units were
// still followed to say anything.
func sureOf(points []lifedata.MCFPoint) []lifedata.MCFPoint {
	n := 0
	for n < len(points) && points[n].AtRisk >= fewUnits {
		n++
	}
	return points[:n]
}

// comebackMeans gives the mean number of comebacks for each unit after one and
// two years, and at the last one, while enough units were followed.
func (r *Report) comebackMeans(e ComebackEstimate) string {
	mean := sureOf(e.Mean)
	if len(mean) == 0 {
		return "too few units were followed to the first of them to say anything"
	}
	var words []string
	last := mean[len(mean)-1]
	for _, y := range []int{1, 2} {
		p, ok := meanAt(mean, float64(y))
		switch {
		case !ok && last.Time > float64(y):
			words = append(words, "none within "+page.Plural(y, "year", "years"))
		case ok && last.Time >= float64(y):
			words = append(words, fmt.Sprintf("%s comebacks for each unit within %s (%s to %s)", figure(p.Mean), page.Plural(y, "year", "years"), figure(p.Low), figure(p.High)))
		}
	}
	words = append(words, fmt.Sprintf("%s comebacks for each unit by %s years (%s to %s), with %s still followed",
		figure(last.Mean), figure(last.Time), figure(last.Low), figure(last.High), page.Plural(last.AtRisk, "unit", "units")))
	var first lifedata.KMPoint
	for _, p := range e.First {
		if p.AtRisk >= fewUnits {
			first = p
		}
	}
	if first.AtRisk > 0 {
		words = append(words, fmt.Sprintf("%s of units had not come back at all by %s years (%s)", percent(first.Survival), figure(first.Time),
			percents(lifedata.Interval{Low: first.Low, High: first.High})))
	}
	if len(mean) < len(e.Mean) {
		words = append(words, fmt.Sprintf("%s later, with fewer than %d units followed", page.Plural(len(e.Mean)-len(mean), "comeback", "comebacks"), fewUnits))
	}
	return page.Listed(words)
}

const comebackLegend = "for each unit: the mean number by the last one of the kind while at least 5 units were followed, silence read as unknown (u) and as working (w), with limits."

// comebackTable is the mean number of comebacks by kind, at the last one of
// each.
func (r *Report) comebackTable() *page.Table {
	t := &page.Table{Header: []string{"kind of comeback", "times"}, Right: []int{1}}
	if r.Comebacks.All == 0 {
		return t
	}
	times := map[ComebackKind]int{}
	for _, f := range r.Comebacks.units {
		for _, b := range f.Backs {
			times[b.Kind]++
		}
	}
	means := map[Silence]map[ComebackKind]string{}
	for i, s := range r.readings() {
		t.Header = append(t.Header, "for each unit ("+string(s[:1])+")")
		t.Right = append(t.Right, 2+i)
		means[s] = map[ComebackKind]string{}
		for _, k := range r.Comebacks.Estimate(s, r.Confidence).ByKind {
			sure := sureOf(k.Mean)
			if len(sure) == 0 {
				continue
			}
			p := sure[len(sure)-1]
			means[s][k.Kind] = fmt.Sprintf("%s (%s-%s)", figure(p.Mean), figure(p.Low), figure(p.High))
		}
	}
	for _, k := range comebackKinds {
		if times[k.kind] == 0 {
			continue
		}
		row := []string{k.words, strconv.Itoa(times[k.kind])}
		for _, s := range r.readings() {
			cell := means[s][k.kind]
			if cell == "" {
				cell = "-"
			}
			row = append(row, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}
