package proof

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/proof/gitobj"
)

// Namespaces that signatures are made under, so that none made for one thing can
// pass for another.
const (
	PacketNamespace   = "benchlore-packet"
	RotationNamespace = "benchlore-rotation"
	// OwnNamespaces is what a key of a shop signs: commits and tags, packets,
	// rotations.
	OwnNamespaces = "git," + PacketNamespace + "," + RotationNamespace
)

// Signer makes SSH signatures (OpenSSH PROTOCOL.sshsig).
type Signer interface {
	PublicKey() ssh.PublicKey
	Sign(namespace string, data []byte) ([]byte, error)
}

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
		r.Format, Quote(r.Kind), Quote(r.Shop), Quote(r.Old), Quote(r.New), r.Date.Format(time.RFC3339))
}

// Encode writes the rotation; the statement is a literal string, so that between
// its marks it stands as it was signed.
func (r *SignedRotation) Encode() string {
	var b strings.Builder
	b.WriteString("statement = '''\n" + r.Text + "'''\n")
	for _, s := range []struct {
		key   string
		lines []string
	}{{"old_signature", r.OldSignature}, {"new_signature", r.NewSignature}} {
		b.WriteString(s.key + " = [\n")
		for _, l := range s.lines {
			b.WriteString("  " + Quote(l) + ",\n")
		}
		b.WriteString("]\n")
	}
	return b.String()
}

// ParseRotation reads a rotation from a file of its own and checks both
// signatures.
func ParseRotation(data []byte) (*SignedRotation, error) {
	r := &SignedRotation{}
	if err := StrictTOML("rotation of keys", MaxStatement, data, r); err != nil {
		return nil, err
	}
	_, err := r.Check()
	return r, err
}

// parse reads the text and its keys; it checks no signature.
func (r *SignedRotation) parse() (*Rotation, error) {
	if strings.Contains(r.Text, "'''") || !strings.HasSuffix(r.Text, "\n") {
		return nil, errors.New("a rotation of keys is not written as it must be")
	}
	if n := formatOf([]byte(r.Text)); n != 0 {
		if err := checkFormat("rotation of keys", n, acceptedRotations); err != nil {
			return nil, err
		}
	}
	x := &Rotation{}
	if err := StrictTOML("rotation of keys", MaxStatement, []byte(r.Text), x); err != nil {
		return nil, err
	}
	if err := checkFormat("rotation of keys", x.Format, acceptedRotations); err != nil {
		return nil, err
	}
	if x.Kind != "rotation" || x.Date.IsZero() {
		return nil, errors.New("a rotation of keys is of another kind, or has no date")
	}
	for _, k := range []string{x.Old, x.New} {
		if _, err := gitobj.ParseKey(k); err != nil {
			return nil, fmt.Errorf("a rotation of keys: %w", err)
		}
	}
	if x.Old == x.New {
		return nil, errors.New("a rotation of keys names the same key twice")
	}
	return x, nil
}

// Check reads the rotation and checks both signatures.
func (r *SignedRotation) Check() (*Rotation, error) {
	x, err := r.parse()
	if err != nil {
		return nil, err
	}
	for _, s := range []struct {
		which, key string
		sig        []string
	}{{"old", x.Old, r.OldSignature}, {"new", x.New, r.NewSignature}} {
		key, err := gitobj.CheckSignature([]byte(strings.Join(s.sig, "\n")+"\n"), []byte(r.Text), RotationNamespace)
		if err != nil {
			return nil, fmt.Errorf("the rotation of keys of %s: the %s key's signature: %w", x.Date.Format(time.DateOnly), s.which, err)
		}
		if gitobj.Authorized(key) != s.key {
			return nil, fmt.Errorf("the rotation of keys of %s is not signed with the %s key it names", x.Date.Format(time.DateOnly), s.which)
		}
	}
	return x, nil
}

// Rotate makes a rotation.
// Errors: *InputError, and those of signing.
func Rotate(shop string, from, to Signer, now time.Time) (*SignedRotation, error) {
	x := &Rotation{Format: FormatRotation, Kind: "rotation", Shop: shop, Old: gitobj.Authorized(from.PublicKey()), New: gitobj.Authorized(to.PublicKey()),
		Date: now.Truncate(time.Second)}
	r := &SignedRotation{Text: x.encode()}
	if strings.Contains(r.Text, "'''") {
		return nil, &InputError{"the shop's name holds three apostrophes in a row", "change it in shop.toml"}
	}
	for _, s := range []struct {
		by Signer
		to *[]string
	}{{from, &r.OldSignature}, {to, &r.NewSignature}} {
		sig, err := s.by.Sign(RotationNamespace, []byte(r.Text))
		if err != nil {
			return nil, err
		}
		*s.to = strings.Split(strings.TrimSpace(string(sig)), "\n")
	}
	_, err := r.Check()
	return r, err
}

// keyLinks says which keys passed on to which, by the rotations of seals.
type keyLinks map[string][]keyLink // by fingerprint of the new key

type keyLink struct {
	from ssh.PublicKey
	on   time.Time
	seal int // the place in the chain of the seal that carries it first
}
