package proof

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // sizes of photographs
	_ "image/png"
	"io"
	"io/fs"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/ledger/proof/growth"
)

// Verdict is the outcome of verifying.
type Verdict string

// The verdicts, the gravest first.
const (
	Broken     Verdict = "broken"
	Unreadable Verdict = "written in a way this program does not read"
	Untrusted  Verdict = "intact, but signed by a key you have no reason to trust yet"
	Uncompared Verdict = "history trusted, but the report's facts could not be compared with it"
	Trusted    Verdict = "intact, and signed by a key you trust"
)

// ExitCode is the code verify ends with.
func (v Verdict) ExitCode() int {
	switch v {
	case Trusted:
		return 0
	case Unreadable:
		return 3
	case Untrusted:
		return 4
	case Uncompared:
		return 5
	}
	return 1
}

// gravest is the verdict that stands first of several.
func gravest(list ...Verdict) Verdict {
	order := []Verdict{Broken, Unreadable, Untrusted, Uncompared, Trusted}
	for _, v := range order {
		if slices.Contains(list, v) {
			return v
		}
	}
	return Trusted
}

// Flaw is something that was found while verifying.
type Flaw struct {
	Check   string `json:"check"` // one of the words of Checks
	Place   string `json:"place"`
	What    string `json:"what"`
	Warning bool   `json:"warning,omitempty"` // worth knowing; nothing is broken
	Newer   bool   `json:"newer,omitempty"`   // nothing is broken: this program cannot read it
}

// Checks are the words a [Flaw] is filed under, in the order the checks are made.
var Checks = []string{"packet", "format", "digest", "signature", "envelope", "bundle", "object", "limit", "tree", "commit", "root", "identity", "growth", "seal",
	"chain", "forked", "sealed-files", "sealed-objects", "tip", "rotation", "records", "report", "claims", "files", "repository", "earlier", "newer", "revoked", "key",
	"clock", "name", "time"}

// Stretch is a run of commits signed with one key.
type Stretch struct {
	Key      string    `json:"key,omitempty"` // fingerprint; "": not signed
	Who      string    `json:"who"`           // as the commits say
	Shop     string    `json:"shop,omitempty"`
	Standing Standing  `json:"standing"`
	Why      string    `json:"why,omitempty"`
	Unlisted bool      `json:"unlisted,omitempty"` // the seal that covers them first does not list the key
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
	Short     string    `json:"short"` // to compare by telephone
	Shop      string    `json:"shop"`
	Sealed    time.Time `json:"sealed"`
	Head      string    `json:"head"`
	Digest    string    `json:"digest"` // of the tag object
	Statement string    `json:"statementDigest"`
	Key       string    `json:"key"`
	Standing  Standing  `json:"standing"`
	Why       string    `json:"why,omitempty"`
	// KeyChange says how the key came after another one under the same shop's name:
	// "" where it did not.
	KeyChange KeyChange `json:"keyChange,omitempty"`
}

// KeyChange is how a shop came to another key.
type KeyChange string

// The ways to another key.
const (
	KeyLinked   KeyChange = "linked to the key before by a rotation signed with both"
	KeyUnlinked KeyChange = "changed without the old key's signature"
)

// Page is a file of a packet that is for people and decides nothing.
type Page struct {
	File string `json:"file"`
	Same bool   `json:"same"` // as this program makes it from the history
}

// String says what is known of it.
func (p Page) String() string {
	if p.Same {
		return p.File + ": the same bytes as this program makes"
	}
	return p.File + ": the sender's page, not checked"
}

// Parts are the verdicts that the whole is made of. "" is what there is nothing
// to say of.
type Parts struct {
	History  Verdict `json:"history"`
	Envelope Verdict `json:"envelope,omitempty"`
	Facts    Verdict `json:"facts,omitempty"`
}

// Verification is everything that was found.
type Verification struct {
	Verdict   Verdict    `json:"verdict"`
	Exit      int        `json:"exit"`
	Parts     Parts      `json:"parts"`
	What      string     `json:"what"` // packet, bundle, clone
	Unit      string     `json:"unit"`
	UUID      string     `json:"uuid"`
	Root      string     `json:"root"`
	Head      string     `json:"head"`
	Commits   int        `json:"commits"`
	Key       string     `json:"key"` // of the last seal
	Standing  Standing   `json:"standing"`
	Why       string     `json:"why,omitempty"`
	PacketKey string     `json:"packetKey,omitempty"` // of the envelope
	Short     string     `json:"short,omitempty"`     // the last seal, to compare by telephone
	Seals     []SealNote `json:"seals"`
	// Stretches and Corrections hold the first 20, and the counts are of all.
	Stretches       []Stretch    `json:"stretches"`
	StretchCount    int          `json:"stretchCount"`
	Corrections     []Correction `json:"corrections,omitempty"` // of what closed files said
	CorrectionCount int          `json:"correctionCount"`
	Pages           []Page       `json:"pages,omitempty"`
	Tokens          []string     `json:"tokens,omitempty"` // time stamps that came along and are not checked here
	// Flaws holds at most 20 findings and 20 remarks; the counts are of all.
	Flaws       []Flaw   `json:"flaws"`
	FlawCount   int      `json:"flawCount"`
	RemarkCount int      `json:"remarkCount"`
	NotProved   []string `json:"notProved"`
	// Latest is the latest date in the history, where it lies after the reader's
	// clock.
	Latest *time.Time `json:"latest,omitempty"`

	travelled *Travelled
	objects   gitobj.Set
	chain     []*Seal
	branch    string // model/tag the history calls itself by
}

// Travelled is the unit as the history tells it, nil where it could not be read.
func (v *Verification) Travelled() *Travelled { return v.travelled }

// Chain is the seals in order.
func (v *Verification) Chain() []*Seal { return v.chain }

// Objects is everything the history and its seals consist of.
func (v *Verification) Objects() gitobj.Set { return v.objects }

// HasCommit reports whether a commit is part of the history.
func (v *Verification) HasCommit(id object.Hash) bool {
	o, ok := v.objects[id]
	return ok && o.Type == object.TypeCommit
}

// notProved is what no signature shows.
var notProved = []string{
	"that the work was done: a signature shows who vouches for the records and that they have not changed since",
	"when it was done or signed: dates are the signer's own, without a trusted time stamp",
	"that no newer seal, and no other version of this history, exists: compare the number of the last seal with the shop, or hold an earlier label, seal or packet against it",
}

// Options are what the one who asks knows already.
type Options struct {
	Trust   *Trust
	Now     time.Time // the reader's clock; zero: the system's
	Label   string    // the text of a code on a label or report of this unit
	Seals   []string  // digests of earlier seals or their statements, whole or the first 16 digits and more
	Earlier [][]byte  // earlier packets, or statements of seals
	// Known are the seals that a ledger of the reader's holds of a unit, by UUID.
	Known   func(uuid string) []*Seal
	Reports *Reports
}

// verifier gathers flaws; it never stops at the first.
type verifier struct {
	*Verification
	opt     Options
	trust   *Trust
	now     time.Time
	h       *history
	shops   shops
	below   []map[int]bool        // by place in the chain: which seals it supersedes
	covers  map[object.Hash][]int // by object: the seals that cover it and none below them
	lines   map[object.Hash]string
	links   keyLinks
	told    map[string]bool
	headAt  object.Hash
	packet  ssh.PublicKey
	grown   *growth.Result
	history Verdict // of what unit checked; "": it was not reached
	breaks  int     // findings that break something
	newer   int     // findings of what cannot be read here
}

func (v *verifier) add(f Flaw) {
	n := &v.FlawCount
	switch {
	case f.Warning:
		n = &v.RemarkCount
	case f.Newer:
		v.newer++
	default:
		v.breaks++
	}
	if *n++; *n > maxShown {
		return
	}
	if len(f.What) > 600 {
		f.What = strings.ToValidUTF8(f.What[:600], "") + "..."
	}
	if len(f.Place) > 200 {
		f.Place = strings.ToValidUTF8(f.Place[:200], "") + "..."
	}
	v.Flaws = append(v.Flaws, f)
}

func (v *verifier) flaw(check, place, format string, args ...any) {
	v.add(Flaw{Check: check, Place: place, What: fmt.Sprintf(format, args...)})
}

func (v *verifier) warn(check, place, format string, args ...any) {
	v.add(Flaw{Check: check, Place: place, What: fmt.Sprintf(format, args...), Warning: true})
}

// wrong files an error: what is too new, or written in another way, is not
// broken.
func (v *verifier) wrong(check, place string, err error) {
	var newer *TooNewError
	var other *unreadableError
	switch {
	case errors.As(err, &newer):
		v.add(Flaw{Check: "format", Place: place, What: err.Error() + ": upgrade the program", Newer: true})
	case errors.As(err, &other):
		v.add(Flaw{Check: check, Place: place, What: err.Error(), Newer: true})
	default:
		v.flaw(check, place, "%v", err)
	}
}

func newVerifier(what string, o Options) *verifier {
	v := &verifier{Verification: &Verification{What: what, Seals: []SealNote{}, Stretches: []Stretch{}, Flaws: []Flaw{}, NotProved: notProved},
		opt: o, trust: o.Trust, now: o.Now, covers: map[object.Hash][]int{}, lines: map[object.Hash]string{}, links: keyLinks{}, told: map[string]bool{}}
	if v.trust == nil {
		v.trust = &Trust{}
	}
	if v.now.IsZero() {
		v.now = time.Now()
	}
	return v
}

// VerifyPacket checks a packet of so many bytes.
func VerifyPacket(r io.ReaderAt, size int64, o Options) *Verification {
	v := newVerifier("packet", o)
	list, err := readZip(r, size)
	if err == nil {
		var env *envelope
		if env, err = readEnvelope(list, false); err == nil {
			v.envelope(env)
		}
	}
	if err != nil {
		v.wrong("packet", "the file", err)
	}
	return v.conclude()
}

// VerifyBytes checks a packet, or a bundle, that is in memory.
func VerifyBytes(data []byte, o Options) *Verification {
	if IsBundle(data) {
		return VerifyBundle(data, o)
	}
	return VerifyPacket(bytes.NewReader(data), int64(len(data)), o)
}

// VerifyFolder checks a packet that was unpacked into a folder.
func VerifyFolder(dir fs.FS, o Options) *Verification {
	v := newVerifier("packet", o)
	root, ok := packetRoot(dir)
	if !ok {
		v.flaw("packet", "the folder", "it holds neither %s nor %s", SumsFile, PacketFile)
		return v.conclude()
	}
	list, err := readFolder(root)
	if err == nil {
		var env *envelope
		if env, err = readEnvelope(list, true); err == nil {
			v.envelope(env)
			if len(env.beside) > 0 {
				v.warn("packet", "the folder", "more lies here (%d), such as %.80q: it is no part of the packet and was not looked at", len(env.beside), env.beside[0])
			}
		}
	}
	if err != nil {
		v.wrong("packet", "the folder", err)
	}
	return v.conclude()
}

// VerifyBundle checks a bundle alone: the history and its seals.
func VerifyBundle(data []byte, o Options) *Verification {
	v := newVerifier("bundle", o)
	b, err := ReadBundle(data)
	if err != nil {
		v.wrong("bundle", "the file", err)
		return v.conclude()
	}
	v.unit(b, false)
	return v.conclude()
}

// Clone is a clone of a history, read from its repository.
type Clone struct {
	*Bundle
	Work    fs.FS    // its working files; nil: it has none
	Remarks []string // what else is in the repository: grafts, other refs
}

// VerifyClone checks a clone: its history, and the files its reader sees.
func VerifyClone(c Clone, o Options) *Verification {
	v := newVerifier("clone", o)
	for _, r := range c.Remarks {
		v.warn("repository", "the clone", "%s", r)
	}
	var size int64
	n := 0
	for _, x := range c.Objects {
		if err := withinLimits(n+1, int64(len(x.Data)), size); err != nil {
			v.flaw("limit", "the clone", "%v", err)
			return v.conclude()
		}
		n, size = n+1, size+int64(len(x.Data))
	}
	v.unit(c.Bundle, false)
	if c.Work != nil && v.Head != "" && v.breaks == 0 {
		v.workFiles(c.Work)
	}
	return v.conclude()
}

// workFiles holds the files of a clone against its history, whatever is checked
// out: they are what its reader sees.
func (v *verifier) workFiles(work fs.FS) {
	c, err := v.h.commit(v.headAt)
	if err != nil {
		return // a flaw already
	}
	want, err := v.h.diff(object.ZeroHash, c.Tree)
	if err != nil {
		return // likewise
	}
	names := map[string]bool{}
	for _, f := range want {
		names[f.path] = true
		data, err := v.h.blob(f.after)
		if err != nil {
			return
		}
		if info, err := fs.Lstat(work, f.path); err == nil && info.Mode().IsRegular() && info.Size() == int64(len(data)) {
			if have, err := fs.ReadFile(work, f.path); err == nil && bytes.Equal(have, data) {
				continue
			}
		}
		v.flaw("files", f.path, "the file in this folder is not the one in the history that was checked; git checkout %s -- . puts it back", UnitRef(v.branch)[len("refs/heads/"):])
	}
	more, seen := 0, 0
	first := ""
	err = fs.WalkDir(work, ".", func(p string, e fs.DirEntry, err error) error {
		if seen++; seen > MaxFiles {
			return fs.SkipAll
		}
		if err != nil {
			return fs.SkipDir
		}
		if p == ".git" {
			if e.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if !e.IsDir() && !names[p] {
			if more++; first == "" {
				first = p
			}
		}
		return nil
	})
	if err == nil && more > 0 {
		v.warn("files", "the folder", "more lies here (%d), such as %.80q: it is no part of the history", more, first)
	}
}

// envelope checks the files of a packet.
func (v *verifier) envelope(env *envelope) {
	note, err := parsePacketNote(env.files[PacketFile])
	if env.files[PacketFile] != nil && err != nil {
		v.wrong("packet", PacketFile, err)
		if v.newer > 0 {
			return
		}
	}
	for _, f := range packetFiles {
		if env.sums[f] == "" {
			v.flaw("packet", f, "it is missing")
		}
	}
	sums, err := parseSums(env.files[SumsFile])
	switch {
	case env.files[SumsFile] == nil:
	case err != nil:
		v.flaw("packet", SumsFile, "%v", err)
	default:
		for _, f := range listedFiles {
			switch want := sums[f]; {
			case want == "":
				v.flaw("digest", f, "%s does not name it", SumsFile)
			case env.sums[f] != "" && env.sums[f] != want:
				v.flaw("digest", f, "its digest is %s..., not the %s... that was signed: it was changed", env.sums[f][:12], want[:12])
			}
		}
		if len(sums) != len(listedFiles) {
			v.flaw("digest", SumsFile, "it names other files than a packet has")
		}
	}
	if sig := env.files[SumsSigFile]; sig != nil && env.files[SumsFile] != nil {
		if v.packet, err = gitobj.CheckSignature(sig, env.files[SumsFile], PacketNamespace); err != nil {
			v.flaw("signature", SumsSigFile, "%v", err)
		} else {
			v.PacketKey = gitobj.Fingerprint(v.packet)
		}
	}
	v.Tokens = env.tokens
	if env.files[BundleFile] == nil {
		return
	}
	b, err := ReadBundle(env.files[BundleFile])
	delete(env.files, BundleFile)
	if err != nil {
		v.wrong("bundle", BundleFile, err)
		return
	}
	v.unit(b, true)
	if len(v.chain) == 0 || v.travelled == nil || note == nil {
		return
	}
	last := v.chain[len(v.chain)-1]
	if note.UUID != last.Statement.UUID || note.SealSHA256 != last.Digest {
		v.flaw("envelope", PacketFile, "it speaks of another seal or unit than the last seal in %s, %s", BundleFile, last.Name)
	}
	if data := env.files[SealFile]; data != nil && !bytes.Equal(data, last.Message) {
		v.flaw("envelope", SealFile, "it is not what the last seal in %s says", BundleFile)
	}
	if note.Made.Before(last.Statement.Sealed) {
		v.warn("clock", PacketFile, "it is dated %s, before the seal it hands over", note.Made.Format(time.RFC3339))
	}
	v.binds(note)
	v.claims(env.files[ClaimsFile])
	v.reports(env, note)
	for _, t := range env.tokens {
		tag := tokenForm.FindStringSubmatch(t)[1]
		if !slices.ContainsFunc(v.chain, func(s *Seal) bool { return s.Name == tag }) {
			v.warn("time", t, "it is named after a seal that is not here")
		} else {
			v.warn("time", t, "a time stamp; not checked here")
		}
	}
}

// binds judges the key that signed the envelope: it must be the last seal's, be
// listed by it, have come after it by a rotation the packet carries, or be trusted
// by itself.
func (v *verifier) binds(note *PacketNote) {
	v.Parts.Envelope = Trusted
	if v.packet == nil {
		v.Parts.Envelope = Broken
		return
	}
	last := v.chain[len(v.chain)-1]
	f := gitobj.Fingerprint(v.packet)
	switch standing, why := v.trust.judge(v.packet, PacketNamespace, occasion{claimed: note.Made, now: v.now}); {
	case standing == KeyRevoked:
		v.flaw("revoked", SumsFile, "the packet is signed with %s, and %s: its reports and %s may be anybody's", f, why, GuideFile)
		return
	case standing == KeyTrusted, f == last.Fingerprint(), slices.Contains(last.Statement.Shop.Keys, gitobj.Authorized(v.packet)), v.cameAfter(f, last, note):
		return
	}
	v.Parts.Envelope = Untrusted
	v.warn("envelope", SumsSigFile, "the packet was put together by %s, which nothing links to the key of the last seal: the history may be whole, and the reports and %s are somebody else's", f, GuideFile)
}

// cameAfter reports whether rotations lead from the last seal's key to another.
func (v *verifier) cameAfter(f string, last *Seal, note *PacketNote) bool {
	next := map[string][]string{}
	for _, list := range [][]SignedRotation{last.Statement.Rotations, note.Rotations} {
		for i := range list {
			r, err := list[i].Check()
			if err != nil {
				continue // a flaw of its own
			}
			from, err1 := gitobj.ParseKey(r.Old)
			to, err2 := gitobj.ParseKey(r.New)
			if err1 == nil && err2 == nil && !v.trust.Revoked.Has(from) && !v.trust.Revoked.Has(to) {
				a := gitobj.Fingerprint(from)
				next[a] = append(next[a], gitobj.Fingerprint(to))
			}
		}
	}
	queue := []string{last.Fingerprint()}
	seen := map[string]bool{}
	for len(queue) > 0 {
		at := queue[0]
		queue = queue[1:]
		if at == f {
			return true
		}
		if !seen[at] {
			seen[at] = true
			queue = append(queue, next[at]...)
		}
	}
	return false
}

// claims checks that the packet claims no key that signed nothing in it. What it
// says of whose they are is the sender's word.
func (v *verifier) claims(data []byte) {
	if data == nil {
		return
	}
	s, err := ParseSigners(ClaimsFile, data)
	if err != nil {
		v.flaw("claims", ClaimsFile, "%v", err)
		return
	}
	signed := v.signed()
	if v.packet != nil {
		signed[gitobj.Fingerprint(v.packet)] = true
	}
	for _, l := range s.Lines {
		if f := gitobj.Fingerprint(l.Key); !signed[f] && !(l.CertAuthority && v.certified(l.Key)) {
			v.flaw("claims", ClaimsFile, "line %d lists %s, which signed nothing in this packet", l.Line, f)
		}
	}
	if v.packet != nil && !bytes.Equal(data, Claims(v.objects, v.chain, v.packet)) {
		v.warn("claims", ClaimsFile, "it is not worded as this program words it: whose keys they are is the sender's word in any case")
	}
}

// signed gathers the keys that signed something in the history.
func (v *verifier) signed() map[string]bool {
	out := map[string]bool{}
	for _, c := range v.h.commits {
		if key, err := c.Key(); err == nil && key != nil {
			out[gitobj.Fingerprint(key)] = true
		}
	}
	for _, s := range v.chain {
		if s.key != nil {
			out[s.Fingerprint()] = true
		}
	}
	return out
}

// certified reports whether a key vouches for one that signed.
func (v *verifier) certified(authority ssh.PublicKey) bool {
	by := func(k ssh.PublicKey) bool {
		c, ok := k.(*ssh.Certificate)
		return ok && bytes.Equal(c.SignatureKey.Marshal(), authority.Marshal())
	}
	for _, c := range v.h.commits {
		if key, err := c.Key(); err == nil && key != nil && by(key) {
			return true
		}
	}
	return slices.ContainsFunc(v.chain, func(s *Seal) bool { return s.key != nil && by(s.key) }) || v.packet != nil && by(v.packet)
}

// reports compares the report's data with the history, fact by fact, and says of
// the pages whether they are the ones this program makes.
func (v *verifier) reports(env *envelope, note *PacketNote) {
	v.Parts.Facts = Uncompared
	const place = ReportData
	if v.opt.Reports == nil || env.files[ReportData] == nil {
		v.warn("report", place, "it was not compared with the history")
		return
	}
	if name := v.largePhoto(); name != "" {
		v.warn("report", place, "%.120q is larger than the pictures a report is made with, so it was not compared with the history", name)
		return
	}
	made, err := v.opt.Reports.Make(v.travelled)
	if err != nil {
		v.warn("report", place, "the report cannot be made from the history here, so it was not compared with it: %v", err)
		return
	}
	c := v.opt.Reports.Compare(v.travelled, env.files[ReportData], made[ReportData])
	for _, lie := range c.Lies {
		v.flaw("report", place, "it does not say what the records say: %s", lie)
	}
	for _, d := range c.Differs {
		v.warn("report", place, "it says something else than this program works out: %s", d)
	}
	if c.Unread != "" {
		v.warn("report", place, "it could not be compared with the history: %s", c.Unread)
	}
	if len(c.Lies)+len(c.Differs) == 0 && c.Unread == "" {
		v.Parts.Facts = Trusted
	}
	made[GuideFile] = Guide(v.chain, v.objects, v.packet, note.Rotations)
	for _, f := range []string{ReportPage, ReportPrint, GuideFile} {
		v.Pages = append(v.Pages, Page{f, Digest(made[f]) == env.sums[f]})
	}
}

// largePhoto names a picture that would take too much memory to draw.
func (v *verifier) largePhoto() string {
	for _, f := range v.travelled.Unit.Files {
		for _, p := range f.Record.Head().Photos {
			data, err := v.travelled.Attached(p.File)
			if err != nil {
				continue // told with the records
			}
			if c, _, err := image.DecodeConfig(bytes.NewReader(data)); err == nil && int64(c.Width)*int64(c.Height) > maxPixels {
				return p.File
			}
		}
	}
	return ""
}

// conclude reaches the verdict.
func (v *verifier) conclude() *Verification {
	v.Parts.History = v.history
	if v.history == "" {
		// It was not reached, or not read to its end.
		v.Parts.History = Broken
		if v.breaks == 0 {
			v.Parts.History = Unreadable
		}
	}
	whole := []Verdict{v.Parts.History}
	if v.breaks > 0 {
		whole = append(whole, Broken)
	}
	if v.newer > 0 {
		whole = append(whole, Unreadable)
	}
	for _, part := range []Verdict{v.Parts.Envelope, v.Parts.Facts} {
		if part != "" {
			whole = append(whole, part)
		}
	}
	v.Verdict = gravest(whole...)
	v.StretchCount = len(v.Stretches)
	v.Stretches = v.Stretches[:min(len(v.Stretches), maxListed)]
	v.Exit = v.Verdict.ExitCode()
	slices.SortStableFunc(v.Flaws, func(a, b Flaw) int { return slices.Index(Checks, a.Check) - slices.Index(Checks, b.Check) })
	return v.Verification
}
