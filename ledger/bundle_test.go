package ledger

import (
	"bytes"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
)

// packed is one entry of a pack: its head, what stands between, its body
// compressed.
func packed(typ object.Type, size int, middle, body []byte) []byte {
	var z bytes.Buffer
	w := zlib.NewWriter(&z)
	w.Write(body)
	w.Close()
	return append(append(packEntry(typ, size), middle...), z.Bytes()...)
}

// bundleOf puts entries into a bundle with a right checksum.
func bundleOf(announce int, entries ...[]byte) []byte {
	pack := binary.BigEndian.AppendUint32([]byte("PACK\x00\x00\x00\x02"), uint32(announce))
	for _, e := range entries {
		pack = append(pack, e...)
	}
	sum := sha1.Sum(pack)
	head := bundleHead + strings.Repeat("1", 40) + " HEAD\n\n"
	return append(append([]byte(head), pack...), sum[:]...)
}

// deltaOn copies a base of a size whole and adds a letter.
func deltaOn(size int) []byte {
	d := binary.AppendUvarint(nil, uint64(size))
	d = binary.AppendUvarint(d, uint64(size+1))
	d = append(d, 0x80|0x10|0x20, byte(size), byte(size>>8))
	return append(d, 1, 'x')
}

// TestBundleReaderRefuses feeds the reader packs made to hurt it.
func TestBundleReaderRefuses(t *testing.T) {
	base := packed(object.TypeBlob, 3, nil, []byte("abc"))
	deep := func(n int) []byte {
		entries := [][]byte{base}
		at, size := 12, 3
		for range n {
			d := deltaOn(size)
			e := packed(offsetDelta, len(d), offsetBack(len(entries[len(entries)-1])), d)
			at += len(entries[len(entries)-1])
			entries = append(entries, e)
			size++
		}
		return bundleOf(len(entries), entries...)
	}
	hash := object.Object{Type: object.TypeBlob, Data: []byte("abc")}.Hash()
	huge := binary.AppendUvarint(binary.AppendUvarint(nil, 3), 1<<40)
	over := binary.AppendUvarint(binary.AppendUvarint(nil, 3), 9)
	for _, c := range []struct {
		name string
		data []byte
		want string // "": it is read
	}{
		{"one object", bundleOf(1, base), ""},
		{"a chain of changes", deep(50), ""},
		{"a change by name", bundleOf(2, base, packed(nameDelta, len(deltaOn(3)), hash[:], deltaOn(3))), ""},
		{"a change by name before its base", bundleOf(2, packed(nameDelta, len(deltaOn(3)), hash[:], deltaOn(3)), base), ""},
		{"changes too deep", deep(maxDepth + 1), "too deep"},
		{"a bomb that says its size", bundleOf(1, packed(object.TypeBlob, maxObject+1, nil, nil)), "more than"},
		{"a bomb that does not", bundleOf(1, packed(object.TypeBlob, 10, nil, make([]byte, 1<<20))), "not as long as it says"},
		{"a change that unfolds", bundleOf(2, base, packed(offsetDelta, len(huge), offsetBack(len(base)), huge)), "cannot be applied"},
		{"a change that copies from beyond its base", bundleOf(2, base, packed(offsetDelta, len(over)+2, offsetBack(len(base)), append(over, 0x90, 9))), "cannot be applied"},
		{"a change that repeats nothing", bundleOf(2, base, packed(offsetDelta, len(over)+1, offsetBack(len(base)), append(over, 0))), "cannot be applied"},
		{"a change of an object outside", bundleOf(1, packed(nameDelta, len(deltaOn(3)), make([]byte, 20), deltaOn(3))), "does not hold"},
		{"changes of one another", bundleOf(1, packed(offsetDelta, len(deltaOn(3)), []byte{0}, deltaOn(3))), "change to nothing"},
		{"a million objects", bundleOf(1_000_000), "more than 200000 are not read"},
		{"more objects than are there", bundleOf(2, base), "middle of an object"},
		{"fewer objects than are there", bundleOf(1, base, base), "follow the pack's last object"},
		{"an unknown kind", bundleOf(1, packed(5, 3, nil, []byte("abc"))), "unknown kind"},
		{"no end of its refs", []byte(bundleHead + strings.Repeat("1", 40) + " HEAD"), "no end"},
		{"a ref twice", []byte(bundleHead + strings.Repeat(strings.Repeat("1", 40)+" HEAD\n", 2) + "\n"), "twice"},
		{"version 3", []byte("# v3 git bundle\n@object-format=sha1\n\n"), "version 2"},
		{"many refs", []byte(bundleHead + func() string {
			var b strings.Builder
			for i := range maxRefs + 1 {
				fmt.Fprintf(&b, "%040x refs/heads/%d\n", i, i)
			}
			return b.String() + "\n"
		}()), "more than 10000 refs"},
	} {
		_, err := readBundle(c.data)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// TestPackRoom: objects that are small one by one are bounded together, changes
// by what they unfold to.
func TestPackRoom(t *testing.T) {
	base := packed(object.TypeBlob, 3, nil, []byte("abc"))
	d := deltaOn(3)
	for _, c := range []struct {
		entries [][]byte
		needs   int64
	}{
		{[][]byte{base, base, base}, 9},
		{[][]byte{base, packed(offsetDelta, len(d), offsetBack(len(base)), d)}, int64(3 + len(d) + 4)},
	} {
		data := bundleOf(len(c.entries), c.entries...)
		data = data[bytes.Index(data, []byte("PACK")):]
		if _, err := readPack(data, c.needs); err != nil {
			t.Errorf("%d bytes: %v", c.needs, err)
		}
		if _, err := readPack(data, c.needs-1); !errors.Is(err, errTooLarge) {
			t.Errorf("%d bytes: %v", c.needs-1, err)
		}
	}
}

// offsetBack writes a distance as gitformat-pack(5) has it.
func offsetBack(n int) []byte {
	out := []byte{byte(n & 0x7f)}
	for n >>= 7; n > 0; n >>= 7 {
		n--
		out = append([]byte{0x80 | byte(n&0x7f)}, out...)
	}
	return out
}

// TestBundlesAgreeWithGit reads what git bundle create writes, deltas and all,
// and has git read what is written here.
func TestBundlesAgreeWithGit(t *testing.T) {
	dir := t.TempDir()
	git(t, dir, "init", "-q")
	var text strings.Builder
	for i := range 12 {
		fmt.Fprintf(&text, "line %d of a file that grows and grows, so that git packs it as changes\n", i)
		for j := range 20 {
			fmt.Fprintf(&text, "%d %d\n", i, j*j)
		}
		if err := os.WriteFile(filepath.Join(dir, "f.toml"), []byte(text.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		git(t, dir, "add", ".")
		git(t, dir, "commit", "-qm", fmt.Sprint(i))
	}
	git(t, dir, "tag", "-am", "a tag", "v1")
	git(t, dir, "bundle", "create", "-q", "b", "HEAD", "main", "v1")
	data := must(os.ReadFile(filepath.Join(dir, "b")))
	b, err := readBundle(data)
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Fields(git(t, dir, "rev-list", "--objects", "--no-object-names", "--all"))
	if len(b.objects) != len(want) || len(b.refs) != 3 {
		t.Errorf("%d objects and %d refs were read, of %d", len(b.objects), len(b.refs), len(want))
	}
	for _, h := range want {
		if _, ok := b.objects[object.NewHash(h)]; !ok {
			t.Errorf("%s was not read", h)
		}
	}
	var out bytes.Buffer
	if err := writeBundle(&out, b.refs, b.objects); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "again"), out.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	git(t, dir, "bundle", "verify", "-q", "again")
	git(t, dir, "clone", "-q", "again", "clone")
	if git(t, filepath.Join(dir, "clone"), "rev-parse", "HEAD", "v1") != git(t, dir, "rev-parse", "HEAD", "v1") {
		t.Error("the clone has another head")
	}
	if again := must(readBundle(out.Bytes())); len(again.objects) != len(b.objects) {
		t.Error("what was written is not what is read")
	}
}

// FuzzBundle looks for bytes that upset the reader. What it accepts it must
// write and read again.
func FuzzBundle(f *testing.F) {
	base := packed(object.TypeBlob, 3, nil, []byte("abc"))
	d := deltaOn(3)
	f.Add(bundleOf(1, base))
	f.Add(bundleOf(2, base, packed(offsetDelta, len(d), offsetBack(len(base)), d)))
	hash := object.Object{Type: object.TypeBlob, Data: []byte("abc")}.Hash()
	f.Add(bundleOf(2, base, packed(nameDelta, len(d), hash[:], d)))
	f.Add([]byte(bundleHead + "\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		// The checksum would keep every change out: put it right.
		if i := bytes.Index(data, []byte("PACK")); i >= 0 && len(data) >= i+32 {
			sum := sha1.Sum(data[i : len(data)-20])
			data = append(bytes.Clone(data[:len(data)-20]), sum[:]...)
		}
		b, err := readBundle(data)
		if err != nil {
			return
		}
		for h, o := range b.objects {
			if o.Hash() != h {
				t.Fatalf("%s is called %s", o.Hash(), h)
			}
			linksOf(o)
		}
		var out bytes.Buffer
		if err := writeBundle(&out, b.refs, b.objects); err != nil {
			t.Fatal(err)
		}
		again, err := readBundle(out.Bytes())
		if err != nil || len(again.objects) != len(b.objects) || len(again.refs) != len(b.refs) {
			t.Fatalf("read again: %v", err)
		}
		VerifyBundle(data, VerifyOptions{})
	})
}

// FuzzPacket looks for zips that upset the reader, and for two that would be
// taken for the same files.
func FuzzPacket(f *testing.F) {
	files := map[string][]byte{}
	for _, n := range packetFiles {
		files[n] = []byte(n)
	}
	whole, err := writePacket(files, benchDay)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Add([]byte("PK\x05\x06" + strings.Repeat("\x00", 18)))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := readPacket(data)
		if err != nil {
			return
		}
		if len(got) != len(packetFiles) {
			t.Fatalf("a packet of %d files", len(got))
		}
		VerifyPacket(data, VerifyOptions{})
	})
}

// FuzzStatement looks for statements that upset their readers. A seal's that is
// read is written and read again as the same.
func FuzzStatement(f *testing.F) {
	st := &Statement{Format: 1, Kind: "seal", Unit: lw, UUID: "00000000-0000-4000-8000-000000000000", Number: 1, Root: strings.Repeat("a", 40),
		Head: strings.Repeat("b", 40), Sealed: benchDay, Objects: 3, ObjectsSHA256: strings.Repeat("c", 64), Shop: SealedShop{"Halden Street Workshop", "ring twice"},
		Persons: []Person{{"mw", "Maren Wickstead"}}, Files: map[string]string{"instrument.toml": strings.Repeat("d", 64)}}
	f.Add(st.Encode())
	ps := &PacketStatement{Format: 1, Kind: "packet", UUID: st.UUID, Seal: "seal/" + lw + "/1-00000000", SealSHA256: st.ObjectsSHA256, Head: st.Head, Made: benchDay,
		Rendering: 1, Files: map[string]string{}}
	for _, n := range packetFiles[:len(packetFiles)-2] {
		ps.Files[n] = st.ObjectsSHA256
	}
	f.Add(ps.encode())
	f.Add([]byte("statement = '''\nformat = 1\nkind = \"rotation\"\n'''\nold_signature = [\"x\"]\nnew_signature = []\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if s, err := ParseStatement(data); err == nil {
			text := s.Encode()
			again, err := ParseStatement(text)
			if err != nil {
				t.Fatalf("%v\n%s", err, text)
			}
			if !bytes.Equal(again.Encode(), text) {
				t.Fatalf("written twice it differs:\n%s\n%s", text, again.Encode())
			}
		}
		if s, err := parsePacketStatement(data); err == nil {
			if again, err := parsePacketStatement(s.encode()); err != nil || !bytes.Equal(again.encode(), s.encode()) {
				t.Fatalf("%v", err)
			}
		}
		parseRotation(data)
		parseAdoption("adopted", data)
		ParseSigners("signers", data)
		ParseRevoked("revoked", data)
		parseSeal("seal/"+lw+"/1-00000000", object.ZeroHash, data)
		parseCommit(data)
	})
}

// BenchmarkBundle writes the bundle of a unit of about a hundred objects, here and
// with stock git bundle create.
func BenchmarkBundle(b *testing.B) {
	w := newWorkshop(b)
	k := newKey(b, "ed25519")
	w.signWith(k)
	for i := 0; i < 10; i++ {
		w.job(lw)
		w.close(lw)
		w.later(1)
	}
	w.seal(lw)
	chain := must(w.Seals(lw))
	b.Run("here", func(b *testing.B) {
		for b.Loop() {
			l := must(Open(w.Dir, w.options()))
			chain := must(l.Seals(lw))
			objects, refs, err := l.packetHistory(lw, chain)
			if err != nil {
				b.Fatal(err)
			}
			var out bytes.Buffer
			if err := writeBundle(&out, refs, objects); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(len(objects)), "objects")
			l.Close()
		}
	})
	b.Run("git", func(b *testing.B) {
		for b.Loop() {
			cmd := exec.Command("git", "bundle", "create", "-q", filepath.Join(b.TempDir(), "b"), "unit/"+lw, chain[0].Name)
			cmd.Dir = w.Dir
			if out, err := cmd.CombinedOutput(); err != nil {
				b.Fatalf("%v %s", err, out)
			}
		}
	})
}
