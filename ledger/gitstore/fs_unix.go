//go:build !windows

package gitstore

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// syncDir makes renames inside dir durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	err = d.Sync()
	// Some file systems (CIFS, some FUSE) cannot sync a directory.
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		return nil
	}
	return err
}

// syncFile makes a file written by another program durable.
func syncFile(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

// retryShared runs f once: open files do not block a rename here.
func retryShared(f func() error) error { return f() }

// isFull reports whether an error says that a disk or a quota is full.
func isFull(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// isReadOnly reports whether an error says that a disk takes no writes at all.
func isReadOnly(err error) bool { return errors.Is(err, syscall.EROFS) }

const executableBits = true

// sinceStart is how long ago this computer was started, where that can be told.
func sinceStart() (time.Duration, bool) {
	b, err := os.ReadFile("/proc/uptime") // Linux has it
	if err != nil {
		return 0, false
	}
	up, _, _ := strings.Cut(string(b), " ")
	s, err := strconv.ParseFloat(up, 64)
	return time.Duration(s * float64(time.Second)), err == nil
}

// onLocalDisk reports whether a file lies on a disk that no other computer uses. A
// disk of an unknown kind does not.
func onLocalDisk(name string) bool {
	var st syscall.Statfs_t
	if syscall.Statfs(filepath.Dir(name), &st) != nil {
		return false
	}
	if runtime.GOOS != "linux" {
		const local = 0x1000 // MNT_LOCAL of macOS and the BSDs
		return uint64(st.Flags)&local != 0
	}
	// The numbers are those of Linux's magic.h: NFS, SMB, CIFS, SMB2, FUSE, 9P, Ceph, AFS.
	switch uint32(st.Type) {
	case 0x6969, 0x517b, 0xff534d42, 0xfe534d42, 0x65735546, 0x01021997, 0x00c36400, 0x5346414f:
		return false
	}
	return true
}

// FreeSpace is how many bytes may be written to the disk a folder is on, where that
// can be told.
func FreeSpace(dir string) (uint64, bool) {
	var st syscall.Statfs_t
	if syscall.Statfs(dir, &st) != nil {
		return 0, false
	}
	return uint64(st.Bavail) * uint64(st.Bsize), true
}

// isTooMany reports whether an error says that too many files, or too much memory, is
// in use.
func isTooMany(err error) bool {
	return errors.Is(err, syscall.EMFILE) || errors.Is(err, syscall.ENFILE) || errors.Is(err, syscall.ENOMEM)
}

// isPassing reports whether an error of reading may be over soon, or is one of the
// disk or the network and not of what is stored.
func isPassing(err error) bool {
	for _, e := range []error{syscall.EIO, syscall.ESTALE, syscall.EAGAIN, syscall.EINTR, syscall.ETIMEDOUT, syscall.ENOTCONN, syscall.ENXIO, syscall.ENODEV} {
		if errors.Is(err, e) {
			return true
		}
	}
	return isTooMany(err)
}

// errTooLarge says that a file would become larger than it may.
const errTooLarge = syscall.EFBIG
