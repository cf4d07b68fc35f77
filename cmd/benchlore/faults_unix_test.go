//go:build !windows

package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/testutil"
)

// TestReadOnlyFolder: a ledger whose folders the user may not write to.
func TestReadOnlyFolder(t *testing.T) {
	longRound(t)
	if !testutil.Ordinary(t) {
		return
	}
	at := t.TempDir()
	for i, c := range diskCommands(t, at) {
		t.Run(c.name, func(t *testing.T) {
			sampled(t, i, 4)
			dir := faulty(t)
			c.prepare(t, dir)
			c.outside(t)
			before, err := footprint(dir)
			if err != nil {
				t.Fatal(err)
			}
			mode := func(m os.FileMode) {
				for _, top := range []string{dir, at} {
					err := filepath.WalkDir(top, func(p string, d fs.DirEntry, err error) error {
						if err == nil && d.IsDir() {
							err = os.Chmod(p, m)
						}
						return err
					})
					if err != nil {
						t.Fatal(err)
					}
				}
			}
			mode(0o555)
			defer mode(0o755) // or the test's folder cannot be removed
			code, out := onFaultDay(t, dir, nil, c.args...)
			mode(0o755)
			for _, s := range []string{"cannot write to", "permission denied", "change the folder's owner or permissions"} {
				if code != 3 || !strings.Contains(out, s) {
					t.Fatalf("code %d, not %q\n%s", code, s, out)
				}
			}
			c.asItWas(t, dir, before)
			does(t, dir, c.args...)
			c.succeeded(t, dir)
		})
	}
}

// TestSyncReadOnly: a folder that cannot be written to.
func TestSyncReadOnly(t *testing.T) {
	longRound(t)
	if !testutil.Ordinary(t) {
		return
	}
	w := newTrade(t)
	for _, dir := range []string{filepath.Join(w.fair, ".git"), filepath.Join(w.bare, "objects")} {
		if err := os.Chmod(dir, 0o555); err != nil {
			t.Fatal(err)
		}
		out, err := program(w.fair, nil, "sync").CombinedOutput()
		if err == nil || !strings.Contains(string(out), "permission") {
			t.Errorf("%s: %v\n%s", dir, err, out)
		}
		if err := os.Chmod(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	must(t, w.fair, "sync")
	must(t, w.office, "sync")
	w.whole(w.office)
}

// TestUnreadable: what may not be read is told as that, and not as a folder
// without a repository or a damaged backup.
func TestUnreadable(t *testing.T) {
	if !testutil.Ordinary(t) {
		return
	}
	w := newTrade(t)
	backup := filepath.Join(t.TempDir(), "b.zip")
	must(t, w.fair, "backup", backup)
	for _, name := range []string{w.bare, backup} {
		if err := os.Chmod(name, 0); err != nil {
			t.Fatal(err)
		}
		defer os.Chmod(name, 0o755)
	}
	for _, args := range [][]string{{"sync"}, {"backup", "--read", backup}, {"restore", backup, t.TempDir()}} {
		out, err := program(w.fair, nil, args...).CombinedOutput()
		if err == nil || err.Error() != "exit status 3" || !strings.Contains(string(out), "permission denied") || strings.Contains(string(out), "an older one") {
			t.Errorf("%v: %v\n%s", args, err, out)
		}
	}
}
