package index

import (
	"os"
	"syscall"
)

// Lstat returns what git for Windows records about a file in its index.
func Lstat(name string) (Stat, error) {
	info, err := os.Lstat(name)
	if err != nil {
		return Stat{}, err
	}
	s := Stat{size: uint32(info.Size()), Kind: modeKind(info.Mode())}
	mtime := info.ModTime()
	s.mtimeSec, s.mtimeNsec = uint32(mtime.Unix()), uint32(mtime.Nanosecond())
	if d, ok := info.Sys().(*syscall.Win32FileAttributeData); ok {
		ns := d.CreationTime.Nanoseconds()
		s.ctimeSec, s.ctimeNsec = uint32(ns/1e9), uint32(ns%1e9)
	}
	return s, nil
}

func modeKind(m os.FileMode) Kind {
	switch {
	case m.IsRegular():
		return Regular
	case m&os.ModeSymlink != 0:
		return Symlink
	case m.IsDir():
		return Dir
	}
	return Other
}
