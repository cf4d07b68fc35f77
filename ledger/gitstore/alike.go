package gitstore

import (
	"fmt"
	"path"
	"strings"

	"golang.org/x/text/unicode/norm"

	"benchlore/ledger/gitstore/object"
)

// checkAlike refuses files that come where a name beside them differs from theirs
// in case alone, or in how its accents are written: the disks of most systems keep
// one of the two, and the other would be lost unseen. It looks into the folders
// that get a name and no others.
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
				return &PathError{path.Join(dir, e.Name), fmt.Sprintf("differs from %q in case or in how its accents are written alone, "+
					"and most systems keep one of the two; rename one of them where both are, with git mv", path.Join(dir, other))}
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
