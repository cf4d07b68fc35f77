package ledger

import (
	"fmt"
	"path"
	"slices"
	"sort"
	"strings"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// history checks a unit's history with its seals, down to the last object. st
// is the statement of the packet it came in, nil for none.
func (v *verifier) history(b *bundle, st *PacketStatement) {
	v.objects = b.objects
	head, ok := v.refs(b, st != nil)
	if !ok {
		return
	}
	v.Head = head.String()
	if !v.whole(b) {
		return
	}
	v.readChain(b)
	q := gitstore.Quarantine(v.objects)
	order, commits, ok := v.commits(q, head)
	if !ok {
		return
	}
	if !v.trees(order, commits) {
		return
	}
	if len(v.chain) == 0 {
		v.flaw("seal", v.branch, "there is no seal over this history, so nothing vouches for all of it")
		return
	}
	v.inHistory = commits
	v.checkChain(q, head)
	v.learn()
	v.stretches(order, commits)
	v.notes()
	v.earlier()
	// Reading the records costs the most and trusts the most: only where all
	// else holds.
	if !slices.ContainsFunc(v.Flaws, func(f Flaw) bool {
		return !f.Warning && f.Check != "earlier" && f.Check != "digest" && f.Check != "signature"
	}) {
		v.records(q)
	}
}

// refs finds the unit among the refs, and allows nothing but it and its seals.
func (v *verifier) refs(b *bundle, packet bool) (head object.Hash, ok bool) {
	for _, r := range b.refs {
		name, isUnit := strings.CutPrefix(r.Name, unitRefs)
		switch {
		case isUnit && checkUnit(name) == nil && v.branch == "":
			v.branch, head, ok = name, r.Hash, true
		case r.Name == "HEAD":
		case sealForm.MatchString(strings.TrimPrefix(r.Name, tagRefs)) && strings.HasPrefix(r.Name, tagRefs):
		default:
			v.flaw("bundle", fmt.Sprintf("%.120q", r.Name), "a packet holds one unit and its seals, and this is neither")
		}
	}
	v.Unit = v.branch
	if !ok {
		v.flaw("bundle", "its list of refs", "it holds no unit")
		return head, false
	}
	if h, has := b.ref("HEAD"); has && h != head {
		v.flaw("bundle", "HEAD", "it does not stand on the unit's history")
	} else if !has && packet {
		v.flaw("bundle", "HEAD", "it is missing, so that a clone would be empty")
	}
	return head, true
}

// whole checks that every object named is there and of the right kind, and that
// there are no others.
func (v *verifier) whole(b *bundle) bool {
	want := map[object.Hash]object.Type{}
	var queue []object.Hash
	good := true
	need := func(h object.Hash, t object.Type, by string) {
		if old, seen := want[h]; seen {
			if old != t {
				v.flaw("object", h.String(), "it is named as a %s and as a %s", old, t)
				good = false
			}
			return
		}
		want[h] = t
		o, ok := v.objects[h]
		switch {
		case !ok:
			v.flaw("object", by, "it names the %s %s, which is missing", t, h)
			good = false
		case o.Type != t:
			v.flaw("object", by, "it names the %s %s as a %s", o.Type, h, t)
			good = false
		default:
			queue = append(queue, h)
		}
	}
	for _, r := range b.refs {
		t := object.TypeCommit
		if strings.HasPrefix(r.Name, tagRefs) {
			t = object.TypeTag
		}
		need(r.Hash, t, r.Name)
	}
	for len(queue) > 0 {
		h := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		o := v.objects[h]
		at := fmt.Sprintf("%s %s", o.Type, h)
		switch o.Type {
		case object.TypeCommit:
			c, err := parseCommit(o.Data)
			if err != nil {
				v.flaw("commit", at, "%v", err)
				good = false
				continue
			}
			need(c.tree, object.TypeTree, at)
			for _, p := range c.parents {
				need(p, object.TypeCommit, at)
			}
		case object.TypeTree:
			entries, err := parseTree(o.Data)
			if err != nil {
				v.flaw("tree", at, "%v", err)
				good = false
				continue
			}
			for _, e := range entries {
				switch e.mode {
				case treeMode:
					need(e.hash, object.TypeTree, at)
				case fileMode:
					need(e.hash, object.TypeBlob, at)
				default:
					v.flaw("tree", at, "%.80q is %s; a unit's history holds plain files and folders only", e.name, modeText(e.mode))
					good = false
				}
			}
		case object.TypeTag:
			links, err := linksOf(o)
			if err != nil {
				v.flaw("seal", at, "%v", err)
				good = false
				continue
			}
			need(links[0], object.TypeCommit, at)
		}
	}
	var extra []string
	for h, o := range v.objects {
		if _, ok := want[h]; !ok {
			extra = append(extra, fmt.Sprintf("%s %s", o.Type, h))
		}
	}
	if sort.Strings(extra); len(extra) > 0 && good {
		v.flaw("object", extra[0], "it belongs to nothing in this history (%d such objects)", len(extra))
		good = false
	}
	return good
}

// readChain reads the seals, in the order of their numbers.
func (v *verifier) readChain(b *bundle) {
	for _, r := range b.refs {
		name, ok := strings.CutPrefix(r.Name, tagRefs)
		if !ok || !sealForm.MatchString(name) {
			continue
		}
		s, err := parseSeal(name, r.Hash, v.objects[r.Hash].Data)
		if err != nil {
			v.flaw("seal", name, "%v", err)
			continue
		}
		if s.keyFlaw != nil {
			v.flaw("seal", name, "its signature: %v", s.keyFlaw)
		}
		v.chain = append(v.chain, s)
	}
	slices.SortStableFunc(v.chain, func(a, b *Seal) int { return a.Statement.Number - b.Statement.Number })
	v.names()
}

// names warns of seals that name one shop and come from keys that nothing links:
// anybody can write any shop's name.
func (v *verifier) names() {
	link := map[string]string{} // key by key, towards one that stands for all of a shop's
	var root func(k string) string
	root = func(k string) string {
		if up, ok := link[k]; ok && up != k {
			return root(up)
		}
		return k
	}
	for _, s := range v.chain {
		for i := range s.Statement.Rotations {
			if r, err := s.Statement.Rotations[i].check(); err == nil {
				from, _ := parseKey(r.Old)
				to, _ := parseKey(r.New)
				link[root(Fingerprint(to))] = root(Fingerprint(from))
			}
		}
	}
	first := map[string]*Seal{}
	for _, s := range v.chain {
		name := strings.ToLower(oneLine(s.Statement.Shop.Name))
		f := first[name]
		switch {
		case s.key == nil:
		case f == nil:
			first[name] = s
		case root(f.Fingerprint()) != root(s.Fingerprint()):
			v.warn("seal", s.Name, "it says %s as %s does, but is signed with another key, and no change of keys signed with both links the two: ask whether both are that shop's",
				s.Statement.Shop.Name, f.Name)
		}
	}
}

// commits reads the history from its beginning.
func (v *verifier) commits(q *gitstore.Repo, head object.Hash) ([]object.Hash, map[object.Hash]*rawCommit, bool) {
	commits := map[object.Hash]*rawCommit{}
	var order []object.Hash
	for c, err := range q.Log(head) {
		if err != nil {
			v.flaw("commit", head.String(), "the history cannot be walked: %v", err)
			return nil, nil, false
		}
		order = append(order, c.Hash)
		raw, err := parseCommit(v.objects[c.Hash].Data)
		if err != nil {
			v.flaw("commit", c.Hash.String(), "%v", err)
			return nil, nil, false
		}
		commits[c.Hash] = raw
		if raw.check().flaw != nil {
			v.flaw("commit", c.Hash.String(), "its signature: %v", raw.flaw)
		}
		if raw.hides(c) {
			v.flaw("commit", c.Hash.String(), "its message holds hidden characters")
		}
	}
	slices.Reverse(order)
	v.Commits = len(order)
	roots := 0
	for _, h := range order {
		if len(commits[h].parents) > 0 {
			continue
		}
		if roots++; roots > 1 {
			v.flaw("root", h.String(), "the history has a second beginning, beside %s", v.Root)
			continue
		}
		v.Root = h.String()
	}
	return order, commits, true
}

// hides reports characters in a message that do not show.
func (c *rawCommit) hides(o *object.Commit) bool {
	return strings.ContainsFunc(c.message, Hidden) || strings.ContainsFunc(o.Author.Name+o.Committer.Name, Hidden)
}

const (
	fileMode = "100644"
	treeMode = "40000"
)

func modeText(mode string) string {
	switch mode {
	case "120000":
		return "a symbolic link"
	case "160000":
		return "another repository (a submodule)"
	case "100755":
		return "marked executable"
	}
	return fmt.Sprintf("of the mode %.10q", mode)
}

// trees checks what every commit's folder holds, and whose it is.
func (v *verifier) trees(order []object.Hash, commits map[object.Hash]*rawCommit) (ok bool) {
	v.folders = map[object.Hash]int{}
	checked := map[object.Hash]bool{}
	instruments := map[object.Hash]bool{}
	for i, h := range order {
		tree := commits[h].tree
		if v.filesBelow(tree) > maxFiles {
			v.flaw("tree", "commit "+h.String()[:10], "it unfolds to more than %d files", maxFiles)
			return false
		}
		if !checked[tree] {
			checked[tree] = true
			v.tree(tree, "", h.String()[:10])
		}
		entries, _ := parseTree(v.objects[tree].Data)
		attributes := false
		named := false
		for _, e := range entries {
			attributes = attributes || e.name == ".gitattributes"
			if e.name != "instrument.toml" {
				continue
			}
			named = true
			if !instruments[e.hash] {
				instruments[e.hash] = true
				v.identity(e.hash, h.String()[:10])
			}
		}
		if !named {
			v.flaw("identity", "commit "+h.String()[:10], "it has no instrument.toml, which says which instrument this is")
		}
		if !attributes && i == len(order)-1 {
			v.flaw("tree", "commit "+h.String()[:10], "it has no .gitattributes, so that git might change bytes on the way to a disk")
		}
	}
	return true
}

// maxFiles bounds the files of one commit: folders that hold one another many
// times over unfold to more than any disk holds.
const maxFiles = 100_000

// filesBelow counts the files a tree unfolds to, up to a bound.
func (v *verifier) filesBelow(tree object.Hash) int {
	if n, ok := v.folders[tree]; ok {
		return n
	}
	entries, _ := parseTree(v.objects[tree].Data)
	n := 0
	for _, e := range entries {
		if e.mode == treeMode {
			n += v.filesBelow(e.hash)
		} else {
			n++
		}
		n = min(n, maxFiles+1)
	}
	v.folders[tree] = n
	return n
}

func (v *verifier) identity(blob object.Hash, commit string) {
	at := "instrument.toml in commit " + commit
	i, problems := schema.Decode[schema.Instrument]("instrument.toml", v.objects[blob].Data)
	if i == nil {
		v.flaw("identity", at, "it cannot be read: %s", problems[0].Message)
		return
	}
	if v.UUID == "" {
		v.UUID = i.UUID
	}
	if i.UUID != v.UUID || checkUUID(i.UUID) != nil {
		v.flaw("identity", at, "it names the instrument %.80q, and the history began with %q", i.UUID, v.UUID)
	}
}

// tree checks one folder: plain files with the names a unit's folder has, in
// git's order, none twice, and none that some system takes for another.
func (v *verifier) tree(tree object.Hash, dir, commit string) {
	entries, err := parseTree(v.objects[tree].Data)
	if err != nil {
		return // reported with the object
	}
	at := func(e rawEntry) string { return fmt.Sprintf("%.120q in commit %s", dir+e.name, commit) }
	key := func(e rawEntry) string {
		if e.mode == treeMode {
			return e.name + "/"
		}
		return e.name
	}
	lower := map[string]bool{}
	for i, e := range entries {
		if i > 0 && key(entries[i-1]) >= key(e) {
			v.flaw("tree", at(e), "it stands out of order, so that git and other programs may find different files")
		}
		if low := strings.ToLower(e.name); lower[low] {
			v.flaw("tree", at(e), "another name differs from it in case only; some systems cannot keep both")
		} else {
			lower[low] = true
		}
		if e.mode == treeMode {
			if dir == "" && e.name != "photos" && e.name != "files" || dir != "" && checkAttachment(e.name) != nil || strings.Count(dir, "/") > 3 {
				v.flaw("tree", at(e), "a unit's folder holds photos/ and files/, and no such folder")
				continue
			}
			v.tree(e.hash, dir+e.name+"/", commit)
			continue
		}
		data := v.objects[e.hash].Data
		switch _, kind, _, isRecord := schema.ParseName(e.name); {
		case dir != "":
			if err := checkAttachment(e.name); err != nil {
				v.flaw("tree", at(e), "%v", err)
			}
		case e.name == ".gitattributes":
			if string(data) != Attributes {
				v.flaw("tree", at(e), "it does not say what keeps git from changing bytes, and nothing else")
			}
		case e.name == "instrument.toml", e.name == "model.toml", isRecord && schema.New(schema.Kind(kind)) != nil && path.Base(e.name) == e.name:
			if len(data) > schema.MaxSize {
				v.flaw("tree", at(e), "it has %d bytes; nothing somebody wrote at a bench has more than %d", len(data), schema.MaxSize)
			}
		default:
			v.flaw("tree", at(e), "it is not named as a record, and nothing else belongs there")
		}
	}
}

// checkChain holds the seals against one another and against the history.
func (v *verifier) checkChain(q *gitstore.Repo, head object.Hash) {
	for i, s := range v.chain {
		st := s.Statement
		if st.Number != i+1 {
			v.flaw("chain", s.Name, "it has number %d and stands where number %d should", st.Number, i+1)
		}
		if st.UUID != v.UUID {
			v.flaw("seal", s.Name, "it is over another instrument, %s", st.UUID)
		}
		if st.Root != v.Root {
			v.flaw("seal", s.Name, "it names the beginning %s, and the history began with %s", st.Root[:10], v.Root)
		}
		if i > 0 {
			before := v.chain[i-1]
			if st.Previous != before.Digest {
				v.flaw("chain", s.Name, "it was made after another seal than %s", before.Name)
			}
			if !st.Sealed.After(before.Statement.Sealed) {
				v.flaw("chain", s.Name, "it is dated %s, not after the seal before it", st.Sealed.Format(time.RFC3339))
			}
			if st.Head == before.Statement.Head {
				v.flaw("chain", s.Name, "it stands on the same commit as %s", before.Name)
			}
		}
		v.sealed(q, s)
		if i > 0 {
			before := v.chain[i-1]
			if _, ok := v.reach[s.Name][object.NewHash(before.Statement.Head)]; !ok {
				v.flaw("chain", s.Name, "what it sealed does not continue what %s sealed: the history was rewritten", before.Name)
			}
		}
	}
	last := v.chain[len(v.chain)-1]
	if last.Statement.Head != head.String() {
		v.flaw("tip", head.String(), "the last commit is not sealed: %s stands on %s", last.Name, last.Statement.Head[:10])
	}
	if last.Statement.Unit != v.branch {
		v.flaw("seal", last.Name, "it is over %s, and the history calls itself %s", last.Statement.Unit, v.branch)
	}
	if last.key != nil {
		v.keys = append(v.keys, heldKey{last.key, "git", last.Statement.Sealed, last.Name})
	}
}

// sealed holds one seal against the objects it is over.
func (v *verifier) sealed(q *gitstore.Repo, s *Seal) {
	at := object.NewHash(s.Statement.Head)
	if _, ok := v.inHistory[at]; !ok {
		v.flaw("chain", s.Name, "the commit it stands on, %s, is not part of the history", s.Statement.Head[:10])
		return
	}
	objects, err := reachableObjects(q, at)
	if err != nil {
		v.flaw("sealed-objects", s.Name, "%v", err)
		return
	}
	if v.reach == nil {
		v.reach = map[string]objectSet{}
	}
	v.reach[s.Name] = objects
	if v.digests == nil {
		v.digests = digests{}
	}
	if n, sum := digestObjects(objects, v.digests); n != s.Statement.Objects || sum != s.Statement.ObjectsSHA256 {
		v.flaw("sealed-objects", s.Name, "the objects it was made over are not the ones that are here")
	}
	c, err := q.Commit(at)
	if err != nil {
		v.flaw("sealed-files", s.Name, "%v", err)
		return
	}
	files, err := digestFiles(q, c.Tree)
	if err != nil {
		v.flaw("sealed-files", s.Name, "%v", err)
		return
	}
	for p, d := range files {
		switch want, ok := s.Statement.Files[p]; {
		case !ok:
			v.flaw("sealed-files", s.Name, "it does not name %.120q, which stands on the commit it seals", p)
		case want != d:
			v.flaw("sealed-files", s.Name, "%.120q is not the file it was made over", p)
		}
	}
	for p := range s.Statement.Files {
		if _, ok := files[p]; !ok {
			v.flaw("sealed-files", s.Name, "it names %.120q, which is not there", p)
		}
	}
}

// stretches tells who signed which part of the history.
func (v *verifier) stretches(order []object.Hash, commits map[object.Hash]*rawCommit) {
	for _, h := range order {
		c := commits[h]
		who, _ := identOf(c.committer)
		x := Stretch{Who: who, Shop: v.shopOf(h), Standing: KeyUnknown, Commits: 1, First: h.String(), Last: h.String(), From: c.when, To: c.when}
		switch {
		case c.key != nil:
			x.Key = Fingerprint(c.key)
			x.Standing, x.Why = v.standing(c.key, "git", c.when)
		case len(c.sig) > 0 && !c.signed():
			x.Why = "signed, but not with an SSH key, and so not checked"
		default:
			x.Why = "not signed"
		}
		if n := len(v.Stretches); n > 0 {
			if last := &v.Stretches[n-1]; last.Key == x.Key && last.Who == x.Who && last.Shop == x.Shop && last.Standing == x.Standing && last.Why == x.Why {
				last.Commits++
				last.Last, last.To = x.Last, x.To
				continue
			}
		}
		v.Stretches = append(v.Stretches, x)
	}
	for _, x := range v.Stretches {
		where := fmt.Sprintf("commits %s to %s", x.First[:10], x.Last[:10])
		switch {
		case x.Standing == KeyRevoked:
			v.warn("revoked", where, "they are signed with %s, which is revoked, and count as not signed; the seals after them vouch for them", x.Key)
		case x.Key == "":
			v.warn("commit", where, "%s; the seals after them vouch for them", x.Why)
		}
	}
}

// shopOf is the shop whose seal covered a commit first.
func (v *verifier) shopOf(h object.Hash) string {
	for _, s := range v.chain {
		if _, ok := v.reach[s.Name][h]; ok {
			return s.Statement.Shop.Name
		}
	}
	return ""
}

// notes lists the seals with what is known of their keys.
func (v *verifier) notes() {
	for i, s := range v.chain {
		n := SealNote{Tag: s.Name, Number: s.Statement.Number, Shop: s.Statement.Shop.Name, Sealed: s.Statement.Sealed, Head: s.Statement.Head,
			Statement: s.StatementDigest(), Key: s.Fingerprint(), Standing: KeyUnknown}
		if s.key != nil {
			n.Standing, n.Why = v.standing(s.key, "git", s.Statement.Sealed)
		}
		if n.Standing == KeyRevoked && i < len(v.chain)-1 {
			v.warn("revoked", s.Name, "it is signed with %s, which is revoked, and counts as not made; the seals after it vouch for what it stood over", n.Key)
		}
		v.Seals = append(v.Seals, n)
	}
}
