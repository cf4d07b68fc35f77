//go:build unix

package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/charmbracelet/x/vt"
	"github.com/creack/pty"
	"github.com/rogpeppe/go-internal/testscript"
)

// watcher is told what goes wrong at a terminal: a test, or a script.
type watcher interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
	Error(args ...any)
	Cleanup(func())
}

// seat is the program at a terminal of 80 columns and 24 lines, with somebody
// who types and reads the screen.
type seat struct {
	t      watcher
	dir    string
	cmd    *exec.Cmd
	pty    *os.File
	screen *vt.SafeEmulator
	mu     sync.Mutex
	raw    strings.Builder // what the program sent
	read   chan struct{}   // closed at its end
}

// shielded, in its environment, keeps the end of its terminal from ending the
// program, as nohup does.
const shielded = "BENCHLORE_TEST_SHIELDED=1"

// sit starts a command of the program at a terminal.
func sit(t watcher, dir string, env []string, args ...string) *seat {
	t.Helper()
	s := &seat{t: t, dir: dir, screen: vt.NewSafeEmulator(80, 24), read: make(chan struct{})}
	s.cmd = program(dir, append([]string{"TERM=xterm-256color", "NO_COLOR="}, env...), args...)
	if slices.Contains(env, shielded) {
		s.cmd.Args = append([]string{"sh", "-c", `trap "" HUP; exec "$@"`, "sh", s.cmd.Path}, args...)
		s.cmd.Path = "/bin/sh"
	}
	master, err := pty.StartWithSize(s.cmd, &pty.Winsize{Rows: 24, Cols: 80})
	if err != nil {
		t.Fatal(err)
	}
	// One that can be closed while it is being read. No other program may come by
	// it, or the terminal is not closed when it is closed here.
	syscall.ForkLock.RLock()
	fd, err := syscall.Dup(int(master.Fd()))
	if err == nil {
		syscall.CloseOnExec(fd)
	}
	syscall.ForkLock.RUnlock()
	if err == nil {
		err = syscall.SetNonblock(fd, true)
	}
	if err := errors.Join(err, master.Close()); err != nil {
		t.Fatal(err)
	}
	s.pty = os.NewFile(uintptr(fd), "terminal")
	go func() {
		defer close(s.read)
		buf := make([]byte, 4096)
		for {
			n, err := s.pty.Read(buf)
			s.mu.Lock()
			s.raw.Write(buf[:n])
			s.mu.Unlock()
			s.screen.Write(buf[:n])
			if err != nil {
				return
			}
		}
	}()
	go io.Copy(s.pty, s.screen) // what a terminal answers when it is asked what it can do
	t.Cleanup(func() {
		s.cmd.Process.Kill()
		s.pty.Close()
		s.screen.Close()
	})
	return s
}

// keys types. A key the terminal sends as a sequence is typed as one.
func (s *seat) keys(text string) {
	s.t.Helper()
	if _, err := s.pty.WriteString(text); err != nil {
		s.t.Fatal(err)
	}
}

// sees waits until the screen shows a text.
func (s *seat) sees(text string) {
	s.t.Helper()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if strings.Contains(s.screen.String(), text) {
			return
		}
		if time.Now().After(end) {
			s.t.Fatalf("the screen does not show %q:\n%s", text, s.screen.String())
		}
	}
}

// leaves waits for the program to end and returns its exit code.
func (s *seat) leaves() int {
	s.t.Helper()
	done := make(chan error, 1)
	go func() { done <- s.cmd.Wait() }()
	select {
	case err := <-done:
		if exit := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exit) {
			s.t.Fatal(err)
		}
	case <-time.After(10 * time.Second):
		s.t.Fatalf("still running:\n%s", s.screen.String())
	}
	select {
	case <-s.read: // all it said is on the screen
	case <-time.After(time.Second): // the terminal stays open on some systems
	}
	return s.cmd.ProcessState.ExitCode()
}

// stored leaves with the record of a kind stored, and returns it without the
// keys the program sets.
func (s *seat) stored(kind string) string {
	s.t.Helper()
	if code := s.leaves(); code != exitOK && code != exitProblems {
		s.t.Fatalf("exit code %d\n%s", code, s.screen.String())
	}
	return record(s.t, s.dir, kind)
}

// record returns the only record of a kind made on the bench's day.
func record(t watcher, dir, kind string) string {
	t.Helper()
	found, _ := filepath.Glob(filepath.Join(dir, "instruments", "*", "*", "2031-03-04-"+kind+"-*.toml"))
	if len(found) != 1 {
		t.Fatalf("%d records of kind %s", len(found), kind)
	}
	data, err := os.ReadFile(found[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := judged(dir); err != nil {
		t.Error(err)
	}
	return strings.TrimSpace(regexp.MustCompile(`(?m)^(kind|date|by|seq) = .*\n`).ReplaceAllString(string(data), ""))
}

// laid is the small ledger, made once for all prompts; it goes with the home
// of the tests.
var laid = sync.OnceValues(func() (string, error) {
	dir := filepath.Join(os.Getenv("HOME"), "prompt-ledger")
	return dir, layBench(dir, func(at string, args ...string) error { return program(at, nil, args...).Run() })
})

// copied is a copy of the small ledger.
func copied(t *testing.T) string {
	t.Helper()
	needGit(t)
	base, err := laid()
	dir := filepath.Join(t.TempDir(), "ledger")
	if err == nil {
		err = os.CopyFS(dir, os.DirFS(base))
	}
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func drafts(t *testing.T, dir string) int {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, ".git", "benchlore", "drafts", "*.toml"))
	if err != nil {
		t.Fatal(err)
	}
	return len(found)
}

func storedAs(t *testing.T, got, want string) {
	t.Helper()
	if got != want {
		t.Errorf("stored\n%s\nwant\n%s", got, want)
	}
}

// strokes counts the keys of a text that is typed.
func strokes(texts ...string) int { return len([]rune(strings.Join(texts, ""))) }

// scripted is a script as a watcher of a terminal.
type scripted struct{ ts *testscript.TestScript }

func (s scripted) Helper()                      {}
func (s scripted) Fatal(args ...any)            { s.ts.Fatalf("%s", fmt.Sprint(args...)) }
func (s scripted) Fatalf(f string, args ...any) { s.ts.Fatalf(f, args...) }
func (s scripted) Error(args ...any)            { s.Fatal(args...) }
func (s scripted) Cleanup(f func())             { s.ts.Defer(f) }

// cmdTypes runs the program at a terminal, with a person who does what FILE says:
// "sees TEXT" waits until the screen shows it, "types TEXT" types it, with escapes
// as Go has them. It must end well. The ledger is judged.
func cmdTypes(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 2, "types FILE ARGUMENT ...")
	var env []string
	for _, name := range []string{"HOME", "USERPROFILE", "GIT_CONFIG_GLOBAL", "GIT_CONFIG_NOSYSTEM", "LC_ALL", testNow, testRandom} {
		env = append(env, name+"="+ts.Getenv(name))
	}
	s := sit(scripted{ts}, ts.MkAbs("."), env, args[1:]...)
	keys := 0
	for i, line := range strings.Split(strings.TrimSpace(ts.ReadFile(args[0])), "\n") {
		switch verb, text, _ := strings.Cut(line, " "); verb {
		case "sees":
			s.sees(text)
		case "types":
			text = unescape(ts, text)
			keys += strokes(text)
			s.keys(text)
		default:
			ts.Fatalf("%s:%d: %q is neither sees nor types", args[0], i+1, verb)
		}
	}
	if code := s.leaves(); code != exitOK {
		ts.Fatalf("exit code %d\n%s", code, s.screen.String())
	}
	ts.Logf("%d keystrokes\n%s", keys, strings.TrimRight(s.screen.String(), " \n"))
	ts.Check(judged(ts.MkAbs(".")))
}

func TestPromptIntake(t *testing.T) {
	dir := copied(t)
	must(t, dir, "on", "lw3-2204")
	s := sit(t, dir, nil, "record", "intake")
	s.sees("longwave-3/lw3-2204  intake  2031-03-04  mw")
	s.sees("comeback")
	s.keys("rep\rno\r")
	s.sees("fault F1: symptom")
	s.keys("no echo\r")
	s.keys("tra\r")
	s.sees("fault F1: more?  [next]")
	s.keys("another\rhum, loud\r\rcond\rmotor on\r\r")
	s.sees("last known working")
	s.keys("when it was new\r") // no date
	s.sees("it is not of the form 1974")
	s.keys("\x152019\r")
	s.sees("who says so")
	s.keys("ow\t\r")
	s.keys("lim\r")
	s.sees("why, and what limits it")
	s.keys("series lamp first\r")
	s.sees("store it?  [store]")
	s.keys("\x1b[6~") // page down
	s.sees(`symptom = "hum, loud"`)
	s.keys("note\rcase smells of smoke, and so do the felts of the tape drive and the lid of the box it came in")
	s.sees("case smells of smoke") // both lines of it
	s.sees("it came in")
	s.keys("\r")
	s.sees(`note = "case smells`)
	s.keys("\r")
	storedAs(t, s.stored("intake"), `power = "limited"
power_why = "series lamp first"
note = "case smells of smoke, and so do the felts of the tape drive and the lid of the box it came in"
reason = "repair"
works = "no"
last_known_working = "2019"
last_known_working_by = "owner"

[[fault]]
id = "F1"
symptom = "no echo"
section = "transport"

[[fault]]
id = "F2"
symptom = "hum, loud"
conditions = "motor on"`)
	s.sees("2 faults")
	if n := drafts(t, dir); n != 0 {
		t.Errorf("%d drafts are left behind", n)
	}
}

// Three lines; all keys are typed ahead, faster than anything is shown.
func TestPromptParts(t *testing.T) {
	dir := copied(t)
	s := sit(t, dir, nil, "record", "parts")
	one := "pow\rC1\rf\rsho\rF1\r\r\r63\rNorvane\r"
	s.keys(one + "a\r")
	s.keys("\rC14\run\r\r\r\r\ra\r")
	s.keys("divider 3\rC2-C4\rd\rdrift, high-esr\r\r\r2030\r\r")
	s.sees("store it?")
	s.keys("\x1b[6~\x1b[6~") // page down
	s.sees(`lot = "2030-el-2u2"`)
	s.keys("\r")
	storedAs(t, s.stored("parts"), `[[part]]
section = "power supply"
ref = "C1"
found = "failed"
mode = "short"
fault = "F1"
action = "replaced"
new = {value = "2200 uF", rating = "63 V", maker = "Norvane"}

[[part]]
section = "power supply"
ref = "C14"
found = "untested"
action = "replaced"
new = {value = "10 uF", rating = "25 V"}

[[part]]
section = "divider 3"
ref = "C2-C4"
found = "degraded"
mode = ["drift", "high-esr"]
action = "replaced"
new = {lot = "2030-el-2u2"}`)
}

// One part that cured one fault, as short as it can be typed.
func TestPromptKeystrokes(t *testing.T) {
	dir := copied(t)
	keys := "p\rC1\rf\rsh\rF1\r\r\r\r\r\r\r"
	s := sit(t, dir, nil, "record", "parts")
	s.keys(keys)
	storedAs(t, s.stored("parts"), `[[part]]
section = "power supply"
ref = "C1"
found = "failed"
mode = "short"
fault = "F1"
action = "replaced"
new = {value = "2200 uF", rating = "35 V"}`)
	if n := strokes(keys); n > 20 {
		t.Errorf("%d keystrokes", n)
	}
}

func TestPromptVerdicts(t *testing.T) {
	dir := copied(t)
	s := sit(t, dir, nil, "record", "measurements")
	s.sees("+15 V rail           limit 14.7 V to 15.6 V")
	s.keys("+1\t\r\r")
	s.sees("  limit 14.7 V to 15.6 V")
	s.keys("15.9")
	s.sees("OUTSIDE: limit 14.7 V to 15.6 V")
	s.keys("\x7f1")
	s.sees("inside: limit 14.7 V to 15.6 V")
	s.keys("\x15volts\r")
	s.sees("write one such as 22 uF")
	s.keys("\x15n\x1b[B")
	s.sees("not taken; limit")
	s.keys("\r")
	s.sees("why it could not be measured")
	s.keys("\x1b[Z") // back, by shift and tab
	s.sees("> not-measurable")
	s.keys("\x1515,02\rdmm\r\r\r")
	storedAs(t, s.stored("measurements"), `[[reading]]
point = "+15 V rail"
value = "15,02 V"
stage = "as-found"
with = "dmm-1"`)
}

func TestPromptKeepsWhatIsTyped(t *testing.T) {
	for _, c := range []struct {
		name string
		end  func(s *seat)
	}{
		{"ctrl-c", func(s *seat) {
			s.keys("\x03")
			if code := s.leaves(); code != exitUsage {
				t.Errorf("exit code %d", code)
			}
			s.sees("nothing was stored; what you typed is kept")
		}},
		{"closed terminal", func(s *seat) { s.pty.Close(); s.cmd.Wait() }},
		{"closed terminal, shielded from hang-ups", func(s *seat) { s.pty.Close(); s.cmd.Wait() }},
		{"terminated", func(s *seat) { s.cmd.Process.Signal(syscall.SIGTERM); s.leaves() }},
		{"killed", func(s *seat) { s.cmd.Process.Kill(); s.cmd.Wait() }},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := copied(t)
			var env []string
			if strings.HasSuffix(c.name, "hang-ups") {
				env = []string{shielded}
			}
			s := sit(t, dir, env, "record", "note")
			s.sees("in a few words")
			s.keys("the cab\rthe varnish has be")
			s.sees("the varnish has be")
			c.end(s)
			if err := judged(dir); err != nil {
				t.Error(err) // the draft is none of git's business
			}
			s = sit(t, dir, nil, "record", "note")
			s.sees("there is an unfinished note record of 2031-03-04")
			s.keys("\r")
			s.sees("the varnish has be")
			s.keys("en stripped\r\r")
			storedAs(t, s.stored("note"), "note = \"the varnish has been stripped\"\ntitle = \"the cab\"")
		})
	}
}

// While one prompt is open, another begins a record of its own.
func TestPromptsSideBySide(t *testing.T) {
	dir := copied(t)
	first := sit(t, dir, nil, "record", "note")
	first.keys("first\r")
	first.sees("title              first")
	second := sit(t, dir, nil, "record", "note")
	second.sees("in a few words")
	second.keys("second\r\x03")
	second.leaves()
	first.keys("one\r\r")
	storedAs(t, first.stored("note"), "note = \"one\"\ntitle = \"first\"")
	third := sit(t, dir, nil, "record", "note")
	third.sees("there is an unfinished")
	third.keys("n\r")
	third.sees("in a few words")
	third.keys("\x03")
	third.leaves()
	if n := drafts(t, dir); n != 0 {
		t.Errorf("%d drafts are left behind", n)
	}
}

func TestPromptWithoutColour(t *testing.T) {
	dir := copied(t)
	colour := regexp.MustCompile("\x1b\\[([0-9;]*;)?(3[0-7]|4[0-7]|9[0-7]|[34]8;[0-9;]*)m")
	for _, c := range []struct {
		env  string
		want bool
	}{{"NO_COLOR=1", false}, {"NO_COLOR=", true}} {
		s := sit(t, dir, []string{c.env}, "record", "measurements")
		s.keys("+1\t\r\r15.0")
		s.sees("inside: limit")
		s.keys("\x03")
		s.leaves()
		s.mu.Lock()
		got := colour.MatchString(s.raw.String())
		s.mu.Unlock()
		if got != c.want {
			t.Errorf("%s: colours sent: %v", c.env, got)
		}
		os.RemoveAll(filepath.Join(dir, ".git", "benchlore", "drafts"))
	}
}

// A terminal that can only print lines gets lines: no sequence at all.
func TestPromptDumb(t *testing.T) {
	dir := copied(t)
	s := sit(t, dir, []string{"TERM=dumb"}, "record", "parts")
	s.keys("pow\r")
	s.sees("part 1, power supply: ref")
	s.keys("Q9\r")
	s.sees("Enter keeps it, another answer replaces it")
	s.keys("Q1\rfial\r")
	s.sees("did you mean failed?")
	s.keys("failed\r<\r")
	s.sees("[failed] >")
	s.keys("deg\rnoise\r-\r")
	s.sees("[replaced] >")
	s.keys("\x03")
	if code := s.leaves(); code != exitUsage {
		t.Errorf("exit code %d", code)
	}
	s = sit(t, dir, []string{"TERM=dumb"}, "record", "parts")
	s.keys("\r\r")
	s.sees("new type")
	s.keys("2N-410\r\r\r")
	s.sees("[store] >")
	s.keys("\r")
	storedAs(t, s.stored("parts"), `[[part]]
section = "power supply"
ref = "Q1"
found = "degraded"
mode = "noise"
action = "replaced"
new = {type = "2N-410"}`)
	s.mu.Lock()
	defer s.mu.Unlock()
	if strings.Contains(s.raw.String(), "\x1b") {
		t.Errorf("a sequence was sent: %q", s.raw.String())
	}
}

// Off a terminal nothing is asked.
func TestPromptNeedsATerminal(t *testing.T) {
	dir := copied(t)
	cmd := program(dir, nil, "record", "intake")
	cmd.Stdin = strings.NewReader("repair\n")
	out, err := cmd.CombinedOutput()
	if cmd.ProcessState.ExitCode() != exitUsage || !strings.Contains(string(out), "there is no terminal to ask for it") {
		t.Errorf("%v\n%s", err, out)
	}
}
