package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"benchlore/schema"
)

// helpWidth is how wide help texts are: that of a plain terminal, and the same
// everywhere.
const helpWidth = 80

// setUsage has help texts keep to helpWidth, and flags shown in two columns, with
// the name of what each takes in capitals.
func setUsage(root *cobra.Command) {
	cobra.AddTemplateFunc("flagTable", flagTable)
	t := root.UsageTemplate()
	for _, set := range []string{".LocalFlags", ".InheritedFlags"} {
		t = strings.ReplaceAll(t, set+".FlagUsages | trimTrailingWhitespaces", "flagTable "+set)
	}
	root.SetUsageTemplate(t)
}

// reflow sets the paragraphs of every help text to helpWidth. Lines that begin
// with a blank keep their breaks.
func reflow(cmd *cobra.Command) {
	var out, para []string
	flush := func() {
		if para != nil {
			out = append(out, fold(strings.Join(para, " "), helpWidth)...)
			para = nil
		}
	}
	for _, l := range strings.Split(cmd.Long, "\n") {
		if l == "" || l[0] == ' ' {
			flush()
			out = append(out, l)
			continue
		}
		para = append(para, l)
	}
	flush()
	cmd.Long = strings.Join(out, "\n")
	for _, c := range cmd.Commands() {
		reflow(c)
	}
}

// flagTable lists flags with what they take and do.
func flagTable(fs *pflag.FlagSet) string {
	type row struct{ flag, text string }
	var rows []row
	wide := 0
	fs.VisitAll(func(f *pflag.Flag) {
		if f.Hidden {
			return
		}
		name, text := pflag.UnquoteUsage(f)
		switch name {
		case "string", "strings", "stringArray":
			name = "TEXT"
		case "float", "int":
			name = "NUMBER"
		}
		r := row{"      --" + f.Name, text}
		if f.Shorthand != "" {
			r.flag = "  -" + f.Shorthand + ", --" + f.Name
		}
		if name != "" {
			r.flag += " " + name
		}
		if d := f.DefValue; d != "" && d != "false" && d != "[]" && d != "0" {
			r.text += fmt.Sprintf(" (default: %s)", strings.Trim(d, "[]"))
		}
		if n := len(r.flag); n <= 28 {
			wide = max(wide, n)
		}
		rows = append(rows, r)
	})
	var b strings.Builder
	for _, r := range rows {
		lead := r.flag
		if len(lead) > wide {
			b.WriteString(lead + "\n")
			lead = ""
		}
		for _, l := range fold(r.text, helpWidth-wide-3) {
			b.WriteString(strings.TrimRight(fmt.Sprintf("%-*s   %s", wide, lead, l), " ") + "\n")
			lead = ""
		}
	}
	return strings.TrimRight(b.String(), "\n")
}

// fold breaks a text at blanks into lines of at most so many letters.
func fold(s string, width int) []string {
	lines := []string{""}
	for _, w := range strings.Fields(s) {
		last := &lines[len(lines)-1]
		switch {
		case *last == "":
			*last = w
		case len([]rune(*last))+1+len([]rune(w)) > width:
			lines = append(lines, w)
		default:
			*last += " " + w
		}
	}
	return lines
}

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
	// The flags of a command that does not exist are not the mistake.
	if cmd.HasAvailableSubCommands() && cmd.Flags().NArg() > 0 {
		return unknownCommand(cmd, cmd.Flags().Arg(0))
	}
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
