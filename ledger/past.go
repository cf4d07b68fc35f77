package ledger

import (
	"fmt"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
)

// past is what main's history says of one unit since its branch last moved.
type past struct {
	head    object.Hash               // where the branch should be; zero: never closed
	saved   map[string]gitstore.Ident // by path: who first saved the file as it stands there now, and when
	changed map[string]gitstore.Ident // by path: who last changed it
}

// MissingError is an object a history names that is not in this copy.
type MissingError struct {
	Unit string
	Hash string
	Why  string
}

func (e *MissingError) Error() string {
	return fmt.Sprintf("%s: its history names commit %s, which is not in this copy (%s)", e.Unit, e.Hash, e.Why)
}

// Hint names the next step.
func (e *MissingError) Hint() string {
	return fmt.Sprintf("fetch it: git fetch REMOTE %[1]s:%[1]s, where REMOTE is where this copy came from", unitRef(e.Unit))
}

// past walks main back to the commit that last moved the unit's branch, or to
// where the unit's folder begins.
func (l *Ledger) past(name string, from object.Hash) (*past, error) {
	p := &past{saved: map[string]gitstore.Ident{}, changed: map[string]gitstore.Ident{}}
	dir := unitDir(name)
	seen := map[object.Hash]bool{}
	trees := map[object.Hash]object.Hash{} // commit -> the unit's tree
	treeOf := func(c *object.Commit) (object.Hash, error) {
		if t, ok := trees[c.Hash]; ok {
			return t, nil
		}
		e, _, err := l.repo.TreeAt(c.Tree, dir)
		trees[c.Hash] = e.Hash
		return e.Hash, err
	}
	// below: reached from a commit that moved the branch already, so that what it
	// says of the branch is older, and may be of a history that was given up for
	// another bench's.
	type item struct {
		h     object.Hash
		below bool
	}
	queue := []item{{h: from}}
	for len(queue) > 0 {
		h, below := queue[0].h, queue[0].below
		queue = queue[1:]
		if seen[h] || h.IsZero() {
			continue
		}
		seen[h] = true
		c, err := l.repo.Commit(h)
		if err != nil {
			return nil, err
		}
		here, err := treeOf(c)
		if err != nil {
			return nil, err
		}
		if here.IsZero() {
			continue // before the unit
		}
		parents, err := l.repo.Parents(c)
		if err != nil {
			return nil, err
		}
		if err := p.attribute(l, c, parents, here, treeOf, dir); err != nil {
			return nil, err
		}
		if head, ok := unitHeads(c.Message)[name]; ok {
			if !below {
				if err := p.take(l, head); err != nil {
					return nil, err
				}
			}
			// A correction, and an exchange with another bench, leave what is open
			// open: that was saved further back.
			if all, err := l.closedWhole(head, here); err != nil {
				return nil, err
			} else if all {
				continue
			}
			below = true
		}
		for _, q := range parents {
			queue = append(queue, item{q, below})
		}
	}
	return p, nil
}

// closedWhole reports whether a unit's folder on main is what a commit of its
// branch has.
func (l *Ledger) closedWhole(head, folder object.Hash) (bool, error) {
	ok, err := l.repo.Has(head)
	if err != nil || !ok {
		return true, err // reported where the branch is looked for
	}
	tree, err := l.branchTree(head)
	return tree == folder, err
}

// attribute notes which files this commit added or changed. Walking newest
// first, the first note of a file counts.
func (p *past) attribute(l *Ledger, c *object.Commit, parents []object.Hash, here object.Hash,
	treeOf func(*object.Commit) (object.Hash, error), dir string) error {
	who := gitstore.Ident{Name: c.Author.Name, Email: c.Author.Email, When: c.Author.When}
	isNew := map[string]int{}
	isChanged := map[string]int{}
	n := max(len(parents), 1)
	for i := range n {
		var before object.Hash
		if i < len(parents) {
			pc, err := l.repo.Commit(parents[i])
			if err != nil {
				return err
			}
			if before, err = treeOf(pc); err != nil {
				return err
			}
		}
		diff, err := l.repo.DiffTrees(before, here)
		if err != nil {
			return err
		}
		for _, d := range diff {
			if d.New.Hash.IsZero() {
				continue
			}
			isChanged[d.Path]++
			if d.Old.Hash.IsZero() {
				isNew[d.Path]++
			}
		}
	}
	for f, k := range isChanged {
		path := dir + "/" + f
		if _, ok := p.changed[path]; !ok && k == n {
			p.changed[path] = who
		}
		if _, ok := p.saved[path]; !ok && isNew[f] == n {
			p.saved[path] = who
		}
	}
	return nil
}

// take keeps the newer of two heads.
func (p *past) take(l *Ledger, head object.Hash) error {
	if p.head.IsZero() || p.head == head {
		p.head = head
		return nil
	}
	newer, err := l.repo.IsAncestor(p.head, head)
	if err == nil && newer {
		p.head = head
	}
	return err
}

// closedHead is where the unit's branch is or, in a copy that lacks it, where
// main says it must be; zero: never closed.
func (l *Ledger) closedHead(name string, main object.Hash) (object.Hash, error) {
	have, ok, err := l.repo.Ref(unitRef(name))
	if err != nil || ok || main.IsZero() {
		return have, err
	}
	c, err := l.repo.Commit(main)
	if err != nil {
		return have, err
	}
	if _, closed, err := l.repo.TreeAt(c.Tree, unitDir(name)+"/model.toml"); err != nil || !closed {
		return have, err
	}
	p, err := l.past(name, main)
	if err != nil {
		return object.ZeroHash, err
	}
	want, _, err := l.branch(name, p)
	return want, err
}

// branch returns the head the unit's branch must have and whether it has it.
// A branch that is behind what main names is what a crash or a copy without it
// leaves; one that is neither behind nor ahead is an error.
func (l *Ledger) branch(name string, p *past) (want object.Hash, have object.Hash, err error) {
	have, _, err = l.repo.Ref(unitRef(name))
	if err != nil {
		return want, have, err
	}
	if p.head.IsZero() || have == p.head {
		return have, have, nil
	}
	ok, err := l.repo.Has(p.head)
	if err != nil {
		return want, have, err
	}
	if !ok {
		return want, have, &MissingError{Unit: name, Hash: p.head.String(), Why: "a close on main put the unit's branch there"}
	}
	if have.IsZero() {
		return p.head, have, nil
	}
	behind, err := l.repo.IsAncestor(have, p.head)
	if err != nil {
		return want, have, err
	}
	if behind {
		return p.head, have, nil
	}
	ahead, err := l.repo.IsAncestor(p.head, have)
	if err != nil {
		return want, have, err
	}
	if ahead {
		return have, have, nil
	}
	return want, have, &UsageError{
		fmt.Sprintf("%s: its branch stands at %s, but main says it was closed at %s, and neither continues the other", name, have.String()[:10], p.head.String()[:10]),
		"somebody moved the branch by hand: put it back with git branch -f unit/" + name + " " + p.head.String()[:10] +
			" once you know that nothing of value is only on the other"}
}
