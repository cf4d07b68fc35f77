package main

import (
	"maps"
	"path"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/entry"
	"benchlore/schema/unit"
)

// completer offers words to a shell: each with what it stands for behind a tab.
type completer = func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective)

// completions gives arguments and flags that name something in the ledger their
// words, whatever command they belong to. Flags with a closed list have theirs
// already.
func (a *app) completions(root *cobra.Command) {
	flags := map[string]completer{
		"unit": a.completeUnits, "by": a.completeTechnicians, "lot": a.completeLots, "model": a.completeModels,
		"kit":     a.ofUnit(func(u *unit.Unit, _ *ledger.Catalog) []string { return kitNames(u.Model) }),
		"family":  a.ofStock(func(s *ledger.Catalog) []string { return familyWords(s) }),
		"section": a.ofUnit(func(u *unit.Unit, _ *ledger.Catalog) []string { return sectionWords(u) }),
		"with":    a.completeInstruments,
	}
	args := map[string]completer{
		"on": a.completeUnits, "undo": a.completeUnits, "history": a.completeUnits, "report": a.completeUnits, "label": a.completeUnits, "sheet": a.completeUnits,
		"check": a.completeUnits, "checklist": a.completeUnits, "close": a.completeUnits, "learn": a.completeUnits, "seal": a.completeUnits,
		"handover": a.completeUnits, "order": a.completeUnits, "show": a.completeRecords, "part": a.completePart, "trace": a.completeLots, "new": a.completeModels,
	}
	for _, c := range root.Commands() {
		if fn := args[c.Name()]; fn != nil {
			c.ValidArgsFunction = fn
		}
		for _, sub := range append(c.Commands(), c) {
			for name, fn := range flags {
				if sub.Flags().Lookup(name) != nil && (c.Name() != "reliability" || name != "by") {
					_ = sub.RegisterFlagCompletionFunc(name, fn) // refuses those that have one already
				}
			}
			if f := sub.Flags().Lookup("format"); f != nil {
				_ = sub.RegisterFlagCompletionFunc("format", cobra.FixedCompletions(formatWords(f.Usage), cobra.ShellCompDirectiveNoFileComp))
			}
		}
	}
}

// formatWords takes the words of --format out of what its help says:
// "`FORM` of the table: text, csv, xlsx; default: ...".
func formatWords(usage string) []string {
	_, list, _ := strings.Cut(usage, ": ")
	list, _, _ = strings.Cut(list, ";")
	return strings.Split(list, ", ")
}

// ofStock offers words from models, lots and families.
func (a *app) ofStock(words func(*ledger.Catalog) []string) completer {
	return func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		var out []string
		_ = a.with(func(l *ledger.Ledger) error {
			s, err := l.Catalog()
			if err == nil {
				out = words(s)
			}
			return err
		})
		return out, cobra.ShellCompDirectiveNoFileComp
	}
}

// ofUnit offers words from the unit that is named, by --unit or as the argument,
// or else from the one on the bench.
func (a *app) ofUnit(words func(*unit.Unit, *ledger.Catalog) []string) completer {
	return func(cmd *cobra.Command, list []string, _ string) ([]string, cobra.ShellCompDirective) {
		var out []string
		_ = a.with(func(l *ledger.Ledger) error {
			arg := ""
			if f := cmd.Flags().Lookup("unit"); f != nil {
				arg = f.Value.String()
			} else if cmd.Name() != "part" {
				arg = first(list)
			}
			name, err := a.unit(l, arg)
			if err != nil {
				return err
			}
			s, err := l.Catalog()
			if err != nil {
				return err
			}
			u, err := l.Unit(name, s)
			if err == nil {
				out = words(u.Unit, s)
			}
			return err
		})
		return out, cobra.ShellCompDirectiveNoFileComp
	}
}

// completePart offers what could come next in a line about a part.
func (a *app) completePart(cmd *cobra.Command, list []string, typed string) ([]string, cobra.ShellCompDirective) {
	open := false
	words, directive := a.ofUnit(func(u *unit.Unit, s *ledger.Catalog) []string {
		var choices []entry.Choice
		choices, open = entry.Complete(list, typed, entry.Context{Unit: u}, entry.Stock{Lots: s.Lots, Families: s.Families})
		out := make([]string, len(choices))
		for i, c := range choices {
			out[i] = strings.TrimSuffix(c.Word+"\t"+oneLine(c.About), "\t")
		}
		return out
	})(cmd, list, typed)
	if open {
		directive |= cobra.ShellCompDirectiveNoSpace
	}
	return words, directive | cobra.ShellCompDirectiveKeepOrder
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func kitNames(m *schema.Model) []string {
	var out []string
	for _, k := range m.Kits {
		out = append(out, path.Clean(k.Name+"/"+k.Revision)+"\t"+oneLine(k.Title))
	}
	return out
}

func familyWords(s *ledger.Catalog) []string {
	var out []string
	for _, n := range s.Families.Names() {
		out = append(out, n+"\t"+oneLine(s.Families.Title(schema.FamilyName(n))))
	}
	return out
}

func sectionWords(u *unit.Unit) []string {
	var out []string
	for _, s := range u.Sections {
		out = append(out, s.Name)
	}
	return out
}

// completeTechnicians offers who may stand in --by.
func (a *app) completeTechnicians(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	var out []string
	_ = a.with(func(l *ledger.Ledger) error {
		for _, t := range l.Shop.Technicians {
			out = append(out, t.ID+"\t"+oneLine(t.Name))
		}
		return nil
	})
	return out, cobra.ShellCompDirectiveNoFileComp
}

// completeInstruments offers the shop's test instruments.
func (a *app) completeInstruments(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	var out []string
	_ = a.with(func(l *ledger.Ledger) error {
		for _, t := range l.Shop.TestInstruments {
			out = append(out, t.ID+"\t"+oneLine(t.Name))
		}
		return nil
	})
	return out, cobra.ShellCompDirectiveNoFileComp
}

// completeLots offers lots by name, with what they are.
func (a *app) completeLots(cmd *cobra.Command, list []string, typed string) ([]string, cobra.ShellCompDirective) {
	return a.ofStock(func(s *ledger.Catalog) []string {
		var out []string
		for _, n := range slices.Sorted(maps.Keys(s.Lots)) {
			lot := s.Lots[n]
			out = append(out, n+"\t"+oneLine(string(lot.Family)+" "+string(lot.Part.Value)+" "+string(lot.Part.Rating)))
		}
		return out
	})(cmd, list, typed)
}

// completeUnits offers the units of the ledger, by tag.
func (a *app) completeUnits(_ *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
	l, err := a.open()
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	defer l.Close()
	units, err := l.Units()
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	for i, u := range units {
		units[i] = path.Base(u) + "\t" + path.Dir(u)
	}
	return units, cobra.ShellCompDirectiveNoFileComp
}

// completeRecords offers units first, then the records of the unit named.
func (a *app) completeRecords(cmd *cobra.Command, list []string, typed string) ([]string, cobra.ShellCompDirective) {
	if len(list) != 1 {
		return a.completeUnits(cmd, list, typed)
	}
	var names []string
	err := a.with(func(l *ledger.Ledger) error {
		name, err := l.Resolve(list[0])
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
		for _, f := range u.Unit.Files {
			names = append(names, f.Name())
		}
		return nil
	})
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	return names, cobra.ShellCompDirectiveNoFileComp
}

// completeModels offers the models of the ledger.
func (a *app) completeModels(cmd *cobra.Command, list []string, _ string) ([]string, cobra.ShellCompDirective) {
	if cmd.Name() == "new" && len(list) > 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp // the tag is the shop's to make up
	}
	var names []string
	_ = a.with(func(l *ledger.Ledger) (err error) {
		names, err = l.Models()
		return err
	})
	return names, cobra.ShellCompDirectiveNoFileComp
}
