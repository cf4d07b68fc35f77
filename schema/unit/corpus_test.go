package unit

import (
	"flag"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"benchlore/schema"
	"benchlore/schema/refs"
)

var update = flag.Bool("update", false, "rewrite what testdata/schema/unit expects")

const (
	corpusDir = "../../testdata/schema/unit"
	unitDir   = "instruments/astrella-61/a61-10233"
)

// today is the day the samples are read on.
var today = day("2031-01-01")

func day(s string) schema.Date {
	d, err := schema.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

// base is the shop, model, lots and instrument every sample is read against.
func base(t testing.TB) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	root := filepath.Join(corpusDir, "base")
	for _, pattern := range []string{"*.toml", "lots/*.toml"} {
		paths, err := filepath.Glob(filepath.Join(root, pattern))
		if err != nil || len(paths) == 0 {
			t.Fatalf("nothing in %s/%s: %v", root, pattern, err)
		}
		for _, p := range paths {
			data, err := os.ReadFile(p)
			if err != nil {
				t.Fatal(err)
			}
			rel, err := filepath.Rel(root, p)
			if err != nil {
				t.Fatal(err)
			}
			files[filepath.ToSlash(rel)] = data
		}
	}
	return files
}

// source reads a sample's files, all of which must be right by themselves: what
// is tested here lies between files.
func source(t testing.TB, files map[string][]byte) (Source, Context) {
	t.Helper()
	src := Source{Name: "astrella-61/a61-10233", Dir: unitDir}
	ctx := Context{Families: schema.NewFamilyList(nil), Lots: map[string]*schema.Lot{}, Today: today}
	for name, data := range files {
		var ps []schema.Problem
		switch {
		case name == "shop.toml":
			ctx.Shop, ps = schema.Decode[schema.Shop](name, data)
		case name == "model.toml":
			src.Model, ps = schema.Decode[schema.Model](name, data)
		case name == "instrument.toml":
			src.Instrument, ps = schema.Decode[schema.Instrument](name, data)
			src.InstrumentData = data
		case strings.HasPrefix(name, "lots/"):
			var l *schema.Lot
			l, ps = schema.Decode[schema.Lot](name, data)
			ctx.Lots[strings.TrimSuffix(path.Base(name), ".toml")] = l
		default:
			f := File{Path: unitDir + "/" + name, Data: data}
			f.Record, ps = schema.DecodeRecord(name, data)
			src.Records = append(src.Records, f)
		}
		for _, p := range ps {
			if p.Severity > schema.Warned {
				t.Errorf("wrong by itself:\n%s", p.Drawing())
			}
		}
	}
	if t.Failed() {
		t.FailNow()
	}
	return src, ctx
}

// sample reads one sample on top of the base.
func sample(t testing.TB, name string) (src Source, ctx Context, want string) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(corpusDir, name+".txtar"))
	if err != nil {
		t.Fatal(err)
	}
	files := base(t)
	own := split(string(data))
	want, ok := own["want"]
	if !ok {
		t.Fatalf("%s: no part named want", name)
	}
	delete(own, "want")
	for file, text := range own {
		files[file] = []byte(text)
	}
	src, ctx = source(t, files)
	return src, ctx, want
}

var header = regexp.MustCompile(`(?m)^-- (\S+) --\n`)

// split takes a sample apart: what stands before the first header says what it
// shows, then come the files.
func split(text string) map[string]string {
	files := map[string]string{}
	at := header.FindAllStringSubmatchIndex(text, -1)
	for i, m := range at {
		end := len(text)
		if i+1 < len(at) {
			end = at[i+1][0]
		}
		files[text[m[2]:m[3]]] = text[m[1]:end]
	}
	return files
}

func built(t testing.TB, name string) *Unit {
	t.Helper()
	src, ctx, _ := sample(t, name)
	return Build(src, ctx)
}

func samples(t testing.TB) []string {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(corpusDir, "*.txtar"))
	if err != nil || len(paths) < 50 {
		t.Fatalf("%d samples in %s: %v", len(paths), corpusDir, err)
	}
	var names []string
	for _, p := range paths {
		names = append(names, strings.TrimSuffix(filepath.Base(p), ".txtar"))
	}
	return names
}

// drawings leaves the folder of the unit out.
func drawings(ps []schema.Problem) string {
	var b strings.Builder
	for _, p := range ps {
		b.WriteString(strings.TrimPrefix(p.Drawing(), unitDir+"/"))
	}
	return b.String()
}

func TestSamples(t *testing.T) {
	for _, name := range samples(t) {
		t.Run(name, func(t *testing.T) {
			src, ctx, want := sample(t, name)
			got := drawings(Build(src, ctx).Problems)
			if *update {
				file := filepath.Join(corpusDir, name+".txtar")
				data, err := os.ReadFile(file)
				if err != nil {
					t.Fatal(err)
				}
				head, _, _ := strings.Cut(string(data), "-- want --\n")
				if err := os.WriteFile(file, []byte(head+"-- want --\n"+got), 0o666); err != nil {
					t.Fatal(err)
				}
				return
			}
			if got != want {
				t.Errorf("got\n%swant\n%s", got, want)
			}
		})
	}
}

func refsOf(t testing.TB, s string) refs.Ref {
	t.Helper()
	l, err := refs.Parse(s)
	if err != nil || len(l.Enumerate()) != 1 {
		t.Fatalf("%q is not one position: %v", s, err)
	}
	return l.Enumerate()[0]
}
