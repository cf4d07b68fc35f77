package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/examples"
	"benchlore/ledger"
	"benchlore/ledger/gitstore/config"
	"benchlore/reports/page"
	"benchlore/reports/provenance"
	"benchlore/reports/reliability"
	"benchlore/schema"
)

func (a *app) startCmd() *cobra.Command {
	var shop schema.Shop
	var technicians []string
	cmd := &cobra.Command{
		Use:   "start [DIR]",
		Short: "Start a ledger",
		Example: `  benchlore start ledger --name "Halden Street Workshop" --currency EUR \
    --technician "mw=Maren Wickstead <maren@halden-street.example>"`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			dir := "."
			if len(list) > 0 {
				dir = list[0]
			}
			if shop.Name == "" {
				return usagef(`say what the shop is called: --name "Halden Street Workshop"`, "the shop's name is missing")
			}
			if shop.Decimal != "" && !slices.Contains(shop.Decimal.Words(), string(shop.Decimal)) {
				return unknownWord("--decimal", string(shop.Decimal), shop.Decimal.Words())
			}
			if shop.Dates != "" && !slices.Contains(shop.Dates.Words(), string(shop.Dates)) {
				return unknownWord("--dates", string(shop.Dates), shop.Dates.Words())
			}
			for _, t := range technicians {
				tech, err := parseTechnician(t)
				if err != nil {
					return err
				}
				shop.Technicians = append(shop.Technicians, tech)
			}
			if len(shop.Technicians) == 0 {
				tech, err := technicianFromGit()
				if err != nil {
					return err
				}
				shop.Technicians = append(shop.Technicians, tech)
			}
			l, err := ledger.Start(dir, ledger.StartOptions{Shop: shop}, a.options())
			if err != nil {
				return err
			}
			defer l.Close()
			if err := l.WireEditors(); err != nil {
				fmt.Fprintf(a.err, "benchlore: could not tell editors about the schemas: %v\n", err)
			}
			fmt.Fprintf(a.out, "ledger of %s in %s\n", shop.Name, l.Dir)
			for _, t := range shop.Technicians {
				fmt.Fprintf(a.out, "at the bench: %s (%s)\n", t.Name, t.ID)
			}
			fmt.Fprintf(a.out, "next: benchlore new MODEL TAG --maker NAME --name NAME\n")
			return nil
		},
	}
	cmd.Flags().StringVar(&shop.Name, "name", "", "the shop's `NAME`, as buyers read it")
	cmd.Flags().StringVar(&shop.Contact, "contact", "", "how a buyer reaches the shop")
	cmd.Flags().StringVar(&shop.Currency, "currency", "", "`CODE` of ISO 4217: EUR, GBP")
	cmd.Flags().StringVar((*string)(&shop.Decimal), "decimal", "", "decimal `SIGN` in text for the shop: point, comma; default: point")
	cmd.Flags().StringVar((*string)(&shop.Dates), "dates", "", "`ORDER` of days in text for the shop: year-month-day, day-month-year, month-day-year; default: the first")
	_ = cmd.RegisterFlagCompletionFunc("decimal", cobra.FixedCompletions(schema.Decimals("").Words(), cobra.ShellCompDirectiveNoFileComp))
	_ = cmd.RegisterFlagCompletionFunc("dates", cobra.FixedCompletions(schema.DateOrder("").Words(), cobra.ShellCompDirectiveNoFileComp))
	cmd.Flags().StringArrayVar(&technicians, "technician", nil, "`\"ID=NAME <MAIL>\"` of somebody at the bench; default: the user git knows")
	return cmd
}

func parseTechnician(s string) (schema.Technician, error) {
	id, name, ok := strings.Cut(s, "=")
	t := schema.Technician{ID: strings.TrimSpace(id), Name: strings.TrimSpace(name)}
	if at := strings.IndexByte(t.Name, '<'); at >= 0 && strings.HasSuffix(t.Name, ">") {
		t.Email = strings.TrimSpace(t.Name[at+1 : len(t.Name)-1])
		t.Name = strings.TrimSpace(t.Name[:at])
	}
	if !ok || t.ID == "" || t.Name == "" {
		return t, usagef(`write it like "mw=Maren Wickstead <maren@halden-street.example>"`, "--technician %q is not understood", s)
	}
	return t, nil
}

// technicianFromGit is whom git knows, by the initials.
func technicianFromGit() (schema.Technician, error) {
	id, err := ledger.GlobalIdentity()
	if _, nobody := errors.AsType[*config.IdentityError](err); nobody {
		return schema.Technician{}, usagef(`say who: --technician "mw=Maren Wickstead <maren@halden-street.example>"`, "it is not clear who is at the bench")
	}
	if err != nil {
		return schema.Technician{}, err
	}
	t := schema.Technician{Name: id.Name, Email: id.Email}
	for _, w := range strings.Fields(strings.ToLower(id.Name)) {
		t.ID += string([]rune(w)[0])
	}
	return t, nil
}

func (a *app) newCmd() *cobra.Command {
	var in schema.Instrument
	var serials []string
	var built string
	var on bool
	cmd := &cobra.Command{
		Use:   "new MODEL TAG",
		Short: "Open an instrument's folder",
		Long: `Makes the folder instruments/MODEL/TAG with an identity of its own. Both names consist
of lower-case letters, digits and hyphens. The tag is the shop's own; the real serial
numbers go into the file inside. A model that the ledger does not have is started empty.`,
		Example: `  benchlore new astrella-61 a61-10233 --serial plate=10233 --built 1971/1972 --built-from "date codes"
  benchlore new longwave-3 lw3-2204 --maker Quillard --name "Longwave 3" --serial plate`,
		Args: args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, list []string) error {
			in.Built = schema.EDTF(built)
			for _, s := range serials {
				place, value, has := strings.Cut(s, "=")
				n := schema.Serial{Place: place, Value: value, How: schema.SerialRead}
				if !has {
					n.How = schema.SerialMissing
				}
				in.Serials = append(in.Serials, n)
			}
			return a.with(func(l *ledger.Ledger) error {
				name := list[0] + "/" + list[1]
				if years, weeks := weekCodes(built, l.Today()); years != "" {
					if !a.asks(fmt.Sprintf("--built %s: are these week codes, %s?", built, weeks)) {
						return usagef("write it as years: --built "+years+"; or as what was read: --built-from \"date codes "+built+"\"",
							"--built %s is no span of years: it looks like date codes of weeks, %s", built, weeks)
					}
					in.Built = schema.EDTF(years)
					if in.BuiltFrom == "" {
						in.BuiltFrom = "date codes " + built
					}
				}
				res, err := l.NewUnit(name, in)
				if err != nil {
					return err
				}
				if on && !a.dryRun {
					if err := l.SetOnBench(name); err != nil {
						return err
					}
				}
				if a.json {
					return a.printJSON(res)
				}
				verb := "opened"
				if a.dryRun {
					verb = "would open"
				}
				fmt.Fprintf(a.out, "%s: %s, %s\n", name, verb, strings.Join(res.Files, ", "))
				if on {
					fmt.Fprintf(a.out, "on the bench: %s\nnext: benchlore record intake --reason overhaul --works partly\n", name)
				}
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&in.Maker, "maker", "", "the maker's `NAME`; default: from the model")
	cmd.Flags().StringVar(&in.Model, "name", "", "the model's `NAME` as on the instrument; default: from the model")
	cmd.Flags().StringVar(&in.Variant, "variant", "", "colour, export version, case")
	cmd.Flags().StringVar(&built, "built", "", "build `DATE`: 1974, 1974-05, 1971/1974, 1974~")
	cmd.Flags().StringVar(&in.BuiltFrom, "built-from", "", "how that is known")
	cmd.Flags().StringArrayVar(&serials, "serial", nil, "`PLACE=NUMBER`, such as plate=10233; PLACE alone: the number is missing")
	cmd.Flags().BoolVar(&on, "on", true, "choose it as the unit on the bench")
	a.writeFlags(cmd)
	return cmd
}

var weekCode = regexp.MustCompile(`^([0-9]{2})([0-9]{2})(?:/([0-9]{2})([0-9]{2}))?$`)

// weekCodes reads a text that is no span of years up to today as date codes, year and
// week: it gives the years, and says them in words. Both are "" for everything else.
func weekCodes(text string, today schema.Date) (years, words string) {
	m := weekCode.FindStringSubmatch(text)
	if m == nil {
		return "", ""
	}
	first, _ := strconv.Atoi(m[1] + m[2])
	last, _ := strconv.Atoi(m[3] + m[4])
	if max(first, last) <= today.Year {
		return "", ""
	}
	for i := 1; i+1 < len(m); i += 2 {
		if m[i] == "" {
			continue
		}
		week, _ := strconv.Atoi(m[i+1])
		if week < 1 || week > 53 {
			return "", ""
		}
		if year := "19" + m[i]; years == "" {
			years, words = year, fmt.Sprintf("week %d of %s", week, year)
		} else {
			words += fmt.Sprintf(" to week %d of %s", week, year)
			if year != years {
				years += "/" + year
			}
		}
	}
	return years, words
}

// asks puts a question that is answered with yes or no; no where nobody is there to
// answer.
func (a *app) asks(question string) bool {
	if a.question != nil {
		return a.question(question + " [y/N] ")
	}
	if !a.interactive() || a.json {
		return false
	}
	fmt.Fprint(a.out, question+" [y/N] ")
	var answer string
	fmt.Fscanln(a.in, &answer)
	return strings.EqualFold(answer, "y") || strings.EqualFold(answer, "yes")
}

func (a *app) schemaCmd() *cobra.Command {
	var wire bool
	cmd := &cobra.Command{
		Use:   "schema [DIR]",
		Short: "Write the JSON Schemas of all files, for editors",
		Long: `Writes one JSON Schema for every kind of record and file into DIR. Editors that know
TOML use them to complete and check.

With --wire, editors that use the taplo language server find them by themselves in this
copy of the ledger: the schemas go below .git, and the file .taplo.toml, which git is
told to ignore, says which schema belongs to which file. start does that for a new
ledger; a copy made by join or git needs it once, and so does a new version of this
program.`,
		Example: `  benchlore schema schemas
  benchlore schema --wire`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			switch {
			case wire && len(list) > 0:
				return usagef("leave DIR out", "--wire has places of its own")
			case wire:
				return a.with(func(l *ledger.Ledger) error {
					if err := l.WireEditors(); err != nil {
						return err
					}
					fmt.Fprintf(a.out, "editors find the schemas of %s now\n", l.Dir)
					return nil
				})
			case len(list) == 0:
				return usagef("benchlore schema DIR, or benchlore schema --wire", "no folder is named for the schemas")
			}
			if err := os.MkdirAll(list[0], 0o777); err != nil {
				return err
			}
			all := schema.JSONSchemas()
			names := make([]string, 0, len(all))
			for n := range all {
				names = append(names, n)
			}
			slices.Sort(names)
			for _, n := range names {
				if err := os.WriteFile(filepath.Join(list[0], n), all[n], 0o666); err != nil {
					return err
				}
			}
			fmt.Fprintf(a.out, "%d schemas in %s\n", len(names), list[0])
			return nil
		},
	}
	cmd.Flags().BoolVar(&wire, "wire", false, "let editors find them in this copy of the ledger")
	return cmd
}

// demoUnit is the unit whose report the demo shows: an organ that came back.
const demoUnit = "astrella-61/a61-14906"

func (a *app) demoCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "demo [DIR]",
		Short: "Make the example ledger and show what comes out of it",
		Long: `Makes the ledger of an invented shop in DIR/ledger, record by record under its own
dates, and checks it. Two reports go beside it: what fails, as a page with plots, and
the report that a buyer gets of one unit. The screen shows the beginning of both. DIR is
benchlore-demo if none is named.

Run again, it shows the ledger that is there, with whatever was recorded in it since.
Delete DIR to start afresh.`,
		Example: `  benchlore demo
  benchlore demo ~/benchlore-demo`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.demo(cmp.Or(first(list), "benchlore-demo"))
		},
	}
	return cmd
}

func (a *app) demo(dir string) error {
	shop := filepath.Join(dir, "ledger")
	made, err := a.makeDemo(dir, shop)
	if err != nil {
		return err
	}
	if a.ledgerDir, err = filepath.Abs(shop); err != nil {
		return err
	}
	return a.with(func(l *ledger.Ledger) error {
		checked, err := l.Check()
		if err != nil {
			return err
		}
		families, err := reliabilityLedger(l, reliabilityFlags{}, reliability.Options{By: []string{"family"}})
		if err != nil {
			return err
		}
		fails := filepath.Join(dir, "what-fails.html")
		if err := a.into(fails, families.WriteHTML); err != nil {
			return err
		}
		paper := filepath.Join(dir, path.Base(demoUnit)+".pdf")
		into := *a
		into.output = paper
		if err := into.report(l, demoUnit, ".pdf", page.A4); err != nil {
			return err
		}
		unit, err := provenance.Of(l, demoUnit)
		if err != nil {
			return err
		}
		return a.write(func(w io.Writer) error {
			o := page.TextOptions{Width: min(a.width(), 80)}
			if made {
				fmt.Fprintf(w, "The ledger of an invented shop, eight years of work: %s\n", shop)
			} else {
				fmt.Fprintf(w, "The example ledger, as an earlier run left it: %s\n", shop)
			}
			a.printCheck(w, checked)
			fmt.Fprintf(w, "\nWhat fails most, of the units as they came to this bench:\n")
			if err := families.WriteMost(w, 5, o); err != nil {
				return err
			}
			fmt.Fprintf(w, "\nOne of them, as its next owner reads it:\n\n")
			if err := unit.WriteInShort(w, o); err != nil {
				return err
			}
			here := typed() + " "
			in := " --ledger " + shop
			fmt.Fprintf(w, "\nOpen next:\n  %s  what fails, how often, and how sure that is\n  %s  the whole report of this organ\n",
				pad(fails, len(paper)), pad(paper, len(fails)))
			for _, c := range []struct{ line, what string }{
				{"where" + in, "what is on the bench, and what each unit waits for"},
				{"trace 2021-elko-2u2-50" + in, "which units carry parts of a lot that went bad"},
				{"list" + in, "all units"},
			} {
				fmt.Fprintf(w, "  %s%s\n      %s\n", here, c.line, c.what)
			}
			if !checked.Clean() {
				return errFound
			}
			return nil
		})
	})
}

// makeDemo makes the example ledger where there is none yet. It is moved into
// place when it is complete.
func (a *app) makeDemo(dir, shop string) (made bool, err error) {
	unfinished := filepath.Join(dir, ".unfinished")
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, err
	}
	if len(entries) > 0 {
		text, err := os.ReadFile(filepath.Join(shop, "shop.toml"))
		if err == nil && bytes.Equal(text, examples.Shop()) {
			return false, nil
		}
		if len(entries) > 1 || entries[0].Name() != filepath.Base(unfinished) {
			return false, usagef("name another: benchlore demo DIR", "the folder %s is not empty and does not hold the example ledger", dir)
		}
	}
	if err := os.RemoveAll(unfinished); err != nil {
		return false, err
	}
	l, err := examples.Replay(unfinished, a.progress("replaying"))
	if err != nil {
		return false, err
	}
	if err := l.Close(); err != nil {
		return false, err
	}
	return true, os.Rename(unfinished, shop)
}

// into writes a file, whole or not at all.
func (a *app) into(file string, write func(io.Writer) error) error {
	into := *a
	into.output = file
	return into.write(write)
}

// typed is how the program was started, for a command to be typed next.
func typed() string {
	if strings.Contains(filepath.ToSlash(os.Args[0]), "/go-build") {
		return "go run ./cmd/benchlore"
	}
	return os.Args[0]
}

func pad(s string, n int) string { return fmt.Sprintf("%-*s", n, s) }
