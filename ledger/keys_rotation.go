package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/sshkey"
	"benchlore/schema"
)

// rotationNamespace is what rotations are signed under, so that no signature
// made for anything else can pass for one.
const rotationNamespace = "benchlore-rotation"

// Rotation says that a shop signs with a new key from now on. It is signed with
// the old key, which passes its trust on, and with the new one, whose holder
// agrees: nobody can claim a key that is not theirs.
type Rotation struct {
	Format int       `toml:"format"`
	Kind   string    `toml:"kind"` // "rotation"
	Shop   string    `toml:"shop"`
	Old    string    `toml:"old"` // public keys as OpenSSH writes them, without a comment
	New    string    `toml:"new"`
	Date   time.Time `toml:"date"`
}

// SignedRotation is a rotation's text with its signatures. It travels in every
// seal made after it.
type SignedRotation struct {
	Text string `toml:"statement"`
	// Armored signatures, line by line: no line of a tag's message may begin like
	// a signature but the tag's own.
	OldSignature []string `toml:"old_signature"`
	NewSignature []string `toml:"new_signature"`
}

func (r *Rotation) encode() string {
	return fmt.Sprintf("format = %d\nkind = %s\nshop = %s\nold = %s\nnew = %s\ndate = %s\n",
		r.Format, quote(r.Kind), quote(r.Shop), quote(r.Old), quote(r.New), r.Date.Format(time.RFC3339))
}

// encode writes the statement as a literal string: between its marks it stands
// as it was signed.
func (r *SignedRotation) encode() string {
	var b strings.Builder
	b.WriteString("statement = '''\n" + r.Text + "'''\n")
	for _, s := range []struct {
		key   string
		lines []string
	}{{"old_signature", r.OldSignature}, {"new_signature", r.NewSignature}} {
		b.WriteString(s.key + " = [\n")
		for _, l := range s.lines {
			b.WriteString("  " + quote(l) + ",\n")
		}
		b.WriteString("]\n")
	}
	return b.String()
}

// parse reads the text and its keys; it checks no signature.
func (r *SignedRotation) parse() (*Rotation, error) {
	if strings.Contains(r.Text, "'''") || !strings.HasSuffix(r.Text, "\n") {
		return nil, errors.New("a rotation of keys is not written as it must be")
	}
	x := &Rotation{}
	if err := strictTOML([]byte(r.Text), x); err != nil {
		return nil, fmt.Errorf("a rotation of keys: %w", err)
	}
	if x.Format != schema.Format || x.Kind != "rotation" || x.Date.IsZero() {
		return nil, errors.New("a rotation of keys has another format or kind than this program reads, or no date")
	}
	for _, k := range []string{x.Old, x.New} {
		if _, err := parseKey(k); err != nil {
			return nil, fmt.Errorf("a rotation of keys: %w", err)
		}
	}
	if x.Old == x.New {
		return nil, errors.New("a rotation of keys names the same key twice")
	}
	return x, nil
}

// check reads the rotation and checks both signatures.
func (r *SignedRotation) check() (*Rotation, error) {
	x, err := r.parse()
	if err != nil {
		return nil, err
	}
	for _, s := range []struct {
		which, key string
		sig        []string
	}{{"old", x.Old, r.OldSignature}, {"new", x.New, r.NewSignature}} {
		key, err := checkSignature([]byte(strings.Join(s.sig, "\n")+"\n"), []byte(r.Text), rotationNamespace)
		if err != nil {
			return nil, fmt.Errorf("the rotation of keys of %s: the %s key's signature: %w", x.Date.Format(time.DateOnly), s.which, err)
		}
		if authorized(key) != s.key {
			return nil, fmt.Errorf("the rotation of keys of %s is not signed with the %s key it names", x.Date.Format(time.DateOnly), s.which)
		}
	}
	return x, nil
}

// rotate makes a rotation.
func rotate(shop string, from, to sshkey.Signer, now time.Time) (*SignedRotation, error) {
	x := &Rotation{Format: schema.Format, Kind: "rotation", Shop: shop, Old: authorized(from.PublicKey()), New: authorized(to.PublicKey()),
		Date: now.Truncate(time.Second)}
	r := &SignedRotation{Text: x.encode()}
	if strings.Contains(r.Text, "'''") {
		return nil, &UsageError{"the shop's name holds three apostrophes in a row", "change it in shop.toml"}
	}
	for _, s := range []struct {
		by sshkey.Signer
		to *[]string
	}{{from, &r.OldSignature}, {to, &r.NewSignature}} {
		sig, err := s.by.Sign(rotationNamespace, []byte(r.Text))
		if err != nil {
			return nil, err
		}
		*s.to = strings.Split(strings.TrimSpace(string(sig)), "\n")
	}
	_, err := r.check()
	return r, err
}

// parseKey reads a public key as OpenSSH writes it, with nothing round it.
func parseKey(s string) (ssh.PublicKey, error) {
	key, _, options, rest, err := ssh.ParseAuthorizedKey([]byte(s))
	if err != nil || len(options) > 0 || len(bytes.TrimSpace(rest)) > 0 || authorized(key) != s {
		return nil, fmt.Errorf("%.60q is no public key as OpenSSH writes it", s)
	}
	return key, checkKey(key)
}

// authorized writes a public key as OpenSSH does, without a comment.
func authorized(k ssh.PublicKey) string {
	return strings.TrimSpace(string(ssh.MarshalAuthorizedKey(k)))
}
