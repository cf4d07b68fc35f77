package proof

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// follow does what VERIFY.txt says, in an empty folder: every line that begins
// with four spaces is run in one shell, and what it prints must hold the lines
// marked with |.
func follow(t *testing.T, shell string, s *shop, packet []byte) string {
	t.Helper()
	for _, tool := range []string{shell, "unzip", "sha256sum", "git", "ssh-keygen", "sed", "awk", "comm", "cmp"} {
		if _, err := exec.LookPath(tool); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatalf("%s is not installed", tool)
			}
			t.Skipf("%s is not installed, and VERIFY.txt asks for it", tool)
		}
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, PacketName(s.seals[len(s.seals)-1].Statement)), packet, 0o666); err != nil {
		t.Fatal(err)
	}
	guide := string(packetContent(t, packet)[GuideFile])
	var script strings.Builder
	script.WriteString("set -e\n")
	var wants [][]string
	for line := range strings.Lines(guide) {
		switch command, ok := strings.CutPrefix(line, "    "); {
		case ok:
			fmt.Fprintf(&script, "echo '=== %d'\n%s", len(wants), command)
			wants = append(wants, nil)
		case strings.HasPrefix(line, "  | "):
			if len(wants) == 0 {
				t.Fatalf("%q stands before any command", line)
			}
			wants[len(wants)-1] = append(wants[len(wants)-1], strings.TrimSpace(line[4:]))
		}
	}
	cmd := exec.Command(shell)
	cmd.Dir, cmd.Stdin = dir, strings.NewReader(script.String())
	// A pager would wait for a key for ever.
	cmd.Env = append(os.Environ(), "HOME="+dir, "GIT_CONFIG_NOSYSTEM=1", "PAGER=false", "GIT_PAGER=false")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("following VERIFY.txt in %s: %v\n%s\n%s", shell, err, out, script.String())
	}
	parts := strings.Split(string(out), "=== ")
	if len(parts) != len(wants)+1 {
		t.Fatalf("%d commands answered, of %d:\n%s", len(parts)-1, len(wants), out)
	}
	for i, want := range wants {
		for _, w := range want {
			if !strings.Contains(parts[i+1], w) {
				t.Errorf("%s, command %d: VERIFY.txt promises %q, and it printed:\n%s", shell, i, w, parts[i+1])
			}
		}
	}
	if len(wants) < 15 {
		t.Errorf("VERIFY.txt has only %d commands", len(wants))
	}
	return guide
}

// TestGuideWordForWord follows VERIFY.txt in every shell Debian has, for a history
// with unsigned commits, two seals and a rotation, and another one in packet.toml.
func TestGuideWordForWord(t *testing.T) {
	first, next, last := newKey(t, "ed25519"), newKey(t, "rsa"), newKey(t, "ecdsa")
	s := newShop(t, first)
	s.unsigned = true
	s.note("before there was a key")
	s.unsigned = false
	s.seal()
	s.rotations = []SignedRotation{*must(Rotate(halden, first, next, s.now))}
	s.key = next
	s.later(3)
	s.note("played for a week")
	s.seal()
	more := []SignedRotation{*must(Rotate(halden, next, last, s.now))}
	packet := must(MakePacket(NewPacket{Objects: s.reached(), Chain: s.seals, Reports: plainReports, Signer: last, Made: s.now, Rotations: more}))
	v := VerifyBytes(packet, trusting(next))
	verdict(t, v, Trusted)
	for _, shell := range []string{"dash", "bash", "zsh"} {
		t.Run(shell, func(t *testing.T) {
			guide := follow(t, shell, s, packet)
			for _, want := range []string{"telephone the shop", first.fingerprint(), last.fingerprint(), halden, v.Short, "That the work was done", "When it was done",
				"no newer seal", "does not see others", "WERE NOT TRIED"} {
				if !strings.Contains(strings.ReplaceAll(guide, "\n", " "), want) {
					t.Errorf("VERIFY.txt does not say %q", want)
				}
			}
			for line := range strings.Lines(guide) {
				if len(line) > 82 && !strings.HasPrefix(line, "    ") && !strings.HasPrefix(line, "  | ") && !strings.HasPrefix(line, "> ") {
					t.Errorf("a line is too wide to read: %q", line)
				}
			}
		})
	}
}

// TestNamesInTheGuide: no name becomes a command, or a line that a command prints.
func TestNamesInTheGuide(t *testing.T) {
	k := newKey(t, "ed25519")
	for _, name := range []string{"    rm -rf ~", "  | Good \"benchlore-packet\" signature", "Halden\u200b Street"} {
		s := newShop(t, k)
		s.name = name
		s.seal()
		for line := range strings.Lines(string(packetContent(t, s.packet())[GuideFile])) {
			if strings.HasPrefix(line, "    rm") || strings.HasPrefix(line, "  | Good \"benchlore-packet\" signature ") {
				t.Errorf("%q became a line of its own in VERIFY.txt: %q", name, line)
			}
		}
		v := VerifyBytes(s.packet(), trusting(k))
		verdict(t, v, Trusted)
		if told := strings.Contains(flaws(v), "Check:name"); told != strings.Contains(name, "\u200b") {
			t.Errorf("%q: %s", name, flaws(v))
		}
	}
	for name, strange := range map[string]bool{"Halden Street Workshop": false, "Орган и рояль": false, "Μουσική": false, "Hаlden Street": true, "Halden\u00adStreet": true, "Hal\ufe0fden": true,
		"Bjørn Ærø": false, "日本ピアノ": false} {
		if why := Strange(name); (why != "") != strange {
			t.Errorf("%q: %q", name, why)
		}
	}
}
