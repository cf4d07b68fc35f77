package unit

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"benchlore/schema"
)

// read builds a unit from the base and some records, given as in a sample.
func read(t testing.TB, records string) *Unit {
	t.Helper()
	files := base(t)
	for name, text := range split(records) {
		files[name] = []byte(text)
	}
	src, ctx := source(t, files)
	return Build(src, ctx)
}

// chain gives the occupants of a position in a few words each.
func chain(p *Position) string {
	var out []string
	for _, o := range p.Occupants {
		s := fmt.Sprintf("%s %s since %s", o.Origin, o.Family, o.Since.Text)
		if f := o.Finding(); f != "" {
			s += " found " + string(f)
		}
		if !o.Ended.IsZero() {
			s += " until " + o.Ended.String()
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

func TestPositionsOfTheModel(t *testing.T) {
	u := read(t, "")
	if n := len(u.Positions); n != 8+4*2+122 {
		t.Errorf("%d positions, want 8 of the supply, 2 of each voice and 122 contacts", n)
	}
	p := u.Position("power supply", "C9")
	if p == nil || p.Value != "470 uF" || p.Rating != "40 V" || !p.InModel || !p.Complete {
		t.Fatalf("C9 of the supply: %+v", p)
	}
	if got, want := chain(p), "original capacitor/electrolytic since 1972"; got != want {
		t.Errorf("C9: %s, want %s", got, want)
	}
	if p := u.Position("voice 4", "IC4"); p == nil || p.Family != "ic/divider" {
		t.Errorf("IC4 of voice 4: %+v", p)
	}
	for _, absent := range []string{"power supply C5", "voice 5 IC4", "case S1"} {
		i := strings.LastIndexByte(absent, ' ')
		if p := u.Position(absent[:i], refsOf(t, absent[i+1:])); p != nil {
			t.Errorf("there is a %s", absent)
		}
	}
	if len(u.Pools) != 1 || u.Pools[0].Count != 122 || !u.Pools[0].InModel {
		t.Errorf("pools: %+v", u.Pools)
	}
	if len(u.Problems) > 0 {
		t.Errorf("problems without a record:\n%s", drawings(u.Problems))
	}
}

func TestOccupants(t *testing.T) {
	const intake = `-- 2029-03-04-intake-a7xk.toml --
kind = "intake"
date = 2029-03-04
by = "mw"
reason = "repair"
works = "no"
`
	line := func(date, lines string) string {
		return fmt.Sprintf("-- %s-parts-%s.toml --\nkind = \"parts\"\ndate = %s\nby = \"mw\"\n\n[[part]]\nsection = \"power supply\"\nref = \"C1\"\n%s\n",
			date, "b"+date[8:]+"x", date, lines)
	}
	for _, c := range []struct{ name, records, want string }{
		{"nobody looked", intake, "original capacitor/electrolytic since 1972"},
		{"found and left", intake + line("2029-03-05", "found = \"degraded\"\nmode = \"high-esr\"\naction = \"left\""),
			"original capacitor/electrolytic since 1972 found degraded"},
		{"waits, then replaced", intake +
			line("2029-03-05", "found = \"failed\"\nmode = \"leakage\"\naction = \"pending\"") +
			line("2029-03-09", "found = \"in-service\"\naction = \"replaced\"\nnew = {value = \"470 uF\"}"),
			"original capacitor/electrolytic since 1972 found failed until 2029-03-09; replaced capacitor/electrolytic since 2029-03-09"},
		{"replaced on a day of its own", intake +
			line("2029-03-05", "found = \"untested\"\naction = \"replaced\"\ndate = 2029-03-07\nnew = {value = \"470 uF\"}"),
			"original capacitor/electrolytic since 1972 found untested until 2029-03-07; replaced capacitor/electrolytic since 2029-03-07"},
		{"another kind of part", intake +
			line("2029-03-05", "found = \"untested\"\naction = \"replaced\"\nold = {family = \"capacitor/paper\"}\nnew = {family = \"capacitor/film\", value = \"470 uF\"}"),
			"original capacitor/paper since 1972 found untested until 2029-03-05; replaced capacitor/film since 2029-03-05"},
		{"another kind of part, looked at again", intake +
			line("2029-03-05", "found = \"untested\"\naction = \"replaced\"\nnew = {family = \"capacitor/film\", value = \"470 uF\"}") +
			line("2029-03-09", "found = \"ok\"\nhow = \"out-of-circuit\"\naction = \"left\""),
			"original capacitor/electrolytic since 1972 found untested until 2029-03-05; replaced capacitor/film since 2029-03-05 found ok"},
		{"removed, then fitted", intake +
			line("2029-03-05", "found = \"untested\"\naction = \"removed\"") +
			line("2029-03-06", "action = \"fitted\"\nnew = {value = \"470 uF\"}"),
			"original capacitor/electrolytic since 1972 found untested until 2029-03-05; replaced capacitor/electrolytic since 2029-03-06"},
		{"section replaced by others", strings.Replace(intake, "works = \"no\"", "works = \"no\"\n\n[[section]]\nname = \"power supply\"\norigin = \"replaced\"", 1),
			"unknown capacitor/electrolytic since "},
	} {
		u := read(t, c.records)
		if got := chain(u.Position("power supply", "C1")); got != c.want {
			t.Errorf("%s:\ngot  %s\nwant %s", c.name, got, c.want)
		}
		if errors, _ := schema.Count(u.Problems); errors > 0 {
			t.Errorf("%s:\n%s", c.name, drawings(u.Problems))
		}
	}
}

// What was withdrawn counts for nothing; what came later does.
func TestWithdrawn(t *testing.T) {
	u := built(t, "withdrawn")
	if got, want := chain(u.Position("power supply", "C1")),
		"original capacitor/electrolytic since 1972 found failed until 2029-03-07; replaced capacitor/electrolytic since 2029-03-07"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if p := u.Position("power supply", "C77"); p != nil {
		t.Errorf("the withdrawn record made %s", p.Name())
	}
}

func TestUnlabelledAndAddedPositions(t *testing.T) {
	u := built(t, "ref-unlabelled")
	if p := u.Position("voice 1", "@under IC4"); p == nil || p.InModel || p.Family != "resistor/carbon" {
		t.Errorf("@under IC4: %+v", p)
	}
	u = built(t, "fitted-new-position")
	p := u.Position("power supply", "C50")
	if p == nil || p.InModel || len(p.Occupants) != 1 {
		t.Fatalf("C50: %+v", p)
	}
	if o := p.Current(); o == nil || o.Mod == nil || o.Mod.Name() != "2029-03-05-mod-a7xk" || o.Origin != schema.OriginReplaced {
		t.Errorf("C50 holds %+v", o)
	}
}

func TestKit(t *testing.T) {
	u := built(t, "kit-with-exceptions")
	for ref, want := range map[string]string{
		"C1": "failed replaced supply recap/2", // the line's finding, the kit's part
		"C2": "untested replaced supply recap/2",
		"C9": "ok left ", // the line wins
	} {
		p := u.Position("power supply", refsOf(t, ref))
		e := p.Occupants[0].Events
		if len(e) != 1 {
			t.Errorf("%s: %d events", ref, len(e))
			continue
		}
		if got := fmt.Sprintf("%s %s %s", e[0].Line.Found, e[0].Line.Action, e[0].Kit); got != want {
			t.Errorf("%s: %s, want %s", ref, got, want)
		}
		if ref != "C9" && (p.Current().Component.Rating != "63 V" || p.Current().Kit != "supply recap/2") {
			t.Errorf("%s holds %+v", ref, p.Current())
		}
	}
}

func TestLotFillsIn(t *testing.T) {
	u := read(t, `-- 2029-03-05-parts-a7xk.toml --
kind = "parts"
date = 2029-03-05
by = "mw"

[[part]]
section = "power supply"
ref = "C1"
found = "untested"
action = "replaced"
new = {lot = "elko-470-40", date_code = "2626"}
`)
	got := u.Position("power supply", "C1").Current().Component
	want := schema.Component{Value: "470 uF", Rating: "40 V", Maker: "Ostrand", Lot: "elko-470-40", DateCode: "2626", Source: schema.SourceNew}
	if got == nil || *got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

func TestCause(t *testing.T) {
	u := built(t, "cause-later-line")
	e := u.Position("case", "S1").Occupants[0].Events[0]
	if e.CausedBy != u.Position("case", "S2") || e.CausedBy == nil {
		t.Errorf("caused by %+v", e.CausedBy)
	}
}

func TestFaultsAndJobs(t *testing.T) {
	u := built(t, "clean")
	if len(u.Faults) != 1 || u.Faults[0].State != schema.FaultCured || len(u.Faults[0].Cured) != 1 {
		t.Errorf("faults: %+v", u.Faults)
	}
	if len(u.Jobs) != 1 || u.Jobs[0].Open() || len(u.Jobs[0].Files) != 4 || u.OpenJob() != nil {
		t.Errorf("jobs: %+v", u.Jobs)
	}
	u = built(t, "comeback-known")
	if len(u.Jobs) != 2 || !u.Jobs[1].Open() || u.OpenJob() != u.Jobs[1] || u.OpenJob().Name() != "2029-05-04-intake-a7xk" {
		t.Errorf("jobs of a unit that came back: %+v", u.Jobs)
	}
	if r := u.Jobs[0].ReleaseRecord(); r == nil || r.Works != schema.WorksFully || u.Jobs[1].ReleaseRecord() != nil {
		t.Errorf("releases: %+v", r)
	}
}

func TestWarningsAreSettled(t *testing.T) {
	u := built(t, "settles-known")
	if len(u.Warnings) != 1 || !u.Warnings[0].Settled {
		t.Errorf("warnings: %+v", u.Warnings)
	}
}

func TestPower(t *testing.T) {
	text := `-- 2029-03-04-note-a7xk.toml --
kind = "note"
date = 2029-03-04
by = "mw"
power = "do-not-power"
power_why = "live bracket"
note = "n"
-- 2029-03-05-note-a7xk.toml --
kind = "note"
date = 2029-03-05
by = "mw"
power = "normal"
withdrawn = true
note = "n"

[[correction]]
date = 2029-03-06
by = "mw"
reason = "another unit"
`
	power, why, file := read(t, text).Power()
	if power != schema.PowerForbidden || why != "live bracket" || file == nil || file.Name() != "2029-03-04-note-a7xk" {
		t.Errorf("got %q %q %+v", power, why, file)
	}
	if power, _, file := read(t, "").Power(); power != "" || file != nil {
		t.Errorf("without records: %q", power)
	}
}

// A unit from another bench is read without the lists of this shop.
func TestWithoutShop(t *testing.T) {
	for _, name := range []string{"technician-unknown", "instrument-unknown", "instrument-past-calibration", "lot-unknown"} {
		src, ctx, _ := sample(t, name)
		ctx.Shop = nil
		if u := Build(src, ctx); len(u.Problems) > 0 {
			t.Errorf("%s:\n%s", name, drawings(u.Problems))
		}
	}
}

// Without a model any section and position is taken as it stands.
func TestWithoutModel(t *testing.T) {
	src, ctx, _ := sample(t, "section-unknown")
	src.Model = nil
	u := Build(src, ctx)
	if p := u.Position("reverb tray", "C1"); p == nil || p.InModel || len(p.Occupants) != 2 {
		t.Errorf("C1 of the reverb tray: %+v", p)
	}
	for _, p := range u.Problems {
		if !strings.Contains(p.Message, "not in the model") { // the line names no family
			t.Errorf("%s", p.Drawing())
		}
	}
}

func TestJudge(t *testing.T) {
	u := read(t, "")
	for _, c := range []struct {
		value, uncertainty, section string
		want                        Verdict
	}{
		{"15.02 V", "", "power supply", Within},
		{"15.3 V", "", "power supply", Within}, // the limit itself conforms
		{"15.31 V", "", "power supply", Outside},
		{"14,69 V", "", "power supply", Outside},
		{"15.25 V", "0.1 V", "power supply", Near},
		{"15.25 V", "40 mV", "power supply", Within},
		{"15.35 V", "0.1 V", "power supply", Outside},
		{"15350 mV", "", "power supply", Outside},
		{"15.02 mA", "", "power supply", NoLimit},
		{"15.02 V", "", "voice 1", NoLimit},
		{"not-measurable", "", "power supply", NotTaken},
	} {
		r := schema.Reading{Point: "Rail +15", Section: c.section, Value: schema.Measured(c.value), Uncertainty: schema.Quantity(c.uncertainty)}
		if got := u.JudgeReading(r); got != c.want {
			t.Errorf("%s (%s) in %s: %q, want %q", c.value, c.uncertainty, c.section, got, c.want)
		}
	}
	own := schema.Reading{Point: "rail +15", Section: "power supply", Value: "16 V", High: "17 V", LimitSource: "shop practice"}
	if got := u.JudgeReading(own); got != Within {
		t.Errorf("the record's own limit comes first: %q", got)
	}
}

// The order of days comes from the records, not from the order they are read in.
func TestOrderOfRecordsDoesNotMatter(t *testing.T) {
	for _, name := range samples(t) {
		src, ctx, _ := sample(t, name)
		want := picture(Build(src, ctx))
		r := rand.New(rand.NewPCG(1, uint64(len(name))))
		for range 3 {
			r.Shuffle(len(src.Records), reflect.Swapper(src.Records))
			if got := picture(Build(src, ctx)); got != want {
				t.Fatalf("%s: another order of files gives\n%s\nnot\n%s", name, got, want)
			}
		}
	}
}

// picture is what a unit looks like, in text.
func picture(u *Unit) string {
	var b strings.Builder
	for _, p := range u.Positions {
		fmt.Fprintf(&b, "%s: %s\n", p.Name(), chain(p))
	}
	for _, f := range u.Faults {
		fmt.Fprintf(&b, "%s %s\n", f.ID, f.State)
	}
	for _, j := range u.Jobs {
		fmt.Fprintf(&b, "%s %v\n", j.Name(), j.Open())
	}
	return b.String() + drawings(u.Problems)
}

// Building changes nothing it was given.
func TestBuildLeavesRecordsAlone(t *testing.T) {
	for _, name := range samples(t) {
		src, ctx, _ := sample(t, name)
		before := encoded(src)
		Build(src, ctx)
		if after := encoded(src); !slices.Equal(before, after) {
			t.Errorf("%s: building changed the records", name)
		}
	}
}

func encoded(src Source) []string {
	out := []string{string(schema.Encode(src.Model)), string(schema.Encode(src.Instrument))}
	for _, f := range src.Records {
		out = append(out, string(schema.Encode(f.Record)))
	}
	return out
}

func TestLess(t *testing.T) {
	file := func(name, kind, date string, seq int) File {
		r := schema.New(schema.Kind(kind))
		*r.Head() = schema.Common{Kind: schema.Kind(kind), Date: day(date), Seq: seq}
		return File{Path: unitDir + "/" + name, Record: r}
	}
	want := []File{
		file("a", "release", "2029-03-03", 0),
		file("c", "release", "2029-03-04", 1), // numbered before the others
		file("b", "note", "2029-03-04", 2),
		file("f", "intake", "2029-03-04", 0), // then as the work goes
		file("d", "parts", "2029-03-04", 0),
		file("e", "parts", "2029-03-04", 0), // then by name
		file("a", "release", "2029-03-04", 0),
	}
	for i, x := range want {
		for j, y := range want {
			if got := Less(x, y); got != (i < j) {
				t.Errorf("%s before %s: %v", x.Name(), y.Name(), got)
			}
		}
	}
}

// A kit leaves alone what an earlier line of the same job has put in already,
// and changes what an earlier job put in.
func TestKitAfterAPartIsFresh(t *testing.T) {
	const own = `-- 2029-03-05-parts-a7xk.toml --
kind = "parts"
date = 2029-03-05
by = "mw"

[[part]]
section = "power supply"
ref = "C1"
found = "failed"
mode = "leakage"
action = "replaced"
new = {value = "470 uF", rating = "100 V"}
`
	kit := func(day string) string {
		return "-- " + day + "-parts-b8yk.toml --\nkind = \"parts\"\ndate = " + day + "\nby = \"mw\"\n\n" +
			"[[apply_kit]]\nkit = \"supply recap\"\nrevision = \"2\"\nfound = \"untested\"\n"
	}
	intake := func(day string) string {
		return "-- " + day + "-intake-a7xk.toml --\nkind = \"intake\"\ndate = " + day + "\nby = \"mw\"\nreason = \"repair\"\nworks = \"no\"\n"
	}
	const release = "-- 2029-03-09-release-a7xk.toml --\nkind = \"release\"\ndate = 2029-03-09\nby = \"mw\"\nworks = \"fully\"\n"
	for _, c := range []struct{ name, records, c1, kit string }{
		{"the same job", intake("2029-03-04") + own + kit("2029-03-06"), "100 V", ""},
		{"a later job", intake("2029-03-04") + own + release + intake("2029-04-04") + kit("2029-04-06"), "63 V", "supply recap/2"},
		{"outside any job", own + kit("2029-03-06"), "63 V", "supply recap/2"},
	} {
		u := read(t, c.records)
		o := u.Position("power supply", "C1").Current()
		if o == nil || o.Component == nil || string(o.Component.Rating) != c.c1 || o.Kit != c.kit {
			t.Errorf("%s: C1 holds %+v, want %s of kit %q", c.name, o, c.c1, c.kit)
		}
		if o := u.Position("power supply", "C2").Current(); o == nil || o.Kit != "supply recap/2" {
			t.Errorf("%s: the kit did not reach C2, which holds %+v", c.name, o)
		}
	}
}

// A kit is written out over the places of a unit, applied or not: one line for
// each, the first that names it; a place it makes is listed where it fits a part.
func TestKitLines(t *testing.T) {
	u := read(t, "")
	line := func(section schema.Names, ref schema.Refs, action schema.Action, value schema.Quantity) schema.PartLine {
		return schema.PartLine{Section: section, Ref: ref, Action: action, New: &schema.Component{Value: value}}
	}
	k := &schema.Kit{Name: "x", Lines: []schema.PartLine{
		line("power supply", "C9, C1-C3", schema.Replaced, "1 uF"),
		line("power supply", "C3, C51", schema.Replaced, "2 uF"), // C3 has a line; nothing is called C51
		line("voice 3-9", "IC4, R90", schema.Fitted, "3 Ohm"),
		line("reverb tray", "C1", schema.Fitted, "4 uF"), // no such section
	}}
	var got []string
	for _, l := range u.KitLines(k) {
		if (l.Position == nil) != (u.Position(l.Section, l.Ref) == nil) || l.Position != u.Position(l.Section, l.Ref) {
			t.Errorf("%s %s: position %v", l.Section, l.Ref, l.Position)
		}
		got = append(got, fmt.Sprintf("%s %s %s %v", l.Section, l.Ref, l.Line.New.Value, l.Position != nil))
	}
	slices.Sort(got)
	want := []string{"power supply C1 1 uF true", "power supply C2 1 uF true", "power supply C3 1 uF true", "power supply C9 1 uF true",
		"voice 3 IC4 3 Ohm true", "voice 3 R90 3 Ohm false", "voice 4 IC4 3 Ohm true", "voice 4 R90 3 Ohm false"}
	if !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

// A unit keeps which kits its records took, and the events say what each did.
func TestKitsOfAUnit(t *testing.T) {
	u := built(t, "kit-with-exceptions")
	if len(u.Kits) != 1 || u.Kits[0].Name() != "supply recap/2" || u.Kits[0].File.Name() != "2029-03-05-parts-a7xk" || len(u.Kits[0].Kit.Lines) != 1 {
		t.Fatalf("kits: %+v", u.Kits)
	}
	var at []string
	for _, p := range u.Positions {
		if o := p.Current(); o != nil && o.Fitted != nil && o.Fitted.Kit == u.Kits[0].Name() && o.Fitted.File == u.Kits[0].File {
			at = append(at, string(p.Ref))
		}
	}
	if got := strings.Join(at, " "); got != "C1 C2 C3 C4" {
		t.Errorf("the kit put parts into %s", got)
	}
	if u := built(t, "kit-unknown"); len(u.Kits) != 0 {
		t.Errorf("a kit nobody knows was applied: %+v", u.Kits)
	}
}

// A line about more parts than a pool has is wrong, of a pool of one too.
func TestPoolOfOne(t *testing.T) {
	for _, c := range []struct{ size, problems int }{{1, 1}, {129, 1}, {130, 0}} {
		src, ctx, _ := sample(t, "count-over-pool") // a line about 130
		for i := range src.Model.Sections {
			for k := range src.Model.Sections[i].Positions {
				if set := &src.Model.Sections[i].Positions[k]; set.Count > 0 {
					set.Count = c.size
				}
			}
		}
		n := 0
		for _, p := range Build(src, ctx).Problems {
			if strings.Contains(p.Message, fmt.Sprintf("130 of a pool of %d", c.size)) {
				n++
			}
		}
		if n != c.problems {
			t.Errorf("a pool of %d: %d problems, want %d", c.size, n, c.problems)
		}
	}
}
