package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// Verdict is the outcome of verifying. There are three.
type Verdict string

// The verdicts.
const (
	Trusted   Verdict = "intact and signed by a key you trust"
	Untrusted Verdict = "intact but signed by a key you have no reason to trust yet"
	Broken    Verdict = "broken"
)

// Finding of verifying: what is wrong, and where.
type Flaw struct {
	Check   string `json:"check"` // one of the words of Checks
	Place   string `json:"place"`
	What    string `json:"what"`
	Warning bool   `json:"warning,omitempty"` // worth knowing; nothing is broken
}

// Checks are the words a [Flaw] is filed under, in the order the checks are made.
var Checks = []string{"packet", "digest", "signature", "bundle", "object", "tree", "commit", "root", "identity", "seal", "chain", "sealed-files",
	"sealed-objects", "tip", "rotation", "records", "report", "files", "earlier", "revoked"}

// Stretch is a run of commits signed with one key.
type Stretch struct {
	Key      string    `json:"key,omitempty"` // fingerprint; "": not signed
	Who      string    `json:"who"`           // as the commits say
	Shop     string    `json:"shop,omitempty"`
	Standing Standing  `json:"standing"`
	Why      string    `json:"why,omitempty"`
	Commits  int       `json:"commits"`
	First    string    `json:"first"` // commits
	Last     string    `json:"last"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
}

// SealNote is one seal of the chain.
type SealNote struct {
	Tag       string    `json:"tag"`
	Number    int       `json:"number"`
	Shop      string    `json:"shop"`
	Sealed    time.Time `json:"sealed"`
	Head      string    `json:"head"`
	Statement string    `json:"statementDigest"`
	Key       string    `json:"key"`
	Standing  Standing  `json:"standing"`
	Why       string    `json:"why,omitempty"`
}

// Verification is everything that was found.
type Verification struct {
	Verdict   Verdict    `json:"verdict"`
	What      string     `json:"what"` // packet, bundle, clone
	Unit      string     `json:"unit"`
	UUID      string     `json:"uuid"`
	Root      string     `json:"root"`
	Head      string     `json:"head"`
	Commits   int        `json:"commits"`
	Key       string     `json:"key"` // that signed the packet; of a bundle or clone, the last seal
	Standing  Standing   `json:"standing"`
	Why       string     `json:"why,omitempty"`
	Seals     []SealNote `json:"seals"`
	Stretches []Stretch  `json:"stretches"`
	Flaws     []Flaw     `json:"flaws"`
	NotProved []string   `json:"notProved"`

	travelled *Travelled
	objects   objectSet
	chain     []*Seal
	branch    string               // model/tag the history calls itself by
	reach     map[string]objectSet // by seal: everything it is over
	folders   map[object.Hash]int  // files below a tree
	digests   digests
	inHistory map[object.Hash]*rawCommit
}

// notProved is what no signature shows.
var notProved = []string{
	"that the work was done: a signature shows who vouches for the records and that they have not changed since",
	"when it was done or signed: dates are the signer's own, without a trusted timestamp",
	"that no other version of this history exists: hold an earlier label, seal or packet against it",
}

// VerifyOptions are what the one who asks knows already.
type VerifyOptions struct {
	Trust    *Trust
	Label    string   // the text of a code on a label or report of this unit
	Seals    []string // digests of earlier seals' statements, whole or the first 16 digits and more
	Earlier  [][]byte // earlier packets, or statements of seals
	Renderer *Renderer
}

// verifier gathers flaws; it never stops at the first.
type verifier struct {
	*Verification
	opt     VerifyOptions
	trust   *Trust
	rotated map[string]passedOn // by fingerprint: who passed trust on to a key
	keys    []heldKey           // the keys the verdict rests on
}

// passedOn is a rotation by a key that was trusted to make it.
type passedOn struct {
	from ssh.PublicKey
	on   time.Time
}

type heldKey struct {
	key       ssh.PublicKey
	namespace string
	at        time.Time
	place     string
}

func (v *verifier) flaw(check, place, format string, args ...any) {
	v.Flaws = append(v.Flaws, Flaw{Check: check, Place: place, What: fmt.Sprintf(format, args...)})
}

func (v *verifier) warn(check, place, format string, args ...any) {
	v.Flaws = append(v.Flaws, Flaw{Check: check, Place: place, What: fmt.Sprintf(format, args...), Warning: true})
}

func newVerifier(what string, o VerifyOptions) *verifier {
	v := &verifier{Verification: &Verification{What: what, Seals: []SealNote{}, Stretches: []Stretch{}, Flaws: []Flaw{}, NotProved: notProved},
		opt: o, trust: o.Trust, rotated: map[string]passedOn{}}
	if v.trust == nil {
		v.trust = &Trust{}
	}
	return v
}

// Verify reads a packet, a bundle, an unpacked packet or a clone by its name
// and checks it. Nothing is written anywhere. An error is a failure to read what
// was named; everything else is in the result.
func Verify(name string, o VerifyOptions) (*Verification, error) {
	fi, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	if fi.IsDir() {
		return verifyDir(name, o)
	}
	data, err := readFile(name, maxPacket)
	if err != nil {
		return nil, err
	}
	if bytes.HasPrefix(data, []byte(bundleHead)) {
		return VerifyBundle(data, o), nil
	}
	return VerifyPacket(data, o), nil
}

// readFile reads a plain file of at most limit bytes.
func readFile(name string, limit int64) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if fi, err := f.Stat(); err != nil {
		return nil, err
	} else if !fi.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a plain file", name)
	}
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err == nil && int64(len(data)) > limit {
		err = &UsageError{fmt.Sprintf("%s has more than %d bytes", name, limit), "no packet is that large"}
	}
	return data, err
}

// VerifyPacket checks a packet.
func VerifyPacket(data []byte, o VerifyOptions) *Verification {
	v := newVerifier("packet", o)
	files, err := readPacket(data)
	if err != nil {
		v.flaw("packet", "the file", "%v", err)
		return v.conclude()
	}
	v.packet(files)
	return v.conclude()
}

// VerifyBundle checks a bundle alone: the history and its seals.
func VerifyBundle(data []byte, o VerifyOptions) *Verification {
	v := newVerifier("bundle", o)
	b, err := readBundle(data)
	if err != nil {
		v.flaw("bundle", "the file", "%v", err)
		return v.conclude()
	}
	v.history(b, nil)
	return v.conclude()
}

func verifyDir(dir string, o VerifyOptions) (*Verification, error) {
	if _, err := os.Stat(filepath.Join(dir, statementFile)); err == nil {
		v := newVerifier("packet", o)
		files := map[string][]byte{}
		for _, f := range packetFiles {
			data, err := readFile(filepath.Join(dir, f), maxPacket)
			if errors.Is(err, os.ErrNotExist) {
				v.flaw("packet", f, "it is missing")
				return v.conclude(), nil
			}
			if err != nil {
				return nil, err
			}
			files[f] = data
		}
		v.packet(files)
		v.beside(dir)
		return v.conclude(), nil
	}
	r, err := gitstore.Open(dir, Program)
	if errors.As(err, new(*gitstore.NotRepositoryError)) {
		return nil, &UsageError{dir + " is neither an unpacked packet nor a clone of one", "name the packet, its history.bundle, or a folder with one of them"}
	}
	if err != nil {
		return nil, err
	}
	defer r.Close()
	v := newVerifier("clone", o)
	b, err := cloneRefs(r)
	if err != nil {
		return nil, err
	}
	if err := b.fill(r); err != nil {
		v.flaw("object", dir, "%v", err)
		return v.conclude(), nil
	}
	v.history(b, nil)
	if err := v.workFiles(r, dir); err != nil {
		return nil, err
	}
	return v.conclude(), nil
}

// beside names files that lie in the folder of an unpacked packet and are none
// of its: what they say was signed by nobody.
func (v *verifier) beside(dir string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return // its files were read
	}
	var names []string
	for _, e := range entries {
		if !slices.Contains(packetFiles, e.Name()) {
			names = append(names, e.Name())
		}
	}
	if len(names) > 0 {
		v.warn("packet", dir, "there is more in this folder, such as %.80q: it is no part of the packet and was not looked at", names[0])
	}
}

// workFiles holds the files of a clone against its history: they are what its
// reader sees.
func (v *verifier) workFiles(r *gitstore.Repo, dir string) error {
	at, err := r.State()
	if err != nil || at.Branch != unitRef(v.branch) || v.Head == "" {
		return err
	}
	c, err := r.Commit(object.NewHash(v.Head))
	if err != nil {
		return nil // a flaw already
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	want, err := r.DiffTrees(object.ZeroHash, c.Tree)
	if err != nil {
		return nil // likewise
	}
	for _, f := range want {
		data, err := r.Blob(f.New.Hash)
		if err != nil {
			return nil
		}
		fi, err := root.Lstat(f.Path)
		if err == nil && fi.Mode().IsRegular() && fi.Size() == int64(len(data)) {
			if have, err := root.ReadFile(f.Path); err == nil && bytes.Equal(have, data) {
				continue
			}
		}
		v.flaw("files", f.Path, "the file in this folder is not the one in the history; git -C %s checkout -- . puts it back", dir)
	}
	return nil
}

// cloneRefs finds the one unit and its seals in a clone.
func cloneRefs(r *gitstore.Repo) (*bundle, error) {
	b := &bundle{objects: objectSet{}}
	heads, err := r.Refs(unitRefs)
	if err != nil {
		return nil, err
	}
	if len(heads) != 1 {
		return nil, &UsageError{fmt.Sprintf("%s has %d units in it, not one", r.Dir, len(heads)), "hand one over first and verify the packet: benchlore handover UNIT"}
	}
	tags, err := r.Refs(tagRefs + sealTags)
	if err != nil {
		return nil, err
	}
	for _, refs := range []map[string]object.Hash{heads, tags} {
		for name, h := range refs {
			b.refs = append(b.refs, bundleRef{name, h})
		}
	}
	slices.SortFunc(b.refs, func(x, y bundleRef) int { return strings.Compare(x.Name, y.Name) })
	return b, nil
}

// fill reads everything the refs reach.
func (b *bundle) fill(r *gitstore.Repo) error {
	for _, ref := range b.refs {
		objects, err := reachableObjects(r, ref.Hash)
		if err != nil {
			return err
		}
		for h, o := range objects {
			if o.Hash() != h {
				return fmt.Errorf("the %s %s is not what its name says", o.Type, h)
			}
			b.objects[h] = o
		}
	}
	return nil
}

// packet checks the files of a packet.
func (v *verifier) packet(files map[string][]byte) {
	st, err := parsePacketStatement(files[statementFile])
	if err != nil {
		v.flaw("packet", statementFile, "%v", err)
		return
	}
	for _, f := range packetFiles[:len(packetFiles)-2] {
		if got := Digest(files[f]); got != st.Files[f] {
			v.flaw("digest", f, "its digest is %s..., not the %s... that was signed: it was changed", got[:12], st.Files[f][:12])
		}
	}
	key, err := checkSignature(files[signatureFile], files[statementFile], packetNamespace)
	if err != nil {
		v.flaw("signature", signatureFile, "%v", err)
	} else {
		v.keys = append(v.keys, heldKey{key, packetNamespace, st.Made, statementFile})
	}
	b, err := readBundle(files[bundleFile])
	if err != nil {
		v.flaw("bundle", bundleFile, "%v", err)
		return
	}
	v.history(b, st)
	if v.travelled == nil || key == nil {
		return
	}
	last := v.chain[len(v.chain)-1]
	if st.Seal != last.Name || st.SealSHA256 != last.Digest || st.Head != last.Statement.Head || st.UUID != last.Statement.UUID {
		v.flaw("packet", statementFile, "it speaks of another seal, head or unit than the last seal in %s, %s", bundleFile, last.Name)
	}
	if st.Made.Before(last.Statement.Sealed) {
		v.flaw("packet", statementFile, "it is dated %s, before the seal it hands over", st.Made.Format(time.RFC3339))
	}
	v.reports(files, st, key)
}

// reports makes everything in the packet that follows from the history once
// more.
func (v *verifier) reports(files map[string][]byte, st *PacketStatement, key ssh.PublicKey) {
	if v.opt.Renderer == nil {
		return
	}
	if st.Rendering != v.opt.Renderer.Rendering {
		other := "an older"
		if st.Rendering > v.opt.Renderer.Rendering {
			other = "a newer"
		}
		v.warn("report", "report.html, report.json, report.pdf, "+guideFile, "the packet says that %s release of the program made them, so they cannot be made again "+
			"letter by letter here: that they say what the history says rests on the word of whoever signed. A release of that time can tell", other)
		return
	}
	again, err := v.opt.Renderer.Render(v.travelled)
	if err != nil {
		v.flaw("report", "report.html", "the reports cannot be made from the history: %v", err)
		return
	}
	last := v.chain[len(v.chain)-1]
	again[bundleFile] = files[bundleFile]
	again[signersFile] = claimedSigners(v.objects, v.chain, key, last.Statement.Shop.Name)
	again[guideFile] = guide(v.chain, v.objects, Fingerprint(key))
	for _, f := range append(slices.Clone(reportFiles), signersFile, guideFile) {
		if !bytes.Equal(again[f], files[f]) {
			v.flaw("report", f, "it does not say what the history says")
		}
	}
}

// conclude reaches the verdict.
func (v *verifier) conclude() *Verification {
	v.Verdict = Trusted
	if len(v.keys) == 0 {
		v.Verdict = Broken
	}
	for i, k := range v.keys {
		standing, why := v.standing(k.key, k.namespace, k.at)
		if i == 0 {
			v.Key, v.Standing, v.Why = Fingerprint(k.key), standing, why
		}
		switch standing {
		case KeyRevoked:
			v.flaw("revoked", k.place, "it is signed with %s, and %s: it may be anybody's work, whatever its date", Fingerprint(k.key), why)
		case KeyUnknown:
			v.Verdict = Untrusted
		}
	}
	if slices.ContainsFunc(v.Flaws, func(f Flaw) bool { return !f.Warning }) {
		v.Verdict = Broken
	}
	slices.SortStableFunc(v.Flaws, func(a, b Flaw) int { return slices.Index(Checks, a.Check) - slices.Index(Checks, b.Check) })
	return v.Verification
}

// standing judges a key, rotations included.
func (v *verifier) standing(key ssh.PublicKey, namespace string, at time.Time) (Standing, string) {
	s, why := v.trust.judge(key, namespace, at)
	// What somebody wrote down about the key itself stands before what another key
	// says of it.
	if s != KeyUnknown || why != "" {
		return s, why
	}
	r, ok := v.rotated[Fingerprint(key)]
	if !ok {
		return s, why
	}
	// It takes over what the old key might do when it passed it on, and no more.
	if old, _ := v.standing(r.from, namespace, r.on); old != KeyTrusted {
		return s, why
	}
	return KeyTrusted, fmt.Sprintf("it took over from %s, which you trust, on %s, signed with both", Fingerprint(r.from), r.on.Format(time.DateOnly))
}

// learn follows the rotations of keys in the seals: a key that is trusted to
// rotate passes its trust on. One that is revoked passes nothing on.
func (v *verifier) learn() {
	type step struct {
		r        *Rotation
		from, to ssh.PublicKey
	}
	var steps []step
	for _, s := range v.chain {
		for i := range s.Statement.Rotations {
			r, err := s.Statement.Rotations[i].check()
			if err != nil {
				v.flaw("rotation", s.Name, "%v", err)
				continue
			}
			from, err1 := parseKey(r.Old)
			to, err2 := parseKey(r.New)
			if err1 == nil && err2 == nil {
				steps = append(steps, step{r, from, to})
			}
		}
	}
	for changed := true; changed; {
		changed = false
		for _, s := range steps {
			f := Fingerprint(s.to)
			if _, ok := v.rotated[f]; ok {
				continue
			}
			if standing, _ := v.standing(s.from, rotationNamespace, s.r.Date); standing == KeyTrusted {
				v.rotated[f] = passedOn{s.from, s.r.Date}
				changed = true
			}
		}
	}
}

// records reads the unit as it stands on the head.
func (v *verifier) records(q *gitstore.Repo) {
	t, err := travelled(q, v.chain)
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
}

var labelForm = regexp.MustCompile(`^benchlore:1:([0-9a-f-]{36}):([0-9a-f]{40}):([0-9a-f]{16})?$`)

// earlier holds the history against what is at hand of it from before.
func (v *verifier) earlier() {
	if v.opt.Label != "" {
		m := labelForm.FindStringSubmatch(strings.TrimSpace(v.opt.Label))
		switch {
		case m == nil:
			v.flaw("earlier", "the label", "%.120q is not what a label of this program says", v.opt.Label)
		case m[1] != v.UUID:
			v.flaw("earlier", "the label", "it belongs to another unit, %s", m[1])
		case m[3] != "" && !slices.ContainsFunc(v.chain, func(s *Seal) bool {
			return strings.HasPrefix(s.StatementDigest(), m[3]) && s.Statement.Head == m[2]
		}):
			v.flaw("earlier", "the label", "the seal it was printed from is not among the seals here: the history was shortened, forked or replaced since")
		case !v.hasCommit(m[2]):
			v.flaw("earlier", "the label", "the history it was printed from, %s, is not part of this one: it was shortened, forked or replaced since", m[2][:10])
		}
	}
	for _, d := range v.opt.Seals {
		if !isDigest(d) {
			v.flaw("earlier", "the seal you named", "%.80q is no digest of a statement: write at least its first 16 hexadecimal digits", d)
			continue
		}
		if !slices.ContainsFunc(v.chain, func(s *Seal) bool {
			return strings.HasPrefix(s.StatementDigest(), d) || strings.HasPrefix(s.Digest, d)
		}) {
			v.flaw("earlier", "the seal you named", "no seal here has the digest %s: the history was shortened, forked or replaced since", d)
		}
	}
	for _, data := range v.opt.Earlier {
		v.earlierPacket(data)
	}
}

// Check refuses what cannot be held against any history, a [UsageError]: a label
// read wrongly or the wrong file says nothing about the packet in hand.
func (o VerifyOptions) Check() error {
	if o.Label != "" && !labelForm.MatchString(strings.TrimSpace(o.Label)) {
		return &UsageError{fmt.Sprintf("--label: %.120q is not what a label of this program says", o.Label),
			"give all the code says; it begins with benchlore:1:"}
	}
	for _, d := range o.Seals {
		if !isDigest(d) {
			return &UsageError{fmt.Sprintf("--seal: %.80q is no digest of a statement", d), "write at least its first 16 hexadecimal digits, in lower case"}
		}
	}
	for _, data := range o.Earlier {
		if _, err := ParseStatement(data); err == nil {
			continue
		}
		if _, err := earlierBundle(data); err != nil {
			return &UsageError{fmt.Sprintf("--earlier: it is neither a packet, nor a bundle, nor the statement of a seal: %v", err),
				"name the file as it was handed over"}
		}
	}
	return nil
}

// isDigest reports whether a text is the beginning of a SHA-256 long enough to
// tell seals apart.
func isDigest(d string) bool {
	return len(d) >= 16 && len(d) <= 64 && strings.Trim(d, "0123456789abcdef") == ""
}

// earlierBundle is the history of an earlier packet, or the bundle alone.
func earlierBundle(data []byte) (*bundle, error) {
	if files, err := readPacket(data); err == nil {
		data = files[bundleFile]
	}
	return readBundle(data)
}

func (v *Verification) hasCommit(h string) bool {
	o, ok := v.objects[object.NewHash(h)]
	return ok && o.Type == object.TypeCommit
}

// earlierPacket holds the history against an earlier packet, bundle or
// statement of a seal.
func (v *verifier) earlierPacket(data []byte) {
	const place = "what you hold from before"
	if st, err := ParseStatement(data); err == nil {
		if !slices.ContainsFunc(v.chain, func(s *Seal) bool { return bytes.Equal(s.Message, data) }) {
			v.flaw("earlier", place, "seal %d of %s is not among the seals here: the history was shortened, forked or replaced since", st.Number, st.UUID)
		}
		return
	}
	b, err := earlierBundle(data)
	if err != nil {
		v.flaw("earlier", place, "it is neither a packet, nor a bundle, nor the statement of a seal: %v", err)
		return
	}
	old := newVerifier("bundle", VerifyOptions{})
	old.history(b, nil)
	for _, f := range old.Flaws {
		if !f.Warning {
			v.flaw("earlier", place, "it is broken itself: %s: %s", f.Place, f.What)
			return
		}
	}
	if old.UUID != v.UUID {
		v.flaw("earlier", place, "it is of another unit, %s", old.UUID)
		return
	}
	common := 0
	for i, s := range old.chain {
		if i < len(v.chain) && v.chain[i].Digest == s.Digest {
			common++
		}
	}
	switch {
	case common == len(old.chain) && v.hasCommit(old.Head):
	case common == len(v.chain):
		v.flaw("earlier", place, "it goes on to seal %d, and the history here ends with seal %d: it was shortened", len(old.chain), len(v.chain))
	case common > 0:
		v.flaw("earlier", place, "the two histories part after seal %d: this one was forked", common)
	default:
		v.flaw("earlier", place, "the two histories have no seal in common: this one replaces the other")
	}
}
