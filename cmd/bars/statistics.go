package main

import (
	"context"
	"errors"
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

// script times R on the same rows, one estimate in each run; Turnbull's is survfit's
// of intervals.
const script = `suppressMessages(library(survival))
a <- commandArgs(TRUE)
e <- read.csv(a[1]); x <- read.csv(a[2])
x$upper[is.na(x$upper)] <- Inf
x$l <- ifelse(x$lower > 0, x$lower, NA); x$u <- ifelse(is.finite(x$upper), x$upper, NA)
f <- list(
  km = function() survfit(Surv(time, event) ~ 1, data = e),
  weibull = function() survreg(Surv(l, u, type = "interval2") ~ 1, data = x, dist = "weibull"),
  turnbull = function() survfit(Surv(l, u, type = "interval2") ~ 1, data = x))[[a[3]]]
cat(min(sapply(1:as.integer(a[4]), function(i) system.time(f())[["elapsed"]])), "\n")
`

// patience is how long R is waited for.
const patience = time.Minute

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
	dir, err := os.MkdirTemp(b.dir, "r-")
	if err != nil {
		return false, err
	}
	defer os.RemoveAll(dir)
	for name, text := range map[string]string{"exact.csv": exactCSV.String(), "spans.csv": spansCSV.String(), "time.R": script} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			return false, err
		}
	}
	for _, x := range []struct {
		name, estimate string
		time           time.Duration
	}{{"Kaplan-Meier", "km", km}, {"Weibull, interval-censored", "weibull", weibull}, {"Turnbull", "turnbull", turnbull}} {
		here := x.time.Round(time.Millisecond)
		r, err := b.inR(dir, x.estimate)
		switch {
		case errors.Is(err, context.DeadlineExceeded):
			holds := "yes"
			if x.time > patience {
				holds, held = "NO", false
			}
			fmt.Fprintf(w, "%s\t%s\tstopped after %s\tbelow %.2f\t1.00\t%s\n", x.name, here, patience, x.time.Seconds()/patience.Seconds()+0.005, holds)
			continue
		case err != nil:
			fmt.Fprintf(b.log, "R is left out: %v\n", err)
			fmt.Fprintf(w, "%s\t%s\t-\t-\t1.00\t-\n", x.name, here)
			continue
		}
		holds := "yes"
		if x.time.Seconds() > r {
			holds, held = "NO", false
		}
		fmt.Fprintf(w, "%s\t%s\t%.3fs\t%.2f\t1.00\t%s\n", x.name, here, r, x.time.Seconds()/r, holds)
	}
	return held, nil
}

// inR returns the seconds R takes for an estimate.
func (b *bench) inR(dir, estimate string) (float64, error) {
	patient, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	cmd := exec.CommandContext(patient, "Rscript", filepath.Join(dir, "time.R"), filepath.Join(dir, "exact.csv"), filepath.Join(dir, "spans.csv"), estimate, strconv.Itoa(b.runs))
	cmd.WaitDelay = time.Second
	out, err := cmd.Output()
	if patient.Err() != nil {
		return 0, patient.Err()
	}
	if err != nil {
		return 0, err
	}
	seconds, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
	if err != nil {
		return 0, fmt.Errorf("what came from R is no figure: %q", out)
	}
	return max(seconds, 0.001), nil // R's clock
}
