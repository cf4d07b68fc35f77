// Command mkledger makes a synthetic ledger of any size whose truth is known:
// for measuring speed, and for trying statistics on records that follow from
// known failure times.
package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"benchlore/examples/synth"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

// Exit codes, those of benchlore where they are the same.
const (
	exitUsage       = 2
	exitEnvironment = 3
)

// flags are the choices on the command line.
type flags struct {
	units, records, open, commits int
	seed                          uint64
	preset, out, truth            string
	noGit, each                   bool
}

// usageError is a command line that makes no sense.
type usageError struct{ error }

func run(list []string, out, errs io.Writer) int {
	var f flags
	cmd := &cobra.Command{
		Use:   "mkledger --out DIR",
		Short: "Make a synthetic ledger whose truth is known",
		Long: `Makes a ledger of an invented shop in a new folder. What its records say follows
from failure times drawn at random and from the habits of shop and owners; equal
seeds give equal ledgers, down to the hashes. The result passes benchlore check.

Presets:
  independent  constant hazards, equal units, everything tested, stays that no
               failure has any say in
  clustered    as independent, with strong differences between units
  wearing      as independent, with parts that wear out (Weibull, shape 3)
  silent       owners write only when something breaks, suspects only are tested
  untested     capacitors are replaced untested on principle
  lots         many parts fitted by the shop, a quarter of the lots bad
  bench        a typical shop, a mixture of all of it, with full paperwork

Every closed unit has a branch of its own with a commit for each record. Main has
one commit for each of --commits stretches of time or, with --commit-each, for each
record and each close, as in life.

With --truth, one JSON object a line is written to a file: first the families,
lots and habits, then for each unit the day it was really built and when each of
its parts really failed, and from what.

Exit codes: 0 made; 2 the command line is wrong; 3 git, the disk or the folder is
not as it must be.`,
		Example: `  mkledger --units 200 --out /tmp/shop
  mkledger --units 10000 --records-per-unit 10 --open 40 --out /tmp/large
  mkledger --preset wearing --units 60 --seed 7 --no-git --truth truth.jsonl --out /tmp/wearing`,
		SilenceUsage: true, SilenceErrors: true,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("%q is not expected here => name the folder with --out", args[0])}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, _ []string) error {
			return f.make(cmd.Flags().Changed("records-per-unit"), out, errs)
		},
	}
	cmd.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	fl := cmd.Flags()
	fl.SortFlags = false
	fl.StringVar(&f.out, "out", "", "the new folder `DIR`; needed")
	fl.IntVar(&f.units, "units", 100, "how many instruments")
	fl.Uint64Var(&f.seed, "seed", 1, "equal seeds give equal ledgers")
	fl.StringVar(&f.preset, "preset", "bench", "the truth and the habits: "+strings.Join(synth.Presets(), ", "))
	fl.IntVar(&f.records, "records-per-unit", 0, "least number of records of a unit; default: from the preset")
	fl.IntVar(&f.open, "open", 0, "how many units are still at the bench")
	fl.IntVar(&f.commits, "commits", 50, "commits on main")
	fl.BoolVar(&f.each, "commit-each", false, "a commit on main for each record and each close")
	fl.BoolVar(&f.noGit, "no-git", false, "write the files only")
	fl.StringVar(&f.truth, "truth", "", "write what really happened to `FILE`, one JSON object a line")
	cmd.SetArgs(list)
	cmd.SetOut(out)
	cmd.SetErr(errs)
	err := cmd.Execute()
	if err == nil {
		return 0
	}
	fmt.Fprintln(errs, "mkledger:", err)
	if _, ok := errors.AsType[usageError](err); ok {
		fmt.Fprintln(errs, "see: mkledger --help")
		return exitUsage
	}
	return exitEnvironment
}

func (f *flags) make(records bool, out, errs io.Writer) error {
	switch {
	case f.out == "":
		return usageError{errors.New("no folder named => add --out DIR")}
	case f.commits < 1:
		return usageError{fmt.Errorf("--commits %d => write a number from 1 up", f.commits)}
	case records && f.records < 0:
		return usageError{fmt.Errorf("--records-per-unit %d => write a number from 0 up", f.records)}
	}
	opt, err := synth.Preset(f.preset, f.units, f.seed)
	if err != nil {
		return usageError{err}
	}
	opt.Open = f.open
	if records {
		opt.Records = f.records
	}
	l, err := synth.Generate(opt)
	if err != nil {
		return usageError{err}
	}
	history := synth.Stretches
	switch {
	case f.noGit:
		history = synth.Files
	case f.each:
		history = synth.Records
	}
	start := time.Now()
	made, err := l.Write(f.out, synth.WriteOptions{Git: history, Commits: f.commits, Progress: progress(errs)})
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "%s: %d units (%d open), %d records, %d files", f.out, made.Units, made.Open, made.Records, made.Files)
	if !f.noGit {
		fmt.Fprintf(out, "; %d commits on main, %d on the units' branches, %d objects", made.Commits, made.UnitCommits, made.Objects)
	}
	fmt.Fprintf(out, "; %.1f s\n", time.Since(start).Seconds())
	if f.truth == "" {
		return nil
	}
	start = time.Now()
	if err := writeTruth(l, f.truth); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s: the truth; %.1f s\n", f.truth, time.Since(start).Seconds())
	return nil
}

func writeTruth(l *synth.Ledger, name string) error {
	file, err := os.Create(name)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(file)
	err = l.WriteTruth(w)
	return errors.Join(err, w.Flush(), file.Close())
}

// progress shows how far it is, on a terminal only.
func progress(errs io.Writer) func(done, of int) {
	f, ok := errs.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil
	}
	return func(done, of int) {
		if done%100 == 0 || done == of {
			fmt.Fprintf(f, "\rworked out: %d of %d", done, of)
		}
		if done == of {
			io.WriteString(f, "\r\x1b[K")
		}
	}
}
