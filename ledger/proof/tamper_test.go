package proof

import (
	"archive/zip"
	"bytes"
	"crypto/sha1"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// forgery is a packet taken apart, to be changed and put together again by
// somebody who is good at it: where it can be made to fit, it fits.
type forgery struct {
	t       testing.TB
	files   map[string][]byte
	refs    []Ref
	objects gitobj.Set
	by      key  // who signs what is made anew
	history bool // the bundle is to be made anew
	extra   bool // keep objects that belong to nothing
}

// packetContent gives the files of a packet.
func packetContent(t testing.TB, packet []byte) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for name, f := range unpack(t, packet) {
		out[name] = f.Data
	}
	return out
}

func forge(t testing.TB, packet []byte, by key) *forgery {
	t.Helper()
	files := packetContent(t, packet)
	b, err := ReadBundle(files[BundleFile])
	if err != nil {
		t.Fatal(err)
	}
	return &forgery{t: t, files: files, refs: b.Refs, objects: b.Objects, by: by}
}

func (f *forgery) put(typ object.Type, data []byte) object.Hash {
	o := object.Object{Type: typ, Data: data}
	f.objects[o.Hash()] = o
	f.history = true
	return o.Hash()
}

func (f *forgery) head() object.Hash {
	for _, r := range f.refs {
		if strings.HasPrefix(r.Name, UnitRefs) {
			return r.ID
		}
	}
	f.t.Fatal("no unit")
	return object.ZeroHash
}

// move puts the branch and HEAD on a commit.
func (f *forgery) move(h object.Hash) {
	f.history = true
	for i, r := range f.refs {
		if r.Name == "HEAD" || strings.HasPrefix(r.Name, UnitRefs) {
			f.refs[i].ID = h
		}
	}
}

// seals lists the seals that can be read, in order.
func (f *forgery) seals() []*Seal {
	var out []*Seal
	for _, r := range f.refs {
		if name, ok := strings.CutPrefix(r.Name, TagRefs); ok {
			if s, err := ParseSeal(name, r.ID, f.objects[r.ID].Data); err == nil {
				out = append(out, s)
			}
		}
	}
	return Order(out)
}

func (f *forgery) drop(s *Seal) {
	f.history = true
	f.refs = slices.DeleteFunc(f.refs, func(r Ref) bool { return r.Name == TagRefs+s.Name })
}

// commit makes a commit and moves the branch there.
func (f *forgery) commit(tree object.Hash, parents []object.Hash, message string) {
	s := &shop{t: f.t, person: "Maren Wickstead <maren@halden-street.example>", key: f.by, now: benchDay.AddDate(0, 0, 20), objects: f.objects}
	f.move(s.commitOf(tree, parents, message))
}

// folder is the tree of the head.
func (f *forgery) folder() []gitobj.Entry {
	return must(gitobj.ReadTree(f.objects, must(Tree(f.objects, f.head()))))
}

func (f *forgery) tree(entries []gitobj.Entry) object.Hash {
	return f.put(object.TypeTree, encodeTree(entries))
}

// with puts a file into the head's folder in its place, commits and seals.
func (f *forgery) with(mode, name, content string) []byte {
	h := f.put(object.TypeBlob, []byte(content))
	entries := slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return e.Name == name })
	entries = append(entries, gitobj.Entry{Mode: mode, Name: name, ID: h})
	slices.SortFunc(entries, func(a, b gitobj.Entry) int { return strings.Compare(sortName(a), sortName(b)) })
	return f.entries(entries)
}

// without takes files out of it.
func (f *forgery) without(names ...string) []byte {
	return f.entries(slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return slices.Contains(names, e.Name) }))
}

func (f *forgery) entries(entries []gitobj.Entry) []byte {
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
	st.Files = maps.Clone(st.Files)
	st.Number++
	st.Supersedes = []string{last.Digest}
	st.Head = f.head().String()
	st.Sealed = st.Sealed.AddDate(0, 0, 1)
	st.Shop.Keys = []string{gitobj.Authorized(f.by.PublicKey())}
	if n, sum, err := SealedObjects(f.objects, f.head(), []object.Hash{last.head}); err == nil {
		st.Objects, st.ObjectsSHA256 = n, sum
	}
	if files, err := SealedFiles(f.objects, f.head()); err == nil {
		st.Files = files
	}
	if change != nil {
		change(&st)
	}
	f.seal(&st)
}

// seal puts a seal with this statement among the refs.
func (f *forgery) seal(st *Statement) {
	s := makeSeal(f.t, f.objects, st, "Maren Wickstead <maren@halden-street.example>", f.by)
	f.history = true
	f.refs = append(f.refs, Ref{TagRefs + s.Name, s.ID})
}

// pack puts the packet together: bundle, reports, notes, sums and signature are
// made anew and agree with one another as far as they can.
func (f *forgery) pack() []byte {
	if !f.history {
		return f.sign()
	}
	objects := f.objects
	if !f.extra {
		objects = f.reached()
	}
	var b bytes.Buffer
	if err := WriteBundle(&b, f.refs, objects); err != nil {
		f.t.Fatal(err)
	}
	f.files[BundleFile] = b.Bytes()
	if chain := f.seals(); len(chain) > 0 {
		last := chain[len(chain)-1]
		note := must(parsePacketNote(f.files[PacketFile]))
		note.SealSHA256, note.UUID = last.Digest, last.Statement.UUID
		if note.Made.Before(last.Statement.Sealed) {
			note.Made = last.Statement.Sealed
		}
		f.files[PacketFile], f.files[SealFile] = note.encode(), last.Message
		if t, err := Travel(objects, chain); err == nil {
			maps.Copy(f.files, must(plainReports.Make(t)))
		}
		f.files[ClaimsFile] = Claims(objects, chain, f.by.PublicKey())
		f.files[GuideFile] = Guide(chain, objects, f.by.PublicKey(), nil)
	}
	return f.sign()
}

func (f *forgery) sums() []byte {
	sums := map[string]string{}
	for _, n := range listedFiles {
		sums[n] = Digest(f.files[n])
	}
	return encodeSums(sums)
}

// sign sums the files up as they are, and signs.
func (f *forgery) sign() []byte {
	f.files[SumsFile] = f.sums()
	f.files[SumsSigFile] = must(f.by.Sign(PacketNamespace, f.files[SumsFile]))
	return f.zip()
}

// zip packs the files as they are.
func (f *forgery) zip() []byte { return must(writePacket(f.files, benchDay)) }

func (f *forgery) reached() gitobj.Set {
	out := gitobj.Set{}
	queue := []object.Hash{}
	for _, r := range f.refs {
		queue = append(queue, r.ID)
	}
	for len(queue) > 0 {
		h := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		o, ok := f.objects[h]
		if _, seen := out[h]; seen || !ok {
			continue
		}
		out[h] = o
		if l, err := Links(o); err == nil {
			queue = append(queue, l...)
		} else if o.Type == object.TypeTree {
			queue = append(queue, looseLinks(o.Data)...)
		}
	}
	return out
}

// looseLinks reads the names in a tree that no strict reader takes.
func looseLinks(data []byte) (out []object.Hash) {
	for len(data) > 0 {
		_, rest, ok := bytes.Cut(data, []byte{0})
		if !ok || len(rest) < len(object.Hash{}) {
			return out
		}
		out = append(out, object.Hash(rest[:len(object.Hash{})]))
		data = rest[len(object.Hash{}):]
	}
	return out
}

// splitTag parts a tag from its signature.
func splitTag(raw []byte) (payload, sig []byte) {
	i := bytes.LastIndex(raw, []byte("\n-----BEGIN SSH SIGNATURE-----"))
	return raw[:i+1], raw[i+1:]
}

func decodeInstrument(data []byte) (*schema.Instrument, error) {
	i, problems := schema.Decode[schema.Instrument]("instrument.toml", data)
	if i == nil {
		return nil, fmt.Errorf("%v", problems)
	}
	return i, nil
}

// sold is a unit with two seals by its owner: the two packets.
func sold(t testing.TB, owner key, words string) (one, two []byte) {
	s := newShop(t, owner)
	s.files["files/plan.txt"] = []byte("a plan")
	s.record("2031-03-04-note-5s5a.toml", "note", "note = \"with a plan\"\n[[file]]\nfile = \"files/plan.txt\"\nsha256 = \""+Digest([]byte("a plan"))+"\"\n")
	s.seal()
	one = s.packet()
	s.later(10)
	s.note(words)
	s.seal()
	return one, s.packet()
}

// TestTampering changes packets in every way we could think of. Each must get
// the right verdict, and the finding must be named by the right word.
func TestTampering(t *testing.T) {
	owner, thief := newKey(t, "ed25519"), newKey(t, "ed25519")
	one, two := sold(t, owner, "played for a week")
	_, other := sold(t, owner, "played for a month")
	verdict(t, VerifyBytes(two, trusting(owner)), Trusted)
	otherFiles := packetContent(t, other)
	f0 := forge(t, one, owner).seals()[0]

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
	// signedFile does, and the thief sums up and signs the packet anew.
	signedFile := func(name, old, new string) func(*forgery) []byte {
		return func(f *forgery) []byte { file(name, old, new)(f); return f.sign() }
	}
	signedSums := func(change func(string) string) func(*forgery) []byte {
		return func(f *forgery) []byte {
			f.files[SumsFile] = []byte(change(string(f.sums())))
			f.files[SumsSigFile] = must(f.by.Sign(PacketNamespace, f.files[SumsFile]))
			return f.zip()
		}
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
			f.files[BundleFile] = change(bytes.Clone(f.files[BundleFile]))
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
		{"something else", func(f *forgery) []byte { return []byte("a letter") }, Unreadable, "packet"},
		{"empty", func(f *forgery) []byte { return nil }, Unreadable, "packet"},
		{"bytes after the end", func(f *forgery) []byte { return append(f.zip(), "more"...) }, Broken, "packet"},
		{"bytes before the beginning", func(f *forgery) []byte { return append([]byte("PK #!/bin/sh\n"), f.zip()...) }, Broken, "packet"},
		{"a file more", func(f *forgery) []byte {
			return rezip(t, f.zip(), func(z *zip.Writer, name string, data []byte) {
				zipIn(t, z, &zip.FileHeader{Name: name}, data)
				if name == GuideFile {
					zipIn(t, z, &zip.FileHeader{Name: "invoice.pdf"}, []byte("pay here"))
				}
			})
		}, Broken, "packet"},
		{"a file less", func(f *forgery) []byte {
			return rezip(t, f.zip(), func(z *zip.Writer, name string, data []byte) {
				if name != GuideFile {
					zipIn(t, z, &zip.FileHeader{Name: name}, data)
				}
			})
		}, Broken, "packet"},
		{"a file twice", func(f *forgery) []byte {
			return rezip(t, f.zip(), func(z *zip.Writer, name string, data []byte) {
				zipIn(t, z, &zip.FileHeader{Name: name}, data)
				if name == GuideFile {
					zipIn(t, z, &zip.FileHeader{Name: name}, []byte("do as you like"))
				}
			})
		}, Broken, "packet"},
		{"a file twice in other letters", func(f *forgery) []byte {
			return rezip(t, f.zip(), func(z *zip.Writer, name string, data []byte) {
				zipIn(t, z, &zip.FileHeader{Name: name}, data)
				if name == GuideFile {
					zipIn(t, z, &zip.FileHeader{Name: "verify.TXT"}, data)
				}
			})
		}, Broken, "packet"},
		{"a name that climbs out", func(f *forgery) []byte {
			return rezip(t, f.zip(), func(z *zip.Writer, name string, data []byte) {
				zipIn(t, z, &zip.FileHeader{Name: name}, data)
				if name == GuideFile {
					zipIn(t, z, &zip.FileHeader{Name: "../../.bashrc"}, data)
				}
			})
		}, Broken, "packet"},
		{"one name for some programs, another for others", func(f *forgery) []byte {
			return bytes.Replace(f.zip(), []byte("report.html"), []byte("report.HTML"), 1)
		}, Broken, "packet"},
		{"a wrong checksum", func(f *forgery) []byte { b := f.zip(); b[14] ^= 1; return b }, Broken, "packet"},

		// Files changed after signing.
		{"VERIFY.txt changed", file(GuideFile, "telephone the shop", "trust the shop"), Broken, "digest"},
		{"the page changed", file(ReportPage, "with a plan", "as new"), Broken, "digest"},
		{"the data changed", file(ReportData, "with a plan", "as new"), Broken, "digest"},
		{"the PDF changed", file(ReportPrint, "with a plan", "as new"), Broken, "digest"},
		{"the claimed keys changed", file(ClaimsFile, "maren@", "karen@"), Broken, "digest"},
		{"the seal's statement changed", file(SealFile, halden, "Another Workshop"), Broken, "digest"},
		{"the packet's note changed", file(PacketFile, "made = 2031", "made = 2032"), Broken, "digest"},
		{"the bundle of another unit", func(f *forgery) []byte { f.files[BundleFile] = otherFiles[BundleFile]; return f.zip() }, Broken, "digest"},
		{"one bit of the bundle", func(f *forgery) []byte { f.files[BundleFile][len(f.files[BundleFile])/2] ^= 1; return f.zip() }, Broken, "bundle"},
		{"the sums changed", func(f *forgery) []byte {
			f.files[ReportPage] = append(f.files[ReportPage], "!"...)
			f.files[SumsFile] = f.sums()
			return f.zip()
		}, Broken, "signature"},
		{"the signature of another packet", func(f *forgery) []byte { f.files[SumsSigFile] = otherFiles[SumsSigFile]; return f.zip() }, Broken, "signature"},
		{"sums and signature of another packet", func(f *forgery) []byte {
			f.files[SumsFile], f.files[SumsSigFile] = otherFiles[SumsFile], otherFiles[SumsSigFile]
			return f.zip()
		}, Broken, "digest"},
		{"no signature", func(f *forgery) []byte { f.files[SumsSigFile] = []byte{}; return f.zip() }, Broken, "signature"},
		{"words in front of the signature", func(f *forgery) []byte {
			f.files[SumsSigFile] = append([]byte("Signed by Maren Wickstead\n"), f.files[SumsSigFile]...)
			return f.zip()
		}, Broken, "signature"},
		{"a signature made for something else", func(f *forgery) []byte {
			f.files[SumsSigFile] = must(owner.Sign("git", f.files[SumsFile]))
			return f.zip()
		}, Broken, "signature"},
		{"sums that are none", signedSums(func(s string) string { return strings.ReplaceAll(s, "  ", " *") }), Broken, "packet"},
		{"sums with a carriage return", signedSums(func(s string) string { return strings.ReplaceAll(s, "\n", "\r\n") }), Broken, "packet"},
		{"sums that name a file twice", signedSums(func(s string) string { return s + s }), Broken, "packet"},
		{"sums that leave a file out", signedSums(func(s string) string { return s[strings.Index(s, "\n")+1:] }), Broken, "digest"},
		{"sums that name another file", signedSums(func(s string) string { return s + strings.Repeat("0", 64) + "  ../x\n" }), Broken, "packet"},
		{"a key this program does not know in the packet's note", func(f *forgery) []byte {
			f.files[PacketFile] = append([]byte("safe = true\n"), f.files[PacketFile]...)
			return f.sign()
		}, Broken, "packet"},
		{"a key in capitals in the packet's note", func(f *forgery) []byte {
			f.files[PacketFile] = bytes.Replace(f.files[PacketFile], []byte("uuid"), []byte("UUID"), 1)
			return f.sign()
		}, Broken, "packet"},
		{"a packet of a newer format", func(f *forgery) []byte {
			f.files[PacketFile] = bytes.Replace(f.files[PacketFile], []byte("format = 1"), []byte("format = 2\nmood = \"good\""), 1)
			return f.sign()
		}, Unreadable, "format"},
		{"a packet of a newer format with more files", func(f *forgery) []byte {
			f.files[PacketFile] = bytes.Replace(f.files[PacketFile], []byte("format = 1"), []byte("format = 2"), 1)
			return rezip(t, f.sign(), func(z *zip.Writer, name string, data []byte) {
				if name == GuideFile {
					zipIn(t, z, &zip.FileHeader{Name: "subunits/x.zip"}, data)
				}
				zipIn(t, z, &zip.FileHeader{Name: name}, data)
			})
		}, Unreadable, "format"},
		{"a packet of format 0", func(f *forgery) []byte {
			f.files[PacketFile] = bytes.Replace(f.files[PacketFile], []byte("format = 1"), []byte("format = 0"), 1)
			return f.sign()
		}, Broken, "packet"},
		{"rendering comes back", func(f *forgery) []byte {
			f.files[PacketFile] = append([]byte("rendering = 999\n"), f.files[PacketFile]...)
			f.files[ReportData] = []byte("{}")
			return f.sign()
		}, Broken, "packet"},

		// Signed anew by a thief: intact where all of it agrees, and nobody's.
		{"packed by another", func(f *forgery) []byte { return f.sign() }, Untrusted, "envelope"},
		{"a record added, all made anew", entry(gitobj.ModeFile, "2031-03-04-note-abcd.toml", "kind = \"note\"\ndate = 2031-03-04\nby = \"mw\"\nnote = \"never failed\"\n"), Untrusted, "key"},
		{"a note made up in the data", signedFile(ReportData, "with a plan", "as new"), Broken, "report"},
		{"a record made up in the data", signedFile(ReportData, "\"records\": [", "\"records\": [{\"name\": \"x\", \"kind\": \"note\"},"), Broken, "report"},
		{"a key no report has in the data", signedFile(ReportData, "{", "{\"safe\": true,"), Broken, "report"},
		{"a key twice in the data", signedFile(ReportData, "{", "{\"schema\": 1,"), Broken, "report"},
		{"a key in other letters in the data", signedFile(ReportData, "{", "{\"Schema\": 1,"), Broken, "report"},
		{"data that is none", func(f *forgery) []byte { f.files[ReportData] = []byte("{}{}"); return f.sign() }, Broken, "report"},
		{"data nested without end", func(f *forgery) []byte {
			f.files[ReportData] = bytes.Repeat([]byte(`{"records":[`), 200_000)
			return f.sign()
		}, Broken, "report"},
		{"claims of a key that signed nothing", func(f *forgery) []byte {
			f.files[ClaimsFile] = append(f.files[ClaimsFile], "owner@other.example "+gitobj.Authorized(newKey(t, "ed25519").PublicKey())+"\n"...)
			return f.sign()
		}, Broken, "claims"},
		{"claims under another name", signedFile(ClaimsFile, "maren@", "karen@"), Untrusted, "claims"},
		{"another seal in the packet's note", func(f *forgery) []byte {
			f.files[PacketFile] = bytes.Replace(f.files[PacketFile], []byte(f.seals()[1].Digest), []byte(f.seals()[0].Digest), 1)
			return f.sign()
		}, Broken, "envelope"},
		{"the statement of an earlier seal beside the history", func(f *forgery) []byte { f.files[SealFile] = f.seals()[0].Message; return f.sign() }, Broken, "envelope"},

		// The bundle and its objects.
		{"no bundle", rawBundle(func([]byte) []byte { return []byte{} }), Broken, "bundle"},
		{"a bundle that needs more", rawBundle(func(b []byte) []byte {
			return bytes.Replace(b, []byte(BundleHead), []byte(BundleHead+"-"+strings.Repeat("1", 40)+"\n"), 1)
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
			f.refs = append(f.refs, Ref{"refs/heads/main", f.head()})
			return f.pack()
		}, Broken, "bundle"},
		{"a second unit", func(f *forgery) []byte {
			f.history = true
			f.refs = append(f.refs, Ref{UnitRefs + "longwave-3/lw3-9", f.head()})
			return f.pack()
		}, Broken, "bundle"},
		{"a tag that is no seal", func(f *forgery) []byte {
			f.history = true
			f.refs = append(f.refs, Ref{TagRefs + "v1", f.head()})
			return f.pack()
		}, Broken, "bundle"},
		{"a seal that is a bare commit", func(f *forgery) []byte {
			f.history = true
			f.refs = append(f.refs, Ref{TagRefs + "seal/" + lw + "/3-00000000", f.head()})
			return f.pack()
		}, Broken, "object"},
		{"HEAD elsewhere", func(f *forgery) []byte {
			f.history = true
			f.refs[0].ID = f.seals()[0].head
			return f.pack()
		}, Broken, "bundle"},
		{"no HEAD", func(f *forgery) []byte { f.history = true; f.refs = f.refs[1:]; return f.pack() }, Broken, "bundle"},
		{"no unit", func(f *forgery) []byte { f.history = true; f.refs = slices.Delete(f.refs, 1, 2); return f.pack() }, Broken, "bundle"},

		// Commits.
		{"a commit changed under its signature", func(f *forgery) []byte {
			data := bytes.Replace(f.objects[f.head()].Data, []byte(" note\n"), []byte(" nota\n"), 1)
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
		}, Untrusted, "growth"},
		{"another identity in a later version", func(f *forgery) []byte {
			for _, e := range f.folder() {
				if e.Name == "instrument.toml" {
					i := must(decodeInstrument(f.objects[e.ID].Data))
					i.UUID = "00000000-0000-4000-8000-000000000000"
					return f.with(gitobj.ModeFile, e.Name, string(schema.Encode(i)))
				}
			}
			return nil
		}, Broken, "identity"},
		{"no identity", func(f *forgery) []byte {
			return f.entries(slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return e.Name == "instrument.toml" }))
		}, Broken, "identity"},
		{"a record that is none", entry(gitobj.ModeFile, "2031-03-04-note-abcd.toml", "kind = \"note\ndate"), Broken, "records"},

		// Folders.
		{"a link", entry("120000", "2031-03-04-note-abcd.toml", "/etc/passwd"), Broken, "tree"},
		{"another repository", entry("160000", "2031-03-04-note-abcd.toml", "x"), Broken, "tree"},
		{"an executable", entry("100755", "2031-03-04-note-abcd.toml", "#!/bin/sh"), Broken, "tree"},
		{"git's own folder", func(f *forgery) []byte {
			h := f.tree([]gitobj.Entry{{Mode: gitobj.ModeFile, Name: "config", ID: f.put(object.TypeBlob, []byte("[core]"))}})
			return f.entries(append([]gitobj.Entry{{Mode: gitobj.ModeTree, Name: ".git", ID: h}}, f.folder()...))
		}, Broken, "tree"},
		{"a look-alike of it", entry(gitobj.ModeFile, "GIT~1", "[core]"), Broken, "tree"},
		{"modules of git", entry(gitobj.ModeFile, ".gitmodules", "[submodule]"), Broken, "tree"},
		{"a name that climbs", func(f *forgery) []byte {
			return f.entries(append([]gitobj.Entry{{Mode: gitobj.ModeFile, Name: "..", ID: f.put(object.TypeBlob, []byte("x"))}}, f.folder()...))
		}, Broken, "tree"},
		{"a name with a slash", entry(gitobj.ModeFile, "files/../2031-03-04-note-abcd.toml", "x"), Broken, "tree"},
		{"attributes that run programs", entry(gitobj.ModeFile, ".gitattributes", "* filter=evil\n"), Broken, "tree"},
		{"no attributes", func(f *forgery) []byte {
			return f.entries(slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return e.Name == ".gitattributes" }))
		}, Broken, "tree"},
		{"two names that differ in case", func(f *forgery) []byte {
			b := f.put(object.TypeBlob, []byte("x"))
			h := f.tree([]gitobj.Entry{{Mode: gitobj.ModeFile, Name: "Plan.txt", ID: b}, {Mode: gitobj.ModeFile, Name: "plan.txt", ID: b}})
			return f.entries(slices.Insert(slices.DeleteFunc(f.folder(), func(e gitobj.Entry) bool { return e.Name == "files" }), 5, gitobj.Entry{Mode: gitobj.ModeTree, Name: "files", ID: h}))
		}, Broken, "tree"},
		{"entries out of order", func(f *forgery) []byte {
			e := f.folder()
			slices.Reverse(e)
			return f.entries(e)
		}, Broken, "tree"},
		{"a folder of another kind", func(f *forgery) []byte {
			h := f.tree([]gitobj.Entry{{Mode: gitobj.ModeFile, Name: "x.txt", ID: f.put(object.TypeBlob, []byte("x"))}})
			return f.entries(append(f.folder(), gitobj.Entry{Mode: gitobj.ModeTree, Name: "tools", ID: h}))
		}, Broken, "tree"},
		{"a name some system keeps for itself", func(f *forgery) []byte {
			h := f.tree([]gitobj.Entry{{Mode: gitobj.ModeFile, Name: "con.txt", ID: f.put(object.TypeBlob, []byte("x"))}})
			e := f.folder()
			for i := range e {
				if e[i].Name == "files" {
					e[i].ID = h
				}
			}
			return f.entries(e)
		}, Broken, "tree"},
		{"folders that unfold without end", func(f *forgery) []byte {
			h := f.put(object.TypeBlob, []byte("x"))
			mode := gitobj.ModeFile
			for range 8 {
				var e []gitobj.Entry
				for i := range 20 {
					e = append(e, gitobj.Entry{Mode: mode, Name: fmt.Sprintf("f%02d", i), ID: h})
				}
				h, mode = f.tree(e), gitobj.ModeTree
			}
			e := f.folder()
			for i := range e {
				if e[i].Name == "files" {
					e[i].ID = h
				}
			}
			f.commit(f.tree(e), []object.Hash{f.head()}, "2031-03-05 note\n")
			return f.pack()
		}, Broken, "limit"},

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
			raw := f.objects[s.ID].Data
			payload, sig := splitTag(raw)
			st := *s.Statement
			st.Shop.Name = "Another Workshop"
			text := st.Encode()
			name := fmt.Sprintf("seal/%s/2-%s", lw, Digest(text)[:8])
			head := bytes.Replace(payload[:bytes.Index(payload, []byte("\n\n"))+2], []byte(s.Name), []byte(name), 1)
			f.drop(s)
			f.refs = append(f.refs, Ref{TagRefs + name, f.put(object.TypeTag, slices.Concat(head, text, sig))})
			return f.pack()
		}, Broken, "seal"},
		{"a seal without a signature", func(f *forgery) []byte {
			s := f.seals()[1]
			payload, _ := splitTag(f.objects[s.ID].Data)
			f.history = true
			f.refs[3].ID = f.put(object.TypeTag, payload)
			return f.pack()
		}, Broken, "seal"},
		{"a seal over other objects", resealed(func(st *Statement) { st.ObjectsSHA256 = strings.Repeat("0", 64) }), Broken, "sealed-objects"},
		{"a seal over fewer objects", resealed(func(st *Statement) { st.Objects-- }), Broken, "sealed-objects"},
		{"a seal over another file", resealed(func(st *Statement) { st.Files["model.toml"] = strings.Repeat("0", 64) }), Broken, "sealed-files"},
		{"a seal that leaves a file out", resealed(func(st *Statement) { delete(st.Files, "model.toml") }), Broken, "sealed-files"},
		{"a seal that names a file too many", resealed(func(st *Statement) { st.Files["2031-03-04-note-aaaa.toml"] = strings.Repeat("0", 64) }), Broken, "sealed-files"},
		{"a seal with another beginning", resealed(func(st *Statement) { st.Root = strings.Repeat("0", 40) }), Broken, "root"},
		{"a seal over another instrument", resealed(func(st *Statement) { st.UUID = "00000000-0000-4000-8000-000000000000" }), Broken, "seal"},
		{"a seal over another unit", resealed(func(st *Statement) { st.Unit = "longwave-3/lw3-9" }), Broken, "seal"},
		{"a seal after another one", resealed(func(st *Statement) { st.Supersedes = []string{strings.Repeat("0", 64)} }), Broken, "chain"},
		{"a number left out", resealed(func(st *Statement) { st.Number++ }), Broken, "chain"},
		{"a seal dated back", resealed(func(st *Statement) { st.Sealed = st.Sealed.AddDate(-2, 0, 0) }), Untrusted, "clock"},
		{"a seal dated ahead", resealed(func(st *Statement) { st.Sealed = st.Sealed.AddDate(90, 0, 0) }), Untrusted, "clock"},
		{"a seal that leaves the last one out", resealed(func(st *Statement) {
			st.Supersedes, st.Number = f0.Statement.Supersedes, 2
			st.Supersedes = []string{f0.Digest}
		}), Broken, "forked"},
		{"two seals on one commit", func(f *forgery) []byte { f.reseal(nil); return f.pack() }, Untrusted, ""},
		{"a seal on a commit of another history", resealed(func(st *Statement) { st.Head = st.Root }), Broken, "chain"},
		{"a statement of a newer format", resealed(func(st *Statement) { st.Format = 2 }), Unreadable, "format"},
		{"a statement that supersedes all and is the first", resealed(func(st *Statement) { st.Number = 1 }), Broken, "seal"},

		// Keys handed on that were not.
		{"a rotation the old key did not sign", resealed(func(st *Statement) {
			r := must(Rotate("Halden Street Workshop", owner, thief, benchDay))
			r.OldSignature = r.NewSignature
			st.Rotations = []SignedRotation{*r}
		}), Broken, "rotation"},
		{"a rotation the new key did not sign", resealed(func(st *Statement) {
			r := must(Rotate(halden, thief, owner, benchDay))
			r.NewSignature = r.OldSignature
			st.Rotations = []SignedRotation{*r}
		}), Broken, "rotation"},
		{"a rotation whose text was changed", resealed(func(st *Statement) {
			r := must(Rotate(halden, thief, newKey(t, "ed25519"), benchDay))
			r.Text = strings.Replace(r.Text, gitobj.Authorized(thief.PublicKey()), gitobj.Authorized(owner.PublicKey()), 1)
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
			v := VerifyBytes(packet, trusting(owner))
			if v.Verdict != c.want {
				t.Errorf("the verdict is %q, want %q\n%s", v.Verdict, c.want, flaws(v))
			}
			named := slices.ContainsFunc(v.Flaws, func(f Flaw) bool {
				return f.Check == c.check && f.Place != "" && f.Warning == (c.want == Untrusted)
			})
			if c.check != "" && !named {
				t.Errorf("nothing is filed under %q:\n%s", c.check, flaws(v))
			}
		})
	}
}
