package gitobj

import (
	"bytes"
	"crypto/rsa"
	"errors"
	"fmt"
	"strings"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
)

// minRSA is the shortest RSA key that counts, in bits: NIST SP 800-131A Rev. 2
// allows no shorter one.
const minRSA = 2048

// maxRSA bounds RSA keys, in bits: checking a signature costs time with the
// square of them, and OpenSSH makes none longer.
const maxRSA = 16384

// maxSignature bounds an armored signature, in bytes.
const maxSignature = 64 << 10

// CheckKey refuses keys that prove nothing.
func CheckKey(k ssh.PublicKey) error {
	k = BareKey(k)
	if k.Type() == "ssh-dss" {
		return errors.New("it is a DSA key, and those are no longer accepted")
	}
	if c, ok := k.(ssh.CryptoPublicKey); ok {
		if r, ok := c.CryptoPublicKey().(*rsa.PublicKey); ok {
			switch n := r.N.BitLen(); {
			case n < minRSA:
				return fmt.Errorf("it is an RSA key of %d bits; fewer than %d prove nothing", n, minRSA)
			case n > maxRSA:
				return fmt.Errorf("it is an RSA key of %d bits; more than %d are not read", n, maxRSA)
			}
		}
	}
	return nil
}

// BareKey is the key itself where it comes with a certificate.
func BareKey(k ssh.PublicKey) ssh.PublicKey {
	if c, ok := k.(*ssh.Certificate); ok {
		return c.Key
	}
	return k
}

// Fingerprint names a key as ssh-keygen does; that of a certificate is its
// key's.
func Fingerprint(k ssh.PublicKey) string { return ssh.FingerprintSHA256(BareKey(k)) }

// Authorized writes a public key as OpenSSH does, without a comment.
func Authorized(k ssh.PublicKey) string {
	return strings.TrimSpace(string(ssh.MarshalAuthorizedKey(k)))
}

// ParseKey reads a public key as OpenSSH writes it, with nothing round it.
func ParseKey(s string) (ssh.PublicKey, error) {
	if len(s) > maxSignature {
		return nil, errors.New("it is too long for a public key")
	}
	key, _, options, rest, err := ssh.ParseAuthorizedKey([]byte(s))
	if err != nil || len(options) > 0 || len(bytes.TrimSpace(rest)) > 0 || Authorized(key) != s {
		return nil, fmt.Errorf("%.60q is no public key as OpenSSH writes it", s)
	}
	return key, CheckKey(key)
}

// CheckSignature checks an armored SSH signature (OpenSSH PROTOCOL.sshsig)
// over data and returns the key that made it. SHA-1 is not accepted. Whose key
// it is, is another question.
func CheckSignature(armored, data []byte, namespace string) (ssh.PublicKey, error) {
	if len(armored) > maxSignature {
		return nil, fmt.Errorf("it has %d bytes; a signature has at most %d", len(armored), maxSignature)
	}
	sig, err := sshsig.Unarmor(armored)
	if err != nil {
		return nil, fmt.Errorf("it cannot be read: %w", err)
	}
	if again := sshsig.Armor(sig); !bytes.Equal(bytes.TrimSpace(unfold(again)), bytes.TrimSpace(unfold(armored))) {
		return nil, errors.New("it is not written as a signature is, with nothing round it")
	}
	if sig.Namespace != namespace {
		return nil, fmt.Errorf("it was made for %.60q, not for %q", sig.Namespace, namespace)
	}
	if err := CheckKey(sig.PublicKey); err != nil {
		return nil, err
	}
	if err := sshsig.Verify(bytes.NewReader(data), sig, sig.PublicKey, sig.HashAlgorithm, namespace); err != nil {
		return nil, errors.New("it does not fit what it stands under")
	}
	return sig.PublicKey, nil
}

// unfold takes the line breaks out: programs break the lines of a signature
// at different widths.
func unfold(armored []byte) []byte {
	return bytes.ReplaceAll(bytes.ReplaceAll(armored, []byte("\r"), nil), []byte("\n"), nil)
}
