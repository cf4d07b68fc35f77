//go:build unix

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// lastPart is the last commit's subject.
func lastPart(t *testing.T, dir string) string {
	t.Helper()
	out, err := gitOut(dir, "log", "-1", "--format=%s", "main")
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(out)
}

// Lines typed one after another, some of them ahead of what is on the screen.
func TestSitting(t *testing.T) {
	dir := copied(t)
	s := sit(t, dir, nil, "part")
	s.sees("a61-10233>")
	s.keys("div\t3\r") // the beginning of a section's name
	s.sees("a61-10233 divider 3>")
	s.keys("C2 sho rep 2.2uF/63V lot=2030\t\rC3 =\r")
	s.sees("stored: divider 3 C3: found failed short; replaced by 2.2uF 63V lot")
	s.keys("C4 shrot\r")
	s.sees(`did you mean "short"?`)
	s.sees("C4 short") // the refused line comes back, mended
	s.keys(" like\r")
	s.sees("stored: divider 3 C4: found failed short; replaced by")
	s.keys("undo\r")
	s.sees("taken back: astrella-61/a61-10233: divider 3 C4")
	s.keys("Q\t\t")
	s.sees("divider 3 transistor")
	s.keys("\x15power supply C1 ok lef\rC3 ok lef\r") // only the dividers have a C3
	s.sees("stored: power supply C1: found ok; left")
	s.sees("C3 could be in any of")
	s.keys("C1 note=\"it's\r")
	s.sees("a quote is open")
	s.keys("\x15on lw3-2204\r") // the refused line came back
	s.sees("on the bench: longwave-3/lw3-2204")
	s.keys("end\r")
	if code := s.leaves(); code != exitOK {
		t.Errorf("exit code %d", code)
	}
	s.sees("4 lines stored: instruments/astrella-61/a61-10233/2031-03-04-parts-")
	s.sees("1 change taken back")
	if err := judged(dir); err != nil {
		t.Error(err)
	}
}

// However a sitting ends, what was answered is stored, and the terminal is as it
// was wherever the program could give it back.
func TestSittingEnds(t *testing.T) {
	for _, c := range []struct {
		name string
		code int
		end  func(s *seat)
	}{
		{"ctrl-d", exitOK, func(s *seat) { s.keys("\x04") }},
		{"ctrl-c", exitOK, func(s *seat) { s.keys("C2 shor\x03") }},
		{"terminated", exitEnvironment, func(s *seat) { s.cmd.Process.Signal(syscall.SIGTERM) }},
		{"killed", -1, func(s *seat) { s.cmd.Process.Kill() }},
		{"terminal gone", exitEnvironment, func(s *seat) { s.pty.Close() }},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := copied(t)
			var env []string
			gone := c.name == "terminal gone"
			if gone {
				env = []string{shielded}
			}
			s := sit(t, dir, env, "part", "--unit", "a61-10233")
			before := cooked(t, s.pty)
			s.sees("a61-10233>")
			s.keys("power supply C1 sho like\r")
			s.sees("stored: power supply C1")
			c.end(s)
			if code := s.leaves(); code != c.code {
				t.Errorf("exit code %d", code)
			}
			if c.code >= 0 && !gone {
				if after := cooked(t, s.pty); after != before {
					t.Errorf("the terminal was %v and is %v", before, after)
				}
			}
			if got := lastPart(t, dir); !strings.HasPrefix(got, "astrella-61/a61-10233: power supply C1: found failed short") {
				t.Errorf("the last commit is %s", got)
			}
			if err := judged(dir); err != nil {
				t.Error(err)
			}
		})
	}
}

// cooked reports whether the terminal gathers lines and echoes what is typed.
func cooked(t *testing.T, terminal *os.File) bool {
	t.Helper()
	cmd := exec.Command("stty", "-a")
	cmd.Stdin = terminal
	out, err := cmd.Output()
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("stty: %v", err)
		}
		t.Skipf("stty: %v", err)
	}
	return strings.Contains(string(out), " icanon") && strings.Contains(string(out), " echo ")
}

// A terminal that can only print lines gets lines; nothing is asked off one.
func TestSittingPlain(t *testing.T) {
	dir := copied(t)
	s := sit(t, dir, []string{"TERM=dumb"}, "part", "--dry-run")
	s.sees("a61-10233>")
	s.keys("?\rpower supply C1 sho like\rend\r")
	if code := s.leaves(); code != exitOK {
		t.Errorf("exit code %d", code)
	}
	s.sees("1 line would be stored: ")
	s.mu.Lock()
	if strings.Contains(s.raw.String(), "\x1b") {
		t.Errorf("a sequence was sent: %q", s.raw.String())
	}
	s.mu.Unlock()
	if found, _ := filepath.Glob(filepath.Join(dir, "instruments", "*", "*", "*-parts-*")); len(found) > 0 {
		t.Errorf("a dry run wrote %v", found)
	}
	cmd := program(dir, nil, "part")
	cmd.Stdin = strings.NewReader("C1 ok\n")
	if out, err := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != exitUsage || !strings.Contains(string(out), "nothing was given") {
		t.Errorf("%v\n%s", err, out)
	}
}

// Two people at one unit: each line is read against what the other has stored.
func TestSittingsSideBySide(t *testing.T) {
	dir := copied(t)
	one, two := sit(t, dir, nil, "part"), sit(t, dir, nil, "part")
	one.sees("a61-10233>")
	two.sees("a61-10233>")
	one.keys("divider 1 C2 sho like\r")
	two.keys("divider 2 C2 lea like\r")
	one.sees("stored: divider 1 C2")
	two.sees("stored: divider 2 C2")
	one.keys("C3 =\rend\r")
	two.keys("end\r")
	one.sees("stored: divider 1 C3")
	for _, s := range []*seat{one, two} {
		if code := s.leaves(); code != exitOK {
			t.Errorf("exit code %d", code)
		}
	}
	if err := judged(dir); err != nil {
		t.Error(err)
	}
}
