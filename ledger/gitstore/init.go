package gitstore

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/go-git/go-billy/v5/osfs"
	"github.com/go-git/go-git/v5/plumbing/cache"
	"github.com/go-git/go-git/v5/storage/filesystem"
	"github.com/go-git/go-git/v5/storage/filesystem/dotgit"

	"benchlore/ledger/gitstore/config"
)

// OpenBare opens a repository as the far end of an exchange: a bare one, or
// the .git of one with a work tree, whose files are then left alone and whose
// branch in use is not moved. Errors: *NotRepositoryError, *UnsupportedError.
func OpenBare(dir string, p Program) (*Repo, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	git := dir
	if info, err := os.Lstat(filepath.Join(dir, ".git")); err == nil && info.IsDir() {
		git = filepath.Join(dir, ".git")
	}
	if !isGitDir(git) {
		return nil, &NotRepositoryError{dir}
	}
	r := &Repo{Dir: dir, GitDir: git, bare: git == dir, program: p}
	if err := r.checkConfig(); err != nil {
		return nil, err
	}
	if b, err := os.ReadFile(filepath.Join(git, "shallow")); err == nil && len(b) > 0 {
		r.Shallow = true
	}
	if r.root, err = os.OpenRoot(dir); err != nil {
		return nil, err
	}
	r.openObjects()
	return r, nil
}

// InitBare creates an empty bare repository as `git init --bare` does.
func InitBare(dir string) error {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return &UnsupportedError{Path: dir, Reason: "is there already and is not empty", Remedy: "choose another folder"}
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, d := range []string{"objects/info", "objects/pack", "refs/heads", "refs/tags", "info"} {
		if err := os.MkdirAll(filepath.Join(dir, filepath.FromSlash(d)), 0o777); err != nil {
			return &WriteError{dir, err}
		}
	}
	config := fmt.Sprintf("[core]\n\trepositoryformatversion = 0\n\tfilemode = %t\n\tbare = true\n", keepsModes(dir))
	if !keepsCase(dir) {
		config += "\tignorecase = true\n"
	}
	for _, f := range []struct{ name, text string }{{"config", config}, {"HEAD", "ref: refs/heads/main\n"}} {
		name := filepath.Join(dir, f.name)
		if err := writeSynced(name, []byte(f.text), 0o666, true); err != nil {
			return &WriteError{name, err}
		}
	}
	return nil
}

func (r *Repo) openObjects() {
	r.objects = filesystem.NewObjectStorageWithOptions(
		dotgit.NewWithOptions(osfs.New(r.GitDir, osfs.WithBoundOS()), dotgit.Options{AlternatesFS: osfs.New("/", osfs.WithBoundOS())}),
		cache.NewObjectLRU(32*cache.MiByte), filesystem.Options{KeepDescriptors: true})
}

// What a file system can store is tried out, as git init does: a stick or a network
// folder may differ from the system's disk. If the trial itself fails, the answer is
// yes.

// probe makes a file in dir for fn to try something with, and removes it.
func probe(dir string, fn func(name string) bool) bool {
	name := filepath.Join(dir, "probe")
	if err := os.WriteFile(name, nil, 0o666); err != nil {
		return true
	}
	defer os.Remove(name)
	return fn(name)
}

// keepsModes reports whether the disk stores the executable bit.
func keepsModes(dir string) bool {
	return executableBits && probe(dir, func(name string) bool {
		before, err := os.Lstat(name)
		if err != nil || before.Mode()&0o100 != 0 || os.Chmod(name, before.Mode()|0o100) != nil {
			return false
		}
		after, err := os.Lstat(name)
		return err == nil && after.Mode()&0o100 != 0
	})
}

// keepsLinks reports whether the disk stores symbolic links.
func keepsLinks(dir string) bool {
	return executableBits && probe(dir, func(name string) bool {
		defer os.Remove(name + "-link")
		return os.Symlink("probe", name+"-link") == nil
	})
}

// keepsCase reports whether two names that differ only in case are two files.
func keepsCase(dir string) bool {
	return executableBits && probe(dir, func(name string) bool {
		_, err := os.Lstat(filepath.Join(dir, strings.ToUpper(filepath.Base(name))))
		return err != nil
	})
}

// ignoredBy reports whether the repository whose work tree is top ignores the
// folder dir in it, as `git check-ignore` says it: by .gitignore there, in the
// folders between the two, or by .git/info/exclude (gitignore(5)).
func ignoredBy(top, dir string) (bool, error) {
	rel, err := filepath.Rel(top, dir)
	if err != nil {
		return false, err
	}
	names := strings.Split(filepath.ToSlash(rel), "/")
	list, err := ignoreFile(filepath.Join(top, ".git", "info", "exclude"), 0)
	if err != nil {
		return false, err
	}
	// Git does not look into an ignored folder, so the first one decides.
	for i := range names {
		more, err := ignoreFile(filepath.Join(top, filepath.Join(names[:i]...), ".gitignore"), i)
		if err != nil {
			return false, err
		}
		list = append(list, more...)
		for j := len(list) - 1; j >= 0; j-- { // the last one that fits decides
			if list[j].fits(names[:i+1]) {
				if !list[j].keep {
					return true, nil
				}
				break
			}
		}
	}
	return false, nil
}

// ignorePattern is one line of a .gitignore.
type ignorePattern struct {
	depth int      // of the folder its file is in, below the work tree
	parts []string // between slashes
	any   bool     // without a slash: fits a name at any depth
	keep  bool     // begins with "!": not ignored
}

func (p ignorePattern) fits(names []string) bool {
	if p.any {
		return config.MatchParts(p.parts, names[len(names)-1:])
	}
	return config.MatchParts(p.parts, names[p.depth:])
}

// ignoreFile reads the patterns of a file; none where it is not there.
func ignoreFile(name string, depth int) ([]ignorePattern, error) {
	text, err := os.ReadFile(name)
	if isAbsent(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var list []ignorePattern
	for line := range strings.Lines(strings.TrimPrefix(string(text), "\ufeff")) {
		line = strings.TrimRight(line, "\r\n")
		for strings.HasSuffix(line, " ") && !strings.HasSuffix(line, `\ `) {
			line = line[:len(line)-1]
		}
		if line == "" || line[0] == '#' {
			continue
		}
		p := ignorePattern{depth: depth}
		line, p.keep = strings.CutPrefix(line, "!")
		line = strings.TrimSuffix(line, "/") // folders only: what is asked about is one
		p.any = !strings.Contains(line, "/")
		line = strings.ReplaceAll(line, "[!", "[^")
		p.parts = strings.Split(strings.TrimPrefix(line, "/"), "/")
		list = append(list, p)
	}
	return list, nil
}
