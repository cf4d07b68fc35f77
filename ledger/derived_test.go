package ledger

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// checkJSON is what check says, without and with what was kept from before.
func checkJSON(t interface{ Fatal(...any) }, l *Ledger) string {
	r, err := l.Check()
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestDerivedFollowsTheFiles changes a ledger in every way it can be changed
// from inside and outside, and checks after each that what was kept changes
// nothing of what check says.
func TestDerivedFollowsTheFiles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := rapidWorkshop(t)
		defer w.Close()
		names := []string{lw, "longwave-3/lw3-0007"}
		edit := func(p string, data []byte) {
			file := filepath.Join(w.Dir, filepath.FromSlash(p))
			if err := errors.Join(os.MkdirAll(filepath.Dir(file), 0o777), os.WriteFile(file, data, 0o666)); err != nil {
				t.Fatal(err)
			}
		}
		lot := func(date, family string) []byte {
			return fmt.Appendf(nil, "family = %q\ndate = %s\nquantity = 10\n[part]\nvalue = \"10 uF\"\n", family, date)
		}
		records := func() []string {
			var out []string
			for _, n := range names {
				files, _ := filepath.Glob(filepath.Join(w.Dir, "instruments", filepath.FromSlash(n), "2*.toml"))
				out = append(out, files...)
			}
			return out
		}
		for range rapid.IntRange(3, 8).Draw(t, "steps") {
			name := rapid.SampledFrom(names).Draw(t, "unit")
			switch rapid.IntRange(0, 12).Draw(t, "step") {
			case 0:
				w.Add(name, "", fmt.Appendf(nil, "kind = \"note\"\ndate = %s\nby = \"mw\"\nnote = \"x\"\n", w.Today()))
			case 1: // a record of a day to come
				edit("instruments/"+name+"/2031-03-09-note-aaaa.toml", []byte("kind = \"note\"\ndate = 2031-03-09\nby = \"mw\"\nnote = \"x\"\n"))
			case 2: // an edit that keeps length and, as far as it can, time
				if list := records(); len(list) > 0 {
					file := rapid.SampledFrom(list).Draw(t, "file")
					info, _ := os.Stat(file)
					data, _ := os.ReadFile(file)
					os.WriteFile(file, bytes.Replace(data, []byte("mw"), []byte("zz"), 1), 0o666)
					os.Chtimes(file, info.ModTime(), info.ModTime())
				}
			case 3:
				if list := records(); len(list) > 0 {
					os.Remove(rapid.SampledFrom(list).Draw(t, "gone"))
				}
			case 4: // a file git ignores
				edit(".git/info/exclude", []byte("*.bak\n"))
				edit("instruments/"+name+"/old.bak", []byte("x"))
			case 5:
				edit("models/longwave-3.toml", []byte("maker = \"Quillard\"\nname = \"Longwave 3\"\n\n[[section]]\nname = \"transport\"\n"))
			case 6:
				edit("lots/q1.toml", lot("2030-01-01", rapid.SampledFrom([]string{"capacitor/electrolytic", "capacitor/film"}).Draw(t, "family")))
			case 7:
				os.Remove(filepath.Join(w.Dir, "lots", "q1.toml"))
			case 8:
				w.Add(name, "", []byte("kind = \"parts\"\ndate = "+w.Today().String()+"\nby = \"mw\"\n[[part]]\nsection = \"amplifier\"\nref = \"C1\"\n"+
					"family = \"capacitor/electrolytic\"\nfound = \"failed\"\nhow = \"out-of-circuit\"\nmode = \"drift\"\naction = \"replaced\"\nnew = {lot = \"q1\"}\n"))
			case 9:
				w.Save()
			case 10:
				w.now = w.now.AddDate(0, 0, rapid.IntRange(-3, 6).Draw(t, "days"))
			case 11:
				data, _ := os.ReadFile(filepath.Join(w.Dir, "shop.toml"))
				edit("shop.toml", append(data, "\n[[technician]]\nid = \"zz\"\nname = \"Zenna Zorn\"\n"...))
				l, err := Open(w.Dir, w.options())
				if err != nil {
					break // the same technician twice
				}
				w.Ledger.Close()
				w.Ledger = l
			case 12: // what was kept, damaged
				files, _ := filepath.Glob(filepath.Join(w.Dir, filepath.FromSlash(derivedDir), "*"))
				for _, f := range files {
					data, _ := os.ReadFile(f)
					if len(data) > 0 {
						at := rapid.IntRange(0, len(data)-1).Draw(t, "byte")
						data[at] ^= 0x40
						os.WriteFile(f, data[:rapid.IntRange(at, len(data)).Draw(t, "length")], 0o666)
					}
				}
			}
			got := checkJSON(t, w.Ledger)
			if err := os.RemoveAll(filepath.Join(w.Dir, filepath.FromSlash(derivedDir))); err != nil {
				t.Fatal(err)
			}
			want := checkJSON(t, w.Ledger)
			if got != want {
				t.Fatalf("kept: %s\nanew: %s", got, want)
			}
			if again := checkJSON(t, w.Ledger); again != want {
				t.Fatalf("kept: %s\nanew: %s", again, want)
			}
		}
	})
}

// rapidWorkshop is a workshop of two units for one draw of a property.
func rapidWorkshop(t *rapid.T) *workshop {
	dir, err := os.MkdirTemp("", "derived-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	w := &workshop{now: benchDay}
	w.Ledger, err = Start(filepath.Join(dir, "ledger"), StartOptions{
		Shop:  schema.Shop{Name: "Halden Street Workshop", Technicians: []schema.Technician{{ID: "mw", Name: "Maren Wickstead"}}},
		Files: map[string][]byte{"models/longwave-3.toml": []byte("maker = \"Quillard\"\nname = \"Longwave 3\"\n\n[[section]]\nname = \"transport\"\n\n[[section]]\nname = \"amplifier\"\n")},
	}, w.options())
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []string{lw, "longwave-3/lw3-0007"} {
		if _, err := w.NewUnit(n, schema.Instrument{}); err != nil {
			t.Fatal(err)
		}
	}
	return w
}

// TestDeriveComputesOnce: what was worked out is not worked out again, nor is
// a unit that changed taken for what it was.
func TestDeriveComputesOnce(t *testing.T) {
	w := newWorkshop(t)
	w.unit("longwave-3/lw3-0007")
	w.job(lw)
	time.Sleep(20 * time.Millisecond) // a file as young as the index is read anyway
	w.unit("longwave-3/lw3-0008")
	derive := func() (computed []string, values string) {
		t.Helper()
		stock, err := w.Catalog()
		if err != nil {
			t.Fatal(err)
		}
		view, err := w.View(stock)
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan string, 10)
		if err := Derive(view, "records", func(name string, u *Loaded) (int, error) {
			done <- name
			return len(u.Unit.Files), nil
		}, func(name string, n int) error {
			values += fmt.Sprintf("%s=%d ", name, n)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		close(done)
		for n := range done {
			computed = append(computed, n)
		}
		return computed, strings.TrimSpace(values)
	}
	const want = "longwave-3/lw3-0007=0 longwave-3/lw3-0008=0 longwave-3/lw3-2204=3"
	if n, got := derive(); len(n) != 3 || got != want {
		t.Errorf("first: computed %q, got %s", n, got)
	}
	if n, got := derive(); len(n) != 0 || got != want {
		t.Errorf("again: computed %q, got %s", n, got)
	}
	w.add("longwave-3/lw3-0007", schema.KindNote, "note = \"felt under the keys\"\n")
	if n, got := derive(); len(n) != 1 || n[0] != "longwave-3/lw3-0007" || !strings.HasPrefix(got, "longwave-3/lw3-0007=1 ") {
		t.Errorf("one record more: computed %q, got %s", n, got)
	}
}

// TestLotsNamed: a value that follows from a lot follows it when it changes.
func TestLotsNamed(t *testing.T) {
	w := newWorkshop(t)
	w.edit("lots/q1.toml", []byte("family = \"capacitor/film\"\ndate = 2030-01-01\nquantity = 10\n[part]\nvalue = \"10 nF\"\n"))
	w.save()
	w.add(lw, schema.KindParts, "[[part]]\nsection = \"amplifier\"\nref = \"C1\"\nfamily = \"capacitor/film\"\naction = \"replaced\"\nnew = {lot = \"q1\"}\n")
	value := func() (v string) {
		stock, err := w.Catalog()
		if err != nil {
			t.Fatal(err)
		}
		view, err := w.View(stock)
		if err != nil {
			t.Fatal(err)
		}
		if err := Derive(view, "value", func(_ string, u *Loaded) (string, error) {
			return string(lastOf(u.Unit.Positions[0]).Component.Value), nil
		}, func(_ string, s string) error { v = s; return nil }); err != nil {
			t.Fatal(err)
		}
		return v
	}
	if v := value(); v != "10 nF" {
		t.Fatalf("value %q", v)
	}
	w.edit("lots/q1.toml", []byte("family = \"capacitor/film\"\ndate = 2030-01-01\nquantity = 10\n[part]\nvalue = \"47 nF\"\n"))
	if v := value(); v != "47 nF" {
		t.Errorf("value %q after the lot was corrected", v)
	}
}

func lastOf(p *unit.Position) *unit.Occupant { return p.Occupants[len(p.Occupants)-1] }
