package provenance

import (
	"testing"

	"benchlore/reports/internal/pagetest"
)

// TestQROnPaper reads the code from page one, as a camera would see it.
func TestQROnPaper(t *testing.T) {
	m := pagetest.Rastered(t, provenancePDF(t, pageFixtures(t)["restored"], PDFOptions{Code: pagetest.TestCode}), "130")
	if got, err := pagetest.ReadQR(m, false); err != nil || got != pagetest.TestCode {
		t.Errorf("read %q, %v", got, err)
	}
}
