package main

import (
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"benchlore/schema"
)

// unknownWord refuses a word that is not one of a list, with the nearest one.
func unknownWord(what, word string, known []string) error {
	hint := "write one of: " + strings.Join(known, ", ")
	if near := schema.Nearest(word, known); near != "" {
		hint = "did you mean " + near + "? It takes: " + strings.Join(known, ", ")
	}
	return usagef(hint, "%s %q is not understood", what, word)
}

// unknownCommand refuses a command that is none, with the nearest one.
func unknownCommand(cmd *cobra.Command, word string) error {
	var names []string
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	hint := "see: " + cmd.CommandPath() + " --help"
	if near := schema.Nearest(word, names); near != "" {
		hint = "did you mean " + cmd.CommandPath() + " " + near + "? " + hint
	}
	return usagef(hint, "unknown command %q for %q", word, cmd.CommandPath())
}

// flagError counts a wrong flag as usage, and names the nearest one that is known.
func flagError(cmd *cobra.Command, err error) error {
	hint := "see: " + cmd.CommandPath() + " --help"
	if word, ok := strings.CutPrefix(err.Error(), "unknown flag: --"); ok {
		var names []string
		add := func(f *pflag.Flag) { names = append(names, f.Name) }
		cmd.Flags().VisitAll(add)
		cmd.InheritedFlags().VisitAll(add)
		if near := schema.Nearest(word, names); near != "" {
			hint = "did you mean --" + near + "? " + hint
		}
	}
	return usagef(hint, "%v", err)
}
