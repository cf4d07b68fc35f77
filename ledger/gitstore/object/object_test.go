package object_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
)

// A blob has the name that `echo hello | git hash-object --stdin` prints.
func ExampleSum() {
	fmt.Println(object.Sum(object.TypeBlob, []byte("hello\n")))
	// Output: ce013625030ba8dba906f756967f9e9ca394464a
}

func TestHash(t *testing.T) {
	t.Parallel()
	// The empty tree's name, as git has it built in.
	const empty = "4b825dc642cb6eb9a060e54bf8d69288fbee4904"
	h := object.Sum(object.TypeTree, nil)
	if h.String() != empty || object.NewHash(empty) != h || h.IsZero() {
		t.Errorf("the empty tree is called %s", h)
	}
	for _, s := range []string{"", "4b825d", empty + "00", "zb825dc642cb6eb9a060e54bf8d69288fbee4904"} {
		if object.IsHash(s) || !object.NewHash(s).IsZero() {
			t.Errorf("%q is taken for a name", s)
		}
	}
	if object.ZeroHash.Compare(h) != -1 || h.Compare(h) != 0 {
		t.Error("names are not in the order of their bytes")
	}
}

func TestType(t *testing.T) {
	t.Parallel()
	for _, want := range []object.Type{object.TypeCommit, object.TypeTree, object.TypeBlob, object.TypeTag} {
		if got, ok := object.ParseType(want.String()); !ok || got != want {
			t.Errorf("%s is read as %s", want, got)
		}
	}
	if _, ok := object.ParseType("unknown"); ok || object.Type(6).String() != "unknown" {
		t.Error("a type is made up")
	}
}

// TestParseCommit reads a signed commit with a header that git may add, and gives
// back what the signature is over.
func TestParseCommit(t *testing.T) {
	t.Parallel()
	const (
		tree   = "4b825dc642cb6eb9a060e54bf8d69288fbee4904"
		parent = "ce013625030ba8dba906f756967f9e9ca394464a"
		head   = "tree " + tree + "\nparent " + parent + "\nauthor Ines Marlow <ines@halden.example> 1930752300 +0130\n" +
			"committer Maren Wickstead <mw@halden.example> 1930752360 -0500\n"
		sig  = "gpgsig -----BEGIN SSH SIGNATURE-----\n U1NI\n -----END SSH SIGNATURE-----\n"
		rest = "encoding UTF-8\n\nrecap\n\nUnit-Head: x\n"
	)
	c, err := object.ParseCommit([]byte(head + sig + rest))
	if err != nil {
		t.Fatal(err)
	}
	if c.Tree.String() != tree || len(c.Parents) != 1 || c.Parents[0].String() != parent || c.Message != "recap\n\nUnit-Head: x\n" {
		t.Errorf("read as %+v", c)
	}
	if c.Author.Name != "Ines Marlow" || c.Author.Email != "ines@halden.example" || c.Author.When.Format("2006-01-02T15:04:05-0700") != "2031-03-08T17:35:00+0130" ||
		c.Committer.When.Unix() != 1930752360 {
		t.Errorf("people and times are %+v, %+v", c.Author, c.Committer)
	}
	if c.Signature != "-----BEGIN SSH SIGNATURE-----\nU1NI\n-----END SSH SIGNATURE-----\n" || string(c.Payload) != head+rest {
		t.Errorf("signature %q over %q", c.Signature, c.Payload)
	}
	if plain, err := object.ParseCommit([]byte(head + rest)); err != nil || plain.Signature != "" || string(plain.Payload) != head+rest {
		t.Errorf("unsigned: %+v, %v", plain, err)
	}
	for _, bad := range []string{"", "tree " + tree[1:] + "\n", "parent " + parent + "\n", "tree " + tree + "\nauthor A <a@b> 1 +0000\n\nx",
		"tree " + tree + "\nauthor A 1 +0000\ncommitter A <a@b> 1 +0000\n\nx", "tree " + tree + "\nparent x\nauthor A <a@b> 1 +0000\n"} {
		if c, err := object.ParseCommit([]byte(bad)); err == nil {
			t.Errorf("%q is read as %+v", bad, c)
		}
	}
}

func TestParseTag(t *testing.T) {
	t.Parallel()
	const target = "ce013625030ba8dba906f756967f9e9ca394464a"
	tag, err := object.ParseTag([]byte("object " + target + "\ntype commit\ntag seal/1\ntagger Ines Marlow <ines@halden.example> 1930752300 +0100\n\nsealed\n"))
	if err != nil || tag.Target.String() != target || tag.Type != object.TypeCommit || tag.Name != "seal/1" || tag.Tagger.Name != "Ines Marlow" || tag.Message != "sealed\n" {
		t.Errorf("read as %+v, %v", tag, err)
	}
	for _, bad := range []string{"", "object " + target + "\ntype thing\ntag x\n\n", "object " + target + "\ntype commit\n\n"} {
		if tag, err := object.ParseTag([]byte(bad)); err == nil {
			t.Errorf("%q is read as %+v", bad, tag)
		}
	}
}

func TestTree(t *testing.T) {
	t.Parallel()
	want := []object.TreeEntry{
		{Name: "a.toml", Mode: object.ModeRegular, Hash: object.Sum(object.TypeBlob, nil)},
		{Name: "a", Mode: object.ModeDir, Hash: object.Sum(object.TypeTree, nil)},
	}
	slices.SortFunc(want, func(a, b object.TreeEntry) int { return strings.Compare(a.SortKey(), b.SortKey()) })
	if want[0].Name != "a.toml" {
		t.Error("a folder sorts as if its name ended in a slash, which comes after a dot")
	}
	var data []byte
	for _, e := range want {
		data = object.AppendTreeEntry(data, e)
	}
	got, err := object.ParseTree(data)
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("read as %v, %v", got, err)
	}
	for n := 1; n < len(data); n++ {
		if got, err := object.ParseTree(data[:n]); err == nil && len(got) != 1 {
			t.Errorf("%d bytes are read as %v", n, got)
		}
	}
	if object.ModeDir.String() != "40000" || object.ModeDir.IsFile() || !object.ModeSymlink.IsFile() || object.ModeExecutable.IsRegular() {
		t.Error("modes are mistaken")
	}
}
