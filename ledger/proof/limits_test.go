package proof

import (
	"archive/zip"
	"bytes"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// hostile are packets that are small and made to take a reader down.
var hostile = []struct {
	name string
	make func(t *testing.T, f *forgery) []byte
}{
	{"a record of four million brackets", func(t *testing.T, f *forgery) []byte {
		return f.with(gitobj.ModeFile, "2031-03-04-note-abcd.toml", "x = "+strings.Repeat("[", 4<<20))
	}},
	{"an instrument of a hundred thousand brackets", func(t *testing.T, f *forgery) []byte {
		return f.with(gitobj.ModeFile, "instrument.toml", "x = "+strings.Repeat("[", 100_000))
	}},
	{"a record of nested tables", func(t *testing.T, f *forgery) []byte {
		return f.with(gitobj.ModeFile, "2031-03-04-note-abcd.toml", "x = "+strings.Repeat("{a=", 46_000))
	}},
	{"a record of dotted keys", func(t *testing.T, f *forgery) []byte {
		return f.with(gitobj.ModeFile, "2031-03-04-note-abcd.toml", strings.Repeat("a.", 46_000)+"a = 1\n")
	}},
	{"a statement of nested tables", func(t *testing.T, f *forgery) []byte {
		s := f.seals()[1]
		text := append(bytes.Clone(s.Message), "x = "+strings.Repeat("{a=", 46_000)...)
		raw := fmt.Appendf(nil, "object %s\ntype commit\ntag seal/%s/3-%s\ntagger M <m@h.example> %d +0100\n\n%s", s.Statement.Head, lw, Digest(text)[:8], benchDay.Unix(), text)
		raw = append(raw, must(f.by.Sign("git", raw))...)
		f.refs = append(f.refs, Ref{TagRefs + "seal/" + lw + "/3-" + Digest(text)[:8], f.put(object.TypeTag, raw)})
		return f.pack()
	}},
	{"a packet's note of nested tables", func(t *testing.T, f *forgery) []byte {
		f.files[PacketFile] = append(f.files[PacketFile], "x = "+strings.Repeat("{a=", 46_000)...)
		return f.sign()
	}},
	{"three hundred commits over twenty thousand files", func(t *testing.T, f *forgery) []byte {
		blob := f.put(object.TypeBlob, []byte("x"))
		var e []gitobj.Entry
		for i := range 20_000 {
			e = append(e, gitobj.Entry{Mode: gitobj.ModeFile, Name: fmt.Sprintf("f%05d", i), ID: blob})
		}
		many := f.tree(e)
		for i := range 300 {
			top := f.tree(sorted(append(slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return e.Name == "files" }),
				gitobj.Entry{Mode: gitobj.ModeTree, Name: "files", ID: many},
				gitobj.Entry{Mode: gitobj.ModeFile, Name: fmt.Sprintf("2031-03-05-note-%s.toml", letters(i)), ID: f.put(object.TypeBlob, fmt.Appendf(nil, "kind = \"note\"\ndate = 2031-03-05\nby = \"mw\"\nnote = \"%d\"\n", i))})))
			f.commit(top, []object.Hash{f.head()}, "2031-03-05 note\n")
		}
		f.reseal(func(st *Statement) { st.Objects++ })
		return f.pack()
	}},
	{"a hundred commits that each change five thousand files", func(t *testing.T, f *forgery) []byte {
		for i := range 100 {
			blob := f.put(object.TypeBlob, []byte{byte(i)})
			var e []gitobj.Entry
			for k := range 5_000 {
				e = append(e, gitobj.Entry{Mode: gitobj.ModeFile, Name: fmt.Sprintf("f%05d", k), ID: blob})
			}
			f.commit(f.tree(sorted(append(slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return e.Name == "files" }),
				gitobj.Entry{Mode: gitobj.ModeTree, Name: "files", ID: f.tree(e)}))), []object.Hash{f.head()}, "2031-03-05 note\n")
		}
		f.reseal(nil)
		return f.pack()
	}},
	{"ten thousand bad names", func(t *testing.T, f *forgery) []byte {
		blob := f.put(object.TypeBlob, []byte("x"))
		e := f.folder()
		for i := range 10_000 {
			e = append(e, gitobj.Entry{Mode: gitobj.ModeFile, Name: fmt.Sprintf("bad name %05d%s", i, strings.Repeat("x", 200)), ID: blob})
		}
		return f.entries(sorted(e))
	}},
	{"bad names in every commit", func(t *testing.T, f *forgery) []byte {
		blob := f.put(object.TypeBlob, []byte("x"))
		for i := range 500 {
			f.commit(f.tree(sorted(append(f.folder(), gitobj.Entry{Mode: gitobj.ModeFile, Name: fmt.Sprintf("bad name %05d", i), ID: blob}))), []object.Hash{f.head()}, "x\n")
		}
		f.reseal(nil)
		return f.pack()
	}},
	{"two hundred unsigned seals over two thousand files", func(t *testing.T, f *forgery) []byte {
		var e []gitobj.Entry
		for k := range 2_000 {
			e = append(e, gitobj.Entry{Mode: gitobj.ModeFile, Name: fmt.Sprintf("f%05d", k), ID: f.put(object.TypeBlob, fmt.Append(nil, k))})
		}
		f.commit(f.tree(sorted(append(slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return e.Name == "files" }),
			gitobj.Entry{Mode: gitobj.ModeTree, Name: "files", ID: f.tree(e)}))), []object.Hash{f.head()}, "x\n")
		st := *f.seals()[1].Statement
		st.Supersedes, st.Number, st.Head = nil, 1, f.head().String()
		for i := range 190 {
			st.Shop.Contact = fmt.Sprint(i)
			text := st.Encode()
			name := SealTag(&st, text)
			f.refs = append(f.refs, Ref{TagRefs + name, f.put(object.TypeTag, fmt.Appendf(nil, "object %s\ntype commit\ntag %s\ntagger M <m@h.example> %d +0100\n\n%s", st.Head, name, st.Sealed.Unix(), text))})
		}
		return f.pack()
	}},
	{"thousands of seals", func(t *testing.T, f *forgery) []byte {
		s := f.seals()[0]
		for i := range 900 {
			f.refs = append(f.refs, Ref{fmt.Sprintf("%sseal/%s/%d-%s", TagRefs, lw, i+5, s.Name[len(s.Name)-8:]), s.ID})
		}
		f.history = true
		return f.pack()
	}},
	{"a page that says it unpacks without end", func(t *testing.T, f *forgery) []byte {
		data := f.zip()
		at := bytes.Index(data, []byte(zipCentral))
		copy(data[at+24:], "\xf0\xff\xff\x7f")
		return data
	}},
	{"a bundle that unpacks without end", func(t *testing.T, f *forgery) []byte {
		f.files[BundleFile] = nil
		return rezip(t, f.zip(), func(z *zip.Writer, name string, data []byte) {
			if name == BundleFile {
				data = make([]byte, MaxBundle+1)
			}
			zipIn(t, z, &zip.FileHeader{Name: name, Method: zip.Deflate}, data)
		})
	}},
	{"objects of zeros", func(t *testing.T, f *forgery) []byte {
		f.extra = true
		for i := range 13 {
			data := make([]byte, 8<<20)
			data[0] = byte(i)
			f.put(object.TypeBlob, data)
		}
		return f.pack()
	}},
	{"many objects", func(t *testing.T, f *forgery) []byte {
		f.extra = true
		for i := range MaxObjects {
			f.put(object.TypeBlob, fmt.Append(nil, i))
		}
		return f.pack()
	}},
	{"large records without end", func(t *testing.T, f *forgery) []byte {
		for i := range 26 {
			f.commit(f.tree(sorted(append(slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return e.Name == "2031-03-04-note-abcd.toml" }),
				gitobj.Entry{Mode: gitobj.ModeFile, Name: "2031-03-04-note-abcd.toml", ID: f.put(object.TypeBlob, fmt.Appendf(nil, "kind = \"note\"\ndate = 2031-03-04\nby = \"mw\"\nnote = %q\n", strings.Repeat("x", schema.MaxSize-200)+fmt.Sprint(i)))}))),
				[]object.Hash{f.head()}, "x\n")
		}
		f.reseal(nil)
		return f.pack()
	}},
	{"a zip of a million entries", func(t *testing.T, f *forgery) []byte {
		one := make([]byte, 46+1)
		copy(one, "PK\x01\x02")
		one[28], one[46] = 1, 'a'
		list := bytes.Repeat(one, 1_000_000)
		n := len(list)
		end := append([]byte("PK\x05\x06\x00\x00\x00\x00\xff\xff\xff\xff"), byte(n), byte(n>>8), byte(n>>16), byte(n>>24))
		return append(append(list, end...), 0, 0, 0, 0, 0, 0)
	}},
	{"sums of a million lines", func(t *testing.T, f *forgery) []byte {
		f.files[SumsFile] = bytes.Repeat([]byte(strings.Repeat("0", 64)+"  a\n"), 50_000)
		f.files[SumsSigFile] = must(f.by.Sign(PacketNamespace, f.files[SumsFile]))
		return f.zip()
	}},
	{"claims of a hundred thousand keys", func(t *testing.T, f *forgery) []byte {
		f.files[ClaimsFile] = bytes.Repeat([]byte("m@h.example "+gitobj.Authorized(newKey(t, "ed25519").PublicKey())+"\n"), 40_000)
		return f.sign()
	}},
	{"a signature of four megabytes", func(t *testing.T, f *forgery) []byte {
		f.files[SumsFile] = f.sums()
		f.files[SumsSigFile] = []byte("-----BEGIN SSH SIGNATURE-----\n" + strings.Repeat("QUJD\n", 800_000) + "-----END SSH SIGNATURE-----\n")
		return f.zip()
	}},
}

// TestHostilePackets has small packets made to do harm verified: each is broken,
// within bounds, and a screen of findings says why.
func TestHostilePackets(t *testing.T) {
	owner := newKey(t, "ed25519")
	_, two := sold(t, owner, "played for a week")
	for _, c := range hostile {
		t.Run(c.name, func(t *testing.T) {
			packet := c.make(t, forge(t, two, owner))
			runtime.GC()
			var was, is runtime.MemStats
			runtime.ReadMemStats(&was)
			v := VerifyBytes(packet, trusting(owner))
			runtime.ReadMemStats(&is)
			t.Logf("%d bytes, %d MB taken", len(packet), (is.TotalAlloc-was.TotalAlloc)>>20)
			if v.Verdict != Broken {
				t.Errorf("the verdict is %q\n%s", v.Verdict, flaws(v))
			}
			if len(v.Flaws) > 2*maxShown || v.FlawCount < 1 {
				t.Errorf("%d findings are shown, of %d", len(v.Flaws), v.FlawCount)
			}
			if n := len(flaws(v)); n > 40<<10 {
				t.Errorf("the findings have %d bytes", n)
			}
			if grown := (is.TotalAlloc - was.TotalAlloc) >> 20; grown > 1200 {
				t.Errorf("it took %d MB, one after the other", grown)
			}
		})
	}
}
