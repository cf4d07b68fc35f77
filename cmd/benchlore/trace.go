package main

import (
	"io"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/reports/page"
	"benchlore/reports/worklist"
)

func (a *app) traceCmd() *cobra.Command {
	var q worklist.TraceQuery
	var format string
	cmd := &cobra.Command{
		Use:   "trace [LOT]",
		Short: "Which units carry a lot, maker, part number or kit",
		Long: `Looks through the records of every unit for parts of a lot, by a maker, with a
part number, or that a kit brought, and says for each unit where it is, which
positions have or had them, since when, and what was found of them since. Several
of these together must all fit. A lot's verdict comes first.

The format is text, or what --json, --format or the ending of -o FILE says: csv.`,
		Example: `  benchlore trace 2021-elko-2u2-50
  benchlore trace --kit recap/1
  benchlore trace --maker Ostrel --part-number AX-10/50 -o ostrel.csv`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			q.Lot = first(list)
			if q == (worklist.TraceQuery{}) {
				return usagef("name a lot, or add --maker, --part-number or --kit", "nothing says what is looked for")
			}
			format, err := a.tableFormat(format, "csv")
			if err != nil {
				return err
			}
			return a.with(func(l *ledger.Ledger) error {
				t, err := worklist.TraceOf(l, q)
				if err != nil {
					return err
				}
				switch format {
				case "json":
					return a.printJSON(t)
				case "csv":
					return a.write(t.WriteCSV)
				}
				return a.write(func(w io.Writer) error { return t.WriteText(w, a.text(l)) })
			})
		},
	}
	cmd.Flags().StringVar(&q.Maker, "maker", "", "parts by this `MAKER`")
	cmd.Flags().StringVar(&q.PartNumber, "part-number", "", "parts with this `NUMBER` of the maker")
	cmd.Flags().StringVar(&q.Kit, "kit", "", "parts that `KIT` brought, and what else it did: recap, recap/2")
	cmd.Flags().StringVar(&format, "format", "", "`FORM` of the answer: text, csv; left out: as FILE ends")
	a.printFlags(cmd)
	return cmd
}

// text says how text is set here, by the conventions of the shop.
func (a *app) text(l *ledger.Ledger) page.TextOptions {
	return page.TextOptions{Width: min(a.width(), 100), Conventions: page.ConventionsOf(l.Shop)}
}
