package schema

import (
	"fmt"
	"sort"
	"strings"
	"unicode/utf8"

	"benchlore/schema/remedy"
)

// Severity ranks a problem.
type Severity int

const (
	// Warned is worth a look; nothing is refused for it.
	Warned Severity = iota
	// Wrong is an error: stored while the job is open, refused by close.
	Wrong
	// Unreadable means the file cannot be taken as a record at all: it is
	// refused at once.
	Unreadable
)

func (s Severity) String() string {
	switch s {
	case Warned:
		return "warning"
	case Wrong:
		return "error"
	default:
		return "unreadable"
	}
}

// MarshalText makes JSON carry the word.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Problem is one thing wrong with a file.
type Problem struct {
	File     string   `json:"file"`           // slash path from the ledger
	Line     int      `json:"line,omitempty"` // from 1; 0: the file as a whole
	Column   int      `json:"column,omitempty"`
	Path     string   `json:"key,omitempty"`    // part[3].new.rating, counted from 0
	Source   string   `json:"source,omitempty"` // the line it stands in
	Severity Severity `json:"severity"`
	Message  string   `json:"message"`         // what is wrong
	Write    string   `json:"write,omitempty"` // what to write instead

	width int  // runes to underline in Source
	atKey bool // the key is at fault, not its value
}

// Unread picks the problems of files that could not be read.
func Unread(problems []Problem) []Problem {
	var out []Problem
	for _, p := range problems {
		if p.Severity == Unreadable {
			out = append(out, p)
		}
	}
	return out
}

// Error gives the problem in one line, as compilers do.
func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
	}
	if p.Severity == Warned {
		b.WriteString(": warning")
	}
	b.WriteString(": " + p.Message)
	return b.String()
}

// Drawing gives the problem with the line it stands in, the offending text
// underlined, and what to write instead.
func (p Problem) Drawing() string {
	var b strings.Builder
	b.WriteString(p.Error() + "\n")
	if p.Source != "" {
		line := []rune(strings.ReplaceAll(p.Source, "\t", " "))
		col := p.Column - 1
		width := max(p.width, 1)
		const most = 100 // columns of source shown; long table lines are cut round the place
		if len(line) > most {
			from := max(0, min(col-most/3, len(line)-most))
			line = line[from:min(len(line), from+most)]
			col -= from
		}
		width = min(width, max(1, len(line)-col))
		fmt.Fprintf(&b, "    %s\n    %s%s\n", string(line), strings.Repeat(" ", max(0, col)), strings.Repeat("^", width))
	}
	lines := []string{p.Write}
	if !strings.Contains(p.Write, "run: ") { // a command stays whole, to be pasted
		lines = fold(p.Write, 76)
	}
	for _, line := range lines {
		b.WriteString("    " + line + "\n")
	}
	return b.String()
}

// fold breaks a text at blanks into lines of at most width runes, where the
// words allow it.
func fold(s string, width int) []string {
	var lines []string
	for _, w := range strings.Fields(s) {
		if n := len(lines) - 1; n >= 0 && utf8.RuneCountInString(lines[n])+1+utf8.RuneCountInString(w) <= width {
			lines[n] += " " + w
		} else {
			lines = append(lines, w)
		}
	}
	return lines
}

// Count returns how many problems are errors (unreadable ones included) and
// how many are warnings.
func Count(ps []Problem) (errors, warnings int) {
	for _, p := range ps {
		if p.Severity == Warned {
			warnings++
		} else {
			errors++
		}
	}
	return errors, warnings
}

// Worst returns the highest severity among the problems, or -1 for none.
func Worst(ps []Problem) Severity {
	worst := Severity(-1)
	for _, p := range ps {
		worst = max(worst, p.Severity)
	}
	return worst
}

// Sort orders problems by file and place.
func Sort(ps []Problem) {
	sort.SliceStable(ps, func(i, j int) bool {
		a, b := ps[i], ps[j]
		switch {
		case a.File != b.File:
			return a.File < b.File
		case a.Line != b.Line:
			return a.Line < b.Line
		}
		return a.Column < b.Column
	})
}

// Collector gathers the problems of one file. Paths are relative to the file.
type Collector struct {
	File     string
	Problems []Problem

	gone map[string]bool // keys the decoder took out after reporting them
	at   []spot          // the way down to the field at hand
}

// Errorf records an error at path. The format is that of [remedy.Errorf]: it may
// end in " => " and what to write instead.
func (c *Collector) Errorf(path, format string, args ...any) { c.add(Wrong, path, format, args...) }

// Warnf records a warning at path, in the same form.
func (c *Collector) Warnf(path, format string, args ...any) { c.add(Warned, path, format, args...) }

func (c *Collector) add(s Severity, path, format string, args ...any) {
	what, write := remedy.Sprintf(format, args...)
	c.put(s, path, what, write)
}

// put records a problem once, however many positions of a range it concerns.
func (c *Collector) put(s Severity, path, msg, write string) {
	p := Problem{File: c.File, Path: path, Severity: s, Message: msg, Write: write}
	for i := len(c.Problems) - 1; i >= 0 && c.Problems[i].Path == path; i-- {
		if c.Problems[i] == p {
			return
		}
	}
	c.Problems = append(c.Problems, p)
}
