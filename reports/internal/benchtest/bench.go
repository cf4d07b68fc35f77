package benchtest

import (
	"maps"
	"slices"
	"testing"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// BenchModel is a small transistor organ: a supply and two dividers whose
// lists are complete, and a keybed whose list is not.
const BenchModel = `
maker = "Corvane"
name = "Astrella 49"
section = [
  {name = "power supply", board = "PS-1"},
  {name = "divider", count = 2, board = "DV-1"},
  {name = "keybed", position = [{ref = "key:1-4", family = "mechanism/key"}]},
  {name = "case", complete = true, position = [{ref = "FN1", family = "case/finish"}]},
]
[[board]]
name = "PS-1"
complete = true
position = [
  {ref = "C1-C3", family = "capacitor/electrolytic", value = "470 uF", rating = "25 V"},
  {ref = "R1-R2", family = "resistor/carbon", value = "1k"},
  {ref = "Q1", family = "transistor/silicon"},
  {count = 20, family = "board/joint"},
]
[[board]]
name = "DV-1"
complete = true
position = [
  {ref = "C1-C2", family = "capacitor/tantalum", value = "10 uF", rating = "25 V"},
  {ref = "IC1", family = "ic/divider"},
]
[[limit]]
point = "rail"
section = "power supply"
low = "14.5 V"
high = "15.5 V"
source = "maker's service sheet"
[[limit]]
point = "tuning"
low = "-2 cent"
high = "2 cent"
spread = "3 cent"
source = "shop's own"
[[kit]]
name = "quiet supply"
revision = "2"
title = "regulator in place of Q1"
changes = "less hum"
reversible = "partly"
[[kit.part]]
section = "power supply"
ref = "Q1"
action = "removed"
[[kit.part]]
section = "power supply"
ref = "IC1"
family = "ic/regulator"
action = "fitted"
new = {value = "15 V", type = "three-terminal regulator"}
`

const BenchInstrument = `
format = 1
uuid = "6f0c7e5a-0d0c-4c0e-9b7e-2d3a5c1f4b11"
maker = "Corvane"
model = "Astrella 49"
variant = "red"
built = "1971/1972"
built_from = "date codes"
serial = [
  {place = "plate", how = "missing", note = "two screw holes"},
  {place = "chassis", value = "4711", how = "read"},
  {place = "power supply", value = "88", how = "assumed"},
]
mains = {as_found = "117 V", fuse_found = "630 mA T"}
difference = [{section = "divider 2", ref = "C2", absent = true, note = "never drilled"}]
`

const benchShop = `
format = 1
name = "Halden Street Workshop"
contact = "by appointment"
[[technician]]
id = "mw"
name = "Maren Wickstead"
[[technician]]
id = "jt"
name = "Joss Tarrant"
[[test_instrument]]
id = "dmm-1"
name = "Bench multimeter"
calibration = [{date = 2021-02-10, due = 2022-02-09, by = "outside laboratory"}]
[[test_instrument]]
id = "var-1"
name = "Variable supply"
`

// Restored is two finished stays, the second a comeback.
var Restored = map[string]string{
	"2021-03-01-intake-aaaa": `
kind = "intake"
date = 2021-03-01
by = "mw"
reason = "overhaul"
works = "partly"
last_known_working = "2019~"
last_known_working_by = "owner"
power = "do-not-power"
power_why = "burnt smell"
missing = ["music stand"]
accessories = ["pedal"]
earlier_work = ["fuse wrapped in foil"]
user_memory = "none"
fault = [
  {id = "F1", symptom = "loud hum", section = "power supply"},
  {id = "F2", symptom = "top C sharp silent", conditions = "cold", section = "divider 2"},
  {id = "F3", symptom = "one key sits low", section = "keybed"},
]
section = [
  {name = "power supply", condition = "brown board", origin = "original"},
  {name = "divider 1", origin = "unknown"},
]
`,
	"2021-03-02-measurements-aaab": `
kind = "measurements"
date = 2021-03-02
by = "mw"
[[reading]]
point = "rail"
section = "power supply"
value = "17.1 V"
stage = "as-found"
with = "dmm-1"
conditions = "no load"
[[reading]]
point = "hum"
value = "not-measurable"
why = "off the scale"
stage = "as-found"
[[table]]
point = "tuning"
at = "key:1-4"
unit = "cent"
values = "2.5 x -0.40 1,2"
why = "key 2 silent"
stage = "as-found"
with = "var-1"
`,
	"2021-03-05-parts-aaac": `
kind = "parts"
date = 2021-03-05
by = "mw"
note = "Supply first."
[[part]]
section = "power supply"
ref = "C1"
found = "failed"
how = "out-of-circuit"
mode = ["drift", "high-esr"]
fault = "F1"
action = "replaced"
old = {value = "470 uF", measured = "80 uF"}
new = {value = "470 uF", rating = "35 V", type = "axial"}
old_kept = "returned"
[[part]]
section = "power supply"
ref = "C2-C3"
found = "untested"
action = "replaced"
new = {value = "470 uF", rating = "35 V", type = "axial"}
[[part]]
section = "power supply"
ref = "R1"
found = "degraded"
how = "in-circuit"
mode = "drift"
caused_by = "C1"
action = "left"
note = "8 % high, does no harm"
[[part]]
section = "power supply"
family = "board/joint"
count = 6
found = "degraded"
mode = "dry-joint"
action = "reworked"
[[part]]
section = "divider 1-2"
ref = "C1"
found = "in-service"
action = "left"
[[part]]
section = "divider 2"
ref = "IC1"
found = "failed"
how = "substitution"
mode = "dead"
fault = "F2"
action = "replaced"
new = {type = "divider circuit", source = "donor"}
`,
	"2021-03-06-mod-aaad": `
kind = "mod"
date = 2021-03-06
by = "jt"
name = "quiet supply"
kit = "quiet supply"
revision = "2"
serial = "07"
changes = "less hum"
reversible = "partly"
undo = "one hole stays"
originals = "with-unit"
`,
	"2021-03-07-measurements-aaae": `
kind = "measurements"
date = 2021-03-07
by = "mw"
[[reading]]
point = "rail"
section = "power supply"
value = "15.4 V"
uncertainty = "0.2 V"
stage = "as-left"
with = "dmm-1"
[[table]]
point = "tuning"
at = "key:1-4"
unit = "cent"
values = "0.5 0.1 -0.4 1.0"
stage = "as-left"
with = "var-1"
`,
	"2021-03-08-safety-aaaf": `
kind = "safety"
date = 2021-03-08
by = "mw"
[[check]]
name = "earth continuity"
result = "done"
value = "0.1 Ohm"
high = "0.3 Ohm"
limit_source = "shop's own list"
with = "dmm-1"
[[check]]
name = "touch current"
result = "done"
value = "0.1 mA"
[[check]]
name = "insulation resistance"
result = "not-done"
why = "tester away"
`,
	"2021-03-09-soak-aaag": `
kind = "soak"
date = 2021-03-09
by = "mw"
duration = "90 min"
cycles = 3
event = [{at = "10 min", what = "a click, once", fault = "F1"}]
`,
	"2021-03-10-release-aaah": `
kind = "release"
date = 2021-03-10
by = "mw"
works = "fully"
mains = "230 V"
fuse = "315 mA T"
warranty = {start = 2021-03-11, end = 2023-03-10, scope = "parts fitted here", transferable = true}
fault = [
  {id = "F1", state = "cured"},
  {id = "F2", state = "cured"},
  {id = "F3", state = "declined", note = "too dear"},
]
warning = [{text = "chassis at rail common", section = "power supply"}]
due = [{what = "contacts", when = 2022-03-10, section = "keybed"}]
`,
	"2021-03-11-custody-aaai": `
kind = "custody"
date = 2021-03-11
by = "mw"
event = "shipped"
condition_out = "in its crate"
transit_locks = "on"
`,
	"2021-09-01-followup-aaaj": `
kind = "followup"
date = 2021-09-01
by = "mw"
state = "faulty"
said_by = "owner"
about = "hum is back"
`,
	"2021-10-01-intake-aaak": `
kind = "intake"
date = 2021-10-01
by = "mw"
reason = "comeback"
works = "fully"
fault = [{id = "F4", symptom = "hum again"}]
[comeback]
release = "2021-03-10-release-aaah"
fault = "not-found"
note = "a lamp dimmer next door"
`,
	"2021-10-05-release-aaam": `
kind = "release"
date = 2021-10-05
by = "jt"
works = "fully"
fault = [{id = "F4", state = "not-reproduced"}]
photo = [{file = "photos/back.jpg", caption = "the back", stage = "as-left"}]
`,
	"2021-10-06-note-aaan": `
kind = "note"
date = 2021-10-06
by = "jt"
withdrawn = true
note = "belongs to another unit"
correction = [{date = 2021-10-07, by = "jt", reason = "wrong folder"}]
`,
}

func Date(t testing.TB, s string) schema.Date {
	t.Helper()
	d, err := schema.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// DecodeRecords decodes records by name; they must be free of errors.
func DecodeRecords(t testing.TB, records map[string]string) []unit.File {
	t.Helper()
	var out []unit.File
	for _, name := range slices.Sorted(maps.Keys(records)) {
		file := name + ".toml"
		r, problems := schema.DecodeRecord(file, []byte(records[name]))
		if schema.Worst(problems) >= schema.Wrong {
			t.Fatalf("%s: %v", name, problems)
		}
		out = append(out, unit.File{Path: "instruments/astrella-49/4711/" + file, Data: []byte(records[name]), Record: r})
	}
	return out
}

// With returns records with some added or replaced; "" takes one out.
func With(records map[string]string, changes map[string]string) map[string]string {
	out := maps.Clone(records)
	for k, v := range changes {
		if v == "" {
			delete(out, k)
			continue
		}
		out[k] = v
	}
	return out
}

// bench is a unit with what its shop says of itself.
type bench struct {
	Unit     *unit.Unit
	Shop     *schema.Shop
	Families schema.FamilyList
	AsOf     schema.Date
}

// BenchOf builds a unit of benchModel from records.
func BenchOf(t testing.TB, instrument, model string, records map[string]string) bench {
	t.Helper()
	shop, problems := schema.Decode[schema.Shop]("shop.toml", []byte(benchShop))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	ins, problems := schema.Decode[schema.Instrument]("instrument.toml", []byte(instrument))
	if schema.Worst(problems) >= schema.Wrong {
		t.Fatal(problems)
	}
	src := unit.Source{Name: "astrella-49/4711", Dir: "instruments/astrella-49/4711", Instrument: ins, InstrumentData: []byte(instrument),
		Records: DecodeRecords(t, records)}
	if model != "" {
		m, problems := schema.Decode[schema.Model]("models/astrella-49.toml", []byte(model))
		if schema.Worst(problems) >= schema.Wrong {
			t.Fatal(problems)
		}
		src.Model = m
	}
	families := schema.NewFamilyList(nil)
	u := unit.Build(src, unit.Context{Shop: shop, Families: families})
	return bench{Unit: u, Shop: shop, Families: families, AsOf: Date(t, "2022-06-01")}
}
