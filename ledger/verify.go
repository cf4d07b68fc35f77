package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
)

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
