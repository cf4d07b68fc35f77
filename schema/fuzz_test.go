package schema

import (
	"bytes"
	"testing"
	"unicode/utf8"
)

// Whatever the bytes, decoding and drawing the problems never panics, every
// problem can be placed, and what was read can be written and read again.
func FuzzDecodeRecord(f *testing.F) {
	for _, dir := range []string{"good", "bad"} {
		for _, s := range corpus(f, dir) {
			f.Add(s.file, s.data)
		}
	}
	f.Fuzz(func(t *testing.T, file string, data []byte) {
		v, ps := sample{file: file, data: data}.decode()
		checkProblems(t, ps, data)
		if (v == nil) != (Worst(ps) == Unreadable) {
			t.Fatalf("value %v with problems\n%s", v, drawings(ps))
		}
		if v == nil {
			return
		}
		text := Encode(v)
		if len(text) > MaxSize {
			return // escapes made it longer
		}
		again, ps := sample{file: file, data: text}.decode()
		if again == nil {
			t.Fatalf("cannot be read again:\n%s\n%s", drawings(ps), text)
		}
		if second := Encode(again); !bytes.Equal(text, second) {
			t.Fatalf("written twice, read once between:\n%s\n%s", text, second)
		}
		if changes, err := Compare(text, text); err != nil || len(changes) > 0 {
			t.Fatalf("differs from itself: %v %v", changes, err)
		}
	})
}

func checkProblems(t *testing.T, ps []Problem, data []byte) {
	lines := 1 + bytes.Count(data, []byte("\n"))
	for _, p := range ps {
		if p.Line < 0 || p.Line > lines || p.Line > 0 && p.Column < 1 {
			t.Fatalf("placed at %d:%d of %d lines: %s", p.Line, p.Column, lines, p.Message)
		}
		if p.Message == "" {
			t.Fatal("a problem without a message")
		}
		if d := p.Drawing(); utf8.Valid(data) && !utf8.ValidString(d) && utf8.ValidString(p.File) {
			t.Fatalf("the drawing is not UTF-8: %q", d)
		}
	}
}
