package form

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/refs"
	"benchlore/schema/remedy"
)

// step is a key that is asked for without being called for.
type step struct {
	key   string
	when  func(w *walker, table any) bool // nil: always; it may fill in what need not be asked
	must  bool                            // asked again until there is an answer, or - to leave it out
	only  bool                            // where when does not hold, the key is not offered either
	carry bool                            // taken from the table before it in the list
}

// when narrows a condition to the type of the table.
func when[T any](cond func(w *walker, t *T) bool) func(*walker, any) bool {
	return func(w *walker, table any) bool { return cond(w, table.(*T)) }
}

// plans say, for every table, which keys a restorer fills in as a rule, in the
// order they are asked for. The others are offered afterwards, by name.
var plans map[reflect.Type][]step

func init() { // not in the declaration: the conditions use the plans
	plans = map[reflect.Type][]step{
		reflect.TypeFor[schema.Intake](): {
			{key: "reason"}, {key: "works"},
			{key: "comeback", only: true, when: when(func(_ *walker, r *schema.Intake) bool { return r.Reason == schema.ReasonComeback })},
			{key: "fault"},
			{key: "last_known_working", when: when(func(_ *walker, r *schema.Intake) bool { return r.Works != schema.WorksFully })},
			{key: "last_known_working_by", only: true, when: when(func(_ *walker, r *schema.Intake) bool { return r.LastKnownWorking != "" })},
			{key: "power"}, powerWhy,
		},
		reflect.TypeFor[schema.Parts]():        {{key: "part"}},
		reflect.TypeFor[schema.Measurements](): {{key: "reading"}},
		reflect.TypeFor[schema.Safety]():       {{key: "check"}},
		reflect.TypeFor[schema.Soak]():         {{key: "duration"}, {key: "cycles"}, {key: "event"}},
		reflect.TypeFor[schema.Mod](): {
			{key: "name"},
			{key: "kit", when: when(func(w *walker, _ *schema.Mod) bool { return len(w.src.Unit.Model.Kits) > 0 })},
			{key: "revision", when: when(func(w *walker, r *schema.Mod) bool { return len(w.revisions(r.Kit)) > 0 })},
			{key: "changes"}, {key: "reversible"}, {key: "undo"}, {key: "originals"}, {key: "part"},
		},
		reflect.TypeFor[schema.Release](): {
			{key: "works"}, {key: "fault"}, {key: "power"}, powerWhy, {key: "mains"}, {key: "fuse"},
		},
		reflect.TypeFor[schema.Followup](): {
			{key: "state"}, {key: "said_by"},
			{key: "about", when: when(func(_ *walker, r *schema.Followup) bool { return r.State == schema.FollowupFaulty })},
		},
		reflect.TypeFor[schema.Custody](): {
			{key: "event"},
			{key: "condition_out", when: when(func(_ *walker, r *schema.Custody) bool { return r.Event != schema.CustodyReceived })},
			{key: "condition_in", when: when(func(_ *walker, r *schema.Custody) bool { return r.Event == schema.CustodyReceived })},
			{key: "transit_locks", must: true, when: when(func(_ *walker, r *schema.Custody) bool { return r.Event == schema.CustodyShipped })},
		},
		reflect.TypeFor[schema.Note](): {{key: "title"}, {key: "note"}},

		reflect.TypeFor[schema.Warning](): {{key: "text"}, {key: "section"}},
		reflect.TypeFor[schema.Due](): {
			{key: "what"}, {key: "when"},
			{key: "at_hours", when: when(func(_ *walker, d *schema.Due) bool { return d.When.IsZero() })},
		},
		reflect.TypeFor[schema.Photo]():        {{key: "file"}, {key: "caption"}},
		reflect.TypeFor[schema.File]():         {{key: "file"}, {key: "title"}},
		reflect.TypeFor[schema.Fault]():        {{key: "symptom"}, {key: "section"}},
		reflect.TypeFor[schema.WorkedOn]():     {{key: "section"}, {key: "what"}},
		reflect.TypeFor[schema.SectionState](): {{key: "name"}, {key: "condition"}, {key: "origin"}},
		reflect.TypeFor[schema.Comeback]():     {{key: "release"}, {key: "fault"}},
		reflect.TypeFor[schema.FaultAtEnd](): {
			{key: "state"},
			{key: "note", when: when(func(_ *walker, f *schema.FaultAtEnd) bool { return f.State != schema.FaultCured })},
		},
		reflect.TypeFor[schema.Warranty](): {{key: "start"}, {key: "end"}, {key: "scope"}, {key: "transferable"}},
		reflect.TypeFor[schema.SoakEvent](): {
			{key: "what"}, {key: "at"},
			{key: "fault", when: when(func(w *walker, _ *schema.SoakEvent) bool { return len(w.openFaults()) > 0 })},
		},
		reflect.TypeFor[schema.ApplyKit](): {
			{key: "kit"},
			{key: "revision", when: when(func(w *walker, k *schema.ApplyKit) bool { return len(w.revisions(k.Kit)) > 0 })},
			{key: "section"}, {key: "except"}, {key: "found"},
		},
		reflect.TypeFor[schema.PartLine](): {
			{key: "section"}, {key: "ref"},
			{key: "count", only: true, when: when(func(_ *walker, l *schema.PartLine) bool { return l.Ref == "" })},
			{key: "family", when: when(func(w *walker, l *schema.PartLine) bool { return w.stranger(l) })},
			{key: "found", must: true},
			{key: "mode", when: when(func(_ *walker, l *schema.PartLine) bool {
				return l.Found == schema.Failed || l.Found == schema.Degraded
			})},
			{key: "how", when: when(func(_ *walker, l *schema.PartLine) bool { return l.Found == schema.OK })},
			{key: "fault", when: when(func(w *walker, l *schema.PartLine) bool {
				return len(w.openFaults()) > 0 && (l.Found == schema.Failed || l.Found == schema.Degraded || l.Found == schema.Missing)
			})},
			{key: "action", must: true},
			{key: "new", when: when(func(_ *walker, l *schema.PartLine) bool {
				return l.Action == schema.Replaced || l.Action == schema.Fitted
			})},
		},
		reflect.TypeFor[schema.Component](): {
			{key: "lot", when: when(func(w *walker, _ *schema.Component) bool { return len(w.lots()) > 0 })},
			{key: "value", when: when(func(w *walker, c *schema.Component) bool { return c.Lot == "" && w.usual().value })},
			{key: "rating", when: when(func(w *walker, c *schema.Component) bool { return c.Lot == "" && w.usual().rating })},
			{key: "type", when: when(func(w *walker, c *schema.Component) bool { return c.Lot == "" && w.usual().kind })},
			{key: "maker", when: when(func(_ *walker, c *schema.Component) bool { return c.Lot == "" })},
		},
		reflect.TypeFor[schema.Reading](): {
			{key: "point"},
			{key: "section", when: when(func(w *walker, r *schema.Reading) bool { return w.several(r.Point, &r.Section) })},
			{key: "stage", carry: true}, {key: "value"},
			{key: "why", only: true, when: when(func(_ *walker, r *schema.Reading) bool { return r.Value == schema.NotMeasurable })},
			{key: "with", carry: true, when: when(func(w *walker, r *schema.Reading) bool { return w.hasMeters() && r.Value != schema.NotMeasurable })},
		},
		reflect.TypeFor[schema.Table](): {
			{key: "point"},
			{key: "section", when: when(func(w *walker, t *schema.Table) bool { return w.several(t.Point, &t.Section) })},
			{key: "at"}, {key: "unit"}, {key: "stage"}, {key: "values"},
			{key: "why", only: true, when: when(func(_ *walker, t *schema.Table) bool {
				return slices.Contains(strings.Fields(string(t.Values)), "x")
			})},
			{key: "with", when: when(func(w *walker, _ *schema.Table) bool { return w.hasMeters() })},
		},
		reflect.TypeFor[schema.SafetyCheck](): {
			{key: "name"}, {key: "result"},
			{key: "why", only: true, must: true, when: when(func(_ *walker, c *schema.SafetyCheck) bool { return c.Result != schema.CheckDone })},
			{key: "low", when: when(done)}, {key: "high", when: when(done)},
			{key: "limit_source", must: true, when: when(func(_ *walker, c *schema.SafetyCheck) bool { return c.Low != "" || c.High != "" })},
			{key: "value", when: when(done)},
			{key: "passed", must: true, when: when(func(_ *walker, c *schema.SafetyCheck) bool { return c.Result == schema.CheckDone && c.Value == "" })},
			{key: "with", when: when(func(w *walker, c *schema.SafetyCheck) bool { return w.hasMeters() && c.Value != "" })},
		},
	}
}

// planOf is the plan of a table. Where none is written down, its fields say what
// is asked for: the first key and those marked so.
func planOf(t reflect.Type) []step {
	if plan, ok := plans[t]; ok {
		return plan
	}
	var plan []step
	for _, f := range schema.FieldsOf(reflect.New(t).Interface()) {
		if f.Ask {
			plan = append(plan, step{key: f.Key})
		}
	}
	return plan
}

// each asks for one table for every entry of the model's list that the key
// names. Where the key after it, how the entry stands, is not answered, the entry
// is left out.
func (w *walker) each(t at, f schema.Field, v reflect.Value, all []Choice) bool {
	plan := planOf(v.Type().Elem())
	key := fieldOf(v.Type().Elem(), plan[0].key).Index
	skipped := map[string]bool{}
	defer func() { // afterwards, so that every entry keeps its number while it is asked for
		kept := reflect.Zero(v.Type())
		for i := range v.Len() {
			if e := v.Index(i); !skipped[e.FieldByIndex(key).String()] {
				kept = reflect.Append(kept, e)
			}
		}
		v.Set(kept)
	}()
	for n, c := range all {
		v.Set(reflect.Append(v, reflect.Zero(v.Type().Elem())))
		elem := at{table: v.Index(n), path: fmt.Sprintf("%s[%d]", t.key(f.Key), n), index: n}
		elem.table.FieldByIndex(key).SetString(c.Word)
		w.labels = append(w.labels, func() string { return strings.TrimSuffix(c.Word+", "+c.About, ", ") })
		said, ok := w.first(elem, plan[1])
		if !ok || said && !w.keys(elem, plan[2:]) {
			return false
		}
		w.labels = w.labels[:len(w.labels)-1]
		skipped[c.Word] = !said
	}
	return true
}

// ofModel lists the entries of a list of the model by their ids; where they
// have none, by name and revision as records cite them.
func (w *walker) ofModel(list string) []Choice {
	var out []Choice
	if list == "" {
		return nil
	}
	model := reflect.ValueOf(w.src.Unit.Model).Elem()
	entries := model.FieldByIndex(fieldOf(model.Type(), list).Index)
	for i := range entries.Len() {
		text := func(key string) string {
			for _, f := range schema.FieldsOf(entries.Index(i).Interface()) {
				if f.Key == key {
					return entries.Index(i).FieldByIndex(f.Index).String()
				}
			}
			return ""
		}
		if id := text("id"); id != "" {
			out = append(out, Choice{id, text("name")})
		} else {
			out = append(out, Choice{strings.TrimSuffix(text("name")+"/"+text("revision"), "/"), text("title")})
		}
	}
	return out
}

func done(_ *walker, c *schema.SafetyCheck) bool { return c.Result == schema.CheckDone }

var powerWhy = step{key: "power_why", only: true, must: true, when: func(w *walker, _ any) bool {
	p := w.rec.Head().Power
	return p == schema.PowerForbidden || p == schema.PowerLimited
}}

// idle reports whether a key has no place in the table as it stands.
func (w *walker) idle(t at, key string) bool {
	for _, s := range planOf(t.table.Type()) {
		if s.key == key && s.only && !s.when(w, t.value()) {
			return true
		}
	}
	return false
}

// preset fills in what a table of a list starts with.
func preset(w *walker, t at) {
	if f, ok := t.value().(*schema.Fault); ok {
		f.ID = w.freeFault(t.index)
	}
}

// freeFault is a fault id nobody has.
func (w *walker) freeFault(n int) string {
	taken := map[string]bool{}
	for _, f := range w.src.Unit.Faults {
		taken[strings.ToUpper(f.ID)] = true
	}
	for _, f := range schema.Faults(w.rec) {
		taken[strings.ToUpper(f.ID)] = true
	}
	for i := len(w.src.Unit.Faults) + 1; ; i++ {
		if id := fmt.Sprintf("F%d", i); !taken[id] {
			return id
		}
	}
}

// labelOf is what a table of a list is called while it is asked for.
func labelOf(t at, key string) string {
	n := fmt.Sprintf("%s %d", strings.ReplaceAll(key, "_", " "), t.index+1)
	switch e := t.value().(type) {
	case *schema.Fault:
		return "fault " + e.ID
	case *schema.PartLine:
		if where := strings.TrimSpace(string(e.Section) + " " + string(e.Ref)); where != "" {
			return n + ", " + where
		}
	case *schema.Reading:
		return described(n, e.Point, e.Section)
	case *schema.Table:
		return described(n, e.Point, e.Section)
	case *schema.SafetyCheck:
		return described(n, e.Name, "")
	}
	return n
}

func described(n, what, where string) string {
	if what = strings.TrimSpace(what + " " + where); what == "" {
		return n
	}
	return n + ", " + what
}

// faultStates asks what became of every fault of the job.
func (w *walker) faultStates(t at, f schema.Field, v reflect.Value) bool {
	for _, fault := range w.openFaults() {
		n := v.Len()
		v.Set(reflect.Append(v, reflect.ValueOf(schema.FaultAtEnd{ID: fault.ID})))
		w.labels = append(w.labels, func() string { return "fault " + fault.ID + ", " + fault.Symptom })
		if !w.table(at{table: v.Index(n), path: fmt.Sprintf("%s[%d]", t.key(f.Key), n), index: n}) {
			return false
		}
		w.labels = w.labels[:len(w.labels)-1]
	}
	return true
}

// values asks for the numbers of a table, one position after the other. An
// answer may hold several; none ends the table at the positions reached.
func (w *walker) values(tb *schema.Table, t at) bool {
	list, err := refs.Parse(string(tb.At))
	if err != nil {
		return true
	}
	all := list.Enumerate()
	var got []string
	for len(got) < len(all) {
		text, ok := w.ask(fmt.Sprintf("%s[%d]", t.key("values"), len(got)), func() *Question {
			q := &Question{Name: fmt.Sprintf("%s in %s", all[len(got)], tb.Unit),
				Help: fmt.Sprintf("%d of %d; a number, or several in order; x: not measurable; Enter: stop here", len(got)+1, len(all))}
			q.test = func(text string) error {
				values, err := schema.Values(text).Parse()
				if err == nil && len(values) > len(all)-len(got) {
					err = remedy.Errorf("%d numbers for the %d positions left => write one for each, from %s on", len(values), len(all)-len(got), all[len(got)])
				}
				return err
			}
			q.remark = func(text string) Remark { return w.tableRemark(tb, all[len(got):], text) }
			return q
		})
		if !ok {
			tb.Values = schema.Values(strings.Join(got, " "))
			return false
		}
		if text == "" {
			break
		}
		w.show(string(all[len(got)]), text)
		got = append(got, strings.Fields(text)...)
	}
	if len(got) > 0 && len(got) < len(all) {
		tb.At = schema.Refs(inOrder(all[:len(got)]))
	}
	tb.Values = schema.Values(strings.Join(got, " "))
	return true
}

// inOrder writes references as a list that keeps their order.
func inOrder(rs []refs.Ref) string {
	if text := refs.Compact(rs); text != "" {
		if l, err := refs.Parse(text); err == nil && slices.Equal(l.Enumerate(), rs) {
			return text
		}
	}
	text := make([]string, len(rs))
	for i, r := range rs {
		text[i] = string(r)
	}
	return strings.Join(text, ", ")
}
