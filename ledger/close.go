package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"benchlore/ledger/disclosure"
	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/sshkey"
	"benchlore/ledger/proof/growth"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// Review is what a close would put on the unit's own history, for somebody to
// look at before it can no longer be taken out.
type Review struct {
	Unit     string           `json:"unit"`
	Files    []Travelling     `json:"files"` // in the order of their commits
	Findings []Finding        `json:"findings"`
	Problems []schema.Problem `json:"problems"`
	Open     bool             `json:"open"` // the job has no release yet

	Unseen  []disclosure.Unseen `json:"unseen"`  // files that could not be looked into
	NoNames bool                `json:"noNames"` // private/ names nobody, so nobody was looked for
	Mails   []string            `json:"mails"`   // whose names and mail addresses the commits will carry

	loaded *Loaded
	past   *past
	parent object.Hash // the branch before
	before object.Hash // its tree
	model  []byte      // the model as it stands now, where the unit's copy differs; nil: it does not
}

// Travelling is one file that would travel.
type Travelling struct {
	Path    string `json:"path"`
	What    string `json:"what"` // new, corrected, changed
	Summary string `json:"summary"`
	commit  string // subject of its commit
}

// Review reads what closing a unit would do.
func (l *Ledger) Review(name string, stock *Catalog) (*Review, error) {
	head, tree, err := l.mainTree()
	if err != nil {
		return nil, err
	}
	return l.review(name, stock, head, tree)
}

// ReviewUnsaved reads what closing a unit would do. Where hand edits are not
// saved, or this copy has only part of the history, there is no review: then it
// names the files that are not saved.
func (l *Ledger) ReviewUnsaved(name string, stock *Catalog) (r *Review, unsaved []string, err error) {
	if l.repo.Shallow || l.repo.Partial {
		return nil, nil, nil
	}
	r, err = l.Review(name, stock)
	var u *UnsavedError
	if errors.As(err, &u) {
		return nil, u.Files, nil
	}
	return r, nil, err
}

// partOnly refuses what a shallow or partial clone may not do.
func (l *Ledger) partOnly(what string) error {
	remedy := "fetch the rest: git fetch --unshallow"
	if l.repo.Partial {
		// A later fetch leaves git thinking that objects may be missing.
		remedy = "clone again without --filter, and bring over what was recorded here with: git pull " + filepath.ToSlash(l.Dir) + " main"
	}
	return &UsageError{"this copy has only part of the history, so it may read and record but not " + what, remedy}
}

func (l *Ledger) review(name string, stock *Catalog, head, tree object.Hash) (*Review, error) {
	r := &Review{Unit: name}
	if l.repo.Shallow || l.repo.Partial {
		return nil, l.partOnly("close")
	}
	if err := l.unsaved(tree, unitDir(name), "models", "lots", "shop.toml", "families.toml"); err != nil {
		return nil, err
	}
	var err error
	if r.loaded, err = l.Unit(name, stock); err != nil {
		return nil, err
	}
	if r.past, err = l.past(name, head); err != nil {
		return nil, err
	}
	want, _, err := l.branch(name, r.past)
	if err != nil {
		return nil, err
	}
	r.parent = want
	if !want.IsZero() {
		c, err := l.repo.Commit(want)
		if err != nil {
			return nil, err
		}
		r.before = c.Tree
	}
	if want.IsZero() {
		if _, closed, err := l.repo.TreeAt(tree, unitDir(name)+"/model.toml"); err != nil {
			return nil, err
		} else if closed {
			return nil, &UsageError{name + " was closed before, but its branch is not in this copy",
				"fetch it: git fetch REMOTE " + unitRef(name) + ":" + unitRef(name)}
		}
	}
	sub, _, err := l.repo.TreeAt(tree, unitDir(name))
	if err != nil {
		return nil, err
	}
	diff, err := l.repo.DiffTrees(r.before, sub.Hash)
	if err != nil {
		return nil, err
	}
	changed := map[string]bool{}
	for _, d := range diff {
		p := unitDir(name) + "/" + d.Path
		if d.New.Hash.IsZero() {
			if d.Path == "model.toml" {
				continue // written again by the close
			}
			r.problem(p, "was closed and is gone from main", "put it back: git checkout "+want.String()[:10]+" -- "+d.Path+" in a copy of the branch; "+
				"a record that should never have been made gets withdrawn = true and a [[correction]]")
			continue
		}
		changed[p] = !d.Old.Hash.IsZero()
	}
	r.order(changed)
	if err := r.addModel(l, tree); err != nil {
		return nil, err
	}
	for _, p := range r.loaded.Problems {
		if _, touched := changed[p.File]; !touched && !r.before.IsZero() {
			p = closedAhead(p)
		}
		r.Problems = append(r.Problems, p)
	}
	conflicts, err := l.conflictProblems(name)
	if err != nil {
		return nil, err
	}
	r.Problems = append(r.Problems, conflicts...)
	r.Problems = append(r.Problems, lateProblems(l, r, tree, changed)...)
	r.Problems = append(r.Problems, digestProblems(r.loaded, func(p string) (string, error) {
		data, ok, err := l.blobAt(tree, p)
		if err == nil && !ok {
			err = fs.ErrNotExist
		}
		sum := sha256.Sum256(data)
		return hex.EncodeToString(sum[:]), err
	})...)
	job := r.loaded.OpenJob()
	r.Open = job != nil
	search, err := l.newSearch()
	if err != nil {
		return nil, err
	}
	for _, f := range r.Files {
		data, ok := r.loaded.Files[f.Path]
		if !ok {
			if data, _, err = l.blobAt(tree, f.Path); err != nil {
				return nil, err
			}
		}
		r.look(search, f.Path, data)
	}
	r.NoNames = search.Blind()
	if err := r.mails(l); err != nil {
		return nil, err
	}
	schema.Sort(r.Problems)
	return r, nil
}

// closedAhead makes a warning of a problem of what is closed, where that is a day to
// come: the clock ran ahead, which keeps nobody from going on.
func closedAhead(p schema.Problem) schema.Problem {
	if unit.Ahead(p) {
		p.Severity = schema.Warned
		p.Write = "the clock ran ahead when it was closed; a corrected date says so: benchlore correct " + p.File
	}
	return p
}

func (r *Review) problem(p, message, write string) {
	r.Problems = append(r.Problems, schema.Problem{File: p, Severity: schema.Wrong, Message: message, Write: write})
}

// lateProblems reports files that were closed and are different now without
// saying why.
func lateProblems(l *Ledger, r *Review, tree object.Hash, changed map[string]bool) []schema.Problem {
	var out []schema.Problem
	for p, was := range changed {
		if !was {
			continue
		}
		old, ok, err := l.blobAt(r.before, strings.TrimPrefix(p, unitDir(r.Unit)+"/"))
		if err != nil || !ok {
			continue
		}
		data, ok := r.loaded.Files[p]
		if !ok {
			if data, _, err = l.blobAt(tree, p); err != nil {
				continue
			}
		}
		if q := closedChange(p, old, data); q != nil {
			out = append(out, *q)
		}
	}
	schema.Sort(out)
	return out
}

// order lists the travelling files as they will be committed: what the unit is
// first, then the records as the work went, each with its attachments.
func (r *Review) order(changed map[string]bool) {
	left := map[string]bool{}
	for p := range changed {
		left[p] = true
	}
	word := func(p string) string {
		switch {
		case !changed[p]:
			return "new"
		case path.Base(p) == "instrument.toml" || path.Base(p) == "model.toml":
			return "changed"
		}
		return "corrected"
	}
	add := func(p, summary, commit string) {
		if left[p] {
			delete(left, p)
			r.Files = append(r.Files, Travelling{Path: p, What: word(p), Summary: summary, commit: commit})
		}
	}
	dir := unitDir(r.Unit)
	i := r.loaded.Instrument
	opening := fmt.Sprintf("instrument: %s %s", i.Maker, i.Model)
	add(dir+"/.gitattributes", "keeps git from changing any byte", opening)
	add(dir+"/instrument.toml", fmt.Sprintf("%s %s", i.Maker, i.Model), opening)
	for k := range r.loaded.Unit.Files {
		f := &r.loaded.Unit.Files[k]
		h := f.Record.Head()
		subject := fmt.Sprintf("%s %s", h.Date, h.Kind)
		if changed[f.Path] {
			subject = fmt.Sprintf("correction of %s", f.Name())
		}
		add(f.Path, schema.Summary(f.Record), subject)
		for _, at := range attachments(f.Record) {
			add(dir+"/"+at, "goes with "+f.Name(), subject)
		}
	}
	rest := make([]string, 0, len(left))
	for p := range left {
		rest = append(rest, p)
	}
	sort.Strings(rest)
	for _, p := range rest {
		if path.Base(p) == "model.toml" {
			continue // the close itself writes it
		}
		add(p, "no record names it", "other files")
	}
}

// addModel puts the model as it stands now at the end of what travels.
func (r *Review) addModel(l *Ledger, tree object.Hash) error {
	model, ok, err := l.blobAt(tree, "models/"+modelOf(r.Unit)+".toml")
	if err != nil || !ok {
		return err
	}
	p := unitDir(r.Unit) + "/model.toml"
	own, had, err := l.blobAt(tree, p)
	if err != nil || bytes.Equal(model, own) {
		return err
	}
	what := "new"
	if had {
		what = "changed"
	}
	r.model = model
	r.loaded.Files[p] = model
	r.Files = append(r.Files, Travelling{Path: p, What: what, Summary: "the model as it stands now",
		commit: "model: " + r.loaded.Model.Maker + " " + r.loaded.Model.Name})
	return nil
}

// CloseOptions are what somebody decided on reading the review.
type CloseOptions struct {
	Allow []string // keys of findings of the review that may travel all the same
}

// Ready says why a review cannot be closed, nil where it can.
// Errors: *ProblemsError where the records are not clean, *FindingsError where
// something was found that should not travel, *UsageError.
func (r *Review) Ready(o CloseOptions) error {
	if n, _ := schema.Count(r.Problems); n > 0 {
		return &ProblemsError{r.Unit + " cannot be closed", r.Problems}
	}
	if r.Open {
		return &UsageError{fmt.Sprintf("%s cannot be closed: the job that began on %s has no release", r.Unit, r.loaded.OpenJob().IntakeRecord().Date),
			"write the release first: benchlore record release --works fully"}
	}
	if left, unknown := disallowed(r.Findings, o.Allow); len(left) > 0 {
		return &FindingsError{r.Unit, left, unknown}
	}
	if len(r.Files) == 0 {
		return &UsageError{fmt.Sprintf("%s: everything is closed already", r.Unit), "nothing to do; see: benchlore history " + r.Unit}
	}
	return nil
}

// CloseJob puts everything that is new on the unit's own branch: one commit
// for what the unit is, one for each record, the model last. Errors: those of
// [Review.Ready] and of writing.
func (l *Ledger) CloseJob(name string, o CloseOptions) (Result, error) {
	signer, err := l.unitSigner()
	if err != nil {
		return Result{}, err
	}
	stock, err := l.Catalog()
	if err != nil {
		return Result{}, err
	}
	return l.update(func(w *writer) error {
		r, err := l.review(name, stock, w.head, w.tree)
		if err != nil {
			return err
		}
		if err := r.Ready(o); err != nil {
			return err
		}
		if r.model != nil {
			w.put(unitDir(name)+"/model.toml", r.model)
		}
		if err := w.travel(r, signer); err != nil {
			return err
		}
		w.subject = "close " + name
		return nil
	})
}

// travel writes the unit commits of a review and moves the branch.
func (w *writer) travel(r *Review, signer sshkey.Signer) error {
	l := w.l
	committer, _, err := l.unitIdents()
	if err != nil {
		return err
	}
	prefix := unitDir(r.Unit) + "/"
	head, tree := r.parent, r.before
	commits := 0
	for i := 0; i < len(r.Files); {
		// One commit takes a record together with its attachments.
		subject := r.Files[i].commit
		changes := map[string]*object.Hash{}
		author := committer
		var records []string
		for first := true; i < len(r.Files) && r.Files[i].commit == subject; i++ {
			f := r.Files[i]
			isRecord := schema.ParsePath(f.Path).Is == schema.IsRecord
			if isRecord && len(records) > 0 {
				break // another record of the same day and kind
			}
			data, ok := r.loaded.Files[f.Path]
			if !ok {
				if data, ok, err = w.committed(f.Path); err != nil {
					return err
				} else if !ok {
					return fmt.Errorf("%s is not on main", f.Path)
				}
			}
			h, err := w.tx.WriteBlob(data)
			if err != nil {
				return err
			}
			changes[strings.TrimPrefix(f.Path, prefix)] = &h
			if first || isRecord {
				author = l.onHistory(r.author(f, committer))
				first = false
			}
			if isRecord {
				records = append(records, path.Base(f.Path))
			}
		}
		if tree, err = w.tx.UpdateTree(tree, changes); err != nil {
			return err
		}
		var trailers []trailer
		for _, rec := range records {
			trailers = append(trailers, trailer{"Record", rec})
		}
		trailers = append(trailers, trailer{"Instrument", r.loaded.Instrument.UUID})
		spec := gitstore.CommitSpec{Tree: tree, Author: author, Committer: committer, Message: message(subject, trailers), Sign: signer}
		if !head.IsZero() {
			spec.Parents = []object.Hash{head}
		}
		if head, err = w.tx.WriteCommit(spec); err != nil {
			return err
		}
		commits++
	}
	grown, err := l.grown(head, nil)
	if err != nil {
		return err
	}
	if grown.Worst() > growth.Told {
		return &ProblemsError{r.Unit + ": what was closed before would be changed or taken out; nothing was closed", growthProblems(r.Unit, grown)}
	}
	old, _, err := l.repo.Ref(unitRef(r.Unit))
	if err != nil {
		return err
	}
	w.units = append(w.units, gitstore.RefUpdate{Name: unitRef(r.Unit), Old: old, New: head})
	w.trailers = append(w.trailers, trailer{headTrailer, r.Unit + " " + head.String()})
	w.marker = true
	w.result.Unseen = r.Unseen
	w.result.Unit, w.result.Head, w.result.Commits, w.result.Signed = r.Unit, head.String(), commits, fingerprint(signer)
	return nil
}

// author is who first saved a new file, or last changed one that was closed
// before; the one who closes where main does not say.
func (r *Review) author(f Travelling, closer gitstore.Ident) gitstore.Ident {
	from := r.past.saved
	if f.What != "new" {
		from = r.past.changed
	}
	if who, ok := from[f.Path]; ok {
		return who
	}
	return closer
}

// mails lists whose names and mail addresses the commits of a close will carry.
func (r *Review) mails(l *Ledger) error {
	committer, _, err := l.unitIdents()
	if _, nobody := errors.AsType[*config.IdentityError](err); nobody {
		return nil // closing will say so
	} else if err != nil {
		return err
	}
	add := func(id gitstore.Ident) {
		if s := fmt.Sprintf("%s <%s>", id.Name, id.Email); !slices.Contains(r.Mails, s) {
			r.Mails = append(r.Mails, s)
		}
	}
	for _, f := range r.Files {
		add(l.onHistory(r.author(f, committer)))
	}
	if len(r.Files) > 0 {
		add(committer)
	}
	return nil
}

// UnsavedError says that files differ from what main has.
type UnsavedError struct{ Files []string }

func (e *UnsavedError) Error() string {
	return fmt.Sprintf("not saved yet: %s", strings.Join(e.Files, ", "))
}

// Hint names the next step.
func (e *UnsavedError) Hint() string { return "save hand edits first: benchlore save" }

// unsaved reports hand edits, in the files and folders named, that main does
// not have.
func (l *Ledger) unsaved(tree object.Hash, where ...string) error {
	have := map[string]object.Hash{}
	var names []string
	for _, p := range where {
		e, ok, err := l.repo.TreeAt(tree, p)
		if err != nil {
			return err
		}
		if ok && e.Mode.IsFile() {
			have[p] = e.Hash
		} else if ok {
			diff, err := l.repo.DiffTrees(object.ZeroHash, e.Hash)
			if err != nil {
				return err
			}
			for _, d := range diff {
				have[p+"/"+d.Path] = d.New.Hash
			}
		}
		fi, err := l.root.Lstat(p)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return err
		case fi.IsDir():
			below, err := diskSource{l}.names(p)
			if err != nil {
				return err
			}
			names = append(names, below...)
		default:
			names = append(names, p)
		}
	}
	var files []string
	for _, p := range names {
		h, ok := have[p]
		delete(have, p)
		if !ok {
			files = append(files, p)
			continue
		}
		data, err := l.root.ReadFile(p)
		if err != nil {
			return err
		}
		if gitstore.HashBlob(data) != h {
			files = append(files, p)
		}
	}
	for p := range have {
		files = append(files, p)
	}
	if files != nil {
		sort.Strings(files)
		return &UnsavedError{files}
	}
	return nil
}

// Finding is something in a file about to travel that perhaps should not.
type Finding = disclosure.Finding

// FindingsError carries what would have travelled.
type FindingsError struct {
	Unit     string
	Findings []Finding
	Unknown  []string // what was to be allowed and is the key of no finding
}

func (e *FindingsError) Error() string {
	if len(e.Findings) == 1 {
		return fmt.Sprintf("nothing was put on the history of %s: 1 thing in it looks as if it should not travel", e.Unit)
	}
	return fmt.Sprintf("nothing was put on the history of %s: %d things in it look as if they should not travel", e.Unit, len(e.Findings))
}

// Hint names the next step.
func (e *FindingsError) Hint() string {
	s := "take them out, or let one through by its key, such as --allow " + e.Findings[0].Key
	if len(e.Unknown) > 0 {
		s = fmt.Sprintf("--allow takes the key that stands behind a finding, and %q is none of these\n  ", e.Unknown[0]) + s
	}
	return s
}

// customers reads private/. What cannot be read there cannot be searched for,
// and so stops whoever asks.
func (l *Ledger) customers() ([]disclosure.Person, error) {
	files, err := diskSource{l}.names("private")
	if err != nil {
		return nil, err
	}
	var people []disclosure.Person
	for _, p := range files {
		if !strings.HasSuffix(p, ".toml") {
			continue
		}
		data, err := l.read(p)
		if err != nil {
			return nil, err
		}
		c, problems := schema.Decode[schema.Customers](p, data)
		if n, _ := schema.Count(problems); c == nil || n > 0 {
			return nil, &ProblemsError{p + " is not in order, so nothing can be searched for the names in it", problems}
		}
		for _, who := range c.Customers {
			people = append(people, disclosure.Person{Name: who.Name, Phone: who.Phone, Email: who.Email, Address: who.Address, Note: who.Note})
		}
	}
	return people, nil
}

// newSearch is a search for what private/ names, and for what else looks private.
func (l *Ledger) newSearch() (*disclosure.Search, error) {
	people, err := l.customers()
	if err != nil {
		return nil, err
	}
	// The shop's own particulars stand in every report.
	var public []string
	if l.Shop != nil {
		public = append(public, l.Shop.Name, l.Shop.Contact)
		for _, t := range l.Shop.Technicians {
			public = append(public, t.Name)
		}
	}
	return disclosure.NewSearch(people, public), nil
}

// look adds what a file about to travel holds to a review.
func (r *Review) look(s *disclosure.Search, p string, data []byte) {
	rep := s.File(p, data)
	r.Findings = append(r.Findings, rep.Findings...)
	r.Unseen = append(r.Unseen, rep.Unseen...)
}

// disallowed returns the findings nobody let through, and the keys that let
// nothing through. A key stands for one finding.
func disallowed(all []Finding, allow []string) (left []Finding, unknown []string) {
	allowed := map[string]bool{}
	for _, k := range allow {
		allowed[strings.ToLower(strings.TrimSpace(k))] = true
	}
	for _, f := range all {
		if allowed[f.Key] {
			delete(allowed, f.Key)
			continue
		}
		left = append(left, f)
	}
	for _, k := range allow {
		if allowed[strings.ToLower(strings.TrimSpace(k))] {
			unknown = append(unknown, k)
		}
	}
	return left, unknown
}
