package reliability

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"

	"benchlore/reports/page"
)

//go:embed reliability.css
var reliabilityStyle string

//go:embed reliability.html.tmpl
var reliabilityPage string

var reliabilityTemplate = template.Must(template.New("reliability").Parse(reliabilityPage))

type htmlReliability struct {
	Title, Estimand   string
	StyleHash         string
	Style             template.CSS
	Empty             bool
	Rates             *page.Figure
	Rank, Wear        *page.HTMLTable
	Tables            []*page.HTMLTable
	Legend            string
	Groups            []htmlGroup
	Quiet, Unseen     string
	Comparisons       []string
	ComebackSentences []string
	ComebackPlot      *page.Figure
	ComebackTable     *page.HTMLTable
	Notes             []string
}

type htmlGroup struct {
	Title, Lead, Rest string
	Curve             *page.Figure
}

// widePage is a width, in letters, that holds every table: a page scrolls.
const widePage = 1000

// WriteHTML writes the report as one page with its plots: no script, nothing
// from a network, a content security policy that allows only its own style
// sheet, and a layout for screens of any width and for paper.
func (r *Report) WriteHTML(w io.Writer) error {
	sum := sha256.Sum256([]byte(reliabilityStyle))
	shown, rest := r.handled()
	d := htmlReliability{
		Title: r.heading(), Estimand: r.estimand(),
		Style: template.CSS(reliabilityStyle), StyleHash: "sha256-" + base64.StdEncoding.EncodeToString(sum[:]),
		Empty: len(shown) == 0, Notes: r.shownNotes(),
	}
	figures := 0
	figure := func(p *page.Picture) *page.Figure {
		if p == nil {
			return nil
		}
		figures++
		return &page.Figure{SVG: template.HTML(p.Render(fmt.Sprintf("figure%d", figures), false)), Label: "Plot: " + p.Title, Caption: p.Title + "."}
	}
	if len(shown) > 0 {
		d.Rates = figure(r.plotRates())
		if d.Rates != nil {
			_, per := r.Time.per()
			d.Rates.Caption += " Failures " + per + r.silenceWords() + "."
			if len(r.ranked(shown)) > mostRates {
				d.Rates.Caption += fmt.Sprintf(" The highest %d; the tables have them all.", mostRates)
			}
		}
		if !r.FromFile {
			if t := page.AsHTML(r.summaryTable(r.byFirst()), "What fails: units in which a part was found failed at their first visit, of those in which it was looked at"); t != nil {
				d.Tables = append(d.Tables, t)
			}
		}
		for _, t := range r.tables(shown, widePage) {
			d.Tables = append(d.Tables, page.AsHTML(t, "Units, parts and rates, the most affected first"))
		}
		d.Legend = r.legend()
		d.Rank = page.AsHTML(r.rankTable(shown), "Rates of all groups estimated together, the highest first")
		if d.Rank != nil {
			d.Rank.Legend = r.rankLegend()
		}
		d.Wear = page.AsHTML(r.wearTable(shown), "Lives fitted to parts of known age")
		if d.Wear != nil {
			d.Wear.Legend = r.wearLegend()
		}
		said, quiet := r.spoken(shown)
		for _, g := range said {
			s := r.sentences(g)
			title := page.Capital(page.Clean(g.Title))
			// The heading names the group already.
			lead := page.Capital(strings.TrimPrefix(page.Clean(s[0]), title+": "))
			h := htmlGroup{Title: title, Lead: lead, Rest: page.Clean(strings.Join(s[1:], " ")), Curve: figure(r.plotCurve(g))}
			if h.Curve != nil {
				h.Curve.Caption = h.Curve.Caption[:len(h.Curve.Caption)-1] + ". " + r.curveWords(g.Life[r.Silence])
			}
			d.Groups = append(d.Groups, h)
		}
		d.Quiet, d.Unseen = quietWords(quiet), unseenWords(rest)
	}
	for _, c := range r.Comparisons {
		d.Comparisons = append(d.Comparisons, page.Clean(r.comparisonSentence(c)))
	}
	if !r.FromFile {
		d.ComebackSentences = r.comebackSentences()
		d.ComebackPlot = figure(r.plotComebacks())
		d.ComebackTable = page.AsHTML(r.comebackTable(), "Comebacks by kind")
		if d.ComebackTable != nil {
			d.ComebackTable.Legend = comebackLegend
		}
	}
	return reliabilityTemplate.Execute(w, d)
}
