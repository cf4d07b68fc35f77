package gitstore

import (
	"os"
	"path/filepath"
	"strings"
)

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
		return matchParts(p.parts, names[len(names)-1:])
	}
	return matchParts(p.parts, names[p.depth:])
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
