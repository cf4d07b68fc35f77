package reliability

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
	"benchlore/schema"
)

// fewUnits is below how many inspected units a share of units is called too
// few. Common practice, no source.
const fewUnits = 5

// mostRanked is how many ranks the text lists.
const mostRanked = 20

// ofParts are the keys that name parts one can look for in a unit.
var ofParts = map[string]bool{"family": true, "group": true, "maker": true, "lot": true, "kit": true}

// WriteText writes the report for the bench: a table, the most affected group
// first, then each group in words, then what the figures rest on.
func (r *Report) WriteText(w io.Writer, o page.TextOptions) error {
	p := &page.Text{W: w, O: o}
	p.Heading(r.heading())
	r.paragraph(p, r.estimand())
	shown, rest := r.handled()
	if len(shown) == 0 {
		r.paragraph(p, "Nothing has been handled yet: no figures.")
		return p.Err
	}
	for _, t := range r.tables(shown, o.Columns()) {
		p.Table(0, t)
	}
	r.paragraph(p, r.legend())
	if t := r.rankTable(shown); len(t.Rows) > 0 {
		p.Heading("Ranked together")
		more := ""
		if n := len(t.Rows) - mostRanked; n > 0 {
			t.Rows = t.Rows[:mostRanked]
			more = fmt.Sprintf(" %s more are lower; the page and the CSV have them.", page.Thousands(n))
		}
		p.Table(0, t)
		r.paragraph(p, r.rankLegend()+more)
	}
	if t := r.wearTable(shown); len(t.Rows) > 0 {
		p.Heading("Wear")
		p.Table(0, t)
		r.paragraph(p, r.wearLegend())
	}

	p.Heading("In words")
	said, quiet := r.spoken(shown)
	for i, g := range said {
		if i > 0 {
			p.Line("")
		}
		p.Para(0, r.Sentence(g))
	}
	for _, words := range []string{quietWords(quiet), unseenWords(rest)} {
		if words != "" {
			r.paragraph(p, words)
		}
	}
	if len(r.Comparisons) > 0 {
		p.Heading("Comparisons")
		for i, c := range r.Comparisons {
			if i > 0 {
				p.Line("")
			}
			p.Para(0, r.comparisonSentence(c))
		}
	}
	if !r.FromFile {
		p.Heading("Comebacks")
		for _, s := range r.comebackSentences() {
			p.Para(0, s)
		}
		if t := r.comebackTable(); len(t.Rows) > 0 {
			p.Table(0, t)
			r.paragraph(p, comebackLegend)
		}
	}
	p.Heading("What the figures rest on")
	for _, n := range r.shownNotes() {
		p.Item(0, n)
	}
	return p.Err
}

// WriteMost writes one table: the n groups that were found failed most surely in the
// units as they came, with the share and its interval. Groups whose normal end is to be
// worn out are left to the whole report.
func (r *Report) WriteMost(w io.Writer, n int, o page.TextOptions) error {
	var most []Group
	for _, g := range r.byFirst() {
		if len(most) < n && !g.WornEnd && g.First.Units.Affected > 0 {
			most = append(most, g)
		}
	}
	p := &page.Text{W: w, O: o}
	p.Table(0, r.summaryTable(most))
	return p.Err
}

// heading is the title of the report.
func (r *Report) heading() string {
	if r.FromFile {
		return "Reliability: a file of observations"
	}
	return "Reliability: " + Estimand
}

// estimand says what the figures are of.
func (r *Report) estimand() string {
	if r.FromFile {
		return fmt.Sprintf("%s, read from a file of observations. Intervals are %s confidence intervals.", page.Capital(page.Plural(r.Units, "unit", "units")), percent(r.Confidence))
	}
	failed := "A part counts as failed when it was found failed by itself."
	if r.Failure == schema.Degraded {
		failed = "A part counts as failed when it was found failed or degraded by itself."
	}
	if r.Origin != "" {
		failed += " Only parts of this origin: " + string(r.Origin) + "."
	}
	asOf := ""
	if !r.AsOf.IsZero() {
		asOf = ", as of " + r.AsOf.String()
	}
	return fmt.Sprintf("%s%s. Not all that were made: units come to a bench because something is wrong with them, or because somebody cares for them.%s %s Intervals are %s confidence intervals.",
		page.Capital(page.Plural(r.Units, "unit", "units")), asOf, r.earlierWords(), failed, percent(r.Confidence))
}

// earlierWords says how many units others had worked on.
func (r *Report) earlierWords() string {
	if r.Units == 0 {
		return ""
	}
	blind := r.Units - r.Looked
	s := fmt.Sprintf(" Others had worked on %d of them before", r.Worked)
	switch {
	case blind == r.Units && r.Worked == 0:
		return " For none of them was it noted whether others had worked on it before."
	case blind > 0:
		return s + fmt.Sprintf("; for %d nobody noted whether there were signs of that.", blind)
	}
	return s + "."
}

// handled splits the groups into those the bench handled a part of, and the
// others.
func (r *Report) handled() (shown, rest []Group) {
	for _, g := range r.Groups {
		if g.Units.Inspected > 0 {
			shown = append(shown, g)
		} else {
			rest = append(rest, g)
		}
	}
	return shown, rest
}

// spoken splits groups into those with a paragraph of their own, and those
// without a failure.
func (r *Report) spoken(shown []Group) (said, quiet []Group) {
	for _, g := range shown {
		if g.Units.Affected == 0 && len(shown) > 1 {
			quiet = append(quiet, g)
		} else {
			said = append(said, g)
		}
	}
	return said, quiet
}

func titles(groups []Group) string {
	var names []string
	for _, g := range groups {
		names = append(names, page.Clean(g.Title))
	}
	return page.Listed(names)
}

func quietWords(groups []Group) string {
	if groups == nil {
		return ""
	}
	return "No failure of their own was found in: " + titles(groups) + ". The table says in how many units they were looked at; the upper end of the interval is the share of units that may have one all the same."
}

func unseenWords(groups []Group) string {
	if groups == nil {
		return ""
	}
	return "Not handled since they were fitted, or not at all: " + titles(groups) + "."
}

// shownNotes are the notes but for what the report says elsewhere.
func (r *Report) shownNotes() []string {
	var out []string
	for _, n := range r.Notes {
		if !strings.HasPrefix(n, "comparison: ") && !strings.HasPrefix(n, "comebacks: ") {
			out = append(out, n)
		}
	}
	return out
}

func (r *Report) paragraph(p *page.Text, s string) {
	p.Line("")
	p.Para(0, s)
}

// tables is one row for each group: counts and rates side by side where the
// width allows, else below one another, with no more columns than there is
// room for.
func (r *Report) tables(groups []Group, width int) []*page.Table {
	counts := &page.Table{Header: []string{strings.Join(r.By, ", "), "units", "interval", "failed", "interval", "of tested", "degraded", "left out"},
		Right: []int{1, 2, 3, 4, 5, 6, 7}}
	rates := &page.Table{Header: counts.Header[:1:1]}
	for i, s := range r.readings() {
		head := map[Silence]string{SilenceUnknown: "rate, silent units left out", SilenceWorking: "rate, silent units working"}[s]
		if r.FromFile {
			head = "rate"
		}
		rates.Header = append(rates.Header, head)
		rates.Right = append(rates.Right, 1+i)
	}
	for _, g := range groups {
		of := "-"
		if i := g.Parts.OfHandled.Interval; i != nil {
			of = percents(*i)
		}
		counts.Rows = append(counts.Rows, []string{g.title(), fmt.Sprintf("%d/%d", g.Units.Affected, g.Units.Inspected),
			percents(g.Units.Interval), fmt.Sprintf("%d/%d", g.Parts.Failed, g.Parts.Handled),
			of, fmt.Sprintf("%d/%d", g.Parts.Failed, g.Parts.Tested), strconv.Itoa(g.Parts.Degraded), strconv.Itoa(g.Parts.LeftOut)})
		row := []string{g.title()}
		for _, s := range r.readings() {
			row = append(row, r.rateCell(g.Life[s].Rate))
		}
		rates.Rows = append(rates.Rows, row)
	}
	if both := counts.Beside(rates); both.Natural() <= width {
		return []*page.Table{both}
	}
	if counts.Natural() > width {
		counts = counts.First(6)
	}
	for _, t := range []*page.Table{counts, rates} {
		if t.Natural() > width {
			t.Breakable()
		}
	}
	return []*page.Table{counts, rates}
}

// legend says what the columns of the table are.
func (r *Report) legend() string {
	_, per := r.Time.per()
	if r.FromFile {
		return "units: with at least one failure / all. failed: parts failed / all. rate: failures " + per + ". A dash where the file carries no rate; the reason is below."
	}
	return fmt.Sprintf("units: with at least one failure / inspected. failed: parts failed / tested or in service. rate: failures %s, with units nobody has heard of left out from then on, or taken to have worked until %s, if they were last heard of working. < and > where only a bound can be told; bounds where parts were not looked at. A dash where the records carry no rate; the reason is below.", per, r.lagWords())
}

// rankTable is the groups that are ranked, the highest rate first.
func (r *Report) rankTable(groups []Group) *page.Table {
	t := &page.Table{Header: []string{strings.Join(r.By, ", "), "rate", "90% interval", "chance of being the worst"}, Right: []int{1, 2, 3}}
	scale, _ := r.Time.per()
	for _, g := range r.ranked(groups) {
		x := g.Life[r.Silence].Rank
		t.Rows = append(t.Rows, []string{g.title(), figure(scale * x.Mean), rankLimits(x, scale), r.chanceCell(x)})
	}
	return t
}

// rankLimits writes the interval of a rank. What is less than a thousandth of
// the mean is as good as nothing.
func rankLimits(x *Rank, scale float64) string {
	low := "0"
	if x.Low > x.Mean/1000 {
		low = figure(scale * x.Low)
	}
	return low + " to " + figure(scale*x.High)
}

// ranked lists the groups with a rank, the highest rate first.
func (r *Report) ranked(groups []Group) []Group {
	var out []Group
	for _, g := range groups {
		if g.Life[r.Silence].Rank != nil {
			out = append(out, g)
		}
	}
	slices.SortStableFunc(out, func(a, b Group) int {
		return cmp.Compare(b.Life[r.Silence].Rank.Mean, a.Life[r.Silence].Rank.Mean)
	})
	return out
}

func (r *Report) rankLegend() string {
	_, per := r.Time.per()
	s := "rate: failures " + per
	if !r.FromFile {
		s += ", silence read as " + string(r.Silence)
	}
	return s + ". All groups are estimated together: what little is known of one is drawn towards the others, and failures that come together in a unit weigh as fewer. Their intervals hold 90% of the probability." + r.unrankedWords()
}

// unrankedWords names the groups that are in no ranking.
func (r *Report) unrankedWords() string {
	var names []string
	for _, g := range r.Unranked() {
		n := page.Clean(g.Title)
		if u := g.Units; u.Inspected > 0 {
			n += fmt.Sprintf(" (failed in %d of %d units)", u.Affected, u.Inspected)
		}
		names = append(names, n)
	}
	if names == nil {
		return ""
	}
	return " Not ranked, so that none can be called the worst: " + page.Listed(names) + "."
}

// chanceCell is the chance of being the worst, where all groups are ranked.
func (r *Report) chanceCell(x *Rank) string {
	if len(r.Unranked()) > 0 {
		return "-"
	}
	return chance(x.ProbWorst)
}

// chance writes a probability.
func chance(p float64) string {
	switch {
	case p < 0.005:
		return "<1%"
	case p > 0.995:
		return ">99%"
	}
	return strconv.FormatFloat(100*p, 'f', 0, 64) + "%"
}

// wearTable is the groups with a fitted life.
func (r *Report) wearTable(groups []Group) *page.Table {
	t := &page.Table{Header: []string{strings.Join(r.By, ", "), "verdict", "shape", "interval", "B10, " + r.Time.ages(), "interval", "failed"}, Right: []int{2, 3, 4, 5, 6}}
	for _, g := range groups {
		w := g.Life[r.Silence].Weibull
		if w == nil {
			continue
		}
		shape := wearLimits(w)
		b10, tenth := g.Life[r.Silence].Wear.B10, g.Life[r.Silence].Wear.Tenth
		t.Rows = append(t.Rows, []string{g.title(), r.verdictWord(g), figure(w.Shape), figure(shape.Low) + " to " + figure(shape.High),
			figure(b10), figure(tenth.Low) + " to " + figure(tenth.High), page.Thousands(int(w.Failures)) + " in " + page.Plural(w.Failed, "unit", "units")})
	}
	return t
}

func (r *Report) wearLegend() string {
	return "shape: of a Weibull life; above 1 a part fails more readily with age, below 1 less. B10: the age by which one part in ten has failed, if nothing else removed it. The verdict rests on a test that counts each unit once."
}

func (r *Report) rateCell(x *Rate) string {
	scale, _ := r.Time.per()
	switch {
	case x == nil:
		return "-"
	case x.UpperOnly:
		return "< " + figure(scale*x.High)
	case x.LowerOnly:
		return "> " + figure(scale*x.Low)
	case x.Method == RateBounded:
		return fmt.Sprintf("%s-%s, bounds", figure(scale*x.Low), figure(scale*x.High))
	}
	return fmt.Sprintf("%s (%s-%s)", figure(scale*x.PerYear), figure(scale*x.Low), figure(scale*x.High))
}

// Sentence says about a group what its data carry and what a bench can do
// with it.
func (r *Report) Sentence(g Group) string {
	return strings.Join(r.sentences(g), " ")
}

// sentences are the parts of [Reliability.Sentence]; the first says what to do.
func (r *Report) sentences(g Group) []string {
	s := []string{r.unitsSentence(g)}
	s = append(s, r.partsSentences(g)...)
	s = append(s, r.rateSentence(g))
	s = append(s, r.wearSentence(g))
	if w, ok := r.Worst(); ok && w.title() == g.title() {
		s = append(s, "Of all it is the one that fails most.")
	}
	n := g.Parts
	switch {
	case n.LeftOut > 0 && g.MostLeftOutCount == n.LeftOut:
		s = append(s, fmt.Sprintf("Not counted in rates: %s %s.", page.Thousands(n.LeftOut), g.MostLeftOut))
	case n.LeftOut > 0:
		s = append(s, fmt.Sprintf("Not counted in rates: %s, %s of them %s.", page.Thousands(n.LeftOut), page.Thousands(g.MostLeftOutCount), g.MostLeftOut))
	}
	if n.NotBack > 0 {
		s = append(s, fmt.Sprintf("%s fitted here and not seen since.", page.Capital(page.Plural(n.NotBack, "was", "were"))))
	}
	return slices.DeleteFunc(s, func(s string) bool { return s == "" })
}

func (r *Report) unitsSentence(g Group) string {
	u := g.Units
	name := page.Capital(g.Title)
	few := ""
	if u.Inspected < fewUnits {
		few = " Too few units to say how common that is."
	}
	switch {
	case u.Inspected == 1 && g.Parts.Handled == 1 && u.Affected == 1:
		return name + ": 1 of 1 failed: too few to say anything."
	case u.Inspected == 1:
		return fmt.Sprintf("%s: %s failed of %s handled, all of one unit: too few to say anything about others.", name, page.Thousands(g.Parts.Failed), page.Thousands(g.Parts.Handled))
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
	return s + " Worth a look in every unit that comes in; the true share is uncertain."
}

func (r *Report) partsSentences(g Group) []string {
	var s []string
	n := g.Parts
	if g.Units.Inspected > 1 {
		of := ""
		if i := n.OfHandled.Interval; i != nil && n.Handled > 0 {
			of = fmt.Sprintf(" (%s)", percents(*i))
		}
		failed := "none"
		if n.Failed > 0 {
			failed = page.Thousands(n.Failed)
		}
		var seen []string
		for _, x := range []struct {
			n    int
			what string
		}{{n.Tested, "tested"}, {n.InService, "in service only"}} {
			if x.n > 0 {
				seen = append(seen, page.Thousands(x.n)+" "+x.what)
			}
		}
		if r.FromFile {
			s = append(s, fmt.Sprintf("Of %s %s failed%s.", page.Plural(n.Handled, "part", "parts"), failed, of))
		} else {
			s = append(s, fmt.Sprintf("Of %s tested or in service %s failed%s: %s.", page.Plural(n.Handled, "part", "parts"), failed, of, page.Listed(seen)))
		}
		switch {
		case g.FailedUnit != "" && n.Failed == 2:
			s = append(s, fmt.Sprintf("Both failures are of one unit, %s: that may say more about it than about the parts.", g.FailedUnit))
		case g.FailedUnit != "":
			s = append(s, fmt.Sprintf("All %s failures are of one unit, %s: that may say more about it than about the parts.", page.Thousands(n.Failed), g.FailedUnit))
		}
		switch i := n.OfTested.Interval; {
		case n.Failed == 0 || n.Tested == n.Handled && n.Untested == 0:
		case n.Tested == n.Failed+n.Degraded+n.Secondary+n.External:
			s = append(s, "None was tested and found good, so only what was suspected was tested.")
		case i != nil:
			s = append(s, fmt.Sprintf("Of those tested %s failed (%s); suspects are tested first, so this is the high side.", percent(n.OfTested.Share), percents(*i)))
		}
	}
	var more []string
	if n.Untested > 0 {
		more = append(more, fmt.Sprintf("%s not tested", page.Plural(n.Untested, "was", "were")))
	}
	if n.Earlier > 0 {
		more = append(more, fmt.Sprintf("%s may have been repaired elsewhere before the first visit", page.Thousands(n.Earlier)))
	}
	if n.Degraded > 0 {
		more = append(more, fmt.Sprintf("%s found degraded", page.Plural(n.Degraded, "was", "were")))
	}
	if n.Secondary > 0 {
		more = append(more, fmt.Sprintf("%s taken down by another part", page.Plural(n.Secondary, "was", "were")))
	}
	if n.External > 0 {
		more = append(more, fmt.Sprintf("%s damaged from outside", page.Thousands(n.External)))
	}
	if more != nil {
		s = append(s, page.Capital(page.Listed(more))+".")
	}
	return s
}

func (r *Report) rateSentence(g Group) string {
	if r.FromFile {
		e := g.Life[r.Silence]
		if e.Rate == nil {
			return "No rate: " + e.RateRefused + "."
		}
		return "Rate: " + r.rateWords(e) + "."
	}
	u, w := g.Life[SilenceUnknown], g.Life[SilenceWorking]
	switch {
	case u.Rate == nil && w.Rate == nil && u.RateRefused == w.RateRefused:
		return "No rate: " + u.RateRefused + "."
	case u.Rate == nil && w.Rate == nil:
		return fmt.Sprintf("No rate: %s; with silence read as working, %s.", u.RateRefused, w.RateRefused)
	}
	whole := ""
	if x := u.Free; x != nil && !x.UpperOnly && !x.LowerOnly {
		scale, per := r.Time.per()
		whole = fmt.Sprintf("Rate from parts that were all tested because all were to be: %s %s (%s to %s). Of all parts: ", figure(scale*x.PerYear), per, figure(scale*x.Low), figure(scale*x.High))
	}
	unknown, working := r.rateWords(u), r.rateWords(w)
	if unknown == working {
		return whole + fmt.Sprintf("Rate: %s.", unknown)
	}
	if w.Rate != nil && w.Rate.Method == RateBounded && u.Rate != nil && u.Rate.Method == RateBounded {
		scale, _ := r.Time.per()
		working = figure(scale*w.Rate.Low) + " to " + figure(scale*w.Rate.High) // for the same reason
	}
	return whole + fmt.Sprintf("Rate, silent units left out: %s; silent units taken as working: %s.", unknown, working)
}

func (r *Report) rateWords(e *Life) string {
	x := e.Rate
	scale, per := r.Time.per()
	_, many := r.Time.part()
	switch {
	case x == nil:
		return "none, " + e.RateRefused
	case x.Method == RateBounded:
		b := e.Bounds
		return fmt.Sprintf("%s to %s %s, because %s not looked at when last there: %s had they all been good, %s had they all failed, %s had the suspects among them failed as often as tested ones",
			figure(scale*x.Low), figure(scale*x.High), per, page.Plural(b.LeftOut, "part was", "parts were"), figure(scale*b.Low), figure(scale*b.High), figure(scale*b.Middle))
	case x.UpperOnly:
		return fmt.Sprintf("no failure in %s %s of %s, so below %s %s (one-sided %s)",
			figure(x.Years), many, page.Plural(x.Units, "unit", "units"), figure(scale*x.High), per, percent(r.Confidence))
	case x.LowerOnly:
		return fmt.Sprintf("%s, each at an unknown time before it was found and nothing seen to survive, so above %s %s (one-sided %s)",
			page.Plural(x.Events, "failure", "failures"), figure(scale*x.Low), per, percent(r.Confidence))
	}
	s := fmt.Sprintf("%s %s (%s to %s), from %s in %s %s of %s", figure(scale*x.PerYear), per, figure(scale*x.Low), figure(scale*x.High),
		page.Plural(x.Events, "failure", "failures"), figure(x.Years), many, page.Plural(x.Units, "unit", "units"))
	switch {
	case x.LeftCensored == 1 && x.Events == 1:
		s += ", at an unknown time before it was found"
	case x.LeftCensored == 1:
		s += ", all at an unknown time before they were found"
	case x.LeftCensored > 0:
		s += fmt.Sprintf(", %s of them at an unknown time before they were found", percent(x.LeftCensored))
	}
	return s
}

func (r *Report) verdictWord(g Group) string {
	v, _ := r.Verdict(g)
	return string(v)
}

// wearSentence says whether parts fail more readily with age, as far as the
// data tell.
func (r *Report) wearSentence(g Group) string {
	e := g.Life[r.Silence]
	w := e.Weibull
	if w == nil {
		if e.WeibullRefused == e.RateRefused || g.Parts.Failed == 0 {
			return ""
		}
		return "Too little to judge wear: " + e.WeibullRefused + "." + r.bracketSentence(e.Wear.Bracket)
	}
	limits := wearLimits(w)
	shape := fmt.Sprintf("shape %s, %s to %s, from %s in %s", figure(w.Shape), figure(limits.Low), figure(limits.High),
		page.Plural(int(w.Failures), "failure", "failures"), page.Plural(w.Failed, "unit", "units"))
	tenth := fmt.Sprintf("one in ten has failed by %s %s (%s to %s)", figure(e.Wear.B10), r.Time.ages(), figure(e.Wear.Tenth.Low), figure(e.Wear.Tenth.High))
	verdict, reasons := r.Verdict(g)
	why := ""
	if len(reasons) > 0 {
		why = " (" + strings.Join(reasons, "; ") + ")"
	}
	switch verdict {
	case WearShown:
		return fmt.Sprintf("It wears out: the older, the more readily it fails (%s); %s%s.", shape, tenth, why) + r.bracketSentence(e.Wear.Bracket)
	case WearEarly:
		return fmt.Sprintf("It fails early, or is a mixture of good and bad lots: one that has lasted is less likely to fail than a new one (%s); %s%s.", shape, tenth, why)
	case WearConstant:
		return fmt.Sprintf("It fails as readily young as old (%s); %s%s.", shape, tenth, why)
	case WearNotShown:
		return fmt.Sprintf("Wear is not shown: %s (%s).", strings.Join(reasons, "; "), shape)
	}
	return fmt.Sprintf("Too few failures to tell whether it wears out (%s)%s.", shape, why)
}

// bracketSentence tells the share failed by an age where degraded parts were
// taken out.
func (r *Report) bracketSentence(b *Bracket) string {
	if b == nil {
		return ""
	}
	return fmt.Sprintf(" By %s %s, %s to %s have failed: the lower figure takes the %s taken out as degraded to have lasted, the higher to have failed then.",
		figure(b.Age), r.Time.ages(), percent(b.Low), percent(b.High), page.Thousands(b.Taken))
}

func (r *Report) otherReading() Silence {
	for _, s := range r.readings() {
		if s != r.Silence {
			return s
		}
	}
	return ""
}

// percents writes a range of proportions: 45 to 94%.
func percents(i lifedata.Interval) string {
	if i.Low < 0.00001 && i.High > 0.999 {
		return "anything"
	}
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
		return page.Thousands(int(math.Round(v)))
	}
	return strconv.FormatFloat(v, 'g', 2, 64)
}
