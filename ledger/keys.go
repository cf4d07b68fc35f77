package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/sshkey"
	"benchlore/schema"
)

// keysDir holds the shop's rotations of keys. They travel in seals.
const keysDir = "keys"

// OwnNamespaces is what a key of a shop signs: commits and tags, packets,
// rotations.
const OwnNamespaces = "git," + packetNamespace + "," + rotationNamespace

// checkTrustFile reads a file that says which keys count. save refuses one that
// would later make every check of a signature fail.
func checkTrustFile(p string, data []byte) []schema.Problem {
	var err error
	switch {
	case p == "signers":
		_, err = ParseSigners(p, data)
	case p == "revoked":
		_, err = ParseRevoked(p, data)
	case strings.HasPrefix(p, adoptedDir+"/"):
		_, err = parseAdoption(p, data)
	default:
		_, err = parseRotation(data)
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

func parseRotation(data []byte) (*SignedRotation, error) {
	r := &SignedRotation{}
	if err := strictTOML(data, r); err != nil {
		return nil, err
	}
	_, err := r.check()
	return r, err
}

// rotations reads the shop's rotations, oldest first.
func (l *Ledger) rotations() ([]SignedRotation, error) {
	names, err := l.tomlNames(keysDir)
	if err != nil {
		return nil, err
	}
	var out []SignedRotation
	for _, n := range names {
		p := keysDir + "/" + n + ".toml"
		data, err := l.read(p)
		if err != nil {
			return nil, err
		}
		r, err := parseRotation(data)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p, err)
		}
		out = append(out, *r)
	}
	return out, nil
}

// Trust is what this ledger, and git where it works, know of keys: signers and
// revoked of the ledger, gpg.ssh.allowedSignersFile and gpg.ssh.revocationFile.
func (l *Ledger) Trust() (*Trust, error) {
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	t, err := trustOf(cfg)
	if err != nil {
		return nil, err
	}
	if data, err := l.read("signers"); err == nil {
		s, err := ParseSigners("signers", data)
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
		r, err := ParseRevoked("revoked", data)
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

// GlobalTrust is what git knows of keys outside any repository.
func GlobalTrust() (*Trust, error) {
	cfg, err := config.Global()
	if err != nil {
		return nil, err
	}
	return trustOf(cfg)
}

func trustOf(cfg *config.Config) (*Trust, error) {
	t := &Trust{Revoked: Revoked{}}
	file, err := cfg.AllowedSigners()
	if err != nil {
		return nil, err
	}
	if file != "" {
		data, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("gpg.ssh.allowedSignersFile: %w", err)
		}
		s, err := ParseSigners(file, data)
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
	t.Revoked, err = ParseRevoked(file, data)
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
		r, err := rotations[i].check()
		if err != nil {
			return nil, err
		}
		from, _ := parseKey(r.Old)
		to, _ := parseKey(r.New)
		rotated[Fingerprint(from)] = Fingerprint(to)
	}
	own := ""
	if s, err := l.unitSigner(); err == nil {
		own = fingerprint(s)
	}
	out := []KeyEntry{}
	listed := map[string]bool{}
	for _, s := range t.Signers {
		for _, x := range s.Lines {
			f := Fingerprint(x.Key)
			listed[f] = true
			k := KeyEntry{Principals: x.Principals, Type: x.Key.Type(), Fingerprint: f, Namespaces: x.Namespaces, CertAuthority: x.CertAuthority,
				Revoked: t.Revoked.has(x.Key), Own: f == own, RotatedTo: rotated[f], File: s.File}
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
	Namespaces    string // "": OwnNamespaces
	CertAuthority bool
}

// AddKey puts a key on the list of those whose signatures count, with one
// commit.
func (l *Ledger) AddKey(k NewKey) (Result, error) {
	key, _, options, rest, err := ssh.ParseAuthorizedKey([]byte(k.Key))
	if err != nil || len(options) > 0 || len(strings.TrimSpace(string(rest))) > 0 {
		return Result{}, &UsageError{"this is no public key", "name a file like id_ed25519.pub, or paste its one line"}
	}
	if err := checkKey(key); err != nil {
		return Result{}, &UsageError{fmt.Sprintf("the key is not accepted: %v", err), "ask for another; ssh-keygen -t ed25519 makes one"}
	}
	if err := checkPrincipal(k.Principal, k.CertAuthority); err != nil {
		return Result{}, err
	}
	if k.Namespaces == "" {
		k.Namespaces = OwnNamespaces
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
	line += " " + authorized(key)
	if _, err := ParseSigners("the new line", []byte(line)); err != nil {
		return Result{}, err
	}
	return l.update(func(w *writer) error {
		t, err := l.Trust()
		if err != nil {
			return err
		}
		if t.Revoked.has(key) {
			return &UsageError{fmt.Sprintf("%s is revoked, and that stays", Fingerprint(key)), "ask for a new key"}
		}
		for _, s := range t.Signers {
			for _, x := range s.Lines {
				if s.File == "signers" && x.Principals == k.Principal && authorized(x.Key) == authorized(key) {
					return &UsageError{fmt.Sprintf("signers line %d has this key already", x.Line), "edit that line and run benchlore save to change it"}
				}
			}
		}
		if err := w.appendLine("signers", line); err != nil {
			return err
		}
		w.subject = fmt.Sprintf("keys: %s signs with %s", k.Principal, Fingerprint(key))
		return nil
	})
}

// checkPrincipal refuses what would be more, or less, than one name in an
// allowed-signers file. An authority vouches for many, so its may be a pattern.
func checkPrincipal(s string, authority bool) error {
	not := " \t\"#,*?!\r\n"
	if authority {
		not = " \t\"#\r\n"
	}
	if s == "" || strings.ContainsAny(s, not) || strings.ContainsFunc(s, Hidden) {
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
		line, f = authorized(key), Fingerprint(key)
	} else if err := CheckFingerprint(line); err != nil {
		return Result{}, err
	}
	if strings.ContainsFunc(reason, func(r rune) bool { return Hidden(r) || r == '\n' }) {
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
				if Fingerprint(x.Key) == f {
					line = authorized(x.Key)
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
		if err := checkKey(s.PublicKey()); err != nil {
			return Result{}, &sshkey.Error{Key: Fingerprint(s.PublicKey()), Reason: err.Error()}
		}
	}
	if principal != "" {
		if err := checkPrincipal(principal, false); err != nil {
			return Result{}, err
		}
	}
	if authorized(from.PublicKey()) == authorized(to.PublicKey()) {
		return Result{}, &UsageError{"both are the same key", "name the old key's file, then the new one's"}
	}
	return l.update(func(w *writer) error {
		t, err := l.Trust()
		if err != nil {
			return err
		}
		for _, s := range []sshkey.Signer{from, to} {
			if t.Revoked.has(s.PublicKey()) {
				return &UsageError{Fingerprint(s.PublicKey()) + " is revoked: it can pass nothing on, and take nothing over",
					"tell the fingerprint of a new key to those who hold your packets"}
			}
		}
		r, err := rotate(l.Shop.Name, from, to, l.opt.Now())
		if err != nil {
			return err
		}
		var random [4]byte
		for i := range random {
			if random[i], err = l.letter(); err != nil {
				return err
			}
		}
		w.put(fmt.Sprintf("%s/%s-rotation-%s.toml", keysDir, l.Today(), random[:]), []byte(r.encode()))
		listed := false
		for _, s := range t.Signers {
			for _, x := range s.Lines {
				listed = listed || s.File == "signers" && authorized(x.Key) == authorized(to.PublicKey())
				if !x.CertAuthority && authorized(x.Key) == authorized(from.PublicKey()) && principal == "" && checkPrincipal(x.Principals, true) == nil {
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
			if err := w.appendLine("signers", fmt.Sprintf("%s namespaces=%q %s", principal, OwnNamespaces, authorized(to.PublicKey()))); err != nil {
				return err
			}
		}
		w.subject = fmt.Sprintf("keys: %s takes over from %s", Fingerprint(to.PublicKey()), Fingerprint(from.PublicKey()))
		return nil
	})
}

// KeyFile reads a key to sign with from its file, as git's user.signingkey does:
// a private key, or a public one whose private key lies beside it or is held by
// ssh-agent.
func (l *Ledger) KeyFile(file string) (sshkey.Signer, error) {
	return sshkey.LoadFile(file, l.opt.Passphrase)
}
