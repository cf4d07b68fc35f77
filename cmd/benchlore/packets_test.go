package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/proof"
)

// keptPacketsKey signed the packets in testdata/packets, made from the example
// ledger on 2026-11-29.
const keptPacketsKey = "SHA256:sEO6IjfCZuuOMmBisoNlXwyWYEKYkDqu06doENhBCDI"

// TestKeptPackets: packets that are with buyers still verify without a word of
// doubt, so their reports are made again to the byte. Where this fails, whatever
// changed, a library or the compiler included, [reports.Rendering] goes up, and
// new packets join these, which then are only warned about.
func TestKeptPackets(t *testing.T) {
	names, err := filepath.Glob("../../testdata/packets/*.zip")
	if err != nil || len(names) == 0 {
		t.Fatalf("no packets: %v", err)
	}
	current := 0
	for _, name := range names {
		out, err := program(".", nil, "verify", "--json", "--expect-key", keptPacketsKey, name).Output()
		if err != nil {
			t.Errorf("%s: %v\n%s", name, err, out)
			continue
		}
		var report struct{ Flaws []proof.Flaw }
		if err := json.Unmarshal(out, &report); err != nil {
			t.Fatal(err)
		}
		if len(report.Flaws) == 0 {
			current++
		}
		for _, f := range report.Flaws {
			if !f.Warning || !strings.Contains(f.What, "an older release of the program made them") {
				t.Errorf("%s: %s", name, f.What)
			}
		}
	}
	if current == 0 {
		t.Error("no packet of the reports as they are set now: add one")
	}
}
