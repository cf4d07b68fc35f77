package ledger

import (
	"fmt"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
)

// signature tells who signed a commit: the fingerprint of the key, once the
// signature has been checked against the commit's bytes; "" for none. Whose key
// it is, and whether to trust it, is another question.
func signature(c *object.Commit) (string, error) {
	if c.Signature == "" {
		return "", nil
	}
	key, err := gitobj.CheckSignature([]byte(c.Signature), c.Payload, "git")
	if err != nil {
		return "", fmt.Errorf("commit %s: its signature: %w", c.Hash, err)
	}
	return gitobj.Fingerprint(key), nil
}
