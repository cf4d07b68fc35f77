package ledger

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/disclosure"
	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/sshkey"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// keysDir holds the shop's rotations of keys. They travel in seals.
const keysDir = "keys"

// checkTrustFile reads a file that says which keys count. save refuses one that
// would later make every check of a signature fail.
func checkTrustFile(p string, data []byte) []schema.Problem {
	var err error
	switch schema.ParsePath(p).Is {
	case schema.IsSigners:
		_, err = proof.ParseSigners(p, data)
	case schema.IsRevoked:
		_, err = proof.ParseRevoked(p, data)
	case schema.IsAdopted:
		_, err = parseAdoption(p, data)
	default:
		_, err = proof.ParseRotation(data)
	}
	if err == nil {
		return nil
	}
	var problems *ProblemsError
	if errors.As(err, &problems) {
		return problems.Problems
	}
	return []schema.Problem{{File: p, Severity: schema.Unreadable, Message: err.Error(), Write: hintOf(err)}}
}

// rotations reads the shop's rotations, oldest first.
func (l *Ledger) rotations() ([]proof.SignedRotation, error) {
	names, err := l.tomlNames(keysDir)
	if err != nil {
		return nil, err
	}
	var out []proof.SignedRotation
	for _, n := range names {
		p := keysDir + "/" + n + ".toml"
		data, err := l.read(p)
		if err != nil {
			return nil, err
		}
		r, err := proof.ParseRotation(data)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p, err)
		}
		out = append(out, *r)
	}
	return out, nil
}

// Trust is what this ledger, and git where it works, know of keys: signers and
// revoked of the ledger, gpg.ssh.allowedSignersFile and gpg.ssh.revocationFile.
func (l *Ledger) Trust() (*proof.Trust, error) {
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	t, err := trustOf(cfg)
	if err != nil {
		return nil, err
	}
	if data, err := l.read("signers"); err == nil {
		s, err := proof.ParseSigners("signers", data)
		if err != nil {
			return nil, err
		}
		if s.Where, err = filepath.Abs(l.Dir); err != nil {
			return nil, err
		}
		t.Signers = append(t.Signers, s)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if data, err := l.read("revoked"); err == nil {
		r, err := proof.ParseRevoked("revoked", data)
		if err != nil {
			return nil, err
		}
		for k := range r {
			t.Revoked[k] = true
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return t, nil
}

func trustOf(cfg *config.Config) (*proof.Trust, error) {
	t := &proof.Trust{Revoked: proof.Revoked{}}
	file, err := cfg.AllowedSigners()
	if err != nil {
		return nil, err
	}
	if file != "" {
		data, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("gpg.ssh.allowedSignersFile: %w", err)
		}
		s, err := proof.ParseSigners(file, data)
		if err != nil {
			return nil, err
		}
		t.Signers = append(t.Signers, s)
	}
	if file, err = cfg.Revoked(); err != nil || file == "" {
		return t, err
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("gpg.ssh.revocationFile: %w", err)
	}
	t.Revoked, err = proof.ParseRevoked(file, data)
	return t, err
}

// KeyEntry is one key the ledger knows of.
type KeyEntry struct {
	Principals    string     `json:"principals"`
	Type          string     `json:"type"`
	Fingerprint   string     `json:"fingerprint"`
	Namespaces    string     `json:"namespaces,omitempty"` // "": all
	After         *time.Time `json:"validAfter,omitempty"`
	Before        *time.Time `json:"validBefore,omitempty"`
	CertAuthority bool       `json:"certAuthority,omitempty"`
	Revoked       bool       `json:"revoked,omitempty"`
	Own           bool       `json:"own,omitempty"` // the one this copy signs with
	RotatedTo     string     `json:"rotatedTo,omitempty"`
	File          string     `json:"file"`
}

// Keys lists the keys whose signatures count here, those of git's own
// configuration among them.
func (l *Ledger) Keys() ([]KeyEntry, error) {
	t, err := l.Trust()
	if err != nil {
		return nil, err
	}
	rotated := map[string]string{}
	rotations, err := l.rotations()
	if err != nil {
		return nil, err
	}
	for i := range rotations {
		r, err := rotations[i].Check()
		if err != nil {
			return nil, err
		}
		from, _ := gitobj.ParseKey(r.Old)
		to, _ := gitobj.ParseKey(r.New)
		rotated[gitobj.Fingerprint(from)] = gitobj.Fingerprint(to)
	}
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	own := ""
	if key := sshkey.SigningKey(cfg); key != nil {
		own = gitobj.Fingerprint(key)
	}
	out := []KeyEntry{}
	listed := map[string]bool{}
	for _, s := range t.Signers {
		for _, x := range s.Lines {
			f := gitobj.Fingerprint(x.Key)
			listed[f] = true
			k := KeyEntry{Principals: x.Principals, Type: x.Key.Type(), Fingerprint: f, Namespaces: x.Namespaces, CertAuthority: x.CertAuthority,
				Revoked: t.Revoked.Has(x.Key), Own: f == own, RotatedTo: rotated[f], File: s.File}
			if !x.After.IsZero() {
				k.After = &x.After
			}
			if !x.Before.IsZero() {
				k.Before = &x.Before
			}
			out = append(out, k)
		}
	}
	for _, f := range slices.Sorted(func(yield func(string) bool) {
		for f := range t.Revoked {
			if !listed[f] && !yield(f) {
				return
			}
		}
	}) {
		out = append(out, KeyEntry{Fingerprint: f, Revoked: true, File: "revoked"})
	}
	return out, nil
}

// NewKey is a key to be accepted.
type NewKey struct {
	Principal     string // a mail address
	Key           string // as OpenSSH writes it, a comment may follow
	After, Before string // as in an allowed-signers file; "": without limit
	Namespaces    string // "": proof.OwnNamespaces
	CertAuthority bool
}

// AddKey puts a key on the list of those whose signatures count, with one
// commit.
func (l *Ledger) AddKey(k NewKey) (Result, error) {
	key, _, options, rest, err := ssh.ParseAuthorizedKey([]byte(k.Key))
	if err != nil || len(options) > 0 || len(strings.TrimSpace(string(rest))) > 0 {
		return Result{}, &UsageError{"this is not a public key", "name a file like id_ed25519.pub, or paste its one line"}
	}
	if err := gitobj.CheckKey(key); err != nil {
		return Result{}, &UsageError{fmt.Sprintf("the key is not accepted: %v", err), "ask for another; ssh-keygen -t ed25519 makes one"}
	}
	if err := checkPrincipal(k.Principal, k.CertAuthority); err != nil {
		return Result{}, err
	}
	if k.Namespaces == "" {
		k.Namespaces = proof.OwnNamespaces
	}
	line := k.Principal
	if k.CertAuthority {
		line += " cert-authority,"
	} else {
		line += " "
	}
	line += fmt.Sprintf("namespaces=%q", k.Namespaces)
	for _, o := range []struct{ name, value string }{{"valid-after", k.After}, {"valid-before", k.Before}} {
		if o.value != "" {
			line += fmt.Sprintf(",%s=%q", o.name, o.value)
		}
	}
	line += " " + gitobj.Authorized(key)
	if _, err := proof.ParseSigners("the new line", []byte(line)); err != nil {
		return Result{}, err
	}
	return l.update(func(w *writer) error {
		t, err := l.Trust()
		if err != nil {
			return err
		}
		if t.Revoked.Has(key) {
			return &UsageError{fmt.Sprintf("%s is revoked, and that stays", gitobj.Fingerprint(key)), "ask for a new key"}
		}
		for _, s := range t.Signers {
			for _, x := range s.Lines {
				if s.File == "signers" && x.Principals == k.Principal && gitobj.Authorized(x.Key) == gitobj.Authorized(key) {
					return &UsageError{fmt.Sprintf("signers line %d has this key already", x.Line), "edit that line and run benchlore save to change it"}
				}
			}
		}
		if err := w.appendLine("signers", line); err != nil {
			return err
		}
		w.subject = fmt.Sprintf("keys: %s signs with %s", k.Principal, gitobj.Fingerprint(key))
		return nil
	})
}

// Signing is a key this copy of the ledger signs with.
type Signing struct {
	File        string `json:"file"` // of the private key
	Fingerprint string `json:"fingerprint"`
	Result
}

// MakeKey makes a key pair for the shop, file and file.pub, neither of which may
// be there yet ("": benchlore-<shop> in .ssh of the home folder), and has this copy of the ledger sign with it, as [Ledger.SignWith]
// does. The file must lie outside the ledger: what is in there is copied and
// handed on. An empty passphrase leaves the private key unencrypted.
func (l *Ledger) MakeKey(file, principal string, passphrase []byte) (Signing, error) {
	if file == "" {
		home, err := os.UserHomeDir()
		if err != nil {
			return Signing{}, err
		}
		file = filepath.Join(home, ".ssh", "benchlore-"+cmp.Or(slugOf(l.Shop.Name), "shop"))
	}
	file, err := l.outside(file)
	if err != nil {
		return Signing{}, err
	}
	for _, name := range []string{file, file + ".pub"} {
		if _, err := os.Lstat(name); err == nil {
			return Signing{}, &UsageError{name + " is there already, and a key is never written over",
				"sign with it: benchlore keys use " + file + ", or name another file: --file FILE"}
		}
	}
	cfg, err := l.repo.Config()
	if err != nil {
		return Signing{}, err
	}
	if key := sshkey.SigningKey(cfg); key != nil {
		where, _ := cfg.Get("user.signingkey")
		return Signing{}, &UsageError{fmt.Sprintf("git signs with a key here already: %s, %s", gitobj.Fingerprint(key), where),
			"accept it here: benchlore keys use " + where + "; to pass on to a new key, see: benchlore keys rotate --help"}
	}
	if principal, err = l.principal(principal); err != nil {
		return Signing{}, err
	}
	if l.opt.DryRun {
		return Signing{File: file}, nil
	}
	if _, err := sshkey.WriteKey(file, principal, passphrase); err != nil {
		return Signing{}, err
	}
	return l.SignWith(file, principal)
}

// SignWith has git sign in this copy of the ledger with the key in file, private or
// public, and accepts the key in signers where it is not accepted yet, as that of
// the mail address principal; "" is whoever works here.
func (l *Ledger) SignWith(file, principal string) (Signing, error) {
	file, err := l.outside(file)
	if err != nil {
		return Signing{}, err
	}
	key, err := sshkey.PublicKey(file)
	if err != nil {
		return Signing{}, err
	}
	s := Signing{File: file, Fingerprint: gitobj.Fingerprint(key)}
	t, err := l.Trust()
	if err != nil {
		return s, err
	}
	listed := false
	for _, x := range t.Signers {
		for _, line := range x.Lines {
			listed = listed || x.File == "signers" && gitobj.Authorized(line.Key) == gitobj.Authorized(key)
		}
	}
	if !listed || t.Revoked.Has(key) {
		if principal, err = l.principal(principal); err != nil {
			return s, err
		}
		if s.Result, err = l.AddKey(NewKey{Principal: principal, Key: gitobj.Authorized(key)}); err != nil {
			return s, err
		}
	}
	if l.opt.DryRun {
		return s, nil
	}
	return s, l.repo.SetConfig(context.Background(), l.opt.Wait,
		config.Setting{Key: "gpg.format", Value: "ssh"}, config.Setting{Key: "user.signingkey", Value: filepath.ToSlash(file)})
}

// outside is the whole name of a file that must not lie in the ledger.
func (l *Ledger) outside(file string) (string, error) {
	file, err := filepath.Abs(file)
	if err != nil {
		return "", err
	}
	if gitstore.Inside(l.Dir, file) {
		return "", &UsageError{file + " lies in the ledger, which is copied and handed on", "keep the key in another folder, such as .ssh in your home folder"}
	}
	return file, nil
}

// principal is the mail address a key is accepted for.
func (l *Ledger) principal(mail string) (string, error) {
	var err error
	if mail == "" {
		if mail, err = l.UserEmail(); err != nil {
			return "", err
		}
	}
	if mail == "" {
		return "", &UsageError{"it is not clear whose key it is: git has no mail address for you", "add --for MAIL-ADDRESS"}
	}
	return mail, checkPrincipal(mail, false)
}

// checkPrincipal refuses what would be more, or less, than one name in an
// allowed-signers file. An authority vouches for many, so its may be a pattern.
func checkPrincipal(s string, authority bool) error {
	not := " \t\"#,*?!\r\n"
	if authority {
		not = " \t\"#\r\n"
	}
	if s == "" || strings.ContainsAny(s, not) || strings.ContainsFunc(s, proof.Hidden) {
		return &UsageError{fmt.Sprintf("%q does not say whose key it is", s), "write the mail address its commits carry"}
	}
	return nil
}

// appendLine adds a line to a file of the ledger's root.
func (w *writer) appendLine(p, line string) error {
	if err := w.l.unsaved(w.tree, p); err != nil {
		return err
	}
	data, _, err := w.committed(p)
	if err != nil {
		return err
	}
	if n := len(data); n > 0 && data[n-1] != '\n' {
		data = append(slices.Clip(data), '\n')
	}
	w.put(p, append(slices.Clip(data), line+"\n"...))
	return nil
}

// RevokeKey puts a key on the list of those that count no more, with one commit.
// The key is named by its fingerprint, or given whole. There is no way back: a
// signature made after a theft can carry any date.
func (l *Ledger) RevokeKey(k, reason string) (Result, error) {
	line := strings.TrimSpace(k)
	f := line
	if key, _, _, _, err := ssh.ParseAuthorizedKey([]byte(line)); err == nil {
		line, f = gitobj.Authorized(key), gitobj.Fingerprint(key)
	} else if err := proof.CheckFingerprint(line); err != nil {
		return Result{}, err
	}
	if strings.ContainsFunc(reason, func(r rune) bool { return proof.Hidden(r) || r == '\n' }) {
		return Result{}, &UsageError{"the reason holds a line break or a hidden character", "write one plain line"}
	}
	return l.update(func(w *writer) error {
		t, err := l.Trust()
		if err != nil {
			return err
		}
		if t.Revoked[f] {
			return &UsageError{f + " is revoked already", "see: benchlore keys"}
		}
		// Whole, where the key is known: ssh-keygen reads keys in such a list, and
		// no fingerprints.
		for _, s := range t.Signers {
			for _, x := range s.Lines {
				if gitobj.Fingerprint(x.Key) == f {
					line = gitobj.Authorized(x.Key)
				}
			}
		}
		if reason != "" {
			line = fmt.Sprintf("# %s: %s\n%s", l.Today(), reason, line)
		}
		if err := w.appendLine("revoked", line); err != nil {
			return err
		}
		w.subject = "keys: " + f + " is revoked"
		return nil
	})
}

// RotateKey replaces the shop's signing key: it writes a rotation signed with
// both keys, and accepts the new one as the old one was accepted. The old key
// stays good for what it signed; revoke it if it was lost.
func (l *Ledger) RotateKey(from, to sshkey.Signer, principal string) (Result, error) {
	for _, s := range []sshkey.Signer{from, to} {
		if err := gitobj.CheckKey(s.PublicKey()); err != nil {
			return Result{}, &sshkey.Error{Key: gitobj.Fingerprint(s.PublicKey()), Reason: err.Error()}
		}
	}
	if principal != "" {
		if err := checkPrincipal(principal, false); err != nil {
			return Result{}, err
		}
	}
	if gitobj.Authorized(from.PublicKey()) == gitobj.Authorized(to.PublicKey()) {
		return Result{}, &UsageError{"both are the same key", "name the old key's file, then the new one's"}
	}
	return l.update(func(w *writer) error {
		t, err := l.Trust()
		if err != nil {
			return err
		}
		for _, s := range []sshkey.Signer{from, to} {
			if t.Revoked.Has(s.PublicKey()) {
				return &UsageError{gitobj.Fingerprint(s.PublicKey()) + " is revoked: it can pass nothing on, and take nothing over",
					"tell the fingerprint of a new key to those who hold your packets"}
			}
		}
		r, err := proof.Rotate(l.Shop.Name, from, to, l.opt.Now())
		if err != nil {
			return err
		}
		var random [4]byte
		for i := range random {
			if random[i], err = l.letter(); err != nil {
				return err
			}
		}
		w.put(fmt.Sprintf("%s/%s-rotation-%s.toml", keysDir, l.Today(), random[:]), []byte(r.Encode()))
		listed := false
		for _, s := range t.Signers {
			for _, x := range s.Lines {
				listed = listed || s.File == "signers" && gitobj.Authorized(x.Key) == gitobj.Authorized(to.PublicKey())
				if !x.CertAuthority && gitobj.Authorized(x.Key) == gitobj.Authorized(from.PublicKey()) && principal == "" && checkPrincipal(x.Principals, true) == nil {
					principal = x.Principals
				}
			}
		}
		if !listed {
			if principal == "" {
				if principal, err = l.UserEmail(); err != nil {
					return err
				}
			}
			if err := checkPrincipal(principal, true); err != nil {
				return &UsageError{"the old key is not in signers, so it is not clear whose the new one is", "add --for with the mail address its commits carry"}
			}
			if err := w.appendLine("signers", fmt.Sprintf("%s namespaces=%q %s", principal, proof.OwnNamespaces, gitobj.Authorized(to.PublicKey()))); err != nil {
				return err
			}
		}
		w.subject = fmt.Sprintf("keys: %s takes over from %s", gitobj.Fingerprint(to.PublicKey()), gitobj.Fingerprint(from.PublicKey()))
		return nil
	})
}

// KeyFile reads a key to sign with from its file, as git's user.signingkey does:
// a private key, or a public one whose private key lies beside it or is held by
// ssh-agent.
func (l *Ledger) KeyFile(file string) (sshkey.Signer, error) {
	return sshkey.LoadFile(file, l.opt.Passphrase)
}

// idents returns who commits and who is recorded as author, now.
func (l *Ledger) idents() (committer, author gitstore.Ident, err error) {
	now := l.opt.Now()
	if l.opt.Author != nil {
		committer = *l.opt.Author
		committer.When = now
		return committer, committer, nil
	}
	cfg, err := l.repo.Config()
	if err != nil {
		return committer, author, err
	}
	if committer, err = cfg.Committer(now); err == nil {
		author, err = cfg.Author(now)
	}
	if _, nobody := errors.AsType[*config.IdentityError](err); nobody {
		if id, ok := onlyTechnician(l.Shop); ok {
			id.When = now
			return id, id, nil
		}
	}
	return committer, author, err
}

// unitIdents are who commits and who is author of what travels, now.
func (l *Ledger) unitIdents() (committer, author gitstore.Ident, err error) {
	committer, author, err = l.idents()
	return l.onHistory(committer), l.onHistory(author), err
}

// onHistory is somebody as a unit's history shows them: under the shop's mail
// address where shop.toml has one for that. Keys are found by themselves, so a
// signature stays good whatever address stands beside it.
func (l *Ledger) onHistory(id gitstore.Ident) gitstore.Ident {
	if l.Shop != nil && l.Shop.HistoryEmail != "" {
		id.Email = l.Shop.HistoryEmail
	}
	return id
}

// onlyTechnician is who works in a shop of one, where git knows nobody.
func onlyTechnician(s *schema.Shop) (gitstore.Ident, bool) {
	if s == nil || len(s.Technicians) != 1 || s.Technicians[0].Email == "" {
		return gitstore.Ident{}, false
	}
	t := s.Technicians[0]
	return gitstore.Ident{Name: t.Name, Email: t.Email}, true
}

// mainSigner signs commits on main where git is told to (commit.gpgsign).
func (l *Ledger) mainSigner() (sshkey.Signer, error) {
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	if on, err := cfg.SignCommits(); err != nil || !on {
		return nil, err
	}
	return sshkey.Load(cfg, l.opt.Passphrase)
}

// unitSigner signs what travels wherever git has an SSH key to sign with; nil
// where none is chosen.
func (l *Ledger) unitSigner() (sshkey.Signer, error) {
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	if key, _ := cfg.Get("user.signingkey"); key == "" {
		return nil, nil
	}
	if format, ok := cfg.Get("gpg.format"); !ok || format != "ssh" {
		return nil, nil // a key of another kind
	}
	return sshkey.Load(cfg, l.opt.Passphrase)
}

// fingerprint names a key as ssh-keygen -l does; "" for none.
func fingerprint(s sshkey.Signer) string {
	if s == nil {
		return ""
	}
	return ssh.FingerprintSHA256(s.PublicKey())
}

// UserEmail is the mail address git has for whoever works here, "" for none.
func (l *Ledger) UserEmail() (string, error) {
	_, author, err := l.idents()
	if _, nobody := errors.AsType[*config.IdentityError](err); nobody {
		return "", nil
	}
	return author.Email, err
}

// ShopEmail is the mail address in the shop's contact, "" where there is none.
func (l *Ledger) ShopEmail() string { return disclosure.MailIn(l.Shop.Contact) }

// GlobalIdentity is whom git knows outside any repository.
func GlobalIdentity() (gitstore.Ident, error) {
	cfg, err := config.Global()
	if err != nil {
		return gitstore.Ident{}, err
	}
	return cfg.Author(time.Now())
}
