package reports

import (
	"testing"
)

// benchInput is what a report is built from: a unit of benchModel from records.
func benchInput(t testing.TB, instrument, model string, records map[string]string) ProvenanceInput {
	t.Helper()
	b := benchOf(t, instrument, model, records)
	return ProvenanceInput{Unit: b.Unit, Shop: b.Shop, Families: b.Families, Closed: true, AsOf: b.AsOf}
}
