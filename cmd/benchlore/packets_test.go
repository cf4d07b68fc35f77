package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger"
)

// keptPacketsKeys signed the packets in testdata/packets, made from the example
// ledger: the second those with -2 in their names, of the second rendering.
var keptPacketsKeys = []string{"SHA256:sEO6IjfCZuuOMmBisoNlXwyWYEKYkDqu06doENhBCDI", "SHA256:gEftBX8VL249Dxlu2Eq+GtvQ7cdQ1w3/+C6v5wBMCrc"}

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
		out, err := program(".", nil, "verify", "--json", "--expect-key", keptPacketsKeys[0], "--expect-key", keptPacketsKeys[1], name).Output()
		if err != nil {
			t.Errorf("%s: %v\n%s", name, err, out)
			continue
		}
		var report struct{ Flaws []ledger.Flaw }
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
