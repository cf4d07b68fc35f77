package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/ledger/gitstore"
	"benchlore/schema"
)

// interruptible ends what takes long when somebody presses Ctrl-C, so that it can
// tidy up. Pressed once more it ends the program at once.
func interruptible() (context.Context, context.CancelFunc) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	context.AfterFunc(ctx, stop)
	return ctx, stop
}

// stoppedError is what somebody ended with Ctrl-C.
type stoppedError struct{ left string }

func (e *stoppedError) Error() string { return "stopped; " + e.left }
func (e *stoppedError) Hint() string  { return "run the command again later" }

// stopped is err, unless it came of Ctrl-C: left says then how things are left.
func stopped(ctx context.Context, left string, err error) error {
	if err != nil && ctx.Err() != nil {
		return &stoppedError{left}
	}
	return err
}

func (a *app) syncCmd() *cobra.Command {
	var o ledger.SyncOptions
	cmd := &cobra.Command{
		Use:   "sync [REMOTE]",
		Short: "Exchange with a git server, a shared folder or another shop",
		Long: `Fetches what other benches have sent, merges it with what is here, and sends the result,
for every remote of shop.toml or the one named. A remote of your own gets the whole
ledger. A peer gets the units named for it and their seals, nothing else.

If one file was changed on two benches, one version stays in place and the other waits
in conflicts/: see benchlore settle. A remote in shop.toml:

  [[remote]]
  name = "office"
  url = "ssh://office/srv/ledger.git"
  role = "own"

Addresses are those of git: ssh, http, https, git, or the path of a bare repository.
Keys come from ssh-agent and ~/.ssh, passwords from git's credential helpers.`,
		Example: `  benchlore sync
  benchlore sync office`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				remotes, err := l.Remotes(first(list))
				if err != nil {
					return err
				}
				ctx, stop := interruptible()
				defer stop()
				var done []ledger.Synced
				var failed error
				for i, r := range remotes {
					s, err := l.Sync(ctx, r, o)
					if i+1 < len(remotes) && ctx.Err() == nil && isAway(err) {
						a.fail(err) // the others are not waited for in vain
						failed = &shownError{err}
						continue
					}
					if err != nil {
						return stopped(ctx, "nothing is lost, here or at the remote", err)
					}
					done = append(done, s)
					if !a.json {
						a.printSynced(s)
					}
				}
				if a.json {
					if err := a.printJSON(done); err != nil {
						return err
					}
				}
				if !a.json && len(done) > 0 && !slices.ContainsFunc(done, func(s ledger.Synced) bool { return len(s.Conflicts) > 0 }) {
					// What another bench met, or nobody has settled yet.
					waiting, err := l.Conflicts()
					if err != nil {
						return err
					}
					if len(waiting) > 0 {
						fmt.Fprintf(a.out, "to settle: %s; see: benchlore settle\n", plural(len(waiting), "version"))
					}
				}
				if failed != nil {
					return failed
				}
				if slices.ContainsFunc(done, func(s ledger.Synced) bool { return len(s.Conflicts)+len(s.HeldBack) > 0 }) {
					return errFound
				}
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&o.Create, "create", false, "make a bare repository if the remote is a folder that does not exist yet")
	a.writeFlags(cmd)
	return cmd
}

// isAway reports whether an exchange failed for what is the matter at the other
// end: another remote may still be reached.
func isAway(err error) bool {
	var remote *gitstore.RemoteError
	var refused *gitstore.RefusedError
	return errors.As(err, &remote) || errors.As(err, &refused)
}

func (a *app) printSynced(s ledger.Synced) {
	did := "synced with"
	if a.dryRun {
		did = "would sync with"
	}
	var parts []string
	for _, c := range []struct {
		n    int
		what string
	}{{len(s.Files), "file"}, {len(s.Seals), "seal"}} {
		if c.n > 0 {
			parts = append(parts, plural(c.n, c.what)+" in")
		}
	}
	own, units, seals := 0, 0, 0
	for _, ref := range s.Pushed {
		switch {
		case strings.HasPrefix(ref, "refs/tags/"):
			seals++
		case strings.HasPrefix(ref, "refs/heads/unit/"):
			units++
		default:
			own++
		}
	}
	if own > 0 {
		parts = append(parts, "main out")
	}
	if units > 0 {
		parts = append(parts, plural(units, "unit")+" out")
	}
	if seals > 0 {
		parts = append(parts, plural(seals, "seal")+" out")
	}
	if parts == nil {
		parts = []string{"nothing to exchange"}
	}
	fmt.Fprintf(a.out, "%s %s: %s\n", did, s.Remote, strings.Join(parts, ", "))
	for _, u := range s.Units {
		fmt.Fprintf(a.out, "  changed here: %s\n", u)
	}
	for _, from := range slices.Sorted(maps.Keys(s.Renamed)) {
		fmt.Fprintf(a.out, "  two instruments were called %s; one is now %s\n", from, s.Renamed[from])
	}
	for _, h := range s.HeldBack {
		fmt.Fprintf(a.err, "benchlore: held back: %s: %s\n  %s\n", h.Unit, h.Why, h.Remedy)
	}
	for _, u := range slices.Sorted(maps.Keys(s.SealsKept)) {
		fmt.Fprintf(a.err, "benchlore: %s was adopted under another name, so %s with the old name are not sent to %s\n  the packet has them: benchlore handover %s\n", u, plural(len(s.SealsKept[u]), "seal"), s.Remote, u)
	}
	for _, c := range s.Conflicts {
		fmt.Fprintf(a.err, "benchlore: changed on two benches; the other version is in %s\n", c)
	}
	if len(s.Conflicts) > 0 {
		fmt.Fprintln(a.err, "  see both and choose: benchlore settle")
	}
	if n, _ := schema.Count(s.Problems); n > 0 {
		fmt.Fprintf(a.err, "benchlore: the units that changed here have %s; see: benchlore check\n", plural(n, "error"))
	}
}

func (a *app) settleCmd() *cobra.Command {
	var o ledger.SettleOptions
	var from, by string
	cmd := &cobra.Command{
		Use:   "settle [FILE]",
		Short: "Choose between versions that two benches wrote",
		Long: `Without options it lists the files that were changed on two benches, and how the other
version differs from the one in place. With FILE and one of

  --keep       keep the version in place
  --take       take the other version
  --from TEXT  a file with the right text, - for standard input

the file is settled. If the record was closed, a change is a correction, which travels
with the unit and needs a --reason. A unit cannot be closed, sealed or handed over until
all its files are settled.`,
		Example: `  benchlore settle
  benchlore settle instruments/astrella-61/a61-10233/2031-03-04-note-7q3f.toml --keep`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				chosen := 0
				for _, f := range []string{"keep", "take", "from"} {
					if cmd.Flags().Changed(f) {
						chosen++
					}
				}
				if len(list) == 0 || chosen == 0 {
					if chosen > 0 {
						return usagef("see what there is: benchlore settle", "no file is named")
					}
					return a.listConflicts(l, first(list))
				}
				if chosen > 1 {
					return usagef("choose one of --keep, --take and --from", "choose only one way to settle")
				}
				file, err := ledgerPath(l, list[0])
				if err != nil {
					return err
				}
				if o.By, err = a.by(l, by); err != nil {
					return err
				}
				switch {
				case !cmd.Flags().Changed("from"):
				case from == "":
					err = usagef("name the file with the right text, or - for standard input", "--from names no file")
				case from == "-":
					o.Text, err = io.ReadAll(a.in)
				default:
					o.Text, err = os.ReadFile(from)
				}
				if err == nil && cmd.Flags().Changed("from") && len(bytes.TrimSpace(o.Text)) == 0 {
					err = usagef("the file must contain the whole text", "%q is empty", from)
				}
				if err != nil {
					return err
				}
				r, err := l.Settle(file, o)
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(r)
				}
				verb := "settled"
				if a.dryRun {
					verb = "would settle"
				}
				fmt.Fprintf(a.out, "%s %s\n", verb, file)
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&o.Keep, "keep", false, "keep the version in place")
	cmd.Flags().BoolVar(&o.Take, "take", false, "take the other version")
	cmd.Flags().StringVar(&from, "from", "", "a file with the right `TEXT`; - is standard input")
	cmd.Flags().StringVar(&by, "by", "", "the technician's `ID`")
	cmd.Flags().StringVar(&o.Reason, "reason", "", "the `TEXT` of the correction, where the record was closed")
	cmd.Flags().StringArrayVar(&o.Close.Allow, "allow", nil, "let the finding with this `KEY` travel")
	a.writeFlags(cmd)
	return cmd
}

func (a *app) listConflicts(l *ledger.Ledger, file string) error {
	all, err := l.Conflicts()
	if err != nil {
		return err
	}
	if file != "" {
		if file, err = ledgerPath(l, file); err != nil {
			return err
		}
		waiting := len(all)
		all = slices.DeleteFunc(all, func(c ledger.Conflict) bool { return c.Path != file && c.Other != file })
		if len(all) == 0 && waiting > 0 {
			return usagef("see what there is: benchlore settle", "there is nothing to settle about %s", file)
		}
	}
	if a.json {
		if all == nil {
			all = []ledger.Conflict{}
		}
		return a.printJSON(all)
	}
	if len(all) == 0 {
		fmt.Fprintln(a.out, "nothing to settle")
		return nil
	}
	for _, c := range all {
		state := "open"
		if c.Closed {
			state = "closed"
		}
		if c.Gone {
			state = "no longer there"
		}
		fmt.Fprintf(a.out, "%s  (%s)\n  other version: %s\n", c.Path, state, c.Other)
		if len(c.Changes) == 0 && strings.HasSuffix(c.Path, ".toml") && !c.Gone {
			fmt.Fprintln(a.out, "    they differ only in comments and layout")
		}
		for _, d := range c.Named() {
			fmt.Fprintf(a.out, "    %s: %s here, %s in the other version\n", d.Path, orNone(d.Old, "nothing"), orNone(d.New, "nothing"))
		}
	}
	fmt.Fprintln(a.out, "settle with: benchlore settle FILE --keep, --take or --from TEXT")
	return errFound
}

func (a *app) joinCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "join ADDRESS DIR",
		Short: "Copy the shop's ledger from its server onto another bench",
		Long: `Copies a whole ledger: every record, every unit's own history, every seal. benchlore
sync then sends what is written here to the remote in its shop.toml.

private/ is not in git and is not copied.`,
		Example: `  benchlore join ssh://office/srv/ledger.git ledger`,
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, list []string) error {
			ctx, stop := interruptible()
			defer stop()
			l, err := ledger.Join(ctx, list[0], list[1], a.options())
			if err != nil {
				return stopped(ctx, "nothing was copied", err)
			}
			defer l.Close()
			units, err := l.Units()
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(map[string]any{"dir": l.Dir, "shop": l.Shop.Name, "units": len(units)})
			}
			fmt.Fprintf(a.out, "%s: the ledger of %s, %s\n", l.Dir, l.Shop.Name, plural(len(units), "unit"))
			for _, r := range l.Shop.Remotes {
				if path, local := gitstore.LocalRemote(r.URL); local && !filepath.IsAbs(path) && gitstore.Creatable(filepath.Join(l.Dir, path)) {
					fmt.Fprintf(a.err, "benchlore: sync will not find %q from here: there is nothing at %s\n  write the whole path as its url in shop.toml, or copy the ledger to a place from which %s leads there\n",
						r.Name, filepath.Join(l.Dir, path), r.URL)
				}
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&a.json, "json", false, "print JSON")
	return cmd
}
