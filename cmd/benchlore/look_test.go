package main

import (
	"strings"
	"testing"

	"benchlore/ledger"
	"benchlore/ledger/proof"
	"benchlore/schema"
)

// TestHistoryCutsLongChanges: a kit that was put into a model is one change of
// thousands of letters. It takes one line, cut, and --all prints it whole.
func TestHistoryCutsLongChanges(t *testing.T) {
	kit := strings.Repeat(`{ref = "C1", new = {value = "470 µF"}}, `, 60)
	step := ledger.Step{Subject: "kit"}
	step.Files = append(step.Files, proof.FileStep{What: "changed", Path: "model.toml", Changes: []schema.Change{
		{Path: "kit[0].line", New: kit}, {Path: "kit[0].name", Old: "recap", New: "supply recap"}}})
	for _, all := range []bool{false, true} {
		var b strings.Builder
		if err := printLog(&b, "astrella-61/a61-10233", []ledger.Step{step}, false, all); err != nil {
			t.Fatal(err)
		}
		whole := strings.Contains(b.String(), strings.TrimSpace(kit))
		told := strings.Contains(b.String(), "--all")
		if whole != all || told == all || !strings.Contains(b.String(), "      kit[0].name: supply recap, was recap\n") {
			t.Errorf("--all %v:\n%s", all, b.String())
		}
		for line := range strings.Lines(b.String()) {
			if n := len([]rune(line)); !all && n > longestChange+10 {
				t.Errorf("a line of %d letters: %s", n, line)
			}
		}
	}
}
