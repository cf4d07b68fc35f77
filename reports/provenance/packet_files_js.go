package provenance

import (
	"bytes"

	"benchlore/ledger/proof"
)

// RenderPacket makes report.json only: a browser checks the facts of a report, and
// has neither the fonts nor the plots that the page and the PDF are made with.
func RenderPacket(t *proof.Travelled) (map[string][]byte, error) {
	var b bytes.Buffer
	if err := SealedProvenance(t).WriteJSON(&b); err != nil {
		return nil, err
	}
	return map[string][]byte{proof.ReportData: b.Bytes()}, nil
}
