package schema

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
)

// JSONSchemas returns a JSON Schema (draft 2020-12) for every record kind and
// every other file of a ledger, by file name: intake.schema.json,
// model.schema.json. The texts are indented and the same on every call.
//
// A schema says what an editor can check on one file: keys, types, words and
// forms. It takes a local date for a text of the form 2031-03-04, as editors
// hand it over, and is stricter than the decoder in one thing: a text that is
// empty, or a 0 below the least number, counts as wrong rather than as absent.
func JSONSchemas() map[string][]byte {
	out := map[string][]byte{}
	write := func(name, title string, kind Kind, v any) {
		b := schemaBuilder{kind: kind, defs: map[string]object{}}
		o := object{
			{"$schema", "https://json-schema.org/draft/2020-12/schema"},
			{"$id", fmt.Sprintf("urn:benchlore:schema:%s:%d", name, Format)},
			{"title", title},
		}
		o = append(o, b.table(reflect.TypeOf(v).Elem(), true)...)
		if len(b.defs) > 0 {
			o = append(o, member{"$defs", b.defs})
		}
		out[name+".schema.json"] = o.text()
	}
	for _, k := range Kind("").Words() {
		write(k, "Benchlore: record of kind "+k, Kind(k), New(Kind(k)))
	}
	write("instrument", "Benchlore: instrument.toml", "", &Instrument{})
	write("model", "Benchlore: models/*.toml and model.toml", "", &Model{})
	write("shop", "Benchlore: shop.toml", "", &Shop{})
	write("lot", "Benchlore: lots/*.toml", "", &Lot{})
	write("list", "Benchlore: lists/*.toml", "", &ListForm{})
	write("families", "Benchlore: families.toml", "", &Families{})
	write("customers", "Benchlore: private/customers.toml", "", &Customers{})
	write("book", "Benchlore: entry of books/", "", &Book{})
	return out
}

// object is a JSON object whose members keep their order: editors offer keys
// in the order of the schema.
type object []member

type member struct {
	name  string
	value any
}

// MarshalJSON writes the members in order.
func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		name, err := json.Marshal(m.name)
		if err != nil {
			return nil, err
		}
		value, err := plainJSON(m.value)
		if err != nil {
			return nil, err
		}
		b.Write(name)
		b.WriteByte(':')
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// plainJSON is json.Marshal without the escapes meant for HTML.
func plainJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return bytes.TrimRight(b.Bytes(), "\n"), err
}

func (o object) text() []byte {
	raw, err := plainJSON(o)
	if err != nil {
		panic("schema: " + err.Error()) // only strings, numbers and lists of them
	}
	var b bytes.Buffer
	if err := json.Indent(&b, raw, "", "  "); err != nil {
		panic("schema: " + err.Error())
	}
	b.WriteByte('\n')
	return b.Bytes()
}

// schemaBuilder writes one schema. Tables that occur in a file stand in defs
// by the name of their Go type.
type schemaBuilder struct {
	kind Kind // of the record; "" for other files
	defs map[string]object
}

// table gives the members that describe a struct.
func (b *schemaBuilder) table(t reflect.Type, root bool) object {
	var properties object
	var required []string
	for _, f := range fieldList(t) {
		o := object{{"description", f.Doc}}
		switch {
		case root && f.Key == "kind" && b.kind != "":
			o = append(o, member{"const", string(b.kind)})
		case root && f.Key == "format":
			f := InstrumentFormat
			if t == reflect.TypeFor[Shop]() {
				f = ShopFormat
			}
			o = append(o, member{"const", f.Current})
		case t == reflect.TypeFor[Photo]() && f.Key == "file":
			o = append(o, member{"type", "string"}, member{"pattern", "^photos/"})
		default:
			o = append(o, b.value(f, f.Type)...)
		}
		properties = append(properties, member{f.Key, o})
		if f.Need {
			required = append(required, f.Key)
		}
	}
	o := object{{"type", "object"}, {"properties", properties}}
	if required != nil {
		o = append(o, member{"required", required})
	}
	return append(o, member{"additionalProperties", false})
}

// value gives the members that describe a field of type t.
func (b *schemaBuilder) value(f Field, t reflect.Type) object {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t {
	case reflect.TypeFor[Date]():
		return object{{"type", "string"}, {"format", "date"}, {"pattern", `^[0-9]{4}-[0-9]{2}-[0-9]{2}$`}}
	case reflect.TypeFor[Modes](), reflect.TypeFor[Idents]():
		one := b.value(f, t.Elem())
		return object{{"anyOf", []object{one, {{"type", "array"}, {"items", one}, {"minItems", 1}}}}}
	case reflect.TypeFor[Cause]():
		// Completion offers the words; a position has a number or is in words.
		return object{{"type", "string"}, {"anyOf", []object{{{"enum", causes}}, {{"pattern", "[0-9@]"}}}}}
	}
	switch t.Kind() {
	case reflect.Struct:
		name := t.Name()
		if _, ok := b.defs[name]; !ok {
			b.defs[name] = b.table(t, false)
		}
		return object{{"$ref", "#/$defs/" + name}}
	case reflect.Slice:
		o := object{{"type", "array"}, {"items", b.value(f, t.Elem())}}
		if f.Need {
			o = append(o, member{"minItems", 1})
		}
		return o
	case reflect.Bool:
		return object{{"type", "boolean"}}
	case reflect.Int, reflect.Float64:
		o := object{{"type", "integer"}}
		if t.Kind() == reflect.Float64 {
			o = object{{"type", "number"}}
		}
		if f.HasMin {
			o = append(o, member{"minimum", f.Min})
		}
		return o
	}
	if w := f.Words(); w != nil {
		return object{{"enum", w}}
	}
	return object{{"type", "string"}, {"pattern", textPattern(f.Key, t)}}
}

// textPattern is a regular expression every text the decoder accepts matches;
// for most fields it says no more than that the text is not blank.
func textPattern(key string, t reflect.Type) string {
	if p, ok := reflect.Zero(t).Interface().(interface{ pattern() string }); ok {
		return p.pattern()
	}
	switch t {
	case reflect.TypeFor[EDTF]():
		return `^[0-9X./?~%-]+$`
	case reflect.TypeFor[Quantity]():
		return numberAndUnit
	case reflect.TypeFor[Measured]():
		return `^` + NotMeasurable + `$|` + numberAndUnit
	case reflect.TypeFor[Values]():
		return `^\s*(` + strings.Trim(valueForm.String(), "^$") + `)(\s+(` + strings.Trim(valueForm.String(), "^$") + `))*\s*$`
	}
	switch key {
	case "uuid":
		return uuidForm.String()
	case "sha256":
		return digestForm.String()
	case "currency":
		return currencyForm.String()
	case "note":
		return `\S`
	}
	return `^.*\S.*$` // not blank, one line
}

// numberAndUnit says that a quantity has a digit and, before or behind it, a
// letter or sign: 4u7, R47, 15 V, 5 %.
const numberAndUnit = `[0-9].*[^0-9\s.,+-]|[^0-9\s.,+-].*[0-9]`
