package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"benchlore/ledger"
	"benchlore/ledger/slate"
	"benchlore/ledger/worksheet"
	"benchlore/reports/page"
)

func (a *app) sheetCmd() *cobra.Command {
	var opt worksheet.Options
	var readings, tables bool
	var format string
	cmd := &cobra.Command{
		Use:   "sheet [UNIT]",
		Short: "Write a worksheet of what is open, to fill in and import",
		Long: `Writes a worksheet of a unit: the positions that this job has not dealt with, in the
order of the boards, with what is fitted there and columns for what was found and done.
--readings lists the points to measure instead, one column for each stage; --tables
lists the positions of tables of readings, one column for each table.

-o FILE.xlsx is a workbook with drop-down lists and notes, -o FILE.csv plain text,
-o FILE.html a page to print, with boxes to tick and a code for each section, which is a
slate for photographs (see photo --slates). import reads the first two. A row that
is not filled in counts as not reached; write "left" for a part that was looked at and
stays in.`,
		Example: `  benchlore sheet -o power.xlsx --section "power supply"
  benchlore sheet -o caps.xlsx --family capacitor
  benchlore sheet -o recap.csv --kit recap/2
  benchlore sheet --readings -o levels.xlsx
  benchlore sheet --tables --table "contact resistance (mOhm)" --at key:1-61 --section keybed -o keys.xlsx`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			kind := worksheet.Parts
			switch {
			case readings && (tables || len(opt.Tables) > 0):
				return usagef("choose one", "--readings and --tables are different worksheets")
			case readings:
				kind = worksheet.Readings
			case tables || len(opt.Tables) > 0:
				kind = worksheet.Tables
			}
			if kind != worksheet.Parts && opt.Kit+strings.Join(opt.Families, "") != "" {
				return usagef("leave them out", "--kit and --family choose parts, not readings")
			}
			if format == "" {
				format = strings.TrimPrefix(strings.ToLower(filepath.Ext(a.output)), ".")
				if a.output == "" || a.output == "-" {
					format = "csv"
				}
			}
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				stock, err := l.Catalog()
				if err != nil {
					return err
				}
				u, err := l.Unit(name, stock)
				if err != nil {
					return err
				}
				s, err := worksheet.New(kind, u.Unit, l.Shop, stock, l.Today(), opt)
				if err != nil {
					return err
				}
				if u.Instrument != nil {
					s.Slate = func(section string) ([]byte, error) {
						return page.QRImage(slate.Text(u.Instrument.UUID, section, ""))
					}
				}
				if a.json {
					return a.printJSON(s)
				}
				var write func(io.Writer) error
				switch format {
				case "csv":
					write = s.WriteCSV
				case "xlsx":
					write = s.WriteXLSX
				case "html", "htm":
					write = s.WriteHTML
				default:
					return usagef("name it FILE.xlsx, FILE.csv or FILE.html, or add --format", "unknown worksheet format %q", format)
				}
				if f := fileOf(a.out); f != nil && format == "xlsx" && (a.output == "" || a.output == "-") && term.IsTerminal(int(f.Fd())) {
					return usagef("add -o FILE.xlsx", "a workbook cannot be shown in the terminal")
				}
				if err := a.write(write); err != nil {
					return err
				}
				if a.output == "" || a.output == "-" {
					return nil
				}
				fmt.Fprintf(a.out, "%s: %s of %s in %s\n", name, plural(len(s.Rows), "row"), s.Kind, a.output)
				a.powerLine(u.Unit)
				if u.Unit.OpenJob() == nil && len(u.Unit.Jobs) > 0 {
					fmt.Fprintf(a.out, "%s has no open job: record its intake before you import this\n", name)
				}
				if format != "html" && format != "htm" {
					fmt.Fprintf(a.out, "next: fill it in, then benchlore import %s\n", a.output)
				}
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&opt.Sections, "section", nil, "only this `SECTION`, or several: \"divider 1-4\"")
	f.StringArrayVar(&opt.Boards, "board", nil, "only sections that carry this `BOARD`")
	f.StringArrayVar(&opt.Families, "family", nil, "only this `FAMILY`, or a group of them: capacitor")
	f.StringVar(&opt.Kit, "kit", "", "only what `KIT` is for, with its new parts filled in: recap, recap/2")
	f.BoolVar(&opt.Done, "all", false, "also what this job has dealt with already")
	f.BoolVar(&readings, "readings", false, "points to be measured")
	f.BoolVar(&tables, "tables", false, "tables of readings: per key, per note, per voice")
	f.StringArrayVar(&opt.Tables, "table", nil, "a table by `POINT (UNIT)`; default: those with limits and those measured before")
	f.StringVar(&opt.At, "at", "", "the `REFS` of --table: key:1-61")
	f.StringArrayVar(&opt.Stages, "stage", nil, "the `STAGE` of tables; default: as-found and as-left")
	f.StringVar(&format, "format", "", "`FORM` of the worksheet: csv, xlsx, html; default: from FILE's ending, csv at the terminal")
	a.printFlags(cmd)
	return cmd
}

func (a *app) importCmd() *cobra.Command {
	var unitFlag, byFlag, dateFlag string
	var yes bool
	var work workFlags
	cmd := &cobra.Command{
		Use:   "import FILE",
		Short: "Import a filled-in worksheet, or your own list of finished work",
		Long: `Imports a worksheet that was filled in, wholly or in part: XLSX, or CSV in UTF-8 or
UTF-16, separated by commas, semicolons or tabs. Columns may be in any order; rows may be
sorted, deleted and added. It shows what it understood, asks for confirmation at a
terminal, and then makes one commit. If anything is wrong it names every such cell and
imports nothing.

The same sheet may be imported again and again: rows that are already recorded are
skipped, and a changed row changes its line as long as the record is not closed. A blank
cell removes nothing.

A list of finished work of your own is read in the same way as a parts list (see model):
columns for unit, day, section, reference, what was found, what was done, new part, hours
and price. It becomes one record for each unit and day, marked as entered late; hours and
money go into books/, which never travels. Rows that were not taken are named. Units that
the ledger does not have are opened with --open MODEL; --means says what a word of the
list stands for, and is remembered.`,
		Example: `  benchlore import caps.xlsx
  benchlore import 2015-2016.csv --open astrella-61
  benchlore import werkstatt.csv --means "Netzteil=power supply" --means "Astrella 18052=a61-18052"
  benchlore import caps.csv --date 2031-03-02 --by jt
  benchlore import caps.xlsx --dry-run`,
		Args: args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				in := worksheet.Input{File: filepath.Base(list[0])}
				if list[0] == "-" {
					in.File = "standard input"
				}
				var err error
				if in.Data, err = a.readUpTo(list[0], worksheet.MaxSheetSize); err != nil {
					return err
				}
				work.unit, work.by, work.yes = unitFlag, byFlag, yes || list[0] == "-"
				if done, err := a.importWork(l, in.File, in.Data, work); done || err != nil {
					return err
				}
				if unitFlag != "" {
					if in.Unit, err = l.Resolve(unitFlag); err != nil {
						return err
					}
				}
				if in.By, err = a.by(l, byFlag); err != nil {
					return err
				}
				if in.Day, err = a.day(l, dateFlag); err != nil {
					return err
				}
				return a.importSheet(l, in, yes || list[0] == "-")
			})
		},
	}
	cmd.Flags().StringVar(&unitFlag, "unit", "", "the `UNIT`, where the sheet does not name it; default: the one on the bench")
	cmd.Flags().StringVar(&byFlag, "by", "", "the technician's `ID`")
	cmd.Flags().StringVar(&dateFlag, "date", "", "the `DAY` the work was done; default: today")
	cmd.Flags().BoolVar(&yes, "yes", false, "do not ask")
	cmd.Flags().StringArrayVar(&work.columns, "column", nil, "of a list of finished work: what a column holds, `date=Tag`; may be repeated")
	cmd.Flags().StringArrayVar(&work.means, "means", nil, "of a list of finished work: what a `WORD=SECTION` or WORD=UNIT stands for; may be repeated")
	cmd.Flags().StringVar(&work.open, "open", "", "of a list of finished work: open the units that the ledger does not have, as ones of this `MODEL`")
	cmd.Flags().StringVar(&work.dates, "dates", "", "of a list of finished work: how it writes days, `ORDER`: day-month-year, month-day-year")
	cmd.Flags().BoolVar(&work.all, "all", false, "show every line")
	a.writeFlags(cmd)
	return cmd
}

// readUpTo reads a file, or standard input for "-": one byte more than it may have, so
// that one that is too large is told from one that was cut short.
func (a *app) readUpTo(name string, most int64) ([]byte, error) {
	in := a.in
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	return io.ReadAll(io.LimitReader(in, most+1))
}

// shownLines is how many lines of each sort are shown before the rest is counted.
const shownLines = 40

func (a *app) importSheet(l *ledger.Ledger, in worksheet.Input, yes bool) error {
	r, err := worksheet.Read(l, in)
	var wrong *worksheet.Error
	switch {
	case errors.As(err, &wrong):
		return a.wrongSheet(in.File, r, wrong)
	case err != nil:
		return err
	}
	if !a.json {
		a.understood(in.File, r)
	}
	nothing := len(r.New)+len(r.Changed) == 0
	if !nothing && !yes && !a.dryRun && a.interactive() {
		fmt.Fprint(a.out, "import it? [Y/n] ")
		var answer string
		fmt.Fscanln(a.in, &answer)
		if answer != "" && !strings.EqualFold(answer, "y") && !strings.EqualFold(answer, "yes") {
			return usagef("", "nothing was imported")
		}
	}
	if !nothing {
		if r, err = worksheet.Import(l, in, r); err != nil {
			return err
		}
	}
	if a.json {
		return a.printJSON(r)
	}
	if nothing {
		fmt.Fprintln(a.out, "nothing to import")
		return nil
	}
	verb := "saved"
	if a.dryRun {
		verb = "would save"
	}
	fmt.Fprintf(a.out, "%s %s\n", verb, strings.Join(r.Files, ", "))
	return nil
}

// understood shows what a worksheet was taken to say.
func (a *app) understood(file string, r *worksheet.Result) {
	fmt.Fprintf(a.out, "%s: %s, %s\n", r.Unit, file, plural(r.Rows, "row"))
	for _, sort := range []struct {
		title string
		lines []string
	}{{"new", r.New}, {"changed", r.Changed}} {
		for i, line := range sort.lines {
			if i == shownLines {
				fmt.Fprintf(a.out, "  %-8s and %d more\n", sort.title, len(sort.lines)-i)
				break
			}
			fmt.Fprintf(a.out, "  %-8s %s\n", sort.title, line)
		}
	}
	fmt.Fprintf(a.out, "  recorded already: %d, not reached: %d\n", r.Unchanged, r.Unreached)
	for i, alike := range together(r.Warnings, func(c worksheet.CellError) string { return unquoted(c.Message) + "\x00" + c.Write }) {
		if i == shownLines {
			fmt.Fprintf(a.err, "%s: and more warnings; benchlore import %s --json names them all\n", file, file)
			break
		}
		a.cellLines(file, "warning: ", alike[0])
		if len(alike) > 1 {
			var cells []string
			for _, c := range alike[1:] {
				cells = append(cells, c.Cell)
			}
			fmt.Fprintf(a.err, "  the same: %s\n", someOf(cells, 8))
		}
	}
}

// cellLines say what a cell of a worksheet is about, and what to write.
func (a *app) cellLines(file, sort string, c worksheet.CellError) {
	c.Message = sort + c.Message
	fmt.Fprintf(a.err, "%s: %s\n", file, c.Error())
	if c.Write != "" {
		fmt.Fprintf(a.err, "  %s\n", c.Write)
	}
}

// wrongSheet names every cell that keeps a worksheet from being imported.
func (a *app) wrongSheet(file string, r *worksheet.Result, wrong *worksheet.Error) error {
	if a.json {
		return errors.Join(a.printJSON(r), errFound)
	}
	for i, c := range wrong.Cells {
		if i == shownLines {
			fmt.Fprintf(a.err, "%s: and %d more; benchlore import %s --json names them all\n", file, len(wrong.Cells)-i, file)
			break
		}
		a.cellLines(file, "", c)
	}
	fmt.Fprintf(a.err, "benchlore: %v\n  %s\n", wrong, wrong.Hint())
	return errFound
}
