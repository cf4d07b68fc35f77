package main

import (
	"archive/zip"
	"bytes"
	"compress/zlib"
	"encoding/base64"
	"fmt"
	"html"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf16"
)

// TestNothingElseTravels plants words in every place of a ledger that must stay in
// the shop, hands a unit over, and looks for them in every byte of the packet,
// with everything unfolded that is compressed or encoded.
func TestNothingElseTravels(t *testing.T) {
	longRound(t)
	if _, err := exec.LookPath("ssh-keygen"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("ssh-keygen is not installed")
		}
		t.Skip("ssh-keygen is not installed; it makes the key")
	}
	dir := newBench(t)
	git := func(args ...string) {
		t.Helper()
		if out, err := gitOut(dir, args...); err != nil {
			t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
	put := func(p, text string) {
		t.Helper()
		name := filepath.Join(dir, filepath.FromSlash(p))
		if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	where := map[string]string{} // by word
	word := func(place string) string {
		w := fmt.Sprintf("kestrel%02dzq", len(where))
		where[w] = place
		return w
	}
	key := filepath.Join(t.TempDir(), word("the name of the key's file"))
	if out, err := exec.Command("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", word("the key's remark"), "-f", key).CombinedOutput(); err != nil {
		t.Fatalf("ssh-keygen: %v %s", err, out)
	}
	git("config", "gpg.format", "ssh")
	git("config", "user.signingkey", key)
	git("config", "remote.origin.url", "https://"+word("git's configuration")+".example/x.git")

	// The shop's own files.
	must(t, dir, "record", "book", "--kind", "quote", "--amount", "480.00", "--what", word("books/"), "--customer", "K17")
	put("private/names.txt", word("private/"))
	where["Brannock"], where["7946 0123"] = "private/", "private/"
	lot, err := os.ReadFile(filepath.Join(dir, "lots", "2030-el-2u2.toml"))
	if err != nil {
		t.Fatal(err)
	}
	put("lots/2030-el-2u2.toml", strings.Replace(string(lot), "Orrin Parts", word("a lot's supplier"), 1)+
		"\n[[notice]]\ndate = 2031-02-01\nby = \"mw\"\nverdict = \"good\"\nwhat = \""+word("what was learnt of a lot")+"\"\n")
	shop, err := os.ReadFile(filepath.Join(dir, "shop.toml"))
	if err != nil {
		t.Fatal(err)
	}
	put("shop.toml", string(shop)+"\n[[technician]]\nid = \"qq\"\nname = \""+word("a technician who had no part in it")+"\"\n")
	must(t, dir, "save")

	// Another unit.
	must(t, dir, "record", "note", "--unit", "lw3-2204", "--note", word("another unit"))
	where["lw3-2204"] = "another unit's name"

	// What was written and taken back before the close, and what was corrected.
	must(t, dir, "record", "note", "--note", word("a record that was taken back"))
	must(t, dir, "undo")
	slip := word("a slip that was edited out")
	must(t, dir, "record", "note", "--note", "seen by daylight "+slip)
	notes, err := filepath.Glob(filepath.Join(dir, "instruments", "astrella-61", "a61-10233", "*-note-*.toml"))
	if err != nil || len(notes) != 1 {
		t.Fatalf("the notes are %v, %v", notes, err)
	}
	text, err := os.ReadFile(notes[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(notes[0], bytes.Replace(text, []byte(" "+slip), nil, 1), 0o666); err != nil {
		t.Fatal(err)
	}
	must(t, dir, "save")

	// A photograph that says more than it shows.
	picture, err := pictureOf(40, 30, "2031:03:02", word("a photograph's remark"))
	if err != nil {
		t.Fatal(err)
	}
	photo := filepath.Join(t.TempDir(), word("the name a photograph had")+".jpg")
	if err := os.WriteFile(photo, picture, 0o666); err != nil {
		t.Fatal(err)
	}
	const seen = "caption4711zq" // this one travels
	must(t, dir, "photo", photo, "--caption", seen)

	put("release.toml", release)
	must(t, dir, "record", "release", "--from", "release.toml")
	if err := os.Remove(filepath.Join(dir, "release.toml")); err != nil {
		t.Fatal(err)
	}
	must(t, dir, "close", "--yes")

	// What git keeps besides.
	git("commit", "-q", "--allow-empty", "-m", word("a message on main by hand"))
	git("commit", "-q", "--allow-empty", "-m", word("a commit only the reflog has"))
	git("reset", "-q", "--hard", "HEAD~1")
	intake := "instruments/astrella-61/a61-10233/instrument.toml"
	data, err := os.ReadFile(filepath.Join(dir, intake))
	if err != nil {
		t.Fatal(err)
	}
	put(intake, string(data)+"# "+word("a stash")+"\n")
	git("stash", "-q")
	put("loose.txt", word("an object nothing refers to"))
	git("hash-object", "-w", "loose.txt")
	if err := os.Remove(filepath.Join(dir, "loose.txt")); err != nil {
		t.Fatal(err)
	}
	git("notes", "add", "-m", word("a note on a commit"), "unit/astrella-61/a61-10233")
	git("tag", "-a", "-m", word("another tag of the history"), word("the name of another tag"), "unit/astrella-61/a61-10233")
	git("branch", "unit/astrella-61/"+word("another branch"), "unit/astrella-61/a61-10233~1")
	where[filepath.Base(filepath.Dir(filepath.Dir(dir)))] = "the folder's name"

	must(t, dir, "seal", "a61-10233")
	packet := filepath.Join(t.TempDir(), "p.zip")
	must(t, dir, "handover", "a61-10233", "-o", packet)

	whole := unfolded(t, packet)
	for w, place := range where {
		for _, form := range []string{w, strings.ToUpper(w), wide(w)} {
			if i := bytes.Index(whole, []byte(form)); i >= 0 {
				t.Errorf("%s is in the packet: %q", place, whole[max(0, i-60):i+len(form)+20])
			}
		}
	}
	// What is looked into must hold what travels, or looking proves nothing.
	for name, n := range map[string]int{seen: 3, "seen by daylight": 3, "Halden Street Workshop": 4, "kind = \"seal\"": 1, "%PDF-": 1, "\xff\xd8\xff": 2} {
		if got := bytes.Count(whole, []byte(name)); got < n {
			t.Errorf("%q was found %d times in the packet, of %d at least: not all of it was looked into", name, got, n)
		}
	}
	if len(where) < 20 {
		t.Errorf("only %d words were planted", len(where))
	}
}

// wide is text in UTF-16, as PDF keeps some of it.
func wide(s string) string {
	var b strings.Builder
	for _, u := range utf16.Encode([]rune(s)) {
		b.WriteByte(byte(u >> 8))
		b.WriteByte(byte(u))
	}
	return b.String()
}

var (
	pdfStream = regexp.MustCompile(`stream\r?\n`)
	dataURI   = regexp.MustCompile(`;base64,([A-Za-z0-9+/=]+)`)
)

// unfolded is a packet with all that is in it: the zip and its entries as they
// are, git's objects inflated, a PDF's streams inflated, what a page has encoded
// decoded.
func unfolded(t *testing.T, packet string) []byte {
	t.Helper()
	all, err := os.ReadFile(packet)
	if err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(all), int64(len(all)))
	if err != nil {
		t.Fatal(err)
	}
	streams := 0
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, data...)
		switch f.Name {
		case "history.bundle":
			dir := t.TempDir()
			name := filepath.Join(dir, "b")
			if err := os.WriteFile(name, data, 0o666); err != nil {
				t.Fatal(err)
			}
			// The pack as it is, with objects no ref reaches.
			_, pack, ok := bytes.Cut(data, []byte("\n\nPACK"))
			if !ok {
				t.Fatal("the bundle has no pack")
			}
			if out, err := gitOut(dir, "init", "-q", "--bare", "r"); err != nil {
				t.Fatalf("%v %s", err, out)
			}
			cmd := exec.Command("git", "unpack-objects", "-q")
			cmd.Dir, cmd.Stdin = filepath.Join(dir, "r"), bytes.NewReader(append([]byte("PACK"), pack...))
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("%v %s", err, out)
			}
			cmd = exec.Command("git", "cat-file", "--batch-all-objects", "--batch")
			cmd.Dir = filepath.Join(dir, "r")
			out, err := cmd.Output()
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, out...)
		case "report.pdf":
			for _, at := range pdfStream.FindAllIndex(data, -1) {
				r, err := zlib.NewReader(bytes.NewReader(data[at[1]:]))
				if err != nil {
					continue // not compressed: it stands in the file as it is
				}
				if text, err := io.ReadAll(r); err == nil {
					all = append(all, text...)
					streams++
				}
			}
		case "report.html":
			for _, m := range dataURI.FindAllStringSubmatch(html.UnescapeString(string(data)), -1) {
				text, err := base64.StdEncoding.DecodeString(m[1])
				if err != nil {
					t.Fatal(err)
				}
				all = append(all, text...)
			}
		}
	}
	if streams < 3 {
		t.Errorf("%d streams of the PDF were inflated", streams)
	}
	return all
}
