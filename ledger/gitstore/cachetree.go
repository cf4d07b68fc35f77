package gitstore

import (
	"crypto/sha1"
	"fmt"
	"hash"
	"slices"
	"strings"

	"benchlore/ledger/gitstore/object"
)

// treeNode is one directory of the index with the tree hash it would have.
type treeNode struct {
	hash    object.Hash
	entries int // files below
	subs    map[string]*treeNode
}

// trees returns the directory tree the index stands for. It reads no object,
// so that comparing its hash with HEAD's tree is cheap. Unmerged and
// intent-to-add entries have no place in a tree and are left out; clean is
// then false.
func (idx *index) trees() (root *treeNode, clean bool) {
	clean = true
	files := make([]*indexEntry, 0, len(idx.entries))
	for i := range idx.entries {
		e := &idx.entries[i]
		if e.stage() != 0 || e.intentToAdd() {
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

func (b *treeBuilder) node(files []*indexEntry, prefix int) *treeNode {
	node := &treeNode{entries: len(files)}
	from := len(b.bodies)
	for len(files) > 0 {
		rel := files[0].name[prefix:]
		slash := strings.IndexByte(rel, '/')
		if slash < 0 {
			b.bodies = object.AppendTreeEntry(b.bodies, object.TreeEntry{Name: rel, Mode: files[0].mode, Hash: files[0].hash})
			files = files[1:]
			continue
		}
		dir := files[0].name[:prefix+slash+1]
		n := 1
		for n < len(files) && strings.HasPrefix(files[n].name, dir) {
			n++
		}
		sub := b.node(files[:n], len(dir))
		if node.subs == nil {
			node.subs = map[string]*treeNode{}
		}
		node.subs[rel[:slash]] = sub
		b.bodies = object.AppendTreeEntry(b.bodies, object.TreeEntry{Name: rel[:slash], Mode: object.ModeDir, Hash: sub.hash})
		files = files[n:]
	}
	b.sum.Reset()
	fmt.Fprintf(b.sum, "tree %d\x00", len(b.bodies)-from)
	b.sum.Write(b.bodies[from:])
	b.sum.Sum(node.hash[:0])
	b.bodies = b.bodies[:from]
	return node
}

// appendCache writes the node and those below it as git's cached-tree
// extension: subtrees are ordered by the length of their name first.
func (n *treeNode) appendCache(b []byte, name string) []byte {
	b = append(b, name...)
	b = fmt.Appendf(b, "\x00%d %d\n", n.entries, len(n.subs))
	b = append(b, n.hash[:]...)
	names := make([]string, 0, len(n.subs))
	for s := range n.subs {
		names = append(names, s)
	}
	slices.SortFunc(names, func(a, b string) int {
		if len(a) != len(b) {
			return len(a) - len(b)
		}
		return strings.Compare(a, b)
	})
	for _, s := range names {
		b = n.subs[s].appendCache(b, s)
	}
	return b
}
