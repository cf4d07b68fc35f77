package gitstore

import (
	"os"
	"path/filepath"
	"strings"
)

// What a file system keeps is tried out, as git init does: a stick or a share may
// be of another kind than the disk of the system. What cannot be tried is taken to
// be kept.

// probe makes a file in dir, and removes what fn made of it.
func probe(dir string, fn func(name string) bool) bool {
	name := filepath.Join(dir, "probe")
	if err := os.WriteFile(name, nil, 0o666); err != nil {
		return true
	}
	defer os.Remove(name)
	return fn(name)
}

// keepsModes reports whether files can be executable or not.
func keepsModes(dir string) bool {
	return executableBits && probe(dir, func(name string) bool {
		before, err := os.Lstat(name)
		if err != nil || before.Mode()&0o100 != 0 || os.Chmod(name, before.Mode()|0o100) != nil {
			return false
		}
		after, err := os.Lstat(name)
		return err == nil && after.Mode()&0o100 != 0
	})
}

// keepsLinks reports whether there are symbolic links.
func keepsLinks(dir string) bool {
	return executableBits && probe(dir, func(name string) bool {
		defer os.Remove(name + "-link")
		return os.Symlink("probe", name+"-link") == nil
	})
}

// keepsCase reports whether the disk keeps two names apart that differ only in case.
func keepsCase(dir string) bool {
	return executableBits && probe(dir, func(name string) bool {
		_, err := os.Lstat(filepath.Join(dir, strings.ToUpper(filepath.Base(name))))
		return err != nil
	})
}
