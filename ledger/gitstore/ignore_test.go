package gitstore

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// A ledger may stand inside a repository where that ignores the folder. Stock
// git says whether it does.
func TestInitInsideARepository(t *testing.T) {
	neutralHome(t, "[user]\n\tname = Ines Marlow\n\temail = ines@halden.example\n[safe]\n\tdirectory = *\n")
	tests := []struct {
		name  string
		files map[string]string
		dir   string
		want  bool
	}{
		{"nothing said", nil, "demo", false},
		{"named at the top", map[string]string{".gitignore": "/demo/\n"}, "demo", true},
		{"named at the top, and lies deeper", map[string]string{".gitignore": "/demo/\n"}, "a/demo", false},
		{"a name fits anywhere", map[string]string{".gitignore": "demo\n"}, "a/b/demo", true},
		{"a folder above is ignored", map[string]string{".gitignore": "/scratch\n"}, "scratch/x/demo", true},
		{"a path", map[string]string{".gitignore": "a/demo\n"}, "a/demo", true},
		{"a path counts from its file", map[string]string{".gitignore": "a/demo\n"}, "b/a/demo", false},
		{"stars over folders", map[string]string{".gitignore": "**/out/demo\n"}, "a/b/out/demo", true},
		{"stars between folders", map[string]string{".gitignore": "a/**/demo\n"}, "a/demo", true},
		{"a star stays in its folder", map[string]string{".gitignore": "a/*/demo\n"}, "a/b/c/demo", false},
		{"letters", map[string]string{".gitignore": "dem[!a]\n"}, "demo", true},
		{"not these letters", map[string]string{".gitignore": "dem[!o]\n"}, "demo", false},
		{"a nested file", map[string]string{"a/.gitignore": "/demo\n"}, "a/demo", true},
		{"a nested file of another folder", map[string]string{"b/.gitignore": "/demo\n"}, "a/demo", false},
		{"taken back", map[string]string{".gitignore": "*\n!demo/\n"}, "demo", false},
		{"taken back below", map[string]string{".gitignore": "demo\n", "a/.gitignore": "!demo\n"}, "a/demo", false},
		{"taken back, but not the folder above", map[string]string{".gitignore": "a\n!a/demo\n"}, "a/demo", true},
		{"taken back, and its own folders ignored", map[string]string{".gitignore": "*\n!a\n"}, "a/demo", true},
		{"for this copy only", map[string]string{".git/info/exclude": "demo\n"}, "demo", true},
		{"the file in the tree wins", map[string]string{".git/info/exclude": "demo\n", ".gitignore": "!demo\n"}, "demo", false},
		{"a comment and blanks", map[string]string{".gitignore": "# demo\n\n  \ndemo   \r\n"}, "demo", true},
		{"a hash that is meant", map[string]string{".gitignore": "\\#demo\n"}, "#demo", true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			top := t.TempDir()
			git(t, top, "init", "-q")
			for name, text := range tt.files {
				if err := os.MkdirAll(filepath.Join(top, filepath.Dir(name)), 0o777); err != nil {
					t.Fatal(err)
				}
				put(t, top, name, text)
			}
			dir := filepath.Join(top, filepath.FromSlash(tt.dir))
			if err := os.MkdirAll(dir, 0o777); err != nil {
				t.Fatal(err)
			}
			check := exec.Command("git", "check-ignore", "-q", tt.dir)
			check.Dir = top
			if got := check.Run() == nil; got != tt.want {
				t.Fatalf("stock git: ignored is %t", got)
			}
			_, err := Init(dir, InitOptions{NoSync: true})
			if got := err == nil; got != tt.want {
				t.Fatalf("got %v", err)
			}
			if u, ok := err.(*UnsupportedError); err != nil && (!ok || !strings.Contains(u.Remedy, ".gitignore")) {
				t.Errorf("got %v", err)
			}
		})
	}
}
