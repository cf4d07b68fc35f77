package proof

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"
)

// Shape says what the data of a report may hold, and what of it is copied from
// records.
type Shape struct {
	// Type is what the data is encoded from: no key may stand in it that the type
	// does not have.
	Type reflect.Type
	// Worked reports whether what stands at a path is worked out or worded by the
	// program, with all below it. A path has the keys with dots between them, and no
	// places in lists: "faults.state".
	Worked func(path string) bool
	// Grouped reports whether how many lines a list has is worked out: lines that
	// are alike stand together.
	Grouped func(path string) bool
}

const maxDifferences = 20 // of each sort, that are told

// CompareData holds the data of a report as it was sent against the data that is
// made from the history. Numbers are compared as they stand, names of keys to the
// letter.
func CompareData(shape Shape, sent, made []byte) Comparison {
	var c Comparison
	if len(sent) > MaxReport {
		c.Unread = fmt.Sprintf("it has more than %d bytes", MaxReport)
		return c
	}
	want, err := readJSON(made)
	if err != nil {
		c.Unread = err.Error()
		return c
	}
	got, err := readJSON(sent)
	if err != nil {
		c.lie("it cannot be read: %v", err)
		return c
	}
	g, ok := got.(table)
	w, isObject := want.(table)
	if !ok || !isObject {
		c.lie("it is no table of facts")
		return c
	}
	if a, b := g.get("schema"), w.get("schema"); a != b {
		c.Unread = fmt.Sprintf("it is of schema %.20v, and this program makes schema %v", a, b)
		return c
	}
	known := map[string]bool{}
	keysOf(shape.Type, "", known, map[reflect.Type]bool{})
	d := &differ{Shape: shape, known: known, c: &c}
	d.compare("", "", got, want)
	return c
}

func (c *Comparison) lie(format string, args ...any) {
	if len(c.Lies) < maxDifferences {
		c.Lies = append(c.Lies, fmt.Sprintf(format, args...))
	}
}

// keysOf lists the paths of all keys a type is encoded with.
func keysOf(t reflect.Type, at string, out map[string]bool, inside map[reflect.Type]bool) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice || t.Kind() == reflect.Array {
		t = t.Elem()
	}
	switch {
	case t.Kind() == reflect.Map:
		out[at+".*"] = true
		return
	case t.Kind() != reflect.Struct || inside[t]:
		return
	}
	inside[t] = true
	defer delete(inside, t)
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case name == "-" || !f.IsExported() && !f.Anonymous:
			continue
		case f.Anonymous && name == "":
			keysOf(f.Type, at, out, inside)
			continue
		case name == "":
			name = f.Name
		}
		p := join(at, name)
		out[p] = true
		keysOf(f.Type, p, out, inside)
	}
}

func join(at, key string) string {
	if at == "" {
		return key
	}
	return at + "." + key
}

type differ struct {
	Shape
	known map[string]bool
	c     *Comparison
}

// differs files a difference: a lie where the fact is copied from a record.
func (d *differ) differs(path, at, format string, args ...any) {
	text := at + ": " + fmt.Sprintf(format, args...)
	if !d.worked(path) {
		d.c.lie("%s", text)
	} else if len(d.c.Differs) < maxDifferences {
		d.c.Differs = append(d.c.Differs, text)
	}
}

func (d *differ) worked(path string) bool {
	for p := path; p != ""; {
		if d.Worked(p) {
			return true
		}
		i := strings.LastIndexByte(p, '.')
		if i < 0 {
			return false
		}
		p = p[:i]
	}
	return false
}

// compare walks both. path has the keys, at the places in lists as well.
func (d *differ) compare(path, at string, got, want any) {
	switch w := want.(type) {
	case table:
		g, ok := got.(table)
		if !ok {
			d.differs(path, at, "it is %s, and should be a table", short(got))
			return
		}
		for _, m := range g {
			p := join(path, m.key)
			if !d.known[p] && !d.known[path+".*"] {
				d.c.lie("%s: no report has the key %.60q", at, m.key)
			} else if !w.has(m.key) && !empty(m.value) {
				d.differs(p, join(at, m.key), "it says %s, and nothing stands there", short(m.value))
			}
		}
		for _, m := range w {
			p := join(path, m.key)
			if g.has(m.key) {
				d.compare(p, join(at, m.key), g.get(m.key), m.value)
			} else if !empty(m.value) {
				d.differs(p, join(at, m.key), "it is missing, and should say %s", short(m.value))
			}
		}
	case []any:
		g, ok := got.([]any)
		if !ok && got != nil {
			d.differs(path, at, "it is %s, and should be a list", short(got))
			return
		}
		if len(g) != len(w) {
			text := fmt.Sprintf("it has %d lines, and should have %d", len(g), len(w))
			if d.Grouped(path) && len(d.c.Differs) < maxDifferences {
				d.c.Differs = append(d.c.Differs, at+": "+text)
			} else if !d.Grouped(path) {
				d.differs(path, at, "%s", text)
			}
			return
		}
		for i := range w {
			d.compare(path, fmt.Sprintf("%s[%d]", at, i+1), g[i], w[i])
		}
	default:
		if got != want && !(want == nil && empty(got)) {
			d.differs(path, at, "it says %s, and should say %s", short(got), short(want))
		}
	}
}

// empty reports values that say nothing.
func empty(v any) bool {
	switch v := v.(type) {
	case nil:
		return true
	case []any:
		return len(v) == 0
	case table:
		return len(v) == 0
	}
	return false
}

// short writes a value for a message.
func short(v any) string {
	switch v := v.(type) {
	case string:
		r := []rune(OneLine(v))
		if len(r) > 60 {
			return fmt.Sprintf("%q...", string(r[:60]))
		}
		return fmt.Sprintf("%q", string(r))
	case table:
		return "a table"
	case []any:
		return fmt.Sprintf("a list of %d", len(v))
	case nil:
		return "nothing"
	}
	return fmt.Sprintf("%.40v", v)
}

// table is a JSON table in order.
type table []member

type member struct {
	key   string
	value any
}

func (t table) has(key string) bool {
	return slices.ContainsFunc(t, func(m member) bool { return m.key == key })
}

func (t table) get(key string) any {
	for _, m := range t {
		if m.key == key {
			return m.value
		}
	}
	return nil
}

// readJSON reads JSON in which every key stands once, whatever its case: programs
// differ in which of two they take.
func readJSON(data []byte) (any, error) {
	if !utf8.Valid(data) {
		return nil, errors.New("it is not UTF-8")
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	v, err := readValue(d, 0)
	if err != nil {
		return nil, err
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, errors.New("something follows its end")
	}
	return v, nil
}

func readValue(d *json.Decoder, depth int) (any, error) {
	t, err := d.Token()
	if err != nil {
		return nil, err
	}
	delim, ok := t.(json.Delim)
	if !ok {
		return t, nil
	}
	if depth > MaxNesting {
		return nil, fmt.Errorf("its tables and lists stand more than %d deep in one another", MaxNesting)
	}
	if delim == '[' {
		list := []any{}
		for d.More() {
			v, err := readValue(d, depth+1)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		_, err := d.Token()
		return list, err
	}
	o := table{}
	seen := map[string]bool{}
	for d.More() {
		k, err := d.Token()
		if err != nil {
			return nil, err
		}
		key, _ := k.(string)
		if low := strings.ToLower(key); seen[low] {
			return nil, fmt.Errorf("the key %.60q stands there twice", key)
		} else {
			seen[low] = true
		}
		v, err := readValue(d, depth+1)
		if err != nil {
			return nil, err
		}
		o = append(o, member{key, v})
	}
	_, err = d.Token()
	return o, err
}
