package form

import (
	"math/big"
	"reflect"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// bareNumber is a number without its unit.
var bareNumber = pattern.New(`^[+-]?[0-9]+([.,][0-9]+)?$`)

// beside gives a question what it can say while an answer is being typed, and
// lets a bare number take the unit it must have.
func (w *walker) beside(q *Question, t at, f schema.Field) {
	switch e := t.value().(type) {
	case *schema.Reading:
		r := *e
		l := w.src.Unit.ReadingLimit(r)
		switch {
		case q.Role == More:
			q.remark = func(string) Remark { return judged(l, w.src.Unit.JudgeReading(r)) }
		case f.Key == "value":
			q.unit = limitUnit(l)
			q.remark = func(text string) Remark {
				r.Value = schema.Measured(withUnit(text, q.unit))
				return judged(l, w.src.Unit.JudgeReading(r))
			}
		case f.Key == "low" || f.Key == "high":
			q.unit = unitOf(schema.Quantity(r.Value))
		}
	case *schema.SafetyCheck:
		if f.Key == "value" {
			var l *unit.Limit
			if e.Low != "" || e.High != "" {
				l = &unit.Limit{Low: e.Low, High: e.High}
			}
			q.unit = limitUnit(l)
			q.remark = func(text string) Remark {
				if text == schema.NotMeasurable {
					return judged(l, unit.NotTaken)
				}
				v, err := quantity.Parse(withUnit(text, q.unit))
				if err != nil {
					return judged(l, unit.NoLimit)
				}
				return judged(l, l.Judge(v, nil))
			}
		}
	case *schema.PartLine:
		if f.Key == "ref" {
			q.remark = func(text string) Remark { return Remark{Text: w.naming(string(e.Section), text)} }
		}
	}
	if f.Type == reflect.TypeFor[schema.Quantity]() && q.unit == "" {
		q.unit = unitOf(schema.Quantity(q.Default))
	}
	if q.unit != "" {
		form := q.test
		q.test = func(text string) error { return form(withUnit(text, q.unit)) }
	}
}

// limitUnit is the unit of a limit, "" where there is none.
func limitUnit(l *unit.Limit) string {
	if l == nil {
		return ""
	}
	for _, q := range []schema.Quantity{l.Nominal, l.Low, l.High} {
		if u := unitOf(q); u != "" {
			return u
		}
	}
	return ""
}

// withUnit gives a bare number its unit.
func withUnit(text, u string) string {
	if u != "" && bareNumber.MatchString(text) {
		return text + " " + u
	}
	return text
}

// judged puts a verdict in words, with the limit.
func judged(l *unit.Limit, v unit.Verdict) Remark {
	text := limitText(l)
	switch v {
	case unit.Within:
		text = "inside: " + text
	case unit.Near:
		text = "within the limit, by less than the uncertainty: " + text
	case unit.Outside:
		text = "OUTSIDE: " + text
	case unit.NotTaken:
		text = strings.TrimSuffix("not taken; "+text, "; ")
	}
	return Remark{Text: text, Verdict: v}
}

// naming says what references name.
func (w *walker) naming(section, text string) string {
	list, err := refs.Parse(text)
	if err != nil || text == "" {
		return ""
	}
	ps := w.positions(section, text)
	if len(ps) == 0 {
		return "the model has no " + text + " there"
	}
	what := w.src.Families.Title(ps[0].Family)
	for _, p := range ps {
		if p.Family != ps[0].Family {
			what = "several families"
		}
	}
	if len(ps) > 1 || !list.Exact() {
		return count(len(ps), "position") + ", " + what
	}
	if v := strings.TrimSpace(string(ps[0].Value) + " " + string(ps[0].Rating)); v != "" {
		what += ", " + v
	}
	if ps[0].Function != "" {
		what += ", " + ps[0].Function
	}
	return what
}

// tableRemark judges the numbers typed for the next positions of a table.
func (w *walker) tableRemark(t *schema.Table, at []refs.Ref, text string) Remark {
	l := w.src.Unit.TableLimit(*t, at[0])
	values, err := schema.Values(text).Parse()
	one, err2 := quantity.Parse("1 " + string(t.Unit))
	if err != nil || err2 != nil || len(values) == 0 || len(values) > len(at) {
		return judged(l, unit.NoLimit)
	}
	verdicts := make([]unit.Verdict, len(values))
	for i, v := range values {
		verdicts[i] = w.tableVerdict(t, at[i], one, v)
	}
	if len(values) == 1 {
		return judged(l, verdicts[0])
	}
	var out []string
	for i, v := range verdicts {
		if v == unit.Outside {
			out = append(out, string(at[i]))
		}
	}
	if len(out) > 0 {
		return Remark{Text: "OUTSIDE: " + strings.Join(clip(out), ", "), Verdict: unit.Outside}
	}
	if slices.Contains(verdicts, unit.Within) {
		return Remark{Text: "inside: " + limitText(l), Verdict: unit.Within}
	}
	return judged(l, unit.NoLimit)
}

func (w *walker) tableVerdict(t *schema.Table, at refs.Ref, one quantity.Quantity, v *big.Rat) unit.Verdict {
	if v == nil {
		return unit.NotTaken
	}
	return w.src.Unit.TableLimit(*t, at).Judge(unit.Scale(one, v), nil)
}
