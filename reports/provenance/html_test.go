package provenance

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"benchlore/reports/internal/benchtest"
	"benchlore/reports/internal/pagetest"
	"benchlore/reports/page"
	"benchlore/schema/unit"
)

func provenanceHTML(t testing.TB, p *Report, o HTMLOptions) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.WriteHTML(&b, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// testPhoto is a picture in the format asked for.
func testPhoto(t testing.TB, format string) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, 64, 48))
	for i := range m.Pix {
		m.Pix[i] = byte(i * 7)
	}
	var b bytes.Buffer
	var err error
	if format == "png" {
		err = png.Encode(&b, m)
	} else {
		err = jpeg.Encode(&b, m, nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

const testQR = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 2 2"><path d="M0 0h1v1H0z"/></svg>`

// pageFixtures are the reports every page test runs on.
func pageFixtures(t testing.TB) map[string]*Report {
	t.Helper()
	in := benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.Restored)
	in.Head = "c0ffee00c0ffee00c0ffee00c0ffee00c0ffee00"
	in.Signers = []Signer{{Name: "Halden Street Workshop", Fingerprint: "SHA256:0000000000000000000000000000000000000000000", First: "2021-03-10", Last: "2021-10-07"}}
	in.History = []HistoryEntry{{File: "2021-03-10-release-aaah", Saved: "2021-03-10", Commit: "9e8f7a6b", Corrections: []CorrectionEntry{{Date: "2021-04-02", By: "mw",
		Reason: "read from the wrong line"}}}}
	bare := benchInput(t, "format = 1\nuuid = \"0b0f4f0e-6d55-4a52-8c50-6f1f4dbd7a01\"\nmaker = \"Tessaly\"\nmodel = \"Nocturne 64\"\n", "", nil)
	bare.Shop = nil
	return map[string]*Report{
		"restored": Build(in),
		"on the bench": Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, map[string]string{
			"2021-03-01-intake-aaaa": benchtest.Restored["2021-03-01-intake-aaaa"], "2021-03-05-parts-aaac": benchtest.Restored["2021-03-05-parts-aaac"]})),
		"nothing recorded": Build(bare),
		"hostile":          hostileProvenance(t),
	}
}

// hostileProvenance has markup, style and long words wherever a record may
// hold a text.
func hostileProvenance(t testing.TB) *Report {
	t.Helper()
	nasty := `</style><script>alert(1)</script><img src=x onerror=alert(2)>' onload='x {{.}} ` + strings.Repeat("W", 120)
	records := map[string]string{}
	for name, text := range benchtest.Restored {
		for _, s := range []string{"loud hum", "burnt smell", "fuse wrapped in foil", "brown board", "no load", "off the scale", "Supply first.", "one hole stays",
			"less hum", "tester away", "a click, once", "parts fitted here", "too dear", "chassis at rail common", "in its crate", "hum is back", "the back",
			"divider circuit", "axial", "contacts", "shop's own list", "earth continuity", "tuning", "quiet supply"} {
			if s == "tuning" && !strings.Contains(name, "measurements") || s == "quiet supply" && !strings.Contains(name, "nothing") {
				continue // names that the model knows
			}
			text = strings.ReplaceAll(text, `"`+s+`"`, fmt.Sprintf("%q", s+" "+nasty))
		}
		records[name] = text
	}
	in := benchInput(t, strings.ReplaceAll(benchtest.BenchInstrument, `variant = "red"`, fmt.Sprintf("variant = %q", nasty)), benchtest.BenchModel, records)
	in.Unit.Name = `astrella-49/4711"; } body { display: none } </style><script>`
	in.Shop.Name = nasty
	return Build(in)
}

func parsePage(t testing.TB, text string) *html.Node {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

func walk(n *html.Node, do func(*html.Node)) {
	do(n)
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		walk(c, do)
	}
}

func attribute(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func is(n *html.Node, tag, class string) bool {
	return n.Type == html.ElementNode && n.Data == tag && (class == "" || slices.Contains(strings.Fields(attribute(n, "class")), class))
}

func textOf(n *html.Node) string {
	var s strings.Builder
	walk(n, func(n *html.Node) {
		if n.Type == html.TextNode {
			s.WriteString(n.Data)
		}
	})
	return s.String()
}

// A page is one file that runs nothing and fetches nothing, and says how it is
// built to those who cannot see it (WCAG 2.2: 1.1.1, 1.3.1, 2.4.2, 3.1.1).
func TestProvenancePage(t *testing.T) {
	for name, p := range pageFixtures(t) {
		t.Run(name, func(t *testing.T) {
			set := provenanceHTML(t, p, HTMLOptions{QR: []byte(testQR), Photos: func(string) ([]byte, error) { return testPhoto(t, "jpeg"), nil }})
			doc := parsePage(t, set)
			ids := map[string]bool{}
			var labelled []string
			level, titles, tables := 0, 0, 0
			walk(doc, func(n *html.Node) {
				if n.Type != html.ElementNode {
					return
				}
				if slices.Contains([]string{"script", "iframe", "object", "embed", "link", "base", "form", "button", "input"}, n.Data) {
					t.Errorf("the page has <%s>", n.Data)
				}
				for _, a := range n.Attr {
					switch {
					case strings.HasPrefix(a.Key, "on") || a.Key == "style" || a.Key == "srcset" || a.Key == "srcdoc":
						t.Errorf("<%s> has %s=%q", n.Data, a.Key, a.Val)
					case a.Key == "src" && !strings.HasPrefix(a.Val, "data:image/"):
						t.Errorf("<%s> fetches %q", n.Data, a.Val)
					case a.Key == "href" && !strings.HasPrefix(a.Val, "#"):
						t.Errorf("<%s> leads to %q", n.Data, a.Val)
					case a.Key == "href":
						labelled = append(labelled, a.Val[1:])
					case a.Key == "id":
						if ids[a.Val] {
							t.Errorf("id %q stands twice", a.Val)
						}
						ids[a.Val] = true
					case a.Key == "aria-labelledby":
						labelled = append(labelled, strings.Fields(a.Val)...)
					}
				}
				switch n.Data {
				case "html":
					if attribute(n, "lang") != "en" {
						t.Error("the page does not say its language")
					}
				case "h1", "h2", "h3", "h4":
					l := int(n.Data[1] - '0')
					if l > level+1 {
						t.Errorf("%q is a heading of level %d behind one of %d", textOf(n), l, level)
					}
					if level = l; l == 1 {
						titles++
					}
					if strings.TrimSpace(textOf(n)) == "" {
						t.Error("a heading is empty")
					}
				case "img":
					if attribute(n, "alt") == "" {
						t.Error("a picture without words")
					}
				case "svg":
					if attribute(n, "role") != "img" || attribute(n, "aria-label") == "" && attribute(n, "aria-labelledby") == "" {
						t.Errorf("a drawing without words: %v", n.Attr)
					}
				case "table":
					tables++
					rows, named, columns, captions := 0, 0, 0, 0
					walk(n, func(n *html.Node) {
						switch {
						case is(n, "tr", ""):
							rows++
						case is(n, "th", "") && attribute(n, "scope") == "row":
							named++
						case is(n, "th", "") && attribute(n, "scope") == "col":
							columns++
						case is(n, "th", ""):
							t.Error("a header cell without scope")
						case is(n, "caption", "") && len(textOf(n)) > 10:
							captions++
						}
					})
					if captions != 1 || named != rows-1 || columns < 2 || rows < 2 {
						t.Errorf("a table of %d rows has %d captions, %d named rows, %d named columns", rows, captions, named, columns)
					}
				}
			})
			if titles != 1 {
				t.Errorf("%d titles", titles)
			}
			for _, id := range labelled {
				if !ids[id] {
					t.Errorf("%q is named and not there", id)
				}
			}
			if name == "restored" && tables < 4 {
				t.Errorf("%d tables", tables)
			}

			style := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindStringSubmatch(set)
			sum := sha256.Sum256([]byte(style[1]))
			policy := ""
			walk(doc, func(n *html.Node) {
				if is(n, "meta", "") && attribute(n, "http-equiv") == "Content-Security-Policy" {
					policy = attribute(n, "content")
				}
			})
			want := "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; img-src data:; base-uri 'none'; form-action 'none'"
			if policy != want {
				t.Errorf("policy %q, want %q", policy, want)
			}
			if strings.Contains(style[1], "url(") || strings.Contains(style[1], "@import") {
				t.Error("the style sheet fetches something")
			}
			checkNever(t, textOf(doc))
		})
	}
}

// What a page says of its own is not cut short by hostile texts.
func TestProvenancePageEscapes(t *testing.T) {
	p := hostileProvenance(t)
	set := provenanceHTML(t, p, HTMLOptions{})
	if n := strings.Count(set, "</style>"); n != 1 {
		t.Errorf("%d ends of the style sheet", n)
	}
	if !strings.Contains(set, "&lt;script&gt;alert(1)") {
		t.Error("the record's words are not on the page")
	}
	if !strings.Contains(set, "{{.}}") {
		t.Error("the record's braces are not on the page as they are")
	}
	foot := regexp.MustCompile(`@bottom-left \{ content: "(.*?)"; \}`).FindStringSubmatch(set)
	if foot == nil || strings.ContainsAny(foot[1], `"<>{};`) {
		t.Errorf("the foot of the page is %q", foot)
	}
}

// pageWords are the words of a page behind page one, without what only a page
// has: pictures but for the letters of the map, captions and column numbers.
func pageWords(doc *html.Node) []string {
	var words []string
	var visit func(n *html.Node)
	visit = func(n *html.Node) {
		switch {
		case n.Type == html.TextNode:
			words = append(words, strings.Fields(n.Data)...)
			return
		case is(n, "svg", "cells"):
			words = append(words, strings.Fields(lettersWords(textOf(n)))...)
			return // a count may follow
		case is(n, "table", "one"):
			// Its heads name the positions: a text begins the row with the first.
			var cells []string
			walk(n, func(n *html.Node) {
				if is(n, "th", "n") && len(cells) == 0 || is(n, "td", "") {
					cells = append(cells, strings.Fields(textOf(n))...)
				}
			})
			words = append(words, cells...)
			return
		case is(n, "svg", ""), is(n, "caption", ""), is(n, "thead", "") && is(n.Parent, "table", "values"),
			is(n, "figcaption", "") && !is(n.Parent, "figure", "photo"):
			return
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			visit(c)
		}
		// Inline elements end within a word, the others between words; joined
		// words are put right by the caller.
	}
	walk(doc, func(n *html.Node) {
		if is(n, "section", "part") {
			visit(n)
		}
	})
	return words
}

// Text, page and JSON say the same: page one fact by fact, the rest letter by
// letter in the same order.
func TestPageAgrees(t *testing.T) {
	for name, p := range allFixtures(t) {
		t.Run(name, func(t *testing.T) {
			set := provenanceHTML(t, p, HTMLOptions{})
			doc := parsePage(t, set)

			text := provenanceString(t, p, page.TextOptions{Width: 4000})
			_, behind, ok := strings.Cut(text, "\nIdentity\n")
			if !ok {
				t.Fatal("no identity in the text")
			}
			want, got := pagetest.Squeezed(strings.Fields("Identity "+behind)), pagetest.Squeezed(pageWords(doc))
			if want != got {
				i := 0
				for i < min(len(want), len(got)) && want[i] == got[i] {
					i++
				}
				t.Errorf("text and page part at\n text: ...%s\n page: ...%s", want[max(0, i-40):min(len(want), i+80)], got[max(0, i-40):min(len(got), i+80)])
			}

			var b bytes.Buffer
			if err := p.WriteJSON(&b); err != nil {
				t.Fatal(err)
			}
			var back Report
			if err := json.Unmarshal(b.Bytes(), &back); err != nil {
				t.Fatal(err)
			}
			if provenanceHTML(t, &back, HTMLOptions{}) != set {
				t.Error("the page from the JSON differs: the value does not hold everything")
			}
			facts := map[string][]string{}
			var order []string
			walk(doc, func(n *html.Node) {
				id := attribute(n, "aria-labelledby")
				if is(n, "div", "fact") {
					id = strings.Replace(attribute(n, "id"), "about-", "fact-", 1)
				}
				if strings.HasPrefix(id, "fact-") || strings.HasPrefix(id, "short-") {
					order = append(order, id)
					walk(n, func(n *html.Node) {
						if is(n, "li", "") || is(n, "p", "") || is(n, "h2", "") {
							facts[id] = append(facts[id], textOf(n))
						}
					})
				}
			})
			var wantOrder []string
			for prefix, list := range map[string][]Fact{"short-": back.InShort, "fact-": back.PageOne} {
				for _, f := range list {
					want := []string{setWords(f.Label)}
					for _, s := range f.Lines {
						want = append(want, setWords(s))
					}
					if got := facts[prefix+f.Key]; !slices.Equal(got, want) {
						t.Errorf("%s: page says %q, JSON %q", f.Key, got, want)
					}
				}
			}
			for _, f := range back.InShort {
				wantOrder = append(wantOrder, "short-"+f.Key)
			}
			for _, f := range back.PageOne {
				wantOrder = append(wantOrder, "fact-"+f.Key)
			}
			if !slices.Equal(order, wantOrder) {
				t.Errorf("page one is %v, want %v", order, wantOrder)
			}
		})
	}
}

func TestInShort(t *testing.T) {
	once := map[string]string{"2021-10-01-intake-aaak": "", "2021-10-05-release-aaam": ""}
	for _, c := range []struct {
		name    string
		records map[string]string
		key     string
		says    []string
		not     []string
	}{
		{"works, who, when, soak", benchtest.With(benchtest.Restored, once), "works",
			[]string{"Works fully, says Maren Wickstead for Halden Street Workshop, on 2021-03-10, after 1.5 hours", "Said to be FAULTY since, on 2021-09-01.",
				"No fault is recorded as open.", "1 repair declined", "Parts known to be bad, or waiting, are still in it", "2 safety checks done on 2021-03-08, 1 NOT done."}, nil},
		{"news before the last release is old", benchtest.Restored, "works", []string{"It came back once after a release.", "NOT SAFETY TESTED at its last stay", "Ask before you switch it on"}, []string{"FAULTY"}},
		{"on the bench", map[string]string{"2021-03-01-intake-aaaa": benchtest.Restored["2021-03-01-intake-aaaa"]}, "works",
			[]string{"On the bench since 2021-03-01; not released.", "nobody has signed", "DO NOT SWITCH ON.", "3 open faults", "NOT SAFETY TESTED."}, []string{"Works fully"}},
		{"a check outside its limit", benchtest.With(benchtest.Restored, benchtest.With(once, map[string]string{"2021-03-08-safety-aaaf": strings.Replace(benchtest.Restored["2021-03-08-safety-aaaf"], "0.1 Ohm", "0.9 Ohm", 1)})), "works",
			[]string{"1 OUTSIDE its limit or failed"}, nil},
		{"not original", benchtest.Restored, "notOriginal", []string{"5 parts are recorded as replaced or added, 1 of them used, donor", "1 part was taken out and not replaced.",
			"3 parts are of unknown age and origin.", "1 modification: “quiet supply”.", "Earlier work by others", "1 thing was missing"}, nil},
		{"nothing replaced is not all original", map[string]string{"2021-10-06-note-aaan": benchtest.Restored["2021-10-06-note-aaan"]}, "notOriginal",
			[]string{"No part is recorded as replaced.", "may have been changed before"}, nil},
		{"warranty that runs", benchtest.Restored, "ifItFails", []string{"Warranty from 2021-03-11 to 2023-03-10: “parts fitted here”. It passes to the next owner.", "Who to ask: Halden Street Workshop"}, nil},
		{"warranty that ended", benchtest.With(benchtest.Restored, map[string]string{"2021-03-10-release-aaah": strings.Replace(benchtest.Restored["2021-03-10-release-aaah"], "2023-03-10", "2022-03-10", 1)}), "ifItFails",
			[]string{"No warranty is running: the last ended on 2022-03-10."}, []string{"passes"}},
		{"no warranty", benchtest.With(benchtest.Restored, map[string]string{"2021-03-10-release-aaah": strings.Replace(benchtest.Restored["2021-03-10-release-aaah"], "warranty =", "# warranty =", 1)}), "ifItFails",
			[]string{"No warranty was given with the release of 2021-10-05."}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := Build(benchInput(t, benchtest.BenchInstrument, benchtest.BenchModel, c.records))
			got := ""
			for _, f := range p.InShort {
				if f.Key == c.key {
					got = strings.Join(f.Lines, "\n")
				}
			}
			for _, s := range c.says {
				if !strings.Contains(got, s) {
					t.Errorf("does not say %q:\n%s", s, got)
				}
			}
			for _, s := range c.not {
				if strings.Contains(got, s) {
					t.Errorf("says %q:\n%s", s, got)
				}
			}
		})
	}
}

func TestPagePictures(t *testing.T) {
	p := pageFixtures(t)["restored"]
	asked := ""
	photos := func(data []byte, err error) func(string) ([]byte, error) {
		return func(path string) ([]byte, error) { asked = path; return data, err }
	}
	const words = "photos/back.jpg “the back”, as left."
	for _, c := range []struct {
		name   string
		photos func(string) ([]byte, error)
		data   string // what the picture begins with; "" for none
	}{
		{"jpeg", photos(testPhoto(t, "jpeg"), nil), "data:image/jpeg;base64,"},
		{"png", photos(testPhoto(t, "png"), nil), "data:image/png;base64,"},
		{"not there", photos(nil, errors.New("no such file")), ""},
		{"markup by the name of a picture", photos([]byte(`<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`), nil), ""},
		{"nobody to ask", nil, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			doc := parsePage(t, provenanceHTML(t, p, HTMLOptions{Photos: c.photos}))
			got, alt := "", ""
			walk(doc, func(n *html.Node) {
				if is(n, "img", "") {
					got, alt = attribute(n, "src"), attribute(n, "alt")
				}
			})
			if c.data == "" && got != "" || !strings.HasPrefix(got, c.data) {
				t.Errorf("picture %.40q, want %q", got, c.data)
			}
			if c.data != "" && (alt != "Photograph: the back" || asked != "photos/back.jpg") {
				t.Errorf("alt %q, asked for %q", alt, asked)
			}
			if !strings.Contains(pagetest.Flat(textOf(doc)), words) {
				t.Error("the photograph is not listed")
			}
		})
	}
	for _, c := range []struct {
		qr   []byte
		want string
	}{{[]byte(testQR), "data:image/svg+xml;base64,"}, {testPhoto(t, "png"), "data:image/png;base64,"}} {
		doc := parsePage(t, provenanceHTML(t, p, HTMLOptions{QR: c.qr}))
		got := ""
		walk(doc, func(n *html.Node) {
			if is(n, "img", "qr") {
				got = attribute(n, "src")
			}
		})
		if !strings.HasPrefix(got, c.want) {
			t.Errorf("code %.40q, want %q", got, c.want)
		}
	}
	if err := p.WriteHTML(&bytes.Buffer{}, HTMLOptions{QR: []byte("benchlore:1:")}); err == nil {
		t.Error("a code that is no picture is taken")
	}
}

// The map's cells hold the letters of the report, in order.
func TestMapCells(t *testing.T) {
	letters := strings.Repeat("O", 30) + "N.MDR?-" + strings.Repeat("N", 20)
	svg := mapCells(letters, `R1 <"&`)
	doc := parsePage(t, svg)
	if got := textOf(doc); got != letters {
		t.Errorf("cells %q, want %q", got, letters)
	}
	places := 0
	for _, m := range regexp.MustCompile(`<text x="([0-9 ]+)" y="([0-9]+)"`).FindAllStringSubmatch(svg, -1) {
		for _, x := range strings.Fields(m[1]) {
			places++
			if v, _ := strconv.Atoi(x); v < 0 || v > cellsRow*cellSize {
				t.Errorf("a letter at %s", x)
			}
		}
	}
	if places != len(letters) {
		t.Errorf("%d places for %d letters", places, len(letters))
	}
	row := MapRow{"C1-C3", "NNO"}
	legend := []MapLetter{{"N", "new part, or unused old stock"}, {"O", "the part it left the factory with, as far as the records say"}}
	if got, want := mapWords(row, legend), "C1-C3: 2 new part; 1 the part it left the factory with"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestStrip(t *testing.T) {
	p := pageFixtures(t)["restored"]
	found, left := p.Tables[0], p.Tables[1]
	want := []LimitSpan{{"key:1", "key:4", "-2", "2"}}
	if !slices.Equal(found.LimitSpans, want) {
		t.Errorf("limits %v, want %v", found.LimitSpans, want)
	}
	pic := left.strip(&found)
	svg := pic.Render("x", false)
	pagetest.CheckSVG(t, "strip", svg, page.PictureWidth)
	// By hand: four values as left and three as found.
	if !strings.Contains(pic.Desc, "4 of 4 values measured, in cent, lowest -0.4 at key:3, highest 1.0 at key:4. 0 outside the limit") ||
		!strings.Contains(pic.Desc, "as found: lowest -0.40, highest 2.5.") {
		t.Error(pic.Desc)
	}
	if found.strip(nil) == nil || (TableReport{Measured: 1, Values: []string{"1"}, Positions: []string{"key:1"}}).strip(nil) != nil {
		t.Error("a strip needs two values, and no more")
	}
	// Limits that differ from position to position, and a flat line of values.
	odd := TableReport{Point: "gap", Unit: "mm", Measured: 3, Positions: []string{"key:1", "key:2", "key:3"}, Values: []string{"1,5", "1.5", "1.5"},
		LimitSpans: []LimitSpan{{"key:1", "key:1", "", "2"}, {"key:2", "key:3", "1", ""}, {"key:9", "key:9", "1", "2"}}}
	pagetest.CheckSVG(t, "odd", odd.strip(nil).Render("y", true)+"", page.PictureWidth)
}

func TestMark(t *testing.T) {
	n := func(v float64) *float64 { return &v }
	value := func(v, low, high *float64, verdict unit.Verdict) *ReadingValue {
		return &ReadingValue{Number: v, LimitLow: low, LimitHigh: high, Verdict: verdict}
	}
	circle := regexp.MustCompile(`<circle cx="([0-9.]+)" cy="8" r="4" fill="(#[0-9a-f]+)"`)
	for _, c := range []struct {
		name string
		row  ReadingRow
		want []string // "place fill" of each circle
		none bool
		far  int // arrows
	}{
		{"both limits", ReadingRow{Found: value(n(14), n(14), n(16), "within"), Left: value(n(15), n(14), n(16), "within")}, []string{"35.0 #ffffff", "60.0 #111111"}, false, 0},
		{"off the scale", ReadingRow{Found: value(n(99), n(14), n(16), "outside"), Left: value(n(-99), n(14), n(16), "outside")}, nil, false, 2},
		{"at most", ReadingRow{Left: value(n(1.5), nil, n(3), "within")}, []string{"42.5 #111111"}, false, 0},
		{"at least", ReadingRow{Left: value(n(1), n(1), nil, "within")}, []string{"35.0 #111111"}, false, 0},
		{"no limit", ReadingRow{Left: value(n(1), nil, nil, "")}, nil, true, 0},
		{"no number", ReadingRow{Left: value(nil, n(1), n(2), "not measurable")}, nil, true, 0},
		{"a limit of nought", ReadingRow{Left: value(n(1), nil, n(0), "outside")}, nil, true, 0},
		{"nothing", ReadingRow{}, nil, true, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			svg := c.row.mark()
			if (svg == "") != c.none {
				t.Fatalf("drawn: %q", svg)
			}
			var got []string
			for _, m := range circle.FindAllStringSubmatch(svg, -1) {
				got = append(got, m[1]+" "+m[2])
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("circles %v, want %v", got, c.want)
			}
			if got := strings.Count(svg, "-5v10z"); got != c.far {
				t.Errorf("%d arrows, want %d: %s", got, c.far, svg)
			}
		})
	}
}

// Letters keep 4.5:1 against what they stand on (WCAG 2.2, 1.4.3, level AA).
func TestProvenanceContrast(t *testing.T) {
	luminance := func(hex string) float64 {
		v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
		if err != nil || len(hex) != 7 {
			t.Fatalf("colour %q", hex)
		}
		sum := 0.0
		for i, w := range []float64{0.0722, 0.7152, 0.2126} {
			c := float64(v>>(8*i)&255) / 255
			if c <= 0.04045 {
				c /= 12.92
			} else {
				c = math.Pow((c+0.055)/1.055, 2.4)
			}
			sum += w * c
		}
		return sum
	}
	contrast := func(a, b string) float64 {
		x, y := luminance(a), luminance(b)
		return (max(x, y) + 0.05) / (min(x, y) + 0.05)
	}
	if c := contrast("#767676", "#ffffff"); !(c > 4.5 && c < 4.6) { // the lightest grey that passes
		t.Fatalf("formula: %v", c)
	}
	for l, look := range cellLooks {
		if c := contrast(look.fill, look.text); !(c >= 4.5) {
			t.Errorf("letter %c has contrast %.2f", l, c)
		}
	}
	names := map[string]string{}
	for _, m := range regexp.MustCompile(`(--[a-z]+): (#[0-9a-f]{6})`).FindAllStringSubmatch(provenanceStyle, -1) {
		names[m[1]] = m[2]
	}
	colours := regexp.MustCompile(`[{;\s]color: ([^;]+);`).FindAllStringSubmatch(provenanceStyle, -1)
	if len(colours) < 5 {
		t.Fatalf("colours %v", colours)
	}
	for _, m := range colours {
		c := m[1]
		if v, ok := strings.CutPrefix(c, "var("); ok {
			c = names[strings.TrimSuffix(v, ")")]
		}
		if c == "inherit" {
			continue
		}
		for _, ground := range []string{"#ffffff", names["--tint"]} {
			if v := contrast(c, ground); !(v >= 4.5) {
				t.Errorf("%s has contrast %.2f on %s", m[1], v, ground)
			}
		}
	}
}
