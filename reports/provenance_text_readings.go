package reports

import (
	"fmt"
	"strings"

	"benchlore/schema"
)

func (t *provenanceText) readings() {
	t.heading("Readings as found and as left")
	if len(t.p.Readings)+len(t.p.Tables) == 0 {
		t.para(0, "Nothing was measured, or nothing that was measured is recorded.")
		t.soaks()
		return
	}
	for _, s := range t.p.DecisionRule {
		t.item(0, s)
	}
	t.item(0, "“–” in a table: no reading is recorded.")
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
		t.subheading(b.title)
		t.readingRows(b.rows)
	}
	for _, x := range t.p.Tables {
		t.tableReport(x)
	}
	if len(t.p.Instruments) > 0 {
		t.subheading("Test instruments")
		for _, x := range t.p.Instruments {
			t.item(2, own(x.ID)+atBench(x.Bench)+", "+own(x.Name)+": "+strings.Join(x.Lines, "; ")+".")
		}
	}
	t.soaks()
}

// stay names a job as the report counts them.
func (t *provenanceText) stay(job string) string {
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
	return own(section)
}

// readingRows sets readings as found and as left side by side, and below
// them, by number, under what conditions they were taken.
func (t *provenanceText) readingRows(rows []ReadingRow) {
	between := false
	for _, r := range rows {
		between = between || r.Between != nil
	}
	tab := &textTable{header: []string{"", "point", "as found", "as left", "limit", "verdict"}}
	if between {
		tab.header = []string{"", "point", "as found", "between", "as left", "limit", "verdict"}
	}
	for i, r := range rows {
		point := own(r.Point)
		if r.Quantity != "" {
			point += ", " + own(r.Quantity)
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
		tab.rows = append(tab.rows, append(row, own(limit), strings.Join(verdicts, "; ")))
	}
	t.readingTable(rows, tab)
	t.line("")
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
				n += " with " + own(v.v.With)
			}
			if v.v.Procedure != "" {
				n += " by " + own(v.v.Procedure)
			}
			if v.v.Conditions != "" {
				n += ", " + quote(v.v.Conditions)
			}
			if v.v.Why != "" {
				n += ", because " + quote(v.v.Why)
			}
			if v.v.Note != "" {
				n += ". " + quote(v.v.Note)
			}
			notes = append(notes, n)
			if v.v.LimitSource != "" {
				source = v.v.LimitSource
			}
		}
		s := strings.Join(notes, "; ") + "."
		if source != "" {
			s += " Limit from " + quote(source) + "."
		}
		t.hang(fmt.Sprintf("  %d", i+1), 5, s)
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
		return own(v.Value) + " ± " + own(v.Uncertainty)
	}
	return own(v.Value)
}

func (t *provenanceText) tableReport(x TableReport) {
	title := t.stay(x.Job) + ": " + own(x.Point)
	if x.Section != "" {
		title += ", " + own(x.Section)
	}
	t.subheading(title + ", " + stageWords(x.Stage) + " " + x.Date)
	for _, s := range x.sentences() {
		t.para(2, s)
	}
	t.values(x)
}

// sentences sum a table up.
func (x TableReport) sentences() []string {
	if x.Measured == 0 {
		s := fmt.Sprintf("None of %s could be measured.", plural(len(x.Values), "value", "values"))
		if x.Why != "" {
			s += " " + says(x.Why)
		}
		return []string{s}
	}
	s := fmt.Sprintf("%d of %d measured, in %s: lowest %s (%s), highest %s (%s), spread %s.", x.Measured, len(x.Values), x.Unit, x.Min, x.MinAt, x.Max, x.MaxAt, x.Spread)
	if x.Measured < len(x.Values) {
		s += " “x” could not be measured"
		if x.Why != "" {
			s += ", because " + quote(x.Why)
		}
		s += "."
	}
	out := []string{s}
	switch {
	case len(x.Limits) == 0 && x.SpreadLimit == "":
		out = append(out, "No limit given, so no verdict.")
	case len(x.Limits) > 0:
		s := "Limit " + own(strings.Join(x.Limits, "; ")) + ": "
		switch {
		case len(x.Outside) == 0:
			s += fmt.Sprintf("none of the %d measured against it outside", x.Judged)
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
		out = append(out, "Spread at most "+own(x.SpreadLimit)+": "+verdictWords(x.SpreadVerdict)+".")
	}
	var how []string
	if x.Bench != "" {
		how = append(how, "recorded"+atBench(x.Bench))
	}
	for _, d := range []struct{ format, what string }{
		{"with %s", own(x.With)}, {"by %s", own(x.Procedure)}, {"uncertainty %s of one value", own(x.Uncertainty)},
	} {
		if d.what != "" {
			how = append(how, fmt.Sprintf(d.format, d.what))
		}
	}
	if x.Conditions != "" {
		how = append(how, quote(x.Conditions))
	}
	for _, s := range x.LimitSources {
		how = append(how, "limit from "+quote(s))
	}
	if how != nil {
		out = append(out, capital(strings.Join(how, "; "))+".")
	}
	if x.Note != "" {
		out = append(out, quote(x.Note))
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

func (t *provenanceText) soaks() {
	t.subheading("Soak runs")
	if len(t.p.Soaks) == 0 {
		t.para(2, "None recorded.")
	}
	for _, x := range t.p.Soaks {
		s := x.Date + ": " + own(x.Duration)
		if x.Cycles > 0 {
			s += ", " + plural(x.Cycles, "power cycle", "power cycles")
		}
		if x.Ambient != "" {
			s += ", room at " + own(x.Ambient)
		}
		if len(x.Events) == 0 {
			s += "; nothing is recorded to have happened"
		} else {
			s += "; " + strings.Join(x.Events, "; ")
		}
		s += ". " + own(x.By) + "."
		if x.Note != "" {
			s += " " + says(x.Note)
		}
		t.item(2, s)
	}
}

func (t *provenanceText) safety() {
	t.heading("Safety checks")
	if len(t.p.Safety) == 0 {
		t.para(0, "None recorded. NOT SAFETY TESTED.")
	}
	for _, r := range t.p.Safety {
		t.subheading(t.stay(r.Job) + ": " + r.Date + ", " + own(r.By))
		for _, c := range r.Checks {
			s := c.sentence()
			if c.With != "" {
				s += " With " + own(c.With) + "."
			}
			if c.By != r.By {
				s += " By " + own(c.By) + "."
			}
			if c.LimitSource != "" {
				s += " Limit from " + quote(c.LimitSource) + "."
			}
			t.item(2, s)
		}
		if r.WorkAfter {
			t.para(2, "Parts were worked on after these checks.")
		}
		if r.Note != "" {
			t.para(2, quote(r.Note))
		}
	}
}
