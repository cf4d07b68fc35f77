// Package ledger keeps a shop's records on disk and in git: it opens and
// starts ledgers, reads units, writes one commit per command on main, and at
// the end of a job puts what is to travel on the unit's own signed branch.
package ledger

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/proof"
	"benchlore/schema"
)

// mainRef is the branch that holds the whole ledger.
const mainRef = "refs/heads/main"

// unitRefs is where the units' own branches are.
const unitRefs = "refs/heads/unit/"

// lockWait is how long a command waits for others that write.
const lockWait = 20 * time.Second

// Attributes is the .gitattributes of a ledger and of every instrument: it keeps
// git from changing any byte.
const Attributes = proof.Attributes

// Options are what a ledger takes from outside. The zero value is the usual
// one: the system's clock, random numbers and git's own configuration.
type Options struct {
	Now        func() time.Time
	Random     io.Reader
	NoSync     bool // skip fsync: for throw-away ledgers only
	Passphrase func(key string) ([]byte, error)
	Waiting    func()                                     // called when another program has held the ledger for a second
	Progress   func(done, of int)                         // called after each unit where all are read; the last call has done == of
	Author     *gitstore.Ident                            // overrides git's user.*; its When is not used
	unfinished bool                                       // open it though it is not all there yet
	nested     bool                                       // a ledger inside another, for a trial
	DryRun     bool                                       // work everything out and write nothing
	DropLock   func(lock *gitstore.ForeignLockError) bool // asked before an empty lock file is removed that may be another git's; nil: never
	Wait       time.Duration                              // how long to wait for others that write; 0: long enough for any of their commands
}

// Ledger is an open ledger.
type Ledger struct {
	Dir  string
	Shop *schema.Shop

	repo *gitstore.Repo
	root *os.Root
	opt  Options
	seen memo

	unread unread // files met so far that could not be read

	wrote bool // something was committed

	fault func(step string) error // set by tests to stop an exchange between steps

	// Recovered tells what the last write found of an earlier one that was cut
	// short; nil: nothing.
	Recovered *gitstore.Recovery

	// Clock says what the last write found wrong with the clock; "" for nothing.
	Clock string
}

// FormatError says that the ledger's files are of a version this program does
// not read.
type FormatError = schema.FormatError

// NoLedgerError says that a folder is no ledger.
type NoLedgerError struct{ Dir string }

func (e *NoLedgerError) Error() string {
	return fmt.Sprintf("%s is not in a ledger (no shop.toml in it or above it)", e.Dir)
}

// Hint names the next step.
func (e *NoLedgerError) Hint() string {
	return "go to the ledger's folder, name it with --ledger DIR, or start one with: benchlore start DIR"
}

// ProblemsError carries what is wrong with files that were to be taken in.
type ProblemsError struct {
	What     string // what was refused
	Problems []schema.Problem
}

func (e *ProblemsError) Error() string {
	n, _ := schema.Count(e.Problems)
	if n == 1 {
		return e.What + ": 1 error"
	}
	return fmt.Sprintf("%s: %d errors", e.What, n)
}

// UsageError is a request that cannot be carried out as it was made.
type UsageError struct{ What, Remedy string }

func (e *UsageError) Error() string { return e.What }

// Hint names the next step.
func (e *UsageError) Hint() string { return e.Remedy }

// Find returns the ledger's folder: dir itself, or the nearest one above it
// that holds shop.toml.
func Find(dir string) (string, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	for up := dir; ; up = filepath.Dir(up) {
		if begun := unfinishedIn(up); begun != nil {
			return "", begun
		}
		if _, err := os.Lstat(filepath.Join(up, "shop.toml")); err == nil {
			return up, nil
		}
		if up == filepath.Dir(up) {
			return "", &NoLedgerError{dir}
		}
	}
}

// Open opens the ledger in dir.
// Errors: *NoLedgerError, *FormatError, *ProblemsError for a shop.toml that
// cannot be read, and gitstore's for the repository.
func Open(dir string, opt Options) (*Ledger, error) {
	opt.defaults()
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &NoLedgerError{dir}
	}
	if err != nil {
		return nil, err
	}
	if begun := unfinishedIn(dir); begun != nil && !opt.unfinished {
		root.Close()
		return nil, begun
	}
	l := &Ledger{Dir: dir, root: root, opt: opt}
	data, err := l.read("shop.toml")
	if errors.Is(err, fs.ErrNotExist) {
		root.Close()
		return nil, &NoLedgerError{dir}
	}
	if err == nil {
		err = schema.ShopFormat.Check("shop.toml", data)
	}
	if err == nil {
		var problems []schema.Problem
		if l.Shop, problems = schema.Decode[schema.Shop]("shop.toml", data); l.Shop == nil {
			err = &ProblemsError{"shop.toml cannot be read", problems}
		}
	}
	if err == nil {
		l.repo, err = gitstore.Open(dir, Program)
	}
	if err != nil {
		root.Close()
		return nil, err
	}
	l.repo.NoSync, l.repo.DropLock = opt.NoSync, opt.DropLock
	return l, nil
}

func (o *Options) defaults() {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Random == nil {
		o.Random = rand.Reader
	}
	if o.Wait == 0 {
		o.Wait = lockWait
	}
}

// Close lets go of the ledger's folder. What was written has been reported by
// then: it is the time to pack, once in a thousand commands.
func (l *Ledger) Close() error {
	if l.wrote {
		_ = l.repo.Tidy() // a service: no command fails for it
	}
	return errors.Join(l.repo.Close(), l.root.Close())
}

// Mended names the indexes of git's packs that were damaged and were made again.
func (l *Ledger) Mended() []string { return l.repo.Mended }

// Today is the day it is now.
func (l *Ledger) Today() schema.Date { return schema.NewDate(l.opt.Now()) }

// InitOptions are what a new ledger starts with.
type StartOptions struct {
	Shop  schema.Shop
	Files map[string][]byte // more files for the first commit, by path
}

// begun opens the repository of a ledger whose start was cut short before its
// first commit; nil where dir holds anything else.
func begun(dir string) *gitstore.Repo {
	repo, err := gitstore.Open(dir, Program)
	if err != nil {
		return nil
	}
	st, err := repo.State()
	if err == nil && st.Branch == mainRef && st.Head.IsZero() && repo.Lost(mainRef, false) == nil {
		if refs, err := repo.Refs("refs/"); err == nil && len(refs) == 0 {
			return repo
		}
	}
	repo.Close()
	return nil
}

// Init starts a ledger in dir, which is made when missing, with one commit.
func Start(dir string, in StartOptions, opt Options) (*Ledger, error) {
	opt.defaults()
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	if _, err := os.Lstat(filepath.Join(dir, "shop.toml")); err == nil {
		return nil, &UsageError{fmt.Sprintf("%s is a ledger already", dir), "choose another folder"}
	}
	if opt.Author == nil {
		if len(in.Shop.Technicians) == 0 {
			if _, err := GlobalIdentity(); err != nil {
				return nil, err // before anything is made
			}
		}
	}
	in.Shop.Format = schema.ShopFormatNow
	files := map[string][]byte{
		".gitattributes": []byte(Attributes),
		".gitignore":     []byte("/private/\n"),
		"shop.toml":      schema.Encode(&in.Shop),
	}
	for p, d := range in.Files {
		files[p] = d
	}
	if _, problems := schema.Decode[schema.Shop]("shop.toml", files["shop.toml"]); schema.Worst(problems) > schema.Warned {
		return nil, &ProblemsError{"the shop's particulars", problems}
	}
	repo, err := gitstore.Init(dir, gitstore.InitOptions{Branch: "main", NoSync: opt.NoSync, Program: Program})
	if err != nil {
		if repo = begun(dir); repo == nil {
			return nil, err
		}
		repo.NoSync = opt.NoSync
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	l := &Ledger{Dir: dir, root: root, repo: repo, opt: opt, Shop: &in.Shop}
	if len(in.Shop.Technicians) > 0 { // who starts it is named first
		if err := l.SetTechnician(in.Shop.Technicians[0].ID); err != nil {
			return nil, err
		}
	}
	if err := os.MkdirAll(filepath.Join(dir, "private"), 0o700); err != nil {
		return nil, err
	}
	_, err = l.update(func(w *writer) error {
		for p, d := range files {
			w.put(p, d)
		}
		w.subject = "ledger of " + in.Shop.Name
		return nil
	})
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// Program is what gitstore's advice names, and the folder in .git that holds the
// lock and the journal of every ledger there is: it stays.
var Program = gitstore.Program{Name: "benchlore", Save: "benchlore save", MakeBare: "benchlore sync --create, or git init --bare"}

const (
	// editorFile tells editors that know TOML (through the taplo language server)
	// which schema a file goes by. It is this copy's own affair: git is told to
	// pass it over, and the schemas lie where no ledger file ever is.
	editorFile    = ".taplo.toml"
	editorSchemas = ".git/benchlore/schemas"
	excludeFile   = ".git/info/exclude"
	editorMark    = "# Written by benchlore schema --wire; git passes it over.\n"
)

// editorRules are which files go by which schema.
func editorRules() [][2]string {
	rules := [][2]string{
		{"shop.toml", "shop"}, {"families.toml", "families"}, {"models/*.toml", "model"}, {"lots/*.toml", "lot"}, {"lists/*.toml", "list"},
		{"private/customers.toml", "customers"}, {"books/*/*/*.toml", "book"},
		{"instruments/*/*/instrument.toml", "instrument"}, {"instruments/*/*/model.toml", "model"},
	}
	for _, k := range schema.Kind("").Words() {
		rules = append(rules, [2]string{"instruments/*/*/*-" + k + "-????.toml", k})
	}
	return rules
}

// WireEditors lets editors complete and check the files of this copy of the
// ledger. Nothing of it is recorded. A configuration somebody else wrote is left
// alone: *UsageError.
func (l *Ledger) WireEditors() error {
	have, err := l.root.ReadFile(editorFile)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err == nil && !bytes.HasPrefix(have, []byte(editorMark)) {
		return &UsageError{editorFile + " is there already, and not by this program", "move it away, or write the schemas with: benchlore schema DIR, and name them in it"}
	}
	if l.opt.DryRun {
		return nil
	}
	if err := l.root.MkdirAll(editorSchemas, 0o777); err != nil {
		return err
	}
	for name, data := range schema.JSONSchemas() {
		if err := l.root.WriteFile(path.Join(editorSchemas, name), data, 0o666); err != nil {
			return err
		}
	}
	if err := l.exclude("/" + editorFile); err != nil {
		return err
	}
	var b strings.Builder
	b.WriteString(editorMark)
	for _, r := range editorRules() {
		fmt.Fprintf(&b, "\n[[rule]]\ninclude = [%q]\n\n[rule.schema]\nenabled = true\npath = %q\n", r[0], editorSchemas+"/"+r[1]+".schema.json")
	}
	return l.root.WriteFile(editorFile, []byte(b.String()), 0o666)
}

// exclude tells git to pass over a file in this copy.
func (l *Ledger) exclude(pattern string) error {
	data, err := l.root.ReadFile(excludeFile)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if slices.Contains(strings.Split(string(data), "\n"), pattern) {
		return nil
	}
	if len(data) > 0 && data[len(data)-1] != '\n' {
		data = append(data, '\n')
	}
	if err := l.root.MkdirAll(path.Dir(excludeFile), 0o777); err != nil {
		return err
	}
	return l.replace(excludeFile, append(data, pattern+"\n"...))
}
