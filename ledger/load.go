package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// memo keeps files of the stock as they were last read, so that a program
// which writes many records does not read every model anew for each. Content
// decides: a file that changed is read again.
type memo struct {
	mu     sync.Mutex
	files  map[string]remembered
	models map[string]*schema.Model // those in order, by content: units of one model carry the same
}

type remembered struct {
	data     []byte
	value    any
	problems []schema.Problem
}

// decodeOnce is schema.Decode through the memo. The value is shared: nobody
// changes it.
func decodeOnce[T any](m *memo, p string, data []byte) (*T, []schema.Problem) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r, ok := m.files[p]; ok && bytes.Equal(r.data, data) {
		return r.value.(*T), r.problems
	}
	v, problems := schema.Decode[T](p, data)
	if m.files == nil {
		m.files = map[string]remembered{}
	}
	m.files[p] = remembered{data, v, problems}
	return v, problems
}

// model is schema.Decode of a unit's own model, through the memo.
func (m *memo) model(p string, data []byte) (*schema.Model, []schema.Problem) {
	m.mu.Lock()
	v := m.models[string(data)]
	m.mu.Unlock()
	if v != nil {
		return v, nil
	}
	v, problems := schema.Decode[schema.Model](p, data)
	if len(problems) == 0 {
		m.mu.Lock()
		defer m.mu.Unlock()
		if m.models == nil || len(m.models) == 100 {
			m.models = map[string]*schema.Model{}
		}
		m.models[string(data)] = v
	}
	return v, problems
}

// Stock is what the shop has on its shelves of knowledge: models, families and
// lots, with what is wrong with their files.
type Catalog struct {
	Models   map[string]*schema.Model
	Families schema.FamilyList
	Lots     map[string]*schema.Lot
	Problems []schema.Problem
}

// unread gathers the files that could not be read, from every processor.
type unread struct {
	mu   sync.Mutex
	list []schema.Problem
}

// NoteUnread remembers problems of files that could not be read, and no others.
func (l *Ledger) NoteUnread(problems ...schema.Problem) {
	if list := schema.Unread(problems); list != nil {
		l.unread.mu.Lock()
		defer l.unread.mu.Unlock()
		l.unread.list = append(l.unread.list, list...)
	}
}

// Unread lists the files that could not be read, of all that were asked for since
// the ledger was opened: what was worked out lacks them. In order of path, each
// file once.
func (l *Ledger) Unread() []schema.Problem {
	l.unread.mu.Lock()
	defer l.unread.mu.Unlock()
	out := slices.Clone(l.unread.list)
	slices.SortStableFunc(out, func(a, b schema.Problem) int { return strings.Compare(a.File, b.File) })
	return slices.CompactFunc(out, func(a, b schema.Problem) bool { return a.File == b.File })
}

// Stock reads models, families and lots from the work tree.
func (l *Ledger) Catalog() (*Catalog, error) {
	s := &Catalog{Models: map[string]*schema.Model{}, Lots: map[string]*schema.Lot{}}
	data, err := l.read("families.toml")
	switch {
	case errors.Is(err, fs.ErrNotExist):
		s.Families = schema.NewFamilyList(nil)
	case err != nil:
		return nil, err
	default:
		own, problems := schema.Decode[schema.Families]("families.toml", data)
		s.Problems = append(s.Problems, problems...)
		s.Families = schema.NewFamilyList(own)
	}
	if err := each(l, "models", func(name, p string, data []byte) {
		m, problems := decodeOnce[schema.Model](&l.seen, p, data)
		s.Problems = append(s.Problems, problems...)
		s.Problems = append(s.Problems, s.modelFamilies(p, data, m)...)
		if m != nil {
			s.Models[name] = m
		}
	}, &s.Problems); err != nil {
		return nil, err
	}
	err = each(l, "lots", func(name, p string, data []byte) {
		lot, problems := decodeOnce[schema.Lot](&l.seen, p, data)
		s.Problems = append(s.Problems, problems...)
		if lot != nil {
			s.Lots[name] = lot
			s.Problems = append(s.Problems, l.lotProblems(p, data, lot, s.Families)...)
		}
	}, &s.Problems)
	l.NoteUnread(s.Problems...)
	return s, err
}

// each calls fn for every TOML file of a folder.
func each(l *Ledger, dir string, fn func(name, p string, data []byte), problems *[]schema.Problem) error {
	entries, err := l.list(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		p := dir + "/" + e.Name()
		name, ok := strings.CutSuffix(e.Name(), ".toml")
		if !ok || CheckSlug("", name) != nil {
			*problems = append(*problems, schema.Problem{File: p, Severity: schema.Wrong, Message: "does not belong in " + dir + "/",
				Write: "files there are named like " + dir + "/name-of-it.toml, in lower case"})
			continue
		}
		data, err := l.read(p)
		if err != nil {
			*problems = append(*problems, schema.Problem{File: p, Severity: schema.Unreadable, Message: err.Error()})
			continue
		}
		fn(name, p, data)
	}
	return nil
}

// modelFamilies reports families a model names that nobody knows.
func (s *Catalog) modelFamilies(p string, data []byte, m *schema.Model) []schema.Problem {
	if m == nil {
		return nil
	}
	c := &schema.Collector{File: p}
	look := func(at string, sets []schema.PositionSet) {
		for i, set := range sets {
			if set.Family != "" {
				s.family(c, fmt.Sprintf("%s.position[%d].family", at, i), set.Family)
			}
		}
	}
	for i, b := range m.Boards {
		look(fmt.Sprintf("board[%d]", i), b.Positions)
	}
	for i, x := range m.Sections {
		look(fmt.Sprintf("section[%d]", i), x.Positions)
	}
	return placed(c, data)
}

// placed fills in where the problems of a file stand.
func placed(c *schema.Collector, data []byte) []schema.Problem {
	if len(c.Problems) > 0 {
		schema.Locate(data).Place(c.Problems)
	}
	return c.Problems
}

func (s *Catalog) family(c *schema.Collector, at string, f schema.FamilyName) {
	if _, ok := s.Families[f]; ok || f.Check() != nil {
		return
	}
	if near := schema.Nearest(string(f), s.Families.Names()); near != "" {
		c.Errorf(at, "no family %q => did you mean %s?", string(f), near)
		return
	}
	c.Errorf(at, "no family %q => add it to families.toml", string(f))
}

func (l *Ledger) lotProblems(p string, data []byte, lot *schema.Lot, families schema.FamilyList) []schema.Problem {
	c := &schema.Collector{File: p}
	(&Catalog{Families: families}).family(c, "family", lot.Family)
	if lot.Date.After(l.Today().Day) {
		c.Errorf("date", "%s is in the future (today is %s)", lot.Date, l.Today())
	}
	for i, n := range lot.Notices {
		if !slices.ContainsFunc(l.Shop.Technicians, func(t schema.Technician) bool { return t.ID == n.By }) && n.By != "" {
			c.Errorf(fmt.Sprintf("notice[%d].by", i), "shop.toml lists no technician %q", n.By)
		}
	}
	return placed(c, data)
}

// Loaded is a unit with the problems of its files and of the whole.
type Loaded unit.Loaded

// fileSource reads the files of one unit from wherever they are.
type fileSource interface {
	// names lists all files below dir, slash paths from the ledger.
	names(dir string) ([]string, error)
	read(p string) ([]byte, error)
}

// sourceFS is a source as a file system of files alone, listed at once.
type sourceFS struct{ fileSource }

// Names implements [unit.Lister].
func (s sourceFS) Names(dir string) ([]string, error) { return s.names(dir) }

// ReadFile implements [fs.ReadFileFS].
func (s sourceFS) ReadFile(p string) ([]byte, error) { return s.read(p) }

// Open implements [fs.FS] for files.
func (s sourceFS) Open(p string) (fs.File, error) {
	data, err := s.read(p)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: p, Err: err}
	}
	return &openData{bytes.NewReader(data), path.Base(p)}, nil
}

// openData is a file of a source, held in memory, and what is known of it.
type openData struct {
	*bytes.Reader
	name string
}

func (f *openData) Stat() (fs.FileInfo, error) { return f, nil }
func (f *openData) Close() error               { return nil }
func (f *openData) Name() string               { return f.name }
func (f *openData) Mode() fs.FileMode          { return 0o444 }
func (f *openData) ModTime() time.Time         { return time.Time{} }
func (f *openData) IsDir() bool                { return false }
func (f *openData) Sys() any                   { return nil }

// folderSource reads one unit's folder of the work tree.
type folderSource struct {
	diskSource
	dir    string
	folder *openFolder // nil: there is none
}

func (l *Ledger) folder(dir string) (*folderSource, error) {
	folder, err := l.openFolder(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return &folderSource{diskSource{l}, dir, folder}, nil
}

func (s *folderSource) close() {
	if s.folder != nil {
		s.folder.Close()
	}
}

func (s *folderSource) names(dir string) ([]string, error) {
	if s.folder == nil || dir != s.dir {
		return s.diskSource.names(dir)
	}
	entries, err := s.folder.list()
	if err != nil {
		return nil, err
	}
	return s.below(dir, entries)
}

func (s *folderSource) read(p string) ([]byte, error) {
	if below, ok := strings.CutPrefix(p, s.dir+"/"); ok && s.folder != nil {
		if data, ok := s.folder.read(below); ok {
			return data, nil
		}
	}
	return s.diskSource.read(p)
}

// diskSource reads from the work tree.
type diskSource struct{ l *Ledger }

func (s diskSource) read(p string) ([]byte, error) { return s.l.read(p) }

func (s diskSource) names(dir string) ([]string, error) {
	entries, err := s.l.list(dir)
	if err != nil {
		return nil, err
	}
	return s.below(dir, entries)
}

// below lists the files of a folder that holds these entries, in order.
func (s diskSource) below(dir string, entries []fs.DirEntry) ([]string, error) {
	sortEntries(entries)
	var out []string
	for _, e := range entries {
		p := dir + "/" + e.Name()
		if junkForm.MatchString(e.Name()) {
			continue
		}
		if !e.IsDir() {
			out = append(out, p)
			continue
		}
		below, err := s.names(p)
		if err != nil {
			return nil, err
		}
		out = append(out, below...)
	}
	return out, nil
}

// treeSource reads from a tree of git that stands for a unit's folder.
type treeSource struct {
	l    *Ledger
	tree object.Hash
	dir  string
}

func (s treeSource) read(p string) ([]byte, error) {
	data, ok, err := s.l.blobAt(s.tree, strings.TrimPrefix(p, s.dir+"/"))
	if err == nil && !ok {
		err = fs.ErrNotExist
	}
	return data, err
}

func (s treeSource) names(string) ([]string, error) {
	diff, err := s.l.repo.DiffTrees(object.ZeroHash, s.tree)
	out := make([]string, len(diff))
	for i, d := range diff {
		out[i] = s.dir + "/" + d.Path
	}
	return out, err
}

// Unit reads one unit from the work tree.
func (l *Ledger) Unit(name string, stock *Catalog) (*Loaded, error) {
	src, err := l.folder(unitDir(name))
	if err != nil {
		return nil, err
	}
	defer src.close()
	return l.load(name, stock, src)
}

// load reads one unit. An error is a failure to read; what is wrong with the
// records is in Problems.
func (l *Ledger) load(name string, stock *Catalog, src fileSource) (*Loaded, error) {
	elsewhere, err := l.elsewhere(name)
	if err != nil {
		return nil, err
	}
	return l.loadWith(name, stock, src, elsewhere)
}

// loadWith reads one unit, some of whose records may be other benches'.
func (l *Ledger) loadWith(name string, stock *Catalog, src fileSource, elsewhere map[string]*unit.Bench) (*Loaded, error) {
	u, err := unit.Read(sourceFS{src}, unit.Folder{Name: name, Dir: unitDir(name), Model: stock.Models[modelOf(name)], Attributes: Attributes,
		DecodeModel: l.seen.model, Attachment: func(name string) (string, string) {
			if err := checkAttachment(name); err != nil {
				return err.Error(), hintOf(err)
			}
			return "", ""
		}}, unit.Context{Shop: l.Shop, Families: stock.Families, Lots: stock.Lots, Today: l.Today(), Elsewhere: elsewhere})
	if u != nil {
		l.NoteUnread(u.Problems...)
	}
	return (*Loaded)(u), err
}

// All reads every unit, on all processors, and calls fn with each in order of
// name.
func (l *Ledger) All(stock *Catalog, fn func(name string, u *Loaded, err error) error) error {
	names, err := l.Units()
	if err != nil {
		return err
	}
	return inOrder(names, l.opt.Progress, func(name string) (*Loaded, error) { return l.Unit(name, stock) }, fn)
}
