package partslist

import (
	"os"
	"path/filepath"
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
	f.Fuzz(func(t *testing.T, data []byte) {
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
			t.Fatalf("%v\n%s", problems, text)
		}
		if g := Grow(got, l, false); g.Added > 0 {
			t.Fatalf("%d parts doubled\n%s", g.Added, text)
		}
	})
}
