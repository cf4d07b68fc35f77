package ledger

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"benchlore/schema"
)

// TestFolderReadsAsTheLedgerDoes: a unit's folder opened by itself lists and
// reads what the ledger lists and reads there, and refuses what it refuses.
func TestFolderReadsAsTheLedgerDoes(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	dir := unitDir(lw)
	w.edit(dir+"/2031-03-04-note-zero.toml", nil)
	w.edit(dir+"/2031-03-04-note-full.toml", bytes.Repeat([]byte("#"), schema.MaxSize))
	w.edit(dir+"/2031-03-04-note-over.toml", bytes.Repeat([]byte("#"), schema.MaxSize+1))
	w.edit(dir+"/2031-03-04-note-huge.toml", bytes.Repeat([]byte("#"), 2*schema.MaxSize))
	w.edit(dir+"/2031-03-04-note-fold.toml/inside.toml", []byte("x"))
	w.edit(dir+"/photos/front.jpg", []byte("x"))
	w.edit(dir+"/files/sheet/deep.txt", []byte("x"))
	w.edit(dir+"/.DS_Store", []byte("x"))
	full := filepath.Join(w.Dir, filepath.FromSlash(dir))
	if runtime.GOOS != "windows" { // where links need a privilege
		for name, target := range map[string]string{"2031-03-04-note-link.toml": "instrument.toml", "2031-03-04-note-away.toml": "/etc/hostname", "2031-03-04-note-none.toml": "nowhere"} {
			if err := os.Symlink(target, filepath.Join(full, name)); err != nil {
				t.Fatal(err)
			}
		}
	}
	there := diskSource{w.Ledger}
	here, err := w.folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer here.close()
	want, err := there.names(dir)
	if err != nil {
		t.Fatal(err)
	}
	got, err := here.names(dir)
	if err != nil || !reflect.DeepEqual(got, want) || len(got) < 10 {
		t.Fatalf("names %q, %v; want %q", got, err, want)
	}
	for _, p := range append(want, dir+"/gone.toml", dir+"/photos", dir+"/..", "shop.toml") {
		a, err := here.read(p)
		b, err2 := there.read(p)
		if !bytes.Equal(a, b) || text(err) != text(err2) {
			t.Errorf("%s: %d bytes, %v; the ledger reads %d bytes, %v", p, len(a), err, len(b), err2)
		}
		if strings.HasSuffix(p, "-link.toml") && err == nil {
			t.Errorf("%s: a link was followed", p)
		}
	}

	none, err := w.folder(unitDir("longwave-3/nothing"))
	if err != nil {
		t.Fatal(err)
	}
	defer none.close()
	if names, err := none.names(unitDir("longwave-3/nothing")); err != nil || len(names) > 0 {
		t.Errorf("a folder that is not there: %q, %v", names, err)
	}
}

func text(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}
