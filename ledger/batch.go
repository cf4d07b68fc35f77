package ledger

import (
	"bytes"
	"maps"
	"path"

	"benchlore/schema"
)

// Batch gathers changed files of one unit that are written together: in one
// commit, or not at all.
type Batch struct {
	Unit    *Loaded // as its folder stands
	Stock   *Stock
	Subject string // of the commit

	w      *writer
	closed map[string]bool
	texts  map[string][]byte
}

// Change runs fn under the ledger's lock and commits what fn put into the batch.
// Nothing is written if fn fails, or if it put nothing new. Errors are those of
// fn, of reading the unit and of writing.
func (l *Ledger) Change(unit string, fn func(*Batch) error) (Result, error) {
	return l.update(func(w *writer) error {
		b, err := l.batch(unit, w)
		if err == nil {
			err = fn(b)
		}
		if err != nil {
			return err
		}
		for p, data := range b.texts {
			w.put(p, data)
		}
		w.subject = b.Subject
		return nil
	})
}

// Rehearse runs fn as Change does, without the lock, and writes nothing.
func (l *Ledger) Rehearse(unit string, fn func(*Batch) error) error {
	w := &writer{l: l}
	var err error
	if w.head, w.tree, err = l.mainTree(); err != nil {
		return err
	}
	b, err := l.batch(unit, w)
	if err != nil {
		return err
	}
	return fn(b)
}

func (l *Ledger) batch(unit string, w *writer) (*Batch, error) {
	b := &Batch{w: w, texts: map[string][]byte{}}
	var err error
	if b.Stock, err = l.Stock(); err != nil {
		return nil, err
	}
	if b.Unit, err = l.Unit(unit, b.Stock); err != nil {
		return nil, err
	}
	b.closed, err = l.closedFiles(unit, w.head)
	return b, err
}

// Closed reports whether a record has been closed: it changes only by a
// correction from then on.
func (b *Batch) Closed(p string) bool { return b.closed[path.Base(p)] }

// NewRecord returns a path for a new record, which no other file of the unit has,
// and the record's place among those of the day.
func (b *Batch) NewRecord(kind schema.Kind, day schema.Date) (p string, seq int, err error) {
	if p, err = b.w.l.newName(unitDir(b.Unit.Name), day, string(kind)); err != nil {
		return "", 0, err
	}
	seq, err = b.w.l.NextSeq(b.Unit.Name, day)
	return p, seq, err
}

// Put gives a file of the unit its new text. A file that was edited by hand and
// not saved since is an *UnsavedError.
func (b *Batch) Put(p string, data []byte) error {
	if onDisk, there := b.Unit.Files[p]; there {
		committed, ok, err := b.w.committed(p)
		if err != nil {
			return err
		}
		if !ok || !bytes.Equal(committed, onDisk) {
			return &UnsavedError{[]string{p}}
		}
	}
	b.texts[p] = data
	return nil
}

// Problems reads the unit as it will be. It returns everything wrong with it
// then, and those of the errors that it does not have now.
func (b *Batch) Problems() (all, fresh []schema.Problem, err error) {
	after, err := b.w.l.load(b.Unit.Name, b.Stock, overlay{diskSource{b.w.l}, maps.Clone(b.texts)})
	if err != nil {
		return nil, nil, err
	}
	return after.Problems, newErrors(b.Unit.Problems, after.Problems), nil
}
