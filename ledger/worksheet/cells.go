package worksheet

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/entry"
	"benchlore/schema/pattern"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
	"benchlore/schema/remedy"
	"benchlore/schema/unit"
)

var (
	dayDots    = pattern.New(`^([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})$`)
	daySlashes = pattern.New(`^[0-9]{1,4}/[0-9]{1,2}/[0-9]{1,4}$`)
	powerForm  = pattern.New(`^[0-9]([.,][0-9]+)?E[+-][0-9]+$`)
	dateLike   = pattern.New(`(?i)^([0-9]{1,2}[./-][0-9]{1,2}[./-]([0-9]{2}|[0-9]{4})|[0-9]{4}-[0-9]{2}-[0-9]{2}|[0-9]{1,2}[-. ](jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*([-. ][0-9]{2,4})?|(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[-. ][0-9]{2,4})$`)
)

// sheetDay reads a date as spreadsheets write them, where it can mean one day
// only.
func sheetDay(s string) (schema.Date, error) {
	s = strings.TrimSuffix(s, " 00:00:00")
	if m := dayDots.FindStringSubmatch(s); m != nil {
		day, _ := strconv.Atoi(m[1])
		month, _ := strconv.Atoi(m[2])
		s = fmt.Sprintf("%s-%02d-%02d", m[3], month, day)
	}
	d, err := schema.ParseDate(s)
	if err == nil {
		return d, nil
	}
	if daySlashes.MatchString(s) {
		return d, remedy.Errorf("%q may be read as day or month first => write it like 2031-03-04", s)
	}
	return d, remedy.Errorf("%q is not a date => write it like 2031-03-04", s)
}

// fill puts the text of a cell into a key of a part line, a component or a
// reading, and checks its form.
func fill(v reflect.Value, key, text string) error {
	for _, f := range schema.FieldsOf(reflect.New(v.Type()).Interface()) {
		if f.Key != key {
			continue
		}
		fv := v.FieldByIndex(f.Index)
		if fv.Type() == reflect.TypeFor[schema.Date]() {
			d, err := sheetDay(text)
			fv.Set(reflect.ValueOf(d))
			return err
		}
		switch fv.Kind() {
		case reflect.Int:
			n, err := strconv.Atoi(text)
			if err != nil || n < 1 {
				return remedy.Errorf("%q is not a count => write a whole number from 1 up", text)
			}
			fv.SetInt(int64(n))
			return nil
		case reflect.Slice:
			for _, one := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(",;+/&\n", r) }) {
				e := reflect.New(fv.Type().Elem()).Elem()
				if err := fillText(e, f, strings.TrimSpace(one)); err != nil {
					return err
				}
				fv.Set(reflect.Append(fv, e))
			}
			return nil
		}
		return fillText(fv, f, text)
	}
	return fmt.Errorf("there is no key %q", key)
}

func fillText(v reflect.Value, f schema.Field, text string) error {
	if words := f.Words(); words != nil {
		word, ok := entry.Listed(wordForm(text), words)
		if !ok {
			return notInList(text, f.Key, words)
		}
		v.SetString(word)
		return nil
	}
	switch f.Key {
	case "part_number", "lot", "date_code", "maker", "type":
		if powerForm.MatchString(text) {
			return remedy.Errorf("%q is a number in powers of ten, which the spreadsheet has made of what was typed => format the column as text, and type it again", text)
		}
		if f.Key != "date_code" && f.Key != "lot" && dateLike.MatchString(text) {
			return remedy.Errorf("%q is a date, which the spreadsheet may have made of what was typed => format the column as text, and type it again", text)
		}
	}
	v.SetString(text)
	if c, ok := v.Interface().(interface{ Check() error }); ok {
		return c.Check()
	}
	return nil
}

// otherLists are the words that belong into other columns.
var otherLists = map[string][]string{
	"found": schema.Finding("").Words(), "mode": schema.Mode("").Words(), "how": schema.How("").Words(), "action": schema.Action("").Words(),
	"new source": schema.Source("").Words(), "old kept": schema.OldKept("").Words(),
}

func notInList(text, key string, words []string) error {
	word := wordForm(text)
	if near := schema.Nearest(word, words); near != "" {
		return remedy.Errorf("%q is not known under %s => did you mean %s?", text, key, near)
	}
	for _, column := range []string{"found", "mode", "action", "how", "new source", "old kept"} {
		if slices.Contains(otherLists[column], word) {
			return remedy.Errorf("%q is not known under %s => it belongs under %s; here write one of: %s", text, key, column, strings.Join(words, ", "))
		}
	}
	return remedy.Errorf("%q is not known under %s => write one of: %s", text, key, strings.Join(words, ", "))
}

var (
	commaNumber = pattern.New(`^([+-]?[0-9]*),([0-9]+)( ?[^0-9,.]*)$`)
	threePlaces = pattern.New(`^[+-]?[1-9][0-9]{0,2}\.[0-9]{3}( ?[^0-9,.]*)$`)
	bareNumber  = pattern.New(`^[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)$`)
)

// sheetNumber reads the number of a cell, with or without a unit behind it, as the
// sheet it stands in writes numbers. Where cells are set apart by semicolons the
// comma is the decimal sign, and a point before three digits may not be one.
func sheetNumber(s string, comma bool) (string, error) {
	if !comma {
		return s, nil
	}
	if threePlaces.MatchString(s) {
		return s, remedy.Errorf("%q can be read in two ways, since this sheet has decimal commas => write %s", s, strings.Replace(s, ".", ",", 1))
	}
	if m := commaNumber.FindStringSubmatch(s); m != nil {
		return m[1] + "." + m[2] + m[3], nil
	}
	return s, nil
}

// sameText reports whether two entries of a key say the same: quantities by
// value, other text as it stands.
func sameText(key, a, b string) bool {
	if strings.TrimSpace(a) == strings.TrimSpace(b) {
		return true
	}
	switch key {
	case "value", "rating", "measured", "uncertainty", "low", "high":
		x, err1 := quantity.Parse(a)
		y, err2 := quantity.Parse(b)
		return err1 == nil && err2 == nil && x.Canonical() == y.Canonical()
	}
	return false
}

// refsOf counts a list of references through in one section, as records do: a
// range means the positions that exist in it, and also others where not all are
// known or a part was fitted.
func (w *worksheet) refsOf(section string, list refs.List, fitted bool) []refs.Ref {
	found, unmatched := list.SelectFrom(w.have(section))
	s := w.u.Section(section)
	if s == nil || !s.Complete || fitted {
		unmatched = []string{list.Text}
	}
	for _, item := range unmatched {
		l, err := refs.Parse(item)
		if err != nil {
			continue
		}
		for _, r := range l.Enumerate() {
			if !slices.Contains(found, r) {
				found = append(found, r)
			}
		}
	}
	return found
}

// have is the set of references a section has.
func (w *worksheet) have(section string) *refs.Set {
	if s := w.sets[section]; s != nil {
		return s
	}
	var list []refs.Ref
	for _, p := range w.u.Positions {
		if p.Section == section {
			list = append(list, p.Ref)
		}
	}
	s := refs.NewSet(list)
	w.sets[section] = s
	return s
}

// hasPart reports whether a section has a position, or parts of it: key:17 where
// its contacts are known.
func (w *worksheet) hasPart(section string, r refs.Ref) bool {
	return w.have(section).Has(r) || slices.ContainsFunc(w.u.Positions, func(p *unit.Position) bool {
		return p.Section == section && strings.HasPrefix(string(p.Ref), string(r)+"/")
	})
}

// refsText writes references of a section as a list that means these and no others.
func (w *worksheet) refsText(sections []string, list []refs.Ref) schema.Refs {
	text := refs.Compact(list)
	if l, err := refs.Parse(text); err == nil {
		exact := true
		for _, s := range sections {
			got := w.refsOf(s, l, true)
			exact = exact && len(got) == len(list)
		}
		if exact {
			return schema.Refs(text)
		}
	}
	words := make([]string, len(list))
	for i, r := range list {
		words[i] = string(r)
	}
	return schema.Refs(strings.Join(words, ", "))
}

// sections are those a cell names, as the model writes them.
func (w *worksheet) sections(row *sheetRow) []string {
	text := row.get("section")
	if text == "" {
		w.errs.cell(row, "section", "the section is missing => write the section it sits in")
		return nil
	}
	l, err := refs.ParseNames(text)
	if err != nil {
		w.errs.cellErr(row, "section", err)
		return nil
	}
	if len(w.u.Sections) == 0 {
		return l.Enumerate()
	}
	names := make([]string, len(w.u.Sections))
	for i, s := range w.u.Sections {
		names[i] = s.Name
	}
	found, unmatched := l.Select(names)
	for _, n := range unmatched {
		if near := schema.Nearest(n, names); near != "" {
			w.errs.cell(row, "section", "the model has no section %q => did you mean %q?", n, near)
		} else {
			w.errs.cell(row, "section", "the model has no section %q => its sections are: %s", n, refs.CompactNames(names))
		}
	}
	if len(unmatched) > 0 {
		return nil
	}
	return found
}
