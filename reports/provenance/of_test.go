package provenance

import (
	"slices"
	"testing"
	"time"

	"benchlore/ledger"
	"benchlore/reports/internal/benchtest"
	"benchlore/schema"
)

// What the history says of a record: when it was first saved, in which commit,
// by whose key, whether long after its day; and its corrections, with the day
// and the person the record itself names.
func TestHistoryEntries(t *testing.T) {
	const release, note = "2021-10-05-release-aaam", "2021-03-02-note-aaaz"
	u := benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.With(benchtest.Restored, map[string]string{
		release: benchtest.Restored[release] + "correction = [{date = 2021-10-08, by = \"mw\", reason = \"misread\"}]\n",
		note:    "kind = \"note\"\ndate = 2021-03-02\nby = \"jt\"\nnote = \"found later\"\n"})).Unit
	day := func(s string) time.Time {
		d, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	changes := []schema.Change{{Path: "works", Old: "partly", New: "fully"}}
	entries, signers := historyEntries(u, []ledger.Step{
		{Commit: "c1", Saved: day("2021-03-01"), Closed: day("2021-03-10"), Signed: "key-1", Files: []ledger.FileStep{
			{Path: "2021-03-01-intake-aaaa.toml", What: "new"}, {Path: "instrument.toml", What: "new"}, {Path: "photos/2021-03-01-intake-aaaa.toml", What: "new"}}},
		{Commit: "c2", Saved: day("2021-10-06"), Closed: day("2021-10-07"), Signed: "key-1", Files: []ledger.FileStep{
			{Path: release + ".toml", What: "new"}, {Path: note + ".toml", What: "new"}}},
		{Commit: "c3", Saved: day("2021-10-09"), Closed: day("2021-10-10"), Signed: "key-2", Files: []ledger.FileStep{
			{Path: release + ".toml", What: "changed", Reason: "misread", Changes: changes}}},
	})
	want := []HistoryEntry{
		{File: "2021-03-01-intake-aaaa", Kind: schema.KindIntake, Date: "2021-03-01", Saved: "2021-03-01", By: "mw", Commit: "c1", SignedBy: "key-1"},
		{File: release, Kind: schema.KindRelease, Date: "2021-10-05", Saved: "2021-10-06", By: "jt", Commit: "c2", SignedBy: "key-1",
			Corrections: []CorrectionEntry{{Date: "2021-10-08", By: "mw", Reason: "misread", Changes: changes}}},
		{File: note, Kind: schema.KindNote, Date: "2021-03-02", Saved: "2021-10-06", By: "jt", Commit: "c2", SignedBy: "key-1", Late: true},
	}
	if !slices.EqualFunc(entries, want, func(a, b HistoryEntry) bool {
		same := slices.EqualFunc(a.Corrections, b.Corrections, func(x, y CorrectionEntry) bool {
			return x.Date == y.Date && x.By == y.By && x.Reason == y.Reason && slices.Equal(x.Changes, y.Changes)
		})
		return same && a.File == b.File && a.Kind == b.Kind && a.Date == b.Date && a.Saved == b.Saved && a.By == b.By && a.Commit == b.Commit &&
			a.SignedBy == b.SignedBy && a.Late == b.Late && a.Withdrawn == b.Withdrawn
	}) {
		t.Errorf("got  %+v\nwant %+v", entries, want)
	}
	if keys := []Signer{{Fingerprint: "key-1", First: "2021-03-10", Last: "2021-10-07"}, {Fingerprint: "key-2", First: "2021-10-10", Last: "2021-10-10"}}; !slices.Equal(signers, keys) {
		t.Errorf("signers %+v, want %+v", signers, keys)
	}
}
