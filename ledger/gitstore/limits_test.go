//go:build !windows

package gitstore

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"benchlore/ledger/testutil"
)

// limitFiles makes the kernel refuse writes beyond a size, which ends a write
// half way as a full disk does.
func limitFiles(size uint64) error {
	signal.Ignore(syscall.SIGXFSZ)
	return syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: size, Max: size})
}

func TestHalfWrittenFiles(t *testing.T) {
	if size := os.Getenv("GITSTORE_FSIZE"); size != "" {
		n, _ := strconv.ParseUint(size, 10, 64)
		r, err := Open(os.Getenv("GITSTORE_DIR"), Program{})
		if err == nil {
			err = limitFiles(n)
		}
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		tx, err := r.Lock(context.Background(), time.Second)
		if err == nil {
			defer tx.Rollback()
			_, err = write(tx, map[string]string{"big": rand.Text() + strings.Repeat(rand.Text(), 100), "f10": "new\n"})
		}
		fmt.Printf("%T %v\n", err, err)
		return
	}
	r := newRepo(t)
	files := map[string]string{}
	for i := range 60 {
		files[fmt.Sprintf("f%d", i)] = "old\n"
	}
	head := mustWrite(t, r, files)
	// 40: nothing fits. 1500: the big object does not. 3000: its work file
	// (2.6 kB) fits, the index of 60 files (4.4 kB) does not.
	for _, size := range []int{40, 1500, 3000} {
		dir := copyRepo(t, r.Dir)
		cmd := exec.Command(os.Args[0], "-test.run=^TestHalfWrittenFiles$")
		cmd.Env = append(os.Environ(), "GITSTORE_FSIZE="+strconv.Itoa(size), "GITSTORE_DIR="+dir)
		out, _ := cmd.CombinedOutput()
		if !strings.Contains(string(out), "*gitstore.WriteError cannot write to") {
			t.Errorf("%d: %s", size, out)
		}
		c := open(t, dir)
		if now, _, err := c.Ref("HEAD"); err != nil || now != head {
			t.Errorf("%d: HEAD is %s, %v", size, now, err)
		}
		if got := read(t, c, "f10") + read(t, c, "big"); got != "old\n-" {
			t.Errorf("%d: files hold %q", size, got)
		}
		clean(t, dir)
		mustWrite(t, c, map[string]string{"f10": "new\n"})
		clean(t, dir)
	}
}

func TestReadOnlyFolder(t *testing.T) {
	if !testutil.Ordinary(t) {
		return
	}
	r := newRepo(t)
	mustWrite(t, r, map[string]string{"d/f": "1"})
	os.RemoveAll(r.ownDir())
	for _, dir := range []string{r.GitDir, filepath.Join(r.Dir, "d")} {
		if err := os.Chmod(dir, 0o555); err != nil {
			t.Fatal(err)
		}
		tx, err := r.Lock(context.Background(), time.Second)
		if err == nil {
			_, err = write(tx, map[string]string{"d/f": "2"})
		}
		os.Chmod(dir, 0o755)
		if _, ok := errors.AsType[*WriteError](err); !ok || !errors.Is(err, os.ErrPermission) {
			t.Errorf("%s: %v", dir, err)
		}
		clean(t, r.Dir)
	}
}
