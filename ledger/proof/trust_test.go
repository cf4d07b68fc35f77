package proof

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/proof/gitobj"
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
	kFile, caFile := k.file(t), ca.file(t)
	// Certificates: one that holds, one for a host, one that ran out, one for
	// somebody else.
	const who = "maren@halden-street.example"
	certify := func(name string, args ...string) string {
		file := filepath.Join(dir, name)
		for _, suffix := range []string{"", ".pub"} {
			data := must(os.ReadFile(kFile + suffix))
			if err := os.WriteFile(file+suffix, data, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		args = append([]string{"-q", "-s", caFile, "-I", name}, append(args, file+".pub")...)
		if out, err := keygen(t, "", args...); err != nil {
			t.Fatalf("ssh-keygen: %v %s", err, out)
		}
		return file + "-cert.pub"
	}
	signers := map[string]string{
		"the key":              kFile,
		"another key":          other.file(t),
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
		if out, err := keygen(t, "", "-q", "-Y", "sign", "-n", "git", "-f", s, file); err != nil {
			t.Fatalf("ssh-keygen: %v %s", err, out)
		}
		key, err := gitobj.CheckSignature(must(os.ReadFile(file+".sig")), []byte(text), "git")
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		sigs[name] = signed{file + ".sig", key}
	}
	pub, caPub := gitobj.Authorized(k.PublicKey()), gitobj.Authorized(ca.PublicKey())
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
				got, why := trust.Judge(sig.key, "git", when, when)
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
	pub := gitobj.Authorized(newKey(t, "ed25519").PublicKey())
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

// TestKeysDecideTheVerdict runs honest packets past people who know different
// things of the shop's keys.
func TestKeysDecideTheVerdict(t *testing.T) {
	first, next, thief := newKey(t, "ed25519"), newKey(t, "rsa"), newKey(t, "ed25519")
	s := newShop(t, first)
	s.seal()
	old := s.packet()
	oldSeal := s.seals[0]
	rotation := must(Rotate(halden, first, next, s.now.AddDate(0, 0, 1)))
	// Rotated between sealing and handing over: packet.toml carries it.
	s.key = next
	handed := must(MakePacket(NewPacket{Objects: s.reached(), Chain: s.seals, Reports: plainReports, Signer: next, Made: s.now.AddDate(0, 0, 1), Rotations: []SignedRotation{*rotation}}))
	s.rotations = []SignedRotation{*rotation}
	s.later(3)
	s.note("played for a week")
	s.seal()
	rotated := s.packet()
	// Packed by a technician whose key the seal lists, and by one it does not.
	technician := newKey(t, "ed25519")
	s.keys = []string{gitobj.Authorized(next.PublicKey()), gitobj.Authorized(technician.PublicKey())}
	s.later(1)
	s.note("and another")
	s.seal()
	byTechnician := must(MakePacket(NewPacket{Objects: s.reached(), Chain: s.seals, Reports: plainReports, Signer: technician, Made: s.now}))
	byThief := must(MakePacket(NewPacket{Objects: s.reached(), Chain: s.seals, Reports: plainReports, Signer: thief, Made: s.now}))
	// The same shop's name under a key that nothing links.
	lost := newShop(t, first)
	lost.seal()
	lost.key = thief
	lost.later(2)
	lost.note("with another key")
	lost.seal()
	unlinked := lost.packet()
	// A rotation that a later seal carries does not reach back to an earlier one.
	back := newShop(t, next)
	back.seal()
	back.key, back.rotations = first, []SignedRotation{*rotation}
	back.later(5)
	back.note("with the rotation")
	back.seal()
	line := func(k key, options string) *Signers {
		return must(ParseSigners("signers", []byte("maren@halden-street.example "+options+" "+gitobj.Authorized(k.PublicKey())+"\n")))
	}
	gone := Revoked{first.fingerprint(): true}
	held := map[string]bool{oldSeal.Digest: true}
	now := benchDay.AddDate(5, 0, 0) // of the reader
	for _, c := range []struct {
		name   string
		packet []byte
		trust  *Trust
		want   Verdict
		told   string
	}{
		{"nothing known", old, &Trust{}, Untrusted, ""},
		{"the fingerprint named", old, &Trust{Expect: []string{first.fingerprint()}}, Trusted, ""},
		{"another fingerprint named", old, &Trust{Expect: []string{next.fingerprint()}}, Untrusted, "not the key you named"},
		{"another fingerprint named, and listed", old, &Trust{Expect: []string{next.fingerprint()}, Signers: []*Signers{line(first, "")}}, Untrusted, "not the key you named"},
		{"listed", old, &Trust{Signers: []*Signers{line(first, "")}}, Trusted, ""},
		{"listed for packets alone", old, &Trust{Signers: []*Signers{line(first, `namespaces="benchlore-packet"`)}}, Untrusted, ""},
		{"listed, valid then and now", old, &Trust{Signers: []*Signers{line(first, `valid-after="20310101Z",valid-before="20400101Z"`)}}, Trusted, ""},
		{"listed, valid then by its own word alone", old, &Trust{Signers: []*Signers{line(first, `valid-before="20320101Z"`)}}, Untrusted, ""},
		{"listed, valid then, and held since", old, &Trust{Signers: []*Signers{line(first, `valid-before="20320101Z"`)}, Held: held}, Trusted, ""},
		{"listed, not yet valid then", old, &Trust{Signers: []*Signers{line(first, `valid-after="20320101Z"`)}}, Untrusted, ""},
		{"revoked", old, &Trust{Expect: []string{first.fingerprint()}, Revoked: gone}, Broken, "Check:revoked"},
		{"revoked, whatever its dates", old, &Trust{Signers: []*Signers{line(first, "")}, Revoked: gone, Held: held}, Broken, "Check:revoked"},
		{"a new key, the old one listed", rotated, &Trust{Signers: []*Signers{line(first, "")}}, Trusted, ""},
		{"a new key, the old one named", rotated, &Trust{Expect: []string{first.fingerprint()}}, Untrusted, "not the key you named"},
		{"a new key named", rotated, &Trust{Expect: []string{next.fingerprint()}}, Trusted, ""},
		{"a new key, the old one not allowed to rotate", rotated, &Trust{Signers: []*Signers{line(first, `namespaces="git,benchlore-packet"`)}}, Untrusted, ""},
		{"a new key, the old one may rotate and not sign", rotated, &Trust{Signers: []*Signers{line(first, `namespaces="benchlore-rotation"`)}}, Untrusted, ""},
		{"a new key, the old one revoked", rotated, &Trust{Signers: []*Signers{line(first, "")}, Revoked: gone}, Untrusted, "Check:revoked"},
		{"the new key named, the old one revoked", rotated, &Trust{Expect: []string{next.fingerprint()}, Revoked: gone}, Trusted, "the seals after it vouch"},
		{"the new key revoked", rotated, &Trust{Signers: []*Signers{line(first, "")}, Revoked: Revoked{next.fingerprint(): true}}, Broken, "Check:revoked"},
		{"handed over with a key rotated to since", handed, &Trust{Expect: []string{first.fingerprint()}}, Trusted, ""},
		{"packed by a technician the seal lists", byTechnician, &Trust{Expect: []string{next.fingerprint()}}, Trusted, ""},
		{"packed by somebody else", byThief, &Trust{Expect: []string{next.fingerprint()}}, Untrusted, "Check:envelope"},
		{"packed by somebody else who is trusted", byThief, &Trust{Expect: []string{next.fingerprint()}, Signers: []*Signers{line(thief, "")}}, Trusted, ""},
		{"packed by a revoked key", byThief, &Trust{Expect: []string{next.fingerprint()}, Revoked: Revoked{thief.fingerprint(): true}}, Broken, "Check:revoked"},
		{"the shop's name under a key that nothing links", unlinked, &Trust{Signers: []*Signers{line(first, "")}}, Untrusted, string(KeyUnlinked)},
		{"a rotation that reaches back", back.packet(), &Trust{Expect: []string{first.fingerprint()}}, Trusted, ""},
	} {
		v := VerifyBytes(c.packet, Options{Trust: c.trust, Reports: &plainReports, Now: now})
		if v.Verdict != c.want || !strings.Contains(flaws(v), c.told) {
			t.Errorf("%s: %q, want %q\n%s", c.name, v.Verdict, c.want, flaws(v))
		}
		if c.name == "packed by somebody else" && (v.Parts.History != Trusted || v.Parts.Envelope != Untrusted) {
			t.Errorf("%s: the parts are %+v", c.name, v.Parts)
		}
		if c.name == "a rotation that reaches back" && v.Seals[0].Standing != KeyUnknown {
			t.Errorf("%s: the first seal is %s", c.name, v.Seals[0].Standing)
		}
		if c.name == "a new key named" && v.Seals[1].KeyChange != KeyLinked {
			t.Errorf("%s: the key change is %q", c.name, v.Seals[1].KeyChange)
		}
	}
}
