package main

import (
	"path"

	"github.com/spf13/cobra"

	"benchlore/ledger"
)

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
		units[i] = path.Base(u)
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
		stock, err := l.Stock()
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
func (a *app) completeModels(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	var names []string
	_ = a.with(func(l *ledger.Ledger) (err error) {
		names, err = l.Models()
		return err
	})
	return names, cobra.ShellCompDirectiveNoFileComp
}
