package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"sort"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"

	"benchlore/ledger/gitstore"
	"benchlore/schema"
)

// SaveReport is what save took in and what it left alone.
type SaveReport struct {
	Result
	Problems []schema.Problem `json:"problems"` // stored all the same
	LeftOut  []string         `json:"leftOut"`  // files that are no part of a ledger
	Repaired []string         `json:"repaired"` // units whose branch was brought into step
}

// belongs reports whether a path is one a ledger has.
func belongs(p string) bool {
	parts := strings.Split(p, "/")
	switch parts[0] {
	case "shop.toml", "families.toml", "signers", ".gitattributes", ".gitignore":
		return len(parts) == 1
	case "models", "lots":
		return len(parts) == 2 && strings.HasSuffix(p, ".toml")
	case "instruments":
		return len(parts) == 4 || len(parts) >= 5 && (parts[3] == "photos" || parts[3] == "files")
	case "books":
		return len(parts) == 4
	}
	return false
}

// Save commits hand edits, those staged with git included, and brings unit
// branches a crash left behind into step. Files that cannot be read as what
// they are named for, links, and closed records that changed without a reason
// are refused, and then nothing is written.
func (l *Ledger) Save() (SaveReport, error) {
	var out SaveReport
	stock, err := l.Stock()
	if err != nil {
		return out, err
	}
	out.Result, err = l.update(func(w *writer) error {
		changes, err := l.repo.Changes()
		if err != nil {
			return err
		}
		var refused []schema.Problem
		refuse := func(p, message, write string) {
			refused = append(refused, schema.Problem{File: p, Severity: schema.Unreadable, Message: message, Write: write})
		}
		units := map[string]bool{}
		for _, c := range changes {
			p := c.Path
			if !belongs(p) {
				out.LeftOut = append(out.LeftOut, p)
				continue
			}
			if parts := strings.Split(p, "/"); parts[0] == "instruments" {
				units[parts[1]+"/"+parts[2]] = true
			}
			fi, err := l.root.Lstat(p)
			switch {
			case errors.Is(err, fs.ErrNotExist):
				w.remove(p)
				continue
			case err != nil:
				return err
			case !fi.Mode().IsRegular():
				refuse(p, "is a link or another special file; a ledger holds plain files only", "put the file itself there")
				continue
			}
			data, err := l.root.ReadFile(p)
			if err != nil {
				return err
			}
			w.put(p, data)
			if strings.HasSuffix(p, ".toml") {
				problems := l.checkFile(p, data)
				if schema.Worst(problems) == schema.Unreadable {
					refused = append(refused, problems...)
				}
			}
		}
		names := make([]string, 0, len(units))
		for u := range units {
			names = append(names, u)
		}
		sort.Strings(names)
		for _, u := range names {
			p, err := l.closedChanges(w, u)
			if err != nil {
				return err
			}
			refused = append(refused, p...)
		}
		if len(refused) > 0 {
			return &ProblemsError{"nothing was saved", refused}
		}
		if out.Repaired, err = w.repair(); err != nil {
			return err
		}
		for _, u := range names {
			if fi, err := l.root.Stat(unitDir(u)); err != nil || !fi.IsDir() {
				continue
			}
			loaded, err := l.Unit(u, stock)
			if err != nil {
				return err
			}
			for _, q := range loaded.Problems {
				if _, touched := w.files[q.File]; touched {
					out.Problems = append(out.Problems, q)
				}
			}
		}
		w.subject = saveSubject(w)
		return nil
	})
	return out, err
}

func saveSubject(w *writer) string {
	paths := make([]string, 0, len(w.files)+len(w.removed))
	for p := range w.files {
		paths = append(paths, p)
	}
	for p := range w.removed {
		paths = append(paths, p)
	}
	sort.Strings(paths)
	switch len(paths) {
	case 0:
		return "save"
	case 1:
		return "save " + paths[0]
	}
	return fmt.Sprintf("save %d files", len(paths))
}

// checkFile reads a file as what its path says it is.
func (l *Ledger) checkFile(p string, data []byte) []schema.Problem {
	parts := strings.Split(p, "/")
	base := path.Base(p)
	var problems []schema.Problem
	switch {
	case p == "shop.toml":
		if err := readFormat(p, data); err != nil {
			return []schema.Problem{{File: p, Severity: schema.Unreadable, Message: strings.TrimPrefix(err.Error(), p+": "), Write: hintOf(err)}}
		}
		_, problems = schema.Decode[schema.Shop](p, data)
	case p == "families.toml":
		_, problems = schema.Decode[schema.Families](p, data)
	case parts[0] == "models":
		_, problems = schema.Decode[schema.Model](p, data)
	case parts[0] == "lots":
		_, problems = schema.Decode[schema.Lot](p, data)
	case parts[0] == "books":
		_, problems = schema.Decode[schema.Book](p, data)
	case parts[0] == "instruments" && len(parts) == 4 && base == "instrument.toml":
		if err := readFormat(p, data); err != nil {
			return []schema.Problem{{File: p, Severity: schema.Unreadable, Message: strings.TrimPrefix(err.Error(), p+": "), Write: hintOf(err)}}
		}
		_, problems = schema.Decode[schema.Instrument](p, data)
	case parts[0] == "instruments" && len(parts) == 4 && base == "model.toml":
		_, problems = schema.Decode[schema.Model](p, data)
	case parts[0] == "instruments" && len(parts) == 4:
		if _, kind, _, ok := schema.ParseName(base); !ok || schema.New(schema.Kind(kind)) == nil {
			return []schema.Problem{{File: p, Severity: schema.Unreadable, Message: "is not named as a record",
				Write: "records are named date-kind-xxxx.toml, such as 2031-03-04-intake-7q3f.toml; other files go into files/"}}
		}
		_, problems = schema.DecodeRecord(p, data)
	}
	return problems
}

func hintOf(err error) string {
	var h interface{ Hint() string }
	if errors.As(err, &h) {
		return h.Hint()
	}
	return ""
}

// closedChanges reports closed records of a unit that the gathered changes
// remove, or alter without saying why.
func (l *Ledger) closedChanges(w *writer, name string) ([]schema.Problem, error) {
	head, ok, err := l.repo.Ref(unitRef(name))
	if err != nil || !ok {
		return nil, err
	}
	c, err := l.repo.Commit(head)
	if err != nil {
		return nil, err
	}
	var out []schema.Problem
	for p := range w.removed {
		if rel, ok := strings.CutPrefix(p, unitDir(name)+"/"); ok {
			if _, was, err := l.repo.TreeAt(c.TreeHash, rel); err != nil {
				return nil, err
			} else if was {
				out = append(out, schema.Problem{File: p, Severity: schema.Unreadable, Message: "was closed: it has travelled and stays",
					Write: "put it back with git checkout -- " + p + "; a record that should never have been made gets withdrawn = true and a [[correction]]"})
			}
		}
	}
	for p, data := range w.files {
		rel, ok := strings.CutPrefix(p, unitDir(name)+"/")
		if !ok {
			continue
		}
		old, was, err := l.blobAt(c.TreeHash, rel)
		if err != nil {
			return nil, err
		}
		_, _, _, isRecord := schema.ParseName(p)
		if was && isRecord && !bytes.Equal(old, data) {
			out = append(out, schema.Problem{File: p, Severity: schema.Unreadable, Message: "was closed: a change to it is a correction and needs a reason",
				Write: "run: benchlore amend " + p + " --reason \"...\""})
		}
	}
	schema.Sort(out)
	return out, nil
}

// repair plans moving every unit branch that is behind what main names.
func (w *writer) repair() ([]string, error) {
	l := w.l
	names, err := l.Units()
	if err != nil {
		return nil, err
	}
	heads, err := l.closeHeads(w.head)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, name := range names {
		head, ok := heads[name]
		if !ok {
			continue
		}
		want, have, err := l.branch(name, &past{head: head})
		if err != nil {
			return nil, err
		}
		if want != have {
			w.units = append(w.units, gitstore.RefUpdate{Name: unitRef(name), Old: have, New: want})
			w.marker = true
			out = append(out, name)
		}
	}
	return out, nil
}

// closeHeads walks main once for the head each unit's branch was last given.
func (l *Ledger) closeHeads(from plumbing.Hash) (map[string]plumbing.Hash, error) {
	heads := map[string]plumbing.Hash{}
	if from.IsZero() {
		return heads, nil
	}
	for c, err := range l.repo.Log(from) {
		if err != nil {
			return nil, err
		}
		for name, h := range unitHeads(c.Message) {
			if _, ok := heads[name]; !ok {
				heads[name] = h
			}
		}
	}
	return heads, nil
}

// Amend corrects a record. Where it has been closed a reason is needed: it is
// written into the record as a [[correction]], and the corrected record goes
// onto the unit's own history at once. data nil takes the file as it was edited
// by hand.
func (l *Ledger) Amend(p string, data []byte, by, reason string, o CloseOptions) (Saved, error) {
	p = strings.TrimPrefix(path.Clean(strings.ReplaceAll(p, `\`, "/")), "./")
	parts := strings.Split(p, "/")
	_, _, _, isRecord := schema.ParseName(p)
	if len(parts) != 4 || parts[0] != "instruments" || !isRecord && parts[3] != "instrument.toml" {
		return Saved{}, &UsageError{fmt.Sprintf("%s is no record of an instrument", p),
			"name the file by its path: instruments/MODEL/TAG/2031-03-04-parts-7q3f.toml; other files are saved with benchlore save"}
	}
	name := parts[1] + "/" + parts[2]
	signer, err := l.unitSigner()
	if err != nil {
		return Saved{}, err
	}
	stock, err := l.Stock()
	if err != nil {
		return Saved{}, err
	}
	s := Saved{Path: p}
	s.Result, err = l.update(func(w *writer) error {
		text := data
		if text == nil {
			if text, err = l.read(p); err != nil {
				return err
			}
		}
		was, tracked, err := w.committed(p)
		if err != nil {
			return err
		}
		if !tracked {
			return &UsageError{p + " has never been saved", "run: benchlore save"}
		}
		ps, err := l.past(name, w.head)
		if err != nil {
			return err
		}
		head, _, err := l.branch(name, ps)
		if err != nil {
			return err
		}
		var closedText []byte
		var tree plumbing.Hash
		if !head.IsZero() {
			c, err := l.repo.Commit(head)
			if err != nil {
				return err
			}
			tree = c.TreeHash
			if closedText, _, err = l.blobAt(tree, parts[3]); err != nil {
				return err
			}
		}
		if bytes.Equal(text, was) && (closedText == nil || bytes.Equal(text, closedText)) {
			return &UsageError{p + " has not changed", "edit the file first, then run amend again"}
		}
		problems := l.checkFile(p, text)
		if schema.Worst(problems) == schema.Unreadable {
			return &ProblemsError{"nothing was amended", problems}
		}
		if closedText == nil {
			w.put(p, text)
			w.subject = "amend " + p
			s.Problems, err = l.problemsWith(name, stock, p, text)
			return err
		}
		if correctionsIn(p, text) <= correctionsIn(p, closedText) {
			if strings.TrimSpace(reason) == "" {
				return &UsageError{p + " was closed: a correction needs a reason", "say what was wrong: --reason \"...\""}
			}
			if n := len(text); n > 0 && text[n-1] != '\n' {
				text = append(slices.Clip(text), '\n')
			}
			text = append(slices.Clip(text), schema.EncodeTable("correction", &schema.Correction{Date: l.Today(), By: by, Reason: reason})...)
		}
		if s.Problems, err = l.problemsWith(name, stock, p, text); err != nil {
			return err
		}
		if n, _ := schema.Count(s.Problems); n > 0 {
			return &ProblemsError{"nothing was amended: what was closed must stay clean", s.Problems}
		}
		if left := disallowed(l.findings(p, text), o.Allow); len(left) > 0 {
			return &FindingsError{name, left}
		}
		// A file edited by hand in the meantime must say what is written.
		if data == nil && l.opt.DryRun == false && !bytes.Equal(text, was) {
			if err := l.rewrite(p, text); err != nil {
				return err
			}
		}
		w.put(p, text)
		w.subject = fmt.Sprintf("amend %s: %s", p, reason)
		_, author, err := l.idents()
		if err != nil {
			return err
		}
		commit := "correction of " + strings.TrimSuffix(parts[3], ".toml")
		loaded, err := l.load(name, stock, overlay{diskSource{l}, p, text})
		if err != nil {
			return err
		}
		ps.changed[p] = author
		r := &Review{Unit: name, loaded: loaded, past: ps, parent: head, before: tree,
			Files: []Travelling{{Path: p, What: "corrected", commit: commit}}}
		return w.travel(r, signer)
	})
	return s, err
}

// rewrite puts the final text of a hand-edited file on disk, so that the
// commit finds there what it writes.
func (l *Ledger) rewrite(p string, text []byte) error {
	return l.root.WriteFile(p, text, 0o644)
}

func correctionsIn(p string, data []byte) int {
	if path.Base(p) == "instrument.toml" {
		if i, _ := schema.Decode[schema.Instrument](p, data); i != nil {
			return len(i.Corrections)
		}
		return 0
	}
	return corrections(data)
}

// Undo takes back the last change on main that has not been closed, or the
// last one that touched the unit named. It is itself a commit: nothing is lost.
func (l *Ledger) Undo(name string) (Result, string, error) {
	var undone string
	res, err := l.update(func(w *writer) error {
		target, err := l.lastChange(w.head, name)
		if err != nil {
			return err
		}
		undone = strings.SplitN(target.subject, "\n", 2)[0]
		diff, err := l.repo.DiffTrees(target.before, target.after)
		if err != nil {
			return err
		}
		for _, d := range diff {
			now, ok, err := l.repo.TreeAt(w.tree, d.Path)
			if err != nil {
				return err
			}
			if ok != !d.New.Hash.IsZero() || ok && now.Hash != d.New.Hash {
				return &UsageError{fmt.Sprintf("%q cannot be taken back: %s was changed again since", undone, d.Path),
					"take back the later change first, or edit the file and run benchlore save"}
			}
			if d.Old.Hash.IsZero() {
				w.remove(d.Path)
				continue
			}
			data, err := l.repo.Blob(d.Old.Hash)
			if err != nil {
				return err
			}
			w.put(d.Path, data)
		}
		units := map[string]bool{}
		for _, d := range diff {
			if parts := strings.Split(d.Path, "/"); parts[0] == "instruments" && len(parts) > 3 {
				units[parts[1]+"/"+parts[2]] = true
			}
		}
		for u := range units {
			p, err := l.closedChanges(w, u)
			if err != nil {
				return err
			}
			if len(p) > 0 {
				return &UsageError{fmt.Sprintf("%q cannot be taken back: it has been closed and travels with the unit", undone),
					"correct the record instead: benchlore amend FILE --reason \"...\""}
			}
		}
		w.subject = "undo: " + undone
		w.trailers = append(w.trailers, trailer{"Undoes", target.hash.String()})
		return nil
	})
	return res, undone, err
}

type lastChange struct {
	hash          plumbing.Hash
	subject       string
	before, after plumbing.Hash // trees
}

// lastChange finds the newest commit on main's first-parent line that is
// neither an undo, nor undone, nor a close.
func (l *Ledger) lastChange(head plumbing.Hash, name string) (*lastChange, error) {
	undone := map[string]bool{}
	nothing := &UsageError{"there is nothing to take back", "what was closed is corrected with: benchlore amend FILE --reason \"...\""}
	for h := head; !h.IsZero(); {
		c, err := l.repo.Commit(h)
		if err != nil {
			return nil, err
		}
		parents, err := l.repo.Parents(c)
		if err != nil {
			return nil, err
		}
		if len(parents) == 0 {
			return nil, nothing
		}
		isUndo := false
		for _, t := range trailersOf(c.Message) {
			if t.key == "Undoes" {
				undone[t.value] = true
				isUndo = true
			}
		}
		before, err := l.repo.Commit(parents[0])
		if err != nil {
			return nil, err
		}
		touches := name == ""
		if !touches && !isUndo {
			a, _, err := l.repo.TreeAt(before.TreeHash, unitDir(name))
			if err != nil {
				return nil, err
			}
			b, _, err := l.repo.TreeAt(c.TreeHash, unitDir(name))
			if err != nil {
				return nil, err
			}
			touches = a.Hash != b.Hash
		}
		switch {
		case isUndo, undone[h.String()], !touches:
		case len(unitHeads(c.Message)) > 0:
			return nil, nothing
		case len(parents) > 1:
			return nil, &UsageError{"the last change is a merge", "take it back with git, if you must"}
		default:
			return &lastChange{h, c.Message, before.TreeHash, c.TreeHash}, nil
		}
		h = parents[0]
	}
	return nil, nothing
}
