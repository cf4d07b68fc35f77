package reports

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchlore/reports/lifedata"
	"benchlore/schema"
)

// fewUnits is below how many inspected units a share of units is called too
// few. Common practice, no source.
const fewUnits = 5

// ofParts are the keys that name parts one can look for in a unit.
var ofParts = map[string]bool{"family": true, "group": true, "maker": true, "lot": true, "kit": true}

// WriteText writes the report for the bench: a table, the most affected group
// first, then each group in words, then what the figures rest on.
func (r *Reliability) WriteText(w io.Writer, o TextOptions) error {
	p := &page{w: w, o: o}
	p.heading("Reliability: " + Estimand)
	failed := "A part counts as failed when it was found failed by itself."
	if r.Failure == schema.Degraded {
		failed = "A part counts as failed when it was found failed or degraded by itself."
	}
	asOf := ""
	if !r.AsOf.IsZero() {
		asOf = ", as of " + r.AsOf.String()
	}
	r.paragraph(p, fmt.Sprintf("%s%s. Not all that were made: units come to a bench because something is wrong with them, or because somebody cares for them. %s Intervals are %s confidence intervals.",
		capital(plural(r.Units, "unit", "units")), asOf, failed, percent(r.Confidence)))
	var shown, rest []ReliabilityGroup
	for _, g := range r.Groups {
		if g.Units.Inspected > 0 {
			shown = append(shown, g)
		} else {
			rest = append(rest, g)
		}
	}
	if len(shown) == 0 {
		r.paragraph(p, "Nothing has been handled yet: no figures.")
		return p.err
	}
	p.table(0, r.table(shown, o.width()))
	r.paragraph(p, fmt.Sprintf("units: with at least one failure / inspected. failed: parts failed / handled, that is looked at, or in service in a unit that was fully working. rate: failures per 1000 part-years, read two ways: (u) a part nobody has heard of since it was last known good is unknown from then on; (w) it went on working until %s, if its unit was last heard of working. A dash where the records carry no rate; the reason is below.", r.lagWords()))

	p.heading("In words")
	var quiet []string
	first := true
	for _, g := range shown {
		if g.Units.Affected == 0 && len(shown) > 1 {
			quiet = append(quiet, g.Title)
			continue
		}
		if !first {
			p.line("")
		}
		first = false
		p.para(0, r.Sentence(g))
	}
	if quiet != nil {
		r.paragraph(p, "No failure of their own was found in: "+listed(quiet)+". The table says in how many units they were looked at; the upper end of the interval is the share of units that may have one all the same.")
	}
	if len(rest) > 0 {
		var names []string
		for _, g := range rest {
			names = append(names, g.Title)
		}
		r.paragraph(p, "Not handled since they were fitted, or not at all: "+listed(names)+".")
	}
	p.heading("What the figures rest on")
	for _, n := range r.Notes {
		p.item(0, n)
	}
	return p.err
}

func (r *Reliability) paragraph(p *page, s string) {
	p.line("")
	p.para(0, s)
}

// table leaves out what a narrow page has no room for.
func (r *Reliability) table(groups []ReliabilityGroup, width int) *textTable {
	t := &textTable{header: []string{strings.Join(r.By, ", "), "units", "interval", "failed"}, right: []int{1, 2, 3}}
	wide := width >= 110
	if wide {
		t.header = append(t.header, "interval", "of tested", "degraded", "left out")
		t.right = append(t.right, 4, 5, 6, 7)
	}
	n := len(t.header)
	t.header = append(t.header, "rate (u)", "rate (w)")
	t.right = append(t.right, n, n+1)
	for _, g := range groups {
		var key []string
		for _, k := range g.Key {
			v := k.Value
			if v == "" {
				v = "not recorded"
			}
			key = append(key, v)
		}
		row := []string{strings.Join(key, ", "), fmt.Sprintf("%d/%d", g.Units.Affected, g.Units.Inspected),
			percents(g.Units.Interval), fmt.Sprintf("%d/%d", g.Parts.Failed, g.Parts.Handled)}
		if wide {
			of := "-"
			if i := g.Parts.OfHandled.Interval; i != nil {
				of = percents(*i)
			}
			row = append(row, of, fmt.Sprintf("%d/%d", g.Parts.Failed, g.Parts.Tested), strconv.Itoa(g.Parts.Degraded), strconv.Itoa(g.Parts.LeftOut))
		}
		for _, s := range []Silence{SilenceUnknown, SilenceWorking} {
			row = append(row, rateCell(g.Rates[s]))
		}
		t.rows = append(t.rows, row)
	}
	natural := 2 * (len(t.header) - 1)
	for i := range t.header {
		widest := textWidth(t.header[i])
		for _, row := range t.rows {
			widest = max(widest, textWidth(row[i]))
		}
		natural += widest
	}
	if natural > width {
		// Families then break at the slash rather than anywhere.
		for _, row := range t.rows {
			row[0] = strings.ReplaceAll(row[0], "/", "/ ")
		}
	}
	return t
}

func rateCell(x *Rate) string {
	switch {
	case x == nil:
		return "-"
	case x.UpperOnly:
		return "< " + figure(1000*x.High)
	}
	return fmt.Sprintf("%s (%s-%s)", figure(1000*x.PerYear), figure(1000*x.Low), figure(1000*x.High))
}

// Sentence says about a group what its data carry and what a bench can do
// with it.
func (r *Reliability) Sentence(g ReliabilityGroup) string {
	s := []string{r.unitsSentence(g)}
	s = append(s, r.partsSentences(g)...)
	s = append(s, r.rateSentence(g))
	n := g.Parts
	switch {
	case n.LeftOut > 0 && g.MostLeftOutCount == n.LeftOut:
		s = append(s, fmt.Sprintf("Left out of times: %s %s.", thousands(n.LeftOut), g.MostLeftOut))
	case n.LeftOut > 0:
		s = append(s, fmt.Sprintf("Left out of times: %s, for %s: %s.", thousands(n.LeftOut), thousands(g.MostLeftOutCount), g.MostLeftOut))
	}
	if n.NotBack > 0 {
		s = append(s, fmt.Sprintf("%s fitted here and not seen since.", capital(plural(n.NotBack, "was", "were"))))
	}
	return strings.Join(s, " ")
}

func (r *Reliability) unitsSentence(g ReliabilityGroup) string {
	u := g.Units
	name := capital(g.Title)
	few := ""
	if u.Inspected < fewUnits {
		few = " Too few units to say how common that is."
	}
	switch {
	case u.Inspected == 1 && g.Parts.Handled == 1 && u.Affected == 1:
		return name + ": 1 of 1 failed: too few to say anything."
	case u.Inspected == 1:
		return fmt.Sprintf("%s: %s failed of %s handled, all of one unit: too few to say anything about others.", name, thousands(g.Parts.Failed), thousands(g.Parts.Handled))
	case u.Affected == 0 && few != "":
		return fmt.Sprintf("%s: no failure of their own in %d units inspected.", name, u.Inspected) + few
	case u.Affected == 0:
		return fmt.Sprintf("%s: no failure of their own in %d units inspected; up to %s of units may still have one.", name, u.Inspected, percent(u.Interval.High))
	}
	s := fmt.Sprintf("%s: failed in %d of %d units inspected (%s).", name, u.Affected, u.Inspected, percents(u.Interval))
	switch {
	case few != "":
		return s + few
	case !slices.ContainsFunc(g.Key, func(k KeyPart) bool { return ofParts[k.Name] }):
		return s // a model or a section is nothing one can look at part by part
	case u.Affected == 1:
		return s + " One unit: no pattern yet."
	case u.Interval.Low >= 0.5:
		return s + " Expect a failed one in most units that come in: look at every one."
	case u.Interval.High <= 0.25:
		return s + " Seldom the trouble in units that come in."
	}
	return s + " Worth a look in every unit that comes in; how many have one is still open."
}

func (r *Reliability) partsSentences(g ReliabilityGroup) []string {
	var s []string
	n := g.Parts
	if g.Units.Inspected > 1 {
		of := ""
		if i := n.OfHandled.Interval; i != nil && n.Handled > 0 {
			of = fmt.Sprintf(" (%s)", percents(*i))
		}
		failed := "none"
		if n.Failed > 0 {
			failed = thousands(n.Failed)
		}
		var seen []string
		for _, x := range []struct {
			n    int
			what string
		}{{n.Tested, "tested"}, {n.InService, "seen in service only"}, {n.Untested, "untested"}} {
			if x.n > 0 {
				seen = append(seen, thousands(x.n)+" "+x.what)
			}
		}
		s = append(s, fmt.Sprintf("Of %s handled %s failed%s: %s.", plural(n.Handled, "part", "parts"), failed, of, listed(seen)))
		switch {
		case g.FailedUnit != "" && n.Failed == 2:
			s = append(s, fmt.Sprintf("Both failures are of one unit, %s: that may say more about it than about the parts.", g.FailedUnit))
		case g.FailedUnit != "":
			s = append(s, fmt.Sprintf("All %s failures are of one unit, %s: that may say more about it than about the parts.", thousands(n.Failed), g.FailedUnit))
		}
		switch i := n.OfTested.Interval; {
		case n.Failed == 0 || n.Tested == n.Handled:
		case n.Tested == n.Failed+n.Degraded+n.Secondary+n.External:
			s = append(s, "None was tested and found good, so only what was suspected was tested.")
		case i != nil:
			s = append(s, fmt.Sprintf("Of those tested %s failed (%s); suspects are tested first, so this is the high side.", percent(n.OfTested.Share), percents(*i)))
		}
	}
	var more []string
	if n.Degraded > 0 {
		more = append(more, fmt.Sprintf("%s found degraded", plural(n.Degraded, "was", "were")))
	}
	if n.Secondary > 0 {
		more = append(more, fmt.Sprintf("%s taken down by another part", plural(n.Secondary, "was", "were")))
	}
	if n.External > 0 {
		more = append(more, fmt.Sprintf("%s failed from outside", thousands(n.External)))
	}
	if more != nil {
		s = append(s, capital(listed(more))+".")
	}
	return s
}

func (r *Reliability) rateSentence(g ReliabilityGroup) string {
	u, w := g.Rates[SilenceUnknown], g.Rates[SilenceWorking]
	if u == nil && w == nil {
		if g.RateRefused[SilenceUnknown] == g.RateRefused[SilenceWorking] {
			return "No rate: " + g.RateRefused[SilenceUnknown] + "."
		}
		return fmt.Sprintf("No rate: %s; with silence read as working, %s.", g.RateRefused[SilenceUnknown], g.RateRefused[SilenceWorking])
	}
	unknown, working := r.rateWords(u, g.RateRefused[SilenceUnknown]), r.rateWords(w, g.RateRefused[SilenceWorking])
	return fmt.Sprintf("Rate with silence read as unknown: %s; as working: %s.", unknown, working)
}

func (r *Reliability) rateWords(x *Rate, refused string) string {
	switch {
	case x == nil:
		return "none, " + refused
	case x.UpperOnly:
		return fmt.Sprintf("no failure in %s part-years of %s, so below %s per 1000 part-years (one-sided %s)",
			figure(x.Years), plural(x.Units, "unit", "units"), figure(1000*x.High), percent(r.Confidence))
	}
	return fmt.Sprintf("%s per 1000 part-years (%s to %s), from %s in %s part-years of %s", figure(1000*x.PerYear), figure(1000*x.Low), figure(1000*x.High),
		plural(x.Events, "failure", "failures"), figure(x.Years), plural(x.Units, "unit", "units"))
}

// percents writes a range of proportions: 45 to 94%.
func percents(i lifedata.Interval) string {
	return strings.TrimSuffix(percent(i.Low), "%") + " to " + percent(i.High)
}

// percent writes a proportion: 0.04%, 2.4%, 12%. What is neither none nor all
// is not rounded to either.
func percent(v float64) string {
	p := 100 * v
	switch {
	case p == 0 || p == 100:
		return strconv.FormatFloat(p, 'f', 0, 64) + "%"
	case p < 0.001:
		return "<0.001%"
	case p > 99.9:
		return ">99.9%"
	case p < 0.1:
		return strconv.FormatFloat(p, 'g', 1, 64) + "%"
	case p < 9.95 || p >= 99:
		return strconv.FormatFloat(math.Round(p*10)/10, 'f', -1, 64) + "%"
	}
	return strconv.FormatFloat(p, 'f', 0, 64) + "%"
}

// figure writes a number with two significant figures, whole ones in full.
func figure(v float64) string {
	if v >= 10 {
		return thousands(int(math.Round(v)))
	}
	return strconv.FormatFloat(v, 'g', 2, 64)
}
