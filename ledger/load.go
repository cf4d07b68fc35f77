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

	"github.com/go-git/go-git/v5/plumbing"

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
type Stock struct {
	Models   map[string]*schema.Model
	Families schema.FamilyList
	Lots     map[string]*schema.Lot
	Problems []schema.Problem
}

// Stock reads models, families and lots from the work tree.
func (l *Ledger) Stock() (*Stock, error) {
	s := &Stock{Models: map[string]*schema.Model{}, Lots: map[string]*schema.Lot{}}
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
func (s *Stock) modelFamilies(p string, data []byte, m *schema.Model) []schema.Problem {
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

func (s *Stock) family(c *schema.Collector, at string, f schema.FamilyName) {
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
	(&Stock{Families: families}).family(c, "family", lot.Family)
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
type Loaded struct {
	*unit.Unit
	Files    map[string][]byte // every file of the folder that is text of ours, by path from the ledger
	Problems []schema.Problem
}

// fileSource reads the files of one unit from wherever they are.
type fileSource interface {
	// names lists all files below dir, slash paths from the ledger.
	names(dir string) ([]string, error)
	read(p string) ([]byte, error)
}

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
	tree plumbing.Hash
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
	diff, err := s.l.repo.DiffTrees(plumbing.ZeroHash, s.tree)
	out := make([]string, len(diff))
	for i, d := range diff {
		out[i] = s.dir + "/" + d.Path
	}
	return out, err
}

// Unit reads one unit from the work tree.
func (l *Ledger) Unit(name string, stock *Stock) (*Loaded, error) {
	src, err := l.folder(unitDir(name))
	if err != nil {
		return nil, err
	}
	defer src.close()
	return l.load(name, stock, src)
}

// load reads one unit. An error is a failure to read; what is wrong with the
// records is in Problems.
func (l *Ledger) load(name string, stock *Stock, src fileSource) (*Loaded, error) {
	elsewhere, err := l.elsewhere(name)
	if err != nil {
		return nil, err
	}
	return l.loadWith(name, stock, src, elsewhere)
}

// loadWith reads one unit, some of whose records may be other benches'.
func (l *Ledger) loadWith(name string, stock *Stock, src fileSource, elsewhere map[string]*unit.Bench) (*Loaded, error) {
	dir := unitDir(name)
	names, err := src.names(dir)
	if err != nil {
		return nil, err
	}
	out := &Loaded{Files: map[string][]byte{}}
	s := unit.Source{Name: name, Dir: dir}
	add := func(p string, sev schema.Severity, message, write string) {
		out.Problems = append(out.Problems, schema.Problem{File: p, Severity: sev, Message: message, Write: write})
	}
	var travelling *schema.Model
	lower := map[string]string{}
	for _, p := range names {
		base := path.Base(p)
		if first, ok := lower[strings.ToLower(p)]; ok {
			add(p, schema.Wrong, "differs from "+path.Base(first)+" in case only; some systems cannot keep both", "rename one before it is saved")
		}
		lower[strings.ToLower(p)] = p
		if path.Dir(p) != dir {
			if !strings.HasPrefix(p, dir+"/photos/") && !strings.HasPrefix(p, dir+"/files/") {
				add(p, schema.Wrong, "does not belong in an instrument's folder", "pictures go into photos/, other files into files/")
			} else if err := checkAttachment(base); err != nil {
				add(p, schema.Wrong, err.Error(), hintOf(err))
			}
			continue
		}
		_, kind, _, isRecord := schema.ParseName(base)
		switch {
		case base == ".gitattributes":
			data, err := src.read(p)
			if err != nil {
				return nil, err
			}
			if string(data) != Attributes {
				add(p, schema.Wrong, "is not what keeps git from changing bytes", "it must hold exactly: "+strings.TrimSpace(Attributes))
			}
			out.Files[p] = data
			continue
		case base != "instrument.toml" && base != "model.toml" && !isRecord:
			add(p, schema.Wrong, "is not named as a record", "records are named date-kind-xxxx.toml, such as 2031-03-04-intake-7q3f.toml; other files go into files/")
			continue
		}
		data, err := src.read(p)
		if err != nil {
			add(p, schema.Unreadable, err.Error(), "")
			continue
		}
		out.Files[p] = data
		switch {
		case base == "instrument.toml":
			inst, problems := schema.Decode[schema.Instrument](p, data)
			if inst == nil || !slices.Contains(schema.InstrumentFormat.Read, inst.Format) {
				if err := schema.InstrumentFormat.Check(p, data); err != nil {
					add(p, schema.Unreadable, strings.TrimPrefix(err.Error(), p+": "), err.(*FormatError).Hint())
					continue
				}
			}
			out.Problems = append(out.Problems, problems...)
			s.Instrument, s.InstrumentData = inst, data
		case base == "model.toml":
			m, problems := l.seen.model(p, data)
			out.Problems = append(out.Problems, problems...)
			travelling = m
		default:
			if schema.New(schema.Kind(kind)) == nil {
				add(p, schema.Unreadable, fmt.Sprintf("%q is no kind of record", kind),
					"the kinds are: "+strings.Join(schema.Kind("").Words(), ", "))
				continue
			}
			rec, problems := schema.DecodeRecord(p, data)
			out.Problems = append(out.Problems, problems...)
			if rec != nil {
				s.Records = append(s.Records, unit.File{Path: p, Data: data, Record: rec})
			}
		}
	}
	for _, f := range s.Records {
		for _, at := range attachments(f.Record) {
			if !slices.Contains(names, dir+"/"+at) {
				add(f.Path, schema.Wrong, fmt.Sprintf("names %s, which is not there", at), "put the file into the unit's folder, or leave the entry out")
			}
		}
	}
	if s.Instrument == nil && out.Files[dir+"/instrument.toml"] == nil {
		add(dir+"/instrument.toml", schema.Wrong, "is missing", "restore it with git, or open the unit with: benchlore new")
	}
	s.Model = stock.Models[modelOf(name)]
	if s.Model == nil {
		s.Model = travelling
	}
	if s.Model == nil {
		add("models/"+modelOf(name)+".toml", schema.Wrong, "is missing; "+name+" needs it", "add the model; it may start with nothing but its sections")
	}
	out.Unit = unit.Build(s, unit.Context{Shop: l.Shop, Families: stock.Families, Lots: stock.Lots, Today: l.Today(), Elsewhere: elsewhere})
	out.Problems = append(out.Problems, out.Unit.Problems...)
	schema.Sort(out.Problems)
	return out, nil
}

// All reads every unit, on all processors, and calls fn with each in order of
// name.
func (l *Ledger) All(stock *Stock, fn func(name string, u *Loaded, err error) error) error {
	names, err := l.Units()
	if err != nil {
		return err
	}
	return inOrder(names, l.opt.Progress, func(name string) (*Loaded, error) { return l.Unit(name, stock) }, fn)
}
