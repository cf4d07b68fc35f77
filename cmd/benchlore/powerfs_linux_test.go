package main

import (
	"context"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	fuse "github.com/hanwen/go-fuse/v2/fs"
	kernel "github.com/hanwen/go-fuse/v2/fuse"
)

// A power disk is a file system in memory that keeps a log of what was done to it.
// From the log it tells what a disk may hold after the power went at any moment:
// what was synced, and as much or as little of the rest as chance has it. A cut on a
// real machine does the same; a killed process does not, since the kernel still
// writes everything.

// powerOp is one thing that was done to a power disk.
type powerOp struct {
	kind powerKind
	node *powerNode // the file, or the folder whose names change
	name string
	to   *powerNode // link and rename: what gets the name
	from *powerNode // rename: the folder it leaves
	was  string     // rename: the name it leaves
	data []byte     // write
	at   int64      // write: where; truncate: the new size
}

type powerKind int

const (
	opLink powerKind = iota // a name is given: create, mkdir, link, symlink
	opUnlink
	opRename
	opWrite
	opTruncate
	opSync // of a file's bytes, or of a folder's names
)

type powerDisk struct {
	at string // where it is mounted

	mu   sync.Mutex
	log  []powerOp
	root *powerNode
	last uint64        // inode number given
	fail syscall.Errno // what reading a file under objects/ ends with; 0: it does not
	base map[*powerNode]powerState
}

// powerState is what a disk holds of one file or folder.
type powerState struct {
	data []byte
	kids map[string]*powerNode
}

type powerNode struct {
	fuse.Inode
	disk   *powerDisk
	id     uint64
	mode   uint32 // with the type
	target string // of a link
	now    powerState
	stored bool // it lies under objects/
	links  uint32
	mtime  time.Time
}

var (
	_ fuse.NodeLookuper   = (*powerNode)(nil)
	_ fuse.NodeGetattrer  = (*powerNode)(nil)
	_ fuse.NodeSetattrer  = (*powerNode)(nil)
	_ fuse.NodeOpener     = (*powerNode)(nil)
	_ fuse.NodeReader     = (*powerNode)(nil)
	_ fuse.NodeWriter     = (*powerNode)(nil)
	_ fuse.NodeFsyncer    = (*powerNode)(nil)
	_ fuse.NodeCreater    = (*powerNode)(nil)
	_ fuse.NodeMkdirer    = (*powerNode)(nil)
	_ fuse.NodeLinker     = (*powerNode)(nil)
	_ fuse.NodeSymlinker  = (*powerNode)(nil)
	_ fuse.NodeReadlinker = (*powerNode)(nil)
	_ fuse.NodeUnlinker   = (*powerNode)(nil)
	_ fuse.NodeRmdirer    = (*powerNode)(nil)
	_ fuse.NodeRenamer    = (*powerNode)(nil)
	_ fuse.NodeReaddirer  = (*powerNode)(nil)
	_ fuse.NodeStatfser   = (*powerNode)(nil)
)

// newPowerDisk mounts a disk that holds what a folder holds, all of it synced.
func newPowerDisk(t *testing.T, from string) *powerDisk {
	t.Helper()
	if _, err := os.Stat("/dev/fuse"); err != nil { // a machine has it or has not: nothing installs it
		t.Skip("there is no /dev/fuse; the disk that loses power is mounted through it")
	}
	d := &powerDisk{at: t.TempDir(), base: map[*powerNode]powerState{}}
	d.root = d.node(syscall.S_IFDIR | 0o755)
	if err := d.fill(d.root, from); err != nil {
		t.Fatal(err)
	}
	server, err := fuse.Mount(d.at, d.root, &fuse.Options{MountOptions: kernel.MountOptions{DirectMount: true, FsName: "power", MaxWrite: 1 << 20}})
	if err != nil {
		if os.Getenv("CI") != "" && os.Geteuid() == 0 {
			t.Fatalf("the disk cannot be mounted: %v", err)
		}
		t.Skipf("the disk cannot be mounted: %v", err)
	}
	t.Cleanup(func() {
		if err := server.Unmount(); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return d
}

func (d *powerDisk) node(mode uint32) *powerNode {
	d.last++
	n := &powerNode{disk: d, id: d.last, mode: mode, mtime: time.Now(), links: 1}
	if mode&syscall.S_IFMT == syscall.S_IFDIR {
		n.now.kids = map[string]*powerNode{}
	}
	return n
}

// fill lays a folder's content as what was always there.
func (d *powerDisk) fill(n *powerNode, from string) error {
	entries, err := os.ReadDir(from)
	if err != nil {
		return err
	}
	for _, e := range entries {
		name := filepath.Join(from, e.Name())
		info, err := e.Info()
		if err != nil {
			return err
		}
		kid := d.node(syscall.S_IFREG | uint32(info.Mode().Perm()))
		kid.stored = n.stored || e.Name() == "objects"
		switch {
		case e.IsDir():
			kid.mode = syscall.S_IFDIR | uint32(info.Mode().Perm())
			kid.now.kids = map[string]*powerNode{}
			err = d.fill(kid, name)
		case info.Mode()&fs.ModeSymlink != 0:
			kid.mode = syscall.S_IFLNK | 0o777
			kid.target, err = os.Readlink(name)
		default:
			kid.now.data, err = os.ReadFile(name)
		}
		if err != nil {
			return err
		}
		kid.mtime = info.ModTime()
		n.now.kids[e.Name()] = kid
		d.base[kid] = kid.now.copy()
	}
	d.base[n] = n.now.copy()
	return nil
}

func (s powerState) copy() powerState {
	return powerState{slices.Clone(s.data), maps.Clone(s.kids)}
}

func (n *powerNode) did(op powerOp) {
	op.node = n
	n.disk.log = append(n.disk.log, op)
	n.mtime = time.Now()
}

// program starts the real program in a folder of the disk. A shell goes there: Go
// stands still while it forks, and could not answer for its own disk.
func (d *powerDisk) program(dir string, env []string, args ...string) *exec.Cmd {
	cmd := program("", env, args...)
	cmd.Args = append([]string{"sh", "-c", `cd "$0" && exec "$@"`, filepath.Join(d.at, dir)}, cmd.Args...)
	cmd.Args[4] = cmd.Path
	cmd.Path = "/bin/sh"
	return cmd
}

// length is how much has been done so far.
func (d *powerDisk) length() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.log)
}

func (n *powerNode) attr(a *kernel.Attr) {
	a.Ino, a.Mode, a.Nlink = n.id, n.mode, n.links
	a.Size = uint64(len(n.now.data) + len(n.target))
	a.Blksize, a.Blocks = 4096, (a.Size+511)/512
	a.Uid, a.Gid = uint32(os.Getuid()), uint32(os.Getgid())
	a.SetTimes(&n.mtime, &n.mtime, &n.mtime)
}

func (n *powerNode) inode(ctx context.Context, kid *powerNode, out *kernel.EntryOut) *fuse.Inode {
	kid.attr(&out.Attr)
	return n.NewInode(ctx, kid, fuse.StableAttr{Mode: kid.mode & syscall.S_IFMT, Ino: kid.id})
}

func (n *powerNode) Lookup(ctx context.Context, name string, out *kernel.EntryOut) (*fuse.Inode, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	kid := n.now.kids[name]
	if kid == nil {
		return nil, syscall.ENOENT
	}
	return n.inode(ctx, kid, out), 0
}

func (n *powerNode) Getattr(_ context.Context, _ fuse.FileHandle, out *kernel.AttrOut) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	n.attr(&out.Attr)
	return 0
}

func (n *powerNode) Setattr(_ context.Context, _ fuse.FileHandle, in *kernel.SetAttrIn, out *kernel.AttrOut) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	if size, ok := in.GetSize(); ok {
		n.did(powerOp{kind: opTruncate, at: int64(size)})
		n.now.data = sized(n.now.data, int64(size))
	}
	if mode, ok := in.GetMode(); ok {
		n.mode = n.mode&syscall.S_IFMT | mode&0o7777
	}
	if mtime, ok := in.GetMTime(); ok {
		n.mtime = mtime
	}
	n.attr(&out.Attr)
	return 0
}

func sized(b []byte, size int64) []byte {
	if size <= int64(len(b)) {
		return b[:size:size]
	}
	return append(b, make([]byte, size-int64(len(b)))...)
}

func written(b, data []byte, at int64) []byte {
	b = sized(b, max(int64(len(b)), at+int64(len(data))))
	copy(b[at:], data)
	return b
}

func (n *powerNode) Open(context.Context, uint32) (fuse.FileHandle, uint32, syscall.Errno) {
	return nil, 0, 0
}

func (n *powerNode) Read(_ context.Context, _ fuse.FileHandle, dest []byte, off int64) (kernel.ReadResult, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	if n.stored && n.disk.fail != 0 {
		return nil, n.disk.fail
	}
	if off >= int64(len(n.now.data)) {
		return kernel.ReadResultData(nil), 0
	}
	return kernel.ReadResultData(dest[:copy(dest, n.now.data[off:])]), 0
}

func (n *powerNode) Write(_ context.Context, _ fuse.FileHandle, data []byte, off int64) (uint32, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	n.did(powerOp{kind: opWrite, data: slices.Clone(data), at: off})
	n.now.data = written(n.now.data, data, off)
	return uint32(len(data)), 0
}

// Fsync is asked of files and of folders.
func (n *powerNode) Fsync(context.Context, fuse.FileHandle, uint32) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	mtime := n.mtime
	n.did(powerOp{kind: opSync})
	n.mtime = mtime
	return 0
}

// give names something new.
func (n *powerNode) give(ctx context.Context, name string, kid *powerNode, out *kernel.EntryOut) (*fuse.Inode, syscall.Errno) {
	if n.now.kids[name] != nil {
		return nil, syscall.EEXIST
	}
	n.did(powerOp{kind: opLink, name: name, to: kid})
	kid.stored = n.stored || name == "objects"
	n.now.kids[name] = kid
	return n.inode(ctx, kid, out), 0
}

func (n *powerNode) Create(ctx context.Context, name string, _ uint32, mode uint32, out *kernel.EntryOut) (*fuse.Inode, fuse.FileHandle, uint32, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	inode, errno := n.give(ctx, name, n.disk.node(syscall.S_IFREG|mode&0o7777), out)
	return inode, nil, 0, errno
}

func (n *powerNode) Mkdir(ctx context.Context, name string, mode uint32, out *kernel.EntryOut) (*fuse.Inode, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	return n.give(ctx, name, n.disk.node(syscall.S_IFDIR|mode&0o7777), out)
}

func (n *powerNode) Symlink(ctx context.Context, target, name string, out *kernel.EntryOut) (*fuse.Inode, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	kid := n.disk.node(syscall.S_IFLNK | 0o777)
	kid.target = target
	return n.give(ctx, name, kid, out)
}

func (n *powerNode) Readlink(context.Context) ([]byte, syscall.Errno) { return []byte(n.target), 0 }

func (n *powerNode) Link(ctx context.Context, target fuse.InodeEmbedder, name string, out *kernel.EntryOut) (*fuse.Inode, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	kid := target.(*powerNode)
	inode, errno := n.give(ctx, name, kid, out)
	if errno == 0 {
		kid.links++
	}
	return inode, errno
}

func (n *powerNode) Unlink(_ context.Context, name string) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	kid := n.now.kids[name]
	switch {
	case kid == nil:
		return syscall.ENOENT
	case len(kid.now.kids) > 0:
		return syscall.ENOTEMPTY
	}
	n.did(powerOp{kind: opUnlink, name: name})
	delete(n.now.kids, name)
	kid.links--
	return 0
}

func (n *powerNode) Rmdir(ctx context.Context, name string) syscall.Errno { return n.Unlink(ctx, name) }

func (n *powerNode) Rename(_ context.Context, name string, newParent fuse.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	to := newParent.(*powerNode)
	kid, there := n.now.kids[name], to.now.kids[newName]
	const noReplace = 1
	switch {
	case kid == nil:
		return syscall.ENOENT
	case flags&^noReplace != 0:
		return syscall.EINVAL
	case there != nil && flags == noReplace:
		return syscall.EEXIST
	case there != nil && len(there.now.kids) > 0:
		return syscall.ENOTEMPTY
	case there == kid:
		return 0
	}
	if there != nil {
		there.links--
	}
	to.did(powerOp{kind: opRename, name: newName, to: kid, from: n, was: name})
	delete(n.now.kids, name)
	to.now.kids[newName] = kid
	kid.stored = to.stored
	return 0
}

func (n *powerNode) Readdir(context.Context) (fuse.DirStream, syscall.Errno) {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	var list []kernel.DirEntry
	for _, name := range slices.Sorted(maps.Keys(n.now.kids)) {
		list = append(list, kernel.DirEntry{Name: name, Mode: n.now.kids[name].mode, Ino: n.now.kids[name].id})
	}
	return fuse.NewListDirStream(list), 0
}

func (n *powerNode) Statfs(_ context.Context, out *kernel.StatfsOut) syscall.Errno {
	out.Blocks, out.Bfree, out.Bavail, out.Bsize, out.NameLen = 1<<24, 1<<24, 1<<24, 4096, 255
	return 0
}

// What may be lost when a command does not come to its end.
type powerLoss int

const (
	lossNothing powerLoss = iota // the program was killed; what it had done is there
	lossOrdered                  // the power went; names are as on a disk with one journal
	lossLoose                    // the power went; only what was synced itself is sure
)

// cut lays in dir what the disk may hold after the command was stopped when that much
// had been done. With lossOrdered, names are as on a file system with one journal: what was done
// to them is there up to some moment, and a sync of anything brings all names before
// it along. With lossLoose, each folder goes by itself, and only a sync of the folder counts.
// Either way a file holds what was synced, and of what was written since as much as
// chance has it, often nothing.
func (d *powerDisk) cut(done int, loss powerLoss, rng *rand.Rand, dir string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	log, ordered := d.log[:done], loss == lossOrdered
	synced := map[*powerNode]int{} // what comes before is on the disk
	any := 0
	for i, op := range log {
		if op.kind == opSync {
			synced[op.node], any = i, i
		}
	}
	until := map[*powerNode]int{}
	limit := func(op powerOp) int {
		n := op.node
		u, ok := until[n]
		if !ok {
			from := synced[n]
			if ordered && op.kind <= opRename {
				from = any
			}
			switch u = done; rng.IntN(3) {
			case 0:
				u = from
			case 1:
				u = from + rng.IntN(done-from+1)
			}
			until[n] = u
		}
		return u
	}
	names := any + rng.IntN(done-any+1) // with one journal, all names end at one moment
	have := map[*powerNode]powerState{}
	get := func(n *powerNode) powerState {
		s, ok := have[n]
		if !ok {
			if s = d.base[n].copy(); s.kids == nil && n.now.kids != nil {
				s.kids = map[string]*powerNode{}
			}
			have[n] = s
		}
		return s
	}
	for i, op := range log {
		s := get(op.node)
		switch {
		case loss == lossNothing:
		case op.kind <= opRename && ordered && i >= names, op.kind <= opRename && !ordered && i >= limit(op), op.kind > opRename && i >= limit(op):
			continue
		}
		switch op.kind {
		case opLink:
			s.kids[op.name] = op.to
		case opUnlink:
			delete(s.kids, op.name)
		case opRename:
			if old := get(op.from); old.kids[op.was] == op.to {
				delete(old.kids, op.was)
			}
			s.kids[op.name] = op.to
		case opWrite:
			s.data = written(s.data, op.data, op.at)
		case opTruncate:
			s.data = sized(s.data, op.at)
		}
		have[op.node] = s
	}
	laid := map[*powerNode]string{}
	var lay func(n *powerNode, at string) error
	lay = func(n *powerNode, at string) error {
		if was, ok := laid[n]; ok && n.now.kids == nil {
			return os.Link(was, at)
		}
		laid[n] = at
		s := get(n)
		switch n.mode & syscall.S_IFMT {
		case syscall.S_IFLNK:
			return os.Symlink(n.target, at)
		case syscall.S_IFREG:
			return os.WriteFile(at, s.data, fs.FileMode(n.mode&0o777))
		}
		if err := os.MkdirAll(at, 0o777); err != nil {
			return err
		}
		for _, name := range slices.Sorted(maps.Keys(s.kids)) {
			if err := lay(s.kids[name], filepath.Join(at, name)); err != nil {
				return err
			}
		}
		return os.Chmod(at, fs.FileMode(n.mode&0o777))
	}
	return lay(d.root, dir)
}
