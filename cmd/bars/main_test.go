package main

import (
	"bytes"
	"errors"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestMain lets the test binary stand in for the program where that starts
// itself.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && regexp.MustCompile(`^-(measure|decode|bundle)$`).MatchString(os.Args[1]) {
		os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
	}
	os.Exit(m.Run())
}

// needGit skips without git, but not where everything must be tested.
func needGit(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath("git"); err == nil {
		return
	}
	if os.Getenv("CI") != "" {
		t.Fatal("git is not installed")
	}
	t.Skip("git is not installed")
}

// TestTinyLedger: every row is there, a broken bar shows in the exit code, and
// the ledger is left as it was made, also where it could not be measured to the end.
func TestTinyLedger(t *testing.T) {
	needGit(t)
	dir := t.TempDir()
	var out, errs bytes.Buffer
	code := run([]string{"-units", "10", "-runs", "1", "-observations", "500", "-dir", dir}, &out, &errs)
	if errs := errs.String(); code != 0 && code != 1 {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	if broken := regexp.MustCompile(`\bNO\b`).MatchString(out.String()); broken != (code == 1) {
		t.Errorf("a bar is broken: %t, exit code %d\n%s", broken, code, out.String())
	}
	row := func(pattern string) {
		t.Helper()
		if !regexp.MustCompile("(?m)^" + pattern + " *$").MatchString(out.String()) {
			t.Errorf("no row like %q", pattern)
		}
	}
	const took, gap, holds = `[0-9.]+m?s`, ` +`, `(yes|no)`
	memory := `[1-9][0-9]* MB` + gap + holds
	if runtime.GOOS == "windows" {
		memory = `-` + gap + `-`
	}
	for _, x := range []struct{ work, peer, bar string }{
		{"one part line", "git add, git commit, core.fsync=all", "1.20"},
		{"one part line", "git add, git commit, as it comes", "1.20"},
		{"checklist, nothing kept", "git log -1 -- FOLDER", "5.00"},
		{"checklist", "git log -1 -- FOLDER", "5.00"},
		{"close --dry-run", "git log -1 -- FOLDER", "5.00"},
		{"undo --dry-run", "git log -1 -- FOLDER", "5.00"},
		{"history", "git log -1 -- FOLDER", "5.00"},
		{"history --shop", "git log -1 -- FOLDER", "5.00"},
		{"correct", "git log -1 -- FOLDER", "5.00"},
		{"check, cold", "the TOML library alone", "1.25"},
		{"check, warm", "git status", "5.00"},
		{"list, warm", "git status", "5.00"},
		{"where, warm", "git status", "5.00"},
		{"reliability, warm", "git status", "5.00"},
		{"report of a unit", "git log -p of its branch", "2.00"},
		{"a packet's bundle", "git bundle create", "1.50"},
	} {
		row(x.work + gap + took + gap + x.peer + gap + took + gap + `[0-9.]+` + gap + regexp.QuoteMeta(x.bar) + gap + holds + gap + memory)
	}
	for _, work := range []string{"reliability, one record later", "backup", "sync, all of it"} {
		row(work + gap + took + gap + `-` + gap + memory)
	}
	for _, work := range []string{"Kaplan-Meier", "Weibull, interval-censored", "Turnbull"} {
		row(work + gap + took + gap + `.*1\.00` + gap + `(yes|NO|-)`)
	}
	for _, command := range commands(t) {
		row(command + `( .*)?` + gap + took + gap + memory)
	}
	if t.Failed() {
		t.Log(out.String())
	}
	ledger := filepath.Join(dir, "units-10")
	git := func(args ...string) string {
		t.Helper()
		cmd := exec.Command("git", args...)
		cmd.Dir = ledger
		said, err := cmd.CombinedOutput()
		if err != nil {
			t.Errorf("git %s: %v\n%s", strings.Join(args, " "), err, said)
		}
		return string(said)
	}
	left := func() {
		t.Helper()
		for _, args := range [][]string{{"status", "--porcelain"}, {"tag"}} {
			if said := git(args...); said != "" {
				t.Errorf("git %s: %s", strings.Join(args, " "), said)
			}
		}
	}
	left()

	before := git("for-each-ref")
	hook := filepath.Join(ledger, ".git", "hooks", "pre-commit")
	if err := errors.Join(os.MkdirAll(filepath.Dir(hook), 0o777), os.WriteFile(hook, []byte("#!/bin/sh\nexit 1\n"), 0o777)); err != nil {
		t.Fatal(err)
	}
	if code := run([]string{"-units", "10", "-runs", "1", "-observations", "0", "-dir", dir}, &out, &errs); code != 3 || !strings.Contains(errs.String(), "commit -qm") {
		t.Errorf("git refused to commit: exit code %d: %s", code, errs.String())
	}
	if after := git("for-each-ref"); after != before {
		t.Errorf("it was\n%s\nand is\n%s", before, after)
	}
	left()
}

// commands are those the program's help names.
func commands(t *testing.T) (names []string) {
	t.Helper()
	help, err := exec.Command("go", "run", "benchlore/cmd/benchlore", "help").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`(?m)^  ([a-z]+) +[A-Z]`).FindAllStringSubmatch(string(help), -1) {
		if m[1] != "help" {
			names = append(names, m[1])
		}
	}
	if len(names) < 30 {
		t.Fatalf("help names %d commands:\n%s", len(names), help)
	}
	return names
}

// TestGrowth: a time that more than grows with the ledger breaks the bar.
func TestGrowth(t *testing.T) {
	for _, tt := range []struct {
		cold map[int]time.Duration
		held bool
		want string
	}{
		{map[int]time.Duration{100: time.Second}, true, ""},
		{map[int]time.Duration{100: time.Second, 400: 4 * time.Second}, true, "2.00 a doubling (bar 2.20): yes"},
		{map[int]time.Duration{100: time.Second, 400: 9 * time.Second}, false, "3.00 a doubling (bar 2.20): NO"},
	} {
		var out bytes.Buffer
		b := &bench{out: &out, cold: tt.cold}
		if held := b.growth(slices.Sorted(maps.Keys(tt.cold))); held != tt.held || !strings.Contains(out.String(), tt.want) {
			t.Errorf("%v: holds: %t\n%s", tt.cold, held, out.String())
		}
	}
}

// TestBars: what is slower or larger than it may be says NO.
func TestBars(t *testing.T) {
	for _, tt := range []struct {
		name        string
		units       int
		here, there spent
		held        bool
		want        string
	}{
		{"within", 10_000, spent{time: 3 * time.Second, memory: 299 << 10}, spent{time: time.Second, memory: 0}, true, "3.00 5.00 yes 299 MB yes"},
		{"slow", 10_000, spent{time: 6 * time.Second, memory: 299 << 10}, spent{time: time.Second, memory: 0}, false, "6.00 5.00 NO 299 MB yes"},
		{"large", 10_000, spent{time: 3 * time.Second, memory: 300 << 10}, spent{time: time.Second, memory: 0}, false, "3.00 5.00 yes 300 MB NO"},
		{"slow, another size", 30_000, spent{time: 6 * time.Second, memory: 300 << 10}, spent{time: time.Second, memory: 0}, true, "6.00 5.00 no 300 MB no"},
		{"size not told", 10_000, spent{time: 3 * time.Second, memory: 0}, spent{time: time.Second, memory: 0}, true, "3.00 5.00 yes - -"},
	} {
		var out bytes.Buffer
		table := (&bench{out: &out}).table(tt.units)
		table.row("check", tt.here, "git status", tt.there, 5)
		table.w.Flush()
		if table.held != tt.held || !strings.Contains(strings.Join(strings.Fields(out.String()), " "), tt.want) {
			t.Errorf("%s: holds: %t\n%s", tt.name, table.held, out.String())
		}
	}
}

// TestWhatIsMeasuredWorks: a command that refuses its work is not measured as if it
// had done it.
func TestWhatIsMeasuredWorks(t *testing.T) {
	needGit(t)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{dir: t.TempDir(), self: self, env: os.Environ()}
	refused := []string{"git", "config", "--file", filepath.Join(b.dir, "none"), "no.such"} // exit code 1
	if _, err := b.command(b.dir, refused...); err == nil {
		t.Error("what was refused was measured")
	}
	if s, err := b.run(b.dir, refused...); err != nil || s.exit != 1 {
		t.Errorf("exit code %d, %v", s.exit, err)
	}
}

// TestEnvironment: whoever measures, and from where, makes no difference.
func TestEnvironment(t *testing.T) {
	got := environment([]string{"PATH=/bin", "GIT_DIR=/elsewhere/.git", "GIT_CONFIG_GLOBAL=/elsewhere/config", "HOME=/elsewhere",
		"XDG_CONFIG_HOME=/elsewhere", "GOMEMLIMIT=1GiB", "LEGIT_=1"}, "/here")
	want := []string{"PATH=/bin", "HOME=/elsewhere", "LEGIT_=1", "HOME=/here", "USERPROFILE=/here", "GIT_CONFIG_NOSYSTEM=1"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestMemoryIsItsOwn: the memory of a small command stays small however much the
// one that measures it holds.
func TestMemoryIsItsOwn(t *testing.T) {
	needGit(t)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{dir: t.TempDir(), self: self, env: os.Environ()}
	ballast := bytes.Repeat([]byte("x"), 200<<20)
	s, err := b.command(b.dir, "git", "version")
	if err != nil {
		t.Fatal(err)
	}
	runtime.KeepAlive(ballast)
	if s.time <= 0 || s.memory > 100<<10 {
		t.Errorf("git version took %v and %d KiB", s.time, s.memory)
	}
}

// TestWrongArguments: what cannot be measured is said, with its own exit code.
func TestWrongArguments(t *testing.T) {
	for _, tt := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"-units", "few"}, 2, `"few" is no size`},
		{[]string{"-units", "2"}, 2, `"2" is no size`},
		{[]string{"-sizes", "10"}, 2, "flag provided but not defined"},
		{[]string{"-measure", filepath.Join(t.TempDir(), "f")}, 3, "without a command"},
		{[]string{"-measure", filepath.Join(t.TempDir(), "f"), "--", "no-such-program-here"}, 3, "no-such-program-here"},
	} {
		var out, errs bytes.Buffer
		if code := run(tt.args, &out, &errs); code != tt.code || !strings.Contains(errs.String(), tt.want) {
			t.Errorf("%q: exit code %d, %s", tt.args, code, errs.String())
		}
	}
}
