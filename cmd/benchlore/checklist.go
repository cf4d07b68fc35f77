package main

import (
	"io"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/reports/worklist"
)

func (a *app) checklistCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "checklist [UNIT]",
		Short: "What is missing before a unit is released",
		Long: `Lists what is missing before a unit can leave the bench. "Must" is what close
refuses and what the release has to settle: errors in records, open faults
without a cure, parts that wait, what looks private. "Should" is what a buyer or
the next technician would miss: parts nobody looked at where the model's list is
complete, limits without a reading as left, safety checks and a soak since the
last work, photographs, calibrations that ran out, and what is due.

A repair or comeback is asked about the sections it dealt with; any other job
about all of the unit. The exit code is 1 where something under "must" is left.`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				c, err := worklist.ChecklistOf(l, name)
				if err != nil {
					return err
				}
				if a.json {
					err = a.printJSON(c)
				} else {
					err = a.write(func(w io.Writer) error { return c.WriteText(w, a.text(l)) })
				}
				if err == nil && !c.OK() {
					err = errFound
				}
				return err
			})
		},
	}
	a.printFlags(cmd)
	return cmd
}
