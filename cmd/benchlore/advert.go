package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/reports/advert"
	"benchlore/reports/page"
	"benchlore/reports/provenance"
)

func (a *app) advertCmd() *cobra.Command {
	var o advert.TextOptions
	var words bool
	cmd := &cobra.Command{
		Use:   "advert [UNIT]",
		Short: "The text for a sale, with no word that the records do not carry",
		Long: `Writes plain text to paste into an advertisement: what it is, in what condition, what was
done, what is not original, what nobody looked at, safety checks, warranty, and how to
check all of it. --short leaves the details out; --cite names the records under each
sentence.

Words that claim, such as recapped or overhauled, are used only where the records show
what the word asks for; --words prints that table. What was left out, and why, is told
beside the text, for you. Words in a record's own notes that claim do not come through.`,
		Example: `  benchlore advert a61-10233 -o advert.txt
  benchlore advert a61-10233 --short
  benchlore advert --words`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			if words {
				return a.write(func(w io.Writer) error { return printWords(w, a.width()) })
			}
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				ad, err := advertOf(l, name)
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(ad)
				}
				o.Width = min(a.width(), 100)
				if err := a.write(func(w io.Writer) error { return ad.WriteText(w, o) }); err != nil {
					return err
				}
				for _, x := range ad.LeftOut {
					for i, line := range fold("left out, "+x.Word+": "+x.Why, 79) {
						fmt.Fprintln(a.err, [...]string{"", "  "}[min(i, 1)]+line)
					}
				}
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&o.Short, "short", false, "only what a buyer reads first")
	cmd.Flags().BoolVar(&o.Cite, "cite", false, "each sentence with the records it rests on")
	cmd.Flags().BoolVar(&words, "words", false, "print which word needs what in the records")
	a.printFlags(cmd)
	return cmd
}

// advertOf writes the advert of a unit as its records stand.
func advertOf(l *ledger.Ledger, name string) (*advert.Advert, error) {
	r, err := provenance.Of(l, name)
	if err != nil {
		return nil, err
	}
	catalog, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	u, err := l.Unit(name, catalog)
	if err != nil {
		return nil, err
	}
	steps, err := l.UnitHistory(name)
	if err != nil {
		return nil, err
	}
	seals, err := l.Seals(name)
	if err != nil {
		return nil, err
	}
	var sealed advert.Sealed
	for _, s := range seals {
		if n := len(steps); n > 0 && s.Statement.Head == steps[n-1].Commit {
			sealed = advert.Sealed{Short: s.Short(), Key: s.Fingerprint()}
		}
	}
	return advert.Of(r, u.Unit, sealed), nil
}

// printWords prints the table of the words that claim.
func printWords(w io.Writer, width int) error {
	for _, x := range advert.Words {
		fmt.Fprintf(w, "%s\n", x.Word)
		for _, s := range []string{x.Asks, "after " + x.Source} {
			for _, line := range page.Wrap(s, min(width, 100)-2) {
				if _, err := fmt.Fprintf(w, "  %s\n", line); err != nil {
					return err
				}
			}
		}
	}
	return nil
}
