//go:build !js

package provenance

import (
	"bytes"
	"io"

	"benchlore/ledger/proof"
	"benchlore/reports/page"
)

// RenderPacket makes report.html, report.json and report.pdf from what travels
// with a unit: its history and what its seals say. The shop's own files are not
// at hand, so whoever has the packet gets the same.
func RenderPacket(t *proof.Travelled) (map[string][]byte, error) {
	p := SealedProvenance(t)
	code := t.Last().QR()
	qr, err := page.QROf(code)
	if err != nil {
		return nil, err
	}
	var picture bytes.Buffer
	if err := qr.WriteSVG(&picture, code); err != nil {
		return nil, err
	}
	files := map[string][]byte{}
	for name, write := range map[string]func(io.Writer) error{
		proof.ReportPage: func(w io.Writer) error {
			return p.WriteHTML(w, HTMLOptions{QR: picture.Bytes(), Photos: t.Attached})
		},
		proof.ReportData:  p.WriteJSON,
		proof.ReportPrint: func(w io.Writer) error { return p.WritePDF(w, PDFOptions{Code: code, Photos: t.Attached}) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			return nil, err
		}
		files[name] = b.Bytes()
	}
	return files, nil
}
