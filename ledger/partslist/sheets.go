package partslist

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
)

// sheetWords are other headings people give the keys of limits, kits and steps.
var sheetWords = map[string]string{
	"reading": "point", "measurement": "point", "test point": "point", "what": "point", "messpunkt": "point", "punkt": "point", "point de mesure": "point", "punto": "point",
	"min": "low", "minimum": "low", "lowest": "low", "lower limit": "low", "unten": "low", "mini": "low", "minimo": "low",
	"max": "high", "maximum": "high", "highest": "high", "upper limit": "high", "oben": "high", "maxi": "high", "massimo": "high",
	"should be": "nominal", "target": "nominal", "soll": "nominal", "sollwert": "nominal", "nominale": "nominal", "value": "nominal", "nominal value": "nominal",
	"from": "source", "quelle": "source", "where from": "source", "origine": "source", "fonte": "source", "remark": "note", "remarks": "note", "notes": "note", "bemerkung": "note",
	"baugruppe": "section", "platine": "section", "sections": "section", "refs": "ref", "reference": "ref", "references": "ref", "designator": "ref", "bauteil": "ref", "repere": "ref", "sigla": "ref",
	"neuer wert": "new.value", "new value": "new.value", "fitted": "new.value", "replacement": "new.value", "new": "new.value", "new part": "new.value",
	"rating": "new.rating", "new rating": "new.rating", "volts": "new.rating", "spannung": "new.rating", "type": "new.type", "new type": "new.type", "maker": "new.maker", "manufacturer": "new.maker",
	"part number": "new.part_number", "part no": "new.part_number", "lot": "new.lot", "source of parts": "new.source", "new family": "new.family",
	"step": "do", "what to do": "do", "schritt": "do", "action ": "do", "instruction": "do", "instructions": "do", "etape": "do", "passo": "do",
}

// table finds the headings of a sheet by the keys of a type, and calls fn for each
// row below with a function that gives its cells by key.
func table(sheets []*Sheet, keys []string, needed string, fn func(s *Sheet, n int, get func(string) string) error) error {
	if len(sheets) == 0 {
		return nil
	}
	columnOf := func(h string) string {
		h = headingForm(h)
		for _, k := range keys {
			if h == strings.ReplaceAll(k, "_", " ") {
				return k
			}
		}
		if k := sheetWords[h]; slices.Contains(keys, k) {
			return k
		}
		if m := headingUnit.FindStringSubmatch(h); m != nil {
			if k := sheetWords[m[1]]; slices.Contains(keys, k) {
				return k
			}
			if slices.Contains(keys, m[1]) {
				return m[1]
			}
		}
		return ""
	}
	found := false
	for _, s := range sheets {
		head, at := -1, map[string]int{}
		for r, row := range s.Rows[:min(len(s.Rows), maxHead)] {
			cols := map[string]int{}
			for c, h := range row {
				if k := columnOf(h); k != "" {
					if _, twice := cols[k]; !twice {
						cols[k] = c
					}
				}
			}
			if _, ok := cols[needed]; ok && len(cols) > len(at) {
				head, at = r, cols
			}
		}
		if head < 0 {
			continue
		}
		found = true
		units := map[string]string{} // high (V)
		for k, c := range at {
			if m := unitInHeading.FindStringSubmatch(cell(s.Rows[head], c)); m != nil {
				units[k] = m[1]
			}
		}
		for i := head + 1; i < len(s.Rows); i++ {
			if blank(s.Rows[i]) {
				continue
			}
			err := fn(s, i+1, func(k string) string {
				c, ok := at[k]
				if !ok {
					return ""
				}
				t := cell(s.Rows[i], c)
				if bareNumber.MatchString(t) && units[k] != "" {
					t += " " + units[k]
				}
				return t
			})
			if err != nil {
				return err
			}
		}
	}
	if !found {
		return &Error{File: sheets[0].File, What: fmt.Sprintf("no column %q", needed), Remedy: "its columns are named: " + strings.Join(keys, ", ")}
	}
	return nil
}

// set fills a key of a struct from a cell.
func set(v any, key, text string, comma bool) error {
	rv := reflect.ValueOf(v).Elem()
	for _, f := range schema.FieldsOf(v) {
		if f.Key != key {
			continue
		}
		fv := rv.FieldByIndex(f.Index)
		switch fv.Kind() {
		case reflect.Int:
			n, err := strconv.Atoi(text)
			if err != nil || n < 1 {
				return fmt.Errorf("%s: %q is no number of parts; write a whole number", key, text)
			}
			fv.SetInt(int64(n))
			return nil
		case reflect.Slice:
			for _, w := range strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' }) {
				e := reflect.New(fv.Type().Elem()).Elem()
				e.SetString(strings.TrimSpace(w))
				fv.Set(reflect.Append(fv, e))
			}
			return nil
		case reflect.String:
		default:
			return nil
		}
		if words := f.Words(); words != nil {
			word := strings.ReplaceAll(strings.ToLower(text), " ", "-")
			if !slices.Contains(words, word) {
				if near := schema.Nearest(word, words); near != "" {
					return fmt.Errorf("%s: %q is no word for it; did you mean %s?", key, text, near)
				}
				return fmt.Errorf("%s: %q is no word for it; write one of: %s", key, text, strings.Join(words, ", "))
			}
			text = word
		}
		if fv.Type() == reflect.TypeFor[schema.Quantity]() {
			if err := schema.Quantity(text).Check(); err != nil {
				qs, rest := quantities(text, comma)
				if len(qs) != 1 || qs[0].bare || qs[0].doubt != "" || rest != "" {
					return fmt.Errorf("%s: %w", key, err)
				}
				text = qs[0].text
			}
		}
		fv.SetString(text)
		if c, ok := fv.Interface().(interface{ Check() error }); ok {
			if err := c.Check(); err != nil {
				return fmt.Errorf("%s: %w", key, err)
			}
		}
		return nil
	}
	return fmt.Errorf("there is no key %q", key)
}

func rowError(s *Sheet, n int, err error) error {
	at := fmt.Sprintf("row %d", n)
	if s.Name != "" {
		at = "sheet " + s.Name + ", " + at
	}
	return &Error{File: s.File, What: at + ": " + err.Error(), Remedy: "correct the row, and run the command again: nothing was saved"}
}

// unitInHeading is the unit of high (V).
var unitInHeading = pattern.New(`[(\[]([^()\[\]]{1,8})[)\]]\s*$`)

func compactRefs(c refCell) string { return refs.Compact(c.refs) }

func plainKeys(v any, but ...string) []string {
	var out []string
	for _, f := range schema.FieldsOf(v) {
		if !f.Tables() && !slices.Contains(but, f.Key) {
			out = append(out, f.Key)
		}
	}
	return out
}

// ReadLimits reads a sheet of limits: a column for each key of a limit.
func ReadLimits(sheets []*Sheet) ([]schema.Limit, error) {
	var out []schema.Limit
	keys := plainKeys(&schema.Limit{})
	err := table(sheets, keys, "point", func(s *Sheet, n int, get func(string) string) error {
		var l schema.Limit
		for _, k := range keys {
			if t := get(k); t != "" {
				if err := set(&l, k, t, s.Comma); err != nil {
					return rowError(s, n, err)
				}
			}
		}
		switch {
		case l.Point == "":
			return rowError(s, n, fmt.Errorf("the point is missing; write what is measured, as readings name it"))
		case l.Low == "" && l.High == "" && l.Spread == "":
			return rowError(s, n, fmt.Errorf("%s has no limit; write one under low, high or spread", l.Point))
		case l.Source == "":
			l.Source = "shop list, " + s.File
		}
		out = append(out, l)
		return nil
	})
	return out, err
}

// GrowLimits puts limits into a model: those of a point and section it has already
// stay, unless replace.
func GrowLimits(m *schema.Model, limits []schema.Limit, replace bool) (added, same int) {
	for _, l := range limits {
		at := slices.IndexFunc(m.Limits, func(x schema.Limit) bool {
			return strings.EqualFold(x.Point, l.Point) && x.Section == l.Section && x.At == l.At && x.Revision == l.Revision && x.Conditions == l.Conditions
		})
		switch {
		case at < 0:
			m.Limits = append(m.Limits, l)
			added++
		case replace && m.Limits[at] != l:
			m.Limits[at] = l
			added++
		default:
			same++
		}
	}
	return added, same
}

// ReadKit reads a sheet of a kit's lines: section, ref, and what is fitted.
func ReadKit(sheets []*Sheet, name, revision string) (schema.Kit, error) {
	k := schema.Kit{Name: name, Revision: revision}
	keys := plainKeys(&schema.PartLine{}, "date", "mode", "fault")
	for _, c := range plainKeys(&schema.Component{}, "measured", "date_code") {
		keys = append(keys, "new."+c)
	}
	err := table(sheets, keys, "ref", func(s *Sheet, n int, get func(string) string) error {
		var line schema.PartLine
		var part schema.Component
		for _, key := range keys {
			t := get(key)
			if t == "" {
				continue
			}
			var err error
			switch c, isNew := strings.CutPrefix(key, "new."); {
			case key == "ref":
				at := readRefs(t)
				if len(at.refs) == 0 {
					return rowError(s, n, fmt.Errorf("%s: %s", at.wrong, at.write))
				}
				line.Ref = schema.Refs(compactRefs(at))
			case key == "new.value":
				qs, rest := quantities(t, s.Comma)
				for _, q := range qs {
					switch {
					case q.doubt != "":
						return rowError(s, n, fmt.Errorf("%s: %s", q.doubt, q.write))
					case q.bare:
						return rowError(s, n, fmt.Errorf("%s has no unit; write one, as in %s uF", q.text, q.text))
					case part.Value == "":
						part.Value = schema.Quantity(q.text)
					case part.Rating == "":
						part.Rating = schema.Quantity(q.text)
					}
				}
				if rest != "" {
					part.Type = rest
				}
			case isNew:
				err = set(&part, c, t, s.Comma)
			default:
				err = set(&line, key, t, s.Comma)
			}
			if err != nil {
				return rowError(s, n, err)
			}
		}
		if part != (schema.Component{}) {
			line.New = &part
		}
		if line.Action == "" {
			line.Action = schema.Replaced
		}
		k.Lines = append(k.Lines, line)
		return nil
	})
	if err == nil && len(k.Lines) == 0 {
		err = &Error{File: sheets[0].File, What: "the sheet has no line", Remedy: "write a row for each part, or for several alike: section, ref, new value"}
	}
	return k, err
}

// GrowKits puts a kit into a model. One of the same name and revision that says
// something else is an *Error, unless replace: a kit that was fitted must stay.
func GrowKits(m *schema.Model, k schema.Kit, replace bool) (added, same int, err error) {
	at := slices.IndexFunc(m.Kits, func(x schema.Kit) bool { return x.Name == k.Name && x.Revision == k.Revision })
	switch {
	case at < 0:
		m.Kits = append(m.Kits, k)
		return 1, 0, nil
	case reflect.DeepEqual(m.Kits[at].Lines, k.Lines):
		return 0, 1, nil
	case replace:
		m.Kits[at].Lines = k.Lines
		return 1, 0, nil
	}
	name := strings.TrimSuffix(k.Name+"/"+k.Revision, "/")
	return 0, 0, &Error{File: name, What: "the model has this kit already, with other lines", Remedy: "give it a new revision: --kit-name " + k.Name + "/2; or add --replace, if it was never fitted"}
}

// ReadProcedure reads a sheet of steps: what to do, and the reading it gives.
func ReadProcedure(sheets []*Sheet, name, revision string) (schema.Procedure, error) {
	p := schema.Procedure{Name: name, Revision: revision}
	err := table(sheets, []string{"do", "point"}, "do", func(s *Sheet, n int, get func(string) string) error {
		if get("do") == "" {
			return rowError(s, n, fmt.Errorf("the step is missing; write what to do"))
		}
		p.Steps = append(p.Steps, schema.Step{Do: get("do"), Point: get("point")})
		return nil
	})
	return p, err
}

// GrowProcedures puts a procedure into a model, as GrowKits does a kit.
func GrowProcedures(m *schema.Model, p schema.Procedure, replace bool) (added, same int, err error) {
	at := slices.IndexFunc(m.Procedures, func(x schema.Procedure) bool { return x.Name == p.Name && x.Revision == p.Revision })
	switch {
	case at < 0:
		m.Procedures = append(m.Procedures, p)
		return 1, 0, nil
	case slices.Equal(m.Procedures[at].Steps, p.Steps):
		return 0, 1, nil
	case replace:
		m.Procedures[at].Steps = p.Steps
		return 1, 0, nil
	}
	return 0, 0, &Error{File: p.Name + "/" + p.Revision, What: "the model has this procedure already, with other steps", Remedy: "give it a new revision: --kit-name " + p.Name + "/2; or add --replace"}
}
