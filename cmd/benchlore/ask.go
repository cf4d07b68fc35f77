package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"regexp"
	"slices"
	"strings"

	shellquote "github.com/kballard/go-shellquote"
	"golang.org/x/term"

	"benchlore/cmd/benchlore/prompt"
	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/entry"
	"benchlore/schema/form"
	"benchlore/schema/unit"
)

// sittingHelp is what ? says.
const sittingHelp = `  C14 short replaced 22/25  a line about a part; for short: C14 sho rep 22/25
  C15 =                     the same as the last line
  divider 3                 the section from here on, until another is named
  on a61-10954              another unit
  undo                      takes back the last line of this sitting
  end, or Ctrl-D            finishes
Tab completes, the arrows bring back earlier lines, quotes keep words together:
note="leaked on R3". Everything else: benchlore part --help
`

// sitting takes lines about parts one after another. Each is stored before the
// next is asked for.
type sitting struct {
	a       *app
	flags   partFlags
	name    string // of the unit
	section string // where the bench is at work
	refused bool   // the last line about a part was
	unit    *unit.Unit
	stock   *ledger.Catalog
	files   []string // what was written
	lines   int
	undone  int
	commits []string // of the lines that are still stored, the last one last
}

// sit asks for lines about parts at the terminal until there are no more.
func (a *app) sit(f partFlags) error {
	at, ok := a.terminal()
	if !ok || a.json {
		return usagef("see: benchlore part --help", "part takes [SECTION] REF [WORD ...], and nothing was given")
	}
	s := &sitting{a: a, flags: f}
	if err := s.load(); err != nil {
		return err
	}
	lines, err := at.Lines(s.complete)
	if err != nil {
		return err
	}
	out, errw := a.out, a.err
	if lines.Raw() {
		a.out, a.err = lines, lines
	}
	a.question = func(prompt string) bool {
		answer, err := lines.Read(prompt)
		answer = strings.ToLower(strings.TrimSpace(answer))
		return err == nil && (answer == "y" || answer == "yes")
	}
	defer func() {
		a.out, a.err, a.question = out, errw, nil
		lines.Close()
	}()
	s.flags.unit = s.name // whatever another terminal chooses meanwhile
	fmt.Fprintf(a.out, "%s, %s: one part per line; ? for help, end to finish\n", s.name, title(s.unit))
	a.powerLine(s.unit)
	for {
		line, err := lines.Read(s.prompt())
		if err != nil {
			fmt.Fprintln(a.out)
			s.sum()
			if err == io.EOF {
				return nil
			}
			return err
		}
		line = strings.TrimSpace(line)
		if sittingEnds(line) {
			s.sum()
			return nil
		}
		if err := s.take(line); err != nil {
			a.fail(err)
			lines.Again(mended(line, err))
		}
	}
}

// sittingEnds reports whether a line ends a sitting.
func sittingEnds(line string) bool {
	return slices.Contains([]string{"end", "exit", "quit", "q"}, line)
}

// load reads the unit as it is now; another program may have changed it.
func (s *sitting) load() error {
	return s.a.with(func(l *ledger.Ledger) error {
		var err error
		if s.name, err = s.a.unit(l, s.flags.unit); err != nil {
			return err
		}
		if _, err = s.a.by(l, s.flags.by); err != nil {
			return err
		}
		if _, err = s.a.day(l, s.flags.date); err != nil {
			return err
		}
		if s.stock, err = l.Catalog(); err != nil {
			return err
		}
		u, err := l.Unit(s.name, s.stock)
		if err == nil {
			s.unit = u.Unit
		}
		return err
	})
}

// prompt names the unit and the section, and says where nothing may be switched
// on.
func (s *sitting) prompt() string {
	warn := ""
	if p, _, _ := s.unit.Power(); p == schema.PowerForbidden {
		warn = "DO NOT POWER "
	}
	return strings.TrimSpace(warn+path.Base(s.name)+" "+s.section) + "> "
}

// take does what a line says.
func (s *sitting) take(line string) error {
	words, err := shellquote.Split(line)
	if err != nil {
		return usagef(`close it, or use the other kind of quotes around the text: note="it's scorched"`, "a quote is open")
	}
	switch {
	case len(words) == 0:
		return nil
	case line == "?" || line == "help":
		fmt.Fprint(s.a.out, sittingHelp)
		return nil
	case line == "undo":
		return s.undo()
	case words[0] == "on" && len(words) == 2:
		return s.on(words[1])
	}
	if at := entry.Section(words, s.unit); at != "" {
		s.section = at
		return nil
	}
	if len(words) == 1 && entry.Repeats(words) {
		if s.lines == 0 {
			return usagef("write a line first; C3 = then repeats it for C3", "there is no line before %s to repeat", line)
		}
		return usagef("name the part before it: C3 =", "repeat it for which part?")
	}
	if s.refused && entry.Repeats(words) {
		return usagef("correct it first: the up arrow brings it back", "the last line was refused; same as what?")
	}
	s.refused = true
	err = s.a.with(func(l *ledger.Ledger) error {
		_, e, saved, err := s.a.storeLine(l, s.name, words, s.flags, s.section)
		if err != nil {
			return err
		}
		verb := "stored"
		if s.a.dryRun {
			verb = "would store"
		}
		fmt.Fprintf(s.a.out, "  %s: %s\n", verb, e.Echo())
		s.a.warnOfLine(saved, e)
		s.lines++
		s.refused = false
		if saved.Commit != "" {
			s.commits = append(s.commits, s.name+" "+saved.Commit)
		}
		if !slices.Contains(s.files, saved.Path) {
			s.files = append(s.files, saved.Path)
		}
		if e.Line != nil {
			if at := entry.Section([]string{string(e.Line.Section)}, s.unit); at != "" {
				s.section = at
			}
		}
		return nil
	})
	return errors.Join(err, s.load())
}

// undo takes back the last line of this sitting that is still stored, on the unit that
// it went to.
func (s *sitting) undo() error {
	n := len(s.commits)
	if n == 0 {
		return usagef("other changes are taken back with: benchlore undo", "there are no lines of this sitting to take back")
	}
	name, commit, _ := strings.Cut(s.commits[n-1], " ")
	err := s.a.with(func(l *ledger.Ledger) error {
		r, what, err := l.UndoCommit(name, commit)
		if err != nil {
			return err
		}
		s.a.takenBack(r, what)
		s.undone++
		s.commits = s.commits[:n-1]
		return nil
	})
	return errors.Join(err, s.load())
}

// mended is a refused line as it comes back to be corrected: with the word that was
// probably meant.
func mended(line string, err error) string {
	wrong, meant := quotedWord.FindStringSubmatch(err.Error()), meantWord.FindStringSubmatch(hintOf(unwrapUsage(err)))
	if wrong == nil || meant == nil {
		return line
	}
	return strings.Replace(line, wrong[1], meant[1], 1)
}

var (
	quotedWord = regexp.MustCompile(`^"([^"]+)" `)
	meantWord  = regexp.MustCompile(`^(?:did you mean|write) "?([^"?]+)"?\??$`)
)

func unwrapUsage(err error) error {
	var hint interface {
		error
		Hint() string
	}
	if errors.As(err, &hint) {
		return hint
	}
	return err
}

// on changes the unit on the bench.
func (s *sitting) on(word string) error {
	err := s.a.with(func(l *ledger.Ledger) error {
		name, err := l.Resolve(word)
		if err == nil && !s.a.dryRun {
			err = l.SetOnBench(name)
		}
		if err == nil {
			s.flags.unit, s.section = name, ""
		}
		return err
	})
	if err = errors.Join(err, s.load()); err == nil {
		fmt.Fprintf(s.a.out, "on the bench: %s, %s\n", s.name, title(s.unit))
		s.a.powerLine(s.unit)
	}
	return err
}

// sum says what was written, and where.
func (s *sitting) sum() {
	stored, back := "stored", "taken back"
	if s.a.dryRun {
		stored, back = "would be stored", "would be taken back"
	}
	if s.lines > 0 {
		where := plural(len(s.files), "record")
		if len(s.files) == 1 {
			where = s.files[0]
		}
		fmt.Fprintf(s.a.out, "%s %s: %s\n", plural(s.lines, "line"), stored, where)
	}
	if s.undone > 0 {
		fmt.Fprintf(s.a.out, "%s %s\n", plural(s.undone, "change"), back)
	}
	if s.lines+s.undone == 0 {
		fmt.Fprintln(s.a.out, "nothing was stored")
	}
}

// complete offers what could come next in a line about a part.
func (s *sitting) complete(words []string, typed string) ([]entry.Choice, bool) {
	return entry.Complete(words, typed, entry.Context{Unit: s.unit, Section: s.section}, entry.Stock{Lots: s.stock.Lots, Families: s.stock.Families})
}

// prompts asks for a record of the kind and returns it, with the draft to drop
// once it is stored.
func (a *app) prompts(l *ledger.Ledger, name string, head schema.Common) (schema.Record, *ledger.Draft, error) {
	at, ok := a.terminal()
	if !ok {
		return nil, nil, usagef("give flags (see --help), --from FILE or --from -", "the record is empty, and there is no terminal to ask for it")
	}
	stock, err := l.Catalog()
	if err != nil {
		return nil, nil, err
	}
	u, err := l.Unit(name, stock)
	if err != nil {
		return nil, nil, err
	}
	draft, err := l.Draft(name, head.Kind)
	if err != nil {
		return nil, nil, err
	}
	p, err := prompt.New(at, draft, form.Draft{Kind: head.Kind, Unit: name, Date: head.Date, By: head.By})
	if err != nil {
		return nil, draft, err
	}
	head.Date, head.By = p.What().Date, p.What().By
	if head.Seq, err = l.NextSeq(name, head.Date); err != nil {
		return nil, draft, err
	}
	trial, err := l.Trial(name, stock, head.Kind, head.Date)
	if err != nil {
		return nil, draft, err
	}
	if !a.json {
		a.powerLine(u.Unit)
		if head.Kind == schema.KindMeasurements {
			for _, p := range u.Model.Procedures {
				if p.Caution != "" {
					fmt.Fprintf(a.out, "caution with %s: %s\n", p.Name, p.Caution)
				}
			}
		}
	}
	rec, err := p.Ask(form.Source{Head: head, Unit: u.Unit, Shop: l.Shop, Families: stock.Families, Lots: stock.Lots}, trial)
	return rec, draft, err
}

// terminal is where questions are asked: they go to standard error, so that the
// answer of the command can be sent elsewhere, else to standard output. It is false
// where neither is a terminal, or nobody is there to answer.
func (a *app) terminal() (prompt.Terminal, bool) {
	if !a.interactive() {
		return prompt.Terminal{}, false
	}
	for _, w := range []io.Writer{a.err, a.out} {
		if f := fileOf(w); f != nil && term.IsTerminal(int(f.Fd())) {
			return prompt.Terminal{In: a.in.(*os.File), Out: f}, true
		}
	}
	return prompt.Terminal{}, false
}
