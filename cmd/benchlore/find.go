package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/reports/worklist"
	"benchlore/schema"
)

func (a *app) findCmd() *cobra.Command {
	var o worklist.FindOptions
	var unitFlag, since, until string
	cmd := &cobra.Command{
		Use:   "find TEXT ...",
		Short: "Find text in all records, models, lots and books",
		Long: `Looks through the text of every record, instrument, model, lot and book, in any
case, and prints file:line with the line and what it is about. Of several TEXTs
every one must be in the file; quote words that belong together.

--kind takes: ` + strings.Join(worklist.FindKinds(), ", ") + `.
"model" also searches the models that units carry. --since and --until go by the
date of the record.

Exit code 1: nothing was found.`,
		Example: `  benchlore find "cold joint"
  benchlore find hum --kind intake --since 2030-01-01
  benchlore find --regexp "Q[56].*leak" --unit a61-18052`,
		Args: args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			o.Texts = list
			for _, k := range o.Kinds {
				if !slices.Contains(worklist.FindKinds(), k) {
					return unknownWord("--kind", k, worklist.FindKinds())
				}
			}
			for _, d := range []struct {
				flag, text string
				to         *schema.Date
			}{{"--since", since, &o.Since}, {"--until", until, &o.Until}} {
				if d.text == "" {
					continue
				}
				day, err := schema.ParseDate(d.text)
				if err != nil {
					return usagef("write it like 2031-03-04", "%s: %v", d.flag, err)
				}
				*d.to = day
			}
			return a.with(func(l *ledger.Ledger) error {
				if unitFlag != "" {
					name, err := l.Resolve(unitFlag)
					if err != nil {
						return err
					}
					o.Unit = name
				}
				found, err := worklist.Search(l, o)
				if err != nil {
					return err
				}
				if a.json {
					err = a.printJSON(found)
				} else if len(found) > 0 {
					err = a.write(func(w io.Writer) error { return worklist.WriteFound(w, found, a.text(l)) })
				}
				if err == nil && len(found) == 0 {
					fmt.Fprintln(a.err, "benchlore: nothing found")
					err = errFound
				}
				return err
			})
		},
	}
	cmd.Flags().BoolVar(&o.Regexp, "regexp", false, "TEXT is a regular expression, in the case it is written in")
	cmd.Flags().StringSliceVar(&o.Kinds, "kind", nil, "only files of this `KIND`, or several")
	cmd.Flags().StringVar(&unitFlag, "unit", "", "only this `UNIT`")
	cmd.Flags().StringVar(&since, "since", "", "only records of this `DAY` or later")
	cmd.Flags().StringVar(&until, "until", "", "only records of this `DAY` or earlier")
	a.printFlags(cmd)
	_ = cmd.RegisterFlagCompletionFunc("kind", cobra.FixedCompletions(worklist.FindKinds(), cobra.ShellCompDirectiveNoFileComp))
	return cmd
}
