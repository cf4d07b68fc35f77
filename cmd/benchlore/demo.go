package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"benchlore/examples"
	"benchlore/ledger"
	"benchlore/reports"
)

// demoUnit is the unit whose report the demo prints.
const demoUnit = "astrella-61/a61-14906"

func (a *app) demoCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "demo [DIR]",
		Short: "Replay the example ledger into a folder, check it and print both reports",
		Long: `Replays the example ledger of an invented shop, record by record under its own
dates, into a fresh folder (benchlore-demo where none is named), checks it, and
prints the reliability report and the provenance report of one unit.`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			dir := "benchlore-demo"
			if len(list) > 0 {
				dir = list[0]
			}
			return a.demo(dir)
		},
	}
	return cmd
}

func (a *app) demo(dir string) error {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return usagef("name another: benchlore demo DIR", "the folder %s is not empty", dir)
	}
	l, err := examples.Replay(dir, a.progress("replaying"))
	if err != nil {
		return err
	}
	if err := l.Close(); err != nil {
		return err
	}
	abs, err := filepath.Abs(dir)
	if err != nil {
		return err
	}
	a.ledgerDir = abs
	fmt.Fprintf(a.out, "The example ledger is in %s.\n\n", abs)
	return a.with(func(l *ledger.Ledger) error {
		r, err := l.Check()
		if err != nil {
			return err
		}
		a.printCheck(a.out, r)
		fmt.Fprintln(a.out)
		if err := a.reliability(l, reliabilityFlags{by: []string{"family"}}); err != nil {
			return err
		}
		fmt.Fprintln(a.out)
		if err := a.report(l, demoUnit, "", reports.A4); err != nil {
			return err
		}
		fmt.Fprintf(a.out, "\nLook around: cd %s, then benchlore where, benchlore list, benchlore history %s,\nor git log --oneline unit/%s.\n", dir, filepath.Base(demoUnit), demoUnit)
		if !r.Clean() {
			return errFound
		}
		return nil
	})
}
