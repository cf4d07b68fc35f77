package worklist

import (
	"bytes"
	"fmt"
	"path"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"unicode/utf8"
	"sync"

	"benchlore/ledger"
	"benchlore/schema"
)

// FindOptions say what text is looked for, and where.
type FindOptions struct {
	Texts  []string // every one must be in the file; lines with any of them are found
	Regexp bool     // the texts are regular expressions (RE2); plain texts are found in any case
	Kinds  []string // only files of these kinds, of [FindKinds]; none: all
	Unit   string   // only this unit, model/tag
	Since  schema.Date
	Until  schema.Date
}

// FindKinds are the kinds of files that are searched.
func FindKinds() []string {
	return append(schema.Kind("").Words(), "instrument", "model", "lot", "book")
}

// Found is one line with what was looked for.
type Found struct {
	File      string `json:"file"` // slash path from the ledger
	Line      int    `json:"line"`
	Column    int    `json:"column"` // of the first hit, in characters, from 1
	Kind      string `json:"kind"`
	Unit      string `json:"unit,omitempty"`
	Date      string `json:"date,omitempty"`
	About     string `json:"about,omitempty"` // which part, reading or fault the line belongs to
	Text      string `json:"text"`            // the line as it stands
	Withdrawn bool   `json:"withdrawn,omitempty"`
}

// Search looks through the text of instruments, records, models, lots and books in
// the work tree, as it stands in the files: books first, then by path and line.
// It reads no unit as a whole, so that it finds in files with errors too. The
// models that units carry with them are searched only when models are asked for.
func Search(l *ledger.Ledger, o FindOptions) ([]Found, error) {
	f, err := newFinder(o)
	if err != nil {
		return nil, err
	}
	dirs, err := findDirs(l, o)
	if err != nil {
		return nil, err
	}
	results := make([][]Found, len(dirs))
	errs := make([]error, len(dirs))
	next := make(chan int)
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Add(1)
		go func() {
			defer workers.Done()
			for i := range next {
				results[i], errs[i] = findIn(l, dirs[i], f)
			}
		}()
	}
	for i := range dirs {
		next <- i
	}
	close(next)
	workers.Wait()
	out := []Found{}
	for i := range dirs {
		if errs[i] != nil {
			return nil, errs[i]
		}
		out = append(out, results[i]...)
	}
	return out, nil
}

// findDirs lists the folders to be searched, in order of path.
func findDirs(l *ledger.Ledger, o FindOptions) ([]string, error) {
	units := []string{o.Unit}
	if o.Unit == "" {
		var err error
		if units, err = l.Units(); err != nil {
			return nil, err
		}
	}
	var dirs []string
	if slices.Contains(o.Kinds, "book") || len(o.Kinds) == 0 {
		for _, u := range units {
			dirs = append(dirs, schema.BookFolder(u))
		}
	}
	for _, u := range units {
		dirs = append(dirs, schema.UnitFolder(u))
	}
	if o.Unit == "" && o.Since.IsZero() && o.Until.IsZero() {
		dirs = append(dirs, "lots", "models")
	}
	return dirs, nil
}

func findIn(l *ledger.Ledger, dir string, f *finder) ([]Found, error) {
	entries, err := l.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []Found
	for _, e := range entries {
		at := schema.ParsePath(dir + "/" + e.Name())
		kind := kindOfFile(at)
		if at.Is == schema.IsUnitModel && !slices.Contains(f.o.Kinds, "model") {
			continue // what models/ says, over again in every unit
		}
		if e.IsDir() || kind == "" || f.o.Kinds != nil && !slices.Contains(f.o.Kinds, kind) {
			continue
		}
		data, err := l.ReadFile(at.String())
		if err != nil {
			return nil, fmt.Errorf("%s: %w", at, err)
		}
		if !utf8.Valid(data) {
			// Its text is looked through as if it were, and words with accents are missed.
			l.NoteUnread(schema.Problem{File: at.String(), Severity: schema.Unreadable, Message: "this file is not UTF-8", Write: "save it as UTF-8"})
		}
		out = append(out, f.file(at, kind, data)...)
	}
	return out, nil
}

// kindOfFile is what a file is called among [FindKinds], "" if it is none of
// them.
func kindOfFile(p schema.Path) string {
	if !strings.HasSuffix(p.Name, ".toml") {
		return ""
	}
	switch p.Is {
	case schema.IsRecord:
		return p.Kind
	case schema.IsInstrument:
		return "instrument"
	case schema.IsModel, schema.IsUnitModel:
		return "model"
	case schema.IsLot:
		return "lot"
	case schema.IsBook:
		return "book"
	}
	return ""
}

type finder struct {
	o     FindOptions
	plain [][]byte // in lower case
	forms []*regexp.Regexp
}

func newFinder(o FindOptions) (*finder, error) {
	f := &finder{o: o}
	for _, t := range o.Texts {
		if t == "" {
			return nil, &ledger.UsageError{What: "an empty text is in every line", Remedy: "write what is to be found"}
		}
		if !o.Regexp {
			f.plain = append(f.plain, bytes.ToLower([]byte(t)))
			continue
		}
		form, err := regexp.Compile(t)
		if err != nil {
			return nil, &ledger.UsageError{What: fmt.Sprintf("%q is no regular expression: %v", t, err), Remedy: "leave --regexp out to find it as it stands"}
		}
		f.forms = append(f.forms, form)
	}
	return f, nil
}

// at gives where a text is in a line, -1 where it is not. For plain texts the
// line is in lower case.
func (f *finder) at(i int, line []byte) int {
	if !f.o.Regexp {
		return bytes.Index(line, f.plain[i])
	}
	if m := f.forms[i].FindIndex(line); m != nil {
		return m[0]
	}
	return -1
}

var (
	dateLine      = regexp.MustCompile(`(?m)^date\s*=\s*([0-9]{4}-[0-9]{2}-[0-9]{2})`)
	withdrawnLine = regexp.MustCompile(`(?m)^withdrawn\s*=\s*true`)
)

// file looks through one file.
func (f *finder) file(p schema.Path, kind string, data []byte) []Found {
	// Most files hold nothing: they are put aside before lines are told apart.
	look := data
	if !f.o.Regexp {
		look = bytes.ToLower(data)
		for _, t := range f.plain {
			if !bytes.Contains(look, t) {
				return nil
			}
		}
	}
	base := Found{File: p.String(), Kind: kind, Unit: p.Unit}
	if m := dateLine.FindSubmatch(data); m != nil && kind != "lot" {
		base.Date = string(m[1])
	}
	if !f.o.Since.IsZero() && (base.Date == "" || base.Date < f.o.Since.String()) || !f.o.Until.IsZero() && (base.Date == "" || base.Date > f.o.Until.String()) {
		return nil
	}
	base.Withdrawn = withdrawnLine.Match(data)
	// Lower case may take more or fewer bytes, but no line more or fewer.
	lines, lookLines := bytes.Split(data, []byte("\n")), bytes.Split(look, []byte("\n"))
	hit := make([]bool, len(f.o.Texts))
	var out []Found
	for n, line := range lookLines {
		first := -1
		for i := range f.o.Texts {
			if at := f.at(i, line); at >= 0 {
				hit[i] = true
				if first < 0 || at < first {
					first = at
				}
			}
		}
		if first < 0 {
			continue
		}
		x := base
		x.Line, x.Column = n+1, len([]rune(string(line[:first])))+1
		x.Text = strings.TrimRight(string(lines[n]), "\r")
		x.About = about(lines, n)
		out = append(out, x)
	}
	if slices.Contains(hit, false) {
		return nil
	}
	return out
}

var (
	tableLine = regexp.MustCompile(`^\s*\[\[?\s*[A-Za-z0-9_.-]+\s*\]\]?`)
	whoLine   = regexp.MustCompile(`^\s*(section|ref|count|family|point|at|id|name|file)\s*=\s*("(?:[^"\\]|\\.)*"|'[^']*'|[0-9]+)`)
)

// about names the part, reading, fault or the like whose table a line belongs
// to: what tells it apart from its neighbours.
func about(lines [][]byte, n int) string {
	start := -1
	for i := n; i >= 0; i-- {
		if tableLine.Match(lines[i]) {
			start = i
			break
		}
	}
	if start < 0 {
		return ""
	}
	has := map[string]string{}
	for i := start + 1; i < len(lines) && !tableLine.Match(lines[i]); i++ {
		if m := whoLine.FindSubmatch(lines[i]); m != nil && i != n && has[string(m[1])] == "" {
			has[string(m[1])] = strings.Trim(string(m[2]), `"'`)
		}
	}
	var words []string
	for _, k := range []string{"id", "name", "section", "ref", "point", "at", "file"} {
		if has[k] != "" {
			words = append(words, has[k])
		}
	}
	if has["ref"] == "" && has["count"] != "" {
		words = append(words, has["count"], has["family"])
	}
	table := strings.Trim(strings.TrimSpace(string(lines[start])), "[] ")
	if words == nil {
		return path.Base(strings.ReplaceAll(table, ".", "/"))
	}
	return strings.Join(words, " ")
}
