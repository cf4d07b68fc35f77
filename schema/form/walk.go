package form

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"benchlore/schema"
)

// walker goes through the keys of a record in the order they are asked for,
// takes the answers there are, and stops at the first key that has none. Its
// methods return false once it has stopped.
type walker struct {
	src     *Source
	rec     schema.Record
	answers []Answer
	next    int       // of answers
	q       *Question // where it stopped
	shown   []Line
	labels  []func() string // what the tables being asked for are called
}

// own are the keys the program sets itself.
var own = []string{"kind", "date", "by", "seq", "withdrawn", "correction"}

// ask takes the next answer, or stops with the question.
func (w *walker) ask(path string, question func() *Question) (string, bool) {
	if w.next < len(w.answers) && w.answers[w.next].Path == path {
		w.next++
		return w.answers[w.next-1].Text, true
	}
	w.q = question()
	w.q.Path = path
	w.q.Table = w.label()
	return "", false
}

func (w *walker) label() string {
	if len(w.labels) == 0 {
		return ""
	}
	return w.labels[len(w.labels)-1]()
}

func (w *walker) show(name, text string) {
	if text != "" {
		table, _, _ := strings.Cut(w.label(), ",") // what it is called from the first key on
		w.shown = append(w.shown, Line{table, name, text})
	}
}

// at is where a key stands: the table that holds it, and which one of a list
// that is.
type at struct {
	table  reflect.Value
	path   string        // of the table; "" for the record
	index  int           // in its list
	before reflect.Value // the one before it in its list; invalid: none
	name   string        // in front of the names of its keys: "new"
}

func (a at) key(k string) string {
	if a.path == "" {
		return k
	}
	return a.path + "." + k
}

// value is the table, a pointer to its type.
func (a at) value() any { return a.table.Addr().Interface() }

// record asks for the whole record.
func (w *walker) record(v reflect.Value) bool {
	top := at{table: v}
	if !w.table(top) {
		return false
	}
	_, ok := w.more(top, Store)
	return ok
}

// table asks for the keys of a table that are asked for without being called
// for: those of its plan, and those it cannot do without.
func (w *walker) table(t at) bool { return w.keys(t, planOf(t.table.Type())) }

// rest is table without the first key of the plan.
func (w *walker) rest(t at) bool { return w.keys(t, planOf(t.table.Type())[1:]) }

func (w *walker) keys(t at, plan []step) bool {
	for _, s := range plan {
		f := fieldOf(t.table.Type(), s.key)
		if s.when != nil && !s.when(w, t.value()) {
			continue
		}
		if w.carried(t, s.key) {
			if v := t.table.FieldByIndex(f.Index); v.IsZero() {
				v.Set(t.before.FieldByIndex(f.Index))
			}
			continue
		}
		if !w.field(t, f, s.must) {
			return false
		}
	}
	all := planOf(t.table.Type())
	for _, f := range schema.FieldsOf(t.value()) {
		planned := slices.ContainsFunc(all, func(s step) bool { return s.key == f.Key })
		if f.Need && !planned && !slices.Contains(own, f.Key) && t.table.FieldByIndex(f.Index).IsZero() && !w.field(t, f, false) {
			return false
		}
	}
	return true
}

// carried reports whether a key is taken from the table before it.
func (w *walker) carried(t at, key string) bool {
	return t.before.IsValid() && slices.ContainsFunc(planOf(t.table.Type()), func(s step) bool { return s.key == key && s.carry }) &&
		!t.before.FieldByIndex(fieldOf(t.table.Type(), key).Index).IsZero()
}

func fieldOf(t reflect.Type, key string) schema.Field {
	for _, f := range schema.FieldsOf(reflect.New(t).Interface()) {
		if f.Key == key {
			return f
		}
	}
	panic("form: " + t.String() + " has no key " + key) // plans are tested against the schema
}

// field asks for one key.
func (w *walker) field(t at, f schema.Field, must bool) bool {
	v := t.table.FieldByIndex(f.Index)
	switch {
	case f.Tables() && v.Kind() == reflect.Slice:
		return w.list(t, f, v)
	case f.Tables():
		return w.inner(t, f, v)
	case f.Key == "values":
		return w.values(t.table.Addr().Interface().(*schema.Table), t)
	case v.Type() == reflect.TypeFor[[]string]():
		return w.texts(t, f, v)
	}
	text, ok := w.ask(t.key(f.Key), func() *Question { return w.question(t, f, must) })
	if ok {
		w.take(t, f, text)
	}
	return ok
}

// take puts an answer into its key.
func (w *walker) take(t at, f schema.Field, text string) {
	w.show(nameOf(t, f.Key), text)
	v := t.table.FieldByIndex(f.Index)
	if set(v, f, text) != nil {
		v.SetZero() // a draft that somebody has edited
	}
}

func nameOf(t at, key string) string {
	return strings.TrimSpace(t.name + " " + strings.ReplaceAll(key, "_", " "))
}

// question makes the question for a plain key.
func (w *walker) question(t at, f schema.Field, must bool) *Question {
	q := &Question{Name: nameOf(t, f.Key), Help: f.Doc, Must: must || f.Need, Long: long(f)}
	if e := f.Type; e.Kind() == reflect.Slice {
		q.Several = true
	}
	o := w.offer(t, f)
	q.Choices, q.Closed, q.resolve, q.taken, q.Default = o.choices, o.closed, o.resolve, o.taken, o.preset
	if q.Closed && q.Help == strings.Join(words(q.Choices), ", ") {
		q.Help = ""
	}
	q.test = func(text string) error { return set(reflect.New(f.Type).Elem(), f, text) }
	w.beside(q, t, f)
	return q
}

// long reports whether a key takes prose.
func long(f schema.Field) bool {
	return slices.Contains([]string{"note", "symptom", "text", "what", "changes", "undo", "scope", "about", "why", "condition",
		"condition_out", "condition_in"}, f.Key)
}

// inner asks for a table within a table, which is left out where nothing is
// said in it.
func (w *walker) inner(t at, f schema.Field, v reflect.Value) bool {
	in := reflect.New(f.Type.Elem())
	if !v.IsNil() {
		in.Elem().Set(v.Elem())
	}
	v.Set(in) // while it is asked for, so that one key can go by another
	ok := w.table(at{table: in.Elem(), path: t.key(f.Key), index: t.index, name: nameOf(t, f.Key)})
	if in.Elem().IsZero() {
		v.SetZero()
	}
	return ok
}

// texts asks for texts until none is given.
func (w *walker) texts(t at, f schema.Field, v reflect.Value) bool {
	for {
		n := v.Len()
		text, ok := w.ask(fmt.Sprintf("%s[%d]", t.key(f.Key), n), func() *Question {
			return &Question{Name: nameOf(t, f.Key), Help: f.Doc + "; Enter: no more", Long: true,
				test: func(text string) error { return plain(f, text) }}
		})
		if !ok {
			return false
		}
		if text == "" {
			return true
		}
		w.show(nameOf(t, f.Key), text)
		v.Set(reflect.Append(v, reflect.ValueOf(text)))
	}
}

// list asks for tables of a list until there is no more. Each begins with a key
// that says whether there is one.
func (w *walker) list(t at, f schema.Field, v reflect.Value) bool {
	if v.Type() == reflect.TypeFor[[]schema.FaultAtEnd]() {
		return w.faultStates(t, f, v)
	}
	if all := w.ofModel(f.Of); len(all) > 0 && v.Len() == 0 {
		return w.each(t, f, v, all)
	}
	for {
		n := v.Len()
		v.Set(reflect.Append(v, reflect.Zero(v.Type().Elem())))
		elem := at{table: v.Index(n), path: fmt.Sprintf("%s[%d]", t.key(f.Key), n), index: n}
		if n > 0 {
			elem.before = v.Index(n - 1)
		}
		preset(w, elem)
		w.labels = append(w.labels, func() string { return labelOf(elem, f.Key) })
		said, ok := w.first(elem, planOf(elem.table.Type())[0])
		if ok && said && w.rest(elem) {
			var another bool
			if another, ok = w.more(elem, More); ok && another {
				w.labels = w.labels[:len(w.labels)-1]
				continue
			}
		} else if said {
			return false
		}
		if !ok {
			return false
		}
		w.labels = w.labels[:len(w.labels)-1]
		if !said {
			v.Set(v.Slice(0, n))
		}
		return true
	}
}

// first asks for the key that a table of a list begins with. said is false where
// none is given: there is no such table.
func (w *walker) first(t at, s step) (said, ok bool) {
	f := fieldOf(t.table.Type(), s.key)
	text, ok := w.ask(t.key(f.Key), func() *Question {
		q := w.question(t, f, false)
		q.Must = false
		if q.Default == "" {
			q.Help += "; none: Enter"
		} else {
			q.Help += "; none: " + LeaveOut
		}
		q.Help = strings.TrimPrefix(q.Help, "; ")
		return q
	})
	if !ok || text == "" {
		return false, ok
	}
	w.take(t, f, text)
	return true, true
}

// more asks whether a table is complete, and for the keys named instead.
// another is true where one more of its kind is to follow.
func (w *walker) more(t at, role Role) (another, ok bool) {
	for {
		text, ok := w.ask(t.key("?"), func() *Question { return w.menu(t, role) })
		if !ok {
			return false, false
		}
		switch text {
		case Next, Keep:
			return false, true
		case Another:
			return true, true
		}
		if !w.called(t, text) {
			return false, false
		}
	}
}

// called asks for a key named in a menu.
func (w *walker) called(t at, key string) bool {
	if outer, inner, ok := strings.Cut(key, "."); ok {
		f := fieldOf(t.table.Type(), outer)
		v := t.table.FieldByIndex(f.Index)
		if v.IsNil() {
			v.Set(reflect.New(f.Type.Elem()))
		}
		in := at{table: v.Elem(), path: t.key(outer), index: t.index, name: outer}
		ok := w.field(in, fieldOf(f.Type.Elem(), inner), false)
		if v.Elem().IsZero() {
			v.SetZero()
		}
		return ok
	}
	if !w.field(t, fieldOf(t.table.Type(), key), false) {
		return false
	}
	if h := w.rec.Head(); t.path == "" && key == "power" && h.PowerWhy == "" && powerWhy.when(w, nil) {
		return w.field(t, fieldOf(t.table.Type(), powerWhy.key), true)
	}
	return true
}

// menu makes the question after the keys of a table: go on, another one, or a
// key that has nothing yet.
func (w *walker) menu(t at, role Role) *Question {
	q := &Question{Role: role, Closed: true, Name: "more?", Help: "Enter to continue, or the name of a key to add"}
	q.Choices = []Choice{{Next, "no more here"}, {Another, "another one"}}
	q.Default = Next
	if role == Store {
		q.Name, q.Help = "store it?", "Enter to store it, or the name of a key to add"
		q.Choices = []Choice{{Keep, "the record as it stands"}}
		q.Default = Keep
		if w.empty() {
			q.Name, q.Help, q.Default, q.Must = "what next?", "the name of a key to add; the record is still empty", "", true
			q.Choices = nil
		}
	}
	for _, f := range schema.FieldsOf(t.value()) {
		if slices.Contains(own, f.Key) {
			continue
		}
		v := t.table.FieldByIndex(f.Index)
		switch {
		case f.Type == reflect.TypeFor[*schema.Component]():
			for _, g := range schema.FieldsOf(schema.Component{}) {
				if v.IsNil() || v.Elem().FieldByIndex(g.Index).IsZero() {
					q.Choices = append(q.Choices, Choice{f.Key + "." + g.Key, g.Doc})
				}
			}
		case f.Type == reflect.TypeFor[[]schema.FaultAtEnd](), w.idle(t, f.Key):
		case v.IsZero(), w.carried(t, f.Key), f.Tables() && v.Kind() == reflect.Slice, f.Type == reflect.TypeFor[[]string]():
			q.Choices = append(q.Choices, Choice{f.Key, f.Doc})
		}
	}
	if t.path != "" {
		w.beside(q, t, schema.Field{})
	}
	return q
}

// empty reports whether the record is still empty.
func (w *walker) empty() bool {
	v := reflect.ValueOf(w.rec).Elem()
	for _, f := range schema.FieldsOf(w.rec) {
		if fv := v.FieldByIndex(f.Index); !slices.Contains(own, f.Key) && !fv.IsZero() && !(fv.Kind() == reflect.Slice && fv.Len() == 0) {
			return false
		}
	}
	return true
}
