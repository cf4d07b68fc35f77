package schema

import (
	"hash/maphash"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
)

// Field describes one key of a table: what the decoder, the editor template,
// the command-line flags and the JSON Schema go by.
type Field struct {
	Key    string       // as written in the file
	Doc    string       // what to write, in a few words
	Need   bool         // an error where it is missing
	HasMin bool         // Min holds
	Min    float64      // least number
	Ask    bool         // prompts ask for it without being called for, where no plan of theirs says otherwise
	Of     string       // the list of the model whose entries it names, by their ids or names: function
	Type   reflect.Type // of the Go field
	Index  []int        // for reflect.Value.FieldByIndex

	words []string // as Words gives them
	form  bool     // the type is a checker
	good  *goodTexts
}

// goodTexts remembers short texts in which a field had nothing wrong. Most
// stand in many records, and whether one is right depends on nothing else.
type goodTexts [64]atomic.Pointer[string]

func (g *goodTexts) slot(s string) *atomic.Pointer[string] {
	return &g[maphash.String(textSeed, s)%uint64(len(g))]
}

func (g *goodTexts) has(s string) bool {
	known := g.slot(s).Load()
	return known != nil && *known == s
}

func (g *goodTexts) add(s string) {
	if len(s) <= 40 {
		g.slot(s).Store(&s)
	}
}

var textSeed = maphash.MakeSeed()

var dateType = reflect.TypeFor[Date]()

var fieldCache sync.Map // reflect.Type -> []Field

// FieldsOf lists the keys of a record, a table or a file, in the order they
// are written.
func FieldsOf(v any) []Field {
	t := reflect.TypeOf(v)
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	return fieldList(t)
}

func fieldList(t reflect.Type) []Field {
	if l, ok := fieldCache.Load(t); ok {
		return l.([]Field)
	}
	l := collectFields(t, nil)
	// Common keys that hold tables are written after the scalars of the kind.
	var scalars, tables []Field
	for _, f := range l {
		if isTables(f.Type) {
			tables = append(tables, f)
		} else {
			scalars = append(scalars, f)
		}
	}
	l = append(scalars, tables...)
	fieldCache.Store(t, l)
	return l
}

// isTables reports whether a key is written as [table] or [[table]] after the
// plain keys.
func isTables(t reflect.Type) bool {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	return t.Kind() == reflect.Struct && t != dateType
}

func collectFields(t reflect.Type, index []int) []Field {
	var l []Field
	for i := range t.NumField() {
		sf := t.Field(i)
		at := append(append([]int{}, index...), i)
		if sf.Anonymous {
			l = append(l, collectFields(sf.Type, at)...)
			continue
		}
		key, _, _ := strings.Cut(sf.Tag.Get("toml"), ",")
		if key == "" {
			continue
		}
		f := Field{Key: key, Doc: sf.Tag.Get("doc"), Need: sf.Tag.Get("need") == "yes", Ask: sf.Tag.Get("ask") == "yes", Of: sf.Tag.Get("of"),
			Type: sf.Type, Index: at, good: new(goodTexts)}
		if m := sf.Tag.Get("min"); m != "" {
			f.Min, _ = strconv.ParseFloat(m, 64)
			f.HasMin = true
		}
		f.words = f.Words()
		_, f.form = reflect.Zero(f.element()).Interface().(checker)
		l = append(l, f)
	}
	return l
}

// element is the type of the field, or of its elements.
func (f Field) element() reflect.Type {
	t := f.Type
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	return t
}

var keyCache sync.Map // reflect.Type -> map[string]Field

// fieldsOf is fieldList by key.
func fieldsOf(t reflect.Type) map[string]Field {
	if m, ok := keyCache.Load(t); ok {
		return m.(map[string]Field)
	}
	m := map[string]Field{}
	for _, f := range fieldList(t) {
		m[f.Key] = f
	}
	keyCache.Store(t, m)
	return m
}

// Words returns the closed list a field takes its words from, nil where it
// has none.
func (f Field) Words() []string {
	if v, ok := reflect.Zero(f.element()).Interface().(vocabulary); ok {
		return v.Words()
	}
	return nil
}

// Tables reports whether the field is a table or a list of tables.
func (f Field) Tables() bool { return isTables(f.Type) }
