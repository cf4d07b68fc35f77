package ledger

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"benchlore/schema"
)

// Finding is something in a file about to travel that perhaps should not.
type Finding struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
	What   string `json:"what"` // a name, a telephone number, ...
	Text   string `json:"text"`
}

// FindingsError carries what would have travelled.
type FindingsError struct {
	Unit     string
	Findings []Finding
}

func (e *FindingsError) Error() string {
	if len(e.Findings) == 1 {
		return fmt.Sprintf("%s cannot be closed: 1 thing in it looks as if it should not travel", e.Unit)
	}
	return fmt.Sprintf("%s cannot be closed: %d things in it look as if they should not travel", e.Unit, len(e.Findings))
}

// Hint names the next step.
func (e *FindingsError) Hint() string {
	return "take them out and run benchlore save, or let one through with --allow \"text\""
}

var (
	mailForm  = regexp.MustCompile(`[A-Za-z0-9._%+-]+@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+`)
	phoneForm = regexp.MustCompile(`\+[0-9][0-9 ()/.-]{6,}[0-9]|\b0[0-9]{2,5}[ /-][0-9][0-9 -]{3,}[0-9]\b|\b0[0-9]{8,}\b`)
	priceForm = regexp.MustCompile(`(?:[€£$]|\b(?:EUR|USD|GBP|CHF|JPY)\b) ?[0-9]+(?:[.,][0-9]+)*|\b[0-9]+(?:[.,][0-9]+)* ?(?:€|£|\b(?:EUR|USD|GBP|CHF|JPY|euros?|dollars?|pounds?)\b)`)
)

// findings looks in a file for names from private/, telephone numbers, mail
// addresses and prices. The words are looked for in the source, comments
// included, since the source is what travels.
func (l *Ledger) findings(file string, data []byte) []Finding {
	if !utf8.Valid(data) {
		return nil // a picture
	}
	var out []Finding
	names := l.privateNames()
	for i, line := range strings.Split(string(data), "\n") {
		add := func(at int, what, text string) {
			for _, f := range out {
				if f.Line == i+1 && strings.Contains(f.Text, text) {
					return
				}
			}
			out = append(out, Finding{File: file, Line: i + 1, Column: 1 + utf8.RuneCountInString(line[:at]), What: what, Text: text})
		}
		lower := strings.ToLower(line)
		for _, n := range names {
			for from := 0; ; {
				k := strings.Index(lower[from:], n)
				if k < 0 {
					break
				}
				at := from + k
				if wordAt(lower, at, len(n)) && at+len(n) <= len(line) {
					add(at, "a name from private/", line[at:at+len(n)])
				}
				from = at + len(n)
			}
		}
		for _, p := range []struct {
			form *regexp.Regexp
			what string
		}{{mailForm, "a mail address"}, {phoneForm, "a telephone number"}, {priceForm, "a price"}} {
			for _, m := range p.form.FindAllStringIndex(line, -1) {
				add(m[0], p.what, line[m[0]:m[1]])
			}
		}
	}
	return out
}

// wordAt reports whether the match stands by itself.
func wordAt(s string, at, n int) bool {
	letter := func(r rune) bool {
		return r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r > 0x7F && r != utf8.RuneError
	}
	before, _ := utf8.DecodeLastRuneInString(s[:at])
	after, _ := utf8.DecodeRuneInString(s[at+n:])
	return !letter(before) && !letter(after)
}

// privateNames are the names, and parts of names of three letters and more,
// numbers and addresses of private/, in lower case.
func (l *Ledger) privateNames() []string {
	var out []string
	entries, err := l.list("private")
	if err != nil {
		return nil
	}
	add := func(s string) {
		s = strings.ToLower(strings.TrimSpace(s))
		if utf8.RuneCountInString(s) >= 3 && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	for _, e := range entries {
		data, err := l.read("private/" + e.Name())
		if err != nil {
			continue
		}
		c, _ := schema.Decode[schema.Customers]("private/"+e.Name(), data)
		if c == nil {
			continue
		}
		for _, p := range c.Customers {
			add(p.Name)
			for _, part := range strings.Fields(p.Name) {
				add(strings.Trim(part, ".,"))
			}
			add(p.Phone)
			add(p.Email)
			add(p.Address)
		}
	}
	return out
}

// disallowed returns the findings nobody let through.
func disallowed(all []Finding, allow []string) []Finding {
	var left []Finding
	for _, f := range all {
		if !slices.Contains(allow, f.Text) {
			left = append(left, f)
		}
	}
	return left
}
