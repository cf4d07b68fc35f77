package index

import (
	"crypto/sha1"
	"fmt"
	"hash"
	"slices"
	"strings"

	"benchlore/ledger/gitstore/object"
)

// Tree is one directory of the index with the tree hash it would have.
type Tree struct {
	Hash    object.Hash
	entries int // files below
	Subs    map[string]*Tree
}

// Trees returns the directory tree the index stands for. It reads no object,
// so that comparing its hash with HEAD's tree is cheap. Unmerged and
// intent-to-add entries have no place in a tree and are left out; clean is
// then false.
func (idx *Index) Trees() (root *Tree, clean bool) {
	clean = true
	files := make([]*Entry, 0, len(idx.Entries))
	for i := range idx.Entries {
		e := &idx.Entries[i]
		if e.Stage() != 0 || e.IntentToAdd() {
			clean = false
			continue
		}
		files = append(files, e)
	}
	b := &treeBuilder{sum: sha1.New()}
	return b.node(files, 0), clean
}

// treeBuilder makes trees. The bodies of a tree and of those above it, as far as
// they are known, lie one behind the other in one piece of memory.
type treeBuilder struct {
	bodies []byte
	sum    hash.Hash
}

func (b *treeBuilder) node(files []*Entry, prefix int) *Tree {
	node := &Tree{entries: len(files)}
	from := len(b.bodies)
	for len(files) > 0 {
		rel := files[0].Name[prefix:]
		slash := strings.IndexByte(rel, '/')
		if slash < 0 {
			b.bodies = object.AppendTreeEntry(b.bodies, object.TreeEntry{Name: rel, Mode: files[0].Mode, Hash: files[0].Hash})
			files = files[1:]
			continue
		}
		dir := files[0].Name[:prefix+slash+1]
		n := 1
		for n < len(files) && strings.HasPrefix(files[n].Name, dir) {
			n++
		}
		sub := b.node(files[:n], len(dir))
		if node.Subs == nil {
			node.Subs = map[string]*Tree{}
		}
		node.Subs[rel[:slash]] = sub
		b.bodies = object.AppendTreeEntry(b.bodies, object.TreeEntry{Name: rel[:slash], Mode: object.ModeDir, Hash: sub.Hash})
		files = files[n:]
	}
	b.sum.Reset()
	fmt.Fprintf(b.sum, "tree %d\x00", len(b.bodies)-from)
	b.sum.Write(b.bodies[from:])
	b.sum.Sum(node.Hash[:0])
	b.bodies = b.bodies[:from]
	return node
}

// appendCache writes the node and those below it as git's cached-tree
// extension: subtrees are ordered by the length of their name first.
func (n *Tree) appendCache(b []byte, name string) []byte {
	b = append(b, name...)
	b = fmt.Appendf(b, "\x00%d %d\n", n.entries, len(n.Subs))
	b = append(b, n.Hash[:]...)
	names := make([]string, 0, len(n.Subs))
	for s := range n.Subs {
		names = append(names, s)
	}
	slices.SortFunc(names, func(a, b string) int {
		if len(a) != len(b) {
			return len(a) - len(b)
		}
		return strings.Compare(a, b)
	})
	for _, s := range names {
		b = n.Subs[s].appendCache(b, s)
	}
	return b
}
