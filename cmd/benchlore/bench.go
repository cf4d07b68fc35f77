package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/entry"
	"benchlore/schema/unit"
)

func (a *app) onCmd() *cobra.Command {
	var none bool
	var by string
	cmd := &cobra.Command{
		Use:   "on [UNIT]",
		Short: "Choose the unit on the bench, or show which one it is",
		Long: `Chooses the unit that commands apply to when none is named. Without UNIT it shows which
one that is. The choice holds for this copy of the ledger and is not recorded.

With --by it says who works at this copy, where git knows nobody of the shop.`,
		Example: `  benchlore on a61-10233
  benchlore on
  benchlore on --by mw`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				if none {
					return l.SetOnBench("")
				}
				if by != "" {
					id, err := a.by(l, by)
					if err != nil {
						return err
					}
					if err := l.SetTechnician(id); err != nil {
						return err
					}
					fmt.Fprintf(a.out, "at the bench: %s\n", id)
					if len(list) == 0 {
						return nil
					}
				}
				name := l.OnBench()
				if len(list) > 0 {
					var err error
					if name, err = l.Resolve(list[0]); err != nil {
						return err
					}
					if err := l.SetOnBench(name); err != nil {
						return err
					}
				}
				if name == "" {
					fmt.Fprintln(a.out, "nothing is on the bench")
					return nil
				}
				stock, err := l.Catalog()
				if err != nil {
					return err
				}
				u, err := l.Unit(name, stock)
				if err != nil {
					return err
				}
				fmt.Fprintf(a.out, "on the bench: %s, %s\n", name, title(u.Unit))
				a.powerLine(u.Unit)
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&none, "none", false, "clear the bench")
	cmd.Flags().StringVar(&by, "by", "", "who works at this copy of the ledger: the technician's `ID`")
	return cmd
}

func title(u *unit.Unit) string {
	return strings.TrimSpace(u.Instrument.Maker + " " + u.Instrument.Model)
}

// powerLine says in capitals when a unit must not be switched on.
func (a *app) powerLine(u *unit.Unit) {
	p, why, f := u.Power()
	switch p {
	case schema.PowerForbidden:
		fmt.Fprintf(a.out, "DO NOT POWER: %s (%s)\n", orNone(why, "no reason recorded"), f.Record.Head().Date)
	case schema.PowerLimited:
		fmt.Fprintf(a.out, "power limited: %s (%s)\n", orNone(why, "no reason recorded"), f.Record.Head().Date)
	}
}

func orNone(s, none string) string {
	if s == "" {
		return none
	}
	return s
}

func (a *app) partCmd() *cobra.Command {
	var f partFlags
	cmd := &cobra.Command{
		Use:   "part [[SECTION] REF [WORD ...]]",
		Short: "Record one line about one part, or about several alike",
		Long: `Records one line about one part into the day's open parts record of the unit on
the bench. Without words it asks for line after line at the terminal: the section
stays until another is named, undo takes back the last line, end finishes.

After the part, words may come in any order. Three letters of a listed word are enough,
if no other word begins with them:

  a finding   failed, degraded, ok, in-service, untested, missing
  a mode      short, open, leakage, drift, wear, ... (the part has failed)
  an action   replaced, reworked, cleaned, adjusted, removed, fitted, left,
              pending
  what went in, as value/rating (22/25 in the model's units), like (as the model
              has it), a source, lot=NAME
  a fault it cures, by its id; anything else as key=value
  except C14, C20   of a range, all but these
  same, or =        what the last line said; after like, what the model has here
  why="..."         why another value, rating or type went in than belongs there
  kit NAME/REVISION what the kit has for these parts, or for all of them`,
		Example: `  benchlore part C14 failed short replaced 10uF/35V
  benchlore part divider 3 C2-C8 untested replaced 2.2uF/63V lot=2021-el-2u2
  benchlore part kit recap/2 untested except C14
  benchlore part C15 same
  benchlore part R8 ope like
  benchlore part key:17/contact.2 degraded contamination cleaned F2
  benchlore part power supply 12x board/joint degraded reworked
  benchlore part --new-section reverb unit C1 short replaced 22uF/35V`,
		RunE: func(_ *cobra.Command, words []string) error {
			if len(words) == 0 {
				return a.sit(f)
			}
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, f.unit)
				if err != nil {
					return err
				}
				u, e, s, err := a.storeLine(l, name, words, f, "")
				if err != nil {
					return err
				}
				if !a.json {
					a.powerLine(u)
				}
				return a.savedLine(name, s, e)
			})
		},
	}
	cmd.Flags().StringVar(&f.unit, "unit", "", "the `UNIT`; default: the one on the bench")
	cmd.Flags().StringVar(&f.by, "by", "", "the technician's `ID`")
	cmd.Flags().StringVar(&f.date, "date", "", "the `DAY` it was done; default: today")
	cmd.Flags().BoolVar(&f.newSection, "new-section", false, "the line begins with a section that the model does not have yet: add it")
	cmd.Flags().SetInterspersed(true)
	a.writeFlags(cmd)
	return cmd
}

// partFlags are whose part, when and by whom.
type partFlags struct {
	unit, by, date string
	newSection     bool // a section that the model does not have is added to it
}

// storeLine stores one line about a part of the unit, and returns the unit as it
// was before; section is where the bench is at work.
func (a *app) storeLine(l *ledger.Ledger, name string, words []string, f partFlags, section string) (*unit.Unit, entry.Entry, ledger.Saved, error) {
	none := func(err error) (*unit.Unit, entry.Entry, ledger.Saved, error) {
		return nil, entry.Entry{}, ledger.Saved{}, err
	}
	by, err := a.by(l, f.by)
	if err != nil {
		return none(err)
	}
	day, err := a.day(l, f.date)
	if err != nil {
		return none(err)
	}
	if day.After(l.Today().Day) {
		fmt.Fprintf(a.err, "benchlore: warning: %s is in the future (today is %s)\n  write the day it happened: what has a day to come cannot be closed\n", day, l.Today())
	}
	stock, err := l.Catalog()
	if err != nil {
		return none(err)
	}
	u, err := l.Unit(name, stock)
	if err != nil {
		return none(err)
	}
	if err := onTime(l, u.Unit, day); f.date != "" && err != nil { // a clock that is wrong is told, and refuses nothing
		return none(err)
	}
	e, err := entry.Parse(words, entry.Context{Unit: u.Unit, By: by, Section: section})
	if unknown := (*entry.NewSection)(nil); errors.As(err, &unknown) && (f.newSection || a.asks(fmt.Sprintf("%q is no section of the model yet: add it?", unknown.Name))) {
		if a.dryRun {
			return none(usagef("leave --dry-run out", "the section %s would be added first, which a dry run does not do", unknown.Name))
		}
		if _, err := l.AddSections(name, unknown.Name); err != nil {
			return none(err)
		}
		fmt.Fprintf(a.out, "added to the model: section %s\n", unknown.Name)
		if stock, err = l.Catalog(); err != nil {
			return none(err)
		}
		if u, err = l.Unit(name, stock); err != nil {
			return none(err)
		}
		e, err = entry.Parse(words, entry.Context{Unit: u.Unit, By: by, Section: section})
	}
	if err != nil {
		return none(&usageError{err, hintOf(err)})
	}
	s, err := l.AddPart(name, by, day, e)
	return u.Unit, e, s, err
}

// onTime refuses a day that lies ahead, or before the stay that is open: the line would
// stand outside of it.
func onTime(l *ledger.Ledger, u *unit.Unit, day schema.Date) error {
	if day.After(l.Today().Day) {
		return usagef("write the day it was done: --date "+l.Today().String(), "--date: %s is in the future (today is %s)", day, l.Today())
	}
	j := u.OpenJob()
	if j == nil || !day.Before(j.IntakeRecord().Date.Day) {
		return nil
	}
	return usagef("write a day from then on; what belongs to an earlier stay is added with benchlore record parts --from FILE",
		"--date: %s is before this stay, which began on %s", day, j.IntakeRecord().Date)
}

// savedLine says how a line was understood and what is wrong with it, in the words of a
// line. A line that was stored with an error ends with the exit code for problems.
func (a *app) savedLine(name string, s ledger.Saved, e entry.Entry) error {
	if a.json {
		if err := a.printJSON(s); err != nil {
			return err
		}
		return wrongIn(s)
	}
	verb := "saved"
	if a.dryRun {
		verb = "would save"
	}
	fmt.Fprintf(a.out, "%s: %s\n%s %s\n", name, e.Echo(), verb, s.Path)
	a.warnOfLine(s, e)
	return wrongIn(s)
}

// wrongIn is errFound where something was stored with an error.
func wrongIn(s ledger.Saved) error {
	if n, _ := schema.Count(s.Problems); n > 0 {
		return errFound
	}
	return nil
}

// warnOfLine says what is wrong with a line as it was typed.
func (a *app) warnOfLine(s ledger.Saved, e entry.Entry) {
	for _, r := range e.Remarks {
		fmt.Fprintf(a.err, "note: %s\n", r)
	}
	for _, p := range s.Problems {
		word := "warning"
		if p.Severity > schema.Warned {
			word = "error"
		}
		fmt.Fprintf(a.err, "%s: %s\n", word, p.Message)
		if p.Write != "" {
			fmt.Fprintf(a.err, "  %s\n", entry.AsTyped(p.Write))
		}
	}
	if n, _ := schema.Count(s.Problems); n > 0 {
		stored, back := "stored", "to type it again: benchlore undo"
		if a.dryRun {
			stored, back = "it would be stored", "nothing was stored"
		}
		fmt.Fprintf(a.err, "benchlore: %s with %s, which close will refuse; %s\n", stored, plural(n, "error"), back)
	}
}

func hintOf(err error) string {
	if h, ok := err.(interface{ Hint() string }); ok {
		return h.Hint()
	}
	return ""
}

func (a *app) moveCmd() *cobra.Command {
	var from string
	cmd := &cobra.Command{
		Use:   "move UNIT",
		Short: "Move the last line about a part to the unit it belongs to",
		Long: `Moves the last line about a part, or the kit applied last, from the unit on the bench to
another, with its day and technician, and chooses that unit. It is for a line that was
typed while the wrong unit was on the bench.`,
		Example: `  benchlore move a61-10954
  benchlore move a61-10954 --from a61-10233`,
		Args: args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				source, err := a.unit(l, from)
				if err != nil {
					return err
				}
				to, err := l.Resolve(list[0])
				if err != nil {
					return err
				}
				if to == source {
					return usagef("name another unit; or the one it is on now with --from", "the line is on %s already", to)
				}
				s, e, err := l.MovePart(source, to)
				if err != nil {
					return err
				}
				if !a.dryRun {
					if err := l.SetOnBench(to); err != nil {
						return err
					}
				}
				if !a.json {
					verb := "moved"
					if a.dryRun {
						verb = "would move"
					}
					fmt.Fprintf(a.out, "%s from %s\n", verb, source)
				}
				return a.savedLine(to, s, e)
			})
		},
	}
	cmd.Flags().StringVar(&from, "from", "", "the `UNIT` the line is on; default: the one on the bench")
	a.writeFlags(cmd)
	return cmd
}

func (a *app) saveCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "save",
		Short: "Commit hand edits",
		Long: `Commits what was edited by hand, here or with git, after reading every changed file.
Everything that can be read is stored, and errors in it are reported. Files that cannot
be read, links, and closed records that changed without a reason are refused, and then
nothing is stored. It also completes unit histories that a crash left unfinished.`,
		Example: `  benchlore save --dry-run
  benchlore save`,
		Args: args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			return a.with(func(l *ledger.Ledger) error {
				r, err := l.Save()
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(r)
				}
				verb := "saved"
				if a.dryRun {
					verb = "would save"
				}
				for _, f := range r.Files {
					fmt.Fprintf(a.out, "%s %s\n", verb, f)
				}
				for _, u := range r.Repaired {
					fmt.Fprintf(a.out, "brought up to date: unit/%s\n", u)
				}
				if len(r.Files)+len(r.Repaired) == 0 {
					fmt.Fprintln(a.out, "nothing to save")
				}
				for _, f := range r.LeftOut {
					fmt.Fprintf(a.err, "ignored: not a ledger file: %s\n", f)
				}
				a.warn(r.Problems)
				return nil
			})
		},
	}
	a.writeFlags(cmd)
	return cmd
}

func (a *app) undoCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "undo [UNIT]",
		Short: "Take back the last change that is not closed",
		Long: `Takes back the last change to the ledger, or to one unit, that has not been closed.
Run it again to take back the one before. Nothing is lost: undo makes a commit of its
own.`,
		Example: `  benchlore undo
  benchlore undo a61-10233`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name := ""
				if len(list) > 0 {
					var err error
					if name, err = l.Resolve(list[0]); err != nil {
						return err
					}
				}
				r, what, err := l.Undo(name)
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(r)
				}
				a.takenBack(r, what)
				return nil
			})
		},
	}
	a.writeFlags(cmd)
	return cmd
}

// takenBack says what an undo took back.
func (a *app) takenBack(r ledger.Result, what string) {
	verb := "taken back"
	if a.dryRun {
		verb = "would take back"
	}
	fmt.Fprintf(a.out, "%s: %s\n", verb, what)
	for _, f := range r.Files {
		fmt.Fprintf(a.out, "  %s\n", f)
	}
}

func (a *app) correctCmd() *cobra.Command {
	var reason, byFlag, from string
	var allow []string
	cmd := &cobra.Command{
		Use:   "correct FILE ...",
		Short: "Correct records, with a reason if they were closed",
		Long: `Stores records of one unit that were edited by hand, or the new text of one record with
--from. A closed record needs a reason: it is written into the record, and the corrected
record goes onto the unit's own history at once. What it said before stays there too.
Corrections that belong together, such as a fault that gets another id, go into one
command.`,
		Example: `  benchlore correct instruments/astrella-61/a61-10233/2019-03-04-parts-7q3f.toml --reason "C14 was 4.7 uF, not 47 uF"`,
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				by, err := a.by(l, byFlag)
				if err != nil {
					return err
				}
				files := make([]ledger.Corrected, len(list))
				for i, p := range list {
					if files[i].Path, err = ledgerPath(l, p); err != nil {
						return err
					}
					if _, err := os.Stat(filepath.Join(l.Dir, filepath.FromSlash(files[i].Path))); err != nil {
						return err
					}
				}
				if from != "" {
					if len(list) > 1 {
						return usagef("name one file", "--from holds the text of one file")
					}
					if files[0].Data, err = a.readFile(from); err != nil {
						return err
					}
				}
				s, err := l.Correct(files, by, reason, ledger.CloseOptions{Allow: allow})
				if err != nil {
					return err
				}
				if s.Head != "" && !a.json {
					verb := "corrected"
					if a.dryRun {
						verb = "would correct"
					}
					fmt.Fprintf(a.out, "%s on the unit's own history: unit/%s %.10s%s\n", verb, s.Unit, s.Head, signedBy(s.Result))
					for _, u := range s.Unseen {
						fmt.Fprintf(a.out, "could not look inside: %s\n", u)
					}
				}
				return a.saved(schema.ParsePath(s.Path).Unit, s, "corrected "+strings.Join(s.Files, ", "))
			})
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "what was wrong, in one `SENTENCE`")
	cmd.Flags().StringVar(&byFlag, "by", "", "the technician's `ID`")
	cmd.Flags().StringVar(&from, "from", "", "take the new text from `FILE`; - is standard input")
	cmd.Flags().StringArrayVar(&allow, "allow", nil, "let the finding with this `KEY` travel")
	a.writeFlags(cmd)
	return cmd
}

func signedBy(r ledger.Result) string {
	if r.Signed == "" {
		return ", not signed"
	}
	return ", signed by " + r.Signed
}

func first(list []string) string {
	if len(list) > 0 {
		return list[0]
	}
	return ""
}
