package ledger

import (
	"bytes"
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/sshkey"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// A merge brings two benches' ledgers together. Its trees are a function of
// what the repositories hold and of nothing else: not of whose turn it is, not
// of the clock. Two copies that merge the same two states get the same files,
// and no ref ever moves but forward, so that merging again adds nothing.
//
// Units' branches go first. Main is merged file by file against the common
// ancestor, and each unit's folder is then given what its branch has. Where a
// file was changed on both sides one version stands and the other is kept
// under conflicts/ until somebody settles it:
//
//   - what was closed stands against what is open,
//   - else the version committed last, else that with the greater hash;
//   - an edit stands against a deletion;
//   - signers is merged by key, and a key taken out on one side is out;
//   - revoked is merged by key, and a key put in on one side is in.

// side is one bench's state.
type side struct {
	main  object.Hash            // its head; zero where main is not exchanged
	units map[string]object.Hash // heads of the units' branches
}

// conflictFile is a version of a file that did not stand.
type conflictFile struct {
	path string // of the file, from the ledger
	blob object.Hash
}

// merged is the outcome of a merge.
type merged struct {
	tree      object.Hash            // of main
	units     map[string]object.Hash // heads, of every unit that differed
	touched   []string               // units that differ from ours, by branch or by folder
	conflicts []conflictFile         // new ones
	renamed   map[string]string      // units that had to take another name
	anew      map[string]bool        // units whose unsealed history there gives way to the sealed one here
}

// merging is a merge at work.
type merging struct {
	l            *Ledger
	tx           *gitstore.Tx
	ours, theirs side
	at           string                 // the other side's address, as shown
	seals        map[string]object.Hash // of the other side, by ref
	signer       func() (sshkey.Signer, error)
	by           gitstore.Ident

	trees  [2]object.Hash // main's, ours and theirs
	base   object.Hash    // and the ancestor's
	out    merged
	change map[string]object.Hash          // files of main, as they will be; zero: gone
	lost   map[string]map[object.Hash]bool // versions on main that did not stand
	beside map[string]map[object.Hash]bool // and on units' branches
	closed map[string]map[string]map[object.Hash]bool
}

// run merges.
func (m *merging) run() (*merged, error) {
	m.out = merged{units: map[string]object.Hash{}, renamed: map[string]string{}, anew: map[string]bool{}}
	m.change, m.lost, m.beside = map[string]object.Hash{}, map[string]map[object.Hash]bool{}, map[string]map[object.Hash]bool{}
	m.closed = map[string]map[string]map[object.Hash]bool{}
	var err error
	for i, h := range []object.Hash{m.ours.main, m.theirs.main} {
		if h.IsZero() {
			continue
		}
		if m.trees[i], err = m.l.branchTree(h); err != nil {
			return nil, err
		}
	}
	if m.theirs.main.IsZero() {
		m.trees[1], m.base = m.trees[0], m.trees[0]
	} else if m.base, err = m.baseTree(m.ours.main, m.theirs.main); err != nil {
		return nil, err
	}
	if err := m.names(); err != nil {
		return nil, err
	}
	units := slices.Sorted(maps.Keys(m.theirs.units))
	for _, name := range units {
		if err := m.unit(name); err != nil {
			return nil, err
		}
	}
	folders, err := m.files()
	if err != nil {
		return nil, err
	}
	if err := m.revive(folders); err != nil {
		return nil, err
	}
	for name := range m.out.units {
		folders[name] = true
	}
	for _, name := range slices.Sorted(maps.Keys(folders)) {
		if err := m.assign(name); err != nil {
			return nil, err
		}
	}
	return &m.out, m.write(folders)
}

// baseTree is the tree of the best common ancestor. Where there are several,
// because two copies merged the same states, it is their merge.
func (m *merging) baseTree(a, b object.Hash) (object.Hash, error) {
	return m.base3([]object.Hash{a}, []object.Hash{b}, 0)
}

func (m *merging) base3(a, b []object.Hash, depth int) (object.Hash, error) {
	bases, err := m.l.repo.MergeBases(a, b)
	if err != nil || len(bases) == 0 {
		return object.ZeroHash, err
	}
	tree, err := m.l.branchTree(bases[0])
	if err != nil {
		return tree, err
	}
	const deep = 20 // crosswise merges of crosswise merges; below, any ancestor does
	for i := 1; i < len(bases) && depth < deep; i++ {
		below, err := m.base3(bases[:i], bases[i:i+1], depth+1)
		if err != nil {
			return tree, err
		}
		other, err := m.l.branchTree(bases[i])
		if err != nil {
			return tree, err
		}
		v := &merging{l: m.l, tx: m.tx, trees: [2]object.Hash{tree, other}, base: below,
			change: map[string]object.Hash{}, lost: map[string]map[object.Hash]bool{}}
		v.ours.main, v.theirs.main = bases[0], bases[i]
		if _, err := v.files(); err != nil {
			return tree, err
		}
		if tree, err = v.newTree(); err != nil {
			return tree, err
		}
	}
	return tree, nil
}

// files merges main file by file and returns the units whose folders differ.
func (m *merging) files() (map[string]bool, error) {
	folders := map[string]bool{}
	changes, err := m.l.diff3(m.base, m.trees[0], m.trees[1])
	if err != nil {
		return nil, err
	}
	for _, c := range changes {
		if at := schema.ParsePath(c.path); at.OfUnit() {
			folders[at.Unit] = true
		}
		h, both, err := m.decide(c)
		if err != nil {
			return nil, err
		}
		m.change[c.path] = h
		if both {
			for _, v := range []object.Hash{c.ours, c.theirs} {
				if v != h && !v.IsZero() {
					lose(m.lost, c.path, v)
				}
			}
		}
	}
	m.settledApart(changes)
	return folders, nil
}

// settledApart finds what both sides settled, one by keeping what stood and one
// by another text: the one that was kept waits again, or a decision would be
// overruled without a word.
func (m *merging) settledApart(changes []change3) {
	for _, c := range changes {
		if !strings.HasPrefix(c.path, conflictsDir+"/") || c.base.IsZero() || !c.ours.IsZero() || !c.theirs.IsZero() {
			continue
		}
		p := path.Dir(strings.TrimPrefix(c.path, conflictsDir+"/"))
		k := slices.IndexFunc(changes, func(f change3) bool { return f.path == p })
		if k >= 0 && !changes[k].base.IsZero() && (changes[k].ours == changes[k].base) != (changes[k].theirs == changes[k].base) {
			lose(m.lost, p, changes[k].base)
		}
	}
}

// revive gives a unit that was taken out on one side, and worked on on the
// other, what it is back.
func (m *merging) revive(folders map[string]bool) error {
	tree, err := m.newTree()
	if err != nil {
		return err
	}
	for name := range folders {
		if _, ok, err := m.l.repo.TreeAt(tree, unitDir(name)); err != nil || !ok {
			if err != nil {
				return err
			}
			continue
		}
		for _, f := range []string{"instrument.toml", ".gitattributes"} {
			p := unitDir(name) + "/" + f
			if h, err := m.now(p); err != nil || !h.IsZero() {
				if err != nil {
					return err
				}
				continue
			}
			for _, t := range []object.Hash{m.base, m.trees[0], m.trees[1]} {
				e, ok, err := m.l.repo.TreeAt(t, p)
				if err != nil {
					return err
				}
				if ok {
					m.change[p] = e.Hash
					break
				}
			}
		}
	}
	return nil
}

func lose(lost map[string]map[object.Hash]bool, p string, blob object.Hash) {
	if lost[p] == nil {
		lost[p] = map[object.Hash]bool{}
	}
	lost[p][blob] = true
}

// change3 is a file that is not the same in all of three trees; zero: absent.
type change3 struct {
	path               string
	base, ours, theirs object.Hash
}

// diff3 lists what differs between a tree and two others.
func (l *Ledger) diff3(base, ours, theirs object.Hash) ([]change3, error) {
	found := map[string]*change3{}
	for i, tree := range []object.Hash{ours, theirs} {
		diff, err := l.repo.DiffTrees(base, tree)
		if err != nil {
			return nil, err
		}
		for _, d := range diff {
			if !d.New.Hash.IsZero() && d.New.Mode != object.ModeRegular && d.New.Mode != object.ModeExecutable && d.New.Mode != object.ModeGroup {
				return nil, &UsageError{fmt.Sprintf("%s is a link or another special file on one of the two sides", d.Path),
					"a ledger holds plain files: put the file itself there with git, commit, and sync again"}
			}
			c := found[d.Path]
			if c == nil {
				c = &change3{d.Path, d.Old.Hash, d.Old.Hash, d.Old.Hash}
				found[d.Path] = c
			}
			if i == 0 {
				c.ours = d.New.Hash
			} else {
				c.theirs = d.New.Hash
			}
		}
	}
	out := make([]change3, 0, len(found))
	for _, p := range slices.Sorted(maps.Keys(found)) {
		out = append(out, *found[p])
	}
	return out, nil
}

// decide says which version of a file stands, and whether another one lost
// against it.
func (m *merging) decide(c change3) (object.Hash, bool, error) {
	switch {
	case c.ours == c.theirs, c.theirs == c.base:
		return c.ours, false, nil
	case c.ours == c.base:
		return c.theirs, false, nil
	}
	if c.path == "signers" || c.path == "revoked" {
		h, err := m.keyLists(c)
		return h, false, err
	}
	switch {
	case c.ours.IsZero():
		return c.theirs, false, nil
	case c.theirs.IsZero():
		return c.ours, false, nil
	}
	h, err := m.later(c.path, c.ours, m.ours.main, c.theirs, m.theirs.main)
	return h, true, err
}

// later chooses between two versions of a file by when each was committed.
func (m *merging) later(p string, a, headA, b, headB object.Hash) (object.Hash, error) {
	ta, err := m.came(p, a, headA)
	if err != nil {
		return a, err
	}
	tb, err := m.came(p, b, headB)
	if err != nil {
		return a, err
	}
	switch {
	case ta.After(tb):
		return a, nil
	case tb.After(ta), bytes.Compare(a[:], b[:]) < 0:
		return b, nil
	}
	return a, nil
}

// came is when a version of a file was committed.
func (m *merging) came(p string, blob, head object.Hash) (time.Time, error) {
	l := m.l
	has := func(commit object.Hash) (bool, error) {
		tree, err := l.branchTree(commit)
		if err != nil {
			return false, err
		}
		e, ok, err := l.repo.TreeAt(tree, p)
		return ok && e.Hash == blob, err
	}
	for c, err := range l.repo.Log(head) {
		if err != nil {
			return time.Time{}, err
		}
		if ok, err := has(c.Hash); err != nil {
			return time.Time{}, err
		} else if !ok {
			continue
		}
		parents, err := l.repo.Parents(c)
		if err != nil {
			return time.Time{}, err
		}
		fresh := true
		for _, q := range parents {
			old, err := has(q)
			if err != nil {
				return time.Time{}, err
			}
			fresh = fresh && !old
		}
		if fresh {
			return c.Committer.When, nil
		}
	}
	return time.Time{}, nil
}

// assign gives a unit's folder what its branch has. What is open besides stays.
func (m *merging) assign(name string) error {
	head := m.head(name)
	if head.IsZero() {
		return nil
	}
	tree, err := m.l.branchTree(head)
	if err != nil {
		return err
	}
	var before [2]object.Hash // trees of the two branches that were merged
	for i, h := range []object.Hash{m.ours.units[name], m.theirs.units[name]} {
		if !h.IsZero() {
			if before[i], err = m.l.branchTree(h); err != nil {
				return err
			}
		}
	}
	files, err := m.l.repo.DiffTrees(object.ZeroHash, tree)
	if err != nil {
		return err
	}
	for _, f := range files {
		p := unitDir(name) + "/" + f.Path
		stands, err := m.now(p)
		if err != nil {
			return err
		}
		if stands == f.New.Hash && m.lost[p] == nil {
			continue
		}
		if (f.Path == "instrument.toml" || f.Path == "model.toml") && !stands.IsZero() && !m.lost[p][f.New.Hash] {
			if same, err := m.sameIn(before, f.Path, f.New.Hash); err != nil {
				return err
			} else if same {
				continue // no close changed it: what main says is open
			}
		}
		versions := map[object.Hash]bool{stands: true}
		for i := range m.trees {
			e, ok, err := m.l.repo.TreeAt(m.trees[i], p)
			if err != nil {
				return err
			}
			if ok {
				versions[e.Hash] = true
			}
		}
		old, _, err := m.l.repo.TreeAt(m.base, p)
		if err != nil {
			return err
		}
		delete(m.lost, p)
		history, err := m.history(name, head)
		if err != nil {
			return err
		}
		for v := range versions {
			if v.IsZero() || v == f.New.Hash || history[f.Path][v] || !m.theirs.main.IsZero() && v == old.Hash {
				continue
			}
			lose(m.lost, p, v)
		}
		m.change[p] = f.New.Hash
	}
	return nil
}

// sameIn reports whether a file is the same on both branches that were merged, and
// the merge left it so.
func (m *merging) sameIn(trees [2]object.Hash, p string, now object.Hash) (bool, error) {
	var have [2]object.Hash
	for i, t := range trees {
		if t.IsZero() {
			continue
		}
		e, _, err := m.l.repo.TreeAt(t, p)
		if err != nil {
			return false, err
		}
		have[i] = e.Hash
	}
	return have[0] == have[1] && (have[0] == now || have[0].IsZero()), nil
}

// head is where a unit's branch stands after the merge.
func (m *merging) head(name string) object.Hash {
	if h, ok := m.out.units[name]; ok {
		return h
	}
	if h, ok := m.ours.units[name]; ok {
		return h
	}
	return m.theirs.units[name]
}

// now is a file of main as the merge has it so far.
func (m *merging) now(p string) (object.Hash, error) {
	if h, ok := m.change[p]; ok {
		return h, nil
	}
	e, _, err := m.l.repo.TreeAt(m.trees[0], p)
	return e.Hash, err
}

// history is every version each file of a unit ever had on its branch.
func (m *merging) history(name string, head object.Hash) (map[string]map[object.Hash]bool, error) {
	if h := m.closed[name]; h != nil {
		return h, nil
	}
	out := map[string]map[object.Hash]bool{}
	for c, err := range m.l.repo.Log(head) {
		if err != nil {
			return nil, err
		}
		files, err := m.l.repo.DiffTrees(object.ZeroHash, c.Tree)
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			if out[f.Path] == nil {
				out[f.Path] = map[object.Hash]bool{}
			}
			out[f.Path][f.New.Hash] = true
		}
	}
	m.closed[name] = out
	return out, nil
}

// conflictsDir holds versions of files that did not stand when two benches'
// work was merged.
const conflictsDir = "conflicts"

// conflictPath is where a version that did not stand is kept. Two copies that
// merge the same states put it in the same place.
func conflictPath(p string, blob object.Hash) string {
	return fmt.Sprintf("%s/%s/%s%s", conflictsDir, p, blob.String()[:8], path.Ext(p))
}

// losers are the versions to be kept under conflicts/.
func (m *merging) losers() ([]conflictFile, error) {
	var out []conflictFile
	for _, lost := range []map[string]map[object.Hash]bool{m.lost, m.beside} {
		for p, blobs := range lost {
			stands, err := m.now(p)
			if err != nil {
				return nil, err
			}
			for h := range blobs {
				c := conflictFile{p, h}
				if h != stands && !slices.Contains(out, c) {
					out = append(out, c)
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b conflictFile) int { return strings.Compare(a.path+a.blob.String(), b.path+b.blob.String()) })
	return out, nil
}

// newTree is main's tree with the changes.
func (m *merging) newTree() (object.Hash, error) {
	lost, err := m.losers()
	if err != nil {
		return object.ZeroHash, err
	}
	for _, c := range lost {
		m.change[conflictPath(c.path, c.blob)] = c.blob
	}
	changes := make(map[string]*object.Hash, len(m.change))
	for p, h := range m.change {
		if changes[p] = nil; !h.IsZero() {
			changes[p] = &h
		}
	}
	return m.tx.UpdateTree(m.trees[0], changes)
}

func (m *merging) write(folders map[string]bool) error {
	var err error
	if m.out.tree, err = m.newTree(); err != nil {
		return err
	}
	if m.out.conflicts, err = m.losers(); err != nil {
		return err
	}
	for name := range folders {
		old, _, err := m.l.repo.TreeAt(m.trees[0], unitDir(name))
		if err != nil {
			return err
		}
		now, _, err := m.l.repo.TreeAt(m.out.tree, unitDir(name))
		if err != nil {
			return err
		}
		if _, moved := m.out.units[name]; old.Hash != now.Hash || moved {
			m.out.touched = append(m.out.touched, name)
		}
	}
	slices.Sort(m.out.touched)
	return nil
}

// names makes room where the two sides gave one name to two instruments.
// One of them was never closed, or nobody can say which may be renamed: that
// one takes a name with the beginning of its identity at the end, the one with
// the greater identity where both are open.
func (m *merging) names() error {
	if m.theirs.main.IsZero() {
		return nil
	}
	changes, err := m.l.diff3(m.base, m.trees[0], m.trees[1])
	if err != nil {
		return err
	}
	for _, c := range changes {
		at := schema.ParsePath(c.path)
		if c.ours == c.theirs || at.Is != schema.IsInstrument {
			continue
		}
		name := at.Unit
		var ids [2]string
		same := true
		for i := range m.trees {
			if ids[i], err = m.uuid(m.trees[i], name); err != nil {
				return err
			}
			same = same && (i == 0 || ids[0] == ids[i])
		}
		if same || ids[0] == "" || ids[1] == "" {
			continue
		}
		was, err := m.uuid(m.base, name)
		if err != nil {
			return err
		}
		if done, err := m.follow(name, ids, was, changes); err != nil {
			return err
		} else if done {
			continue
		}
		if err := m.rename(name, ids, was); err != nil {
			return err
		}
	}
	return nil
}

func (m *merging) rename(name string, ids [2]string, was string) error {
	_, closedHere := m.ours.units[name]
	_, closedThere := m.theirs.units[name]
	if was == ids[0] || was == ids[1] {
		return &UsageError{fmt.Sprintf("%s is the instrument %s here and %s there, and it was one of them before", name, ids[0], ids[1]),
			"an identity never changes: put the uuid of instrument.toml back where it was changed"}
	}
	move := 0
	switch {
	case closedHere && closedThere:
		return &UsageError{fmt.Sprintf("two instruments are called %s: %s here and %s there, and both have been closed", name, ids[0], ids[1]),
			"seal and hand over the one here, take its folder and branch out, and adopt it again with --as MODEL/OTHERTAG"}
	case closedHere:
		move = 1
	case closedThere:
	case ids[1] > ids[0]:
		move = 1
	}
	to := name + "-" + ids[move][:4]
	if len(path.Base(to)) > 64 {
		to = to[:len(modelOf(name))+1+59] + "-" + ids[move][:4]
	}
	m.out.renamed[name] = to
	var err error
	m.trees[move], err = m.moveUnit(m.trees[move], name, to)
	return err
}

// follow is for a unit that the other side has given another name since: here it
// takes that name too.
func (m *merging) follow(name string, ids [2]string, was string, changes []change3) (bool, error) {
	for k, id := range ids {
		if id != was {
			continue
		}
		for _, c := range changes {
			at := schema.ParsePath(c.path)
			if at.Is != schema.IsInstrument || at.Unit == name {
				continue
			}
			to := at.Unit
			there, err := m.uuid(m.trees[1-k], to)
			if err != nil {
				return false, err
			}
			if there != id {
				continue
			}
			if m.trees[k], err = m.moveUnit(m.trees[k], name, to); err != nil {
				return false, err
			}
			m.base, err = m.moveUnit(m.base, name, to)
			return true, err
		}
	}
	return false, nil
}

// moveUnit gives a unit of a tree of main another name.
func (m *merging) moveUnit(tree object.Hash, name, to string) (object.Hash, error) {
	changes := map[string]*object.Hash{}
	for _, folder := range []func(string) string{schema.UnitFolder, schema.BookFolder} {
		e, ok, err := m.l.repo.TreeAt(tree, folder(name))
		if err != nil {
			return tree, err
		}
		if !ok {
			continue
		}
		files, err := m.l.repo.DiffTrees(object.ZeroHash, e.Hash)
		if err != nil {
			return tree, err
		}
		for _, f := range files {
			changes[folder(name)+"/"+f.Path] = nil
			changes[folder(to)+"/"+f.Path] = &f.New.Hash
		}
	}
	return m.tx.UpdateTree(tree, changes)
}

// uuid is the identity of a unit in a tree of main, "" where it has none.
func (m *merging) uuid(tree object.Hash, name string) (string, error) {
	data, ok, err := m.l.blobAt(tree, unitDir(name)+"/instrument.toml")
	if err != nil || !ok {
		return "", err
	}
	i, _ := decodeOnce[schema.Instrument](&m.l.seen, unitDir(name)+"/instrument.toml", data)
	if i == nil {
		return "", nil
	}
	return i.UUID, nil
}

// keyBlock is a line about a key, with the comments above it.
type keyBlock struct{ key, text string }

// keyBlocks takes a list of keys apart. What names no key stands for itself.
func keyBlocks(data []byte) []keyBlock {
	var out []keyBlock
	above := ""
	for line := range strings.Lines(string(data)) {
		line = strings.TrimRight(line, "\r\n")
		trimmed := strings.TrimSpace(line)
		if trimmed == "" || trimmed[0] == '#' {
			above += line + "\n"
			continue
		}
		out = append(out, keyBlock{keyOfLine(trimmed), above + line + "\n"})
		above = ""
	}
	if above != "" {
		out = append(out, keyBlock{above, above})
	}
	return out
}

// keyOfLine is the fingerprint of the key a line names, or the line.
func keyOfLine(line string) string {
	if word := strings.Fields(line)[0]; strings.HasPrefix(word, "SHA256:") {
		return word
	}
	if s, err := proof.ParseSignerLine(line); err == nil {
		return gitobj.Fingerprint(s.Key)
	}
	if k, _, _, _, err := ssh.ParseAuthorizedKey([]byte(line)); err == nil {
		return gitobj.Fingerprint(k)
	}
	return line
}

// keyLists merges signers and revoked by key. A key that one side took out of
// signers is out, whatever the other did to it; in revoked, a key that one side
// changed or put in is in.
func (m *merging) keyLists(c change3) (object.Hash, error) {
	var lists [3][]keyBlock
	var texts [3]map[string][]string // by key
	for i, h := range []object.Hash{c.base, c.ours, c.theirs} {
		texts[i] = map[string][]string{}
		if h.IsZero() {
			continue
		}
		data, err := m.l.repo.Blob(h)
		if err != nil {
			return h, err
		}
		lists[i] = keyBlocks(data)
		for _, b := range lists[i] {
			if !slices.Contains(texts[i][b.key], b.text) {
				texts[i][b.key] = append(texts[i][b.key], b.text)
			}
		}
	}
	removalWins := c.path == "signers"
	merged := func(key string) []string {
		base, ours, theirs := sorted(texts[0][key]), sorted(texts[1][key]), sorted(texts[2][key])
		switch {
		case slices.Equal(ours, theirs), slices.Equal(theirs, base):
			return ours
		case slices.Equal(ours, base):
			return theirs
		case removalWins && base != nil && (ours == nil || theirs == nil):
			return nil
		case removalWins && base != nil:
			// Changed on both sides: what both still say, else nothing.
			var both []string
			for _, t := range ours {
				if slices.Contains(theirs, t) {
					both = append(both, t)
				}
			}
			return both
		}
		return slices.Compact(sorted(append(ours, theirs...)))
	}
	var b strings.Builder
	seen := map[string]bool{}
	write := func(key string) {
		if seen[key] {
			return
		}
		seen[key] = true
		for _, t := range merged(key) {
			b.WriteString(t)
		}
	}
	// The order of the ancestor first, then what is new, by text.
	for _, k := range lists[0] {
		write(k.key)
	}
	fresh := map[string]bool{}
	for _, k := range slices.Concat(lists[1], lists[2]) {
		fresh[k.key] = true
	}
	for _, key := range slices.Sorted(maps.Keys(fresh)) {
		write(key)
	}
	return m.tx.WriteBlob([]byte(b.String()))
}

func sorted(list []string) []string {
	out := slices.Clone(list)
	slices.Sort(out)
	return out
}
