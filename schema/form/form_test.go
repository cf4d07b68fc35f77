package form

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"benchlore/schema"
	"benchlore/schema/unit"
)

const testModel = `maker = "Corvane"
name = "Astrella 61"

[[section]]
name = "power supply"
complete = true
[[section.position]]
ref = "C1-C2"
family = "capacitor/electrolytic"
value = "1000 uF"
rating = "40 V"
function = "rail smoothing"
[[section.position]]
ref = "R1"
family = "resistor/carbon-film"
value = "22 Ohm"
rating = "2 W"
[[section.position]]
ref = "Q1"
family = "semiconductor/bipolar"
type = "NPN power"

[[section]]
name = "divider"
count = 3
board = "DV"

[[board]]
name = "DV"
complete = true
[[board.position]]
ref = "C1-C8"
family = "capacitor/electrolytic"
value = "2.2 uF"
rating = "25 V"

[[section]]
name = "keybed"
[[section.position]]
ref = "key:1-5"
family = "contact/key"

[[limit]]
point = "+15 V rail"
nominal = "15 V"
low = "14.8 V"
high = "15.2 V"
source = "service notes"
[[limit]]
point = "output level"
section = "divider 1-3"
low = "90 mV"
high = "110 mV"
source = "service notes"
[[limit]]
point = "contact resistance"
at = "key:1-5"
high = "200 mOhm"
spread = "150 mOhm"
source = "the shop"

[[function]]
id = "percussion"
name = "percussion"
[[function]]
id = "tremor"
name = "tremor"
[[function]]
id = "pedal"
name = "bass pedal"

[[kit]]
name = "recap"
revision = "2"
[[kit.part]]
section = "divider 1-3"
ref = "C1-C8"
action = "replaced"
new = {value = "2.2 uF", rating = "63 V"}
`

const testShop = `format = 1
name = "Halden Street Workshop"
[[technician]]
id = "mw"
name = "Maren Wickstead"
[[test_instrument]]
id = "dmm"
name = "bench multimeter"
[[test_instrument.calibration]]
date = 2030-01-10
due = 2032-01-10
`

const testIntake = `kind = "intake"
date = 2031-03-01
by = "mw"
reason = "repair"
works = "partly"

[[fault]]
id = "F1"
symptom = "hum, loud"
`

func decode[T any](t testing.TB, text string) *T {
	t.Helper()
	v, problems := schema.Decode[T]("test", []byte(text))
	if v == nil || schema.Worst(problems) > schema.Warned {
		t.Fatal(problems)
	}
	return v
}

func day(s string) schema.Date {
	d, err := schema.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

// source is a unit with some records and a lot, and a record of the kind.
func source(t testing.TB, kind schema.Kind, records ...string) Source {
	src := unit.Source{Name: "astrella-61/a61-20417", Dir: "instruments/astrella-61/a61-20417",
		Instrument: &schema.Instrument{Maker: "Corvane", Model: "Astrella 61", Mains: &schema.Mains{AsFound: "117 V", FuseFound: "630 mA T"}},
		Model:      decode[schema.Model](t, testModel)}
	for i, text := range records {
		rec, problems := schema.DecodeRecord("test", []byte(text))
		if rec == nil {
			t.Fatal(problems)
		}
		name := src.Dir + "/" + rec.Head().Date.String() + "-" + string(rec.Head().Kind) + "-aaa" + string(rune('b'+i)) + ".toml"
		src.Records = append(src.Records, unit.File{Path: name, Data: []byte(text), Record: rec})
	}
	ctx := unit.Context{Shop: decode[schema.Shop](t, testShop), Families: schema.NewFamilyList(nil), Today: day("2031-03-04"),
		Lots: map[string]*schema.Lot{"2030-el-2u2": {Family: "capacitor/electrolytic", Date: day("2030-05-01"), Quantity: 100,
			Part: schema.Component{Value: "2.2 uF", Rating: "63 V", Maker: "Norvane"}}}}
	head := schema.Common{Kind: kind, Date: ctx.Today, By: "mw", Seq: 1}
	return Source{Head: head, Unit: unit.Build(src, ctx), Shop: ctx.Shop, Families: ctx.Families, Lots: ctx.Lots,
		Check: func(rec schema.Record) []schema.Problem {
			with := src
			file := src.Dir + "/" + head.Date.String() + "-" + string(kind) + "-zzzz.toml"
			with.Records = append(append([]unit.File{}, src.Records...), unit.File{Path: file, Data: schema.Encode(rec), Record: rec})
			var out []schema.Problem
			for _, p := range unit.Build(with, ctx).Problems {
				if p.File == file {
					out = append(out, p)
				}
			}
			return out
		}}
}

// typed answers questions in turn. Every line of the script is the question
// expected and what is typed, with ! behind it where that is in doubt. It
// returns the record without its head.
func typed(t testing.TB, src Source, script string) string {
	t.Helper()
	f := begin(src)
	for _, line := range strings.Split(strings.TrimSpace(script), "\n") {
		path, text, _ := strings.Cut(strings.TrimSpace(line), " ")
		if f.Done() {
			t.Fatalf("done before %s", line)
		}
		if q := f.Question(); q.Path != path {
			t.Fatalf("asked for %s, want %s\n%s", q.Path, path, schema.Encode(f.Record()))
		}
		text, insist := strings.CutSuffix(text, " !")
		if err := f.Answer(text, insist); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
	}
	if !f.Done() {
		t.Fatalf("not done: asks for %s", f.Question().Path)
	}
	_, body, _ := strings.Cut(string(schema.Encode(f.Record())), "seq = 1\n")
	return strings.TrimSpace(body)
}

func TestEveryKind(t *testing.T) {
	release := "kind = \"release\"\ndate = 2031-03-02\nby = \"mw\"\nworks = \"fully\"\nmains = \"230 V\"\nfuse = \"315 mA T\"\n[[fault]]\nid = \"F1\"\nstate = \"cured\"\n"
	safety := "kind = \"safety\"\ndate = 2031-03-02\nby = \"mw\"\n[[check]]\nname = \"earth continuity\"\nresult = \"done\"\nvalue = \"0.1 Ohm\"\nhigh = \"0.2 Ohm\"\nlimit_source = \"the shop\"\n"
	for _, c := range []struct {
		name    string
		kind    schema.Kind
		records []string
		script  string
		want    string
	}{
		{"intake", schema.KindIntake, nil, `
			reason over
			works partly
			fault[0].symptom hum, loud
			fault[0].section pow
			fault[0].? another
			fault[1].symptom thin D
			fault[1].section
			fault[1].? conditions
			fault[1].conditions cold
			fault[1].?
			last_known_working 2029
			last_known_working_by owner
			power limited
			power_why series lamp first
			? accessories
			accessories[0] dust cover
			accessories[1] pedal
			accessories[2]
			?`, `power = "limited"
power_why = "series lamp first"
reason = "overhaul"
works = "partly"
last_known_working = "2029"
last_known_working_by = "owner"
accessories = ["dust cover", "pedal"]

[[fault]]
id = "F1"
symptom = "hum, loud"
section = "power supply"

[[fault]]
id = "F2"
symptom = "thin D"
conditions = "cold"`},
		{"a comeback", schema.KindIntake, []string{testIntake, release}, `
			reason come
			works no
			comeback.release
			comeback.fault same
			fault[0].symptom
			last_known_working
			power
			?`, `reason = "comeback"
works = "no"

[comeback]
release = "2031-03-02-release-aaac"
fault = "same"`},
		{"parts, the choices of a line offered on the next", schema.KindParts, []string{testIntake}, `
			part[0].section divider 1
			part[0].ref C1
			part[0].found fail
			part[0].mode short
			part[0].fault
			part[0].action
			part[0].new.lot -
			part[0].new.value
			part[0].new.rating 50
			part[0].new.maker Norvane
			part[0].? another
			part[1].section
			part[1].ref C2-C4
			part[1].found untested
			part[1].action
			part[1].new.lot
			part[1].new.value
			part[1].new.rating
			part[1].new.maker
			part[1].? another
			part[2].section pow
			part[2].ref Q1
			part[2].found ok
			part[2].how in-c
			part[2].action
			part[2].? note
			part[2].note gain 80
			part[2].?
			?`, `[[part]]
section = "divider 1"
ref = "C1"
found = "failed"
mode = "short"
fault = "F1"
action = "replaced"
new = {value = "2.2 uF", rating = "50 V", maker = "Norvane"}

[[part]]
section = "divider 1"
ref = "C2-C4"
found = "untested"
action = "replaced"
new = {value = "2.2 uF", rating = "50 V", maker = "Norvane"}

[[part]]
section = "power supply"
ref = "Q1"
found = "ok"
how = "in-circuit"
action = "left"
note = "gain 80"`},
		{"a pool, and a part from a lot", schema.KindParts, []string{testIntake}, `
			part[0].section divider 2
			part[0].ref
			part[0].count 12
			part[0].family joint !
			part[0].found degraded
			part[0].mode dry-joint, crack
			part[0].fault -
			part[0].action reworked
			part[0].? another
			part[1].section
			part[1].ref C8
			part[1].found missing
			part[1].fault
			part[1].action
			part[1].new.lot 2030
			part[1].? new.source
			part[1].new.source donor
			part[1].?
			? note
			note by daylight
			?`, `note = "by daylight"

[[part]]
section = "divider 2"
count = 12
family = "board/joint"
found = "degraded"
mode = ["dry-joint", "crack"]
action = "reworked"

[[part]]
section = "divider 2"
ref = "C8"
found = "missing"
fault = "F1"
action = "fitted"
new = {lot = "2030-el-2u2", source = "donor"}`},
		{"a kit", schema.KindParts, []string{testIntake}, `
			part[0].section
			? apply_kit
			apply_kit[0].kit recap
			apply_kit[0].revision
			apply_kit[0].section
			apply_kit[0].except
			apply_kit[0].found
			apply_kit[0].?
			?`, `[[apply_kit]]
kit = "recap"
revision = "2"
found = "untested"`},
		{"readings and a table", schema.KindMeasurements, []string{testIntake}, `
			reading[0].point +15 V rail
			reading[0].stage
			reading[0].value 15,02
			reading[0].with dmm
			reading[0].? another
			reading[1].point
			reading[1].section
			reading[1].value not-measurable
			reading[1].why probe slips
			reading[1].?
			? table
			table[0].point contact resistance
			table[0].at
			table[0].unit
			table[0].stage
			table[0].values[0] 120
			table[0].values[1] 95 x
			table[0].values[3]
			table[0].why key 3 is gone
			table[0].with
			table[0].?
			?`, `[[reading]]
point = "+15 V rail"
value = "15,02 V"
stage = "as-found"
with = "dmm"

[[reading]]
point = "output level"
section = "divider 1"
value = "not-measurable"
why = "probe slips"
stage = "as-found"

[[table]]
point = "contact resistance"
at = "key:1-3"
unit = "mOhm"
values = "120 95 x"
why = "key 3 is gone"
stage = "as-found"`},
		{"safety, with the limits of the last time", schema.KindSafety, []string{testIntake, safety}, `
			check[0].name earth continuity
			check[0].result
			check[0].low
			check[0].high
			check[0].limit_source
			check[0].value 0.08
			check[0].with
			check[0].? another
			check[1].name mains cord
			check[1].result done
			check[1].low
			check[1].high
			check[1].value
			check[1].passed yes
			check[1].? another
			check[2].name insulation
			check[2].result not-d
			check[2].why meter away
			check[2].?
			?`, `[[check]]
name = "earth continuity"
result = "done"
value = "0.08 Ohm"
high = "0.2 Ohm"
limit_source = "the shop"

[[check]]
name = "mains cord"
result = "done"
passed = true

[[check]]
name = "insulation"
result = "not-done"
why = "meter away"`},
		{"soak", schema.KindSoak, []string{testIntake}, `
			duration 24 h
			cycles 6
			event[0].what crackle
			event[0].at 40 min
			event[0].fault F1
			event[0].?
			? ambient
			ambient 23 C
			?`, `duration = "24 h"
cycles = 6
ambient = "23 C"

[[event]]
at = "40 min"
what = "crackle"
fault = "F1"`},
		{"mod", schema.KindMod, []string{testIntake}, `
			name headphone socket
			kit
			changes the player can hear it alone
			reversible yes
			undo remove two wires
			originals none
			part[0].section power supply
			part[0].ref J1 !
			part[0].family connector/jack
			part[0].found -
			part[0].action fitted
			part[0].new.type 6.3 mm
			part[0].new.maker
			part[0].?
			?`, `name = "headphone socket"
changes = "the player can hear it alone"
reversible = "yes"
undo = "remove two wires"
originals = "none"

[[part]]
section = "power supply"
ref = "J1"
family = "connector/jack"
action = "fitted"
new = {type = "6.3 mm"}`},
		{"release", schema.KindRelease, []string{testIntake}, `
			works ful
			fault[0].state cured
			power
			mains
			fuse 315 mA T
			? warranty
			warranty.start
			warranty.end 2032-03-04
			warranty.scope parts and labour
			warranty.transferable yes
			? due
			due[0].what lubricate the fan
			due[0].when
			due[0].at_hours 500
			due[0].?
			?`, `power = "normal"
works = "fully"
mains = "117 V"
fuse = "315 mA T"

[[due]]
what = "lubricate the fan"
at_hours = 500.0

[[fault]]
id = "F1"
state = "cured"

[warranty]
start = 2031-03-04
end = 2032-03-04
scope = "parts and labour"
transferable = true`},
		{"power, called for", schema.KindNote, nil, "title\nnote damp inside\n? power\npower do-not-power\npower_why water in the supply\n?", `power = "do-not-power"
power_why = "water in the supply"
note = "damp inside"`},
		{"followup", schema.KindFollowup, nil, "state faulty\nsaid_by owner\nabout one key sticks\n?", `state = "faulty"
said_by = "owner"
about = "one key sticks"`},
		{"demonstration", schema.KindDemonstration, nil, `
			stage as-left
			function[0].works full
			function[0].note
			function[0].file files/walk.flac
			function[0].sha256 ` + strings.Repeat("a", 64) + `
			function[0].at 01:20
			function[1].works
			function[2].works not-fitted
			function[2].note
			function[2].file
			function[2].sha256
			function[2].at
			?`, `stage = "as-left"

[[function]]
id = "percussion"
works = "fully"
file = "files/walk.flac"
sha256 = "` + strings.Repeat("a", 64) + `"
at = "01:20"

[[function]]
id = "pedal"
works = "not-fitted"`},
		{"custody", schema.KindCustody, nil, "event shipped\ncondition_out in its case\ntransit_locks on\n?", `event = "shipped"
condition_out = "in its case"
transit_locks = "on"`},
		{"note", schema.KindNote, nil, "title\nnote keys bleached\n? settles\nsettles W1\n?", `note = "keys bleached"
settles = "W1"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			src := source(t, c.kind, c.records...)
			if strings.Contains(c.script, "settles") || c.name == "soak" {
				src.Check = nil // about a warning that is not there
			}
			if got := typed(t, src, c.script); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func TestPlansNameKeys(t *testing.T) {
	for typ, plan := range plans {
		for _, s := range plan {
			fieldOf(typ, s.key)
		}
	}
}

// What is wrong is said at once, with what to write instead, and nothing is
// taken.
func TestRefused(t *testing.T) {
	for _, c := range []struct {
		name, kind, script, typed string
		what, remedy              string
		doubt                     bool
	}{
		{"no word at all", "intake", "", "", "reason is needed", "overhaul", false},
		{"a word that is near", "intake", "", "repiar", "not known", "did you mean repair?", false},
		{"the beginning of several", "intake", "", "re", "", "", false}, // repair alone
		{"the beginning of two", "parts", "part[0].section power supply\npart[0].ref C1\npart[0].found untested", "re", "replaced or reworked or removed", "more", false},
		{"a misspelt beginning", "parts", "part[0].section power supply\npart[0].ref C1", "fial", "not known", "did you mean failed?", false},
		{"no such section", "parts", "", "dividor 3", "dividor 3", "divider", true},
		{"no such part", "parts", "part[0].section power supply", "C14", "C14", "", true},
		{"not a reference", "parts", "part[0].section power supply", "C1--C4", "C1--C4", "", false},
		{"no family", "parts", "part[0].section keybed\npart[0].ref\npart[0].count 3", "Tantal caps", "not a family", "group/kind in lower case", false},
		{"not a number", "soak", "duration 24 h", "six", "not a whole number", "12", false},
		{"too little", "soak", "duration 24 h", "0", "too small", "1 or more", false},
		{"no unit", "soak", "", "24", "unit", "", false},
		{"an unknown meter", "measurements", "reading[0].point hum\nreading[0].stage\nreading[0].value 3 mV", "dmm-9", "dmm-9", "", true},
		{"no day", "note", "title x\nnote y\n? due\ndue[0].what oil", "soon", "not a date", "2031-03-04", false},
		{"nothing to store", "parts", "part[0].section", "", "still empty", "the name of a key", false},
		{"a character nobody sees", "note", "", "turn\u202eed", "invisible", "again", false},
		{"a number too many", "measurements", "reading[0].point\n? table\ntable[0].point contact resistance\ntable[0].at\ntable[0].unit\ntable[0].stage\ntable[0].values[0] 1 2 3 4",
			"5 6", "2 numbers for the 1 positions left", "one for each", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := begin(source(t, schema.Kind(c.kind), testIntake))
			for _, line := range strings.Split(c.script, "\n") {
				path, text, _ := strings.Cut(line, " ")
				if line == "" {
					continue
				}
				if f.Question().Path != path {
					t.Fatalf("asked for %s, want %s", f.Question().Path, path)
				}
				if err := f.Answer(text, false); err != nil {
					t.Fatal(err)
				}
			}
			q, before := f.Question().Path, len(f.Answers())
			err := f.Answer(c.typed, false)
			if c.what == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("error %v", err)
			}
			if !strings.Contains(e.What, c.what) || !strings.Contains(e.Remedy, c.remedy) || e.Doubt != c.doubt {
				t.Errorf("what %q, remedy %q, doubt %v", e.What, e.Remedy, e.Doubt)
			}
			if f.Question().Path != q || len(f.Answers()) != before {
				t.Errorf("the form has moved on to %s", f.Question().Path)
			}
			if err := f.Answer(c.typed, true); (err == nil) != c.doubt {
				t.Errorf("insisted on: %v", err)
			}
		})
	}
}

// The verdict is there while a value is being typed.
func TestRemarks(t *testing.T) {
	at := func(kind schema.Kind, script string) *Question {
		f := begin(source(t, kind, testIntake))
		for _, text := range strings.Split(script, "\n") {
			if err := f.Answer(text, false); err != nil {
				t.Fatal(err)
			}
		}
		return f.Question()
	}
	for _, c := range []struct {
		kind                schema.Kind
		script, typed, want string
		verdict             unit.Verdict
	}{
		{"measurements", "+15 V rail\n", "", "limit 14.8 V to 15.2 V", ""},
		{"measurements", "+15 V rail\n", "1", "OUTSIDE: limit 14.8 V to 15.2 V", unit.Outside},
		{"measurements", "+15 V rail\n", "15", "inside: limit 14.8 V to 15.2 V", unit.Within},
		{"measurements", "+15 V rail\n", "15,3 V", "OUTSIDE: limit 14.8 V to 15.2 V", unit.Outside},
		{"measurements", "+15 V rail\n", "15000 mV", "inside: limit 14.8 V to 15.2 V", unit.Within},
		{"measurements", "+15 V rail\n", "15 x", "limit 14.8 V to 15.2 V", ""},
		{"measurements", "+15 V rail\n", "not-measurable", "not taken; limit 14.8 V to 15.2 V", unit.NotTaken},
		{"measurements", "hum\n", "3 mV", "", ""},
		{"measurements", "output level\ndivider 2\n", "80", "OUTSIDE: limit 90 mV to 110 mV", unit.Outside},
		{"measurements", "\ntable\ncontact resistance\n\n\n", "150", "inside: limit at most 200 mOhm, spread at most 150 mOhm", unit.Within},
		{"measurements", "\ntable\ncontact resistance\n\n\n", "150 210 x 300", "OUTSIDE: key:2, key:4", unit.Outside},
		{"measurements", "\ntable\ncontact resistance\n\n\n", "x", "not taken; limit at most 200 mOhm, spread at most 150 mOhm", unit.NotTaken},
		{"safety", "earth continuity\n\n\n0.2 Ohm\nthe shop", "0.3", "OUTSIDE: limit at most 0.2 Ohm", unit.Outside},
		{"safety", "earth continuity\n\n\n0.2 Ohm\nthe shop", "100 mOhm", "inside: limit at most 0.2 Ohm", unit.Within},
		{"parts", "power supply", "C1", "Aluminium electrolytic capacitors, 1000 uF 40 V, rail smoothing", ""},
		{"parts", "divider 1-3", "C1-C4", "12 positions, Aluminium electrolytic capacitors", ""},
		{"parts", "power supply", "C9", "the model has no C9 there", ""},
	} {
		r := at(c.kind, c.script).Remark(c.typed)
		if !strings.EqualFold(r.Text, c.want) || r.Verdict != c.verdict {
			t.Errorf("%q typed after %q: %q, %q; want %q, %q", c.typed, c.script, r.Text, r.Verdict, c.want, c.verdict)
		}
	}
}

func TestOffered(t *testing.T) {
	f := begin(source(t, schema.KindParts, testIntake))
	for _, text := range []string{"power supply", "C1", "failed"} {
		if err := f.Answer(text, false); err != nil {
			t.Fatal(err)
		}
	}
	q := f.Question() // how it failed: several
	for typed, want := range map[string]string{"dr": "drift dry-joint", "short, wr": "wrong-part", "esr": "high-esr", "zz": ""} {
		if got := strings.Join(words(q.Offered(typed)), " "); got != want {
			t.Errorf("%q offers %q, want %q", typed, got, want)
		}
	}
	if got := q.Complete("short, wr", "wrong-part"); got != "short, wrong-part" {
		t.Errorf("completed to %q", got)
	}
}

// A key that is not planned for is offered by name, in the order of the file,
// and nothing that the program sets itself.
func TestEveryKeyCanBeReached(t *testing.T) {
	for _, k := range schema.Kind("").Words() {
		f := begin(source(t, schema.Kind(k), testIntake))
		asked := map[string]bool{}
		for f.Question().Role != Store {
			q := f.Question()
			asked[strings.SplitN(strings.SplitN(q.Path, "[", 2)[0], ".", 2)[0]] = true
			text := ""
			switch {
			case q.Must && q.Default == "" && len(q.Choices) > 0:
				text = q.Choices[0].Word
			case q.Must && q.Default == "":
				text = LeaveOut
			}
			if err := f.Answer(text, true); err != nil {
				t.Fatalf("%s: %v", q.Path, err)
			}
		}
		offered := words(f.Question().Choices)
		for _, key := range schema.FieldsOf(f.Record()) {
			has := asked[key.Key]
			for _, o := range offered {
				has = has || o == key.Key
			}
			if own := strings.Contains("kind date by seq withdrawn correction", key.Key); has == own && !strings.Contains("comeback power_why last_known_working_by", key.Key) {
				t.Errorf("%s: %s can be reached: %v", k, key.Key, has)
			}
		}
	}
}

// Whatever is typed, the form neither fails nor loses anything: what it has
// taken makes the same record again, going back undoes an answer, and the
// record can be stored.
func TestAnyAnswers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := schema.Kind(rapid.SampledFrom(schema.Kind("").Words()).Draw(t, "kind"))
		src := anySource
		src.Head.Kind = kind
		f := begin(src)
		for range rapid.IntRange(0, 40).Draw(t, "answers") {
			q := f.Question()
			if q == nil {
				break
			}
			text := rapid.SampledFrom([]string{"", "-", "x", "C1", "power supply", "divider 1-2", "5", "15 V", "a, b", "key:1-5", "2030"}).Draw(t, "text")
			if len(q.Choices) > 0 && rapid.Bool().Draw(t, "choose") {
				text = rapid.SampledFrom(words(q.Choices)).Draw(t, "choice")
			}
			q.Remark(text)
			before := string(schema.Encode(f.Record()))
			if f.Answer(text, true) != nil {
				if got := string(schema.Encode(f.Record())); got != before {
					t.Fatalf("refused, but the record changed from\n%s\nto\n%s", before, got)
				}
				continue
			}
			again, lost := Resume(src, f.Answers())
			if got, want := string(schema.Encode(again.Record())), string(schema.Encode(f.Record())); got != want || len(lost) > 0 {
				t.Fatalf("resumed\n%s\nwant\n%s\nlost %v", got, want, lost)
			}
			if _, ok := again.Back(); !ok || string(schema.Encode(again.Record())) != before || again.Question().Path != q.Path {
				t.Fatalf("back at %s, want %s", again.Question().Path, q.Path)
			}
			d := Draft{Kind: kind, Unit: "a/b", Date: src.Head.Date, By: "mw", Typed: text, Answers: f.Answers()}
			kept, err := DecodeDraft(d.Encode())
			if err != nil || kept.Typed != text || len(kept.Answers) != len(d.Answers) || kept.Date != d.Date {
				t.Fatalf("kept %v, %v", kept, err)
			}
		}
		if rec, problems := schema.DecodeRecord("x", schema.Encode(f.Record())); rec == nil {
			t.Fatal(problems)
		}
	})
}

// anySource is made once; it has no check, which reads the whole unit.
var anySource = func() Source {
	s := source(&testing.T{}, schema.KindNote, testIntake)
	s.Check = nil
	return s
}()

// Answers whose question is gone come back instead of being put elsewhere.
func TestResumeAfterAChange(t *testing.T) {
	src := source(t, schema.KindParts, testIntake)
	f := begin(src)
	for _, text := range []string{"divider 1", "C1", "untested", "replaced", "2030-el-2u2", "", ""} {
		if err := f.Answer(text, false); err != nil {
			t.Fatal(err)
		}
	}
	src.Lots = nil
	again, lost := Resume(src, f.Answers())
	if len(lost) != 3 || lost[0].Text != "2030-el-2u2" || again.Question().Path != "part[0].new.value" {
		t.Errorf("lost %v, asks for %s", lost, again.Question().Path)
	}
}

// begin is a form without answers.
func begin(src Source) *Form {
	f, _ := Resume(src, nil)
	return f
}
