package ledger

import (
	"archive/zip"
	"bytes"
	"crypto/sha1"
	"fmt"
	"slices"
	"strings"
	"testing"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// forgery is a packet taken apart, to be changed and put together again by
// somebody who is good at it: where it can be made to fit, it fits.
type forgery struct {
	t       testing.TB
	files   map[string][]byte
	refs    []bundleRef
	objects objectSet
	by      key  // who signs what is made anew
	history bool // the bundle is to be made anew
	extra   bool // keep objects that belong to nothing
	mend    func(st *PacketStatement)
}

func forge(t testing.TB, packet []byte, by key) *forgery {
	t.Helper()
	files, err := readPacket(packet)
	if err != nil {
		t.Fatal(err)
	}
	b, err := readBundle(files[bundleFile])
	if err != nil {
		t.Fatal(err)
	}
	return &forgery{t: t, files: files, refs: b.refs, objects: b.objects, by: by}
}

func (f *forgery) put(typ object.Type, data []byte) object.Hash {
	o := object.Object{Type: typ, Data: data}
	f.objects[o.Hash()] = o
	f.history = true
	return o.Hash()
}

func (f *forgery) head() object.Hash {
	for _, r := range f.refs {
		if strings.HasPrefix(r.Name, unitRefs) {
			return r.Hash
		}
	}
	f.t.Fatal("no unit")
	return object.ZeroHash
}

// move puts the branch and HEAD on a commit.
func (f *forgery) move(h object.Hash) {
	f.history = true
	for i, r := range f.refs {
		if r.Name == "HEAD" || strings.HasPrefix(r.Name, unitRefs) {
			f.refs[i].Hash = h
		}
	}
}

// seals lists the seals by number.
func (f *forgery) seals() []*Seal {
	var out []*Seal
	for _, r := range f.refs {
		if name, ok := strings.CutPrefix(r.Name, tagRefs); ok {
			s, err := parseSeal(name, r.Hash, f.objects[r.Hash].Data)
			if err != nil {
				f.t.Fatal(err)
			}
			out = append(out, s)
		}
	}
	slices.SortFunc(out, func(a, b *Seal) int { return a.Statement.Number - b.Statement.Number })
	return out
}

func (f *forgery) drop(s *Seal) {
	f.history = true
	f.refs = slices.DeleteFunc(f.refs, func(r bundleRef) bool { return r.Name == tagRefs+s.Name })
}

// commit makes a commit on top of the history and moves the branch there.
func (f *forgery) commit(tree object.Hash, parents []object.Hash, message string) {
	head := fmt.Sprintf("tree %s\n", tree)
	for _, p := range parents {
		head += fmt.Sprintf("parent %s\n", p)
	}
	who := "Maren Wickstead <maren@halden-street.example> 1930381200 +0100\n"
	head += "author " + who + "committer " + who
	sig, err := f.by.Sign("git", []byte(head+"\n"+message))
	if err != nil {
		f.t.Fatal(err)
	}
	head += "gpgsig " + strings.ReplaceAll(strings.TrimSpace(string(sig)), "\n", "\n ") + "\n"
	f.move(f.put(object.TypeCommit, []byte(head+"\n"+message)))
}

// folder is the tree of the head.
func (f *forgery) folder() []rawEntry {
	c, err := parseCommit(f.objects[f.head()].Data)
	if err != nil {
		f.t.Fatal(err)
	}
	entries, err := parseTree(f.objects[c.tree].Data)
	if err != nil {
		f.t.Fatal(err)
	}
	return entries
}

func (f *forgery) tree(entries []rawEntry) object.Hash {
	var b bytes.Buffer
	for _, e := range entries {
		fmt.Fprintf(&b, "%s %s\x00%s", e.mode, e.name, e.hash[:])
	}
	return f.put(object.TypeTree, b.Bytes())
}

// with adds a file to the head's folder in its place, commits and seals.
func (f *forgery) with(mode, name, content string) []byte {
	h := f.put(object.TypeBlob, []byte(content))
	entries := slices.DeleteFunc(f.folder(), func(e rawEntry) bool { return e.name == name })
	entries = append(entries, rawEntry{mode, name, h})
	slices.SortFunc(entries, func(a, b rawEntry) int { return strings.Compare(a.name, b.name) })
	return f.entries(entries)
}

func (f *forgery) entries(entries []rawEntry) []byte {
	f.commit(f.tree(entries), []object.Hash{f.head()}, "2031-03-05 note\n")
	f.reseal(nil)
	return f.pack()
}

// reseal makes a new seal, right in everything but what change changes, and
// puts it on top of the others.
func (f *forgery) reseal(change func(st *Statement)) {
	chain := f.seals()
	last := chain[len(chain)-1]
	st := *last.Statement
	st.Number++
	st.Previous = last.Digest
	st.Head = f.head().String()
	st.Sealed = st.Sealed.AddDate(0, 0, 1)
	q := gitstore.Quarantine(f.objects)
	objects, err := reachableObjects(q, f.head())
	if err == nil {
		st.Objects, st.ObjectsSHA256 = digestObjects(objects, digests{})
	}
	if c, err := q.Commit(f.head()); err == nil {
		if files, err := digestFiles(q, c.Tree); err == nil {
			st.Files = files
		}
	}
	if change != nil {
		change(&st)
	}
	f.seal(&st, f.by)
}

// seal puts a seal with this statement among the refs.
func (f *forgery) seal(st *Statement, by key) {
	text := st.Encode()
	name := fmt.Sprintf("seal/%s/%d-%s", st.Unit, st.Number, Digest(text)[:8])
	raw := fmt.Appendf(nil, "object %s\ntype commit\ntag %s\ntagger Maren Wickstead <maren@halden-street.example> %d +0100\n\n%s",
		st.Head, name, st.Sealed.Unix(), text)
	sig, err := by.Sign("git", raw)
	if err != nil {
		f.t.Fatal(err)
	}
	h := f.put(object.TypeTag, append(raw, sig...))
	f.refs = append(f.refs, bundleRef{tagRefs + name, h})
}

// pack puts the packet together: bundle, reports, statement and signature are
// made anew and agree with one another as far as they can.
func (f *forgery) pack() []byte {
	st, err := parsePacketStatement(f.files[statementFile])
	if err != nil {
		f.t.Fatal(err)
	}
	if f.history {
		objects := f.objects
		if !f.extra {
			objects = f.reached()
		}
		var b bytes.Buffer
		if err := writeBundle(&b, f.refs, objects); err != nil {
			f.t.Fatal(err)
		}
		f.files[bundleFile] = b.Bytes()
		if chain := f.trySeals(); len(chain) > 0 {
			last := chain[len(chain)-1]
			st.Seal, st.SealSHA256, st.Head = last.Name, last.Digest, last.Statement.Head
			if st.Made.Before(last.Statement.Sealed) {
				st.Made = last.Statement.Sealed
			}
			if t, err := travelled(gitstore.Quarantine(objects), chain); err == nil {
				reports, err := plainRenderer.Render(t)
				if err != nil {
					f.t.Fatal(err)
				}
				for name, data := range reports {
					f.files[name] = data
				}
			}
			f.files[signersFile] = claimedSigners(objects, chain, f.by.PublicKey(), last.Statement.Shop.Name)
			f.files[guideFile] = guide(chain, objects, f.by.fingerprint())
		}
	}
	for _, name := range packetFiles[:len(packetFiles)-2] {
		st.Files[name] = Digest(f.files[name])
	}
	if f.mend != nil {
		f.mend(st)
	}
	return f.sign(st)
}

func (f *forgery) sign(st *PacketStatement) []byte {
	f.files[statementFile] = st.encode()
	sig, err := f.by.Sign(packetNamespace, f.files[statementFile])
	if err != nil {
		f.t.Fatal(err)
	}
	f.files[signatureFile] = sig
	return f.zip()
}

// zip packs the files as they are.
func (f *forgery) zip() []byte {
	data, err := writePacket(f.files, benchDay)
	if err != nil {
		f.t.Fatal(err)
	}
	return data
}

func (f *forgery) trySeals() (out []*Seal) {
	for _, r := range f.refs {
		if name, ok := strings.CutPrefix(r.Name, tagRefs); ok {
			if s, err := parseSeal(name, r.Hash, f.objects[r.Hash].Data); err == nil {
				out = append(out, s)
			}
		}
	}
	slices.SortFunc(out, func(a, b *Seal) int { return a.Statement.Number - b.Statement.Number })
	return out
}

func (f *forgery) reached() objectSet {
	out := objectSet{}
	queue := []object.Hash{}
	for _, r := range f.refs {
		queue = append(queue, r.Hash)
	}
	for len(queue) > 0 {
		h := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		o, ok := f.objects[h]
		if _, seen := out[h]; seen || !ok {
			continue
		}
		out[h] = o
		links, _ := linksOf(o)
		queue = append(queue, links...)
	}
	return out
}

// plainZip packs files in the given order with the zip library's own ways.
func plainZip(t testing.TB, names []string, files map[string][]byte, method uint16, comment string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, n := range names {
		w, err := z.CreateHeader(&zip.FileHeader{Name: n, Method: method})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(files[n]); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.SetComment(comment); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestTampering changes packets in every way we could think of. Each must get
// the right verdict, and the flaw must be named by the right word.
func TestTampering(t *testing.T) {
	shop, thief := newKey(t, "ed25519"), newKey(t, "ed25519")
	w := newWorkshop(t)
	w.signWith(shop)
	w.job(lw)
	w.edit(unitDir(lw)+"/files/plan.txt", []byte("a plan"))
	w.add(lw, schema.KindNote, "note = \"with a plan\"\n[[file]]\nfile = \"files/plan.txt\"\n")
	w.save()
	w.close(lw)
	one := w.packet(lw)
	w.later(10)
	w.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	w.close(lw)
	two := w.packet(lw)
	w.unit("longwave-3/lw3-3417")
	w.job("longwave-3/lw3-3417")
	w.close("longwave-3/lw3-3417")
	other := w.packet("longwave-3/lw3-3417")
	verdict(t, VerifyPacket(two, trusting(shop)), Trusted)
	verdict(t, VerifyPacket(two, trusting()), Untrusted)
	otherFiles := must(readPacket(other))

	// file changes one file of the packet and nothing else.
	file := func(name, old, new string) func(*forgery) []byte {
		return func(f *forgery) []byte {
			was := f.files[name]
			f.files[name] = bytes.Replace(bytes.Clone(was), []byte(old), []byte(new), 1)
			if bytes.Equal(was, f.files[name]) {
				t.Fatalf("%s does not hold %q", name, old)
			}
			return f.zip()
		}
	}
	// signedFile does, and the thief signs the packet anew.
	signedFile := func(name, old, new string) func(*forgery) []byte {
		return func(f *forgery) []byte { file(name, old, new)(f); return f.pack() }
	}
	// resealed puts a seal of the thief's on top that is wrong in one thing.
	resealed := func(change func(st *Statement)) func(*forgery) []byte {
		return func(f *forgery) []byte {
			f.commit(f.tree(f.folder()), []object.Hash{f.head()}, "2031-03-05 note\n")
			f.reseal(change)
			return f.pack()
		}
	}
	entry := func(mode, name, content string) func(*forgery) []byte {
		return func(f *forgery) []byte { return f.with(mode, name, content) }
	}
	rawBundle := func(change func(b []byte) []byte) func(*forgery) []byte {
		return func(f *forgery) []byte {
			f.files[bundleFile] = change(bytes.Clone(f.files[bundleFile]))
			return f.pack()
		}
	}
	cases := []struct {
		name  string
		make  func(f *forgery) []byte
		want  Verdict
		check string // "": the verdict alone
	}{
		// The zip.
		{"cut short", func(f *forgery) []byte { b := f.zip(); return b[:len(b)-40] }, Broken, "packet"},
		{"cut in the middle", func(f *forgery) []byte { b := f.zip(); return b[:len(b)/2] }, Broken, "packet"},
		{"no zip", func(f *forgery) []byte { return []byte("a letter") }, Broken, "packet"},
		{"empty", func(f *forgery) []byte { return nil }, Broken, "packet"},
		{"bytes after the end", func(f *forgery) []byte { return append(f.zip(), "more"...) }, Broken, "packet"},
		{"bytes before the beginning", func(f *forgery) []byte { return append([]byte("#!/bin/sh\n"), f.zip()...) }, Broken, "packet"},
		{"a comment", func(f *forgery) []byte { return plainZip(t, packetFiles, f.files, zip.Store, "look here") }, Broken, "packet"},
		{"packed anew, compressed", func(f *forgery) []byte { return plainZip(t, packetFiles, f.files, zip.Deflate, "") }, Broken, "packet"},
		{"a file more", func(f *forgery) []byte {
			f.files["invoice.pdf"] = []byte("pay here")
			return plainZip(t, append(slices.Clone(packetFiles), "invoice.pdf"), f.files, zip.Store, "")
		}, Broken, "packet"},
		{"a file less", func(f *forgery) []byte { return plainZip(t, packetFiles[1:], f.files, zip.Store, "") }, Broken, "packet"},
		{"a file twice", func(f *forgery) []byte {
			return plainZip(t, append([]string{guideFile}, packetFiles[:7]...), f.files, zip.Store, "")
		}, Broken, "packet"},
		{"another order", func(f *forgery) []byte {
			names := slices.Clone(packetFiles)
			slices.Reverse(names)
			return plainZip(t, names, f.files, zip.Store, "")
		}, Broken, "packet"},
		{"a name that climbs out", func(f *forgery) []byte {
			f.files["../../.bashrc"] = []byte("rm -rf ~")
			return plainZip(t, append([]string{"../../.bashrc"}, packetFiles[1:]...), f.files, zip.Store, "")
		}, Broken, "packet"},
		{"one name for some programs, another for others", func(f *forgery) []byte {
			return bytes.Replace(f.zip(), []byte("report.html"), []byte("report.HTML"), 1)
		}, Broken, "packet"},
		{"a wrong checksum", func(f *forgery) []byte { b := f.zip(); b[14] ^= 1; return b }, Broken, "packet"},

		// Files changed after signing.
		{"VERIFY.txt changed", file(guideFile, "telephone the shop", "trust the shop"), Broken, "digest"},
		{"the page changed", file("report.html", "works: fully", "works: as new"), Broken, "digest"},
		{"the JSON changed", file("report.json", "works: fully", "works: as new"), Broken, "digest"},
		{"the PDF changed", file("report.pdf", "works: fully", "works: as new"), Broken, "digest"},
		{"the claimed keys changed", file(signersFile, "maren@", "karen@"), Broken, "digest"},
		{"the bundle of another unit", func(f *forgery) []byte { f.files[bundleFile] = otherFiles[bundleFile]; return f.zip() }, Broken, "digest"},
		{"one bit of the bundle", func(f *forgery) []byte { f.files[bundleFile][len(f.files[bundleFile])/2] ^= 1; return f.zip() }, Broken, "bundle"},
		{"the statement's date changed", file(statementFile, "made = 2031", "made = 2032"), Broken, "signature"},
		{"a digest in the statement changed", func(f *forgery) []byte {
			f.files["report.html"] = append(f.files["report.html"], "!"...)
			st := must(parsePacketStatement(f.files[statementFile]))
			st.Files["report.html"] = Digest(f.files["report.html"])
			f.files[statementFile] = st.encode()
			return f.zip()
		}, Broken, "signature"},
		{"the signature of another packet", func(f *forgery) []byte { f.files[signatureFile] = otherFiles[signatureFile]; return f.zip() }, Broken, "signature"},
		{"statement and signature of another packet", func(f *forgery) []byte {
			f.files[statementFile], f.files[signatureFile] = otherFiles[statementFile], otherFiles[signatureFile]
			return f.zip()
		}, Broken, "digest"},
		{"no signature", func(f *forgery) []byte { f.files[signatureFile] = []byte{}; return f.zip() }, Broken, "signature"},
		{"words in front of the signature", func(f *forgery) []byte {
			f.files[signatureFile] = append([]byte("Signed by Maren Wickstead\n"), f.files[signatureFile]...)
			return f.zip()
		}, Broken, "signature"},
		{"a signature made for something else", func(f *forgery) []byte {
			f.files[signatureFile] = must(shop.Sign("git", f.files[statementFile]))
			return f.zip()
		}, Broken, "signature"},
		{"a key this program does not know in the statement", func(f *forgery) []byte {
			f.files[statementFile] = append([]byte("safe = true\n"), f.files[statementFile]...)
			f.files[signatureFile] = must(shop.Sign(packetNamespace, f.files[statementFile]))
			return f.zip()
		}, Broken, "packet"},
		{"a newer format", func(f *forgery) []byte { f.mend = func(st *PacketStatement) { st.Format = 2 }; return f.pack() }, Broken, "packet"},

		// Signed anew by a thief: intact where all of it agrees, and nobody's.
		{"signed by another", func(f *forgery) []byte { f.history = true; return f.pack() }, Untrusted, ""},
		{"a record added, all made anew", entry(fileMode, "2031-03-04-note-abcd.toml", "kind = \"note\"\ndate = 2031-03-04\nby = \"mw\"\nnote = \"never failed\"\n"), Untrusted, "seal"},
		{"the page made up, signed by another", signedFile("report.html", "works: fully", "works: as new"), Broken, "report"},
		{"the JSON made up, signed by another", signedFile("report.json", "works: fully", "works: as new"), Broken, "report"},
		{"the PDF made up, signed by another", signedFile("report.pdf", "works: fully", "works: as new"), Broken, "report"},
		{"a guide that misleads, signed by another", signedFile(guideFile, "telephone the shop", "do as you like"), Broken, "report"},
		{"claims under another name, signed by another", signedFile(signersFile, "maren@", "karen@"), Broken, "report"},
		{"made by another release of the program", func(f *forgery) []byte {
			f.mend = func(st *PacketStatement) { st.Rendering = 99 }
			f.files["report.html"] = []byte("other words")
			return f.pack()
		}, Untrusted, "report"},
		{"another head in the statement", func(f *forgery) []byte {
			f.mend = func(st *PacketStatement) { st.Head = strings.Repeat("0", 40) }
			return f.pack()
		}, Broken, "packet"},
		{"another seal in the statement", func(f *forgery) []byte {
			f.mend = func(st *PacketStatement) { s := f.seals()[0]; st.Seal, st.SealSHA256 = s.Name, s.Digest }
			return f.pack()
		}, Broken, "packet"},
		{"dated before its seal", func(f *forgery) []byte {
			f.mend = func(st *PacketStatement) { st.Made = st.Made.AddDate(-1, 0, 0) }
			return f.pack()
		}, Broken, "packet"},

		// The bundle and its objects.
		{"no bundle", rawBundle(func([]byte) []byte { return []byte{} }), Broken, "bundle"},
		{"a bundle that needs more", rawBundle(func(b []byte) []byte {
			return bytes.Replace(b, []byte(bundleHead), []byte(bundleHead+"-"+strings.Repeat("1", 40)+"\n"), 1)
		}), Broken, "bundle"},
		{"a pack with a wrong checksum", rawBundle(func(b []byte) []byte { b[len(b)-1] ^= 1; return b }), Broken, "bundle"},
		{"a pack that announces more objects", rawBundle(func(b []byte) []byte {
			i := bytes.Index(b, []byte("PACK"))
			b[i+11]++
			sum := sha1.Sum(b[i : len(b)-20])
			return append(b[:len(b)-20], sum[:]...)
		}), Broken, "bundle"},
		{"an object missing", func(f *forgery) []byte {
			for h, o := range f.objects {
				if o.Type == object.TypeBlob {
					delete(f.objects, h)
					break
				}
			}
			f.history = true
			return f.pack()
		}, Broken, "object"},
		{"a file's bytes changed under the old name", func(f *forgery) []byte {
			for h, o := range f.objects {
				if o.Type == object.TypeBlob && bytes.Contains(o.Data, []byte("failed")) {
					delete(f.objects, h)
					f.put(object.TypeBlob, bytes.ReplaceAll(o.Data, []byte("failed"), []byte("ok")))
					break
				}
			}
			f.extra = true
			return f.pack()
		}, Broken, "object"},
		{"something that belongs to nothing", func(f *forgery) []byte {
			f.put(object.TypeBlob, []byte("smuggled"))
			f.extra = true
			return f.pack()
		}, Broken, "object"},
		{"another branch", func(f *forgery) []byte {
			f.history = true
			f.refs = append(f.refs, bundleRef{"refs/heads/main", f.head()})
			return f.pack()
		}, Broken, "bundle"},
		{"a second unit", func(f *forgery) []byte {
			f.history = true
			f.refs = append(f.refs, bundleRef{unitRefs + "longwave-3/lw3-9", f.head()})
			return f.pack()
		}, Broken, "bundle"},
		{"a tag that is no seal", func(f *forgery) []byte {
			f.history = true
			f.refs = append(f.refs, bundleRef{tagRefs + "v1", f.head()})
			return f.pack()
		}, Broken, "bundle"},
		{"a seal that is a bare commit", func(f *forgery) []byte {
			f.history = true
			f.refs = append(f.refs, bundleRef{tagRefs + "seal/" + lw + "/3-00000000", f.head()})
			return f.pack()
		}, Broken, "object"},
		{"HEAD elsewhere", func(f *forgery) []byte {
			f.history = true
			f.refs[0].Hash = object.NewHash(f.seals()[0].Statement.Head)
			return f.pack()
		}, Broken, "bundle"},
		{"no HEAD", func(f *forgery) []byte { f.history = true; f.refs = f.refs[1:]; return f.pack() }, Broken, "bundle"},
		{"no unit", func(f *forgery) []byte { f.history = true; f.refs = slices.Delete(f.refs, 1, 2); return f.pack() }, Broken, "bundle"},

		// Commits.
		{"a commit changed under its signature", func(f *forgery) []byte {
			data := bytes.Replace(f.objects[f.head()].Data, []byte("followup"), []byte("followed"), 1)
			f.move(f.put(object.TypeCommit, data))
			f.reseal(nil)
			return f.pack()
		}, Broken, "commit"},
		{"a commit signed twice", func(f *forgery) []byte {
			data := f.objects[f.head()].Data
			head, rest, _ := bytes.Cut(data, []byte("\n\n"))
			i := bytes.Index(head, []byte("gpgsig "))
			f.move(f.put(object.TypeCommit, slices.Concat(head, []byte("\n"), head[i:], []byte("\n\n"), rest)))
			return f.pack()
		}, Broken, "commit"},
		{"a header nobody sees in a commit", func(f *forgery) []byte {
			data := bytes.Replace(f.objects[f.head()].Data, []byte("\ngpgsig "), []byte("\nsecret words\ngpgsig "), 1)
			f.move(f.put(object.TypeCommit, data))
			return f.pack()
		}, Broken, "commit"},
		{"hidden characters in a message", func(f *forgery) []byte {
			f.commit(f.tree(f.folder()), []object.Hash{f.head()}, "2031-03-05 \u202etset\n")
			f.reseal(nil)
			return f.pack()
		}, Broken, "commit"},
		{"a second beginning", func(f *forgery) []byte {
			old, tree := f.head(), f.tree(f.folder())
			f.commit(tree, nil, "another beginning\n")
			f.commit(tree, []object.Hash{old, f.head()}, "merged\n")
			f.reseal(nil)
			return f.pack()
		}, Broken, "root"},
		{"another identity in a later version", func(f *forgery) []byte {
			for _, e := range f.folder() {
				if e.name == "instrument.toml" {
					i := must(decodeInstrument(f.objects[e.hash].Data))
					i.UUID = "00000000-0000-4000-8000-000000000000"
					return f.with(fileMode, e.name, string(schema.Encode(i)))
				}
			}
			return nil
		}, Broken, "identity"},
		{"no identity", func(f *forgery) []byte {
			return f.entries(slices.DeleteFunc(f.folder(), func(e rawEntry) bool { return e.name == "instrument.toml" }))
		}, Broken, "identity"},
		{"a record that is none", entry(fileMode, "2031-03-04-note-abcd.toml", "kind = \"note\ndate"), Broken, "records"},

		// Folders.
		{"a link", entry("120000", "2031-03-04-note-abcd.toml", "/etc/passwd"), Broken, "tree"},
		{"another repository", entry("160000", "2031-03-04-note-abcd.toml", "x"), Broken, "tree"},
		{"an executable", entry("100755", "2031-03-04-note-abcd.toml", "#!/bin/sh"), Broken, "tree"},
		{"git's own folder", func(f *forgery) []byte {
			h := f.tree([]rawEntry{{fileMode, "config", f.put(object.TypeBlob, []byte("[core]"))}})
			return f.entries(append([]rawEntry{{treeMode, ".git", h}}, f.folder()...))
		}, Broken, "tree"},
		{"a look-alike of it", entry(fileMode, "GIT~1", "[core]"), Broken, "tree"},
		{"modules of git", entry(fileMode, ".gitmodules", "[submodule]"), Broken, "tree"},
		{"a name that climbs", func(f *forgery) []byte {
			return f.entries(append([]rawEntry{{fileMode, "..", f.put(object.TypeBlob, []byte("x"))}}, f.folder()...))
		}, Broken, "tree"},
		{"a name with a slash", entry(fileMode, "files/../2031-03-04-note-abcd.toml", "x"), Broken, "tree"},
		{"attributes that run programs", entry(fileMode, ".gitattributes", "* filter=evil\n"), Broken, "tree"},
		{"no attributes", func(f *forgery) []byte {
			return f.entries(slices.DeleteFunc(f.folder(), func(e rawEntry) bool { return e.name == ".gitattributes" }))
		}, Broken, "tree"},
		{"two names that differ in case", func(f *forgery) []byte {
			b := f.put(object.TypeBlob, []byte("x"))
			h := f.tree([]rawEntry{{fileMode, "Plan.txt", b}, {fileMode, "plan.txt", b}})
			return f.entries(slices.Insert(slices.DeleteFunc(f.folder(), func(e rawEntry) bool { return e.name == "files" }), 5, rawEntry{treeMode, "files", h}))
		}, Broken, "tree"},
		{"entries out of order", func(f *forgery) []byte {
			e := f.folder()
			slices.Reverse(e)
			return f.entries(e)
		}, Broken, "tree"},
		{"a folder of another kind", func(f *forgery) []byte {
			h := f.tree([]rawEntry{{fileMode, "x.txt", f.put(object.TypeBlob, []byte("x"))}})
			return f.entries(append(f.folder(), rawEntry{treeMode, "tools", h}))
		}, Broken, "tree"},
		{"a name some system keeps for itself", func(f *forgery) []byte {
			h := f.tree([]rawEntry{{fileMode, "con.txt", f.put(object.TypeBlob, []byte("x"))}})
			e := f.folder()
			for i := range e {
				if e[i].name == "files" {
					e[i].hash = h
				}
			}
			return f.entries(e)
		}, Broken, "tree"},
		{"folders that unfold without end", func(f *forgery) []byte {
			h := f.put(object.TypeBlob, []byte("x"))
			mode := fileMode
			for range 8 {
				var e []rawEntry
				for i := range 20 {
					e = append(e, rawEntry{mode, fmt.Sprintf("f%02d", i), h})
				}
				h, mode = f.tree(e), treeMode
			}
			e := f.folder()
			for i := range e {
				if e[i].name == "files" {
					e[i].hash = h
				}
			}
			f.commit(f.tree(e), []object.Hash{f.head()}, "2031-03-05 note\n")
			return f.pack()
		}, Broken, "tree"},

		// Seals.
		{"no seal at all", func(f *forgery) []byte {
			for _, s := range f.seals() {
				f.drop(s)
			}
			return f.pack()
		}, Broken, "seal"},
		{"the first seal gone", func(f *forgery) []byte { f.drop(f.seals()[0]); return f.pack() }, Broken, "chain"},
		{"the last seal gone", func(f *forgery) []byte { f.drop(f.seals()[1]); return f.pack() }, Broken, "tip"},
		{"a commit after the last seal", func(f *forgery) []byte {
			f.commit(f.tree(f.folder()), []object.Hash{f.head()}, "2031-03-05 note\n")
			return f.pack()
		}, Broken, "tip"},
		{"the branch moved back", func(f *forgery) []byte { f.move(object.NewHash(f.seals()[0].Statement.Head)); return f.pack() }, Broken, "chain"},
		{"a seal under another name", func(f *forgery) []byte {
			f.history = true
			f.refs[2].Name = strings.Replace(f.refs[2].Name, "/1-", "/7-", 1)
			return f.pack()
		}, Broken, "seal"},
		{"a statement changed under its signature", func(f *forgery) []byte {
			s := f.seals()[1]
			raw := f.objects[object.NewHash(s.Hash)].Data
			payload, sig := splitTag(raw)
			st := *s.Statement
			st.Shop.Name = "Another Workshop"
			text := st.Encode()
			name := fmt.Sprintf("seal/%s/2-%s", lw, Digest(text)[:8])
			head := bytes.Replace(payload[:bytes.Index(payload, []byte("\n\n"))+2], []byte(s.Name), []byte(name), 1)
			f.drop(s)
			f.refs = append(f.refs, bundleRef{tagRefs + name, f.put(object.TypeTag, slices.Concat(head, text, sig))})
			return f.pack()
		}, Broken, "seal"},
		{"a seal without a signature", func(f *forgery) []byte {
			s := f.seals()[1]
			payload, _ := splitTag(f.objects[object.NewHash(s.Hash)].Data)
			f.history = true
			f.refs[3].Hash = f.put(object.TypeTag, payload)
			return f.pack()
		}, Broken, "seal"},
		{"a seal over other objects", resealed(func(st *Statement) { st.ObjectsSHA256 = strings.Repeat("0", 64) }), Broken, "sealed-objects"},
		{"a seal over fewer objects", resealed(func(st *Statement) { st.Objects-- }), Broken, "sealed-objects"},
		{"a seal over another file", resealed(func(st *Statement) { st.Files["model.toml"] = strings.Repeat("0", 64) }), Broken, "sealed-files"},
		{"a seal that leaves a file out", resealed(func(st *Statement) { delete(st.Files, "model.toml") }), Broken, "sealed-files"},
		{"a seal that names a file too many", resealed(func(st *Statement) { st.Files["2031-03-04-note-aaaa.toml"] = strings.Repeat("0", 64) }), Broken, "sealed-files"},
		{"a seal with another beginning", resealed(func(st *Statement) { st.Root = strings.Repeat("0", 40) }), Broken, "seal"},
		{"a seal over another instrument", resealed(func(st *Statement) { st.UUID = "00000000-0000-4000-8000-000000000000" }), Broken, "seal"},
		{"a seal over another unit", resealed(func(st *Statement) { st.Unit = "longwave-3/lw3-9" }), Broken, "seal"},
		{"a seal after another one", resealed(func(st *Statement) { st.Previous = strings.Repeat("0", 64) }), Broken, "chain"},
		{"a number left out", resealed(func(st *Statement) { st.Number++ }), Broken, "chain"},
		{"a seal dated back", resealed(func(st *Statement) { st.Sealed = st.Sealed.AddDate(-2, 0, 0) }), Broken, "chain"},
		{"two seals on one commit", func(f *forgery) []byte { f.reseal(nil); return f.pack() }, Broken, "chain"},
		{"a seal on a commit of another history", resealed(func(st *Statement) { st.Head = st.Root }), Broken, "chain"},
		{"a statement of a newer format", resealed(func(st *Statement) { st.Format = 2 }), Broken, "seal"},

		// Keys handed on that were not.
		{"a rotation the old key did not sign", resealed(func(st *Statement) {
			r := must(rotate("Halden Street Workshop", shop, thief, benchDay))
			r.OldSignature = r.NewSignature
			st.Rotations = []SignedRotation{*r}
		}), Broken, "rotation"},
		{"a rotation the new key did not sign", resealed(func(st *Statement) {
			r := must(rotate("Halden Street Workshop", thief, shop, benchDay))
			r.NewSignature = r.OldSignature
			st.Rotations = []SignedRotation{*r}
		}), Broken, "rotation"},
		{"a rotation whose text was changed", resealed(func(st *Statement) {
			r := must(rotate("Halden Street Workshop", thief, newKey(t, "ed25519"), benchDay))
			r.Text = strings.Replace(r.Text, authorized(thief.PublicKey()), authorized(shop.PublicKey()), 1)
			st.Rotations = []SignedRotation{*r}
		}), Broken, "rotation"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := forge(t, two, thief)
			packet := c.make(f)
			if bytes.Equal(packet, two) {
				t.Fatal("nothing was changed")
			}
			v := VerifyPacket(packet, trusting(shop))
			if v.Verdict != c.want {
				t.Errorf("the verdict is %q, want %q\n%s", v.Verdict, c.want, flaws(v))
			}
			named := slices.ContainsFunc(v.Flaws, func(f Flaw) bool { return f.Check == c.check && f.Place != "" && f.Warning == (c.want != Broken) })
			if c.check != "" && !named {
				t.Errorf("no flaw is filed under %q:\n%s", c.check, flaws(v))
			}
			if c.check == "" && len(v.Flaws) > 0 {
				t.Errorf("a false alarm:\n%s", flaws(v))
			}
		})
	}
	if len(cases) < 40 {
		t.Errorf("%d kinds of tampering are too few", len(cases))
	}

	// What an earlier packet, seal or label brings to light: the shop itself, with
	// its own key, tells another story.
	t.Run("earlier", func(t *testing.T) {
		fork := forge(t, one, shop)
		forked := fork.with(fileMode, "2031-03-04-note-abcd.toml", "kind = \"note\"\ndate = 2031-03-04\nby = \"mw\"\nnote = \"never failed\"\n")
		verdict(t, VerifyPacket(forked, trusting(shop)), Trusted) // by itself it is one
		replaced := replacedHistory(t, one, shop)
		verdict(t, VerifyPacket(replaced, trusting(shop)), Trusted)
		seals := forge(t, two, shop).seals()
		for _, c := range []struct {
			name   string
			packet []byte
			set    func(o *VerifyOptions)
			want   string // "": no flaw
		}{
			{"goes on from the earlier one", two, func(o *VerifyOptions) { o.Earlier = [][]byte{one} }, ""},
			{"shortened", one, func(o *VerifyOptions) { o.Earlier = [][]byte{two} }, "it was shortened"},
			{"forked", forked, func(o *VerifyOptions) { o.Earlier = [][]byte{two} }, "was forked"},
			{"replaced", replaced, func(o *VerifyOptions) { o.Earlier = [][]byte{two} }, "replaces the other"},
			{"another unit's", two, func(o *VerifyOptions) { o.Earlier = [][]byte{other} }, "another unit"},
			{"a broken one at hand", two, func(o *VerifyOptions) { o.Earlier = [][]byte{one[:100]} }, "neither a packet"},
			{"an earlier statement", two, func(o *VerifyOptions) { o.Earlier = [][]byte{seals[0].Message} }, ""},
			{"a later statement", one, func(o *VerifyOptions) { o.Earlier = [][]byte{seals[1].Message} }, "not among the seals"},
			{"an earlier digest", two, func(o *VerifyOptions) { o.Seals = []string{seals[0].StatementDigest()} }, ""},
			{"a later digest", one, func(o *VerifyOptions) { o.Seals = []string{seals[1].StatementDigest()[:16]} }, "shortened, forked or replaced"},
			{"a digest that is too short", two, func(o *VerifyOptions) { o.Seals = []string{"1234"} }, "at least its first 16"},
			{"an earlier label", two, func(o *VerifyOptions) { o.Label = seals[0].QR() }, ""},
			{"an earlier label without a seal", two, func(o *VerifyOptions) { o.Label = seals[0].QR()[:len(seals[0].QR())-16] }, ""},
			{"a later label", one, func(o *VerifyOptions) { o.Label = seals[1].QR() }, "shortened, forked or replaced"},
			{"the label of a forked history", forked, func(o *VerifyOptions) { o.Label = seals[1].QR() }, "shortened, forked or replaced"},
			{"the label of a replaced history", replaced, func(o *VerifyOptions) { o.Label = seals[0].QR()[:len(seals[0].QR())-16] }, "shortened, forked or replaced"},
			{"another unit's label", two, func(o *VerifyOptions) { o.Label = forge(t, other, shop).seals()[0].QR() }, "another unit"},
			{"a label that is none", two, func(o *VerifyOptions) { o.Label = "https://example.org" }, "not what a label"},
		} {
			o := trusting(shop)
			c.set(&o)
			v := VerifyPacket(c.packet, o)
			if c.want == "" {
				if verdict(t, v, Trusted); t.Failed() {
					t.Fatal(c.name)
				}
			} else if v.Verdict != Broken || !strings.Contains(flaws(v), "Check:earlier") || !strings.Contains(flaws(v), c.want) {
				t.Errorf("%s: %s, want %q in\n%s", c.name, v.Verdict, c.want, flaws(v))
			}
		}
	})
}

func decodeInstrument(data []byte) (*schema.Instrument, error) {
	i, problems := schema.Decode[schema.Instrument]("instrument.toml", data)
	if i == nil {
		return nil, &ProblemsError{"instrument", problems}
	}
	return i, nil
}

// replacedHistory is the same folder with a history of one commit.
func replacedHistory(t testing.TB, packet []byte, by key) []byte {
	f := forge(t, packet, by)
	st := *f.seals()[0].Statement
	f.drop(f.seals()[0])
	f.commit(f.tree(f.folder()), nil, "instrument: Quillard Longwave 3\n")
	q := gitstore.Quarantine(f.objects)
	st.Root, st.Head = f.head().String(), f.head().String()
	st.Objects, st.ObjectsSHA256 = digestObjects(must(reachableObjects(q, f.head())), digests{})
	f.seal(&st, by)
	return f.pack()
}

// TestKeysDecideTheVerdict runs one honest packet past people who know different
// things of the shop's key.
func TestKeysDecideTheVerdict(t *testing.T) {
	shop, next := newKey(t, "ed25519"), newKey(t, "rsa")
	w := newWorkshop(t)
	w.signWith(shop)
	if _, err := w.AddKey(NewKey{Principal: "maren@halden-street.example", Key: authorized(shop.PublicKey())}); err != nil {
		t.Fatal(err)
	}
	w.job(lw)
	w.close(lw)
	old := w.packet(lw)
	if _, err := w.RotateKey(shop, next, ""); err != nil {
		t.Fatal(err)
	}
	judge(t, w.Dir)
	w.clean()
	w.signWith(next)
	w.later(3)
	w.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	w.close(lw)
	rotated := w.packet(lw)
	own, err := w.Trust()
	if err != nil {
		t.Fatal(err)
	}
	line := func(k key, options string) *Signers {
		return must(ParseSigners("signers", []byte("maren@halden-street.example "+options+" "+authorized(k.PublicKey())+"\n")))
	}
	lost := Revoked{shop.fingerprint(): true}
	for _, c := range []struct {
		name   string
		packet []byte
		trust  *Trust
		want   Verdict
	}{
		{"nothing known", old, &Trust{}, Untrusted},
		{"the fingerprint named", old, &Trust{Expect: []string{shop.fingerprint()}}, Trusted},
		{"another fingerprint named", old, &Trust{Expect: []string{next.fingerprint()}}, Untrusted},
		{"listed", old, &Trust{Signers: []*Signers{line(shop, "")}}, Trusted},
		{"listed for git alone", old, &Trust{Signers: []*Signers{line(shop, `namespaces="git"`)}}, Untrusted},
		{"listed, valid then", old, &Trust{Signers: []*Signers{line(shop, `valid-after="20310101Z",valid-before="20320101Z"`)}}, Trusted},
		{"listed, no longer valid then", old, &Trust{Signers: []*Signers{line(shop, `valid-before="20310101Z"`)}}, Untrusted},
		{"listed, not yet valid then", old, &Trust{Signers: []*Signers{line(shop, `valid-after="20320101Z"`)}}, Untrusted},
		{"revoked", old, &Trust{Expect: []string{shop.fingerprint()}, Revoked: lost}, Broken},
		{"revoked, whatever its dates", old, &Trust{Signers: []*Signers{line(shop, `valid-after="20310101Z",valid-before="20320101Z"`)}, Revoked: lost}, Broken},
		{"the ledger's own", rotated, own, Trusted},
		{"a new key, the old one known", rotated, &Trust{Expect: []string{shop.fingerprint()}}, Trusted},
		{"a new key, the old one listed", rotated, &Trust{Signers: []*Signers{line(shop, "")}}, Trusted},
		{"a new key, the old one not allowed to rotate", rotated, &Trust{Signers: []*Signers{line(shop, `namespaces="git,benchlore-packet"`)}}, Untrusted},
		{"a new key, the old one revoked", rotated, &Trust{Expect: []string{shop.fingerprint()}, Revoked: lost}, Untrusted},
		{"the new key known, the old one revoked", rotated, &Trust{Expect: []string{next.fingerprint()}, Revoked: lost}, Trusted},
		{"the new key revoked", rotated, &Trust{Expect: []string{shop.fingerprint()}, Revoked: Revoked{next.fingerprint(): true}}, Broken},
	} {
		v := VerifyPacket(c.packet, VerifyOptions{Trust: c.trust, Renderer: &plainRenderer})
		if v.Verdict != c.want {
			t.Errorf("%s: %q, want %q\n%s", c.name, v.Verdict, c.want, flaws(v))
		}
	}
	follow(t, "longwave-3-lw3-2204-seal-2.zip", rotated)
}
