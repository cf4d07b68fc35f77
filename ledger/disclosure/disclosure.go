// Package disclosure looks in files that are about to leave the shop for what
// should stay there: customers' names, addresses and notes, telephone numbers,
// mail addresses, prices, and what cameras and recorders write beside a picture
// or a sound. Bytes and names go in, findings come out; what it cannot look into
// it names, so that nobody takes silence for a clean file.
package disclosure

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path"
	"sort"
	"strings"
	"unicode/utf8"
)

// Limits of one file. What is beyond them is named as not looked into.
const (
	maxUnpacked = 32 << 20 // bytes unpacked of one file, all parts together
	maxDepth    = 4        // a file in a file in a file ...
	maxParts    = 5000     // parts of one archive, chunks of one picture
	maxFindings = 1000     // listed of one file
)

// Finding is something in a file about to travel that perhaps should not.
type Finding struct {
	File   string `json:"file"`
	Part   string `json:"part,omitempty"` // of the file, such as "JPEG comment" or "word/document.xml"; "": the file's own text
	Line   int    `json:"line,omitempty"` // of that part; 0: the part as a whole
	Column int    `json:"column,omitempty"`
	What   string `json:"what"` // a name from private/, a telephone number, ...
	Text   string `json:"text"`
	// Key is eight hexadecimal digits that stand for this one finding as long as
	// its file's name and its line stay as they are.
	Key string `json:"key"`
}

// Place is where a finding stands, as file:line:column or file (part).
func (f Finding) Place() string {
	s := f.File
	if f.Part != "" {
		s += " (" + f.Part + ")"
	}
	if f.Line > 0 {
		s += fmt.Sprintf(":%d:%d", f.Line, f.Column)
	}
	return s
}

// Unseen is a file, or a part of one, that could not be looked into.
type Unseen struct {
	File string `json:"file"`
	Kind string `json:"kind"` // what it is, or which part of it, and why
}

func (u Unseen) String() string { return path.Base(u.File) + " (" + u.Kind + ")" }

// Report is what was found in one file.
type Report struct {
	Findings []Finding
	Unseen   []Unseen
}

// File looks in a file and in its name. Words are looked for in the source,
// comments included, since the source is what travels.
func (s *Search) File(p string, data []byte) Report {
	f := &file{search: s, path: p, numbers: maxNumbers, had: map[string]bool{}, same: map[string]int{}}
	f.text("", path.Base(p), nameOnly)
	r := &reader{left: maxUnpacked, emit: f.text, flag: f.flag}
	r.look("", data)
	rep := Report{Findings: f.found}
	sort.SliceStable(rep.Findings, func(i, j int) bool {
		a, b := rep.Findings[i], rep.Findings[j]
		return a.Part == b.Part && a.Line < b.Line
	})
	if f.more > 0 {
		more := Finding{File: p, What: "more like these", Text: fmt.Sprintf("%d further findings", f.more)}
		more.Key = key(more, "", 0)
		rep.Findings = append(rep.Findings, more)
	}
	if f.numbers <= 0 {
		r.closed("", "it holds more than %d numbers; the rest was not looked at", maxNumbers)
	}
	seen := map[string]bool{}
	for _, kind := range r.unseen {
		if !seen[kind] && len(rep.Unseen) < 20 {
			seen[kind] = true
			rep.Unseen = append(rep.Unseen, Unseen{p, kind})
		}
	}
	return rep
}

// file gathers the findings of one file.
type file struct {
	search  *Search
	path    string
	found   []Finding
	more    int
	numbers int             // that are still looked at
	had     map[string]bool // what was found on which line
	same    map[string]int  // findings that read alike, for their keys
}

// flag adds a finding that is no text.
func (f *file) flag(part, what, text string) {
	f.add(Finding{File: f.path, Part: part, What: what, Text: text}, "")
}

func (f *file) add(x Finding, line string) {
	id := fmt.Sprintf("%s\x00%d\x00%s", x.Part, x.Line, Fold(x.Text))
	if f.had[id] {
		return
	}
	if len(f.found) == maxFindings {
		f.more++
		return
	}
	f.had[id] = true
	alike := key(x, line, 0)
	x.Key = key(x, line, f.same[alike])
	f.same[alike]++
	f.found = append(f.found, x)
}

// key stands for a finding: the file, the part, what was found, the line it
// stands in, and which of several that read alike it is.
func key(x Finding, line string, nth int) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%s\x00%s\x00%s\x00%d", x.File, x.Part, x.What, x.Text, strings.Join(strings.Fields(line), " "), nth))
	return hex.EncodeToString(sum[:4])
}

// mode says how a piece of text is searched.
type mode int

const (
	everything mode = iota // names, numbers, mail addresses, prices
	namesOnly              // a second reading of text that was searched before
	nameOnly               // the name of the file
	loose                  // what looks like text in a file of another kind: long names
)

// text searches a piece of a file.
func (f *file) text(part, text string, m mode) {
	at, line, from := 0, 1, 0 // the line that was counted last, and where it begins
	hits := f.search.names(text, m)
	if m == everything || m == nameOnly {
		hits = append(hits, f.search.forms(text, &f.numbers)...)
	}
	sort.SliceStable(hits, func(i, j int) bool {
		a, b := hits[i], hits[j]
		return a.start < b.start || a.start == b.start && a.end > b.end
	})
	end := 0
	for _, h := range hits {
		if h.start < end {
			continue // in a longer one
		}
		end = h.end
		x := Finding{File: f.path, Part: part, What: h.what, Text: cut(strings.Join(strings.Fields(text[h.start:h.end]), " "), 200)}
		switch m {
		case nameOnly:
			x.What += " in the file's name"
			f.add(x, "")
			continue
		case loose:
			f.add(x, "")
			continue
		}
		line += strings.Count(text[at:h.start], "\n")
		if i := strings.LastIndexByte(text[at:h.start], '\n'); i >= 0 {
			from = at + i + 1
		}
		at = h.start
		to := min(len(text), h.end+2048)
		if i := strings.IndexByte(text[h.end:to], '\n'); i >= 0 {
			to = h.end + i
		}
		x.Line = line
		x.Column = 1 + utf8.RuneCountInString(text[max(from, h.start-4096):h.start])
		f.add(x, text[max(from, h.start-2048):to])
	}
}

func cut(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most-3]) + "..."
	}
	return s
}
