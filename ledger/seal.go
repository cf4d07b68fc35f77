package ledger

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// tagRefs is where git keeps tags, sealTags where the seals among them are.
const (
	tagRefs  = "refs/tags/"
	sealTags = "seal/"
)

// Seal is one seal of a unit, as its tag has it.
type Seal struct {
	Name      string // of the tag: seal/<model>/<tag>/<n>-<8 hex>
	Hash      string // of the tag object
	Digest    string // SHA-256 of the tag object's content, to which the next seal refers
	Message   []byte // the statement as it stands
	Statement *Statement

	key     ssh.PublicKey
	keyFlaw error // why the signature does not hold
}

// StatementDigest is the SHA-256 of the statement.
func (s *Seal) StatementDigest() string { return Digest(s.Message) }

// QR is what a code on paper says of a seal: the unit, the head and the
// beginning of the statement's digest.
func (s *Seal) QR() string {
	return QRText(s.Statement.UUID, s.Statement.Head, s.StatementDigest())
}

// Fingerprint names the key that signed, "" where the signature does not hold.
func (s *Seal) Fingerprint() string {
	if s.key == nil {
		return ""
	}
	return Fingerprint(s.key)
}

var sealForm = regexp.MustCompile(`^seal/([a-z0-9-]+/[a-z0-9-]+)/([1-9][0-9]{0,6})-([0-9a-f]{8})$`)

var tagForm = regexp.MustCompile(`^object ([0-9a-f]{40})\ntype commit\ntag ([^\n]+)\ntagger [^\n<>]+ <[^\n<>]*> ([0-9]{1,12}) [+-][0-9]{4}\n\n`)

// parseSeal reads a tag object as a seal. Whether its signature holds is noted;
// everything else that is wrong is an error.
func parseSeal(name string, hash object.Hash, raw []byte) (*Seal, error) {
	m := sealForm.FindStringSubmatch(name)
	if m == nil {
		return nil, fmt.Errorf("%.120q is not named as a seal", name)
	}
	payload, sig := splitTag(raw)
	head := tagForm.FindSubmatch(payload)
	if head == nil {
		return nil, fmt.Errorf("the tag %s is not written as a seal is", name)
	}
	if string(head[2]) != name {
		return nil, fmt.Errorf("the tag %s calls itself %.120q", name, head[2])
	}
	s := &Seal{Name: name, Hash: hash.String(), Digest: Digest(raw), Message: payload[len(head[0]):]}
	var err error
	if s.Statement, err = ParseStatement(s.Message); err != nil {
		return nil, fmt.Errorf("the seal %s: %w", name, err)
	}
	st := s.Statement
	switch {
	case m[1] != st.Unit:
		return nil, fmt.Errorf("the seal %s is over the unit %s", name, st.Unit)
	case m[2] != strconv.Itoa(st.Number):
		return nil, fmt.Errorf("the seal %s has the number %d", name, st.Number)
	case m[3] != s.StatementDigest()[:8]:
		return nil, fmt.Errorf("the statement of the seal %s has another digest than its name says", name)
	case string(head[3]) != strconv.FormatInt(st.Sealed.Unix(), 10):
		return nil, fmt.Errorf("the seal %s carries another time than its statement", name)
	case string(head[1]) != st.Head:
		return nil, fmt.Errorf("the seal %s stands on another commit than its statement names", name)
	}
	if len(sig) == 0 {
		s.keyFlaw = errors.New("it is not signed")
	} else {
		s.key, s.keyFlaw = checkSignature(sig, payload, "git")
	}
	return s, nil
}

// readSeal reads a seal of a repository by the name of its tag.
func readSeal(r *gitstore.Repo, name string, hash object.Hash) (*Seal, error) {
	t, raw, err := r.Object(hash)
	if err != nil {
		return nil, err
	}
	if t != object.TypeTag {
		return nil, fmt.Errorf("the tag %s is not annotated, so it is no seal", name)
	}
	return parseSeal(name, hash, raw)
}

// Seals returns the seals of a unit in order, those of other benches among them.
func (l *Ledger) Seals(name string) ([]*Seal, error) {
	a, err := l.adoption(name)
	if err != nil {
		return nil, err
	}
	id, err := l.identity(name)
	if err != nil {
		return nil, err
	}
	refs, err := l.repo.Refs(tagRefs + sealTags + name + "/")
	if err != nil {
		return nil, err
	}
	if a != nil {
		for _, tag := range a.Seals {
			h, ok, err := l.repo.Ref(tagRefs + tag)
			if err != nil {
				return nil, err
			}
			if !ok {
				return nil, &UsageError{fmt.Sprintf("the seal %s of %s is not in this copy", tag, name),
					"fetch it: git fetch REMOTE " + tagRefs + tag + ":" + tagRefs + tag}
			}
			refs[tagRefs+tag] = h
		}
	}
	var out []*Seal
	for _, ref := range slices.Sorted(maps.Keys(refs)) {
		s, err := readSeal(l.repo, strings.TrimPrefix(ref, tagRefs), refs[ref])
		if err != nil {
			return nil, err
		}
		// A unit that came in under another name has its seals under the old one,
		// which may be the name of another unit here.
		if id == "" || s.Statement.UUID == id {
			out = append(out, s)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Statement.Number < out[j].Statement.Number })
	out, _ = sealChain(out)
	for i, s := range out {
		if s.Statement.Number != i+1 {
			return nil, &UsageError{fmt.Sprintf("%s: the seals do not count up from 1: %s stands where number %d should", name, s.Name, i+1),
				"fetch the missing ones with git, and delete none: a buyer may hold them"}
		}
	}
	return out, nil
}

// identity is the UUID of a unit as its branch has it, else its folder; "" where
// neither says.
func (l *Ledger) identity(name string) (string, error) {
	data, err := l.branchFile(name, "instrument.toml")
	if err == nil && data == nil {
		if data, err = l.read(unitDir(name) + "/instrument.toml"); errors.Is(err, fs.ErrNotExist) {
			return "", nil
		}
	}
	if err != nil {
		return "", err
	}
	if i, _ := schema.Decode[schema.Instrument]("instrument.toml", data); i != nil {
		return i.UUID, nil
	}
	return "", nil
}

// branchFile reads a file of a unit's own history as it stands there; nil where
// there is none.
func (l *Ledger) branchFile(name, file string) ([]byte, error) {
	head, ok, err := l.repo.Ref(unitRef(name))
	if err != nil || !ok {
		return nil, err
	}
	tree, err := l.branchTree(head)
	if err != nil {
		return nil, err
	}
	data, ok, err := l.blobAt(tree, file)
	if err != nil || !ok {
		return nil, err
	}
	return data, nil
}

// sealChain parts seals, in order of number, into the chain that counts and those
// that two benches made beside it: of several with one number, the one the next
// builds on, and at the end the one made first.
func sealChain(all []*Seal) (chain, beside []*Seal) {
	for len(all) > 0 {
		n := all[len(all)-1].Statement.Number
		from := len(all)
		for from > 0 && all[from-1].Statement.Number == n {
			from--
		}
		best := all[from]
		for _, s := range all[from:] {
			before := s.Statement.Sealed.Before(best.Statement.Sealed) ||
				s.Statement.Sealed.Equal(best.Statement.Sealed) && s.Name < best.Name
			if before {
				best = s
			}
		}
		if len(chain) > 0 {
			for _, s := range all[from:] {
				if s.Digest == chain[0].Statement.Previous {
					best = s
				}
			}
		}
		for _, s := range all[from:] {
			if s != best {
				beside = append(beside, s)
			}
		}
		chain = append([]*Seal{best}, chain...)
		all = all[:from]
	}
	return chain, beside
}

// SealOptions are what somebody decided about a seal.
type SealOptions struct {
	UnsignedHistory bool // take commits without a signature
}

// SealResult is a seal that was made.
type SealResult struct {
	Unit     string    `json:"unit"`
	UUID     string    `json:"uuid"`
	Tag      string    `json:"tag"`
	Number   int       `json:"number"`
	Head     string    `json:"head"`
	Digest   string    `json:"statementDigest"`
	QR       string    `json:"qr"`
	SignedBy string    `json:"signedBy"`
	Objects  int       `json:"objects"`
	Unsigned int       `json:"unsignedCommits"`
	Sealed   time.Time `json:"sealed"`
	DryRun   bool      `json:"dryRun,omitempty"`
}

// Seal signs a statement over a unit's whole history. It refuses what is not
// closed, what has errors, and a history without signatures: a seal over it
// would vouch for work nobody signed.
// Errors: *UsageError, *ProblemsError, *UnsavedError, *gitstore.SignerError.
func (l *Ledger) Seal(name string, o SealOptions) (SealResult, error) {
	res := SealResult{Unit: name, DryRun: l.opt.DryRun}
	signer, err := l.proofSigner()
	if err != nil {
		return res, err
	}
	stock, err := l.Stock()
	if err != nil {
		return res, err
	}
	_, err = l.update(func(w *writer) error {
		st, unsigned, err := l.statement(name, stock, o)
		if err != nil {
			return err
		}
		text := st.Encode()
		if _, err := ParseStatement(text); err != nil {
			return fmt.Errorf("the statement would not be read again: %w", err)
		}
		committer, _, err := l.unitIdents()
		if err != nil {
			return err
		}
		committer.When = st.Sealed
		tag := fmt.Sprintf("%s%s/%d-%s", sealTags, name, st.Number, Digest(text)[:8])
		hash, err := w.tx.WriteTag(gitstore.TagSpec{Object: object.NewHash(st.Head), Type: object.TypeCommit, Name: tag,
			Tagger: committer, Message: string(text), Sign: signer})
		if err != nil {
			return err
		}
		s, err := readSeal(l.repo, tag, hash)
		if err != nil {
			return fmt.Errorf("the seal would not be read again: %w", err)
		}
		if s.keyFlaw != nil {
			return &gitstore.SignerError{Key: Fingerprint(signer.PublicKey()), Reason: "its signature does not hold", Err: s.keyFlaw}
		}
		res.UUID, res.Tag, res.Number, res.Head, res.Digest = st.UUID, tag, st.Number, st.Head, s.StatementDigest()
		res.QR, res.SignedBy, res.Objects, res.Unsigned, res.Sealed = s.QR(), Fingerprint(signer.PublicKey()), st.Objects, unsigned, st.Sealed
		w.units = append(w.units, gitstore.RefUpdate{Name: tagRefs + tag, New: hash})
		// No file changes. But a tag that is deleted leaves no trace of its own, and a
		// buyer may hold what it sealed.
		w.subject = fmt.Sprintf("seal %s, number %d", name, st.Number)
		w.trailers = append(w.trailers, trailer{sealTrailer, tag + " " + hash.String()})
		w.marker = true
		return nil
	})
	return res, err
}

// sealTrailer is in the commit on main that made a seal: its value is the tag and
// the tag object.
const sealTrailer = "Seal"

// sealsMade are the seals that a commit on main made.
func sealsMade(msg string) map[string]object.Hash {
	out := map[string]object.Hash{}
	for _, t := range trailersOf(msg) {
		tag, hash, ok := strings.Cut(t.value, " ")
		if t.key == sealTrailer && ok && object.IsHash(hash) && sealForm.MatchString(tag) {
			out[tag] = object.NewHash(hash)
		}
	}
	return out
}

// proofSigner is the key seals and packets are signed with.
func (l *Ledger) proofSigner() (gitstore.Signer, error) {
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	s, err := gitstore.LoadSigner(cfg, l.opt.Passphrase)
	if err != nil {
		return nil, err
	}
	if err := checkKey(s.PublicKey()); err != nil {
		return nil, &gitstore.SignerError{Key: Fingerprint(s.PublicKey()), Reason: err.Error() + "; make one with `ssh-keygen -t ed25519`"}
	}
	trust, err := l.Trust()
	if err != nil {
		return nil, err
	}
	if trust.Revoked.has(s.PublicKey()) {
		return nil, &gitstore.SignerError{Key: Fingerprint(s.PublicKey()), Reason: "it is revoked; choose another with `git config user.signingkey`"}
	}
	return s, nil
}

// withLock runs fn under the ledger's lock.
func (l *Ledger) withLock(fn func(tx *gitstore.Tx) error) error {
	tx, err := l.repo.Lock(context.Background(), l.opt.Wait)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	l.Recovered = tx.Recovered
	l.wrote = !l.opt.DryRun
	return fn(tx)
}

// statement says what a seal made now would say, and how many commits of the
// history are not signed.
func (l *Ledger) statement(name string, stock *Stock, o SealOptions) (*Statement, int, error) {
	head, loaded, err := l.sealable(name, stock)
	if err != nil {
		return nil, 0, err
	}
	chain, err := l.Seals(name)
	if err != nil {
		return nil, 0, err
	}
	st := &Statement{Format: schema.Format, Kind: "seal", Unit: name, UUID: loaded.Instrument.UUID, Number: len(chain) + 1,
		Head: head.String(), Sealed: l.opt.Now().Truncate(time.Second), Files: map[string]string{}}
	if n := len(chain); n > 0 {
		last := chain[n-1]
		if st.Previous = last.Digest; last.Statement.Head == st.Head {
			return nil, 0, &UsageError{fmt.Sprintf("%s is sealed already: %s stands on the last commit of its history", name, last.Name),
				"hand it over with: benchlore handover " + name}
		}
		if !st.Sealed.After(last.Statement.Sealed) {
			return nil, 0, &UsageError{fmt.Sprintf("the last seal of %s is dated %s, and now it is %s", name,
				last.Statement.Sealed.Format(time.RFC3339), st.Sealed.Format(time.RFC3339)), "set the clock of this computer"}
		}
		if ok, err := l.repo.IsAncestor(object.NewHash(last.Statement.Head), head); err != nil {
			return nil, 0, err
		} else if !ok {
			return nil, 0, &UsageError{fmt.Sprintf("the history of %s does not continue what %s sealed", name, last.Name),
				"somebody rewrote the branch: put it back with git branch -f unit/" + name + " " + last.Statement.Head[:10]}
		}
	}
	objects, err := reachableObjects(l.repo, head)
	if err != nil {
		return nil, 0, err
	}
	st.Objects, st.ObjectsSHA256 = digestObjects(objects, digests{})
	root, unsigned, err := l.signedHistory(name, objects, o)
	if err != nil {
		return nil, 0, err
	}
	st.Root = root.String()
	tree, err := l.branchTree(head)
	if err != nil {
		return nil, 0, err
	}
	if st.Files, err = digestFiles(l.repo, tree); err != nil {
		return nil, 0, err
	}
	own := map[string][]byte{}
	for p, data := range loaded.Files {
		if loaded.Unit.Elsewhere[recordName(p)] == nil {
			own[p] = data
		}
	}
	st.tell(l.Shop, stock, own, loaded.Files)
	if st.Rotations, err = l.rotations(); err != nil {
		return nil, 0, err
	}
	return st, unsigned, nil
}

// sealable returns the head of a unit whose records are all closed and clean.
func (l *Ledger) sealable(name string, stock *Stock) (object.Hash, *Loaded, error) {
	var none object.Hash
	if l.repo.Shallow || l.repo.Partial {
		return none, nil, l.partOnly("seal")
	}
	main, tree, err := l.mainTree()
	if err != nil {
		return none, nil, err
	}
	if err := l.unsaved(tree, unitDir(name)); err != nil {
		return none, nil, err
	}
	p, err := l.past(name, main)
	if err != nil {
		return none, nil, err
	}
	want, have, err := l.branch(name, p)
	switch {
	case err != nil:
		return none, nil, err
	case want.IsZero():
		return none, nil, &UsageError{name + " was never closed, so it has no history to seal", "close the job first: benchlore close " + name}
	case want != have:
		return none, nil, &UsageError{name + ": its branch is behind what was closed on main", "run: benchlore save"}
	}
	branch, err := l.branchTree(have)
	if err != nil {
		return none, nil, err
	}
	sub, _, err := l.repo.TreeAt(tree, unitDir(name))
	if err != nil {
		return none, nil, err
	}
	if sub.Hash != branch {
		diff, err := l.repo.DiffTrees(branch, sub.Hash)
		if err != nil {
			return none, nil, err
		}
		var files []string
		for _, d := range diff {
			files = append(files, d.Path)
		}
		return none, nil, &UsageError{fmt.Sprintf("%s has what is not closed yet: %s", name, strings.Join(files, ", ")),
			"close it first: benchlore close " + name}
	}
	loaded, err := l.Unit(name, stock)
	if err != nil {
		return none, nil, err
	}
	conflicts, err := l.conflictProblems(name)
	if err != nil {
		return none, nil, err
	}
	loaded.Problems = append(loaded.Problems, conflicts...)
	if n, _ := schema.Count(loaded.Problems); n > 0 {
		return none, nil, &ProblemsError{name + " cannot be sealed", loaded.Problems}
	}
	return have, loaded, nil
}

func (l *Ledger) branchTree(head object.Hash) (object.Hash, error) {
	c, err := l.repo.Commit(head)
	if err != nil {
		return object.ZeroHash, err
	}
	return c.Tree, nil
}

// signedHistory checks the signatures of a history about to be sealed and
// returns its first commit.
func (l *Ledger) signedHistory(name string, objects objectSet, o SealOptions) (root object.Hash, unsigned int, err error) {
	var first string
	for _, h := range packOrder(objects) {
		obj := objects[h]
		if obj.Type != object.TypeCommit {
			continue
		}
		c, err := parseCommit(obj.Data)
		if err != nil {
			return root, 0, fmt.Errorf("commit %s: %w", h, err)
		}
		if len(c.parents) == 0 {
			if !root.IsZero() {
				return root, 0, fmt.Errorf("%s: its history has two first commits, %s and %s", name, root, h)
			}
			root = h
		}
		switch c.check(); {
		case !c.signed():
			unsigned++
			first = h.String()
		case c.flaw != nil:
			return root, 0, &UsageError{fmt.Sprintf("%s: the signature of commit %s does not hold: %v", name, h.String()[:10], c.flaw),
				"a history that was tampered with is not sealed; compare it with a copy: git fetch REMOTE " + unitRef(name)}
		}
	}
	if unsigned > 0 && !o.UnsignedHistory {
		return root, 0, &UsageError{fmt.Sprintf("%s: %d of its commits are not signed, such as %s; a buyer could not tell that this bench made them", name, unsigned, first[:10]),
			"set git's signing key before the next close, and seal what is there with --unsigned-history: it fixes the history from today on, and says that it was not signed"}
	}
	return root, unsigned, nil
}

// reachableObjects reads everything a commit reaches.
func reachableObjects(r *gitstore.Repo, head object.Hash) (objectSet, error) {
	out := objectSet{}
	queue := []object.Hash{head}
	for len(queue) > 0 {
		h := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		if _, ok := out[h]; ok {
			continue
		}
		t, data, err := r.Object(h)
		if err != nil {
			return nil, err
		}
		o := object.Object{Type: t, Data: data}
		out[h] = o
		links, err := linksOf(o)
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", t, h, err)
		}
		queue = append(queue, links...)
	}
	return out, nil
}

// digestObjects takes the SHA-256 over one line for each object, in order of
// name. What rests on SHA-1 alone rests on this as well.
func digestObjects(objects objectSet, known digests) (int, string) {
	names := slices.SortedFunc(maps.Keys(objects), func(a, b object.Hash) int { return bytes.Compare(a[:], b[:]) })
	sum := sha256.New()
	for _, h := range names {
		line, ok := known[h]
		if !ok {
			line = fmt.Sprintf("%s %s %s\n", h, objects[h].Type, Digest(objects[h].Data))
			known[h] = line
		}
		io.WriteString(sum, line)
	}
	return len(names), hex.EncodeToString(sum.Sum(nil))
}

// digests keeps the lines of objects whose digest was taken already: the seals
// of a chain stand over the same ones.
type digests map[object.Hash]string

// digestFiles takes the SHA-256 of every file of a tree.
func digestFiles(r *gitstore.Repo, tree object.Hash) (map[string]string, error) {
	files, err := r.DiffTrees(object.ZeroHash, tree)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, f := range files {
		data, err := r.Blob(f.New.Hash)
		if err != nil {
			return nil, err
		}
		out[f.Path] = Digest(data)
	}
	return out, nil
}

// linksOf lists the objects an object names.
func linksOf(o object.Object) ([]object.Hash, error) {
	switch o.Type {
	case object.TypeCommit:
		c, err := parseCommit(o.Data)
		if err != nil {
			return nil, err
		}
		return append([]object.Hash{c.tree}, c.parents...), nil
	case object.TypeTree:
		entries, err := parseTree(o.Data)
		var out []object.Hash
		for _, e := range entries {
			out = append(out, e.hash)
		}
		return out, err
	case object.TypeTag:
		m := tagForm.FindSubmatch(o.Data)
		if m == nil {
			return nil, errors.New("it is not written as a seal is")
		}
		return []object.Hash{object.NewHash(string(m[1]))}, nil
	}
	return nil, nil
}

// rawCommit is a commit read from its bytes, nothing left out.
type rawCommit struct {
	tree      object.Hash
	parents   []object.Hash
	author    string // name and address
	committer string
	when      time.Time // committer's
	message   string
	sig       []byte
	key       ssh.PublicKey // of a signature that holds
	flaw      error         // why a signature does not
	payload   []byte        // what is signed
}

// signed reports whether the commit carries an SSH signature, good or bad.
func (c *rawCommit) signed() bool { return bytes.HasPrefix(c.sig, []byte(sigMark)) }

var commitForm = regexp.MustCompile(`^tree ([0-9a-f]{40})\n((?:parent [0-9a-f]{40}\n)*)author ([^\n<>]+ <[^\n<>]*>) [0-9]{1,12} [+-][0-9]{4}\ncommitter ([^\n<>]+ <[^\n<>]*>) ([0-9]{1,12}) ([+-][0-9]{4})\n\n`)

// parseCommit reads a commit; [rawCommit.check] checks its signature. It must be
// written as ours are: other header lines could say what no report shows.
func parseCommit(raw []byte) (*rawCommit, error) {
	payload, sig, err := splitCommit(raw)
	if err != nil {
		return nil, err
	}
	m := commitForm.FindSubmatch(payload)
	if m == nil {
		return nil, errors.New("it is not written as a commit of a unit's history is")
	}
	c := &rawCommit{tree: object.NewHash(string(m[1])), author: string(m[3]), committer: string(m[4]), message: string(payload[len(m[0]):]), sig: sig, payload: payload}
	for _, line := range strings.Fields(strings.ReplaceAll(string(m[2]), "parent ", "")) {
		c.parents = append(c.parents, object.NewHash(line))
	}
	seconds, err := strconv.ParseInt(string(m[5]), 10, 64)
	if err != nil {
		return nil, err
	}
	zone, err := time.Parse("-0700", string(m[6]))
	if err != nil {
		return nil, errors.New("its time zone is none")
	}
	c.when = time.Unix(seconds, 0).In(zone.Location())
	return c, nil
}

// check checks the signature: afterwards the commit has its key, or a flaw, or
// neither where it carries none.
func (c *rawCommit) check() *rawCommit {
	if c.signed() && c.key == nil && c.flaw == nil {
		c.key, c.flaw = checkSignature(c.sig, c.payload, "git")
	}
	return c
}

// rawEntry is one entry of a tree, read from its bytes.
type rawEntry struct {
	mode string
	name string
	hash object.Hash
}

func parseTree(raw []byte) ([]rawEntry, error) {
	var out []rawEntry
	for len(raw) > 0 {
		head, rest, ok := bytes.Cut(raw, []byte{0})
		mode, name, ok2 := strings.Cut(string(head), " ")
		if !ok || !ok2 || len(rest) < 20 {
			return nil, errors.New("it cannot be read as a folder")
		}
		e := rawEntry{mode: mode, name: name}
		copy(e.hash[:], rest)
		out = append(out, e)
		raw = rest[20:]
	}
	return out, nil
}

// recordName is the name records have for one another: the file's, without
// .toml.
func recordName(p string) string {
	return strings.TrimSuffix(p[strings.LastIndexByte(p, '/')+1:], ".toml")
}
