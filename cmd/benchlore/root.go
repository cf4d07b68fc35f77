package main

import (
	"runtime"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"
)

const longHelp = `Benchlore keeps the service history of restored instruments: what was found,
changed, measured and modified, as text files in git. It checks them, works out
which families of parts really fail and how sure that is, and gives each unit a
history of its own that travels with it.

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
		{"start", []*cobra.Command{a.demoCmd(), a.startCmd(), a.joinCmd(), a.modelCmd(), a.newCmd(), a.schemaCmd(), a.docsCmd()}},
		{"bench", []*cobra.Command{a.onCmd(), a.whereCmd(), a.partCmd(), a.recordCmd(), a.sheetCmd(), a.importCmd(), a.photoCmd(), a.attachCmd(), a.saveCmd(), a.undoCmd(), a.correctCmd()}},
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
