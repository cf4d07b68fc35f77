package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"benchlore/ledger/proof"
)

// TestProcessorsAgree: a packet made on one processor verifies on another, its
// report's facts compared, and the other way round. arm64 rounds some sums of
// products once where amd64 rounds them twice. Asked for by BENCHLORE_TEST_ARM64=1,
// since it builds the program once more, and runs it on a processor that is played.
func TestProcessorsAgree(t *testing.T) {
	if os.Getenv("BENCHLORE_TEST_ARM64") == "" {
		t.Skip("BENCHLORE_TEST_ARM64 is not set")
	}
	qemu, err := exec.LookPath("qemu-aarch64")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip("qemu-aarch64 is not installed")
	}
	dir := t.TempDir()
	other := filepath.Join(dir, "benchlore-arm64")
	build := exec.Command("go", "build", "-o", other, ".")
	build.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	there := func(args ...string) *exec.Cmd { return exec.Command(qemu, append([]string{other}, args...)...) }

	// Packets that were made here, and the pages that both make of them.
	names, err := filepath.Glob("../../testdata/packets/*.zip")
	if err != nil || len(names) == 0 {
		t.Fatalf("no packets: %v", err)
	}
	for _, name := range names {
		want, _ := program(".", nil, "verify", "--json", "--expect-key", keptPacketsKey, name).Output()
		got, err := there("verify", "--json", "--expect-key", keptPacketsKey, name).Output()
		if len(got) == 0 || !bytes.Equal(got, want) {
			t.Errorf("%s: %v\nthere:\n%s\nhere:\n%s", name, err, got, want)
		}
	}

	// A packet that is made there, of the same history.
	key := filepath.Join(dir, "key")
	if out, err := exec.Command("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	must(t, dir, "demo", filepath.Join(dir, "shop"))
	ledger := filepath.Join(dir, "shop", "ledger")
	for _, args := range [][]string{{"config", "gpg.format", "ssh"}, {"config", "user.signingkey", key}} {
		if out, err := exec.Command("git", append([]string{"-C", ledger}, args...)...).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	here := func(args ...string) *exec.Cmd { return program(".", nil, args...) }
	for unit, run := range map[string][2]func(...string) *exec.Cmd{"a61-16240": {here, there}, "lw3-2204": {there, here}} {
		packet := filepath.Join(dir, unit+".zip")
		for _, args := range [][]string{{"seal", unit, "--unsigned-history", "--ledger", ledger}, {"handover", unit, "-o", packet, "--ledger", ledger}} {
			if out, err := run[0](args...).CombinedOutput(); err != nil {
				t.Fatalf("%s: %v\n%s", args, err, out)
			}
		}
		out, _ := run[1]("verify", "--json", packet).Output()
		var v proof.Verification
		if err := json.Unmarshal(out, &v); err != nil {
			t.Fatalf("%s: %v\n%s", unit, err, out)
		}
		if v.Verdict != proof.Untrusted || v.Parts.Facts != proof.Trusted {
			t.Errorf("%s: %s, its facts: %s\n%s", unit, v.Verdict, v.Parts.Facts, out)
		}
	}
}
