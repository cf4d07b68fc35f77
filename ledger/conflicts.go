package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"benchlore/schema"
)

// Conflict is a file that two benches changed each for itself. One version
// stands; the others wait under conflicts/ for somebody to settle it.
type Conflict struct {
	Path     string          `json:"path"`    // the file
	Other    string          `json:"other"`   // where the version is kept that does not stand
	Closed   bool            `json:"closed"`  // settling it in favour of the other is a correction and needs a reason
	Gone     bool            `json:"gone"`    // the file itself is no longer there
	Changes  []schema.Change `json:"changes"` // from what stands to the other; none where it is no TOML
	standing []byte
	version  []byte
}

// Named are the changes in the words people use: state of fault F1.
func (c Conflict) Named() []schema.Change { return schema.Named(c.Changes, c.standing, c.version) }

// facts is a text with the corrections of what stands, which stay whatever it says;
// what stands itself where the two say the same.
func (c Conflict) facts(text []byte) ([]byte, error) {
	standing, err := schema.ReadVersion(c.standing)
	if err != nil {
		return nil, err
	}
	v, err := schema.ReadVersion(text)
	if err != nil {
		return nil, err
	}
	if schema.FactsBetween(standing, v).None() {
		return c.standing, nil
	}
	return schema.WithCorrections(text, standing.Corrections), nil
}

// conflictOf takes the name of a kept version apart: the file's path.
func conflictOf(p string) (string, bool) {
	rest, ok := strings.CutPrefix(p, conflictsDir+"/")
	if !ok {
		return "", false
	}
	file := path.Dir(rest)
	name := strings.TrimSuffix(path.Base(rest), path.Ext(file))
	if len(name) != 8 || strings.Trim(name, "0123456789abcdef") != "" || file == "." {
		return "", false
	}
	return file, true
}

// Conflicts lists what waits to be settled, in order of path.
func (l *Ledger) Conflicts() ([]Conflict, error) {
	names, err := diskSource{l}.names(conflictsDir)
	if err != nil || len(names) == 0 {
		return nil, err
	}
	var out []Conflict
	for _, p := range names {
		file, ok := conflictOf(p)
		if !ok {
			continue // check reports it
		}
		c := Conflict{Path: file, Other: p, Changes: []schema.Change{}}
		if c.version, err = l.root.ReadFile(p); err != nil {
			return nil, err
		}
		c.standing, err = l.root.ReadFile(file)
		if c.Gone = errors.Is(err, fs.ErrNotExist); err != nil && !c.Gone {
			return nil, err
		}
		if at := schema.ParsePath(file); at.OfUnit() && at.Is != schema.IsUnitModel {
			if head, ok, err := l.repo.Ref(unitRef(at.Unit)); err != nil {
				return nil, err
			} else if ok {
				branch, err := l.branchTree(head)
				if err != nil {
					return nil, err
				}
				if _, c.Closed, err = l.repo.TreeAt(branch, at.Rel()); err != nil {
					return nil, err
				}
			}
		}
		if strings.HasSuffix(file, ".toml") && !c.Gone {
			if changes, err := schema.Compare(c.standing, c.version); err == nil {
				c.Changes = changes
			}
		}
		out = append(out, c)
	}
	return out, nil
}

// conflictProblems are the conflicts as check shows them; for a unit, those
// that bear on it: its own files, its model's, and what all units share.
func (l *Ledger) conflictProblems(only string) ([]schema.Problem, error) {
	names, err := diskSource{l}.names(conflictsDir)
	if err != nil {
		return nil, err
	}
	var out []schema.Problem
	for _, p := range names {
		file, ok := conflictOf(p)
		if !ok {
			if only == "" {
				out = append(out, schema.Problem{File: p, Severity: schema.Wrong, Message: "does not belong in " + conflictsDir + "/", Write: "sync alone puts files there; move it away"})
			}
			continue
		}
		if only != "" && !bears(file, only) {
			continue
		}
		out = append(out, schema.Problem{File: file, Severity: schema.Wrong, Message: "was changed on two benches, each for itself; the other version is " + p,
			Write: "see both and choose: benchlore settle " + file})
	}
	return out, nil
}

// bears reports whether a file counts for what is said of a unit.
func bears(file, unit string) bool {
	switch at := schema.ParsePath(file); {
	case at.OfUnit():
		return at.Unit == unit
	case at.Is == schema.IsModel:
		return file == "models/"+modelOf(unit)+".toml"
	case at.Is == schema.IsAdopted:
		return file == adoptionFile(unit)
	case at.Unit != "": // books
		return false
	}
	return true
}

// SettleOptions say how a conflict is to be settled: exactly one of Keep, Take
// and Text.
type SettleOptions struct {
	Keep   bool   // what stands stays
	Take   bool   // the other version stands
	Text   []byte // this stands
	By     string // who settles it
	Reason string // needed where the file was closed and changes
	Close  CloseOptions
}

// Settle settles a conflict, named by its file or by the version kept. The
// decision is recorded like any other change: nothing is lost by it.
// Errors: *UsageError, and those of [Ledger.Correct].
func (l *Ledger) Settle(name string, o SettleOptions) (Result, error) {
	name = path.Clean(strings.ReplaceAll(name, `\`, "/"))
	all, err := l.Conflicts()
	if err != nil {
		return Result{}, err
	}
	var found []Conflict
	for _, c := range all {
		if c.Path == name || c.Other == name {
			found = append(found, c)
		}
	}
	if len(found) == 0 {
		return Result{}, &UsageError{fmt.Sprintf("there is nothing to settle about %s", name), "see what there is: benchlore settle"}
	}
	// With a text of its own, or with what stands, all versions are settled.
	if o.Take && len(found) > 1 {
		var others []string
		for _, c := range found {
			others = append(others, c.Other)
		}
		return Result{}, &UsageError{fmt.Sprintf("%s has %d other versions", name, len(found)), "name the one to take: " + strings.Join(others, ", ")}
	}
	c := found[0]
	text := o.Text
	if o.Take {
		text = c.version
		for _, other := range all {
			if other.Path == c.Path && !slices.ContainsFunc(found, func(f Conflict) bool { return f.Other == other.Other }) {
				found = append(found, other) // they lose too
			}
		}
	}
	if !o.Keep && c.Closed {
		if at := schema.ParsePath(c.Path); at.Is != schema.IsRecord && at.Is != schema.IsInstrument {
			return Result{}, &UsageError{c.Path + " has travelled, and an attachment that has travelled stays as it is", "keep it with --keep, and attach the other one under another name: it is " + c.Other}
		}
		if text, err = c.facts(text); err != nil {
			return Result{}, err
		}
		if string(text) != string(c.standing) {
			s, err := l.Correct([]Corrected{{Path: c.Path, Data: text}}, o.By, o.Reason, o.Close)
			if err != nil || l.opt.DryRun {
				return s.Result, err
			}
		}
		text = nil
	}
	return l.update(func(w *writer) error {
		for _, f := range found {
			w.remove(f.Other)
		}
		if text != nil {
			if problems := l.checkFile(c.Path, text); schema.Worst(problems) == schema.Unreadable {
				return &ProblemsError{"nothing was settled", problems}
			}
			w.put(c.Path, text)
		}
		w.subject = "settle " + c.Path
		return nil
	})
}
