package synth

import (
	"bufio"
	"bytes"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	gitpack "benchlore/ledger/gitstore/pack"
)

// pack writes objects into one packfile, each whole and each once: ten
// thousands of loose objects would take longer to write than to make. The
// format is that of git's gitformat-pack(5), version 2.
type pack struct {
	file  *os.File
	out   *bufio.Writer
	dir   string
	at    int64
	known map[object.Hash]bool
	list  []gitpack.Entry
	z     *zlib.Writer
	buf   bytes.Buffer
}

// newPack begins a pack in the repository's folder objects/pack.
func newPack(dir string) (*pack, error) {
	f, err := os.CreateTemp(dir, "tmp_pack_")
	if err != nil {
		return nil, err
	}
	p := &pack{file: f, out: bufio.NewWriterSize(f, 1<<20), dir: dir, known: map[object.Hash]bool{}}
	if p.z, err = zlib.NewWriterLevel(io.Discard, zlib.BestSpeed); err != nil {
		return nil, err
	}
	// The number of objects is filled in at the end.
	_, err = p.out.WriteString("PACK\x00\x00\x00\x02\x00\x00\x00\x00")
	p.at = 12
	return p, err
}

// add stores an object and returns its name.
func (p *pack) add(t object.Type, data []byte) (object.Hash, error) {
	h := object.Sum(t, data)
	return h, p.entry(h, byte(t), 0, data)
}

// offsetDelta is the type of an entry that is a delta to an earlier one.
const offsetDelta = 6

// entry stores an object whole, or as a delta to the entry that begins so many
// bytes before.
func (p *pack) entry(h object.Hash, t byte, back int64, data []byte) error {
	if p.known[h] {
		return nil
	}
	p.known[h] = true
	p.buf.Reset()
	size := len(data)
	b := t<<4 | byte(size&15)
	for size >>= 4; size > 0; size >>= 7 {
		p.buf.WriteByte(b | 0x80)
		b = byte(size & 0x7f)
	}
	p.buf.WriteByte(b)
	if t == offsetDelta {
		digits := []byte{byte(back & 0x7f)}
		for back >>= 7; back > 0; back >>= 7 {
			back--
			digits = append(digits, 0x80|byte(back&0x7f))
		}
		slices.Reverse(digits)
		p.buf.Write(digits)
	}
	p.z.Reset(&p.buf)
	if _, err := p.z.Write(data); err != nil {
		return err
	}
	if err := p.z.Close(); err != nil {
		return err
	}
	p.list = append(p.list, gitpack.Entry{Name: h, At: p.at, CRC: crc32.ChecksumIEEE(p.buf.Bytes())})
	p.at += int64(p.buf.Len())
	_, err := p.out.Write(p.buf.Bytes())
	return err
}

// folder is a large folder of which one entry changes at a time.
type folder struct {
	raw   []byte // as git has it
	names []string
	hash  object.Hash // once stored

	at    int64 // where it was stored last; 0: not yet
	depth int   // of how many deltas that consists
	delta []byte
}

// set gives a folder in it its tree, and notes the delta for it.
func (f *folder) set(name string, h object.Hash) {
	i, there := slices.BinarySearchFunc(f.names, name, func(a, b string) int { return strings.Compare(a+"/", b+"/") })
	head := len("40000 ") + 1 // and the zero after the name
	from := 0
	for _, n := range f.names[:i] {
		from += head + len(n) + len(h)
	}
	to := from
	if there {
		to += head + len(name) + len(h)
	} else {
		f.names = slices.Insert(f.names, i, name)
	}
	entry := object.AppendTreeEntry(nil, object.TreeEntry{Name: name, Mode: object.ModeDir, Hash: h})
	was := len(f.raw)
	f.raw = slices.Replace(f.raw, from, to, entry...)
	d := binary.AppendUvarint(binary.AppendUvarint(nil, uint64(was)), uint64(len(f.raw)))
	d = appendCopy(d, 0, from)
	d = append(append(d, byte(len(entry))), entry...)
	f.delta = appendCopy(d, to, was-to)
}

// appendCopy appends the parts of a delta that copy from its base.
func appendCopy(d []byte, at, n int) []byte {
	for n > 0 {
		k := min(n, 0xffff)
		d = append(d, 0x80|0x0f|0x30, byte(at), byte(at>>8), byte(at>>16), byte(at>>24), byte(k), byte(k>>8))
		at, n = at+k, n-k
	}
	return d
}

// folder stores a folder, after each set.
func (p *pack) folder(f *folder) (object.Hash, error) {
	h := object.Sum(object.TypeTree, f.raw)
	switch {
	case h == f.hash: // nothing has changed
		return h, nil
	case p.known[h]:
		f.at = 0 // the next one is stored whole, since where this one lies is not known
		return h, nil
	}
	const chain = 50 // as long as git makes them
	at := p.at
	if f.at == 0 || f.depth == chain {
		f.at, f.depth = at, 0
		return h, p.entry(h, byte(object.TypeTree), 0, f.raw)
	}
	back := at - f.at
	f.at, f.depth = at, f.depth+1
	return h, p.entry(h, offsetDelta, back, f.delta)
}

// finish fills in the number of objects, and writes checksum and index.
func (p *pack) finish() error {
	if err := p.out.Flush(); err != nil {
		return err
	}
	var n [4]byte
	binary.BigEndian.PutUint32(n[:], uint32(len(p.known)))
	if _, err := p.file.WriteAt(n[:], 8); err != nil {
		return err
	}
	if _, err := p.file.Seek(0, io.SeekStart); err != nil {
		return err
	}
	var sum hash.Hash = sha1.New()
	if _, err := io.Copy(sum, p.file); err != nil {
		return err
	}
	var check object.Hash
	sum.Sum(check[:0])
	if _, err := p.file.Write(check[:]); err != nil {
		return err
	}
	tmp := p.file.Name()
	if err := p.file.Close(); err != nil {
		return err
	}
	var b bytes.Buffer
	if err := gitpack.WriteIndex(&b, p.list, check); err != nil {
		return err
	}
	name := filepath.Join(p.dir, "pack-"+check.String())
	if err := os.WriteFile(name+".idx", b.Bytes(), 0o444); err != nil {
		return err
	}
	return errors.Join(os.Chmod(tmp, 0o444), os.Rename(tmp, name+".pack"))
}

// abandon removes an unfinished pack.
func (p *pack) abandon() {
	p.file.Close()
	os.Remove(p.file.Name())
}

// tree stores a tree.
func (p *pack) tree(entries []object.TreeEntry) (object.Hash, error) {
	slices.SortFunc(entries, func(a, b object.TreeEntry) int { return strings.Compare(a.SortKey(), b.SortKey()) })
	var b []byte
	for _, e := range entries {
		b = object.AppendTreeEntry(b, e)
	}
	return p.add(object.TypeTree, b)
}

// commit stores a commit.
func (p *pack) commit(tree, parent object.Hash, author, committer gitstore.Ident, message string) (object.Hash, error) {
	var b bytes.Buffer
	fmt.Fprintf(&b, "tree %s\n", tree)
	if !parent.IsZero() {
		fmt.Fprintf(&b, "parent %s\n", parent)
	}
	for _, w := range []struct {
		role string
		who  gitstore.Ident
	}{{"author", author}, {"committer", committer}} {
		fmt.Fprintf(&b, "%s %s <%s> %d %s\n", w.role, w.who.Name, w.who.Email, w.who.When.Unix(), w.who.When.Format("-0700"))
	}
	b.WriteString("\n" + message)
	return p.add(object.TypeCommit, b.Bytes())
}
