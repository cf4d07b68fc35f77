package ledger

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/sshkey"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// tagRefs is where git keeps tags, sealTags where the seals among them are.
const (
	tagRefs  = proof.TagRefs
	sealTags = proof.SealTags
)

func (l *Ledger) objects() objectsOf { return objectsOf{l.repo} }

// readSeal reads a seal of a repository by the name of its tag.
func readSeal(r *gitstore.Repo, name string, hash object.Hash) (*proof.Seal, error) {
	t, raw, err := r.Object(hash)
	if err != nil {
		return nil, err
	}
	if t != object.TypeTag {
		return nil, fmt.Errorf("the tag %s is not annotated, so it is not a seal", name)
	}
	return proof.ParseSeal(name, object.Hash(hash), raw)
}

// Seals returns the seals of a unit in order, those of other benches among them.
func (l *Ledger) Seals(name string) ([]*proof.Seal, error) {
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
	var out []*proof.Seal
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
	out = proof.Order(out)
	here := map[string]bool{}
	for _, s := range out {
		here[s.Digest] = true
	}
	for _, s := range out {
		for _, d := range s.Statement.Supersedes {
			if !here[d] {
				return nil, &UsageError{fmt.Sprintf("%s: %s names an earlier seal that is not in this copy, with the digest %.16s", name, s.Name, d),
					"fetch the missing ones with git, and delete none: a buyer may hold them"}
			}
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

// SealOptions are what somebody decided about a seal.
type SealOptions struct {
	UnsignedHistory bool // take commits without a signature
}

// SealResult is a seal that was made.
type SealResult struct {
	Unit     string `json:"unit"`
	UUID     string `json:"uuid"`
	Tag      string `json:"tag"`
	Number   int    `json:"number"`
	Head     string `json:"head"`
	Digest   string `json:"statementDigest"`
	QR       string `json:"qr"`
	SignedBy string `json:"signedBy"`
	Objects  int    `json:"objects"`
	Short    string `json:"short"` // number and eight digits, to compare by telephone
	Unsigned int    `json:"unsignedCommits"`
	// KeyChange says how this seal's key came after that of this shop's last one;
	// "" where it is the same key, or the first seal.
	KeyChange proof.KeyChange `json:"keyChange,omitempty"`
	Sealed    time.Time       `json:"sealed"`
	DryRun    bool            `json:"dryRun,omitempty"`
}

// Seal signs a statement over a unit's whole history. It refuses what is not
// closed, what has errors, and a history without signatures: a seal over it
// would vouch for work nobody signed.
// Errors: *UsageError, *ProblemsError, *UnsavedError, *sshkey.Error.
func (l *Ledger) Seal(name string, o SealOptions) (SealResult, error) {
	res := SealResult{Unit: name, DryRun: l.opt.DryRun}
	signer, err := l.proofSigner()
	if err != nil {
		return res, err
	}
	stock, err := l.Catalog()
	if err != nil {
		return res, err
	}
	_, err = l.update(func(w *writer) error {
		st, unsigned, err := l.statement(name, stock, signer, o)
		if err != nil {
			return err
		}
		text := st.Encode()
		if _, err := proof.ParseStatement(text); err != nil {
			return fmt.Errorf("the statement would not be read again: %w", err)
		}
		committer, _, err := l.unitIdents()
		if err != nil {
			return err
		}
		committer.When = st.Sealed
		tag := proof.SealTag(st, text)
		hash, err := w.tx.WriteTag(gitstore.TagSpec{Object: object.NewHash(st.Head), Type: object.TypeCommit, Name: tag,
			Tagger: committer, Message: string(text), Sign: signer})
		if err != nil {
			return err
		}
		s, err := readSeal(l.repo, tag, hash)
		if err != nil {
			return fmt.Errorf("the seal would not be read again: %w", err)
		}
		if _, err := s.Key(); err != nil {
			return &sshkey.Error{Key: gitobj.Fingerprint(signer.PublicKey()), Reason: "its signature does not hold", Err: err}
		}
		if res.KeyChange, err = l.keyChange(name, s); err != nil {
			return err
		}
		res.UUID, res.Tag, res.Number, res.Head, res.Digest = st.UUID, tag, st.Number, st.Head, s.StatementDigest()
		res.Short = s.Short()
		res.QR, res.SignedBy, res.Objects, res.Unsigned, res.Sealed = s.QR(), gitobj.Fingerprint(signer.PublicKey()), st.Objects, unsigned, st.Sealed
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
		if t.key == sealTrailer && ok && object.IsHash(hash) && proof.SealForm.MatchString(tag) {
			out[tag] = object.NewHash(hash)
		}
	}
	return out
}

// proofSigner is the key seals and packets are signed with.
func (l *Ledger) proofSigner() (sshkey.Signer, error) {
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	s, err := sshkey.Load(cfg, l.opt.Passphrase)
	if err != nil {
		return nil, err
	}
	if err := gitobj.CheckKey(s.PublicKey()); err != nil {
		return nil, &sshkey.Error{Key: gitobj.Fingerprint(s.PublicKey()), Reason: err.Error() + "; make one with `ssh-keygen -t ed25519`"}
	}
	trust, err := l.Trust()
	if err != nil {
		return nil, err
	}
	if trust.Revoked.Has(s.PublicKey()) {
		return nil, &sshkey.Error{Key: gitobj.Fingerprint(s.PublicKey()), Reason: "it is revoked; choose another with `git config user.signingkey`"}
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

// keyChange says how a seal's key came after that of this shop's seal before it.
func (l *Ledger) keyChange(name string, s *proof.Seal) (proof.KeyChange, error) {
	chain, err := l.Seals(name)
	if err != nil {
		return "", err
	}
	a, err := l.adoption(name)
	if err != nil {
		return "", err
	}
	for _, older := range slices.Backward(chain) {
		if older.Digest != s.Digest && (a == nil || !slices.Contains(a.Seals, older.Name)) {
			return proof.ChangeOfKey(older, s, append(slices.Clone(chain), s)), nil
		}
	}
	return "", nil
}

// statement says what a seal made now would say, and how many commits of the
// history are not signed.
func (l *Ledger) statement(name string, stock *Catalog, signer sshkey.Signer, o SealOptions) (*proof.Statement, int, error) {
	head, loaded, err := l.sealable(name, stock)
	if err != nil {
		return nil, 0, err
	}
	chain, err := l.Seals(name)
	if err != nil {
		return nil, 0, err
	}
	st := &proof.Statement{Format: proof.FormatStatement, Kind: "seal", Unit: name, UUID: loaded.Instrument.UUID, Number: 1,
		Head: head.String(), Sealed: l.opt.Now().Truncate(time.Second)}
	var before []object.Hash
	tips := proof.Tips(chain)
	for _, s := range tips {
		if len(tips) == 1 && s.Statement.Head == st.Head {
			return nil, 0, &UsageError{fmt.Sprintf("%s is sealed already: %s stands on the last commit of its history", name, s.Name),
				"hand it over with: benchlore handover " + name}
		}
		if ok, err := l.repo.IsAncestor(object.Hash(s.Head()), head); err != nil {
			return nil, 0, err
		} else if !ok {
			return nil, 0, &UsageError{fmt.Sprintf("the history of %s does not continue what %s sealed", name, s.Name),
				"somebody rewrote the branch: put it back with git branch -f unit/" + name + " " + s.Statement.Head[:10]}
		}
		st.Supersedes = append(st.Supersedes, s.Digest)
		st.Number = max(st.Number, s.Statement.Number+1)
		before = append(before, s.Head())
	}
	slices.Sort(st.Supersedes)
	if chain == nil {
		chain = []*proof.Seal{}
	}
	if err := l.onlyGrows(name, "", head, chain); err != nil {
		return nil, 0, err
	}
	objects, err := proof.Reach(l.objects(), object.Hash(head))
	if err != nil {
		return nil, 0, err
	}
	if err := proof.CheckLimits(objects); err != nil {
		return nil, 0, err
	}
	if st.Objects, st.ObjectsSHA256, err = proof.SealedObjects(objects, object.Hash(head), before); err != nil {
		return nil, 0, err
	}
	root, unsigned, keys, err := l.signedHistory(name, objects, object.Hash(head), before, o)
	if err != nil {
		return nil, 0, err
	}
	st.Root = root.String()
	if st.Files, err = proof.SealedFiles(objects, object.Hash(head)); err != nil {
		return nil, 0, err
	}
	own := map[string][]byte{}
	for p, data := range loaded.Files {
		if loaded.Unit.Elsewhere[recordName(p)] == nil {
			own[p] = data
		}
	}
	st.Tell(l.Shop, stock.Families, stock.Lots, own, loaded.Files)
	if st.Rotations, err = l.rotations(); err != nil {
		return nil, 0, err
	}
	st.Shop.Keys, err = l.shopKeys(signer, keys, chain, st.Rotations)
	return st, unsigned, err
}

// shopKeys are the keys a seal lists as this shop's: the one it is signed with,
// those that rotations of this shop lead to, and those of signers that signed what
// this seal covers first, and are not known as another bench's.
func (l *Ledger) shopKeys(signer sshkey.Signer, signed []string, chain []*proof.Seal, rotations []proof.SignedRotation) ([]string, error) {
	trust, err := l.Trust()
	if err != nil {
		return nil, err
	}
	listed := map[string]bool{}
	for _, s := range trust.Signers {
		for _, x := range s.Lines {
			listed[gitobj.Authorized(x.Key)] = true
		}
	}
	own := map[string]bool{gitobj.Authorized(gitobj.BareKey(signer.PublicKey())): true}
	for i := range rotations {
		r, err := rotations[i].Check()
		if err != nil {
			return nil, err
		}
		own[r.Old], own[r.New] = true, true
	}
	others := map[string]bool{}
	for _, s := range chain {
		for _, k := range s.Statement.Shop.Keys {
			others[k] = true
		}
	}
	for _, k := range signed {
		if listed[k] && !others[k] {
			own[k] = true
		}
	}
	for k := range own {
		key, err := gitobj.ParseKey(k)
		if err != nil || trust.Revoked.Has(key) {
			delete(own, k)
		}
	}
	return slices.Sorted(maps.Keys(own)), nil
}

// sealable returns the head of a unit whose records are all closed and clean.
func (l *Ledger) sealable(name string, stock *Catalog) (object.Hash, *Loaded, error) {
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
	for i, p := range loaded.Problems {
		loaded.Problems[i] = closedAhead(p) // all of it is closed
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

// signedHistory checks the signatures of a history about to be sealed, and whether
// it only grew. It returns its first commit, and of what no seal before covers how
// much is not signed, and the keys that signed the rest.
func (l *Ledger) signedHistory(name string, objects gitobj.Set, head object.Hash, before []object.Hash, o SealOptions) (root object.Hash, unsigned int, keys []string, err error) {
	order, err := proof.Log(objects, head)
	if err != nil {
		return root, 0, nil, err
	}
	root = order[0]
	covered := map[object.Hash]bool{}
	for _, b := range before {
		old, err := proof.Log(objects, b)
		if err != nil {
			return root, 0, nil, err
		}
		for _, id := range old {
			covered[id] = true
		}
	}
	var first object.Hash
	seen := map[string]bool{}
	for _, id := range order {
		c, err := gitobj.ReadCommit(objects, id)
		if err != nil {
			return root, 0, nil, fmt.Errorf("commit %s: %w", id, err)
		}
		key, err := c.Key()
		switch {
		case err != nil:
			return root, 0, nil, &UsageError{fmt.Sprintf("%s: the signature of commit %.10s does not hold: %v", name, id, err),
				"a history that was tampered with is not sealed; compare it with a copy: git fetch REMOTE " + unitRef(name)}
		case covered[id]:
			// An earlier seal vouches for it, signed or not.
		case key == nil:
			if unsigned++; unsigned == 1 {
				first = id
			}
		default:
			seen[gitobj.Authorized(gitobj.BareKey(key))] = true
		}
	}
	if unsigned > 0 && !o.UnsignedHistory {
		return root, 0, nil, &UsageError{fmt.Sprintf("%s: %d of its commits that no seal covers yet are not signed, such as %.10s; a buyer could not tell that this bench made them", name, unsigned, first),
			"set git's signing key before the next close, and seal what is there with --unsigned-history: it fixes the history from today on, and says that it was not signed"}
	}
	return root, unsigned, slices.Sorted(maps.Keys(seen)), nil
}

// recordName is the name records have for one another: the file's, without
// .toml.
func recordName(p string) string {
	return strings.TrimSuffix(p[strings.LastIndexByte(p, '/')+1:], ".toml")
}
