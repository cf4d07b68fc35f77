package gitstore

import (
	"bufio"
	"bytes"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sort"
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
)

// The index is coded here and not with go-git's codec because that one loses
// assume-unchanged bits and the resolve-undo extension, refuses indexes written
// with index.skipHash, and sorts unmerged stages unstably. Format: git's
// Documentation/gitformat-index.

type fileKind uint8

const (
	kindRegular fileKind = iota
	kindExecutable
	kindSymlink
	kindDir
	kindOther
)

// statData is what lstat says about a work file, cut to git's 32 bits.
type statData struct {
	ctimeSec, ctimeNsec, mtimeSec, mtimeNsec uint32
	dev, ino, uid, gid, size                 uint32
	kind                                     fileKind
}

const (
	flagExtended    = 0x4000
	flagAssumeValid = 0x8000
	flagNameMask    = 0x0fff
	extIntentToAdd  = 1 << 13
	extSkipWorktree = 1 << 14
)

var zeros [8]byte

type indexEntry struct {
	stat  statData
	mode  object.Mode
	hash  object.Hash
	flags uint16 // without the name length
	ext   uint16
	name  string
}

func (e *indexEntry) stage() int        { return int(e.flags>>12) & 3 }
func (e *indexEntry) intentToAdd() bool { return e.ext&extIntentToAdd != 0 }

type indexExt struct {
	sig  string
	data []byte
}

type index struct {
	version uint32
	entries []indexEntry // by name, then stage
	keep    []indexExt   // optional extensions that stay true when entries change
	modTime time.Time    // of the file that was read; zero when there was none
}

// readIndex reads an index file. A missing file gives fs.ErrNotExist; a split
// or sparse index and one with an unknown required extension are refused.
func readIndex(name string) (*index, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	idx, err := decodeIndex(b)
	if err != nil {
		if u, ok := errors.AsType[*UnsupportedError](err); ok {
			u.Path = name
		}
		return nil, err
	}
	idx.modTime = info.ModTime()
	return idx, nil
}

func decodeIndex(b []byte) (*index, error) {
	if len(b) < 12+sha1.Size || string(b[:4]) != "DIRC" {
		return nil, &IndexError{"it does not begin with an index header"}
	}
	body, sum := b[:len(b)-sha1.Size], b[len(b)-sha1.Size:]
	// index.skipHash leaves the checksum zero.
	if want := sha1.Sum(body); !bytes.Equal(sum, want[:]) && !bytes.Equal(sum, make([]byte, sha1.Size)) {
		return nil, &IndexError{"its checksum does not match"}
	}
	idx := &index{version: binary.BigEndian.Uint32(body[4:])}
	if idx.version < 2 || idx.version > 4 {
		return nil, &IndexError{fmt.Sprintf("version %d is not known", idx.version)}
	}
	n := int(binary.BigEndian.Uint32(body[8:]))
	if n > len(body)/62 && idx.version < 4 || n > len(body) {
		return nil, &IndexError{"it is cut short"}
	}
	idx.entries = make([]indexEntry, 0, n+32)
	rest := body[12:]
	prev := ""
	var names nameStore
	for range n {
		e, size, err := decodeEntry(rest, idx.version, prev, &names)
		if err != nil {
			return nil, err
		}
		rest = rest[size:]
		prev = e.name
		idx.entries = append(idx.entries, e)
	}
	if !slices.IsSortedFunc(idx.entries, compareEntries) {
		return nil, &IndexError{"its entries are out of order"}
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

func decodeEntry(b []byte, version uint32, prev string, names *nameStore) (e indexEntry, size int, err error) {
	short := &IndexError{"it is cut short"}
	if len(b) < 62 {
		return e, 0, short
	}
	u32 := func(i int) uint32 { return binary.BigEndian.Uint32(b[4*i:]) }
	e.stat = statData{
		ctimeSec: u32(0), ctimeNsec: u32(1), mtimeSec: u32(2), mtimeNsec: u32(3),
		dev: u32(4), ino: u32(5), uid: u32(7), gid: u32(8), size: u32(9),
	}
	e.mode = object.Mode(u32(6))
	copy(e.hash[:], b[40:60])
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
			return e, 0, &IndexError{"an entry name is damaged"}
		}
		at += k
		end := bytes.IndexByte(b[at:], 0)
		if end < 0 {
			return e, 0, short
		}
		e.name = names.keep(prev[:len(prev)-int(strip)], b[at:at+end])
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
	e.name = names.keep("", b[at:at+end])
	return e, size, nil
}

func (idx *index) decodeExtensions(b []byte) error {
	for len(b) > 0 {
		if len(b) < 8 {
			return &IndexError{"an extension is cut short"}
		}
		sig, n := string(b[:4]), uint64(binary.BigEndian.Uint32(b[4:]))
		if n > uint64(len(b)-8) {
			return &IndexError{"an extension is cut short"}
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
			idx.keep = append(idx.keep, indexExt{sig, bytes.Clone(b[8 : 8+n])})
		}
		// The other optional ones (cached trees, untracked cache, file monitor,
		// offsets) describe entries that are about to change; git rebuilds them.
		b = b[8+n:]
	}
	return nil
}

// encode writes the bytes of the index file. With a cache, the cached-tree
// extension is written from it.
func (idx *index) encode(to io.Writer, cache *treeNode) error {
	version := idx.version
	if version == 2 && slices.ContainsFunc(idx.entries, func(e indexEntry) bool { return e.ext != 0 }) {
		version = 3
	}
	sum := sha1.New()
	w := bufio.NewWriterSize(io.MultiWriter(to, sum), 1<<16)
	b := binary.BigEndian.AppendUint32([]byte("DIRC"), version)
	b = binary.BigEndian.AppendUint32(b, uint32(len(idx.entries)))
	w.Write(b) // its errors stay until Flush
	prev := ""
	for i := range idx.entries {
		e := &idx.entries[i]
		b = b[:0]
		s := &e.stat
		for _, v := range [...]uint32{s.ctimeSec, s.ctimeNsec, s.mtimeSec, s.mtimeNsec, s.dev, s.ino,
			uint32(e.mode), s.uid, s.gid, s.size} {
			b = binary.BigEndian.AppendUint32(b, v)
		}
		b = append(b, e.hash[:]...)
		flags := e.flags | uint16(min(len(e.name), flagNameMask))
		if e.ext != 0 {
			b = binary.BigEndian.AppendUint16(b, flags|flagExtended)
			b = binary.BigEndian.AppendUint16(b, e.ext)
		} else {
			b = binary.BigEndian.AppendUint16(b, flags)
		}
		if version == 4 {
			common := commonPrefix(prev, e.name)
			b = appendVarint(b, uint64(len(prev)-common))
			b = append(b, e.name[common:]...)
			b = append(b, 0)
			prev = e.name
		} else {
			b = append(b, e.name...)
			b = append(b, zeros[:8-len(b)%8]...)
		}
		w.Write(b)
	}
	exts := idx.keep
	if cache != nil {
		exts = append([]indexExt{{"TREE", cache.appendCache(nil, "")}}, exts...)
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

func compareEntries(a, b indexEntry) int {
	if c := strings.Compare(a.name, b.name); c != 0 {
		return c
	}
	return a.stage() - b.stage()
}

// find returns the half-open range of entries with a name; it is longer than
// one only for unmerged files.
func (idx *index) find(name string) (from, to int) {
	from = sort.Search(len(idx.entries), func(i int) bool { return idx.entries[i].name >= name })
	for to = from; to < len(idx.entries) && idx.entries[to].name == name; to++ {
	}
	return from, to
}

// update replaces the entries of the given names; nil removes one.
func (idx *index) update(changes map[string]*indexEntry) {
	names := make([]string, 0, len(changes))
	for name := range changes {
		names = append(names, name)
	}
	slices.Sort(names)
	if len(names) <= 32 { // in place: large indexes are costly to copy
		for _, name := range names {
			from, to := idx.find(name)
			if e := changes[name]; e != nil {
				idx.entries = slices.Replace(idx.entries, from, to, *e)
			} else {
				idx.entries = slices.Delete(idx.entries, from, to)
			}
		}
		return
	}
	out := make([]indexEntry, 0, len(idx.entries)+len(names))
	at := 0
	for _, name := range names {
		from, to := idx.find(name)
		out = append(out, idx.entries[at:from]...)
		if e := changes[name]; e != nil {
			out = append(out, *e)
		}
		at = to
	}
	idx.entries = append(out, idx.entries[at:]...)
}

// sameStat reports whether a work file still has the stat data recorded for
// it, so that its content need not be read. The trustCtime and fileMode
// arguments are git's settings of those names.
func (e *indexEntry) sameStat(now statData, trustCtime, fileMode bool) bool {
	old := e.stat
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
	return sameKind(e.mode, now.kind, fileMode)
}

// sameKind reports whether a tree mode describes a work file of this kind.
func sameKind(mode object.Mode, kind fileKind, fileMode bool) bool {
	switch mode {
	case object.ModeSymlink:
		return kind == kindSymlink
	case object.ModeExecutable:
		return kind == kindExecutable || !fileMode && kind == kindRegular
	case object.ModeRegular, object.ModeGroup:
		return kind == kindRegular || !fileMode && kind == kindExecutable
	}
	return false
}

// racy reports whether the file may have changed within the clock tick in
// which the index was written, so that equal stat data prove nothing. Git
// built without nanosecond comparison sees whole seconds only; coarse asks for
// that reading.
func (idx *index) racy(s statData, coarse bool) bool {
	if idx.modTime.IsZero() {
		return true
	}
	sec := uint32(idx.modTime.Unix())
	if coarse || s.mtimeNsec == 0 || s.mtimeSec != sec {
		return s.mtimeSec >= sec
	}
	return s.mtimeNsec >= uint32(idx.modTime.Nanosecond())
}
