package gitstore

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
)

// TestFromPacks holds every object read from a pack of stock git's, with deltas
// on offsets and on names, against its name and the type git cat-file gives.
func TestFromPacks(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, config string }{{"offsets", "true"}, {"names", "false"}} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			git(t, dir, "init", "-q")
			git(t, dir, "config", "repack.useDeltaBaseOffset", c.config)
			text := strings.Repeat("a line that stays\n", 400)
			for i := range 12 {
				text += fmt.Sprintf("line %d of what was found\n", i)
				if err := os.WriteFile(filepath.Join(dir, "record.toml"), []byte(text), 0o666); err != nil {
					t.Fatal(err)
				}
				git(t, dir, "add", ".")
				git(t, dir, "commit", "-qm", fmt.Sprint("record ", i))
			}
			git(t, dir, "tag", "-am", "a seal", "seal/1")
			git(t, dir, "repack", "-adfq", "--depth=20")
			if deltas := git(t, dir, "verify-pack", "-v", packOf(t, dir)); !strings.Contains(deltas, "chain length = 1") {
				t.Fatalf("git packed without deltas:\n%s", deltas)
			}
			r, err := Open(dir, Program{})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			list := strings.Split(git(t, dir, "cat-file", "--batch-check=%(objectname) %(objecttype)", "--batch-all-objects"), "\n")
			if len(list) < 37 {
				t.Fatalf("%d objects", len(list))
			}
			for _, line := range list {
				name, want, _ := strings.Cut(line, " ")
				h := object.NewHash(name)
				typ, data, ok := r.fromPacks(h)
				if !ok {
					t.Fatalf("%s was not found", h)
				}
				if typ.String() != want {
					t.Errorf("%s is a %s, git says %s", h, typ, want)
				}
				if object.Sum(typ, data) != h {
					t.Errorf("%s reads differently", h)
				}
			}
			if _, _, ok := r.fromPacks(object.NewHash("00000000000000000000000000000000000000ff")); ok {
				t.Error("an object that is not there was found")
			}
		})
	}
}

func packOf(t *testing.T, dir string) string {
	t.Helper()
	names, _ := filepath.Glob(filepath.Join(dir, ".git", "objects", "pack", "*.idx"))
	if len(names) != 1 {
		t.Fatalf("%d packs", len(names))
	}
	return names[0]
}

// TestDamagedPack: whatever is wrong with a pack, an object is whole or is not
// read, and the error names it.
func TestDamagedPack(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	git(t, dir, "init", "-q")
	text := strings.Repeat("a line that stays\n", 100)
	for i := range 4 {
		text += fmt.Sprintf("line %d\n", i)
		if err := os.WriteFile(filepath.Join(dir, "record.toml"), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		git(t, dir, "add", ".")
		git(t, dir, "commit", "-qm", fmt.Sprint(i))
	}
	git(t, dir, "repack", "-adfq")
	var hashes []object.Hash
	for _, h := range strings.Fields(git(t, dir, "cat-file", "--batch-check=%(objectname)", "--batch-all-objects")) {
		hashes = append(hashes, object.NewHash(h))
	}
	idx := packOf(t, dir)
	for _, name := range []string{idx, strings.TrimSuffix(idx, ".idx") + ".pack"} {
		whole, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		os.Chmod(name, 0o666)
		for at := 0; at < len(whole); at += 1 + len(whole)/60 {
			bad := bytes.Clone(whole)
			bad[at] ^= 0xa5
			if at%2 == 1 {
				bad = bad[:at]
			}
			if err := os.WriteFile(name, bad, 0o666); err != nil {
				t.Fatal(err)
			}
			r := &Repo{GitDir: filepath.Join(dir, ".git")}
			for _, h := range hashes {
				if typ, data, ok := r.fromPacks(h); ok && object.Sum(typ, data) != h {
					t.Fatalf("byte %d of %s: %s came back as something else", at, filepath.Base(name), h)
				}
			}
			for _, p := range r.packReaders {
				p.close()
			}
		}
		if err := os.WriteFile(name, whole, 0o666); err != nil {
			t.Fatal(err)
		}
	}
}
