package gitstore

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"

	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/sshkey"
)

// sshKey makes a key pair with ssh-keygen and returns the private file's name.
func sshKey(t *testing.T, dir, kind, pass string) string {
	t.Helper()
	if _, err := exec.LookPath("ssh-keygen"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("ssh-keygen is not installed")
		}
		t.Skip("ssh-keygen is not installed; this test compares with it")
	}
	name := filepath.Join(dir, "id_"+kind)
	args := []string{"-q", "-t", kind, "-N", pass, "-C", "ines@halden.example", "-f", name}
	if kind == "rsa" {
		args = append(args, "-b", "2048")
	}
	if out, err := exec.Command("ssh-keygen", args...).CombinedOutput(); err != nil {
		t.Fatalf("ssh-keygen: %v %s", err, out)
	}
	return name
}

func pubText(t *testing.T, key string) string {
	t.Helper()
	b, err := os.ReadFile(key + ".pub")
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

// serveAgent runs an agent that holds a key, until the test ends.
func serveAgent(t *testing.T, key string) {
	t.Helper()
	text, err := os.ReadFile(key)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := ssh.ParseRawPrivateKey(text)
	if err != nil {
		t.Fatal(err)
	}
	ring := agent.NewKeyring()
	if err := ring.Add(agent.AddedKey{PrivateKey: raw}); err != nil {
		t.Fatal(err)
	}
	dir, err := os.MkdirTemp("", "ag") // socket names must be short
	if err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(dir, "s")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close(); os.RemoveAll(dir) })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() { agent.ServeAgent(ring, c); c.Close() }()
		}
	}()
	t.Setenv("SSH_AUTH_SOCK", socket)
}

func TestSignaturesStockGitAccepts(t *testing.T) {
	ask := func(string) ([]byte, error) { return []byte("open sesame"), nil }
	tests := []struct {
		name, kind, pass string
		key              func(t *testing.T, file string) string // user.signingkey
		agent            bool
	}{
		{"private key file", "ed25519", "", func(t *testing.T, f string) string { return f }, false},
		{"public key file with the private one beside it", "ed25519", "", func(t *testing.T, f string) string { return f + ".pub" }, false},
		{"encrypted", "ed25519", "open sesame", func(t *testing.T, f string) string { return f }, false},
		{"encrypted, public named", "ed25519", "open sesame", func(t *testing.T, f string) string { return f + ".pub" }, false},
		{"rsa", "rsa", "", func(t *testing.T, f string) string { return f }, false},
		{"ecdsa", "ecdsa", "", func(t *testing.T, f string) string { return f }, false},
		{"agent, public key file alone", "ed25519", "", func(t *testing.T, f string) string {
			os.Remove(f)
			return f + ".pub"
		}, true},
		{"agent, literal", "ed25519", "", func(t *testing.T, f string) string { return pubText(t, f) }, true},
		{"agent, key:: and rsa", "rsa", "", func(t *testing.T, f string) string { return "key::" + pubText(t, f) }, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			home := neutralHome(t, "[user]\n\tname = Ines Marlow\n\temail = ines@halden.example\n[safe]\n\tdirectory = *\n")
			key := sshKey(t, home, tt.kind, tt.pass)
			signers := filepath.Join(home, "signers")
			put(t, home, "signers", "ines@halden.example namespaces=\"git,test@halden.example\" "+pubText(t, key)+"\n")
			if tt.agent {
				serveAgent(t, key)
			}
			git(t, home, "config", "--global", "user.signingkey", tt.key(t, key))
			git(t, home, "config", "--global", "gpg.format", "ssh")
			git(t, home, "config", "--global", "gpg.ssh.allowedSignersFile", "~/signers")
			r := newRepo(t)
			cfg, err := r.Config()
			if err != nil {
				t.Fatal(err)
			}
			if got, err := cfg.AllowedSigners(); err != nil || got != signers {
				t.Errorf("allowed signers %q %v", got, err)
			}
			s, err := sshkey.Load(cfg, ask)
			if err != nil {
				t.Fatal(err)
			}
			tx := lock(t, r)
			c, err := tx.WriteCommit(CommitSpec{Tree: emptyTreeOf(t, tx), Author: ident(), Committer: ident(), Message: "sign-off\n\nwith a body", Sign: s})
			if err != nil {
				t.Fatal(err)
			}
			tag, err := tx.WriteTag(TagSpec{Object: c, Type: object.TypeCommit, Name: "seal/1", Tagger: ident(), Message: "n = 1", Sign: s})
			if err != nil {
				t.Fatal(err)
			}
			if err := tx.Commit(Plan{Refs: []RefUpdate{{Name: "refs/heads/main", New: c}, {Name: "refs/tags/seal/1", New: tag}}}); err != nil {
				t.Fatal(err)
			}
			for _, v := range [][]string{{"verify-commit", "main"}, {"verify-tag", "seal/1"}} {
				if out := git(t, r.Dir, v...); !strings.Contains(out, `Good "git" signature for ines@halden.example`) {
					t.Errorf("%v: %s", v, out)
				}
			}
			clean(t, r.Dir)

			const ns = "test@halden.example"
			sig, err := s.Sign(ns, []byte("statement\n"))
			if err != nil {
				t.Fatal(err)
			}
			put(t, home, "sig", string(sig))
			verify := exec.Command("ssh-keygen", "-Y", "verify", "-f", signers, "-I", "ines@halden.example", "-n", ns, "-s", filepath.Join(home, "sig"))
			verify.Stdin = strings.NewReader("statement\n")
			if out, err := verify.CombinedOutput(); err != nil {
				t.Errorf("ssh-keygen: %v %s", err, out)
			}
			// With any other text it must not.
			verify = exec.Command("ssh-keygen", "-Y", "verify", "-f", signers, "-I", "ines@halden.example", "-n", ns, "-s", filepath.Join(home, "sig"))
			verify.Stdin = strings.NewReader("statement!\n")
			if verify.Run() == nil {
				t.Error("a changed text is accepted")
			}
		})
	}
}

func emptyTreeOf(t *testing.T, tx *Tx) object.Hash {
	t.Helper()
	h, err := tx.WriteTree(nil)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func TestSignerRefusals(t *testing.T) {
	home := neutralHome(t, "")
	locked := sshKey(t, home, "ed25519", "secret")
	other := sshKey(t, t.TempDir(), "ecdsa", "")
	put(t, home, "swapped.pub", pubText(t, other)+"\n")
	if b, err := os.ReadFile(sshKey(t, t.TempDir(), "ed25519", "")); err != nil {
		t.Fatal(err)
	} else {
		put(t, home, "swapped", string(b))
	}
	put(t, home, "nonsense", "hello\n")
	refused := errors.New("no terminal")
	tests := []struct {
		name, key, format string
		ask               sshkey.Passphrase
		want              string
	}{
		{"no key", "", "ssh", nil, "user.signingkey"},
		{"other format", locked, "openpgp", nil, "gpg.format ssh"},
		{"no such file", filepath.Join(home, "none"), "ssh", nil, "cannot be read"},
		{"passphrase and nobody to ask", locked, "ssh", nil, "ssh-add"},
		{"passphrase not given", locked, "ssh", func(string) ([]byte, error) { return nil, refused }, "no terminal"},
		{"wrong passphrase", locked, "ssh", func(string) ([]byte, error) { return []byte("x"), nil }, "not its passphrase"},
		{"no key in the file", filepath.Join(home, "nonsense"), "ssh", nil, "can be read"},
		{"pair that does not match", filepath.Join(home, "swapped.pub"), "ssh", nil, "not the private key"},
		{"literal without agent", pubText(t, other), "ssh", nil, "agent"},
		{"literal nonsense", "key::x", "ssh", nil, "not a public key"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			neutralHome(t, fmt.Sprintf("[gpg]\n\tformat = %s\n[user]\n\tsigningkey = %q\n", tt.format, tt.key))
			cfg, err := config.Global()
			if err != nil {
				t.Fatal(err)
			}
			_, err = sshkey.Load(cfg, tt.ask)
			if _, ok := errors.AsType[*sshkey.Error](err); !ok || !strings.Contains(fmt.Sprint(err), tt.want) {
				t.Errorf("got %v", err)
			}
		})
	}
	serveAgent(t, other)
	neutralHome(t, fmt.Sprintf("[user]\n\tsigningkey = %q\n", "key::"+pubText(t, locked)))
	cfg, err := config.Global()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := sshkey.Load(cfg, nil); err == nil || !strings.Contains(err.Error(), "does not hold") {
		t.Errorf("got %v", err)
	}
}
