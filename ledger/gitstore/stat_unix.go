//go:build !windows

package gitstore

import "golang.org/x/sys/unix"

// lstat returns what git records about a file in its index.
func lstat(name string) (statData, error) {
	var st unix.Stat_t
	if err := unix.Lstat(name, &st); err != nil {
		return statData{}, err
	}
	return statData{
		ctimeSec:  uint32(st.Ctim.Sec),
		ctimeNsec: uint32(st.Ctim.Nsec),
		mtimeSec:  uint32(st.Mtim.Sec),
		mtimeNsec: uint32(st.Mtim.Nsec),
		dev:       uint32(st.Dev),
		ino:       uint32(st.Ino),
		uid:       st.Uid,
		gid:       st.Gid,
		size:      uint32(st.Size),
		kind:      unixKind(uint32(st.Mode)),
	}, nil
}

func unixKind(mode uint32) fileKind {
	switch mode & unix.S_IFMT {
	case unix.S_IFREG:
		if mode&0o100 != 0 {
			return kindExecutable
		}
		return kindRegular
	case unix.S_IFLNK:
		return kindSymlink
	case unix.S_IFDIR:
		return kindDir
	}
	return kindOther
}
