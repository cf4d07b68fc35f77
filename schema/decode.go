package schema

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"path"
	"reflect"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/BurntSushi/toml"

	"benchlore/schema/pattern"
	"benchlore/schema/remedy"
)

// MaxSize is the largest file, in bytes, that is read as a record. A record is
// text somebody wrote at a bench; anything larger is not one.
const MaxSize = 1 << 20

// nameForm is the file name of a record or book entry: date, kind, four random
// letters or digits.
var nameForm = pattern.New(`^([0-9]{4}-[0-9]{2}-[0-9]{2})-([a-z]+)-([0-9a-z]{4})\.toml$`)

// ParseName splits a record's file name into date, kind and random part.
func ParseName(name string) (d Date, kind, random string, ok bool) {
	m := nameForm.FindStringSubmatch(path.Base(name))
	if m == nil {
		return d, "", "", false
	}
	d, err := ParseDate(m[1])
	return d, m[2], m[3], err == nil
}

// DecodeRecord reads one record file. The record is nil where the problems
// include an Unreadable one; otherwise it holds all that could be read.
func DecodeRecord(file string, data []byte) (Record, []Problem) {
	kind := Kind("")
	if _, k, _, ok := ParseName(file); ok {
		kind = Kind(k)
	}
	var rec Record
	c := &Collector{File: file}
	if rec = New(kind); rec == nil {
		// Not named as a record: the kind key decides.
		var head map[string]any
		_, err := toml.Decode(string(data), &head)
		word, _ := head["kind"].(string)
		if err == nil {
			rec = New(Kind(word))
		}
		if rec == nil && word != "" && plainText(c, data) {
			what, write := vocabularyError(Kind(word))
			c.put(Unreadable, "kind", what, write)
		}
		if len(c.Problems) > 0 {
			c.place(data)
			return nil, c.Problems
		}
		if rec == nil {
			rec = &Note{}
		}
	}
	if !decode(c, data, rec) {
		c.place(data)
		return nil, c.Problems
	}
	h := rec.Head()
	if kind != "" && h.Kind != "" && h.Kind != kind {
		c.Errorf("kind", "kind is %q but the file name says %q => write kind = %q, or rename the file before it is saved",
			string(h.Kind), string(kind), string(kind))
	}
	validateRecord(c, rec)
	c.place(data)
	if Worst(c.Problems) == Unreadable {
		return nil, c.Problems
	}
	return rec, c.Problems
}

// Decode reads a file of any other kind (shop, model, instrument, lot,
// families, customers, book entry). The value is nil where the problems
// include an Unreadable one.
func Decode[T any](file string, data []byte) (*T, []Problem) {
	v := new(T)
	c := &Collector{File: file}
	if !decode(c, data, v) {
		c.place(data)
		return nil, c.Problems
	}
	if x, ok := any(v).(interface{ validate(*Collector) }); ok {
		x.validate(c)
	}
	c.place(data)
	if Worst(c.Problems) == Unreadable {
		return nil, c.Problems
	}
	return v, c.Problems
}

// place fills in the lines of the problems found so far.
func (c *Collector) place(data []byte) {
	if len(c.Problems) > 0 {
		Locate(data).Place(c.Problems)
		Sort(c.Problems)
	}
}

// decode fills v and checks the form of every field. It reports false where
// the file cannot be read; what it holds is then not looked into further, as
// most of what could be said would follow from that.
func decode(c *Collector, data []byte, v any) bool {
	if !plainText(c, data) {
		return false
	}
	if !quickly(data, reflect.ValueOf(v).Elem()) && !c.byLibrary(data, v) {
		return false
	}
	c.fields(reflect.ValueOf(v).Elem())
	return Worst(c.Problems) < Unreadable
}

// byLibrary fills v by the TOML library. It reports false where the file is no
// TOML.
func (c *Collector) byLibrary(data []byte, v any) bool {
	at := reflect.ValueOf(v).Elem()
	at.SetZero()
	md, err := toml.Decode(string(data), v)
	if err == nil && allKnown(md.Keys(), at.Type()) {
		return true
	}
	// Something does not fit. The decoder stops at the first such thing; go
	// through the file as plain tables to report all of them, and read again
	// without them.
	var tree map[string]any
	if _, err := toml.Decode(string(data), &tree); err != nil {
		c.syntax(err, data)
		return false
	}
	c.fit(tree, at.Type(), "")
	var clean bytes.Buffer
	if err := toml.NewEncoder(&clean).Encode(tree); err != nil {
		c.add(Unreadable, "", "cannot be read: %v", err)
		return false
	}
	at.SetZero()
	if _, err := toml.Decode(clean.String(), v); err != nil {
		c.add(Unreadable, "", "cannot be read: %v", err)
		return false
	}
	return true
}

// allKnown reports whether every key is one of the type's, letter by letter:
// the decoder also takes Title for title.
func allKnown(keys []toml.Key, t reflect.Type) bool {
	for _, k := range keys {
		at := t
		for _, part := range k {
			for at.Kind() == reflect.Pointer || at.Kind() == reflect.Slice {
				at = at.Elem()
			}
			if at.Kind() != reflect.Struct || at == dateType {
				return false
			}
			f, ok := fieldsOf(at)[part]
			if !ok {
				return false
			}
			at = f.Type
		}
	}
	return true
}

// plainText refuses what is no text a person wrote.
func plainText(c *Collector, data []byte) bool {
	bad := func(format string, args ...any) bool {
		c.add(Unreadable, "", format, args...)
		return false
	}
	switch {
	case len(data) > MaxSize:
		return bad("the file is %.1f MB; a record is at most 1 MB => keep large files as attachments and name them in [[file]]", float64(len(data))/(1<<20))
	case bytes.HasPrefix(data, []byte{0xEF, 0xBB, 0xBF}):
		return bad("the file begins with a byte-order mark => save it as UTF-8 without BOM")
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}), bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		return bad("the file is UTF-16 => save it as UTF-8")
	case bytes.IndexByte(data, 0) >= 0:
		return bad("the file is binary, not text")
	case !utf8.Valid(data):
		i := 0
		for i < len(data) {
			r, n := utf8.DecodeRune(data[i:])
			if r == utf8.RuneError && n == 1 {
				break
			}
			i += n
		}
		line := 1 + bytes.Count(data[:i], []byte("\n"))
		bad("byte 0x%02x is not UTF-8 text => save the file as UTF-8", data[i])
		c.Problems[len(c.Problems)-1].Line = line
		c.Problems[len(c.Problems)-1].Column = 1 + utf8.RuneCount(data[bytes.LastIndexByte(data[:i], '\n')+1:i])
		return false
	}
	if plainASCII(data) {
		return true
	}
	clean := true
	line, start := 1, 0
	for i, r := range string(data) {
		if r == '\n' {
			line, start = line+1, i+1
			continue
		}
		if what := hiddenRune(r); what != "" && r != '\t' && r != '\r' {
			bad("the text contains %s (U+%04X), which hides or disguises text => delete it", what, r)
			p := &c.Problems[len(c.Problems)-1]
			p.Line, p.Column = line, 1+utf8.RuneCount(data[start:i])
			clean = false
		}
	}
	return clean
}

// plainASCII reports whether a text has nothing but visible ASCII, blanks, tabs
// and line ends of Unix.
func plainASCII[T string | []byte](text T) bool {
	for i := range len(text) {
		if b := text[i]; (b < 0x20 || b >= 0x7F) && b != '\n' && b != '\t' {
			return false
		}
	}
	return true
}

// OneLine is a text as it may be printed on a page or a screen: one line, without
// the characters that do not show or that turn the direction of the others.
func OneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.IsControl(r), unicode.In(r, unicode.Cf) && r != '\u200d' && r != '\u00ad', r == '\ufffd':
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	return strings.Join(strings.Fields(s), " ")
}

// hiddenRune names a character that must not stand in a record: control
// characters and those that turn the direction of text (Unicode TR 36 and
// UAX 9). It returns "" for all others.
func hiddenRune(r rune) string {
	switch {
	case r < 0x20 || r >= 0x7F && r < 0xA0:
		return "a control character"
	case r == 0x200E || r == 0x200F || r == 0x061C || r >= 0x202A && r <= 0x202E || r >= 0x2066 && r <= 0x2069:
		return "a character that turns the direction of text"
	case r == 0x2028 || r == 0x2029:
		return "a line or paragraph separator"
	}
	return ""
}

// syntax records a TOML syntax error.
func (c *Collector) syntax(err error, data []byte) {
	var pe toml.ParseError
	if !errors.As(err, &pe) {
		c.add(Unreadable, "", "not TOML: %v", err)
		return
	}
	msg := pe.Message
	if msg == "" {
		msg = pe.Error()
		if i := strings.Index(msg, ": "); i >= 0 && strings.HasPrefix(msg, "toml: line") {
			msg = msg[i+2:]
		}
	}
	p := Problem{File: c.File, Severity: Unreadable}
	at := place{offset: min(max(pe.Position.Start, 0), len(data)), length: pe.Position.Len}
	(&Places{data: data}).fill(&p, at)
	msg = strings.TrimSuffix(strings.TrimSuffix(msg, "."), " instead")
	if first, n := utf8.DecodeRuneInString(msg); n > 0 {
		msg = string(unicode.ToLower(first)) + msg[n:]
	}
	p.Message, p.Write = "not TOML: "+msg, syntaxRemedy(msg, p.Source)
	c.Problems = append(c.Problems, p)
}

// syntaxRemedy says what is probably meant, by the decoder's message and the
// line it stands in.
func syntaxRemedy(msg, line string) string {
	has := func(words string) bool { return strings.Contains(msg, words) }
	switch {
	case dottedDate.MatchString(line):
		return "write dates as 2031-03-04"
	case has("datetime"):
		return "write a day that exists, as 2031-03-04"
	case has("invalid escape"):
		return `write \\ for a backslash, or put the text in single quotes: 'C:\photos'`
	case has("already been defined"):
		return "keep one of the two; text of several lines goes between \"\"\" and \"\"\""
	case has("but got ','") && commaNumber.MatchString(line):
		return "write a decimal point: 12.5"
	case strings.HasPrefix(strings.TrimSpace(line), "["):
		return "write [name] for a table, [[name]] for one of a list of tables"
	case has("strings cannot contain newlines"), has("unexpected EOF"):
		return "end the text with the quote mark it begins with; text of several lines goes between \"\"\" and \"\"\""
	}
	return "text stands in quotes (key = \"text\"), dates do not (date = 2031-03-04)"
}

var (
	dottedDate  = pattern.New(`=\s*[0-9]{1,4}[./][0-9]{1,2}[./][0-9]{1,4}\s*(#.*)?$`)
	commaNumber = pattern.New(`=\s*[+-]?[0-9]+,[0-9]+`)
)

// fit removes from the tree what the type has no room for, recording each.
func (c *Collector) fit(tree map[string]any, t reflect.Type, at string) {
	known := fieldsOf(t)
	keys := make([]string, 0, len(tree))
	for k := range tree {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		p := join(at, k)
		f, ok := known[k]
		if !ok {
			var names []string
			for _, f := range fieldList(t) {
				names = append(names, f.Key)
			}
			near := Nearest(k, names)
			if near != "" {
				c.Errorf(p, "unknown key %q => did you mean %s?", k, near)
				c.refused(join(at, near)) // it is there, if not by that name
			} else {
				c.Errorf(p, "unknown key %q => known here: %s", k, strings.Join(names, ", "))
			}
			c.Problems[len(c.Problems)-1].atKey = true
			delete(tree, k)
			continue
		}
		if !c.fitValue(tree[k], f.Type, p) {
			c.refused(p)
			delete(tree, k)
		}
	}
}

// refused remembers a key that was reported, so that it is not called missing
// as well.
func (c *Collector) refused(path string) {
	if c.gone == nil {
		c.gone = map[string]bool{}
	}
	c.gone[path] = true
}

func (c *Collector) fitValue(v any, t reflect.Type, at string) bool {
	key := lastKey(at)
	wrong := func(want, write string) bool {
		c.add(Unreadable, at, "%s is %s where %s belongs => write %s", key, tomlWord(v), want, write)
		return false
	}
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t == reflect.TypeFor[Date]() {
		var d Date
		if d.UnmarshalTOML(v) == nil {
			return true
		}
		write := key + " = 2031-03-04, without quotes and without a time"
		switch v := v.(type) {
		case string:
			if day, err := ParseDate(v); err == nil {
				write = fmt.Sprintf("%s = %s, without quotes", key, day)
			}
		case time.Time:
			write = fmt.Sprintf("%s = %s, without a time", key, v.Format("2006-01-02"))
		}
		return wrong("a date", write)
	}
	if u, ok := reflect.New(t).Interface().(toml.Unmarshaler); ok {
		if u.UnmarshalTOML(v) != nil {
			write := fmt.Sprintf("%s = \"...\", or several: %[1]s = [\"...\", \"...\"]", key)
			if w, ok := reflect.Zero(t.Elem()).Interface().(vocabulary); ok {
				write += "; the words are: " + strings.Join(w.Words(), ", ")
			}
			if _, ok := v.([]any); ok {
				c.add(Unreadable, at, "%s contains something other than text => write %s", key, write)
				return false
			}
			return wrong("text in quotes", write)
		}
		return true
	}
	switch t.Kind() {
	case reflect.String:
		if _, ok := v.(string); !ok {
			return wrong("a text in quotes", quoted(at, v, t))
		}
	case reflect.Int:
		if _, ok := v.(int64); !ok {
			write := key + " = 12, without quotes and without a point"
			if s, isText := v.(string); isText {
				if n, err := strconv.Atoi(s); err == nil {
					write = fmt.Sprintf("%s = %d, without quotes", key, n)
				}
			}
			return wrong("a whole number", write)
		}
	case reflect.Float64:
		switch f := v.(type) {
		case int64:
		case float64:
			if math.IsNaN(f) || math.IsInf(f, 0) {
				return wrong("a plain number", key+" = 12.5")
			}
		default:
			return wrong("a number", key+" = 12.5, without quotes and without a unit")
		}
	case reflect.Bool:
		if _, ok := v.(bool); !ok {
			return wrong("true or false", key+" = true or "+key+" = false, without quotes")
		}
	case reflect.Struct:
		m, ok := v.(map[string]any)
		if !ok {
			return wrong("a table", key+" = "+tableExample(t))
		}
		c.fit(m, t, at)
	case reflect.Slice:
		tables := t.Elem().Kind() == reflect.Struct
		if maps, ok := v.([]map[string]any); ok && tables {
			for i, m := range maps {
				c.fit(m, t.Elem(), fmt.Sprintf("%s[%d]", at, i))
			}
			return true
		}
		list, ok := v.([]any)
		switch {
		case !ok && tables:
			return wrong("a list of tables", fmt.Sprintf("[[%s]] on a line of its own, and its keys below", withoutIndices(at)))
		case !ok:
			return wrong("a list", key+" = [\"...\", \"...\"]")
		}
		good := true
		for i, e := range list {
			good = c.fitValue(e, t.Elem(), fmt.Sprintf("%s[%d]", at, i)) && good
		}
		return good
	}
	return true
}

// quoted says how to write as text what was written otherwise.
func quoted(at string, v any, t reflect.Type) string {
	lead := lastKey(at) + " = "
	if strings.HasSuffix(at, "]") {
		lead = "" // an element of a list
	}
	if w, ok := reflect.Zero(t).Interface().(vocabulary); ok {
		return "one of: " + strings.Join(w.Words(), ", ")
	}
	switch t {
	case reflect.TypeFor[Quantity](), reflect.TypeFor[Measured]():
		return fmt.Sprintf("number and unit in quotes: %s\"%v ...\"", lead, v)
	case reflect.TypeFor[Values]():
		return lead + "\"0.3 -1.2 x\": the numbers in one text, separated by blanks"
	case reflect.TypeFor[Refs](), reflect.TypeFor[Names]():
		return "one text with commas in it: " + lead + "\"..., ...\""
	}
	switch v := v.(type) {
	case int64, float64, bool:
		return fmt.Sprintf("%s\"%v\"", lead, v)
	case time.Time:
		return fmt.Sprintf("%s%q", lead, v.Format("2006-01-02"))
	}
	return lead + "\"...\""
}

// example shows how the key is written.
func (f Field) example(at string) string {
	switch {
	case f.Tables() && f.Type.Kind() == reflect.Slice:
		return "[[" + withoutIndices(at) + "]]"
	case f.Tables():
		return "[" + withoutIndices(at) + "]"
	case f.Key == "format":
		return fmt.Sprintf("format = %d", Format)
	case f.Type == reflect.TypeFor[Date]():
		return f.Key + " = 2031-03-04"
	case f.Type.Kind() == reflect.Int:
		return f.Key + " = 12"
	}
	return f.Key + " = \"...\""
}

// tableExample shows an inline table with the keys it needs, or its value.
func tableExample(t reflect.Type) string {
	var keys []string
	for _, f := range fieldList(t) {
		if f.Need {
			keys = append(keys, f.example(f.Key))
		}
	}
	if keys == nil {
		keys = []string{"value = \"...\""}
	}
	return "{" + strings.Join(keys, ", ") + "}"
}

func tomlWord(v any) string {
	switch v := v.(type) {
	case string:
		return fmt.Sprintf("the text %q", v)
	case bool:
		return fmt.Sprintf("%v", v)
	case int64, float64:
		return fmt.Sprintf("the number %v", v)
	case time.Time:
		switch v.Location().String() {
		case "date-local":
			return "a date"
		case "time-local":
			return "a time"
		}
		return "a date with a time"
	case map[string]any:
		return "a table"
	}
	return "a list"
}

// withoutIndices gives the path of a key as [[table]] headers write it.
func withoutIndices(path string) string { return indices.ReplaceAllString(path, "") }

var indices = pattern.New(`\[[0-9]+\]`)

// lastKey is the key a path ends in.
func lastKey(p string) string {
	if i := strings.LastIndexByte(p, '.'); i >= 0 {
		p = p[i+1:]
	}
	if i := strings.IndexByte(p, '['); i >= 0 {
		p = p[:i]
	}
	return p
}

// A spot is one step of the way down to a field. Its text is needed only where
// there is something to report.
type spot struct {
	key   string
	index int // of a list, where key is ""
}

// here is the path of the field at hand.
func (c *Collector) here() string {
	p := ""
	for _, s := range c.at {
		if s.key == "" {
			p = index(p, s.index)
		} else {
			p = join(p, s.key)
		}
	}
	return p
}

// fields checks every field of a struct by its type and tags.
func (c *Collector) fields(v reflect.Value) {
	list := fieldList(v.Type())
	for i := range list {
		f := &list[i]
		fv := v.FieldByIndex(f.Index)
		if !absent(fv) {
			c.at = append(c.at, spot{key: f.Key})
			c.field(fv, f)
			c.at = c.at[:len(c.at)-1]
			continue
		}
		if !f.Need {
			continue
		}
		if p := join(c.here(), f.Key); !c.gone[p] {
			c.Errorf(p, "%s is missing => add %s: %s", f.Key, f.example(p), f.Doc)
		}
	}
}

func (c *Collector) field(v reflect.Value, f *Field) {
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if v.Type() == dateType {
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		c.fields(v)
	case reflect.Slice:
		for i := range v.Len() {
			c.at = append(c.at, spot{index: i})
			c.field(v.Index(i), f)
			c.at = c.at[:len(c.at)-1]
		}
	case reflect.String:
		s := v.String()
		if f.words != nil {
			if !slices.Contains(f.words, s) {
				what, write := vocabularyError(v.Interface().(vocabulary))
				c.put(Wrong, c.here(), what, write)
			}
			return
		}
		if f.good.has(s) {
			return
		}
		before := len(c.Problems)
		c.text(s, f)
		if f.form {
			if err := v.Interface().(checker).Check(); err != nil {
				what, write := remedy.Parts(err)
				c.put(Wrong, c.here(), what, write)
			}
		}
		if len(c.Problems) == before {
			f.good.add(s)
		}
	case reflect.Int:
		if f.HasMin && v.Int() < int64(f.Min) {
			c.Errorf(c.here(), "%s is %d => write a number from %d up", f.Key, v.Int(), int64(f.Min))
		}
	case reflect.Float64:
		switch x := v.Float(); {
		case math.IsNaN(x) || math.IsInf(x, 0):
			c.add(Unreadable, c.here(), "%s is %v => write a plain number: %s = 12.5", f.Key, x, f.Key)
		case f.HasMin && x < f.Min:
			c.Errorf(c.here(), "%s is %v => write a number from %v up", f.Key, x, f.Min)
		}
	}
}

// text refuses hidden characters that came in as escapes, and line breaks in
// fields that are one line.
func (c *Collector) text(s string, f *Field) {
	if plainASCII(s) && !strings.Contains(s, "\n") && strings.TrimSpace(s) != "" {
		return
	}
	for _, r := range s {
		if r == '\n' && (f.Key == "note" || f.Key == "values") || r == '\t' {
			continue
		}
		if r == '\n' {
			c.Errorf(c.here(), "%s has a line break => write it on one line; longer text goes into note", f.Key)
			return
		}
		if what := hiddenRune(r); what != "" {
			c.add(Unreadable, c.here(), "%s contains %s (U+%04X), which hides or disguises text => delete it", f.Key, what, r)
			return
		}
	}
	if strings.TrimSpace(s) == "" {
		c.Errorf(c.here(), "%s is blank => write %s = \"...\": %s; or leave the key out", f.Key, f.Key, f.Doc)
	}
}

// vocabularyError says what the closed list is and which word was perhaps meant.
func vocabularyError(v vocabulary) (what, write string) {
	word := reflect.ValueOf(v).String()
	return fmt.Sprintf("%q is not known here", word), oneOf("write one of", v.Words(), word)
}

// oneOf lists the choices, nearest first where one is near.
func oneOf(lead string, words []string, given string) string {
	words = slices.Clone(words)
	if near := Nearest(given, words); near != "" {
		return fmt.Sprintf("did you mean %s? %s: %s", near, lead, strings.Join(words, ", "))
	}
	return lead + ": " + strings.Join(words, ", ")
}

// Nearest returns the word closest to s, or "" where none is within a third of
// its letters. Distance is Levenshtein's, with two letters exchanged counted as
// one slip (optimal string alignment).
func Nearest(s string, words []string) string {
	best, most := "", max(1, utf8.RuneCountInString(s)/3)
	for _, w := range words {
		if d := editDistance(strings.ToLower(s), strings.ToLower(w)); d <= most && (best == "" || d < most) {
			best, most = w, d
		}
	}
	return best
}

func editDistance(a, b string) int {
	x, y := []rune(a), []rune(b)
	var before []int // the row two above
	above := make([]int, len(y)+1)
	for j := range above {
		above[j] = j
	}
	for i := range x {
		row := make([]int, len(y)+1)
		row[0] = i + 1
		for j := range y {
			cost := above[j]
			if x[i] != y[j] {
				cost++
			}
			row[j+1] = min(cost, above[j+1]+1, row[j]+1)
			if i > 0 && j > 0 && x[i] == y[j-1] && x[i-1] == y[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, above = above, row
	}
	return above[len(y)]
}
