//go:build !js

package provenance

import (
	"bytes"
	"io"

	"benchlore/ledger"
	"benchlore/ledger/proof"
	"benchlore/reports/page"
	"benchlore/schema"
)

// Of reads a unit and its history from a ledger and builds its
// provenance report.
func Of(l *ledger.Ledger, name string) (*Report, error) {
	stock, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	u, err := l.Unit(name, stock)
	if err != nil {
		return nil, err
	}
	if bad := schema.Unread(u.Problems); bad != nil {
		return nil, &ledger.ProblemsError{What: name + ": there is no report while a file of it cannot be read: the report would not say what is missing", Problems: bad}
	}
	steps, err := l.UnitHistory(name)
	if err != nil {
		return nil, err
	}
	in := Input{Unit: u.Unit, Shop: l.Shop, Families: stock.Families, AsOf: l.Today(), Branch: "unit/" + name}
	in.History, in.Signers = historyEntries(u.Unit, steps)
	if in.Vouched, err = l.Vouched(name); err != nil {
		return nil, err
	}
	if n := len(steps); n > 0 {
		in.Head = steps[n-1].Commit
	}
	closed := map[string]bool{}
	for _, h := range in.History {
		closed[h.File] = true
	}
	in.Closed = len(u.Unit.Files) > 0
	for _, f := range u.Unit.Files {
		in.Closed = in.Closed && closed[f.Name()]
	}
	return Build(in), nil
}

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
