package provenance

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"benchlore/reports/internal/pagetest"
)

func TestMain(m *testing.M) { os.Exit(pagetest.RunTests(m)) }

// paper is in inches; inside is the width between the margins of the style
// sheet in CSS pixels.
var papers = []struct {
	name          string
	width, height float64
	inside        int64
}{{"A4", 8.27, 11.69, 688}, {"Letter", 8.5, 11, 710}}

// pageFiles writes the reports of the fixtures as files, with a code and a
// photograph.
func pageFiles(t testing.TB) (names []string, files map[string]string, reports map[string]*Report) {
	t.Helper()
	files, reports = map[string]string{}, pageFixtures(t)
	dir := t.TempDir()
	for name, p := range reports {
		page := provenanceHTML(t, p, HTMLOptions{QR: []byte(testQR), Photos: func(string) ([]byte, error) { return testPhoto(t, "jpeg"), nil }})
		files[name] = filepath.Join(dir, strings.ReplaceAll(name, " ", "-")+".html")
		if err := os.WriteFile(files[name], []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
		names = append(names, name)
	}
	slices.Sort(names)
	return names, files, reports
}

// A page in a browser: quiet, complete without a network, no wider than a
// telephone, and the three answers in sight when it opens on a desk.
func TestPageInBrowser(t *testing.T) {
	ctx := pagetest.Browser(t)
	names, files, reports := pageFiles(t)
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			v := pagetest.View(t, ctx, files[name])
			type box struct {
				Text                     string
				Top, Bottom, Left, Right float64
			}
			boxes := pagetest.Ask[[]box](v, `[...document.querySelectorAll(".short > section")].map(e => { const r = e.getBoundingClientRect();
				return {Text: e.innerText, Top: r.top, Bottom: r.bottom, Left: r.left, Right: r.right} })`)
			if len(boxes) != len(reports[name].InShort) || len(boxes) != 3 {
				t.Fatalf("%d answers", len(boxes))
			}
			for i, b := range boxes {
				f := reports[name].InShort[i]
				if !strings.Contains(b.Text, setWords(f.Label)) || !strings.Contains(pagetest.Flat(b.Text), pagetest.Flat(setWords(f.Lines[0]))) {
					t.Errorf("answer %d says %q", i, b.Text)
				}
				// Words as long as the hostile fixture's push the end of a box down.
				if name != "hostile" && b.Bottom > 800 || b.Top < 0 || b.Left < 0 || b.Right > 1280 {
					t.Errorf("%q stands at %+v, out of sight", f.Label, b)
				}
			}
			for _, width := range []int64{1280, 768, 390, 320} { // 320: WCAG 2.2, 1.4.10 reflow
				v.Size(width, 800, width < 768)
				if out := pagetest.Ask[[]string](v, pagetest.Overhang); len(out) > 0 {
					t.Errorf("at %d pixels these stand out: %q", width, out)
				}
				if w := pagetest.Ask[int64](v, "document.documentElement.scrollWidth"); w > width {
					t.Errorf("at %d pixels the page is %d wide", width, w)
				}
			}
			v.Media("print")
			for _, paper := range papers {
				v.Size(paper.inside, 1000, false)
				if out := pagetest.Ask[[]string](v, pagetest.Overhang); len(out) > 0 {
					t.Errorf("%s cuts off %q", paper.name, out)
				}
			}
			v.Mu.Lock()
			defer v.Mu.Unlock()
			for _, s := range v.Said {
				t.Error(s)
			}
		})
	}
}

// The browser test sees what it is to see: requests, scripts, styles and
// things too wide.
func TestBrowserTestSees(t *testing.T) {
	ctx := pagetest.Browser(t)
	file := filepath.Join(t.TempDir(), "bad.html")
	page := `<!DOCTYPE html><html lang="en"><meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src http:"><title>x</title>
<p style="color: red">x</p><script>1</script><img alt="x" src="http://127.0.0.1:9/x.png"><table><tr><td>` + strings.Repeat("W", 400) + `</td></tr></table>`
	if err := os.WriteFile(file, []byte(page), 0o644); err != nil {
		t.Fatal(err)
	}
	v := pagetest.View(t, ctx, file)
	v.Size(390, 800, false)
	if out := pagetest.Ask[[]string](v, pagetest.Overhang); len(out) == 0 {
		t.Error("a page too wide passes")
	}
	v.Mu.Lock()
	defer v.Mu.Unlock()
	said := strings.Join(v.Said, "\n")
	for _, want := range []string{"asks for http://127.0.0.1:9/x.png", "inline style", "inline script"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q went unseen among %q", want, said)
		}
	}
}

var pdfPage = regexp.MustCompile(`/Type /Page\b[^s]`)

// On paper every page says of what it is a part, and nothing is missing.
func TestPageOnPaper(t *testing.T) {
	ctx := pagetest.Browser(t)
	words := pagetest.Need(t, "pdftotext")
	names, files, reports := pageFiles(t)
	for _, name := range names {
		v := pagetest.View(t, ctx, files[name])
		for _, paper := range papers {
			if name == "hostile" && paper.name == "Letter" {
				continue // A4 shows it, in many seconds
			}
			t.Run(name+" "+paper.name, func(t *testing.T) {
				data, err := chromedp.Run(v.Ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperSize{Width: paper.width, Height: paper.height}), chromedp.PDFPrintBackground()))
				if err != nil {
					t.Fatal(err)
				}
				pages := len(pdfPage.FindAll(data, -1))
				if pages == 0 {
					t.Fatal("no pages")
				}
				file := filepath.Join(t.TempDir(), "page.pdf")
				if err := os.WriteFile(file, data, 0o644); err != nil {
					t.Fatal(err)
				}
				out, err := exec.Command(words, "-raw", "-enc", "UTF-8", file, "-").Output()
				if err != nil {
					t.Fatal(err)
				}
				sheets := strings.Split(strings.TrimSuffix(string(out), "\f"), "\f")
				if len(sheets) != pages {
					t.Fatalf("%d sheets of %d pages", len(sheets), pages)
				}
				for i, s := range sheets {
					if foot := fmt.Sprintf("page %d of %d", i+1, pages); !strings.Contains(pagetest.Flat(s), foot) {
						t.Errorf("sheet %d does not say %q", i+1, foot)
					}
					if name != "hostile" && !strings.Contains(pagetest.Flat(s), reports[name].Unit.Name+", as of ") {
						t.Errorf("sheet %d does not name the unit", i+1)
					}
				}
				if name == "hostile" {
					return // its words are longer than lines
				}
				// Lines break between words, and at hyphens that stay.
				all := pagetest.Squeezed(strings.Fields(string(out)))
				for _, f := range reports[name].PageOne {
					if !strings.Contains(pagetest.Squeezed(strings.Fields(sheets[0])), pagetest.Squeezed(strings.Fields(setWords(f.Label)))) {
						t.Errorf("%q is not on page one", f.Label)
					}
					for _, s := range f.Lines {
						if !strings.Contains(all, pagetest.Squeezed(strings.Fields(setWords(s)))) {
							t.Errorf("paper lacks %q", s)
						}
					}
				}
				for _, e := range reports[name].History {
					if !strings.Contains(all, pagetest.Squeezed([]string{"Record", e.File})) {
						t.Errorf("paper lacks the record %s", e.File)
					}
				}
				if end := pagetest.Squeezed(strings.Fields("as of " + reports[name].AsOf + ".")); !strings.Contains(all, end) {
					t.Error("paper lacks the end of the report")
				}
			})
		}
	}
}

// axe-core finds nothing serious. BENCHLORE_AXE names its axe.min.js.
func TestPageAccessible(t *testing.T) {
	axe := os.Getenv("BENCHLORE_AXE")
	if axe == "" {
		pagetest.Missing(t, "BENCHLORE_AXE does not name axe.min.js (npm install axe-core)")
	}
	script, err := os.ReadFile(axe)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(script, []byte("axe")) {
		t.Fatalf("%s is not axe-core", axe)
	}
	ctx := pagetest.Browser(t)
	names, files, _ := pageFiles(t)
	for _, name := range names {
		for _, width := range []int64{1280, 390} {
			// Markup in the records changes no structure, and the small pages have
			// little that the large one has not.
			if name == "hostile" || width == 390 && name != "restored" {
				continue
			}
			t.Run(fmt.Sprintf("%s %d", name, width), func(t *testing.T) {
				v := pagetest.View(t, ctx, files[name])
				v.Size(width, 800, width < 768)
				if _, err := chromedp.Run(v.Ctx, chromedp.Evaluate[chromedp.Void](string(script)+"; undefined")); err != nil {
					t.Fatal(err)
				}
				type finding struct {
					ID, Impact, Help string
					Nodes            []struct{ HTML string }
				}
				s, err := chromedp.Run(v.Ctx, chromedp.Evaluate[string](`axe.run(document, {resultTypes: ["violations"],
					runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r => JSON.stringify({violations: r.violations, passes: r.passes.length}))`, chromedp.EvalAwaitPromise))
				if err != nil {
					t.Fatal(err)
				}
				var r struct {
					Violations []finding
					Passes     int
				}
				if err := json.Unmarshal([]byte(s), &r); err != nil {
					t.Fatal(err)
				}
				if r.Passes < 20 {
					t.Errorf("only %d rules were tried", r.Passes)
				}
				for _, f := range r.Violations {
					html := ""
					if len(f.Nodes) > 0 {
						html = f.Nodes[0].HTML
					}
					t.Errorf("%s (%s): %s, %d times, first: %.300s", f.ID, f.Impact, f.Help, len(f.Nodes), html)
				}
			})
		}
	}
}
