package gitstore

import (
	"context"
	"testing"
	"time"

	"benchlore/ledger/gitstore/object"
)

// TestFollowFindsWhatTreeAtFinds: a folder among names that git sorts close to it.
func TestFollowFindsWhatTreeAtFinds(t *testing.T) {
	r := newRepo(t)
	tx, err := r.Lock(context.Background(), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	blob, err := tx.WriteBlob([]byte("x"))
	if err != nil {
		t.Fatal(err)
	}
	files := []string{"a", "a-/x", "a.b", "a0/x", "ab/x", "b/a/x", "b/a.c", "b/a0", "b/aa/x", "c", "d/e"}
	names := []string{"a", "a-", "a.b", "a.", "a0", "ab", "b", "c", "d", "e", "0", "zz", "b/a", "b/a.c", "b/a0", "b/aa", "b/b", "a/a", "d/e", "d/e/f"}
	for skip := range len(files) + 1 {
		changes := map[string]*object.Hash{}
		for i, f := range files {
			if i != skip {
				changes[f] = &blob
			}
		}
		root, err := tx.UpdateTree(object.ZeroHash, changes)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			want := object.ZeroHash
			if e, ok, err := r.TreeAt(root, name); err != nil {
				t.Fatal(err)
			} else if ok && e.Mode == object.ModeDir {
				want = e.Hash
			}
			if got, err := r.Follow(name).Folder(root); err != nil || got != want {
				t.Errorf("without %d: %s is %s, %v; want %s", skip, name, got, err, want)
			}
		}
	}
	for _, bad := range []string{"40000 a", "40000 a\x00short", "40000\x00aaaaaaaaaaaaaaaaaaaaa"} {
		if _, err := folderIn([]byte(bad), "z"); err == nil {
			t.Errorf("%q was read", bad)
		}
	}
}
