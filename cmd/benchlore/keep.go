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
	cmd := &cobra.Command{
		Use:   "check [UNIT ...]",
		Short: "Check records, references, limits and the step of the histories",
		Long: `Reads everything, or the units named, and reports every problem with its file, line
and column, what is wrong and what to write instead. It changes nothing. Errors
end it with code 1; warnings do not.`,
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				names := make([]string, len(list))
				for i, s := range list {
					var err error
					if names[i], err = l.Resolve(s); err != nil {
						return err
					}
				}
				r, err := l.Check(names...)
				if err != nil {
					return err
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
