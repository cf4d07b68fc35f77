//go:build !windows

package index

import "golang.org/x/sys/unix"

// Lstat returns what git records about a file in its index.
func Lstat(name string) (Stat, error) {
	var st unix.Stat_t
	if err := unix.Lstat(name, &st); err != nil {
		return Stat{}, err
	}
	return Stat{
		ctimeSec:  uint32(st.Ctim.Sec),
		ctimeNsec: uint32(st.Ctim.Nsec),
		mtimeSec:  uint32(st.Mtim.Sec),
		mtimeNsec: uint32(st.Mtim.Nsec),
		dev:       uint32(st.Dev),
		ino:       uint32(st.Ino),
		uid:       st.Uid,
		gid:       st.Gid,
		size:      uint32(st.Size),
		Kind:      unixKind(uint32(st.Mode)),
	}, nil
}

func unixKind(mode uint32) Kind {
	switch mode & unix.S_IFMT {
	case unix.S_IFREG:
		if mode&0o100 != 0 {
			return Executable
		}
		return Regular
	case unix.S_IFLNK:
		return Symlink
	case unix.S_IFDIR:
		return Dir
	}
	return Other
}
