package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"benchlore/ledger"
)

func (a *app) backupCmd() *cobra.Command {
	var o ledger.BackupOptions
	var read string
	cmd := &cobra.Command{
		Use:   "backup DIR|FILE.zip",
		Short: "Write everything into one file, and check that it can be restored",
		Long: `Writes every record, every earlier version, every seal, private/ and unsaved hand edits
into one file: a dated one in DIR, or FILE.zip. The file gets its name only after every
object in it has been read back and found whole. Reading back needs room on the ledger's
disk: the size of the history, and with --drill that of all files too.

  --drill       also restores it into a folder inside the ledger, compares the
                two file by file, and removes the folder
  --read FILE   writes nothing, but reads FILE back, with or without --drill

benchlore restore brings it back; so do git and unzip alone, as RESTORE.txt in it
explains. A backup contains private/: to forget a person, take them out of old backups
as well.`,
		Example: `  benchlore backup /media/stick --drill
  benchlore backup --read /media/stick/ledger.zip`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			ctx, stop := interruptible()
			defer stop()
			return a.with(func(l *ledger.Ledger) error {
				var b ledger.Backup
				var err error
				switch {
				case read != "" && len(list) == 0:
					b, err = l.Drill(ctx, read, o)
				case read == "" && len(list) == 1:
					b, err = l.Backup(ctx, list[0], o)
				default:
					return usagef("write: benchlore backup DIR, or benchlore backup --read FILE", "name one place to write to, or one file to read back")
				}
				if err != nil {
					return stopped(ctx, "the backup was not finished", err)
				}
				for _, left := range b.Cleared {
					fmt.Fprintf(a.err, "benchlore: removed %s, which a backup that was stopped had left\n", left)
				}
				if a.json {
					return a.printJSON(b)
				}
				verb := "wrote"
				switch {
				case read != "":
					verb = "read back"
				case a.dryRun:
					fmt.Fprintf(a.out, "would write %s\n", b.File)
					return nil
				}
				fmt.Fprintf(a.out, "%s %s: %s of %s, %d bytes\n", verb, b.File, plural(b.Objects, "object"), b.Shop, b.Size)
				if b.Drilled {
					fmt.Fprintln(a.out, "  restored inside the ledger for a trial and compared: all in order")
				} else {
					fmt.Fprintln(a.out, "  read back whole")
				}
				for _, p := range b.Rotten {
					fmt.Fprintf(a.err, "benchlore: %s\n  the backup has what was saved; see: benchlore check --objects\n", ledger.RottenFile(p))
				}
				if len(b.Rotten) > 0 {
					return errFound
				}
				if b.Newer > 0 && read != "" {
					fmt.Fprintf(a.out, "  made %s; %s here moved since\n", b.Made.Format("2006-01-02 15:04"), plural(b.Newer, "branch or seal"))
				}
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&o.Drill, "drill", false, "restore it for a trial, and compare")
	cmd.Flags().StringVar(&read, "read", "", "read `FILE` back instead of writing one")
	a.writeFlags(cmd)
	return cmd
}

func (a *app) restoreCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "restore FILE.zip DIR",
		Short: "Bring a backup back as a ledger",
		Long: `Brings a backup back into DIR, which must be empty or not exist: the whole ledger,
private/, and hand edits as they were. Every digest and every object is checked; if one
fails, nothing is left behind.`,
		Example: `  benchlore restore /media/stick/ledger.zip ledger`,
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, list []string) error {
			ctx, stop := interruptible()
			defer stop()
			l, b, err := ledger.Restore(ctx, list[0], list[1], a.options())
			if err != nil {
				return stopped(ctx, "nothing was restored", err)
			}
			defer l.Close()
			if a.json {
				return a.printJSON(struct {
					ledger.Backup
					Dir string `json:"dir"`
				}{b, l.Dir})
			}
			fmt.Fprintf(a.out, "%s: the ledger of %s as it was on %s\n", l.Dir, b.Shop, b.Made.Format("2006-01-02 15:04"))
			if b.Unsaved > 0 {
				fmt.Fprintf(a.out, "  %s not saved then; see: benchlore save --dry-run\n", plural(b.Unsaved, "file"))
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&a.json, "json", false, "print JSON")
	return cmd
}

// backupAge tells the last backup in a few words.
func backupAge(b *ledger.LastBackup) string {
	if b == nil {
		return "none; make one with: benchlore backup DIR"
	}
	when := "today"
	if b.Days > 0 {
		when = plural(b.Days, "day") + " ago"
	}
	if !b.Current {
		when += ", with work since"
	}
	when += ", " + b.File
	switch b.Missing {
	case "":
	case b.File:
		when += " (the file is not there any more)"
	default:
		when += " (that disk is not here now)"
	}
	return when
}
