package ledger

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/proof"
)

// full is a ledger with a closed and sealed unit, a private file and a hand
// edit that was not saved.
func full(t *testing.T) *workshop {
	w := newWorkshop(t)
	w.signWith(newKey(t, "ed25519"))
	w.job(lw)
	w.close(lw)
	w.seal(lw)
	w.edit("private/customers.toml", []byte("[[customer]]\ncode = \"c1\"\nname = \"Oona Penhallow\"\n"))
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
	b, err := w.Backup(t.Context(), to, BackupOptions{Drill: true})
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
	r, _, err := Restore(t.Context(), b.File, dir, w.options())
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
	b, err := w.Backup(t.Context(), filepath.Join(t.TempDir(), "b.zip"), BackupOptions{})
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
		r, _, err := Restore(t.Context(), name, dir, w.options())
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
		if _, _, err := Restore(t.Context(), name, filepath.Join(t.TempDir(), "back"), w.options()); err == nil {
			t.Errorf("cut to %d bytes, and taken for whole", n)
		}
	}
}

// TestBackupWhere: not inside the ledger, not into what is not there, and a
// stopped backup leaves no file under its name.
func TestBackupWhere(t *testing.T) {
	w := full(t)
	for _, to := range []string{w.Dir, filepath.Join(w.Dir, "b.zip"), filepath.Join(t.TempDir(), "none"), filepath.Join(t.TempDir(), "none", "b.zip")} {
		if b, err := w.Backup(t.Context(), to, BackupOptions{}); err == nil {
			t.Errorf("%s: wrote %s", to, b.File)
		}
	}
	dir := t.TempDir()
	w.fault = func(step string) error { return errors.New("stopped at " + step) }
	if _, err := w.Backup(t.Context(), dir, BackupOptions{}); err == nil || !strings.Contains(err.Error(), "stopped") {
		t.Fatal(err)
	}
	w.fault = nil
	left, err := filepath.Glob(filepath.Join(dir, "*.zip"))
	if err != nil || len(left) > 0 {
		t.Errorf("left: %v %v", left, err)
	}
}

// rewriteBackup copies a backup with one more file, which its backup.toml names,
// and with another list of files taken away.
func rewriteBackup(t *testing.T, from, name, text, gone string) string {
	t.Helper()
	z, err := zip.OpenReader(from)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	put := func(name string, data []byte) {
		f, err := w.Create(name)
		if err == nil {
			_, err = f.Write(data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		r.Close()
		if f.Name == "backup.toml" {
			if name != "" {
				sum := sha256.Sum256([]byte(text))
				data = fmt.Appendf(data, "%s = %q\n", proof.Quote(name), hex.EncodeToString(sum[:]))
			}
			data = bytes.Replace(data, []byte("gone = []"), []byte("gone = ["+gone+"]"), 1)
		}
		put(f.Name, data)
	}
	if name != "" {
		put(name, []byte(text))
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(t.TempDir(), "made.zip")
	if err := os.WriteFile(to, out.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	return to
}

// TestBackupOfStrangers: a backup that somebody has made to write elsewhere than
// a backup does is refused, though every digest in it is right, and nothing
// stays of it.
func TestBackupOfStrangers(t *testing.T) {
	w := full(t)
	b, err := w.Backup(t.Context(), filepath.Join(t.TempDir(), "b.zip"), BackupOptions{})
	if err != nil {
		t.Fatal(err)
	}
	ok := rewriteBackup(t, b.File, "private/notes.txt", "x", `"lots/gone.toml"`)
	r, _, err := Restore(t.Context(), ok, filepath.Join(t.TempDir(), "back"), w.options())
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	for _, c := range []struct{ name, gone string }{
		{"unsaved/.git/config", ""},
		{"unsaved/.git/hooks/post-checkout", ""},
		{"unsaved/.GIT/config", ""},
		{"unsaved/a/git~1/config", ""},
		{"unsaved/../evil", ""},
		{"private/../../evil", ""},
		{".git/config", ""},
		{"shop.toml", ""},
		{"", `".git/HEAD"`},
		{"", `"../shop.toml"`},
	} {
		bad := rewriteBackup(t, b.File, c.name, "[core]\n", c.gone)
		in := t.TempDir()
		dir := filepath.Join(in, "back")
		r, _, err := Restore(t.Context(), bad, dir, w.options())
		var damaged *BackupError
		if err == nil {
			r.Close()
		}
		if !errors.As(err, &damaged) || !strings.Contains(err.Error(), "no place in a ledger") {
			t.Errorf("%+v: %v", c, err)
		}
		if left, err := os.ReadDir(in); err != nil || len(left) > 0 {
			t.Errorf("%+v left %v %v", c, left, err)
		}
	}
	// What only turns out to be wrong while it is written leaves nothing either.
	for _, c := range []struct{ name, gone string }{{"unsaved/instruments", ""}, {"", `"instruments"`}} {
		bad := rewriteBackup(t, b.File, c.name, "x", c.gone)
		dir := filepath.Join(t.TempDir(), "back")
		if r, _, err := Restore(t.Context(), bad, dir, w.options()); err == nil {
			r.Close()
			t.Errorf("%+v: restored", c)
		}
		if _, err := os.Lstat(dir); err == nil {
			t.Errorf("%+v: %s stays", c, dir)
		}
	}
}

// TestBackupManifestBounded: no more of a backup.toml is read than one can have.
func TestBackupManifestBounded(t *testing.T) {
	name := filepath.Join(t.TempDir(), "big.zip")
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	f, err := z.Create("backup.toml")
	if err != nil {
		t.Fatal(err)
	}
	empty := bytes.Repeat([]byte("\n"), 1<<20)
	for range maxManifest>>20 + 2 {
		if _, err := f.Write(empty); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, out.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, _, err := openBackup(t.Context(), name); err == nil || !strings.Contains(err.Error(), "more than") {
		t.Error(err)
	}
}

// TestBackupStopped: a backup and a restoring that somebody stops leave nothing,
// neither where they were told to write nor among temporary files: they hold
// private/.
func TestBackupStopped(t *testing.T) {
	w := full(t)
	b, err := w.Backup(t.Context(), filepath.Join(t.TempDir(), "b.zip"), BackupOptions{})
	if err != nil {
		t.Fatal(err)
	}
	to, tmp := t.TempDir(), t.TempDir()
	t.Setenv("TMPDIR", tmp)
	t.Setenv("TMP", tmp)
	for _, when := range []string{"at once", "backup written"} {
		ctx, cancel := context.WithCancel(t.Context())
		if when == "at once" {
			cancel()
		}
		w.fault = func(step string) error {
			if step == when {
				cancel()
			}
			return nil
		}
		if _, err := w.Backup(ctx, to, BackupOptions{Drill: true}); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: backup: %v", when, err)
		}
		cancel()
		if _, err := w.Drill(ctx, b.File, BackupOptions{Drill: true}); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: drill: %v", when, err)
		}
		if _, _, err := Restore(ctx, b.File, filepath.Join(to, "back"), w.options()); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: restore: %v", when, err)
		}
		for _, dir := range []string{to, tmp} {
			if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
				t.Errorf("%s left %v %v", when, left, err)
			}
		}
	}
}

// TestBackupKeepsOthers: a backup takes the place of an older one and of nothing
// else.
func TestBackupKeepsOthers(t *testing.T) {
	w := full(t)
	to := filepath.Join(t.TempDir(), "b.zip")
	for range 2 {
		if _, err := w.Backup(t.Context(), to, BackupOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	for _, text := range []string{"", "not a zip"} {
		other := filepath.Join(t.TempDir(), "photos.zip")
		if err := os.WriteFile(other, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Backup(t.Context(), other, BackupOptions{}); err == nil || !strings.Contains(err.Error(), "is no backup") {
			t.Error(err)
		}
		if got := mustRead(t, filepath.Dir(other), "photos.zip"); string(got) != text {
			t.Errorf("now %q", got)
		}
	}
}

// TestBackupOddPrivate: what cannot go into a backup is named, and none is written
// without it.
func TestBackupOddPrivate(t *testing.T) {
	w := full(t)
	if err := os.Symlink(filepath.Join(t.TempDir(), "customers.toml"), filepath.Join(w.Dir, "private", "elsewhere.toml")); err != nil {
		t.Skip(err)
	}
	to := t.TempDir()
	var usage *UsageError
	if _, err := w.Backup(t.Context(), to, BackupOptions{}); !errors.As(err, &usage) || !strings.Contains(err.Error(), `"private/elsewhere.toml" is no plain file`) {
		t.Error(err)
	}
	if left, err := os.ReadDir(to); err != nil || len(left) > 0 {
		t.Errorf("left %v %v", left, err)
	}
}
