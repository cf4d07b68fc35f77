//go:build !windows

package gitstore

import (
	"errors"
	"os"
	"syscall"
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
