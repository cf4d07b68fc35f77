package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"image"
	"image/jpeg"
	"path"
	"strings"
	"testing"

	"benchlore/ledger/photo"
	"benchlore/schema"
)

// attach takes things in on the day.
func (w *workshop) attach(record string, list ...Attachment) (Saved, error) {
	return w.Attach(lw, list, AttachOptions{By: "mw", Day: w.Today(), Record: record})
}

func (w *workshop) mustAttach(record string, list ...Attachment) Saved {
	w.t.Helper()
	s, err := w.attach(record, list...)
	if err != nil {
		w.t.Fatalf("attach: %v%s", err, drawings(err))
	}
	return s
}

func jpegOf(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func aPhoto(t testing.TB, caption string) Attachment {
	p, err := photo.Read("IMG_1.jpg", bytes.NewReader(jpegOf(t, image.NewGray(image.Rect(0, 0, 30+len(caption)+int(caption[1])%30, 20)))))
	if err != nil {
		t.Fatal(err)
	}
	return Attachment{Name: "IMG_1.jpg", Data: p.JPEG, Photo: &schema.Photo{Caption: caption, Section: "amplifier", Stage: schema.AsFound, SHA256: p.SHA256}}
}

func aFile(name, data string) Attachment {
	return Attachment{Name: name, Data: []byte(data), File: &schema.File{Title: "what " + name + " is"}}
}

// TestAttachTwice takes the same original in again: it is named again, and its
// bytes are kept once.
func TestAttachTwice(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	one, two, other := aPhoto(t, "left side"), aPhoto(t, "left side"), aPhoto(t, "right side")
	two.Photo.Stage = schema.AsLeft
	s := w.mustAttach("", one, two, other)
	if one.Photo.File != two.Photo.File || one.Photo.File == other.Photo.File || len(s.Files) != 3 {
		t.Errorf("%s, %s, %s; files %v", one.Photo.File, two.Photo.File, other.Photo.File, s.Files)
	}
	three := aPhoto(t, "left side")
	three.Photo.Caption = "left side, the burnt resistor"
	s = w.mustAttach("", three)
	if three.Photo.File != one.Photo.File || len(s.Files) != 1 || len(s.Problems) != 0 {
		t.Errorf("%s is kept again as %s; files %v, problems %v", one.Photo.File, three.Photo.File, s.Files, s.Problems)
	}
	_, err := w.attach("", aPhoto(t, "left side"))
	if usage := (*UsageError)(nil); !errors.As(err, &usage) {
		t.Errorf("the same entry again: %v", err)
	}
	if n := len(w.record(s.Path).Head().Photos); n != 4 {
		t.Errorf("%d entries", n)
	}
	if r, err := w.Check(lw); err != nil || !r.Clean() {
		t.Errorf("check: %v %v %v", err, r.Problems, r.Git)
	}
	judge(t, w.Dir)
}

func (w *workshop) record(p string) schema.Record {
	w.t.Helper()
	data, err := w.read(p)
	if err != nil {
		w.t.Fatal(err)
	}
	rec, problems := schema.DecodeRecord(p, data)
	if rec == nil || schema.Worst(problems) > schema.Warned {
		w.t.Fatalf("%s: %v", p, problems)
	}
	return rec
}

// TestAttach takes pictures and files in: one note a day, one commit a command,
// and all of it travels with the close.
func TestAttach(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	before := strings.Count(git(t, w.Dir, "rev-list", "main"), "\n")
	s := w.mustAttach("", aPhoto(t, "left side"), aPhoto(t, "right side"), aFile("wiring.pdf", "%PDF-1.4 lines"))
	if n := strings.Count(git(t, w.Dir, "rev-list", "main"), "\n") - before; n != 1 {
		t.Errorf("it made %d commits", n)
	}
	if len(s.Files) != 4 || len(s.Problems) != 0 {
		t.Errorf("files %v, problems %v", s.Files, s.Problems)
	}
	again := w.mustAttach("", aPhoto(t, "below"))
	if again.Path != s.Path {
		t.Errorf("the day has two notes: %s, %s", s.Path, again.Path)
	}
	judge(t, w.Dir)
	h := w.record(s.Path).Head()
	if h.Kind != schema.KindNote || len(h.Photos) != 3 || len(h.Files) != 1 {
		t.Fatalf("%s: %d pictures, %d files", h.Kind, len(h.Photos), len(h.Files))
	}
	for i, caption := range []string{"left side", "right side", "below"} {
		p := h.Photos[i]
		if p.Caption != caption || p.Section != "amplifier" || p.Stage != schema.AsFound || len(p.SHA256) != 64 {
			t.Errorf("picture %d: %+v", i, p)
		}
		if !strings.HasPrefix(p.File, "photos/2031-03-04-") || path.Ext(p.File) != ".jpg" {
			t.Errorf("picture %d is called %s", i, p.File)
		}
	}
	sum := sha256.Sum256([]byte("%PDF-1.4 lines"))
	if f := h.Files[0]; f.File != "files/wiring.pdf" || f.SHA256 != hex.EncodeToString(sum[:]) || f.Title != "what wiring.pdf is" {
		t.Errorf("file %+v", f)
	}
	w.close(lw)
	tree := git(t, w.Dir, "ls-tree", "-r", "--name-only", "unit/"+lw)
	for _, f := range []string{h.Photos[0].File, h.Photos[2].File, "files/wiring.pdf"} {
		if !strings.Contains(tree, f) {
			t.Errorf("%s does not travel", f)
		}
	}
	// What was closed stays: the same day's pictures start a new note.
	later := w.mustAttach("", aPhoto(t, "later"))
	if later.Path == s.Path {
		t.Error("a closed note was written to")
	}
	var usage *UsageError
	if _, err := w.attach(path.Base(s.Path), aPhoto(t, "into it")); !errors.As(err, &usage) {
		t.Errorf("into a closed record: %v", err)
	}
	judge(t, w.Dir)
}

func TestAttachToARecord(t *testing.T) {
	w := newWorkshop(t)
	intake := w.add(lw, schema.KindIntake, "reason = \"overhaul\"\nworks = \"partly\"\n# seen twice\n[[fault]]\nid = \"F1\"\nsymptom = \"hum\"")
	name := strings.TrimSuffix(path.Base(intake), ".toml")
	a := aPhoto(t, "the lid")
	a.Photo.Fault = "F1"
	s := w.mustAttach(name, a, aFile("hum.wav", "RIFF"))
	if s.Path != intake || len(s.Problems) > 0 {
		t.Errorf("%s, %v", s.Path, s.Problems)
	}
	data, _ := w.read(intake)
	if !bytes.Contains(data, []byte("# seen twice")) {
		t.Error("the comment is gone")
	}
	if h := w.record(intake).Head(); len(h.Photos) != 1 || h.Photos[0].Fault != "F1" || len(h.Files) != 1 {
		t.Errorf("%+v", h)
	}
	// A fault nobody recorded is stored and told.
	b := aPhoto(t, "what?")
	b.Photo.Fault = "F9"
	if s := w.mustAttach(name, b); len(s.Problems) != 1 || s.Problems[0].Path != "photo[1].fault" {
		t.Errorf("problems %v", s.Problems)
	}
	var usage *UsageError
	if _, err := w.attach("2031-03-04-note-0000", aFile("x", "x")); !errors.As(err, &usage) {
		t.Errorf("a record that is not there: %v", err)
	}
	w.edit(intake, append(data, "\n# by hand\n"...))
	var unsaved *UnsavedError
	if _, err := w.attach(name, aFile("x", "x")); !errors.As(err, &unsaved) {
		t.Errorf("a record edited by hand: %v", err)
	}
	if _, err := w.root.Stat(unitDir(lw) + "/files/x"); err == nil {
		t.Error("a file was left behind by a command that failed")
	}
}

func TestAttachNames(t *testing.T) {
	w := newWorkshop(t)
	for _, c := range []struct{ name, data, want string }{
		{"wiring.pdf", "one", "files/wiring.pdf"},
		{"wiring.pdf", "one", "files/wiring.pdf"},
		{"WIRING.pdf", "one", "files/wiring.pdf"},
		{"wiring.pdf", "two", "files/wiring-????.pdf"},
		{"Plan of the supply (2).pdf", "x", "files/Plan-of-the-supply-2.pdf"},
		{`C:\scans\left.tif`, "x", "files/left.tif"},
		{"../../up.txt", "x", "files/up.txt"},
		{".hidden", "x", "files/hidden"},
		{"con.txt", "x", "files/file-con.txt"},
		{"Ölstand.txt", "x", "files/lstand.txt"},
		{"…", "x", "files/file"},
		{strings.Repeat("long", 60) + ".csv", "x", "files/" + strings.Repeat("long", 20) + ".csv"},
	} {
		a := aFile(c.name, c.data)
		s := w.mustAttach("", a)
		if ok, _ := path.Match(c.want, a.File.File); !ok {
			t.Errorf("%q is called %s, want %s", c.name, a.File.File, c.want)
		}
		if n, _ := schema.Count(s.Problems); n > 0 {
			t.Errorf("%q: %v", c.name, s.Problems)
		}
	}
	if r, err := w.Check(lw); err != nil || !r.Clean() {
		t.Errorf("check: %v %v %v", err, r.Problems, r.Git)
	}
	judge(t, w.Dir)
}

// TestAttachDigest changes a file behind its record's back.
func TestAttachDigest(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	s := w.mustAttach("", aFile("curve.csv", "1,2\n"))
	if r, err := w.Check(); err != nil || !r.Clean() {
		t.Fatalf("check: %v %v %v", err, r.Problems, r.Git)
	}
	w.edit(unitDir(lw)+"/files/curve.csv", []byte("1,3\n"))
	w.save()
	r, err := w.Check()
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Problems) != 1 || r.Problems[0].File != s.Path || r.Problems[0].Path != "file[0].sha256" || r.Problems[0].Severity != schema.Wrong || r.Problems[0].Line == 0 {
		t.Errorf("check: %+v", r.Problems)
	}
	var problems *ProblemsError
	if _, err := w.CloseJob(lw, CloseOptions{}); !errors.As(err, &problems) {
		t.Errorf("close: %v", err)
	}
}

// TestShopOnlyFiles keeps a file where nothing travels from.
func TestShopOnlyFiles(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	p := "books/" + lw + "/files/quote.pdf"
	w.edit(p, []byte("%PDF-1.4 for the customer"))
	if r := w.save(); len(r.LeftOut) > 0 || len(r.Files) != 1 || r.Files[0] != p {
		t.Errorf("saved %v, left %v", r.Files, r.LeftOut)
	}
	if r, err := w.Check(); err != nil || !r.Clean() {
		t.Errorf("check: %v %v %v", err, r.Problems, r.Git)
	}
	w.close(lw)
	if bytes.Contains(reachable(t, w.Dir, "unit/"+lw), []byte("for the customer")) {
		t.Error("it travels")
	}
	w.edit("books/"+lw+"/files/bad name.pdf", []byte("x"))
	w.save()
	if r, err := w.Check(); err != nil || r.Clean() {
		t.Errorf("a name some systems cannot keep passes: %v", err)
	}
}
