package prompt

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"unicode/utf8"

	"github.com/charmbracelet/x/ansi"
	"golang.org/x/term"

	"benchlore/schema/entry"
)

// ErrKilled ends [Lines.Read] when a signal ends the program.
var ErrKilled = errors.New("stopped by a signal; the lines already answered are stored")

// Completer offers what could stand in place of the last word typed, given the
// words before it. open says that a chosen word can be continued.
type Completer func(words []string, typed string) (choices []entry.Choice, open bool)

// Lines reads line after line from a terminal.
type Lines struct {
	at    Terminal
	stop  chan os.Signal
	read  func(prompt string) (string, error)
	term  *term.Terminal // nil on a plain terminal
	state *term.State    // the terminal as it was before
	keys  *keystrokes
}

// Lines starts to read lines, with keys to edit them and Tab to complete them where
// the terminal can do that. [Lines.Close] gives the terminal back as it was.
func (at Terminal) Lines(complete Completer) (*Lines, error) {
	l := &Lines{at: at, stop: make(chan os.Signal, 1)}
	signal.Notify(l.stop, syscall.SIGTERM, syscall.SIGHUP)
	if plainTerminal() {
		signal.Notify(l.stop, os.Interrupt)
		in := bufio.NewReader(at.In)
		l.read = func(prompt string) (string, error) {
			fmt.Fprint(at.Out, prompt)
			line, err := in.ReadString('\n')
			if err == io.EOF && line != "" {
				err = nil
			}
			return line, err
		}
		return l, nil
	}
	var err error
	if l.state, err = term.MakeRaw(int(at.In.Fd())); err != nil {
		return nil, err
	}
	l.keys = &keystrokes{from: at.In}
	l.term = term.NewTerminal(struct {
		io.Reader
		io.Writer
	}{l.keys, at.Out}, "")
	l.term.AutoCompleteCallback = l.completion(complete)
	l.read = func(prompt string) (string, error) {
		_ = l.term.SetSize(at.columns(), 24)
		l.term.SetPrompt(prompt)
		return l.term.ReadLine()
	}
	return l, nil
}

// Again puts a line before the cursor when the next one is asked for, to be corrected;
// not where something was typed ahead of it.
func (l *Lines) Again(line string) {
	if l.keys != nil && !l.keys.ahead {
		l.keys.first = []byte(line)
	}
}

// keystrokes hands on what is typed. A key that the terminal sends as an escape alone
// does nothing, and takes no letter typed after it with it.
type keystrokes struct {
	from   io.Reader
	first  []byte // to be handed on before anything else
	escape bool   // the last key was an escape, of which more may come
	ahead  bool   // what was handed on last did not end with the end of a line
}

func (k *keystrokes) Read(p []byte) (int, error) {
	if len(k.first) > 0 {
		n := copy(p, k.first)
		k.first = k.first[n:]
		return n, nil
	}
	buf := make([]byte, len(p)-1)
	n, err := k.from.Read(buf)
	out := p[:0]
	for i := 0; i < n; i++ {
		if k.escape && (buf[i] == '[' || buf[i] == 'O') {
			out = append(out, 0x1b)
		}
		if k.escape = buf[i] == 0x1b; !k.escape {
			out = append(out, buf[i])
		}
	}
	k.ahead = n > 0 && buf[n-1] != '\r' && buf[n-1] != '\n' || bytes.ContainsAny(buf[:max(n-1, 0)], "\r\n")
	if len(out) == 0 && n > 0 && err == nil {
		return k.Read(p)
	}
	return len(out), err
}

// Raw reports whether the terminal is in raw mode: whatever is printed until Close
// must then be written to l.
func (l *Lines) Raw() bool { return l.term != nil }

// Close gives the terminal back as it was.
func (l *Lines) Close() {
	if l.state != nil {
		_ = term.Restore(int(l.at.In.Fd()), l.state)
	}
	signal.Stop(l.stop)
}

// Write prints between two lines, and breaks long ones between words.
func (l *Lines) Write(p []byte) (int, error) {
	_, err := io.WriteString(l.term, ansi.Wordwrap(string(p), l.at.columns()-1, " "))
	return len(p), err
}

// Read asks for a line. It returns [io.EOF] when the user ends the input, and
// [ErrKilled] on a signal.
func (l *Lines) Read(prompt string) (string, error) {
	type answer struct {
		line string
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		line, err := l.read(prompt)
		got <- answer{line, err}
	}()
	select {
	case x := <-got:
		// A terminal that is gone may read as an input that ended.
		if x.err == io.EOF && l.state != nil {
			if _, err := term.GetState(int(l.at.In.Fd())); err != nil {
				return x.line, fmt.Errorf("the terminal is gone: %w", err)
			}
		}
		return x.line, x.err
	case sig := <-l.stop:
		if sig == os.Interrupt {
			return "", io.EOF
		}
		return "", ErrKilled
	}
}

// columns is the width of the terminal.
func (at Terminal) columns() int {
	if w, _, err := term.GetSize(int(at.In.Fd())); err == nil && w >= 20 {
		return w
	}
	return 80
}

// completion is what the Tab key does: it writes what all choices have in common,
// or shows them.
func (l *Lines) completion(complete Completer) func(line string, pos int, key rune) (string, int, bool) {
	return func(line string, pos int, key rune) (string, int, bool) {
		if key != '\t' {
			return "", 0, false
		}
		words := strings.Fields(line[:pos])
		typed := ""
		if n := len(words); n > 0 && !strings.HasSuffix(line[:pos], " ") {
			words, typed = words[:n-1], words[n-1]
		}
		choices, open := complete(words, typed)
		if len(choices) == 0 {
			return line, pos, true
		}
		common := choices[0].Word
		for _, c := range choices[1:] {
			common = commonStart(common, c.Word)
		}
		if len(choices) == 1 && !open {
			common += " "
		}
		if len(common) <= len(typed) {
			fmt.Fprint(l.term, choicesShown(choices, l.at.columns()))
			return line, pos, true
		}
		before := line[:pos-len(typed)] + common
		return before + line[pos:], len(before), true
	}
}

// commonStart is how both words begin, whatever the case of their letters.
func commonStart(a, b string) string {
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

// choicesShown are choices as they fit the screen: a few with what they mean, more
// as words only.
func choicesShown(choices []entry.Choice, width int) string {
	const few, rows = 8, 6
	var b strings.Builder
	if len(choices) <= few {
		for _, c := range choices {
			line := strings.TrimRight(fmt.Sprintf("  %-20s %s", c.Word, strings.Join(strings.Fields(c.About), " ")), " ")
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
