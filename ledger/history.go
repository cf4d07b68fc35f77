package ledger

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
	"benchlore/ledger/proof/growth"
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
	at := func(tree object.Hash) (object.Hash, error) { return tree, nil }
	if dir != "" {
		at = l.repo.Follow(dir).Folder
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

// objectsOf gives a repository's objects to the rules of histories.
type objectsOf struct{ repo *gitstore.Repo }

func (o objectsOf) Object(id object.Hash) (object.Type, []byte, error) {
	t, data, err := o.repo.Object(object.Hash(id))
	if _, ok := errors.AsType[*gitstore.MissingObject](err); ok {
		return 0, nil, &gitobj.MissingError{ID: id}
	}
	return object.Type(t), data, err
}

// grown holds a unit's history up to a commit against the rule that it only grows.
// With seals the signatures are looked at too.
func (l *Ledger) grown(head object.Hash, seals []*proof.Seal) (*growth.Result, error) {
	return growth.Check(growth.Input{Objects: l.objects(), Head: object.Hash(head), Seals: proof.GrowthSeals(seals), Signatures: seals != nil,
		Readable: proof.CheckNesting})
}

// packetCopy is where a history stands that a packet would make here.
const packetCopy = "this bench, with the packet on top"

// HistoryError says that a unit's history does not only grow: somebody changed or
// took out what had travelled.
type HistoryError struct {
	Unit     string
	Where    string           // whose copy: "" for this one
	Good     string           // the last commit before the first that is wrong; "": there is none
	Findings []growth.Finding // the first of them
	Count    int
}

func (e *HistoryError) Error() string {
	const most = 20
	at := e.Unit
	if e.Where != "" {
		at += " at " + e.Where
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s: its history changes or takes out what was closed:", at)
	for _, f := range e.Findings[:min(len(e.Findings), most)] {
		fmt.Fprintf(&b, "\n  %s", f)
	}
	if e.Count > most {
		fmt.Fprintf(&b, "\n  and %d more", e.Count-most)
	}
	return b.String()
}

// Hint names the next step.
func (e *HistoryError) Hint() string {
	ref := unitRef(e.Unit)
	switch {
	case e.Where == packetCopy:
		return "nothing was taken in; settle with the other bench which of the two histories goes on"
	case e.Good == "":
		return "get the history from a copy that has it whole: git fetch COPY " + ref
	case e.Where != "":
		return fmt.Sprintf("nothing was taken in; the last good commit is %s: put the branch there back with git push --force %s %s:%s, and enter what is right with benchlore correct", e.Good, e.Where, e.Good, ref)
	}
	return fmt.Sprintf("the last good commit is %s: put the branch back with git branch -f unit/%s %s, and enter what is right with benchlore correct", e.Good, e.Unit, e.Good)
}

// onlyGrows refuses a history of a unit that breaks the rule.
// Errors: *HistoryError and those of reading.
func (l *Ledger) onlyGrows(name, where string, head object.Hash, seals []*proof.Seal) error {
	r, err := l.grown(head, seals)
	if err != nil || r.Worst() == growth.Told {
		return err
	}
	return historyError(l.repo, name, where, r)
}

func historyError(repo *gitstore.Repo, name, where string, r *growth.Result) *HistoryError {
	e := &HistoryError{Unit: name, Where: where}
	for _, f := range r.Findings {
		if f.Level > growth.Told {
			e.Findings = append(e.Findings, f)
		}
	}
	e.Count = len(e.Findings)
	if first := e.Findings[0].Commit; !first.IsZero() {
		if c, err := repo.Commit(object.Hash(first)); err == nil && len(c.Parents) > 0 {
			e.Good = c.Parents[0].String()
		}
	}
	return e
}

// growthProblems are the findings that break a history that is about to be
// written, as problems of the unit's files.
func growthProblems(name string, r *growth.Result) []schema.Problem {
	var out []schema.Problem
	for _, f := range r.Broken() {
		p := f.Path
		if p == "" {
			p = "instrument.toml"
		}
		q := schema.Problem{File: unitDir(name) + "/" + p, Severity: schema.Wrong, Message: f.Text}
		switch f.Rule {
		case growth.RuleNoReason, growth.RuleFacts, growth.RuleCorrections:
			q.Write = "put it back with git checkout HEAD -- " + q.File + ", edit it again and run: benchlore correct " + q.File + " --reason \"...\""
		case growth.RuleAttachment:
			q.Write = "name it in a new record, or keep it under another name"
		case growth.RulePath, growth.RuleMode:
			q.Write = "rename it or take it out; pictures go into photos/, other files into files/"
		default:
			q.Write = "put the file back as it was closed: git show unit/" + name + ":" + p + " > " + q.File
		}
		out = append(out, q)
	}
	return out
}

// signature tells who signed a commit: the fingerprint of the key, once the
// signature has been checked against the commit's bytes; "" for none. Whose key
// it is, and whether to trust it, is another question.
func signature(c *object.Commit) (string, error) {
	if c.Signature == "" {
		return "", nil
	}
	key, err := gitobj.CheckSignature([]byte(c.Signature), c.Payload, "git")
	if err != nil {
		return "", fmt.Errorf("commit %s: its signature: %w", c.Hash, err)
	}
	return gitobj.Fingerprint(key), nil
}
