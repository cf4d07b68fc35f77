package reliability

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"image/color"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"benchlore/reports/internal/pagetest"
	"benchlore/reports/page"
)

func reliabilityHTML(t *testing.T, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func wearingReport(t *testing.T, opt Options) *Report {
	t.Helper()
	obs := Observe(wearingLedger(t), ObserveOptions{AsOf: mustDate(t, "2026-01-01"), Families: observedFamilies(), Lag: DefaultLag})
	r, err := Estimate(obs, observedFamilies(), opt)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestReliabilityPage(t *testing.T) {
	page := reliabilityHTML(t, wearingReport(t, Options{By: []string{"family", "maker"}}))

	// Nothing runs and nothing is fetched: no script, no address but the name
	// of SVG, and a policy that allows this style sheet and no other.
	lower := strings.ToLower(page)
	for _, never := range []string{"<script", "javascript:", "<iframe", "<link", "<img", "@import", "url(", " style=", " onload", "https://", "src="} {
		if strings.Contains(lower, never) {
			t.Errorf("the page has %q", never)
		}
	}
	if n, all := strings.Count(lower, "http://"), strings.Count(lower, `xmlns="http://www.w3.org/2000/svg"`); n != all || all == 0 {
		t.Errorf("%d addresses, %d of them the name of SVG", n, all)
	}
	style := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindStringSubmatch(page)
	sum := sha256.Sum256([]byte(style[1]))
	policy := "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	if got := strings.NewReplacer("&#39;", "'", "&#43;", "+", "&#34;", `"`).Replace(page); !strings.Contains(got, policy) {
		t.Errorf("no policy %s", policy)
	}

	for _, want := range []string{`<html lang="en">`, `<meta name="viewport"`, "<main>", "<h1>"} {
		if strings.Count(page, want) != 1 {
			t.Errorf("%d times %q", strings.Count(page, want), want)
		}
	}
	tables := regexp.MustCompile(`(?s)<table>.*?</table>`).FindAllString(page, -1)
	if len(tables) < 3 {
		t.Errorf("%d tables", len(tables))
	}
	for _, table := range tables {
		rows := strings.Count(table, `<th scope="row">`)
		if !strings.Contains(table, "<caption>") || !strings.Contains(table, `<th scope="col"`) || rows == 0 || rows != strings.Count(table, "<tr>")-1 {
			t.Errorf("table without caption or headers: %.200s", table)
		}
	}
	pictures := regexp.MustCompile(`(?s)<svg .*?</svg>`).FindAllString(page, -1)
	if len(pictures) < 3 {
		t.Errorf("%d pictures, want rates, a curve and comebacks", len(pictures))
	}
	for _, p := range pictures {
		if !strings.Contains(p, `role="img"`) || !regexp.MustCompile(`<title id="[^"]+">[^<]{10,}</title><desc id="[^"]+">[^<]{30,}</desc>`).MatchString(p) {
			t.Errorf("picture without words: %.300s", p)
		}
	}
	seen := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if seen[m[1]] {
			t.Errorf("id %q stands twice", m[1])
		}
		seen[m[1]] = true
	}
	for _, m := range regexp.MustCompile(`aria-labelledby="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		for _, id := range strings.Fields(m[1]) {
			if !seen[id] {
				t.Errorf("labelled by %q, which is not there", id)
			}
		}
	}
	for _, want := range []string{"Local codes and licensed practice", "Comparisons", "units that reached this bench"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// Text from records is text on the page.
func TestReliabilityPageEscapes(t *testing.T) {
	u := observedUnit(t, "q3-0001", "1976-01-01",
		ledgerRecord{"2016-01-01-intake", inNo},
		ledgerRecord{"2016-01-01-parts", partLine("channel 1", "C1", "failed", "left", `old = {maker = "<script>alert(1)</script>\" onload=\"x"}`)})
	page := reliabilityHTML(t, estimate(t, "2020-01-01", Options{By: []string{"maker"}}, u))
	if strings.Contains(page, "<script") || strings.Contains(page, `" onload="`) || !strings.Contains(page, "&lt;script&gt;") {
		t.Error(page)
	}
	file := "unit,group,lower,upper\na,\"</title><b>&\",1,1\nb,\"</title><b>&\",2,2\nc,\"</title><b>&\",3,3\nd,\"</title><b>&\",4,\n"
	r, err := FromFile(strings.NewReader(file), "", Options{})
	if err != nil {
		t.Fatal(err)
	}
	if page := reliabilityHTML(t, r); strings.Contains(page, "<b>") || !strings.Contains(page, "<svg") {
		t.Error(page)
	}
}

func TestReliabilityPageOfNothing(t *testing.T) {
	r, err := Estimate(Observe(nil, ObserveOptions{}), nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if page := reliabilityHTML(t, r); !strings.Contains(page, "Nothing has been handled yet: no figures.") || strings.Contains(page, "<table") {
		t.Error(page)
	}
}

// Contrast against white by the formula of WCAG 2.1, of which level AA asks
// 4.5 for text.
func TestContrast(t *testing.T) {
	luminance := func(y float64) float64 {
		if y <= 0.04045 {
			return y / 12.92
		}
		return math.Pow((y+0.055)/1.055, 2.4)
	}
	contrast := func(r, g, b float64) float64 {
		return 1.05 / (0.2126*luminance(r/255) + 0.7152*luminance(g/255) + 0.0722*luminance(b/255) + 0.05)
	}
	if c := contrast(0x76, 0x76, 0x76); !(c > 4.5 && c < 4.6) { // the lightest grey that passes
		t.Fatalf("formula: %v", c)
	}
	for _, c := range []color.Gray{page.Ink, page.Quiet} {
		if v := contrast(float64(c.Y), float64(c.Y), float64(c.Y)); v < 4.5 {
			t.Errorf("%v has contrast %v", c, v)
		}
	}
	colours := regexp.MustCompile(`[^-]color: #([0-9a-f]{3})\b`).FindAllStringSubmatch(reliabilityStyle, -1)
	if len(colours) < 2 {
		t.Fatalf("colours %v", colours)
	}
	for _, m := range colours {
		var v [3]float64
		for i, d := range m[1] {
			n, _ := strconv.ParseUint(string(d), 16, 8)
			v[i] = float64(n * 17)
		}
		if c := contrast(v[0], v[1], v[2]); c < 4.5 {
			t.Errorf("#%s has contrast %v", m[1], c)
		}
	}
}

func TestPlots(t *testing.T) {
	r := wearingReport(t, Options{})
	few := estimate(t, "2026-01-01", Options{}, echoLedger(t)[:1]...)
	for _, tt := range []struct {
		r          *Report
		name, want string // what the description says, or the error
		wrong      bool
	}{
		{r, "rates", "Failures per 1000 part-years on a log axis, silence read as unknown.", false},
		{r, "comebacks", "Mean cumulative number of comebacks", false},
		{r, "capacitor/electrolytic", "Turnbull estimate, silence read as unknown.", false},
		{r, "board/joint", "board/joint has no curve: no part has a known age", true},
		{r, "head/play", `there is no group "head/play"`, true},
		{few, "rates", "no group has a rate to plot", true},
		{few, "comebacks", "there are no comebacks to plot", true},
	} {
		var b bytes.Buffer
		err := tt.r.WritePlot(&b, tt.name)
		switch {
		case tt.wrong:
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
			}
		case err != nil:
			t.Errorf("%s: %v", tt.name, err)
		default:
			pagetest.CheckSVG(t, tt.name, b.String(), page.PictureWidth)
			if !strings.Contains(b.String(), tt.want) {
				t.Errorf("%s does not say %q", tt.name, tt.want)
			}
		}
	}
}

// Every rate is a row of the picture, a bound without a point.
func TestPlotRatesBounds(t *testing.T) {
	r := &Report{Silence: SilenceUnknown, Confidence: 0.95, Time: Years}
	for i, x := range []*Rate{
		{PerYear: 0.002, Low: 0.001, High: 0.004}, {High: 0.01, UpperOnly: true}, {Low: 0.03, PerYear: math.Inf(1), High: math.Inf(1), LowerOnly: true},
	} {
		r.Groups = append(r.Groups, Group{Title: fmt.Sprintf("group %d", i), Units: UnitShare{Inspected: 5}, Life: map[Silence]*Life{SilenceUnknown: {Rate: x}}})
	}
	p := r.plotRates()
	if !strings.Contains(p.Desc, "group 2 > 30; group 0 2 (1 to 4); group 1 < 10.") {
		t.Error(p.Desc)
	}
	svg := p.Render("x", true)
	pagetest.CheckSVG(t, "bounds", svg, page.PictureWidth)
	if dots := strings.Count(svg, "A3,3"); dots != 2 { // a circle is two arcs
		t.Errorf("%d arcs: %s", dots, svg)
	}
}

func TestTicks(t *testing.T) {
	for _, tt := range []struct {
		a    page.Axis
		n    int
		want string
	}{
		{page.Axis{Lo: 0, Hi: 57.3}, 6, "0 10 20 30 40 50"},
		{page.Axis{Lo: 0, Hi: 0.77}, 5, "0 0.2 0.4 0.6"},
		{page.Axis{Lo: 0.992, Hi: 1}, 5, "0.992 0.994 0.996 0.998 1"},
		{page.Axis{Lo: 1e-3, Hi: 10, Log: true}, 8, "0.001 0.01 0.1 1 10"},
		{page.Axis{Lo: 1e-6, Hi: 1e3, Log: true}, 4, "1e-06 0.001 1 1,000"},
	} {
		var got []string
		for _, v := range tt.a.Ticks(tt.n) {
			got = append(got, page.TickWords(v))
		}
		if strings.Join(got, " ") != tt.want {
			t.Errorf("%+v: %v, want %s", tt.a, got, tt.want)
		}
	}
}

func TestFitted(t *testing.T) {
	for _, s := range []string{"", "lamp", "aluminium electrolytic capacitors of the second kind"} {
		got := page.Fitted(s, 80)
		if w := page.LettersWide(got); w > 80 || page.LettersWide(s) <= 80 && got != s {
			t.Errorf("%q: %q is %v wide", s, got, w)
		}
	}
}
