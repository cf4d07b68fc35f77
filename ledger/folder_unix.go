//go:build unix

package ledger

import (
	"io/fs"
	"os"
	"path"

	"golang.org/x/sys/unix"

	"benchlore/schema"
)

// openFolder is a folder of the work tree. Its files are read with four system
// calls each, where [os.Root] takes about ten, and listing it looks at none of
// them: a check of a large ledger spends much of its time there.
type openFolder struct{ f *os.File }

func (l *Ledger) openFolder(dir string) (*openFolder, error) {
	f, err := l.root.Open(dir)
	if err != nil {
		return nil, err
	}
	return &openFolder{f}, nil
}

func (o *openFolder) Close() error { return o.f.Close() }

// list returns what the folder holds, in any order.
func (o *openFolder) list() ([]fs.DirEntry, error) {
	// As another file: one that was opened in a Root looks at every name.
	fd, err := unix.FcntlInt(o.f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: o.f.Name(), Err: err}
	}
	f := os.NewFile(uintptr(fd), o.f.Name())
	defer f.Close()
	return f.ReadDir(-1)
}

// read returns a plain file of the folder that is no larger than a record can
// be. It reports false for any other, and where anything goes wrong.
func (o *openFolder) read(name string) (data []byte, ok bool) {
	if name != path.Base(name) {
		return nil, false
	}
	fd, err := unix.Openat(int(o.f.Fd()), name, unix.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, false
	}
	defer unix.Close(fd)
	var st unix.Stat_t
	if unix.Fstat(fd, &st) != nil || st.Mode&unix.S_IFMT != unix.S_IFREG || st.Size > schema.MaxSize {
		return nil, false
	}
	data = make([]byte, st.Size+1) // one more: less than that is all of it
	n, err := unix.Read(fd, data)
	return data[:max(n, 0)], err == nil && int64(n) == st.Size
}
