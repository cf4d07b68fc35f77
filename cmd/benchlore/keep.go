package main

import (
	"cmp"
	"fmt"
	"io"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"benchlore/ledger"
	"benchlore/reports/worklist"
	"benchlore/schema"
)

func (a *app) checkCmd() *cobra.Command {
	var objects bool
	cmd := &cobra.Command{
		Use:   "check [UNIT ...]",
		Short: "Check records, references, limits, and whether the histories agree",
		Long: `Reads everything, or the units named, and reports every problem with its file, line
and column, what is wrong and what to write instead. It changes nothing. It
exits with code 1 when there are errors; warnings do not count.

--objects also reads everything that git keeps of the ledger, including earlier
versions, and names what a failing disk has lost and how to get it back.`,
		Example: `  benchlore check
  benchlore check a61-10233
  benchlore check --objects`,
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

func (a *app) checklistCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "checklist [UNIT]",
		Short: "What is missing before a unit can be released",
		Long: `Lists what is missing before a unit can leave the bench. "Must" is what close
refuses and what the release has to settle: errors in records, open faults without a
cure, pending parts, anything that looks private. "Should" is what a buyer or the next
technician would miss: parts not yet looked at where the model's list is complete,
limits without an as-left reading, missing safety checks or soak since the last work,
photographs, calibrations past their date, and what is due.

For a repair or comeback it covers the sections that were worked on; for any other job
the whole unit. The exit code is 1 when something under "must" is left.`,
		Example: `  benchlore checklist
  benchlore checklist a61-10233 -o missing.txt`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.overview(func(l *ledger.Ledger) error {
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

func (a *app) orderCmd() *cobra.Command {
	var kits []string
	var format string
	cmd := &cobra.Command{
		Use:   "order [UNIT ...]",
		Short: "What open units still need, less what is in stock",
		Long: `Adds up the parts that open units wait for, by family, value and rating, and subtracts
what is left of the shop's lots. A pending line counts if it says what will be fitted,
or that the part was found failed, degraded or missing. With --kit, what a kit fits at
positions this job has not dealt with counts too.

What is left of a lot is what was received, less what was rejected and what any record,
closed or not, took from it. A lot supplies its own family and value, at its own rating
or a lower one; lots whose last notice says bad or suspect do not count. A line that
asks for a lower rating than the position's is refused, and the exit code is 1.

The output is a text table, or what --format or the ending of -o FILE says: csv, xlsx.`,
		Example: `  benchlore order
  benchlore order a61-18052 --kit recap/2 -o order.xlsx`,
		RunE: func(_ *cobra.Command, list []string) error {
			format, err := a.tableFormat(format, "csv", "xlsx")
			if err != nil {
				return err
			}
			a.tabular = format == "csv" || format == "xlsx"
			return a.overview(func(l *ledger.Ledger) error {
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
	cmd.Flags().StringVar(&format, "format", "", "`FORM` of the table: text, csv, xlsx; default: from FILE's ending")
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
		return "", usagef("add -o FILE.xlsx", "a workbook cannot be shown in the terminal")
	}
	return format, nil
}

// unknownEnding refuses -o FILE where its ending asks for a format that is not
// written: text under the name of another format is of no use to whoever gets it.
func unknownEnding(file string, known []string) error {
	return usagef("let it end in one of: "+strings.Join(known, ", "), "-o %s: this command does not write %s files", file, filepath.Ext(file))
}

// endings are the endings of files in formats.
func endings(formats []string) []string {
	var out []string
	for _, f := range formats {
		out = append(out, "."+f)
	}
	return out
}

func (a *app) closeCmd() *cobra.Command {
	var yes bool
	var allow []string
	cmd := &cobra.Command{
		Use:   "close [UNIT]",
		Short: "End a job: review what will travel, and put it on the unit's own history",
		Long: `Shows what will travel with the unit, and searches it for names, addresses and notes
from private/, telephone numbers, mail addresses and prices. It refuses records with
errors. Then it writes one commit per record onto the unit's own branch, signed if git
has an SSH key to sign with. Until then anything can still be taken out.

It also looks inside text files of any encoding, office files, PDF files and zips, and
at the data that pictures and sounds carry. It names the files that it could not look
inside. It does not check what a picture shows or a recording says.

Each finding ends with a key in brackets; --allow KEY lets that finding travel.

Each commit carries the name and mail address of the person who saved the record, and
the time. To show one address of the shop instead, write it into shop.toml:

  history_email = "bench@example.com"`,
		Example: `  benchlore close --dry-run
  benchlore close a61-10233`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error { return a.closeUnit(l, first(list), yes, allow) })
		},
	}
	cmd.Flags().BoolVar(&yes, "yes", false, "do not ask")
	cmd.Flags().StringArrayVar(&allow, "allow", nil, "let the finding with this `KEY` travel")
	a.writeFlags(cmd)
	return cmd
}

func (a *app) closeUnit(l *ledger.Ledger, arg string, yes bool, allow []string) error {
	name, err := a.unit(l, arg)
	if err != nil {
		return err
	}
	if !a.json {
		stock, err := l.Catalog()
		if err != nil {
			return err
		}
		r, err := l.Review(name, stock)
		if err != nil {
			return err
		}
		ready := r.Ready(ledger.CloseOptions{Allow: allow})
		if ready == nil {
			// Before the list, which must still be on the screen at the question;
			// and of what is to be closed, as nobody changes what another bench closed.
			a.warn(slices.DeleteFunc(r.Problems, func(p schema.Problem) bool {
				return !slices.ContainsFunc(r.Files, func(f ledger.Travelling) bool { return f.Path == p.File })
			}))
		}
		if len(r.Files) > 0 {
			fmt.Fprintf(a.out, "%s: this will travel with the unit\n", name)
		}
		for _, f := range r.Files {
			fmt.Fprintf(a.out, "  %-9s  %s  %s\n", f.What, path.Base(f.Path), f.Summary)
		}
		a.reviewed(l, r)
		if ready != nil {
			return ready
		}
	}
	if !yes && !a.dryRun {
		if !a.interactive() {
			return usagef("read the list, then add --yes", "nothing was closed: cannot ask for confirmation here")
		}
		fmt.Fprint(a.out, "close it? It cannot be taken out afterwards. [y/N] ")
		var answer string
		fmt.Fscanln(a.in, &answer)
		if !strings.EqualFold(answer, "y") && !strings.EqualFold(answer, "yes") {
			return usagef("", "nothing was closed")
		}
	}
	res, err := l.CloseJob(name, ledger.CloseOptions{Allow: allow})
	if err != nil {
		return err
	}
	if a.json {
		if a.dryRun {
			return a.review(l, name)
		}
		return a.printJSON(res)
	}
	verb := "closed"
	if a.dryRun {
		verb = "would close"
	}
	fmt.Fprintf(a.out, "%s %s: %s on unit/%s, head %.10s%s\n", verb, name, plural(res.Commits, "commit"), name, res.Head, signedBy(res))
	return nil
}

// reviewed says what the list of files does not show.
func (a *app) reviewed(l *ledger.Ledger, r *ledger.Review) {
	if len(r.Files) == 0 {
		return
	}
	for _, u := range r.Unseen {
		fmt.Fprintf(a.out, "could not look inside: %s\n", u)
	}
	if r.NoNames {
		fmt.Fprintln(a.out, "private/ lists no customers here, so their names could not be searched for")
	}
	if len(r.Mails) > 0 {
		fmt.Fprintf(a.out, "each commit carries a name, a mail address and a time: %s\n", strings.Join(r.Mails, ", "))
	}
	if l.Shop.HistoryEmail == "" && len(r.Mails) > 0 {
		fmt.Fprintf(a.out, "  to send the shop's address instead, write into shop.toml: history_email = %q\n", cmp.Or(l.ShopEmail(), "bench@example.com"))
	}
}

// review prints what a close would put on the unit's history, as JSON.
func (a *app) review(l *ledger.Ledger, name string) error {
	stock, err := l.Catalog()
	if err != nil {
		return err
	}
	r, err := l.Review(name, stock)
	if err != nil {
		return err
	}
	return a.printJSON(r)
}

func (a *app) learnCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "learn [UNIT]",
		Short: "Add a finished unit's parts to its model",
		Long: `Adds to the model the positions that the records of a released unit name and the
model does not have yet. Parts fitted by a modification are not added, and boards marked
complete are not changed.`,
		Example: `  benchlore learn a61-10233 --dry-run`,
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				res, learnt, err := l.Learn(name)
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(learnt)
				}
				for _, n := range learnt {
					fmt.Fprintf(a.out, "%s: %s %s %s\n", n.Where, n.Set.Ref, n.Set.Family, n.Set.Value)
				}
				verb := "saved"
				if a.dryRun {
					verb = "would save"
				}
				fmt.Fprintf(a.out, "%s %s\n", verb, strings.Join(res.Files, ", "))
				return nil
			})
		},
	}
	a.writeFlags(cmd)
	return cmd
}
