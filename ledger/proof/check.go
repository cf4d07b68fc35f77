package proof

import (
	"errors"
	"fmt"
	"path"
	"slices"
	"sort"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// unit checks a unit's history with its seals, down to the last object.
func (v *verifier) unit(b *Bundle, packet bool) {
	v.objects = b.Objects
	v.h = newHistory(b.Objects)
	before := v.breaks
	defer func() {
		switch {
		case v.breaks > before:
			v.history = Broken
		case v.newer > 0:
			v.history = Unreadable
		}
	}()
	if !v.refs(b, packet) {
		return
	}
	v.Head = v.headAt.String()
	if !v.whole(b) {
		return
	}
	order, ok := v.readHistory()
	if !ok || !v.readChain(b) {
		return
	}
	if len(v.chain) == 0 {
		v.flaw("seal", v.branch, "%v", errUnsealed)
		return
	}
	v.checkChain()
	if v.breaks == before {
		v.grows()
	}
	v.learn()
	v.stretches(order)
	v.notes()
	v.dates(order)
	v.names()
	v.earlier()
	v.known()
	last := v.chain[len(v.chain)-1]
	v.Short = last.Short()
	v.history = v.trusts(last)
	// Reading the records costs the most and trusts the most: only where all else
	// holds.
	if v.breaks == before && v.newer == 0 {
		v.records()
	}
}

// LookAt checks that what a head reaches is a unit's own history: commits, folders
// and signatures, without its seals.
func LookAt(objects gitobj.Set, head object.Hash) *Verification {
	v := newVerifier("history", Options{})
	v.objects, v.headAt = objects, head
	v.h = newHistory(objects)
	v.readHistory()
	return v.Verification
}

// trusts judges the key of the last seal, on which the whole history rests.
func (v *verifier) trusts(last *Seal) Verdict {
	if last.key == nil {
		return Broken
	}
	v.Key = last.Fingerprint()
	v.Standing, v.Why = v.standing(len(v.chain)-1, last, "git")
	switch {
	case v.Standing == KeyRevoked:
		v.flaw("revoked", last.Name, "it is signed with %s, and %s: it may be anybody's work, whatever its date", v.Key, v.Why)
		return Broken
	case len(v.trust.Expect) > 0 && !slices.Contains(v.trust.Expect, v.Key):
		v.warn("key", last.Name, "it is signed with %s, which is not the key you named", v.Key)
		if v.Standing == KeyTrusted {
			v.Standing, v.Why = KeyUnknown, "it is not the key you named; "+v.Why
		}
		return Untrusted
	case v.Standing == KeyTrusted:
		return Trusted
	}
	return Untrusted
}

// refs finds the unit among the refs, and allows nothing but it and its seals.
func (v *verifier) refs(b *Bundle, packet bool) bool {
	seals := 0
	for _, r := range b.Refs {
		name, isUnit := strings.CutPrefix(r.Name, UnitRefs)
		tag, isTag := strings.CutPrefix(r.Name, TagRefs)
		switch {
		case isUnit && IsUnit(name) && v.branch == "":
			v.branch, v.headAt = name, r.ID
		case r.Name == "HEAD":
		case isTag && SealForm.MatchString(tag):
			if seals++; seals > MaxSeals {
				v.flaw("limit", "its list of refs", "it holds more than %d seals", MaxSeals)
				return false
			}
		default:
			v.flaw("bundle", fmt.Sprintf("%.120q", r.Name), "a packet holds one unit and its seals, and this is neither")
		}
	}
	v.Unit = v.branch
	if v.branch == "" {
		v.flaw("bundle", "its list of refs", "it holds no unit")
		return false
	}
	if h, has := b.ref("HEAD"); has && h != v.headAt {
		v.flaw("bundle", "HEAD", "it does not stand on the unit's history")
	} else if !has && packet {
		v.flaw("bundle", "HEAD", "it is missing, so that a clone would be empty")
	}
	return true
}

// whole checks that every object named is there and of the right kind, and that
// there are no others.
func (v *verifier) whole(b *Bundle) bool {
	want := map[object.Hash]object.Type{}
	var queue []object.Hash
	good := true
	need := func(id object.Hash, t object.Type, by string) {
		if old, seen := want[id]; seen {
			if old != t {
				v.flaw("object", id.String(), "it is named as a %s and as a %s", old, t)
				good = false
			}
			return
		}
		want[id] = t
		o, ok := v.objects[id]
		switch {
		case !ok:
			v.flaw("object", by, "it names the %s %s, which is missing", t, id)
			good = false
		case o.Type != t:
			v.flaw("object", by, "it names the %s %s as a %s", o.Type, id, t)
			good = false
		default:
			queue = append(queue, id)
		}
	}
	for _, r := range b.Refs {
		t := object.TypeCommit
		if strings.HasPrefix(r.Name, TagRefs) {
			t = object.TypeTag
		}
		need(r.ID, t, r.Name)
	}
	for len(queue) > 0 {
		id := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		o := v.objects[id]
		at := fmt.Sprintf("%s %s", o.Type, id)
		found, err := links(o.Type, o.Data)
		if err != nil {
			v.flaw(map[object.Type]string{object.TypeCommit: "commit", object.TypeTree: "tree", object.TypeTag: "seal"}[o.Type], at, "%v", err)
			good = false
			continue
		}
		for _, x := range found {
			need(x.id, x.t, at)
		}
	}
	extra, first := 0, ""
	for id, o := range v.objects {
		if _, ok := want[id]; !ok {
			extra++
			if s := fmt.Sprintf("%s %s", o.Type, id); first == "" || s < first {
				first = s
			}
		}
	}
	if extra > 0 && good {
		v.flaw("object", first, "it belongs to nothing in this history (%d such objects)", extra)
		good = false
	}
	return good
}

// readHistory reads the commits from the beginning, and the folder of each.
func (v *verifier) readHistory() ([]object.Hash, bool) {
	order, err := v.h.log(v.headAt)
	if err != nil {
		v.flaw("limit", v.branch, "%v", err)
		return nil, false
	}
	for _, id := range order {
		c := v.h.commits[id]
		if _, err := c.Key(); err != nil {
			v.flaw("commit", id.String(), "its signature: %v", err)
		}
		if strings.ContainsFunc(c.Message+c.Author+c.Committer, Hidden) {
			v.flaw("commit", id.String(), "its message holds hidden characters")
		}
		// Two benches that closed the same unit gave it two beginnings.
		if len(c.Parents) == 0 && v.Root == "" {
			v.Root = id.String()
		}
	}
	v.Commits = len(order)
	return order, v.trees(order)
}

// trees checks what every commit's folder holds, and whose it is.
func (v *verifier) trees(order []object.Hash) bool {
	checked := map[object.Hash]bool{}
	texts := map[object.Hash]bool{}
	text := int64(0)
	for i, id := range order {
		tree := v.h.commits[id].Tree
		if v.h.filesBelow(tree, 0) > MaxFiles {
			v.flaw("limit", "commit "+id.String()[:10], "it unfolds to more than %d files, or to folders too deep in one another", MaxFiles)
			return false
		}
		entries, err := v.h.tree(tree)
		if err != nil {
			v.flaw("tree", "commit "+id.String()[:10], "%v", err)
			return false
		}
		if err := v.h.spend(1); err != nil {
			v.flaw("limit", v.branch, "%v", err)
			return false
		}
		if !checked[tree] {
			checked[tree] = true
			attributes, named := false, false
			for _, e := range entries {
				attributes = attributes || e.Name == ".gitattributes"
				named = named || e.Name == "instrument.toml"
				if e.Mode == gitobj.ModeTree || texts[e.ID] {
					continue
				}
				texts[e.ID] = true
				data := v.objects[e.ID].Data
				if text += int64(len(data)); text > MaxText {
					v.flaw("limit", v.branch, "its records, all their versions together, have more than %d bytes", MaxText)
					return false
				}
				at := fmt.Sprintf("%.120q in commit %s", e.Name, id.String()[:10])
				if err := CheckNesting(data); err != nil {
					v.flaw("records", at, "%v", err)
				} else if e.Name == "instrument.toml" {
					v.identity(data, at)
				}
			}
			if !named {
				v.flaw("identity", "commit "+id.String()[:10], "it has no instrument.toml, which says which instrument this is")
			}
			if !attributes && i == len(order)-1 {
				v.flaw("tree", "commit "+id.String()[:10], "it has no .gitattributes, so that git might change bytes on the way to a disk")
			}
			if err := v.folder(tree, "", id.String()[:10]); err != nil {
				v.flaw("limit", v.branch, "%v", err)
				return false
			}
		}
	}
	return true
}

func (v *verifier) identity(data []byte, at string) {
	if n := formatOf(data); n != 0 {
		if err := checkInstrument(n); err != nil {
			v.wrong("identity", at, err)
			return
		}
	}
	i, problems := schema.Decode[schema.Instrument]("instrument.toml", data)
	if i == nil {
		what := "it cannot be read"
		if len(problems) > 0 {
			what += ": " + problems[0].Message
		}
		v.flaw("identity", at, "%s", what)
		return
	}
	if v.UUID == "" {
		v.UUID = i.UUID
	}
	if i.UUID != v.UUID || CheckUUID(i.UUID) != nil {
		v.flaw("identity", at, "it names the instrument %.80q, and the history began with %q", i.UUID, v.UUID)
	}
}

// checkInstrument refuses the format of an instrument.toml that is not read here.
func checkInstrument(found int) error {
	return checkFormat("instrument.toml", found, []int{schema.Format})
}

// folder checks one folder: plain files with the names a unit's folder has, and
// none that some system takes for another.
func (v *verifier) folder(tree object.Hash, dir, commit string) error {
	entries, err := v.h.tree(tree)
	if err != nil {
		return nil // reported with the object
	}
	if err := v.h.spend(len(entries)); err != nil {
		return err
	}
	at := func(e gitobj.Entry) string { return fmt.Sprintf("%.120q in commit %s", dir+e.Name, commit) }
	lower := map[string]bool{}
	for _, e := range entries {
		low := strings.ToLower(e.Name)
		if lower[low] {
			v.flaw("tree", at(e), "another name differs from it in case only; some systems cannot keep both")
		}
		lower[low] = true
		if e.Mode == gitobj.ModeTree {
			if dir == "" && e.Name != "photos" && e.Name != "files" || dir != "" && !IsAttachment(e.Name) || strings.Count(dir, "/") > maxFolders-2 {
				v.flaw("tree", at(e), "a unit's folder holds photos/ and files/, and no such folder")
				continue
			}
			if v.told["folder "+dir+e.ID.String()] {
				continue
			}
			v.told["folder "+dir+e.ID.String()] = true
			if err := v.folder(e.ID, dir+e.Name+"/", commit); err != nil {
				return err
			}
			continue
		}
		data := v.objects[e.ID].Data
		switch _, kind, _, isRecord := schema.ParseName(e.Name); {
		case dir != "":
			if !IsAttachment(e.Name) {
				v.flaw("tree", at(e), "its name cannot be kept on every system")
			}
		case e.Name == ".gitattributes":
			if string(data) != Attributes {
				v.flaw("tree", at(e), "it does not say what keeps git from changing bytes, and nothing else")
			}
		case e.Name == "instrument.toml", e.Name == "model.toml", isRecord && schema.New(schema.Kind(kind)) != nil && path.Base(e.Name) == e.Name:
			if len(data) > schema.MaxSize {
				v.flaw("tree", at(e), "it has %d bytes; nothing somebody wrote at a bench has more than %d", len(data), schema.MaxSize)
			}
		default:
			v.flaw("tree", at(e), "it is not named as a record, and nothing else belongs there")
		}
	}
	return nil
}

// readChain reads the seals and puts them in order.
func (v *verifier) readChain(b *Bundle) bool {
	before := v.breaks + v.newer
	text := 0
	for _, r := range b.Refs {
		name, ok := strings.CutPrefix(r.Name, TagRefs)
		if !ok || !SealForm.MatchString(name) {
			continue
		}
		data := v.objects[r.ID].Data
		if text += len(data); text > MaxText {
			v.flaw("limit", name, "the seals together have more than %d bytes", MaxText)
			return false
		}
		s, err := ParseSeal(name, r.ID, data)
		if err != nil {
			v.wrong("seal", name, err)
			continue
		}
		if s.keyFlaw != nil {
			v.flaw("seal", name, "its signature: %v", s.keyFlaw)
		}
		v.chain = append(v.chain, s)
	}
	v.chain = Order(v.chain)
	v.below = below(v.chain)
	v.shops = shopsOf(v.chain, nil)
	// A seal that could not be read may stand between the others: they cannot be
	// held against one another without it. One whose signature does not hold can.
	return v.breaks+v.newer == before || len(v.chain) == sealRefs(b)
}

func sealRefs(b *Bundle) int {
	n := 0
	for _, r := range b.Refs {
		if name, ok := strings.CutPrefix(r.Name, TagRefs); ok && SealForm.MatchString(name) {
			n++
		}
	}
	return n
}

// checkChain holds the seals against one another and against the history.
func (v *verifier) checkChain() {
	at := map[string]int{}
	reach := make([]map[object.Hash]bool, len(v.chain)) // commits
	known := map[object.Hash]string{}
	for i, s := range v.chain {
		st := s.Statement
		at[s.Digest] = i
		if st.UUID != v.UUID {
			v.flaw("seal", s.Name, "it is over another instrument, %s", st.UUID)
		}
		if v.h.commits[s.head] == nil {
			v.flaw("chain", s.Name, "the commit it stands on, %s, is not part of the history", st.Head[:10])
			reach[i] = map[object.Hash]bool{}
			continue
		}
		reach[i] = v.ancestors(s.head)
		if root := object.NewHash(st.Root); !reach[i][root] || len(v.h.commits[root].Parents) > 0 {
			v.flaw("root", s.Name, "it names the beginning %s, and the history began with %.10s", st.Root[:10], v.Root)
		}
		highest := 0
		for _, d := range st.Supersedes {
			j, ok := at[d]
			if !ok || j == i {
				v.flaw("chain", s.Name, "it names an earlier seal that is not here, with the digest %s", d[:16])
				continue
			}
			older := v.chain[j]
			highest = max(highest, older.Statement.Number)
			if !reach[i][older.head] {
				v.flaw("chain", s.Name, "what it sealed does not continue what %s sealed: the history was rewritten", older.Name)
			}
			for _, e := range st.Supersedes {
				if k, ok := at[e]; ok && k != j && v.below[k][j] {
					v.flaw("chain", s.Name, "it names %s beside %s, which names it already", older.Name, v.chain[k].Name)
				}
			}
			if st.Sealed.Before(older.Statement.Sealed) {
				v.warn("clock", s.Name, "it is dated %s, before %s, which it comes after: one of the two clocks was wrong", st.Sealed.Format(time.RFC3339), older.Name)
			}
		}
		if st.Number != highest+1 && !slices.ContainsFunc(st.Supersedes, func(d string) bool { _, ok := at[d]; return !ok }) {
			v.flaw("chain", s.Name, "it has number %d, and number %d would come after the seals it names", st.Number, highest+1)
		}
		v.sealed(i, known)
	}
	last := v.chain[len(v.chain)-1]
	if tips := Tips(v.chain); len(tips) > 1 {
		v.forked(tips)
		return
	}
	if last.head != v.headAt {
		v.flaw("tip", v.Head, "the last commit is not sealed: %s stands on %s", last.Name, last.Statement.Head[:10])
	}
	if last.Statement.Unit != v.branch {
		v.flaw("seal", last.Name, "it is over %s, and the history calls itself %s", last.Statement.Unit, v.branch)
	}
}

// forked tells of seals of which none comes after the other.
func (v *verifier) forked(tips []*Seal) {
	v.flaw("forked", tips[0].Name, "neither it nor %s comes after the other, and no later seal names both: two versions of this history were sealed, %s and %s",
		tips[1].Name, tips[0].Digest, tips[1].Digest)
}

// ancestors are the commits a commit reaches, itself among them.
func (v *verifier) ancestors(id object.Hash) map[object.Hash]bool {
	out := map[object.Hash]bool{id: true}
	queue := []object.Hash{id}
	for len(queue) > 0 {
		c := v.h.commits[queue[len(queue)-1]]
		queue = queue[:len(queue)-1]
		if c == nil {
			continue
		}
		for _, p := range c.Parents {
			if !out[p] {
				out[p] = true
				queue = append(queue, p)
			}
		}
	}
	return out
}

// sealed holds one seal against the objects it is over: those its head reaches and
// no seal below it covers.
func (v *verifier) sealed(i int, known map[object.Hash]string) {
	s := v.chain[i]
	covered := func(id object.Hash) bool {
		return slices.ContainsFunc(v.covers[id], func(j int) bool { return v.below[i][j] })
	}
	seen := map[object.Hash]bool{s.head: true}
	queue := []object.Hash{s.head}
	var fresh []object.Hash
	for len(queue) > 0 {
		id := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		if covered(id) {
			continue // so is all it names
		}
		fresh = append(fresh, id)
		o := v.objects[id]
		found, _ := links(o.Type, o.Data)
		if err := v.h.spend(len(found)); err != nil {
			v.flaw("limit", s.Name, "%v", err)
			return
		}
		for _, x := range found {
			if !seen[x.id] {
				seen[x.id] = true
				queue = append(queue, x.id)
			}
		}
	}
	for _, id := range fresh {
		v.covers[id] = append(v.covers[id], i)
	}
	sum := digestLines(fresh, func(id object.Hash) string { return objectLine(v.lines, id, v.objects[id]) })
	if len(fresh) != s.Statement.Objects || sum != s.Statement.ObjectsSHA256 {
		v.flaw("sealed-objects", s.Name, "the objects it was made over are not the ones that are here")
	}
	files, err := v.h.digestFiles(v.h.commits[s.head].Tree, known)
	if err != nil {
		v.flaw("sealed-files", s.Name, "%v", err)
		return
	}
	for _, p := range sortedKeys(files) {
		switch want, ok := s.Statement.Files[p]; {
		case !ok:
			v.flaw("sealed-files", s.Name, "it does not name %.120q, which stands on the commit it seals", p)
		case want != files[p]:
			v.flaw("sealed-files", s.Name, "%.120q is not the file it was made over", p)
		}
	}
	for _, p := range sortedKeys(s.Statement.Files) {
		if _, ok := files[p]; !ok {
			v.flaw("sealed-files", s.Name, "it names %.120q, which is not there", p)
		}
	}
}

func sortedKeys[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// learn follows the rotations of keys in the seals.
func (v *verifier) learn() {
	seen := map[string]bool{}
	for i, s := range v.chain {
		for k := range s.Statement.Rotations {
			signed := &s.Statement.Rotations[k]
			if id := Digest([]byte(signed.Encode())); seen[id] {
				continue
			} else {
				seen[id] = true
			}
			r, err := signed.Check()
			if err != nil {
				v.wrong("rotation", s.Name, err)
				continue
			}
			from, err1 := gitobj.ParseKey(r.Old)
			to, err2 := gitobj.ParseKey(r.New)
			if err := errors.Join(err1, err2); err != nil {
				v.flaw("rotation", s.Name, "%v", err)
				continue
			}
			f := gitobj.Fingerprint(to)
			v.links[f] = append(v.links[f], keyLink{from, r.Date, i})
			if r.Date.After(s.Statement.Sealed) {
				v.warn("clock", s.Name, "it carries a rotation of keys dated %s, after the seal itself", r.Date.Format(time.RFC3339))
			}
		}
	}
}

// held reports whether the reader's ledger has a seal, or one that comes after it.
func (v *verifier) held(i int) bool {
	if i < 0 {
		return false
	}
	if v.trust.Held[v.chain[i].Digest] {
		return true
	}
	for j, below := range v.below {
		if below[i] && v.trust.Held[v.chain[j].Digest] {
			return true
		}
	}
	return false
}

// standing judges the key of a seal, rotations included.
func (v *verifier) standing(i int, s *Seal, namespace string) (Standing, string) {
	return v.judge(s.key, namespace, s.Statement.Sealed, i, 0)
}

// judge judges a key that signed something which the seal at a place covers first.
// A rotation counts from the seal on that carries it: it cannot reach back.
func (v *verifier) judge(key ssh.PublicKey, namespace string, claimed time.Time, seal, depth int) (Standing, string) {
	st, why := v.trust.judge(key, namespace, occasion{claimed: claimed, now: v.now, held: v.held(seal)})
	// What somebody wrote down about the key itself stands before what another key
	// says of it.
	if st != KeyUnknown || why != "" || seal < 0 || depth > MaxSeals {
		return st, why
	}
	for _, l := range v.links[gitobj.Fingerprint(key)] {
		if l.seal != seal && !v.below[seal][l.seal] {
			continue
		}
		// It takes over what the old key might do, and no more.
		if a, _ := v.judge(l.from, namespace, l.on, l.seal, depth+1); a != KeyTrusted {
			continue
		}
		if b, _ := v.judge(l.from, RotationNamespace, l.on, l.seal, depth+1); b != KeyTrusted {
			continue
		}
		return KeyTrusted, fmt.Sprintf("it took over from %s, which you trust, by a rotation signed with both that seal %d carries", gitobj.Fingerprint(l.from), v.chain[l.seal].Statement.Number)
	}
	return st, why
}

// stretches tells who signed which part of the history.
func (v *verifier) stretches(order []object.Hash) {
	for _, id := range order {
		c := v.h.commits[id]
		key, _ := c.Key()
		name, _ := gitobj.Person(c.Committer)
		x := Stretch{Who: name, Standing: KeyUnknown, Commits: 1, First: id.String(), Last: id.String(), From: c.Committed, To: c.Committed}
		seal := -1
		if in := v.covers[id]; len(in) > 0 {
			seal = in[0]
			x.Shop = v.chain[seal].Statement.Shop.Name
		}
		switch {
		case key != nil:
			x.Key = gitobj.Fingerprint(key)
			x.Standing, x.Why = v.judge(key, "git", c.Committed, seal, 0)
			if seal >= 0 {
				x.Shop, x.Unlisted = v.shopOf(key, seal)
			}
		case c.OtherSignature():
			x.Why = "signed, but not with an SSH key, and so not checked"
		default:
			x.Why = "not signed"
		}
		if n := len(v.Stretches); n > 0 {
			if last := &v.Stretches[n-1]; last.Key == x.Key && last.Who == x.Who && last.Shop == x.Shop && last.Standing == x.Standing && last.Why == x.Why && last.Unlisted == x.Unlisted {
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
		case x.Unlisted:
			v.warn("key", where, "they are signed with %s, which the seal that covers them first does not list as a key of its shop", x.Key)
		}
	}
}

// shopOf is the shop a signed commit belongs to: the one whose key signed it, else
// the one that sealed it first, which then should list the key.
func (v *verifier) shopOf(key ssh.PublicKey, seal int) (shop string, unlisted bool) {
	f, line := gitobj.Fingerprint(key), gitobj.Authorized(gitobj.BareKey(key))
	first := v.chain[seal]
	lists := func(s *Seal) bool { return slices.Contains(s.Statement.Shop.Keys, line) }
	if v.shops.root(f) == v.shops.root(first.Fingerprint()) || lists(first) {
		return first.Statement.Shop.Name, false
	}
	for _, s := range v.chain {
		if v.shops.root(f) == v.shops.root(s.Fingerprint()) || lists(s) {
			return s.Statement.Shop.Name, false
		}
	}
	return first.Statement.Shop.Name, true
}

// notes lists the seals with what is known of their keys.
func (v *verifier) notes() {
	changed := map[*Seal]KeyChanged{}
	for _, c := range v.shops.changes(v.chain) {
		changed[c.Seal] = c
	}
	for i, s := range v.chain {
		n := SealNote{Tag: s.Name, Number: s.Statement.Number, Short: s.Short(), Shop: s.Statement.Shop.Name, Sealed: s.Statement.Sealed, Head: s.Statement.Head,
			Digest: s.Digest, Statement: s.StatementDigest(), Key: s.Fingerprint(), Standing: KeyUnknown}
		if s.key != nil {
			n.Standing, n.Why = v.standing(i, s, "git")
		}
		if c, ok := changed[s]; ok {
			if n.KeyChange = c.How; c.How == KeyUnlinked {
				v.warn("key", s.Name, "it says %s as %s does, and is signed with another key: %s; ask whether both are that shop's", s.Statement.Shop.Name, c.Before.Name, KeyUnlinked)
			}
		}
		if n.Standing == KeyRevoked && i < len(v.chain)-1 {
			v.warn("revoked", s.Name, "it is signed with %s, which is revoked, and counts as not made; the seals after it vouch for what it stood over", n.Key)
		}
		v.Seals = append(v.Seals, n)
	}
}

// dates tells of what lies after the reader's clock.
func (v *verifier) dates(order []object.Hash) {
	latest, where := v.now.Add(5*time.Minute), ""
	for _, id := range order {
		if c := v.h.commits[id]; c.Committed.After(latest) {
			latest, where = c.Committed, "commit "+id.String()[:10]
		}
	}
	for _, s := range v.chain {
		if s.Statement.Sealed.After(latest) {
			latest, where = s.Statement.Sealed, s.Name
		}
	}
	if where != "" {
		v.Latest = &latest
		v.warn("clock", where, "it is dated %s, and now it is %s: one of the two clocks is wrong", latest.Format(time.RFC3339), v.now.Format(time.RFC3339))
	}
}

// names tells of names that may be taken for others.
func (v *verifier) names() {
	told := map[string]bool{}
	look := func(place, name string) {
		if told[name] {
			return
		}
		told[name] = true
		if why := Strange(name); why != "" {
			v.warn("name", place, "the name %.80q: %s", OneLine(name), why)
		}
	}
	for _, s := range v.chain {
		look(s.Name, s.Statement.Shop.Name)
		for _, p := range s.Statement.Persons {
			look(s.Name, p.Name)
		}
	}
	for _, x := range v.Stretches {
		look("commit "+x.First[:10], x.Who)
	}
}

// records reads the unit as it stands on the head.
func (v *verifier) records() {
	t, err := travel(v.h, v.chain, v.grown)
	if err != nil {
		v.flaw("records", v.branch, "the records cannot be read: %v", err)
		return
	}
	v.travelled = t
	for _, p := range t.Problems {
		switch p.Severity {
		case schema.Unreadable:
			v.flaw("records", p.File, "%s", p.Message)
		case schema.Wrong:
			v.warn("records", p.File, "%s", p.Message)
		}
	}
	v.corrected(t.Vouched.Corrections)
}
