package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"benchlore/ledger/gitstore"
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
	stock, err := l.Catalog()
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

// Vouched says what vouches for the closed history of a unit: its seals, the keys
// they are signed with, and who changed whose words. nil where it was never closed.
func (l *Ledger) Vouched(name string) (*proof.Vouched, error) {
	head, ok, err := l.repo.Ref(unitRef(name))
	if err != nil || !ok {
		return nil, err
	}
	chain, err := l.Seals(name)
	if err != nil {
		return nil, err
	}
	grown, err := proof.Grows(l.objects(), object.Hash(head), chain, "")
	if err != nil {
		return nil, err
	}
	return proof.Vouch(l.objects(), object.Hash(head), chain, grown)
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

// Verify reads a packet, a bundle, an unpacked packet or a clone by its name
// and checks it. Nothing is written anywhere, and no configuration of what is
// verified counts. An error is a failure to read what was named; everything else
// is in the result.
func Verify(name string, o proof.Options) (*proof.Verification, error) {
	fi, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	if fi.IsDir() {
		return verifyFolder(name, o)
	}
	if !fi.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a plain file", name)
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	head := make([]byte, 32)
	n, err := f.ReadAt(head, 0)
	if n == 0 && err != nil && fi.Size() > 0 {
		return nil, err
	}
	if !proof.IsBundle(head[:n]) {
		return proof.VerifyPacket(f, fi.Size(), o), nil
	}
	if fi.Size() > proof.MaxBundle {
		return nil, &UsageError{fmt.Sprintf("%s has more than %d bytes", name, proof.MaxBundle), "no bundle of a packet is that large"}
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	return proof.VerifyBundle(data, o), nil
}

func verifyFolder(dir string, o proof.Options) (*proof.Verification, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	if proof.IsPacketFolder(root.FS()) {
		return proof.VerifyFolder(root.FS(), o), nil
	}
	r, err := gitstore.Open(dir, Program)
	if errors.As(err, new(*gitstore.NotRepositoryError)) {
		return nil, &UsageError{dir + " is neither an unpacked packet nor a clone of one", "name the packet, its history.bundle, or a folder with one of them"}
	}
	if err != nil {
		return nil, err
	}
	defer r.Close()
	c, err := readClone(r)
	if err != nil {
		return nil, err
	}
	if fi, err := root.Lstat(".git"); err == nil && fi != nil {
		c.Work = root.FS()
	}
	return proof.VerifyClone(c, o), nil
}

// readClone finds the one unit and its seals in a clone, with what else is in its
// repository that changes what git shows of it.
func readClone(r *gitstore.Repo) (proof.Clone, error) {
	c := proof.Clone{Bundle: &proof.Bundle{Objects: gitobj.Set{}}}
	refs, err := r.Refs("refs/")
	if err != nil {
		return c, err
	}
	units := 0
	other := map[string][]string{}
	for _, name := range slices.Sorted(maps.Keys(refs)) {
		tag, isTag := strings.CutPrefix(name, tagRefs)
		switch {
		case strings.HasPrefix(name, unitRefs):
			units++
		case isTag && proof.SealForm.MatchString(tag):
		case strings.HasPrefix(name, "refs/remotes/"):
			continue // where it was cloned from
		case strings.HasPrefix(name, "refs/replace/"):
			other["objects that git shows in place of others (refs/replace)"] = append(other["objects that git shows in place of others (refs/replace)"], name)
			continue
		default:
			other["refs that are no part of the history"] = append(other["refs that are no part of the history"], name)
			continue
		}
		c.Refs = append(c.Refs, proof.Ref{Name: name, ID: object.Hash(refs[name])})
	}
	if units != 1 {
		return c, &UsageError{fmt.Sprintf("%s has %d units in it, not one", r.Dir, units), "hand one over first and verify the packet: benchlore handover UNIT"}
	}
	for _, what := range slices.Sorted(maps.Keys(other)) {
		list := other[what]
		more := ""
		if len(list) > 5 {
			more = fmt.Sprintf(" and %d more", len(list)-5)
			list = list[:5]
		}
		c.Remarks = append(c.Remarks, fmt.Sprintf("it has %s: %s%s", what, strings.Join(list, ", "), more))
	}
	for _, f := range []struct{ file, what string }{
		{"info/grafts", "git shows other parents of commits than they name (info/grafts)"},
		{"shallow", "it holds a part of the history only (shallow)"},
		{"objects/info/alternates", "it takes objects from another repository (objects/info/alternates)"},
		{"objects/info/http-alternates", "it takes objects from another repository (objects/info/http-alternates)"},
	} {
		if data, err := os.ReadFile(filepath.Join(r.GitDir, filepath.FromSlash(f.file))); err == nil && len(bytes.TrimSpace(data)) > 0 {
			c.Remarks = append(c.Remarks, f.what)
		}
	}
	return c, fillClone(c.Bundle, r)
}

// fillClone reads everything the refs reach; what is missing, verify names.
func fillClone(b *proof.Bundle, r *gitstore.Repo) error {
	var size int64
	queue := []object.Hash{}
	for _, ref := range b.Refs {
		queue = append(queue, ref.ID)
	}
	for len(queue) > 0 {
		id := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		if _, ok := b.Objects[id]; ok {
			continue
		}
		t, data, err := r.Object(object.Hash(id))
		if err != nil {
			continue // told as missing
		}
		o := object.Object{Type: object.Type(t), Data: data}
		if o.Hash() != id {
			continue // so is what is not what its name says
		}
		b.Objects[id] = o
		if size += int64(len(data)); size > proof.MaxHistory || len(b.Objects) > proof.MaxObjects {
			return &UsageError{fmt.Sprintf("%s holds more than is read of a history", r.Dir), "verify the packet it was cloned from"}
		}
		links, err := proof.Links(o)
		if err != nil {
			continue // told with the object
		}
		queue = append(queue, links...)
	}
	return nil
}

// ProofOptions are what this ledger knows that bears on a packet: whose keys count,
// and which seals it holds.
func (l *Ledger) ProofOptions() (proof.Options, error) {
	var o proof.Options
	trust, err := l.Trust()
	if err != nil {
		return o, err
	}
	seals, err := l.heldSeals()
	if err != nil {
		return o, err
	}
	trust.Held = map[string]bool{}
	for _, s := range seals {
		trust.Held[s.Digest] = true
	}
	o.Trust, o.Now = trust, l.opt.Now()
	o.Known = func(uuid string) []*proof.Seal {
		return slices.DeleteFunc(slices.Clone(seals), func(s *proof.Seal) bool { return s.Statement.UUID != uuid })
	}
	return o, nil
}

// heldSeals are all seals of the ledger that can be read.
func (l *Ledger) heldSeals() ([]*proof.Seal, error) {
	refs, err := l.repo.Refs(tagRefs + sealTags)
	if err != nil {
		return nil, err
	}
	var out []*proof.Seal
	for _, ref := range slices.Sorted(maps.Keys(refs)) {
		if s, err := readSeal(l.repo, strings.TrimPrefix(ref, tagRefs), refs[ref]); err == nil {
			out = append(out, s) // check names the others
		}
	}
	return out, nil
}
