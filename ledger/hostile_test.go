package ledger

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// listing is everything below a folder: names, kinds, sizes and content.
func listing(t testing.TB, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "%s %v", p, d.Type())
		if d.Type().IsRegular() {
			data, err := os.ReadFile(p)
			if err != nil {
				return err
			}
			b.WriteString(" " + Digest(data)[:16])
		}
		b.WriteByte('\n')
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestHostilePackets has packets made to do harm verified and adopted by somebody
// who is careless enough to accept any key. Nothing may be written, inside the
// ledger or beside it, and memory must stay in bounds.
func TestHostilePackets(t *testing.T) {
	shop := newKey(t, "ed25519")
	w := newWorkshop(t)
	w.signWith(shop)
	w.job(lw)
	w.edit(unitDir(lw)+"/files/plan.txt", []byte("a plan"))
	w.add(lw, schema.KindNote, "note = \"with a plan\"\n[[file]]\nfile = \"files/plan.txt\"\n")
	w.save()
	w.close(lw)
	honest := w.packet(lw)

	b := newBench(t, "Lindgate Organ Works", "Tove Ashgrove", newKey(t, "ed25519"))
	// One write, so that the lock's file is there already.
	must(b.AddKey(NewKey{Principal: "tove@lindgate.example", Key: authorized(newKey(t, "ed25519").PublicKey())}))
	top := filepath.Dir(b.Dir)
	entry := func(name string, mode fs.FileMode, method uint16) func(f *forgery) []byte {
		return func(f *forgery) []byte {
			var out bytes.Buffer
			z := zip.NewWriter(&out)
			for i, n := range packetFiles {
				h := &zip.FileHeader{Name: n, Method: method}
				if i == 2 {
					h.Name = name
				}
				h.SetMode(mode)
				e := must(z.CreateHeader(h))
				if !strings.HasSuffix(h.Name, "/") {
					must(e.Write(f.files[n]))
				}
			}
			if err := z.Close(); err != nil {
				t.Fatal(err)
			}
			return out.Bytes()
		}
	}
	tree := func(name string, mode string) func(f *forgery) []byte {
		return func(f *forgery) []byte {
			h := f.put(object.TypeBlob, []byte("[core]\n\tfsmonitor = touch "+filepath.Join(top, "owned")))
			if mode == treeMode {
				h = f.tree([]rawEntry{{fileMode, "config", h}})
			}
			e := append(f.folder(), rawEntry{mode, name, h})
			slices.SortFunc(e, func(a, b rawEntry) int { return strings.Compare(a.name, b.name) })
			return f.entries(e)
		}
	}
	inFiles := func(entries ...rawEntry) func(f *forgery) []byte {
		return func(f *forgery) []byte {
			h := f.put(object.TypeBlob, []byte("x"))
			for i := range entries {
				entries[i].hash = h
			}
			sub := f.tree(entries)
			e := f.folder()
			for i := range e {
				if e[i].name == "files" {
					e[i].hash = sub
				}
			}
			return f.entries(e)
		}
	}
	ref := func(name string) func(f *forgery) []byte {
		return func(f *forgery) []byte {
			f.refs = append(f.refs, bundleRef{name, f.head()})
			f.history = true
			return f.pack()
		}
	}
	text := func(change func(st *Statement)) func(f *forgery) []byte {
		return func(f *forgery) []byte {
			f.commit(f.tree(f.folder()), []object.Hash{f.head()}, "2031-03-05 note\n")
			f.reseal(change)
			return f.pack()
		}
	}
	record := func(content string) func(f *forgery) []byte {
		return func(f *forgery) []byte {
			return f.with(fileMode, "2031-03-04-note-abcd.toml", "kind = \"note\"\ndate = 2031-03-04\nby = \"mw\"\n"+content)
		}
	}
	for _, c := range []struct {
		name string
		make func(f *forgery) []byte
		want Verdict
	}{
		{"an entry that climbs out", entry("../../../../../../../"+top+"/owned", 0o644, zip.Store), Broken},
		{"an entry with an absolute name", entry(filepath.ToSlash(filepath.Join(top, "owned")), 0o644, zip.Store), Broken},
		{"an entry with a Windows name", entry(`C:\owned`, 0o644, zip.Store), Broken},
		{"an entry that is a link", entry("report.html", 0o777|fs.ModeSymlink, zip.Store), Broken},
		{"an entry that is a folder", entry("report.html/", 0o755|fs.ModeDir, zip.Store), Broken},
		{"a name twice", entry("VERIFY.txt", 0o644, zip.Store), Broken},
		{"a name in other letters", entry("verify.TXT", 0o644, zip.Store), Broken},
		{"an entry that unfolds", func(f *forgery) []byte {
			f.files["report.html"] = make([]byte, 64<<20)
			return entry("report.html", 0o644, zip.Deflate)(f)
		}, Broken},
		{"a size that is a lie", func(f *forgery) []byte {
			data := f.zip()
			at := bytes.LastIndex(data, []byte("PK\x01\x02"))
			binary.LittleEndian.PutUint32(data[at+24:], 1<<31-1)
			return data
		}, Broken},
		{"a million entries", func(*forgery) []byte {
			one := make([]byte, 46+1)
			copy(one, "PK\x01\x02")
			one[28], one[46] = 1, 'a'
			list := bytes.Repeat(one, 1_000_000)
			end := binary.LittleEndian.AppendUint32([]byte("PK\x05\x06\x00\x00\x00\x00\xff\xff\xff\xff"), uint32(len(list)))
			return append(append(list, end...), 0, 0, 0, 0, 0, 0)
		}, Broken},

		{"a foreign branch", ref("refs/heads/main"), Broken},
		{"a ref that climbs out", ref("refs/heads/unit/../../../../owned"), Broken},
		{"a ref of the shop's other units", ref("refs/heads/unit/longwave-3/lw3-3417"), Broken},
		{"a ref that is an option", ref("--upload-pack=touch owned"), Broken},
		{"notes", ref("refs/notes/commits"), Broken},
		{"replacements", ref("refs/replace/" + strings.Repeat("1", 40)), Broken},
		{"a stash", ref("refs/stash"), Broken},

		{"git's folder", tree(".git", treeMode), Broken},
		{"git's folder in capitals", tree(".GIT", treeMode), Broken},
		{"git's folder for a Macintosh", tree(".g\u200cit", treeMode), Broken},
		{"git's folder for Windows", tree("git~1", treeMode), Broken},
		{"a stream of git's folder", tree(".git::$INDEX_ALLOCATION", treeMode), Broken},
		{"another repository", tree("2031-03-04-note-abcd.toml", "160000"), Broken},
		{"a list of other repositories", tree(".gitmodules", fileMode), Broken},
		{"a link", tree("2031-03-04-note-abcd.toml", "120000"), Broken},
		{"a name that climbs", tree("..", treeMode), Broken},
		{"a name with a slash", tree("../../owned", fileMode), Broken},
		{"a name with a backslash", tree(`..\..\owned`, fileMode), Broken},
		{"no name", tree("", fileMode), Broken},
		{"a name for a device", inFiles(rawEntry{mode: fileMode, name: "aux.txt"}), Broken},
		{"a name that ends in a dot", inFiles(rawEntry{mode: fileMode, name: "plan.txt."}), Broken},
		{"names that differ in case", inFiles(rawEntry{mode: fileMode, name: "PLAN.txt"}, rawEntry{mode: fileMode, name: "plan.txt"}), Broken},
		{"a file and a folder of one name", inFiles(rawEntry{mode: fileMode, name: "plan"}, rawEntry{mode: fileMode, name: "plan"}), Broken},
		{"a name that turns the text round", inFiles(rawEntry{mode: fileMode, name: "plan\u202etxt.exe"}), Broken},
		{"a hundred thousand records", func(f *forgery) []byte {
			h := f.put(object.TypeBlob, []byte("kind = \"note\"\n"))
			var e []rawEntry
			for i := range maxFiles + 1 {
				e = append(e, rawEntry{fileMode, fmt.Sprintf("2031-03-04-note-%06d.toml", i), h})
			}
			f.commit(f.tree(e), []object.Hash{f.head()}, "many\n")
			return f.pack()
		}, Broken},
		{"thousands of seals", func(f *forgery) []byte {
			s := f.seals()[0]
			for i := range 3000 {
				f.refs = append(f.refs, bundleRef{fmt.Sprintf("%sseal/%s/%d-%s", tagRefs, lw, i+2, s.Name[len(s.Name)-8:]), object.NewHash(s.Hash)})
			}
			f.history = true
			return f.pack()
		}, Broken},
		{"an instrument of a megabyte", func(f *forgery) []byte {
			return f.with(fileMode, "instrument.toml", "# "+strings.Repeat("x", schema.MaxSize)+"\n")
		}, Broken},

		// Words. What could act on a screen or a page is refused or stays words.
		{"a shop that moves the cursor", text(func(st *Statement) { st.Shop.Name = "Halden\x1b[2J Street" }), Broken},
		{"a shop that turns the text round", text(func(st *Statement) { st.Shop.Name = "Halden \u202e Street" }), Broken},
		{"a person of two lines", text(func(st *Statement) { st.Persons[0].Name = "Maren\nGood \"git\" signature" }), Broken},
		{"a shop of markup", text(func(st *Statement) { st.Shop.Name = "<script>alert(1)</script>" }), Untrusted},
		{"a shop that is a formula", text(func(st *Statement) { st.Shop.Name = `=HYPERLINK("http://x.example","pay")` }), Untrusted},
		{"a shop that looks like a promise", text(func(st *Statement) { st.Shop.Name = "  | Good \"benchlore-packet\" signature" }), Untrusted},
		{"a shop that is a command", text(func(st *Statement) { st.Shop.Name = "    rm -rf ~" }), Untrusted},
		{"a note of markup", record("note = \"<img src=x onerror=alert(1)> =1+1 $(touch owned)\"\n"), Untrusted},
		{"a note that moves the cursor", record("note = \"red \\u001B[31m\"\n"), Broken},
		{"a note that turns the text round", record("note = \"turn\u202eed\"\n"), Broken},
	} {
		t.Run(c.name, func(t *testing.T) {
			packet := c.make(forge(t, honest, newKey(t, "ed25519")))
			before := listing(t, top)
			var was, is runtime.MemStats
			runtime.ReadMemStats(&was)
			v := VerifyPacket(packet, trusting(shop))
			runtime.ReadMemStats(&is)
			if v.Verdict != c.want {
				t.Errorf("the verdict is %q, want %q\n%.2000s", v.Verdict, c.want, flaws(v))
			}
			if grown := (is.TotalAlloc - was.TotalAlloc) >> 20; grown > 400 {
				t.Errorf("it took %d MB", grown)
			}
			if c.want != Broken {
				guide := string(must(readPacket(packet))[guideFile])
				for line := range strings.Lines(guide) {
					if strings.HasPrefix(line, "    rm") || strings.HasPrefix(line, "  | Good \"benchlore-packet\" signature:") {
						t.Errorf("a name became a line of its own in VERIFY.txt: %q", line)
					}
				}
				return
			}
			if _, err := b.Adopt(packet, AdoptOptions{By: "mw", Trust: true, Verify: trusting(shop)}); err == nil {
				t.Error("it was adopted")
			}
			if listing(t, top) != before {
				t.Error("something was written")
			}
		})
	}
}
