package schema

import (
	"fmt"
	"reflect"
	"strings"
)

// Reference is a page of Markdown with every record kind and every file of a
// ledger, key by key. It is made from the types the decoder goes by and is the
// same on every call.
func Reference() []byte {
	r := &reference{done: map[reflect.Type]bool{}}
	r.line("# Records and files, key by key\n")
	r.line("Files are TOML 1.0. A key marked *needed* is an error where it is missing; every other key may be left out.")
	r.line("Days are written without quotes, as in `2031-03-04`; quantities are text with a unit, as in `\"22 uF\"`, `\"4u7\"` or `\"15,02 V\"`;")
	r.line("references name positions, as in `\"C1-C12, C15\"` or `\"key:17/contact.2\"`.\n")
	r.line("## Keys of every record\n")
	r.table(reflect.TypeFor[Common](), nil)
	common := map[string]bool{}
	for _, f := range FieldsOf(Common{}) {
		common[f.Key] = true
	}
	for _, k := range Kind("").Words() {
		r.line("## Record: %s\n", k)
		r.line("%s File: `instruments/MODEL/TAG/DATE-%s-xxxx.toml`.\n", Kind(k).About(), k)
		r.table(reflect.TypeOf(New(Kind(k))).Elem(), common)
	}
	for _, f := range []struct {
		title, text string
		v           any
	}{
		{"File: instrument.toml", "Who a unit is. `instruments/MODEL/TAG/instrument.toml`.", Instrument{}},
		{"File: models/MODEL.toml", "A maker's model: sections, boards, parts, limits, kits and procedures.", Model{}},
		{"File: lots/LOT.toml", "Parts bought together.", Lot{}},
		{"File: lists/NAME.toml", "How the shop's own lists are read, where their headings do not say. `model` and `import` write it.", ListForm{}},
		{"File: shop.toml", "The shop, its technicians and its test instruments.", Shop{}},
		{"File: families.toml", "Families of parts, added to or refining the built-in list.", Families{}},
		{"File: books/MODEL/TAG/DATE-book-xxxx.toml", "What is the shop's only and never travels.", Book{}},
		{"File: private/customers.toml", "Who the customer codes are. Git ignores it.", Customers{}},
	} {
		r.line("## %s\n", f.title)
		r.line("%s\n", f.text)
		r.table(reflect.TypeOf(f.v), nil)
	}
	r.line("## Tables in records and files\n")
	r.line("What the keys above that say *table* hold.\n")
	for i := 0; i < len(r.later); i++ {
		r.line("### %s\n", r.later[i].Name())
		r.table(r.later[i], nil)
	}
	return []byte(r.b.String())
}

type reference struct {
	b     strings.Builder
	later []reflect.Type // tables that are still to be described
	done  map[reflect.Type]bool
}

func (r *reference) line(format string, args ...any) { fmt.Fprintf(&r.b, format+"\n", args...) }

var cellEscapes = strings.NewReplacer("|", `\|`, "<", "&lt;", "\n", " ")

// table describes the keys of a struct, but for those in skip.
func (r *reference) table(t reflect.Type, skip map[string]bool) {
	r.line("| key | holds | |")
	r.line("|---|---|---|")
	for _, f := range fieldList(t) {
		if skip[f.Key] {
			continue
		}
		need := ""
		if f.Need {
			need = "*needed.* "
		}
		doc := f.Doc
		if w := f.Words(); w != nil {
			missing := false
			for _, x := range w {
				missing = missing || !strings.Contains(doc, x)
			}
			if missing {
				doc += "; one of: " + strings.Join(w, ", ")
			}
		}
		r.line("| `%s` | %s | %s%s |", f.Key, r.holds(f), need, cellEscapes.Replace(doc))
	}
	r.line("")
}

// holds names what a key holds.
func (r *reference) holds(f Field) string {
	t := f.Type
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if f.Tables() {
		one := f.element()
		if !r.done[one] {
			r.done[one] = true
			r.later = append(r.later, one)
		}
		link := fmt.Sprintf("[%s](#%s)", one.Name(), strings.ToLower(one.Name()))
		if t.Kind() == reflect.Slice {
			return "tables `[[" + f.Key + "]]`: " + link
		}
		return "table: " + link
	}
	switch t {
	case reflect.TypeFor[Modes](), reflect.TypeFor[Idents]():
		return "a word, or a list of them"
	case dateType:
		return "day"
	case reflect.TypeFor[EDTF]():
		return "date of ISO 8601-2"
	case reflect.TypeFor[Quantity]():
		return "quantity"
	case reflect.TypeFor[Measured]():
		return "quantity, or `not-measurable`"
	case reflect.TypeFor[Refs]():
		return "references"
	case reflect.TypeFor[Names]():
		return "section names"
	case reflect.TypeFor[FamilyName]():
		return "family"
	case reflect.TypeFor[Cause]():
		return "a position or a word"
	case reflect.TypeFor[UnitName]():
		return "unit"
	case reflect.TypeFor[Values]():
		return "numbers"
	case reflect.TypeFor[Decimal]():
		return "amount in quotes"
	}
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Int:
		return "whole number" + least(f)
	case reflect.Float64:
		return "number" + least(f)
	case reflect.Slice:
		return "list of texts"
	}
	if f.Words() != nil {
		return "word"
	}
	return "text"
}

func least(f Field) string {
	if !f.HasMin {
		return ""
	}
	return fmt.Sprintf(", at least %g", f.Min)
}
