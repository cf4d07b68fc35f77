package config

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// ownHome gives the test a home folder with this .gitconfig, and an environment
// that says nothing else to git.
func ownHome(t *testing.T, gitconfig string) string {
	t.Helper()
	for _, kv := range os.Environ() {
		if name, _, _ := strings.Cut(kv, "="); strings.HasPrefix(name, "GIT_") || name == "EMAIL" || name == "XDG_CONFIG_HOME" {
			t.Setenv(name, "") // so that the old value comes back
			os.Unsetenv(name)
		}
	}
	home := t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("GIT_CONFIG_NOSYSTEM", "1")
	t.Setenv("LC_ALL", "C")
	writeFile(t, home, ".gitconfig", gitconfig)
	return home
}

func writeFile(t *testing.T, dir, p, text string) {
	t.Helper()
	name := filepath.Join(dir, filepath.FromSlash(p))
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

// stockGit runs git itself, which the reader here must agree with.
func stockGit(t *testing.T, dir string, args ...string) string {
	t.Helper()
	out, err := stockGitErr(t, dir, args...)
	if err != nil {
		t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return out
}

func stockGitErr(t *testing.T, dir string, args ...string) (string, error) {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("stock git is not installed")
		}
		t.Skip("stock git is not installed; this test compares with it")
	}
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	return strings.TrimRight(string(out), "\n"), err
}

var testTime = time.Date(2031, 3, 4, 17, 5, 0, 0, time.FixedZone("", 3600))

func TestConfigAsStockGit(t *testing.T) {
	home := ownHome(t, "[user]\n\tname = Global\n\temail = g@halden.example\n[include]\n\tpath = ~/more\n\tpath = missing\n"+
		"[includeIf \"gitdir:**/ledger/.git\"]\n\tpath = by-dir\n[includeIf \"gitdir:nowhere/\"]\n\tpath = never\n"+
		"[includeIf \"gitdir/i:~/LEDGERS/\"]\n\tpath = by-home\n[includeIf \"onbranch:bench/**\"]\n\tpath = by-branch\n")
	writeFile(t, home, ".config/git/config", "[user]\n\tname = Xdg\n[x]\n\tonly = xdg\n")
	writeFile(t, home, "more", "[x]\n\tmore = 1 ; comment\n\tquoted = \"a ; b \" c\\t\\\"d\n\tlong = one \\\n  two\n\tbare\n"+
		"\tTrail = v   \n[Sub \"Case Kept\\\"\"]\n\tKey = 1\n[old.Style]\n\tk=2\n")
	writeFile(t, home, "by-dir", "[x]\n\tdir = yes\n")
	writeFile(t, home, "by-home", "[x]\n\thome = yes\n")
	writeFile(t, home, "never", "[x]\n\tnever = yes\n")
	writeFile(t, home, "by-branch", "[x]\n\tbranch = yes\n")
	system := filepath.Join(home, "system")
	writeFile(t, home, "system", "[user]\n\tname = System\n[x]\n\tsystem = 1\n")
	t.Setenv("GIT_CONFIG_NOSYSTEM", "")
	os.Unsetenv("GIT_CONFIG_NOSYSTEM")
	t.Setenv("GIT_CONFIG_SYSTEM", system)
	t.Setenv("GIT_CONFIG_COUNT", "1")
	t.Setenv("GIT_CONFIG_KEY_0", "X.Env")
	t.Setenv("GIT_CONFIG_VALUE_0", "e")

	dir := filepath.Join(home, "ledgers", "ledger")
	stockGit(t, home, "init", "-q", "-b", "bench/one/two", dir)
	stockGit(t, dir, "config", "user.name", "Local")
	cfg, err := Load(filepath.Join(dir, ".git"), "bench/one/two")
	if err != nil {
		t.Fatal(err)
	}
	keys := []string{"user.name", "user.email", "x.only", "x.more", "x.quoted", "x.long", "x.trail", "sub.Case Kept\".key",
		"old.style.k", "x.dir", "x.home", "x.never", "x.branch", "x.system", "x.env", "x.unset"}
	for _, k := range keys {
		want, err := stockGitErr(t, dir, "config", "--get", k)
		got, ok := cfg.Get(k)
		if ok != (err == nil) || got != want {
			t.Errorf("%s is %q %t, git says %q %v", k, got, ok, want, err)
		}
	}
	if on, err := cfg.Bool("x.bare", false); err != nil || !on {
		t.Errorf("x.bare is %t, %v", on, err)
	}
	// Every value git lists, in git's order.
	var ours []string
	for _, v := range cfg.values {
		if v.bare {
			ours = append(ours, v.key)
		} else {
			ours = append(ours, v.key+"\n"+v.value)
		}
	}
	theirs := strings.Split(strings.TrimSuffix(stockGit(t, dir, "config", "--list", "-z"), "\x00"), "\x00")
	if !slices.Equal(ours, theirs) {
		t.Errorf("here %q\ngit  %q", ours, theirs)
	}
}

func TestConfigErrors(t *testing.T) {
	for name, tt := range map[string]struct{ text, want string }{
		"open header": {"[user\nname = x\n", "does not end in ]"},
		"bad escape":  {"[a]\n\tb = C:\\dir\n", "write \\\\ for a backslash"},
		"open quote":  {"[a]\n\tb = \"x\n", "not closed"},
		"circle":      {"[include]\n\tpath = .gitconfig\n", "circle"},
	} {
		t.Run(name, func(t *testing.T) {
			ownHome(t, tt.text)
			_, err := Global()
			c, ok := errors.AsType[*Error](err)
			if !ok || !strings.Contains(c.Error(), tt.want) {
				t.Errorf("got %v", err)
			}
			if _, err := stockGitErr(t, t.TempDir(), "config", "--list", "--includes"); err == nil {
				t.Error("stock git reads it")
			}
		})
	}
	ownHome(t, "[core]\n\tbare = perhaps\n")
	cfg, err := Global()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := cfg.Bool("core.bare", false); err == nil {
		t.Error("perhaps is a boolean")
	}
}

func TestIdentity(t *testing.T) {
	ownHome(t, "")
	load := func() *Config {
		cfg, err := Global()
		if err != nil {
			t.Fatal(err)
		}
		return cfg
	}
	_, err := load().Author(testTime)
	if e, ok := errors.AsType[*IdentityError](err); !ok || e.Missing != "user.name" || !strings.Contains(e.Error(), "git config --global user.name") {
		t.Errorf("got %v", err)
	}
	t.Setenv("GIT_COMMITTER_NAME", "Tam Okell")
	_, err = load().Committer(testTime)
	if e, ok := errors.AsType[*IdentityError](err); !ok || e.Missing != "user.email" {
		t.Errorf("got %v", err)
	}
	t.Setenv("GIT_COMMITTER_EMAIL", "tam@halden.example")
	for date, want := range map[string]time.Time{
		"":                                testTime,
		"1930406700 +0100":                time.Unix(1930406700, 0),
		"@1930406700 +0100":               time.Unix(1930406700, 0),
		"2031-03-04T17:05:00+01:00":       testTime,
		"2031-03-04 17:05:00 +0100":       testTime,
		"Tue, 04 Mar 2031 17:05:00 +0100": testTime,
	} {
		t.Setenv("GIT_COMMITTER_DATE", date)
		id, err := load().Committer(testTime)
		if err != nil || !id.When.Equal(want) || id.When.Format("-0700") != "+0100" || id.Name != "Tam Okell" {
			t.Errorf("%q: %+v %v", date, id, err)
		}
	}
	t.Setenv("GIT_COMMITTER_DATE", "next Tuesday")
	if _, err := load().Committer(testTime); err == nil {
		t.Error("next Tuesday is a date")
	}
}

func FuzzParseConfig(f *testing.F) {
	f.Add("[a]\n\tb = \"c\\n\" # d\n[e \"f\"]\n\tg\n")
	f.Add("[include]\r\n\tpath = ~/x\\\r\n y\r\n")
	f.Fuzz(func(t *testing.T, text string) {
		parse(text, "f", func(key, value string, bare bool) error {
			if key == "" || bare && value != "" {
				t.Errorf("key %q, value %q, bare %t", key, value, bare)
			}
			return nil
		})
	})
}
