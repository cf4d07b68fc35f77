package ledger

import (
	"fmt"
	"io"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/object"

	"benchlore/ledger/proof/gitobj"
)

// signature tells who signed a commit: the fingerprint of the key, once the
// signature has been checked against the commit's bytes; "" for none. Whose key
// it is, and whether to trust it, is another question.
func signature(c *object.Commit) (string, error) {
	if c.PGPSignature == "" {
		return "", nil
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
	key, err := gitobj.CheckSignature([]byte(c.PGPSignature), text, "git")
	if err != nil {
		return "", fmt.Errorf("commit %s: its signature: %w", c.Hash, err)
	}
	return gitobj.Fingerprint(key), nil
}
