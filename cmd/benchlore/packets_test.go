package main

import (
	"encoding/json"
	"path/filepath"
	"testing"

	"benchlore/ledger/proof"
)

// keptPacketsKey signed the packets in testdata/packets, made from the example
// ledger.
const keptPacketsKey = "SHA256:gEftBX8VL249Dxlu2Eq+GtvQ7cdQ1w3/+C6v5wBMCrc"

// TestKeptPackets: packets that are with buyers still verify, whatever the
// program prints on its pages by now.
func TestKeptPackets(t *testing.T) {
	names, err := filepath.Glob("../../testdata/packets/*.zip")
	if err != nil || len(names) == 0 {
		t.Fatalf("no packets: %v", err)
	}
	for _, name := range names {
		out, err := program(".", nil, "verify", "--json", "--expect-key", keptPacketsKey, name).Output()
		if err != nil {
			t.Errorf("%s: %v\n%s", name, err, out)
			continue
		}
		var v proof.Verification
		if err := json.Unmarshal(out, &v); err != nil {
			t.Fatal(err)
		}
		for _, f := range v.Flaws {
			if !f.Warning {
				t.Errorf("%s: %s: %s", name, f.Place, f.What)
			}
		}
	}
}
