package proof

import (
	"archive/zip"
	"bytes"
	"crypto/sha1"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
)

func testFS(dir fs.FS, names ...string) error { return fstest.TestFS(dir, names...) }

// FuzzBundle looks for bundles that upset the reader or the checks behind it.
func FuzzBundle(f *testing.F) {
	k := newKey(f, "ed25519")
	s := newShop(f, k)
	s.seal()
	f.Add(must(HistoryBundle(s.reached(), s.seals)))
	f.Fuzz(func(t *testing.T, data []byte) {
		// The checksum would keep every change out: put it right.
		if i := bytes.Index(data, []byte("PACK")); i >= 0 && len(data) >= i+32 {
			sum := sha1.Sum(data[i : len(data)-20])
			data = append(bytes.Clone(data[:len(data)-20]), sum[:]...)
		}
		b, err := ReadBundle(data)
		if err != nil {
			return
		}
		for h, o := range b.Objects {
			if o.Hash() != h {
				t.Fatalf("%s is called %s", o.Hash(), h)
			}
		}
		var out bytes.Buffer
		if err := WriteBundle(&out, b.Refs, b.Objects); err != nil {
			t.Fatal(err)
		}
		if again, err := ReadBundle(out.Bytes()); err != nil || len(again.Objects) != len(b.Objects) || len(again.Refs) != len(b.Refs) {
			t.Fatalf("read again: %v", err)
		}
		VerifyBundle(data, Options{})
	})
}

// FuzzZip looks for zips that upset the reader, and for such as another reader
// takes for other files.
func FuzzZip(f *testing.F) {
	files := map[string][]byte{}
	for _, n := range packetFiles {
		files[n] = []byte(n)
	}
	whole := must(writePacket(files, benchDay))
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Add(rezip(f, whole, func(z *zip.Writer, name string, data []byte) {
		zipIn(f, z, &zip.FileHeader{Name: "packet/" + name, Method: zip.Deflate}, data)
	}))
	f.Add([]byte("PK\x05\x06" + strings.Repeat("\x00", 18)))
	f.Fuzz(func(t *testing.T, data []byte) {
		list, err := readZip(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return
		}
		z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
		if err != nil && err != zip.ErrInsecurePath {
			return // stricter still
		}
		theirs := map[string]bool{}
		for _, f := range z.File {
			if !strings.HasSuffix(f.Name, "/") {
				theirs[f.Name] = true
			}
		}
		if len(theirs) != len(list) {
			t.Fatalf("%d files here, %d for another reader", len(list), len(theirs))
		}
		for _, f := range list {
			if !theirs[f.name] {
				t.Fatalf("another reader has no %q", f.name)
			}
		}
		readEnvelope(list, false)
		VerifyBytes(data, Options{})
	})
}

// FuzzTexts looks for texts that upset their readers. What is read is written and
// read again as the same.
func FuzzTexts(f *testing.F) {
	k, next := newKey(f, "ed25519"), newKey(f, "ed25519")
	s := newShop(f, k)
	s.rotations = []SignedRotation{*must(Rotate(halden, k, next, s.now))}
	st := s.statement()
	f.Add(st.Encode())
	f.Add((&PacketNote{Format: 1, Kind: "packet", UUID: lwUUID, SealSHA256: strings.Repeat("a", 64), Made: benchDay, Rotations: s.rotations}).encode())
	f.Add([]byte(s.rotations[0].Encode()))
	f.Add(encodeSums(map[string]string{GuideFile: strings.Repeat("a", 64)}))
	f.Add([]byte("m@h.example namespaces=\"git\" " + gitobj.Authorized(k.PublicKey()) + "\n"))
	f.Add([]byte("{\"schema\": 1, \"records\": [{\"name\": \"x\"}]}"))
	f.Add([]byte("a = \"\"\"[[[\\\"\"\"\" # {{{\n[a.b]\nc = [{d = 1}]\n"))
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
		if p, err := parsePacketNote(data); err == nil {
			if again, err := parsePacketNote(p.encode()); err != nil || !bytes.Equal(again.encode(), p.encode()) {
				t.Fatalf("%v", err)
			}
		}
		if sums, err := parseSums(data); err == nil {
			if again, err := parseSums(encodeSums(sums)); err != nil || len(again) != len(sums) {
				t.Fatalf("%v", err)
			}
		}
		ParseRotation(data)
		ParseSigners("signers", data)
		ParseRevoked("revoked", data)
		readJSON(data)
		CheckNesting(data)
	})
}

// FuzzObjects looks for commits, trees and tags that upset their readers.
func FuzzObjects(f *testing.F) {
	s := newShop(f, newKey(f, "ed25519"))
	x := s.seal()
	f.Add(s.objects[s.head].Data)
	f.Add(s.objects[must(Tree(s.objects, s.head))].Data)
	f.Add(s.objects[x.ID].Data)
	f.Fuzz(func(t *testing.T, data []byte) {
		if c, err := gitobj.ParseCommit(data); err == nil {
			c.Key()
		}
		if entries, err := gitobj.ParseTree(data); err == nil && !bytes.Equal(encodeTree(entries), data) {
			t.Fatal("a tree is read as another one")
		}
		ParseSeal(x.Name, object.ZeroHash, data)
	})
}
