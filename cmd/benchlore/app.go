package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"benchlore/cmd/benchlore/prompt"
	"benchlore/ledger"
	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/photo"
	"benchlore/ledger/proof"
	"benchlore/schema"
	"benchlore/schema/pattern"
)

// hooks are what tests pin; the zero value is the real thing.
type hooks struct {
	now    func() time.Time
	random io.Reader
	wait   time.Duration // for other programs that write
}

// app is one run of the program.
type app struct {
	in       io.Reader
	out, err io.Writer
	hooks    hooks

	// flags of every command
	ledgerDir string
	json      bool
	output    string
	dryRun    bool

	question func(prompt string) bool // how a sitting asks for yes or no, nil outside of one

	// What the answer of an overview lacks, asked for once it is worked out; nil where
	// the command gives none.
	unread     func() []schema.Problem
	unreadSaid int  // how many of them the answer itself names
	tabular    bool // the answer is a table for other programs

	passphrases map[string][]byte // by key file, as typed in this run
	typed       *bufio.Reader     // of a, what was typed ahead of the next question
}

// Exit codes, as DEVELOPERS.md and every --help have them.
const (
	exitOK          = 0
	exitProblems    = 1 // the records, or what was asked of them, have problems
	exitUsage       = 2 // the command line is wrong
	exitEnvironment = 3 // git, the disk or the folder is not as it must be
)

// errFound ends a command whose answer, already printed, is that there
// are problems.
var errFound = errors.New("problems found")

// run runs one command line and returns the exit code.
func run(args []string, in io.Reader, out, errw io.Writer, h hooks) int {
	printed := &sink{w: out}
	a := &app{in: in, out: printed, err: errw, hooks: h}
	root := a.root()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(printed)
	root.SetErr(errw)
	err := root.Execute()
	// An answer that did not arrive is none, whatever became of the rest.
	if printed.err != nil && (err == nil || errors.Is(err, errFound) || errors.As(err, new(*verdictEnd)) || errors.Is(err, printed.err)) {
		if isClosedPipe(printed.err) {
			return exitEnvironment // who reads has read enough
		}
		err = &gitstore.WriteError{Path: "standard output", Err: printed.err}
	}
	if err == nil {
		return exitOK
	}
	return a.fail(err)
}

// How errors are shown: one line "benchlore: what is wrong", in lower case and
// without a full stop; for files first the drawing of every problem; then, where
// there is a next step, one line that begins with two spaces and names it.
// Everything goes to standard error, nothing is coloured.
func (a *app) fail(err error) int {
	if errors.Is(err, errFound) {
		return exitProblems
	}
	var end *verdictEnd
	if errors.As(err, &end) {
		return end.verdict.ExitCode()
	}
	var shown *shownError
	if errors.As(err, &shown) {
		return exitCode(shown.err)
	}
	var problems *ledger.ProblemsError
	if errors.As(err, &problems) {
		for _, p := range problems.Problems {
			fmt.Fprint(a.err, p.Drawing())
		}
	}
	var findings *ledger.FindingsError
	if errors.As(err, &findings) {
		for _, f := range findings.Findings {
			fmt.Fprintf(a.err, "%s: %s: %s   [%s]\n", f.Place(), f.What, f.Text, f.Key)
		}
	}
	var missing *fs.PathError
	if errors.As(err, &missing) && errors.Is(missing, fs.ErrNotExist) && err.Error() == missing.Error() {
		err = &placeError{missing.Path + ": no such file or folder", "check the name; a path is taken from the folder you are in"}
	}
	fmt.Fprintf(a.err, "benchlore: %v\n", err)
	if nobody := (*config.IdentityError)(nil); errors.As(err, &nobody) {
		fmt.Fprintln(a.err, "  or, for this copy of the ledger only: benchlore on --by ID, with an id of shop.toml")
	}
	var hint interface{ Hint() string }
	if errors.As(err, &hint) && hint.Hint() != "" {
		fmt.Fprintf(a.err, "  %s\n", hint.Hint())
	}
	return exitCode(err)
}

func exitCode(err error) int {
	var (
		problems *ledger.ProblemsError
		findings *ledger.FindingsError
		history  *ledger.HistoryError
		unsaved  *ledger.UnsavedError
		usage    *ledger.UsageError
		line     *usageError
		photo    *photo.Error
		broken   *ledger.BrokenError
		backup   *ledger.BackupError
		unknown  *ledger.UntrustedError
		input    *proof.InputError
		limit    *proof.LimitError
		left     *prompt.UnfinishedError
	)
	switch {
	case errors.As(err, &unknown):
		return exitUntrusted
	case errors.As(err, &broken):
		return broken.Verification.Exit
	case errors.As(err, &backup):
		return exitProblems
	case errors.As(err, &problems), errors.As(err, &findings), errors.As(err, &history), errors.As(err, &unsaved), errors.As(err, &photo):
		return exitProblems
	case errors.As(err, &limit):
		return exitProblems
	case errors.As(err, &usage), errors.As(err, &line), errors.As(err, &input), errors.As(err, &left):
		return exitUsage
	}
	return exitEnvironment
}

// shownError is an error that has been shown already, and others after it.
type shownError struct{ err error }

func (e *shownError) Error() string { return e.err.Error() }

// usageError is a mistake in the command line.
type usageError struct {
	err  error
	hint string
}

func (e *usageError) Error() string { return e.err.Error() }
func (e *usageError) Unwrap() error { return e.err }
func (e *usageError) Hint() string  { return e.hint }

func usagef(hint, format string, args ...any) error {
	return &usageError{fmt.Errorf(format, args...), hint}
}

// args wraps a check of the arguments so that it counts as usage.
func args(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(cmd *cobra.Command, list []string) error {
		if err := check(cmd, list); err != nil {
			if len(list) > 0 && cmd.HasAvailableSubCommands() {
				return unknownCommand(cmd, list[0])
			}
			return usagef("see: "+cmd.CommandPath()+" --help", "%s", misfit(cmd, list))
		}
		return nil
	}
}

// misfit says that the words given are not those the command takes.
func misfit(cmd *cobra.Command, list []string) string {
	given := "nothing"
	if len(list) > 0 {
		given = fmt.Sprintf("%q", list)
		given = given[1 : len(given)-1]
	}
	name := strings.TrimPrefix(cmd.CommandPath(), cmd.Root().Name()+" ")
	takes := strings.TrimSpace(strings.TrimPrefix(cmd.Use, cmd.Name()))
	if takes == "" {
		return fmt.Sprintf("%s takes no arguments, but %s was given", name, given)
	}
	return fmt.Sprintf("%s takes %s, but %s was given", name, takes, given)
}

// options are what every ledger is opened with.
func (a *app) options() ledger.Options {
	o := ledger.Options{Now: a.hooks.now, Random: a.hooks.random, Wait: a.hooks.wait, DryRun: a.dryRun,
		Passphrase: a.passphrase, Progress: a.progress("reading units"),
		Waiting: func() { fmt.Fprintln(a.err, "benchlore: waiting for another program that is using the ledger") }}
	if a.interactive() {
		o.DropLock = a.dropLock
	}
	return o
}

// dropLock asks whether an empty lock file that another git may hold is to go.
func (a *app) dropLock(lock *gitstore.ForeignLockError) bool {
	when := "nothing says whether the git that made it still runs"
	if lock.BeforeStart {
		when = "this computer was started after that, so the git that made it is gone"
	}
	check := "look whether a git program runs here"
	if lock.Shared {
		check += ", or on another computer that uses this disk"
	}
	fmt.Fprintf(a.err, "benchlore: %s is in the way: an empty file, made %s ago; %s\n  %s\nremove it? [y/N] ",
		lock.Path, lock.Age.Round(time.Second), when, check)
	var answer string
	fmt.Fscanln(a.in, &answer)
	return strings.EqualFold(answer, "y") || strings.EqualFold(answer, "yes")
}

// passphrase asks for the passphrase of a key at the terminal, once a run.
func (a *app) passphrase(key string) ([]byte, error) {
	if pass, ok := a.passphrases[key]; ok {
		return bytes.Clone(pass), nil
	}
	if !a.interactive() {
		return nil, errors.New("it is encrypted, and there is no terminal to ask for its passphrase; add it to ssh-agent with ssh-add")
	}
	pass, err := a.askHidden("passphrase for " + key)
	if err == nil {
		a.passphrases = map[string][]byte{key: bytes.Clone(pass)}
	}
	return pass, err
}

// newPassphrase asks twice for the passphrase of a new key; none where Enter is
// all the answer.
func (a *app) newPassphrase() ([]byte, error) {
	if !a.interactive() {
		return nil, usagef("add --no-passphrase, or run it at a terminal", "cannot ask for the key's passphrase here")
	}
	pass, err := a.askHidden("passphrase for the new key (Enter for none)")
	if err != nil || len(pass) == 0 {
		return nil, err
	}
	again, err := a.askHidden("the same again")
	if err == nil && !bytes.Equal(pass, again) {
		err = usagef("run it again", "the two passphrases differ; no key was made")
	}
	return pass, err
}

// askHidden asks at the terminal and does not show what is typed.
func (a *app) askHidden(question string) ([]byte, error) {
	fd := int(a.in.(*os.File).Fd())
	fmt.Fprintf(a.err, "%s: ", question)
	answer, err := term.ReadPassword(fd)
	fmt.Fprintln(a.err)
	return answer, err
}

// open opens the ledger named by --ledger, else the one around the working
// directory.
func (a *app) open() (*ledger.Ledger, error) {
	dir := a.ledgerDir
	if dir == "" {
		wd, err := os.Getwd()
		if err != nil {
			return nil, err
		}
		if dir, err = ledger.Find(wd); err != nil {
			return nil, err
		}
	}
	return ledger.Open(dir, a.options())
}

// with opens the ledger for one command.
func (a *app) with(fn func(l *ledger.Ledger) error) error {
	l, err := a.open()
	if err != nil {
		return err
	}
	err = fn(l)
	a.tellRecovered(l.Recovered)
	for _, name := range l.Mended() {
		fmt.Fprintf(a.err, "benchlore: %s, git's list of what a pack holds, was damaged; it was made again from the pack\n", name)
	}
	if l.Clock != "" {
		fmt.Fprintf(a.err, "benchlore: warning: %s\n  %s\n", l.Clock, ledger.ClockRemedy)
	}
	return errors.Join(err, l.Close())
}

// tellRecovered says what became of a write that was cut short before.
func (a *app) tellRecovered(r *gitstore.Recovery) {
	switch {
	case r == nil:
	case r.Finished:
		fmt.Fprintln(a.err, "benchlore: an earlier write was interrupted; it is complete now")
	default:
		fmt.Fprintf(a.err, "benchlore: an earlier write was interrupted and could not be finished: %s\n  what it meant to write is kept in %s; see: benchlore check\n", r.Reason, r.Journal)
	}
}

// unit finds the unit a command is about: the argument, else the one on the
// bench.
func (a *app) unit(l *ledger.Ledger, arg string) (string, error) {
	if arg != "" {
		return l.Resolve(arg)
	}
	if on := l.OnBench(); on != "" {
		return on, nil
	}
	return "", usagef("name it, or choose one with: benchlore on UNIT", "no unit is named, and none is on the bench")
}

// by finds the technician: the flag, else the one whose mail address git has,
// else the only one there is.
func (a *app) by(l *ledger.Ledger, flag string) (string, error) {
	var ids []string
	for _, t := range l.Shop.Technicians {
		ids = append(ids, t.ID)
	}
	if flag != "" {
		if !slices.Contains(ids, flag) {
			return "", usagef("write one of: "+strings.Join(ids, ", "), "shop.toml lists no technician %q", flag)
		}
		return flag, nil
	}
	mail, err := l.UserEmail()
	if err != nil {
		return "", err
	}
	if mail != "" {
		for _, t := range l.Shop.Technicians {
			if strings.EqualFold(t.Email, mail) {
				return t.ID, nil
			}
		}
	}
	if id := l.Technician(); id != "" {
		return id, nil
	}
	return "", usagef("add --by "+strings.Join(ids, " or --by ")+"; to say it once for this copy of the ledger: benchlore on --by "+first(ids),
		"it is not clear who is at the bench")
}

// day reads --date, today where it is not given.
func (a *app) day(l *ledger.Ledger, flag string) (schema.Date, error) {
	if flag == "" {
		return l.Today(), nil
	}
	d, write, err := schema.ReadDate(flag, l.Today(), l.Shop.Dates)
	if err != nil {
		return d, usagef("write it like "+write, "--date: %v", err)
	}
	return d, nil
}

// printJSON writes a value to the output, indented.
func (a *app) printJSON(v any) error {
	return a.write(func(w io.Writer) error {
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(v)
	})
}

// placeError is a place that cannot be written to.
type placeError struct{ what, hint string }

func (e *placeError) Error() string { return e.what }
func (e *placeError) Hint() string  { return e.hint }

// write sends output to -o FILE, whole or not at all, else to standard output.
func (a *app) write(fn func(w io.Writer) error) error {
	if a.output == "" || a.output == "-" {
		return a.complete(a.out, fn) // whose errors run reports
	}
	if fi, err := os.Stat(a.output); err == nil && fi.IsDir() {
		return usagef("name a file in it", "%s is a folder", a.output)
	} else if err == nil && !fi.Mode().IsRegular() {
		// A device or a pipe is written to, not replaced.
		f, err := os.OpenFile(a.output, os.O_WRONLY, 0)
		if err == nil {
			err = errors.Join(a.complete(f, fn), f.Close())
		}
		return unwritten(err, a.output, a.output)
	}
	if _, err := os.Stat(filepath.Dir(a.output)); errors.Is(err, fs.ErrNotExist) {
		return &placeError{"there is no folder " + filepath.Dir(a.output), "make it first, or write elsewhere"}
	}
	tmp, err := os.CreateTemp(filepath.Dir(a.output), ".benchlore-*")
	if err != nil {
		return &gitstore.WriteError{Path: a.output, Err: err}
	}
	defer os.Remove(tmp.Name())
	err = a.complete(tmp, fn)
	if err == nil {
		err = tmp.Chmod(0o644)
	}
	if err == nil {
		err = tmp.Sync()
	}
	if err = errors.Join(err, tmp.Close()); err != nil {
		return unwritten(err, tmp.Name(), a.output)
	}
	err = os.Rename(tmp.Name(), a.output)
	if err = errors.Join(err, gitstore.SyncDir(filepath.Dir(a.output))); err != nil {
		return &gitstore.WriteError{Path: a.output, Err: err}
	}
	return nil
}

// unwritten names, in an error about the file that was written to, what was to
// be written. Other errors say themselves what they are about.
func unwritten(err error, file, name string) error {
	if p, ok := errors.AsType[*os.PathError](err); ok && p.Path == file {
		return &gitstore.WriteError{Path: name, Err: p}
	}
	return err
}

// sink keeps the first error of what is printed to it, for those who print
// without asking.
type sink struct {
	w   io.Writer
	err error
}

func (s *sink) Write(p []byte) (int, error) {
	n, err := s.w.Write(p)
	if s.err == nil {
		s.err = err
	}
	return n, err
}

// fileOf is the file that is printed to; nil where that is none.
func fileOf(w io.Writer) *os.File {
	if s, ok := w.(*sink); ok {
		w = s.w
	}
	f, _ := w.(*os.File)
	return f
}

// width is the width of the terminal, 80 off one.
func (a *app) width() int {
	if f := fileOf(a.out); f != nil && a.output == "" {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w >= 40 {
			return w
		}
	}
	return 80
}

// interactive reports whether somebody can be asked.
func (a *app) interactive() bool {
	f, ok := a.in.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// warn prints problems that were stored all the same; those of one file that
// differ only in the words they quote once, with the lines of the others.
func (a *app) warn(problems []schema.Problem) {
	alike := together(problems, func(p schema.Problem) string {
		return strings.Join([]string{p.File, p.Severity.String(), unquoted(p.Message), p.Write}, "\x00")
	})
	for _, ps := range alike {
		fmt.Fprint(a.err, ps[0].Drawing())
		if len(ps) == 1 {
			continue
		}
		var lines []string
		for _, p := range ps[1:] {
			lines = append(lines, fmt.Sprint(p.Line))
		}
		word := "lines"
		if len(lines) == 1 {
			word = "line"
		}
		fmt.Fprintf(a.err, "    the same: %s %s\n", word, someOf(lines, 8))
	}
}

// together puts what has the same key together, in the order of the first ones.
func together[T any](list []T, key func(T) string) [][]T {
	var out [][]T
	at := map[string]int{}
	for _, x := range list {
		i, ok := at[key(x)]
		if !ok {
			i = len(out)
			at[key(x)], out = i, append(out, nil)
		}
		out[i] = append(out[i], x)
	}
	return out
}

// unquoted is a message without the words it quotes: what a column left empty
// says of every row.
func unquoted(message string) string { return quoted.ReplaceAllString(message, `""`) }

var quoted = pattern.New(`"[^"]*"`)

// someOf lists the first n words and counts the rest.
func someOf(words []string, n int) string {
	if len(words) <= n {
		return strings.Join(words, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(words[:n], ", "), len(words)-n)
}

// saved reports what a command wrote.
func (a *app) saved(name string, s ledger.Saved, what string) error {
	if a.json {
		return a.printJSON(s)
	}
	verb := "saved"
	if a.dryRun {
		verb = "would save"
	}
	fmt.Fprintf(a.out, "%s: %s\n%s %s\n", name, what, verb, s.Path)
	a.warnOf(s)
	return nil
}

// warnOf says what is wrong with what was stored all the same.
func (a *app) warnOf(s ledger.Saved) {
	a.warn(s.Problems)
	if n, _ := schema.Count(s.Problems); n > 0 {
		stored := "stored"
		if a.dryRun {
			stored = "it would be stored"
		}
		fmt.Fprintf(a.err, "benchlore: %s with %s; close will refuse what is wrong\n", stored, plural(n, "error"))
	}
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
