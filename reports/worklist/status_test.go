package worklist

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"benchlore/reports/internal/benchtest"
	"benchlore/reports/page"
	"benchlore/schema"
)

func TestStatus(t *testing.T) {
	soaking := benchtest.With(firstStay, map[string]string{"2021-03-09-soak-aaag": benchtest.Restored["2021-03-09-soak-aaag"]})
	note := "kind = \"note\"\nby = \"mw\"\ndate = "
	for _, c := range []struct {
		name    string
		records map[string]string
		day     string
		state   State
		since   string
		days    int
		is      []string // of States
		faults  int
	}{
		{"opened, no record", map[string]string{}, "2021-03-01", StateWaiting, "", 0, []string{"waiting"}, 0},
		{"only taken in", map[string]string{"2021-03-01-intake-aaaa": benchtest.Restored["2021-03-01-intake-aaaa"]}, "2021-03-04", StateWaiting, "2021-03-01", 3, []string{"open", "waiting"}, 3},
		{"taken in, and a note", map[string]string{"2021-03-01-intake-aaaa": benchtest.Restored["2021-03-01-intake-aaaa"], "2021-03-03-note-aaab": note + "2021-03-03\nnote = \"x\""},
			"2021-03-04", StateWaiting, "2021-03-01", 1, []string{"open", "waiting"}, 3},
		{"soaking", soaking, "2021-03-10", StateSoaking, "2021-03-09", 1, []string{"open", "soaking"}, 3},
		{"after the soak", benchtest.With(soaking, map[string]string{"2021-03-10-note-aaaz": note + "2021-03-10\nnote = \"x\""}), "2021-03-10", StateBench, "2021-03-01", 0, []string{"open", "bench"}, 3},
		{"released", benchtest.With(soaking, map[string]string{"2021-03-10-release-aaah": benchtest.Restored["2021-03-10-release-aaah"]}), "2021-03-10", StateReleased, "2021-03-10", 0, []string{"released"}, 0},
		{"shipped, and news since", benchtest.With(benchtest.Restored, map[string]string{"2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": "", "2021-10-06-note-aaan": ""}),
			"2021-09-02", StateShipped, "2021-03-11", 1, []string{"shipped"}, 0},
		{"silent", benchtest.With(benchtest.Restored, map[string]string{"2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": "", "2021-10-06-note-aaan": ""}),
			"2023-09-02", StateShipped, "2021-03-11", 731, []string{"shipped", "silent"}, 0},
		{"back", benchtest.With(benchtest.Restored, map[string]string{"2021-10-05-release-aaam": "", "2021-10-06-note-aaan": ""}), "2021-10-02", StateBack, "2021-10-01", 1, []string{"open", "back"}, 1},
		{"a withdrawn record is none", benchtest.Restored, "2021-10-06", StateReleased, "2021-10-05", 1, []string{"released"}, 0},
		{"received again", benchtest.With(benchtest.Restored, map[string]string{"2021-11-01-custody-aaap": "kind = \"custody\"\nby = \"mw\"\ndate = 2021-11-01\nevent = \"received\"\n"}),
			"2021-11-01", StateWaiting, "2021-11-01", 0, []string{"waiting"}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := NewStatus(benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, c.records).Unit, benchtest.Date(t, c.day))
			if s.State != c.state || s.StateSince != c.since || s.Days != c.days || len(s.Faults) != c.faults {
				t.Errorf("%s since %s, %d days, %d faults", s.State, s.StateSince, s.Days, len(s.Faults))
			}
			var is []string
			for _, w := range States() {
				if s.Is(w) {
					is = append(is, w)
				}
			}
			if !slices.Equal(is, c.is) {
				t.Errorf("is %v, want %v", is, c.is)
			}
		})
	}
}

func TestDueByDateAndByMeter(t *testing.T) {
	due := func(more string) map[string]string {
		return benchtest.With(benchtest.Restored, map[string]string{"2021-10-05-release-aaam": benchtest.Restored["2021-10-05-release-aaam"] + more})
	}
	for _, c := range []struct {
		name, more, day string
		want            []string
	}{
		{"the day before", "", "2022-03-09", nil},
		{"the day itself", "", "2022-03-10", []string{"contacts (keybed), due 2022-03-10"}},
		{"hours not reached", "due = [{what = \"tape\", at_hours = 100}]\nhours = 99.5\n", "2022-03-09", nil},
		{"hours reached", "due = [{what = \"tape\", at_hours = 99.5}]\nhours = 100\n", "2022-03-09", []string{"tape, due at 99.5 hours"}},
	} {
		records := due("")
		if c.more != "" {
			records = benchtest.With(benchtest.Restored, map[string]string{"2021-10-05-release-aaam": c.more + benchtest.Restored["2021-10-05-release-aaam"]})
		}
		var got []string
		for _, d := range dueBy(benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, records).Unit, benchtest.Date(t, c.day)) {
			got = append(got, d.words(page.TextOptions{}))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %q", c.name, got)
		}
	}
}

func TestWhereAtEightyColumns(t *testing.T) {
	s := NewStatus(benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.With(firstStay, nil)).Unit, benchtest.Date(t, "2021-03-10"))
	s.Faults[0].Symptom = strings.Repeat("a long story ", 20)
	var b bytes.Buffer
	if err := WriteWhere(&b, []Status{s}, page.TextOptions{Conventions: page.Conventions{Dates: schema.DayMonthYear}}); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(b.String(), "\n")
	if lines[1] != "  DO NOT POWER  burnt smell" || !strings.Contains(b.String(), "  since         01.03.2021, overhaul\n") {
		t.Errorf("%s", b.String())
	}
	for _, l := range lines {
		if page.TextWidth(l) > 80 {
			t.Errorf("too wide: %q", l)
		}
	}
}
