package object_test

import (
	"fmt"
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
