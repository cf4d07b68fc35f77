package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// Blocks of the README that show files or sentences and no commands, by their
// first line. Every other block is typed as it stands.
var readmeShows = []string{
	"tantalum capacitors                8 of 14 units     57%   33 to 79%  fair",
	"shop.toml                        the shop, its technicians, its test instruments and their calibrations",
	"[[remote]]",
}

// The tests, which cannot run themselves; .ci/run does.
const readmeTests = "go test ./..."

// TestReadme types every command of README.md, in order, in a fresh clone, as
// somebody does who has Go and neither git nor ssh-keygen, and compares what is
// printed with what the README prints.
func TestReadme(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the program and replays three hundred records")
	}
	if runtime.GOOS == "windows" {
		t.Skip("the README is typed into a Unix shell")
	}
	needGit(t)
	t.Parallel()
	text, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	home, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	clone := filepath.Join(home, "benchlore")
	freshClone(t, clone)
	s := &reader{home: home, dir: clone, env: readerEnv(t, home)}
	shown, tested := 0, false
	for _, block := range readmeBlocks(string(text)) {
		if !strings.HasPrefix(block[0], "$ ") {
			if !slices.Contains(readmeShows, block[0]) {
				t.Errorf("a block holds neither commands nor what this test knows: %s", block[0])
			}
			shown++
			continue
		}
		for _, c := range readmeCommands(block) {
			if c.line == readmeTests {
				tested = true
				continue
			}
			out := s.run(t, c.line)
			if len(c.prints) > 0 && !printed(s.masked(out), masked(strings.Join(c.prints, "\n"))) {
				t.Errorf("$ %s\nprints\n%s\nand README.md says\n%s", c.line, s.masked(out), masked(strings.Join(c.prints, "\n")))
			}
		}
	}
	if shown != len(readmeShows) || !tested {
		t.Errorf("of the blocks this test knows %d are there, want %d; go test: %t", shown, len(readmeShows), tested)
	}
	if !strings.HasPrefix(s.last, "intact, and signed by a key you trust\n") {
		t.Errorf("the day does not end with a packet that verifies:\n%s", s.last)
	}
}

// freshClone clones the repository around the tests, with what is not committed
// in it yet.
func freshClone(t *testing.T, dir string) {
	t.Helper()
	top, err := gitOut(".", "rev-parse", "--show-toplevel")
	if err != nil {
		t.Fatalf("the tests of the README need the repository: %v\n%s", err, top)
	}
	if out, err := gitOut(".", "clone", "-q", top, dir); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	changed, err := gitOut(top, "ls-files", "-z", "--modified", "--others", "--exclude-standard")
	if err != nil {
		t.Fatal(err)
	}
	staged, err := gitOut(top, "diff", "--cached", "--name-only", "--no-renames", "-z")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range strings.Split(changed+"\x00"+staged, "\x00") {
		if name == "" {
			continue
		}
		to := filepath.Join(dir, name)
		data, err := os.ReadFile(filepath.Join(top, name))
		if os.IsNotExist(err) {
			err = os.RemoveAll(to)
		} else if err == nil {
			if err = os.MkdirAll(filepath.Dir(to), 0o777); err == nil {
				err = os.WriteFile(to, data, 0o666)
			}
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// readerEnv is the environment of somebody with Go, the everyday commands of a
// shell, and nothing else.
func readerEnv(t *testing.T, home string) []string {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "bin")
	if err := os.Mkdir(bin, 0o777); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"go", "sh", "cat", "cp", "mkdir", "pwd"} {
		at, err := exec.LookPath(name)
		if err == nil {
			at, err = filepath.EvalSymlinks(at)
		}
		if err == nil { // by a script, since go finds its own folder by where it is
			err = os.WriteFile(filepath.Join(bin, name), []byte("#!/bin/sh\nexec '"+at+"' \"$@\"\n"), 0o755)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	env := []string{"HOME=" + home, "PATH=" + bin, "LC_ALL=C", "GIT_CONFIG_NOSYSTEM=1", "CGO_ENABLED=0"}
	for _, name := range []string{"GOMODCACHE", "GOCACHE", "GOPROXY", "GOFLAGS", "GOSUMDB", "GOTOOLCHAIN"} {
		cmd := exec.Command("go", "env", name)
		cmd.Env = append(os.Environ(), "HOME="+userHome)
		value, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		env = append(env, name+"="+strings.TrimSpace(string(value)))
	}
	return env
}

// reader is somebody at a shell: where he is, and his environment.
type reader struct {
	home, dir string
	env       []string
	last      string // what was printed last
}

// run types one command. What it changes of the shell holds for the next.
func (s *reader) run(t *testing.T, line string) string {
	t.Helper()
	state := filepath.Join(s.home, ".state")
	cmd := exec.Command("/bin/sh", "-c", line+"\nended=$?\n{ pwd; echo \"$PATH\"; } > '"+state+"'\nexit $ended")
	cmd.Dir, cmd.Env = s.dir, s.env
	out, err := cmd.CombinedOutput()
	after, serr := os.ReadFile(state)
	if serr != nil {
		t.Fatalf("$ %s\n%v, %v\n%s", line, err, serr, out)
	}
	dir, path, _ := strings.Cut(strings.TrimSuffix(string(after), "\n"), "\n")
	s.dir = dir
	s.env = append(slices.DeleteFunc(s.env, func(v string) bool { return strings.HasPrefix(v, "PATH=") || strings.HasPrefix(v, "PWD=") }), "PATH="+path)
	if err != nil && !strings.Contains(string(out), "which close will refuse") { // a line stored with an error says so
		t.Fatalf("$ %s\n%v\n%s", line, err, out)
	}
	s.last = string(bytes.TrimRight(out, "\n"))
	return s.last
}

func (s *reader) masked(text string) string {
	return masked(strings.ReplaceAll(text, s.home, "/home/maren"))
}

// What differs from one run to the next: days, letters of records, hashes, keys,
// sizes.
var readmeMasks = []struct {
	form *regexp.Regexp
	mask string
}{
	{regexp.MustCompile(`SHA256:[A-Za-z0-9+/]{43}`), "SHA256:KEY"},
	{regexp.MustCompile(`\b20\d\d-\d\d-\d\d\b`), "DAY"},
	{regexp.MustCompile(`(DAY-[a-z]+)-[a-z0-9]{4}\.toml`), "$1-XXXX.toml"},
	{regexp.MustCompile(`/(\d+)-[0-9a-f]{8}\b`), "/$1-DIGEST"},
	{regexp.MustCompile(`\b[0-9a-f]{10}\b`), "HASH"},
	{regexp.MustCompile(`\b\d+ bytes`), "N bytes"},
}

func masked(text string) string {
	for _, m := range readmeMasks {
		text = m.form.ReplaceAllString(text, m.mask)
	}
	return text
}

// printed holds what was printed against what is shown. A last line "..." stands
// for the rest.
func printed(got, want string) bool {
	if head, ok := strings.CutSuffix(want, "\n..."); ok {
		return strings.HasPrefix(got, head+"\n")
	}
	return got == want
}

// readmeBlocks are the blocks of code: fenced, or indented by four columns
// behind an empty line.
func readmeBlocks(text string) [][]string {
	var blocks [][]string
	var block []string
	end := func() {
		for len(block) > 0 && block[len(block)-1] == "" {
			block = block[:len(block)-1]
		}
		if len(block) > 0 {
			blocks = append(blocks, block)
		}
		block = nil
	}
	fenced, before := false, ""
	for _, line := range strings.Split(text, "\n") {
		code, indented := strings.CutPrefix(line, "    ")
		switch {
		case strings.HasPrefix(line, "```"):
			end()
			fenced = !fenced
		case fenced:
			block = append(block, line)
		case indented && (block != nil || before == ""):
			block = append(block, code)
		case line == "" && block != nil:
			block = append(block, "")
		default:
			end()
		}
		before = line
	}
	end()
	return blocks
}

// readmeCommand is what is typed, and what the README says is printed.
type readmeCommand struct {
	line   string
	prints []string
}

var hereDocument = regexp.MustCompile(`<<'?(\w+)'?$`)

func readmeCommands(block []string) []readmeCommand {
	var list []readmeCommand
	for i := 0; i < len(block); i++ {
		typed, ok := strings.CutPrefix(block[i], "$ ")
		if !ok {
			c := &list[len(list)-1]
			c.prints = append(c.prints, block[i])
			continue
		}
		for strings.HasSuffix(typed, `\`) && i+1 < len(block) {
			i++
			typed += "\n" + block[i]
		}
		if here := hereDocument.FindStringSubmatch(typed); here != nil {
			for i+1 < len(block) {
				i++
				typed += "\n" + block[i]
				if block[i] == here[1] {
					break
				}
			}
		}
		list = append(list, readmeCommand{line: typed})
	}
	for i := range list {
		for n := len(list[i].prints); n > 0 && list[i].prints[n-1] == ""; n-- {
			list[i].prints = list[i].prints[:n-1]
		}
	}
	return list
}

// TestReadmeBlocks holds the reading of blocks against a text with every kind.
func TestReadmeBlocks(t *testing.T) {
	blocks := readmeBlocks("text\n\n    $ one \\\n        two\n    out\n\n    $ three\n\nmore\n    not a block\n\n```console\n$ four <<'END'\nx\nEND\n```\n")
	if len(blocks) != 2 {
		t.Fatalf("got %d blocks: %q", len(blocks), blocks)
	}
	var got []string
	for _, b := range blocks {
		for _, c := range readmeCommands(b) {
			got = append(got, c.line+"|"+strings.Join(c.prints, "|"))
		}
	}
	want := []string{"one \\\n    two|out", "three|", "four <<'END'\nx\nEND|"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
