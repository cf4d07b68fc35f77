package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// smallDisk mounts a disk of a few megabytes, which only root may.
func smallDisk(t *testing.T) string {
	t.Helper()
	at := t.TempDir()
	if err := syscall.Mount("tmpfs", at, "tmpfs", 0, "size=4m,mode=0755"); err != nil {
		if os.Getenv("CI") != "" && os.Geteuid() == 0 {
			t.Fatalf("a small disk cannot be mounted: %v", err)
		}
		t.Skipf("a small disk cannot be mounted, which takes root: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(at, syscall.MNT_DETACH); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return at
}

// fill takes all room but some pages, which is what tmpfs hands out.
func fill(t *testing.T, at string, pages int) (free func()) {
	t.Helper()
	name := filepath.Join(at, "filler")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	page := make([]byte, os.Getpagesize())
	for err == nil {
		_, err = f.Write(page)
	}
	size, serr := f.Seek(0, 2)
	if serr == nil {
		serr = f.Truncate(size/int64(len(page))*int64(len(page)) - int64(pages*len(page)))
	}
	if cerr := f.Close(); serr != nil || cerr != nil {
		t.Fatal(serr, cerr)
	}
	return func() {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
}

// TestDiskFull fills the disk to where a command meets the end of it, sooner and
// later in its work. Then it has done nothing, or says that the next command
// finishes it, and with some room again it succeeds.
func TestDiskFull(t *testing.T) {
	longRound(t)
	for i := range diskCommands(t, "") {
		t.Run(diskCommands(t, "")[i].name, func(t *testing.T) {
			t.Parallel()
			at := smallDisk(t)
			c := diskCommands(t, at)[i]
			base := faulty(t)
			c.prepare(t, base)
			failed := 0
			for pages := 0; ; pages = 3*pages + 3 {
				c.outside(t)
				dir := filepath.Join(at, "ledger")
				if err := os.RemoveAll(dir); err != nil {
					t.Fatal(err)
				}
				if err := os.CopyFS(dir, os.DirFS(base)); err != nil {
					t.Fatal(err)
				}
				before, err := footprint(dir)
				if err != nil {
					t.Fatal(err)
				}
				free := fill(t, at, pages)
				code, out := onFaultDay(t, dir, []string{"TMPDIR=" + at}, c.args...)
				free()
				if code == 0 {
					c.succeeded(t, dir)
					break
				}
				failed++
				for _, s := range []string{"cannot write to", "no space left on device", "make room on that disk, then run the command again"} {
					if code != 3 || !strings.Contains(out, s) {
						t.Fatalf("%s with %d pages left: code %d, not %q\n%s", c.name, pages, code, s, out)
					}
				}
				if strings.Contains(out, "the next command finishes it") {
					does(t, dir, "save")
					c.succeeded(t, dir)
					continue
				}
				c.asItWas(t, dir, before)
				does(t, dir, c.args...)
				if out, err := gitOut(dir, "status", "--porcelain"); err != nil || out != "" {
					t.Errorf("%s: git status: %v\n%s", c.name, err, out)
				}
			}
			if failed == 0 && c.name != "on" {
				t.Errorf("%s never met the end of the disk", c.name)
			}
			t.Logf("%s failed %d times", c.name, failed)
		})
	}
}

// TestReadOnlyDisk: what only reads works as ever, what writes says why not and
// succeeds when it may.
func TestReadOnlyDisk(t *testing.T) {
	longRound(t)
	at := smallDisk(t)
	remount := func(flags uintptr) {
		t.Helper()
		if err := syscall.Mount("tmpfs", at, "tmpfs", syscall.MS_REMOUNT|flags, "size=4m"); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range diskCommands(t, at) {
		t.Run(c.name, func(t *testing.T) {
			dir := filepath.Join(at, "ledger")
			if err := os.RemoveAll(dir); err != nil {
				t.Fatal(err)
			}
			if err := os.CopyFS(dir, os.DirFS(faultBase.dir)); err != nil {
				t.Fatal(err)
			}
			c.prepare(t, dir)
			c.outside(t)
			before, err := footprint(dir)
			if err != nil {
				t.Fatal(err)
			}
			remount(syscall.MS_RDONLY)
			code, out := onFaultDay(t, dir, nil, c.args...)
			if c.name == "part" {
				for _, reading := range [][]string{{"check"}, {"list"}, {"where"}, {"report"}, {"reliability"}, {"find", "kept-part"}} {
					does(t, dir, reading...)
				}
			}
			remount(0)
			for _, s := range []string{"cannot write to", "read-only file system", "mounted read-only: mount it for writing"} {
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

// TestInitDiskFull starts a ledger on a disk that is full sooner and later in the
// work. It says so, and once there is room the same command starts it.
func TestInitDiskFull(t *testing.T) {
	longRound(t)
	needFaults(t)
	at := smallDisk(t)
	failed := 0
	for pages := 0; ; pages = 2*pages + 1 {
		free := fill(t, at, pages)
		code, out := onFaultDay(t, at, []string{"TMPDIR=" + at}, "start", "ledger", "--name", "Halden Street Workshop")
		free()
		dir := filepath.Join(at, "ledger")
		if code != 0 {
			failed++
			for _, s := range []string{"cannot write to", "no space left on device", "make room on that disk, then run the command again"} {
				if code != 3 || !strings.Contains(out, s) {
					t.Fatalf("with %d pages left: code %d, not %q\n%s", pages, code, s, out)
				}
			}
			if strings.Contains(out, "the next command finishes it") {
				does(t, dir, "save")
			} else {
				does(t, at, "start", "ledger", "--name", "Halden Street Workshop")
			}
		}
		does(t, dir, "check")
		if err := judged(dir); err != nil {
			t.Errorf("with %d pages left: %v", pages, err)
		}
		does(t, dir, "new", "longwave-3", "lw3-1", "--maker", "Quillard", "--name", "Longwave 3")
		if err := os.RemoveAll(dir); err != nil {
			t.Fatal(err)
		}
		if code == 0 {
			break
		}
	}
	if failed == 0 {
		t.Error("it never met the end of the disk")
	}
	t.Logf("failed %d times", failed)
}

// TestSyncFullDisk: the disk fills up during an exchange and a backup.
func TestSyncFullDisk(t *testing.T) {
	w := newTrade(t)
	disk := smallDisk(t)
	small := filepath.Join(disk, "fair")
	if err := os.CopyFS(small, os.DirFS(w.fair)); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(filepath.Join(disk, "office.git"), os.DirFS(w.bare)); err != nil {
		t.Fatal(err)
	}
	before, err := gitOut(small, "for-each-ref")
	if err != nil {
		t.Fatal(err)
	}
	filler := filepath.Join(disk, "filler")
	f, err := os.Create(filler)
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := f.Write(make([]byte, 4096)); err != nil {
			break
		}
	}
	f.Close()
	for _, args := range [][]string{{"sync"}, {"backup", disk}} {
		out, err := program(small, nil, args...).CombinedOutput()
		if err == nil || !strings.Contains(string(out), "space") {
			t.Errorf("benchlore %s: %v\n%s", args[0], err, out)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(disk, "*.zip")); len(left) > 0 {
		t.Errorf("left: %v", left)
	}
	if after, err := gitOut(small, "for-each-ref"); err != nil || after != before {
		t.Errorf("refs moved: %v\n%s\n%s", err, before, after)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	must(t, small, "sync")
	w.whole(small)
	must(t, small, "backup", disk)
}
