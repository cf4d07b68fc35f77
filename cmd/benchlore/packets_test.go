package main

import (
	"encoding/json"
	"path/filepath"
	"testing"

	"benchlore/ledger/proof"
)

// keptPacketsKey signed the packets in testdata/packets, made from the example
// ledger.
const keptPacketsKey = "SHA256:6HqWZ48r8t9yQQKb2O5wNhAgBySz3dynS5bnjK6AxVE"

// TestKeptPackets: packets that are with buyers still verify. Where the program
// has learnt to word or work something out otherwise, it cannot compare their
// reports any more, and says so; their history stays what it was.
func TestKeptPackets(t *testing.T) {
	names, err := filepath.Glob("../../testdata/packets/*.zip")
	if err != nil || len(names) == 0 {
		t.Fatalf("no packets: %v", err)
	}
	for _, name := range names {
		out, _ := program(".", nil, "verify", "--json", "--expect-key", keptPacketsKey, name).Output()
		var v proof.Verification
		if err := json.Unmarshal(out, &v); err != nil {
			t.Errorf("%s: %v\n%s", name, err, out)
			continue
		}
		if v.Parts.History != proof.Trusted || v.Verdict != proof.Trusted && v.Verdict != proof.Uncompared {
			t.Errorf("%s: %s, its history: %s", name, v.Verdict, v.Parts.History)
		}
		for _, f := range v.Flaws {
			if !f.Warning && f.Check != "report" {
				t.Errorf("%s: %s: %s", name, f.Place, f.What)
			}
		}
	}
}
