package schema

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestFormats(t *testing.T) {
	for file, f := range map[string]FileFormat{"shop.toml": ShopFormat, "instrument.toml": InstrumentFormat} {
		for _, n := range f.Read {
			if err := f.Check(file, fmt.Appendf(nil, "format = %d\n", n)); err != nil {
				t.Errorf("format %d of %s, which is read: %v", n, file, err)
			}
		}
		for _, c := range []struct {
			what, text, says, hint string
			tooNew                 bool
		}{
			{"of the future", fmt.Sprintf("format = %d\nkey_of_the_future = 3\n", f.Current+1), "newer than this program", "install a newer", true},
			{"of the future, not to be read", fmt.Sprintf("format = %d\n[a\n", f.Current+1), "newer than this program", "install a newer", true},
			{"too old", "format = 0\n", "is of format 0; this program reads", "nothing to migrate", false},
			{"of none", "name = \"Halden Street Workshop\"\n", "cannot tell the version", "write format", false},
			{"not to be read", "format = \"one\"\n", "cannot tell the version", "write format", false},
		} {
			var e *FormatError
			if err := f.Check(file, []byte(c.text)); !errors.As(err, &e) {
				t.Errorf("%s, %s: %v", file, c.what, err)
				continue
			}
			if !strings.Contains(e.Error(), c.says) || !strings.Contains(e.Error(), f.What) || !strings.Contains(e.Hint(), c.hint) || e.TooNew() != c.tooNew {
				t.Errorf("%s, %s: %v, %s, too new: %v", file, c.what, e, e.Hint(), e.TooNew())
			}
		}
	}
}

// The files kept from every format that was ever written are read.
func TestKeptFormats(t *testing.T) {
	for pattern, f := range map[string]FileFormat{"../testdata/schema/good/shop-*/shop.toml": ShopFormat,
		"../testdata/schema/good/instrument-*/instrument.toml": InstrumentFormat} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("no files %s: %v", pattern, err)
		}
		for _, name := range files {
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			if err := f.Check(name, data); err != nil {
				t.Error(err)
			}
		}
	}
}
