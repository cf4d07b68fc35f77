package growth

import (
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"reflect"
	"slices"
	"sort"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// merge checks a commit with several parents. Each file must be that of a parent
// whose line continues what every other parent has, or say by a correction of the
// merger's own which versions it stands against.
func (k *checker) merge(n *node) error {
	parents := make([]*node, len(n.Parents))
	blobs := map[string][]object.Hash{} // of each parent, where one differs
	now := map[string]object.Hash{}
	differs := map[string][]bool{}
	for i, id := range n.Parents {
		parents[i] = k.nodes[id]
		var changes []change
		if err := k.compare(n, parents[i].Tree, n.Tree, "", &changes); err != nil {
			return err
		}
		for _, c := range changes {
			if c.now.IsZero() {
				if err := k.breaks(n, c.path, RuleGone, c.was, none, "it was there and is gone; what has travelled stays"); err != nil {
					return err
				}
				continue
			}
			if blobs[c.path] == nil {
				blobs[c.path], differs[c.path] = make([]object.Hash, len(parents)), make([]bool, len(parents))
			}
			blobs[c.path][i], differs[c.path][i] = c.was, true
			now[c.path] = c.now
		}
	}
	paths := make([]string, 0, len(now))
	for p := range now {
		paths = append(paths, p)
		for i := range parents {
			if !differs[p][i] {
				blobs[p][i] = now[p]
			}
		}
	}
	sort.Strings(paths)
	m := &merging{k: k, n: n, parents: parents, over: map[string]string{}, stands: map[string]string{}, unmet: map[string]bool{}, by: map[string]schema.Correction{}}
	var left []change // attachments and models in two versions
	for _, p := range paths {
		apart, known, err := m.apart(p, now[p], blobs[p])
		if err != nil {
			return err
		}
		switch {
		case !known:
			if err := k.breaks(n, p, RuleMerge, none, now[p], "the merge itself brought it in; none of the histories it joins has it"); err != nil {
				return err
			}
			continue
		case len(apart) == 0:
			continue
		}
		switch {
		case p == "model.toml":
			if !slices.Contains(blobs[p], now[p]) {
				err = k.breaks(n, p, RuleModel, apart[0], now[p], "the merge wrote a model that none of the histories it joins has")
			} else {
				err = k.tells(n, p, RuleSetAside, apart[0], now[p], "the model had two versions; this one stands")
			}
		case isAttachment(p):
			for _, b := range apart {
				left = append(left, change{p, b, now[p]})
			}
			if !slices.Contains(blobs[p], now[p]) {
				err = k.breaks(n, p, RuleAttachment, apart[0], now[p], "an attachment that has travelled stays as it is; the merge gave it other bytes")
			}
		case p == ".gitattributes":
			err = k.breaks(n, p, RuleAttributes, apart[0], now[p], "it was changed; it keeps git from changing bytes, and stays as it is")
		default:
			err = m.text(p, now[p], blobs[p], apart)
		}
		if err != nil {
			return err
		}
	}
	for _, c := range left {
		was, err := k.digest(n, c.path, c.was)
		if err != nil {
			return err
		}
		is, err := k.digest(n, c.path, c.now)
		if err != nil {
			return err
		}
		if _, ok := m.over[was]; m.stands[c.path] != is || !ok {
			err = k.breaks(n, c.path, RuleAttachment, c.was, c.now, "the histories brought two files of this name together, and no correction of the merge says which one stands")
		} else {
			m.over[was] = ""
			delete(m.unmet, c.path)
			k.pending = append(k.pending, Corrected{Commit: n.id, Path: c.path, Was: c.was, Is: c.now, Correction: m.by[c.path], SetAside: []object.Hash{c.was}, Bears: []string{"state"}})
			err = k.tells(n, c.path, RuleSetAside, c.was, c.now, "two files of this name were brought together; this one stands")
		}
		if err != nil {
			return err
		}
	}
	for _, d := range slices.Sorted(maps.Keys(m.over)) {
		if p := m.over[d]; p != "" {
			if err := k.breaks(n, p, RuleMerge, none, now[p], "its correction stands against a version (SHA-256 %.16s...) that none of the histories it joins has", d); err != nil {
				return err
			}
		}
	}
	for _, p := range slices.Sorted(maps.Keys(m.unmet)) {
		if err := k.breaks(n, p, RuleAttachment, none, none, "a correction of the merge names this file, which was not in two versions"); err != nil {
			return err
		}
	}
	return nil
}

func (k *checker) digest(n *node, p string, blob object.Hash) (string, error) {
	data, err := k.object(n, blob, object.TypeBlob, p)
	if err != nil {
		return "", err
	}
	k.bytes += len(data)
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), k.step(1)
}

type merging struct {
	k       *checker
	n       *node
	parents []*node
	over    map[string]string // digests that new corrections stand against, with the file that has the correction until the version is found
	stands  map[string]string // digests of attachments that stand, by path
	unmet   map[string]bool   // of those, what was not found yet
	by      map[string]schema.Correction
}

// apart lists the parents' versions that the one in the merge does not continue.
// It is empty where the merge took a version that follows all others. known is
// false where no parent has the file.
func (m *merging) apart(p string, now object.Hash, blobs []object.Hash) (apart []object.Hash, known bool, err error) {
	k := m.k
	from := []*node{} // parents that have what the merge has
	for i, b := range blobs {
		known = known || !b.IsZero()
		if b == now {
			from = append(from, m.parents[i])
		}
	}
	for i, b := range blobs {
		if b.IsZero() || b == now || slices.Contains(apart, b) {
			continue
		}
		follows := false
		for _, f := range from {
			if follows, err = k.follows(p, b, f); err != nil || follows {
				break
			}
		}
		if err != nil {
			return nil, known, err
		}
		if !follows {
			apart = append(apart, blobs[i])
		}
	}
	return apart, known, nil
}

// follows reports whether a version came into the line of a commit: that line
// then went on from it, by changes that have been checked one by one.
func (k *checker) follows(p string, blob object.Hash, line *node) (bool, error) {
	for _, id := range k.came[p][blob] {
		if ok, err := k.descends(line, k.nodes[id]); err != nil || ok {
			return ok, err
		}
	}
	return false, nil
}

// text checks a record or an instrument.toml that two lines changed, or the merge
// itself.
func (m *merging) text(p string, now object.Hash, blobs, apart []object.Hash) error {
	k, n := m.k, m.n
	c := change{p, apart[0], now}
	new, err := k.version(n, p, now)
	if err != nil {
		return err
	}
	if !slices.Contains(blobs, now) {
		k.cameIn(n, p, now)
	}
	if new.err != nil {
		return k.breaks(n, p, RuleMerge, apart[0], now, "what the merge made of it cannot be read: %v", new.err)
	}
	if p == "instrument.toml" {
		if err := k.identity(n, c, new.Version); err != nil {
			return err
		}
	}
	var olds []*schema.Version
	var distinct []object.Hash
	for _, b := range blobs {
		if b.IsZero() || slices.Contains(distinct, b) {
			continue
		}
		old, err := k.version(n, p, b)
		if err != nil {
			return err
		}
		if old.err != nil {
			return k.breaks(n, p, RuleMerge, b, now, "a version that the merge brings together cannot be read: %v", old.err)
		}
		if p == "instrument.toml" {
			if err := k.format(n, change{p, b, now}, old.Version, new.Version); err != nil {
				return err
			}
		}
		olds, distinct = append(olds, old.Version), append(distinct, b)
	}
	last := len(new.Corrections) - 1
	if slices.Contains(blobs, now) || last < 0 {
		return k.breaks(n, p, RuleMerge, apart[0], now, "the merge drops what one side says; no correction of the merger's says which version stands, and why")
	}
	w, kept := new.Corrections[last], new.Corrections[:last]
	if err := k.step(10 * len(kept) * len(kept)); err != nil {
		return err
	}
	whole, sides := numbered(kept, olds)
	for i, side := range sides {
		if !within(side, whole, -1) {
			return k.breaks(n, p, RuleMerge, distinct[i], now, "the merge drops or reorders corrections of one side, or adds none of its own")
		}
	}
	// Each is there for some side: without it that side's would not be there in their
	// order. (Two sides that made the same two in another order need one twice.)
	for at := range whole {
		if !slices.ContainsFunc(sides, func(side []int) bool { return !within(side, whole, at) }) {
			return k.breaks(n, p, RuleMerge, apart[0], now, "the merge holds a correction that neither side has, beside the merger's own")
		}
	}
	digests := map[string]object.Hash{}
	for _, b := range distinct {
		d, err := k.digest(n, p, b)
		if err != nil {
			return err
		}
		digests[d] = b
	}
	var aside []object.Hash
	for _, d := range w.Over {
		if b, ok := digests[d]; ok {
			aside = append(aside, b)
			m.over[d] = ""
		} else if _, ok := m.over[d]; !ok {
			m.over[d] = p
		}
	}
	for _, f := range w.Files {
		m.stands[f.File], m.unmet[f.File], m.by[f.File] = f.SHA256, true, w
	}
	// One of the versions stands: what the merger names beyond it is all that
	// changed, and all others are followed by it or named as set aside.
	var why error
	for i, old := range olds {
		if slices.Contains(aside, distinct[i]) {
			continue
		}
		if err := w.Facts().Check(old, new.Version); err != nil {
			why = err
			continue
		}
		covered := true
		for _, b := range distinct {
			if b == distinct[i] || slices.Contains(aside, b) {
				continue
			}
			ok := false
			for j, pb := range blobs {
				if pb == distinct[i] && !ok {
					if ok, err = k.follows(p, b, m.parents[j]); err != nil {
						return err
					}
				}
			}
			covered = covered && ok
		}
		if !covered {
			continue
		}
		if err := k.facts(n, change{p, distinct[i], now}, w, old, new.Version); err != nil {
			return err
		}
		k.pending = append(k.pending, Corrected{Commit: n.id, Path: p, Was: distinct[i], Is: now, Correction: w, SetAside: aside, Bears: m.bears(p, w, old, new.Version, olds)})
		if len(aside) > 0 {
			return k.tells(n, p, RuleSetAside, aside[0], now, "it was changed on two benches; this version stands, and the other was set aside")
		}
		return nil
	}
	if why != nil {
		return k.breaks(n, p, RuleMerge, apart[0], now, "what the merge made of it is none of the versions it brings together, and its correction does not account for it: %v", why)
	}
	return k.breaks(n, p, RuleMerge, apart[0], now, "the merge drops what one side says, and its correction does not name that version by its SHA-256")
}

// bears also counts what a version that was set aside said otherwise.
func (m *merging) bears(p string, w schema.Correction, old, now *schema.Version, all []*schema.Version) []string {
	sum := w
	for _, v := range all {
		if v != old {
			sum.Changed = slices.Concat(sum.Changed, different(v, now))
		}
	}
	return bears(p, sum, old, now)
}

// numbered gives equal corrections equal numbers, in a list and in those of versions.
// What the list does not have is -1.
func numbered(list []schema.Correction, versions []*schema.Version) (whole []int, sides [][]int) {
	number := func(x schema.Correction) int {
		return slices.IndexFunc(list, func(y schema.Correction) bool { return reflect.DeepEqual(x, y) })
	}
	for i, x := range list {
		if i > 0 && reflect.DeepEqual(x, list[i-1]) {
			whole = append(whole, whole[i-1])
		} else {
			whole = append(whole, number(x))
		}
	}
	for _, v := range versions {
		side := make([]int, len(v.Corrections))
		for i, x := range v.Corrections {
			if i < len(list) && reflect.DeepEqual(x, list[i]) {
				side[i] = whole[i]
			} else {
				side[i] = number(x)
			}
		}
		sides = append(sides, side)
	}
	return whole, sides
}

// within reports whether a list stands in another in its order, without the place
// left out.
func within(part, whole []int, out int) bool {
	for i, w := range whole {
		if i != out && len(part) > 0 && part[0] == w {
			part = part[1:]
		}
	}
	return len(part) == 0
}
