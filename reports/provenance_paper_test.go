package reports

import "testing"

// TestQROnPaper reads the code from page one, as a camera would see it.
func TestQROnPaper(t *testing.T) {
	m := rastered(t, provenancePDF(t, pageFixtures(t)["restored"], PDFOptions{Code: testCode}), "130")
	if got, err := readQR(m, false); err != nil || got != testCode {
		t.Errorf("read %q, %v", got, err)
	}
}
