package gitstore

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/gitstore/object"
)

// TestGraphAgainstGit holds merge bases and ranges of random histories, with
// clocks that jump, against stock git.
func TestGraphAgainstGit(t *testing.T) {
	t.Parallel()
	for seed := range uint64(4) {
		rng := rand.New(rand.NewPCG(seed, 1))
		dir := filepath.Join(t.TempDir(), fmt.Sprint(seed))
		r, err := Init(dir, InitOptions{NoSync: true})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		tx, err := r.Lock(context.Background(), time.Second)
		if err != nil {
			t.Fatal(err)
		}
		var all []object.Hash
		for i := range 25 {
			var parents []object.Hash
			for range min(len(all), rng.IntN(3)) {
				p := all[max(0, len(all)-1-rng.IntN(6))]
				if !slices.Contains(parents, p) {
					parents = append(parents, p)
				}
			}
			blob, err := tx.WriteBlob(fmt.Appendf(nil, "%d", rng.IntN(3)))
			if err != nil {
				t.Fatal(err)
			}
			var base object.Hash
			if len(parents) > 0 {
				c, err := r.Commit(parents[0])
				if err != nil {
					t.Fatal(err)
				}
				base = c.Tree
			}
			tree, err := tx.UpdateTree(base, map[string]*object.Hash{fmt.Sprintf("d%d/f%d", rng.IntN(3), rng.IntN(4)): &blob})
			if err != nil {
				t.Fatal(err)
			}
			who := Ident{Name: "A", Email: "a@halden-street.example", When: time.Unix(1_900_000_000+int64(i*60)-int64(rng.IntN(3))*200, 0)}
			h, err := tx.WriteCommit(CommitSpec{Tree: tree, Parents: parents, Author: who, Committer: who, Message: fmt.Sprint(i)})
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, h)
		}
		var refs []RefUpdate
		for i, h := range all {
			refs = append(refs, RefUpdate{Name: fmt.Sprintf("refs/tags/c%d", i), New: h})
		}
		if err := tx.Commit(Plan{Refs: refs}); err != nil {
			t.Fatal(err)
		}
		for range 12 {
			a, b := all[rng.IntN(len(all))], all[rng.IntN(len(all))]
			bases, err := r.MergeBases([]object.Hash{a}, []object.Hash{b})
			if err != nil {
				t.Fatal(err)
			}
			out, _ := gitErr(t, dir, "merge-base", "--all", a.String(), b.String()) // ends with 1 where there is none
			want := strings.Fields(out)
			sort.Strings(want)
			if got := hexes(bases); !slices.Equal(got, want) {
				t.Errorf("seed %d: merge bases of %s and %s: %v, git says %v", seed, a, b, got, want)
			}
			// A range may hold more than git's, never less.
			ahead, err := r.NewObjects([]object.Hash{a}, []object.Hash{b})
			if err != nil {
				t.Fatal(err)
			}
			for _, line := range strings.Split(git(t, dir, "rev-list", "--objects", a.String(), "^"+b.String()), "\n") {
				h, _, _ := strings.Cut(line, " ")
				if h != "" && !slices.Contains(ahead, object.NewHash(h)) {
					t.Errorf("seed %d: what %s has and %s has not: %s is left out", seed, a, b, h)
				}
			}
			if err := r.Whole([]object.Hash{a}, []object.Hash{b}); err != nil {
				t.Error(err)
			}
		}
	}
}

func hexes(list []object.Hash) []string {
	out := make([]string, len(list))
	for i, h := range list {
		out[i] = h.String()
	}
	sort.Strings(out)
	return out
}

// TestWholeNamesWhatIsMissing: an object that a history names and that is gone
// is found before anything relies on it.
func TestWholeNamesWhatIsMissing(t *testing.T) {
	t.Parallel()
	k := newSketch(t)
	r, blob := k.repo, HashBlob([]byte("x"))
	h := k.commit(map[string]string{"d/f": "x"})
	k.move("refs/tags/x", h)
	if err := r.Whole([]object.Hash{h}, nil); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(r.looseFile(blob)); err != nil {
		t.Fatal(err)
	}
	var missing *MissingObject
	if err := r.Whole([]object.Hash{h}, nil); !errors.As(err, &missing) || missing.Hash != blob {
		t.Errorf("%v, want %s missing", err, blob)
	}
}

// TestTreesMetTwice: two histories have the same folders in opposite order, so
// that each leaves a file out as the other's.
func TestTreesMetTwice(t *testing.T) {
	t.Parallel()
	k := newSketch(t)
	unit := k.commit(map[string]string{"x": "x"})
	main := k.commit(map[string]string{"d/x": "x", "d/z": "z"})
	main = k.commit(map[string]string{"d/x": "x"}, main)
	unit = k.commit(map[string]string{"x": "x", "z": "z"}, unit)
	objects, err := k.repo.NewObjects([]object.Hash{main, unit}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"x", "z"} {
		if !slices.Contains(objects, HashBlob([]byte(text))) {
			t.Errorf("the file %s is left out", text)
		}
	}
}

// TestCopyBesideHalfAPush: the far end of an exchange may have the last commit of a
// history and not the first, from a push that was killed. What else it has still
// comes over; a history that lacks its beginning itself does not.
func TestCopyBesideHalfAPush(t *testing.T) {
	t.Parallel()
	k := newSketch(t)
	first := k.commit(map[string]string{"f": "1"})
	last := k.commit(map[string]string{"f": "2"}, first)
	main := k.commit(map[string]string{"x": "x"})
	k.move("refs/heads/main", main)
	if err := os.Remove(k.repo.looseFile(first)); err != nil {
		t.Fatal(err)
	}
	k.repo = open(t, k.repo.Dir)
	to := newSketch(t).repo
	got, err := copyObjects(context.Background(), k.repo, to, []object.Hash{main}, []object.Hash{last})
	if err != nil || got.Objects != 3 {
		t.Fatalf("%+v, %v", got, err)
	}
	var missing *MissingObject
	if _, err := copyObjects(context.Background(), k.repo, to, []object.Hash{last}, []object.Hash{main}); !errors.As(err, &missing) || missing.Hash != first {
		t.Errorf("%v, want %s missing", err, first)
	}
}

// sketch is a repository whose commits are made by hand, a minute after one another.
type sketch struct {
	t    *testing.T
	repo *Repo
	tx   *Tx
	at   int64
}

func newSketch(t *testing.T) *sketch {
	t.Helper()
	r, err := Init(filepath.Join(t.TempDir(), "r"), InitOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	tx, err := r.Lock(context.Background(), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	return &sketch{t, r, tx, 1_900_000_000}
}

// commit makes a commit of these files alone.
func (k *sketch) commit(files map[string]string, parents ...object.Hash) object.Hash {
	k.t.Helper()
	must := func(h object.Hash, err error) object.Hash {
		if err != nil {
			k.t.Fatal(err)
		}
		return h
	}
	blobs := map[string]*object.Hash{}
	for name, text := range files {
		h := must(k.tx.WriteBlob([]byte(text)))
		blobs[name] = &h
	}
	k.at += 60
	who := Ident{Name: "A", Email: "a@halden-street.example", When: time.Unix(k.at, 0)}
	return must(k.tx.WriteCommit(CommitSpec{Tree: must(k.tx.UpdateTree(object.ZeroHash, blobs)), Parents: parents, Author: who, Committer: who, Message: "m"}))
}

// move makes everything visible, and a ref.
func (k *sketch) move(ref string, to object.Hash) {
	k.t.Helper()
	if err := k.tx.Commit(Plan{Refs: []RefUpdate{{Name: ref, New: to}}}); err != nil {
		k.t.Fatal(err)
	}
}
