package ledger

import (
	"bytes"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha512"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
)

// keygen runs ssh-keygen, which is the judge of what an allowed-signers file
// means.
func keygen(t testing.TB, stdin string, args ...string) (string, error) {
	t.Helper()
	if _, err := exec.LookPath("ssh-keygen"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("ssh-keygen is not installed")
		}
		t.Skip("ssh-keygen is not installed; it is the judge here")
	}
	cmd := exec.Command("ssh-keygen", args...)
	cmd.Stdin = strings.NewReader(stdin)
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// TestSignersAgreeWithSSHKeygen holds every option of an allowed-signers file
// against ssh-keygen -Y verify at several times (ssh-keygen(1), ALLOWED SIGNERS).
func TestSignersAgreeWithSSHKeygen(t *testing.T) {
	dir := t.TempDir()
	k, other, ca := newKey(t, "ed25519"), newKey(t, "ed25519"), newKey(t, "ecdsa")
	// Certificates: one that holds, one for a host, one that ran out, one for
	// somebody else.
	const who = "maren@halden-street.example"
	certify := func(name string, args ...string) key {
		file := filepath.Join(dir, name)
		for _, suffix := range []string{"", ".pub"} {
			data := must(os.ReadFile(k.file + suffix))
			if err := os.WriteFile(file+suffix, data, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		args = append([]string{"-q", "-s", ca.file, "-I", name}, append(args, file+".pub")...)
		if out, err := keygen(t, "", args...); err != nil {
			t.Fatalf("ssh-keygen: %v %s", err, out)
		}
		return key{file: file + "-cert.pub"}
	}
	signers := map[string]key{
		"the key":              k,
		"another key":          other,
		"a certificate":        certify("good", "-n", who, "-V", "20310101Z:20320101Z"),
		"a host's certificate": certify("host", "-h", "-n", who, "-V", "20310101Z:20320101Z"),
		"somebody else's":      certify("else", "-n", "jory@halden-street.example", "-V", "20310101Z:20320101Z"),
		"one for nobody":       certify("nobody", "-V", "20310101Z:20320101Z"),
	}
	const text = "what is signed\n"
	type signed struct {
		file string
		key  ssh.PublicKey
	}
	sigs := map[string]signed{}
	for name, s := range signers {
		file := filepath.Join(dir, strings.ReplaceAll(name, " ", "-"))
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if out, err := keygen(t, "", "-q", "-Y", "sign", "-n", "git", "-f", s.file, file); err != nil {
			t.Fatalf("ssh-keygen: %v %s", err, out)
		}
		key, err := checkSignature(must(os.ReadFile(file+".sig")), []byte(text), "git")
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		sigs[name] = signed{file + ".sig", key}
	}
	pub, caPub := authorized(k.PublicKey()), authorized(ca.PublicKey())
	agreed := map[bool]int{}
	for i, line := range []string{
		who + " " + pub,
		"*@halden-street.example " + pub,
		`"maren@halden-street.example,jory@halden-street.example" ` + pub + " the old laptop",
		who + ` namespaces="git" ` + pub,
		who + ` namespaces="file,git" ` + pub,
		who + ` namespaces="g?t" ` + pub,
		who + ` namespaces="file" ` + pub,
		who + ` namespaces="*,!git" ` + pub,
		who + ` NameSpaces="git" ` + pub,
		who + ` valid-after="20310601Z" ` + pub,
		who + ` valid-before="20310601Z" ` + pub,
		who + ` valid-after="20310601120000Z",valid-before="20310701000000Z" ` + pub,
		who + ` valid-after="203106011200Z" ` + pub,
		who + ` cert-authority ` + pub,
		who + ` cert-authority ` + caPub,
		"*@halden-street.example cert-authority " + caPub,
		who + ` cert-authority,namespaces="file" ` + caPub,
		who + ` cert-authority,valid-before="20310601Z" ` + caPub,
		who + " " + caPub,
	} {
		allowed := filepath.Join(dir, fmt.Sprintf("allowed-%d", i))
		if err := os.WriteFile(allowed, []byte("# a remark\n\n"+line+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := ParseSigners("allowed", []byte("# a remark\n\n"+line+"\n"))
		if err != nil {
			t.Errorf("%s: %v", line, err)
			continue
		}
		trust := &Trust{Signers: []*Signers{s}}
		for name, sig := range sigs {
			for _, at := range []string{"20301231235959Z", "20310601000000Z", "20310601120000Z", "20310701000001Z", "20330101000000Z"} {
				// Away from the validity of a line or a certificate one time is enough.
				if !strings.Contains(line, "valid-") && !strings.Contains(name, "certificate") && at != "20310601120000Z" {
					continue
				}
				// ssh-keygen asks who it should be; here whoever the line names counts.
				if name == "somebody else's" && strings.Contains(line, "*@") {
					continue
				}
				when := must(time.Parse("20060102150405Z", at))
				got, why := trust.judge(sig.key, "git", when)
				out, err := keygen(t, text, "-Y", "verify", "-f", allowed, "-I", who, "-n", "git", "-O", "verify-time="+at, "-s", sig.file)
				if (got == KeyTrusted) != (err == nil) {
					t.Errorf("%s at %s under %q: %s (%s), and ssh-keygen: %v %s", name, at, line, got, why, err, out)
				}
				agreed[err == nil]++
			}
		}
	}
	if agreed[true] < 20 || agreed[false] < 40 {
		t.Errorf("too few comparisons: %v", agreed)
	}
}

func TestSignersRefused(t *testing.T) {
	pub := authorized(newKey(t, "ed25519").PublicKey())
	for _, line := range []string{
		"maren@halden-street.example", "maren@halden-street.example " + pub[:40], `"maren@halden-street.example ` + pub,
		"m@h.example colour=\"red\" " + pub, "m@h.example valid-after=\"yesterday\" " + pub, "m@h.example valid-after=\"20310230Z\" " + pub,
		"m@h.example namespaces=\"git\",namespaces=\"file\" " + pub, "m@h.example valid-after=\"20320101\",valid-before=\"20310101\" " + pub,
		"m@h.example namespaces " + pub, "m@h.example cert-authority=\"yes\" " + pub,
	} {
		if _, err := ParseSigners("signers", []byte("# one\n"+line+"\n")); err == nil || !strings.Contains(err.Error(), "signers:2: ") {
			t.Errorf("%q: %v", line, err)
		}
	}
	for _, text := range []string{"SSHKRL\n\x00\x00\x00\x00\x01", "SHA256:short\n", "not a key\n", "ssh-ed25519 AAAA\n"} {
		if _, err := ParseRevoked("revoked", []byte(text)); err == nil {
			t.Errorf("%q is taken for a list of revoked keys", text)
		}
	}
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
		_, err := checkSignature(sshsig.Armor(s), text, "git")
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %v", algorithm, err)
		}
	}
	weak := must(ssh.NewSignerFromKey(must(rsa.GenerateKey(rand.Reader, 1024))))
	sig := must(sshsig.Sign(bytes.NewReader(text), weak, sshsig.HashSHA512, "git"))
	if _, err := checkSignature(sshsig.Armor(sig), text, "git"); err == nil || !strings.Contains(err.Error(), "1024 bits") {
		t.Errorf("a short RSA key: %v", err)
	}
}

// TestTrustPassedOn follows rotations: a key takes over what the one before might
// do, and what somebody wrote down about it stands before that.
func TestTrustPassedOn(t *testing.T) {
	one, two, three := newKey(t, "ed25519"), newKey(t, "ed25519"), newKey(t, "ed25519")
	chain := []*Seal{{Name: "seal", Statement: &Statement{Rotations: []SignedRotation{
		*must(rotate("Halden Street Workshop", two, three, benchDay.AddDate(1, 0, 0))), *must(rotate("Halden Street Workshop", one, two, benchDay))}}}}
	line := func(k key, options string) *Signers {
		return must(ParseSigners("signers", []byte("maren@halden-street.example "+options+" "+authorized(k.PublicKey())+"\n")))
	}
	for _, c := range []struct {
		name  string
		trust Trust
		want  Standing
	}{
		{"nothing known", Trust{}, KeyUnknown},
		{"the first named", Trust{Expect: []string{one.fingerprint()}}, KeyTrusted},
		{"the first listed", Trust{Signers: []*Signers{line(one, "")}}, KeyTrusted},
		{"the first listed until it passed on", Trust{Signers: []*Signers{line(one, `valid-before="20310401Z"`)}}, KeyTrusted},
		{"the first had run out when it passed on", Trust{Signers: []*Signers{line(one, `valid-before="20310101Z"`)}}, KeyUnknown},
		{"the first may not pass on", Trust{Signers: []*Signers{line(one, `namespaces="git,benchlore-packet"`)}}, KeyUnknown},
		{"the first may pass on, and not sign commits", Trust{Signers: []*Signers{line(one, `namespaces="benchlore-rotation"`)}}, KeyUnknown},
		{"the one between revoked", Trust{Expect: []string{one.fingerprint()}, Revoked: Revoked{two.fingerprint(): true}}, KeyUnknown},
		{"the last revoked", Trust{Expect: []string{one.fingerprint()}, Revoked: Revoked{three.fingerprint(): true}}, KeyRevoked},
		{"the last listed, and no longer valid", Trust{Signers: []*Signers{line(one, ""), line(three, `valid-before="20320401Z"`)}}, KeyUnknown},
	} {
		v := newVerifier("bundle", VerifyOptions{Trust: &c.trust})
		v.chain = chain
		v.learn()
		if got, why := v.standing(three.PublicKey(), "git", benchDay.AddDate(2, 0, 0)); got != c.want {
			t.Errorf("%s: %s (%s), want %s", c.name, got, why, c.want)
		}
	}
}
