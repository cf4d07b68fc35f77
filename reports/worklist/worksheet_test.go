package worklist

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"benchlore/ledger"
	"benchlore/ledger/worksheet"
	"benchlore/reports/internal/benchtest"
	"benchlore/reports/internal/pagetest"
	"benchlore/schema"
)

// TestWorksheetInBrowser: the worksheet to print fits a telephone, a desk and both
// papers laid across, and asks for nothing.
func TestWorksheetInBrowser(t *testing.T) {
	ctx := pagetest.Browser(t)
	in := benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored)
	for _, kind := range []worksheet.Kind{worksheet.Parts, worksheet.Readings} {
		file := filepath.Join(t.TempDir(), string(kind)+".html")
		var b bytes.Buffer
		s, err := worksheet.New(kind, in.Unit, in.Shop, &ledger.Catalog{Families: in.Families}, in.AsOf, worksheet.Options{Done: true})
		if err != nil {
			t.Fatal(err)
		}
		s.Power, s.PowerWhy = schema.PowerForbidden, "primary open to the frame"
		if err := s.WriteHTML(&b); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		v := pagetest.View(t, ctx, file)
		for _, width := range []int64{1280, 390, 320} {
			v.Size(width, 800, width < 768)
			if out := pagetest.Ask[[]string](v, pagetest.Overhang); len(out) > 0 {
				t.Errorf("%s at %d pixels: these stand out: %q", kind, width, out)
			}
			if w := pagetest.Ask[int64](v, "document.documentElement.scrollWidth"); w > width {
				t.Errorf("%s at %d pixels: the page is %d wide", kind, width, w)
			}
		}
		v.Media("print")
		for _, inside := range []int64{1047, 980} { // A4 and Letter laid across, less 10 mm margins
			v.Size(inside, 700, false)
			if out := pagetest.Ask[[]string](v, pagetest.Overhang); len(out) > 0 {
				t.Errorf("%s on paper %d pixels wide: cut off: %q", kind, inside, out)
			}
		}
		v.Mu.Lock()
		for _, s := range v.Said {
			t.Error(s)
		}
		v.Mu.Unlock()
	}
}
