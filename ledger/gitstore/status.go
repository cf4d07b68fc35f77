package gitstore

import (
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"github.com/go-git/go-git/v5/plumbing/format/gitignore"

	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/index"
	"benchlore/ledger/gitstore/object"
)

// ChangeKind is how a file differs.
type ChangeKind string

// The kinds of change.
const (
	Unchanged   ChangeKind = ""
	Added       ChangeKind = "added"
	Modified    ChangeKind = "modified"
	Deleted     ChangeKind = "deleted"
	TypeChanged ChangeKind = "type changed" // a file became a link or a folder, or the reverse
	Unmerged    ChangeKind = "unmerged"     // a merge by git waits to be settled
)

// Change is a file that is not as committed.
type Change struct {
	Path   string     // slash path; a nested repository ends in a slash
	Staged ChangeKind // git's index against HEAD
	Work   ChangeKind // the work file against the index; Added when git does not track it
}

// Changes lists the files that are not as committed at this moment; see
// [Snapshot.Changes].
func (r *Repo) Changes() ([]Change, error) {
	s, err := r.Snapshot()
	if err != nil {
		return nil, err
	}
	return s.Changes()
}

// stagedChanges compares the index with HEAD's tree, reading only the trees
// that differ.
func (r *Repo) stagedChanges(idx *index.Index, at func(string) *Change) error {
	_, head, err := r.head()
	if err != nil {
		return err
	}
	tree, err := r.commitTree(head)
	if err != nil {
		return err
	}
	root, _ := idx.Trees()
	return r.stagedBelow(idx, "", tree, root, at)
}

func (r *Repo) stagedBelow(idx *index.Index, dir string, tree object.Hash, node *index.Tree, at func(string) *Change) error {
	if node != nil && node.Hash == tree {
		return nil
	}
	entries, err := r.Tree(tree)
	if err != nil {
		return err
	}
	subs := map[string]object.Hash{}
	committed := map[string]object.TreeEntry{}
	for _, e := range entries {
		if e.Mode.IsFile() || e.Mode == 0o160000 {
			committed[e.Name] = e
		} else {
			subs[e.Name] = e.Hash
		}
	}
	if node != nil {
		for name := range node.Subs {
			if _, ok := subs[name]; !ok {
				subs[name] = emptyTree
			}
		}
	}
	for name, h := range subs {
		var sub *index.Tree
		if node != nil {
			sub = node.Subs[name]
		}
		if err := r.stagedBelow(idx, dir+name+"/", h, sub, at); err != nil {
			return err
		}
	}
	// Files directly in this folder: those of the index, then those only in HEAD.
	for i, _ := idx.Find(dir); i < len(idx.Entries) && strings.HasPrefix(idx.Entries[i].Name, dir); i++ {
		e := &idx.Entries[i]
		name := e.Name[len(dir):]
		if slash := strings.IndexByte(name, '/'); slash >= 0 {
			// Skip the rest of the subfolder: '0' follows '/'.
			next, _ := idx.Find(e.Name[:len(dir)+slash] + "0")
			i = next - 1
			continue
		}
		old, ok := committed[name]
		delete(committed, name)
		switch {
		case e.Stage() != 0 || e.IntentToAdd():
		case !ok:
			at(e.Name).Staged = Added
		case index.SameKind(old.Mode, index.Symlink, false) != index.SameKind(e.Mode, index.Symlink, false):
			at(e.Name).Staged = TypeChanged
		case old.Hash != e.Hash || old.Mode != e.Mode:
			at(e.Name).Staged = Modified
		}
	}
	for name := range committed {
		at(dir + name).Staged = Deleted
	}
	return nil
}

// workChanges compares the work files with the index, on all cores: with warm
// caches the time goes into lstat.
func (r *Repo) workChanges(cfg *config.Config, idx *index.Index) (map[string]ChangeKind, error) {
	fileMode, err := cfg.Bool("core.filemode", executableBits)
	if err != nil {
		return nil, err
	}
	trustCtime, err := cfg.Bool("core.trustctime", true)
	if err != nil {
		return nil, err
	}
	kinds := make([]ChangeKind, len(idx.Entries))
	const chunk = 512
	chunks := (len(idx.Entries) + chunk - 1) / chunk
	err = inParallel(chunks, func(c int) error {
		for i := c * chunk; i < min((c+1)*chunk, len(idx.Entries)); i++ {
			var err error
			if kinds[i], err = r.workChange(idx, &idx.Entries[i], trustCtime, fileMode && executableBits); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	out := map[string]ChangeKind{}
	for i, k := range kinds {
		if k != Unchanged {
			out[idx.Entries[i].Name] = k
		}
	}
	return out, nil
}

func (r *Repo) workChange(idx *index.Index, e *index.Entry, trustCtime, fileMode bool) (ChangeKind, error) {
	if e.Stage() != 0 {
		return Unmerged, nil
	}
	if e.Unwatched() {
		return Unchanged, nil
	}
	now, err := index.Lstat(filepath.Join(r.Dir, filepath.FromSlash(e.Name)))
	switch {
	case isAbsent(err):
		return Deleted, nil
	case err != nil:
		return Unchanged, err
	case now.Kind == index.Dir:
		return Deleted, nil // the folder's files show as added
	case e.IntentToAdd():
		return Added, nil
	case now.Kind == index.Other || (now.Kind == index.Symlink) != (e.Mode == 0o120000):
		return TypeChanged, nil
	case !index.SameKind(e.Mode, now.Kind, fileMode):
		return Modified, nil
	case e.SameStat(now, trustCtime, fileMode) && !idx.Racy(e.Stat, false):
		return Unchanged, nil
	}
	w, err := r.workAt(e.Name)
	if _, unsafe := errors.AsType[*PathError](err); unsafe {
		return Deleted, nil // a link stands where a folder was
	}
	if err != nil || w.hash == e.Hash {
		return Unchanged, err
	}
	return Modified, nil
}

// untracked reports the files that are neither in the index nor ignored.
func (r *Repo) untracked(cfg *config.Config, idx *index.Index, report func(string)) error {
	excludes, set, err := cfg.Path("core.excludesfile")
	if err != nil {
		return err
	}
	if !set {
		base := os.Getenv("XDG_CONFIG_HOME")
		if base == "" {
			base = filepath.Join(config.HomeDir(), ".config")
		}
		excludes = filepath.Join(base, "git", "ignore")
	}
	var patterns []gitignore.Pattern
	for _, name := range []string{excludes, filepath.Join(r.GitDir, "info", "exclude")} {
		b, err := os.ReadFile(name)
		if err != nil && !isAbsent(err) {
			return err
		}
		patterns = appendPatterns(patterns, string(b), nil)
	}
	u := &untrackedWalk{repo: r, idx: idx, report: report}
	return u.walk(nil, patterns)
}

func appendPatterns(ps []gitignore.Pattern, text string, domain []string) []gitignore.Pattern {
	// Siblings must not share the tail of the slice.
	ps = slices.Clip(ps)
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\r\n")
		if strings.HasPrefix(line, "#") || strings.TrimSpace(line) == "" {
			continue
		}
		if !strings.HasSuffix(line, `\ `) {
			line = strings.TrimRight(line, " ")
		}
		ps = append(ps, gitignore.ParsePattern(line, domain))
	}
	return ps
}

type untrackedWalk struct {
	repo   *Repo
	idx    *index.Index
	all    bool // ignored files and special files too
	report func(string)
}

func (u *untrackedWalk) walk(dir []string, patterns []gitignore.Pattern) error {
	full := filepath.Join(u.repo.Dir, filepath.Join(dir...))
	entries, err := os.ReadDir(full)
	if isAbsent(err) {
		return nil
	}
	if err != nil {
		return err
	}
	if !u.all && slices.ContainsFunc(entries, func(e fs.DirEntry) bool { return e.Name() == ".gitignore" && e.Type().IsRegular() }) {
		b, err := os.ReadFile(filepath.Join(full, ".gitignore"))
		if err != nil {
			return err
		}
		patterns = appendPatterns(patterns, string(b), slices.Clone(dir))
	}
	matcher := gitignore.NewMatcher(patterns)
	for _, e := range entries {
		name := e.Name()
		if name == ".git" || runtime.GOOS != "linux" && isGitName(name) {
			continue
		}
		parts := append(slices.Clip(dir), name)
		p := path.Join(parts...)
		if !e.IsDir() {
			if from, to := u.idx.Find(p); from == to && (u.all || plainOrLink(e)) && !matcher.Match(parts, false) {
				u.report(p)
			}
			continue
		}
		i, _ := u.idx.Find(p + "/")
		tracked := i < len(u.idx.Entries) && strings.HasPrefix(u.idx.Entries[i].Name, p+"/")
		if !tracked {
			if matcher.Match(parts, true) {
				continue
			}
			if !u.all && fileExists(filepath.Join(full, name, ".git")) {
				if from, to := u.idx.Find(p); from == to {
					u.report(p + "/")
				}
				continue
			}
		}
		if err := u.walk(parts, patterns); err != nil {
			return err
		}
	}
	return nil
}

func plainOrLink(e fs.DirEntry) bool {
	return e.Type().IsRegular() || e.Type()&fs.ModeSymlink != 0
}
