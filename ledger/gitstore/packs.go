package gitstore

import (
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/pack"
)

// fewObjects is after how many objects the indexes of the packs are read into memory.
// A report on one unit of a large ledger reads fewer, and reading the indexes took
// most of its time. Reading more objects is faster with them.
const fewObjects = 2000

// packCacheBytes bounds the memory for objects that deltas in packs build on.
const packCacheBytes = 24 << 20

// storedPack is a pack of the repository whose index is in memory.
type storedPack struct {
	*pack.File
	file *lazyFile
}

// openAtMost is how many files of packs are open at the same time. A ledger that was
// never packed into one may have a hundred, and some systems allow 256 files.
const openAtMost = 12

// filePool holds the files that are open, the one used last at the end.
type filePool struct {
	mu   sync.Mutex
	open []*lazyFile
}

// lazyFile is a file that is opened when it is read, and closed when others are.
type lazyFile struct {
	name string
	pool *filePool
	f    *os.File
}

// ReadAt is that of a file.
func (l *lazyFile) ReadAt(b []byte, off int64) (int, error) {
	p := l.pool
	p.mu.Lock()
	defer p.mu.Unlock()
	if i := slices.Index(p.open, l); i >= 0 {
		p.open = append(slices.Delete(p.open, i, i+1), l)
		return l.f.ReadAt(b, off)
	}
	for len(p.open) >= openAtMost {
		p.open[0].f.Close()
		p.open = slices.Delete(p.open, 0, 1)
	}
	f, err := os.Open(l.name)
	if err != nil {
		return 0, err
	}
	l.f, p.open = f, append(p.open, l)
	return f.ReadAt(b, off)
}

// Name is the file's name.
func (l *lazyFile) Name() string { return l.name }

// Close closes the file, if it is open.
func (l *lazyFile) Close() error {
	l.pool.mu.Lock()
	defer l.pool.mu.Unlock()
	i := slices.Index(l.pool.open, l)
	if i < 0 {
		return nil
	}
	l.pool.open = slices.Delete(l.pool.open, i, i+1)
	return l.f.Close()
}

// packIndexes lists the indexes of the packs, by name. A running git repack has some
// too; their names begin with a dot, and they are left out.
func (r *Repo) packIndexes() (names []string) {
	dir := filepath.Join(r.GitDir, "objects", "pack")
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		if name := e.Name(); strings.HasSuffix(name, ".idx") && name[0] != '.' {
			names = append(names, filepath.Join(dir, name))
		}
	}
	return names
}

// stem is a pack's name without its ending.
func (s *storedPack) stem() string { return strings.TrimSuffix(s.file.Name(), ".pack") }

// cruft reports whether a pack, without its ending, holds what git is about to
// throw away: objects that nothing refers to, each with the day it was last used.
func cruft(stem string) bool { return fileExists(stem + ".mtimes") }

// openPacks opens the packs there are now. It leaves out a pack that cannot be read:
// a command that needs one of its objects gets an error that names the object.
func (r *Repo) openPacks() []*storedPack {
	var out []*storedPack
	pool := &filePool{}
	for _, name := range r.packIndexes() {
		s, err := openStored(name, pool)
		if err == nil {
			out = append(out, s)
		}
	}
	return out
}

// openStored opens a pack and reads its index.
func openStored(idxName string, pool *filePool) (*storedPack, error) {
	b, err := os.ReadFile(idxName)
	if err != nil {
		return nil, err
	}
	idx, err := pack.ParseIndex(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", idxName, err)
	}
	f := &lazyFile{name: strings.TrimSuffix(idxName, ".idx") + ".pack", pool: pool}
	info, err := os.Stat(f.name)
	if err != nil {
		return nil, err
	}
	return &storedPack{pack.NewFile(idx, f, info.Size(), packCacheBytes), f}, nil
}

// packReader reads single objects of one pack.
type packReader struct {
	name      string // of the index
	idx, file *lazyFile
	content   *pack.Pages // of file
	few       *pack.Lookup
	many      *pack.File // with the index in memory, in place of few; nil for the first few objects
}

// openPack opens a pack by its index, and keeps up to cache bytes of what is read
// from it. Other versions of an index are left to go-git.
func openPack(idxName string, pool *filePool, cache int) (*packReader, error) {
	idx := &lazyFile{name: idxName, pool: pool}
	f := &lazyFile{name: strings.TrimSuffix(idxName, ".idx") + ".pack", pool: pool}
	if _, err := os.Stat(f.name); err != nil {
		return nil, err
	}
	content := pack.NewPages(f, 32<<10, 64)
	few, err := pack.NewLookup(pack.NewPages(idx, 4<<10, 64), content, cache)
	if err != nil {
		return nil, errors.Join(err, idx.Close(), f.Close())
	}
	return &packReader{name: idxName, idx: idx, file: f, content: content, few: few}, nil
}

func (p *packReader) close() error { return errors.Join(p.idx.Close(), p.file.Close()) }

// find returns where in the pack an object begins. Error: pack.ErrNotHere.
func (p *packReader) find(h object.Hash) (int64, error) {
	if p.many == nil {
		return p.few.Find(h)
	}
	i := p.many.Index.Find(h)
	if i < 0 {
		return 0, pack.ErrNotHere
	}
	return p.many.Index.Offset(i), nil
}

// object reads the object that begins at a place in the pack.
func (p *packReader) object(at int64) (object.Object, error) {
	if p.many == nil {
		return p.few.Object(at)
	}
	return p.many.Object(at)
}

// readAll takes the index into memory, if it can be.
func (p *packReader) readAll(cache int) {
	b, err := os.ReadFile(p.name)
	if err != nil {
		return
	}
	idx, err := pack.ParseIndex(b)
	if err != nil {
		return
	}
	if info, err := os.Stat(p.file.name); err == nil {
		p.few, p.many = nil, pack.NewFile(idx, p.content, info.Size(), cache)
	}
}

// findPacks opens the packs that have come since the last time, and closes those
// that are gone.
func (r *Repo) findPacks() {
	names := r.packIndexes()
	if r.packReaders != nil && slices.Equal(names, r.packNames) {
		return
	}
	had := map[string]*packReader{}
	for _, p := range r.packReaders {
		had[p.name] = p
	}
	r.packNames = names
	r.packReaders = make([]*packReader, 0, len(names))
	for _, name := range names {
		p := had[name]
		if delete(had, name); p == nil {
			var err error
			if p, err = openPack(name, &r.packPool, packCacheBytes/len(names)); err != nil {
				r.cannotRead(err)
				continue // left to go-git
			}
		}
		r.packReaders = append(r.packReaders, p)
	}
	for _, p := range had {
		p.close()
	}
	if r.packReads >= fewObjects {
		r.readAllPacks()
	}
}

func (r *Repo) readAllPacks() {
	for _, p := range r.packReaders {
		if p.many == nil {
			p.readAll(packCacheBytes / len(r.packReaders))
		}
	}
}

// fromPacks reads an object without go-git, if a pack has it. Where that fails,
// go-git reads it again and names the damage.
func (r *Repo) fromPacks(h object.Hash) (object.Type, []byte, bool) {
	if r.packReaders == nil {
		r.findPacks()
	}
	if r.packReads++; r.packReads == fewObjects {
		r.readAllPacks()
	}
	for _, p := range r.packReaders {
		at, err := p.find(h)
		if err != nil {
			r.cannotRead(err)
			continue
		}
		o, err := p.object(at)
		if err == nil && o.Hash() == h {
			return o.Type, o.Data, true
		}
		r.cannotRead(err)
	}
	return 0, nil, false
}

// cannotRead keeps an error that says nothing about what is stored.
func (r *Repo) cannotRead(err error) {
	if isPassing(err) {
		r.readErr = err
	}
}

// mendIndexes makes the index of a pack anew where it is gone or its own checksum says
// that it is damaged, from the pack, whose checksum must be right. It reports whether
// there was any; names are added to Mended. The caller holds mu.
func (r *Repo) mendIndexes() bool {
	if r.mendTried {
		return false
	}
	r.mendTried = true
	packs, _ := filepath.Glob(filepath.Join(GlobDir(r.GitDir), "objects", "pack", "pack-*.pack"))
	found := false
	for _, name := range packs {
		idx := strings.TrimSuffix(name, ".pack") + ".idx"
		b, err := os.ReadFile(idx)
		if err != nil && !errors.Is(err, fs.ErrNotExist) || err == nil && pack.IndexWhole(b) {
			continue
		}
		if r.makeIndex(name, idx) == nil {
			r.Mended = append(r.Mended, filepath.Base(idx))
			found = true
		}
	}
	if found {
		for _, p := range r.packReaders {
			p.close()
		}
		r.packReaders, r.packNames = nil, nil
		r.packsListed, r.packsStamp = time.Time{}, time.Time{}
		r.packsChanged()
	}
	return found
}

// makeIndex writes the index of a pack.
func (r *Repo) makeIndex(packName, idx string) error {
	f, err := os.Open(packName)
	if err != nil {
		return err
	}
	defer f.Close()
	list, sum, err := scanFile(f)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(r.packDir(), 0o777); err != nil {
		return err
	}
	x, err := os.CreateTemp(r.packDir(), "index-")
	if err != nil {
		return err
	}
	defer os.Remove(x.Name()) // no more there once it has its name
	if err := errors.Join(pack.WriteIndex(x, list, sum), r.finish(x)); err != nil {
		return err
	}
	if err := r.rename(x.Name(), idx); err != nil {
		return err
	}
	return r.sync(filepath.Dir(idx))
}

// GlobDir takes the meaning from a folder's name that patterns give it. Windows has no
// way to, and no such names.
func GlobDir(dir string) string {
	if filepath.Separator != '/' {
		return dir
	}
	return strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(dir)
}

// packsWith yields the packs that list an object.
func (r *Repo) packsWith(h object.Hash) iter.Seq[*packReader] {
	return func(yield func(*packReader) bool) {
		if r.packReaders == nil {
			r.findPacks()
		}
		for _, p := range r.packReaders {
			if _, err := p.find(h); err == nil && !yield(p) {
				return
			}
		}
	}
}

// isPacked reports whether a pack lists an object.
func (r *Repo) isPacked(h object.Hash) bool {
	for range r.packsWith(h) {
		return true
	}
	return false
}

// scanFile lists what a pack in a file holds.
func scanFile(f *os.File) ([]pack.Entry, object.Hash, error) {
	info, err := f.Stat()
	if err != nil {
		return nil, object.ZeroHash, err
	}
	return pack.Scan(f, info.Size(), packCacheBytes)
}

// packDir is where packs are made before they get their names.
func (r *Repo) packDir() string { return filepath.Join(r.ownDir(), "pack") }

// installPack writes the index of a pack that is complete in a temporary file, moves
// both to their final names and makes them durable. The file is closed.
func (r *Repo) installPack(f *os.File, list []pack.Entry, sum object.Hash) (idx string, err error) {
	tmp := f.Name()
	if err := r.finish(f); err != nil {
		return "", &WriteError{tmp, err}
	}
	x, err := os.Create(tmp + ".idx")
	if err != nil {
		return "", &WriteError{tmp + ".idx", err}
	}
	if err := errors.Join(pack.WriteIndex(x, list, sum), r.finish(x)); err != nil {
		return "", &WriteError{tmp + ".idx", err}
	}
	if err := r.step("pack written"); err != nil {
		return "", err
	}
	dir := filepath.Join(r.GitDir, "objects", "pack")
	name := filepath.Join(dir, "pack-"+sum.String())
	if fileExists(name + ".idx") {
		return name + ".idx", nil // the same objects, written the same way
	}
	if err := r.rename(tmp, name+".pack"); err != nil {
		return "", &WriteError{name + ".pack", err}
	}
	if err := r.step("pack named"); err != nil {
		return "", err
	}
	// git takes a pack for there once it has an index.
	if err := r.rename(tmp+".idx", name+".idx"); err != nil {
		return "", &WriteError{name + ".idx", err}
	}
	if err := r.sync(dir); err != nil {
		return "", &WriteError{dir, err}
	}
	r.mu.Lock()
	r.forgetPacks()
	r.mu.Unlock()
	return name + ".idx", r.step("pack durable")
}

// finish makes a written file durable, and read-only as git has its packs.
func (r *Repo) finish(f *os.File) error {
	err := f.Chmod(0o444)
	if err == nil && !r.NoSync {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// forgetPacks makes the next search list the packs again.
func (r *Repo) forgetPacks() {
	r.packsListed, r.packsStamp = time.Time{}, time.Time{}
	r.packsChanged()
}
