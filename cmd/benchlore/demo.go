package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/examples"
	"benchlore/ledger"
	"benchlore/reports/page"
	"benchlore/reports/provenance"
	"benchlore/reports/reliability"
)

// demoUnit is the unit whose report the demo shows: an organ that came back.
const demoUnit = "astrella-61/a61-14906"

func (a *app) demoCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "demo [DIR]",
		Short: "Make the example ledger and show what comes out of it",
		Long: `Makes the ledger of an invented shop in DIR/ledger, record by record under its own
dates, and checks it. Two reports go beside it: what fails, as a page with plots, and
the report that a buyer gets of one unit. The screen shows the beginning of both. DIR is
benchlore-demo if none is named.

Run again, it shows the ledger that is there, with whatever was recorded in it since.
Delete DIR to start afresh.`,
		Example: `  benchlore demo
  benchlore demo ~/benchlore-demo`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.demo(cmp.Or(first(list), "benchlore-demo"))
		},
	}
	return cmd
}

func (a *app) demo(dir string) error {
	shop := filepath.Join(dir, "ledger")
	made, err := a.makeDemo(dir, shop)
	if err != nil {
		return err
	}
	if a.ledgerDir, err = filepath.Abs(shop); err != nil {
		return err
	}
	return a.with(func(l *ledger.Ledger) error {
		checked, err := l.Check()
		if err != nil {
			return err
		}
		families, err := reliabilityLedger(l, reliabilityFlags{}, reliability.Options{By: []string{"family"}})
		if err != nil {
			return err
		}
		fails := filepath.Join(dir, "what-fails.html")
		if err := a.into(fails, families.WriteHTML); err != nil {
			return err
		}
		paper := filepath.Join(dir, path.Base(demoUnit)+".pdf")
		into := *a
		into.output = paper
		if err := into.report(l, demoUnit, ".pdf", page.A4); err != nil {
			return err
		}
		unit, err := provenance.Of(l, demoUnit)
		if err != nil {
			return err
		}
		return a.write(func(w io.Writer) error {
			o := page.TextOptions{Width: min(a.width(), 80)}
			if made {
				fmt.Fprintf(w, "The ledger of an invented shop, eight years of work: %s\n", shop)
			} else {
				fmt.Fprintf(w, "The example ledger, as an earlier run left it: %s\n", shop)
			}
			a.printCheck(w, checked)
			fmt.Fprintf(w, "\nWhat fails most, of the units that came to this bench:\n")
			if err := families.WriteMost(w, 5, o); err != nil {
				return err
			}
			fmt.Fprintf(w, "\nOne of them, as its next owner reads it:\n\n")
			if err := unit.WriteInShort(w, o); err != nil {
				return err
			}
			here := typed() + " "
			in := " --ledger " + shop
			fmt.Fprintf(w, "\nOpen next:\n  %s  what fails, how often, and how sure that is\n  %s  the whole report of this organ\n",
				pad(fails, len(paper)), pad(paper, len(fails)))
			for _, c := range []struct{ line, what string }{
				{"where" + in, "what is on the bench, and what each unit waits for"},
				{"trace 2021-elko-2u2-50" + in, "which units carry parts of a lot that went bad"},
				{"list" + in, "all units"},
			} {
				fmt.Fprintf(w, "  %s%s\n      %s\n", here, c.line, c.what)
			}
			if !checked.Clean() {
				return errFound
			}
			return nil
		})
	})
}

// makeDemo makes the example ledger where there is none yet. It is moved into
// place when it is complete.
func (a *app) makeDemo(dir, shop string) (made bool, err error) {
	unfinished := filepath.Join(dir, ".unfinished")
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, err
	}
	if len(entries) > 0 {
		text, err := os.ReadFile(filepath.Join(shop, "shop.toml"))
		if err == nil && bytes.Equal(text, examples.Shop()) {
			return false, nil
		}
		if len(entries) > 1 || entries[0].Name() != filepath.Base(unfinished) {
			return false, usagef("name another: benchlore demo DIR", "the folder %s is not empty and does not hold the example ledger", dir)
		}
	}
	if err := os.RemoveAll(unfinished); err != nil {
		return false, err
	}
	l, err := examples.Replay(unfinished, a.progress("replaying"))
	if err != nil {
		return false, err
	}
	if err := l.Close(); err != nil {
		return false, err
	}
	return true, os.Rename(unfinished, shop)
}

// into writes a file, whole or not at all.
func (a *app) into(file string, write func(io.Writer) error) error {
	into := *a
	into.output = file
	return into.write(write)
}

// typed is how the program was started, for a command to be typed next.
func typed() string {
	if strings.Contains(filepath.ToSlash(os.Args[0]), "/go-build") {
		return "go run ./cmd/benchlore"
	}
	return os.Args[0]
}

func pad(s string, n int) string { return fmt.Sprintf("%-*s", n, s) }
