package ledger

import (
	"fmt"
	"io"
	"slices"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
)

// Travelled is a unit as its history and its seals tell it.
type Travelled = proof.Travelled

// Travelled reads a sealed unit as a packet's reports tell it.
func (l *Ledger) Travelled(name string) (*Travelled, error) {
	chain, err := l.sealedTip(name)
	if err != nil {
		return nil, err
	}
	return proof.Travel(l.objects(), chain)
}

// sealedTip returns a unit's seals where the last one stands on the head of its
// history, and comes after all others.
func (l *Ledger) sealedTip(name string) ([]*proof.Seal, error) {
	chain, err := l.Seals(name)
	if err != nil {
		return nil, err
	}
	head, ok, err := l.repo.Ref(unitRef(name))
	if err != nil {
		return nil, err
	}
	if !ok || len(chain) == 0 || chain[len(chain)-1].Statement.Head != head.String() {
		return nil, &UsageError{name + ": the last commit of its history is not sealed", "seal it first: benchlore seal " + name}
	}
	if tips := proof.Tips(chain); len(tips) > 1 {
		return nil, &UsageError{fmt.Sprintf("%s: two benches sealed it beside one another, as %s and %s", name, tips[0].Name, tips[1].Name),
			"seal it once more, which brings the two together: benchlore seal " + name}
	}
	return chain, nil
}

// Handover is a packet that was made.
type Handover struct {
	Unit     string `json:"unit"`
	UUID     string `json:"uuid"`
	Seal     string `json:"seal"`
	Short    string `json:"short"` // the seal's number and eight digits, to compare by telephone
	Head     string `json:"head"`
	SignedBy string `json:"signedBy"`
	Size     int    `json:"size"`
	SHA256   string `json:"sha256"`
	Name     string `json:"name"` // a good name for the file
}

// Handover makes the packet of a unit whose head is sealed.
// Errors: *UsageError where it is not, *sshkey.Error, *proof.LimitError.
func (l *Ledger) Handover(name string, reports proof.Reports) ([]byte, Handover, error) {
	var res Handover
	signer, err := l.proofSigner()
	if err != nil {
		return nil, res, err
	}
	stock, err := l.Stock()
	if err != nil {
		return nil, res, err
	}
	if _, _, err := l.sealable(name, stock); err != nil {
		return nil, res, err
	}
	chain, err := l.sealedTip(name)
	if err != nil {
		return nil, res, err
	}
	last := chain[len(chain)-1]
	trust, err := l.Trust()
	if err != nil {
		return nil, res, err
	}
	if key, _ := last.Key(); key != nil && trust.Revoked.Has(key) {
		return nil, res, &UsageError{fmt.Sprintf("the last seal of %s is signed with %s, which is revoked: nobody could believe the packet", name, last.Fingerprint()),
			"add a note that says so, close it, and seal again with another key"}
	}
	objects, err := l.packetObjects(chain)
	if err != nil {
		return nil, res, err
	}
	rotations, err := l.rotations()
	if err != nil {
		return nil, res, err
	}
	rotations = slices.DeleteFunc(rotations, func(r proof.SignedRotation) bool {
		return slices.ContainsFunc(last.Statement.Rotations, func(x proof.SignedRotation) bool { return x.Text == r.Text })
	})
	data, err := proof.MakePacket(proof.NewPacket{Objects: objects, Chain: chain, Reports: reports, Signer: signer,
		Made: l.opt.Now().Truncate(time.Second), Rotations: rotations})
	if err != nil {
		return nil, res, err
	}
	return data, Handover{Unit: name, UUID: last.Statement.UUID, Seal: last.Name, Short: last.Short(), Head: last.Statement.Head,
		SignedBy: gitobj.Fingerprint(signer.PublicKey()), Size: len(data), SHA256: proof.Digest(data), Name: proof.PacketName(last.Statement)}, nil
}

// packetObjects gathers what the bundle holds: everything the head reaches, the
// seals, and nothing else.
func (l *Ledger) packetObjects(chain []*proof.Seal) (gitobj.Set, error) {
	objects, err := proof.Reach(l.objects(), chain[len(chain)-1].Head())
	if err != nil {
		return nil, err
	}
	for _, s := range chain {
		t, data, err := l.repo.Object(object.Hash(s.ID))
		if err != nil {
			return nil, err
		}
		objects[s.ID] = object.Object{Type: object.Type(t), Data: data}
	}
	return objects, nil
}

// WriteHistory writes the bundle that a packet of a sealed unit holds: its
// branch, its seals and HEAD.
// Errors: *UsageError where it has no seal, and those of reading.
func (l *Ledger) WriteHistory(w io.Writer, name string) error {
	chain, err := l.Seals(name)
	if err != nil {
		return err
	}
	if len(chain) == 0 {
		return &UsageError{fmt.Sprintf("%s has no seal", name), "benchlore seal " + name}
	}
	objects, err := l.packetObjects(chain)
	if err != nil {
		return err
	}
	data, err := proof.HistoryBundle(objects, chain)
	if err == nil {
		_, err = w.Write(data)
	}
	return err
}
