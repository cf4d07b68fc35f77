package worksheet

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

var usualReadings = []string{"section", "point", "ref", KeyLimit, KeyUnit, "stage.as-found", "stage.after-repair", "stage.after-soak", "stage.as-left",
	"conditions", "with", "why", "note", KeyInstrument, KeyJob}

// measuredIn reports whether a record counts for the job on the bench.
func (b *sheetBuilder) measuredIn(f *unit.File) (*schema.Measurements, bool) {
	r, ok := f.Record.(*schema.Measurements)
	if !ok || r.Withdrawn {
		return nil, false
	}
	if j := b.u.OpenJob(); j != nil {
		return r, slices.Contains(j.Files, f)
	}
	return r, !slices.ContainsFunc(b.u.Jobs, func(j *unit.Job) bool { return slices.Contains(j.Files, f) })
}

// readings lists the points that have a limit, that a procedure asks for, or that
// were measured before, with what this job has measured already.
func (b *sheetBuilder) readings() error {
	var rows []sheetCells
	find := func(r schema.Reading) sheetCells {
		for _, x := range rows {
			if strings.EqualFold(x["point"], r.Point) && x["section"] == r.Section && x["ref"] == string(r.Ref) && strings.EqualFold(x["quantity"], r.Quantity) {
				return x
			}
		}
		if b.only != nil && !b.only[r.Section] {
			return nil
		}
		x := sheetCells{"section": r.Section, "point": r.Point, "ref": string(r.Ref), "quantity": r.Quantity}
		b.limit(x, b.u.ReadingLimit(schema.Reading{Point: r.Point, Section: r.Section, Ref: r.Ref}))
		rows = append(rows, x)
		return x
	}
	tables := b.tablePoints()
	for _, l := range b.u.Model.Limits {
		if l.At != "" || l.Spread != "" || tables[strings.ToLower(l.Point)] {
			continue
		}
		for _, section := range b.limitSections(l) {
			find(schema.Reading{Point: l.Point, Section: section})
		}
	}
	for _, p := range b.u.Model.Procedures {
		for _, step := range p.Steps {
			known := slices.ContainsFunc(rows, func(x sheetCells) bool { return strings.EqualFold(x["point"], step.Point) })
			if step.Point != "" && !known && !tables[strings.ToLower(step.Point)] {
				find(schema.Reading{Point: step.Point})
			}
		}
	}
	for i := range b.u.Files {
		r, ok := b.u.Files[i].Record.(*schema.Measurements)
		if !ok || r.Withdrawn {
			continue
		}
		_, now := b.measuredIn(&b.u.Files[i])
		for _, one := range r.Readings {
			x := find(one)
			if x == nil {
				continue
			}
			if v, ok := one.Value.Parse(); ok && x[KeyUnit] == "" {
				x[KeyUnit] = v.Unit.String()
			}
			if now {
				x["stage."+string(one.Stage)] = string(one.Value)
				if one.Value == schema.NotMeasurable {
					x["why"] = one.Why
				}
			}
		}
	}
	b.set(readingColumns(), usualReadings, rows)
	return nil
}

// limitSections are the sections a limit holds for, "" where it names none.
func (b *sheetBuilder) limitSections(l schema.Limit) []string {
	if l.Section == "" {
		return []string{""}
	}
	names, err := refs.ParseNames(string(l.Section))
	if err != nil {
		return nil
	}
	var out []string
	for _, s := range b.u.Sections {
		if found, _ := names.Select([]string{s.Name}); len(found) > 0 && (l.Revision == "" || l.Revision == s.Revision) {
			out = append(out, s.Name)
		}
	}
	return out
}

// limit fills in what a reading should be, and its unit.
func (b *sheetBuilder) limit(x sheetCells, l *unit.Limit) {
	if l == nil {
		return
	}
	x[KeyLimit] = l.String()
	if x[KeyLimit] == "" {
		x[KeyLimit] = string(l.Nominal)
	}
	for _, q := range []schema.Quantity{l.Low, l.High, l.Nominal, l.Spread} {
		if v, ok := q.Parse(); ok {
			x[KeyUnit] = v.Unit.String()
			return
		}
	}
}

// tablePoints are the points, in lower case, that are measured at many positions.
func (b *sheetBuilder) tablePoints() map[string]bool {
	out := map[string]bool{}
	for _, l := range b.u.Model.Limits {
		if l.At != "" || l.Spread != "" {
			out[strings.ToLower(l.Point)] = true
		}
	}
	for _, f := range b.u.Files {
		if r, ok := f.Record.(*schema.Measurements); ok {
			for _, t := range r.Tables {
				out[strings.ToLower(t.Point)] = true
			}
		}
	}
	return out
}

// sheetTableOf is a table of readings a sheet is for.
type sheetTableOf struct {
	point, section string
	unit           schema.UnitName
	at             []refs.Ref
}

// tables lists the positions of tables of readings, one table a column: those the
// model has limits for, those measured before, and those asked for.
func (b *sheetBuilder) tables() error {
	stages := b.opt.Stages
	if len(stages) == 0 {
		stages = []string{string(schema.AsFound), string(schema.AsLeft)}
	}
	for _, s := range stages {
		if !slices.Contains(schema.Stage("").Words(), s) {
			return &ledger.UsageError{What: fmt.Sprintf("unknown stage %q", s), Remedy: "write one of: " + strings.Join(schema.Stage("").Words(), ", ")}
		}
	}
	list, err := b.tableList()
	if err != nil {
		return err
	}
	var heads []string
	var rows []sheetCells
	column := func(point string, of schema.UnitName, stage schema.Stage) string {
		h := tableHeading(point, of, stage)
		if !slices.Contains(heads, h) {
			heads = append(heads, h)
		}
		return h
	}
	find := func(section string, r refs.Ref) sheetCells {
		for _, x := range rows {
			if x["section"] == section && x["ref"] == string(r) {
				return x
			}
		}
		x := sheetCells{"section": section, "ref": string(r)}
		rows = append(rows, x)
		return x
	}
	for _, t := range list {
		if b.only != nil && !b.only[t.section] {
			continue
		}
		for _, s := range stages {
			column(t.point, t.unit, schema.Stage(s))
		}
		for _, r := range t.at {
			x := find(t.section, r)
			if l := b.u.TableLimit(schema.Table{Point: t.point, Section: t.section}, r); l != nil {
				if text := t.point + ": " + l.String(); !strings.Contains(x[KeyLimit], text) {
					x[KeyLimit] = strings.TrimPrefix(x[KeyLimit]+"; "+text, "; ")
				}
			}
		}
	}
	for i := range b.u.Files {
		r, ok := b.measuredIn(&b.u.Files[i])
		if !ok {
			continue
		}
		for _, t := range r.Tables {
			at, err := refs.Parse(string(t.At))
			values := strings.Fields(string(t.Values))
			if err != nil || len(at.Enumerate()) != len(values) || b.only != nil && !b.only[t.Section] {
				continue
			}
			h := column(t.Point, t.Unit, t.Stage)
			for k, ref := range at.Enumerate() {
				x := find(t.Section, ref)
				x[h] = values[k]
				if values[k] == "x" {
					x["why"] = t.Why
				}
			}
		}
	}
	all := tableColumns()
	usual := []string{"section", "ref", KeyLimit}
	for _, h := range heads {
		all = append(all, Column{Heading: h, Key: h, Doc: "the readings; x where one could not be taken, with the reason under why"})
		usual = append(usual, h)
	}
	b.set(all, append(usual, "with", "why", KeyInstrument, KeyJob), rows)
	return nil
}

// tableList gathers the tables.
func (b *sheetBuilder) tableList() ([]*sheetTableOf, error) {
	var list []*sheetTableOf
	add := func(point, section string, of schema.UnitName, at []refs.Ref) {
		for _, t := range list {
			if strings.EqualFold(t.point, point) && t.section == section && t.unit == of {
				for _, r := range at {
					if !slices.Contains(t.at, r) {
						t.at = append(t.at, r)
					}
				}
				return
			}
		}
		list = append(list, &sheetTableOf{point, section, of, slices.Clone(at)})
	}
	if len(b.opt.Tables) > 0 {
		at, err := refs.Parse(b.opt.At)
		if err != nil {
			return nil, &ledger.UsageError{What: "the positions of the table are not given", Remedy: "add --at key:1-61, or whichever they are"}
		}
		section := ""
		switch len(b.opt.Sections) {
		case 0:
			section = b.sectionWith(at)
		case 1:
			section = b.opt.Sections[0]
		}
		if section == "" {
			return nil, &ledger.UsageError{What: fmt.Sprintf("it is not clear in which section %s is", b.opt.At), Remedy: "add --section NAME"}
		}
		for _, text := range b.opt.Tables {
			point, of, ok := strings.Cut(strings.TrimSuffix(strings.TrimSpace(text), ")"), "(")
			if _, err := quantity.ParseUnit(strings.TrimSpace(of)); !ok || err != nil {
				return nil, &ledger.UsageError{What: fmt.Sprintf("%q does not say in which unit it is", text), Remedy: "write it with its unit in brackets: --table \"contact resistance (mOhm)\""}
			}
			add(strings.TrimSpace(point), section, schema.UnitName(strings.TrimSpace(of)), at.Enumerate())
		}
		return list, nil
	}
	for _, f := range b.u.Files {
		r, ok := f.Record.(*schema.Measurements)
		if !ok || r.Withdrawn {
			continue
		}
		for _, t := range r.Tables {
			if at, err := refs.Parse(string(t.At)); err == nil {
				add(t.Point, t.Section, t.Unit, at.Enumerate())
			}
		}
	}
	for _, l := range b.u.Model.Limits {
		at, err := refs.Parse(string(l.At))
		if err != nil {
			continue
		}
		x := sheetCells{}
		b.limit(x, &unit.Limit{Low: l.Low, High: l.High, Nominal: l.Nominal, Spread: l.Spread})
		for _, section := range b.limitSections(l) {
			if section == "" {
				section = b.sectionWith(at)
			}
			add(l.Point, section, schema.UnitName(x[KeyUnit]), at.Enumerate())
		}
	}
	if len(list) == 0 {
		return nil, &ledger.UsageError{What: fmt.Sprintf("%s has no tables of readings yet", b.u.Name),
			Remedy: "say which: --table \"contact resistance (mOhm)\" --at key:1-61 --section keybed"}
	}
	return list, nil
}

// sectionWith is the one section that has any of the positions, or parts of them;
// "" where there is none or more than one.
func (b *sheetBuilder) sectionWith(at refs.List) string {
	want := at.Enumerate()
	name := ""
	for _, p := range b.u.Positions {
		of, _, _ := strings.Cut(string(p.Ref), "/")
		if p.Section == name || !slices.Contains(want, p.Ref) && !slices.Contains(want, refs.Ref(of)) {
			continue
		}
		if name != "" {
			return ""
		}
		name = p.Section
	}
	return name
}
