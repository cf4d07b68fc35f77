package reliability

import (
	"math"
	"testing"

	"benchlore/schema"
)

const inNo = "reason = \"repair\"\nworks = \"no\"\n"
const inFully = "reason = \"inspection\"\nworks = \"fully\"\n"
const outFully = "works = \"fully\"\n"
const outPartly = "works = \"partly\"\n"
const said = "state = \"working\"\nsaid_by = \"owner\"\n"

// days turns hand-counted days into years.
func days(n float64) float64 { return n / 365.25 }

func sameTime(a, b float64) bool {
	return math.IsInf(a, 1) && math.IsInf(b, 1) || math.Abs(a-b) <= 1e-9
}

// From 1976-01-01 to 2016-01-01 are 14,610 days, 40 years of 365.25; to
// 2006-01-01 10,958; to 2026-01-01 18,263.
func TestObserveRules(t *testing.T) {
	inf := math.Inf(1)
	used := func(r ...ledgerRecord) []ledgerRecord { return r }
	tests := []struct {
		name     string
		built    string
		records  []ledgerRecord
		section  string // empty: channel 1
		ref      string
		degraded bool
		want     []Observation // Kind, Reason, Entry, Lower, Upper, LowerWorking (0: as Lower), Secondary, External, UnknownOrigin
	}{
		{
			name: "failed, never known good", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "replaced")},
			),
			want: []Observation{
				{Kind: ObservedEvent, Upper: 40},
				{Kind: ObservedLeftOut, Reason: LeftOutNotBack, Upper: inf},
			},
		},
		{
			// The middle of 1975 and 1976 is 1976-01-01: to g 2006-01-01 10,958 days, to t 14,610.
			name: "failed, last known working and built to a span", built: "1975/1976", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo + "last_known_working = \"2006/2010\"\n"},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
			),
			want: []Observation{{Kind: ObservedEvent, Lower: days(10958), Upper: days(14610), Half: days(365)}},
		},
		{
			name: "that the unit worked says nothing of a hidden family", built: "1976-01-01", ref: "C2",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo + "last_known_working = \"2006\"\n"},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C2", "failed", "left")},
			),
			want: []Observation{{Kind: ObservedEvent, Upper: 40}},
		},
		{
			name: "a bench check does", built: "1976-01-01", ref: "C2",
			records: used(
				ledgerRecord{"2006-01-01-intake", inNo},
				ledgerRecord{"2006-01-01-parts", partLine("channel 1", "C2", "ok", "left")},
				ledgerRecord{"2006-02-01-release", outPartly},
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C2", "failed", "left")},
			),
			want: []Observation{{Kind: ObservedEvent, Lower: days(10958), Upper: 40}},
		},
		{
			name: "a release that worked fully, one that did not", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2005-12-01-intake", inNo},
				ledgerRecord{"2006-01-01-release", outFully},
				ledgerRecord{"2010-12-01-intake", inNo},
				ledgerRecord{"2011-01-01-release", outPartly},
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
			),
			want: []Observation{{Kind: ObservedEvent, Lower: days(10958), Upper: 40}},
		},
		{
			name: "an intake that worked fully, an owner who said so", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2005-12-01-intake", inFully},
				ledgerRecord{"2005-12-02-release", outPartly},
				ledgerRecord{"2006-01-01-followup", said},
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
			),
			want: []Observation{{Kind: ObservedEvent, Lower: days(10958), Upper: 40}},
		},
		{
			name: "what was good only later does not count", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
				ledgerRecord{"2016-01-01-release", outFully},
			),
			want: []Observation{{Kind: ObservedEvent, Upper: 40}},
		},
		{
			name: "found ok and replaced", built: "1976-01-01", ref: "C2",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C2", "ok", "replaced")},
			),
			want: []Observation{
				{Kind: ObservedCensored, Lower: 40, Upper: inf},
				{Kind: ObservedLeftOut, Reason: LeftOutNotBack, Upper: inf},
			},
		},
		{
			name: "found in service", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "in-service", "left")},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: 40, Upper: inf}},
		},
		{
			name: "unmentioned in a unit that left fully working", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2015-12-01-intake", inNo},
				ledgerRecord{"2016-01-01-release", outFully},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: 40, Upper: inf, LowerWorking: days(18263)}},
		},
		{
			name: "unmentioned, hidden, in a unit that left fully working", built: "1976-01-01", ref: "C2",
			records: used(
				ledgerRecord{"2015-12-01-intake", inNo},
				ledgerRecord{"2016-01-01-release", outFully},
			),
			want: []Observation{{Kind: ObservedLeftOut, Reason: LeftOutHidden, Upper: inf}},
		},
		{
			name: "unmentioned in a unit that left partly working", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2015-12-01-intake", inNo},
				ledgerRecord{"2016-01-01-release", outPartly},
			),
			want: []Observation{{Kind: ObservedLeftOut, Reason: LeftOutUnseen, Upper: inf}},
		},
		{
			name: "degraded", built: "1976-01-01", ref: "C2",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C2", "degraded", "left")},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: 40, Upper: inf}},
		},
		{
			name: "degraded counts as failed, last ok", built: "1976-01-01", ref: "C1", degraded: true,
			records: used(
				ledgerRecord{"2006-01-01-intake", inNo},
				ledgerRecord{"2006-01-01-parts", partLine("channel 1", "C1", "ok", "left")},
				ledgerRecord{"2006-01-02-release", outFully},
				ledgerRecord{"2010-01-01-followup", said},
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "degraded", "left")},
			),
			want: []Observation{{Kind: ObservedEvent, Lower: days(10958), Upper: 40}},
		},
		{
			name: "replaced untested, last known good", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo + "last_known_working = \"2006-01-01\"\n"},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "untested", "replaced")},
			),
			want: []Observation{
				{Kind: ObservedCensored, Lower: days(10958), Upper: inf},
				{Kind: ObservedLeftOut, Reason: LeftOutNotBack, Upper: inf},
			},
		},
		{
			name: "left untested, never known good", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "untested", "left")},
			),
			want: []Observation{{Kind: ObservedLeftOut, Reason: LeftOutUntested, Upper: inf}},
		},
		{
			name: "secondary", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo + "last_known_working = \"2006-01-01\"\n"},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left", `caused_by = "C2"`)},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: days(10958), Upper: inf, Secondary: true}},
		},
		{
			name: "secondary, never known good", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left", `caused_by = "supply C1"`)},
			),
			want: []Observation{{Kind: ObservedLeftOut, Reason: LeftOutSecondary, Upper: inf, Secondary: true}},
		},
		{
			name: "from outside", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo + "last_known_working = \"2006-01-01\"\n"},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left", `caused_by = "transport"`)},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: days(10958), Upper: inf, External: true}},
		},
		{
			name: "a cause nobody knows is its own", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left", `caused_by = "unknown"`)},
			),
			want: []Observation{{Kind: ObservedEvent, Upper: 40}},
		},
		{
			name: "missing", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo + "last_known_working = \"2006-01-01\"\n"},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "missing", "left")},
				ledgerRecord{"2016-02-01-release", outFully},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: days(10958), Upper: inf}},
		},
		{
			name: "removed", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "", "removed")},
				ledgerRecord{"2016-02-01-release", outFully},
			),
			want: []Observation{{Kind: ObservedLeftOut, Reason: LeftOutRemoved, Upper: inf}},
		},
		{
			// First seen good 2016-01-01; good 2018-01-01, 731 days; found 2020-01-01, 1,461.
			name: "unknown origin: at risk from the first day seen good", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inFully + "last_known_working = \"2010\"\n[[section]]\nname = \"channel 1\"\norigin = \"unknown\"\n"},
				ledgerRecord{"2016-01-02-release", outFully},
				ledgerRecord{"2018-01-01-followup", said},
				ledgerRecord{"2020-01-01-intake", inNo},
				ledgerRecord{"2020-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
			),
			want: []Observation{
				{Kind: ObservedLeftOut, Reason: LeftOutEarlier, Upper: inf, Restart: earlierWindow},
				{Kind: ObservedEvent, Lower: days(731), Upper: 4, UnknownOrigin: true},
			},
		},
		{
			name: "no build date, failed when first seen", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
				ledgerRecord{"2016-02-01-release", outPartly},
			),
			want: []Observation{{Kind: ObservedLeftOut, Reason: LeftOutAge, Upper: inf, UnknownOrigin: true}},
		},
		{
			name: "a build date without a start gives no age", built: "../1976", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inFully},
				ledgerRecord{"2016-01-01-release", outFully},
				ledgerRecord{"2018-01-01-followup", said},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: days(731), Upper: inf, LowerWorking: days(3653), UnknownOrigin: true}},
		},
		{
			name: "silent: unknown and working", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "ok", "left")},
				ledgerRecord{"2016-02-01-release", outFully},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: days(14641), Upper: inf, LowerWorking: days(18263)}},
		},
		{
			name: "heard of faulty is not silent", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2015-12-01-intake", inNo},
				ledgerRecord{"2016-01-01-release", outFully},
				ledgerRecord{"2018-01-01-followup", "state = \"faulty\"\nsaid_by = \"owner\"\nabout = \"dead\"\n"},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: 40, Upper: inf}},
		},
		{
			name: "on the bench is not silent", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2015-12-01-intake", inNo},
				ledgerRecord{"2016-01-01-release", outFully},
				ledgerRecord{"2020-01-01-intake", inNo},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: 40, Upper: inf}},
		},
		{
			name: "left failed is no longer at risk, and fails once", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2006-01-01-intake", inNo},
				ledgerRecord{"2006-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
				ledgerRecord{"2006-02-01-release", outFully},
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "replaced")},
			),
			want: []Observation{
				{Kind: ObservedEvent, Upper: days(10958)},
				{Kind: ObservedLeftOut, Reason: LeftOutNotBack, Upper: inf},
			},
		},
		{
			// Reworked at 10,958 days, good again 31 days later, failed at 14,610.
			name: "a repair starts a window of its own", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2006-01-01-intake", inNo},
				ledgerRecord{"2006-01-01-parts", partLine("channel 1", "C1", "failed", "reworked")},
				ledgerRecord{"2006-02-01-release", outFully},
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
			),
			want: []Observation{
				{Kind: ObservedEvent, Upper: days(10958)},
				{Kind: ObservedEvent, Entry: days(10958), Lower: days(10989), Upper: 40, Restart: 1},
			},
		},
		{
			name: "fitted and failed within the day", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "ok", "replaced")},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left")},
			),
			want: []Observation{
				{Kind: ObservedCensored, Lower: 40, Upper: inf},
				{Kind: ObservedEvent, Upper: days(1)},
			},
		},
		{
			name: "a comeback: the new part failed", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "ok", "replaced")},
				ledgerRecord{"2016-01-02-release", outFully},
				ledgerRecord{"2016-01-11-intake", "reason = \"comeback\"\nworks = \"partly\"\n[comeback]\nrelease = \"2016-01-02-release-0002\"\nfault = \"induced\"\n"},
				ledgerRecord{"2016-01-11-parts", partLine("channel 1", "C1", "failed", "left")},
			),
			want: []Observation{
				{Kind: ObservedCensored, Lower: 40, Upper: inf},
				{Kind: ObservedEvent, Lower: days(1), Upper: days(10)},
			},
		},
		{
			name: "a used part has no known age", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "ok", "replaced", `new = {source = "used"}`)},
				ledgerRecord{"2016-01-11-release", outFully},
			),
			want: []Observation{
				{Kind: ObservedCensored, Lower: 40, Upper: inf},
				{Kind: ObservedCensored, Lower: days(10), Upper: inf, LowerWorking: days(3653), UnknownOrigin: true},
			},
		},
		{
			// Built by the day it was first seen, 2016-01-01; good 731 days later.
			name: "a build date without an end ends when the unit was seen", built: "1975/..", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2018-01-01-followup", said},
				ledgerRecord{"2018-02-01-followup", "state = \"faulty\"\nsaid_by = \"owner\"\nabout = \"dead\"\n"},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: days(8219), Upper: inf}},
		},
		{
			name: "on the bench is not silent, whoever says it works", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2015-12-01-intake", inNo},
				ledgerRecord{"2016-01-01-release", outFully},
				ledgerRecord{"2020-01-01-intake", inNo},
				ledgerRecord{"2020-01-02-followup", said},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: days(16072), Upper: inf}},
		},
		{
			name: "nobody knew at the intake what worked later", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2016-01-01-intake", inNo + "last_known_working = \"2016-06\"\n"},
				ledgerRecord{"2016-12-01-parts", partLine("channel 1", "C1", "failed", "left")},
			),
			want: []Observation{{Kind: ObservedEvent, Upper: days(14945)}},
		},
		{
			name: "taken down by another part, repaired, then dropped", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2006-01-01-intake", inNo},
				ledgerRecord{"2006-01-01-parts", partLine("channel 1", "C1", "failed", "reworked", `caused_by = "C2"`)},
				ledgerRecord{"2006-01-01-release", outPartly},
				ledgerRecord{"2016-01-01-intake", inNo},
				ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left", `caused_by = "transport"`)},
			),
			want: []Observation{
				{Kind: ObservedLeftOut, Reason: LeftOutSecondary, Upper: inf, Secondary: true},
				{Kind: ObservedLeftOut, Reason: LeftOutExternal, Entry: days(10958), Lower: days(10958), Upper: inf, Secondary: true, Restart: 1},
			},
		},
		{
			name: "what came after the as-of date is not read", built: "1976-01-01", ref: "C1",
			records: used(
				ledgerRecord{"2015-12-01-intake", inNo},
				ledgerRecord{"2016-01-01-release", outFully},
				ledgerRecord{"2026-02-01-intake", inNo},
				ledgerRecord{"2026-02-01-parts", partLine("channel 1", "C1", "failed", "replaced")},
			),
			want: []Observation{{Kind: ObservedCensored, Lower: 40, Upper: inf, LowerWorking: days(18263)}},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			obs := Observe(
				unitsOf(observedUnit(t, "q3-0001", tt.built, tt.records...)),
				ObserveOptions{AsOf: mustDate(t, "2026-01-01"), Families: observedFamilies(), FailureDegraded: tt.degraded})
			got := observedAt(obs, "channel 1", tt.ref, "")
			if len(got) != len(tt.want) {
				t.Fatalf("%d observations, want %d: %+v", len(got), len(tt.want), got)
			}
			for i, w := range tt.want {
				g := got[i]
				if w.LowerWorking == 0 {
					w.LowerWorking = w.Lower
				}
				if g.Reason == LeftOutNotBack {
					g.LowerWorking = 0 // depends on what became of the unit, told elsewhere
				}
				if g.Kind != w.Kind || g.Reason != w.Reason || g.Secondary != w.Secondary || g.External != w.External ||
					g.UnknownOrigin != w.UnknownOrigin || g.Restart != w.Restart {
					t.Errorf("observation %d is %+v, want %+v", i, g, w)
				}
				for _, x := range []struct {
					name      string
					got, want float64
				}{{"entry", g.Entry, w.Entry}, {"lower", g.Lower, w.Lower}, {"upper", g.Upper, w.Upper}, {"lower if silent is working", g.LowerWorking, w.LowerWorking}} {
					if !sameTime(x.got, x.want) {
						t.Errorf("observation %d: %s is %v days, want %v", i, x.name, x.got*365.25, x.want*365.25)
					}
				}
			}
		})
	}
}

// Five of twenty joints were open and reworked, two of those fifteen left
// were replaced in good order, and one came open later: a pool cannot say
// whether it was one of the five.
func TestObservePool(t *testing.T) {
	u := observedUnit(t, "q3-0001", "1976-01-01",
		ledgerRecord{"2006-01-01-intake", inNo},
		ledgerRecord{"2006-01-01-parts", jointLine(5, "failed", "reworked") + jointLine(2, "ok", "replaced", `new = {source = "used", maker = "Ormvik"}`)},
		ledgerRecord{"2006-02-01-release", outFully},
		ledgerRecord{"2016-01-01-intake", inNo},
		ledgerRecord{"2016-01-01-parts", jointLine(1, "failed", "reworked", `caused_by = "transport"`)},
		ledgerRecord{"2016-01-01-release", outFully},
	)
	obs := Observe(unitsOf(u), ObserveOptions{AsOf: mustDate(t, "2016-01-01"), Families: observedFamilies()})
	got := observedAt(obs, "channel 1", "", "board/joint")
	want := []struct {
		count, restart int
		kind           ObservationKind
		lower, upper   float64
		found          schema.Finding
	}{
		{5, 0, ObservedEvent, 0, days(10958), schema.Failed},
		{5, 1, ObservedCensored, 40, math.Inf(1), ""},
		{2, 0, ObservedCensored, days(10958), math.Inf(1), schema.OK},
		{2, 1, ObservedCensored, days(3652), math.Inf(1), ""},
		{1, 0, ObservedCensored, days(10989), math.Inf(1), schema.Failed},
		{1, 1, ObservedLeftOut, 40, math.Inf(1), ""},
		{12, 0, ObservedCensored, 40, math.Inf(1), schema.InService},
	}
	if len(got) != len(want) {
		t.Fatalf("%d observations, want %d: %+v", len(got), len(want), got)
	}
	if x := got[3]; !x.UnknownOrigin || x.Maker != "Ormvik" || x.Origin != schema.OriginReplaced {
		t.Errorf("used ones: %+v", x)
	}
	for i, w := range want {
		g := got[i]
		if g.Count != w.count || g.Restart != w.restart || g.Kind != w.kind || g.Found != w.found || !g.Pool ||
			!sameTime(g.Lower, w.lower) || !sameTime(g.Upper, w.upper) {
			t.Errorf("observation %d is %+v, want %+v", i, g, w)
		}
	}
}

func TestObservePoolOfUnknownSize(t *testing.T) {
	u := observedUnit(t, "q3-0001", "1976-01-01",
		ledgerRecord{"2006-01-01-intake", inNo},
		ledgerRecord{"2006-01-01-parts", `
[[part]]
section = "case"
family = "case/panel"
count = 2
found = "failed"
action = "reworked"
`})
	obs := Observe(unitsOf(u), ObserveOptions{Families: observedFamilies()})
	got := observedAt(obs, "case", "", "case/panel")
	if len(got) != 1 || got[0].Kind != ObservedLeftOut || got[0].Reason != LeftOutPool || got[0].Count != 2 || !got[0].Failed || !got[0].Handled {
		t.Errorf("got %+v", got)
	}
	if obs.LeftOut[LeftOutPool] != 2 {
		t.Errorf("left out: %v", obs.LeftOut)
	}
}

// What an observation can be grouped by.
func TestObserveKeys(t *testing.T) {
	u := observedUnit(t, "q3-0001", "1976-01-01",
		ledgerRecord{"2016-01-01-intake", inNo},
		ledgerRecord{"2016-01-01-parts", partLine("channel 2", "C1", "failed", "replaced",
			`old = {maker = "Ormvik"}`, `new = {maker = "Brenk & Vossel", lot = "2015-film"}`)},
		ledgerRecord{"2016-01-02-release", outFully},
		ledgerRecord{"2017-01-01-intake", "reason = \"inspection\"\nworks = \"fully\"\n"},
		ledgerRecord{"2017-01-01-parts", partLine("channel 2", "C1", "ok", "left")},
	)
	obs := Observe(unitsOf(u), ObserveOptions{Families: observedFamilies()})
	got := observedAt(obs, "channel 2", "C1", "")
	if len(got) != 2 {
		t.Fatalf("got %+v", got)
	}
	a, b := got[0], got[1]
	if a.Model != "longwave-3" || a.Place != "channel" || a.Maker != "Ormvik" || a.Origin != schema.OriginOriginal ||
		a.Built != "1975-1979" || a.Intake != schema.ReasonRepair || a.Family != "capacitor/film" || a.Unit != "longwave-3/q3-0001" {
		t.Errorf("the old one: %+v", a)
	}
	if b.Maker != "Brenk & Vossel" || b.Lot != "2015-film" || b.Origin != schema.OriginReplaced || b.Intake != schema.ReasonInspection {
		t.Errorf("the new one: %+v", b)
	}
}

func TestObserveNothing(t *testing.T) {
	obs := Observe(nil, ObserveOptions{})
	if len(obs.All) != 0 || obs.Units != 0 || !obs.AsOf.IsZero() {
		t.Errorf("got %+v", obs)
	}
	// A unit of which nothing is written yet has not reached the bench.
	obs = Observe(unitsOf(observedUnit(t, "q3-0001", "1976")), ObserveOptions{})
	if len(obs.All) != 0 || obs.Units != 0 {
		t.Errorf("got %+v", obs)
	}
}
