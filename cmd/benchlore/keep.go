package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/schema"
)

func (a *app) checkCmd() *cobra.Command {
	var objects bool
	cmd := &cobra.Command{
		Use:   "check [UNIT ...]",
		Short: "Check records, references, limits and the step of the histories",
		Long: `Reads everything, or the units named, and reports every problem with its file, line
and column, what is wrong and what to write instead. It changes nothing. Errors
end it with code 1; warnings do not.

--objects also reads everything that git keeps of the ledger, earlier versions
too, and names what a failing disk has taken and how to get it back.`,
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				names := make([]string, len(list))
				for i, s := range list {
					var err error
					if names[i], err = l.Resolve(s); err != nil {
						return err
					}
				}
				var r *ledger.CheckReport
				var err error
				if objects {
					if r, err = l.CheckObjects(); err != nil {
						return err
					}
				}
				// Where objects are gone the rest may stop half way.
				if r == nil || r.Clean() {
					if r, err = l.Check(names...); err != nil {
						return err
					}
				}
				if a.json {
					if err := a.printJSON(r); err != nil {
						return err
					}
				} else if err := a.write(func(w io.Writer) error { a.printCheck(w, r); return nil }); err != nil {
					return err
				}
				if !r.Clean() {
					return errFound
				}
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&objects, "objects", false, "also read every object of git, as git fsck does")
	a.printFlags(cmd)
	return cmd
}

func (a *app) printCheck(w io.Writer, r *ledger.CheckReport) {
	for _, p := range r.Problems {
		fmt.Fprint(a.err, p.Drawing())
	}
	for _, g := range r.Git {
		word := "error"
		if g.Warning {
			word = "warning"
		}
		fmt.Fprintf(a.err, "history: %s: %s\n    %s\n", word, g.What, g.Remedy)
	}
	errs, warnings := schema.Count(r.Problems)
	for _, g := range r.Git {
		if g.Warning {
			warnings++
		} else {
			errs++
		}
	}
	fmt.Fprintf(w, "checked %s with %s, %s, %s: ", plural(r.Units, "unit"), plural(r.Records, "record"), plural(r.Models, "model"), plural(r.Lots, "lot"))
	if errs+warnings == 0 {
		fmt.Fprintln(w, "all in order")
		return
	}
	fmt.Fprintln(w, strings.Join([]string{plural(errs, "error"), plural(warnings, "warning")}, ", "))
}
