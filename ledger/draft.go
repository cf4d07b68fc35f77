package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/gofrs/flock"

	"benchlore/schema"
)

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
	stock *Stock
	file  string
}

// Trial prepares to read records of a kind and a day for a unit.
func (l *Ledger) Trial(name string, stock *Stock, kind schema.Kind, day schema.Date) (*Trial, error) {
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
