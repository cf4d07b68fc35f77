package main

import (
	"bytes"
	"strings"
	"testing"
)

// With independent units few intervals of a small study may miss: of 60 ledgers
// with seven families each the share that covers lies within 91 % and 99 % for
// every kind of interval that is two-sided (a study of 1000 is in the closing
// figures; binomial limits of three standard errors around 93 to 97.5 %).
func TestIndependentUnitsAreCovered(t *testing.T) {
	s := study{ledgers: 60, least: 10, most: 40, truthUnits: 4000, seed: 7, workers: 2}
	results, err := s.preset("independent")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, r := range results {
		seen[r.estimate] = true
		if r.estimate == names[rateWorking] {
			continue // silence read as working is the other reading, not the truth here
		}
		n := r.given()
		if n < 100 {
			t.Errorf("%s: only %d intervals", r.estimate, n)
			continue
		}
		if c := float64(r.covered) / float64(n); !(c >= 0.91 && c <= 0.995) {
			t.Errorf("%s: %d of %d intervals cover the truth", r.estimate, r.covered, n)
		}
	}
	for _, name := range names {
		if !seen[name] {
			t.Errorf("nothing about %s", name)
		}
	}
}

// Equal seeds give equal figures, whatever the processors do.
func TestSameSeedSameFigures(t *testing.T) {
	var a, b, errs bytes.Buffer
	args := []string{"-presets", "clustered", "-ledgers", "4", "-truth", "200", "-most", "15"}
	if run(args, &a, &errs) != 0 || run(args, &b, &errs) != 0 {
		t.Fatal(errs.String())
	}
	if a.String() != b.String() || !strings.Contains(a.String(), "share of units") {
		t.Errorf("got\n%s\nand\n%s", a.String(), b.String())
	}
}

// A nasty shop gives a row for each statistic, and equal seeds equal figures.
func TestScenarios(t *testing.T) {
	var a, b, errs bytes.Buffer
	args := []string{"-scenarios", "elsewhere,prompted", "-ledgers", "2", "-truth", "100"}
	if run(args, &a, &errs) != 0 || run(args, &b, &errs) != 0 {
		t.Fatal(errs.String())
	}
	if a.String() != b.String() {
		t.Errorf("got\n%s\nand\n%s", a.String(), b.String())
	}
	for _, want := range []string{"elsewhere  units failed at first visit", "elsewhere  rate, bounds", "prompted  says: wears out", "prompted  says: the worst"} {
		if !strings.Contains(a.String(), want) {
			t.Errorf("no %q in\n%s", want, a.String())
		}
	}
}

func TestWrongFlags(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"-presets", "nonsense"}, "write one or several of: independent"},
		{[]string{"-scenarios", "nonsense"}, "write all, or one or several of: clean"},
		{[]string{"-ledgers", "0"}, "above zero"},
		{[]string{"-least", "9", "-most", "8"}, "not below"},
	} {
		var out, errs bytes.Buffer
		if code := run(c.args, &out, &errs); code != 2 || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%v: code %d, %s", c.args, code, errs.String())
		}
	}
}
