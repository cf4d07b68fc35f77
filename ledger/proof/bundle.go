package proof

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/pack"
	"benchlore/ledger/proof/gitobj"
)

// A git bundle is a list of refs followed by a pack: gitformat-bundle(5), version
// 2.

// BundleHead is the first line of a bundle.
const BundleHead = "# v2 git bundle\n"

// IsBundle reports whether a file begins as a git bundle does.
func IsBundle(head []byte) bool {
	return bytes.HasPrefix(head, []byte("# v2 git bundle")) || bytes.HasPrefix(head, []byte("# v3 git bundle"))
}

// Bundle is a bundle that was read, or a clone's like: its refs as they stand, its
// objects under the names their bytes have.
type Bundle struct {
	Refs    []Ref
	Objects gitobj.Set
}

// ref returns where a ref of the bundle points.
func (b *Bundle) ref(name string) (object.Hash, bool) {
	for _, r := range b.Refs {
		if r.Name == name {
			return r.ID, true
		}
	}
	return object.ZeroHash, false
}

// WriteBundle makes a bundle of the objects given. Same input, same bytes.
func WriteBundle(w io.Writer, refs []Ref, objects gitobj.Set) error {
	var head strings.Builder
	head.WriteString(BundleHead)
	for _, r := range refs {
		fmt.Fprintf(&head, "%s %s\n", r.ID, r.Name)
	}
	head.WriteByte('\n')
	if _, err := io.WriteString(w, head.String()); err != nil {
		return err
	}
	return pack.Write(w, objects)
}

// ReadBundle reads a bundle that may come from anybody. It must be complete in
// itself: a bundle that builds on commits it does not hold is refused.
func ReadBundle(data []byte) (*Bundle, error) {
	if len(data) > MaxBundle {
		return nil, fmt.Errorf("the bundle has %d bytes; more than %d are not read", len(data), MaxBundle)
	}
	if bytes.HasPrefix(data, []byte("# v3 git bundle\n")) {
		return nil, &unreadableError{"the bundle is of version 3; version 2 is read"}
	}
	rest, ok := bytes.CutPrefix(data, []byte(BundleHead))
	if !ok {
		return nil, errors.New("this is no git bundle of version 2")
	}
	b := &Bundle{}
	seen := map[string]bool{}
	for {
		line, after, ok := bytes.Cut(rest, []byte("\n"))
		if !ok {
			return nil, errors.New("the bundle's list of refs has no end")
		}
		rest = after
		if len(line) == 0 {
			break
		}
		if line[0] == '-' {
			return nil, errors.New("the bundle builds on commits it does not hold")
		}
		id, name, ok := strings.Cut(string(line), " ")
		h := object.NewHash(id)
		if !ok || h.String() != id || h.IsZero() {
			return nil, fmt.Errorf("the bundle has an odd ref line %.80q", line)
		}
		if seen[name] {
			return nil, fmt.Errorf("the bundle names %.80q twice", name)
		}
		seen[name] = true
		if b.Refs = append(b.Refs, Ref{name, h}); len(b.Refs) > maxRefs {
			return nil, fmt.Errorf("the bundle has more than %d refs", maxRefs)
		}
	}
	objects, err := pack.Read(rest, pack.Limits{Objects: MaxObjects, Object: MaxObject, Inflated: MaxHistory, Depth: maxDepth})
	b.Objects = objects
	return b, err
}
