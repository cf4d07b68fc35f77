package proof

import (
	"golang.org/x/crypto/ssh"

	"benchlore/ledger/proof/gitobj"
)

// Guide writes no VERIFY.txt in a browser, so that the one of a packet is called
// the sender's, not checked. It costs 0.9 MB of a compressed page: the library for
// templates keeps every method of the program.
func Guide([]*Seal, gitobj.Set, ssh.PublicKey, []SignedRotation) []byte { return nil }
