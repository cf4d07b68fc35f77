//go:build !windows

package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestReadOnlyFolder: a ledger whose folders the user may not write to. Root may
// write anywhere and has TestReadOnlyDisk.
func TestReadOnlyFolder(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root writes anywhere; this test needs an ordinary user")
	}
	at := t.TempDir()
	for _, c := range diskCommands(t, at) {
		t.Run(c.name, func(t *testing.T) {
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
