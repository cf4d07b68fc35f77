package ledger

import (
	"bytes"
	"fmt"
	"path"
	"regexp"
	"slices"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"

	"benchlore/schema"
)

// Finding is something in a file about to travel that perhaps should not.
type Finding struct {
	File   string `json:"file"`
	Line   int    `json:"line,omitempty"` // 0: the file as a whole
	Column int    `json:"column,omitempty"`
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
		return fmt.Sprintf("nothing was put on the history of %s: 1 thing in it looks as if it should not travel", e.Unit)
	}
	return fmt.Sprintf("nothing was put on the history of %s: %d things in it look as if they should not travel", e.Unit, len(e.Findings))
}

// Hint names the next step.
func (e *FindingsError) Hint() string {
	return "take them out, or let one through with --allow \"text\""
}

var (
	mailForm = regexp.MustCompile(`[\p{L}0-9._%+-]+@[\p{L}0-9-]+(\.[\p{L}0-9-]+)+`)
	// International numbers, long ones that begin with 0, and three groups.
	phoneForm = regexp.MustCompile(`\+[1-9][0-9]{0,2}(?:[ ()/-]{0,2}[0-9]){6,12}\b|\b0[0-9]{2,5}[ /-][0-9][0-9 -]{3,}[0-9]\b|\b0[0-9]{8,}\b|(?:\([0-9]{3}\) ?|\b[0-9]{3}[ -])[0-9]{3}[ -][0-9]{4}\b`)
	priceForm = regexp.MustCompile(`(?:[€£$]|\b(?:EUR|USD|GBP|CHF|JPY)\b) ?[0-9]+(?:[.,][0-9]+)*|\b[0-9]+(?:[.,][0-9]+)* ?(?:€|£|\b(?:EUR|USD|GBP|CHF|JPY|euros?|dollars?|pounds?)\b)`)
	// numberForm is what looks like a number to call and is none: identities
	// and digests.
	numberForm = regexp.MustCompile(`\b[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}\b|\b[0-9a-f]{64}\b`)
)

// metadataMarks begin the parts of a picture that may say where and when it was
// taken, and with whose camera.
var metadataMarks = []string{"Exif\x00\x00", "http://ns.adobe.com/xap", "eXIf"}

// HasPictureMetadata reports whether a file holds a part that may say where and
// when a picture was taken.
func HasPictureMetadata(data []byte) bool {
	return slices.ContainsFunc(metadataMarks, func(m string) bool { return bytes.Contains(data, []byte(m)) })
}

// search looks for what perhaps should not travel.
type search struct{ names []*regexp.Regexp }

// newSearch reads the names of private/. What cannot be read there cannot be
// searched for, and so stops whoever asks.
func (l *Ledger) newSearch() (*search, error) {
	names, err := l.privateNames()
	if err != nil {
		return nil, err
	}
	s := &search{}
	// Longest first, so that a mail address is one finding and not three.
	slices.SortStableFunc(names, func(a, b string) int { return len(b) - len(a) })
	for _, n := range names {
		words := strings.Fields(n)
		for i, w := range words {
			words[i] = regexp.QuoteMeta(w)
		}
		s.names = append(s.names, regexp.MustCompile(`(?i)`+strings.Join(words, `\s+`)))
	}
	return s, nil
}

// file looks in a file and in its name for names from private/, telephone
// numbers, mail addresses and prices. Words are looked for in the source,
// comments included, since the source is what travels. Of pictures it only says
// whether they carry metadata.
func (s *search) file(p string, data []byte) []Finding {
	out := s.text(p, path.Base(p))
	for i := range out {
		out[i].Line, out[i].Column, out[i].What = 0, 0, out[i].What+" in the file's name"
	}
	if !utf8.Valid(data) {
		if HasPictureMetadata(data) {
			out = append(out, Finding{File: p, What: "picture metadata, which may hold place and time", Text: path.Base(p)})
		}
		return out
	}
	return append(out, s.text(p, string(data))...)
}

func (s *search) text(file, text string) []Finding {
	var out []Finding
	add := func(at, end int, what string) {
		start := strings.LastIndexByte(text[:at], '\n') + 1
		f := Finding{File: file, Line: 1 + strings.Count(text[:at], "\n"), Column: 1 + utf8.RuneCountInString(text[start:at]),
			What: what, Text: strings.Join(strings.Fields(text[at:end]), " ")}
		for _, o := range out {
			if o.Line == f.Line && strings.Contains(strings.ToLower(o.Text), strings.ToLower(f.Text)) {
				return
			}
		}
		out = append(out, f)
	}
	for _, n := range s.names {
		for _, m := range n.FindAllStringIndex(text, -1) {
			before, _ := utf8.DecodeLastRuneInString(text[:m[0]])
			after, _ := utf8.DecodeRuneInString(text[m[1]:])
			if !inWord(before) && !inWord(after) {
				add(m[0], m[1], "from private/")
			}
		}
	}
	blank := numberForm.ReplaceAllStringFunc(text, func(m string) string { return strings.Repeat("_", len(m)) })
	for _, k := range []struct {
		form *regexp.Regexp
		what string
	}{{mailForm, "a mail address"}, {phoneForm, "a telephone number"}, {priceForm, "a price"}} {
		for _, m := range k.form.FindAllStringIndex(blank, -1) {
			add(m[0], m[1], k.what)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Line < out[j].Line })
	return out
}

// inWord reports whether a letter or digit goes on.
func inWord(r rune) bool { return r != utf8.RuneError && (unicode.IsLetter(r) || unicode.IsDigit(r)) }

// privateNames are the names, and parts of names of three letters and more,
// numbers and addresses of private/.
func (l *Ledger) privateNames() ([]string, error) {
	var out []string
	files, err := diskSource{l}.names("private")
	if err != nil {
		return nil, err
	}
	add := func(s string) {
		s = strings.TrimSpace(s)
		if utf8.RuneCountInString(s) >= 3 && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	for _, p := range files {
		if !strings.HasSuffix(p, ".toml") {
			continue
		}
		data, err := l.read(p)
		if err != nil {
			return nil, err
		}
		c, problems := schema.Decode[schema.Customers](p, data)
		if n, _ := schema.Count(problems); c == nil || n > 0 {
			return nil, &ProblemsError{p + " is not in order, so nothing can be searched for the names in it", problems}
		}
		for _, who := range c.Customers {
			add(who.Name)
			for _, part := range strings.Fields(who.Name) {
				add(strings.Trim(part, ".,"))
			}
			add(who.Phone)
			add(who.Email)
			add(who.Address)
		}
	}
	return out, nil
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
