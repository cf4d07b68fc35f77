package reliability

import (
	"encoding/csv"
	"io"
	"math"
	"strconv"
	"strings"
)

// WriteCSV writes one line per group, with both readings of silence. Empty
// cells were refused or have nothing to be taken from. Text that a spreadsheet
// would take for a formula is led by an apostrophe.
func (r *Report) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true // RFC 4180
	head := append([]string{}, r.By...)
	head = append(head, "units inspected", "units affected", "share of units", "low", "high",
		"parts handled", "tested", "in service", "untested", "failed", "degraded", "secondary", "external", "left out", "not back",
		"first visit: units inspected", "units affected", "share of units", "low", "high", "parts tested", "parts failed",
		"units failed or worn", "parts failed or degraded", "replaced before the first visit",
		"failed/handled", "low", "high", "failed/tested", "low", "high", "design effect")
	part := "component-" + string(r.Time)
	if r.FromFile {
		part = "component and unit of time"
	}
	for _, s := range r.readings() {
		for _, h := range []string{"failures", part + "s", "per " + part, "low", "high", "method", "left-censored", "bound low", "bound middle", "bound high", "parts not looked at", "refused",
			"shape", "shape low", "shape high", "scale", "scale low", "scale high", "B10", "B10 low", "B10 high", "p of shape 1", "verdict", "reasons", "wear refused",
			"rank mean", "rank low (90%)", "rank high (90%)", "chance of being the worst", "rank refused"} {
			head = append(head, h+" (silence "+string(s)+")")
		}
	}
	if err := c.Write(head); err != nil {
		return err
	}
	for _, g := range r.Groups {
		var row []string
		for _, k := range g.Key {
			row = append(row, safeCell(k.Value))
		}
		u, p := g.Units, g.Parts
		row = append(row, strconv.Itoa(u.Inspected), strconv.Itoa(u.Affected))
		if u.Inspected > 0 {
			row = append(row, csvNumber(u.Share), csvNumber(u.Interval.Low), csvNumber(u.Interval.High))
		} else {
			row = append(row, "", "", "")
		}
		for _, n := range []int{p.Handled, p.Tested, p.InService, p.Untested, p.Failed, p.Degraded, p.Secondary, p.External, p.LeftOut, p.NotBack} {
			row = append(row, strconv.Itoa(n))
		}
		f := g.First
		row = append(row, strconv.Itoa(f.Units.Inspected), strconv.Itoa(f.Units.Affected))
		if f.Units.Inspected > 0 {
			row = append(row, csvNumber(f.Units.Share), csvNumber(f.Units.Interval.Low), csvNumber(f.Units.Interval.High))
		} else {
			row = append(row, "", "", "")
		}
		for _, n := range []int{f.Tested, f.Failed, g.WornUnits.Affected, p.Worn, p.Earlier} {
			row = append(row, strconv.Itoa(n))
		}
		for i, s := range []Share{p.OfHandled, p.OfTested} {
			if n := []int{p.Handled, p.Tested}[i]; n > 0 {
				l := s.limits()
				row = append(row, csvNumber(s.Share), csvNumber(l.Low), csvNumber(l.High))
			} else {
				row = append(row, "", "", "")
			}
		}
		row = append(row, csvNumber(p.OfHandled.DesignEffect))
		for _, s := range r.readings() {
			row = append(row, r.lifeCells(g, s)...)
		}
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

func (r *Report) lifeCells(g Group, s Silence) []string {
	e := g.Life[s]
	row := make([]string, 0, 25)
	if x := e.Rate; x != nil {
		row = append(row, strconv.Itoa(x.Events), csvNumber(x.Years), csvNumber(x.PerYear), csvNumber(x.Low), csvNumber(x.High),
			string(x.Method), csvNumber(x.LeftCensored))
	} else {
		row = append(row, "", "", "", "", "", "", "")
	}
	if b := e.Bounds; b != nil {
		row = append(row, csvNumber(b.Low), csvNumber(b.Middle), csvNumber(b.High), strconv.Itoa(b.LeftOut))
	} else {
		row = append(row, "", "", "", "")
	}
	row = append(row, safeCell(e.RateRefused))
	if w := e.Weibull; w != nil {
		b10, limits := e.Wear.B10, e.Wear.Tenth
		for _, v := range []float64{w.Shape, w.ShapeWald.Low, w.ShapeWald.High, w.Scale, w.ScaleWald.Low, w.ScaleWald.High, b10, limits.Low, limits.High, w.PShape1} {
			row = append(row, csvNumber(v))
		}
	} else {
		row = append(row, "", "", "", "", "", "", "", "", "", "")
	}
	verdict, reasons := r.Verdict(g)
	row = append(row, string(verdict), safeCell(strings.Join(reasons, "; ")), safeCell(e.WeibullRefused))
	if k := e.Rank; k != nil {
		return append(row, csvNumber(k.Mean), csvNumber(k.Low), csvNumber(k.High), csvNumber(k.ProbWorst), "")
	}
	return append(row, "", "", "", "", safeCell(e.RankRefused))
}

// csvNumber writes a number with all the digits it has; empty if it is none.
func csvNumber(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

// safeCell keeps a spreadsheet from running text as a formula, after the OWASP
// page on CSV injection (from memory): a first character of = + - @, tab or
// carriage return, also after blanks.
func safeCell(s string) string {
	t := strings.TrimLeft(s, " ")
	if t != "" && strings.ContainsRune("=+-@\t\r\n", rune(t[0])) {
		return "'" + s
	}
	return s
}
