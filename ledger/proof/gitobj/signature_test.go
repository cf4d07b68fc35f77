package gitobj

import (
	"bytes"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha512"
	"strings"
	"testing"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
)

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// TestSHA1ProvesNothing signs with RSA and SHA-1, and with a key that is too
// short.
func TestSHA1ProvesNothing(t *testing.T) {
	private := must(rsa.GenerateKey(rand.Reader, 2048))
	signer := must(ssh.NewSignerFromKey(private)).(ssh.AlgorithmSigner)
	text := []byte("what is signed\n")
	for algorithm, want := range map[string]string{ssh.KeyAlgoRSA: "invalid signature format", ssh.KeyAlgoRSASHA256: "", ssh.KeyAlgoRSASHA512: ""} {
		hash := sha512.Sum512(text)
		// OpenSSH PROTOCOL.sshsig: what is signed.
		blob := append([]byte("SSHSIG"), ssh.Marshal(struct{ Namespace, Reserved, Hash, Sum string }{"git", "", "sha512", string(hash[:])})...)
		sig := must(signer.SignWithAlgorithm(rand.Reader, blob, algorithm))
		s := &sshsig.Signature{Version: 1, PublicKey: signer.PublicKey(), Namespace: "git", HashAlgorithm: sshsig.HashSHA512, Signature: sig}
		_, err := CheckSignature(sshsig.Armor(s), text, "git")
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %v", algorithm, err)
		}
	}
	weak := must(ssh.NewSignerFromKey(must(rsa.GenerateKey(rand.Reader, 1024))))
	sig := must(sshsig.Sign(bytes.NewReader(text), weak, sshsig.HashSHA512, "git"))
	if _, err := CheckSignature(sshsig.Armor(sig), text, "git"); err == nil || !strings.Contains(err.Error(), "1024 bits") {
		t.Errorf("a short RSA key: %v", err)
	}
}
