package proof

import (
	"errors"
	"os"
	"os/exec"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
)

// TestFormats: what a later release wrote is too new, and never broken.
func TestFormats(t *testing.T) {
	k, next := newKey(t, "ed25519"), newKey(t, "ed25519")
	s := newShop(t, k)
	st := s.statement()
	rotation := must(Rotate(halden, k, next, s.now))
	newer := func(text string) []byte {
		return []byte(strings.Replace(text, "format = 1\n", "format = 2\nnot_known_yet = [1, 2]\n", 1))
	}
	changed := &SignedRotation{Text: string(newer(rotation.Text)), OldSignature: rotation.OldSignature, NewSignature: rotation.NewSignature}
	note := &PacketNote{Format: 1, Kind: "packet", UUID: lwUUID, SealSHA256: strings.Repeat("a", 64), Made: s.now}
	for name, err := range map[string]error{
		"statement": second(ParseStatement(newer(string(st.Encode())))),
		"packet":    second(parsePacketNote(newer(string(note.encode())))),
		"rotation":  second(changed.Check()),
		"adoption":  CheckAdoption(2),
		"backup":    CheckBackup(2),
	} {
		var e *TooNewError
		if !errors.As(err, &e) || e.Found != 2 || e.Hint() == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, err := range map[string]error{
		"statement": second(ParseStatement(st.Encode())),
		"packet":    second(parsePacketNote(note.encode())),
		"rotation":  second(rotation.Check()),
		"adoption":  CheckAdoption(1),
		"backup":    CheckBackup(1),
	} {
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := CheckBackup(0); err == nil || errors.As(err, new(*TooNewError)) {
		t.Errorf("format 0: %v", err)
	}
	// An instrument's file of a later format.
	s.files["instrument.toml"] = newer(string(s.files["instrument.toml"]))
	s.commit("by a later release")
	s.seal()
	data := packedAsIs(t, s)
	if v := VerifyBundle(data, trusting(k)); v.Verdict != Unreadable || v.Exit != 3 {
		t.Errorf("an instrument of a later format: %s\n%s", v.Verdict, flaws(v))
	}
}

// packedAsIs is the bundle of a shop.
func packedAsIs(t *testing.T, s *shop) []byte {
	t.Helper()
	return must(HistoryBundle(s.reached(), s.seals))
}

func second[A any](_ A, err error) error { return err }

// TestDependencies lists what the package needs: no spreadsheet, plot, PDF or
// transport library, and nothing of the ledger.
func TestDependencies(t *testing.T) {
	allowed := []string{"benchlore/ledger/proof", "benchlore/ledger/gitstore/object", "benchlore/ledger/gitstore/pack", "benchlore/schema",
		"github.com/BurntSushi/toml", "github.com/google/uuid", "github.com/hiddeco/sshsig", "github.com/pelletier/go-toml/v2/", "golang.org/x/crypto/"}
	cmd := exec.Command("go", "list", "-deps", "-f", "{{if not .Standard}}{{.ImportPath}}{{end}}", "./...")
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	n := 0
	for _, p := range strings.Fields(string(out)) {
		n++
		ok := false
		for _, a := range allowed {
			ok = ok || p == a || strings.HasPrefix(p, strings.TrimSuffix(a, "/")+"/")
		}
		if !ok {
			t.Errorf("the package needs %s", p)
		}
	}
	if n < len(allowed) {
		t.Errorf("only %d packages are listed", n)
	}
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	n = 0
	for _, f := range files {
		if strings.HasSuffix(f.Name(), ".go") && !strings.HasSuffix(f.Name(), "_test.go") {
			n++
		}
	}
	if n > 25 {
		t.Errorf("%d files are more than a newcomer finds his way in", n)
	}
}

// TestNesting holds the scan for nesting against what it must let pass.
func TestNesting(t *testing.T) {
	for text, deep := range map[string]bool{
		"a = " + strings.Repeat("[", MaxNesting) + strings.Repeat("]", MaxNesting):                     false,
		"a = " + strings.Repeat("[", MaxNesting+1):                                                     true,
		"a = " + strings.Repeat("{a = ", MaxNesting+1):                                                 true,
		strings.Repeat("a.", MaxNesting) + "a = 1":                                                     true,
		"[" + strings.Repeat("a.", MaxNesting) + "a]":                                                  true,
		"a = \"" + strings.Repeat("[", 100) + "\"":                                                     false,
		"a = '" + strings.Repeat("{", 100) + "' # " + strings.Repeat("[", 100):                         false,
		"a = \"\"\"" + strings.Repeat("[\n", 100) + "\\\"\"\"\"\"":                                     false,
		"a = '''" + strings.Repeat("[\n", 100) + "'''\nb = [[1], [2]]":                                 false,
		"a = \"\\\"" + strings.Repeat("[", 100) + "\"":                                                 false,
		"a = \"unfinished " + strings.Repeat("[", 100) + "\nb = " + strings.Repeat("[", 100):           true,
		strings.Repeat("[[part]]\nref = \"C1\"\nnew = {value = \"1.5 uF\"}\nat = 1.5\n", MaxNesting*2): false,
		strings.Repeat("x = [1.5, 2.5, 3.5]\n", 100):                                                   false,
	} {
		if err := CheckNesting([]byte(text)); (err != nil) != deep {
			t.Errorf("%.60q: %v", text, err)
		}
	}
}

// TestTree: a tree of git as a file system gives what was put in.
func TestTree(t *testing.T) {
	s := newShop(t, newKey(t, "ed25519"))
	s.files["files/plan.txt"] = []byte("a plan")
	s.commit("files")
	dir := treeFS{newHistory(s.objects), must(Tree(s.objects, s.head))}
	if err := testFS(dir, "instrument.toml", "files/plan.txt"); err != nil {
		t.Error(err)
	}
	if _, err := Tree(s.objects, object.ZeroHash); err == nil {
		t.Error("a commit that is not there has a tree")
	}
}

// Tree is the tree of a commit.
func Tree(from gitobj.Objects, commit object.Hash) (object.Hash, error) {
	c, err := gitobj.ReadCommit(from, commit)
	if err != nil {
		return object.ZeroHash, err
	}
	return c.Tree, nil
}
