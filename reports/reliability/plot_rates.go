package reliability

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"benchlore/reports/page"
)

// mostRates is how many groups a picture has room for.
const mostRates = 25

// ratedGroup is one row of the picture of rates.
type ratedGroup struct {
	title          string
	value          float64 // NaN for a bound
	low, high      float64 // 0 and +Inf where open
	least, fellows float64 // what rows are ordered by
	words          string
}

// plotRates draws the rates with their intervals on a log axis: ranked
// together where there is a ranking, else each by itself. It is nil where
// there is no rate.
func (r *Report) plotRates() *page.Picture {
	scale, per := r.Time.per()
	var rows []ratedGroup
	shown, _ := r.handled()
	ranked := r.ranked(shown)
	for _, g := range ranked {
		x := g.Life[r.Silence].Rank
		rows = append(rows, ratedGroup{title: g.Title, value: scale * x.Mean, low: scale * x.Low, high: scale * x.High, least: scale * x.Mean,
			words: fmt.Sprintf("%s (%s)", figure(scale*x.Mean), rankLimits(x, scale))})
	}
	if len(ranked) == 0 {
		rows = r.singleRates(shown, scale)
	}
	if len(rows) == 0 {
		return nil
	}
	slices.SortStableFunc(rows, func(a, b ratedGroup) int {
		return cmp.Or(cmp.Compare(b.least, a.least), cmp.Compare(b.fellows, a.fellows))
	})
	more := ""
	if n := len(rows); n > mostRates {
		rows = rows[:mostRates]
		more = fmt.Sprintf(" The highest %d of %d; the table has them all.", mostRates, n)
	}

	lo, hi := math.Inf(1), 0.0
	for i := range rows {
		row := &rows[i]
		if row.low < row.value/1000 {
			row.low = 0 // as good as nothing, and a log axis would go on for ever
		}
		for _, v := range []float64{row.value, row.low, row.high} {
			if v > 0 && !math.IsInf(v, 1) {
				lo, hi = min(lo, v), max(hi, v)
			}
		}
	}
	lo, hi = math.Pow10(int(math.Floor(math.Log10(lo)))), math.Pow10(int(math.Ceil(math.Log10(hi))))
	if lo == hi {
		hi *= 10
	}

	const rowHigh, top, foot = 27.0, 6.0, 34.0
	bottom := top + rowHigh*float64(len(rows))
	p := page.NewPicture(bottom + foot)
	x := page.Axis{Lo: lo, Hi: hi, From: 18, To: page.PictureWidth - 18, Log: true}
	for _, v := range x.Ticks(8) {
		p.Line(page.Rule, 0.6, nil, x.At(v), top, x.At(v), bottom)
		p.Line(page.Ink, 0.8, nil, x.At(v), bottom, x.At(v), bottom+4)
		p.Write(page.Ink, x.At(v), bottom+14, page.Middle, page.TickWords(v))
	}
	p.Line(page.Ink, 0.8, nil, x.From, bottom, x.To, bottom)
	p.Write(page.Ink, (x.From+x.To)/2, bottom+28, page.Middle, "failures "+per+", log scale")
	var told []string
	for i, row := range rows {
		y := top + rowHigh*float64(i)
		if i > 0 {
			p.Line(page.Rule, 0.4, []float64{1, 2}, 0, y, page.PictureWidth, y)
		}
		p.Write(page.Quiet, page.PictureWidth, y+11, page.Before, row.words)
		p.Write(page.Ink, 0, y+11, page.After, page.Fitted(row.title, page.PictureWidth-page.LettersWide(row.words)-8))
		told = append(told, row.title+" "+row.words)

		y += 19.5
		from, to := x.From, x.To
		if row.low > 0 {
			from = x.At(row.low)
			p.Line(page.Ink, 1.2, nil, from, y-3, from, y+3)
		} else {
			p.Line(page.Ink, 1.2, nil, from+4, y-3, from, y, from+4, y+3) // goes on
		}
		if !math.IsInf(row.high, 1) {
			to = x.At(row.high)
			p.Line(page.Ink, 1.2, nil, to, y-3, to, y+3)
		} else {
			p.Line(page.Ink, 1.2, nil, to-4, y-3, to, y, to-4, y+3)
		}
		dash := []float64(nil)
		if math.IsNaN(row.value) {
			dash = []float64{3, 2}
		}
		p.Line(page.Ink, 1.2, dash, from, y, to, y)
		if !math.IsNaN(row.value) {
			p.Dot(x.At(row.value), y, 3)
		}
	}
	how := fmt.Sprintf("each by itself, with %s confidence intervals; dashed where there is only a bound", percent(r.Confidence))
	if len(ranked) > 0 {
		how = "all estimated together, with intervals that hold 90% of the probability"
	}
	p.Title = "Rates of failure, " + how
	p.Desc = fmt.Sprintf("Failures %s on a log axis%s.%s %s.", per, r.silenceWords(), more, strings.Join(told, "; "))
	return p
}

// silenceWords says which reading of silence a picture has.
func (r *Report) silenceWords() string {
	if r.FromFile {
		return ""
	}
	return ", silence read as " + string(r.Silence)
}

// singleRates is the rate of every group by itself.
func (r *Report) singleRates(groups []Group, scale float64) []ratedGroup {
	var rows []ratedGroup
	for _, g := range groups {
		x := g.Life[r.Silence].Rate
		if x == nil {
			continue
		}
		row := ratedGroup{title: g.Title, value: scale * x.PerYear, low: scale * x.Low, high: scale * x.High, least: scale * x.PerYear, fellows: scale * x.High, words: r.rateCell(x)}
		switch {
		case x.UpperOnly:
			row.value, row.low, row.least = math.NaN(), 0, 0
		case x.LowerOnly:
			row.value, row.high, row.least = math.NaN(), math.Inf(1), row.low
		default:
			row.words = fmt.Sprintf("%s (%s to %s)", figure(row.value), figure(row.low), figure(row.high))
		}
		rows = append(rows, row)
	}
	return rows
}
