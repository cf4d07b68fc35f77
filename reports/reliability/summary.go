package reliability

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
)

// mostSummed is how many groups the short report lists.
const mostSummed = 10

// sureness says in a word how far a share of units can be trusted: by the width
// of its interval. Common practice, no source.
func sureness(u UnitShare) string {
	switch width := u.Interval.High - u.Interval.Low; {
	case u.Inspected < fewUnits:
		return "too few units"
	case width <= 0.25:
		return "good"
	case width <= 0.5:
		return "fair"
	}
	return "poor"
}

// next is the share that the next unit to come in is like: of failures at first
// visits or, where the normal end of a group is to be worn, of worn parts too.
func (g Group) next() UnitShare {
	if g.WornEnd {
		return g.First.Worn
	}
	return g.First.Units
}

// byFirst lists the groups that were looked at on a first visit, those first of
// which the records show most.
func (r *Report) byFirst() []Group {
	var out []Group
	for _, g := range r.Groups {
		if g.First.Units.Inspected > 0 {
			out = append(out, g)
		}
	}
	slices.SortStableFunc(out, func(a, b Group) int {
		few := func(g Group) int { return int(bit(g.next().Inspected < fewUnits)) }
		return cmp.Or(cmp.Compare(few(a), few(b)), cmp.Compare(b.next().Interval.Low, a.next().Interval.Low),
			cmp.Compare(b.next().Affected, a.next().Affected))
	})
	return out
}

// WriteSummary writes the first lines: what fails, in which share of the units
// that come in, and how sure that is.
func (r *Report) WriteSummary(w io.Writer, o page.TextOptions) error {
	if r.FromFile {
		return r.WriteText(w, o)
	}
	p := &page.Text{W: w, O: o}
	p.Heading(r.heading())
	r.paragraph(p, r.brief())
	groups := r.byFirst()
	if len(groups) == 0 {
		r.paragraph(p, "Nothing has been tested yet: no figures.")
		return p.Err
	}
	p.Heading("What fails")
	shown := groups[:min(len(groups), mostSummed)]
	p.Table(0, r.summaryTable(shown))
	legend := "units: in which a part of it was found failed at their first visit, of those in which it was looked at. The next unit that comes in is like them."
	if slices.ContainsFunc(shown, func(g Group) bool { return g.WornEnd }) {
		legend += " Where the normal end is to be worn out, worn counts, and the order goes by failed or worn."
	}
	r.paragraph(p, legend)
	if g, ok := r.Worst(); ok {
		r.paragraph(p, page.Capital(page.Clean(g.Title))+" fail most for their number and age.")
	}
	for _, c := range r.Comparisons {
		if c.Differ() || c.part() {
			r.paragraph(p, r.comparisonSentence(c))
		}
	}
	more := ""
	if n := len(r.Groups) - len(shown); n > 0 {
		more = fmt.Sprintf("%s more: --all. ", page.Thousands(n))
	} else {
		more = "Rates, wear and comebacks: --all. "
	}
	key := groups[0].title()
	r.paragraph(p, more+"One of them in words, with its picture: benchlore reliability "+word(key)+". What to record for better figures: --what-helps.")
	return p.Err
}

// brief says in a sentence what the first lines are of.
func (r *Report) brief() string {
	s := page.Capital(page.Plural(r.Units, "unit", "units"))
	if !r.AsOf.IsZero() {
		s += ", as of " + r.AsOf.String()
	}
	s += "; not all that were made, but those that came here." + r.earlierWords()
	if r.Failure == schema.Degraded {
		s += " Degraded counts as failed."
	}
	if r.Origin != "" {
		s += " Only parts of this origin: " + string(r.Origin) + "."
	}
	return s + fmt.Sprintf(" Intervals: %s.", percent(r.Confidence))
}

// word quotes what a shell would take apart.
func word(s string) string {
	if strings.ContainsAny(s, " ,'\"") {
		return "\"" + strings.ReplaceAll(s, "\"", "") + "\""
	}
	return s
}

func (r *Report) summaryTable(groups []Group) *page.Table {
	worn := slices.ContainsFunc(groups, func(g Group) bool { return g.WornEnd })
	t := &page.Table{Header: []string{strings.Join(r.By, ", "), "failed in", "share", "interval"}, Right: []int{2, 3}}
	if worn {
		t.Header = append(t.Header, "failed or worn in")
	}
	t.Header = append(t.Header, "how sure")
	for _, g := range groups {
		u := g.First.Units
		row := []string{page.Clean(g.Title), fmt.Sprintf("%d of %s", u.Affected, page.Plural(u.Inspected, "unit", "units")), percent(u.Share), percents(u.Interval)}
		if worn && g.WornEnd {
			x := g.First.Worn
			row = append(row, fmt.Sprintf("%d (%s)", x.Affected, percents(x.Interval)))
		} else if worn {
			row = append(row, "")
		}
		t.Rows = append(t.Rows, append(row, sureness(g.next())))
	}
	return t
}

// WriteGroup writes one group in words, with a picture of its curve. It returns
// an error where the report has no such group.
func (r *Report) WriteGroup(w io.Writer, name string, o page.TextOptions) error {
	g, err := r.Find(name)
	if err != nil {
		return err
	}
	p := &page.Text{W: w, O: o}
	p.Heading(page.Capital(page.Clean(g.Title)))
	r.paragraph(p, r.estimand())
	if u := g.First.Units; u.Inspected > 0 {
		s := fmt.Sprintf("Found failed at the first visit in %d of %s (%s); of %s tested then, %s.", u.Affected, page.Plural(u.Inspected, "unit", "units"),
			percents(u.Interval), page.Plural(g.First.Tested, "part", "parts"), page.Thousands(g.First.Failed))
		if g.WornEnd {
			s += fmt.Sprintf(" Failed or worn in %d (%s).", g.First.Worn.Affected, percents(g.First.Worn.Interval))
		}
		r.paragraph(p, s)
	}
	r.paragraph(p, r.Sentence(g))
	if lines := r.curveLines(g); lines != nil {
		p.Heading("Parts that survive, by age in " + r.Time.ages())
		for _, l := range lines {
			p.Line(l)
		}
		p.Line("")
		p.Para(0, r.curveWords(g.Life[r.Silence]))
	} else if why := g.Life[r.Silence].CurveRefused; why != "" {
		r.paragraph(p, "No curve: "+why+".")
	}
	if helps := r.groupHelps(g); helps != nil {
		p.Heading("What would help")
		for _, h := range helps {
			p.Item(0, h)
		}
	}
	return p.Err
}

// Find is the group of a key or a title.
func (r *Report) Find(name string) (Group, error) {
	var titles []string
	for _, g := range r.Groups {
		if g.title() == name || strings.EqualFold(g.Title, name) {
			return g, nil
		}
		titles = append(titles, g.title())
	}
	if near := schema.Nearest(name, titles); near != "" {
		return Group{}, fmt.Errorf("there is no group %q => did you mean %q?", name, near)
	}
	return Group{}, fmt.Errorf("there is no group %q => write one of: %s", name, strings.Join(titles[:min(len(titles), 12)], ", "))
}

// curveRows is how many ages the picture of a curve has, curveWidth how many
// letters stand for all parts.
const (
	curveRows  = 11
	curveWidth = 40
)

// curveLines draws a survival curve in letters: # survives for sure, as far as
// the interval goes, - may survive. nil where there is no curve.
func (r *Report) curveLines(g Group) []string {
	c := g.Life[r.Silence].Curve
	if c == nil || len(c.Points) == 0 {
		return nil
	}
	last := c.Points[len(c.Points)-1].Time
	var out []string
	for i := range curveRows {
		age := last * float64(i) / (curveRows - 1)
		at := CurvePoint{Survival: 1, Low: 1, High: 1}
		for _, p := range c.Points {
			if p.Time <= age {
				at = p
			}
		}
		bar := func(v float64) int { return int(v*curveWidth + 0.5) }
		low, mid, high := bar(at.Survival), bar(at.Survival), bar(at.Survival)
		limits := ""
		if at.Low == at.Low && at.Survival < 1 { // not NaN
			low, high = bar(at.Low), bar(at.High)
			limits = fmt.Sprintf(" (%s to %s)", strings.TrimSuffix(percent(at.Low), "%"), percent(at.High))
		}
		line := strings.Repeat("#", low) + strings.Repeat("=", max(0, mid-low)) + strings.Repeat("-", max(0, high-mid))
		out = append(out, fmt.Sprintf("%6s  %-*s %s%s", figure(age), curveWidth, line, percent(at.Survival), limits))
	}
	return out
}

// WriteHelps writes what would have to be recorded for better figures.
func (r *Report) WriteHelps(w io.Writer, o page.TextOptions) error {
	p := &page.Text{W: w, O: o}
	p.Heading("What to record for better figures")
	n := 0
	if blind := r.Units - r.Looked; blind > 0 && !r.FromFile {
		p.Item(0, fmt.Sprintf("In %s nobody noted signs of earlier work, so parts whose failure is heard count only from the first visit on. At intake write earlier_work = [\"none-seen\"], or [[worked_on]] with section or family.", page.Plural(blind, "unit", "units")))
		n++
	}
	for _, h := range helps {
		var who []string
		more := 0
		for _, g := range r.Groups {
			k := h.count(r, g)
			switch {
			case k == 0:
			case len(who) < mostNamed:
				who = append(who, fmt.Sprintf("%s %s", page.Clean(g.Title), page.Thousands(k)))
			default:
				more++
			}
		}
		if who == nil {
			continue
		}
		n++
		if more > 0 {
			who = append(who, fmt.Sprintf("%d more", more))
		}
		p.Item(0, h.what+" ("+page.Listed(who)+"). "+h.advice)
	}
	if n == 0 {
		r.paragraph(p, "Nothing is missing that would change a figure; more units will make them surer.")
	}
	return p.Err
}

// mostNamed is how many groups a hint names.
const mostNamed = 5

// help is something that would have to be recorded for better figures of the
// groups in which count is not 0.
type help struct {
	what, advice string
	count        func(*Report, Group) int
}

var helps = []help{
	{"Parts were not looked at when last there", "Test all of a section, decide so before the first finding, and write because = \"systematic\"; keep because = \"suspect\" for those with a fault.",
		func(r *Report, g Group) int {
			if b := g.Life[r.Silence].Bounds; b != nil {
				return b.LeftOut
			}
			return 0
		}},
	{"Parts may have been replaced before the first visit", "The date code of the part that comes out says whether it was: old = {date_code = \"7432\"}.",
		func(_ *Report, g Group) int { return g.Parts.Earlier }},
	{"Failures brought their unit in, which says little of wear", "Follow-ups do, of units that work as well: record followup --state working. Say when a fault was first noticed: since, in [[fault]].",
		func(r *Report, g Group) int {
			if g.Life[r.Silence].times.fromFirst() {
				return g.Prompted
			}
			return 0
		}},
	{"Build dates are too vague to tell ages, by units", "Date codes on the boards narrow them: built in instrument.toml.",
		func(r *Report, g Group) int { return g.Life[r.Silence].Wear.Dropped }},
	{"Parts were taken out as degraded, before they failed", "--failure degraded counts degraded and failed parts alike.",
		func(r *Report, g Group) int {
			if e := g.Life[r.Silence]; e.Weibull == nil && e.Wear.Bracket != nil {
				return e.Wear.Bracket.Taken
			}
			return 0
		}},
}

// groupHelps is what would help one group.
func (r *Report) groupHelps(g Group) []string {
	var out []string
	for _, h := range helps {
		if n := h.count(r, g); n > 0 {
			out = append(out, fmt.Sprintf("%s (%s). %s", h.what, page.Thousands(n), h.advice))
		}
	}
	return out
}
