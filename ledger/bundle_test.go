package ledger

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
)

// TestBundlesAgreeWithGit reads what git bundle create writes, deltas and all,
// and has git read what is written here.
func TestBundlesAgreeWithGit(t *testing.T) {
	dir := t.TempDir()
	git(t, dir, "init", "-q")
	var text strings.Builder
	for i := range 12 {
		fmt.Fprintf(&text, "line %d of a file that grows and grows, so that git packs it as changes\n", i)
		for j := range 20 {
			fmt.Fprintf(&text, "%d %d\n", i, j*j)
		}
		if err := os.WriteFile(filepath.Join(dir, "f.toml"), []byte(text.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		git(t, dir, "add", ".")
		git(t, dir, "commit", "-qm", fmt.Sprint(i))
	}
	git(t, dir, "tag", "-am", "a tag", "v1")
	git(t, dir, "bundle", "create", "-q", "b", "HEAD", "main", "v1")
	data := must(os.ReadFile(filepath.Join(dir, "b")))
	b, err := proof.ReadBundle(data)
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Fields(git(t, dir, "rev-list", "--objects", "--no-object-names", "--all"))
	if len(b.Objects) != len(want) || len(b.Refs) != 3 {
		t.Errorf("%d objects and %d refs were read, of %d", len(b.Objects), len(b.Refs), len(want))
	}
	for _, h := range want {
		if _, ok := b.Objects[object.NewHash(h)]; !ok {
			t.Errorf("%s was not read", h)
		}
	}
	var out bytes.Buffer
	if err := proof.WriteBundle(&out, b.Refs, b.Objects); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "again"), out.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	git(t, dir, "bundle", "verify", "-q", "again")
	git(t, dir, "clone", "-q", "again", "clone")
	if git(t, filepath.Join(dir, "clone"), "rev-parse", "HEAD", "v1") != git(t, dir, "rev-parse", "HEAD", "v1") {
		t.Error("the clone has another head")
	}
	if again := must(proof.ReadBundle(out.Bytes())); len(again.Objects) != len(b.Objects) {
		t.Error("what was written is not what is read")
	}
}
