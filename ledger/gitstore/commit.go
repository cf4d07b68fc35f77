package gitstore

import (
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

	"benchlore/ledger/gitstore/index"
	"benchlore/ledger/gitstore/object"
)

// Plan is what one Commit moves, in this order. When the branch HEAD is on is
// among the refs, the work tree and git's index follow it: every file that
// differs between its old and new tree is written or removed.
type Plan struct {
	Refs   []RefUpdate
	Reason string // for git's reflog, one line
}

// Commit makes the transaction's objects durable and carries out the plan as
// one step: after a crash, the next Lock finishes it or nothing has happened.
// The transaction is over afterwards, whatever the outcome. When Commit
// returns nil everything is on disk.
//
// What is written, in this order, and what each is made durable for. "Name" is the
// folder a file is in: on most systems a new name lasts only once its folder is
// synced.
//
//  1. The nonce, before the first lock file: a lock that a power cut leaves can then
//     be told from a living git's.
//  2. The objects, all of them, then their names, each folder once and all at the
//     same time: nothing that follows may name an object that is not there.
//  3. The new work files, under temporary names: to place one is then a rename, and a
//     crash leaves no half a file.
//  4. The journal and its name. From here on the write is finished by whoever comes
//     next; so all that it names must last by now (1 to 3), and nothing that others
//     see may move before.
//  5. The work files' names. Of the folders above only those are synced that may be
//     new. Before the index, or stock git would take the files for removed.
//  6. The index and its name, before the ref: a ref ahead of its index looks like a
//     change that somebody staged.
//  7. The reflog, then the ref, and their names, last of what is seen: while the ref
//     stands at the old commit the write can still be taken back.
//  8. The journal's removal, and the name of that: a journal that came back after a
//     later edit by hand would be set aside with a warning that means nothing.
//
// None can be left out; within one step all syncs wait together.
//
// Errors: *EditedError, *PathError, *RefMovedError, *ForeignLockError,
// *WriteError: nothing has changed. *InterruptedError: the next Lock finishes.
func (tx *Tx) Commit(plan Plan) error {
	if tx.done {
		return errTxDone
	}
	defer tx.release()
	r := tx.repo
	j, err := tx.prepare(plan)
	if err != nil {
		return err
	}
	if err := tx.flush(); err != nil {
		return err
	}
	if err := tx.stageFiles(j.Files); err != nil {
		return err
	}
	if err := r.step("files staged"); err != nil {
		return err
	}
	err = r.writeJournal(j)
	if err == nil {
		err = r.step("journal")
	}
	if err == nil {
		tx.fresh = true
		err = tx.carryOut(context.Background(), j)
		tx.fresh = false
		if !fileExists(r.journalFile()) {
			return nil // complete, whatever the last step said
		}
	}
	if uerr := tx.undo(j); uerr != nil {
		return &InterruptedError{errors.Join(err, uerr)}
	}
	return err
}

// prepare checks a plan against the repository and works out what it means
// for the work tree. It writes nothing.
func (tx *Tx) prepare(plan Plan) (*journal, error) {
	r := tx.repo
	j := &journal{Version: 2, Reason: strings.Join(strings.Fields(plan.Reason), " ")}
	branch, _, err := r.head()
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	for _, u := range plan.Refs {
		if err := checkRefName(u.Name); err != nil {
			return nil, err
		}
		if seen[u.Name] {
			return nil, &RefError{u.Name, "is moved twice by one plan"}
		}
		seen[u.Name] = true
		if err := r.checkTarget(u); err != nil {
			return nil, err
		}
		if u.Name == branch && !r.bare {
			if u.New.IsZero() {
				return nil, &RefError{u.Name, "is the branch in use and cannot be removed"}
			}
			j.Branch = branch
			if j.Files, j.Tree, err = r.filesBetween(u.Old, u.New); err != nil {
				return nil, err
			}
			if err := r.checkAlike(j.Tree, j.Files); err != nil {
				return nil, err
			}
		}
		if u.Old != u.New {
			j.Refs = append(j.Refs, u)
		}
	}
	if err := r.checkRefs(j.Refs); err != nil {
		return nil, err
	}
	if len(j.Files) == 0 {
		return j, nil
	}
	idx, err := tx.index()
	if err != nil {
		return nil, err
	}
	removed := map[string]bool{}
	for _, m := range j.Files {
		if m.New.Hash.IsZero() {
			removed[m.Path] = true
		}
	}
	for _, m := range j.Files {
		now, err := r.workAt(m.Path)
		if err != nil {
			return nil, err
		}
		if staged(idx, m) || nameTaken(idx, m, removed) {
			return nil, &EditedError{Path: m.Path, Staged: true, Save: r.program.save()}
		}
		if now.is(m.Old) || now.is(m.New) {
			continue
		}
		// A folder may be in the place of a new file if all its files are removed.
		if now.kind == index.Dir && m.Old.Hash.IsZero() {
			if err := r.onlyHolds(m.Path, removed); err != nil {
				return nil, err
			}
			continue
		}
		return nil, &EditedError{Path: m.Path, Save: r.program.save()}
	}
	return j, nil
}

// checkTarget makes sure that the object a ref is to point at is there.
func (r *Repo) checkTarget(u RefUpdate) error {
	if u.New.IsZero() {
		return nil
	}
	t, _, err := r.Object(u.New)
	if err != nil {
		return err
	}
	if t != object.TypeCommit && strings.HasPrefix(u.Name, "refs/heads/") {
		return &RefError{u.Name, fmt.Sprintf("is a branch and cannot point at a %s", t)}
	}
	return nil
}

func (r *Repo) commitTree(commit object.Hash) (object.Hash, error) {
	if commit.IsZero() {
		return emptyTree, nil
	}
	c, err := r.Commit(commit)
	if err != nil {
		return object.ZeroHash, err
	}
	return c.Tree, nil
}

func (r *Repo) filesBetween(from, to object.Hash) ([]fileMove, object.Hash, error) {
	oldTree, err := r.commitTree(from)
	if err != nil {
		return nil, oldTree, err
	}
	newTree, err := r.commitTree(to)
	if err != nil {
		return nil, newTree, err
	}
	changes, err := r.DiffTrees(oldTree, newTree)
	if err != nil {
		return nil, newTree, err
	}
	moves := make([]fileMove, 0, len(changes))
	for _, c := range changes {
		if err := checkPath(c.Path); err != nil {
			return nil, newTree, err
		}
		if !c.New.Hash.IsZero() && !plainFile(c.New) {
			return nil, newTree, &PathError{c.Path, "is a symbolic link or a submodule; only plain files are written"}
		}
		if !c.Old.Hash.IsZero() && !plainFile(c.Old) && c.Old.Mode != object.ModeSymlink {
			return nil, newTree, &PathError{c.Path, "is a submodule; remove it with git"}
		}
		moves = append(moves, fileMove(c))
	}
	return moves, newTree, nil
}

// nameTaken reports whether the index holds a file where the move needs a
// folder, or the other way round.
func nameTaken(idx *index.Index, m fileMove, removed map[string]bool) bool {
	if m.New.Hash.IsZero() {
		return false
	}
	for i := range len(m.Path) {
		if m.Path[i] != '/' {
			continue
		}
		if from, to := idx.Find(m.Path[:i]); to > from && !removed[m.Path[:i]] {
			return true
		}
	}
	for i, _ := idx.Find(m.Path + "/"); i < len(idx.Entries) && strings.HasPrefix(idx.Entries[i].Name, m.Path+"/"); i++ {
		if !removed[idx.Entries[i].Name] {
			return true
		}
	}
	return false
}

// onlyHolds refuses a folder with files in it that are not being removed.
func (r *Repo) onlyHolds(dir string, removed map[string]bool) error {
	return fs.WalkDir(r.root.FS(), dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && !removed[p] {
			return &PathError{dir, fmt.Sprintf("is a folder that holds %q; move that away first", p)}
		}
		return err
	})
}

// checkRefs checks that each ref is where the plan says it is.
func (r *Repo) checkRefs(refs []RefUpdate) error {
	for _, u := range refs {
		now, _, err := r.Ref(u.Name)
		if err != nil {
			return err
		}
		if now != u.Old {
			return &RefMovedError{u.Name, u.Old, now}
		}
	}
	return nil
}

// carryOut does what is left to do of a journal, and removes it.
func (tx *Tx) carryOut(ctx context.Context, j *journal) error {
	r := tx.repo
	for _, u := range j.Refs {
		if err := r.checkRefRoom(u, j.Refs); err != nil {
			return err
		}
		if err := tx.acquire(ctx, r.refFile(u.Name), time.Now().Add(refLockWait)); err != nil {
			return err
		}
		if err := r.step("locked " + u.Name); err != nil {
			return err
		}
	}
	for _, u := range j.Refs {
		now, _, err := r.Ref(u.Name)
		if err != nil {
			return err
		}
		if now != u.Old && now != u.New {
			return &RefMovedError{u.Name, u.Old, now}
		}
	}
	if len(j.Files) > 0 {
		if branch, _, err := r.head(); err != nil || branch != j.Branch {
			return errors.Join(err, &RefError{"HEAD", fmt.Sprintf("was moved off %s during the write; run the command again", j.Branch)})
		}
	}
	if err := tx.placeFiles(j.Files); err != nil {
		return err
	}
	if err := r.step("files"); err != nil {
		return err
	}
	if err := tx.moveIndex(j.Files, j.Tree); err != nil {
		return err
	}
	if err := r.step("index"); err != nil {
		return err
	}
	if err := tx.moveNewRefs(ctx, j); err != nil {
		return err
	}
	for _, u := range j.Refs {
		if err := tx.moveRef(ctx, u, j); err != nil {
			return err
		}
		if err := r.step("moved " + u.Name); err != nil {
			return err
		}
	}
	// The journal outlives the ref locks: after a crash it tells where to look
	// for them.
	tx.unlock(1)
	if err := r.step("refs unlocked"); err != nil {
		return err
	}
	if err := r.removeJournal(); err != nil {
		return err
	}
	return r.step("journal removed")
}

// undo takes back what a failed carryOut did, as long as no ref has moved.
func (tx *Tx) undo(j *journal) error {
	r := tx.repo
	for _, u := range j.Refs {
		now, _, err := r.Ref(u.Name)
		if err != nil {
			return err
		}
		if now == u.New {
			return fmt.Errorf("%s has moved already", u.Name)
		}
	}
	back := make([]fileMove, 0, len(j.Files))
	for _, m := range reversed(j.Files) {
		// What someone else wrote in the meantime stays. So does the removal of
		// a symbolic link: it is shown as a change that git can take back.
		if now, err := r.workAt(m.Path); err == nil && now.is(m.Old) && !now.is(m.New) && plainOrAbsent(m.New) {
			back = append(back, m)
		}
	}
	if err := tx.stageFiles(back); err != nil {
		return err
	}
	if err := tx.placeFiles(back); err != nil {
		return err
	}
	tx.idx = nil
	idx, err := tx.index()
	if err != nil {
		return err
	}
	if slices.ContainsFunc(j.Files, func(m fileMove) bool { return moved(idx, m) }) {
		if err := tx.moveIndex(reversed(j.Files), object.ZeroHash); err != nil {
			return err
		}
	}
	tx.unlock(1)
	return r.removeJournal()
}

func plainOrAbsent(e object.TreeEntry) bool { return e.Hash.IsZero() || plainFile(e) }

// index returns the index, read once: index.lock keeps it from changing.
func (tx *Tx) index() (*index.Index, error) {
	if tx.idx != nil {
		return tx.idx, nil
	}
	var err error
	tx.idx, err = tx.repo.loadIndex()
	return tx.idx, err
}

// readIndex reads the index file. Errors: fs.ErrNotExist, *index.Error,
// *UnsupportedError.
func (r *Repo) readIndex() (*index.Index, error) {
	idx, err := index.Read(r.indexFile())
	if u, ok := errors.AsType[*index.UnsupportedError](err); ok {
		return nil, &UnsupportedError{r.indexFile(), u.Reason, u.Remedy}
	}
	return idx, err
}

// loadIndex reads the index, or makes one from HEAD's tree where there is none.
func (r *Repo) loadIndex() (*index.Index, error) {
	idx, err := r.readIndex()
	if !errors.Is(err, fs.ErrNotExist) {
		return idx, err
	}
	idx = index.New()
	_, head, err := r.head()
	if err != nil {
		return nil, err
	}
	tree, err := r.commitTree(head)
	if err != nil {
		return nil, err
	}
	files, err := r.DiffTrees(emptyTree, tree)
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		// No stat data: git compares the content when it first looks.
		idx.Entries = append(idx.Entries, index.Entry{Name: f.Path, Mode: f.New.Mode, Hash: f.New.Hash})
	}
	slices.SortFunc(idx.Entries, index.Compare)
	return idx, nil
}

// moveIndex gives the entries of the moved files their new state. The caller holds
// index.lock. If the whole index then equals tree, it says so, which makes stock git
// faster.
func (tx *Tx) moveIndex(moves []fileMove, tree object.Hash) error {
	if len(moves) == 0 {
		return nil
	}
	r := tx.repo
	idx, err := tx.index()
	if err != nil {
		return err
	}
	tx.idx = nil
	changes := make(map[string]*index.Entry, len(moves))
	for _, m := range moves {
		if m.New.Hash.IsZero() {
			changes[m.Path] = nil
			continue
		}
		e := &index.Entry{Name: m.Path, Mode: m.New.Mode, Hash: m.New.Hash}
		if s, err := index.Lstat(filepath.Join(r.Dir, filepath.FromSlash(m.Path))); err == nil {
			e.Stat = s
			// The file may have been edited since it was placed.
			if now, err := r.workAt(m.Path); err != nil || !now.is(m.New) {
				e.Smudge()
			}
		}
		changes[m.Path] = e
	}
	r.smudge(idx, changes)
	idx.Update(changes)
	var cached *index.Tree
	if root, clean := idx.Trees(); clean && root.Hash == tree {
		cached = root
	}
	if err := r.replaceWith(r.indexFile(), func(w io.Writer) error { return idx.Encode(w, cached) }); err != nil {
		return &WriteError{r.indexFile(), err}
	}
	return nil
}

// smudge keeps edits visible that were made in the same clock tick in which the old
// index was written. Their stat data are equal to those in the index, and a newer
// index would make them look trustworthy. Such entries are smudged, as git does.
func (r *Repo) smudge(idx *index.Index, except map[string]*index.Entry) {
	if idx.ModTime.IsZero() {
		return
	}
	for i := range idx.Entries {
		e := &idx.Entries[i]
		if !idx.Racy(e.Stat, true) || e.Smudged() || e.Stage() != 0 {
			continue
		}
		if _, ok := except[e.Name]; ok {
			continue
		}
		now, err := index.Lstat(filepath.Join(r.Dir, filepath.FromSlash(e.Name)))
		if err != nil || !e.Stat.SameTimeAndSize(now) {
			continue
		}
		if w, err := r.workAt(e.Name); err != nil || w.hash != e.Hash {
			e.Smudge()
		}
	}
}

// checkRefRoom refuses a ref that would need a folder where another ref is.
func (r *Repo) checkRefRoom(u RefUpdate, all []RefUpdate) error {
	if u.New.IsZero() {
		return nil
	}
	leaving := func(name string) bool {
		return slices.ContainsFunc(all, func(o RefUpdate) bool { return o.Name == name && o.New.IsZero() })
	}
	for i := len("refs/"); i < len(u.Name); i++ {
		if u.Name[i] != '/' || strings.Count(u.Name[:i], "/") < 2 {
			continue
		}
		if _, ok, err := r.Ref(u.Name[:i]); err != nil || ok && !leaving(u.Name[:i]) {
			return errors.Join(err, &RefError{u.Name, fmt.Sprintf("cannot exist beside the ref %q: one name begins with the other", u.Name[:i])})
		}
	}
	below, err := r.Refs(u.Name + "/")
	if err != nil {
		return err
	}
	for name := range below {
		if !leaving(name) {
			return &RefError{u.Name, fmt.Sprintf("cannot exist beside the ref %q: one name begins with the other", name)}
		}
	}
	return nil
}

// moveRef moves one locked ref, unless it has moved already.
func (tx *Tx) moveRef(ctx context.Context, u RefUpdate, j *journal) error {
	r := tx.repo
	now, _, err := r.Ref(u.Name)
	if err != nil || now == u.New {
		return err
	}
	if u.New.IsZero() {
		return tx.dropRef(ctx, u.Name)
	}
	log, err := r.reflogs()
	if err != nil {
		return err
	}
	if err := log.write(u, j); err != nil {
		return err
	}
	if err := r.step("reflog " + u.Name); err != nil {
		return err
	}
	file := r.refFile(u.Name)
	settled := tx.fresh && fileExists(file)
	removeEmptyDirs(file)
	if err := r.replace(file, []byte(u.New.String()+"\n")); err != nil {
		return &WriteError{file, err}
	}
	if settled {
		return nil
	}
	// The folders above may be new as well.
	for d := filepath.Dir(filepath.Dir(file)); len(d) > len(r.GitDir); d = filepath.Dir(d) {
		if err := r.sync(d); err != nil {
			return &WriteError{d, err}
		}
	}
	return nil
}

// manyRefs is how many new refs make it worth writing them to packed-refs in place of
// a file each. A copied ledger has one for each instrument.
const manyRefs = 200

// moveNewRefs makes all new refs with one write if there are many. The caller has
// locked them.
func (tx *Tx) moveNewRefs(ctx context.Context, j *journal) error {
	r := tx.repo
	var fresh []RefUpdate
	for _, u := range j.Refs {
		// The branch in use has a file, as after git clone.
		if u.Old.IsZero() && u.Name != j.Branch {
			fresh = append(fresh, u)
		}
	}
	if len(fresh) < manyRefs {
		return nil
	}
	packed, err := r.packedNow()
	if err != nil {
		return err
	}
	fresh = slices.DeleteFunc(fresh, func(u RefUpdate) bool { return packed[u.Name] == u.New })
	if len(fresh) == 0 {
		return nil
	}
	log, err := r.reflogs()
	if err != nil {
		return err
	}
	log.sync = false // as git: a branch's first line says nothing that the branch does not
	if err := inParallel(len(fresh), func(i int) error { return log.write(fresh[i], j) }); err != nil {
		return err
	}
	held := len(tx.locks)
	file := filepath.Join(r.GitDir, "packed-refs")
	if err := tx.acquire(ctx, file, time.Now().Add(refLockWait)); err != nil {
		return err
	}
	defer tx.unlock(held)
	old, err := os.ReadFile(file)
	if err != nil && !isAbsent(err) {
		return err
	}
	lines, err := r.packedLines(old)
	if err != nil {
		return err
	}
	for _, u := range fresh {
		l := packedLine{name: u.Name, hash: u.New}
		if l.peeled, err = r.peel(u.New); err != nil {
			return err
		}
		lines[u.Name] = l
	}
	if err := r.replace(file, encodePacked(lines)); err != nil {
		return &WriteError{file, err}
	}
	r.mu.Lock()
	r.packed = packedRefs{}
	r.mu.Unlock()
	return r.step("new refs packed")
}

// removeEmptyDirs removes the empty folders that deleted refs left at the place of a
// new ref. If a folder is not empty, the rename that follows fails.
func removeEmptyDirs(dir string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		if e.IsDir() {
			removeEmptyDirs(filepath.Join(dir, e.Name()))
		}
	}
	os.Remove(dir)
}

// dropRef removes a locked ref. It starts with packed-refs, so that an old value there
// does not become the ref's value again.
func (tx *Tx) dropRef(ctx context.Context, name string) error {
	r := tx.repo
	packed, err := r.packedNow()
	if err != nil {
		return err
	}
	if _, ok := packed[name]; ok {
		file := filepath.Join(r.GitDir, "packed-refs")
		if err := tx.acquire(ctx, file, time.Now().Add(refLockWait)); err != nil {
			return err
		}
		b, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		if err := r.replace(file, withoutPacked(b, name)); err != nil {
			return &WriteError{file, err}
		}
		r.mu.Lock()
		r.packed = packedRefs{}
		r.mu.Unlock()
		if err := r.step("unpacked " + name); err != nil {
			return err
		}
	}
	file := r.refFile(name)
	if err := retryShared(func() error { return os.Remove(file) }); err != nil && !isAbsent(err) {
		return &WriteError{file, err}
	}
	os.Remove(filepath.Join(r.GitDir, "logs", filepath.FromSlash(name)))
	if err := r.sync(filepath.Dir(file)); err != nil {
		return &WriteError{file, err}
	}
	return nil
}

func withoutPacked(b []byte, name string) []byte {
	var out strings.Builder
	skip := false
	for line := range strings.Lines(string(b)) {
		if line[0] != '^' {
			skip = strings.HasSuffix(strings.TrimSuffix(line, "\n"), " "+name) && line[0] != '#'
		}
		if !skip {
			out.WriteString(line)
		}
	}
	return []byte(out.String())
}
