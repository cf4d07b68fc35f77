package gitstore

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"benchlore/ledger/gitstore/index"
	"benchlore/ledger/gitstore/object"
)

// checkPath refuses slash paths that could leave the work tree, reach .git, or
// mean different files on different systems.
func checkPath(p string) error {
	bad := func(reason string) error { return &PathError{p, reason} }
	if p == "" || !utf8.ValidString(p) {
		return bad("is empty or not UTF-8")
	}
	for part := range strings.SplitSeq(p, "/") {
		if part == "" || part == "." || part == ".." {
			return bad("must be relative, with slashes between names and no empty name, \".\" or \"..\"")
		}
		if strings.ContainsFunc(part, func(c rune) bool { return c == '\\' || unicode.IsControl(c) }) {
			return bad("may not hold backslashes or control characters")
		}
		if runtime.GOOS == "windows" && strings.ContainsAny(part, ":*?\"<>|") {
			return bad("holds a character that Windows does not allow in file names")
		}
		if isGitName(part) {
			return bad("may not lie in .git")
		}
	}
	return nil
}

// CheckPath refuses what no file of a ledger may be called: paths that leave it
// or reach .git on any system. Errors: *PathError.
func CheckPath(p string) error { return checkPath(p) }

// isGitName reports whether some system takes a name for .git: letter case,
// invisible characters (HFS+), trailing dots and spaces and the short name
// (NTFS) do not count there.
func isGitName(name string) bool {
	name = strings.Map(func(c rune) rune {
		if unicode.Is(unicode.Cf, c) {
			return -1
		}
		return unicode.ToLower(c)
	}, name)
	name = strings.TrimRight(name, ". ")
	stem, _, _ := strings.Cut(name, ":")
	stem = strings.TrimRight(stem, ". ")
	return stem == ".git" || stem == "git~1"
}

// work is what is found at a path of the work tree.
type work struct {
	hash object.Hash // of the content as a blob; zero when absent
	kind index.Kind
}

func (w work) absent() bool { return w.hash.IsZero() && w.kind == index.Regular }

// is reports whether the content is that of the tree entry, which may be an
// absent one. The executable bit does not count.
func (w work) is(e object.TreeEntry) bool {
	if w.absent() || e.Hash.IsZero() {
		return w.absent() && e.Hash.IsZero()
	}
	return w.hash == e.Hash && (w.kind == index.Symlink) == (e.Mode == object.ModeSymlink)
}

// workAt hashes what is found at a path. A symbolic link on the way is a
// *PathError, a file on the way makes the path absent.
func (r *Repo) workAt(p string) (work, error) {
	dir := path.Dir(p)
	if dir != "." {
		at := ""
		for part := range strings.SplitSeq(dir, "/") {
			at = path.Join(at, part)
			info, err := r.root.Lstat(at)
			switch {
			case isAbsent(err):
				return work{}, nil
			case err != nil:
				return work{}, err
			case info.Mode()&os.ModeSymlink != 0:
				return work{}, &PathError{p, fmt.Sprintf("passes through the symbolic link %q; replace that by a folder", at)}
			case !info.IsDir():
				return work{}, nil
			}
		}
	}
	info, err := r.root.Lstat(p)
	switch {
	case isAbsent(err):
		return work{}, nil
	case err != nil:
		return work{}, err
	case info.Mode()&os.ModeSymlink != 0:
		target, err := r.root.Readlink(p)
		return work{HashBlob([]byte(filepath.ToSlash(target))), index.Symlink}, err
	case info.IsDir():
		return work{kind: index.Dir}, nil
	case !info.Mode().IsRegular():
		return work{kind: index.Other}, nil
	}
	data, err := r.root.ReadFile(p)
	if err != nil {
		return work{}, err
	}
	w := work{HashBlob(data), index.Regular}
	if executableBits && info.Mode()&0o100 != 0 {
		w.kind = index.Executable
	}
	return w, nil
}

func isAbsent(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR)
}

// stageFiles writes the contents that are to come into the work tree beside
// it, durable, so that a full disk is met before anything is touched.
func (tx *Tx) stageFiles(moves []fileMove) error {
	r := tx.repo
	return inParallel(len(moves), func(i int) error {
		m := moves[i]
		if m.New.Hash.IsZero() {
			return nil
		}
		data, err := r.Blob(m.New.Hash)
		if err != nil {
			return err
		}
		return r.stageFile(i, m.New.Mode, data)
	})
}

func (r *Repo) stageFile(i int, mode object.Mode, data []byte) error {
	name := r.stagedName(i)
	perm := os.FileMode(0o666)
	if mode == object.ModeExecutable {
		perm = 0o777
	}
	if err := writeSynced(name, data, perm, !r.NoSync); err != nil {
		return &WriteError{name, err}
	}
	return nil
}

func (r *Repo) stagedName(i int) string {
	return filepath.Join(r.tmpDir(), fmt.Sprintf("work-%d", i))
}

// placeFiles brings the work tree from the old to the new side of the moves.
// It only ever replaces content that is one of the two. Running it again is
// harmless.
func (tx *Tx) placeFiles(moves []fileMove) error {
	r := tx.repo
	dirs := map[string]bool{}
	settled, err := tx.settledFolders(moves)
	if err != nil {
		return err
	}
	// Removals first: a folder may take the name of a removed file.
	for _, remove := range []bool{true, false} {
		for i, m := range moves {
			if m.New.Hash.IsZero() != remove {
				continue
			}
			now, err := r.workAt(m.Path)
			if err != nil {
				return err
			}
			if !now.is(m.Old) && !now.is(m.New) && !(now.kind == index.Dir && !remove) {
				return &EditedError{Path: m.Path, Save: r.program.save()}
			}
			for d := path.Dir(m.Path); ; d = path.Dir(d) {
				dirs[filepath.Join(r.Dir, filepath.FromSlash(d))] = true
				if d == "." || settled[d] {
					break
				}
			}
			if remove {
				err = r.removeFile(m.Path, now)
			} else {
				err = r.placeFile(i, m, now)
			}
			if err != nil {
				return err
			}
			if err := r.step("file " + m.Path); err != nil {
				return err
			}
		}
	}
	if r.NoSync {
		return nil
	}
	for d := range dirs {
		if !fileExists(d) {
			delete(dirs, d)
		}
	}
	return syncDirs(dirs)
}

// settledFolders lists the folders of new files that need no look at the folders
// above them: there are other files in them that an earlier write made durable
// together with those. After a crash, and where files go and may take their folders
// along, none is taken for settled.
func (tx *Tx) settledFolders(moves []fileMove) (map[string]bool, error) {
	if !tx.fresh {
		return nil, nil
	}
	ours := map[string]bool{}
	for _, m := range moves {
		if m.New.Hash.IsZero() {
			return nil, nil
		}
		ours[m.Path] = true
	}
	idx, err := tx.index()
	if err != nil {
		return nil, err
	}
	settled := map[string]bool{}
	for _, m := range moves {
		dir := path.Dir(m.Path)
		if dir == "." || settled[dir] {
			continue
		}
		for i, _ := idx.Find(dir + "/"); i < len(idx.Entries) && strings.HasPrefix(idx.Entries[i].Name, dir+"/"); i++ {
			e := &idx.Entries[i]
			if path.Dir(e.Name) == dir && !ours[e.Name] && !e.IntentToAdd() {
				info, err := tx.repo.root.Lstat(e.Name)
				settled[dir] = err == nil && info.Mode().IsRegular()
				break
			}
		}
	}
	return settled, nil
}

func (r *Repo) removeFile(p string, now work) error {
	if !now.absent() {
		if err := retryShared(func() error { return r.root.Remove(p) }); err != nil && !isAbsent(err) {
			return &WriteError{p, err}
		}
	}
	// Git keeps no empty folders; one that holds anything else stays.
	for d := path.Dir(p); d != "."; d = path.Dir(d) {
		if info, err := r.root.Lstat(d); err == nil && !info.IsDir() {
			break
		}
		if err := r.root.Remove(d); err != nil && !isAbsent(err) {
			break
		}
	}
	return nil
}

func (r *Repo) placeFile(i int, m fileMove, now work) error {
	if now.is(m.New) && (now.kind == index.Executable) == (m.New.Mode == object.ModeExecutable) {
		return nil
	}
	if now.is(m.New) && !executableBits {
		return nil
	}
	if err := r.root.MkdirAll(path.Dir(m.Path), 0o777); err != nil {
		return &WriteError{m.Path, err}
	}
	if now.kind == index.Dir {
		// Only empty folders go; a file in the way stops the write.
		if err := r.root.Remove(m.Path); err != nil {
			return &PathError{m.Path, "is a folder with other files in it; move them away first"}
		}
	}
	staged := path.Join(".git", r.program.name(), "tmp", filepath.Base(r.stagedName(i)))
	err := retryShared(func() error { return r.root.Rename(staged, m.Path) })
	if err != nil {
		return &WriteError{m.Path, err}
	}
	return nil
}

// checkAlike refuses a new file whose name differs from a name beside it only in upper
// and lower case or in how accents are stored. The disks of most systems keep only one
// of the two, and the other would be lost without notice. It looks only into folders
// that get a new name.
func (r *Repo) checkAlike(tree object.Hash, moves []fileMove) error {
	getting := map[string]bool{}
	for _, m := range moves {
		if !m.Old.Hash.IsZero() || m.New.Hash.IsZero() {
			continue
		}
		for d := path.Dir(m.Path); !getting[d]; d = path.Dir(d) {
			getting[d] = true
			if d == "." {
				break
			}
		}
	}
	if len(getting) == 0 {
		return nil
	}
	var look func(dir string, tree object.Hash) error
	look = func(dir string, tree object.Hash) error {
		entries, err := r.Tree(tree)
		if err != nil {
			return err
		}
		first := make(map[string]string, len(entries))
		for _, e := range entries {
			folded := strings.ToLower(norm.NFC.String(e.Name))
			if other, ok := first[folded]; ok {
				return &PathError{path.Join(dir, e.Name), fmt.Sprintf("differs from %q only in upper and lower case or in how accents are stored, "+
					"and most disks keep only one of the two; rename one of them with git mv in the copy that has both", path.Join(dir, other))}
			}
			first[folded] = e.Name
			if sub := path.Join(dir, e.Name); getting[sub] && !e.Mode.IsFile() {
				if err := look(sub, e.Hash); err != nil {
					return err
				}
			}
		}
		return nil
	}
	return look(".", tree)
}

// Rotten reads every work file that git takes for unchanged, by its date and size, and
// lists those whose bytes are not those that git has.
func (r *Repo) Rotten() ([]string, error) {
	changes, err := r.Changes()
	if err != nil {
		return nil, err
	}
	changed := make(map[string]bool, len(changes))
	for _, c := range changes {
		changed[c.Path] = true
	}
	idx, err := r.loadIndex()
	if err != nil {
		return nil, err
	}
	bad := make([]bool, len(idx.Entries))
	err = inParallel(len(idx.Entries), func(i int) error {
		e := &idx.Entries[i]
		if e.Stage() != 0 || e.IntentToAdd() || !e.Mode.IsFile() || changed[e.Name] {
			return nil
		}
		now, err := r.workAt(e.Name)
		bad[i] = err == nil && !now.hash.IsZero() && now.hash != e.Hash
		return err
	})
	var out []string
	for i, is := range bad {
		if is {
			out = append(out, idx.Entries[i].Name)
		}
	}
	return out, err
}
