package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/index"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/schema"
)

// CheckReport is the outcome of checking a ledger, or one unit of it.
type CheckReport struct {
	Units    int              `json:"units"`
	Records  int              `json:"records"`
	Models   int              `json:"models"`
	Lots     int              `json:"lots"`
	Problems []schema.Problem `json:"problems"` // of records and other files
	Git      []GitProblem     `json:"git"`      // of the histories
}

// GitProblem is something wrong with a history or with git's state.
type GitProblem struct {
	Unit    string `json:"unit,omitempty"`
	What    string `json:"what"`
	Remedy  string `json:"remedy"`
	Warning bool   `json:"warning,omitempty"`
}

// Clean reports whether there are no errors; warnings do not count.
func (r *CheckReport) Clean() bool {
	n, _ := schema.Count(r.Problems)
	return n == 0 && !slices.ContainsFunc(r.Git, func(g GitProblem) bool { return !g.Warning })
}

// Check reads everything, or only the units named, and holds files against
// the rules and the units' branches against main. It changes nothing.
func (l *Ledger) Check(only ...string) (*CheckReport, error) {
	r := &CheckReport{}
	stock, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	r.Models, r.Lots = len(stock.Models), len(stock.Lots)
	r.Problems, r.Git = []schema.Problem{}, []GitProblem{}
	owner := map[string]string{} // by UUID
	visit := func(name string, u checked) error {
		if id := u.UUID; id != "" {
			if first, ok := owner[id]; ok {
				r.Problems = append(r.Problems, schema.Problem{File: unitDir(name) + "/instrument.toml", Severity: schema.Wrong,
					Message: "has the identity of " + first + " (uuid " + id + ")", Write: "a folder that was copied needs a new one: benchlore new makes it"})
			}
			owner[id] = name
		}
		r.Units++
		r.Records += u.Records
		r.Problems = append(r.Problems, u.Problems...)
		return nil
	}
	histories := func() error { return l.checkHistories(r, only, l.repo.Changes) }
	if len(only) == 0 {
		r.Problems = append(r.Problems, stock.Problems...)
		if err := l.checkShop(r); err != nil {
			return nil, err
		}
		view, err := l.View(stock)
		if err != nil {
			return nil, err
		}
		// The histories are looked at beside the files: neither keeps all
		// processors busy to its end.
		var beside CheckReport
		ended := make(chan error, 1)
		go func() { ended <- l.checkHistories(&beside, nil, view.files.Changes) }()
		histories = sync.OnceValue(func() error {
			err := <-ended
			r.Git = append(r.Git, beside.Git...)
			return err
		})
		defer histories() // nothing goes on behind a check that failed
		if err := Derive(view, "check", l.checkUnit, visit); err != nil {
			return nil, err
		}
		if err := l.checkPlaces(r); err != nil {
			return nil, err
		}
		if err := l.checkBooks(r); err != nil {
			return nil, err
		}
		var private *ProblemsError
		if _, err := l.customers(); errors.As(err, &private) {
			r.Problems = append(r.Problems, private.Problems...)
		} else if err != nil {
			return nil, err
		}
	}
	conflicts := only
	if len(only) == 0 {
		conflicts = []string{""}
	}
	for _, name := range conflicts {
		p, err := l.conflictProblems(name)
		if err != nil {
			return nil, err
		}
		r.Problems = append(r.Problems, p...)
	}
	for _, name := range only {
		u, err := l.Unit(name, stock)
		if err != nil {
			return nil, err
		}
		c, err := l.checkUnit(name, u)
		if err != nil {
			return nil, err
		}
		if err := visit(name, c); err != nil {
			return nil, err
		}
	}
	if err := histories(); err != nil {
		return nil, err
	}
	schema.Sort(r.Problems)
	return r, nil
}

// checked is what the files of one unit tell.
type checked struct {
	UUID     string
	Records  int
	Problems []schema.Problem
}

func (l *Ledger) checkUnit(_ string, u *Loaded) (checked, error) {
	problems := append(u.Problems, digestProblems(u, l.digest)...)
	if n := len(u.Jobs); n > 0 && u.Jobs[n-1].Release != nil {
		// As close will have it; what is closed already is not gone into again.
		if stops := u.SafetyStops(u.Jobs[n-1]); stops != nil {
			head, _, err := l.mainTree()
			if err != nil {
				return checked{}, err
			}
			closed, err := l.closedFiles(u.Name, head)
			if err != nil {
				return checked{}, err
			}
			if !closed[path.Base(u.Jobs[n-1].Release.Path)] {
				problems = append(problems, stops...)
			}
		}
	}
	return checked{u.Instrument.UUID, len(u.Unit.Files), problems}, nil
}

func (l *Ledger) checkShop(r *CheckReport) error {
	data, err := l.read("shop.toml")
	if err != nil {
		return err
	}
	_, problems := schema.Decode[schema.Shop]("shop.toml", data)
	r.Problems = append(r.Problems, problems...)
	if err := each(l, listsDir, func(_, p string, data []byte) {
		_, problems := schema.Decode[schema.ListForm](p, data)
		r.Problems = append(r.Problems, problems...)
	}, &r.Problems); err != nil {
		return err
	}
	data, err = l.read(".gitattributes")
	if errors.Is(err, fs.ErrNotExist) || err == nil && !strings.Contains(string(data), strings.TrimSpace(Attributes)) {
		r.Problems = append(r.Problems, schema.Problem{File: ".gitattributes", Severity: schema.Wrong,
			Message: "does not keep git from changing bytes", Write: "it must hold the line: " + strings.TrimSpace(Attributes)})
		return nil
	}
	return err
}

// checkPlaces reports folders that are named so that some system cannot keep
// them.
func (l *Ledger) checkPlaces(r *CheckReport) error {
	for _, top := range []string{"instruments", "books"} {
		models, err := l.list(top)
		if err != nil {
			return err
		}
		for _, m := range models {
			at := top + "/" + m.Name()
			if !m.IsDir() {
				r.Problems = append(r.Problems, schema.Problem{File: at, Severity: schema.Wrong, Message: "does not belong in " + top + "/",
					Write: "each model has a folder there, with one folder for each unit"})
				continue
			}
			if err := CheckSlug("model", m.Name()); err != nil {
				r.Problems = append(r.Problems, schema.Problem{File: at, Severity: schema.Wrong, Message: err.Error(), Write: hintOf(err)})
			}
			tags, err := l.list(at)
			if err != nil {
				return err
			}
			for _, t := range tags {
				p := at + "/" + t.Name()
				if !t.IsDir() {
					r.Problems = append(r.Problems, schema.Problem{File: p, Severity: schema.Wrong, Message: "does not belong in " + at + "/",
						Write: "each unit has a folder of its own there"})
					continue
				}
				if err := CheckSlug("tag", t.Name()); err != nil {
					r.Problems = append(r.Problems, schema.Problem{File: p, Severity: schema.Wrong, Message: err.Error(), Write: hintOf(err)})
				}
			}
		}
	}
	return nil
}

func (l *Ledger) checkBooks(r *CheckReport) error {
	names, err := diskSource{l}.names("books")
	if err != nil {
		return err
	}
	for _, p := range names {
		at := schema.ParsePath(p)
		if at.Is == schema.IsBookFile {
			if err := checkAttachment(at.Name); err != nil {
				r.Problems = append(r.Problems, schema.Problem{File: p, Severity: schema.Wrong, Message: err.Error(), Write: hintOf(err)})
			}
			continue
		}
		data, err := l.read(p)
		if err != nil {
			r.Problems = append(r.Problems, schema.Problem{File: p, Severity: schema.Unreadable, Message: err.Error()})
			continue
		}
		if at.Is != schema.IsBook || !slices.Contains(schema.BookKind("").Words(), at.Kind) {
			r.Problems = append(r.Problems, schema.Problem{File: p, Severity: schema.Wrong, Message: "is not named as a book entry",
				Write: "entries are named books/MODEL/TAG/2031-03-04-quote-7q3f.toml; their kinds are: " + strings.Join(schema.BookKind("").Words(), ", ") +
					"; other files go into files/ there"})
			continue
		}
		b, problems := schema.Decode[schema.Book](p, data)
		r.Problems = append(r.Problems, problems...)
		if b == nil {
			continue
		}
		c := &schema.Collector{File: p}
		if string(b.Kind) != at.Kind {
			c.Errorf("kind", "kind is %q but the file is named as %q", string(b.Kind), at.Kind)
		}
		if b.By != "" && !slices.ContainsFunc(l.Shop.Technicians, func(t schema.Technician) bool { return t.ID == b.By }) {
			c.Errorf("by", "shop.toml lists no technician %q", b.By)
		}
		if fi, err := l.root.Stat(unitDir(at.Unit)); err != nil || !fi.IsDir() {
			c.Errorf("", "the ledger has no unit %s", at.Unit)
		}
		if b.Date.After(l.Today().Day) {
			c.Errorf("date", "%s is in the future (today is %s)", b.Date, l.Today())
		}
		r.Problems = append(r.Problems, placed(c, data)...)
	}
	return nil
}

// leftFor is after how long a lock of git's is taken to be left behind.
const leftFor = 10 * time.Minute

// checkHistories holds every unit's branch against main. changed tells which
// files are not as committed.
func (l *Ledger) checkHistories(r *CheckReport, only []string, changed func() ([]gitstore.Change, error)) error {
	bad := func(unit, remedy, format string, args ...any) {
		r.Git = append(r.Git, GitProblem{Unit: unit, What: fmt.Sprintf(format, args...), Remedy: remedy})
	}
	st, err := l.repo.State()
	if err != nil {
		return err
	}
	if err := l.writable(); err != nil {
		r.Git = append(r.Git, GitProblem{What: err.Error(), Remedy: hintOf(err)})
	}
	if st.Interrupted {
		r.Git = append(r.Git, GitProblem{What: "a write was cut short", Remedy: "run: benchlore save", Warning: true})
	}
	if st.NoIndex {
		r.Git = append(r.Git, GitProblem{What: "git's index is gone", Remedy: "rebuild it: " + index.Rebuild, Warning: true})
	}
	if b := l.LastBackup(); b != nil && b.Missing != "" {
		p := GitProblem{What: "the last backup is not there: " + b.File, Remedy: "make another: benchlore backup DIR", Warning: true}
		if b.Missing != b.File {
			p.What = fmt.Sprintf("the last backup cannot be looked at: there is no folder %s now", b.Missing)
			p.Remedy = "plug that disk in and run check again, or make another backup: benchlore backup DIR"
		}
		r.Git = append(r.Git, p)
	}
	locks, err := l.repo.LeftLocks(leftFor)
	if err != nil {
		return err
	}
	for _, k := range locks {
		r.Git = append(r.Git, GitProblem{What: fmt.Sprintf("git's lock %s was made %s ago and is still there", k.Path, k.Age.Round(time.Minute)),
			Remedy: "if no git program is running, delete that file", Warning: true})
	}
	head, tree, err := l.mainTree()
	if err != nil {
		return err
	}
	if clock, err := l.clockBack(head); err != nil {
		return err
	} else if clock != "" {
		r.Git = append(r.Git, GitProblem{What: clock, Remedy: ClockRemedy, Warning: true})
	}
	if len(only) == 0 {
		if err := l.checkTree(r, tree); err != nil {
			return err
		}
	}
	heads, seals, err := l.closeHeads(head)
	if err != nil {
		return err
	}
	refs, err := l.repo.Refs(unitRefs)
	if err != nil {
		return err
	}
	names, units, err := l.committedUnits(tree)
	if err != nil {
		return err
	}
	if len(only) > 0 {
		names = only
	} else {
		for ref := range refs {
			name := strings.TrimPrefix(ref, unitRefs)
			if _, ok := units[name]; !ok {
				bad(name, "put the folder back, or, if the unit was given away for good, delete the branch with git branch -D unit/"+name,
					"there is a branch unit/%s, but main has no folder for it", name)
			}
		}
	}
	for _, name := range names {
		if err := l.checkStep(r, name, units[name], heads[name]); err != nil {
			return err
		}
	}
	if err := l.checkGrowth(r, names, refs); err != nil {
		return err
	}
	if err := l.checkSeals(r, only, seals, units); err != nil {
		return err
	}
	changes, err := changed()
	if err != nil {
		return err
	}
	var edits []string
	for _, c := range changes {
		if belongs(c.Path) && (len(only) == 0 || slices.ContainsFunc(only, func(n string) bool { return strings.HasPrefix(c.Path, unitDir(n)+"/") })) {
			edits = append(edits, c.Path)
		}
	}
	if len(edits) > 0 {
		what := fmt.Sprintf("%d files are edited and not saved, such as %s", len(edits), edits[0])
		if len(edits) == 1 {
			what = edits[0] + " is edited and not saved"
		}
		r.Git = append(r.Git, GitProblem{What: what, Remedy: "run: benchlore save", Warning: true})
	}
	return nil
}

// checkTree looks through main's tree for what must never be in it.
func (l *Ledger) checkTree(r *CheckReport, tree object.Hash) error {
	w := l.walked()
	if w.Tree == tree {
		return nil
	}
	var found []gitstore.TreeChange
	look := func(from object.Hash) error {
		found = nil
		return l.repo.EachChange(from, tree, func(f gitstore.TreeChange) {
			if !f.New.Hash.IsZero() && (strings.HasPrefix(f.Path, "private/") || !f.New.Mode.IsRegular() && belongs(f.Path)) {
				found = append(found, f)
			}
		})
	}
	// What was looked through before need not be again; a tree that is gone is
	// looked through whole.
	if look(w.Tree) != nil {
		if err := look(object.ZeroHash); err != nil {
			return err
		}
	}
	slices.SortFunc(found, func(a, b gitstore.TreeChange) int { return strings.Compare(a.Path, b.Path) })
	for _, f := range found {
		if strings.HasPrefix(f.Path, "private/") {
			r.Git = append(r.Git, GitProblem{What: f.Path + " is in git: nobody in it can be forgotten any more",
				Remedy: "take it out with git rm --cached " + f.Path + " and commit; the history keeps it until it is rewritten"})
		} else {
			r.Git = append(r.Git, GitProblem{What: f.Path + " is no plain file in git (a link, or marked executable)",
				Remedy: "put the file itself there, without the executable mark, and run: benchlore save"})
		}
	}
	if found == nil {
		w.Tree = tree
		l.keepWalked(w)
	}
	return nil
}

// committedUnits lists the units main has, in order, and the tree of each.
func (l *Ledger) committedUnits(tree object.Hash) ([]string, map[string]object.Hash, error) {
	trees := map[string]object.Hash{}
	if tree.IsZero() {
		return nil, trees, nil
	}
	top, ok, err := l.repo.TreeAt(tree, "instruments")
	if err != nil || !ok {
		return nil, trees, err
	}
	models, err := l.repo.Tree(top.Hash)
	if err != nil {
		return nil, nil, err
	}
	var names []string
	for _, m := range models {
		if m.Mode.IsFile() {
			continue
		}
		tags, err := l.repo.Tree(m.Hash)
		if err != nil {
			return nil, nil, err
		}
		for _, t := range tags {
			if name := m.Name + "/" + t.Name; !t.Mode.IsFile() {
				names = append(names, name)
				trees[name] = t.Hash
			}
		}
	}
	return names, trees, nil
}

// checkGrowth holds every unit's history against the rule that it only grows. One
// that was looked through before is not looked through again.
func (l *Ledger) checkGrowth(r *CheckReport, names []string, refs map[string]object.Hash) error {
	if l.repo.Shallow || l.repo.Partial {
		return nil // what a history began with is elsewhere
	}
	w := l.walked()
	grown := map[string]object.Hash{}
	maps.Copy(grown, w.Grown)
	for _, name := range names {
		head, ok := refs[unitRef(name)]
		if !ok || w.Grown[name] == head {
			continue
		}
		err := l.onlyGrows(name, "", head, nil)
		var history *HistoryError
		var corrupt *gitstore.CorruptObject
		switch {
		case errors.As(err, &history), errors.As(err, &corrupt):
			r.Git = append(r.Git, GitProblem{Unit: name, What: err.Error(), Remedy: hintOf(err)})
		case err != nil:
			return err
		default:
			grown[name] = head
		}
	}
	if !maps.Equal(grown, w.Grown) {
		w.Grown = grown
		l.keepWalked(w)
	}
	return nil
}

// checkStep holds one unit's branch against main: its files are a subset of
// main's, and after a close the two trees are the same object.
func (l *Ledger) checkStep(r *CheckReport, name string, here, named object.Hash) error {
	bad := func(remedy, format string, args ...any) {
		r.Git = append(r.Git, GitProblem{Unit: name, What: fmt.Sprintf(format, args...), Remedy: remedy})
	}
	want, have, err := l.branch(name, &past{head: named})
	var missing *MissingError
	var usage *UsageError
	switch {
	case errors.As(err, &missing), errors.As(err, &usage):
		bad(hintOf(err), "%v", err)
		return nil
	case err != nil:
		return err
	case want != have:
		bad("run: benchlore save", "the branch unit/%s is behind: main was closed at %s", name, want.String()[:10])
		return nil
	}
	if have.IsZero() {
		if fi, err := l.root.Lstat(unitDir(name) + "/model.toml"); err == nil && fi.Mode().IsRegular() && !here.IsZero() {
			bad("fetch it: git fetch REMOTE "+unitRef(name)+":"+unitRef(name), "%s was closed before, but its branch is not in this copy", name)
		}
		return nil
	}
	c, err := l.repo.Commit(have)
	if err != nil {
		return err
	}
	if c.Tree == here {
		return nil
	}
	diff, err := l.repo.DiffTrees(c.Tree, here)
	if err != nil {
		return err
	}
	for _, d := range diff {
		p := unitDir(name) + "/" + d.Path
		switch {
		case d.Old.Hash.IsZero():
			// New since the close: a job is open, or an entry waits.
		case d.New.Hash.IsZero():
			bad("put it back: git checkout unit/"+name+" -- in a copy, or git show unit/"+name+":"+d.Path+" > "+p,
				"%s was closed and is gone from main", p)
		case d.Path == "instrument.toml" || d.Path == "model.toml":
			// Facts of the unit: they travel with the next close.
		default:
			bad("run: benchlore correct "+p+" --reason \"...\"", "%s was closed and now reads differently on main", p)
		}
	}
	return nil
}

// CheckObjects reads every object of git that main, the units' branches and the
// seals lead to, and reports what is gone or does not have the bytes it is named
// for; and every work file, which must be as git has it or be seen to differ. A partial clone may lack objects; what it has is read.
func (l *Ledger) CheckObjects() (*CheckReport, error) {
	w := &objectWalk{l: l, seen: map[object.Hash]bool{}}
	refs, err := l.repo.Refs("refs/")
	if err != nil {
		return nil, err
	}
	names := []string{mainRef} // first, for the paths its files have
	for name := range refs {
		if strings.HasPrefix(name, unitRefs) || strings.HasPrefix(name, "refs/tags/seal/") {
			names = append(names, name)
		}
	}
	slices.Sort(names[1:])
	for _, name := range names {
		if h, ok := refs[name]; ok {
			w.queue = append(w.queue, reached{hash: h, from: strings.TrimPrefix(strings.TrimPrefix(name, "refs/heads/"), "refs/tags/"), top: name == mainRef})
		}
		if err := w.run(); err != nil {
			return nil, err
		}
	}
	rotten, err := l.repo.Rotten()
	if err != nil {
		return nil, err
	}
	for _, p := range rotten {
		w.problems = append(w.problems, GitProblem{What: RottenFile(p), Remedy: "keep a copy of it elsewhere, look after the disk, and write back what was saved: git show main:" + p + " > " + p})
	}
	return &CheckReport{Git: w.problems}, nil
}

// RottenFile says what is wrong with a work file whose bytes changed in silence.
func RottenFile(p string) string {
	return p + " is not as it was saved, and its date and size are: the disk changed it, or a program that hides what it does"
}

// reached is an object and how it was come by.
type reached struct {
	hash object.Hash
	from string // the branch or tag
	path string // of a file or folder in its tree
	top  bool   // of main as it stands, so that a work file may have the same bytes
}

type objectWalk struct {
	l        *Ledger
	queue    []reached
	seen     map[object.Hash]bool
	problems []GitProblem
}

func (w *objectWalk) run() error {
	for len(w.queue) > 0 {
		at := w.queue[len(w.queue)-1]
		w.queue = w.queue[:len(w.queue)-1]
		if w.seen[at.hash] {
			continue
		}
		w.seen[at.hash] = true
		err := w.read(at)
		_, missing := errors.AsType[*gitstore.MissingObject](err)
		_, corrupt := errors.AsType[*gitstore.CorruptObject](err)
		switch {
		case missing && w.l.repo.Partial:
		case missing, corrupt:
			w.report(at, err)
		case err != nil:
			return err
		}
	}
	return nil
}

// read checks one object and queues what it names.
func (w *objectWalk) read(at reached) error {
	repo := w.l.repo
	t, _, err := repo.Object(at.hash)
	if err != nil {
		return err
	}
	switch t {
	case object.TypeTag:
		tag, err := repo.Tag(at.hash)
		if err != nil {
			return err
		}
		w.queue = append(w.queue, reached{hash: tag.Target, from: at.from})
	case object.TypeCommit:
		c, err := repo.Commit(at.hash)
		if err != nil {
			return err
		}
		parents, err := repo.Parents(c)
		if err != nil {
			return err
		}
		for _, p := range parents {
			w.queue = append(w.queue, reached{hash: p, from: at.from})
		}
		// Last in, first out: the newest tree is read first.
		w.queue = append(w.queue, reached{hash: c.Tree, from: at.from, top: at.top})
	case object.TypeTree:
		entries, err := repo.Tree(at.hash)
		if err != nil {
			return err
		}
		for _, e := range entries {
			w.queue = append(w.queue, reached{e.Hash, at.from, path.Join(at.path, e.Name), at.top})
		}
	}
	return nil
}

// report names the object, what it was part of and the command that brings it
// back: out of the work file where that still has the bytes.
func (w *objectWalk) report(at reached, err error) {
	what := fmt.Sprintf("%v; it is part of %s", err, at.from)
	if at.path != "" {
		what += ": " + at.path
	}
	remedy := hintOf(err)
	if data, rerr := w.l.read(at.path); at.top && at.path != "" && rerr == nil && gitstore.HashBlob(data) == at.hash {
		c, corrupt := errors.AsType[*gitstore.CorruptObject](err)
		switch {
		case !corrupt:
			remedy = "the file still has it: git hash-object -w " + at.path
		case c.File != "":
			remedy = fmt.Sprintf("the file still has it: move %s out of the .git folder and run: git hash-object -w %s", c.File, at.path)
		}
	}
	unit := ""
	if name, ok := strings.CutPrefix(at.from, "unit/"); ok {
		unit = name
	}
	w.problems = append(w.problems, GitProblem{Unit: unit, What: what, Remedy: remedy})
}

// checkSeals reports seals that two benches made beside one another: until a next
// one supersedes both, nothing is handed over. And it reports seals that are gone or another by now: those that
// main says were made, those that adopted/ says came with a unit, and those that a
// later number shows to have been there.
func (l *Ledger) checkSeals(r *CheckReport, only []string, made, units map[string]object.Hash) error {
	refs, err := l.repo.Refs(tagRefs + sealTags)
	if err != nil {
		return err
	}
	bad := func(unit, remedy, format string, args ...any) {
		r.Git = append(r.Git, GitProblem{Unit: unit, What: fmt.Sprintf(format, args...), Remedy: remedy})
	}
	wanted := func(unit string) bool { return len(only) == 0 || slices.Contains(only, unit) }
	first := map[string]string{}
	numbers := map[string]map[int]bool{}
	for _, ref := range slices.Sorted(maps.Keys(refs)) {
		tag := strings.TrimPrefix(ref, tagRefs)
		m := proof.SealForm.FindStringSubmatch(tag)
		if m == nil || !wanted(m[1]) {
			continue
		}
		n, err := strconv.Atoi(m[2])
		if err != nil {
			return err
		}
		if numbers[m[1]] == nil {
			numbers[m[1]] = map[int]bool{}
		}
		numbers[m[1]][n] = true
		key := m[1] + "/" + m[2]
		if other, ok := first[key]; ok {
			r.Git = append(r.Git, GitProblem{Unit: m[1], Warning: true, What: fmt.Sprintf("two benches sealed it under one number: %s and %s", other, tag),
				Remedy: "seal it again; whoever was handed a packet in between should be given the new one"})
			continue
		}
		first[key] = tag
	}
	missed := map[string]map[int]bool{}
	miss := func(unit, tag string) {
		if missed[unit] == nil {
			missed[unit] = map[int]bool{}
		}
		if n, err := strconv.Atoi(proof.SealForm.FindStringSubmatch(tag)[2]); err == nil {
			missed[unit][n] = true
		}
		bad(unit, "get it back from another copy: benchlore sync, or git fetch COPY "+tagRefs+tag+":"+tagRefs+tag, "the seal %s was made and is not in this copy; a buyer may hold it", tag)
	}
	for _, tag := range slices.Sorted(maps.Keys(made)) {
		unit := proof.SealForm.FindStringSubmatch(tag)[1]
		switch have, ok := refs[tagRefs+tag]; {
		case !wanted(unit) || units[unit].IsZero(): // it was given away for good
		case !ok:
			miss(unit, tag)
		case have != made[tag]:
			bad(unit, "put back the one that was made: git update-ref "+tagRefs+tag+" "+made[tag].String(), "the seal %s is not the one that was made", tag)
		}
	}
	for _, unit := range slices.Sorted(maps.Keys(numbers)) {
		have, most := numbers[unit], 0
		for n := range have {
			most = max(most, n)
		}
		if len(have)+len(missed[unit]) >= most {
			continue
		}
		// Those that came with the unit may have another unit's name.
		a, err := l.adoption(unit)
		if err != nil {
			continue // reported with its file
		}
		if a != nil {
			for _, tag := range a.Seals {
				m := proof.SealForm.FindStringSubmatch(tag)
				if m == nil {
					continue
				}
				n, err := strconv.Atoi(m[2])
				if _, ok := refs[tagRefs+tag]; ok && err == nil {
					have[n] = true
				} else if made[tag].IsZero() {
					miss(unit, tag)
				}
			}
		}
		for n := 1; n < most; n++ {
			if !have[n] && !missed[unit][n] {
				bad(unit, "get it back from another copy: benchlore sync, or git fetch COPY 'refs/tags/"+sealTags+unit+"/*:refs/tags/"+sealTags+unit+"/*'",
					"its seal number %d is not in this copy, though later ones are; a buyer may hold it", n)
			}
		}
	}
	return nil
}
