package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/reports/label"
	"benchlore/reports/provenance"
)

func (a *app) labelCmd() *cobra.Command {
	var card bool
	cmd := &cobra.Command{
		Use:   "label [UNIT] -o FILE.pdf|FILE.svg",
		Short: "A label for inside the case, with a code that the history can be held against",
		Long: `Writes a label for inside the unit's case: which it is, in what state it last left a
bench, the head of its history and the digest of its newest seal, in words and as
a QR code. Whoever is shown a history later can hold it against the label with
benchlore verify --label: one that was cut short or replaced does not fit.

The label is 62 × 29 mm, for a label printer's tape; --card makes it an A6 card.
Where the end of the history is not sealed, the label says so.`,
		Example: `  benchlore label a61-14906 -o label.pdf
  benchlore label a61-14906 --card -o label.svg`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			size := label.Tape
			if card {
				size = label.Card
			}
			write := map[string]func(label.Label, io.Writer, label.Size) error{
				".pdf": label.Label.WritePDF, ".svg": label.Label.WriteSVG,
			}[strings.ToLower(filepath.Ext(a.output))]
			if write == nil && !a.json {
				return usagef("write -o label.pdf or -o label.svg", "a label is a PDF or an SVG file")
			}
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				label, err := a.label(l, name)
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(label)
				}
				if !label.Sealed {
					fmt.Fprintf(a.err, "benchlore: the end of this history is not sealed, and the label says so\n  seal it first with: benchlore seal %s\n", name)
				}
				return a.write(func(w io.Writer) error { return write(label, w, size) })
			})
		},
	}
	cmd.Flags().BoolVar(&card, "card", false, "an A6 card instead of a label of 62 × 29 mm")
	a.printFlags(cmd)
	return cmd
}

func (a *app) label(l *ledger.Ledger, name string) (label.Label, error) {
	head, statement, err := sealedHead(l, name)
	if err != nil {
		return label.Label{}, err
	}
	if head == "" {
		return label.Label{}, usagef("close its job first: benchlore close "+name, "%s has no history of its own yet", name)
	}
	p, err := provenance.Of(l, name)
	if err != nil {
		return label.Label{}, err
	}
	return label.For(p, head, statement), nil
}

// sealedHead is the head of a unit's own history, "" where it has none, and the
// digest of the seal's statement over it, "" where it is not sealed.
func sealedHead(l *ledger.Ledger, name string) (head, statement string, err error) {
	steps, err := l.UnitHistory(name)
	if err != nil || len(steps) == 0 {
		return "", "", err
	}
	head = steps[len(steps)-1].Commit
	seals, err := l.Seals(name)
	for _, s := range seals {
		if s.Statement.Head == head {
			statement = s.StatementDigest()
		}
	}
	return head, statement, err
}
