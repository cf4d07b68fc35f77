package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// caseless mounts a disk on which names that differ in case are one, as most disks
// of Windows and macOS are, and which knows nothing of executable files. It is a file
// system of its own behind FUSE: most kernels are built without one that does.
func caseless(t *testing.T) string {
	t.Helper()
	if _, err := exec.LookPath("lowntfs-3g"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("ntfs-3g is not installed")
		}
		t.Skip("ntfs-3g is not installed; it makes a disk that does not tell case")
	}
	at := t.TempDir()
	image := filepath.Join(at, "image")
	f, err := os.Create(image)
	if err == nil {
		err = f.Truncate(48 << 20)
		f.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	disk := filepath.Join(at, "disk")
	if err := os.Mkdir(disk, 0o777); err != nil {
		t.Fatal(err)
	}
	for _, c := range [][]string{{"mkntfs", "-q", "-F", image}, {"lowntfs-3g", "-o", "ignore_case", image, disk}} {
		if out, err := exec.Command(c[0], c[1:]...).CombinedOutput(); err != nil {
			if _, none := os.Stat("/dev/fuse"); none == nil && os.Geteuid() == 0 && os.Getenv("CI") != "" {
				t.Fatalf("%s: %v %s", c[0], err, out)
			}
			t.Skipf("a disk that does not tell case cannot be mounted here: %s: %v %s", c[0], err, out)
		}
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", disk).CombinedOutput(); err != nil {
			t.Errorf("umount: %v %s", err, out)
		}
	})
	write(t, filepath.Join(disk, "Probe"), "")
	if _, err := os.Stat(filepath.Join(disk, "pROBE")); err != nil {
		t.Fatalf("the disk tells case: %v", err)
	}
	return disk
}

// alike are tags that some disk would take for lw3-2204.
var alike = []string{"LW3-2204", "Lw3-2204", "ｌｗ3-2204", "lw3-2204\u0301", "ĺw3-2204", "l\u0301w3-2204"}

// TestLookAlikes: a tag or model that differs from another in case or in how it is
// written is refused with the right spelling, on every system, and writes nothing.
func TestLookAlikes(t *testing.T) {
	dir := faulty(t)
	before, err := footprint(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, tag := range alike {
		says(t, dir, exitUsage, []string{"cannot be a folder name", "lower-case letters, digits and hyphens"}, "new", "longwave-3", tag)
		says(t, dir, exitUsage, []string{"cannot be a folder name", "lower-case letters, digits and hyphens"}, "new", strings.ToUpper(tag), "x")
	}
	if after, err := footprint(dir); err != nil || after != before {
		t.Errorf("something was written: %v\n%s", err, after)
	}
	whole(t, dir)
}

// TestLookAlikesFromElsewhere: names that a bench whose disk tells case committed
// with git, and that differ in case or in how accents are written alone, are not
// taken in anywhere: half of them would be lost on most systems. The bench that
// has both is told, and once one is renamed all is well.
func TestLookAlikesFromElsewhere(t *testing.T) {
	longRound(t)
	for name, pair := range map[string][2]string{
		"case":    {"lots/film-31.toml", "lots/FILM-31.toml"},
		"folders": {"lots/a/b.toml", "lots/A/c.toml"},
		"accents": {"lots/caf\u00e9.toml", "lots/cafe\u0301.toml"},
	} {
		t.Run(name, func(t *testing.T) {
			w := newTrade(t)
			must(t, w.office, "sync")
			must(t, w.fair, "sync")
			aside := filepath.Join(w.top, "aside")
			w.git(w.top, "clone", "-q", w.bare, aside)
			had, _ := filepath.Glob(filepath.Join(aside, "lots", "*"))
			for _, p := range pair {
				if err := os.MkdirAll(filepath.Dir(filepath.Join(aside, p)), 0o777); err != nil {
					t.Fatal(err)
				}
				write(t, filepath.Join(aside, p), "family = \"capacitor/film\"\npart = {value = \"10 nF\"}\ndate = 2031-03-01\nquantity = 1\n")
			}
			if files, _ := filepath.Glob(filepath.Join(aside, "lots", "*")); len(files) != len(had)+2 {
				t.Skip("this disk keeps one of the two")
			}
			w.git(aside, "add", ".")
			w.git(aside, "commit", "-qm", "two lots")
			w.git(aside, "push", "-q", "origin", "HEAD:main")
			must(t, w.fair, "record", "note", "--unit", openUnit, "--title", "kept-note")
			for range 2 {
				says(t, w.fair, exitEnvironment, []string{"differs from", "only in upper and lower case or in how accents are stored", "rename one of them with git mv"}, "sync")
			}
			says(t, w.top, exitEnvironment, []string{"differs from", "git mv"}, "join", w.bare, filepath.Join(w.top, "new"))
			if _, err := os.Stat(filepath.Join(w.top, "new")); !os.IsNotExist(err) {
				t.Errorf("a clone that failed left its folder: %v", err)
			}
			w.git(aside, "mv", pair[1], "lots/other.toml")
			w.git(aside, "mv", pair[0], "lots/one.toml")
			w.git(aside, "commit", "-qm", "another name")
			w.git(aside, "push", "-q", "origin", "HEAD:main")
			must(t, w.fair, "sync")
			must(t, w.office, "sync")
			w.whole(w.fair)
			w.whole(w.office)
		})
	}
}

// TestCaselessDisk: the work of a bench on a disk that tells neither case nor
// executable files.
func TestCaselessDisk(t *testing.T) {
	longRound(t)
	needFaults(t)
	disk := caseless(t)
	office, bare, fair := filepath.Join(disk, "Office"), filepath.Join(disk, "office.git"), filepath.Join(disk, "fair")
	if err := layBench(office, func(at string, args ...string) error {
		does(t, at, args...)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	shop, err := os.ReadFile(filepath.Join(office, "shop.toml"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(office, "shop.toml"), string(shop)+"\n[[remote]]\nname = \"office\"\nurl = '"+bare+"'\nrole = \"own\"\n")
	does(t, office, "save")
	does(t, office, "record", "note", "--unit", openUnit, "--title", "kept-note")
	does(t, office, partLine...)
	does(t, office, "close", closedUnit, "--yes")
	for _, tag := range alike {
		says(t, office, exitUsage, []string{"cannot be a folder name"}, "new", "longwave-3", tag)
	}
	does(t, office, "sync", "--create")
	does(t, disk, "join", bare, fair)
	does(t, fair, "record", "note", "--unit", closedUnit, "--title", "kept-too")
	does(t, fair, "close", closedUnit, "--yes")
	does(t, fair, "sync")
	does(t, office, "sync")
	for _, dir := range []string{office, fair} {
		if err := judged(dir); err != nil {
			t.Error(err)
		}
		does(t, dir, "check")
		if err := unitAlone(dir, closedUnit); err != nil {
			t.Error(err)
		}
		for _, note := range []string{"kept-note", "kept-too", "new-part"} {
			if out, err := gitOut(dir, "grep", "-q", note, "main"); err != nil {
				t.Errorf("%s is gone from %s: %s", note, dir, out)
			}
		}
	}
	// Settings of git's that say what this disk is.
	for key, want := range map[string]string{"core.filemode": "false", "core.ignorecase": "true"} {
		for _, dir := range []string{office, fair} {
			if got, err := gitOut(dir, "config", key); err != nil || got != want {
				t.Errorf("%s is %q in %s, want %s", key, got, dir, want)
			}
		}
	}
	// As stock git finds out for itself.
	theirs := filepath.Join(disk, "theirs")
	if out, err := gitOut(disk, "init", "-q", theirs); err != nil {
		t.Fatal(out, err)
	}
	for _, key := range []string{"core.filemode", "core.ignorecase", "core.symlinks"} {
		a, _ := gitOut(office, "config", key)
		b, _ := gitOut(theirs, "config", key)
		if a != b {
			t.Errorf("%s is %q, and git sets %q", key, a, b)
		}
	}
}
