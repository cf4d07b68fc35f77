package provenance

import (
	"bytes"
	"fmt"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"benchlore/reports/internal/pagetest"
	"benchlore/reports/page"
)

func provenancePDF(t testing.TB, p *Report, o PDFOptions) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := p.WritePDF(&b, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestPDFSameBytes(t *testing.T) {
	for name, p := range pageFixtures(t) {
		for _, paper := range []page.Paper{page.A4, page.Letter} {
			o := PDFOptions{Paper: paper, Code: pagetest.TestCode}
			if !bytes.Equal(provenancePDF(t, p, o), provenancePDF(t, p, o)) {
				t.Errorf("%s: two runs differ", name)
			}
		}
	}
}

// words counts the words of a text, without the marks of lists and rules.
func words(s string) map[string]int {
	out := map[string]int{}
	for _, w := range strings.Fields(s) {
		if w == "-" || w == "•" || strings.Trim(w, "─") == "" {
			continue
		}
		out[w]++
	}
	return out
}

// running takes the heads and feet of the pages out of a text, which must be
// where they belong, and counts the pages.
func running(t testing.TB, p *Report, s string) (string, int) {
	t.Helper()
	pages := strings.Split(strings.TrimSuffix(s, "\f"), "\f")
	for i, page := range pages {
		lines := strings.Split(strings.TrimSpace(page), "\n")
		n := len(lines)
		if want := fmt.Sprintf("As of %s page %d of %d", p.AsOf, i+1, len(pages)); pagetest.Flat(lines[n-1]) != want {
			t.Errorf("page %d has the foot %q, want %q", i+1, lines[n-1], want)
		}
		lines = lines[:n-1]
		if i > 0 { // heads and feet are set last
			if want := p.heading() + " (" + Own(p.Unit.Name) + ")"; lines[n-2] != want {
				t.Errorf("page %d has the head %q, want %q", i+1, lines[n-2], want)
			}
			lines = lines[:n-2]
		}
		pages[i] = strings.Join(lines, "\n")
	}
	return strings.Join(pages, "\n"), len(pages)
}

var numeric = regexp.MustCompile(`^-?[0-9.,]+$`)

// TestPDFSaysWhatTextSays holds the words of the PDF, as poppler reads them,
// against those of the text. More than the text has may only be what belongs to
// pictures and to the heads of tables on later pages.
func TestPDFSaysWhatTextSays(t *testing.T) {
	fixtures := pageFixtures(t)
	delete(fixtures, "hostile") // its words are longer than lines, so both break them
	examples := exampleReports(t)
	for _, name := range []string{"astrella-61/a61-14906", "longwave-3/lw3-3417", "nocturne-64/n64-1402"} {
		fixtures[name] = examples[name]
	}
	for name, p := range fixtures {
		for paper, size := range map[string]page.Paper{"A4": page.A4, "Letter": page.Letter} {
			if examples[name] != nil && paper == "Letter" {
				continue
			}
			t.Run(name+" "+paper, func(t *testing.T) {
				got, pages := running(t, p, pagetest.Poppler(t, provenancePDF(t, p, PDFOptions{Paper: size, Code: pagetest.TestCode}), "pdftotext", "-raw", "FILE", "-"))
				text := provenanceString(t, p, page.TextOptions{Width: 200})
				if pages < 3 {
					t.Errorf("%d pages", pages)
				}
				pictures := words("○ found ● left In order of position. Grey: within the limit. Ringed dots: outside. Small rings: as found on")
				for _, x := range p.Tables {
					maps.Copy(pictures, words(strings.Join(x.Positions, " ")+" "+x.Unit+" "+x.Date+"."))
				}
				for w := range words("family listed worked on tested, left circuit left untested NOT looked at point as found between as left limit verdict") {
					pictures[w]++
				}
				have, want := words(got), words(text)
				starts := map[string]bool{} // rows of values are as long as the sheet allows
				for _, x := range p.Tables {
					for _, at := range x.Positions {
						starts[at] = true
					}
				}
				for w, n := range want {
					if have[w] < n && !(starts[w] && have[w] > 0) {
						t.Errorf("%q stands %d times in the text and %d in the PDF", w, n, have[w])
					}
				}
				for w, n := range have {
					if n > want[w] && pictures[w] == 0 && !numeric.MatchString(w) {
						t.Errorf("%q stands %d times in the PDF and %d in the text", w, n, want[w])
					}
				}
				// The headings, in their order.
				var headings []string
				lines := strings.Split(text, "\n")
				for i, l := range lines {
					if i > 0 && strings.Trim(l, "─") == "" && l != "" {
						headings = append(headings, lines[i-1])
					}
				}
				if len(headings) < 15 {
					t.Fatalf("headings %q", headings)
				}
				rest := pagetest.Flat(got)
				for _, h := range headings {
					_, after, ok := strings.Cut(rest, pagetest.Flat(h))
					if !ok {
						t.Fatalf("the heading %q is not where it belongs", h)
					}
					rest = after
				}
			})
		}
	}
}

// bookmarks are the titles of a PDF's outline.
func bookmarks(data []byte) []string {
	var out []string
	for _, part := range bytes.Split(data, []byte("<</Title (\xfe\xff"))[1:] {
		b, _, _ := bytes.Cut(part, []byte(")\n"))
		for _, c := range []string{`\`, "(", ")"} {
			b = bytes.ReplaceAll(b, []byte(`\`+c), []byte(c))
		}
		var u []uint16
		for i := 0; i+1 < len(b); i += 2 {
			u = append(u, uint16(b[i])<<8|uint16(b[i+1]))
		}
		out = append(out, string(utf16.Decode(u)))
	}
	return out
}

func TestPDFIsComplete(t *testing.T) {
	p := pageFixtures(t)["restored"]
	for paper, size := range map[string]page.Paper{"595.28 x 841.89 pts (A4)": page.A4, "612 x 792 pts (letter)": page.Letter} {
		data := provenancePDF(t, p, PDFOptions{Paper: size})
		info := pagetest.Poppler(t, data, "pdfinfo", "FILE")
		for _, want := range []string{paper, "Provenance report: Corvane Astrella 49 (astrella-49/4711)", "Halden Street Workshop", "JavaScript:      no", "Encrypted:       no", "2022"} {
			if !strings.Contains(info, want) {
				t.Errorf("pdfinfo does not say %q:\n%s", want, info)
			}
		}
		fonts := strings.Split(strings.TrimSpace(pagetest.Poppler(t, data, "pdffonts", "FILE")), "\n")
		if len(fonts) < 4 {
			t.Errorf("fonts: %q", fonts)
		}
		for _, l := range fonts[2:] {
			f := strings.Fields(l)
			if got := f[len(f)-5 : len(f)-2]; got[0] != "yes" || got[2] != "yes" { // embedded, and mapped to Unicode
				t.Errorf("font %q", l)
			}
		}
		if len(data) > 400<<10 {
			t.Errorf("%d bytes: are whole fonts in it?", len(data))
		}
		if !bytes.Contains(data, []byte("/Lang (en)")) {
			t.Error("it names no language")
		}
		have := bookmarks(data)
		for _, want := range []string{"Provenance report: Corvane Astrella 49", "Identity", "History", "Parts list as it is now", "What this report covers"} {
			if !slices.Contains(have, want) {
				t.Errorf("no bookmark %q in %q", want, have)
			}
		}
	}
}

// TestPDFKeepsToThePage looks that no word leaves the page, or runs into the
// foot of it, whatever the records say.
func TestPDFKeepsToThePage(t *testing.T) {
	for name, p := range pageFixtures(t) {
		for _, paper := range []page.Paper{page.A4, page.Letter} {
			for i, leaf := range pagetest.PageBoxes(t, provenancePDF(t, p, PDFOptions{Paper: paper, Code: pagetest.TestCode})).Pages {
				for _, w := range leaf.Words {
					if w.XMin < 15/page.Point || w.XMax > (paper.Width-15)/page.Point || w.YMin < 5/page.Point || w.YMax > (paper.Height-5)/page.Point {
						t.Errorf("%s, page %d: %q stands at %.0f-%.0f, %.0f-%.0f of %.0f × %.0f", name, i+1, w.Word, w.XMin, w.XMax, w.YMin, w.YMax, leaf.Width, leaf.Height)
					}
					foot := w.YMin > (paper.Height-14)/page.Point
					if !foot && w.YMax > (paper.Height-pdfBottom+1)/page.Point {
						t.Errorf("%s, page %d: %q runs into the foot", name, i+1, w.Word)
					}
				}
			}
		}
	}
}

// sheetOf sets something on pages of its own.
func sheetOf(t testing.TB, set func(s *pdfSheet)) []byte {
	t.Helper()
	o := PDFOptions{Paper: page.A4}
	s := newPDFSheet(&Report{}, o, page.NewTypesetter(page.A4, time.Unix(0, 0).UTC()))
	s.newPage()
	set(s)
	var b bytes.Buffer
	if err := s.pdf.Output(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestPDFTables sets a table over several pages: its head stands on each, and
// no row begins on one and ends on the next unless it is longer than a page.
func TestPDFTables(t *testing.T) {
	tab := &page.Table{Header: []string{"position", "says"}}
	for i := range 150 {
		tab.Rows = append(tab.Rows, []string{fmt.Sprintf("row%03d", i), strings.Repeat(fmt.Sprintf("w%03d ", i), 20+i%40)})
	}
	pages := strings.Split(pagetest.Poppler(t, sheetOf(t, func(s *pdfSheet) { s.Table(0, tab) }), "pdftotext", "-raw", "FILE", "-"), "\f")
	pages = pages[:len(pages)-1]
	if len(pages) < 3 {
		t.Fatalf("%d pages", len(pages))
	}
	rows := 0
	for i, page := range pages {
		if !strings.HasPrefix(page, "position says") {
			t.Errorf("page %d begins %.40q", i+1, page)
		}
		have := words(page)
		for k := range tab.Rows {
			if n := have[fmt.Sprintf("w%03d", k)]; n != 0 && n != 20+k%40 {
				t.Errorf("page %d has %d of the %d words of row %d", i+1, n, 20+k%40, k)
			} else if n > 0 {
				rows++
			}
		}
	}
	if rows != 150 {
		t.Errorf("%d rows", rows)
	}
	long := &page.Table{Header: []string{"a", "b"}, Rows: [][]string{{"before", "x"}, {"all", strings.Repeat("word ", 3000)}, {"after", "y"}}}
	got := words(pagetest.Poppler(t, sheetOf(t, func(s *pdfSheet) { s.Table(0, long) }), "pdftotext", "-raw", "FILE", "-"))
	if got["word"] != 3000 || got["after"] != 1 {
		t.Errorf("of a row longer than a page %d words of 3000 are left", got["word"])
	}
}

// TestPDFLetters writes what the fonts have no letter for by number.
func TestPDFLetters(t *testing.T) {
	for in, want := range map[string]string{
		"10 µF ± 5 % → 2 Ω, “as is” – × ≥": "10 µF ± 5 % → 2 Ω, “as is” – × ≥",
		"Zu\u0308rich, Łódź, Ελλάδα, Київ": "Zürich, Łódź, Ελλάδα, Київ",
		"修理 ok":            "[U+4FEE][U+7406] ok",
		"\U0001F3B9":       "[U+1F3B9]",
		"soft\u00adhyphen": "softhyphen",
	} {
		if got := page.Settable(in); got != want {
			t.Errorf("%q is set %q, want %q", in, got, want)
		}
		out := pagetest.Poppler(t, sheetOf(t, func(s *pdfSheet) { s.Para(0, in) }), "pdftotext", "-raw", "FILE", "-")
		if strings.TrimSpace(strings.Trim(out, "\f")) != want {
			t.Errorf("%q reads %q", in, out)
		}
	}
}

func TestPDFPhotos(t *testing.T) {
	p := pageFixtures(t)["restored"]
	jpg := testPhoto(t, "jpeg")
	asked := ""
	data := provenancePDF(t, p, PDFOptions{Photos: func(file string) ([]byte, error) { asked = file; return jpg, nil }})
	if asked != "photos/back.jpg" {
		t.Errorf("it asked for %q", asked)
	}
	if list := pagetest.Poppler(t, data, "pdfimages", "-list", "FILE"); strings.Count(list, "jpeg") != 1 {
		t.Errorf("pictures: %s", list)
	}
	for name, photo := range map[string]func(string) ([]byte, error){
		"missing": func(string) ([]byte, error) { return nil, os.ErrNotExist },
		"broken":  func(string) ([]byte, error) { return jpg[:30], nil },
		"a PNG":   func(string) ([]byte, error) { return testPhoto(t, "png"), nil },
	} {
		data := provenancePDF(t, p, PDFOptions{Photos: photo})
		if !strings.Contains(pagetest.Poppler(t, data, "pdftotext", "FILE", "-"), "photos/back.jpg") {
			t.Errorf("%s: it is not listed", name)
		}
	}
}

func BenchmarkProvenancePDF(b *testing.B) {
	p := pageFixtures(b)["restored"]
	for b.Loop() {
		provenancePDF(b, p, PDFOptions{Code: pagetest.TestCode})
	}
}
