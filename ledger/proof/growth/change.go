package growth

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"path"
	"reflect"
	"slices"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

var none object.Hash

func isAttachment(p string) bool { return strings.Contains(p, "/") }

// commit checks what one commit changes.
func (k *checker) commit(n *node) error {
	if len(n.Parents) > 1 {
		return k.merge(n)
	}
	var old object.Hash
	if len(n.Parents) == 1 {
		old = k.nodes[n.Parents[0]].Tree
	}
	var changes []change
	if err := k.compare(n, old, n.Tree, "", &changes); err != nil {
		return err
	}
	if len(n.Parents) == 0 {
		if err := k.beginning(n, changes); err != nil {
			return err
		}
	}
	return k.plain(n, changes)
}

// beginning checks the identity of a first commit.
func (k *checker) beginning(n *node, changes []change) error {
	if !slices.ContainsFunc(changes, func(c change) bool { return c.path == "instrument.toml" }) {
		return k.breaks(n, "instrument.toml", RuleIdentity, none, none, "the history begins without saying which instrument it is of")
	}
	if len(k.out.Roots) > 1 && n.id != k.out.Roots[0] {
		return k.tells(n, "", RuleBeginnings, none, none, "the history has a second beginning: the unit was first closed on two benches")
	}
	return nil
}

// brought are the attachments that a commit may bring: by path, what vouches for
// them.
type brought struct {
	byRecord map[string]bool   // a record of the same commit names it
	digest   map[string]string // a correction of the same commit gives its SHA-256
}

// plain checks the changes of a commit with one parent or none.
func (k *checker) plain(n *node, changes []change) error {
	b := brought{byRecord: map[string]bool{}, digest: map[string]string{}}
	for _, c := range changes {
		k.cameIn(n, c.path, c.now)
		var err error
		switch {
		case c.now.IsZero():
			err = k.breaks(n, c.path, RuleGone, c.was, none, "it was there and is gone; what has travelled stays")
		case isAttachment(c.path):
			if !c.was.IsZero() {
				err = k.breaks(n, c.path, RuleAttachment, c.was, c.now, "an attachment that has travelled stays as it is; this one has other bytes now")
			}
		case c.path == ".gitattributes":
			err = k.attributes(n, c)
		case c.path == "model.toml":
			err = k.model(n, c, len(changes))
		case c.path == "instrument.toml":
			err = k.instrument(n, c, &b)
		case c.was.IsZero():
			k.arrivals = append(k.arrivals, arrival{n, c.path, c.now})
		default:
			err = k.corrected(n, c, &b)
		}
		if err != nil {
			return err
		}
	}
	return k.attachments(n, changes, &b)
}

func (k *checker) cameIn(n *node, p string, blob object.Hash) {
	if blob.IsZero() {
		return
	}
	m := k.came[p]
	if m == nil {
		m = map[object.Hash][]object.Hash{}
		k.came[p] = m
	}
	m[blob] = append(m[blob], n.id)
}

func (k *checker) attributes(n *node, c change) error {
	if !c.was.IsZero() {
		return k.breaks(n, c.path, RuleAttributes, c.was, c.now, "it was changed; it keeps git from changing bytes, and stays as it is")
	}
	data, err := k.object(n, c.now, object.TypeBlob, c.path)
	if err != nil {
		return err
	}
	if string(data) != Attributes {
		return k.breaks(n, c.path, RuleAttributes, none, c.now, "it does not say what keeps git from changing bytes, and nothing else")
	}
	return nil
}

// model checks model.toml, which a close writes in a commit of its own.
func (k *checker) model(n *node, c change, changes int) error {
	if changes > 1 && len(n.Parents) > 0 {
		return k.breaks(n, c.path, RuleModel, c.was, c.now, "the model is put there by a close, in a commit of its own; here it changes beside other files")
	}
	if c.was.IsZero() {
		return nil // read with the records
	}
	v, err := k.version(n, c.path, c.now)
	if err != nil {
		return err
	}
	if v.err != nil {
		return k.breaks(n, c.path, RuleModel, c.was, c.now, "it cannot be read: %v", v.err)
	}
	return k.tells(n, c.path, RuleModelCopy, c.was, c.now, "the model was another one from here on; each stay is judged by the copy of its own close")
}

// instrument checks instrument.toml: what is blank may be filled in.
func (k *checker) instrument(n *node, c change, b *brought) error {
	now, err := k.version(n, c.path, c.now)
	if err != nil {
		return err
	}
	if now.err != nil {
		return k.breaks(n, c.path, RuleIdentity, c.was, c.now, "it cannot be read: %v", now.err)
	}
	if err := k.identity(n, c, now.Version); err != nil || c.was.IsZero() {
		return err
	}
	old, err := k.version(n, c.path, c.was)
	if err != nil || old.err != nil {
		return err // told where it came in
	}
	if err := k.format(n, c, old.Version, now.Version); err != nil {
		return err
	}
	if !reflect.DeepEqual(old.Corrections, now.Corrections) {
		return k.corrected(n, c, b)
	}
	filled, changed := schema.Blanks(old.Version, now.Version)
	if len(changed) > 0 {
		return k.breaks(n, c.path, RuleNoReason, c.was, c.now, "it says something else without a correction: %s", list(changed))
	}
	if filled == nil {
		return k.tells(n, c.path, RuleFilled, c.was, c.now, "its layout or comments changed, and no fact")
	}
	k.pending = append(k.pending, Corrected{Commit: n.id, Path: c.path, Was: c.was, Is: c.now, Filled: filled, Bears: []string{"originality"}})
	return k.tells(n, c.path, RuleFilled, c.was, c.now, "what was blank was filled in: %s", list(filled))
}

func (k *checker) identity(n *node, c change, v *schema.Version) error {
	id := v.Word("uuid")
	if k.out.UUID == "" {
		k.out.UUID = id
	}
	if id != k.out.UUID || id == "" {
		return k.breaks(n, c.path, RuleIdentity, c.was, c.now, "it is of the instrument %.80q, and the history of %.80q", id, k.out.UUID)
	}
	return nil
}

func (k *checker) format(n *node, c change, old, now *schema.Version) error {
	was, ok1 := old.Number("format")
	is, ok2 := now.Number("format")
	if ok1 && (!ok2 || is < was) {
		return k.breaks(n, c.path, RuleFormat, c.was, c.now, "its format went from %d down to %d", was, is)
	}
	return nil
}

// corrected checks a file that says something else than in the one parent.
func (k *checker) corrected(n *node, c change, b *brought) error {
	now, err := k.version(n, c.path, c.now)
	if err != nil {
		return err
	}
	old, err := k.version(n, c.path, c.was)
	if err != nil {
		return err
	}
	for _, v := range []*read{old, now} {
		if v.err != nil {
			return k.breaks(n, c.path, RuleFacts, c.was, c.now, "one of the two versions cannot be read, so nobody can say what changed: %v", v.err)
		}
	}
	w, ok, err := k.oneMore(n, c, old.Version, now.Version)
	if err != nil || !ok {
		return err
	}
	if len(w.Over) > 0 {
		return k.breaks(n, c.path, RuleMerge, c.was, c.now, "the correction stands against another version, but no other version was brought in here")
	}
	if err := k.facts(n, c, w, old.Version, now.Version); err != nil {
		return err
	}
	for _, f := range w.Files {
		b.digest[f.File] = f.SHA256
	}
	if last := len(old.Corrections) - 1; last >= 0 && w.Date.Before(old.Corrections[last].Date.Day) {
		if err := k.tells(n, c.path, RuleDate, c.was, c.now, "the correction is dated %s, before the one before it (%s)", w.Date, old.Corrections[last].Date); err != nil {
			return err
		}
	}
	k.pending = append(k.pending, Corrected{Commit: n.id, Path: c.path, Was: c.was, Is: c.now, Correction: w, Bears: bears(c.path, w, old.Version, now.Version)})
	return nil
}

// oneMore checks that there is one correction more, and gives it.
func (k *checker) oneMore(n *node, c change, old, now *schema.Version) (w schema.Correction, ok bool, err error) {
	had := len(old.Corrections)
	if reflect.DeepEqual(old.Corrections, now.Corrections) {
		differ := different(old, now)
		if differ == nil {
			return w, false, k.breaks(n, c.path, RuleNoReason, c.was, c.now, "its bytes changed without a correction, though no fact did")
		}
		return w, false, k.breaks(n, c.path, RuleNoReason, c.was, c.now, "it says something else without a correction: %s", list(differ))
	}
	if len(now.Corrections) < had || !reflect.DeepEqual(old.Corrections, now.Corrections[:had:had]) && had > 0 {
		return w, false, k.breaks(n, c.path, RuleCorrections, c.was, c.now, "an earlier correction reads differently or is gone; a wrong one is followed by another, and stays")
	}
	if len(now.Corrections) > had+1 {
		return w, false, k.breaks(n, c.path, RuleCorrections, c.was, c.now, "it has %d new corrections in one commit; each change has one of its own", len(now.Corrections)-had)
	}
	return now.Corrections[had], true, nil
}

// different lists the facts in which two versions differ, lines by their place.
func different(old, now *schema.Version) []string {
	if e, ok := errors.AsType[*schema.FactsError](schema.Facts{}.Check(old, now)); ok {
		return e.Unnamed
	}
	return nil
}

// facts holds two versions against what a correction names.
func (k *checker) facts(n *node, c change, w schema.Correction, old, now *schema.Version) error {
	if strings.TrimSpace(w.Reason) == "" || w.By == "" || w.Date.IsZero() {
		return k.breaks(n, c.path, RuleCorrections, c.was, c.now, "the correction does not say who corrected what was wrong, and when")
	}
	if old.Word("kind") != now.Word("kind") {
		return k.breaks(n, c.path, RuleIdentity, c.was, c.now, "a record of kind %.40q became one of kind %.40q", old.Word("kind"), now.Word("kind"))
	}
	if err := w.Facts().Check(old, now); err != nil {
		return k.breaks(n, c.path, RuleFacts, c.was, c.now, "the correction does not fit the change: %v", err)
	}
	return nil
}

// attachments checks what came in beside records and corrections.
func (k *checker) attachments(n *node, changes []change, b *brought) error {
	var came []change
	for _, c := range changes {
		if isAttachment(c.path) && c.was.IsZero() && !c.now.IsZero() {
			came = append(came, c)
		}
	}
	here := map[string]bool{}
	for _, c := range came {
		here[c.path] = true
	}
	for p := range b.digest {
		if !here[p] {
			if err := k.breaks(n, p, RuleAttachment, none, none, "a correction says that this file came with it, and it did not"); err != nil {
				return err
			}
		}
	}
	if came == nil {
		return nil
	}
	for _, c := range changes {
		if schema.IsRecordIn(c.path) && c.was.IsZero() && !c.now.IsZero() {
			names, err := k.names(n, c.path, c.now)
			if err != nil {
				return err
			}
			for _, p := range names {
				b.byRecord[p] = true
			}
		}
	}
	var used map[string]string // by a record that was there before
	for _, c := range came {
		if b.byRecord[c.path] {
			continue
		}
		if want, ok := b.digest[c.path]; ok {
			data, err := k.object(n, c.now, object.TypeBlob, c.path)
			if err != nil {
				return err
			}
			k.bytes += len(data)
			if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != want {
				if err := k.breaks(n, c.path, RuleAttachment, none, c.now, "it is not the file that the correction names by its SHA-256"); err != nil {
					return err
				}
			}
			continue
		}
		if used == nil {
			var err error
			if used, err = k.used(n); err != nil {
				return err
			}
		}
		var err error
		if by, ok := used[strings.ToLower(c.path)]; ok {
			err = k.breaks(n, c.path, RuleAttachment, none, c.now, "it came later than %s, which names it, and no correction gives its SHA-256", by)
		} else {
			err = k.tells(n, c.path, RuleUnnamed, none, c.now, "it came with no record that names it")
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// names are the attachments a record names.
func (k *checker) names(n *node, p string, blob object.Hash) ([]string, error) {
	if list, ok := k.named[blob]; ok {
		return list, nil
	}
	v, err := k.version(n, p, blob)
	if err != nil {
		return nil, err
	}
	var out []string
	if v.err == nil {
		for _, s := range append(v.Words("photo", "file"), v.Words("file", "file")...) {
			out = append(out, path.Clean(s))
		}
	}
	k.named[blob] = out
	return out, nil
}

// used are the attachments that the records of a commit name, in lower case, and
// by which record.
func (k *checker) used(n *node) (map[string]string, error) {
	raw, err := k.object(n, n.Tree, object.TypeTree, "")
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for c := (cursor{raw: raw}); ; {
		c.next()
		if !c.ok {
			return out, nil
		}
		name := string(c.name)
		if !schema.IsRecordIn(name) || c.folder() {
			continue
		}
		list, err := k.names(n, name, c.id)
		if err != nil {
			return nil, err
		}
		for _, p := range list {
			out[strings.ToLower(p)] = name
		}
		if err := k.step(1 + len(list)); err != nil {
			return nil, err
		}
	}
}

// tip checks what must stand at the end.
func (k *checker) tip() error {
	n := k.order[len(k.order)-1]
	raw, err := k.object(n, n.Tree, object.TypeTree, "")
	if err != nil {
		return err
	}
	has := map[string]bool{}
	for c := (cursor{raw: raw}); ; {
		if c.next(); !c.ok {
			break
		}
		has[string(c.name)] = true
	}
	if !has[".gitattributes"] {
		return k.breaks(n, ".gitattributes", RuleAttributes, none, none, "it is missing, so that git might change bytes on the way to a disk")
	}
	return nil
}

// late tells of records that are dated before a seal they came after, or after the
// seal that covers them.
func (k *checker) late() error {
	if len(k.in.Seals) == 0 {
		return nil
	}
	before := map[*node]*Seal{} // the latest seal at or below a commit
	at := map[object.Hash][]*Seal{}
	for i := range k.in.Seals {
		at[k.in.Seals[i].Head] = append(at[k.in.Seals[i].Head], &k.in.Seals[i])
	}
	newer := func(a, b *Seal) *Seal {
		if a == nil || b != nil && b.Sealed.After(a.Sealed) {
			return b
		}
		return a
	}
	for _, n := range k.order {
		for _, p := range n.Parents {
			up := before[k.nodes[p]]
			for _, s := range at[p] {
				up = newer(up, s)
			}
			before[n] = newer(before[n], up)
		}
	}
	for _, a := range k.arrivals {
		v, err := k.version(a.at, a.path, a.blob)
		if err != nil {
			return err
		}
		if v.err != nil {
			continue
		}
		day, ok := v.Day("date")
		if !ok {
			continue
		}
		if s := before[a.at]; s != nil && day.Before(schema.NewDate(s.Sealed).Day) {
			err = k.tells(a.at, a.path, RuleLate, none, a.blob, "it is dated %s, and came in after the seal of %s", day, schema.NewDate(s.Sealed))
		}
		if s := a.at.seal; err == nil && s != nil && schema.NewDate(s.Sealed).Before(day.Day) {
			err = k.tells(a.at, a.path, RuleDate, none, a.blob, "it is dated %s, after the seal over it, which is of %s", day, schema.NewDate(s.Sealed))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// bears says on what a correction bears, as far as page one of a report goes.
func bears(p string, w schema.Correction, old, now *schema.Version) []string {
	set := map[string]bool{}
	kind := old.Word("kind")
	whole := func() {
		switch kind {
		case "safety":
			set["safety"] = true
		case "release", "intake", "followup", "demonstration", "custody", "soak":
			set["state"] = true
		case "parts", "mod", "removal", "fitting":
			set["originality"] = true
		}
		if len(old.Words("fault", "id"))+len(now.Words("fault", "id")) > 0 {
			set["fault"] = true
		}
	}
	for _, f := range slices.Concat(w.Changed, w.Added, w.Removed) {
		words := strings.FieldsFunc(f, func(r rune) bool { return r == '.' || r == '[' || r == ']' })
		if len(words) == 0 {
			continue
		}
		last := words[len(words)-1]
		switch words[0] {
		case "withdrawn", "kind":
			whole()
		case "works", "state", "event", "condition_out", "condition_in", "transit_locks", "last_known_working", "power", "function", "warranty":
			set["state"] = true
		case "check", "mains", "fuse":
			set["safety"] = true
		case "fault":
			set["fault"] = true
		case "section", "missing", "earlier_work", "originals", "reversible", "apply_kit", "serial", "built", "built_from", "maker", "model", "variant", "board", "difference":
			set["originality"] = true
		case "part":
			if last == "fault" {
				set["fault"] = true
			} else if last != "note" {
				set["originality"] = true
			}
		case "comeback":
			set["fault"] = true
		}
		if kind == "safety" && words[0] != "note" {
			set["safety"] = true
		}
	}
	if p == "instrument.toml" && len(set) == 0 && !w.Facts().None() {
		set["originality"] = true
	}
	var out []string
	for _, word := range []string{"state", "safety", "fault", "originality"} {
		if set[word] {
			out = append(out, word)
		}
	}
	return out
}

func list(words []string) string {
	const most = 5
	text := strings.Join(words[:min(len(words), most)], ", ")
	if len(words) > most {
		text += " and more"
	}
	if len(text) > 300 {
		text = strings.ToValidUTF8(text[:300], "") + "..."
	}
	return text
}
