package reliability

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// drawnLine is a part line, apart from what it is about.
type drawnLine struct{ section, ref, found, action, cause string }

func (l drawnLine) text() string {
	var more []string
	if l.cause != "" && l.found == "failed" {
		more = append(more, fmt.Sprintf("caused_by = %q", l.cause))
	}
	return partLine(l.section, l.ref, l.found, l.action, more...)
}

// drawnParts is a parts record before it is written down.
type drawnParts struct {
	name  string
	lines []drawnLine
}

// drawnHistory is a history before it is written down: some jobs, a few years
// apart, each with lines about some of the positions.
type drawnHistory struct {
	built  string
	others []ledgerRecord
	parts  []drawnParts
}

func (h drawnHistory) records() []ledgerRecord {
	out := slices.Clone(h.others)
	for _, p := range h.parts {
		text := ""
		for _, l := range p.lines {
			text += l.text()
		}
		out = append(out, ledgerRecord{p.name, text})
	}
	return out
}

func drawHistory(t *rapid.T) drawnHistory {
	pick := func(label string, words ...string) string { return rapid.SampledFrom(words).Draw(t, label) }
	h := drawnHistory{built: pick("built", "", "1976-01-01", "1975/1977", "1976~", "../1980", "1975/..")}
	year := 2000
	for range rapid.IntRange(1, 3).Draw(t, "jobs") {
		year += rapid.IntRange(1, 8).Draw(t, "gap")
		in := fmt.Sprintf("reason = %q\nworks = %q\n", pick("reason", "repair", "overhaul"), pick("in", "no", "partly", "fully"))
		if rapid.Bool().Draw(t, "known") {
			in += fmt.Sprintf("last_known_working = %q\n", pick("last", "1990", "2001/2003", "1999-05"))
		}
		if rapid.Bool().Draw(t, "origin") {
			in += fmt.Sprintf("[[section]]\nname = \"channel 1\"\norigin = %q\n", pick("what", "original", "unknown"))
		}
		h.others = append(h.others, ledgerRecord{fmt.Sprintf("%d-03-01-intake", year), in})
		p := drawnParts{name: fmt.Sprintf("%d-03-%02d-parts", year, rapid.IntRange(1, 28).Draw(t, "day"))}
		for _, at := range []string{"channel 1/C1", "channel 1/C2", "channel 2/C1", "channel 2/C2", "supply/C1"} {
			if !rapid.Bool().Draw(t, at) {
				continue
			}
			section, ref, _ := strings.Cut(at, "/")
			p.lines = append(p.lines, drawnLine{section, ref,
				pick("found", "failed", "degraded", "ok", "in-service", "untested", "missing"),
				pick("action", "replaced", "reworked", "left", "pending"),
				pick("cause", "", "", "transport", "channel 2 C2", "unknown")})
		}
		if len(p.lines) > 0 {
			h.parts = append(h.parts, p)
		}
		if rapid.Bool().Draw(t, "joints") {
			h.others = append(h.others, ledgerRecord{fmt.Sprintf("%d-03-15-parts", year),
				jointLine(rapid.IntRange(1, 20).Draw(t, "count"), pick("found", "failed", "degraded", "ok"), pick("action", "reworked", "replaced", "left"))})
		}
		h.others = append(h.others, ledgerRecord{fmt.Sprintf("%d-04-01-release", year), fmt.Sprintf("works = %q\n", pick("out", "fully", "partly"))})
		if rapid.Bool().Draw(t, "news") {
			h.others = append(h.others, ledgerRecord{fmt.Sprintf("%d-10-01-followup", year),
				fmt.Sprintf("state = %q\nsaid_by = \"owner\"\n", pick("state", "working", "faulty", "unknown"))})
		}
	}
	return h
}

// observeDrawn observes one way of writing a history down.
func observeDrawn(t *rapid.T, h drawnHistory, records []ledgerRecord, opt ObserveOptions) (*unit.Unit, *Observations) {
	u := observedUnit(t, "q3-0001", h.built, records...)
	return u, Observe(unitsOf(u), opt)
}

func drawOptions(t *rapid.T) ObserveOptions {
	opt := ObserveOptions{Families: observedFamilies(), FailureDegraded: rapid.Bool().Draw(t, "degraded"), Lag: rapid.IntRange(0, 1000).Draw(t, "lag")}
	if rapid.Bool().Draw(t, "as of") {
		opt.AsOf, _ = schema.ParseDate(fmt.Sprintf("%d-03-20", rapid.IntRange(2002, 2030).Draw(t, "year")))
	}
	return opt
}

func TestObserveAccountsForEveryPosition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h, opt := drawHistory(t), drawOptions(t)
		u, obs := observeDrawn(t, h, h.records(), opt)
		if obs.Units == 0 {
			return // all records lie after the as-of date
		}
		want := map[string]int{}
		for _, p := range u.Positions {
			for _, o := range p.Occupants {
				if o.Origin != schema.OriginReplaced || !o.Since.Lo.After(obs.AsOf.Day) {
					want[p.Name()]++
				}
			}
		}
		for _, p := range u.Pools {
			want[p.Section+" "] += p.Count
		}
		got := map[string]int{}
		for _, o := range obs.All {
			if o.Restart == 0 {
				got[o.Section+" "+o.Ref] += o.Count
			}
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("occupants %v, observed %v", want, got)
		}
	})
}

func TestObservationsAreSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h, opt := drawHistory(t), drawOptions(t)
		_, obs := observeDrawn(t, h, h.records(), opt)
		leftOut := 0
		for _, o := range obs.All {
			ok := o.Count > 0 && o.Entry >= 0 && o.Lower >= o.Entry && o.LowerWorking >= o.Lower
			switch o.Kind {
			case ObservedEvent:
				ok = ok && o.Upper > o.Lower && !math.IsInf(o.Upper, 0) && o.Reason == "" && o.Failed && o.LowerWorking == o.Lower
			case ObservedCensored:
				ok = ok && math.IsInf(o.Upper, 1) && o.Lower > o.Entry && o.Reason == ""
			case ObservedLeftOut:
				ok = ok && math.IsInf(o.Upper, 1) && o.Reason != ""
				leftOut += o.Count
			default:
				ok = false
			}
			if !ok || o.Failed && (o.Secondary || o.External) || o.Secondary && o.External || o.Restart > 0 && o.Pool && o.Handled {
				t.Fatalf("not sound: %+v", o)
			}
		}
		for _, n := range obs.LeftOut {
			leftOut -= n
		}
		if leftOut != 0 {
			t.Fatalf("%d left out and not counted, or counted and not left out", leftOut)
		}
	})
}

func TestObserveRegardlessOfOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h, opt := drawHistory(t), drawOptions(t)
		src := observedUnit(t, "q3-0001", h.built, h.records()...)
		files := rapid.Permutation(src.Files).Draw(t, "order")
		again := unit.Build(unit.Source{Name: src.Name, Dir: src.Dir, Instrument: src.Instrument, Model: src.Model, Records: files},
			unit.Context{Families: observedFamilies()})
		other := observedUnit(t, "q3-0002", "1976", h.records()...)
		a := Observe(unitsOf(src, other), opt)
		b := Observe(unitsOf(other, again), opt)
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("in one order %+v\nin another %+v", a, b)
		}
	})
}

func TestObserveSplitRecord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h, opt := drawHistory(t), drawOptions(t)
		split := h
		split.parts = nil
		for _, p := range h.parts {
			n := rapid.IntRange(0, len(p.lines)).Draw(t, "at")
			for _, lines := range [][]drawnLine{p.lines[:n], p.lines[n:]} {
				if len(lines) > 0 {
					split.parts = append(split.parts, drawnParts{p.name, lines})
				}
			}
		}
		_, a := observeDrawn(t, h, h.records(), opt)
		_, b := observeDrawn(t, h, split.records(), opt)
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("in one record %+v\nin two %+v", a, b)
		}
	})
}

func TestObserveNoteChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h, opt := drawHistory(t), drawOptions(t)
		day := fmt.Sprintf("%d-%02d-01-note", rapid.IntRange(2000, 2040).Draw(t, "year"), rapid.IntRange(1, 12).Draw(t, "month"))
		note := ledgerRecord{day, "title = \"smell\"\nnote = \"still smells of the sea\"\n"}
		_, a := observeDrawn(t, h, h.records(), opt)
		_, b := observeDrawn(t, h, append(h.records(), note), opt)
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("without %+v\nwith %+v", a, b)
		}
	})
}
