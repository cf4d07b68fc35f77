package proof

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"

	"benchlore/ledger/proof/gitobj"
	"benchlore/ledger/proof/growth"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// Attributes is the .gitattributes of every instrument's folder: it keeps git
// from changing any byte.
const Attributes = "* -text -filter -ident\n"

// Travelled is a unit as its history and its seals tell it, and nothing else:
// what a packet's reports are made from. Reading it from the ledger that sealed
// it and from a packet gives the same.
type Travelled struct {
	Unit     *unit.Unit // records of other benches are in its Elsewhere
	Problems []schema.Problem
	Shop     *schema.Shop // who sealed last, as its seal says
	Families schema.FamilyList
	Steps    []Step
	Seals    []*Seal // at least one; the last one stands on the head
	Files    map[string][]byte
	Vouched  *Vouched                          // who stands for it, and who changed whose words
	Attached func(path string) ([]byte, error) // a picture or another file of the unit's folder
}

// Last is the seal the reports are made as of.
func (t *Travelled) Last() *Seal { return t.Seals[len(t.Seals)-1] }

// Reports makes the reports of a packet, and compares the data of one with a
// history.
type Reports struct {
	// Make returns report.html, report.json and report.pdf.
	Make func(t *Travelled) (map[string][]byte, error)
	// Compare holds report.json as it was sent against what Make says, and sorts
	// what differs.
	Compare func(t *Travelled, sent, made []byte) Comparison
}

// Comparison is how the data of a report differs from a history.
type Comparison struct {
	Lies    []string // facts copied from records that are not what the records say: what, and where
	Differs []string // what is worked out or worded, and is otherwise here
	Unread  string   // why they could not be compared; "": they were
}

// Travel reads what a chain of seals stands over, as of the last one.
func Travel(from gitobj.Objects, chain []*Seal) (*Travelled, error) {
	end := chain[len(chain)-1]
	grown, err := Grows(from, end.head, chain, end.Statement.UUID)
	if err != nil {
		return nil, err
	}
	return travel(newHistory(from), chain, grown)
}

func travel(h *history, chain []*Seal, grown *growth.Result) (*Travelled, error) {
	end := chain[len(chain)-1]
	last := end.Statement
	c, err := h.commit(end.head)
	if err != nil {
		return nil, err
	}
	t := &Travelled{Seals: chain}
	shops := shopsOf(chain, nil)
	own := &unit.Bench{Lots: map[string]*schema.Lot{}}
	var families schema.Families
	for _, s := range chain {
		families.Families = append(families.Families, s.Statement.Families...)
		if shops.same(s, end) {
			b := s.Statement.Bench()
			own.Technicians = append(b.Technicians, own.Technicians...)
			own.TestInstruments = append(b.TestInstruments, own.TestInstruments...)
			maps.Copy(own.Lots, b.Lots)
		}
	}
	t.Shop = &schema.Shop{Name: last.Shop.Name, Contact: last.Shop.Contact, Technicians: own.Technicians, TestInstruments: own.TestInstruments}
	t.Families = schema.NewFamilyList(&families)
	dir := unitDir(last.Unit)
	tree := treeFS{h, c.Tree}
	read, err := readUnit(tree, last.Unit, unit.Context{Shop: t.Shop, Families: t.Families, Lots: own.Lots,
		Today: schema.NewDate(last.Sealed), Elsewhere: Benches(chain, func(s *Seal) bool { return !shops.same(s, end) })})
	if err != nil {
		return nil, err
	}
	t.Unit, t.Problems, t.Files = read.Unit, read.Problems, read.Files
	t.Attached = func(p string) ([]byte, error) {
		data, err := tree.ReadFile(strings.TrimPrefix(p, dir+"/"))
		if errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("the unit's folder has no file %q", p)
		}
		return data, err
	}
	if t.Steps, err = h.tell(end.head); err != nil {
		return nil, err
	}
	t.Vouched, err = vouch(h, end.head, chain, grown)
	return t, err
}

// shops says which keys are one shop's: those that rotations link, each signed
// with both. Names never do.
type shops map[string]string // fingerprint to one nearer to the one that stands for all

// shopsOf reads the rotations of a chain, and of more.
func shopsOf(chain []*Seal, more []SignedRotation) shops {
	s := shops{}
	add := func(list []SignedRotation) {
		for i := range list {
			r, err := list[i].Check()
			if err != nil {
				continue // a flaw of its own
			}
			from, err1 := gitobj.ParseKey(r.Old)
			to, err2 := gitobj.ParseKey(r.New)
			if err1 == nil && err2 == nil {
				if a, b := s.root(gitobj.Fingerprint(from)), s.root(gitobj.Fingerprint(to)); a != b {
					s[b] = a
				}
			}
		}
	}
	told := map[string]bool{}
	for _, seal := range chain {
		list := slices.DeleteFunc(slices.Clone(seal.Statement.Rotations), func(r SignedRotation) bool { return told[r.Text] })
		for _, r := range list {
			told[r.Text] = true
		}
		add(list)
	}
	add(more)
	return s
}

func (s shops) root(key string) string {
	for s[key] != "" {
		key = s[key]
	}
	return key
}

// same reports whether two seals are one shop's.
func (s shops) same(a, b *Seal) bool {
	return a == b || a.key != nil && b.key != nil && s.root(a.Fingerprint()) == s.root(b.Fingerprint())
}

// ChangeOfKey says how the key of a seal came after that of an earlier one of the
// same shop; chain holds the rotations. "" where it is the same key.
func ChangeOfKey(before, s *Seal, chain []*Seal) KeyChange {
	switch {
	case before.key == nil || s.key == nil || before.Fingerprint() == s.Fingerprint():
		return ""
	case shopsOf(chain, nil).same(before, s):
		return KeyLinked
	}
	return KeyUnlinked
}

// Benches gives each record the bench whose seal held it first, where that
// bench is another one. Who sealed a record first had it first.
func Benches(chain []*Seal, other func(*Seal) bool) map[string]*unit.Bench {
	shops := shopsOf(chain, nil)
	out := map[string]*unit.Bench{}
	seen := map[string]bool{}
	byShop := map[string]*unit.Bench{}
	for _, s := range chain {
		var b *unit.Bench
		if other(s) {
			b = s.Statement.Bench()
			shop := shops.root(s.Fingerprint())
			if known := byShop[shop]; known == nil {
				byShop[shop] = b
			} else {
				// The same shop again: what it said later is on top.
				known.Technicians = append(b.Technicians, known.Technicians...)
				known.TestInstruments = append(b.TestInstruments, known.TestInstruments...)
				maps.Copy(known.Lots, b.Lots)
				b = known
			}
		}
		for p := range s.Statement.Files {
			if !schema.IsRecordIn(p) || seen[p] {
				continue
			}
			if seen[p] = true; b != nil {
				out[recordName(p)] = b
			}
		}
	}
	return out
}

// readUnit reads a unit from its folder. A text in which tables nest too deep is
// not given to the decoder.
func readUnit(tree fs.FS, name string, about unit.Context) (*unit.Loaded, error) {
	dir := unitDir(name)
	return unit.Read(folderFS{tree, dir}, unit.Folder{Name: name, Dir: dir, Attributes: Attributes}, about)
}

// folderFS is a unit's own tree under the path its folder has in a ledger.
type folderFS struct {
	tree fs.FS
	dir  string
}

func (f folderFS) below(name string) string {
	if name == f.dir {
		return "."
	}
	return strings.TrimPrefix(name, f.dir+"/")
}

// Open opens a file or a folder.
func (f folderFS) Open(name string) (fs.File, error) { return f.tree.Open(f.below(name)) }

// ReadDir lists a folder.
func (f folderFS) ReadDir(name string) ([]fs.DirEntry, error) {
	return fs.ReadDir(f.tree, f.below(name))
}

// ReadFile returns the bytes of a file.
func (f folderFS) ReadFile(name string) ([]byte, error) {
	data, err := fs.ReadFile(f.tree, f.below(name))
	if err == nil && strings.HasSuffix(name, ".toml") {
		err = CheckNesting(data)
	}
	return data, err
}
