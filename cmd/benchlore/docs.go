package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"

	"benchlore/schema"
)

// manDate stands in the manual pages: when they were last gone over. A fixed day
// keeps two builds of one version alike.
var manDate = time.Date(2026, time.November, 25, 0, 0, 0, 0, time.UTC)

// setLists indents what is indented in a help text as far as Markdown, from which
// manual pages are made too, wants it for lines that keep their breaks.
func setLists(cmd *cobra.Command) {
	lines := strings.Split(cmd.Long, "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, "  ") {
			lines[i] = "  " + l
		}
	}
	cmd.Long = strings.Join(lines, "\n")
	for _, c := range cmd.Commands() {
		setLists(c)
	}
}

func (a *app) docsCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "docs",
		Short: "Write manual pages, and the reference of every key",
		Long: `Writes documentation made from the program itself: manual pages for man, the same
as Markdown, and a reference of every record kind and file, key by key.`,
		Example: `  benchlore docs man /usr/local/share/man/man1
  benchlore docs fields records.md`,
		Args: args(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	into := func(use, short, example string, write func(root *cobra.Command, dir string) error) *cobra.Command {
		return &cobra.Command{Use: use, Short: short, Example: "  benchlore docs " + example, Args: args(cobra.ExactArgs(1)), RunE: func(cmd *cobra.Command, list []string) error {
			if err := os.MkdirAll(list[0], 0o777); err != nil {
				return err
			}
			root := cmd.Root()
			root.DisableAutoGenTag = true
			// help and completion are added when a command runs; here they are wanted too.
			root.InitDefaultHelpCmd()
			root.InitDefaultCompletionCmd()
			setLists(root)
			if err := write(root, list[0]); err != nil {
				return err
			}
			pages, err := filepath.Glob(filepath.Join(list[0], "benchlore*"))
			if err != nil {
				return err
			}
			fmt.Fprintf(a.out, "%s in %s\n", plural(len(pages), "page"), list[0])
			return nil
		}}
	}
	cmd.AddCommand(
		into("man DIR", "Write a manual page for every command into DIR", "man /usr/local/share/man/man1", func(root *cobra.Command, dir string) error {
			return doc.GenManTree(root, &doc.GenManHeader{Title: "BENCHLORE", Section: "1", Date: &manDate, Source: "Benchlore", Manual: "Benchlore"}, dir)
		}),
		into("markdown DIR", "Write a page of Markdown for every command into DIR", "markdown pages", doc.GenMarkdownTree),
		&cobra.Command{Use: "fields [FILE]", Short: "Write the reference of every record kind and file, key by key",
			Example: "  benchlore docs fields records.md", Args: args(cobra.MaximumNArgs(1)),
			RunE: func(_ *cobra.Command, list []string) error {
				a.output = first(list)
				return a.write(func(w io.Writer) error {
					_, err := w.Write(schema.Reference())
					return err
				})
			}},
	)
	return cmd
}
