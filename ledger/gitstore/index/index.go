// Package index reads and writes git's index: the list of the files that belong to
// the next commit, with what the disk said of each when git last looked. From it a
// program can tell which work files were edited without reading them. The format is
// that of git's Documentation/gitformat-index, versions 2 to 4.
package index

import (
	"bufio"
	"bytes"
	"crypto/sha1"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"slices"
	"sort"
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
)

// go-git's codec is not used here: it loses the assume-unchanged bits and the
// resolve-undo extension, refuses an index written with index.skipHash, and does not
// keep the stages of an unmerged file in order.

// Kind is what stands at a path of the work tree.
type Kind uint8

// The kinds.
const (
	Regular Kind = iota
	Executable
	Symlink
	Dir
	Other // a device, a pipe, a socket
)

// Stat is what lstat says about a work file, cut to git's 32 bits.
type Stat struct {
	ctimeSec, ctimeNsec, mtimeSec, mtimeNsec uint32
	dev, ino, uid, gid, size                 uint32
	Kind                                     Kind
}

const (
	flagExtended    = 0x4000
	flagAssumeValid = 0x8000
	flagNameMask    = 0x0fff
	extIntentToAdd  = 1 << 13
	extSkipWorktree = 1 << 14
)

var zeros [8]byte

// Entry is one file of the index, or one stage of an unmerged file.
type Entry struct {
	Stat  Stat
	Mode  object.Mode
	Hash  object.Hash
	flags uint16 // without the name length
	ext   uint16
	Name  string
}

// Stage is 0 for a file as it is to be committed; 1 to 3 are the sides of a merge.
func (e *Entry) Stage() int { return int(e.flags>>12) & 3 }

// IntentToAdd reports whether only the name was added, with git add -N.
func (e *Entry) IntentToAdd() bool { return e.ext&extIntentToAdd != 0 }

// Unwatched reports whether the work file is not to be looked at: git was told so, or
// it is a repository of its own (a submodule).
func (e *Entry) Unwatched() bool {
	return e.flags&flagAssumeValid != 0 || e.ext&extSkipWorktree != 0 || e.Mode == 0o160000
}

// Smudge makes the stat data match no file, so that everyone reads the work file. As
// in git, that is written as the size 0.
func (e *Entry) Smudge() { e.Stat.size = 0 }

// Smudged reports whether the stat data say nothing about the content.
func (e *Entry) Smudged() bool { return e.Stat.size == 0 }

// SameTimeAndSize compares the time in seconds and the size, which is all that some
// builds of git look at.
func (s Stat) SameTimeAndSize(now Stat) bool { return s.mtimeSec == now.mtimeSec && s.size == now.size }

type extension struct {
	sig  string
	data []byte
}

// Index is the content of an index file.
type Index struct {
	version uint32
	Entries []Entry     // by name, then stage
	keep    []extension // optional extensions that stay true when entries change
	ModTime time.Time   // of the file that was read; zero when there was none
}

// New makes an empty index of version 2.
func New() *Index { return &Index{version: 2} }

// Read reads an index file. Errors: fs.ErrNotExist; *UnsupportedError for a split or
// sparse index and one with an unknown required extension; *Error.
func Read(name string) (*Index, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	idx, err := decode(b)
	if err != nil {
		return nil, err
	}
	idx.ModTime = info.ModTime()
	return idx, nil
}

func decode(b []byte) (*Index, error) {
	if len(b) < 12+sha1.Size || string(b[:4]) != "DIRC" {
		return nil, &Error{"it does not begin with an index header"}
	}
	body, sum := b[:len(b)-sha1.Size], b[len(b)-sha1.Size:]
	// index.skipHash leaves the checksum zero.
	if want := sha1.Sum(body); !bytes.Equal(sum, want[:]) && !bytes.Equal(sum, make([]byte, sha1.Size)) {
		return nil, &Error{"its checksum does not match"}
	}
	idx := &Index{version: binary.BigEndian.Uint32(body[4:])}
	if idx.version < 2 || idx.version > 4 {
		return nil, &Error{fmt.Sprintf("version %d is not known", idx.version)}
	}
	n := int(binary.BigEndian.Uint32(body[8:]))
	if n > len(body)/62 && idx.version < 4 || n > len(body) {
		return nil, &Error{"it is cut short"}
	}
	idx.Entries = make([]Entry, 0, n+32)
	rest := body[12:]
	prev := ""
	var names nameStore
	for range n {
		e, size, err := decodeEntry(rest, idx.version, prev, &names)
		if err != nil {
			return nil, err
		}
		rest = rest[size:]
		prev = e.Name
		idx.Entries = append(idx.Entries, e)
	}
	if !slices.IsSortedFunc(idx.Entries, Compare) {
		return nil, &Error{"its entries are out of order"}
	}
	return idx, idx.decodeExtensions(rest)
}

// nameStore makes strings of names, many to one piece of memory: an index has
// hundreds of thousands.
type nameStore struct{ b strings.Builder }

func (s *nameStore) keep(start string, end []byte) string {
	n := len(start) + len(end)
	if s.b.Cap()-s.b.Len() < n {
		s.b = strings.Builder{}
		s.b.Grow(max(n, 1<<16))
	}
	from := s.b.Len()
	s.b.WriteString(start)
	s.b.Write(end)
	return s.b.String()[from:]
}

func decodeEntry(b []byte, version uint32, prev string, names *nameStore) (e Entry, size int, err error) {
	short := &Error{"it is cut short"}
	if len(b) < 62 {
		return e, 0, short
	}
	u32 := func(i int) uint32 { return binary.BigEndian.Uint32(b[4*i:]) }
	e.Stat = Stat{
		ctimeSec: u32(0), ctimeNsec: u32(1), mtimeSec: u32(2), mtimeNsec: u32(3),
		dev: u32(4), ino: u32(5), uid: u32(7), gid: u32(8), size: u32(9),
	}
	e.Mode = object.Mode(u32(6))
	copy(e.Hash[:], b[40:60])
	e.flags = binary.BigEndian.Uint16(b[60:])
	at := 62
	if e.flags&flagExtended != 0 {
		if version < 3 || len(b) < 64 {
			return e, 0, short
		}
		e.ext = binary.BigEndian.Uint16(b[62:])
		at = 64
	}
	e.flags &^= flagNameMask | flagExtended
	if version == 4 {
		strip, k := decodeVarint(b[at:])
		if k == 0 || strip > uint64(len(prev)) {
			return e, 0, &Error{"an entry name is damaged"}
		}
		at += k
		end := bytes.IndexByte(b[at:], 0)
		if end < 0 {
			return e, 0, short
		}
		e.Name = names.keep(prev[:len(prev)-int(strip)], b[at:at+end])
		return e, at + end + 1, nil
	}
	end := bytes.IndexByte(b[at:], 0)
	if end < 0 {
		return e, 0, short
	}
	size = (at + end + 8) &^ 7
	if size > len(b) {
		return e, 0, short
	}
	e.Name = names.keep("", b[at:at+end])
	return e, size, nil
}

func (idx *Index) decodeExtensions(b []byte) error {
	for len(b) > 0 {
		if len(b) < 8 {
			return &Error{"an extension is cut short"}
		}
		sig, n := string(b[:4]), uint64(binary.BigEndian.Uint32(b[4:]))
		if n > uint64(len(b)-8) {
			return &Error{"an extension is cut short"}
		}
		switch {
		case sig == "link":
			return &UnsupportedError{Reason: "is a split index",
				Remedy: "run `git config core.splitIndex false` and `git update-index --no-split-index`"}
		case sig == "sdir":
			return &UnsupportedError{Reason: "is a sparse index",
				Remedy: "run `git sparse-checkout disable`"}
		case sig[0] < 'A' || sig[0] > 'Z':
			return &UnsupportedError{Reason: fmt.Sprintf("has the required extension %q, which this program does not know", sig),
				Remedy: "delete .git/index and run `git reset` to rebuild it"}
		case sig == "REUC":
			idx.keep = append(idx.keep, extension{sig, bytes.Clone(b[8 : 8+n])})
		}
		// The other optional ones (cached trees, untracked cache, file monitor,
		// offsets) describe entries that are about to change; git rebuilds them.
		b = b[8+n:]
	}
	return nil
}

// Encode writes the bytes of the index file. With a cache, the cached-tree
// extension is written from it.
func (idx *Index) Encode(to io.Writer, cache *Tree) error {
	version := idx.version
	if version == 2 && slices.ContainsFunc(idx.Entries, func(e Entry) bool { return e.ext != 0 }) {
		version = 3
	}
	sum := sha1.New()
	w := bufio.NewWriterSize(io.MultiWriter(to, sum), 1<<16)
	b := binary.BigEndian.AppendUint32([]byte("DIRC"), version)
	b = binary.BigEndian.AppendUint32(b, uint32(len(idx.Entries)))
	w.Write(b) // its errors stay until Flush
	prev := ""
	for i := range idx.Entries {
		e := &idx.Entries[i]
		b = b[:0]
		s := &e.Stat
		for _, v := range [...]uint32{s.ctimeSec, s.ctimeNsec, s.mtimeSec, s.mtimeNsec, s.dev, s.ino,
			uint32(e.Mode), s.uid, s.gid, s.size} {
			b = binary.BigEndian.AppendUint32(b, v)
		}
		b = append(b, e.Hash[:]...)
		flags := e.flags | uint16(min(len(e.Name), flagNameMask))
		if e.ext != 0 {
			b = binary.BigEndian.AppendUint16(b, flags|flagExtended)
			b = binary.BigEndian.AppendUint16(b, e.ext)
		} else {
			b = binary.BigEndian.AppendUint16(b, flags)
		}
		if version == 4 {
			common := commonPrefix(prev, e.Name)
			b = appendVarint(b, uint64(len(prev)-common))
			b = append(b, e.Name[common:]...)
			b = append(b, 0)
			prev = e.Name
		} else {
			b = append(b, e.Name...)
			b = append(b, zeros[:8-len(b)%8]...)
		}
		w.Write(b)
	}
	exts := idx.keep
	if cache != nil {
		exts = append([]extension{{"TREE", cache.appendCache(nil, "")}}, exts...)
	}
	for _, x := range exts {
		w.WriteString(x.sig)
		w.Write(binary.BigEndian.AppendUint32(nil, uint32(len(x.data))))
		w.Write(x.data)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := to.Write(sum.Sum(nil))
	return err
}

func commonPrefix(a, b string) int {
	n := min(len(a), len(b))
	for i := range n {
		if a[i] != b[i] {
			return i
		}
	}
	return n
}

// decodeVarint reads the offset encoding of git's packs and index version 4.
func decodeVarint(b []byte) (v uint64, size int) {
	for i, c := range b {
		if i > 8 {
			return 0, 0
		}
		if i > 0 {
			v++
		}
		v = v<<7 | uint64(c&0x7f)
		if c&0x80 == 0 {
			return v, i + 1
		}
	}
	return 0, 0
}

func appendVarint(b []byte, v uint64) []byte {
	var buf [10]byte
	at := len(buf) - 1
	buf[at] = byte(v & 0x7f)
	for v >>= 7; v != 0; v >>= 7 {
		v--
		at--
		buf[at] = 0x80 | byte(v&0x7f)
	}
	return append(b, buf[at:]...)
}

// Compare puts entries in the order of the index: by name, then stage.
func Compare(a, b Entry) int {
	if c := strings.Compare(a.Name, b.Name); c != 0 {
		return c
	}
	return a.Stage() - b.Stage()
}

// Find returns the half-open range of entries with a name; it is longer than
// one only for unmerged files.
func (idx *Index) Find(name string) (from, to int) {
	from = sort.Search(len(idx.Entries), func(i int) bool { return idx.Entries[i].Name >= name })
	for to = from; to < len(idx.Entries) && idx.Entries[to].Name == name; to++ {
	}
	return from, to
}

// Update replaces the entries of the given names; nil removes one.
func (idx *Index) Update(changes map[string]*Entry) {
	names := make([]string, 0, len(changes))
	for name := range changes {
		names = append(names, name)
	}
	slices.Sort(names)
	if len(names) <= 32 { // in place: large indexes are costly to copy
		for _, name := range names {
			from, to := idx.Find(name)
			if e := changes[name]; e != nil {
				idx.Entries = slices.Replace(idx.Entries, from, to, *e)
			} else {
				idx.Entries = slices.Delete(idx.Entries, from, to)
			}
		}
		return
	}
	out := make([]Entry, 0, len(idx.Entries)+len(names))
	at := 0
	for _, name := range names {
		from, to := idx.Find(name)
		out = append(out, idx.Entries[at:from]...)
		if e := changes[name]; e != nil {
			out = append(out, *e)
		}
		at = to
	}
	idx.Entries = append(out, idx.Entries[at:]...)
}

// SameStat reports whether a work file still has the stat data recorded for
// it, so that its content need not be read. The trustCtime and fileMode
// arguments are git's settings of those names.
func (e *Entry) SameStat(now Stat, trustCtime, fileMode bool) bool {
	old := e.Stat
	if old.mtimeSec != now.mtimeSec || old.size != now.size {
		return false
	}
	if old.mtimeNsec != 0 && old.mtimeNsec != now.mtimeNsec {
		return false
	}
	if trustCtime && (old.ctimeSec != now.ctimeSec || old.ctimeNsec != 0 && old.ctimeNsec != now.ctimeNsec) {
		return false
	}
	if old.ino != now.ino || old.uid != now.uid || old.gid != now.gid {
		return false
	}
	return SameKind(e.Mode, now.Kind, fileMode)
}

// SameKind reports whether a tree mode describes a work file of this kind.
func SameKind(mode object.Mode, kind Kind, fileMode bool) bool {
	switch mode {
	case object.ModeSymlink:
		return kind == Symlink
	case object.ModeExecutable:
		return kind == Executable || !fileMode && kind == Regular
	case object.ModeRegular, object.ModeGroup:
		return kind == Regular || !fileMode && kind == Executable
	}
	return false
}

// Racy reports whether the file may have changed within the clock tick in
// which the index was written, so that equal stat data prove nothing. Git
// built without nanosecond comparison sees whole seconds only; coarse asks for
// that reading.
func (idx *Index) Racy(s Stat, coarse bool) bool {
	if idx.ModTime.IsZero() {
		return true
	}
	sec := uint32(idx.ModTime.Unix())
	if coarse || s.mtimeNsec == 0 || s.mtimeSec != sec {
		return s.mtimeSec >= sec
	}
	return s.mtimeNsec >= uint32(idx.ModTime.Nanosecond())
}

// Error is returned for an index that cannot be read.
type Error struct{ Reason string }

func (e *Error) Error() string {
	return fmt.Sprintf("git's index is not readable: %s", e.Reason)
}

// Hint names the next step. Only what had been staged with git add is lost.
func (e *Error) Hint() string { return "rebuild it: " + Rebuild }

// Rebuild is the command that rebuilds git's index, whatever state it is in. It
// touches no work file.
const Rebuild = "git read-tree HEAD"

// UnsupportedError says why an index that is whole cannot be used here.
type UnsupportedError struct {
	Reason string // what is wrong with it
	Remedy string // what to do about it
}

func (e *UnsupportedError) Error() string {
	return fmt.Sprintf("git's index %s; %s", e.Reason, e.Remedy)
}
