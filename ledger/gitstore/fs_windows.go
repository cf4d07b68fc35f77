package gitstore

import (
	"errors"
	"path/filepath"
	"time"

	"golang.org/x/sys/windows"
)

// syncDir does nothing: NTFS journals renames and has no directory sync.
func syncDir(string) error { return nil }

// syncFile does nothing: it would need write access to a read-only object.
func syncFile(string) error { return nil }

// retryShared repeats f while a virus scanner or an editor keeps the file open.
func retryShared(f func() error) error {
	delay := 5 * time.Millisecond
	for try := 0; ; try++ {
		err := f()
		shared := errors.Is(err, windows.ERROR_SHARING_VIOLATION) ||
			errors.Is(err, windows.ERROR_ACCESS_DENIED) || errors.Is(err, windows.ERROR_LOCK_VIOLATION)
		if !shared || try == 8 {
			return err
		}
		time.Sleep(delay)
		delay *= 2
	}
}

// isFull reports whether an error says that a disk or a quota is full.
func isFull(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL) ||
		errors.Is(err, windows.ERROR_DISK_QUOTA_EXCEEDED)
}

// isReadOnly reports whether an error says that a disk takes no writes at all.
func isReadOnly(err error) bool { return errors.Is(err, windows.ERROR_WRITE_PROTECT) }

const executableBits = false

// sinceStart is how long ago this computer was started.
func sinceStart() (time.Duration, bool) { return windows.DurationSinceBoot(), true }

// onLocalDisk reports whether a file lies on a disk that no other computer uses.
func onLocalDisk(name string) bool {
	root, err := windows.UTF16PtrFromString(filepath.VolumeName(name) + `\`)
	return err == nil && windows.GetDriveType(root) != windows.DRIVE_REMOTE
}

// FreeSpace is how many bytes may be written to the disk a folder is on, where that
// can be told.
func FreeSpace(dir string) (uint64, bool) {
	name, err := windows.UTF16PtrFromString(dir)
	var free uint64
	if err == nil {
		err = windows.GetDiskFreeSpaceEx(name, &free, nil, nil)
	}
	return free, err == nil
}

// isTooMany reports whether an error says that too many files, or too much memory, is
// in use.
func isTooMany(err error) bool {
	return errors.Is(err, windows.ERROR_TOO_MANY_OPEN_FILES) || errors.Is(err, windows.ERROR_NOT_ENOUGH_MEMORY)
}

// isPassing reports whether an error of reading may be over soon, or is one of the
// disk or the network and not of what is stored.
func isPassing(err error) bool {
	for _, e := range []error{windows.ERROR_IO_DEVICE, windows.ERROR_CRC, windows.ERROR_NOT_READY, windows.ERROR_NETNAME_DELETED,
		windows.ERROR_SHARING_VIOLATION, windows.ERROR_LOCK_VIOLATION} {
		if errors.Is(err, e) {
			return true
		}
	}
	return isTooMany(err)
}

// errTooLarge says that a file would become larger than it may.
const errTooLarge = windows.ERROR_FILE_TOO_LARGE
