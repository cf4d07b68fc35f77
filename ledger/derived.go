package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// derivedDir holds what was worked out from units. All of it can be deleted at
// any time: it is looked at only where every file it came from is, by git's
// stat data, the file it came from.
const derivedDir = ".git/benchlore/derived"

const derivedMagic = "benchlore derived 1\n"

// derivation is what was worked out from one unit, and from what.
type derivation[T any] struct {
	Name  string
	Key   [sha256.Size]byte // of the unit's files and its model
	Lots  []string          // the lots its records name
	Stock [sha256.Size]byte // of those lots
	Day   schema.Date       // it holds on this day
	Later bool              // and on every later one
	Value T
	// Unread are its files that could not be read.
	Unread []schema.Problem
}

// Derive calls fn, in order of name, with what compute makes of each unit, and
// keeps that for the next time. It computes anew for every unit of which a
// file, its model, one of the lots it names, the shop, the families or this
// program changed. What compute returns must follow from the unit as loaded,
// from use and from nothing else. T is encoded with encoding/gob.
func Derive[T any](view *View, use string, compute func(name string, u *Loaded) (T, error), fn func(name string, v T) error) error {
	c := openDerived[T](view, use)
	today := view.l.Today()
	var mu sync.Mutex
	fresh := map[string]*derivation[T]{}
	err := inOrder(view.names, view.l.opt.Progress, func(name string) (v T, err error) {
		if d := c.known(name, today); d != nil {
			view.l.NoteUnread(d.Unread...)
			return d.Value, nil
		}
		u, err := view.l.Unit(name, view.stock)
		if err != nil {
			return v, err
		}
		if v, err = compute(name, u); err != nil {
			return v, err
		}
		if d := c.keep(name, u, today); d != nil {
			d.Value = v
			mu.Lock()
			fresh[name] = d
			mu.Unlock()
		}
		return v, nil
	}, func(name string, v T, err error) error {
		if err != nil {
			return err
		}
		return fn(name, v)
	})
	if err == nil && len(fresh) > 0 {
		c.write(fresh)
	}
	return err
}

// inOrder does work for every name on all processors and calls fn with each
// result in order. A window of results keeps memory bounded however many there
// are. Progress, where there is one, hears how many are done.
func inOrder[T any](names []string, progress func(done, of int), work func(string) (T, error), fn func(string, T, error) error) error {
	type result struct {
		v   T
		err error
	}
	const window = 64
	results := make([]chan result, min(window, len(names)))
	for i := range results {
		results[i] = make(chan result, 1)
	}
	slots := make(chan struct{}, window)
	next := make(chan int)
	done := make(chan struct{})
	var workers sync.WaitGroup
	defer workers.Wait()
	defer close(done)
	workers.Go(func() {
		defer close(next)
		for i := range names {
			select {
			case slots <- struct{}{}:
			case <-done:
				return
			}
			select {
			case next <- i:
			case <-done:
				return
			}
		}
	})
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for i := range next {
				v, err := work(names[i])
				results[i%window] <- result{v, err}
			}
		})
	}
	if progress == nil {
		progress = func(int, int) {}
	}
	for i, name := range names {
		r := <-results[i%window]
		<-slots
		if err := fn(name, r.v, r.err); err != nil {
			progress(len(names), len(names))
			return err
		}
		progress(i+1, len(names))
	}
	return nil
}

// View is what there is in a ledger at one moment: its units, and what git
// knows of the files.
type View struct {
	l      *Ledger
	stock  *Catalog
	names  []string // of all units, in order
	files  *gitstore.Snapshot
	dirty  map[string]bool   // folders of units with files git does not know
	shop   []byte            // sum over what every unit depends on
	models map[string][]byte // blob hashes, by name
	lots   map[string][]byte
}

// View looks at a ledger for [Derive].
func (l *Ledger) View(stock *Catalog) (*View, error) {
	v := &View{l: l, stock: stock, models: map[string][]byte{}, lots: map[string][]byte{}}
	var err error
	if v.files, err = l.repo.Snapshot("instruments"); err != nil {
		return nil, err
	}
	v.dirty = v.files.Dirty(3)
	if v.names, err = l.Units(); err != nil {
		return nil, err
	}
	h := sha256.New()
	for _, p := range []string{"shop.toml", "families.toml"} {
		sum, err := v.content(p)
		if err != nil {
			return nil, err
		}
		fmt.Fprintf(h, "%s %x\n", p, sum)
	}
	v.shop = h.Sum(nil)
	for name := range stock.Models {
		if v.models[name], err = v.content("models/" + name + ".toml"); err != nil {
			return nil, err
		}
	}
	for name := range stock.Lots {
		if v.lots[name], err = v.content("lots/" + name + ".toml"); err != nil {
			return nil, err
		}
	}
	return v, nil
}

// LatestName is the latest day in the name of any record that is evidence. A record's
// own date may be another.
func (v *View) LatestName() (last schema.Date) {
	for p := range v.files.Paths("instruments") {
		if at := schema.ParsePath(p); at.Is == schema.IsRecord && schema.Kind(at.Kind).Evidence() && at.Date.After(last.Day) {
			last = at.Date
		}
	}
	return last
}

// derived is what one use kept.
type derived[T any] struct {
	*View
	file string
	base [sha256.Size]byte // of what every unit depends on
	have map[string]*derivation[T]
}

func openDerived[T any](v *View, use string) *derived[T] {
	name := sha256.Sum256([]byte(use))
	c := &derived[T]{View: v, file: filepath.Join(v.l.Dir, filepath.FromSlash(derivedDir), fmt.Sprintf("%.16x", name)), have: map[string]*derivation[T]{}}
	c.base = sha256.Sum256(fmt.Appendf(nil, "%s\n%s\n%x\n", programID(), use, v.shop))
	c.read()
	return c
}

// programID tells builds of this program apart.
var programID = sync.OnceValue(func() string {
	exe, err := os.Executable()
	if err != nil {
		return ""
	}
	info, err := os.Stat(exe)
	if err != nil {
		return ""
	}
	return exe + " " + strconv.FormatInt(info.Size(), 10) + " " + info.ModTime().UTC().String()
})

// content is the blob hash of a file of the ledger; nil where there is none.
func (v *View) content(p string) ([]byte, error) {
	h, ok := v.files.Blob(p)
	if !ok {
		data, err := v.l.read(p)
		if errors.Is(err, os.ErrNotExist) {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		h = gitstore.HashBlob(data)
	}
	return h[:], nil
}

// key is the sum over what a unit's value follows from, but for lots.
func (v *View) key(name string) (sum [sha256.Size]byte) {
	h := sha256.New()
	files := v.files.Digest(unitDir(name))
	h.Write(files[:])
	h.Write(v.models[modelOf(name)])
	h.Sum(sum[:0])
	return sum
}

func (v *View) stockOf(lots []string) (sum [sha256.Size]byte) {
	h := sha256.New()
	for _, n := range lots {
		fmt.Fprintf(h, "%s %x\n", n, v.lots[n])
	}
	h.Sum(sum[:0])
	return sum
}

// known returns what is kept of a unit if it still holds.
func (c *derived[T]) known(name string, today schema.Date) *derivation[T] {
	d := c.have[name]
	if d == nil || c.dirty[unitDir(name)] || d.Day.After(today.Day) || d.Day != today && !d.Later {
		return nil
	}
	if d.Key != c.key(name) || d.Stock != c.stockOf(d.Lots) {
		return nil
	}
	return d
}

// keep returns where to put what was worked out from a unit, nil where it is
// not to be kept: what was read is not what git knows, or depends on more.
func (c *derived[T]) keep(name string, u *Loaded, today schema.Date) *derivation[T] {
	if c.dirty[unitDir(name)] || u.Elsewhere != nil {
		return nil
	}
	for p, data := range u.Files {
		if h, ok := c.files.Blob(p); !ok || h != gitstore.HashBlob(data) {
			return nil // it changed since
		}
	}
	var lots []string
	for _, n := range u.LotsNamed {
		if c.stock.Lots[n] == nil {
			return nil // what is said of it depends on the lots there are
		}
		lots = append(lots, strings.Clone(n)) // or the whole file stays in memory with it
	}
	return &derivation[T]{Name: name, Key: c.key(name), Lots: lots, Stock: c.stockOf(lots), Day: today, Later: !u.Ahead, Unread: schema.Unread(u.Problems)}
}

// chunk is how many units are encoded together: so many are decoded by one
// processor at a time.
const chunk = 256

// read takes in what is kept. A file that cannot be read, for whatever reason,
// is as good as none.
func (c *derived[T]) read() {
	data, err := readDerived(c.file)
	if err != nil {
		return
	}
	head := len(derivedMagic) + 2*sha256.Size
	if len(data) < head || string(data[:len(derivedMagic)]) != derivedMagic {
		return
	}
	sum, base, body := data[len(derivedMagic):len(derivedMagic)+sha256.Size], data[len(derivedMagic)+sha256.Size:head], data[head:]
	if !bytes.Equal(base, c.base[:]) {
		return
	}
	if s := sha256.Sum256(body); !bytes.Equal(s[:], sum) {
		return
	}
	var parts [][]byte
	for len(body) >= 4 {
		n := int(binary.BigEndian.Uint32(body))
		if n > len(body)-4 {
			return
		}
		parts, body = append(parts, body[4:4+n]), body[4+n:]
	}
	lists := make([][]*derivation[T], len(parts))
	var w sync.WaitGroup
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i, part := range parts {
		slots <- struct{}{}
		w.Go(func() {
			defer func() { <-slots }()
			if gob.NewDecoder(bytes.NewReader(part)).Decode(&lists[i]) != nil {
				lists[i] = nil
			}
		})
	}
	w.Wait()
	for _, list := range lists {
		for _, d := range list {
			c.have[d.Name] = d
		}
	}
}

// write keeps what was worked out, old and new, for the units there are. Where
// it cannot, the next time takes longer.
func (c *derived[T]) write(fresh map[string]*derivation[T]) {
	var all []*derivation[T]
	for _, n := range c.names {
		d := fresh[n]
		if d == nil {
			d = c.have[n]
		}
		if d != nil {
			all = append(all, d)
		}
	}
	replaceDerived(c.file, func(f *os.File) error { return c.encode(f, all) })
}

func (c *derived[T]) encode(f *os.File, all []*derivation[T]) error {
	head := make([]byte, len(derivedMagic)+2*sha256.Size)
	if _, err := f.Write(head); err != nil {
		return err
	}
	h := sha256.New()
	w := io.MultiWriter(f, h)
	for part := range slices.Chunk(all, chunk) {
		var b bytes.Buffer
		if err := gob.NewEncoder(&b).Encode(part); err != nil {
			return err
		}
		if err := binary.Write(w, binary.BigEndian, uint32(b.Len())); err != nil {
			return err
		}
		if _, err := w.Write(b.Bytes()); err != nil {
			return err
		}
	}
	head = append(h.Sum([]byte(derivedMagic)), c.base[:]...)
	_, err := f.WriteAt(head, 0)
	return err
}

// walked is what was learnt from main's history and tree, and up to where.
// Commits and trees never change, so it holds for as long as main goes on from
// there.
type walked struct {
	Program string
	Main    object.Hash            // Heads is as of this commit
	Heads   map[string]object.Hash // the head each unit's branch was last given
	Seals   map[string]object.Hash // the seals that were made, by tag
	Tree    object.Hash            // a tree of main with nothing in it that must not be
	Grown   map[string]object.Hash // by unit: the head of a history that only grows
}

func (l *Ledger) walkedFile() string {
	return filepath.Join(l.Dir, filepath.FromSlash(derivedDir), "main")
}

// walked returns what is kept; a file that cannot be read is as good as none.
func (l *Ledger) walked() *walked {
	w := &walked{}
	if data, err := readDerived(l.walkedFile()); err == nil {
		if gob.NewDecoder(bytes.NewReader(data)).Decode(w) != nil || w.Program != programID() {
			w = &walked{}
		}
	}
	return w
}

func (l *Ledger) keepWalked(w *walked) {
	if l.repo.Shallow {
		return // what lies beyond the cut would never be looked at once it is fetched
	}
	w.Program = programID()
	replaceDerived(l.walkedFile(), func(f *os.File) error { return gob.NewEncoder(f).Encode(w) })
}

// replaceDerived writes a file that takes its name when it is whole. Where that
// cannot be, the next run takes longer.
func replaceDerived(name string, write func(*os.File) error) {
	dir := filepath.Dir(name)
	if os.MkdirAll(dir, 0o777) != nil {
		return
	}
	f, err := os.CreateTemp(dir, "new-*")
	if err != nil {
		return
	}
	defer os.Remove(f.Name()) // no more there once it has its name
	if errors.Join(write(f), f.Close()) != nil || os.Rename(f.Name(), name) != nil {
		return
	}
	// Every version of the program, and every question, has a file of its own.
	files, _ := os.ReadDir(dir)
	for _, e := range files {
		if fi, err := e.Info(); err == nil && fi.Mode().IsRegular() && time.Since(fi.ModTime()) > derivedUnused {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}

// derivedUnused is how long a kept file stays that nothing reads.
const derivedUnused = 60 * 24 * time.Hour

// readDerived reads a kept file, and marks it as used.
func readDerived(name string) ([]byte, error) {
	data, err := os.ReadFile(name)
	if fi, statErr := os.Stat(name); err == nil && statErr == nil && time.Since(fi.ModTime()) > 24*time.Hour {
		now := time.Now()
		_ = os.Chtimes(name, now, now) // it goes sooner than it need where this cannot be
	}
	return data, err
}

// closeHeads returns the head each unit's branch was last given by main, and the
// seals that were made on it. It walks main back to where it was walked before.
func (l *Ledger) closeHeads(from object.Hash) (heads, seals map[string]object.Hash, err error) {
	heads, seals = map[string]object.Hash{}, map[string]object.Hash{}
	if from.IsZero() {
		return heads, seals, nil
	}
	w := l.walked()
	if w.Main == from {
		return w.Heads, w.Seals, nil
	}
	take := func(message string) {
		for name, h := range unitHeads(message) {
			if _, ok := heads[name]; !ok {
				heads[name] = h
			}
		}
		maps.Copy(seals, sealsMade(message))
	}
	at := from
	for !w.Main.IsZero() && at != w.Main {
		c, err := l.repo.Commit(at)
		if err != nil {
			return nil, nil, err
		}
		take(c.Message)
		if len(c.Parents) != 1 {
			w.Main = object.ZeroHash // a merge, or another history: walk all of it
			break
		}
		at = c.Parents[0]
	}
	if w.Main.IsZero() {
		clear(heads)
		clear(seals)
		for c, err := range l.repo.Log(from) {
			if err != nil {
				return nil, nil, err
			}
			take(c.Message)
		}
	} else {
		for name, h := range w.Heads {
			if _, ok := heads[name]; !ok {
				heads[name] = h
			}
		}
		maps.Copy(seals, w.Seals)
	}
	w.Main, w.Heads, w.Seals = from, heads, seals
	l.keepWalked(w)
	return heads, seals, nil
}

const resultsMagic = "benchlore results 1\n"

// Results keeps values under the sums of what they follow from, so that what is
// worked out from many units is worked out again only where it may differ. The
// zero pointer keeps nothing. It may be used by several goroutines.
type Results struct {
	file  string
	base  [sha256.Size]byte
	mu    sync.Mutex
	have  map[[sha256.Size]byte][]byte // as read, encoded
	used  map[[sha256.Size]byte][]byte // of those, and new ones
	fresh bool
}

type result struct {
	Key   [sha256.Size]byte
	Value []byte
}

// Results returns what is kept for one use by this program.
func (v *View) Results(use string) *Results {
	name := sha256.Sum256([]byte("results\n" + use))
	r := &Results{file: filepath.Join(v.l.Dir, filepath.FromSlash(derivedDir), fmt.Sprintf("%.16x", name)),
		base: sha256.Sum256(fmt.Appendf(nil, "%s\n%s\n", programID(), use)),
		have: map[[sha256.Size]byte][]byte{}, used: map[[sha256.Size]byte][]byte{}}
	data, err := readDerived(r.file)
	head := len(resultsMagic) + 2*sha256.Size
	if err != nil || len(data) < head || string(data[:len(resultsMagic)]) != resultsMagic {
		return r
	}
	sum, base, body := data[len(resultsMagic):len(resultsMagic)+sha256.Size], data[len(resultsMagic)+sha256.Size:head], data[head:]
	if s := sha256.Sum256(body); !bytes.Equal(s[:], sum) || !bytes.Equal(base, r.base[:]) {
		return r
	}
	var all []result
	if gob.NewDecoder(bytes.NewReader(body)).Decode(&all) == nil {
		for _, x := range all {
			r.have[x.Key] = x.Value
		}
	}
	return r
}

// Once returns what is kept under a key or, where there is nothing, what work
// returns, which is kept then. The key must be a sum over all that the value
// follows from but for the program and the use. T is encoded with encoding/gob.
func Once[T any](r *Results, key [sha256.Size]byte, work func() T) T {
	if r == nil {
		return work()
	}
	r.mu.Lock()
	data, ok := r.have[key]
	if ok {
		r.used[key] = data
	}
	r.mu.Unlock()
	var v T
	if ok && gob.NewDecoder(bytes.NewReader(data)).Decode(&v) == nil {
		return v
	}
	v = work()
	var b bytes.Buffer
	if gob.NewEncoder(&b).Encode(v) == nil {
		r.mu.Lock()
		r.used[key], r.fresh = b.Bytes(), true
		r.mu.Unlock()
	}
	return v
}

// Keep writes what was used since [View.Results], if any of it is new, and
// drops the rest. Where it cannot, the next time takes longer.
func (r *Results) Keep() {
	if !r.fresh {
		return
	}
	var all []result
	for k, v := range r.used {
		all = append(all, result{k, v})
	}
	var body bytes.Buffer
	if gob.NewEncoder(&body).Encode(all) != nil {
		return
	}
	sum := sha256.Sum256(body.Bytes())
	replaceDerived(r.file, func(f *os.File) error {
		for _, part := range [][]byte{[]byte(resultsMagic), sum[:], r.base[:], body.Bytes()} {
			if _, err := f.Write(part); err != nil {
				return err
			}
		}
		return nil
	})
}
