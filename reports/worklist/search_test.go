package worklist

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"benchlore/schema"
)

const findRecord = `kind = "parts"
date = 2031-03-04
by = "mw"
note = "Hum was HUM all along"

[[part]]
section = "preamp"
ref = "Q5, Q6"
found = "failed"
note = "leaks; Größe 3"

[[part]]
section = "power supply"
count = 6
family = "board/joint"
note = "dry joints"
`

func foundIn(t *testing.T, o FindOptions, text string) []string {
	t.Helper()
	f, err := newFinder(o)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, x := range f.file(schema.ParsePath("instruments/astrella-61/a61-1/2031-03-04-parts-7q3f.toml"), "parts", []byte(text)) {
		out = append(out, fmt.Sprintf("%d:%d %s", x.Line, x.Column, x.About))
	}
	return out
}

func TestFindInOneFile(t *testing.T) {
	day := func(s string) schema.Date {
		d, err := schema.ParseDate(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	for _, c := range []struct {
		name string
		o    FindOptions
		want string
	}{
		{"in any case", FindOptions{Texts: []string{"hum"}}, "4:9 "},
		{"letters beyond ASCII", FindOptions{Texts: []string{"GRÖSSE"}}, ""},
		{"the same in any case", FindOptions{Texts: []string{"größe"}}, "10:16 preamp Q5, Q6"},
		{"all of several", FindOptions{Texts: []string{"hum", "leaks"}}, "4:9 |10:9 preamp Q5, Q6"},
		{"one of several missing", FindOptions{Texts: []string{"hum", "buzz"}}, ""},
		{"a counted pool", FindOptions{Texts: []string{"dry"}}, "16:9 power supply 6 board/joint"},
		{"an expression keeps its case", FindOptions{Texts: []string{"HU[NM]"}, Regexp: true}, "4:17 "},
		{"expressions, all of them", FindOptions{Texts: []string{"HUM", "^zz"}, Regexp: true}, ""},
		{"from a day on", FindOptions{Texts: []string{"hum"}, Since: day("2031-03-04")}, "4:9 "},
		{"after", FindOptions{Texts: []string{"hum"}, Since: day("2031-03-05")}, ""},
		{"until a day", FindOptions{Texts: []string{"hum"}, Until: day("2031-03-04")}, "4:9 "},
		{"before", FindOptions{Texts: []string{"hum"}, Until: day("2031-03-03")}, ""},
	} {
		if got := strings.Join(foundIn(t, c.o, findRecord), "|"); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	for _, bad := range []FindOptions{{Texts: []string{""}}, {Texts: []string{"("}, Regexp: true}} {
		if _, err := newFinder(bad); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
}

// A text is found in exactly the lines that hold it.
func TestFindIsASearchOfLines(t *testing.T) {
	word := rapid.SampledFrom([]string{"hum", "Hum", "x", "[[part]]", "ref = \"C1\"", "", " ", "ü", "É", "date = 2031-03-04"})
	rapid.Check(t, func(t *rapid.T) {
		lines := rapid.SliceOf(rapid.Custom(func(t *rapid.T) string { return strings.Join(rapid.SliceOfN(word, 0, 4).Draw(t, "words"), " ") })).Draw(t, "lines")
		text := rapid.SampledFrom([]string{"hum", "x", "é", "[[part]]", "m x"}).Draw(t, "text")
		asForm := rapid.Bool().Draw(t, "as an expression")
		o := FindOptions{Texts: []string{text}}
		if asForm {
			o = FindOptions{Texts: []string{"(?i)" + regexp.QuoteMeta(text)}, Regexp: true}
		}
		f, err := newFinder(o)
		if err != nil {
			t.Fatal(err)
		}
		got := map[int]bool{}
		for _, x := range f.file(schema.ParsePath("lots/a.toml"), "lot", []byte(strings.Join(lines, "\n"))) {
			got[x.Line] = true
			if x.Text != lines[x.Line-1] {
				t.Fatalf("line %d is %q, not %q", x.Line, lines[x.Line-1], x.Text)
			}
		}
		for i, l := range lines {
			if want := strings.Contains(strings.ToLower(l), strings.ToLower(text)); got[i+1] != want {
				t.Fatalf("%q in line %d, %q: %v", text, i+1, l, got[i+1])
			}
		}
	})
}

func FuzzFind(f *testing.F) {
	f.Add(findRecord, "hum")
	f.Add("[[part\nref = \"", "[")
	f.Add("\xff\xfeHUM", "hum")
	f.Fuzz(func(t *testing.T, text, what string) {
		x, err := newFinder(FindOptions{Texts: []string{what}})
		if err != nil {
			return
		}
		n := strings.Count(text, "\n") + 1
		for _, m := range x.file(schema.ParsePath("lots/a.toml"), "lot", []byte(text)) {
			if m.Line < 1 || m.Line > n || m.Column < 1 {
				t.Fatalf("%+v in %d lines", m, n)
			}
		}
	})
}
