package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path"
	"slices"
	"strings"
	"syscall"
	"unicode/utf8"

	"github.com/charmbracelet/x/ansi"
	shellquote "github.com/kballard/go-shellquote"
	"golang.org/x/term"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/entry"
	"benchlore/schema/unit"
)

// sittingHelp is what ? says.
const sittingHelp = `  C14 short replaced 22/25  a line about a part; cut short it is C14 sho rep 22/25
  C15 =                     the same as the last line
  divider 3                 the section from here on, until another is named
  on a61-10954              another unit
  undo                      takes back the last change to the unit
  end, or Ctrl-D            is the end
Tab completes, the arrows bring back earlier lines, quotes keep blanks together:
note="leaked on R3". All else is in: benchlore part --help
`

// errKilled ends a sitting from outside.
var errKilled = errors.New("ended from outside; what was answered is stored")

// sitting takes lines about parts one after another. Each is stored before the
// next is asked for.
type sitting struct {
	a       *app
	flags   partFlags
	name    string // of the unit
	section string // where the bench is at work
	refused bool   // the last line about a part was
	unit    *unit.Unit
	stock   *ledger.Stock
	files   []string // what was written
	lines   int
	undone  int
}

// sit asks for lines about parts at the terminal until there are no more.
func (a *app) sit(f partFlags) error {
	out := a.promptOut()
	if out == nil || a.json {
		return usagef("see: benchlore part --help", "part takes [SECTION] REF [WORD ...], and nothing was given")
	}
	s := &sitting{a: a, flags: f}
	if err := s.load(); err != nil {
		return err
	}
	read, leave, err := s.keyboard(out)
	if err != nil {
		return err
	}
	defer leave()
	fmt.Fprintf(a.out, "%s, %s: a line a part; ? helps, end ends\n", s.name, title(s.unit))
	a.powerLine(s.unit)
	for {
		line, err := read(s.prompt())
		if err != nil {
			fmt.Fprintln(a.out)
			s.sum()
			if err == io.EOF {
				return nil
			}
			return err
		}
		line = strings.TrimSpace(line)
		if line == "end" {
			s.sum()
			return nil
		}
		if err := s.take(line); err != nil {
			a.fail(err)
		}
	}
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
		if s.stock, err = l.Stock(); err != nil {
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
		return usagef(`close it, or put the text into the other kind: note="it's scorched"`, "a quote is open")
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
	if s.refused && entry.Repeats(words) {
		return usagef("mend it first: the arrow up brings it back", "the last line was refused; the same as what?")
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
		s.a.warnOf(saved)
		s.lines++
		s.refused = false
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

func (s *sitting) undo() error {
	err := s.a.with(func(l *ledger.Ledger) error {
		r, what, err := l.Undo(s.name)
		if err != nil {
			return err
		}
		s.a.takenBack(r, what)
		s.undone++
		return nil
	})
	return errors.Join(err, s.load())
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

// keyboard reads lines from the terminal, with keys to edit them where it can do
// that, and sends there what the program says meanwhile. leave gives the terminal
// back as it was.
func (s *sitting) keyboard(out io.Writer) (read func(prompt string) (string, error), leave func(), err error) {
	a := s.a
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, syscall.SIGTERM, syscall.SIGHUP)
	if plainTerminal() {
		signal.Notify(stop, os.Interrupt)
		in := bufio.NewReader(a.in)
		read := s.waiting(stop, func(prompt string) (string, error) {
			fmt.Fprint(out, prompt)
			line, err := in.ReadString('\n')
			if err == io.EOF && line != "" {
				err = nil
			}
			return line, err
		})
		return read, func() { signal.Stop(stop) }, nil
	}
	f := a.in.(*os.File)
	was, err := term.MakeRaw(int(f.Fd()))
	if err != nil {
		return nil, nil, err
	}
	t := term.NewTerminal(struct {
		io.Reader
		io.Writer
	}{f, out}, "")
	t.AutoCompleteCallback = s.complete(t)
	sayOut, sayErr := a.out, a.err
	a.out, a.err = folded{t, a}, folded{t, a}
	read = s.waiting(stop, func(prompt string) (string, error) {
		_ = t.SetSize(a.columns(), 24)
		t.SetPrompt(prompt)
		return t.ReadLine()
	})
	return read, func() {
		a.out, a.err = sayOut, sayErr
		_ = term.Restore(int(f.Fd()), was)
		signal.Stop(stop)
	}, nil
}

// folded breaks long lines between words.
type folded struct {
	w io.Writer
	a *app
}

func (f folded) Write(p []byte) (int, error) {
	_, err := io.WriteString(f.w, ansi.Wordwrap(string(p), f.a.columns()-1, " "))
	return len(p), err
}

// waiting lets a signal end what waits for a line.
func (s *sitting) waiting(stop <-chan os.Signal, read func(string) (string, error)) func(string) (string, error) {
	type answer struct {
		line string
		err  error
	}
	return func(prompt string) (string, error) {
		got := make(chan answer, 1)
		go func() {
			line, err := read(prompt)
			got <- answer{line, err}
		}()
		select {
		case x := <-got:
			return x.line, x.err
		case sig := <-stop:
			if sig == os.Interrupt {
				return "", io.EOF
			}
			return "", errKilled
		}
	}
}

// complete is what the tab key does: it writes what all choices have in common,
// or shows them.
func (s *sitting) complete(t io.Writer) func(line string, pos int, key rune) (string, int, bool) {
	return func(line string, pos int, key rune) (string, int, bool) {
		if key != '\t' {
			return "", 0, false
		}
		words := strings.Fields(line[:pos])
		typed := ""
		if n := len(words); n > 0 && !strings.HasSuffix(line[:pos], " ") {
			words, typed = words[:n-1], words[n-1]
		}
		at := entry.Context{Unit: s.unit, Section: s.section}
		choices, open := entry.Complete(words, typed, at, entry.Stock{Lots: s.stock.Lots, Families: s.stock.Families})
		if len(choices) == 0 {
			return line, pos, true
		}
		common := choices[0].Word
		for _, c := range choices[1:] {
			common = inCommon(common, c.Word)
		}
		if len(choices) == 1 && !open {
			common += " "
		}
		if len(common) <= len(typed) {
			fmt.Fprint(t, choicesShown(choices, s.a.columns()))
			return line, pos, true
		}
		before := line[:pos-len(typed)] + common
		return before + line[pos:], len(before), true
	}
}

// inCommon is how two words begin alike, but for the case of letters.
func inCommon(a, b string) string {
	n := 0
	for i, r := range a {
		end := i + utf8.RuneLen(r)
		if end > len(b) || !strings.EqualFold(a[i:end], b[i:end]) {
			break
		}
		n = end
	}
	return a[:n]
}

// choicesShown are choices as they fit the screen: few with what they stand for,
// more as words only.
func choicesShown(choices []entry.Choice, width int) string {
	const few, rows = 8, 6
	var b strings.Builder
	if len(choices) <= few {
		for _, c := range choices {
			line := strings.TrimRight(fmt.Sprintf("  %-20s %s", c.Word, oneLine(c.About)), " ")
			if r := []rune(line); len(r) >= width {
				line = string(r[:width-4]) + "..."
			}
			fmt.Fprintln(&b, line)
		}
		return b.String()
	}
	line, row := " ", 1
	for i, c := range choices {
		if utf8.RuneCountInString(line)+1+utf8.RuneCountInString(c.Word) >= width {
			fmt.Fprintln(&b, line)
			if row++; row > rows {
				fmt.Fprintf(&b, "  ... %d more\n", len(choices)-i)
				return b.String()
			}
			line = " "
		}
		line += " " + c.Word
	}
	fmt.Fprintln(&b, line)
	return b.String()
}

// columns is the width of the terminal lines are typed at.
func (a *app) columns() int {
	if f, ok := a.in.(*os.File); ok {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w >= 20 {
			return w
		}
	}
	return 80
}
