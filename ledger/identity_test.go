package ledger

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
)

// TestHistoryEmail: a history closed and sealed under the shop's mail address
// carries no other, its signatures stay good for stock git under whatever
// address signers has for the key, and its packet verifies.
func TestHistoryEmail(t *testing.T) {
	w := newWorkshop(t)
	k := newKey(t, "ed25519")
	w.signWith(k)
	w.job(lw)
	w.Shop.HistoryEmail = "bench@halden-street.example"
	w.close(lw)
	r := w.seal(lw)
	own := git(t, w.Dir, "log", "-1", "--format=%ae", "main")
	for _, mail := range strings.Fields(git(t, w.Dir, "log", "--format=%ae %ce", "unit/"+lw)) {
		if mail != w.Shop.HistoryEmail || mail == own {
			t.Errorf("the unit's history carries %s", mail)
		}
	}
	if tag := git(t, w.Dir, "cat-file", "tag", r.Tag); !strings.Contains(tag, "<bench@halden-street.example>") || strings.Contains(tag, own) {
		t.Errorf("the seal is by\n%s", tag)
	}
	signers := filepath.Join(t.TempDir(), "signers")
	if err := os.WriteFile(signers, []byte("maren@halden-street.example namespaces=\"git\" "+gitobj.Authorized(k.PublicKey())+"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range strings.Fields(git(t, w.Dir, "rev-list", "unit/"+lw)) {
		git(t, w.Dir, "-c", "gpg.ssh.allowedSignersFile="+signers, "verify-commit", c)
	}
	git(t, w.Dir, "-c", "gpg.ssh.allowedSignersFile="+signers, "verify-tag", r.Tag)
	verdict(t, proof.VerifyBytes(w.handover(lw), trusting(k)), proof.Trusted)
}
