package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"

	"benchlore/schema"
)

const longHelp = `Benchlore keeps the service history of restored instruments: what was found,
changed, measured and modified, as text files in git. It checks them, works out
which families of parts really fail and how sure that is, and gives each unit a
history of its own that travels with it.

` + schema.Caution + ` More: benchlore cautions

A unit is named model/tag, or by the end of its name, if only one unit fits.

Exit codes: 0 all well; 1 problems found; 2 the command line is wrong;
3 something is wrong with git, the disk, a file or the folder; 4 verify and adopt:
intact, but signed by a key there is no reason to trust yet; 5 verify: the history
is trusted, but the report's facts could not be compared with it.`

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:           "benchlore",
		Short:         "Service history of restored instruments, kept in git",
		Long:          longHelp,
		Version:       versionWords(buildInfo()),
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          args(cobra.NoArgs),
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.PersistentFlags().StringVar(&a.ledgerDir, "ledger", "", "`DIR` of the ledger; default: the one around the working directory")
	root.SetVersionTemplate("benchlore {{.Version}}\n")
	root.SetFlagErrorFunc(flagError)
	setUsage(root)
	root.AddGroup(
		&cobra.Group{ID: "start", Title: "Start:"},
		&cobra.Group{ID: "bench", Title: "At the bench:"},
		&cobra.Group{ID: "look", Title: "Look:"},
		&cobra.Group{ID: "keep", Title: "Keep:"},
		&cobra.Group{ID: "prove", Title: "Prove and hand on:"},
	)
	for _, g := range []struct {
		id   string
		cmds []*cobra.Command
	}{
		{"start", []*cobra.Command{a.demoCmd(), a.startCmd(), a.joinCmd(), a.modelCmd(), a.newCmd(), a.schemaCmd(), a.docsCmd(), a.cautionsCmd()}},
		{"bench", []*cobra.Command{a.onCmd(), a.whereCmd(), a.partCmd(), a.recordCmd(), a.sheetCmd(), a.importCmd(), a.photoCmd(), a.attachCmd(), a.saveCmd(), a.undoCmd(), a.moveCmd(), a.correctCmd()}},
		{"look", []*cobra.Command{a.listCmd(), a.showCmd(), a.historyCmd(), a.reportCmd(), a.labelCmd(), a.findCmd(), a.traceCmd(), a.reliabilityCmd()}},
		{"keep", []*cobra.Command{a.checkCmd(), a.checklistCmd(), a.orderCmd(), a.closeCmd(), a.learnCmd(), a.syncCmd(), a.settleCmd(), a.backupCmd(), a.restoreCmd()}},
		{"prove", []*cobra.Command{a.sealCmd(), a.handoverCmd(), a.verifyCmd(), a.adoptCmd(), a.keysCmd(), a.advertCmd()}},
	} {
		for _, c := range g.cmds {
			c.GroupID = g.id
			root.AddCommand(c)
		}
	}
	a.completions(root)
	reflow(root)
	root.SetHelpCommandGroupID("start")
	root.SetCompletionCommandGroupID("start")
	return root
}

// cautionsCmd lists the usual cautions of the trade.
func (a *app) cautionsCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "cautions",
		Short: "The usual cautions for work on live and charged units",
		Long: `Lists the usual cautions of the trade, one line each. They give no limits and are no
training: local codes and licensed practice decide what may be done, and by whom.`,
		Example: `  benchlore cautions`,
		Args:    args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			fmt.Fprintln(a.out, schema.Caution)
			for _, c := range schema.Cautions {
				fmt.Fprintln(a.out, "  "+c)
			}
			return nil
		},
	}
}

// printFlags are those of every command that prints data.
func (a *app) printFlags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&a.json, "json", false, "print JSON")
	cmd.Flags().StringVarP(&a.output, "output", "o", "", "write to `FILE` instead of the terminal")
}

// writeFlags are those of every command that writes to the ledger.
func (a *app) writeFlags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&a.dryRun, "dry-run", false, "say what would be written and write nothing")
	cmd.Flags().BoolVar(&a.json, "json", false, "print JSON")
}

// versionWords say which build of the program this is, from what the Go command
// wrote into it: the module's version where there is one, the commit it was built
// from, and whether files had been changed since.
func versionWords(info *debug.BuildInfo) string {
	words := []string{"unknown version"}
	if info == nil {
		return words[0]
	}
	set := map[string]string{}
	for _, s := range info.Settings {
		set[s.Key] = s.Value
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		words[0] = v
	}
	if commit := set["vcs.revision"]; commit != "" {
		if len(commit) > 12 {
			commit = commit[:12]
		}
		words = append(words, "commit "+commit)
		if day, _, ok := strings.Cut(set["vcs.time"], "T"); ok {
			words = append(words, day)
		}
		if set["vcs.modified"] == "true" {
			words = append(words, "with changes since")
		}
	}
	return strings.Join(append(words, info.GoVersion+" "+runtime.GOOS+"/"+runtime.GOARCH), ", ")
}

// buildInfo is what the Go command wrote into the program; nil where it did not.
func buildInfo() *debug.BuildInfo {
	info, _ := debug.ReadBuildInfo()
	return info
}

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
