package gitstore

import (
	"bytes"
	"container/heap"
	"errors"
	"slices"

	"benchlore/ledger/gitstore/object"
)

// Marks of a commit during MergeBases: which sides reach it, and whether it lies
// below a common ancestor already found.
const (
	paintA = 1 << iota
	paintB
	paintStale
)

// MergeBases returns the best common ancestors of two sets of commits, in order of
// hash. A common ancestor is left out if another one descends from it. There can be
// several if two histories were merged into each other.
func (r *Repo) MergeBases(a, b []object.Hash) ([]object.Hash, error) {
	marks := map[object.Hash]int{}
	q := &commitQueue{}
	paint := func(h object.Hash, mark int) error {
		was := marks[h]
		if was|mark == was {
			return nil
		}
		marks[h] = was | mark
		c, err := r.Commit(h)
		if err == nil {
			heap.Push(q, c)
		}
		return err
	}
	// Everything below a common ancestor is stale. The walk ends when only stale
	// commits are left in the queue.
	live := func() bool {
		return slices.ContainsFunc(*q, func(c *object.Commit) bool { return marks[c.Hash]&paintStale == 0 })
	}
	for _, h := range a {
		if err := paint(h, paintA); err != nil {
			return nil, err
		}
	}
	for _, h := range b {
		if err := paint(h, paintB); err != nil {
			return nil, err
		}
	}
	// A commit can be in the queue more than once, and its marks can change while it
	// waits. So live looks at the whole queue each time.
	common := map[object.Hash]bool{}
	for live() {
		c := heap.Pop(q).(*object.Commit)
		mark := marks[c.Hash]
		if mark&(paintA|paintB) == paintA|paintB && mark&paintStale == 0 {
			common[c.Hash] = true
			mark |= paintStale
			marks[c.Hash] = mark
		}
		parents, err := r.Parents(c)
		if err != nil {
			return nil, err
		}
		for _, p := range parents {
			if err := paint(p, mark); err != nil {
				return nil, err
			}
		}
	}
	var bases []object.Hash
	for h := range common {
		bases = append(bases, h)
	}
	slices.SortFunc(bases, func(x, y object.Hash) int { return slices.Compare(x[:], y[:]) })
	if len(bases) < 2 {
		return bases, nil
	}
	// If a clock was set back, an older ancestor can be among them.
	var best []object.Hash
	for i, h := range bases {
		below := false
		for k, o := range bases {
			if k == i || below {
				continue
			}
			var err error
			if below, err = r.IsAncestor(h, o); err != nil {
				return nil, err
			}
		}
		if !below {
			best = append(best, h)
		}
	}
	return best, nil
}

// Ahead returns the commits that tips reach and known do not, newest first. If a
// clock was set back, it may return some that known reach too.
func (r *Repo) Ahead(tips, known []object.Hash) ([]*object.Commit, error) {
	nodes, err := r.ahead(tips, known, false)
	if err != nil {
		return nil, err
	}
	out := make([]*object.Commit, len(nodes))
	for i, n := range nodes {
		if out[i], err = r.Commit(n.hash); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// node is the part of a commit that a walk needs. All commits of a large ledger would
// fill the memory.
type node struct {
	hash, tree object.Hash
	parents    []object.Hash
	when       int64
}

type nodeQueue []node

func (q nodeQueue) Len() int      { return len(q) }
func (q nodeQueue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q nodeQueue) Less(i, j int) bool {
	if q[i].when != q[j].when {
		return q[i].when > q[j].when
	}
	return bytes.Compare(q[i].hash[:], q[j].hash[:]) < 0
}
func (q *nodeQueue) Push(x any) { *q = append(*q, x.(node)) }
func (q *nodeQueue) Pop() any {
	old := *q
	n := old[len(old)-1]
	*q = old[:len(old)-1]
	return n
}

func (r *Repo) node(h object.Hash) (node, error) {
	c, err := r.Commit(h)
	if err != nil {
		return node{}, err
	}
	parents, err := r.Parents(c)
	return node{c.Hash, c.Tree, parents, c.Committer.When.Unix()}, err
}

// ahead is Ahead with nodes in place of commits. With gaps, what known reach may be
// missing here. Commits that known reach are dull, the others bright.
func (r *Repo) ahead(tips, known []object.Hash, gaps bool) ([]node, error) {
	dull := map[object.Hash]bool{}
	waiting := map[object.Hash]bool{} // true: in the queue; false: taken from it
	q := &nodeQueue{}
	bright := 0 // how many bright ones are in the queue
	push := func(h object.Hash, isDull bool) error {
		if in, seen := waiting[h]; seen {
			if isDull && !dull[h] {
				dull[h] = true
				if in {
					bright--
				}
			}
			return nil
		}
		c, err := r.node(h)
		if _, missing := errors.AsType[*MissingObject](err); missing && isDull && gaps {
			waiting[h], dull[h] = false, true
			return nil
		}
		if err != nil {
			return err
		}
		waiting[h], dull[h] = true, isDull
		if !isDull {
			bright++
		}
		heap.Push(q, c)
		return nil
	}
	for _, h := range known {
		if err := push(h, true); err != nil {
			return nil, err
		}
	}
	for _, h := range tips {
		if err := push(h, false); err != nil {
			return nil, err
		}
	}
	var out []node
	for bright > 0 {
		c := heap.Pop(q).(node)
		waiting[c.hash] = false
		if !dull[c.hash] {
			bright--
			out = append(out, c)
		}
		for _, p := range c.parents {
			if err := push(p, dull[c.hash]); err != nil {
				return nil, err
			}
		}
	}
	return slices.DeleteFunc(out, func(c node) bool { return dull[c.hash] }), nil
}

// NewObjects lists every object that tips reach and known do not. Everything that
// known reach must be here. Tips may be commits and annotated tags of commits. The
// list may name a few objects that known reach too.
// Errors: *MissingObject for a commit or a tree; blobs are not looked for.
func (r *Repo) NewObjects(tips, known []object.Hash) ([]object.Hash, error) {
	return r.newObjects(tips, known, false)
}

// newObjects is NewObjects. With gaps, what known reach may be missing here; whoever
// gets the objects must have it.
func (r *Repo) newObjects(tips, known []object.Hash, gaps bool) ([]object.Hash, error) {
	var out, commits []object.Hash
	seen := map[object.Hash]bool{}
	walked := map[string]bool{}
	add := func(h object.Hash) bool {
		if seen[h] {
			return false
		}
		seen[h] = true
		out = append(out, h)
		return true
	}
	for _, h := range tips {
		t, _, err := r.Object(h)
		if err != nil {
			return nil, err
		}
		for t == object.TypeTag {
			add(h)
			tag, err := r.Tag(h)
			if err != nil {
				return nil, err
			}
			h = tag.Target
			if t, _, err = r.Object(h); err != nil {
				return nil, err
			}
		}
		commits = append(commits, h)
	}
	peeled := make([]object.Hash, 0, len(known))
	for _, h := range known {
		if t, _, err := r.Object(h); err != nil {
			return nil, err
		} else if t == object.TypeTag {
			tag, err := r.Tag(h)
			if err != nil {
				return nil, err
			}
			h = tag.Target
		}
		peeled = append(peeled, h)
	}
	ahead, err := r.ahead(commits, peeled, gaps)
	if err != nil {
		return nil, err
	}
	for _, c := range ahead {
		add(c.hash)
		var against []object.Hash
		for _, p := range c.parents {
			pc, err := r.Commit(p)
			if err != nil {
				return nil, err
			}
			against = append(against, pc.Tree)
		}
		if err := r.newInTree(c.tree, against, add, walked); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// newInTree adds what a tree holds and none of the other trees holds at the same
// path. The same tree can come up again beside other trees, and then other objects
// are new; so walked remembers each tree together with the trees beside it.
func (r *Repo) newInTree(tree object.Hash, against []object.Hash, add func(object.Hash) bool, walked map[string]bool) error {
	if slices.Contains(against, tree) {
		return nil
	}
	key := string(tree[:])
	for _, h := range against {
		key += string(h[:])
	}
	if walked[key] {
		return nil
	}
	walked[key] = true
	add(tree)
	entries, err := r.Tree(tree)
	if err != nil {
		return err
	}
	others := make([]map[string]object.TreeEntry, len(against))
	for i, h := range against {
		list, err := r.Tree(h)
		if err != nil {
			return err
		}
		others[i] = make(map[string]object.TreeEntry, len(list))
		for _, e := range list {
			others[i][e.Name] = e
		}
	}
	for _, e := range entries {
		var below []object.Hash
		known := false
		for _, o := range others {
			if had, ok := o[e.Name]; ok {
				known = known || had.Hash == e.Hash
				if had.Mode == object.ModeDir {
					below = append(below, had.Hash)
				}
			}
		}
		switch {
		case known || e.Mode == object.ModeSubmodule:
		case e.Mode == object.ModeDir:
			if err := r.newInTree(e.Hash, below, add, walked); err != nil {
				return err
			}
		default:
			add(e.Hash)
		}
	}
	return nil
}

// Whole checks that everything tips reach is here. What known reach is not checked.
// Error: *MissingObject.
func (r *Repo) Whole(tips, known []object.Hash) error {
	objects, err := r.NewObjects(tips, known)
	if err != nil {
		return err
	}
	for _, h := range objects {
		if ok, err := r.Has(h); err != nil {
			return err
		} else if !ok {
			return &MissingObject{h}
		}
	}
	return nil
}
