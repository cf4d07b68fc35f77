package gitstore

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// neutralHome gives the test its own home folder.
func neutralHome(t *testing.T, gitconfig string) string {
	t.Helper()
	home := t.TempDir()
	t.Setenv("HOME", home)
	put(t, home, ".gitconfig", gitconfig)
	return home
}

func TestConfigAsStockGit(t *testing.T) {
	home := neutralHome(t, "[user]\n\tname = Global\n\temail = g@halden.example\n[include]\n\tpath = ~/more\n\tpath = missing\n"+
		"[includeIf \"gitdir:**/ledger/.git\"]\n\tpath = by-dir\n[includeIf \"gitdir:nowhere/\"]\n\tpath = never\n"+
		"[includeIf \"gitdir/i:~/LEDGERS/\"]\n\tpath = by-home\n[includeIf \"onbranch:bench/**\"]\n\tpath = by-branch\n")
	put(t, home, ".config/git/config", "[user]\n\tname = Xdg\n[x]\n\tonly = xdg\n")
	put(t, home, "more", "[x]\n\tmore = 1 ; comment\n\tquoted = \"a ; b \" c\\t\\\"d\n\tlong = one \\\n  two\n\tbare\n"+
		"\tTrail = v   \n[Sub \"Case Kept\\\"\"]\n\tKey = 1\n[old.Style]\n\tk=2\n")
	put(t, home, "by-dir", "[x]\n\tdir = yes\n")
	put(t, home, "by-home", "[x]\n\thome = yes\n")
	put(t, home, "never", "[x]\n\tnever = yes\n")
	put(t, home, "by-branch", "[x]\n\tbranch = yes\n")
	system := filepath.Join(home, "system")
	put(t, home, "system", "[user]\n\tname = System\n[x]\n\tsystem = 1\n")
	t.Setenv("GIT_CONFIG_NOSYSTEM", "")
	os.Unsetenv("GIT_CONFIG_NOSYSTEM")
	t.Setenv("GIT_CONFIG_SYSTEM", system)
	t.Setenv("GIT_CONFIG_COUNT", "1")
	t.Setenv("GIT_CONFIG_KEY_0", "X.Env")
	t.Setenv("GIT_CONFIG_VALUE_0", "e")

	r, err := Init(filepath.Join(home, "ledgers", "ledger"), InitOptions{Branch: "bench/one/two", NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	git(t, r.Dir, "config", "user.name", "Local")
	cfg, err := r.Config()
	if err != nil {
		t.Fatal(err)
	}
	keys := []string{"user.name", "user.email", "x.only", "x.more", "x.quoted", "x.long", "x.trail", "sub.Case Kept\".key",
		"old.style.k", "x.dir", "x.home", "x.never", "x.branch", "x.system", "x.env", "x.unset"}
	for _, k := range keys {
		want, err := gitErr(t, r.Dir, "config", "--get", k)
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
	theirs := strings.Split(strings.TrimSuffix(git(t, r.Dir, "config", "--list", "-z"), "\x00"), "\x00")
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
			neutralHome(t, tt.text)
			_, err := LoadConfig()
			c, ok := errors.AsType[*ConfigError](err)
			if !ok || !strings.Contains(c.Error(), tt.want) {
				t.Errorf("got %v", err)
			}
			if _, err := gitErr(t, t.TempDir(), "config", "--list", "--includes"); err == nil {
				t.Error("stock git reads it")
			}
		})
	}
	neutralHome(t, "[core]\n\tbare = perhaps\n")
	cfg, err := LoadConfig()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := cfg.Bool("core.bare", false); err == nil {
		t.Error("perhaps is a boolean")
	}
}

func TestIdentity(t *testing.T) {
	neutralHome(t, "")
	load := func() *Config {
		cfg, err := LoadConfig()
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
		parseConfig(text, "f", func(key, value string, bare bool) error {
			if key == "" || bare && value != "" {
				t.Errorf("key %q, value %q, bare %t", key, value, bare)
			}
			return nil
		})
	})
}
