package provenance

import (
	"reflect"
	"slices"
	"strings"

	"benchlore/ledger/proof"
	"benchlore/schema"
)

// PacketReports makes the reports of packets, and compares the data of one with a
// history.
func PacketReports() proof.Reports {
	return proof.Reports{Make: RenderPacket, Compare: func(_ *proof.Travelled, sent, made []byte) proof.Comparison {
		return proof.CompareData(provenanceShape, sent, made)
	}}
}

// provenanceShape says what of a provenance report is copied from records. What is
// worked out or worded may change with a release of the program, and a packet made
// before is no lie for it.
var provenanceShape = proof.Shape{Type: reflect.TypeFor[Report](), Worked: isWorkedOut, Grouped: isGrouped}

// workedSections are parts of the report that the program words or works out as a
// whole.
var workedSections = []string{"title", "preamble", "inShort", "pageOne", "knownBad", "coverage", "sections", "map", "mapLegend", "decisionRule",
	"partsNow", "verify", "cautions", "scope", "contradictions", "signers"}

// workedFacts are keys that are worked out wherever they stand.
var workedFacts = []string{"builtText", "stated", "hours", "hoursOn", "onBenchSince", "soakHours", "soakCycles", "workAfterSoak", "lastOverhaul", "unsaid", "state",
	"places", "parts", "families", "familyTitles", "fromModel", "counts", "workAfter", "superseded", "verdict", "limit", "limitSource", "ended", "fitted", "stillFitted", "removed",
	"passed", "settled", "number", "limitLow", "limitHigh", "measured", "min", "minAt", "max", "maxAt", "spread", "limits", "limitSources", "limitSpans",
	"correctedByOthers.changes", "correctedByOthers.bears", "identityCorrections.changes", "judged", "outside", "near", "spreadLimit", "spreadVerdict", "calibration", "faults.work", "history.summary", "history.late",
	"history.corrections.changes", "notes.title", "newsAndCustody.about"}

// isWorkedOut reports whether what stands at a path is not copied from a record.
func isWorkedOut(path string) bool {
	first, _, _ := strings.Cut(path, ".")
	if slices.Contains(workedSections, first) {
		return true
	}
	// The state in which the unit is, and a fault, are what records say: only the
	// key "state" at the top is a table of its own.
	if path == "state" || path == "faults" || path == "faults.state" {
		return false
	}
	return slices.ContainsFunc(workedFacts, func(f string) bool { return path == f || strings.HasSuffix(path, "."+f) })
}

// isGrouped reports whether lines that are alike stand together in a list, so that
// how many there are is the program's choice.
func isGrouped(path string) bool {
	return slices.Contains([]string{"work", "readings", "tables", "testInstruments", "warnings", "unit.boards", "unit.factoryDifferences"}, path)
}

// SealedProvenance is the provenance report of a sealed unit as its last seal
// has it, on the day it was sealed.
func SealedProvenance(t *proof.Travelled) *Report {
	st := t.Last().Statement
	in := Input{Unit: t.Unit, Shop: t.Shop, Families: t.Families, AsOf: schema.NewDate(st.Sealed), Branch: "unit/" + st.Unit,
		Head: st.Head, Closed: true, Vouched: t.Vouched}
	in.History, in.Signers = historyEntries(t.Unit, t.Steps)
	return Build(in)
}
