package unit

import (
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"benchlore/schema"
)

// TestRead reads a unit from a plain file system, with one of everything that
// does not belong in a unit's folder.
func TestRead(t *testing.T) {
	const dir = "instruments/astrella-61/a61-10233"
	file := func(s string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(s)} }
	good := fstest.MapFS{
		dir + "/.gitattributes":  file("* -text\n"),
		dir + "/instrument.toml": file("format = 1\nuuid = \"0b6f0a52-6c1e-4a53-9c1d-3f0a7f2b9e11\"\nmaker = \"Corvane\"\nmodel = \"Astrella 61\"\n"),
		dir + "/model.toml":      file("maker = \"Corvane\"\nname = \"Astrella 61\"\n[[section]]\nname = \"case\"\n"),
		dir + "/2029-03-04-note-a7xk.toml": file("kind = \"note\"\ndate = 2029-03-04\nby = \"mw\"\ntitle = \"dust\"\n" +
			"[[photo]]\nfile = \"photos/front.jpg\"\n"),
		dir + "/photos/front.jpg":              file("jpeg"),
		"instruments/astrella-61/other/x.toml": file("not this unit's"),
	}
	of := Folder{Name: "astrella-61/a61-10233", Dir: dir, Attributes: "* -text\n"}
	u, err := Read(good, of, Context{})
	if err != nil || len(u.Problems) > 0 || len(u.Unit.Files) != 1 || u.Section("case") == nil || len(u.Files) != 4 {
		t.Fatalf("%v, %v, %d records, sections %v, %d files", err, u.Problems, len(u.Unit.Files), u.Sections, len(u.Files))
	}
	of.Model = &schema.Model{Sections: []schema.Section{{Name: "keybed"}}}
	if u, err = Read(good, of, Context{}); err != nil || u.Section("keybed") == nil {
		t.Errorf("the shop's model does not come before that of the folder: %v", err)
	}
	of.Model = nil
	for _, c := range []struct {
		path, text, want string
	}{
		{dir + "/.gitattributes", "* text\n", "does not keep git"},
		{dir + "/instrument.toml", "format = 2\n", "newer than this program"},
		{dir + "/instrument.toml", "", "is missing"},
		{dir + "/model.toml", "", "models/astrella-61.toml"},
		{dir + "/photos/front.jpg", "", "names photos/front.jpg, which is not there"},
		{dir + "/scans/front.pdf", "x", "does not belong"},
		{dir + "/files/NUL.txt", "x", "no such name"},
		{dir + "/Model.toml", "x", "differs from"},
		{dir + "/todo.toml", "x", "is not named as a record"},
		{dir + "/2029-03-05-repair-a7xk.toml", "x", "\"repair\" is not a kind of record"},
	} {
		files := fstest.MapFS{}
		for p, f := range good {
			files[p] = f
		}
		if files[c.path] = file(c.text); c.text == "" {
			delete(files, c.path)
		}
		of.Attachment = func(name string) (string, string) {
			if name == "NUL.txt" {
				return "no such name", "another"
			}
			return "", ""
		}
		u, err := Read(files, of, Context{})
		if err != nil || !slices.ContainsFunc(u.Problems, func(p schema.Problem) bool { return strings.Contains(p.File+" "+p.Message, c.want) }) {
			t.Errorf("%s: %v, no %q in %v", c.path, err, c.want, u.Problems)
		}
	}
	if _, err := Read(fstest.MapFS{}, of, Context{}); err == nil {
		t.Error("a folder that is not there was read")
	}
}
