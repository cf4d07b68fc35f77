// Command checker is what the verdict page runs: the verifier of packets, for a
// browser's worker. It offers one function, check, and waits.
package main

import (
	"encoding/json"
	"fmt"
	"io"
	"runtime/debug"
	"strings"
	"syscall/js"

	"benchlore/ledger/proof"
	"benchlore/reports/provenance"
)

// question is what the page asks beside the packet.
type question struct {
	Expect []string `json:"expect"` // fingerprints that were compared with the shop
	Label  string   `json:"label"`  // text of the code on a label or report
	Seal   string   `json:"seal"`   // digest of an earlier seal, at least 16 digits
}

// answer is what the page shows.
type answer struct {
	*proof.Verification
	Title   string                   `json:"title,omitempty"` // the instrument
	Shop    string                   `json:"shop,omitempty"`
	InShort []provenance.Fact        `json:"inShort,omitempty"`
	PageOne []provenance.Fact        `json:"pageOne,omitempty"`
	Photos  []provenance.PhotoReport `json:"photos,omitempty"`
	Error   string                   `json:"error,omitempty"` // why nothing was checked
}

// attached reads a photograph of the packet that was checked last.
var attached func(string) ([]byte, error)

func main() {
	// A telephone ends a tab that takes too much: give memory back early.
	debug.SetGCPercent(40)
	debug.SetMemoryLimit(220 << 20)
	js.Global().Set("check", js.FuncOf(func(_ js.Value, args []js.Value) any {
		reply, err := json.Marshal(check(fileOf(args[0]), args[1].String()))
		if err != nil {
			return fmt.Sprintf(`{"error":%q}`, err)
		}
		return string(reply)
	}))
	js.Global().Set("photograph", js.FuncOf(func(_ js.Value, args []js.Value) any {
		if attached == nil {
			return js.Null()
		}
		data, err := attached(args[0].String())
		if err != nil {
			return js.Null()
		}
		out := js.Global().Get("Uint8Array").New(len(data))
		js.CopyBytesToJS(out, data)
		return out
	}))
	js.Global().Call("ready")
	select {}
}

// file reads a file that the browser holds, a piece at a time, so that a packet is
// never in memory as a whole. Only a worker may read so.
type file struct {
	blob, reader js.Value
	size         int64
	piece        []byte // of the file, at
	at           int64
}

// pieceSize is how much is fetched from the browser at once.
const pieceSize = 1 << 20

func fileOf(blob js.Value) *file {
	return &file{blob: blob, reader: js.Global().Get("FileReaderSync").New(), size: int64(blob.Get("size").Float())}
}

// ReadAt implements [io.ReaderAt]. A file that is gone since it was picked is an
// error.
func (f *file) ReadAt(p []byte, off int64) (n int, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the browser cannot read the file any more: %v", r)
		}
	}()
	for n < len(p) {
		at := off + int64(n)
		if at >= f.size {
			return n, io.EOF
		}
		if at < f.at || at >= f.at+int64(len(f.piece)) {
			buffer := f.reader.Call("readAsArrayBuffer", f.blob.Call("slice", at, min(at+pieceSize, f.size)))
			view := js.Global().Get("Uint8Array").New(buffer)
			f.piece, f.at = make([]byte, view.Get("length").Int()), at
			if js.CopyBytesToGo(f.piece, view) == 0 {
				return n, io.ErrUnexpectedEOF
			}
		}
		n += copy(p[n:], f.piece[at-f.at:])
	}
	return n, nil
}

// check verifies a packet or a bundle.
func check(packet *file, asked string) answer {
	var q question
	if err := json.Unmarshal([]byte(asked), &q); err != nil {
		return answer{Error: err.Error()}
	}
	attached = nil
	reports := provenance.PacketReports()
	o := proof.Options{Trust: &proof.Trust{Expect: q.Expect, Revoked: proof.Revoked{}}, Label: q.Label, Reports: &reports}
	if q.Seal != "" {
		o.Seals = []string{q.Seal}
	}
	if err := o.Check(); err != nil {
		return answer{Error: err.Error()}
	}
	v, err := verify(packet, o)
	if err != nil {
		return answer{Error: err.Error()}
	}
	a := answer{Verification: v}
	t := v.Travelled()
	if t == nil || v.Parts.History == proof.Broken {
		return a // what a broken history says is nothing to show
	}
	r := provenance.SealedProvenance(t)
	a.Title = strings.TrimSpace(provenance.Own(r.Unit.Maker) + " " + provenance.Own(r.Unit.Model))
	a.Shop = provenance.Own(r.Shop.Name)
	a.InShort, a.PageOne, a.Photos = r.InShort, r.PageOne, r.Photos
	attached = t.Attached
	return a
}

// verify tells a bundle from a packet. A bundle is read as a whole, and only as much
// of it as one may have.
func verify(packet *file, o proof.Options) (*proof.Verification, error) {
	head := make([]byte, min(64, packet.size))
	if _, err := packet.ReadAt(head, 0); err != nil {
		return nil, err
	}
	if !proof.IsBundle(head) {
		return proof.VerifyPacket(packet, packet.size, o), nil
	}
	data := make([]byte, min(packet.size, proof.MaxBundle+1))
	if _, err := packet.ReadAt(data, 0); err != nil {
		return nil, err
	}
	return proof.VerifyBundle(data, o), nil
}
