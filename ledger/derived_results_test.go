package ledger

import (
	"crypto/sha256"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

// TestResultsAreKept: a value is worked out once for its key, use and program,
// and again where what was kept is gone, damaged or was not wanted last time.
func TestResultsAreKept(t *testing.T) {
	type value struct {
		Number float64
		Words  []string
	}
	key := func(s string) [sha256.Size]byte { return sha256.Sum256([]byte(s)) }
	for _, tt := range []struct {
		name    string
		between func(t *testing.T, file string)
		use     string // of the second run
		want    int    // how many of two values are worked out in the second run
	}{
		{"nothing between", nil, "rates", 0},
		{"another use", nil, "lives", 2},
		{"deleted", func(t *testing.T, file string) { check(t, os.Remove(file)) }, "rates", 2},
		{"cut short", func(t *testing.T, file string) { check(t, os.Truncate(file, 100)) }, "rates", 2},
		{"a bit turned", func(t *testing.T, file string) {
			data, err := os.ReadFile(file)
			check(t, err)
			data[len(data)-3] ^= 1
			check(t, os.WriteFile(file, data, 0o666))
		}, "rates", 2},
		{"of another program", func(t *testing.T, file string) {
			data, err := os.ReadFile(file)
			check(t, err)
			data[len(resultsMagic)+sha256.Size] ^= 1
			check(t, os.WriteFile(file, data, 0o666))
		}, "rates", 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorkshop(t)
			stock, err := w.Catalog()
			check(t, err)
			view, err := w.View(stock)
			check(t, err)
			run := func(use string, keys ...string) (worked int) {
				r := view.Results(use)
				defer r.Keep()
				for _, k := range keys {
					v := Once(r, key(k), func() value {
						worked++
						return value{1.5, []string{k}}
					})
					if v.Number != 1.5 || len(v.Words) != 1 || v.Words[0] != k {
						t.Errorf("%s: %+v", k, v)
					}
				}
				return worked
			}
			if n := run("rates", "a", "b"); n != 2 {
				t.Errorf("%d values worked out at first, want 2", n)
			}
			if tt.between != nil {
				tt.between(t, view.Results("rates").file)
			}
			if n := run(tt.use, "a", "b"); n != tt.want {
				t.Errorf("%d values worked out again, want %d", n, tt.want)
			}
		})
	}
	t.Run("not wanted", func(t *testing.T) {
		w := newWorkshop(t)
		stock, err := w.Catalog()
		check(t, err)
		view, err := w.View(stock)
		check(t, err)
		for i, keys := range [][]string{{"a", "b"}, {"a", "c"}, {"b"}} {
			r := view.Results("rates")
			worked := 0
			for _, k := range keys {
				Once(r, key(k), func() int { worked++; return 1 })
			}
			r.Keep()
			if want := []int{2, 1, 1}[i]; worked != want {
				t.Errorf("run %d: %d values worked out, want %d", i, worked, want)
			}
		}
		left, err := filepath.Glob(filepath.Join(w.Dir, filepath.FromSlash(derivedDir), "new-*"))
		check(t, err)
		if len(left) > 0 {
			t.Errorf("left behind: %v", left)
		}
	})
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// What nothing has read for long goes when something is kept; what is read stays.
func TestKeptFilesThatNothingReads(t *testing.T) {
	w := newWorkshop(t)
	dir := filepath.Join(w.Dir, filepath.FromSlash(derivedDir))
	check(t, os.MkdirAll(dir, 0o777))
	old, read := filepath.Join(dir, "old"), filepath.Join(dir, "read")
	long := time.Now().Add(-2 * derivedUnused)
	for _, name := range []string{old, read} {
		check(t, os.WriteFile(name, []byte("kept"), 0o666))
		check(t, os.Chtimes(name, long, long))
	}
	_, err := readDerived(read)
	check(t, err)
	replaceDerived(filepath.Join(dir, "new"), func(f *os.File) error { return nil })
	found, err := filepath.Glob(filepath.Join(dir, "*"))
	check(t, err)
	if want := []string{filepath.Join(dir, "new"), read}; !slices.Equal(found, want) {
		t.Errorf("there are %v", found)
	}
}
