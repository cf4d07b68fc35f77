package gitstore

import (
	"os"
	"syscall"
)

// lstat returns what git for Windows records about a file in its index.
func lstat(name string) (statData, error) {
	info, err := os.Lstat(name)
	if err != nil {
		return statData{}, err
	}
	s := statData{size: uint32(info.Size()), kind: modeKind(info.Mode())}
	mtime := info.ModTime()
	s.mtimeSec, s.mtimeNsec = uint32(mtime.Unix()), uint32(mtime.Nanosecond())
	if d, ok := info.Sys().(*syscall.Win32FileAttributeData); ok {
		ns := d.CreationTime.Nanoseconds()
		s.ctimeSec, s.ctimeNsec = uint32(ns/1e9), uint32(ns%1e9)
	}
	return s, nil
}

func modeKind(m os.FileMode) fileKind {
	switch {
	case m.IsRegular():
		return kindRegular
	case m&os.ModeSymlink != 0:
		return kindSymlink
	case m.IsDir():
		return kindDir
	}
	return kindOther
}
