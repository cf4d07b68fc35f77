package ledger

import (
	"bytes"
	"fmt"
	"io"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/object"
	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
)

// signature tells who signed a commit: the fingerprint of the key, once the
// signature has been checked against the commit's bytes; "" for none. Whose key
// it is, and whether to trust it, is another question.
func signature(c *object.Commit) (string, error) {
	if c.PGPSignature == "" {
		return "", nil
	}
	sig, err := sshsig.Unarmor([]byte(c.PGPSignature))
	if err != nil {
		return "", fmt.Errorf("commit %s: its signature cannot be read: %w", c.Hash, err)
	}
	var raw plumbing.MemoryObject
	if err := c.EncodeWithoutSignature(&raw); err != nil {
		return "", err
	}
	r, err := raw.Reader()
	if err != nil {
		return "", err
	}
	text, err := io.ReadAll(r)
	if err != nil {
		return "", err
	}
	if err := sshsig.Verify(bytes.NewReader(text), sig, sig.PublicKey, sig.HashAlgorithm, "git"); err != nil {
		return "", fmt.Errorf("commit %s: its signature does not fit its content: %w", c.Hash, err)
	}
	return ssh.FingerprintSHA256(sig.PublicKey), nil
}
