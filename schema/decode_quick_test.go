package schema

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
	"pgregory.net/rapid"
)

// blank is an empty value of the type a sample is read into.
func (s sample) blank() any {
	switch s.schemaName() {
	case "instrument":
		return &Instrument{}
	case "model":
		return &Model{}
	case "shop":
		return &Shop{}
	case "lot":
		return &Lot{}
	case "list":
		return &ListForm{}
	case "families":
		return &Families{}
	case "customers":
		return &Customers{}
	case "book":
		return &Book{}
	}
	if rec := New(Kind(s.schemaName())); rec != nil {
		return rec
	}
	return &Note{}
}

// agree fails where the quick reader takes what the library (BurntSushi/toml)
// refuses, or reads something else in it. It reports whether it takes it.
func (s sample) agree(t interface {
	Fatalf(string, ...any)
	Helper()
}) bool {
	t.Helper()
	if !plainText(&Collector{}, s.data) {
		return false // neither sees it
	}
	got, want := s.blank(), s.blank()
	if !quickly(s.data, reflect.ValueOf(got).Elem()) {
		return false
	}
	md, err := toml.Decode(string(s.data), want)
	switch {
	case err != nil:
		t.Fatalf("read quickly, refused by the library: %v\n%s", err, s.data)
	case !allKnown(md.Keys(), reflect.TypeOf(want).Elem()):
		t.Fatalf("read quickly, with keys that are not known: %v\n%s", md.Keys(), s.data)
	case !reflect.DeepEqual(got, want):
		t.Fatalf("read quickly:\n%s\nby the library:\n%s\nfrom:\n%s", Encode(got), Encode(want), s.data)
	}
	return true
}

// toml10 are files at the borders of TOML 1.0 and of what the quick reader
// takes, by the file they stand for; those that begin with ! it must leave to
// the library.
var toml10 = map[string][]string{
	"2031-03-04-note-aaaa.toml": {
		"", "\n\n", "# only this", "#\n#", "kind = \"note\"", "kind=\"note\"\t# so\n", "  note = 'C:\\photos'  \n", "note = \"\"",
		"!note = ''", "!note = \"a\\tb\"", "!note = \"a\nb\"", "!note = 'a\nb'", "note = \"\"\"a\nb\"\"\"", "note = \"\"\"\n\na\"\"\"",
		"note = \"\"\"a\"b\"\"c\"\"\"", "!note = \"\"\"a\"\"\"\"", "!note = \"\"\"a\"\"\"\"\"", "!note = \"\"\"a \\\n  b\"\"\"", "!note = '''a'''",
		"note = \"\"\"\"\"\"", "!note = \"a", "!note = \"\"\"a", "!note = \"a\" b", "!note = a", "!note = \"a\" \"b\"", "!note = \"a\"\"",
		"!note = 1", "!note = true", "!note = [\"a\"]", "!note = {a = 1}", "!note", "!note =", "!= \"a\"", "!\"note\" = \"a\"", "!'note' = \"a\"",
		"!Note = \"a\"", "!other = \"a\"", "!note = \"a\"\nnote = \"b\"", "!note.x = \"a\"", "!fault.id = \"F1\"", "!note = \"a\"\r\n", "!note = \"a\rb\"",
		"note = \"\ufeff\"", "!\u00e9 = \"a\"", "note = \"caf\u00e9 \u6f22 \U0001f3b9\"", "note = \"tab\there\"", "note = \"# no comment\"",
		"seq = 3", "seq = -3", "seq = 0", "!seq = +3", "!seq = 03", "!seq = -03", "!seq = 1_000", "!seq = 0x1f", "!seq = 0o7", "!seq = 0b1", "!seq = 3.0",
		"!seq = \"3\"", "!seq = 9223372036854775808", "!seq = 99999999999999999999", "seq = 999999999999999", "seq = -0", "!seq = -", "!seq = 1e3", "!seq = 3 4",
		"hours = 12", "hours = 12.5", "hours = -12.5", "hours = 0.1", "!hours = .5", "!hours = 5.", "!hours = 1.2.3", "!hours = 1e3", "!hours = 1.5e3",
		"!hours = inf", "!hours = -inf", "!hours = nan", "!hours = +nan", "!hours = 01.5", "!hours = 1_0.5", "!hours = -0", "hours = -0.0", "!hours = 9007199254740993",
		"!hours = infinity", "!hours = 0x1p4", "!hours = -", "!hours = 1.-5", "!hours = 1.5_5",
		"withdrawn = true", "withdrawn = false", "!withdrawn = True", "!withdrawn = truee", "!withdrawn = 1",
		"date = 2031-03-04", "date = 2024-02-29", "!date = 2031-02-29", "!date = 2031-13-01", "!date = 0000-01-01", "date = 0001-01-01", "!date = 2031-3-4",
		"!date = 2031-03-04T10:00:00", "!date = 2031-03-04T10:00:00Z", "!date = 2031-03-04 10:00:00", "!date = 10:00:00", "!date = \"2031-03-04\"",
		"!date = 2031-03", "!date = 1974~", "!date = 04.03.2031", "!date = 2031-03-04T", "!date = 2031-03-04z",
		"settles = \"W1\"", "settles = [\"W1\"]", "settles = [\"W1\", 'W2',]", "settles = [ \"W1\"\n, \"W2\"\n]", "!settles = []", "!settles = [,]", "!settles = [\"a\",,\"b\"]",
		"!settles = [\"a\" \"b\"]", "!settles = [\"a\", 1]", "!settles = [\"a\", # x\n\"b\"]", "!settles = [[\"a\"]]", "!settles = 1", "!settles = [\"a\"", "!settles = [\"a\"]]",
		"[[fault]]\nid = \"F1\"", "[[fault]]\n[[fault]]\n", "[[fault]] # one\nid = \"F1\"\n[[fault]]\nid = \"F2\"\n[[warning]]\ntext = \"x\"\n[[fault]]\nid = \"F3\"",
		"!fault = [{id = \"F1\"}]", "!fault = []\n[[fault]]", "!fault = \"F1\"\n[[fault]]", "![fault]\nid = \"F1\"", "![fault]\n[[fault]]", "!fault = {id = \"F1\"}",
		"![[fault]\nid = \"F1\"", "![[fault]]]", "![[ fault ]]", "![ [fault]]", "![[fault]] id = \"F1\"", "![[]]", "![]", "![[.fault]]", "![[fault.]]", "![[fault]]\nid.x = \"F1\"",
		"!kind = \"note\"\n[[fault]]\nkind = \"x\"", "![[fault]]\nid = \"a\"\nid = \"b\"", "[[fault]]\nid = \"a\"\n[[fault]]\nid = \"a\"", "![[fault.x]]", "![[fault]]\n[[fault.fault]]",
		"![[note]]", "![note]", "![[\"fault\"]]", "kind = \"note\"\n   [[fault]]   \n   id = \"F1\"   ", "![[fault]]\n[fault]\n", "![[fau\nlt]]",
		"!note = \"a\"\x0b", "!\x0cnote = \"a\"", "!\u00a0note = \"a\"", "!note\u00a0= \"a\"",
	},
	"2031-03-04-parts-aaaa.toml": {
		"[[part]]\nnew = {value = \"10 uF\", lot = 'q1'}", "[[part]]\nnew = { value = \"10 uF\" }", "![[part]]\nnew = {}", "![[part]]\nnew = {value = \"10 uF\",}",
		"![[part]]\nnew = {value = \"a\", value = \"b\"}", "![[part]]\nnew = {value = \"a\"\n}", "![[part]]\nnew = {\nvalue = \"a\"}", "![[part]]\nnew = {value = \"a\"", "![[part]]\nnew = {value = \"a\" lot = \"b\"}",
		"![[part]]\nnew = {other = 1}", "![[part]]\nnew = \"a\"", "![[part]]\nnew = {value.x = \"a\"}", "![[part]]\nnew.value = \"a\"",
		"[[part]]\n[part.new]\nvalue = \"a\"\n[part.old]\nvalue = \"b\"\n[[part]]\n[part.new]\n", "![[part]]\n[part.new]\n[part.new]\n", "![[part]]\nnew = {value = \"a\"}\n[part.new]\n",
		"![[part]]\n[[part.new]]\n", "![part.new]\nvalue = \"a\"", "![[part]]\n[[apply_kit]]\n[part.new]\nvalue = \"a\"", "![part]\n[part.new]", "[[apply_kit]]\nkit = \"a\"\n[[part]]\nmode = [\"short\", \"burnt\"]\nfault = \"F1\"",
		"[[part]]\nref = \"C1\" # [[part]] [[part]]\n", "[[part]]\nnote = \"\"\"\n[[part]]\n\"\"\"\nref = \"C1\"\n", "[[part]]\ncount = 12\ndate = 2031-03-04\n", "![[part]]\ncount = 12\n[part.new]\n[[part.new.part]]",
	},
	"model.toml": {
		"[[board]]\nname = \"a\"\n[[board.position]]\nref = \"C1\"\n[[board.position]]\nref = \"C2\"\n[[board]]\n[[board.position]]\nref = \"C1\"",
		"[[kit]]\n[[kit.part]]\n[kit.part.new]\nvalue = \"a\"\n[[kit.part]]\n[kit.part.new]\n[[kit]]\n[[kit.part]]\n", "![[board.position]]\n[[board]]", "![[board]]\n[board.position]",
		"![[board]]\n[[section]]\n[[board.position]]", "![[board]]\nposition = []\n[[board.position]]", "![[board]]\n[[board.position]]\n[[board.position.ref]]", "![[board]]\n[[board.position]]\n[board.name]",
		"![[kit]]\n[[kit.part]]\n[[kit]]\n[kit.part.new]\n",
	},
	"lot.toml":        {"[part]\nvalue = \"10 uF\"\n", "part = {value = \"10 uF\"}\nquantity = 10", "![part]\n[part]\n", "!part = {value = \"10 uF\"}\n[part]\n", "![[part]]\n", "![part]\nvalue = \"a\"\n[part.value]\n"},
	"instrument.toml": {"format = 1\n[mains]\nas_found = \"117 V\"\n[[serial]]\nplace = \"plate\"\n", "![mains]\n[mains]\n", "[mains]\n[[serial]]\n", "!mains = {}"},
}

// TestQuickBorders: the quick reader takes what it is there for, leaves the rest
// to the library, and what it takes it reads as the library does.
func TestQuickBorders(t *testing.T) {
	for file, texts := range toml10 {
		for _, text := range texts {
			text, left := strings.CutPrefix(text, "!")
			if took := (sample{file: file, data: []byte(text)}).agree(t); took == left {
				t.Errorf("%s: taken: %v, want %v:\n%s", file, took, !left, text)
			}
		}
	}
}

// ledgerFiles are the files of the example ledger and its later days.
func ledgerFiles(t testing.TB) (out []sample) {
	for _, pattern := range []string{"instruments/*/*/*.toml", "models/*.toml", "lots/*.toml", "books/*/*/*.toml", "shop.toml", "*/*.toml", "*/*/*/*.toml", "*/*/*/*/*.toml"} {
		for _, top := range []string{"../examples/ledger", "../examples/later"} {
			paths, err := filepath.Glob(filepath.Join(top, filepath.FromSlash(pattern)))
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range paths {
				data, err := os.ReadFile(p)
				if err != nil {
					t.Fatal(err)
				}
				s := sample{file: filepath.Base(p), path: p, data: data}
				switch filepath.Base(filepath.Dir(p)) {
				case "models":
					s.file = "model.toml"
				case "lots":
					s.file = "lot.toml"
				}
				out = append(out, s)
			}
		}
	}
	if len(out) < 50 {
		t.Fatalf("only %d files in the example ledger", len(out))
	}
	return out
}

// TestQuickReadsTheExamples: nearly every file a restorer writes is read
// quickly, and as the library reads it.
func TestQuickReadsTheExamples(t *testing.T) {
	took := 0
	all := ledgerFiles(t)
	for _, s := range all {
		if s.agree(t) {
			took++
		}
	}
	if took*10 < len(all)*9 {
		t.Errorf("%d of %d files were read quickly: want nine in ten", took, len(all))
	}
	for _, dir := range []string{"good", "bad", "unit"} {
		samples, err := filepath.Glob(filepath.Join(corpusDir, dir, "*", "*.toml"))
		if err != nil || len(samples) == 0 {
			t.Fatalf("no samples in %s: %v", dir, err)
		}
		for _, p := range samples {
			data, err := os.ReadFile(p)
			if err != nil {
				t.Fatal(err)
			}
			sample{file: filepath.Base(p), data: data}.agree(t)
		}
	}
}

// TestQuickReadsWhatIsWritten: what this program writes is read quickly, unless
// a text in it needs an escape.
func TestQuickReadsWhatIsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := Kind(rapid.SampledFrom(Kind("").Words()).Draw(t, "kind"))
		data := Encode(drawRecord(t, k))
		if took := (sample{file: "2031-03-04-" + string(k) + "-aaaa.toml", data: data}).agree(t); !took && !bytes.Contains(data, []byte(`\`)) {
			t.Fatalf("not read quickly:\n%s", data)
		}
	})
}

// TestQuickMutated changes real files a little in many ways.
func TestQuickMutated(t *testing.T) {
	all := append(ledgerFiles(t), corpus(t, "good")...)
	pieces := []string{"\"", "'", "\"\"\"", "'''", "\\", "\n", "\r\n", " ", "\t", "=", ".", ",", "[", "]", "[[", "]]", "{", "}", "#", "-", "+", "_", "0", "1.5", "1e3",
		"inf", "nan", "true", "2031-03-04", "T10:00", "part", "[[part]]\n", "[part.new]\n", "note = \"x\"\n", "\u00e9", "\ufeff", "\x00", "\x7f", "\xff", "\u202e", "\\u0041", "0x1"}
	draw := rand.New(rand.NewPCG(7, 11))
	for range 20_000 {
		s := all[draw.IntN(len(all))]
		s.data = bytes.Clone(s.data)
		for range 1 + draw.IntN(2) {
			i := draw.IntN(len(s.data) + 1)
			j := min(len(s.data), i+draw.IntN(4))
			switch draw.IntN(4) {
			case 0: // out
				s.data = append(s.data[:i:i], s.data[j:]...)
			case 1: // in, or in the place of something
				s.data = append(append(s.data[:i:i], pieces[draw.IntN(len(pieces))]...), s.data[j:]...)
			case 2: // a line twice, or a line moved
				lines := bytes.SplitAfter(s.data, []byte("\n"))
				a, b := draw.IntN(len(lines)), draw.IntN(len(lines))
				lines[a] = append(bytes.Clone(lines[a]), lines[b]...)
				s.data = bytes.Join(lines, nil)
			case 3: // cut short
				s.data = s.data[:i]
			}
			if len(s.data) == 0 {
				break
			}
		}
		s.agree(t)
	}
}

// FuzzQuickly holds the quick reader against the library on any bytes.
func FuzzQuickly(f *testing.F) {
	for file, texts := range toml10 {
		for _, text := range texts {
			f.Add(file, []byte(strings.TrimPrefix(text, "!")))
		}
	}
	for _, dir := range []string{"good", "bad"} {
		for _, s := range corpus(f, dir) {
			f.Add(s.file, s.data)
		}
	}
	f.Fuzz(func(t *testing.T, file string, data []byte) { sample{file: file, data: data}.agree(t) })
}

// TestWrongTwice: what is remembered of good texts hides nothing wrong: every bad
// sample is as bad when it is read again, after all good ones.
func TestWrongTwice(t *testing.T) {
	bad := corpus(t, "bad")
	first := map[string]string{}
	for _, s := range bad {
		_, ps := s.decode()
		first[s.path] = drawings(ps)
	}
	for _, s := range corpus(t, "good") {
		s.decode()
	}
	for _, s := range bad {
		if _, ps := s.decode(); drawings(ps) != first[s.path] {
			t.Errorf("%s: at first:\n%s\nthen:\n%s", s.path, first[s.path], drawings(ps))
		}
	}
}
