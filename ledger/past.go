package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/gob"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

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
	if from.IsZero() {
		return p, nil
	}
	dir := unitDir(name)
	folder := l.repo.Follow(dir)
	// below: reached from a commit that moved the branch already, so that what it
	// says of the branch is older, and may be of a history that was given up for
	// another bench's.
	type item struct {
		c     *object.Commit
		below bool
	}
	first, err := l.repo.Commit(from)
	if err != nil {
		return nil, err
	}
	kept := l.keptPast(name)
	// What is kept holds for a line of commits without a merge on it, in a copy that
	// has all that the line names.
	line, whole, walked := true, true, 0
	seen := map[object.Hash]bool{from: true}
	queue := []item{{c: first}}
	for len(queue) > 0 {
		c, below := queue[0].c, queue[0].below
		queue = queue[1:]
		if line && c.Hash == kept.Main {
			p.older(kept, below)
			break
		}
		walked++
		here, err := folder.Folder(c.Tree)
		if err != nil {
			return nil, err
		}
		if here.IsZero() {
			continue // before the unit
		}
		hashes, err := l.repo.Parents(c)
		if err != nil {
			return nil, err
		}
		line = line && len(hashes) < 2
		parents := make([]*object.Commit, len(hashes))
		before := make([]object.Hash, max(len(hashes), 1))
		for i, h := range hashes {
			if parents[i], err = l.repo.Commit(h); err != nil {
				return nil, err
			}
			if before[i], err = folder.Folder(parents[i].Tree); err != nil {
				return nil, err
			}
		}
		if err := p.attribute(l, c, before, here, dir); err != nil {
			return nil, err
		}
		if strings.Contains(c.Message, name) { // few commits name it
			if head, ok := unitHeads(c.Message)[name]; ok {
				if !below {
					if err := p.take(l, head); err != nil {
						return nil, err
					}
				}
				// A correction, and an exchange with another bench, leave what is open
				// open: that was saved further back.
				all, there, err := l.closedWhole(head, here)
				if err != nil {
					return nil, err
				}
				if whole = whole && there; all {
					continue
				}
				below = true
			}
		}
		for _, q := range parents {
			if !seen[q.Hash] {
				seen[q.Hash] = true
				queue = append(queue, item{q, below})
			}
		}
	}
	if line && whole && walked >= longWalk {
		l.keepPast(name, from, p)
	}
	return p, nil
}

// longWalk is after how many commits of main what was found is kept: a walk that is
// shorter takes less time than to write it down. Tests make it shorter.
var longWalk = 200

// keptPast is what past found from a commit of main. It follows from that commit
// alone, since a history never changes.
type keptPast struct {
	Program        string
	Unit           string
	Main           object.Hash // zero: nothing is kept
	Head           object.Hash
	Saved, Changed map[string]gitstore.Ident
}

func (l *Ledger) pastFile(name string) string {
	sum := sha256.Sum256([]byte(name))
	return filepath.Join(filepath.Dir(l.walkedFile()), "past-"+hex.EncodeToString(sum[:8]))
}

// keptPast returns what is kept of a unit; a file that cannot be read is as good as
// none.
func (l *Ledger) keptPast(name string) *keptPast {
	k := &keptPast{}
	if l.repo.Shallow || l.repo.Partial {
		return k
	}
	if data, err := readDerived(l.pastFile(name)); err == nil {
		if gob.NewDecoder(bytes.NewReader(data)).Decode(k) != nil || k.Program != programID() || k.Unit != name {
			k = &keptPast{}
		}
	}
	return k
}

func (l *Ledger) keepPast(name string, from object.Hash, p *past) {
	if l.repo.Shallow || l.repo.Partial {
		return // what lies beyond the cut would never be looked at once it is fetched
	}
	k := keptPast{programID(), name, from, p.head, p.saved, p.changed}
	replaceDerived(l.pastFile(name), func(f *os.File) error { return gob.NewEncoder(f).Encode(k) })
}

// older adds what was found from a commit on that this walk has come to.
func (p *past) older(k *keptPast, below bool) {
	if !below {
		p.head = k.Head
	}
	for _, m := range []struct{ to, from map[string]gitstore.Ident }{{p.saved, k.Saved}, {p.changed, k.Changed}} {
		for path, who := range m.from {
			if _, ok := m.to[path]; !ok {
				m.to[path] = who
			}
		}
	}
}

// closedWhole reports whether a unit's folder on main is what a commit of its
// branch has, and whether that commit is in this copy.
func (l *Ledger) closedWhole(head, folder object.Hash) (whole, there bool, err error) {
	there, err = l.repo.Has(head)
	if err != nil || !there {
		return true, there, err // reported where the branch is looked for
	}
	tree, err := l.branchTree(head)
	return tree == folder, there, err
}

// attribute notes which files this commit added or changed, against the folder as
// each of its parents has it. Walking newest first, the first note of a file counts.
func (p *past) attribute(l *Ledger, c *object.Commit, before []object.Hash, here object.Hash, dir string) error {
	if slices.Contains(before, here) {
		return nil // nothing differs from each of them
	}
	who := gitstore.Ident{Name: c.Author.Name, Email: c.Author.Email, When: c.Author.When}
	isNew := map[string]int{}
	isChanged := map[string]int{}
	n := len(before)
	for _, b := range before {
		diff, err := l.repo.DiffTrees(b, here)
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
