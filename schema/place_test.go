package schema

import (
	"fmt"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
)

// Every key of every sample is found where it stands: the text there is the
// key, and what comes later in a list stands later in the file.
func TestLocateFindsEveryKey(t *testing.T) {
	for _, dir := range []string{"good", "bad"} {
		for _, s := range corpus(t, dir) {
			tree := map[string]any{}
			if _, err := toml.Decode(string(s.data), &tree); err != nil || !plainText(&Collector{}, s.data) {
				continue // refused before anything is placed
			}
			l := Locate(s.data)
			var walk func(v any, path string)
			check := func(path, key string) {
				at, ok := l.keys[path]
				if !ok {
					t.Errorf("%s: %s is not found", s.path, path)
					return
				}
				text := string(s.data[at.offset : at.offset+at.length])
				if text != key && !strings.HasSuffix(text, "."+key) {
					t.Errorf("%s: %s is placed at %q", s.path, path, text)
				}
			}
			walk = func(v any, path string) {
				if m, ok := v.(map[string]any); ok {
					for k, e := range m {
						p := join(path, k)
						if _, several := e.([]map[string]any); !several {
							check(p, k)
						}
						walk(e, p)
					}
					return
				}
				last := -1
				for i, e := range list(v) {
					p := fmt.Sprintf("%s[%d]", path, i)
					check(p, lastKey(path))
					for k := range asTable(e) {
						if at := l.keys[join(p, k)].offset; at <= last {
							t.Errorf("%s: %s.%s stands before what comes earlier", s.path, p, k)
						}
					}
					for k := range asTable(e) {
						last = max(last, l.keys[join(p, k)].offset)
					}
					walk(e, p)
				}
			}
			walk(tree, "")
		}
	}
}

func asTable(v any) map[string]any {
	m, _ := v.(map[string]any)
	return m
}

func TestPlace(t *testing.T) {
	data := []byte(`kind = "parts"
settles = "W1"   # bare

[[part]]
ref = "C1"
new = {value = "1 uF", rating = "35 V"}

  [[part]]
  mode = ["short",
          "blown"]

[[kit]]
[[kit.part]]
ref = "R1"
[[kit]]
[[kit.part]]
ref = "R2"
[[kit.part]]
"ref" = "R3"
[warranty]
end = 2031-03-04
a.b = 1
`)
	for _, c := range []struct {
		path string
		want string // line:column:width
	}{
		{"kind", "1:8:7"},
		{"settles[0]", "2:11:4"},
		{"part", "4:3:4"},
		{"part[0]", "4:3:4"},
		{"part[0].ref", "5:7:4"},
		{"part[0].new", "6:7:1"},
		{"part[0].new.rating", "6:33:6"},
		{"part[0].found", "4:3:4"},     // missing: where its table begins
		{"part[0].new.maker", "6:1:3"}, // missing: the key of its table
		{"part[1]", "8:5:4"},           // indented
		{"part[1].mode[1]", "10:11:7"}, // a list over two lines
		{"part[1].mode[7]", "9:3:4"},   // not there: the list
		{"kit[0].part[0].ref", "14:7:4"},
		{"kit[1].part[0].ref", "17:7:4"},
		{"kit[1].part[1].ref", "19:9:4"},
		{"warranty.end", "21:7:10"},
		{"warranty.a.b", "22:7:1"},
		{"hours", "0:0:0"}, // missing: the file as a whole
		{"", "0:0:0"},
	} {
		ps := []Problem{{Path: c.path}}
		Locate(data).Place(ps)
		if got := fmt.Sprintf("%d:%d:%d", ps[0].Line, ps[0].Column, ps[0].width); got != c.want {
			t.Errorf("%s: at %s, want %s", c.path, got, c.want)
		}
	}
}

func TestPlaceCountsRunes(t *testing.T) {
	data := []byte("note = \"漢 Ω\" # x\r\nby = {é = 1}\r\n")
	ps := []Problem{{Path: "note", Severity: Wrong, Message: "m"}}
	Locate(data).Place(ps)
	want := ":1:8: m\n    note = \"漢 Ω\" # x\n           ^^^^^\n"
	if got := ps[0].Drawing(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestDrawingOfLongLine(t *testing.T) {
	data := []byte("a = \"" + strings.Repeat("x", 300) + "\"\nb = [" + strings.Repeat("1, ", 100) + "\"here\", " + strings.Repeat("2, ", 100) + "]\n")
	for _, path := range []string{"a", "b[100]"} {
		ps := []Problem{{File: "f", Path: path, Message: "m"}}
		Locate(data).Place(ps)
		lines := strings.Split(ps[0].Drawing(), "\n")
		if len(lines) != 4 || len(lines[1]) > 104 || len(lines[2]) > 104 {
			t.Fatalf("%s: too wide or too many lines:\n%s", path, ps[0].Drawing())
		}
		from := strings.IndexByte(lines[2], '^')
		marked := lines[1][from:][:strings.Count(lines[2], "^")]
		if path == "b[100]" && marked != `"here"` || path == "a" && !strings.HasPrefix(marked, `"xxx`) {
			t.Errorf("%s: marked %q", path, marked)
		}
	}
}

// Quoted text may hold the mark that sets the remedy apart.
func TestCollectorSplitsAtTheRemedy(t *testing.T) {
	c := &Collector{}
	c.Errorf("title", "%q is too long => write less", "a => b")
	if p := c.Problems[0]; p.Message != `"a => b" is too long` || p.Write != "write less" {
		t.Errorf("got %q and %q", p.Message, p.Write)
	}
	// A section may be called that, too, and stand in the remedy.
	c.Errorf("section", "there is no section %q => its sections are: %s", "vco", "in => out, divider")
	if p := c.Problems[1]; p.Message != `there is no section "vco"` || p.Write != "its sections are: in => out, divider" {
		t.Errorf("got %q and %q", p.Message, p.Write)
	}
}
