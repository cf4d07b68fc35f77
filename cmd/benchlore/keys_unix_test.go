//go:build unix

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/crypto/ssh"
)

// A passphrase is asked for twice when the key is made, never shown, and asked
// for once by a command that signs. Listing keys asks for nothing.
func TestKeyWithPassphrase(t *testing.T) {
	dir := copied(t)
	key := filepath.Join(t.TempDir(), "key")
	const pass = "open sesame"

	s := sit(t, dir, nil, "keys", "new", "--file", key)
	s.sees("passphrase for the new key")
	s.keys(pass + "\r")
	s.sees("the same again")
	s.keys("open barley\r")
	if code := s.leaves(); code != exitUsage {
		t.Errorf("two different passphrases: code %d", code)
	}
	if _, err := os.Stat(key); err == nil {
		t.Fatal("a key was made")
	}

	s = sit(t, dir, nil, "keys", "new", "--file", key)
	s.sees("passphrase for the new key")
	s.keys(pass + "\r")
	s.sees("the same again")
	s.keys(pass + "\r")
	if code := s.leaves(); code != 0 {
		t.Fatalf("code %d", code)
	}
	if strings.Contains(s.raw.String(), pass) {
		t.Error("the passphrase is shown")
	}
	text, err := os.ReadFile(key)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ssh.ParsePrivateKey(text); err == nil {
		t.Error("the key is not encrypted")
	}
	if _, err := ssh.ParsePrivateKeyWithPassphrase(text, []byte(pass)); err != nil {
		t.Error(err)
	}

	if out, err := program(dir, nil, "keys").CombinedOutput(); err != nil || !strings.Contains(string(out), "this copy signs with it") {
		t.Errorf("%v\n%s", err, out)
	}
	if out, err := program(dir, nil, "record", "release", "--works", "fully", "--fault", `id = "F1", state = "cured"`,
		"--fault", `id = "F2", state = "cured"`).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	cmd := program(dir, nil, "close", "--yes")
	if out, err := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != exitEnvironment || !strings.Contains(string(out), "ssh-add") {
		t.Errorf("without a terminal: %v\n%s", err, out)
	}
	s = sit(t, dir, nil, "close", "--yes")
	s.sees("passphrase for /")
	s.keys(pass + "\r")
	s.sees("signed by SHA256:")
	if code := s.leaves(); code != 0 {
		t.Errorf("code %d", code)
	}
	if n := strings.Count(s.raw.String(), "passphrase for"); n != 1 {
		t.Errorf("the passphrase was asked for %d times", n)
	}
}
