package provenance

import (
	"testing"

	"benchlore/reports/internal/benchtest"
)

// benchInput is what a report is built from: a unit of benchModel from records.
func benchInput(t testing.TB, instrument, model string, records map[string]string) Input {
	t.Helper()
	b := benchtest.BenchOf(t, instrument, model, records)
	return Input{Unit: b.Unit, Shop: b.Shop, Families: b.Families, Closed: true, AsOf: b.AsOf}
}
