package reliability

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"benchlore/ledger"
	"benchlore/ledger/gitstore"
	"benchlore/reports/page"
	"benchlore/schema"
)

// TestReliabilityFollowsTheFiles changes a ledger from inside and outside and
// checks after each step that what was kept changes nothing of what is told.
func TestReliabilityFollowsTheFiles(t *testing.T) {
	now := mustDate(t, "2020-01-01").Time().Add(12 * time.Hour)
	l, err := ledger.Start(filepath.Join(t.TempDir(), "ledger"), ledger.StartOptions{
		Shop:  schema.Shop{Name: "Halden Street Workshop", Technicians: []schema.Technician{{ID: "mw", Name: "Maren Wickstead"}}},
		Files: map[string][]byte{"models/longwave-3.toml": []byte(observedModel)},
	}, ledger.Options{NoSync: true, Author: &gitstore.Ident{Name: "Maren Wickstead", Email: "maren@halden-street.example"},
		Random: rand.NewChaCha8([32]byte{3}), Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	add := func(tag, day, kind, text string) {
		t.Helper()
		if _, err := l.Add("longwave-3/"+tag, "", fmt.Appendf(nil, "kind = %q\ndate = %s\nby = \"mw\"\n%s", kind, day, text)); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 8 {
		tag := fmt.Sprintf("q3-%04d", i)
		if _, err := l.NewUnit("longwave-3/"+tag, schema.Instrument{}); err != nil {
			t.Fatal(err)
		}
		year := 2000 + i
		file := filepath.Join(l.Dir, "instruments", "longwave-3", tag, "instrument.toml")
		data, err := os.ReadFile(file)
		if err = errors.Join(err, os.WriteFile(file, append([]byte("built = \"1976\"\nbuilt_from = \"date codes\"\n"), data...), 0o666)); err != nil {
			t.Fatal(err)
		}
		add(tag, fmt.Sprintf("%d-03-01", year), "intake", "reason = \"repair\"\nworks = \"partly\"\nlast_known_working = \"1995\"\n")
		found := []string{"failed", "ok", "failed"}[i%3]
		add(tag, fmt.Sprintf("%d-03-02", year), "parts", partLine("channel 1", "C1", found, map[string]string{"failed": "replaced", "ok": "left"}[found])+
			partLine("channel 2", "C2", "failed", "replaced"))
		add(tag, fmt.Sprintf("%d-04-01", year), "release", "works = \"fully\"\n")
	}
	if _, err := l.Save(); err != nil {
		t.Fatal(err)
	}
	told := func(opt ObserveOptions) string {
		t.Helper()
		r, err := Of(l, opt, Options{FitAnyway: true, By: []string{"family", "maker"}})
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		for _, write := range []func(io.Writer) error{r.WriteJSON, r.WriteHTML, r.WriteObservations,
			func(w io.Writer) error { return r.WriteText(w, page.TextOptions{Width: 80}) }} {
			if err := write(&b); err != nil {
				t.Fatal(err)
			}
		}
		return b.String()
	}
	before := ""
	for _, step := range []struct {
		name  string
		do    func()
		moves bool // the report changes
	}{
		{"nothing", func() {}, false},
		{"a record of an earlier day", func() { add("q3-0001", "2004-01-01", "followup", "state = \"working\"\nsaid_by = \"owner\"\n") }, true},
		{"a note after all others", func() { add("q3-0002", "2019-06-01", "note", "note = \"rang to ask\"\n") }, false},
		{"a later day", func() { add("q3-0003", "2019-01-01", "followup", "state = \"working\"\nsaid_by = \"owner\"\n") }, true},
		{"a model edited by hand", func() {
			data := bytes.Replace([]byte(observedModel), []byte("count = 20"), []byte("count = 21"), 1)
			if err := os.WriteFile(filepath.Join(l.Dir, "models", "longwave-3.toml"), data, 0o666); err != nil {
				t.Fatal(err)
			}
		}, true},
		{"families of the shop's own", func() {
			text := "[[family]]\nname = \"capacitor/film\"\nhidden = true\n"
			if err := os.WriteFile(filepath.Join(l.Dir, "families.toml"), []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}, true},
		{"a record gone", func() {
			list, _ := filepath.Glob(filepath.Join(l.Dir, "instruments", "longwave-3", "q3-0006", "*-parts-*.toml"))
			if len(list) != 1 {
				t.Fatalf("records of parts: %q", list)
			}
			if err := os.Remove(list[0]); err != nil {
				t.Fatal(err)
			}
		}, true},
	} {
		step.do()
		for _, opt := range []ObserveOptions{{Lag: DefaultLag}, {AsOf: mustDate(t, "2005-01-01")}, {AsOf: mustDate(t, "2030-01-01"), Lag: DefaultLag}, {FailureDegraded: true}} {
			kept := told(opt)
			if err := os.RemoveAll(filepath.Join(l.Dir, ".git", "benchlore", "derived")); err != nil {
				t.Fatal(err)
			}
			if anew := told(opt); kept != anew {
				t.Errorf("%s, as of %s: what was kept changes the report:\n%s\nanew:\n%s", step.name, opt.AsOf, kept, anew)
			}
		}
		now := told(ObserveOptions{Lag: DefaultLag})
		if before != "" && (now != before) != step.moves {
			t.Errorf("%s: the report changed: %t", step.name, now != before)
		}
		before = now
	}
}
