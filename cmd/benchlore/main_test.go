package main

import (
	"crypto/sha256"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"benchlore/ledger/testutil"
)

// Environment variables that only this test binary reads. They pin what the
// real program takes from the system.
const (
	testNow    = "BENCHLORE_TEST_NOW"    // the clock, RFC 3339; default: the system's
	testRandom = "BENCHLORE_TEST_RANDOM" // a seed; the command line is mixed in, so that two commands draw differently
	testWait   = "BENCHLORE_TEST_WAIT"   // how long to wait for other programs: 300ms
	testPlay   = "BENCHLORE_TEST_PLAY"   // set: the binary is the program, under whatever name it was started
)

func TestMain(m *testing.M) {
	if os.Getenv(testPlay) != "" {
		play()
	}
	testscript.Main(atHome{m}, map[string]func(){"benchlore": play, "scribe": scribe})
}

// atHome runs the tests in a neutral home. The commands the scripts start do
// not pass through it: theirs is the scripts' own.
type atHome struct{ m *testing.M }

// userHome is the home of whoever runs the tests, where go keeps what it built.
var userHome string

func (h atHome) Run() int {
	userHome = os.Getenv("HOME")
	return testutil.Run(func() int {
		os.Setenv("GIT_CONFIG_GLOBAL", filepath.Join(os.Getenv("HOME"), ".gitconfig"))
		return h.m.Run()
	}, testutil.GitConfig)
}

// play is the real program with its clock and randomness pinned where the
// environment says so.
func play() {
	var h hooks
	if s := os.Getenv(testNow); s != "" {
		now, err := time.Parse(time.RFC3339, s)
		if err != nil {
			panic(err)
		}
		h.now = func() time.Time { return now }
	}
	if s := os.Getenv(testRandom); s != "" {
		h.random = rand.NewChaCha8(sha256.Sum256([]byte(s + "\x00" + strings.Join(os.Args[1:], "\x00"))))
	}
	if s := os.Getenv(testWait); s != "" {
		var err error
		if h.wait, err = time.ParseDuration(s); err != nil {
			panic(err)
		}
	}
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr, h))
}

// scribe stands in for an editor: it writes the text of $SCRIBE_TEXT over the
// file it is given, and leaves it alone where that is not set.
func scribe() {
	text := os.Getenv("SCRIBE_TEXT")
	if text == "" {
		return
	}
	data, err := os.ReadFile(text)
	if err == nil {
		err = os.WriteFile(os.Args[len(os.Args)-1], data, 0o666)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "scribe:", err)
		os.Exit(1)
	}
}

// needGit skips where stock git, the judge of most of these tests, is missing.
func needGit(t testing.TB) {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("stock git is not installed")
		}
		t.Skip("stock git is not installed; it is the judge here")
	}
}

// gitOut runs stock git and returns what it printed, standard error included.
func gitOut(dir string, args ...string) (string, error) {
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	return strings.TrimRight(string(out), "\n"), err
}

// judged holds a ledger against stock git: nothing to commit, every object
// sound, on main.
func judged(dir string) error {
	for _, c := range []struct {
		want string
		args []string
	}{
		{"", []string{"status", "--porcelain"}},
		{"", []string{"fsck", "--strict", "--no-dangling", "--no-progress"}},
		{"refs/heads/main", []string{"symbolic-ref", "HEAD"}},
	} {
		out, err := gitOut(dir, c.args...)
		if err != nil || out != c.want {
			return fmt.Errorf("git %s: %v\n%s\nwant %q", strings.Join(c.args, " "), err, out, c.want)
		}
	}
	return nil
}

// unitAlone holds a unit's branch against what it may carry: its own files and
// nothing else, as main has them, under a root of its own.
func unitAlone(dir, unit string) error {
	branch := "unit/" + unit
	git := func(args ...string) (string, error) {
		out, err := gitOut(dir, args...)
		if err != nil {
			return "", fmt.Errorf("git %s: %v\n%s", strings.Join(args, " "), err, out)
		}
		return out, nil
	}
	roots, err := git("rev-list", "--max-parents=0", branch)
	if err != nil {
		return err
	}
	if len(strings.Fields(roots)) != 1 {
		return fmt.Errorf("%s has these roots: %s", branch, roots)
	}
	if out, err := gitOut(dir, "merge-base", branch, "main"); err == nil {
		return fmt.Errorf("%s shares %s with main", branch, out)
	}
	own := func(p string) bool {
		name, below, deep := strings.Cut(p, "/")
		if deep {
			return (name == "photos" || name == "files") && below != ""
		}
		return name == ".gitattributes" || strings.HasSuffix(name, ".toml") && name != "shop.toml" && name != "families.toml"
	}
	touched, err := git("log", "--name-only", "--format=", branch)
	if err != nil {
		return err
	}
	for _, p := range strings.Fields(touched) {
		if !own(p) {
			return fmt.Errorf("the history of %s has a file that is not the unit's: %s", branch, p)
		}
	}
	id, err := git("show", branch+":instrument.toml")
	if err != nil {
		return err
	}
	_, id, _ = strings.Cut(id, "uuid = \"")
	id, _, _ = strings.Cut(id, "\"")
	messages, err := git("log", "--format=%H%x00%B%x01", branch)
	if err != nil {
		return err
	}
	for _, m := range strings.Split(strings.Trim(messages, "\x01\n"), "\x01") {
		if len(id) != 36 || !strings.Contains(m+"\n", "\nInstrument: "+id+"\n") {
			return fmt.Errorf("a commit of %s does not name instrument %q:\n%s", branch, id, m)
		}
	}
	tree, err := git("ls-tree", "-r", branch)
	if err != nil {
		return err
	}
	onMain, err := git("ls-tree", "-r", "main:instruments/"+unit)
	if err != nil {
		return err
	}
	main := strings.Split(onMain, "\n")
	for _, line := range strings.Split(tree, "\n") {
		// What the unit and its model are may have changed since the close;
		// everything else stands on main byte for byte.
		if strings.HasSuffix(line, "\tinstrument.toml") || strings.HasSuffix(line, "\tmodel.toml") {
			continue
		}
		if !slices.Contains(main, line) {
			return fmt.Errorf("main:instruments/%s does not have %s", unit, line)
		}
	}
	return nil
}

// footprint is everything of a ledger that a command which refuses must leave
// alone: the files of the work tree, the refs, HEAD, git's own index as git
// reads it, and no lock or journal left behind.
func footprint(dir string) (string, error) {
	var b strings.Builder
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		if rel == ".git" {
			return nil
		}
		if strings.HasPrefix(rel, ".git"+string(filepath.Separator)) {
			if name := d.Name(); strings.HasSuffix(name, ".lock") || name == "journal" || strings.HasPrefix(name, "tmp_") {
				fmt.Fprintf(&b, "in git's folder: %s\n", rel)
			}
			return nil
		}
		info, err := d.Info()
		if err != nil || d.IsDir() {
			return err
		}
		fmt.Fprintf(&b, "%v %s ", info.Mode(), filepath.ToSlash(rel))
		if d.Type()&os.ModeSymlink != 0 {
			to, err := os.Readlink(p)
			fmt.Fprintln(&b, to)
			return err
		}
		f, err := os.Open(p)
		if err != nil {
			fmt.Fprintln(&b, "unreadable")
			return nil
		}
		defer f.Close()
		h := sha256.New()
		_, err = io.Copy(h, f)
		fmt.Fprintf(&b, "%x\n", h.Sum(nil))
		return err
	})
	if err != nil {
		return "", err
	}
	head, err := os.ReadFile(filepath.Join(dir, ".git", "HEAD"))
	if err == nil {
		fmt.Fprintf(&b, "HEAD %s", head)
		refs, _ := gitOut(dir, "for-each-ref", "--format=%(refname) %(objectname)")
		fmt.Fprintln(&b, refs)
		index, _ := gitOut(dir, "ls-files", "--stage")
		fmt.Fprintln(&b, index)
	}
	return b.String(), nil
}
