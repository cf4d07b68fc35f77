package worksheet

import (
	"bytes"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// listed is one [[part]], [[reading]] or [[table]] of a record being written:
// its value, and the rows of the worksheet it came from, none where the record
// had it.
type listed struct {
	value any // schema.PartLine, schema.Reading or schema.Table
	rows  []*sheetRow
}

// edit gathers what a worksheet changes in one record.
type edit struct {
	path     string
	name     string // of the list: part, reading, table
	data     []byte // the record as it is
	record   schema.Record
	replaced map[int][]listed // what stands in the place of an element
	added    []listed
	begun    bool // by this import: the record is new
}

func newEdit(f *unit.File, name string) *edit {
	return &edit{path: f.Path, name: name, data: f.Data, record: f.Record, replaced: map[int][]listed{}}
}

// listOf is the list of that name of a record, as a value that can be set.
func listOf(rec schema.Record, name string) reflect.Value {
	v := reflect.ValueOf(rec).Elem()
	for _, f := range schema.FieldsOf(rec) {
		if f.Key == name {
			return v.FieldByIndex(f.Index)
		}
	}
	return reflect.Value{}
}

// all is the list as it will be.
func (e *edit) all() []listed {
	var out []listed
	l := listOf(e.record, e.name)
	for i := range l.Len() {
		if with, ok := e.replaced[i]; ok {
			out = append(out, with...)
			continue
		}
		out = append(out, listed{value: l.Index(i).Interface()})
	}
	return append(out, e.added...)
}

// render writes the record as it will be. Comments and notation of what does
// not change stay as they are, where the elements stand under headers of their
// own; an element that changes keeps its comment lines.
func (e *edit) render() []byte {
	want := e.all()
	if data := e.patch(); data != nil {
		if rec, _ := schema.DecodeRecord(e.path, data); rec != nil && sameList(listOf(rec, e.name), want) {
			return data
		}
	}
	// The list is written inline, or in some other way: write the record anew.
	rec := schema.New(e.record.Head().Kind)
	reflect.ValueOf(rec).Elem().Set(reflect.ValueOf(e.record).Elem())
	l := listOf(rec, e.name)
	l.Set(reflect.MakeSlice(l.Type(), 0, len(want)))
	for _, x := range want {
		l.Set(reflect.Append(l, reflect.ValueOf(x.value)))
	}
	return schema.Encode(rec)
}

func sameList(l reflect.Value, want []listed) bool {
	if l.Len() != len(want) {
		return false
	}
	for i, x := range want {
		if !bytes.Equal(schema.EncodeTable("x", l.Index(i).Interface()), schema.EncodeTable("x", x.value)) {
			return false
		}
	}
	return true
}

// patch changes the text of the record; nil where the list is not written as
// one table after another.
func (e *edit) patch() []byte {
	var out bytes.Buffer
	from := 0
	if len(e.replaced) > 0 {
		spans := tableSpans(e.data, e.name)
		if len(spans) != listOf(e.record, e.name).Len() {
			return nil
		}
		for i, s := range spans {
			with, ok := e.replaced[i]
			if !ok {
				continue
			}
			out.Write(e.data[from:s.start])
			comments := commentLines(e.data[s.start:s.end])
			for k, x := range with {
				text := bytes.TrimPrefix(schema.EncodeTable(e.name, x.value), []byte("\n"))
				head, body, _ := bytes.Cut(text, []byte("\n"))
				if k > 0 {
					out.WriteByte('\n')
				} else if len(comments) > 0 {
					head = append(append(slices.Clone(head), '\n'), bytes.TrimSuffix(comments, []byte("\n"))...)
				}
				out.Write(head)
				out.WriteByte('\n')
				out.Write(body)
			}
			from = s.end
		}
	}
	out.Write(e.data[from:])
	if b := out.Bytes(); len(b) > 0 && b[len(b)-1] != '\n' {
		out.WriteByte('\n')
	}
	for _, x := range e.added {
		out.Write(schema.EncodeTable(e.name, x.value))
	}
	return out.Bytes()
}

type span struct{ start, end int }

// tableSpans finds the tables [[name]] in a TOML file, each from its header to
// the blank and comment lines before the next one.
func tableSpans(data []byte, name string) []span {
	var p unstable.Parser
	p.Reset(data)
	var out []span
	open := false
	for p.NextExpression() {
		e := p.Expression()
		if e.Kind != unstable.Table && e.Kind != unstable.ArrayTable {
			continue
		}
		keys := e.Key()
		depth, first, offset := 0, "", 0
		for keys.Next() {
			if depth == 0 {
				first, offset = string(keys.Node().Data), int(keys.Node().Raw.Offset)
			}
			depth++
		}
		if first == name && depth > 1 {
			continue // a table within the one that is open
		}
		start := bytes.LastIndexByte(data[:offset], '\n') + 1
		if open {
			out[len(out)-1].end = tableEnd(data, out[len(out)-1].start, start)
		}
		if open = first == name && e.Kind == unstable.ArrayTable; open {
			out = append(out, span{start: start})
		}
	}
	if p.Error() != nil {
		return nil
	}
	if open {
		out[len(out)-1].end = tableEnd(data, out[len(out)-1].start, len(data))
	}
	return out
}

// tableEnd steps back over the blank and comment lines before end.
func tableEnd(data []byte, start, end int) int {
	for end > start {
		line := bytes.LastIndexByte(data[:max(0, end-1)], '\n') + 1
		if t := bytes.TrimSpace(data[line:end]); len(t) > 0 && t[0] != '#' {
			break
		}
		end = line
	}
	return end
}

// commentLines are the lines of a table that hold nothing but a comment.
func commentLines(table []byte) []byte {
	if bytes.Contains(table, []byte(`"""`)) || bytes.Contains(table, []byte(`'''`)) {
		return nil // a line of a longer text may look like one
	}
	var out []byte
	for line := range bytes.Lines(table) {
		if strings.HasPrefix(strings.TrimSpace(string(line)), "#") {
			out = append(out, line...)
		}
	}
	return out
}
