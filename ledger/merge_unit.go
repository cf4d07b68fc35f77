package ledger

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/schema"
)

// unit merges one unit's branch.
func (m *merging) unit(name string) error {
	ours, theirs := m.ours.units[name], m.theirs.units[name]
	switch {
	case ours == theirs:
		return nil
	}
	l := m.l
	if err := l.onlyGrows(name, m.at, theirs, nil); err != nil {
		return err
	}
	if ours.IsZero() {
		m.out.units[name] = theirs
		return nil
	}
	if err := l.onlyGrows(name, "", ours, nil); err != nil {
		return err
	}
	bases, err := l.repo.MergeBases([]object.Hash{ours}, []object.Hash{theirs})
	switch {
	case err != nil:
		return err
	case slices.Contains(bases, ours):
		m.out.units[name] = theirs
		return nil
	case slices.Contains(bases, theirs):
		m.out.units[name] = ours
		return nil
	case len(bases) == 0:
		return m.twoBeginnings(name)
	}
	base, err := m.base3([]object.Hash{ours}, []object.Hash{theirs}, 0)
	if err != nil {
		return err
	}
	tree, err := m.unionTree(name, base, ours, theirs, false)
	if err != nil {
		return err
	}
	// The order of the parents says nothing about whose turn it was.
	parents := []object.Hash{ours, theirs}
	slices.SortFunc(parents, func(a, b object.Hash) int { return slices.Compare(a[:], b[:]) })
	return m.commitUnit(name, tree, parents, "two benches' work brought together", nil)
}

// unionTree is the tree of two branches' files together. Of a file that both
// changed the later version stands, with all corrections of both and one more
// that says so; where the second branch is put on top of the first, the first's.
func (m *merging) unionTree(name string, base, ours, theirs object.Hash, onTop bool) (object.Hash, error) {
	l := m.l
	treeA, err := l.branchTree(ours)
	if err != nil {
		return treeA, err
	}
	treeB, err := l.branchTree(theirs)
	if err != nil {
		return treeA, err
	}
	changes, err := l.diff3(base, treeA, treeB)
	if err != nil {
		return treeA, err
	}
	edits := map[string]*object.Hash{}
	both := &brought{m: m, texts: map[string][]byte{}}
	for _, c := range changes {
		var h object.Hash
		switch {
		case c.theirs == c.base, c.theirs.IsZero(), c.ours == c.theirs:
			continue
		case c.ours == c.base, c.ours.IsZero():
			h = c.theirs
		case onTop:
			lose(m.beside, unitDir(name)+"/"+c.path, c.theirs)
			continue
		default:
			if h, err = m.later(c.path, c.ours, ours, c.theirs, theirs); err != nil {
				return treeA, err
			}
			other := c.theirs
			if h == c.theirs {
				other = c.ours
			}
			lose(m.beside, unitDir(name)+"/"+c.path, other)
			if err := both.file(c.path, h, other); err != nil {
				return treeA, err
			}
		}
		edits[c.path] = &h
	}
	if err := both.instrument(treeA, edits); err != nil {
		return treeA, err
	}
	for p, text := range both.texts {
		h, err := m.tx.WriteBlob(text)
		if err != nil {
			return treeA, err
		}
		edits[p] = &h
	}
	return m.tx.UpdateTree(treeA, edits)
}

// brought is what was changed on both of two branches that are merged.
type brought struct {
	m     *merging
	texts map[string][]byte // of files as the merge has them
	over  []string          // digests of attachments that do not stand
	files []schema.BroughtFile
}

// file notes a file of which one version stands against another.
func (b *brought) file(p string, stands, other object.Hash) error {
	repo := b.m.l.repo
	kept, err := repo.Blob(stands)
	if err != nil {
		return err
	}
	lost, err := repo.Blob(other)
	if err != nil {
		return err
	}
	switch {
	case schema.IsRecordIn(p) || p == "instrument.toml":
		text, err := b.m.together(p, kept, lost)
		b.texts[p] = text
		return err
	case p != "model.toml":
		b.over = append(b.over, proof.Digest(lost))
		b.files = append(b.files, schema.BroughtFile{File: p, SHA256: proof.Digest(kept)})
	}
	return nil
}

// instrument says in instrument.toml which of two attachments of one name stands.
func (b *brought) instrument(tree object.Hash, edits map[string]*object.Hash) error {
	if b.files == nil {
		return nil
	}
	const p = "instrument.toml"
	text, merged := b.texts[p]
	if !merged {
		var err error
		if h := edits[p]; h != nil {
			text, err = b.m.l.repo.Blob(*h)
		} else {
			text, _, err = b.m.l.blobAt(tree, p)
		}
		if err != nil {
			return err
		}
	}
	v, err := schema.ReadVersion(text)
	if err != nil {
		return err
	}
	list := slices.Clone(v.Corrections)
	if !merged {
		list = append(list, b.m.correction(text))
	}
	last := &list[len(list)-1]
	last.Over, last.Files = append(slices.Clip(last.Over), b.over...), b.files
	b.texts[p] = schema.WithCorrections(text, list)
	return nil
}

// together is the text of a file that two benches changed: one version stands, with
// the corrections of both and one that names the other version.
func (m *merging) together(p string, stands, other []byte) ([]byte, error) {
	a, err := schema.ReadVersion(stands)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", p, err)
	}
	b, err := schema.ReadVersion(other)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", p, err)
	}
	list := schema.JoinCorrections(a.Corrections, b.Corrections)
	c := m.correction(stands)
	c.Over = []string{proof.Digest(other)}
	return schema.WithCorrections(stands, append(list, c)), nil
}

// correction is the merger's own, for a file that stands against another version.
func (m *merging) correction(text []byte) schema.Correction {
	c := schema.Correction{Date: m.l.Today(), Reason: "changed on two benches at once: this version stands until somebody settles it"}
	for _, t := range m.l.Shop.Technicians {
		if t.Name == m.by.Name || t.ID == m.by.Name {
			c.By = t.ID
			return c
		}
	}
	// Git's name is none of the shop's people: whoever wrote what stands.
	if v, err := schema.ReadVersion(text); err == nil {
		if n := len(v.Corrections); n > 0 {
			c.By = v.Corrections[n-1].By
		} else {
			c.By = v.Word("by")
		}
	}
	if c.By == "" && len(m.l.Shop.Technicians) > 0 {
		c.By = m.l.Shop.Technicians[0].ID
	}
	return c
}

func (m *merging) commitUnit(name string, tree object.Hash, parents []object.Hash, subject string, records []trailer) error {
	id, err := m.unitID(parents[0])
	if err != nil {
		return err
	}
	for _, p := range parents[1:] {
		if other, err := m.unitID(p); err != nil {
			return err
		} else if other != id {
			return &UsageError{fmt.Sprintf("the branch unit/%s is of the instrument %s here and of %s there", name, id, other), "somebody gave one name to two histories: rename one with git"}
		}
	}
	signer, err := m.signer()
	if err != nil {
		return err
	}
	by := m.l.onHistory(m.by)
	h, err := m.tx.WriteCommit(gitstore.CommitSpec{Tree: tree, Parents: parents, Author: by, Committer: by, Sign: signer,
		Message: message(subject, append(records, trailer{"Instrument", id}))})
	if err != nil {
		return err
	}
	m.out.units[name] = h
	return m.l.onlyGrows(name, "", h, nil)
}

// unitID is the identity of the instrument a commit of a unit's branch is of.
func (m *merging) unitID(commit object.Hash) (string, error) {
	tree, err := m.l.branchTree(commit)
	if err != nil {
		return "", err
	}
	data, _, err := m.l.blobAt(tree, "instrument.toml")
	if err != nil {
		return "", err
	}
	i, _ := schema.Decode[schema.Instrument]("instrument.toml", data)
	if i == nil {
		return "", &UsageError{fmt.Sprintf("commit %.10s has no instrument.toml that can be read", commit), "it is not a commit of a unit's branch; put the branch back where it was"}
	}
	return i.UUID, nil
}

// twoBeginnings is for a unit that two benches closed for the first time, each
// without knowing of the other. A history has one beginning: what the server
// has stays, and what was closed here is put on top of it; the other way round
// where ours is sealed and theirs is not. A sealed history is never taken apart.
func (m *merging) twoBeginnings(name string) error {
	l := m.l
	ours, theirs := m.ours.units[name], m.theirs.units[name]
	a, err := m.unitID(ours)
	if err != nil {
		return err
	}
	b, err := m.unitID(theirs)
	if err != nil {
		return err
	}
	if a != b {
		return &UsageError{fmt.Sprintf("two instruments are called %s: %s here and %s there, and both have been closed", name, a, b),
			"seal and hand over the one here, take its folder and branch out, and adopt it again with --as MODEL/OTHERTAG"}
	}
	sealedHere, err := m.sealedOn(name, ours)
	if err != nil {
		return err
	}
	sealedThere, err := m.sealedOn(name, theirs)
	if err != nil {
		return err
	}
	if sealedThere == "" {
		if err := m.moved(name); err != nil {
			return err
		}
	}
	under, over := theirs, ours
	switch {
	case sealedHere != "" && sealedThere != "":
		return &UsageError{fmt.Sprintf("%s was closed for the first time on two benches, and both histories are sealed: %s and %s", name, sealedHere, sealedThere),
			"a sealed history is never taken apart: keep one of the two, and add the other's records to it by hand"}
	case sealedHere != "":
		under, over = ours, theirs
		m.out.anew[name] = true
	}
	tree, err := m.unionTree(name, object.ZeroHash, under, over, true)
	if err != nil {
		return err
	}
	old, err := l.branchTree(under)
	if err != nil {
		return err
	}
	if tree == old {
		m.out.units[name] = under
		return nil
	}
	diff, err := l.repo.DiffTrees(old, tree)
	if err != nil {
		return err
	}
	var records []trailer
	for _, d := range diff {
		if schema.IsRecordIn(d.Path) {
			records = append(records, trailer{"Record", d.Path})
		}
	}
	return m.commitUnit(name, tree, []object.Hash{under}, "closed on another bench at the same time", records)
}

// moved refuses a branch that somebody put on another beginning by hand: main
// there says that it was closed on the history we have.
func (m *merging) moved(name string) error {
	l := m.l
	if m.theirs.main.IsZero() {
		return nil // a peer has none
	}
	p, err := l.past(name, m.theirs.main)
	if err != nil || p.head.IsZero() {
		return err
	}
	if has, err := l.repo.Has(p.head); err != nil || !has {
		return err
	}
	bases, err := l.repo.MergeBases([]object.Hash{m.ours.units[name]}, []object.Hash{p.head})
	var missing *gitstore.MissingObject
	switch {
	case errors.As(err, &missing):
		return nil // something was left of it by an exchange that was killed
	case err != nil || len(bases) == 0:
		return err
	}
	return &UsageError{fmt.Sprintf("%s: its branch at %s stands at %.10s, but main there says it was closed at %.10s, and neither continues the other; nothing was taken in", name, m.at, m.theirs.units[name], p.head),
		fmt.Sprintf("somebody moved the branch there by hand: put it back with git push --force %s %s:%s once you know that nothing of value is only on the other", m.at, p.head, unitRef(name))}
}

// sealedOn names a seal that stands on a history, "" where there is none.
func (m *merging) sealedOn(name string, head object.Hash) (string, error) {
	refs, err := m.l.repo.Refs(tagRefs + sealTags + name + "/")
	if err != nil {
		return "", err
	}
	for ref, h := range m.seals {
		if strings.HasPrefix(ref, tagRefs+sealTags+name+"/") {
			refs[ref] = h
		}
	}
	for _, ref := range slices.Sorted(maps.Keys(refs)) {
		tag, err := m.l.repo.Tag(refs[ref])
		if err != nil {
			return "", err
		}
		if on, err := m.l.repo.IsAncestor(tag.Target, head); err != nil || on {
			return strings.TrimPrefix(ref, tagRefs), err
		}
	}
	return "", nil
}
