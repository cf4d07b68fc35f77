package reliability

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"testing"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// A tape echo with two equal channels: a film capacitor, which is heard when
// it fails, a tantalum one, which is not, and a pool of joints.
const observedModel = `
maker = "Quillard"
name = "Longwave 3"

[[section]]
name = "channel"
count = 2
board = "channel"

[[section]]
name = "supply"
complete = true
[[section.position]]
ref = "C1"
family = "capacitor/electrolytic"

[[section]]
name = "case"

[[board]]
name = "channel"
complete = true
[[board.position]]
ref = "C1"
family = "capacitor/film"
[[board.position]]
ref = "C2"
family = "capacitor/tantalum"
[[board.position]]
count = 20
family = "board/joint"

[[kit]]
name = "quiet channel"
revision = "1"
title = "other capacitors"
changes = "less hiss"
reversible = "yes"
[[kit.part]]
section = "channel 1-2"
ref = "C1-C2"
action = "replaced"
new = {type = "as the old one"}
`

// ledgerRecord is a record by the start of its file name, 2016-01-01-parts,
// and what follows kind, date and by.
type ledgerRecord struct{ name, text string }

// observedUnit builds a Longwave 3 from its records. Problems are not looked
// at: what can be read is observed, as at the bench.
func observedUnit(t interface{ Fatalf(string, ...any) }, tag, built string, records ...ledgerRecord) *unit.Unit {
	model, problems := schema.Decode[schema.Model]("model.toml", []byte(observedModel))
	if len(problems) > 0 {
		t.Fatalf("model: %v", problems)
	}
	text := "format = 1\nuuid = \"" + uuidOf(tag) + "\"\nmaker = \"Quillard\"\nmodel = \"Longwave 3\"\n"
	if built != "" {
		text += fmt.Sprintf("built = %q\nbuilt_from = \"date codes\"\n", built)
	}
	ins, problems := schema.Decode[schema.Instrument]("instrument.toml", []byte(text))
	if len(problems) > 0 {
		t.Fatalf("instrument: %v", problems)
	}
	dir := "instruments/longwave-3/" + tag
	src := unit.Source{Name: "longwave-3/" + tag, Dir: dir, Instrument: ins, Model: model}
	for i, r := range records {
		date, kind := r.name[:10], r.name[11:]
		data := []byte(fmt.Sprintf("kind = %q\ndate = %s\nby = \"mw\"\n%s", kind, date, r.text))
		file := fmt.Sprintf("%s/%s-%04d.toml", dir, r.name, i)
		rec, problems := schema.DecodeRecord(file, data)
		if rec == nil {
			t.Fatalf("%s: %v\n%s", r.name, problems, data)
		}
		src.Records = append(src.Records, unit.File{Path: file, Data: data, Record: rec})
	}
	return unit.Build(src, unit.Context{Families: schema.NewFamilyList(nil)})
}

// uuidOf gives every tag a UUID of its own.
func uuidOf(tag string) string {
	sum := sha256.Sum256([]byte(tag))
	x := fmt.Sprintf("%x", sum[:16])
	return x[:8] + "-" + x[8:12] + "-4" + x[13:16] + "-9" + x[17:20] + "-" + x[20:32]
}

func unitsOf(u ...*unit.Unit) []*unit.Unit { return u }

func observedFamilies() schema.FamilyList { return schema.NewFamilyList(nil) }

func mustDate(t *testing.T, s string) schema.Date {
	t.Helper()
	d, err := schema.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// partLine writes one part line.
func partLine(section, ref, found, action string, more ...string) string {
	lines := []string{"[[part]]", fmt.Sprintf("section = %q", section), fmt.Sprintf("ref = %q", ref), fmt.Sprintf("action = %q", action)}
	if found != "" {
		lines = append(lines, fmt.Sprintf("found = %q", found))
	}
	return withNew(append(lines, more...), action)
}

// withNew says what came in, where the test does not.
func withNew(lines []string, action string) string {
	if action == "replaced" && !slices.ContainsFunc(lines, func(l string) bool { return strings.HasPrefix(l, "new") }) {
		lines = append(lines, `new = {type = "as the old one"}`)
	}
	return strings.Join(lines, "\n") + "\n"
}

func jointLine(count int, found, action string, more ...string) string {
	lines := []string{"[[part]]", `section = "channel 1"`, `family = "board/joint"`, fmt.Sprintf("count = %d", count),
		fmt.Sprintf("found = %q", found), fmt.Sprintf("action = %q", action)}
	return withNew(append(lines, more...), action)
}

// observedAt returns the observations of one position, or of a pool where ref
// is empty.
func observedAt(obs *Observations, section, ref string, family schema.FamilyName) []Observation {
	return slices.DeleteFunc(slices.Clone(obs.All), func(o Observation) bool {
		return o.Section != section || o.Ref != ref || family != "" && o.Family != family
	})
}
