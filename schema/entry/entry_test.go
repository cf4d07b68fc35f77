package entry

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"benchlore/schema"
	"benchlore/schema/unit"
)

const model = `
maker = "Corvane"
name = "Astrella 61"

[[section]]
name = "power supply"
board = "PS"

[[section]]
name = "voice"
count = 4
board = "VC"

[[section]]
name = "keybed"

[[section.position]]
ref = "key:1-61/contact.1-2"
family = "contact/key"

[[kit]]
name = "recap"
revision = "1"

[[kit.part]]
section = "power supply"
ref = "C1-C9"
action = "replaced"
new = {value = "470 uF", rating = "35 V"}

[[kit.part]]
section = "voice 1-4"
ref = "C14"
action = "replaced"
new = {value = "10 uF", rating = "35 V"}

[[board]]
name = "PS"

[[board.position]]
ref = "C1-C9"
family = "capacitor/electrolytic"
value = "470 uF"
rating = "25 V"

[[board.position]]
count = 80
family = "board/joint"

[[board]]
name = "VC"

[[board.position]]
ref = "C14, R1-R3"
family = "capacitor/tantalum"
value = "10 uF"
rating = "25 V"
`

// organ is a unit with a fault F1.
func organ(t testing.TB) *unit.Unit {
	t.Helper()
	m, problems := schema.Decode[schema.Model]("model.toml", []byte(model))
	if m == nil || len(problems) > 0 {
		t.Fatal(problems)
	}
	data := []byte("kind = \"intake\"\ndate = 2024-03-04\nby = \"mw\"\nreason = \"repair\"\nworks = \"partly\"\n[[fault]]\nid = \"F1\"\nsymptom = \"hum\"\n")
	path := "instruments/astrella-61/a61-1/2024-03-04-intake-7q3f.toml"
	rec, problems := schema.DecodeRecord(path, data)
	if rec == nil || len(problems) > 0 {
		t.Fatal(problems)
	}
	parts := []byte("kind = \"parts\"\ndate = 2024-03-05\nby = \"mw\"\n[[part]]\nsection = \"voice 1\"\nref = \"C14\"\nfound = \"failed\"\nmode = \"leakage\"\n" +
		"fault = \"F1\"\naction = \"replaced\"\nnew = {value = \"10 uF\", rating = \"35 V\"}\n")
	partsPath := "instruments/astrella-61/a61-1/2024-03-05-parts-8k2m.toml"
	done, problems := schema.DecodeRecord(partsPath, parts)
	if done == nil || len(problems) > 0 {
		t.Fatal(problems)
	}
	return unit.Build(unit.Source{Name: "astrella-61/a61-1", Dir: "instruments/astrella-61/a61-1", Model: m,
		Records: []unit.File{{Path: path, Data: data, Record: rec}, {Path: partsPath, Data: parts, Record: done}}}, unit.Context{Families: schema.NewFamilyList(nil)})
}

func TestParse(t *testing.T) {
	u := organ(t)
	for _, c := range []struct{ typed, echo string }{
		{"voice 3 C14 failed short replaced 10uF/35V", "voice 3 C14: found failed short; replaced by 10uF 35V"},
		{"voice 3: C14 short replaced 10uF/35V", "voice 3 C14: found failed short; replaced by 10uF 35V"},
		{"voice 1-4 C14 untested replaced 10 uF 35 V", "voice 1-4 C14: found untested; replaced by 10uF 35V"},
		{"voice 2 c14, r1 ok in-circuit left", "voice 2 c14, r1: found ok (in-circuit); left"},
		// Only the power supply has these: no section needed.
		{"C1-C4 untested replaced 35V scrapped", "power supply C1-C4: found untested; replaced by 470 uF 35V; old part scrapped"},
		{"C3 F1 failed open replaced 470uF/35V", "power supply C3: found failed open; replaced by 470uF 35V; cures F1"},
		{"C3 replaced 470uF/35V failed short f1 old-stock", "power supply C3: found failed short; replaced by 470uF 35V old-stock; cures F1"},
		{"C3 470uF/25V failed short replaced 1000uF/35V", "power supply C3: found failed short; old part 470uF 25V; replaced by 1000uF 35V"},
		{"C3 470uF/25V -> 1000uF/35V failed short replaced", "power supply C3: found failed short; old part 470uF 25V; replaced by 1000uF 35V"},
		{"C3 10uF 35V failed short replaced", "power supply C3: found failed short; replaced by 10uF 35V"},
		{"C2 failed leakage caused_by=C1 replaced 470uF/25V lot=2021-el-470", "power supply C2: found failed leakage; because of C1; replaced by 470uF 25V lot 2021-el-470"},
		{"12x board/joint degraded dry-joint reworked", "power supply: 12 of board/joint found degraded dry-joint; reworked"},
		{"power supply 12x board/joint degraded dry-joint reworked", "power supply: 12 of board/joint found degraded dry-joint; reworked"},
		{"key:17/contact.2 degraded contamination cleaned", "keybed key:17/contact.2: found degraded contamination; cleaned"},
		{"key:1-61/contact.1 degraded contamination cleaned", "keybed key:1-61/contact.1: found degraded contamination; cleaned"},
		{"power supply @under IC4 failed burnt removed capacitor/ceramic", "power supply @under IC4 (capacitor/ceramic): found failed burnt; removed"},
		{"keybed key:3/contact.1 wear adjusted", "keybed key:3/contact.1: found degraded wear; adjusted"},
		{"voice 2 R1 - R3 ok in-circuit left", "voice 2 R1-R3: found ok (in-circuit); left"},
		{"C3 failed short replaced 470 uF / 35 V", "power supply C3: found failed short; replaced by 470uF 35V"},
		{"power supply @under the switch capacitor/safety failed burnt removed", "power supply @under the switch (capacitor/safety): found failed burnt; removed"},
		{"C1-C9 except C3,C5 untested replaced 470/35", "power supply C1-C2, C4, C6-C9: found untested; replaced by 470 uF 35 V"},
		{"C4 470/25 about 1974 failed short replaced 470/35", "power supply C4: found failed short; old part 470 uF 25 V dated 1974~; replaced by 470 uF 35 V"},
		{"kit recap/1 untested except C3 scrapped", "kit recap 1, except C3; found untested; old parts scrapped: 12 parts, without 1: power supply C3"},
		{"voice 2-3 C14 ok out-of-circuit kit recap", "kit recap 1 in voice 2-3, only C14; found ok (out-of-circuit): 2 parts"},
		{"C1-C9 ok in-circuit replaced kit recap except C3 lot=2021-el", "kit recap 1, only C1-C9, except C3; found ok (in-circuit); lot 2021-el: 8 parts, without 1: power supply C3"},
		{"voice 4 C14 same", "voice 4 C14: found failed leakage; replaced by 10 uF 35 V; cures F1"},
		{"voice 1 C14 pending short note=\"wait for parts\"", "voice 1 C14: found failed short; pending; note \"wait for parts\""},
	} {
		words := strings.Fields(c.typed)
		if i := strings.Index(c.typed, `note="`); i >= 0 {
			words = append(strings.Fields(c.typed[:i]), "note="+strings.Trim(c.typed[i+6:], `"`))
		}
		e, err := Parse(words, Context{Unit: u, By: "mw"})
		if err != nil {
			t.Errorf("%s: %v", c.typed, err)
			continue
		}
		if got := e.Echo(); got != c.echo {
			t.Errorf("%s\n got %s\nwant %s", c.typed, got, c.echo)
		}
		// What was understood is something the decoder takes.
		text := []byte("kind = \"parts\"\ndate = 2024-03-05\nby = \"mw\"\n")
		if e.Kit != nil {
			text = append(text, schema.EncodeTable("apply_kit", e.Kit)...)
		} else {
			text = append(text, schema.EncodeTable("part", e.Line)...)
		}
		if rec, problems := schema.DecodeRecord("2024-03-05-parts-8k2m.toml", text); rec == nil || schema.Worst(problems) >= schema.Wrong {
			t.Errorf("%s: %v\n%s", c.typed, problems, text)
		}
	}
}

// At work on one section, its name need not be typed again; a part that only
// another section has is still that one.
func TestParseAtASection(t *testing.T) {
	u := organ(t)
	for _, c := range []struct{ at, typed, echo string }{
		{"voice 3", "C14 sho rep 10/35", "voice 3 C14: found failed short; replaced by 10 uF 35 V"},
		{"voice 3", "voice 2 C14 ok left", "voice 2 C14: found ok; left"},
		{"voice 3", "C2 fai ope rep 470/35", "power supply C2: found failed open; replaced by 470 uF 35 V"},
		{"voice 3", "C77 capacitor/ceramic unt lef", "voice 3 C77 (capacitor/ceramic): found untested; left"}, // the model does not have it
		{"voice 3", "C14 =", "voice 3 C14: found failed leakage; replaced by 10 uF 35 V; cures F1"},
		{"voice 3", "80 joints ok left", "power supply: 80 of board/joint found ok; left"},
		{"voice 3", "kit recap unt", "kit recap 1; found untested: 13 parts"},
	} {
		e, err := Parse(strings.Fields(c.typed), Context{Unit: u, By: "mw", Section: c.at})
		if err != nil {
			t.Errorf("at %s, %s: %v", c.at, c.typed, err)
		} else if got := e.Echo(); got != c.echo {
			t.Errorf("at %s, %s\n got %s\nwant %s", c.at, c.typed, got, c.echo)
		}
	}
	for _, c := range []struct{ at, typed string }{
		{"", "C14 ok"},            // of four sections
		{"voice 3", "C77 ok"},     // of none, and nothing says what it is
		{"voice 3", "key:17 dea"}, // it has two contacts, and is in the keybed
	} {
		if e, err := Parse(strings.Fields(c.typed), Context{Unit: u, Section: c.at}); err == nil {
			t.Errorf("at %q, %s is taken as %s", c.at, c.typed, e.Echo())
		}
	}
}

// A listed word cut short is that word, or is not understood, or is a word of a
// list that goes before its own.
func TestWordsCutShort(t *testing.T) {
	u := organ(t)
	for i, l := range vocabularies {
		for _, w := range l.words {
			understood := len(w) <= shortest
			for n := shortest; n < len(w); n++ {
				got := split([]string{"C3", w[:n]}, u)[1]
				before := slices.ContainsFunc(vocabularies[:i], func(l vocabulary) bool { return slices.Contains(l.words, got) })
				if got != w && got != w[:n] && !(before && i >= ofTheParts) {
					t.Errorf("%s for %s is taken as %s", w[:n], w, got)
				}
				understood = understood || got == w
			}
			if !understood {
				t.Errorf("%s cannot be cut short at all", w)
			}
		}
	}
	_, err := Parse(strings.Fields("C3 out rep"), Context{Unit: u})
	if e := (*Error)(nil); !errors.As(err, &e) || e.What != `"out" could be out-of-adjustment or out-of-circuit` {
		t.Errorf("a word for two: %v", err)
	}
}

func TestParseRefuses(t *testing.T) {
	u := organ(t)
	for _, c := range []struct{ typed, what, remedy string }{
		{"", "names no part", "C14"},
		{"C14 failed", "C14 could be in any of 4", "voice 1, voice 2, voice 3, voice 4"},
		{"C99 failed", "no section of astrella-61/a61-1 is known to have C99", "power supply"},
		{"voise 3 C14 failed", "neither a part nor a section", "voice"},
		{"C3 fialed", `"fialed" is not understood`, `did you mean "failed"?`},
		{"C3 failed shrot", `"shrot" is not understood`, `did you mean "short"?`},
		{"C3 failed ok", "both failed and ok", "keep one"},
		{"C3 F9 failed", "there is no fault F9", "F1"},
		{"voics 3 C14 failed", "neither a part nor a section", "voice 3"},
		{"kit", "which kit?", "recap/1"},
		{"kit recup untested", "no kit \"recup\"", "recap/1"},
		{"kit recap/7 untested", "no revision 7", "recap/1"},
		{"kit recap short", "belong to single parts", "lines of their own"},
		{"kit recap cleaned", "a kit is fitted, not cleaned", "leave the action out"},
		{"C1-C9 except C44 ok left", "C44 is not among C1-C9", "except takes parts"},
		{"C1-C9 except ok left", "except what?", "except C14"},
		{"C3 failed colour=red", `no key "colour"`, "the keys are"},
		{"C3 failed noet=x", `no key "noet"`, "did you mean note=?"},
		{"C3 failed date=yesterday", "is not a date", "2031-03-04"},
		{"80x contact/relay ok", "no section", "begin with the section"},
	} {
		_, err := Parse(strings.Fields(c.typed), Context{Unit: u, By: "mw"})
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("%q: %v", c.typed, err)
			continue
		}
		if !strings.Contains(e.What, c.what) || !strings.Contains(e.Remedy, c.remedy) {
			t.Errorf("%q\n got %s\n     %s\nwant %s\n     %s", c.typed, e.What, e.Remedy, c.what, c.remedy)
		}
	}
}

var update = flag.Bool("update", false, "rewrite what testdata/lines.txt expects")

// TestTypedLines: lines as people type them, each with how it is understood or
// with what is said instead. In testdata/lines.txt a line as typed begins with >,
// its echo with =, what is wrong with ! and the remedy with two blanks.
func TestTypedLines(t *testing.T) {
	u := organ(t)
	data, err := os.ReadFile("testdata/lines.txt")
	if err != nil {
		t.Fatal(err)
	}
	var now strings.Builder
	n, refused := 0, 0
	for lines := bufio.NewScanner(strings.NewReader(string(data))); lines.Scan(); {
		typed, ok := strings.CutPrefix(lines.Text(), "> ")
		if !ok {
			if lines.Text() == "" || strings.HasPrefix(lines.Text(), "#") {
				fmt.Fprintln(&now, lines.Text())
			}
			continue
		}
		n++
		fmt.Fprintf(&now, "> %s\n", typed)
		e, err := Parse(shellWords(typed), Context{Unit: u, By: "mw"})
		var wrong *Error
		var unknown *NewSection
		switch {
		case errors.As(err, &wrong):
			refused++
			if wrong.Remedy == "" {
				t.Errorf("%s: %s, and no remedy", typed, wrong.What)
			}
			fmt.Fprintf(&now, "! %s\n  %s\n", wrong.What, wrong.Remedy)
		case errors.As(err, &unknown):
			refused++
			fmt.Fprintf(&now, "! %s\n  %s\n", unknown, unknown.Hint())
		case err != nil:
			t.Errorf("%s: %v", typed, err)
		default:
			fmt.Fprintf(&now, "= %s\n", e.Echo())
		}
	}
	if n < 60 || refused < 15 {
		t.Errorf("%d lines, %d of them refused", n, refused)
	}
	if *update {
		if err := os.WriteFile("testdata/lines.txt", []byte(now.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if now.String() != string(data) {
		want := strings.Split(string(data), "\n")
		for i, line := range strings.Split(now.String(), "\n") {
			if i >= len(want) || line != want[i] {
				t.Fatalf("line %d\n got %s\nwant %s", i+1, line, want[min(i, len(want)-1)])
			}
		}
		t.Fatal("lines are missing")
	}
}

// shellWords takes a line apart as a shell does, for the quotes people use here.
func shellWords(s string) []string {
	var out []string
	word, in, quote := "", false, rune(0)
	for _, r := range s + " " {
		switch {
		case quote != 0 && r == quote:
			quote = 0
		case quote == 0 && (r == '"' || r == '\''):
			quote, in = r, true
		case quote == 0 && r == ' ':
			if in {
				out = append(out, word)
			}
			word, in = "", false
		default:
			word, in = word+string(r), true
		}
	}
	return out
}

func FuzzParse(f *testing.F) {
	f.Add("voice 3 C14 failed short replaced 10uF/35V")
	f.Add("power supply 12x board/joint degraded reworked")
	f.Add("@under IC4 failed old.value=10uF")
	u := organ(f)
	f.Fuzz(func(t *testing.T, typed string) {
		e, err := Parse(strings.Fields(typed), Context{Unit: u, By: "mw"})
		if err == nil && e.Line != nil && e.Line.Section == "" {
			t.Errorf("%q is understood without a section", typed)
		}
	})
}
