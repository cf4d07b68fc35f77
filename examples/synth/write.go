package synth

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"benchlore/ledger"
	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
	"benchlore/schema/remedy"
)

// History is how much of a ledger's past is kept in git.
type History string

// The histories [Ledger.Write] can make.
const (
	// Files is files alone, without git.
	Files History = "files"
	// Stretches is a repository in which main has one commit for each of some
	// stretches of time, in which as many records were written in each; every
	// closed unit has its own branch with a commit for each record.
	Stretches History = "stretches"
	// Records is as Stretches, but main has a commit for each record and for each
	// close, as it is when a shop works day after day.
	Records History = "records"
)

// WriteOptions say how a ledger is written to disk.
type WriteOptions struct {
	Git      History // "" is Stretches
	Commits  int     // of Stretches, on main after the first; 0 means 50; fewer where there are not so many days
	Progress func(done, of int)
}

// Written counts what was written.
type Written struct {
	Units, Open, Records, Files int
	Commits                     int // on main
	UnitCommits                 int
	Objects                     int // in the pack
}

// made is a unit as text.
type made struct {
	name    string
	uuid    string
	what    string // maker and model
	first   []byte // instrument.toml
	records []madeRecord
}

type madeRecord struct {
	name string
	kind schema.Kind
	by   string
	day  int
	data []byte
}

// Write writes the ledger into dir, which is made where missing and must be
// empty. Everything written is what the program itself might have written, but
// for the commits of main's Stretches, of which one may hold the work on many units.
func (l *Ledger) Write(dir string, opt WriteOptions) (Written, error) {
	var out Written
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return out, remedy.Errorf("%s is not empty => name a new folder", dir)
	}
	units := l.text(opt.Progress)
	for _, u := range units {
		out.Units++
		out.Records += len(u.records)
	}
	out.Open = l.Options.Open
	files := l.shelf()
	var err error
	switch opt.Git {
	case Files:
		err = l.writeFiles(dir, files, units, &out)
	case "", Stretches, Records:
		err = l.writeGit(dir, files, units, opt, &out)
	default:
		err = remedy.Errorf("no history %q => write %s, %s or %s", opt.Git, Files, Stretches, Records)
	}
	return out, err
}

// shelf is everything that is not about one unit, but for shop.toml.
func (l *Ledger) shelf() map[string][]byte {
	files := map[string][]byte{}
	for slug, m := range l.Models {
		files["models/"+slug+".toml"] = schema.Encode(m)
	}
	for name, lot := range l.Lots {
		files["lots/"+name+".toml"] = schema.Encode(lot)
	}
	if l.Own != nil {
		files["families.toml"] = schema.Encode(l.Own)
	}
	return files
}

// text works out all units as text, on all processors.
func (l *Ledger) text(progress func(done, of int)) []made {
	units := make([]made, l.Options.Units)
	next := make(chan int)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				units[i] = l.made(i)
			}
		})
	}
	for i := range units {
		next <- i
		if progress != nil {
			progress(i+1, len(units))
		}
	}
	close(next)
	wg.Wait()
	return units
}

func (l *Ledger) made(i int) made {
	u := l.Unit(i)
	m := made{name: u.Name, uuid: u.Instrument.UUID, what: u.Instrument.Maker + " " + u.Instrument.Model, first: schema.Encode(u.Instrument)}
	for _, f := range u.Records {
		h := f.Record.Head()
		m.records = append(m.records, madeRecord{name: path.Base(f.Path), kind: h.Kind, by: h.By, day: dayNumber(h.Date.Day), data: schema.Encode(f.Record)})
	}
	return m
}

func modelOf(name string) string { m, _, _ := strings.Cut(name, "/"); return m }

// closable is how many of a unit's records belong to jobs that have ended, or
// to none.
func closable(records []madeRecord) int {
	n, open := 0, false
	for i, r := range records {
		switch r.kind {
		case schema.KindIntake:
			open = true
		case schema.KindRelease:
			open = false
		}
		if !open {
			n = i + 1
		}
	}
	return n
}

func (l *Ledger) writeFiles(dir string, files map[string][]byte, units []made, out *Written) error {
	files[".gitattributes"], files[".gitignore"] = []byte(ledger.Attributes), []byte("/private/\n")
	files["shop.toml"] = schema.Encode(l.Shop)
	put := func(p string, data []byte) error {
		out.Files++
		return os.WriteFile(filepath.Join(dir, filepath.FromSlash(p)), data, 0o666)
	}
	for _, d := range []string{"models", "lots"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o777); err != nil {
			return err
		}
	}
	for p, data := range files {
		if err := put(p, data); err != nil {
			return err
		}
	}
	for _, u := range units {
		at := "instruments/" + u.name
		if err := os.MkdirAll(filepath.Join(dir, filepath.FromSlash(at)), 0o777); err != nil {
			return err
		}
		err := errors.Join(put(at+"/.gitattributes", []byte(ledger.Attributes)), put(at+"/instrument.toml", u.first))
		for _, r := range u.records {
			err = errors.Join(err, put(at+"/"+r.name, r.data))
		}
		if closable(u.records) > 0 {
			err = errors.Join(err, put(at+"/model.toml", files["models/"+modelOf(u.name)+".toml"]))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// zone is the shop's.
var zone = time.FixedZone("", 60*60)

func hour(day, h int) time.Time {
	d := Instant(day).Day()
	return time.Date(d.Year, time.Month(d.Month), d.Day, h, 0, 0, 0, zone)
}

// writer makes a history.
type writer struct {
	l      *Ledger
	pack   *pack
	out    *Written
	models map[string][]byte // by folder name
	states []unitState
	units  []made
}

// unitState is how far a unit has come.
type unitState struct {
	entries []object.TreeEntry // of its folder on main
	saved   int                // records on main
	closed  int                // records on its branch
	head    object.Hash
	tree    []object.TreeEntry // of its branch
	sub     object.Hash        // tree of its folder on main
}

func (l *Ledger) who(by string, when time.Time) gitstore.Ident {
	i := slices.IndexFunc(l.Shop.Technicians, func(t schema.Technician) bool { return t.ID == by })
	t := l.Shop.Technicians[max(i, 0)]
	return gitstore.Ident{Name: t.Name, Email: t.Email, When: when}
}

func (l *Ledger) writeGit(dir string, files map[string][]byte, units []made, opt WriteOptions, out *Written) error {
	opened := dayNumber(l.Options.Opened.Day)
	author := l.who("", time.Time{})
	begun, err := ledger.Start(dir, ledger.StartOptions{Shop: *l.Shop, Files: files}, ledger.Options{
		Now: func() time.Time { return hour(opened, 9) }, Random: rand.NewChaCha8([32]byte{}), NoSync: true, Author: &author})
	if err != nil {
		return err
	}
	if err := begun.Close(); err != nil {
		return err
	}
	repo, err := gitstore.Open(dir, ledger.Program)
	if err != nil {
		return err
	}
	defer repo.Close()
	repo.NoSync = true
	state, err := repo.State()
	if err != nil {
		return err
	}
	first, err := repo.Commit(state.Head)
	if err != nil {
		return err
	}
	root, err := repo.Tree(first.Tree)
	if err != nil {
		return err
	}
	p, err := newPack(filepath.Join(repo.GitDir, "objects", "pack"))
	if err != nil {
		return err
	}
	w := &writer{l: l, pack: p, out: out, models: map[string][]byte{}, units: units, states: make([]unitState, len(units))}
	for slug := range l.Models {
		w.models[slug] = files["models/"+slug+".toml"]
	}
	var head object.Hash
	if opt.Git == Records {
		head, err = w.daily(state.Head, root)
	} else {
		head, err = w.history(state.Head, root, stretches(units, opt.Commits))
	}
	if err != nil {
		p.abandon()
		return err
	}
	if err := p.finish(); err != nil {
		return err
	}
	out.Objects = len(p.known)
	if err := w.branches(repo.GitDir); err != nil {
		return err
	}
	if head == state.Head {
		return nil
	}
	tx, err := repo.Lock(context.Background(), time.Minute)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	out.Files += len(files) + 3
	for _, s := range w.states {
		out.Files += len(s.entries)
	}
	return tx.Commit(gitstore.Plan{Refs: []gitstore.RefUpdate{{Name: state.Branch, Old: state.Head, New: head}}, Reason: "synthetic ledger"})
}

// stretches returns the last days of n stretches of time with about as many
// records in each.
func stretches(units []made, n int) []int {
	if n <= 0 {
		n = 50
	}
	var days []int
	for _, u := range units {
		for _, r := range u.records {
			days = append(days, r.day)
		}
	}
	sort.Ints(days)
	var last []int
	for i := range n {
		if k := (i + 1) * len(days) / n; k > 0 {
			last = append(last, days[k-1])
		}
	}
	return slices.Compact(last)
}

// history writes main from its first commit on, and the units' branches.
func (w *writer) history(head object.Hash, root []object.TreeEntry, last []int) (object.Hash, error) {
	byModel := map[string][]int{}
	for i, u := range w.units {
		byModel[modelOf(u.name)] = append(byModel[modelOf(u.name)], i)
	}
	trees := map[string]object.Hash{} // of the models' folders
	for _, day := range last {
		var heads []string
		for slug, list := range byModel {
			changed := false
			for _, i := range list {
				moved, err := w.save(i, day)
				if err != nil {
					return head, err
				}
				changed = changed || moved
			}
			if !changed {
				continue
			}
			var entries []object.TreeEntry
			for _, i := range list {
				if s := &w.states[i]; s.saved > 0 {
					entries = append(entries, object.TreeEntry{Name: path.Base(w.units[i].name), Mode: object.ModeDir, Hash: s.sub})
				}
			}
			var err error
			if trees[slug], err = w.pack.tree(entries); err != nil {
				return head, err
			}
		}
		for i := range w.units {
			moved, err := w.closeUnit(i, day)
			if err != nil {
				return head, err
			}
			if moved {
				heads = append(heads, "Unit-Head: "+w.units[i].name+" "+w.states[i].head.String()+"\n")
			}
		}
		var entries []object.TreeEntry
		for slug, h := range trees {
			entries = append(entries, object.TreeEntry{Name: slug, Mode: object.ModeDir, Hash: h})
		}
		h, err := w.pack.tree(entries)
		if err != nil {
			return head, err
		}
		tree, err := w.pack.tree(append(slices.Clone(root), object.TreeEntry{Name: "instruments", Mode: object.ModeDir, Hash: h}))
		if err != nil {
			return head, err
		}
		who := w.l.who("", hour(day, 19))
		message := "work up to " + Instant(day).Day().String() + "\n"
		if heads != nil {
			message += "\n" + strings.Join(heads, "")
		}
		if head, err = w.pack.commit(tree, head, who, who, message); err != nil {
			return head, err
		}
		w.out.Commits++
	}
	return head, nil
}

// daily writes main with a commit for each record, in the order of the days, and
// one for each close. The folders of the models are written as deltas: whole, those
// of a shop with 10,000 units would fill a disk.
func (w *writer) daily(head object.Hash, root []object.TreeEntry) (object.Hash, error) {
	type event struct{ day, unit, record int }
	var events []event
	for i, u := range w.units {
		for k, r := range u.records {
			events = append(events, event{r.day, i, k})
		}
	}
	slices.SortStableFunc(events, func(a, b event) int { return cmp.Compare(a.day, b.day) })
	folders := map[string]*folder{} // of the models
	for _, e := range events {
		u, s := &w.units[e.unit], &w.states[e.unit]
		slug, tag, _ := strings.Cut(u.name, "/")
		f := folders[slug]
		if f == nil {
			f = &folder{}
			folders[slug] = f
		}
		commit := func(who gitstore.Ident, message string) error {
			f.set(tag, s.sub)
			var err error
			if f.hash, err = w.pack.folder(f); err != nil {
				return err
			}
			var entries []object.TreeEntry
			for slug, f := range folders {
				entries = append(entries, object.TreeEntry{Name: slug, Mode: object.ModeDir, Hash: f.hash})
			}
			h, err := w.pack.tree(entries)
			if err != nil {
				return err
			}
			tree, err := w.pack.tree(append(slices.Clone(root), object.TreeEntry{Name: "instruments", Mode: object.ModeDir, Hash: h}))
			if err != nil {
				return err
			}
			w.out.Commits++
			head, err = w.pack.commit(tree, head, who, who, message)
			return err
		}
		// The records are saved in their order, though a day may be put in late.
		if e.record < s.saved {
			continue
		}
		if _, err := w.saveUpTo(e.unit, e.record+1); err != nil {
			return head, err
		}
		r := u.records[e.record]
		if err := commit(w.l.who(r.by, hour(e.day, 12)), u.name+": "+string(r.kind)+"\n"); err != nil {
			return head, err
		}
		closed, err := w.closeUnit(e.unit, e.day)
		if err != nil {
			return head, err
		}
		if closed {
			if err := commit(w.l.who("", hour(e.day, 19)), "close "+u.name+"\n\nUnit-Head: "+u.name+" "+s.head.String()+"\n"); err != nil {
				return head, err
			}
		}
	}
	return head, nil
}

// save puts a unit's records up to a day on main.
func (w *writer) save(i, day int) (bool, error) {
	u, s := &w.units[i], &w.states[i]
	to := s.saved
	for to < len(u.records) && u.records[to].day <= day {
		to++
	}
	return w.saveUpTo(i, to)
}

// saveUpTo puts the first records of a unit on main, and the model beside them
// where they end a job.
func (w *writer) saveUpTo(i, to int) (bool, error) {
	u, s := &w.units[i], &w.states[i]
	if to == s.saved {
		return false, nil
	}
	blob := func(name string, data []byte) error {
		h, err := w.pack.add(object.TypeBlob, data)
		s.entries = append(s.entries, object.TreeEntry{Name: name, Mode: object.ModeRegular, Hash: h})
		return err
	}
	if s.saved == 0 {
		if err := errors.Join(blob(".gitattributes", []byte(ledger.Attributes)), blob("instrument.toml", u.first)); err != nil {
			return false, err
		}
	}
	for ; s.saved < to; s.saved++ {
		if err := blob(u.records[s.saved].name, u.records[s.saved].data); err != nil {
			return false, err
		}
	}
	if closable(u.records[:to]) > 0 && !slices.ContainsFunc(s.entries, func(e object.TreeEntry) bool { return e.Name == "model.toml" }) {
		if err := blob("model.toml", w.models[modelOf(u.name)]); err != nil {
			return false, err
		}
	}
	var err error
	s.sub, err = w.pack.tree(s.entries)
	return true, err
}

// closeUnit puts what a unit has of ended jobs on its own branch, a commit for
// each record.
func (w *writer) closeUnit(i, day int) (bool, error) {
	u, s := &w.units[i], &w.states[i]
	to := closable(u.records[:s.saved])
	if s.closed == to {
		return false, nil
	}
	committer := w.l.who("", hour(day, 19))
	take := func(names ...string) {
		for _, e := range s.entries {
			if slices.Contains(names, e.Name) {
				s.tree = append(s.tree, e)
			}
		}
	}
	commit := func(subject, record string, author gitstore.Ident) error {
		tree, err := w.pack.tree(s.tree)
		if err != nil {
			return err
		}
		message := subject + "\n\n"
		if record != "" {
			message += "Record: " + record + "\n"
		}
		s.head, err = w.pack.commit(tree, s.head, author, committer, message+"Instrument: "+u.uuid+"\n")
		w.out.UnitCommits++
		return err
	}
	fresh := s.head.IsZero()
	if fresh {
		take(".gitattributes", "instrument.toml")
		if err := commit("instrument: "+u.what, "", w.l.who(u.records[0].by, hour(u.records[0].day, 12))); err != nil {
			return false, err
		}
	}
	for ; s.closed < to; s.closed++ {
		r := &u.records[s.closed]
		take(r.name)
		if err := commit(Instant(r.day).Day().String()+" "+string(r.kind), r.name, w.l.who(r.by, hour(r.day, 12))); err != nil {
			return false, err
		}
	}
	if fresh {
		take("model.toml")
		return true, commit("model: "+u.what, "", committer)
	}
	return true, nil
}

// branches writes the units' branches as packed refs.
func (w *writer) branches(gitDir string) error {
	var lines []string
	for i, s := range w.states {
		if !s.head.IsZero() {
			lines = append(lines, "refs/heads/unit/"+w.units[i].name+"\x00"+s.head.String()+" refs/heads/unit/"+w.units[i].name+"\n")
		}
	}
	sort.Strings(lines)
	var b bytes.Buffer
	b.WriteString("# pack-refs with: peeled fully-peeled sorted \n")
	for _, l := range lines {
		_, line, _ := strings.Cut(l, "\x00")
		b.WriteString(line)
	}
	return os.WriteFile(filepath.Join(gitDir, "packed-refs"), b.Bytes(), 0o666)
}
