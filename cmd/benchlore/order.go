package main

import (
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"benchlore/ledger"
	"benchlore/reports/worklist"
)

func (a *app) orderCmd() *cobra.Command {
	var kits []string
	var format string
	cmd := &cobra.Command{
		Use:   "order [UNIT ...]",
		Short: "What open units still need, less what is in stock",
		Long: `Adds up the parts that open units wait for, by family, value and rating, and takes
off what the shop's lots have left. A line that is pending counts where it says
what is to go in, or that the part was found failed, degraded or missing; with
--kit also what a kit puts into positions this job has not dealt with.

A lot has left what came less what was rejected and what any record, closed or
not, took from it. It serves its own family and value at its own rating or a lower
one, never a higher one; lots whose last notice says bad or suspect do not count.
A line that asks for a lower rating than the position's is refused, and the exit
code is 1.

The format is a table, or what --format or the ending of -o FILE says: csv, xlsx.`,
		Example: `  benchlore order
  benchlore order a61-18052 --kit recap/2 -o order.xlsx`,
		RunE: func(_ *cobra.Command, list []string) error {
			format, err := a.tableFormat(format, "csv", "xlsx")
			if err != nil {
				return err
			}
			return a.with(func(l *ledger.Ledger) error {
				opt := worklist.OrderOptions{Kits: kits}
				for _, arg := range list {
					name, err := l.Resolve(arg)
					if err != nil {
						return err
					}
					opt.Units = append(opt.Units, name)
				}
				o, err := worklist.OrderOf(l, opt)
				if err != nil {
					return err
				}
				switch format {
				case "json":
					err = a.printJSON(o)
				case "csv":
					err = a.write(o.WriteCSV)
				case "xlsx":
					err = a.write(o.WriteXLSX)
				default:
					err = a.write(func(w io.Writer) error { return o.WriteText(w, a.text(l)) })
				}
				if err == nil && len(o.Refused) > 0 {
					err = errFound
				}
				return err
			})
		},
	}
	cmd.Flags().StringArrayVar(&kits, "kit", nil, "also what `KIT` still needs: recap, recap/2")
	cmd.Flags().StringVar(&format, "format", "", "`FORM` of the table: text, csv, xlsx; left out: as FILE ends")
	a.printFlags(cmd)
	return cmd
}

// tableFormat chooses how a table is written: what --json or --format asks for,
// else what the ending of -o FILE says, else text.
func (a *app) tableFormat(format string, more ...string) (string, error) {
	known := append([]string{"text"}, more...)
	switch {
	case a.json && format != "":
		return "", usagef("choose one of them", "--json and --format are two formats")
	case a.json:
		return "json", nil
	case format == "":
		format = strings.TrimPrefix(strings.ToLower(filepath.Ext(a.output)), ".")
		if format == "json" {
			return format, nil
		}
		switch {
		case slices.Contains(known, format):
		case format == "" || format == "txt":
			format = "text"
		default:
			return "", unknownEnding(a.output, append([]string{".txt", ".json"}, endings(more)...))
		}
	case !slices.Contains(known, format):
		return "", unknownWord("--format", format, known)
	}
	if f := fileOf(a.out); f != nil && format == "xlsx" && (a.output == "" || a.output == "-") && term.IsTerminal(int(f.Fd())) {
		return "", usagef("add -o FILE.xlsx", "a workbook cannot be shown at the terminal")
	}
	return format, nil
}

// unknownEnding refuses -o FILE where its ending asks for a format that is not
// written: text under the name of another format is of no use to whoever gets it.
func unknownEnding(file string, known []string) error {
	return usagef("let it end in one of: "+strings.Join(known, ", "), "-o %s: nothing is written with the ending %s here", file, filepath.Ext(file))
}

// endings are the endings of files in formats.
func endings(formats []string) []string {
	var out []string
	for _, f := range formats {
		out = append(out, "."+f)
	}
	return out
}
