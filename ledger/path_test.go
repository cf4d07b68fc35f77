package ledger

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"benchlore/ledger/proof"
)

func TestCheckSlug(t *testing.T) {
	for s, ok := range map[string]bool{
		"a61-10233": true, "0": true, "n64": true, "console": true, "com": true, "com10": true, "nul-1": true,
		strings.Repeat("a", 64): true, strings.Repeat("a", 65): false,
		"": false, "-a": false, "A61": false, "a_b": false, "a b": false, "a.toml": false, "a/b": false, "..": false, "ä": false, "a\n": false,
		// The device names Windows reserves in every folder (Microsoft,
		// "Naming Files, Paths, and Namespaces"; from memory).
		"con": false, "prn": false, "aux": false, "nul": false, "com1": false, "com9": false, "lpt1": false, "lpt9": false,
	} {
		err := CheckSlug("tag", s)
		if (err == nil) != ok {
			t.Errorf("%q: %v", s, err)
		}
		var usage *UsageError
		if err != nil && (!errors.As(err, &usage) || usage.Hint() == "" || !strings.Contains(err.Error(), "tag")) {
			t.Errorf("%q: %v says too little", s, err)
		}
	}
}

// TestSlugOf: whatever is made of a text is a folder name, unless Windows
// keeps it or nothing is left.
func TestSlugOf(t *testing.T) {
	if got := slugOf("Astrella 61 (Mk II)"); got != "astrella-61-mk-ii" {
		t.Errorf("got %q", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := slugOf(rapid.String().Draw(t, "text"))
		if s != "" && !proof.IsSlug(s) && !proof.IsDevice(s) {
			t.Fatalf("%q is no folder name", s)
		}
	})
}

func TestResolve(t *testing.T) {
	w := newWorkshop(t)
	for _, u := range []string{"longwave-3/lw3-9001", "longwave-3/x-2204", "longwave-3/2204b"} {
		w.unit(u)
	}
	for _, c := range []struct{ in, want, err string }{
		{"longwave-3/lw3-2204", lw, ""},
		{"lw3-2204", lw, ""},
		{"instruments/longwave-3/lw3-2204", lw, ""},
		{"instruments/longwave-3/lw3-2204/", lw, ""},
		{"./instruments/longwave-3/lw3-2204", lw, ""},
		{`instruments\longwave-3\lw3-2204`, lw, ""},
		{"9001", "longwave-3/lw3-9001", ""},
		{"04b", "longwave-3/2204b", ""},
		{"-2204", "", "could be any of: longwave-3/lw3-2204, longwave-3/x-2204"},
		{"2204", "", "could be any of"},
		{"lw3-2205", "", "there is no unit"},
		{"", "", "there is no unit"},
		{".", "", "there is no unit"},
		{"/", "", "there is no unit"},
		{"..", "", "there is no unit"},
		{"../../etc", "", "there is no unit"},
	} {
		got, err := w.Resolve(c.in)
		switch {
		case c.err == "" && (err != nil || got != c.want):
			t.Errorf("%q: %q, %v; want %q", c.in, got, err, c.want)
		case c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err)):
			t.Errorf("%q: %q, %v; want an error with %q", c.in, got, err, c.err)
		}
	}
	_, err := w.Resolve("lw3-2205")
	if h := hintOf(err); !strings.Contains(h, "did you mean lw3-2204?") {
		t.Errorf("hint %q", h)
	}
	// Many matches are not all listed.
	for _, tag := range []string{"a-77", "b-77", "c-77", "d-77", "e-77", "f-77", "g-77", "h-77", "i-77"} {
		w.unit("longwave-3/" + tag)
	}
	if _, err := w.Resolve("77"); err == nil || !strings.HasSuffix(err.Error(), ", ...") {
		t.Errorf("%v", err)
	}
}

func TestFind(t *testing.T) {
	w := newWorkshop(t)
	below := filepath.Join(w.Dir, "instruments", "longwave-3", "lw3-2204")
	for _, dir := range []string{w.Dir, below} {
		if got, err := Find(dir); err != nil || got != w.Dir {
			t.Errorf("%s: %s, %v", dir, got, err)
		}
	}
	var none *NoLedgerError
	if _, err := Find(t.TempDir()); !errors.As(err, &none) || !strings.Contains(none.Hint(), "benchlore start") {
		t.Errorf("%v", err)
	}
	if _, err := Open(filepath.Join(w.Dir, "nowhere"), Options{}); !errors.As(err, &none) {
		t.Errorf("%v", err)
	}
	if _, err := Open(t.TempDir(), Options{}); !errors.As(err, &none) {
		t.Errorf("%v", err)
	}
}

// TestFormat: unreadable, too old and too new are three different messages,
// in shop.toml and in instrument.toml.
func TestFormat(t *testing.T) {
	for _, c := range []struct{ line, says, hint string }{
		{"", "cannot tell the version", "write format = 1"},
		{"format = \"one\"", "cannot tell the version", "write format = 1"},
		{"format = 0", "of format 0; this program reads format 1", "nothing to migrate"},
		{"format = 2", "newer than this program", "install a newer Benchlore"},
		// What a later version adds may not even parse here; the number counts.
		{"format = 3\nnew syntax %% here", "newer than this program", "install a newer Benchlore"},
	} {
		t.Run(c.line, func(t *testing.T) {
			w := newWorkshop(t)
			shop := string(mustRead(t, w.Dir, "shop.toml"))
			w.edit("shop.toml", []byte(strings.Replace(shop, "format = 1", c.line, 1)))
			_, err := Open(w.Dir, w.options())
			var format *FormatError
			if !errors.As(err, &format) || !strings.Contains(err.Error(), c.says) || !strings.Contains(format.Hint(), c.hint) {
				t.Errorf("shop.toml: %v, hint %q", err, hintOf(err))
			}
			w.edit("shop.toml", []byte(shop))

			inst := string(mustRead(t, w.Dir, "instruments/"+lw+"/instrument.toml"))
			w.edit("instruments/"+lw+"/instrument.toml", []byte(strings.Replace(inst, "format = 1", c.line, 1)))
			r, err := w.reopen(w.Dir).Check()
			if err != nil {
				t.Fatal(err)
			}
			var found bool
			for _, p := range r.Problems {
				found = found || strings.HasSuffix(p.File, "instrument.toml") && strings.Contains(p.Message, c.says) && strings.Contains(p.Write, c.hint)
			}
			if !found {
				t.Errorf("instrument.toml: %v", r.Problems)
			}
			var problems *ProblemsError
			if _, err := w.reopen(w.Dir).Save(); !errors.As(err, &problems) {
				t.Errorf("save took it: %v", err)
			}
		})
	}
}

// TestOnBench: the choice is this copy's, and one that no longer stands is
// none.
func TestOnBench(t *testing.T) {
	w := newWorkshop(t)
	if got := w.OnBench(); got != "" {
		t.Errorf("on the bench: %q", got)
	}
	if err := w.SetOnBench(lw); err != nil {
		t.Fatal(err)
	}
	if got := w.reopen(w.Dir).OnBench(); got != lw {
		t.Errorf("on the bench: %q", got)
	}
	for _, odd := range []string{"longwave-3/gone", "../../..", "", "shop.toml"} {
		if err := os.WriteFile(filepath.Join(w.Dir, filepath.FromSlash(onBenchFile)), []byte(odd+"\n"), 0o666); err != nil {
			t.Fatal(err)
		}
		if got := w.OnBench(); got != "" {
			t.Errorf("%q in the file: on the bench is %q", odd, got)
		}
	}
	if err := w.SetOnBench(""); err != nil {
		t.Error(err)
	}
	if err := w.SetOnBench(""); err != nil {
		t.Error(err)
	}
	judge(t, w.Dir)
}
