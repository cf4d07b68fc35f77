package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Every list is taken in by one command and one commit, and the second time there is
// nothing to save: no part doubles. What the command says to add works as it stands.
func TestListsTwice(t *testing.T) {
	t.Parallel()
	all, err := filepath.Glob(filepath.Join("..", "..", "testdata", "lists", "*.expected"))
	if err != nil || len(all) < 12 {
		t.Fatalf("%d expectations: %v", len(all), err)
	}
	for _, e := range all {
		list := strings.TrimSuffix(e, ".expected")
		if strings.HasPrefix(filepath.Base(list), "done-") {
			continue
		}
		t.Run(filepath.Base(list), func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(t.TempDir(), "ledger")
			command := func(args ...string) (code int, out, errs string) {
				var o, x bytes.Buffer
				code = run(append(args, "--ledger", dir), strings.NewReader(""), &o, &x, hooks{})
				return code, o.String(), x.String()
			}
			if code := run([]string{"start", dir, "--name", "Halden Street Workshop", "--technician", "mw=Maren Wickstead <maren@halden-street.example>"},
				strings.NewReader(""), &bytes.Buffer{}, os.Stderr, hooks{}); code != exitOK {
				t.Fatalf("start ends with %d", code)
			}
			words := []string{"model", "quillard-try", list, "--maker", "Quillard", "--name", "Try"}
			code, out, errs := command(words...)
			for questions := 0; code == exitUsage; questions++ {
				_, option, ok := strings.Cut(errs, "\n  add --section ")
				if !ok || questions == 3 {
					t.Fatalf("ends with %d: %s", code, errs)
				}
				words = append(words, "--section", strings.Trim(strings.TrimSpace(option), `"`))
				code, out, errs = command(words...)
			}
			if code != exitOK || !strings.Contains(out, "saved models/quillard-try.toml") {
				t.Fatalf("ends with %d\n%s%s", code, out, errs)
			}
			saved, err := os.ReadFile(filepath.Join(dir, "models", "quillard-try.toml"))
			if err != nil {
				t.Fatal(err)
			}
			if code, out, errs = command(words...); code != exitOK || !strings.Contains(out, "nothing to save") {
				t.Errorf("the second time it ends with %d\n%s%s", code, out, errs)
			}
			if again, _ := os.ReadFile(filepath.Join(dir, "models", "quillard-try.toml")); !bytes.Equal(saved, again) {
				t.Errorf("the second time changed the model:\n%s", again)
			}
			if code, out, errs = command("check"); code != exitOK || strings.Contains(out+errs, "warning") {
				t.Errorf("check ends with %d\n%s%s", code, out, errs)
			}
		})
	}
}
