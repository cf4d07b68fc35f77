package ledger

import (
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
)

// CheckObjects reads every object of git that main, the units' branches and the
// seals lead to, and reports what is gone or does not have the bytes it is named
// for. A partial clone may lack objects; what it has is read.
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
	return &CheckReport{Git: w.problems}, nil
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
			remedy = fmt.Sprintf("the file still has it: delete %s and run: git hash-object -w %s", c.File, at.path)
		}
	}
	unit := ""
	if name, ok := strings.CutPrefix(at.from, "unit/"); ok {
		unit = name
	}
	w.problems = append(w.problems, GitProblem{Unit: unit, What: what, Remedy: remedy})
}
