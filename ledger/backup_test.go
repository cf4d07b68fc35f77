package ledger

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// full is a ledger with a closed and sealed unit, a private file and a hand
// edit that was not saved.
func full(t *testing.T) *workshop {
	w := newWorkshop(t)
	w.signWith(newKey(t, "ed25519"))
	w.job(lw)
	w.close(lw)
	w.seal(lw)
	w.edit("private/customers.toml", []byte("[[customer]]\ncode = \"c1\"\nname = \"Orla Penhallow\"\n"))
	w.edit("models/longwave-3.toml", append(mustRead(t, w.Dir, "models/longwave-3.toml"), "# by hand\n"...))
	return w
}

// TestBackupAndRestore: what comes back is what was there, refs, seals,
// private files and hand edits, and stock git reads it too.
func TestBackupAndRestore(t *testing.T) {
	w := full(t)
	to := t.TempDir()
	if w.LastBackup() != nil {
		t.Error("a backup is remembered that was never made")
	}
	b, err := w.Backup(to, BackupOptions{Drill: true})
	if err != nil {
		t.Fatal(err)
	}
	if !b.Drilled || b.Private != 1 || b.Unsaved != 1 || b.Newer != 0 {
		t.Errorf("%+v", b)
	}
	w.now = w.now.AddDate(0, 0, 3)
	if last := w.LastBackup(); last == nil || last.Days != 3 || !last.Current || last.File != b.File {
		t.Errorf("remembered: %+v", last)
	}
	dir := filepath.Join(t.TempDir(), "back")
	r, _, err := Restore(b.File, dir, w.options())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, p := range []string{"private/customers.toml", "models/longwave-3.toml", "shop.toml"} {
		if !bytes.Equal(mustRead(t, dir, p), mustRead(t, w.Dir, p)) {
			t.Errorf("%s came back differently", p)
		}
	}
	refs := func(dir string) string { return git(t, dir, "for-each-ref", "--format=%(refname) %(objectname)") }
	if refs(dir) != refs(w.Dir) {
		t.Errorf("refs came back as\n%s\nwere\n%s", refs(dir), refs(w.Dir))
	}
	if out := git(t, dir, "fsck", "--strict", "--no-dangling", "--no-progress"); out != "" {
		t.Error(out)
	}
	if a, b := git(t, dir, "status", "--porcelain"), git(t, w.Dir, "status", "--porcelain"); a != b {
		t.Errorf("status %q, was %q", a, b)
	}
	// The bundle alone, with stock git.
	z, err := zip.OpenReader(b.File)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	f, err := z.Open("ledger.bundle")
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	bundle := filepath.Join(t.TempDir(), "ledger.bundle")
	if err := os.WriteFile(bundle, data, 0o666); err != nil {
		t.Fatal(err)
	}
	git(t, ".", "clone", "-q", bundle, filepath.Join(t.TempDir(), "plain"))
}

// TestBackupDamaged: a backup with any byte changed is not taken for whole, and
// leaves nothing behind.
func TestBackupDamaged(t *testing.T) {
	w := full(t)
	b, err := w.Backup(filepath.Join(t.TempDir(), "b.zip"), BackupOptions{})
	if err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(b.File)
	if err != nil {
		t.Fatal(err)
	}
	for k := range 40 {
		bad := bytes.Clone(whole)
		at := (len(bad) * k) / 40
		bad[at] ^= 0x41
		name := filepath.Join(t.TempDir(), "bad.zip")
		if err := os.WriteFile(name, bad, 0o666); err != nil {
			t.Fatal(err)
		}
		dir := filepath.Join(t.TempDir(), "back")
		r, _, err := Restore(name, dir, w.options())
		if err == nil {
			// Bytes of the zip that say nothing, such as times, may change.
			want := git(t, w.Dir, "for-each-ref", "--format=%(refname) %(objectname)")
			if got := git(t, dir, "for-each-ref", "--format=%(refname) %(objectname)"); got != want {
				t.Errorf("byte %d changed, and it came back otherwise", at)
			}
			r.Close()
			continue
		}
		if _, err := os.Lstat(dir); err == nil {
			t.Errorf("byte %d: refused, and %s is there", at, dir)
		}
	}
	for _, n := range []int{0, 10, len(whole) / 2, len(whole) - 1} {
		name := filepath.Join(t.TempDir(), "cut.zip")
		if err := os.WriteFile(name, whole[:n], 0o666); err != nil {
			t.Fatal(err)
		}
		if _, _, err := Restore(name, filepath.Join(t.TempDir(), "back"), w.options()); err == nil {
			t.Errorf("cut to %d bytes, and taken for whole", n)
		}
	}
}

// TestBackupWhere: not inside the ledger, not into what is not there, and a
// stopped backup leaves no file under its name.
func TestBackupWhere(t *testing.T) {
	w := full(t)
	for _, to := range []string{w.Dir, filepath.Join(w.Dir, "b.zip"), filepath.Join(t.TempDir(), "none"), filepath.Join(t.TempDir(), "none", "b.zip")} {
		if b, err := w.Backup(to, BackupOptions{}); err == nil {
			t.Errorf("%s: wrote %s", to, b.File)
		}
	}
	dir := t.TempDir()
	w.fault = func(step string) error { return errors.New("stopped at " + step) }
	if _, err := w.Backup(dir, BackupOptions{}); err == nil || !strings.Contains(err.Error(), "stopped") {
		t.Fatal(err)
	}
	w.fault = nil
	left, err := filepath.Glob(filepath.Join(dir, "*.zip"))
	if err != nil || len(left) > 0 {
		t.Errorf("left: %v %v", left, err)
	}
}
