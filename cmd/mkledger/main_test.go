package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/examples/synth"
	"benchlore/ledger"
)

func TestMakesALedger(t *testing.T) {
	dir := t.TempDir()
	at, truth := filepath.Join(dir, "shop"), filepath.Join(dir, "truth.jsonl")
	var out, errs bytes.Buffer
	if code := run([]string{"--units", "4", "--open", "1", "--records-per-unit", "20", "--truth", truth, "--out", at}, &out, &errs); code != 0 {
		t.Fatalf("exit %d: %s", code, errs.String())
	}
	for _, want := range []string{at + ": 4 units (1 open), ", " commits on main, ", truth + ": the truth; "} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("it does not say %q:\n%s", want, out.String())
		}
	}
	l, err := ledger.Open(at, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	r, err := l.Check()
	if err != nil {
		t.Fatal(err)
	}
	if !r.Clean() || r.Units != 4 || r.Records < 80 {
		t.Errorf("check: %+v", r)
	}
	data, err := os.ReadFile(truth)
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(data, []byte("\n")); n != 5 {
		t.Errorf("%d lines of truth, want one and one for each unit", n)
	}
}

func TestFilesOnly(t *testing.T) {
	at := filepath.Join(t.TempDir(), "shop")
	var out, errs bytes.Buffer
	if code := run([]string{"--units", "2", "--preset", "wearing", "--no-git", "--out", at}, &out, &errs); code != 0 {
		t.Fatalf("exit %d: %s", code, errs.String())
	}
	if _, err := os.Stat(filepath.Join(at, ".git")); err == nil {
		t.Error("there is a repository")
	}
	if _, err := os.Stat(filepath.Join(at, "shop.toml")); err != nil {
		t.Error(err)
	}
}

func TestRefusals(t *testing.T) {
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "diary.txt"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	fresh := filepath.Join(t.TempDir(), "shop")
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{nil, exitUsage, "--out DIR"},
		{[]string{"--out", fresh, "--preset", "tidy"}, exitUsage, "independent"},
		{[]string{"--out", fresh, "--units", "3", "--open", "4"}, exitUsage, "no more open"},
		{[]string{"--out", fresh, "--units", "many"}, exitUsage, "units"},
		{[]string{"--out", fresh, "--commits", "0"}, exitUsage, "--commits 0"},
		{[]string{"--out", fresh, "--records-per-unit", "-1"}, exitUsage, "--records-per-unit -1"},
		{[]string{fresh}, exitUsage, "--out"},
		{[]string{"--out", full}, exitEnvironment, "not empty"},
	} {
		var out, errs bytes.Buffer
		if code := run(c.args, &out, &errs); code != c.code || !strings.Contains(errs.String(), c.says) {
			t.Errorf("%v: exit %d, want %d and %q:\n%s", c.args, code, c.code, c.says, errs.String())
		}
		if _, err := os.Stat(fresh); err == nil {
			t.Fatalf("%v: something was written", c.args)
		}
	}
}

func TestHelpNamesThePresets(t *testing.T) {
	var out, errs bytes.Buffer
	if code := run([]string{"--help"}, &out, &errs); code != 0 {
		t.Fatalf("exit %d", code)
	}
	for _, p := range synth.Presets() {
		if !strings.Contains(out.String(), "\n  "+p+" ") {
			t.Errorf("the help does not explain %s", p)
		}
	}
}
