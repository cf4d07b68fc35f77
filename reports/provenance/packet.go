package provenance

import (
	"bytes"
	"io"

	"benchlore/ledger"
	"benchlore/reports/page"
	"benchlore/schema"
)

// Rendering numbers the way packets' reports are set. It goes up with every
// release whose reports differ by a letter from those of the one before: verify
// compares reports letter by letter where the number is the same, and says so
// where it is not.
const Rendering = 3

// PacketRenderer makes the reports of packets.
func PacketRenderer() ledger.Renderer {
	return ledger.Renderer{Rendering: Rendering, Render: RenderPacket}
}

// RenderPacket makes report.html, report.json and report.pdf from what travels
// with a unit: its history and what its seals say. The shop's own files are not
// at hand, so whoever has the packet gets the same bytes.
func RenderPacket(t *ledger.Travelled) (map[string][]byte, error) {
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
		"report.html": func(w io.Writer) error {
			return p.WriteHTML(w, HTMLOptions{QR: picture.Bytes(), Photos: t.Attached})
		},
		"report.json": p.WriteJSON,
		"report.pdf":  func(w io.Writer) error { return p.WritePDF(w, PDFOptions{Code: code, Photos: t.Attached}) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			return nil, err
		}
		files[name] = b.Bytes()
	}
	return files, nil
}

// SealedProvenance is the provenance report of a sealed unit as its last seal
// has it, on the day it was sealed.
func SealedProvenance(t *ledger.Travelled) *Report {
	st := t.Last().Statement
	in := Input{Unit: t.Unit, Shop: t.Shop, Families: t.Families, AsOf: schema.NewDate(st.Sealed), Branch: "unit/" + st.Unit,
		Head: st.Head, Closed: true}
	in.History, in.Signers = historyEntries(t.Unit, t.Steps)
	return Build(in)
}
