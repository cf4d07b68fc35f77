package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/gofrs/flock"
	"github.com/google/uuid"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
	"benchlore/schema/entry"
	"benchlore/schema/refs"
)

// Saved is what became of a record that was taken in.
type Saved struct {
	Result
	Path     string           `json:"path"`
	Problems []schema.Problem `json:"problems"` // stored all the same; close will refuse the errors
}

// randomLetters are those that cannot be taken for one another.
const randomLetters = "23456789abcdefghjkmnpqrstvwxyz"

// newName makes a file name nobody in the folder has.
func (l *Ledger) newName(dir string, d schema.Date, kind string) (string, error) {
	entries, err := l.list(dir)
	if err != nil {
		return "", err
	}
	taken := map[string]bool{}
	for _, e := range entries {
		if n := strings.TrimSuffix(e.Name(), ".toml"); len(n) > 4 {
			taken[n[len(n)-4:]] = true
		}
	}
	for {
		var b [4]byte
		for i := range b {
			c, err := l.letter()
			if err != nil {
				return "", err
			}
			b[i] = c
		}
		if !taken[string(b[:])] {
			return fmt.Sprintf("%s/%s-%s-%s.toml", dir, d, kind, b[:]), nil
		}
	}
}

// letter draws one of randomLetters, all equally likely.
func (l *Ledger) letter() (byte, error) {
	for {
		var b [1]byte
		if _, err := io.ReadFull(l.opt.Random, b[:]); err != nil {
			return 0, err
		}
		if n := len(randomLetters); int(b[0]) < 256/n*n {
			return randomLetters[int(b[0])%n], nil
		}
	}
}

// NewUnit opens an instrument's folder with one commit. A model the ledger
// does not have yet is started with the same maker and name and no population.
func (l *Ledger) NewUnit(name string, in schema.Instrument) (Result, error) {
	model, tag, ok := strings.Cut(name, "/")
	if !ok {
		return Result{}, &UsageError{fmt.Sprintf("%q is not model/tag", name), "write the model and a tag: benchlore new astrella-61 a61-10233"}
	}
	if err := CheckSlug("model", model); err != nil {
		return Result{}, err
	}
	if err := CheckSlug("tag", tag); err != nil {
		return Result{}, err
	}
	dir := unitDir(name)
	return l.update(func(w *writer) error {
		if _, err := l.root.Lstat(dir); err == nil {
			return &UsageError{fmt.Sprintf("%s is there already", name), "choose another tag, or see: benchlore show " + name}
		}
		if _, ok, err := l.repo.Ref(unitRef(name)); err != nil {
			return err
		} else if ok {
			return &UsageError{name + " has a history of its own already", "choose another tag, or put its folder back with git"}
		}
		m, err := l.model(model)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			if in.Maker == "" || in.Model == "" {
				return &UsageError{fmt.Sprintf("there is no models/%s.toml", model),
					"say what it is: benchlore new " + model + " " + tag + " --maker NAME --name NAME"}
			}
			w.put("models/"+model+".toml", schema.Encode(&schema.Model{Maker: in.Maker, Name: in.Model,
				Sections: []schema.Section{{Name: "chassis", Note: "a model may start with this alone; add sections as you meet them"}}}))
		case err != nil:
			return err
		default:
			if in.Maker == "" {
				in.Maker = m.Maker
			}
			if in.Model == "" {
				in.Model = m.Name
			}
		}
		in.Format = schema.InstrumentFormatNow
		id, err := uuid.NewRandomFromReader(l.opt.Random)
		if err != nil {
			return err
		}
		in.UUID = id.String()
		data := schema.Encode(&in)
		if inst, problems := schema.Decode[schema.Instrument](dir+"/instrument.toml", data); inst == nil || schema.Worst(problems) > schema.Warned {
			return &ProblemsError{"the instrument's particulars", problems}
		}
		w.put(dir+"/.gitattributes", []byte(Attributes))
		w.put(dir+"/instrument.toml", data)
		w.subject = "new " + name
		return nil
	})
}

func (l *Ledger) model(slug string) (*schema.Model, error) {
	p := "models/" + slug + ".toml"
	data, err := l.read(p)
	if err != nil {
		return nil, err
	}
	m, problems := schema.Decode[schema.Model](p, data)
	if m == nil {
		return nil, &ProblemsError{p + " cannot be read", problems}
	}
	return m, nil
}

// Add takes a record in under a name of its own: one file, one commit. The
// bytes are kept as given. What can be read is stored, errors and all; they
// come back in Problems. Only a file that cannot be read as a record is
// refused (*ProblemsError). file names the file; "" makes a name for it.
func (l *Ledger) Add(name, file string, data []byte) (Saved, error) {
	rec, problems := schema.DecodeRecord("the record", data)
	if rec == nil {
		return Saved{}, &ProblemsError{"the record was not stored", problems}
	}
	h := rec.Head()
	if schema.New(h.Kind) == nil {
		return Saved{}, &ProblemsError{"the record was not stored", append(problems, schema.Problem{File: "the record", Severity: schema.Unreadable,
			Message: "its kind is missing", Write: "write kind = \"intake\" or another: " + strings.Join(schema.Kind("").Words(), ", ")})}
	}
	if h.Date.IsZero() {
		return Saved{}, &ProblemsError{"the record was not stored", append(problems, schema.Problem{File: "the record", Severity: schema.Unreadable,
			Message: "its date is missing", Write: "write the day without quotes: date = " + l.Today().String()})}
	}
	stock, err := l.Catalog()
	if err != nil {
		return Saved{}, err
	}
	var s Saved
	s.Result, err = l.update(func(w *writer) error {
		if s.Path = unitDir(name) + "/" + file; file == "" {
			if s.Path, err = l.newName(unitDir(name), h.Date, string(h.Kind)); err != nil {
				return err
			}
		}
		w.put(s.Path, data)
		w.subject = fmt.Sprintf("%s: %s %s", name, h.Kind, schema.Summary(rec))
		s.Problems, err = l.problemsWith(name, stock, map[string][]byte{s.Path: data})
		return err
	})
	return s, err
}

// NextSeq is the number that puts a new record after those of its day.
func (l *Ledger) NextSeq(name string, day schema.Date) (int, error) {
	entries, err := l.list(unitDir(name))
	if err != nil {
		return 0, err
	}
	last := 0
	for _, e := range entries {
		p := unitDir(name) + "/" + e.Name()
		if d, _, _, ok := schema.ParseName(p); !ok || d != day {
			continue // a record whose date was corrected keeps its name, and its number
		}
		data, err := l.read(p)
		if err != nil {
			continue
		}
		if rec, _ := schema.DecodeRecord(p, data); rec != nil {
			last = max(last, rec.Head().Seq)
		}
	}
	return last + 1, nil
}

// problemsWith reads a unit as it would be with some files changed, and returns
// what is wrong with those files.
func (l *Ledger) problemsWith(name string, stock *Catalog, changed map[string][]byte) ([]schema.Problem, error) {
	u, err := l.load(name, stock, overlay{diskSource{l}, changed})
	if err != nil {
		return nil, err
	}
	out := []schema.Problem{}
	for _, q := range u.Problems {
		if _, ok := changed[q.File]; ok {
			out = append(out, q)
		}
	}
	return out, nil
}

// overlay is a source with some files changed.
type overlay struct {
	fileSource
	changed map[string][]byte
}

func (o overlay) read(p string) ([]byte, error) {
	if data, ok := o.changed[p]; ok {
		return data, nil
	}
	return o.fileSource.read(p)
}

func (o overlay) names(dir string) ([]string, error) {
	names, err := o.fileSource.names(dir)
	for p := range o.changed {
		if !slices.Contains(names, p) {
			names = append(names, p)
		}
	}
	slices.Sort(names)
	return names, err
}

// AddBook takes a shop-only entry in. It never travels.
func (l *Ledger) AddBook(name string, b *schema.Book) (Saved, error) {
	dir := "books/" + name
	data := schema.Encode(b)
	var s Saved
	var err error
	s.Result, err = l.update(func(w *writer) error {
		if s.Path, err = l.newName(dir, b.Date, string(b.Kind)); err != nil {
			return err
		}
		var book *schema.Book
		if book, s.Problems = schema.Decode[schema.Book](s.Path, data); book == nil || schema.Worst(s.Problems) > schema.Warned {
			return &ProblemsError{"the entry was not stored", s.Problems}
		}
		w.put(s.Path, data)
		w.subject = fmt.Sprintf("%s: books, %s", name, b.Kind)
		return nil
	})
	return s, err
}

// AddPart puts one part line, or one kit applied, into the open record of the day: the unit's parts
// record of that date and technician that has not been closed. Where there is
// none it starts one. Comments and notation of the file stay as they are.
func (l *Ledger) AddPart(name, by string, day schema.Date, e entry.Entry) (Saved, error) {
	stock, err := l.Catalog()
	if err != nil {
		return Saved{}, err
	}
	var s Saved
	s.Result, err = l.update(func(w *writer) error {
		u, err := l.Unit(name, stock)
		if err != nil {
			return err
		}
		var line schema.PartLine // of a kit: about no part of its own
		if e.Line != nil {
			line = *e.Line
		}
		p, data, err := l.openParts(w, u, by, day, line)
		if err != nil {
			return err
		}
		if p == "" {
			if p, err = l.newName(unitDir(name), day, string(schema.KindParts)); err != nil {
				return err
			}
			seq, err := l.NextSeq(name, day)
			if err != nil {
				return err
			}
			data = schema.Encode(&schema.Parts{Common: schema.Common{Kind: schema.KindParts, Date: day, By: by, Seq: seq}})
		}
		if n := len(data); n > 0 && data[n-1] != '\n' {
			data = append(data, '\n')
		}
		if e.Kit != nil {
			data = append(data, schema.EncodeTable("apply_kit", e.Kit)...)
		} else {
			data = append(data, schema.EncodeTable("part", e.Line)...)
		}
		rec, problems := schema.DecodeRecord(p, data)
		if rec == nil {
			return &ProblemsError{"the line was not stored", problems}
		}
		w.put(p, data)
		s.Path = p
		w.subject = fmt.Sprintf("%s: %s", name, e.Echo())
		if problems, err = l.problemsWith(name, stock, map[string][]byte{p: data}); err != nil {
			return err
		}
		own := fmt.Sprintf("part[%d]", len(rec.(*schema.Parts).Lines)-1)
		if e.Kit != nil {
			own = fmt.Sprintf("apply_kit[%d]", len(rec.(*schema.Parts).ApplyKits)-1)
		}
		for _, q := range problems {
			if q.Path == own || strings.HasPrefix(q.Path, own+".") {
				s.Problems = append(s.Problems, q)
			}
		}
		return nil
	})
	return s, err
}

// MovePart takes the last change of a unit, which must be a line about a part or a kit
// applied, to another unit, with its day and technician.
func (l *Ledger) MovePart(from, to string) (Saved, entry.Entry, error) {
	stock, err := l.Catalog()
	if err != nil {
		return Saved{}, entry.Entry{}, err
	}
	head, _, err := l.mainTree()
	if err != nil {
		return Saved{}, entry.Entry{}, err
	}
	last, err := l.lastChange(head, from)
	if err != nil {
		return Saved{}, entry.Entry{}, err
	}
	subject, _, _ := strings.Cut(last.subject, "\n")
	u, err := l.Unit(from, stock)
	if err != nil {
		return Saved{}, entry.Entry{}, err
	}
	for i := len(u.Unit.Files) - 1; i >= 0; i-- {
		r, ok := u.Unit.Files[i].Record.(*schema.Parts)
		if !ok {
			continue
		}
		var all []entry.Entry
		if n := len(r.Lines); n > 0 {
			all = append(all, entry.Entry{Line: &r.Lines[n-1]})
		}
		if n := len(r.ApplyKits); n > 0 {
			all = append(all, entry.Entry{Kit: &r.ApplyKits[n-1]})
		}
		for _, e := range all {
			// Of a kit the subject also says for how many parts.
			if said := from + ": " + e.Echo(); subject != said && (e.Kit == nil || !strings.HasPrefix(subject, said+":")) {
				continue
			}
			s, err := l.AddPart(to, r.By, r.Date, e)
			if err != nil {
				return s, e, err
			}
			_, _, err = l.UndoCommit(from, last.hash.String())
			return s, e, err
		}
	}
	return Saved{}, entry.Entry{}, &UsageError{fmt.Sprintf("the last change of %s is no line about a part: %s", from, subject),
		"take it back with benchlore undo, or type the line again with --unit " + to}
}

// openParts finds the parts record a new line belongs to.
// It must be of the job on the bench, and say nothing yet of the line's parts:
// what is pending in the morning and replaced in the evening takes two records.
func (l *Ledger) openParts(w *writer, u *Loaded, by string, day schema.Date, line schema.PartLine) (string, []byte, error) {
	closed, err := l.closedFiles(u.Name, w.head)
	if err != nil {
		return "", nil, err
	}
	job := u.OpenJob()
	for i := len(u.Unit.Files) - 1; i >= 0; i-- { // the day's last first
		f := &u.Unit.Files[i]
		r, ok := f.Record.(*schema.Parts)
		if !ok || r.Date != day || r.By != by || r.Withdrawn || closed[path.Base(f.Path)] ||
			job != nil && !slices.Contains(job.Files, f) {
			continue
		}
		if slices.ContainsFunc(r.Lines, func(x schema.PartLine) bool { return sameParts(x, line) }) {
			return "", nil, nil
		}
		committed, ok, err := w.committed(f.Path)
		if err != nil {
			return "", nil, err
		}
		if !ok || !bytes.Equal(committed, f.Data) {
			return "", nil, &UnsavedError{[]string{f.Path}}
		}
		return f.Path, f.Data, nil
	}
	return "", nil, nil
}

// sameParts reports whether two lines name a part in common.
func sameParts(a, b schema.PartLine) bool {
	sa, err1 := refs.ParseNames(string(a.Section))
	sb, err2 := refs.ParseNames(string(b.Section))
	ra, err3 := refs.Parse(string(a.Ref))
	rb, err4 := refs.Parse(string(b.Ref))
	if errors.Join(err1, err2, err3, err4) != nil || a.Ref == "" || b.Ref == "" {
		return false
	}
	sections, _ := sa.Select(sb.Enumerate())
	common, _ := ra.Select(rb.Enumerate())
	return len(sections) > 0 && len(common) > 0
}

// closedFiles lists the files the unit's own branch has, by their path in the
// unit's folder.
func (l *Ledger) closedFiles(name string, main object.Hash) (map[string]bool, error) {
	closed := map[string]bool{}
	head, err := l.closedHead(name, main)
	if err != nil || head.IsZero() {
		return closed, err
	}
	c, err := l.repo.Commit(head)
	if err != nil {
		return nil, err
	}
	entries, err := l.repo.Tree(c.Tree)
	for _, e := range entries {
		closed[e.Name] = true
	}
	return closed, err
}

// draftDir holds records that are being typed. They are this copy's own affair
// and not part of the ledger: git does not see them, and nothing of them
// travels.
const draftDir = ".git/benchlore/drafts"

// maxDrafts is how many records of one kind may be typed at once for one unit.
const maxDrafts = 20

// Draft keeps a record that is being typed, so that it outlives the program. It
// is in use by one program at a time.
type Draft struct {
	l    *Ledger
	file string // slash path from the ledger
	lock *flock.Flock
}

// Draft opens the draft of a record for a unit: one that an earlier program
// left behind, else a new one. Drafts that another program is using are left
// alone.
func (l *Ledger) Draft(unit string, kind schema.Kind) (*Draft, error) {
	if err := l.root.MkdirAll(draftDir, 0o777); err != nil {
		return nil, err
	}
	var free *Draft
	for n := 1; n <= maxDrafts; n++ {
		d := &Draft{l: l, file: fmt.Sprintf("%s/%s-%s-%d.toml", draftDir, strings.ReplaceAll(unit, "/", "."), kind, n)}
		_, err := l.root.Lstat(d.file)
		if left := err == nil; !left && free != nil {
			continue
		}
		d.lock = flock.New(filepath.Join(l.Dir, filepath.FromSlash(strings.TrimSuffix(d.file, ".toml")+".lock")))
		switch ok, lockErr := d.lock.TryLock(); {
		case lockErr != nil:
			return nil, errors.Join(lockErr, free.Close())
		case !ok:
			continue
		case err == nil:
			return d, free.Close()
		}
		free = d
	}
	if free == nil {
		return nil, &UsageError{fmt.Sprintf("%d records of kind %s are being typed for %s already", maxDrafts, kind, unit), "finish one of them first"}
	}
	return free, nil
}

// Read returns what was kept, nil where nothing was.
func (d *Draft) Read() ([]byte, error) {
	data, err := d.l.root.ReadFile(d.file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return data, err
}

// Save keeps the draft in the place of what was kept before. sync has it
// survive a power cut too, which is too slow for every key that is typed.
func (d *Draft) Save(data []byte, sync bool) error {
	tmp := d.file + ".new"
	f, err := d.l.root.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil && sync && !d.l.opt.NoSync {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	return d.l.root.Rename(tmp, d.file)
}

// Drop forgets the draft.
func (d *Draft) Drop() error {
	err := d.l.root.Remove(d.file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// Name is where the draft is kept, from the ledger's folder.
func (d *Draft) Name() string { return path.Clean(d.file) }

// Close lets other programs have the draft.
func (d *Draft) Close() error {
	if d == nil {
		return nil
	}
	return d.lock.Close()
}

// Trial reads records among a unit's others without storing them.
type Trial struct {
	l     *Ledger
	name  string
	stock *Catalog
	file  string
}

// Trial prepares to read records of a kind and a day for a unit.
func (l *Ledger) Trial(name string, stock *Catalog, kind schema.Kind, day schema.Date) (*Trial, error) {
	file, err := l.newName(unitDir(name), day, string(kind))
	return &Trial{l, name, stock, file}, err
}

// Problems returns what would be wrong with the record if it were stored, from
// its own text and from the unit's other records.
func (t *Trial) Problems(data []byte) ([]schema.Problem, error) {
	return t.l.problemsWith(t.name, t.stock, map[string][]byte{t.file: data})
}

// Across returns what does not go with the unit's other records, the model and
// the shop. What the record says against itself is left out: it may not be
// complete yet.
func (t *Trial) Across(rec schema.Record) ([]schema.Problem, error) {
	data := schema.Encode(rec)
	u, err := t.l.load(t.name, t.stock, overlay{diskSource{t.l}, map[string][]byte{t.file: data}})
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(u.Unit.Problems, func(p schema.Problem) bool { return p.File != t.file }), nil
}

// Entered is what was done on a unit before the ledger knew of it, record by
// record, with what only the shop knows of it.
type Entered struct {
	Unit    string
	Records []*schema.Parts
	Books   []schema.Book
}

// EnteredResult tells what [Ledger.AddEntered] wrote, and what was there already.
type EnteredResult struct {
	Result
	Lines    int              `json:"lines"` // of part records, new
	Books    int              `json:"books"` // new
	Known    int              `json:"known"` // lines and entries that were there already
	Problems []schema.Problem `json:"problems,omitempty"`
}

// AddEntered takes in what was done earlier, in one commit. A line about the same
// parts that a record of the same day has already, found and done alike, is passed
// over, and so is a book entry of the same day, kind and amount: the same list may
// be taken in again. form is how the list was read, to be remembered; nil: nothing.
func (l *Ledger) AddEntered(list []Entered, subject string, form *schema.ListForm, formName string) (EnteredResult, error) {
	stock, err := l.Catalog()
	if err != nil {
		return EnteredResult{}, err
	}
	var out EnteredResult
	out.Result, err = l.update(func(w *writer) error {
		out = EnteredResult{}
		for _, e := range list {
			if err := w.enter(e, stock, &out); err != nil {
				return err
			}
		}
		if form != nil && out.Lines+out.Books > 0 {
			if err := w.form(*form, formName); err != nil {
				return err
			}
		}
		w.subject = fmt.Sprintf("%s: %d lines, %d book entries", subject, out.Lines, out.Books)
		return nil
	})
	return out, err
}

func (w *writer) enter(e Entered, stock *Catalog, out *EnteredResult) error {
	l := w.l
	var have []*schema.Parts
	u, err := l.Unit(e.Unit, stock)
	if err != nil {
		return err
	}
	for i := range u.Unit.Files {
		if r, ok := u.Unit.Files[i].Record.(*schema.Parts); ok && !r.Withdrawn {
			have = append(have, r)
		}
	}
	changed := map[string][]byte{}
	seqs := map[schema.Date]int{}
	for _, r := range e.Records {
		r.Lines = slices.DeleteFunc(r.Lines, func(line schema.PartLine) bool {
			known := slices.ContainsFunc(have, func(x *schema.Parts) bool {
				return x.Date == r.Date && slices.ContainsFunc(x.Lines, func(y schema.PartLine) bool {
					return sameParts(y, line) && y.Action == line.Action && y.Found == line.Found
				})
			})
			if known {
				out.Known++
			}
			return known
		})
		if len(r.Lines) == 0 {
			continue
		}
		p, err := l.newName(unitDir(e.Unit), r.Date, string(schema.KindParts))
		if err != nil {
			return err
		}
		// The first of its day has no number: an intake of that day, entered later
		// still, comes before it.
		next, err := l.NextSeq(e.Unit, r.Date)
		if err != nil {
			return err
		}
		if r.Seq = next + seqs[r.Date]; r.Seq == 1 {
			r.Seq = 0
		}
		seqs[r.Date]++
		changed[p] = schema.Encode(r)
		out.Lines += len(r.Lines)
	}
	problems, err := l.problemsWith(e.Unit, stock, changed)
	if err != nil {
		return err
	}
	if schema.Worst(problems) == schema.Unreadable {
		return &ProblemsError{"nothing was imported", problems}
	}
	out.Problems = append(out.Problems, problems...)
	for p, data := range changed {
		w.put(p, data)
	}
	books, err := l.books(e.Unit)
	if err != nil {
		return err
	}
	for _, b := range e.Books {
		if slices.ContainsFunc(books, func(x schema.Book) bool {
			return x.Kind == b.Kind && x.Date == b.Date && x.Amount == b.Amount && x.Time == b.Time
		}) {
			out.Known++
			continue
		}
		p, err := l.newName("books/"+e.Unit, b.Date, string(b.Kind))
		if err != nil {
			return err
		}
		data := schema.Encode(&b)
		if book, problems := schema.Decode[schema.Book](p, data); book == nil || schema.Worst(problems) > schema.Warned {
			return &ProblemsError{"nothing was imported", problems}
		}
		w.put(p, data)
		out.Books++
	}
	return nil
}

// books are the entries of a unit that can be read.
func (l *Ledger) books(name string) ([]schema.Book, error) {
	entries, err := l.list("books/" + name)
	if err != nil {
		return nil, err
	}
	var out []schema.Book
	for _, e := range entries {
		p := "books/" + name + "/" + e.Name()
		if e.IsDir() || !strings.HasSuffix(p, ".toml") {
			continue
		}
		data, err := l.read(p)
		if err != nil {
			return nil, err
		}
		if b, _ := schema.Decode[schema.Book](p, data); b != nil {
			out = append(out, *b)
		}
	}
	return out, nil
}
