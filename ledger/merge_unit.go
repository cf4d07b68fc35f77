package ledger

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// unit merges one unit's branch.
func (m *merging) unit(name string) error {
	ours, theirs := m.ours.units[name], m.theirs.units[name]
	switch {
	case ours == theirs:
		return nil
	case ours.IsZero():
		m.out.units[name] = theirs
		return nil
	}
	l := m.l
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
	tree, err := m.unionTree(name, base, ours, theirs)
	if err != nil {
		return err
	}
	// The order of the parents says nothing about whose turn it was.
	parents := []object.Hash{ours, theirs}
	slices.SortFunc(parents, func(a, b object.Hash) int { return slices.Compare(a[:], b[:]) })
	return m.commitUnit(name, tree, parents, "two benches' work brought together", nil)
}

// unionTree is the tree of two branches' files together.
func (m *merging) unionTree(name string, base, ours, theirs object.Hash) (object.Hash, error) {
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
	for _, c := range changes {
		var h object.Hash
		switch {
		case c.theirs == c.base, c.theirs.IsZero(), c.ours == c.theirs:
			continue
		case c.ours == c.base, c.ours.IsZero():
			h = c.theirs
		default:
			if h, err = m.later(c.path, c.ours, ours, c.theirs, theirs); err != nil {
				return treeA, err
			}
			other := c.theirs
			if h == c.theirs {
				other = c.ours
			}
			lose(m.beside, unitDir(name)+"/"+c.path, other)
		}
		edits[c.path] = &h
	}
	return m.tx.UpdateTree(treeA, edits)
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
	m.out.units[name] = h
	return err
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
		return "", &UsageError{fmt.Sprintf("commit %.10s has no instrument.toml that can be read", commit), "it is no commit of a unit's branch; put the branch back where it was"}
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
	tree, err := m.unionTree(name, object.ZeroHash, under, over)
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
		if _, _, _, ok := schema.ParseName(d.Path); ok {
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
