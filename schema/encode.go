package schema

import (
	"bytes"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Encode writes a record or another file of the ledger as TOML: plain keys
// first, then tables, absent keys left out, parts of a line as inline tables.
// Encoding is deterministic, and decoding gives the same value again.
func Encode(v any) []byte {
	var b bytes.Buffer
	rv := reflect.ValueOf(v)
	for rv.Kind() == reflect.Pointer {
		rv = rv.Elem()
	}
	writeTable(&b, rv, "")
	return b.Bytes()
}

// EncodeTable writes one element of a list of tables, with its [[name]] line,
// ready to be appended to a file.
func EncodeTable(name string, v any) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "\n[[%s]]\n", name)
	rv := reflect.ValueOf(v)
	for rv.Kind() == reflect.Pointer {
		rv = rv.Elem()
	}
	writeTable(&b, rv, name)
	return b.Bytes()
}

func writeTable(b *bytes.Buffer, v reflect.Value, at string) {
	for _, f := range fieldList(v.Type()) {
		fv := v.FieldByIndex(f.Index)
		if absent(fv) {
			continue
		}
		if !f.Tables() {
			fmt.Fprintf(b, "%s = ", f.Key)
			writeValue(b, fv, len(f.Key)+3)
			b.WriteByte('\n')
			continue
		}
		name := join(at, f.Key)
		if fv.Kind() == reflect.Slice {
			for i := range fv.Len() {
				fmt.Fprintf(b, "\n[[%s]]\n", name)
				writeTable(b, fv.Index(i), name)
			}
			continue
		}
		if fv.Kind() == reflect.Pointer {
			fv = fv.Elem()
		}
		if at == "" {
			fmt.Fprintf(b, "\n[%s]\n", name)
			writeTable(b, fv, name)
			continue
		}
		fmt.Fprintf(b, "%s = ", f.Key)
		writeValue(b, fv, 0)
		b.WriteByte('\n')
	}
}

func absent(v reflect.Value) bool {
	return v.IsZero() || v.Kind() == reflect.Slice && v.Len() == 0
}

// wide is the column past which a list is written one element a line.
const wide = 100

func writeValue(b *bytes.Buffer, v reflect.Value, column int) {
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if d, ok := v.Interface().(Date); ok {
		b.WriteString(d.String())
		return
	}
	switch v.Kind() {
	case reflect.String:
		writeString(b, v.String())
	case reflect.Int:
		b.WriteString(strconv.FormatInt(v.Int(), 10))
	case reflect.Float64:
		s := strconv.FormatFloat(v.Float(), 'f', -1, 64)
		if !strings.Contains(s, ".") {
			s += ".0"
		}
		b.WriteString(s)
	case reflect.Bool:
		b.WriteString(strconv.FormatBool(v.Bool()))
	case reflect.Struct:
		b.WriteByte('{')
		first := true
		for _, f := range fieldList(v.Type()) {
			fv := v.FieldByIndex(f.Index)
			if absent(fv) {
				continue
			}
			if !first {
				b.WriteString(", ")
			}
			first = false
			b.WriteString(f.Key + " = ")
			writeValue(b, fv, 0)
		}
		b.WriteByte('}')
	case reflect.Slice:
		switch v.Interface().(type) {
		case Modes, Idents:
			if v.Len() == 1 {
				writeValue(b, v.Index(0), column)
				return
			}
		}
		var one bytes.Buffer
		one.WriteByte('[')
		for i := range v.Len() {
			if i > 0 {
				one.WriteString(", ")
			}
			writeValue(&one, v.Index(i), 0)
		}
		one.WriteByte(']')
		if column+utf8.RuneCount(one.Bytes()) <= wide {
			b.Write(one.Bytes())
			return
		}
		b.WriteString("[\n")
		for i := range v.Len() {
			b.WriteString("  ")
			writeValue(b, v.Index(i), 0)
			b.WriteString(",\n")
		}
		b.WriteByte(']')
	}
}

func writeString(b *bytes.Buffer, s string) {
	if strings.Contains(s, "\n") {
		b.WriteString("\"\"\"\n")
		b.WriteString(escape(s, true))
		b.WriteString("\"\"\"")
		return
	}
	b.WriteByte('"')
	b.WriteString(escape(s, false))
	b.WriteByte('"')
}

func escape(s string, lines bool) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '"':
			b.WriteString(`\"`)
		case r == '\\':
			b.WriteString(`\\`)
		case r == '\n' && lines || r == '\t':
			b.WriteRune(r)
		case hiddenRune(r) != "":
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// Template writes an empty record of the kind for an editor: every key with
// what to write, commented out where it may be left out. preset fills keys in.
func Template(rec Record) []byte {
	var b bytes.Buffer
	v := reflect.ValueOf(rec).Elem()
	fmt.Fprintf(&b, "# A record of kind %s. Fill in what you know; lines that begin with # are ignored.\n\n", rec.Head().Kind)
	templateTable(&b, v, "", false)
	return b.Bytes()
}

func templateTable(b *bytes.Buffer, v reflect.Value, at string, off bool) {
	for _, f := range fieldList(v.Type()) {
		fv := v.FieldByIndex(f.Index)
		comment := f.Doc
		if w := f.Words(); w != nil && !strings.Contains(comment, w[len(w)-1]) {
			comment += ": " + strings.Join(w, ", ")
		}
		t := f.Type
		for t.Kind() == reflect.Pointer || f.Tables() && t.Kind() == reflect.Slice {
			t = t.Elem()
		}
		switch {
		case f.Tables() && at != "" && f.Type.Kind() != reflect.Slice:
			var keys []string
			for _, k := range fieldList(t) {
				keys = append(keys, k.Key+" = \"\"")
			}
			fmt.Fprintf(b, "# %s = {%s}\n", f.Key, strings.Join(keys, ", "))
		case f.Tables():
			name := join(at, f.Key)
			open, shut := "[[", "]]"
			if f.Type.Kind() != reflect.Slice {
				open, shut = "[", "]"
			}
			fmt.Fprintf(b, "\n# %s\n# %s%s%s\n", comment, open, name, shut)
			templateTable(b, reflect.Zero(t), name, true)
		case !absent(fv):
			fmt.Fprintf(b, "%s = ", f.Key)
			writeValue(b, fv, len(f.Key)+3)
			fmt.Fprintf(b, "   # %s\n", comment)
		default:
			lead := "# "
			if f.Need && !off {
				lead = ""
			}
			fmt.Fprintf(b, "%s%s = %s   # %s\n", lead, f.Key, emptyValue(t), comment)
		}
	}
}

// emptyValue is what a template shows for a key nobody filled in.
func emptyValue(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Int, reflect.Float64:
		return "0"
	case reflect.Bool:
		return "false"
	case reflect.Slice:
		return "[]"
	case reflect.Struct:
		return "2031-03-04"
	}
	return `""`
}
