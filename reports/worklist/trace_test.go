package worklist

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"benchlore/reports/internal/benchtest"
	"benchlore/reports/page"
	"benchlore/schema"
)

// traced is the second stay of restored with work in it, all with parts of lot ax.
var traced = benchtest.With(benchtest.Restored, map[string]string{
	"2021-03-05-parts-aaac": strings.ReplaceAll(benchtest.Restored["2021-03-05-parts-aaac"], `type = "axial"`, `type = "axial", maker = "Ostrel", part_number = "AX-470", lot = "ax"`),
	"2021-10-02-parts-aaal": "kind = \"parts\"\ndate = 2021-10-02\nby = \"jt\"\n" +
		"[[part]]\nsection = \"power supply\"\nref = \"C2\"\nfound = \"failed\"\nmode = \"short\"\naction = \"replaced\"\nold = {maker = \"Ostrel\"}\nnew = {value = \"470 uF\", rating = \"35 V\", maker = \"Sundral\"}\n" +
		"[[part]]\nsection = \"divider 1\"\nref = \"C2\"\nfound = \"ok\"\naction = \"replaced\"\nold = {maker = \"Brandel\"}\nnew = {value = \"10 uF\", rating = \"25 V\", lot = \"tn\"}\n" +
		"[[part]]\nsection = \"power supply\"\nfamily = \"board/joint\"\ncount = 5\nfound = \"ok\"\naction = \"replaced\"\nnew = {lot = \"tn\"}\n"})

func traceOf(t *testing.T, q TraceQuery) *Trace {
	t.Helper()
	out := &Trace{Schema: 1, Query: q, Units: []TraceUnit{}}
	out.add(benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, traced).Unit, benchtest.Date(t, "2022-06-01"), map[string]bool{})
	return out
}

func TestTraceFindsPartsThatAreThereAndGone(t *testing.T) {
	for _, c := range []struct {
		name string
		q    TraceQuery
		want string // places, in short
	}{
		{"a lot, one of it gone", TraceQuery{Lot: "ax"},
			"power supply C1, C3 (2): fitted 2021-03-05: 470 uF, 35 V, axial, Ostrel, AX-470, still there\n" +
				"power supply C2: fitted 2021-03-05: 470 uF, 35 V, axial, Ostrel, AX-470, found FAILED since, taken out 2021-10-02\n"},
		{"a lot in a pool", TraceQuery{Lot: "tn"},
			"divider 1 C2: fitted 2021-10-02: 10 uF, 25 V, still there\npower supply, of a pool (5): fitted 2021-10-02, still there\n"},
		{"a maker, in any case, of parts that were there", TraceQuery{Maker: "brandel"}, "divider 1 C2: there before: Brandel, found ok, taken out 2021-10-02\n"},
		{"a part number", TraceQuery{PartNumber: "ax-470", Maker: "Ostrel"},
			"power supply C1, C3 (2): fitted 2021-03-05: 470 uF, 35 V, axial, Ostrel, AX-470, still there\n" +
				"power supply C2: fitted 2021-03-05: 470 uF, 35 V, axial, Ostrel, AX-470, found FAILED since, taken out 2021-10-02\n"},
		{"keys that do not go together", TraceQuery{Lot: "ax", Maker: "Sundral"}, ""},
		{"a kit, with what it took out", TraceQuery{Kit: "quiet supply"},
			"power supply Q1: removed 2021-03-06, kit quiet supply/2\npower supply IC1: fitted 2021-03-06: 15 V, three-terminal regulator, kit quiet supply/2, still there\n"},
		{"a kit by its revision", TraceQuery{Kit: "quiet supply/2", Maker: "nobody"}, ""},
		{"another revision", TraceQuery{Kit: "quiet supply/1"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := traceOf(t, c.q)
			got := ""
			for _, u := range tr.Units {
				for _, k := range u.Places {
					got += k.words(tr, page.TextOptions{}) + "\n"
				}
			}
			if got != c.want {
				t.Errorf("got:\n%swant:\n%s", got, c.want)
			}
			if (c.want == "") != (len(tr.Units) == 0) {
				t.Errorf("%d units", len(tr.Units))
			}
		})
	}
	if tr := traceOf(t, TraceQuery{Lot: "ax"}); tr.Fitted != 2 || tr.Gone != 1 || tr.Units[0].State != "released, fully" {
		t.Errorf("%+v", tr)
	}
}

func TestTraceLotVerdictComesFirst(t *testing.T) {
	tr := traceOf(t, TraceQuery{Lot: "ax"})
	tr.Lot = traceLot("ax", lotOf(t, "family = \"capacitor/electrolytic\"\nquantity = 10\nrejected = 1\ntested = 10\nsupplier = \"Orlow\"\npart = {value = \"2.2 uF\", rating = \"35 V\"}\n"+
		"notice = [{date = 2020-02-01, by = \"mw\", verdict = \"good\", what = \"fine\"}, {date = 2022-05-31, by = \"mw\", verdict = \"bad\", what = \"bungs wet\"}]\n"), 3)
	var b bytes.Buffer
	if err := tr.WriteText(&b, page.TextOptions{Width: 200, Conventions: page.Conventions{Comma: true, Dates: schema.DayMonthYear}}); err != nil {
		t.Fatal(err)
	}
	want := "BAD LOT since 31.05.2022: bungs wet\nLot ax: capacitor/electrolytic, 2,2 uF, 35 V. 10 came on 02.01.2020 from Orlow; 1 rejected, 3 used, 6 left.\n1 unit: 2 parts still there, 1 taken out again.\n"
	if !strings.HasPrefix(b.String(), want) {
		t.Errorf("got:\n%s", b.String())
	}
}

func TestTraceCSV(t *testing.T) {
	var b bytes.Buffer
	if err := traceOf(t, TraceQuery{Lot: "ax"}).WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(rows) != 3 {
		t.Fatal(rows, err)
	}
	want := `astrella-49/4711|released, fully|2021-10-05|power supply C2|1|capacitor/electrolytic|470 uF, 35 V, axial, Ostrel, AX-470||fitted|2021-03-05|2021-10-02|failed|no|2021-03-05-parts-aaac|`
	if got := strings.Join(rows[2], "|"); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestConventions(t *testing.T) {
	for _, c := range []struct {
		c              page.Conventions
		day, in, print string
	}{
		{page.Conventions{}, "2031-03-04", "2.2 uF", "2.2 uF"},
		{page.Conventions{Comma: true, Dates: schema.DayMonthYear}, "04.03.2031", "2.2 uF, 63 V", "2,2 uF, 63 V"},
		{page.Conventions{Comma: true, Dates: schema.MonthDayYear}, "03/04/2031", "4u7", "4u7"},
		{page.Conventions{Comma: true}, "2031-03-04", "rev. 2.1.3", "rev. 2.1.3"},
		{page.Conventions{Comma: true}, "2031-03-04", "a.b", "a.b"},
	} {
		if got := c.c.Day("2031-03-04"); got != c.day {
			t.Errorf("%+v: day %q", c.c, got)
		}
		if got := c.c.Number(c.in); got != c.print {
			t.Errorf("%+v: %q", c.c, got)
		}
	}
	german := page.Conventions{Dates: schema.DayMonthYear}
	if got := german.Days("2031-03-04-parts-7q3f.toml: of 2031-03-04 (2031-03-05), x2031-03-04"); got != "2031-03-04-parts-7q3f.toml: of 04.03.2031 (05.03.2031), x2031-03-04" {
		t.Error(got)
	}
	for _, s := range []string{"", "2031", "1971/1972", "yesterday"} {
		if got := (page.Conventions{Dates: schema.DayMonthYear}).Day(s); got != s {
			t.Errorf("%q became %q", s, got)
		}
	}
}
