package pack

import (
	"bytes"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
)

// generous are the limits of a bundle's reader.
var generous = Limits{Objects: 200_000, Object: 64 << 20, Inflated: 512 << 20, Depth: 250}

// packed is one entry of a pack: its head, what stands between, its body
// compressed.
func packed(typ object.Type, size int, middle, body []byte) []byte {
	var z bytes.Buffer
	w := zlib.NewWriter(&z)
	w.Write(body)
	w.Close()
	return append(append(entryHead(typ, int64(size)), middle...), z.Bytes()...)
}

// packOf puts entries into a pack with the right checksum.
func packOf(announce int, entries ...[]byte) []byte {
	pack := packHead(announce)
	for _, e := range entries {
		pack = append(pack, e...)
	}
	sum := sha1.Sum(pack)
	return append(pack, sum[:]...)
}

// deltaOn copies a base of a size whole and adds a letter.
func deltaOn(size int) []byte {
	d := binary.AppendUvarint(nil, uint64(size))
	d = binary.AppendUvarint(d, uint64(size+1))
	d = append(d, 0x80|0x10|0x20, byte(size), byte(size>>8))
	return append(d, 1, 'x')
}

func onBack(base []byte, delta []byte) []byte {
	return packed(offsetDelta, len(delta), backOffset(int64(len(base))), delta)
}

var abc = object.Object{Type: object.TypeBlob, Data: []byte("abc")}

func onName(name object.Hash, delta []byte) []byte {
	return packed(nameDelta, len(delta), name[:], delta)
}

// deep is a pack with a chain of n deltas.
func deep(n int) []byte {
	entries := [][]byte{packed(abc.Type, 3, nil, abc.Data)}
	for i := range n {
		entries = append(entries, onBack(entries[i], deltaOn(3+i)))
	}
	return packOf(len(entries), entries...)
}

// TestReadRefuses feeds the reader packs made to hurt it.
func TestReadRefuses(t *testing.T) {
	t.Parallel()
	base := packed(abc.Type, 3, nil, abc.Data)
	huge := binary.AppendUvarint(binary.AppendUvarint(nil, 3), 1<<40)
	large := binary.AppendUvarint(binary.AppendUvarint(nil, 3), 1<<29)
	over := binary.AppendUvarint(binary.AppendUvarint(nil, 3), 9)
	other := deltaOn(4)
	damaged := packOf(1, base)
	damaged[headLen+2] ^= 1
	zeros := packed(object.TypeBlob, 10, nil, make([]byte, 1<<20))
	for _, c := range []struct {
		name string
		data []byte
		want string // "": it is read
	}{
		{"one object", packOf(1, base), ""},
		{"no object", packOf(0), ""},
		{"a chain of deltas", deep(50), ""},
		{"a delta by name", packOf(2, base, onName(abc.Hash(), deltaOn(3))), ""},
		{"a delta by name before its base", packOf(2, onName(abc.Hash(), deltaOn(3)), base), ""},
		{"nothing", nil, "not a git pack"},
		{"text", []byte(strings.Repeat("text", 20)), "not a git pack"},
		{"a changed byte", damaged, "checksum does not match"},
		{"version 3", append([]byte("PACK\x00\x00\x00\x03"), make([]byte, 24)...), "only version 2"},
		{"deltas too deep", deep(generous.Depth + 1), "more than 250 deltas on top of each other"},
		{"a bomb that says its size", packOf(1, packed(object.TypeBlob, int(generous.Object)+1, nil, nil)), "more than 67108864 bytes in one object"},
		{"a bomb that does not", packOf(1, zeros), "at byte 12: it has more than the 10 bytes"},
		{"an object shorter than it says", packOf(1, packed(object.TypeBlob, 10, nil, []byte("abc"))), "fewer than the 10 bytes"},
		{"a size without end", packOf(1, append(bytes.Repeat([]byte{0xbf}, 12), 1)), "too large to be true"},
		{"a delta that unfolds", packOf(2, base, onBack(base, huge)), "more than 1073741824 cannot be read"},
		{"a delta that unfolds less", packOf(2, base, onBack(base, large)), "bytes in one object"},
		{"a delta for another base", packOf(2, base, onBack(base, other)), "does not fit its base"},
		{"a delta without sizes", packOf(2, base, onBack(base, []byte{0x80})), "does not say how long"},
		{"a delta that copies from beyond its base", packOf(2, base, onBack(base, append(over, 0x90, 9))), "does not fit its base"},
		{"a delta that repeats nothing", packOf(2, base, onBack(base, append(over, 0))), "does not fit its base"},
		{"a delta that makes too little", packOf(2, base, onBack(base, append(over, 1, 'x'))), "does not fit its base"},
		{"a delta that makes too much", packOf(2, base, onBack(base, append(over, append([]byte{10}, "0123456789"...)...))), "does not fit its base"},
		{"a delta cut in a copy", packOf(2, base, onBack(base, append(over, 0x91))), "does not fit its base"},
		{"a delta of an object outside", packOf(1, onName(object.ZeroHash, deltaOn(3))), "deltas to objects that it does not hold"},
		{"a delta to itself", packOf(1, packed(offsetDelta, 5, []byte{0}, deltaOn(3))), "delta to itself"},
		{"a delta to the middle of an object", packOf(2, base, packed(offsetDelta, 5, []byte{1}, deltaOn(3))), "no object begins where its base should be"},
		{"a delta to before the pack", packOf(1, packed(offsetDelta, 5, bytes.Repeat([]byte{0xff}, 10), deltaOn(3))), "before the pack"},
		{"a million objects", packOf(1_000_000), "more than 200000 objects"},
		{"more objects than are there", packOf(2, base), "unexpected EOF"},
		{"fewer objects than are there", packOf(1, base, base), "more bytes follow the pack's last object"},
		{"an unknown kind", packOf(1, packed(5, 3, nil, []byte("abc"))), "objects of type 5 are unknown"},
	} {
		_, err := Read(c.data, generous)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// TestReadLimits: each limit allows exactly what it says. Objects that are small
// one by one are bounded together, deltas by what they unfold to.
func TestReadLimits(t *testing.T) {
	t.Parallel()
	base := packed(abc.Type, 3, nil, abc.Data)
	d := deltaOn(3)
	for _, c := range []struct {
		what    string
		entries [][]byte
		limits  Limits
		less    func(*Limits)
	}{
		{"bytes inflated", [][]byte{base, base, base}, Limits{3, 3, 9, 0}, func(l *Limits) { l.Inflated-- }},
		{"bytes inflated", [][]byte{base, onBack(base, d)}, Limits{2, int64(len(d)), int64(3 + len(d) + 4), 1}, func(l *Limits) { l.Inflated-- }},
		{"objects", [][]byte{base, base}, Limits{2, 3, 6, 0}, func(l *Limits) { l.Objects-- }},
		{"bytes in one object", [][]byte{base}, Limits{1, 3, 6, 0}, func(l *Limits) { l.Object-- }},
		{"deltas on top of each other", [][]byte{base, onBack(base, d)}, Limits{2, 100, 100, 1}, func(l *Limits) { l.Depth-- }},
	} {
		data := packOf(len(c.entries), c.entries...)
		if _, err := Read(data, c.limits); err != nil {
			t.Errorf("%s, %+v: %v", c.what, c.limits, err)
		}
		c.less(&c.limits)
		_, err := Read(data, c.limits)
		if e, ok := errors.AsType[*LimitError](err); !ok || e.What != c.what {
			t.Errorf("%s, %+v: %v", c.what, c.limits, err)
		}
	}
}

// stockGit runs stock git in a folder, without anybody's configuration.
func stockGit(t testing.TB, dir string, stdin []byte, args ...string) []byte {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("stock git is not installed")
		}
		t.Skip("stock git is not installed; this test compares with it")
	}
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "GIT_CONFIG_GLOBAL="+os.DevNull, "LC_ALL=C",
		"GIT_AUTHOR_NAME=Ines Marlow", "GIT_AUTHOR_EMAIL=ines@halden.example", "GIT_COMMITTER_NAME=Ines Marlow", "GIT_COMMITTER_EMAIL=ines@halden.example")
	cmd.Stdin = bytes.NewReader(stdin)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, complaint.String())
	}
	return out
}

// growing makes a repository of commits of a file that grows, so that git packs it
// as deltas, and returns the names of all objects.
func growing(t testing.TB, commits int) (dir string, names []string) {
	t.Helper()
	dir = t.TempDir()
	stockGit(t, dir, nil, "init", "-q", "-b", "main")
	stockGit(t, dir, nil, "config", "gc.auto", "0")
	var text strings.Builder
	for i := range commits {
		fmt.Fprintf(&text, "line %d of a file that grows and grows, so that git packs it as deltas\n", i)
		for j := range 20 {
			fmt.Fprintf(&text, "%d %d\n", i, j*j)
		}
		if err := os.WriteFile(filepath.Join(dir, "f.toml"), []byte(text.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		stockGit(t, dir, nil, "add", ".")
		stockGit(t, dir, nil, "commit", "-qm", fmt.Sprint(i))
	}
	stockGit(t, dir, nil, "tag", "-am", "a tag", "v1")
	return dir, strings.Fields(string(stockGit(t, dir, nil, "rev-list", "--objects", "--no-object-names", "--all")))
}

// TestReadsWhatGitWrites reads packs of stock git, with deltas by place and by
// name, and has git read what is written here.
func TestReadsWhatGitWrites(t *testing.T) {
	t.Parallel()
	dir, names := growing(t, 12)
	list := []byte(strings.Join(names, "\n") + "\n")
	slices.Sort(names)
	for _, args := range [][]string{{"--delta-base-offset"}, {"--no-delta-base-offset"}} {
		data := stockGit(t, dir, list, append([]string{"pack-objects", "-q", "--stdout"}, args...)...)
		objects, err := Read(data, generous)
		if err != nil {
			t.Fatalf("%v: %v", args, err)
		}
		var got []string
		for h, o := range objects {
			got = append(got, h.String())
			if o.Hash() != h {
				t.Errorf("%s is called %s", o.Hash(), h)
			}
		}
		if slices.Sort(got); !slices.Equal(got, names) {
			t.Errorf("%v: %d objects were read, of %d", args, len(got), len(names))
		}
		var out, again bytes.Buffer
		if err := errors.Join(Write(&out, objects), Write(&again, maps.Clone(objects))); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(out.Bytes(), again.Bytes()) {
			t.Error("the same objects give other bytes the second time")
		}
		other := t.TempDir()
		stockGit(t, other, nil, "init", "-q")
		stockGit(t, other, out.Bytes(), "unpack-objects", "-q", "--strict")
		stockGit(t, other, nil, "fsck", "--strict", "--no-dangling")
		if n := len(strings.Fields(string(stockGit(t, other, nil, "cat-file", "--batch-all-objects", "--batch-check=%(objectname)")))); n != len(names) {
			t.Errorf("git unpacks %d objects of %d", n, len(names))
		}
	}
}

// FuzzRead looks for bytes that upset the reader. What it takes it must write and
// read again.
func FuzzRead(f *testing.F) {
	base := packed(abc.Type, 3, nil, abc.Data)
	f.Add(packOf(1, base))
	f.Add(packOf(2, base, onBack(base, deltaOn(3))))
	f.Add(packOf(2, onName(abc.Hash(), deltaOn(3)), base))
	f.Add(deep(5))
	f.Add(packOf(0))
	f.Fuzz(func(t *testing.T, data []byte) {
		// The checksum would keep every change out: put it right.
		if len(data) >= headLen+tailLen {
			sum := sha1.Sum(data[:len(data)-tailLen])
			data = append(bytes.Clone(data[:len(data)-tailLen]), sum[:]...)
		}
		limits := Limits{Objects: 1000, Object: 1 << 20, Inflated: 4 << 20, Depth: 50}
		objects, err := Read(data, limits)
		if err != nil {
			return
		}
		total := 0
		for h, o := range objects {
			if total += len(o.Data); o.Hash() != h {
				t.Fatalf("%s is called %s", o.Hash(), h)
			}
		}
		if total > 4<<20 {
			t.Fatalf("%d bytes were inflated", total)
		}
		var out bytes.Buffer
		if err := Write(&out, objects); err != nil {
			t.Fatal(err)
		}
		again, err := Read(out.Bytes(), limits)
		if err != nil || len(again) != len(objects) {
			t.Fatalf("read again: %d of %d objects, %v", len(again), len(objects), err)
		}
	})
}

// TestScanLookupFile: a pack in a file is listed as git index-pack lists it, and
// each object can be read by either way of looking it up.
func TestScanLookupFile(t *testing.T) {
	t.Parallel()
	dir, names := growing(t, 12)
	list := []byte(strings.Join(names, "\n") + "\n")
	for _, args := range [][]string{{"--delta-base-offset"}, {"--no-delta-base-offset"}} {
		data := stockGit(t, dir, list, append([]string{"pack-objects", "-q", "--stdout"}, args...)...)
		r := bytes.NewReader(data)
		entries, sum, err := Scan(r, int64(len(data)), 1<<10)
		if err != nil {
			t.Fatal(err)
		}
		var idx bytes.Buffer
		if err := WriteIndex(&idx, entries, sum); err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(t.TempDir(), "a.pack")
		if err := os.WriteFile(name, data, 0o666); err != nil {
			t.Fatal(err)
		}
		stockGit(t, dir, nil, "index-pack", "-o", name+".idx", name)
		if theirs, err := os.ReadFile(name + ".idx"); err != nil || !bytes.Equal(theirs, idx.Bytes()) {
			t.Errorf("%v: the index is not as git makes it (%v)", args, err)
		}
		x, err := ParseIndex(idx.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		file := NewFile(x, r, int64(len(data)), 1<<20)
		few, err := NewLookup(bytes.NewReader(idx.Bytes()), r, 1<<20)
		if err != nil {
			t.Fatal(err)
		}
		if x.Len() != len(names) || file.Size() != int64(len(data)) {
			t.Errorf("%d objects of %d, %d bytes of %d", x.Len(), len(names), file.Size(), len(data))
		}
		for _, n := range names {
			h := object.NewHash(n)
			at, err := few.Find(h)
			if i := x.Find(h); err != nil || i < 0 || x.Name(i) != h || x.Offset(i) != at {
				t.Fatalf("%s is found at %d, %v", n, at, err)
			}
			a, err1 := few.Object(at)
			b, err2 := file.Object(at)
			if err := errors.Join(err1, err2); err != nil || a.Hash() != h || b.Hash() != h {
				t.Errorf("%s reads as %s and %s: %v", n, a.Hash(), b.Hash(), err)
			}
		}
		absent := object.Sum(object.TypeBlob, []byte("absent"))
		if _, err := few.Find(absent); !errors.Is(err, ErrNotHere) || x.Find(absent) >= 0 {
			t.Errorf("an object that is not there is found: %v", err)
		}
	}
}

// TestWriter: what a Writer writes, whole, as deltas and copied, git takes.
func TestWriter(t *testing.T) {
	t.Parallel()
	dir, names := growing(t, 12)
	data := stockGit(t, dir, []byte(strings.Join(names, "\n")+"\n"), "pack-objects", "-q", "--stdout", "--no-delta-base-offset")
	entries, sum, err := Scan(bytes.NewReader(data), int64(len(data)), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	var idx bytes.Buffer
	if err := WriteIndex(&idx, entries, sum); err != nil {
		t.Fatal(err)
	}
	x, err := ParseIndex(idx.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	whole := object.Object{Type: object.TypeBlob, Data: []byte(strings.Repeat("x", 300))}
	longer := object.Object{Type: object.TypeBlob, Data: append(bytes.Clone(whole.Data), 'x')}
	var out bytes.Buffer
	w, err := NewWriter(&out, len(names)+2)
	if err != nil {
		t.Fatal(err)
	}
	var want []object.Hash
	for _, n := range names {
		want = append(want, object.NewHash(n))
	}
	rest, err := w.Copy([]*File{NewFile(x, bytes.NewReader(data), int64(len(data)), 1<<20)}, append(want, longer.Hash()))
	if err != nil || !slices.Equal(rest, []object.Hash{longer.Hash()}) {
		t.Fatalf("not copied: %v, %v", rest, err)
	}
	if err := w.AddDelta(longer.Hash(), whole.Hash(), deltaOn(300)); err == nil {
		t.Error("a delta is written before its base")
	}
	if err := errors.Join(w.Add(whole.Hash(), whole), w.AddDelta(longer.Hash(), whole.Hash(), deltaOn(300))); err != nil {
		t.Fatal(err)
	}
	list, _, err := w.Close()
	if err != nil || len(list) != len(names)+2 {
		t.Fatalf("%d entries, %v", len(list), err)
	}
	objects, err := Read(out.Bytes(), generous)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range append(want, whole.Hash(), longer.Hash()) {
		if objects[h].Hash() != h {
			t.Errorf("%s is not in the pack", h)
		}
	}
	other := t.TempDir()
	stockGit(t, other, nil, "init", "-q")
	stockGit(t, other, out.Bytes(), "index-pack", "--stdin", "--strict")
	short, err := NewWriter(&out, 1)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := short.Close(); err == nil {
		t.Error("a pack with fewer objects than announced is closed")
	}
}

// TestDamagedIndex: an index that is cut short, or whose table of first bytes is not
// in order, is refused.
func TestDamagedIndex(t *testing.T) {
	t.Parallel()
	var idx bytes.Buffer
	if err := WriteIndex(&idx, []Entry{{Name: abc.Hash(), At: 12}, {At: 1 << 40}}, object.ZeroHash); err != nil {
		t.Fatal(err)
	}
	x, err := ParseIndex(idx.Bytes())
	if err != nil || x.Offset(x.Find(object.ZeroHash)) != 1<<40 || x.Offset(x.Find(abc.Hash())) != 12 {
		t.Fatalf("an entry beyond 2 GiB: %v", err)
	}
	for n := range idx.Len() {
		if _, err := ParseIndex(idx.Bytes()[:n]); err == nil {
			t.Fatalf("%d bytes of %d are taken", n, idx.Len())
		}
	}
	bad := bytes.Clone(idx.Bytes())
	bad[len(indexHead)] = 0x7f
	if _, err := ParseIndex(bad); err == nil {
		t.Error("a table that is not in order is taken")
	}
}

// FuzzScan: whatever comes in for a pack is listed or refused. Read takes no pack
// that Scan refuses.
func FuzzScan(f *testing.F) {
	base := packed(abc.Type, 3, nil, abc.Data)
	bomb := binary.AppendUvarint(binary.AppendUvarint(nil, 3), 1<<62)
	f.Add(packOf(1, base))
	f.Add(packOf(2, base, onBack(base, deltaOn(3))))
	f.Add(packOf(2, onName(abc.Hash(), deltaOn(3)), base))
	f.Add(packOf(2, base, onBack(base, append(bomb, 3, 'a', 'b', 'c'))))
	f.Add(deep(5))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) < headLen+tailLen {
			return
		}
		// The checksum would keep every change out: put it right.
		sum := sha1.Sum(data[:len(data)-tailLen])
		data = append(bytes.Clone(data[:len(data)-tailLen]), sum[:]...)
		entries, _, err := Scan(bytes.NewReader(data), int64(len(data)), 1<<20)
		objects, readErr := Read(data, Limits{Objects: 1000, Object: 1 << 20, Inflated: 4 << 20, Depth: 50})
		if err != nil {
			if readErr == nil {
				t.Fatalf("Read takes what Scan refuses: %v", err)
			}
			return
		}
		for _, e := range entries {
			if e.Name.IsZero() || e.At < headLen || e.At >= int64(len(data)) {
				t.Fatalf("an object %s at %d", e.Name, e.At)
			}
			if _, ok := objects[e.Name]; readErr == nil && !ok {
				t.Fatalf("Read did not return %s", e.Name)
			}
		}
	})
}
