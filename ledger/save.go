package ledger

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"reflect"
	"slices"
	"sort"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/schema"
	"benchlore/schema/unit"
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
	at := schema.ParsePath(p)
	return at.Is != schema.IsOther && !junkForm.MatchString(at.Name)
}

// Save commits hand edits, those staged with git included, and brings unit
// branches a crash left behind into step. Files that cannot be read as what
// they are named for, links, and closed records that changed without a reason
// are refused, and then nothing is written.
func (l *Ledger) Save() (SaveReport, error) {
	var out SaveReport
	stock, err := l.Catalog()
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
		var added []string
		for _, c := range changes {
			p := c.Path
			if !belongs(p) {
				out.LeftOut = append(out.LeftOut, p)
				continue
			}
			if at := schema.ParsePath(p); at.OfUnit() {
				units[at.Unit] = true
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
			if len(bytes.TrimSpace(data)) == 0 && strings.HasSuffix(p, ".toml") && c.Work == gitstore.Modified {
				// What a power cut leaves of a file that was being written.
				refuse(p, "is empty now", "run: git checkout HEAD -- "+p)
				continue
			}
			if c.Work == gitstore.Added || c.Staged == gitstore.Added {
				added = append(added, p)
			}
			if strings.HasSuffix(p, ".toml") || p == "signers" || p == "revoked" {
				problems := l.checkFile(p, data)
				if schema.Worst(problems) == schema.Unreadable {
					refused = append(refused, problems...)
				}
			}
		}
		for _, p := range added {
			if message, write, err := w.misplaced(p); err != nil {
				return err
			} else if message != "" {
				refuse(p, message, write)
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

// misplaced says why a new file may not be saved under its name: a copy of the
// ledger on a system that takes upper and lower case for the same would lose it,
// or another.
func (w *writer) misplaced(p string) (message, write string, err error) {
	if model, tag, ok := strings.Cut(schema.ParsePath(p).Unit, "/"); ok {
		if err := cmp.Or(CheckSlug("model", model), CheckSlug("tag", tag)); err != nil {
			return err.Error(), hintOf(err), nil
		}
	}
	dir := path.Dir(p)
	onDisk, err := w.l.list(dir)
	if err != nil {
		return "", "", err
	}
	var names []string
	for _, e := range onDisk {
		names = append(names, e.Name())
	}
	at := w.tree
	if dir != "." {
		e, _, err := w.l.repo.TreeAt(w.tree, dir)
		if err != nil {
			return "", "", err
		}
		at = e.Hash
	}
	if !at.IsZero() {
		entries, err := w.l.repo.Tree(at)
		if err != nil {
			return "", "", err
		}
		for _, e := range entries {
			if !w.removed[path.Join(dir, e.Name)] {
				names = append(names, e.Name)
			}
		}
	}
	base := path.Base(p)
	for _, n := range names {
		if n != base && strings.EqualFold(n, base) {
			return "differs from " + n + " only in upper and lower case; some systems cannot keep both", "rename one, then run save again", nil
		}
	}
	return "", "", nil
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
	at := schema.ParsePath(p)
	var problems []schema.Problem
	switch at.Is {
	case schema.IsShop:
		if err := schema.ShopFormat.Check(p, data); err != nil {
			return []schema.Problem{{File: p, Severity: schema.Unreadable, Message: strings.TrimPrefix(err.Error(), p+": "), Write: hintOf(err)}}
		}
		_, problems = schema.Decode[schema.Shop](p, data)
	case schema.IsFamilies:
		_, problems = schema.Decode[schema.Families](p, data)
	case schema.IsModel, schema.IsUnitModel:
		_, problems = schema.Decode[schema.Model](p, data)
	case schema.IsLot:
		_, problems = schema.Decode[schema.Lot](p, data)
	case schema.IsAdopted, schema.IsKey, schema.IsSigners, schema.IsRevoked:
		return checkTrustFile(p, data)
	case schema.IsBook:
		_, problems = schema.Decode[schema.Book](p, data)
	case schema.IsInstrument:
		if err := schema.InstrumentFormat.Check(p, data); err != nil {
			return []schema.Problem{{File: p, Severity: schema.Unreadable, Message: strings.TrimPrefix(err.Error(), p+": "), Write: hintOf(err)}}
		}
		_, problems = schema.Decode[schema.Instrument](p, data)
	case schema.IsRecord, schema.IsUnitFile:
		if schema.New(schema.Kind(at.Kind)) == nil {
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

// closedChanges reports files of a unit that were closed and that the gathered
// changes remove, or alter without saying why.
func (l *Ledger) closedChanges(w *writer, name string) ([]schema.Problem, error) {
	head, err := l.closedHead(name, w.head)
	if err != nil || head.IsZero() {
		return nil, err
	}
	c, err := l.repo.Commit(head)
	if err != nil {
		return nil, err
	}
	var out []schema.Problem
	for p := range w.removed {
		if rel, ok := strings.CutPrefix(p, unitDir(name)+"/"); ok {
			if _, was, err := l.repo.TreeAt(c.Tree, rel); err != nil {
				return nil, err
			} else if was {
				out = append(out, schema.Problem{File: p, Severity: schema.Unreadable, Message: "was closed: it has travelled and stays",
					Write: "put it back with git checkout HEAD -- " + p + "; a record that should never have been made gets withdrawn = true and a [[correction]]"})
			}
		}
	}
	for p, data := range w.files {
		rel, ok := strings.CutPrefix(p, unitDir(name)+"/")
		if !ok {
			continue
		}
		old, was, err := l.blobAt(c.Tree, rel)
		if err != nil {
			return nil, err
		}
		if q := closedChange(p, old, data); was && q != nil {
			q.Severity = schema.Unreadable
			out = append(out, *q)
		}
	}
	schema.Sort(out)
	return out, nil
}

// closedChange says what is wrong with a new version of a closed file, nil for
// nothing: records and what an instrument.toml said are corrected with a reason,
// its identity and attachments stay. Adding a fact to an instrument.toml is
// work, not a correction.
func closedChange(p string, old, data []byte) *schema.Problem {
	if bytes.Equal(old, data) {
		return nil
	}
	correct := func(message string) *schema.Problem {
		return &schema.Problem{File: p, Severity: schema.Wrong, Message: message, Write: "run: benchlore correct " + p + " --reason \"...\""}
	}
	const needs = "was closed: a change to it is a correction and needs a reason"
	at := schema.ParsePath(p)
	if at.Is != schema.IsRecord && at.Is != schema.IsInstrument {
		if at.Is == schema.IsUnitModel || at.Is == schema.IsUnitFile && at.Name == ".gitattributes" {
			return nil
		}
		return &schema.Problem{File: p, Severity: schema.Wrong, Message: "was closed: an attachment that has travelled stays as it is",
			Write: "put it back with git checkout HEAD -- " + p + ", and add the new one under another name"}
	}
	before, err := schema.ReadVersion(old)
	if err != nil {
		return nil // reported with the file
	}
	after, err := schema.ReadVersion(data)
	if err != nil {
		return nil
	}
	if was := before.Word("uuid"); at.Is == schema.IsInstrument && after.Word("uuid") != was {
		return &schema.Problem{File: p, Severity: schema.Wrong, Message: fmt.Sprintf("the unit's identity was changed; its history goes by %q", was),
			Write: fmt.Sprintf("put it back: uuid = %q", was)}
	}
	had := len(before.Corrections)
	switch {
	case len(after.Corrections) < had || !reflect.DeepEqual(before.Corrections, after.Corrections[:had:had]) && had > 0:
		return &schema.Problem{File: p, Severity: schema.Wrong, Message: "was closed with a correction that reads differently now or is gone; it stays, and another one follows",
			Write: "put it back with git checkout HEAD -- " + p + ", and run: benchlore correct " + p + " --reason \"...\""}
	case len(after.Corrections) > had+1:
		return correct("has several new corrections; each change of a closed file has one of its own")
	case len(after.Corrections) > had:
		if err := after.Corrections[had].Facts().Check(before, after); err != nil {
			return correct("has a new correction that does not fit what changed: " + err.Error())
		}
	case at.Is == schema.IsInstrument:
		if _, changed := schema.Blanks(before, after); len(changed) > 0 {
			return correct(needs)
		}
	default:
		return correct(needs)
	}
	return nil
}

// repair plans moving every unit branch that is behind what main names.
func (w *writer) repair() ([]string, error) {
	l := w.l
	names, err := l.Units()
	if err != nil {
		return nil, err
	}
	heads, _, err := l.closeHeads(w.head)
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

// Amended is one file to be corrected. Data nil takes it as it was edited by
// hand.
type Corrected struct {
	Path string
	Data []byte
}

// Correct corrects records of one unit. Where they have been closed a reason is
// needed: it is written into each as a [[correction]], and the corrected records
// go onto the unit's own history at once. What was closed must stay clean: a
// correction that would leave the history contradicting itself is refused, and
// several files may be corrected together for that.
func (l *Ledger) Correct(files []Corrected, by, reason string, o CloseOptions) (Saved, error) {
	var s Saved
	name, err := correctedUnit(files)
	if err != nil {
		return s, err
	}
	s.Path = files[0].Path
	signer, err := l.unitSigner()
	if err != nil {
		return s, err
	}
	stock, err := l.Catalog()
	if err != nil {
		return s, err
	}
	s.Result, err = l.update(func(w *writer) error {
		a := &correcting{l: l, w: w, name: name, stock: stock, by: by, reason: reason, texts: map[string][]byte{}, taken: map[string]bool{}}
		if err := a.branch(); err != nil {
			return err
		}
		// In the order of their commits: what two name travels with the first.
		ordered := slices.SortedFunc(slices.Values(files), func(a, b Corrected) int { return strings.Compare(a.Path, b.Path) })
		for _, f := range ordered {
			if err := a.file(f); err != nil {
				return err
			}
		}
		for p, text := range a.texts {
			w.put(p, text)
		}
		w.subject = "correct " + strings.Join(slices.Sorted(maps.Keys(a.texts)), ", ")
		if a.closed == nil {
			problems, err := l.problemsWith(name, stock, a.texts)
			s.Problems = problems
			return err
		}
		w.subject += ": " + reason
		r, err := a.review(o)
		if err != nil {
			return err
		}
		for p := range a.edited {
			// A file edited by hand must say what is written.
			if a.edited[p] && !l.opt.DryRun {
				if err := l.replace(p, a.texts[p]); err != nil {
					return err
				}
			}
		}
		return w.travel(r, signer)
	})
	return s, err
}

// correctedUnit is the unit all files belong to.
func correctedUnit(files []Corrected) (string, error) {
	name := ""
	for i := range files {
		p := strings.TrimPrefix(path.Clean(strings.ReplaceAll(files[i].Path, `\`, "/")), "./")
		files[i].Path = p
		at := schema.ParsePath(p)
		if at.Is != schema.IsRecord && at.Is != schema.IsInstrument {
			return "", &UsageError{fmt.Sprintf("%s is not a record of an instrument", p),
				"name the file by its path: instruments/MODEL/TAG/2031-03-04-parts-7q3f.toml; other files are saved with benchlore save"}
		}
		if name != "" && name != at.Unit {
			return "", &UsageError{fmt.Sprintf("%s is of another unit than %s", p, files[0].Path), "correct one unit at a time"}
		}
		name = at.Unit
	}
	return name, nil
}

// correcting gathers the corrections of one unit.
type correcting struct {
	l      *Ledger
	w      *writer
	name   string
	stock  *Catalog
	by     string
	reason string

	past   *past
	head   object.Hash       // of the unit's branch
	tree   object.Hash       // its tree
	texts  map[string][]byte // new texts, by path
	edited map[string]bool   // closed ones that were edited by hand
	closed map[string]bool   // those the branch has; nil: none
	taken  map[string]bool   // attachments that travel with a correction
}

func (a *correcting) branch() error {
	var err error
	if a.past, err = a.l.past(a.name, a.w.head); err != nil {
		return err
	}
	if a.head, _, err = a.l.branch(a.name, a.past); err != nil || a.head.IsZero() {
		return err
	}
	c, err := a.l.repo.Commit(a.head)
	if err == nil {
		a.tree = c.Tree
	}
	return err
}

// file takes one file in.
func (a *correcting) file(f Corrected) error {
	text := f.Data
	was, tracked, err := a.w.committed(f.Path)
	if err != nil {
		return err
	}
	if text == nil {
		if text, err = a.l.read(f.Path); errors.Is(err, fs.ErrNotExist) {
			return &UsageError{f.Path + " is not there", "see: benchlore show " + a.name}
		} else if err != nil {
			return err
		}
	}
	if !tracked {
		return &UsageError{f.Path + " has never been saved", "run: benchlore save"}
	}
	old, closed, err := a.l.blobAt(a.tree, path.Base(f.Path))
	if err != nil {
		return err
	}
	if bytes.Equal(text, was) && (!closed || bytes.Equal(text, old)) {
		return &UsageError{f.Path + " has not changed", "edit the file first, then run correct again"}
	}
	if problems := a.l.checkFile(f.Path, text); schema.Worst(problems) == schema.Unreadable {
		return &ProblemsError{"nothing was corrected", problems}
	}
	if !closed {
		a.texts[f.Path] = text
		return nil
	}
	if a.closed == nil {
		a.closed, a.edited = map[string]bool{}, map[string]bool{}
	}
	a.closed[f.Path] = true
	a.edited[f.Path] = f.Data == nil
	a.texts[f.Path], err = a.corrected(f.Path, old, text)
	return err
}

// corrected gives a closed file's new text the correction that names what changed:
// the one written by hand, or one of its own.
func (a *correcting) corrected(p string, old, text []byte) ([]byte, error) {
	before, err := schema.ReadVersion(old)
	if err != nil {
		return nil, &UsageError{fmt.Sprintf("%s cannot be read as it was closed: %v", p, err), "see: git show unit/" + a.name + ":" + path.Base(p)}
	}
	after, err := schema.ReadVersion(text)
	if err != nil {
		return nil, err
	}
	had := len(before.Corrections)
	if len(after.Corrections) < had || had > 0 && !reflect.DeepEqual(before.Corrections, after.Corrections[:had:had]) {
		return nil, &UsageError{p + " was closed with a correction that reads differently now or is gone", "put it back as it was: an earlier correction stays, and another one follows"}
	}
	var c schema.Correction
	switch len(after.Corrections) - had {
	case 0:
		if strings.TrimSpace(a.reason) == "" {
			return nil, &UsageError{p + " was closed: a correction needs a reason", "say what was wrong: --reason \"...\""}
		}
		c = schema.Correction{Date: a.l.Today(), By: a.by, Reason: a.reason}
	case 1:
		c = after.Corrections[had]
	default:
		return nil, &UsageError{fmt.Sprintf("%s has %d new corrections", p, len(after.Corrections)-had), "each change has one correction: write one, with one reason"}
	}
	c.Name(schema.FactsBetween(before, after))
	if c.Files, err = a.brought(p, text); err != nil {
		return nil, err
	}
	if len(after.Corrections) > had && reflect.DeepEqual(after.Corrections[had], c) {
		return text, nil
	}
	if len(after.Corrections) == had {
		if n := len(text); n > 0 && text[n-1] != '\n' {
			text = append(slices.Clip(text), '\n')
		}
		out := append(slices.Clip(text), schema.EncodeTable("correction", &c)...)
		if _, err := schema.ReadVersion(out); err == nil {
			return out, nil
		}
		// Earlier ones stand in one line, to which none can be added.
	}
	return schema.WithCorrections(text, append(slices.Clip(before.Corrections), c)), nil
}

// brought are the attachments that travel with a correction: those the file names
// and the unit's history does not have yet.
func (a *correcting) brought(p string, text []byte) ([]schema.BroughtFile, error) {
	rec, _ := schema.DecodeRecord(p, text)
	if rec == nil {
		return nil, nil
	}
	var out []schema.BroughtFile
	for _, at := range attachments(rec) {
		if _, has, err := a.l.blobAt(a.tree, at); err != nil || has || a.taken[at] {
			if err != nil {
				return nil, err
			}
			continue
		}
		data, ok, err := a.w.committed(unitDir(a.name) + "/" + at)
		if err != nil {
			return nil, err
		}
		if ok { // else reported when it is to travel
			out = append(out, schema.BroughtFile{File: at, SHA256: proof.Digest(data)})
			a.taken[at] = true
		}
	}
	return out, nil
}

// review puts together what goes onto the unit's branch, and refuses what
// would leave it in disorder.
func (a *correcting) review(o CloseOptions) (*Review, error) {
	branch := treeSource{a.l, a.tree, unitDir(a.name)}
	before, err := a.l.load(a.name, a.stock, branch)
	if err != nil {
		return nil, err
	}
	_, author, err := a.l.idents()
	if err != nil {
		return nil, err
	}
	r := &Review{Unit: a.name, past: a.past, parent: a.head, before: a.tree}
	changed := map[string][]byte{}
	for _, p := range slices.Sorted(maps.Keys(a.closed)) {
		commit := "correction of " + strings.TrimSuffix(path.Base(p), ".toml")
		changed[p] = a.texts[p]
		r.Files = append(r.Files, Travelling{Path: p, What: "corrected", commit: commit})
		a.past.changed[p] = author
		// Attachments the correction names travel with it.
		rec, _ := schema.DecodeRecord(p, a.texts[p])
		if rec == nil {
			continue
		}
		for _, at := range attachments(rec) {
			q := unitDir(a.name) + "/" + at
			if _, has, err := a.l.blobAt(a.tree, at); err != nil || has {
				if err != nil {
					return nil, err
				}
				continue
			}
			data, ok, err := a.w.committed(q)
			if err != nil {
				return nil, err
			}
			if !ok {
				return nil, &UsageError{q + " has never been saved", "put the file there and run: benchlore save"}
			}
			changed[q] = data
			r.Files = append(r.Files, Travelling{Path: q, What: "new", commit: commit})
		}
	}
	if r.loaded, err = a.l.load(a.name, a.stock, overlay{branch, changed}); err != nil {
		return nil, err
	}
	for p, data := range changed {
		r.loaded.Files[p] = data
	}
	if worse := newErrors(before.Problems, r.loaded.Problems); len(worse) > 0 {
		return nil, &ProblemsError{"nothing was corrected: what was closed must stay clean", worse}
	}
	search, err := a.l.newSearch()
	if err != nil {
		return nil, err
	}
	for _, f := range r.Files {
		r.look(search, f.Path, changed[f.Path])
	}
	if left, unknown := disallowed(r.Findings, o.Allow); len(left) > 0 {
		return nil, &FindingsError{a.name, left, unknown}
	}
	return r, nil
}

// attachments lists the pictures and other files a record names.
func attachments(rec schema.Record) []string { return unit.File{Record: rec}.Attachments() }

// newErrors are the errors after that were not there before.
func newErrors(before, after []schema.Problem) []schema.Problem {
	type key struct{ file, message string }
	had := map[key]bool{}
	for _, p := range before {
		had[key{p.File, p.Message}] = true
	}
	var out []schema.Problem
	for _, p := range after {
		if p.Severity > schema.Warned && !had[key{p.File, p.Message}] {
			out = append(out, p)
		}
	}
	return out
}

// correctionsOf are the corrections a record or an instrument.toml carries.
func correctionsOf(p string, data []byte) []schema.Correction {
	if path.Base(p) == "instrument.toml" {
		if i, _ := schema.Decode[schema.Instrument](p, data); i != nil {
			return i.Corrections
		}
		return nil
	}
	if rec, _ := schema.DecodeRecord(p, data); rec != nil {
		return rec.Head().Corrections
	}
	return nil
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
		if name != "" {
			// Only what is the unit's: the same save may have touched others, and
			// a model it began may serve them by now.
			diff = slices.DeleteFunc(diff, func(d gitstore.TreeChange) bool { return !strings.HasPrefix(d.Path, unitDir(name)+"/") })
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
			if at := schema.ParsePath(d.Path); at.OfUnit() {
				units[at.Unit] = true
			}
		}
		for u := range units {
			p, err := l.closedChanges(w, u)
			if err != nil {
				return err
			}
			if len(p) > 0 {
				return &UsageError{fmt.Sprintf("%q cannot be taken back: it has been closed and travels with the unit", undone),
					"correct the record instead: benchlore correct FILE --reason \"...\""}
			}
		}
		w.subject = "undo: " + undone
		w.trailers = append(w.trailers, trailer{"Undoes", target.hash.String()})
		return nil
	})
	return res, undone, err
}

type lastChange struct {
	hash          object.Hash
	subject       string
	before, after object.Hash // trees
}

// lineOf is the parent of a merge whose folder of a unit is the merge's, the
// first where there is none.
func (l *Ledger) lineOf(c *object.Commit, parents []object.Hash, name string) (object.Hash, error) {
	here, _, err := l.repo.TreeAt(c.Tree, unitDir(name))
	if err != nil {
		return object.ZeroHash, err
	}
	for _, p := range parents {
		pc, err := l.repo.Commit(p)
		if err != nil {
			return object.ZeroHash, err
		}
		if e, _, err := l.repo.TreeAt(pc.Tree, unitDir(name)); err != nil || e.Hash == here.Hash {
			return p, err
		}
	}
	return parents[0], nil
}

// lastChange finds the newest commit on main's first-parent line that is
// neither an undo, nor undone, nor a close.
func (l *Ledger) lastChange(head object.Hash, name string) (*lastChange, error) {
	undone := map[string]bool{}
	nothing := &UsageError{"there is nothing to take back", "what was closed is corrected with: benchlore correct FILE --reason \"...\""}
	newest := true
	folder := l.repo.Follow(unitDir(name))
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
		next := parents[0]
		if name != "" && len(parents) > 1 {
			// The line on which the unit came to be as it is.
			if next, err = l.lineOf(c, parents, name); err != nil {
				return nil, err
			}
		}
		before, err := l.repo.Commit(next)
		if err != nil {
			return nil, err
		}
		touches := name == ""
		if !touches && !isUndo {
			a, err := folder.Folder(before.Tree)
			if err != nil {
				return nil, err
			}
			b, err := folder.Folder(c.Tree)
			if err != nil {
				return nil, err
			}
			touches = a != b
		}
		switch {
		case name != "" && !unitHeads(c.Message)[name].IsZero() && len(parents) == 1:
			return nil, nothing
		case name == "" && len(unitHeads(c.Message)) > 0:
			if newest {
				return nil, &UsageError{fmt.Sprintf("the last change is %q, which stays", strings.SplitN(c.Message, "\n", 2)[0]),
					"name the unit whose last change is to be taken back: benchlore undo UNIT"}
			}
			return nil, nothing
		case isUndo, undone[h.String()], !touches, before.Tree == c.Tree:
		case len(parents) > 1:
			return nil, &UsageError{"the last change is an exchange with another bench, which stays",
				"name the unit whose last change is to be taken back: benchlore undo UNIT"}
		default:
			return &lastChange{h, c.Message, before.Tree, c.Tree}, nil
		}
		newest = newest && (isUndo || before.Tree == c.Tree)
		h = next
	}
	return nil, nothing
}
