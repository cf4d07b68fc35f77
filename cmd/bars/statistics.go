package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"benchlore/reports/lifedata"
)

// script times R on the same rows; Turnbull's estimate is survfit's of intervals.
const script = `suppressMessages(library(survival))
a <- commandArgs(TRUE)
e <- read.csv(a[1]); x <- read.csv(a[2])
x$upper[is.na(x$upper)] <- Inf
t <- function(f) min(sapply(1:%d, function(i) system.time(f())[["elapsed"]]))
cat(t(function() survfit(Surv(time, event) ~ 1, data = e)), "\n")
x$l <- ifelse(x$lower > 0, x$lower, NA); x$u <- ifelse(is.finite(x$upper), x$upper, NA)
cat(t(function() survreg(Surv(l, u, type = "interval2") ~ 1, data = x, dist = "weibull")), "\n")
`

// statistics compares the estimates of one large group: exact ages for
// Kaplan-Meier, ages between two days for the Weibull fit and Turnbull. It
// reports whether every bar holds.
func (b *bench) statistics(n int) (bool, error) {
	draw := rand.New(rand.NewPCG(1, 2))
	exact, spans := make([]lifedata.Obs, n), make([]lifedata.Obs, n)
	var exactCSV, spansCSV strings.Builder
	exactCSV.WriteString("time,event\n")
	spansCSV.WriteString("lower,upper\n")
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	for i := range n {
		unit := "u" + strconv.Itoa(i/10)
		life := 60 * math.Pow(draw.ExpFloat64(), 1/2.5)
		end := 20 + 30*draw.Float64()
		exact[i] = lifedata.Obs{Unit: unit, Lower: min(life, end), Upper: min(life, end), Count: 1}
		if life > end {
			exact[i].Upper = math.Inf(1)
		}
		fmt.Fprintf(&exactCSV, "%s,%d\n", number(min(life, end)), map[bool]int{true: 1}[life <= end])
		last := end * draw.Float64()
		switch {
		case life > end:
			spans[i] = lifedata.Obs{Unit: unit, Lower: end, Upper: math.Inf(1), Count: 1}
			fmt.Fprintf(&spansCSV, "%s,\n", number(end))
		case life > last:
			spans[i] = lifedata.Obs{Unit: unit, Lower: last, Upper: end, Count: 1}
			fmt.Fprintf(&spansCSV, "%s,%s\n", number(last), number(end))
		default:
			spans[i] = lifedata.Obs{Unit: unit, Upper: last, Count: 1}
			fmt.Fprintf(&spansCSV, "0,%s\n", number(last))
		}
	}
	here := func(work func() error) (time.Duration, error) {
		best := time.Duration(math.MaxInt64)
		for range b.runs {
			start := time.Now()
			if err := work(); err != nil {
				return 0, err
			}
			best = min(best, time.Since(start))
		}
		return best, nil
	}
	km, err := here(func() error { _, err := lifedata.KaplanMeier(exact, 0.95); return err })
	if err != nil {
		return false, err
	}
	weibull, err := here(func() error {
		_, err := lifedata.FitWeibull(spans, lifedata.WeibullOptions{Level: 0.95})
		return err
	})
	if err != nil {
		return false, err
	}
	turnbull, err := here(func() error { _, err := lifedata.Turnbull(spans); return err })
	if err != nil {
		return false, err
	}
	fmt.Fprintf(b.out, "\nstatistics of %d observations\n", n)
	w := tabwriter.NewWriter(b.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "work\there\tR survival\tratio\tbar\tholds")
	defer w.Flush()
	held := true
	r, err := b.inR(exactCSV.String(), spansCSV.String())
	if err != nil {
		fmt.Fprintf(b.log, "R is left out: %v\n", err)
	}
	for i, x := range []struct {
		name string
		time time.Duration
	}{{"Kaplan-Meier", km}, {"Weibull, interval-censored", weibull}} {
		if r == nil {
			fmt.Fprintf(w, "%s\t%s\t-\t-\t1.00\t-\n", x.name, x.time.Round(time.Millisecond))
			continue
		}
		holds := "yes"
		if ratio := x.time.Seconds() / r[i]; ratio > 1 {
			holds, held = "NO", false
		}
		fmt.Fprintf(w, "%s\t%s\t%.3fs\t%.2f\t1.00\t%s\n", x.name, x.time.Round(time.Millisecond), r[i], x.time.Seconds()/r[i], holds)
	}
	fmt.Fprintf(w, "Turnbull\t%s\tnot run: it takes R longer than 8 minutes\t\t1.00\tyes\n", turnbull.Round(time.Millisecond))
	return held, nil
}

// inR returns seconds of R for Kaplan-Meier and Weibull.
func (b *bench) inR(exact, spans string) ([]float64, error) {
	dir, err := os.MkdirTemp(b.dir, "r-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	for name, text := range map[string]string{"exact.csv": exact, "spans.csv": spans, "time.R": fmt.Sprintf(script, b.runs)} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			return nil, err
		}
	}
	out, err := exec.Command("Rscript", filepath.Join(dir, "time.R"), filepath.Join(dir, "exact.csv"), filepath.Join(dir, "spans.csv")).Output()
	if err != nil {
		return nil, err
	}
	var seconds []float64
	for _, f := range strings.Fields(string(out)) {
		s, err := strconv.ParseFloat(f, 64)
		if err != nil {
			return nil, err
		}
		seconds = append(seconds, max(s, 0.001)) // R's clock
	}
	if len(seconds) != 2 {
		return nil, fmt.Errorf("what came from R is not two figures: %q", out)
	}
	return seconds, nil
}
