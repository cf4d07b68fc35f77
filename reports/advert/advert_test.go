package advert

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"benchlore/reports/page"
	"benchlore/reports/provenance"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// The instrument of these tests is one whose records carry every word: two boards
// with eleven electrolytics, all replaced, a keybed nobody touched, cleaned contacts,
// readings, a soak, safety checks and a release.
var files = map[string]string{
	"instrument.toml": `format = 1
uuid = "9d9a4b0e-0b0f-4a6e-8d3a-6f3f6f0a1c11"
maker = "Corvane"
model = "Astrella 49"
built = "1974"
built_from = "date codes"

[[serial]]
place = "plate"
value = "20417"
how = "read"
`,
	"model.toml": `maker = "Corvane"
name = "Astrella 49"

[[section]]
name = "power supply"
complete = true

  [[section.position]]
  ref = "C1-C5"
  family = "capacitor/electrolytic"
  value = "100 uF"

[[section]]
name = "preamp"
complete = true

  [[section.position]]
  ref = "C1-C6"
  family = "capacitor/electrolytic"
  value = "10 uF"

  [[section.position]]
  ref = "S1"
  family = "contact/switch"

[[section]]
name = "keybed"
complete = true

  [[section.position]]
  ref = "key:1-3"
  family = "mechanism/key"

[[limit]]
point = "hum"
section = "preamp"
high = "2 mV"
source = "shop"
`,
	"2031-03-01-intake-aaaa.toml": `kind = "intake"
date = 2031-03-01
by = "mw"
reason = "overhaul"
works = "partly"

[[fault]]
id = "F1"
symptom = "hum"

[[section]]
name = "keybed"
origin = "original"
`,
	"2031-03-02-parts-aaab.toml": `kind = "parts"
date = 2031-03-02
by = "mw"
` + replaced("power supply", "C", 5) + replaced("preamp", "C", 6) + `
[[part]]
section = "preamp"
ref = "S1"
found = "degraded"
action = "cleaned"

[[part]]
section = "keybed"
ref = "key:1-3"
found = "ok"
how = "visual"
action = "left"
`,
	"2031-03-04-measurements-aaac.toml": `kind = "measurements"
date = 2031-03-04
by = "mw"

[[reading]]
point = "hum"
section = "preamp"
value = "1 mV"
stage = "as-left"
`,
	"2031-03-05-soak-aaad.toml": `kind = "soak"
date = 2031-03-05
by = "mw"
duration = "24 h"
`,
	"2031-03-06-safety-aaae.toml": `kind = "safety"
date = 2031-03-06
by = "mw"

[[check]]
name = "earth continuity"
result = "done"
value = "0.1 Ohm"
high = "0.3 Ohm"
limit_source = "shop"
`,
	"2031-03-07-release-aaaf.toml": `kind = "release"
date = 2031-03-07
by = "mw"
works = "fully"
power = "normal"

[[fault]]
id = "F1"
state = "cured"

[warranty]
start = 2031-03-07
end = 2032-03-07
scope = "parts and labour"
transferable = true
`,
}

func replaced(section, letter string, n int) string {
	var s strings.Builder
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&s, "\n[[part]]\nsection = %q\nref = \"%s%d\"\nfound = \"untested\"\naction = \"replaced\"\nnew = {value = \"10 uF\", rating = \"63 V\", source = \"new\"}\n", section, letter, i)
	}
	return s.String()
}

// written is the advert of the instrument with some files changed.
func written(t testing.TB, changed map[string]string) (*Advert, string) {
	t.Helper()
	folder := fstest.MapFS{}
	for name, text := range files {
		if c, ok := changed[name]; ok {
			text = c
		}
		if text != "" {
			folder["instruments/astrella-49/a49-20417/"+name] = &fstest.MapFile{Data: []byte(text)}
		}
	}
	shop := &schema.Shop{Name: "Halden Street Workshop", Technicians: []schema.Technician{{ID: "mw", Name: "Maren Wickstead"}}}
	families := schema.NewFamilyList(nil)
	read, err := unit.Read(folder, unit.Folder{Name: "astrella-49/a49-20417", Dir: "instruments/astrella-49/a49-20417"}, unit.Context{Shop: shop, Families: families})
	if err != nil {
		t.Fatal(err)
	}
	day, err := schema.ParseDate("2031-04-01")
	if err != nil {
		t.Fatal(err)
	}
	r := provenance.Build(provenance.Input{Unit: read.Unit, Shop: shop, Families: families, Closed: true, AsOf: day})
	a := Of(r, read.Unit, Sealed{Short: "1-0a41530d", Key: "SHA256:x"})
	var b bytes.Buffer
	if err := a.WriteText(&b, TextOptions{TextOptions: page.TextOptions{Width: 10000}}); err != nil {
		t.Fatal(err)
	}
	return a, b.String()
}

// change replaces one piece of one file, which must be there once.
func change(t testing.TB, file, from, to string) map[string]string {
	t.Helper()
	if strings.Count(files[file], from) != 1 {
		t.Fatalf("%s has %q %d times", file, from, strings.Count(files[file], from))
	}
	return map[string]string{file: strings.Replace(files[file], from, to, 1)}
}

// TestCarried: on records that carry them, every word is used, each sentence names the
// records it rests on, and the short text is shorter.
func TestCarried(t *testing.T) {
	a, text := written(t, nil)
	for _, want := range []string{
		"Corvane Astrella 49\n", "Built 1974", "plate number 20417",
		"Recapped: all 11 aluminium electrolytic capacitors of power supply, preamp were replaced by new ones on 2031-03-02.",
		"Overhauled between 2031-03-01 and 2031-03-07", "Serviced:", "Tested at its last stay: 1 reading as left, 1 of them with a limit, none outside it.",
		"Original, as far as the records say: keybed.", "Works fully, by the word of Maren Wickstead for Halden Street Workshop at its release on 2031-03-07.",
		"Safety checks at its last stay: 1.", "until 2032-03-07", "it passes to the next owner", "seal 1-0a41530d",
	} {
		if !strings.Contains(strings.ReplaceAll(text, "power supply and preamp", "power supply, preamp"), want) {
			t.Errorf("the text does not say %q:\n%s", want, text)
		}
	}
	for _, s := range a.Text {
		if len(s.Records) == 0 && s.About != "check" && s.About != "not looked at" {
			t.Errorf("%q rests on no record", s.Text)
		}
	}
	var short bytes.Buffer
	if err := a.WriteText(&short, TextOptions{Short: true, TextOptions: page.TextOptions{Width: 80}}); err != nil || short.Len() >= len(text) || short.Len() == 0 {
		t.Errorf("the short text has %d letters, the long one %d (%v)", short.Len(), len(text), err)
	}
	var cited bytes.Buffer
	if err := a.WriteText(&cited, TextOptions{Cite: true, TextOptions: page.TextOptions{Width: 10000}}); err != nil || !strings.Contains(cited.String(), "none outside it. [2031-03-04-measurements-aaac]") {
		t.Errorf("cited: %v\n%s", err, cited.String())
	}
}

// TestOneFactChanged changes one fact of the records at a time, in more than 200 ways,
// and looks for the sentences that are false from then on.
func TestOneFactChanged(t *testing.T) {
	type mutation struct {
		name    string
		changed map[string]string
		gone    []string // must not be said
		said    []string // must be said
	}
	var all []mutation
	add := func(name string, changed map[string]string, gone ...string) {
		all = append(all, mutation{name: name, changed: changed, gone: gone})
	}
	say := func(words ...string) { all[len(all)-1].said = words }
	const parts, intake, measured, soak, safety, release = "2031-03-02-parts-aaab.toml", "2031-03-01-intake-aaaa.toml", "2031-03-04-measurements-aaac.toml",
		"2031-03-05-soak-aaad.toml", "2031-03-06-safety-aaae.toml", "2031-03-07-release-aaaf.toml"

	// Each capacitor: not replaced, taken out, used, from a donor, failed to be there.
	for _, s := range []struct {
		section string
		n       int
	}{{"power supply", 5}, {"preamp", 6}} {
		for i := 1; i <= s.n; i++ {
			whole := strings.Split(replaced(s.section, "C", i), "\n\n")
			line := "\n" + strings.TrimPrefix(whole[len(whole)-1], "\n")
			if !strings.HasPrefix(line, "\n[[part]]") {
				line = "\n[[part]]" + strings.SplitN(line, "[[part]]", 2)[1]
			}
			name := fmt.Sprintf("%s C%d ", s.section, i)
			gone := []string{"all 11 aluminium", s.section + " were replaced", s.section + ", preamp were replaced", s.section + " and preamp were replaced"}
			add(name+"not mentioned", change(t, parts, line, "\n"), gone...)
			for _, action := range []string{"left", "pending", "cleaned", "reworked", "adjusted", "removed"} {
				add(name+action, change(t, parts, line, strings.NewReplacer(`"replaced"`, `"`+action+`"`, "new = {value = \"10 uF\", rating = \"63 V\", source = \"new\"}\n", "").Replace(line)), gone...)
			}
			for _, source := range []string{"used", "donor", "old-stock", "reproduction", "shop-made"} {
				add(name+source, change(t, parts, line, strings.Replace(line, `source = "new"`, `source = "`+source+`"`, 1)), gone...)
			}
		}
	}
	// The state it left in, and what came before.
	for _, works := range []string{"partly", "no", "unknown"} {
		add("released "+works, change(t, release, `works = "fully"`, `works = "`+works+`"`), "Works fully", "Overhauled")
	}
	for _, state := range []string{"open", "declined", "accepted"} {
		add("fault "+state, change(t, release, `state = "cured"`, `state = "`+state+`"`), "Overhauled")
		say("“hum”")
	}
	for _, reason := range []string{"repair", "inspection", "purchase"} {
		add("in for "+reason, change(t, intake, `reason = "overhaul"`, `reason = "`+reason+`"`), "Overhauled")
	}
	add("never released", map[string]string{release: ""}, "Works fully", "Overhauled", "Serviced", "Tested at its last stay: ", "Warranty from")
	say("not released")
	add("no soak", map[string]string{soak: ""}, "Overhauled")
	add("no reading", map[string]string{measured: ""}, "Overhauled", "Tested at its last stay: ")
	add("reading outside", change(t, measured, `"1 mV"`, `"3 mV"`), "Overhauled", "none outside")
	say("1 OUTSIDE")
	add("reading as found", change(t, measured, `"as-left"`, `"as-found"`), "Overhauled", "Tested at its last stay: ")
	add("reading before the work", change(t, measured, "2031-03-04", "2031-03-01"), "Overhauled", "Tested at its last stay: ")
	add("reading without a limit", change(t, measured, `point = "hum"`, `point = "hiss"`), "Overhauled", "none outside")
	add("soak before the work", change(t, soak, "2031-03-05", "2031-03-01"), "Overhauled")
	add("no cleaning", change(t, parts, `action = "cleaned"`, `action = "adjusted"`), "Overhauled")
	add("no safety checks", map[string]string{safety: ""}, "Safety checks at")
	say("NOT SAFETY TESTED")
	add("safety check not done", change(t, safety, `result = "done"
value = "0.1 Ohm"
high = "0.3 Ohm"
limit_source = "shop"`, `result = "not-done"
why = "no tester"`), "Safety checks at")
	say("NOT SAFETY TESTED")
	add("safety check outside", change(t, safety, `"0.1 Ohm"`, `"0.9 Ohm"`), "no certificate")
	say("FAILED")
	add("warranty ended", change(t, release, "end = 2032-03-07", "end = 2031-03-20"), "Warranty from")
	say("No warranty is running")
	add("warranty not transferable", change(t, release, "transferable = true", "transferable = false"), "it passes to the next owner")
	add("not to be switched on", change(t, release, `power = "normal"`, `power = "do-not-power"`))
	say("Do not switch it on")
	for _, origin := range []string{"replaced", "unknown"} {
		add("keybed "+origin, change(t, intake, `origin = "original"`, `origin = "`+origin+`"`), "Original")
	}
	add("nobody says original", change(t, intake, "\n[[section]]\nname = \"keybed\"\norigin = \"original\"\n", "\n"), "Original")
	add("others worked on it", change(t, intake, `works = "partly"`, "works = \"partly\"\nearlier_work = [\"newer solder on the keybed\"]"), "Original")
	add("a key replaced", change(t, parts, "found = \"ok\"\nhow = \"visual\"\naction = \"left\"", "found = \"failed\"\naction = \"replaced\"\nnew = {source = \"donor\"}"), "Original")
	for i, section := range []string{"power supply", "preamp", "keybed"} {
		model := files["model.toml"]
		at := strings.Index(model, fmt.Sprintf("name = %q\ncomplete = true", section))
		cut := model[:at] + strings.Replace(model[at:], "complete = true\n", "", 1)
		add("list of "+section+" not complete", map[string]string{"model.toml": cut}, "Overhauled", [...]string{"power supply and preamp were", "power supply and preamp were", "Original"}[i])
	}
	add("serial assumed", change(t, "instrument.toml", `how = "read"`, `how = "assumed"`))
	say("assumed and not read")
	add("serial missing", change(t, "instrument.toml", "value = \"20417\"\nhow = \"read\"", `how = "missing"`), "20417")
	add("built unknown", change(t, "instrument.toml", "built = \"1974\"\nbuilt_from = \"date codes\"\n", ""), "Built 1974")

	// Words that claim, in whatever a record lets somebody write.
	words := append(slices.Clone(never), "recapped", "Overhauled", "serviced", "TESTED", "original", "as-new", "as  new", "fully restored")
	for i, word := range words {
		for k, place := range []struct{ file, from, to string }{
			{"instrument.toml", `built_from = "date codes"`, `built_from = "it is %s"`},
			{"instrument.toml", `model = "Astrella 49"`, `model = "Astrella 49 %s"`},
			{intake, `symptom = "hum"`, `symptom = "hum, else %s"`},
			{release, `scope = "parts and labour"`, `scope = "%s"`},
			{release, `by = "mw"`, `by = "mw (%s)"`},
		} {
			if k < 4 || i%7 == 0 {
				changed := change(t, place.file, place.from, fmt.Sprintf(place.to, word))
				if place.file == intake { // a fault that is told
					changed[release] = strings.Replace(files[release], `state = "cured"`, `state = "open"`, 1)
				}
				add(fmt.Sprintf("%q in %s", word, place.from), changed, strings.ToUpper("it is "+word), "hum, else "+word, "49 "+word, "“"+word, "("+word)
			}
		}
	}
	if len(all) < 200 {
		t.Fatalf("only %d changes", len(all))
	}
	_, before := written(t, nil)
	unchanged := 0
	for _, m := range all {
		_, text := written(t, m.changed)
		for _, s := range m.gone {
			if strings.Contains(strings.ToLower(text), strings.ToLower(s)) {
				t.Errorf("%s: the text still says %q:\n%s", m.name, s, text)
			}
		}
		for _, s := range m.said {
			if !strings.Contains(text, s) {
				t.Errorf("%s: the text does not say %q:\n%s", m.name, s, text)
			}
		}
		if text == before {
			unchanged++
		}
	}
	if unchanged > 0 {
		t.Errorf("%d changes change nothing", unchanged)
	}
	t.Logf("%d changes", len(all))
}

// TestTable: every word of the table says what it asks for and where that is from.
func TestTable(t *testing.T) {
	for _, w := range Words {
		if w.Asks == "" || w.Source == "" || slices.Contains(never, w.Word) || !slices.Contains(gated, w.Word) {
			t.Errorf("%+v", w)
		}
	}
}
