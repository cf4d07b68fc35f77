// Command checker is what the verdict page runs: the verifier of packets, for a
// browser's worker. It offers one function, check, and waits.
package main

import (
	"encoding/json"
	"fmt"
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
		reply, err := json.Marshal(check(bytesOf(args[0]), args[1].String()))
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

func bytesOf(v js.Value) []byte {
	data := make([]byte, v.Get("length").Int())
	js.CopyBytesToGo(data, v)
	return data
}

// check verifies a packet or a bundle.
func check(packet []byte, asked string) answer {
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
	v := proof.VerifyBytes(packet, o)
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
