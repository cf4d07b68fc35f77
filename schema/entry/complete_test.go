package entry

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"benchlore/schema"
)

var shelf = Stock{Families: schema.NewFamilyList(nil), Lots: map[string]*schema.Lot{
	"2021-el-470": {Family: "capacitor/electrolytic", Part: schema.Component{Value: "470 uF", Rating: "35 V"}},
	"2021-tant":   {Family: "capacitor/tantalum", Notices: []schema.LotNotice{{Verdict: schema.LotBad}}},
	"2021-npn":    {Family: "transistor/silicon"},
}}

func TestComplete(t *testing.T) {
	u := organ(t)
	for _, c := range []struct {
		line  string // up to the last blank: words; behind it: what is typed
		has   []string
		lacks []string
		open  bool
	}{
		{line: "", has: []string{"power", "voice", "keybed", "kit"}, lacks: []string{"C14", "failed"}},
		{line: "C", has: []string{"C1", "C9"}, lacks: []string{"C14"}},
		{line: "p", has: []string{"power"}, lacks: []string{"voice", "C1"}},
		{line: "power ", has: []string{"supply"}, lacks: []string{"C1"}},
		{line: "power supply ", has: []string{"C1", "C9", "kit"}, lacks: []string{"C14", "power"}},
		{line: "voice ", has: []string{"1", "4"}, lacks: []string{"C14", "failed"}},
		{line: "voice 2 ", has: []string{"C14", "R1"}, lacks: []string{"C1"}},
		{line: "voice 2-3 c", has: []string{"C14"}, lacks: []string{"R1"}},
		{line: "keybed ", has: []string{"key:"}, lacks: []string{"key:1/contact.1"}},
		{line: "keybed key:17", has: []string{"key:17/contact.1", "key:17/contact.2"}, lacks: []string{"key:18/contact.1"}},
		{line: "C3 ", has: []string{"failed", "short", "replaced", "F1", "same", "except", "kit"}, lacks: []string{"C3", "new", "scrapped", "power"}},
		{line: "C3 failed ", has: []string{"short", "replaced"}, lacks: []string{"degraded", "failed", "except"}},
		{line: "C3 short ", has: []string{"open", "replaced"}, lacks: []string{"short"}},
		{line: "C3 failed short replaced ", has: []string{"old-stock", "scrapped", "F1"}, lacks: []string{"cleaned"}},
		{line: "C3 failed short replaced F1 ", lacks: []string{"F1"}, has: []string{"scrapped"}},
		{line: "C1-C9 except ", has: []string{"C3"}, lacks: []string{"failed", "C10"}},
		{line: "kit ", has: []string{"recap/1"}, lacks: []string{"failed"}},
		{line: "kit recap/1 ", has: []string{"untested", "scrapped"}, lacks: []string{"kit"}},
		{line: "C3 replaced lot", has: []string{"lot="}, open: true},
		{line: "C3 replaced lot=", has: []string{"lot=2021-el-470", "lot=2021-tant"}, lacks: []string{"lot=2021-npn"}},
		{line: "C3 replaced new.ma", has: []string{"new.maker="}, open: true},
		{line: "C3 replaced new.source=d", has: []string{"new.source=donor"}, lacks: []string{"new.source=new"}},
		{line: "C3 caused_by=bat", has: []string{"caused_by=battery-leak"}},
		{line: "C3 capacitor/f", has: []string{"capacitor/film"}, lacks: []string{"capacitor/tantalum"}},
		{line: "12x ", has: []string{"board/joint"}, lacks: []string{"failed"}},
		{line: "12x board/joint ", has: []string{"degraded"}},
		{line: "nowhere X9 ", has: nil, lacks: []string{"power"}},
	} {
		words := strings.Fields(c.line)
		typed := ""
		if n := len(words); n > 0 && !strings.HasSuffix(c.line, " ") {
			words, typed = words[:n-1], words[n-1]
		}
		choices, open := Complete(words, typed, Context{Unit: u}, shelf)
		var got []string
		for _, x := range choices {
			got = append(got, x.Word)
		}
		for _, w := range c.has {
			if !slices.Contains(got, w) {
				t.Errorf("%q: no %q in %q", c.line, w, got)
			}
		}
		for _, w := range c.lacks {
			if slices.Contains(got, w) {
				t.Errorf("%q: offers %q", c.line, w)
			}
		}
		if c.open && !open {
			t.Errorf("%q: open is %v", c.line, open)
		}
	}
	choices, _ := Complete([]string{"C3", "replaced"}, "lot=2021-t", Context{Unit: u}, shelf)
	if len(choices) != 1 || choices[0].About != "BAD: capacitor/tantalum" {
		t.Errorf("%q", choices)
	}
}

// Whatever is offered begins with what was typed, is offered once, and a line
// built from nothing but offers is never refused for a word it does not know.
func TestCompleteOffersWhatParseTakes(t *testing.T) {
	u := organ(t)
	rapid.Check(t, func(t *rapid.T) {
		var words []string
		for range rapid.IntRange(1, 8).Draw(t, "words") {
			typed := rapid.SampledFrom([]string{"", "", "f", "C", "r", "n"}).Draw(t, "typed")
			choices, open := Complete(words, typed, Context{Unit: u}, shelf)
			seen := map[string]bool{}
			for _, c := range choices {
				if seen[c.Word] || len(c.Word) < len(typed) || !strings.EqualFold(c.Word[:len(typed)], typed) {
					t.Fatalf("%q after %q, typed %q", c.Word, words, typed)
				}
				seen[c.Word] = true
			}
			if open || len(choices) == 0 {
				continue
			}
			words = append(words, rapid.SampledFrom(choices).Draw(t, "choice").Word)
		}
		_, err := Parse(words, Context{Unit: u, By: "mw"})
		if err != nil && strings.Contains(err.Error(), "not understood") {
			t.Fatalf("%q: %v", words, err)
		}
	})
}
