package partslist

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"unicode/utf8"

	"benchlore/schema"
)

// FuzzLists reads anything as a list: whatever it holds, what comes out is a model
// that a ledger can keep, and the same list adds nothing the second time.
func FuzzLists(f *testing.F) {
	seeds, err := filepath.Glob(fixtures + "/*.csv")
	if err != nil || len(seeds) == 0 {
		f.Fatal("no lists to begin with: ", err)
	}
	for _, s := range seeds {
		data, err := os.ReadFile(s)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data[:min(len(data), 2000)])
	}
	f.Fuzz(readsAnything)
}

// Lists that were damaged on the way, five of each, in the same way every
// time.
func TestMangledLists(t *testing.T) {
	t.Parallel()
	seeds, err := filepath.Glob(fixtures + "/*.csv")
	if err != nil || len(seeds) == 0 {
		t.Fatal("no lists to begin with: ", err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	bits := []string{",", ";", "\t", "\n", "\"", "C1", "R1-R9", "-", "/", "0", "9", ".", " ", "u", "Total", "\u00a0", "\u202e", "\xff", "x2"}
	for _, s := range seeds {
		data, err := os.ReadFile(s)
		if err != nil {
			t.Fatal(err)
		}
		data = data[:min(len(data), 1500)]
		for range 5 {
			got := slices.Clone(data)
			for range 1 + r.IntN(30) {
				at := r.IntN(len(got))
				switch r.IntN(3) {
				case 0:
					got = slices.Insert(got, at, []byte(bits[r.IntN(len(bits))])...)
				case 1:
					got = slices.Delete(got, at, min(len(got), at+1+r.IntN(4)))
				default:
					got[at] = data[r.IntN(len(data))]
				}
			}
			readsAnything(t, got)
			if t.Failed() {
				t.Fatalf("%s became:\n%q", s, got)
			}
		}
	}
}

func readsAnything(t *testing.T, data []byte) {
	t.Helper()
	sheets, err := ReadSheets("list.csv", data)
	if err != nil {
		return
	}
	for _, s := range sheets {
		for _, row := range s.Rows {
			for _, c := range row {
				if !utf8.ValidString(c) {
					t.Fatalf("%q is no UTF-8", c)
				}
			}
		}
	}
	if IsWork(sheets, nil) {
		today, _ := schema.ParseDate("2026-11-25")
		_, _ = ReadWork(sheets, WorkOptions{Today: today, Unit: "a/b", Find: func(s string) string { return s }, Sections: func(string) []string { return nil }})
	}
	l, err := Read(sheets, Options{Section: "chassis"})
	if err != nil || len(l.Questions) > 0 || len(l.Positions) == 0 {
		return
	}
	m := &schema.Model{Maker: "Quillard", Name: "Try"}
	Grow(m, l, false)
	text := schema.Encode(m)
	got, problems := schema.Decode[schema.Model]("models/try.toml", text)
	if got == nil || schema.Worst(problems) > schema.Warned {
		t.Errorf("%v\n%s", problems, text)
		return
	}
	if g := Grow(got, l, false); g.Added > 0 {
		t.Errorf("%d parts doubled\n%s", g.Added, text)
	}
}
