package ledger

import (
	"slices"
	"sort"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/schema"
)

// Step is one step of a history: a commit and the files it touched.
type Step = proof.Step

// FileStep is what one commit did to one file.
type FileStep = proof.FileStep

// UnitHistory returns a unit's own history, oldest first; none where it was
// never closed.
func (l *Ledger) UnitHistory(name string) ([]Step, error) {
	head, ok, err := l.repo.Ref(unitRef(name))
	if err != nil || !ok {
		return nil, err
	}
	return proof.Steps(l.objects(), object.Hash(head))
}

// ShopHistory returns what main says of a unit, oldest first: every save, kept
// or taken back.
func (l *Ledger) ShopHistory(name string) ([]Step, error) {
	head, _, err := l.mainTree()
	if err != nil || head.IsZero() {
		return nil, err
	}
	return l.steps(head, unitDir(name))
}

// steps walks the history from a head, with the files below dir. A merge is a
// step of its own only where it has what none of its parents has.
func (l *Ledger) steps(head object.Hash, dir string) ([]Step, error) {
	at := func(tree object.Hash) (object.Hash, error) {
		if dir == "" {
			return tree, nil
		}
		e, _, err := l.repo.TreeAt(tree, dir)
		return e.Hash, err
	}
	var out []Step
	for c, err := range l.repo.Log(head) {
		if err != nil {
			return nil, err
		}
		here, err := at(c.Tree)
		if err != nil {
			return nil, err
		}
		parents, err := l.repo.Parents(c)
		if err != nil {
			return nil, err
		}
		before := make([]object.Hash, max(len(parents), 1))
		for i, p := range parents {
			pc, err := l.repo.Commit(p)
			if err != nil {
				return nil, err
			}
			if before[i], err = at(pc.Tree); err != nil {
				return nil, err
			}
		}
		if slices.Contains(before, here) {
			continue
		}
		files, err := l.fileSteps(before[0], here)
		if err != nil {
			return nil, err
		}
		for _, b := range before[1:] {
			diff, err := l.repo.DiffTrees(b, here)
			if err != nil {
				return nil, err
			}
			differs := map[string]bool{}
			for _, d := range diff {
				differs[d.Path] = true
			}
			files = slices.DeleteFunc(files, func(f FileStep) bool { return !differs[f.Path] })
		}
		if len(files) == 0 {
			continue
		}
		s := Step{Commit: c.Hash.String(), Subject: strings.SplitN(c.Message, "\n", 2)[0], Author: c.Author.Name,
			Saved: c.Author.When, Closed: c.Committer.When, Files: files}
		if s.Signed, err = signature(c); err != nil {
			s.Bad = err.Error()
		}
		out = append(out, s)
	}
	slices.Reverse(out)
	return out, nil
}

func (l *Ledger) fileSteps(before, after object.Hash) ([]FileStep, error) {
	diff, err := l.repo.DiffTrees(before, after)
	if err != nil {
		return nil, err
	}
	var out []FileStep
	for _, d := range diff {
		f := FileStep{Path: d.Path, What: "changed"}
		switch {
		case d.Old.Hash.IsZero():
			f.What = "new"
		case d.New.Hash.IsZero():
			f.What = "removed"
		case strings.HasSuffix(d.Path, ".toml"):
			a, err := l.repo.Blob(d.Old.Hash)
			if err != nil {
				return nil, err
			}
			b, err := l.repo.Blob(d.New.Hash)
			if err != nil {
				return nil, err
			}
			if f.Changes, err = schema.Compare(a, b); err != nil {
				f.Changes = nil // one of the versions is no TOML; the commit shows it
			}
			f.Reason = newReason(d.Path, a, b)
		}
		out = append(out, f)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Path < out[j].Path })
	return out, nil
}

// newReason is the reason of the correction the later version has and the
// earlier has not.
func newReason(p string, before, after []byte) string {
	a, b := correctionsOf(p, before), correctionsOf(p, after)
	if len(b) > len(a) {
		return b[len(b)-1].Reason
	}
	return ""
}
