package proof

import (
	"archive/zip"
	"bytes"
	"io"
	"testing"
	"testing/fstest"
)

func TestHonestPacket(t *testing.T) {
	for _, kind := range []string{"ed25519", "ecdsa", "rsa"} {
		k := newKey(t, kind)
		s := newShop(t, k)
		s.seal()
		one := s.packet()
		s.later(3)
		s.note("played for a week")
		s.seal()
		two := s.packet()
		for _, p := range [][]byte{one, two} {
			v := VerifyBytes(p, trusting(k))
			verdict(t, v, Trusted)
			verdict(t, VerifyBytes(p, trusting()), Untrusted)
			if v.FlawCount+v.RemarkCount > 0 {
				t.Errorf("needless remarks:\n%s", flaws(v))
			}
			for _, page := range v.Pages {
				if !page.Same {
					t.Errorf("%s is not the page that is made here", page.File)
				}
			}
		}
		if v := VerifyBytes(two, trusting(k)); len(v.Seals) != 2 || v.Short != s.seals[1].Short() || v.Commits != 6 {
			t.Errorf("%d seals, %s, %d commits", len(v.Seals), v.Short, v.Commits)
		}
	}
}

// rezip packs the files of a zip anew, in the ways that mail gateways, cloud drives
// and desktops do.
func rezip(t testing.TB, packet []byte, change func(z *zip.Writer, name string, data []byte)) []byte {
	t.Helper()
	r, err := zip.NewReader(bytes.NewReader(packet), int64(len(packet)))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, f := range r.File {
		rd := must(f.Open())
		change(z, f.Name, must(io.ReadAll(rd)))
		rd.Close()
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func zipIn(t testing.TB, z *zip.Writer, h *zip.FileHeader, data []byte) {
	t.Helper()
	w, err := z.CreateHeader(h)
	if err == nil {
		_, err = w.Write(data)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// unpack gives the files of a zip as a folder.
func unpack(t testing.TB, packet []byte) fstest.MapFS {
	t.Helper()
	r, err := zip.NewReader(bytes.NewReader(packet), int64(len(packet)))
	if err != nil {
		t.Fatal(err)
	}
	out := fstest.MapFS{}
	for _, f := range r.File {
		rd := must(f.Open())
		out[f.Name] = &fstest.MapFile{Data: must(io.ReadAll(rd)), Mode: 0o644}
		rd.Close()
	}
	return out
}

func TestPackedAnew(t *testing.T) {
	k := newKey(t, "ed25519")
	s := newShop(t, k)
	s.seal()
	packet := s.packet()
	token := "times/" + s.seals[0].Name + ".1.tsr"
	for name, again := range map[string][]byte{
		"deflated, lengths behind the files": rezip(t, packet, func(z *zip.Writer, name string, data []byte) {
			zipIn(t, z, &zip.FileHeader{Name: name, Method: zip.Deflate}, data)
		}),
		"stored, lengths behind the files": rezip(t, packet, func(z *zip.Writer, name string, data []byte) {
			zipIn(t, z, &zip.FileHeader{Name: name}, data)
		}),
		"in a folder": rezip(t, packet, func(z *zip.Writer, name string, data []byte) {
			if name == GuideFile {
				zipIn(t, z, &zip.FileHeader{Name: "lw3-2204 (1)/"}, nil)
			}
			zipIn(t, z, &zip.FileHeader{Name: "lw3-2204 (1)/" + name, Method: zip.Deflate}, data)
		}),
		"with what a Macintosh adds": rezip(t, packet, func(z *zip.Writer, name string, data []byte) {
			zipIn(t, z, &zip.FileHeader{Name: "lw3-2204/" + name, Method: zip.Deflate}, data)
			zipIn(t, z, &zip.FileHeader{Name: "__MACOSX/lw3-2204/._" + name, Method: zip.Deflate}, []byte("junk"))
			if name == GuideFile {
				zipIn(t, z, &zip.FileHeader{Name: "lw3-2204/.DS_Store", Method: zip.Deflate}, []byte("junk"))
			}
		}),
		"with a time stamp and a comment": rezip(t, packet, func(z *zip.Writer, name string, data []byte) {
			zipIn(t, z, &zip.FileHeader{Name: name, Method: zip.Deflate}, data)
			if name == GuideFile {
				zipIn(t, z, &zip.FileHeader{Name: token}, []byte("token"))
				if err := z.SetComment("packed by a cloud drive"); err != nil {
					t.Fatal(err)
				}
			}
		}),
	} {
		v := VerifyBytes(again, trusting(k))
		if verdict(t, v, Trusted); t.Failed() {
			t.Fatal(name)
		}
		if name == "with a time stamp and a comment" && (len(v.Tokens) != 1 || v.Tokens[0] != token) {
			t.Errorf("the tokens are %q", v.Tokens)
		}
	}
	folder := unpack(t, packet)
	verdict(t, VerifyFolder(folder, trusting(k)), Trusted)
	inFolder := fstest.MapFS{}
	for name, f := range folder {
		inFolder["lw3-2204/"+name] = f
	}
	verdict(t, VerifyFolder(inFolder, trusting(k)), Trusted)
	folder["history/HEAD"] = &fstest.MapFile{Data: []byte("cloned while checking")}
	folder["invoice.pdf"] = &fstest.MapFile{Data: []byte("pay here")}
	v := VerifyFolder(folder, trusting(k))
	verdict(t, v, Trusted)
	if v.RemarkCount != 1 {
		t.Errorf("what lies beside the packet is not told:\n%s", flaws(v))
	}
	folder[ReportPage] = &fstest.MapFile{Data: []byte("changed")}
	if v := VerifyFolder(folder, trusting(k)); v.Verdict != Broken {
		t.Errorf("a changed page: %s", v.Verdict)
	}
}
