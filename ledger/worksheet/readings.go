package worksheet

import (
	"fmt"
	"math/big"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
	"benchlore/schema/remedy"
	"benchlore/schema/unit"
)

// taken is a reading the records of this job have.
type taken struct {
	file  *unit.File
	index int
	value schema.Reading
}

// readingsOf lists the readings of the job, in order.
func (s *worksheet) readingsOf() []taken {
	var out []taken
	for i := range s.u.Unit.Files {
		f := &s.u.Unit.Files[i]
		r, ok := f.Record.(*schema.Measurements)
		if !ok || r.Withdrawn || !s.ofJob(f) {
			continue
		}
		for k, one := range r.Readings {
			out = append(out, taken{f, k, one})
		}
	}
	return out
}

// ofJob reports whether a record belongs to the job on the bench, or, where there
// is none, to none.
func (s *worksheet) ofJob(f *unit.File) bool {
	if s.job != nil {
		return slices.Contains(s.job.Files, f)
	}
	return !slices.ContainsFunc(s.u.Jobs, func(j *unit.Job) bool { return slices.Contains(j.Files, f) })
}

// sameReading reports whether two readings are of the same point at the same
// stage.
func sameReading(a, b schema.Reading) bool {
	return strings.EqualFold(a.Point, b.Point) && strings.EqualFold(a.Section, b.Section) && sameRefs(a.Ref, b.Ref) &&
		strings.EqualFold(a.Quantity, b.Quantity) && a.Stage == b.Stage
}

func sameRefs(a, b schema.Refs) bool {
	if a == b {
		return true
	}
	x, err1 := refs.Parse(string(a))
	y, err2 := refs.Parse(string(b))
	return err1 == nil && err2 == nil && slices.Equal(x.Enumerate(), y.Enumerate())
}

// readings reads a sheet of points.
func (s *worksheet) readings() error {
	has := s.readingsOf()
	said := map[string]*sheetRow{}
	var fresh []listed
	for _, row := range s.t.rows {
		row.of = strings.TrimSpace(row.get("section") + " " + row.get("point"))
		base, stages := s.readingRow(row)
		if base == nil {
			continue
		}
		same := true
		for _, r := range stages {
			if r.Why = base.Why; r.Value != schema.NotMeasurable {
				r.Why = ""
			}
			id := strings.ToLower(fmt.Sprint(r.Section, "\x00", r.Point, "\x00", r.Ref, "\x00", r.Quantity, "\x00", r.Stage))
			if first := said[id]; first != nil {
				s.errs.cell(row, "stage."+string(r.Stage), "row %d has a reading of this point at this stage too => keep one", first.n)
				continue
			}
			said[id] = row
			var last *taken
			found := false
			for i := range has {
				if !sameReading(has[i].value, r) {
					continue
				}
				last = &has[i]
				if sameMeasured(string(last.value.Value), string(r.Value)) && (len(stages) > 1 || filledIn(reflect.ValueOf(r), reflect.ValueOf(last.value))) {
					found = true // what stands beside belongs to the stage that is new
				}
			}
			if found {
				continue
			}
			same = false
			if last == nil {
				fresh = append(fresh, listed{r, []*sheetRow{row}})
				continue
			}
			if !s.mayEdit(row, "stage."+string(r.Stage), last.file) {
				continue
			}
			changed := last.value
			if r.Value != schema.NotMeasurable {
				changed.Why = ""
			}
			value := changed.Value
			fillFrom(reflect.ValueOf(&changed).Elem(), reflect.ValueOf(r))
			if sameMeasured(string(value), string(r.Value)) {
				changed.Value = value
			}
			s.editOf(last.file, "reading").replaced[last.index] = []listed{{changed, []*sheetRow{row}}}
			s.out.Changed = append(s.out.Changed, readingText(changed)+" (was "+string(value)+")")
		}
		if same {
			s.out.Unchanged++
		}
	}
	if len(fresh) == 0 || len(s.errs.list) > 0 {
		return nil
	}
	e, err := s.openRecord(schema.KindMeasurements, "reading", func(rec schema.Record) bool { return rec.(*schema.Measurements).Procedure == "" })
	if err != nil {
		return err
	}
	for _, x := range fresh {
		e.added = append(e.added, x)
		s.out.New = append(s.out.New, readingText(x.value.(schema.Reading)))
	}
	return nil
}

func sameMeasured(a, b string) bool { return sameText("value", a, b) }

func readingText(r schema.Reading) string {
	s := strings.TrimSpace(r.Section + " " + r.Point + " " + string(r.Ref))
	s += ": " + string(r.Value) + " " + string(r.Stage)
	if r.Why != "" {
		s += " (" + r.Why + ")"
	}
	if r.With != "" {
		s += " with " + r.With
	}
	return s
}

// readingRow reads one row: what its stages have in common, and a reading for each
// stage that is filled in. nil: it was not reached, or refused.
func (s *worksheet) readingRow(row *sheetRow) (*schema.Reading, []schema.Reading) {
	base := &schema.Reading{}
	ok := true
	for _, c := range readingColumns() {
		if _, of := strings.CutPrefix(c.Key, "stage."); of || slices.Contains([]string{KeyLimit, KeyUnit, KeyInstrument, KeyJob}, c.Key) || row.get(c.Key) == "" {
			continue
		}
		text := row.get(c.Key)
		if isQuantity(c.Key) {
			number, err := sheetNumber(text, s.t.comma)
			if err != nil {
				s.errs.cellErr(row, c.Key, err)
				ok = false
				continue
			}
			text = number
		}
		if err := fill(reflect.ValueOf(base).Elem(), c.Key, text); err != nil {
			s.errs.cellErr(row, c.Key, err)
			ok = false
		}
	}
	var stages []schema.Reading
	for _, word := range base.Stage.Words() {
		key := "stage." + word
		text := row.get(key)
		if text == "" {
			continue
		}
		r := *base
		r.Stage = schema.Stage(word)
		value, err := s.measured(text, row.get(KeyUnit))
		if err != nil {
			s.errs.cellErr(row, key, err)
			ok = false
			continue
		}
		r.Value = value
		if value == schema.NotMeasurable && base.Why == "" {
			s.errs.cell(row, key, "not measurable, but the reason is missing => write the reason under why")
			ok = false
		}
		stages = append(stages, r)
	}
	switch {
	case !ok:
		return nil, nil
	case len(stages) == 0:
		for _, key := range []string{"note", "with", "why", "uncertainty"} {
			if row.get(key) != "" {
				s.errs.cell(row, key, "the row has no reading => fill in one of the stages, or empty this cell; a row that was not reached stays blank")
				return nil, nil
			}
		}
		s.out.Unreached++
		return nil, nil
	case base.Point == "":
		s.errs.cell(row, "point", "the row does not say what was measured => write the point, as the model's limits name it")
		return nil, nil
	}
	if base.Section != "" {
		list := s.sections(row)
		if len(list) != 1 {
			if len(list) > 1 {
				s.errs.cell(row, "section", "a reading is of one section => write a row for each")
			}
			return nil, nil
		}
		for i := range stages {
			stages[i].Section = list[0]
		}
	}
	return base, stages
}

// measured reads a value, with the unit of its row where it has none of its own.
func (s *worksheet) measured(text, unitOf string) (schema.Measured, error) {
	switch strings.ToLower(text) {
	case "x", "n/m", "not measurable", schema.NotMeasurable:
		return schema.NotMeasurable, nil
	}
	number, err := sheetNumber(text, s.t.comma)
	if err != nil {
		return "", err
	}
	if bareNumber.MatchString(number) {
		if unitOf == "" {
			return "", remedy.Errorf("%q has no unit => write one, as in %s V, or fill in the column unit", text, text)
		}
		number += " " + unitOf
	}
	if _, err := quantity.Parse(number); err != nil {
		return "", err
	}
	return schema.Measured(number), nil
}

// tables reads a sheet with a position a row and a table a column.
func (s *worksheet) tables() error {
	type column struct {
		sheetTable
		section string
		refs    []refs.Ref
		values  map[refs.Ref]string
		rows    map[refs.Ref]*sheetRow
		with    string
		why     []string
	}
	var order []*column
	find := func(t sheetTable, section string) *column {
		for _, c := range order {
			if c.sheetTable == t && c.section == section {
				return c
			}
		}
		c := &column{sheetTable: t, section: section, values: map[refs.Ref]string{}, rows: map[refs.Ref]*sheetRow{}}
		order = append(order, c)
		return c
	}
	for _, row := range s.t.rows {
		row.of = strings.TrimSpace(row.get("section") + " " + row.get("ref"))
		if len(row.tables) == 0 {
			if row.get("why") != "" || row.get("with") != "" {
				s.errs.cell(row, "why", "the row has no value => fill one in, or empty this cell; a row that was not reached stays blank")
				continue
			}
			s.out.Unreached++
			continue
		}
		list, err := refs.Parse(row.get("ref"))
		if err != nil {
			s.errs.cellErr(row, "ref", likeDate(err, row.get("ref")))
			continue
		}
		of := list.Enumerate()
		if len(of) != 1 {
			s.errs.cell(row, "ref", "names %d positions => a row holds the values of one", len(of))
			continue
		}
		section := ""
		if row.get("section") != "" {
			in := s.sections(row)
			if len(in) != 1 {
				if len(in) > 1 {
					s.errs.cell(row, "section", "a row is about one section => write a row for each")
				}
				continue
			}
			section = in[0]
		}
		if u := s.u.Section(section); u != nil && u.Complete && !s.hasPart(section, of[0]) {
			s.errs.cell(row, "ref", "%s has no %s => correct the reference, or delete the row", section, of[0])
			continue
		}
		for k := range s.t.columns {
			c, filled := row.tables[k]
			if !filled {
				continue
			}
			col := find(s.t.columns[k], section)
			value, err := s.tableValue(c.text, col.unit)
			if err != nil {
				s.errs.err(c.at, row.of, err)
				continue
			}
			if first := col.rows[of[0]]; first != nil {
				if col.values[of[0]] != value {
					s.errs.add(c.at, row.of, "row %d has another value of the same position => keep one", first.n)
				}
				continue
			}
			if value == "x" && row.get("why") == "" {
				s.errs.add(c.at, row.of, "not measurable, but the reason is missing => write the reason under why")
			} else if value == "x" && !slices.Contains(col.why, row.get("why")) {
				col.why = append(col.why, row.get("why"))
			}
			if with := row.get("with"); with != "" && col.with != "" && with != col.with {
				s.errs.cell(row, "with", "one table is taken with one test instrument, and %s stands there as well => import them from sheets of their own", col.with)
			} else if with != "" {
				col.with = with
			}
			col.refs = append(col.refs, of[0])
			col.values[of[0]], col.rows[of[0]] = value, row
		}
	}
	if len(s.errs.list) > 0 {
		return nil
	}
	for _, c := range order {
		t := schema.Table{Point: c.point, Section: c.section, Unit: c.unit, Stage: c.stage, With: c.with, Why: strings.Join(c.why, "; ")}
		if err := s.table(t, c.refs, c.values, c.rows); err != nil {
			return err
		}
	}
	if len(order) > 0 && len(s.out.New)+len(s.out.Changed) == 0 {
		s.out.Unchanged = s.out.Rows - s.out.Unreached
	}
	return nil
}

var tableNumber = pattern.New(`^([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*(.*)$`)

// tableValue reads one value of a table: a number in the unit of its heading.
func (s *worksheet) tableValue(text string, of schema.UnitName) (string, error) {
	switch strings.ToLower(text) {
	case "x", "n/m", "not measurable", schema.NotMeasurable:
		return "x", nil
	}
	number, err := sheetNumber(text, s.t.comma)
	if err != nil {
		return "", err
	}
	m := tableNumber.FindStringSubmatch(strings.ReplaceAll(number, "\u2212", "-"))
	if m == nil {
		return "", remedy.Errorf("%q is not a number => write one such as 0.3 or -1.2, or x where it could not be measured", text)
	}
	if m[2] != "" {
		q, err := quantity.Parse(number)
		one, err2 := quantity.Parse("1 " + string(of))
		if err != nil || err2 != nil || !q.Compatible(one) || q.Value.Cmp(new(big.Rat).Mul(one.Value, rat(m[1]))) != 0 {
			return "", remedy.Errorf("%q where the heading says %s => write the number in %s", text, of, of)
		}
	}
	if err := schema.Values(m[1]).Check(); err != nil {
		return "", err
	}
	if _, err := quantity.Parse(m[1] + " " + string(of)); err != nil { // 1,234
		return "", err
	}
	return strings.Replace(m[1], ",", ".", 1), nil
}

// rat is the value of a number tableNumber has matched.
func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(strings.Replace(s, ",", ".", 1))
	if !ok {
		return new(big.Rat)
	}
	return r
}

// table takes one column of one section in.
func (s *worksheet) table(t schema.Table, order []refs.Ref, values map[refs.Ref]string, rows map[refs.Ref]*sheetRow) error {
	type old struct {
		file   *unit.File
		index  int
		refs   []refs.Ref
		values []string
	}
	var has []*old
	for i := range s.u.Unit.Files {
		f := &s.u.Unit.Files[i]
		r, ok := f.Record.(*schema.Measurements)
		if !ok || r.Withdrawn || !s.ofJob(f) {
			continue
		}
		for k, x := range r.Tables {
			l, err := refs.Parse(string(x.At))
			if err != nil || !strings.EqualFold(x.Point, t.Point) || !strings.EqualFold(x.Section, t.Section) || x.Stage != t.Stage || x.Unit != t.Unit {
				continue
			}
			o := &old{f, k, l.Enumerate(), strings.Fields(string(x.Values))}
			if len(o.refs) == len(o.values) {
				has = append(has, o)
			}
		}
	}
	left := map[refs.Ref]string{}
	changed := map[*old]map[refs.Ref]string{}
	for _, r := range order {
		left[r] = values[r]
		for i := len(has) - 1; i >= 0; i-- {
			at := slices.Index(has[i].refs, r)
			if at < 0 {
				continue
			}
			delete(left, r)
			if sameNumber(has[i].values[at], values[r]) {
				break
			}
			if s.mayEdit(rows[r], "ref", has[i].file) {
				if changed[has[i]] == nil {
					changed[has[i]] = map[refs.Ref]string{}
				}
				changed[has[i]][r] = values[r]
			}
			break
		}
	}
	if len(s.errs.list) > 0 {
		return nil
	}
	// What is new goes into the last of the tables that is still open.
	if n := len(has); len(left) > 0 && n > 0 && !s.b.Closed(has[n-1].file.Path) && has[n-1].file.Record.Head().Date == s.in.Day {
		if changed[has[n-1]] == nil {
			changed[has[n-1]] = map[refs.Ref]string{}
		}
		for r, v := range left {
			changed[has[n-1]][r] = v
		}
		left = nil
	}
	for _, o := range has {
		if changed[o] == nil {
			continue
		}
		e := s.editOf(o.file, "table")
		x := e.record.(*schema.Measurements).Tables[o.index]
		all := map[refs.Ref]string{}
		for i, r := range o.refs {
			all[r] = o.values[i]
		}
		var of []*sheetRow
		for _, r := range order {
			if v, ok := changed[o][r]; ok {
				all[r] = v
				of = append(of, rows[r])
			}
		}
		x.At, x.Values = tableText(all)
		if t.Why != "" && !strings.Contains(x.Why, t.Why) {
			x.Why = strings.TrimPrefix(x.Why+"; "+t.Why, "; ")
		}
		if t.With != "" {
			x.With = t.With
		}
		e.replaced[o.index] = []listed{{x, of}}
		s.out.Changed = append(s.out.Changed, fmt.Sprintf("%s: %s, %s", tableTitle(t), numberOf(len(changed[o]), "value"), clipped(string(mapRefs(changed[o])))))
	}
	if len(left) == 0 {
		return nil
	}
	e, err := s.openRecord(schema.KindMeasurements, "table", func(rec schema.Record) bool { return rec.(*schema.Measurements).Procedure == "" })
	if err != nil {
		return err
	}
	t.At, t.Values = tableText(left)
	var of []*sheetRow
	for _, r := range order {
		if _, ok := left[r]; ok {
			of = append(of, rows[r])
		}
	}
	e.added = append(e.added, listed{t, of})
	s.out.New = append(s.out.New, fmt.Sprintf("%s: %s, %s", tableTitle(t), numberOf(len(left), "value"), clipped(string(mapRefs(left)))))
	return nil
}

func numberOf(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

func tableTitle(t schema.Table) string {
	return strings.TrimSpace(t.Section + " " + tableHeading(t.Point, t.Unit, t.Stage))
}

func sameNumber(a, b string) bool {
	if a == "x" || b == "x" {
		return a == b
	}
	return rat(a).Cmp(rat(b)) == 0
}

func mapRefs(m map[refs.Ref]string) schema.Refs {
	list := make([]refs.Ref, 0, len(m))
	for r := range m {
		list = append(list, r)
	}
	return schema.Refs(refs.Compact(list))
}

// tableText writes values as a table has them: positions in natural order, one
// value for each.
func tableText(m map[refs.Ref]string) (schema.Refs, schema.Values) {
	at := mapRefs(m)
	l, err := refs.Parse(string(at))
	if err != nil {
		return at, ""
	}
	var values []string
	for _, r := range l.Enumerate() {
		values = append(values, m[r])
	}
	return at, schema.Values(strings.Join(values, " "))
}
