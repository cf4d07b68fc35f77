package schema

import (
	"bytes"
	"hash/maphash"
	"reflect"
	"strconv"
	"sync"

	"github.com/BurntSushi/toml"

	"benchlore/schema/edtf"
)

// quickly fills v, a struct, from a file that keeps to a small part of TOML, as
// nearly all do: keys and texts without escapes, plain numbers, days, and tables
// in order. At the first thing beyond that, or the first that is wrong, it
// reports false, with v filled in part: the library then reads the file from its
// beginning, so that what is accepted and every message stay the library's. The
// library would take most of the time of a check.
func quickly(data []byte, v reflect.Value) bool {
	if bytes.IndexByte(data, '\r') >= 0 {
		return false
	}
	s := scanners.Get().(*scanner)
	defer s.release()
	s.data, s.at = data, 0
	s.path = append(s.path, table{value: v, shape: shapeOf(v.Type())})
	return s.file()
}

// scanner reads one file after another.
type scanner struct {
	data []byte
	at   int
	path []table // from the file down to the table at hand
	// Texts met before: most are, and then need no memory of their own. They
	// are copies: a text must not keep the whole file it stands in.
	known [512]string
}

var scanners = sync.Pool{New: func() any { return new(scanner) }}

func (s *scanner) release() {
	s.data = nil
	clear(s.path[:cap(s.path)])
	s.path = s.path[:0]
	scanners.Put(s)
}

// table is a table being read.
type table struct {
	key    string // from the table above
	value  reflect.Value
	shape  *shape
	seen   uint64 // fields met, by their place in the shape
	listed uint64 // those of them that are lists written under [[...]]
}

// shape is what a table may hold.
type shape struct {
	fields []Field
	place  map[string]int
}

var shapes sync.Map // reflect.Type -> *shape

func shapeOf(t reflect.Type) *shape {
	if s, ok := shapes.Load(t); ok {
		return s.(*shape)
	}
	s := &shape{fields: fieldList(t), place: map[string]int{}}
	for i, f := range s.fields {
		s.place[f.Key] = i
	}
	if len(s.fields) > 64 {
		panic("schema: more keys in " + t.String() + " than table.seen has bits")
	}
	shapes.Store(t, s)
	return s
}

// field finds a key and notes that it was met; nil for one that is unknown or
// was met before.
func (t *table) field(key []byte) *Field {
	i, ok := t.shape.place[string(key)]
	if !ok || t.seen>>i&1 != 0 {
		return nil
	}
	t.seen |= 1 << i
	return &t.shape.fields[i]
}

func (s *scanner) file() bool {
	for s.at < len(s.data) {
		s.blanks()
		switch c := s.peek(); {
		case c == '[':
			if !s.header() {
				return false
			}
		case bare[c]:
			if !s.keyValue(&s.path[len(s.path)-1]) {
				return false
			}
		}
		if !s.lineEnd() {
			return false
		}
	}
	return true
}

// header reads [key] or [[key]]. All keys but the last must be those of the
// table at hand or of tables above it.
func (s *scanner) header() bool {
	start := s.at
	s.at++
	list := s.skip('[')
	keys := make([][]byte, 0, 4)
	for {
		keys = append(keys, s.bareKey())
		if !s.skip('.') {
			break
		}
	}
	if !s.skip(']') || list && !s.skip(']') {
		return false
	}
	above, key := keys[:len(keys)-1], keys[len(keys)-1]
	if len(above) >= len(s.path) {
		return false
	}
	for i, k := range above {
		if s.path[i+1].key != string(k) {
			return false
		}
	}
	s.path = s.path[:len(above)+1]
	in := &s.path[len(above)]
	i, ok := in.shape.place[string(key)]
	if !ok {
		return false
	}
	f := &in.shape.fields[i]
	if !f.Tables() || list != (f.Type.Kind() == reflect.Slice) {
		return false
	}
	bit := uint64(1) << i
	first := in.seen&bit == 0
	if !first && in.listed&bit == 0 {
		return false
	}
	in.seen |= bit
	v := in.value.FieldByIndex(f.Index)
	switch {
	case list:
		in.listed |= bit
		n := v.Len()
		if first && len(above) == 0 {
			v.Grow(bytes.Count(s.data[start:], s.data[start:s.at])) // all there are, at once
		} else if n == v.Cap() {
			v.Grow(1)
		}
		v.SetLen(n + 1)
		v = v.Index(n)
		v.SetZero()
	case v.Kind() == reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		v = v.Elem()
	}
	s.path = append(s.path, table{key: f.Key, value: v, shape: shapeOf(v.Type())})
	return true
}

func (s *scanner) keyValue(t *table) bool {
	f := t.field(s.bareKey())
	if f == nil {
		return false
	}
	s.blanks()
	if !s.skip('=') {
		return false
	}
	s.blanks()
	return s.value(t.value.FieldByIndex(f.Index))
}

func (s *scanner) value(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.String:
		text, ok := s.text()
		v.SetString(text)
		return ok
	case reflect.Struct:
		if v.Type() == dateType {
			return s.date(v.Addr().Interface().(*Date))
		}
		return s.inlineTable(v)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		return s.value(v.Elem())
	case reflect.Slice:
		return s.texts(v)
	case reflect.Int:
		word := s.word()
		n, err := strconv.ParseInt(string(word), 10, 64)
		v.SetInt(n)
		return err == nil && wholeNumber(word)
	case reflect.Float64:
		word := s.word()
		whole, part, point := bytes.Cut(word, []byte("."))
		x, err := strconv.ParseFloat(string(word), 64)
		v.SetFloat(x)
		return err == nil && wholeNumber(whole) && (!point && string(word) != "-0" || digits(part))
	case reflect.Bool:
		word := s.word()
		v.SetBool(string(word) == "true")
		return v.Bool() || string(word) == "false"
	}
	return false
}

// wholeNumber is a whole number without a sign but minus, leading noughts and
// underscores, of which a float64 holds every digit.
func wholeNumber(word []byte) bool {
	word = bytes.TrimPrefix(word, []byte("-"))
	return digits(word) && len(word) <= 15 && (word[0] != '0' || len(word) == 1)
}

func digits(word []byte) bool {
	for _, c := range word {
		if c < '0' || c > '9' {
			return false
		}
	}
	return len(word) > 0
}

func (s *scanner) date(d *Date) bool {
	day, err := edtf.ParseDay(string(s.word()))
	d.Day = day
	return err == nil
}

func (s *scanner) inlineTable(v reflect.Value) bool {
	if !s.skip('{') {
		return false
	}
	t := table{value: v, shape: shapeOf(v.Type())}
	for {
		s.blanks()
		if !s.keyValue(&t) {
			return false
		}
		s.blanks()
		if s.skip('}') {
			return true
		}
		if !s.skip(',') {
			return false
		}
	}
}

// texts reads a list of texts, or one where one stands for a list.
func (s *scanner) texts(v reflect.Value) bool {
	if v.Type().Elem().Kind() != reflect.String {
		return false
	}
	list := make([]string, 0, 8)
	if s.skip('[') {
		for {
			s.space()
			if s.skip(']') {
				break
			}
			text, ok := s.text()
			if !ok {
				return false
			}
			list = append(list, text)
			s.space()
			if s.skip(',') {
				continue
			}
			if !s.skip(']') {
				return false
			}
			break
		}
	} else if _, one := v.Addr().Interface().(toml.Unmarshaler); one {
		text, ok := s.text()
		if !ok {
			return false
		}
		list = append(list, text)
	}
	if len(list) == 0 {
		return false
	}
	v.Set(reflect.MakeSlice(v.Type(), len(list), len(list)))
	for i, text := range list {
		v.Index(i).SetString(text)
	}
	return true
}

// text reads a text in quotes without escapes.
func (s *scanner) text() (string, bool) {
	rest := s.data[s.at:]
	if len(rest) == 0 || rest[0] != '"' && rest[0] != '\'' {
		return "", false
	}
	mark := rest[:1]
	several := false // lines
	if bytes.HasPrefix(rest, []byte(`"""`)) {
		mark, several = rest[:3], true
	} else if bytes.HasPrefix(rest, []byte(`''`)) {
		return "", false // the empty text, or a text of several lines
	}
	s.at += len(mark)
	n := bytes.Index(s.data[s.at:], mark)
	if n < 0 {
		return "", false
	}
	text := s.data[s.at : s.at+n]
	s.at += n + len(mark)
	if several {
		if s.peek() == '"' {
			return "", false
		}
		text = bytes.TrimPrefix(text, []byte("\n"))
	} else if bytes.IndexByte(text, '\n') >= 0 {
		return "", false
	}
	if mark[0] == '"' && bytes.IndexByte(text, '\\') >= 0 {
		return "", false
	}
	return s.keep(text), true
}

// keep makes a text of bytes.
func (s *scanner) keep(text []byte) string {
	if len(text) > 40 {
		return string(text)
	}
	known := &s.known[maphash.Bytes(textSeed, text)%uint64(len(s.known))]
	if *known != string(text) {
		*known = string(text)
	}
	return *known
}

// bare holds the characters of keys without quotes.
var bare = func() (b [256]bool) {
	for _, c := range []byte("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") {
		b[c] = true
	}
	return b
}()

func (s *scanner) bareKey() []byte {
	start := s.at
	for s.at < len(s.data) && bare[s.data[s.at]] {
		s.at++
	}
	return s.data[start:s.at:s.at]
}

// word reads a value without quotes.
func (s *scanner) word() []byte {
	start := s.at
	for s.at < len(s.data) && (bare[s.data[s.at]] || s.data[s.at] == '.') {
		s.at++
	}
	return s.data[start:s.at]
}

// peek is the byte to come, 0 at the end.
func (s *scanner) peek() byte {
	if s.at < len(s.data) {
		return s.data[s.at]
	}
	return 0
}

func (s *scanner) skip(c byte) bool {
	if s.peek() == c && s.at < len(s.data) {
		s.at++
		return true
	}
	return false
}

func (s *scanner) blanks() {
	for s.at < len(s.data) && (s.data[s.at] == ' ' || s.data[s.at] == '\t') {
		s.at++
	}
}

// space skips blanks and line ends.
func (s *scanner) space() {
	for s.at < len(s.data) && (s.data[s.at] == ' ' || s.data[s.at] == '\t' || s.data[s.at] == '\n') {
		s.at++
	}
}

// lineEnd skips a comment and the end of the line.
func (s *scanner) lineEnd() bool {
	s.blanks()
	if s.skip('#') {
		if n := bytes.IndexByte(s.data[s.at:], '\n'); n >= 0 {
			s.at += n
		} else {
			s.at = len(s.data)
		}
	}
	return s.at == len(s.data) || s.skip('\n')
}
