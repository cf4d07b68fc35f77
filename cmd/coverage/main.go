// Command coverage asks how often the intervals of the reliability report hold
// the truth. It makes synthetic ledgers of realistic size whose truth is known,
// sends each through the whole report, and counts, for every preset of package
// synth, how many of the intervals for a rate, a share and a Weibull shape cover
// what the ledger was made from.
//
//	go run ./cmd/coverage -ledgers 1000
//
// The scenarios are shops as they are: units that come because they failed,
// suspects tested first, repairs made elsewhere, vague and wrong build dates,
// units that differ, blanket replacement, degraded parts taken out; each alone,
// then all together.
//
//	go run ./cmd/coverage -scenarios all -ledgers 400
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"

	"benchlore/examples/synth"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

func run(args []string, out, errw io.Writer) int {
	set := flag.NewFlagSet("coverage", flag.ContinueOnError)
	set.SetOutput(errw)
	s := study{workers: runtime.GOMAXPROCS(0)}
	presets := set.String("presets", strings.Join(synth.Presets(), ","), "which presets")
	nasty := set.String("scenarios", "", "which nasty shops in place of presets; all: every one")
	set.IntVar(&s.ledgers, "ledgers", 1000, "ledgers of each preset")
	set.IntVar(&s.least, "least", 10, "least number of units of a ledger")
	set.IntVar(&s.most, "most", 60, "most units of a ledger")
	set.IntVar(&s.truthUnits, "truth", 20000, "units from which the true shares are counted")
	set.Uint64Var(&s.seed, "seed", 1, "seed; equal seeds give equal figures")
	if err := set.Parse(args); err != nil {
		return 2
	}
	var names []string
	for _, p := range strings.Split(*presets, ",") {
		if !slices.Contains(synth.Presets(), p) {
			fmt.Fprintf(errw, "coverage: no preset %q\n  write one or several of: %s\n", p, strings.Join(synth.Presets(), ","))
			return 2
		}
		names = append(names, p)
	}
	if s.ledgers < 1 || s.least < 1 || s.most < s.least || s.truthUnits < 1 {
		fmt.Fprintln(errw, "coverage: the numbers must be above zero, and -most not below -least")
		return 2
	}
	if *nasty != "" {
		list, err := chosen(*nasty)
		if err == nil {
			err = s.printScenarios(out, list)
		}
		if err != nil {
			fmt.Fprintln(errw, "coverage:", err)
			return 2
		}
		return 0
	}
	fmt.Fprintf(out, "95 %% intervals over %d ledgers of %d to %d units for each preset, seed %d\n", s.ledgers, s.least, s.most, s.seed)
	fmt.Fprintln(out, "covered: share of the intervals given that hold the truth. refused: share of the cases without an interval.")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "preset\testimate\tcovered\ttruth below\ttruth above\tintervals\trefused\twhat the report says most often where it refuses")
	for _, p := range names {
		results, err := s.preset(p)
		if err != nil {
			fmt.Fprintln(errw, "coverage:", err)
			return 3
		}
		for _, r := range results {
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%d\t%s\t%s\n", p, r.estimate, r.share(r.covered), r.share(r.below), r.share(r.above),
				r.given(), percent(r.refused, r.given()+r.refused), r.excuse())
		}
		w.Flush()
	}
	return 0
}

// chosen are the scenarios of those names.
func chosen(names string) ([]scenario, error) {
	all := scenarios()
	if names == "all" {
		return all, nil
	}
	var known []string
	for _, x := range all {
		known = append(known, x.name)
	}
	var out []scenario
	for _, n := range strings.Split(names, ",") {
		i := slices.Index(known, n)
		if i < 0 {
			return nil, fmt.Errorf("no scenario %q\n  write all, or one or several of: %s", n, strings.Join(known, ","))
		}
		out = append(out, all[i])
	}
	return out, nil
}

func percent(k, n int) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f %%", 100*float64(k)/float64(n))
}
