package provenance

import (
	"fmt"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
)

func (t *textReport) readings() {
	t.Heading("Readings as found and as left")
	if len(t.p.Readings)+len(t.p.Tables) == 0 {
		t.Para(0, "Nothing was measured, or nothing that was measured is recorded.")
		t.soaks()
		return
	}
	for _, s := range t.p.DecisionRule {
		t.Item(0, s)
	}
	t.Item(0, "“–” in a table: no reading is recorded.")
	type block struct {
		title string
		rows  []ReadingRow
	}
	var blocks []*block
	for _, r := range t.p.Readings {
		title := t.stay(r.Job) + ": " + orWhole(r.Section)
		if n := len(blocks); n == 0 || blocks[n-1].title != title {
			blocks = append(blocks, &block{title: title})
		}
		b := blocks[len(blocks)-1]
		b.rows = append(b.rows, r)
	}
	for _, b := range blocks {
		t.Subheading(b.title)
		t.readingRows(b.rows)
	}
	for _, x := range t.p.Tables {
		t.tableReport(x)
	}
	if len(t.p.Instruments) > 0 {
		t.Subheading("Test instruments")
		for _, x := range t.p.Instruments {
			t.Item(2, Own(x.ID)+atBench(x.Bench)+", "+Own(x.Name)+": "+strings.Join(x.Lines, "; ")+".")
		}
	}
	t.soaks()
}

// stay names a job as the report counts them.
func (t *textReport) stay(job string) string {
	for i, j := range t.p.Jobs {
		if j.Name == job {
			return fmt.Sprintf("Stay %d", i+1)
		}
	}
	return "Outside any stay"
}

func orWhole(section string) string {
	if section == "" {
		return "the whole unit"
	}
	return Own(section)
}

// readingRows sets readings as found and as left side by side, and below
// them, by number, under what conditions they were taken.
func (t *textReport) readingRows(rows []ReadingRow) {
	between := false
	for _, r := range rows {
		between = between || r.Between != nil
	}
	tab := &page.Table{Header: []string{"", "point", "as found", "as left", "limit", "verdict"}}
	if between {
		tab.Header = []string{"", "point", "as found", "between", "as left", "limit", "verdict"}
	}
	for i, r := range rows {
		point := Own(r.Point)
		if r.Quantity != "" {
			point += ", " + Own(r.Quantity)
		}
		row := []string{fmt.Sprintf("%d", i+1), point, valueWords(r.Found)}
		if between {
			row = append(row, valueWords(r.Between))
		}
		row = append(row, valueWords(r.Left))
		limit, verdicts := "", []string{}
		for _, v := range []struct {
			word string
			v    *ReadingValue
		}{{"found", r.Found}, {"between", r.Between}, {"left", r.Left}} {
			if v.v == nil {
				continue
			}
			limit = v.v.Limit
			verdicts = append(verdicts, v.word+": "+verdictWords(v.v.Verdict))
		}
		if limit == "" {
			limit = "none given"
			verdicts = []string{"no verdict"}
		}
		tab.Rows = append(tab.Rows, append(row, Own(limit), strings.Join(verdicts, "; ")))
	}
	t.readingTable(rows, tab)
	t.Line("")
	for i, r := range rows {
		var notes []string
		source := ""
		for _, v := range []struct {
			word string
			v    *ReadingValue
		}{{"found", r.Found}, {"between", r.Between}, {"left", r.Left}} {
			if v.v == nil {
				continue
			}
			n := v.word + " " + v.v.Date
			if v.word == "between" {
				n = stageWords(v.v.Stage) + " " + v.v.Date
			}
			n += atBench(v.v.Bench)
			if v.v.With != "" {
				n += " with " + Own(v.v.With)
			}
			if v.v.Procedure != "" {
				n += " by " + Own(v.v.Procedure)
			}
			if v.v.Conditions != "" {
				n += ", " + page.Quote(v.v.Conditions)
			}
			if v.v.Why != "" {
				n += ", because " + page.Quote(v.v.Why)
			}
			if v.v.Note != "" {
				n += ". " + page.Quote(v.v.Note)
			}
			notes = append(notes, n)
			if v.v.LimitSource != "" {
				source = v.v.LimitSource
			}
		}
		s := strings.Join(notes, "; ") + "."
		if source != "" {
			s += " Limit from " + page.Quote(source) + "."
		}
		t.Hang(fmt.Sprintf("  %d", i+1), 5, s)
	}
}

// valueWords is a value as the table shows it.
func valueWords(v *ReadingValue) string {
	switch {
	case v == nil:
		return "–"
	case v.Value == schema.NotMeasurable:
		return "not measurable"
	case v.Uncertainty != "":
		return Own(v.Value) + " ± " + Own(v.Uncertainty)
	}
	return Own(v.Value)
}

func (t *textReport) tableReport(x TableReport) {
	title := t.stay(x.Job) + ": " + Own(x.Point)
	if x.Section != "" {
		title += ", " + Own(x.Section)
	}
	t.Subheading(title + ", " + stageWords(x.Stage) + " " + x.Date)
	for _, s := range x.sentences() {
		t.Para(2, s)
	}
	t.values(x)
}

// sentences sum a table up.
func (x TableReport) sentences() []string {
	if x.Measured == 0 {
		s := fmt.Sprintf("None of %s could be measured.", page.Plural(len(x.Values), "value", "values"))
		if x.Why != "" {
			s += " " + page.Says(x.Why)
		}
		return []string{s}
	}
	s := fmt.Sprintf("%d of %d measured, in %s: lowest %s (%s), highest %s (%s), spread %s.", x.Measured, len(x.Values), x.Unit, x.Min, x.MinAt, x.Max, x.MaxAt, x.Spread)
	if x.Measured < len(x.Values) {
		s += " “x” could not be measured"
		if x.Why != "" {
			s += ", because " + page.Quote(x.Why)
		}
		s += "."
	}
	out := []string{s}
	switch {
	case len(x.Limits) == 0 && x.SpreadLimit == "":
		out = append(out, "No limit given, so no verdict.")
	case len(x.Limits) > 0:
		s := "Limit " + Own(strings.Join(x.Limits, "; ")) + ": "
		switch {
		case len(x.Outside) == 0:
			s += fmt.Sprintf("none of the %d checked against it outside", x.Judged)
		default:
			s += fmt.Sprintf("%d of %d OUTSIDE, marked *", len(x.Outside), x.Judged)
		}
		if n := len(x.Near); n > 0 {
			s += fmt.Sprintf("; %d inside by less than the uncertainty (%s)", n, some(x.Near))
		}
		if n := x.Measured - x.Judged; n > 0 {
			s += fmt.Sprintf("; %d without a limit", n)
		}
		out = append(out, s+".")
	}
	if x.SpreadLimit != "" && x.SpreadVerdict != "" {
		out = append(out, "Spread at most "+Own(x.SpreadLimit)+": "+verdictWords(x.SpreadVerdict)+".")
	}
	var how []string
	if x.Bench != "" {
		how = append(how, "recorded"+atBench(x.Bench))
	}
	for _, d := range []struct{ format, what string }{
		{"with %s", Own(x.With)}, {"by %s", Own(x.Procedure)}, {"uncertainty %s of one value", Own(x.Uncertainty)},
	} {
		if d.what != "" {
			how = append(how, fmt.Sprintf(d.format, d.what))
		}
	}
	if x.Conditions != "" {
		how = append(how, page.Quote(x.Conditions))
	}
	for _, s := range x.LimitSources {
		how = append(how, "limit from "+page.Quote(s))
	}
	if how != nil {
		out = append(out, page.Capital(strings.Join(how, "; "))+".")
	}
	if x.Note != "" {
		out = append(out, page.Quote(x.Note))
	}
	return out
}

// some names the first dozen positions.
func some(names []string) string {
	if len(names) > 12 {
		return strings.Join(names[:12], ", ") + " and " + fmt.Sprint(len(names)-12) + " more"
	}
	return strings.Join(names, ", ")
}

func (t *textReport) soaks() {
	t.Subheading("Soak runs")
	if len(t.p.Soaks) == 0 {
		t.Para(2, "None recorded.")
	}
	for _, x := range t.p.Soaks {
		s := x.Date + ": " + Own(x.Duration)
		if x.Cycles > 0 {
			s += ", " + page.Plural(x.Cycles, "power cycle", "power cycles")
		}
		if x.Ambient != "" {
			s += ", room at " + Own(x.Ambient)
		}
		if len(x.Events) == 0 {
			s += "; no events are recorded"
		} else {
			s += "; " + strings.Join(x.Events, "; ")
		}
		s += ". " + Own(x.By) + "."
		if x.Note != "" {
			s += " " + page.Says(x.Note)
		}
		t.Item(2, s)
	}
}

func (t *textReport) safety() {
	t.Heading("Safety checks")
	if len(t.p.Safety) == 0 {
		t.Para(0, "None recorded. NOT SAFETY TESTED.")
	}
	for _, r := range t.p.Safety {
		t.Subheading(t.stay(r.Job) + ": " + r.Date + ", " + Own(r.By))
		for _, c := range r.Checks {
			s := c.sentence()
			if c.With != "" {
				s += " With " + Own(c.With) + "."
			}
			if c.By != r.By {
				s += " By " + Own(c.By) + "."
			}
			if c.LimitSource != "" {
				s += " Limit from " + page.Quote(c.LimitSource) + "."
			}
			t.Item(2, s)
		}
		if r.WorkAfter {
			t.Para(2, "Parts were worked on after these checks.")
		}
		if r.Note != "" {
			t.Para(2, page.Quote(r.Note))
		}
	}
}
