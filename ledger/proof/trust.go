package proof

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/proof/gitobj"
)

// Signers is an allowed-signers file, ssh-keygen(1) ALLOWED SIGNERS.
type Signers struct {
	File  string
	Where string // the ledger it belongs to; "": none
	Lines []SignerLine
}

// from says which file it is, wherever the reader stands.
func (s *Signers) from() string {
	if s.Where == "" {
		return s.File
	}
	return filepath.Join(s.Where, s.File)
}

// SignerLine is one line of it.
type SignerLine struct {
	Line          int
	Principals    string // a list of patterns
	Key           ssh.PublicKey
	CertAuthority bool
	Namespaces    string // a list of patterns; "": all
	After, Before time.Time
	Comment       string
}

// ParseSigners reads an allowed-signers file. A line that cannot be read is an
// error: it may be the one that matters.
func ParseSigners(file string, data []byte) (*Signers, error) {
	s := &Signers{File: file}
	for i, line := range strings.Split(string(data), "\n") {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		l, err := ParseSignerLine(line)
		if err != nil {
			return nil, &InputError{fmt.Sprintf("%s:%d: %v", file, i+1, err),
				"a line is: maren@halden-street.example namespaces=\"git\" ssh-ed25519 AAAA..."}
		}
		l.Line = i + 1
		s.Lines = append(s.Lines, l)
	}
	return s, nil
}

// ParseSignerLine reads one line of such a file.
func ParseSignerLine(line string) (SignerLine, error) {
	var l SignerLine
	var rest string
	if line[0] == '"' {
		end := strings.IndexByte(line[1:], '"')
		if end < 0 {
			return l, errors.New("the principals have no closing quotation mark")
		}
		l.Principals, rest = line[1:1+end], line[2+end:]
	} else if i := strings.IndexAny(line, " \t"); i > 0 {
		l.Principals, rest = line[:i], line[i:]
	}
	if l.Principals == "" {
		return l, errors.New("there is no key on this line")
	}
	key, comment, options, _, err := ssh.ParseAuthorizedKey([]byte(strings.TrimSpace(rest)))
	if err != nil {
		return l, errors.New("there is no key on this line that can be read")
	}
	l.Key, l.Comment = key, comment
	given := map[string]bool{}
	for _, o := range options {
		name, value, has := strings.Cut(o, "=")
		value = strings.ReplaceAll(strings.TrimSuffix(strings.TrimPrefix(value, `"`), `"`), `\"`, `"`)
		if name = strings.ToLower(name); given[name] {
			return l, fmt.Errorf("the option %s stands there twice", name)
		}
		given[name] = true
		switch {
		case name == "cert-authority" && !has:
			l.CertAuthority = true
		case name == "namespaces" && has && value != "":
			l.Namespaces = value
		case name == "valid-after" && has:
			l.After, err = parseSignerTime(value)
		case name == "valid-before" && has:
			l.Before, err = parseSignerTime(value)
		default:
			return l, fmt.Errorf("the option %.40q is not known", o)
		}
		if err != nil {
			return l, err
		}
	}
	if !l.After.IsZero() && !l.Before.IsZero() && !l.After.Before(l.Before) {
		return l, errors.New("valid-after must come before valid-before")
	}
	return l, nil
}

// parseSignerTime reads YYYYMMDD, YYYYMMDDHHMM or YYYYMMDDHHMMSS; with Z at the
// end it is UTC, else local time.
func parseSignerTime(s string) (time.Time, error) {
	where := time.Local
	t, utc := strings.CutSuffix(s, "Z")
	if utc {
		where = time.UTC
	}
	for _, form := range []string{"20060102", "200601021504", "20060102150405"} {
		if len(t) == len(form) {
			if at, err := time.ParseInLocation(form, t, where); err == nil {
				return at, nil
			}
		}
	}
	return time.Time{}, fmt.Errorf("the time %.40q is not written like 20310304 or 20310304100000Z", s)
}

// matchList matches a word against a list of patterns with * and ?, separated
// by commas; one with ! in front that fits rules the word out (ssh_config(5)
// PATTERNS).
func matchList(word, list string) bool {
	found := false
	for _, p := range strings.Split(list, ",") {
		if not, ok := strings.CutPrefix(p, "!"); ok {
			if match(word, not) {
				return false
			}
		} else if match(word, p) {
			found = true
		}
	}
	return found
}

func match(word, pattern string) bool {
	// Where the last * stood, and how much of the word it has taken.
	star, taken := -1, 0
	w, p := 0, 0
	for w < len(word) {
		switch {
		case p < len(pattern) && pattern[p] == '*':
			star, taken = p, w
			p++
		case p < len(pattern) && (pattern[p] == '?' || pattern[p] == word[w]):
			w++
			p++
		case star >= 0:
			taken++
			w, p = taken, star+1
		default:
			return false
		}
	}
	return strings.Trim(pattern[p:], "*") == ""
}

// occasion is when something was signed: as the signer says, and what is known of
// it without him.
type occasion struct {
	claimed time.Time
	now     time.Time // when the question is asked
	held    bool      // a ledger of ours had what is signed while the key was valid
}

// allows reports whether the line lets a key sign in a namespace on an occasion,
// and if not, why it does not although it names the key. The date a signer claims
// never brings a signature in before valid-before: whoever holds the key can
// write any.
func (l *SignerLine) allows(key ssh.PublicKey, namespace string, at occasion) (ok bool, why string) {
	cert, isCert := key.(*ssh.Certificate)
	switch {
	case l.CertAuthority:
		if !isCert || !bytes.Equal(cert.SignatureKey.Marshal(), l.Key.Marshal()) {
			return false, ""
		}
		if why := l.checkCert(cert, at.claimed); why != "" {
			return false, why
		}
	case !bytes.Equal(key.Marshal(), l.Key.Marshal()):
		return false, ""
	}
	switch {
	case l.Namespaces != "" && !matchList(namespace, l.Namespaces):
		return false, fmt.Sprintf("it is not allowed to sign %s", namespace)
	case !l.After.IsZero() && at.claimed.Before(l.After):
		return false, "it was not yet valid then"
	case !l.Before.IsZero() && at.claimed.After(l.Before):
		return false, "it was no longer valid then"
	case !l.Before.IsZero() && at.now.After(l.Before) && !at.held:
		return false, "it is no longer valid, and nothing but the signer's own date says that this was signed before"
	}
	return true, ""
}

// checkCert holds a certificate against the line of its authority.
func (l *SignerLine) checkCert(cert *ssh.Certificate, at time.Time) string {
	if cert.CertType != ssh.UserCert {
		return "its certificate is not a person's"
	}
	if err := gitobj.CheckKey(cert.SignatureKey); err != nil {
		return "the authority's key proves nothing: " + err.Error()
	}
	if cert.Signature.Format == ssh.KeyAlgoRSA {
		return "its certificate is signed with SHA-1, which proves nothing"
	}
	i := slices.IndexFunc(cert.ValidPrincipals, func(p string) bool { return matchList(p, l.Principals) })
	if i < 0 {
		return "its certificate names nobody who is accepted"
	}
	checker := &ssh.CertChecker{Clock: func() time.Time { return at }}
	if err := checker.CheckCert(cert.ValidPrincipals[i], cert); err != nil {
		return "its certificate does not hold: " + strings.TrimPrefix(err.Error(), "ssh: ")
	}
	return ""
}

// Revoked is a list of keys that count no more, whatever date they sign with.
type Revoked map[string]bool // by fingerprint

// ParseRevoked reads a revocation file: public keys, or their fingerprints
// (SHA256:...), one a line. Key revocation lists in OpenSSH's binary form are
// refused: taking one for an empty list would be worse.
func ParseRevoked(file string, data []byte) (Revoked, error) {
	if bytes.HasPrefix(data, []byte("SSHKRL\n\x00")) {
		return nil, &InputError{fmt.Sprintf("%s is a key revocation list in OpenSSH's binary form, which this program does not read", file),
			"list the keys, or their SHA256: fingerprints, one a line, in a text file"}
	}
	out := Revoked{}
	for i, line := range strings.Split(string(data), "\n") {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		if word := strings.Fields(line)[0]; strings.HasPrefix(word, "SHA256:") {
			if CheckFingerprint(word) != nil {
				return nil, &InputError{fmt.Sprintf("%s:%d: %.60q is no fingerprint", file, i+1, word), "write it as ssh-keygen -l prints it"}
			}
			out[word] = true
			continue
		}
		key, _, _, _, err := ssh.ParseAuthorizedKey([]byte(line))
		if err != nil {
			return nil, &InputError{fmt.Sprintf("%s:%d: there is no key on this line that can be read", file, i+1), "a line is a public key, or SHA256:..."}
		}
		out[gitobj.Fingerprint(key)] = true
	}
	return out, nil
}

// CheckFingerprint refuses what ssh-keygen -l does not print.
func CheckFingerprint(s string) error {
	b64, ok := strings.CutPrefix(s, "SHA256:")
	if ok && len(b64) == 43 && !strings.ContainsFunc(b64, func(r rune) bool {
		return !(r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '+' || r == '/')
	}) {
		return nil
	}
	return &InputError{fmt.Sprintf("%.80q is no fingerprint of a key", s), "write it as ssh-keygen -l prints it: SHA256: and 43 letters"}
}

// Has reports whether a key, or the authority that vouches for it, is revoked.
func (r Revoked) Has(k ssh.PublicKey) bool {
	if c, ok := k.(*ssh.Certificate); ok && r[ssh.FingerprintSHA256(c.SignatureKey)] {
		return true
	}
	return r[gitobj.Fingerprint(k)]
}

// Trust is what somebody knows of keys before opening a packet. Nothing in it
// comes from the packet, or from what lies around it.
type Trust struct {
	Expect  []string // fingerprints the user named: one of them must be the last seal's
	Signers []*Signers
	Revoked Revoked
	// Held are the seals that a ledger of the user's has, by digest of the tag
	// object: they were made before they came there.
	Held map[string]bool
}

// Standing is what is known of a key.
type Standing string

// The standings of a key.
const (
	KeyTrusted Standing = "trusted"
	KeyUnknown Standing = "not known"
	KeyRevoked Standing = "revoked"
)

// Judge says how a key stands that signed in a namespace, by what is written down
// about the key itself, and why. claimed is the signer's date, now the reader's
// clock.
func (t *Trust) Judge(key ssh.PublicKey, namespace string, claimed, now time.Time) (Standing, string) {
	return t.judge(key, namespace, occasion{claimed: claimed, now: now})
}

func (t *Trust) judge(key ssh.PublicKey, namespace string, at occasion) (Standing, string) {
	if t.Revoked.Has(key) {
		return KeyRevoked, "it is on the list of revoked keys"
	}
	if slices.Contains(t.Expect, gitobj.Fingerprint(key)) {
		return KeyTrusted, "you named it"
	}
	reason := ""
	for _, s := range t.Signers {
		for i := range s.Lines {
			ok, why := s.Lines[i].allows(key, namespace, at)
			if ok {
				return KeyTrusted, fmt.Sprintf("%s names it as %s", s.from(), s.Lines[i].Principals)
			}
			if why != "" {
				reason = fmt.Sprintf("%s names it, but %s", s.from(), why)
			}
		}
	}
	return KeyUnknown, reason
}
