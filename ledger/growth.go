package ledger

import (
	"errors"
	"fmt"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
	"benchlore/ledger/proof/growth"
	"benchlore/schema"
)

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
