package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/schema"
)

// maxInput is how much is read from a file or standard input: a little more
// than a record may have, so that the refusal can say so.
const maxInput = schema.MaxSize + 1

// readFile reads a named file, or standard input for "-".
func (a *app) readFile(name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(io.LimitReader(a.in, maxInput))
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxInput))
}

// ledgerPath turns a path as typed into one from the ledger.
func ledgerPath(l *ledger.Ledger, p string) (string, error) {
	abs, err := filepath.Abs(p)
	if err != nil {
		return "", err
	}
	dir, err := filepath.EvalSymlinks(l.Dir)
	if err != nil {
		return "", err
	}
	if real, err := filepath.EvalSymlinks(filepath.Dir(abs)); err == nil {
		abs = filepath.Join(real, filepath.Base(abs))
	}
	rel, err := filepath.Rel(dir, abs)
	inside := err == nil && filepath.IsLocal(rel)
	if _, err := os.Lstat(abs); err == nil && inside {
		return filepath.ToSlash(rel), nil
	}
	// Named from the ledger's folder, as messages do, while standing elsewhere.
	if filepath.IsLocal(filepath.FromSlash(p)) {
		if _, err := os.Lstat(filepath.Join(l.Dir, filepath.FromSlash(p))); err == nil || !inside {
			return filepath.ToSlash(p), nil
		}
	}
	if inside {
		return filepath.ToSlash(rel), nil
	}
	return "", usagef("name a file of the ledger", "%s lies outside the ledger", p)
}

func (a *app) recordCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "record KIND",
		Short: "Store a record, from prompts, flags, a file, standard input or an editor",
		Long: `Stores one record of a unit. With flags, the record is made from them; with --from, it
is taken from a file or standard input as it is; with --edit, $EDITOR opens on a template
that lists every key; with none of these, the terminal asks for it key by key. While the
job is open, everything that can be read is stored, even with errors; close refuses what
is wrong.

Tables are given as TOML: --fault 'id = "F1", symptom = "hum"'.

Prompts: where a list is offered the start of a word is enough, Tab completes, and the
arrows choose. Enter alone takes the value in brackets, or skips the key; - skips a key
that has brackets. Esc goes back. Ctrl-C stops; what was typed is kept, and offered the
next time the same kind is recorded.`,
		Example: `  benchlore record intake --reason overhaul --works partly --fault 'id = "F1", symptom = "hum"'
  benchlore record soak --duration "24 h" --cycles 6
  benchlore record measurements --from readings.toml
  benchlore record note
  benchlore record note --edit`,
		Args: args(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return usagef("the kinds are: "+strings.Join(append(schema.Kind("").Words(), "book"), ", "), "which kind of record?")
		},
	}
	for _, k := range schema.Kind("").Words() {
		cmd.AddCommand(a.recordKindCmd(schema.Kind(k)))
	}
	cmd.AddCommand(a.recordBookCmd())
	return cmd
}

// recordKindCmd makes the command for one kind, with a flag for every key.
func (a *app) recordKindCmd(kind schema.Kind) *cobra.Command {
	var unitFlag, byFlag, dateFlag, from string
	var edit bool
	rec := schema.New(kind)
	set := &flagSet{}
	cmd := &cobra.Command{
		Use:     string(kind),
		Short:   "Store a record of kind " + string(kind),
		Example: fmt.Sprintf("  benchlore record %s\n  benchlore record %[1]s --edit\n  benchlore record %[1]s --from %[1]s.toml", kind),
		Args:    args(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, unitFlag)
				if err != nil {
					return err
				}
				var data []byte
				var draft *ledger.Draft
				defer func() { draft.Close() }()
				switch {
				case edit && (from != "" || set.any()):
					return usagef("use one or the other", "--edit takes the record from the editor; it does not go with --from or flags for its keys")
				case from != "" && set.any():
					return usagef("use one or the other", "--from takes the record whole; it does not go with flags for its keys")
				case from != "":
					if data, err = a.readFile(from); err != nil {
						return err
					}
				default:
					h := rec.Head()
					h.Kind = kind
					if h.By, err = a.by(l, byFlag); err != nil {
						return err
					}
					if h.Date, err = a.day(l, dateFlag); err != nil {
						return err
					}
					if h.Seq, err = l.NextSeq(name, h.Date); err != nil {
						return err
					}
					switch {
					case set.any():
						if data, err = set.toml(rec); err != nil {
							return err
						}
					case edit && !a.interactive():
						return usagef("give flags (see --help), --from FILE or --from -", "an editor needs a terminal")
					case edit:
						if data, err = a.edit(schema.Template(rec), string(kind)); err != nil {
							return err
						}
					default:
						var asked schema.Record
						if asked, draft, err = a.prompts(l, name, *h); err != nil {
							return err
						}
						data = schema.Encode(asked)
					}
				}
				if got, _ := schema.DecodeRecord("the record", data); got != nil && got.Head().Kind != kind && got.Head().Kind != "" {
					return usagef("use: benchlore record "+string(got.Head().Kind), "the record says it is of kind %q, not %q", got.Head().Kind, kind)
				}
				s, err := l.Add(name, "", data)
				if err != nil {
					return err
				}
				if draft != nil && !a.dryRun {
					if err := draft.Drop(); err != nil {
						return err
					}
				}
				got, _ := schema.DecodeRecord(s.Path, data)
				return a.saved(name, s, strings.TrimSpace(string(kind)+" "+schema.Summary(got)))
			})
		},
	}
	cmd.Flags().StringVar(&unitFlag, "unit", "", "the `UNIT`; default: the one on the bench")
	cmd.Flags().StringVar(&byFlag, "by", "", "the technician's `ID`")
	cmd.Flags().StringVar(&dateFlag, "date", "", "the `DAY`; default: today")
	cmd.Flags().StringVar(&from, "from", "", "take the record from `FILE`; - is standard input")
	cmd.Flags().BoolVar(&edit, "edit", false, "write the record in $EDITOR")
	set.define(cmd, schema.FieldsOf(rec))
	a.writeFlags(cmd)
	return cmd
}

// flagSet holds the values given for a record's keys, as TOML.
type flagSet struct {
	fields []schema.Field
	plain  map[string]*string
	lists  map[string]*[]string
	cmd    *cobra.Command
}

// ownFlags are keys the command sets itself.
var ownFlags = []string{"kind", "date", "by", "seq", "withdrawn", "correction"}

func (s *flagSet) define(cmd *cobra.Command, fields []schema.Field) {
	s.cmd, s.plain, s.lists = cmd, map[string]*string{}, map[string]*[]string{}
	for _, f := range fields {
		if slices.Contains(ownFlags, f.Key) {
			continue
		}
		s.fields = append(s.fields, f)
		flag := strings.ReplaceAll(f.Key, "_", "-")
		doc := strings.ReplaceAll(f.Doc, "`", "'")
		if w := f.Words(); w != nil && !strings.Contains(doc, w[0]) {
			doc += ": " + strings.Join(w, ", ")
		}
		if f.Type.Kind() == reflect.Slice || f.Tables() && f.Type.Kind() != reflect.Pointer {
			v := new([]string)
			s.lists[f.Key] = v
			cmd.Flags().StringArrayVar(v, flag, nil, doc)
		} else {
			v := new(string)
			s.plain[f.Key] = v
			cmd.Flags().StringVar(v, flag, "", doc)
		}
		if w := f.Words(); w != nil {
			_ = cmd.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(w, cobra.ShellCompDirectiveNoFileComp))
		}
	}
}

// any reports whether a flag for a key was given.
func (s *flagSet) any() bool {
	return slices.ContainsFunc(s.fields, func(f schema.Field) bool {
		return s.cmd.Flags().Changed(strings.ReplaceAll(f.Key, "_", "-"))
	})
}

// toml writes the record: its head, then the keys given.
func (s *flagSet) toml(rec schema.Record) ([]byte, error) {
	var b strings.Builder
	b.Write(schema.Encode(rec))
	var tables strings.Builder
	for _, f := range s.fields {
		if v := s.plain[f.Key]; v != nil && *v != "" {
			switch t := f.Type; {
			case f.Tables():
				fmt.Fprintf(&tables, "%s = {%s}\n", f.Key, *v)
			case bare(t):
				fmt.Fprintf(&b, "%s = %s\n", f.Key, *v)
			default:
				fmt.Fprintf(&b, "%s = %s\n", f.Key, quote(*v))
			}
		}
		if v := s.lists[f.Key]; v != nil && len(*v) > 0 {
			var parts []string
			for _, e := range *v {
				if f.Tables() {
					parts = append(parts, "{"+e+"}")
				} else {
					parts = append(parts, quote(e))
				}
			}
			fmt.Fprintf(&b, "%s = [%s]\n", f.Key, strings.Join(parts, ", "))
		}
	}
	text := []byte(b.String() + tables.String())
	// Written again in the usual layout where it reads; where not, the drawing
	// of the problem shows what was typed.
	if got, problems := schema.DecodeRecord("the record", text); got != nil && schema.Worst(problems) < schema.Wrong {
		return schema.Encode(got), nil
	}
	return text, nil
}

// bare reports whether a value of the type stands without quotes.
func bare(t reflect.Type) bool {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t.Kind() {
	case reflect.Int, reflect.Float64, reflect.Bool:
		return true
	}
	return t == reflect.TypeFor[schema.Date]()
}

func quote(s string) string {
	return strings.TrimSuffix(strings.TrimPrefix(string(schema.Encode(&struct {
		V string `toml:"v"`
	}{s})), "v = "), "\n")
}

// edit opens an editor on a text and returns what was saved.
func (a *app) edit(text []byte, what string) ([]byte, error) {
	editor := os.Getenv("VISUAL")
	if editor == "" {
		editor = os.Getenv("EDITOR")
	}
	if editor == "" {
		editor = "vi"
		if runtime.GOOS == "windows" {
			editor = "notepad"
		}
	}
	f, err := os.CreateTemp("", "benchlore-"+what+"-*.toml")
	if err != nil {
		return nil, err
	}
	name := f.Name()
	_, err = f.Write(text)
	if err := errors.Join(err, f.Close()); err != nil {
		return nil, err
	}
	words := strings.Fields(editor)
	c := exec.Command(words[0], append(words[1:], name)...)
	c.Stdin, c.Stdout, c.Stderr = a.in, a.out, a.err
	if f := fileOf(a.out); f != nil {
		c.Stdout = f // an editor wants the terminal itself
	}
	if err := c.Run(); err != nil {
		return nil, fmt.Errorf("the editor %s: %w; what you typed is in %s", words[0], err, name)
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	if string(data) == string(text) {
		os.Remove(name)
		return nil, usagef("fill it in and save it in the editor", "nothing was stored: the template was not changed")
	}
	if rec, problems := schema.DecodeRecord(name, data); rec == nil {
		return nil, &ledger.ProblemsError{What: "nothing was stored; what you typed is in " + name, Problems: problems}
	}
	return data, os.Remove(name)
}

func (a *app) recordBookCmd() *cobra.Command {
	var unitFlag, byFlag, dateFlag string
	var b schema.Book
	var kind, amount, timeSpent string
	cmd := &cobra.Command{
		Use:   "book",
		Short: "Add a shop-only entry: it never travels",
		Long: `Adds an entry to books/: commissions, quotes, labour, costs, sales and values.
Customers are named by a code; who they are is kept in private/customers.toml, which git
does not see.`,
		Example: `  benchlore record book --kind quote --customer c-014 --amount 1250.00`,
		Args:    args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, unitFlag)
				if err != nil {
					return err
				}
				if b.By, err = a.by(l, byFlag); err != nil {
					return err
				}
				if b.Date, err = a.day(l, dateFlag); err != nil {
					return err
				}
				b.Kind, b.Amount, b.Time = schema.BookKind(kind), schema.Decimal(amount), schema.Quantity(timeSpent)
				s, err := l.AddBook(name, &b)
				if err != nil {
					return err
				}
				return a.saved(name, s, "books, "+kind)
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&unitFlag, "unit", "", "the `UNIT`; default: the one on the bench")
	f.StringVar(&byFlag, "by", "", "the technician's `ID`")
	f.StringVar(&dateFlag, "date", "", "the `DAY`; default: today")
	f.StringVar(&kind, "kind", "", strings.Join(schema.BookKind("").Words(), ", "))
	f.StringVar(&b.Customer, "customer", "", "the customer's `CODE`")
	f.StringVar(&amount, "amount", "", "money: 1250.00")
	f.StringVar(&b.Currency, "currency", "", "`CODE`; default: the shop's")
	f.StringVar(&timeSpent, "time", "", "time spent: 6.5 h")
	f.StringVar(&b.What, "what", "", "for what")
	f.StringVar(&b.Note, "note", "", "anything else")
	_ = cmd.RegisterFlagCompletionFunc("kind", cobra.FixedCompletions(schema.BookKind("").Words(), cobra.ShellCompDirectiveNoFileComp))
	a.writeFlags(cmd)
	return cmd
}
