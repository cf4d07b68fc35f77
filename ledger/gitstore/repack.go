package gitstore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/gofrs/flock"

	"benchlore/ledger/gitstore/object"
)

// Every command leaves a few loose objects. Stock git packs them when one of its own
// commands runs, but git may never be run here, so Tidy does it. It packs when
// `git gc --auto` would, and only what refs reach. It removes a loose object only
// after it has read the object back from a pack.
//
// An operating-system lock keeps two runs of Tidy apart; other commands may write
// at the same time. The next run clears what a run that died left behind.

// autoPack is git's default for gc.auto: more loose objects than this are packed.
const autoPack = 6700

// gcHolds is how old gc.pid may be before git takes the program in it for dead.
const gcHolds = 12 * time.Hour

// packNote is the file that says how many loose objects the last run left.
func (r *Repo) packNote() string { return filepath.Join(r.packDir(), "note") }

// Tidy packs loose objects and refs when there are many. Call it at best effort, with
// no transaction of this process open: what cannot be packed now is packed another
// time, and only tests need the error.
func (r *Repo) Tidy() error {
	limit, err := r.packLimit()
	if err != nil || limit == 0 {
		return err
	}
	now, err := r.looseSample()
	if err != nil || now <= limit {
		return err
	}
	// The last run may have left many, because it failed or nothing refers to them.
	// Wait until there are as many new ones before trying again.
	if left := r.readNote(); now-min(left, now) <= limit {
		return nil
	}
	return r.pack()
}

// packLimit is how many objects one of the 256 folders may hold before packing; 0
// means never pack.
func (r *Repo) packLimit() (int, error) {
	if r.Shallow || r.Partial {
		return 0, nil
	}
	cfg, err := r.Config()
	if err != nil {
		return 0, err
	}
	n, err := cfg.Int("gc.auto", autoPack)
	if err != nil || n <= 0 {
		return 0, err
	}
	return (int(n) + 255) / 256, nil
}

// looseSample counts the loose objects in one folder, as git does: hashes spread
// evenly over the folders.
func (r *Repo) looseSample() (int, error) {
	entries, err := os.ReadDir(filepath.Join(r.GitDir, "objects", "17"))
	if isAbsent(err) {
		return 0, nil
	}
	n := 0
	for _, e := range entries {
		if len(e.Name()) == 38 && object.IsHash("17"+e.Name()) {
			n++
		}
	}
	return n, err
}

func (r *Repo) readNote() (left int) {
	b, err := os.ReadFile(r.packNote())
	if err == nil {
		fmt.Sscanf(string(b), "left %d", &left)
	}
	return left
}

// pack packs now, however few loose objects there are.
func (r *Repo) pack() error {
	if err := os.MkdirAll(r.packDir(), 0o777); err != nil {
		return err
	}
	l := flock.New(filepath.Join(r.packDir(), "lock"))
	ok, err := l.TryLock()
	defer l.Close()
	if err != nil || !ok {
		return err
	}
	if info, err := os.Stat(filepath.Join(r.GitDir, "gc.pid")); err == nil && time.Since(info.ModTime()) < gcHolds {
		return nil // git is packing
	}
	if err := r.clearPacking(); err != nil {
		return err
	}
	err = r.packObjects()
	left, lerr := r.looseSample()
	if lerr == nil {
		lerr = os.WriteFile(r.packNote(), fmt.Appendf(nil, "left %d\n", left), 0o666)
	}
	if err = errors.Join(err, lerr); err != nil {
		return err
	}
	return r.packRefs()
}

// clearPacking removes what an interrupted run left in the folder where packs are
// made. Packs being received there have other names, and are kept for a day.
func (r *Repo) clearPacking() error {
	entries, err := os.ReadDir(r.packDir())
	if err != nil {
		return err
	}
	for _, e := range entries {
		name := filepath.Join(r.packDir(), e.Name())
		info, err := e.Info()
		switch {
		case err != nil:
		case strings.HasPrefix(e.Name(), "out-"), leftIncoming(info):
			if err := os.Remove(name); err != nil && !isAbsent(err) {
				return err
			}
		case strings.HasPrefix(e.Name(), "pack-"):
			// A pack that was moved before its index is no use to anybody.
			stem := filepath.Join(r.GitDir, "objects", "pack", strings.TrimSuffix(e.Name(), ".pack"))
			if !fileExists(stem + ".idx") {
				for _, ext := range besideIndex {
					if err := os.Remove(stem + ext); err != nil && !isAbsent(err) {
						return err
					}
				}
			}
			if err := os.Remove(name); err != nil && !isAbsent(err) {
				return err
			}
		}
	}
	return nil
}

// leftIncoming reports whether a file is a pack whose program died while receiving
// it.
func leftIncoming(info fs.FileInfo) bool {
	return strings.HasPrefix(info.Name(), "in-") && time.Since(info.ModTime()) > 24*time.Hour
}

// packObjects puts the loose objects that refs reach into a pack, and removes
// every loose one that can be read from a pack.
func (r *Repo) packObjects() error {
	loose, err := r.looseObjects()
	if err != nil {
		return err
	}
	fresh, err := r.reachableOf(loose)
	if err != nil {
		return err
	}
	packs := r.lastingPacks()
	fresh = slices.DeleteFunc(fresh, func(h object.Hash) bool {
		return slices.ContainsFunc(packs, func(s *storedPack) bool { return s.Index.Find(h) >= 0 })
	})
	for _, s := range packs {
		s.file.Close()
	}
	if len(fresh) > 0 {
		if _, err := r.makePack(fresh); err != nil {
			return err
		}
	}
	if err := r.dropLoose(loose); err != nil {
		return err
	}
	return r.mergePacks()
}

// makePack writes some objects to a pack, installs it and returns the name of its
// index.
func (r *Repo) makePack(objects []object.Hash) (idx string, err error) {
	f, err := os.CreateTemp(r.packDir(), "out-")
	if err != nil {
		return "", err
	}
	defer os.Remove(f.Name() + ".idx")
	defer os.Remove(f.Name())
	defer f.Close()
	list, sum, err := r.writePack(f, objects)
	if err != nil {
		return "", err
	}
	if err := r.step("pack begun"); err != nil {
		return "", err
	}
	note := filepath.Join(r.packDir(), "pack-"+sum.String()+".pack")
	if err := os.WriteFile(note, nil, 0o666); err != nil {
		return "", err
	}
	if idx, err = r.installPack(f, list, sum); err != nil {
		return "", err
	}
	return idx, os.Remove(note)
}

// looseObjects lists the names of the loose objects.
func (r *Repo) looseObjects() (map[object.Hash]bool, error) {
	out := map[object.Hash]bool{}
	for b := range 256 {
		dir := fmt.Sprintf("%02x", b)
		entries, err := os.ReadDir(filepath.Join(r.GitDir, "objects", dir))
		if isAbsent(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			if name := dir + e.Name(); len(name) == 40 && object.IsHash(name) {
				out[object.NewHash(name)] = true
			}
		}
	}
	return out, nil
}

// reachableOf returns the loose objects that refs reach. It walks the commits until
// it has met every loose one, and enters only loose trees: what a packed tree
// reaches was packed with it, as a rule. A loose object below a packed tree stays
// loose.
func (r *Repo) reachableOf(loose map[object.Hash]bool) ([]object.Hash, error) {
	refs, err := r.Refs("refs/")
	if err != nil {
		return nil, err
	}
	_, head, err := r.head()
	if err != nil {
		return nil, err
	}
	commits := 0
	for h := range loose {
		t, _, err := looseSize(r.looseFile(h))
		if err != nil && !isAbsent(err) {
			return nil, err
		}
		if t == object.TypeCommit {
			commits++
		}
	}
	var out, tips []object.Hash
	seen := map[object.Hash]bool{}
	add := func(h object.Hash) bool {
		if seen[h] || !loose[h] {
			return false
		}
		seen[h] = true
		out = append(out, h)
		return true
	}
	if !head.IsZero() {
		tips = append(tips, head)
	}
	var other []object.Hash // trees and blobs that refs name
	for _, h := range refs {
		t, _, err := r.sizeOf(h)
		for err == nil && t == object.TypeTag {
			add(h)
			tag, terr := r.Tag(h)
			if terr != nil {
				return nil, terr
			}
			h = tag.Target
			t, _, err = r.sizeOf(h)
		}
		switch {
		case err != nil:
			return nil, err
		case t == object.TypeCommit:
			tips = append(tips, h)
		default:
			other = append(other, h)
		}
	}
	var tree func(h object.Hash) error
	tree = func(h object.Hash) error {
		if !add(h) {
			return nil
		}
		entries, err := r.Tree(h)
		for _, e := range entries {
			if err != nil {
				return err
			}
			if e.Mode.IsFile() {
				add(e.Hash)
			} else if loose[e.Hash] {
				err = tree(e.Hash)
			}
		}
		return err
	}
	for c, err := range r.Log(tips...) {
		if err != nil {
			return nil, err
		}
		if add(c.Hash) {
			commits--
		}
		if err := tree(c.Tree); err != nil {
			return nil, err
		}
		if commits == 0 {
			break
		}
	}
	for _, h := range other {
		if t, _, err := r.sizeOf(h); err != nil {
			return nil, err
		} else if t == object.TypeTree {
			if err := tree(h); err != nil {
				return nil, err
			}
		}
		add(h)
	}
	return out, nil
}

// lastingPacks opens all packs but cruft packs, whose objects git is about to
// delete. A loose copy of such an object was written later, and must stay.
func (r *Repo) lastingPacks() []*storedPack {
	return slices.DeleteFunc(r.openPacks(), func(s *storedPack) bool {
		if !cruft(s.stem()) {
			return false
		}
		s.file.Close()
		return true
	})
}

// dropLoose removes loose objects that can be read from a pack.
func (r *Repo) dropLoose(loose map[object.Hash]bool) error {
	packs := r.lastingPacks()
	defer func() {
		for _, s := range packs {
			s.file.Close()
		}
	}()
	held := make([]map[int64]object.Hash, len(packs))
	for k := range packs {
		held[k] = map[int64]object.Hash{}
	}
	for h := range loose {
		for k, s := range packs {
			if i := s.Index.Find(h); i >= 0 {
				held[k][s.Index.Offset(i)] = h
				break
			}
		}
	}
	for k, s := range packs {
		if err := r.dropHeld(s, held[k]); err != nil {
			return err
		}
	}
	return nil
}

// dropHeld reads objects from a pack and removes the loose copies of those that are
// whole. It reads in the order of the pack, so that the bases of deltas are still in
// the cache. A loose copy may be new, with no ref to it yet; the pack is therefore
// given today's date first, so that git does not delete its objects as old. If that
// fails, the loose copies stay.
func (r *Repo) dropHeld(s *storedPack, held map[int64]object.Hash) error {
	if now := time.Now(); len(held) == 0 || os.Chtimes(s.file.Name(), now, now) != nil {
		return nil
	}
	places := make([]int64, 0, len(held))
	for at := range held {
		places = append(places, at)
	}
	slices.Sort(places)
	for n, at := range places {
		o, err := s.Object(at)
		if err != nil || o.Hash() != held[at] {
			continue // keep the loose copy
		}
		name := r.looseFile(held[at])
		if err := retryShared(func() error { return os.Remove(name) }); err != nil && !isAbsent(err) {
			return err
		}
		if n == 0 || n == len(places)/2 {
			if err := r.step("loose removed"); err != nil {
				return err
			}
		}
	}
	return r.step("loose all removed")
}

// packedLine is one ref in packed-refs.
type packedLine struct {
	name   string
	hash   object.Hash
	peeled object.Hash // the object an annotated tag leads to; zero if this is no tag
}

const packedHead = "# pack-refs with: peeled fully-peeled sorted \n"

// packRefs does what `git pack-refs --all` does. It holds the lock of packed-refs
// while it writes every loose ref there. Then it locks each ref and removes its file,
// unless the ref has moved.
func (r *Repo) packRefs() error {
	tx, err := r.lockApart()
	if err != nil || tx == nil {
		return err
	}
	defer tx.release()
	file := filepath.Join(r.GitDir, "packed-refs")
	ctx := context.Background()
	if err := tx.acquire(ctx, file, time.Now()); err != nil {
		return err
	}
	if err := r.step("packed-refs locked"); err != nil {
		return err
	}
	old, err := os.ReadFile(file)
	if err != nil && !isAbsent(err) {
		return err
	}
	lines, err := r.packedLines(old)
	if err != nil {
		return err
	}
	loose, err := r.looseRefs()
	if err != nil || len(loose) == 0 {
		return err
	}
	for name, h := range loose {
		l := packedLine{name: name, hash: h}
		if l.peeled, err = r.peel(h); err != nil {
			delete(loose, name) // leave it; a command that needs it will report it
			continue
		}
		lines[name] = l
	}
	if err := r.replace(file, encodePacked(lines)); err != nil {
		return err
	}
	r.mu.Lock()
	r.packed = packedRefs{}
	r.mu.Unlock()
	if err := r.step("refs packed"); err != nil {
		return err
	}
	tx.unlock(0)
	return tx.dropLooseRefs(ctx, loose)
}

// lockApart is Lock for work on refs alone: it does not lock git's index. It returns
// nil if another program writes, or an interrupted write is not finished yet.
func (r *Repo) lockApart() (*Tx, error) {
	l := flock.New(filepath.Join(r.ownDir(), "lock"))
	if ok, err := l.TryLock(); err != nil || !ok {
		l.Close()
		return nil, err
	}
	tx := &Tx{repo: r, flock: l}
	if fileExists(r.journalFile()) {
		l.Close()
		return nil, nil
	}
	if err := tx.mark(nil); err != nil {
		tx.release()
		return nil, err
	}
	return tx, nil
}

// packedLines reads packed-refs, with the objects that tags lead to.
func (r *Repo) packedLines(b []byte) (map[string]packedLine, error) {
	if _, err := parsePackedRefs(b); err != nil {
		return nil, err
	}
	out := map[string]packedLine{}
	full, last := false, ""
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSuffix(line, "\n")
		switch {
		case strings.HasPrefix(line, "# pack-refs with:"):
			full = slices.Contains(strings.Fields(line), "fully-peeled")
		case line == "" || line[0] == '#':
		case line[0] == '^':
			l := out[last]
			l.peeled = object.NewHash(line[1:])
			out[last] = l
		default:
			hash, name, _ := strings.Cut(line, " ")
			out[name] = packedLine{name: name, hash: object.NewHash(hash)}
			last = name
		}
	}
	if full {
		return out, nil
	}
	for name, l := range out {
		var err error
		if l.peeled, err = r.peel(l.hash); err != nil {
			return nil, err
		}
		out[name] = l
	}
	return out, nil
}

// peel follows annotated tags to the object they lead to; zero if h is no tag.
func (r *Repo) peel(h object.Hash) (object.Hash, error) {
	var to object.Hash
	for {
		t, _, err := r.Object(h)
		if err != nil || t != object.TypeTag {
			return to, err
		}
		tag, err := r.Tag(h)
		if err != nil {
			return to, err
		}
		h, to = tag.Target, tag.Target
	}
}

func encodePacked(lines map[string]packedLine) []byte {
	var b bytes.Buffer
	io.WriteString(&b, packedHead)
	names := make([]string, 0, len(lines))
	for name := range lines {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		l := lines[name]
		fmt.Fprintf(&b, "%s %s\n", l.hash, name)
		if !l.peeled.IsZero() {
			fmt.Fprintf(&b, "^%s\n", l.peeled)
		}
	}
	return b.Bytes()
}

// looseRefs lists the refs that have a file of their own. It leaves out symbolic
// refs, refs that git keeps per work tree, and refs that cannot be read.
func (r *Repo) looseRefs() (map[string]object.Hash, error) {
	out := map[string]object.Hash{}
	err := filepath.WalkDir(filepath.Join(r.GitDir, "refs"), func(file string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // git removed an empty folder
		}
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(r.GitDir, file)
		if err != nil {
			return err
		}
		name := filepath.ToSlash(rel)
		for _, own := range []string{"refs/bisect/", "refs/worktree/", "refs/rewritten/"} {
			if strings.HasPrefix(name, own) {
				return nil
			}
		}
		if checkRefName(name) != nil {
			return nil
		}
		text, ok, err := r.looseRef(name)
		if err != nil || !ok {
			return err
		}
		if h, err := r.parseRef(name, text); err == nil {
			out[name] = h
		}
		return nil
	})
	return out, err
}

// dropLooseRefs removes the files of refs that are packed and have not moved.
func (tx *Tx) dropLooseRefs(ctx context.Context, packed map[string]object.Hash) error {
	r := tx.repo
	// If this program dies now, the note makes the next Lock look for its ref locks.
	if err := os.WriteFile(r.refsNote(), nil, 0o666); err != nil {
		return err
	}
	names := make([]string, 0, len(packed))
	for name := range packed {
		names = append(names, name)
	}
	slices.Sort(names)
	dirs := map[string]bool{}
	for n, name := range names {
		err := tx.dropLooseRef(ctx, name, packed[name], n == 0 || n == len(names)/2)
		if _, busy := errors.AsType[*ForeignLockError](err); busy {
			continue // another program is moving it
		}
		if err != nil {
			return err
		}
		dirs[filepath.Dir(r.refFile(name))] = true
	}
	for dir := range dirs {
		// Keep refs/heads and the like: git needs them.
		for ; strings.Count(strings.TrimPrefix(filepath.ToSlash(dir), filepath.ToSlash(r.GitDir)), "/") > 2; dir = filepath.Dir(dir) {
			if os.Remove(dir) != nil {
				break
			}
		}
	}
	if err := r.step("loose refs removed"); err != nil {
		return err
	}
	return os.Remove(r.refsNote())
}

func (tx *Tx) dropLooseRef(ctx context.Context, name string, packed object.Hash, mark bool) error {
	r := tx.repo
	defer tx.unlock(0)
	if err := tx.acquire(ctx, r.refFile(name), time.Now()); err != nil {
		return err
	}
	if mark {
		if err := r.step("loose ref locked"); err != nil {
			return err
		}
	}
	text, ok, err := r.looseRef(name)
	if err != nil || !ok {
		return err
	}
	if h, err := r.parseRef(name, text); err != nil || h != packed {
		return nil
	}
	if err := retryShared(func() error { return os.Remove(r.refFile(name)) }); err != nil && !isAbsent(err) {
		return err
	}
	if mark {
		return r.step("loose ref removed")
	}
	return nil
}

// refsNote is a file that exists while files of refs are being removed.
func (r *Repo) refsNote() string { return filepath.Join(r.ownDir(), "packing-refs") }
