// Package form asks for a record one key at a time. What is asked, in which
// order and what is offered follow from the schema and from the unit on the
// bench; how a question is put on a screen is the caller's affair.
//
//	f := form.Resume(src, nil)
//	for !f.Done() {
//		q := f.Question()
//		err := f.Answer(typed, false) // an *Error says what to write instead
//	}
//	rec := f.Record()
//
// A form is its answers and nothing else: everything is worked out from them
// anew, so that going back is taking the last one away, and what was typed
// outlives the program as a list of texts.
package form

import (
	"reflect"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/remedy"
	"benchlore/schema/unit"
)

// Source is what questions are made from. Shop and Check may be nil.
type Source struct {
	Head     schema.Common // kind, date, by and seq of the record; the rest is asked
	Unit     *unit.Unit
	Shop     *schema.Shop
	Families schema.FamilyList
	Lots     map[string]*schema.Lot // by name
	// Check reads the record so far among the unit's others and returns what
	// does not go with them.
	Check func(schema.Record) []schema.Problem
}

// Answer is one answer as it was taken: a text, with the key it is for. An
// empty text leaves the key out.
type Answer struct {
	Path string `toml:"path"`
	Text string `toml:"text"`
}

// Role says what a question is for.
type Role int

const (
	// Key asks for the value of one key.
	Key Role = iota
	// More asks whether a table is complete: another one of its kind, or a
	// key that was not asked for.
	More
	// Store is the last question: store the record, or go on with it.
	Store
)

// Words that answer questions of the roles More and Store.
const (
	Next    = "next"    // the table is complete
	Another = "another" // one more of its kind
	Keep    = "store"   // the record is complete
)

// LeaveOut is typed to leave a key out that has a default.
const LeaveOut = "-"

// Choice is one answer that is offered.
type Choice struct {
	Word  string
	About string // may be empty
}

// Question is one thing to ask.
type Question struct {
	Path    string // part[1].new.value, counted from 0
	Role    Role
	Table   string // what it belongs to: "part 2, divider 3 C4"; "" for the record's own keys
	Name    string // the key in words: "new value"
	Help    string // what to write
	Default string // what an empty answer stands for; "": the key is left out
	Must    bool   // an empty answer is refused where there is no default
	Closed  bool   // nothing but Choices is taken
	Several bool   // several answers, separated by commas
	Long    bool   // may be long: prose
	Choices []Choice

	resolve bool                     // the start of a choice stands for the choice
	test    func(string) error       // whether a text has the form of the key
	remark  func(text string) Remark // nil: none
	unit    string                   // what a bare number is taken in
}

// Remark is what can be said beside an answer while it is being typed.
type Remark struct {
	Text    string
	Verdict unit.Verdict // of a reading; [unit.NoLimit] while there is none
}

// Remark returns what is to be said beside a text typed so far.
func (q *Question) Remark(text string) Remark {
	if q.remark == nil {
		return Remark{}
	}
	if text = strings.TrimSpace(text); text == "" {
		text = q.Default
	}
	return q.remark(text)
}

// Error says why an answer is not taken and what to write instead.
type Error struct {
	What, Remedy string
	// Doubt means that the text has the right form and does not go with the
	// unit. It is taken when it is given again.
	Doubt bool
}

func (e *Error) Error() string { return e.What }

// Hint names what to write instead.
func (e *Error) Hint() string { return e.Remedy }

// Form is a record being asked for.
type Form struct {
	src     Source
	answers []Answer
	rec     schema.Record
	q       *Question // nil: done
	shown   []Line
}

// Line is an answer with the words of its question.
type Line struct{ Table, Name, Text string }

// Resume asks for a record of the kind that the source's head names, and goes on
// with answers given before; none begins it. Those that no longer have a
// question, since the model or the records have changed, and those behind them
// come back in lost.
func Resume(src Source, answers []Answer) (f *Form, lost []Answer) {
	f = &Form{src: src, answers: slices.Clone(answers)}
	f.walk()
	return f, answers[len(f.answers):]
}

// Question returns what is to be asked now, nil when the form is done.
func (f *Form) Question() *Question { return f.q }

// Done reports whether the record is complete.
func (f *Form) Done() bool { return f.q == nil }

// Record returns the record as far as it has been answered.
func (f *Form) Record() schema.Record { return f.rec }

// Answers returns the answers given, for [Resume].
func (f *Form) Answers() []Answer { return slices.Clone(f.answers) }

// Lines returns the answers with the words of their questions, for a person
// to look back at. Those that left a key out are not among them.
func (f *Form) Lines() []Line { return f.shown }

// Back takes the last answer away and returns its text. ok is false where
// there is none.
func (f *Form) Back() (text string, ok bool) {
	n := len(f.answers)
	if n == 0 {
		return "", false
	}
	text = f.answers[n-1].Text
	f.answers = f.answers[:n-1]
	f.walk()
	return text, true
}

// Answer takes an answer to the question at hand. The error is an *Error; the
// form is then as it was. insist takes an answer that is in doubt.
func (f *Form) Answer(text string, insist bool) error {
	q := f.q
	text, err := q.read(text)
	if err != nil {
		return err
	}
	before := f.answers
	f.answers = append(slices.Clip(before), Answer{q.Path, text})
	f.walk()
	if q.Role == Key && text != "" && !insist {
		if doubt := f.doubt(q); doubt != nil {
			f.answers = before
			f.walk()
			return doubt
		}
	}
	return nil
}

// doubt returns what does not go with the unit in the answer just given.
func (f *Form) doubt(q *Question) error {
	if f.src.Check == nil {
		return nil
	}
	for _, p := range f.src.Check(f.rec) {
		if p.Path == q.Path || q.Several && strings.HasPrefix(p.Path, q.Path+"[") {
			return &Error{What: p.Message, Remedy: p.Write, Doubt: true}
		}
	}
	return nil
}

// read turns what was typed into the text of an answer.
func (q *Question) read(text string) (string, error) {
	text = strings.TrimSpace(text)
	switch {
	case text == LeaveOut && q.Role == Key:
		return "", nil
	case text == "" && q.Default != "":
		text = q.Default
	case text == "" && q.Must && q.Role != Key:
		return "", &Error{What: "the record is still empty", Remedy: "write " + q.Help}
	case text == "" && q.Must:
		if len(q.Choices) > 0 && len(q.Choices) <= 12 {
			return "", &Error{What: q.Name + " is needed", Remedy: "write one of: " + strings.Join(words(q.Choices), ", ") + "; or - to leave it out"}
		}
		return "", &Error{What: q.Name + " is needed", Remedy: "write " + q.Help + "; or - to leave it out"}
	case text == "":
		return "", nil
	}
	parts := []string{text}
	if q.Several {
		parts = split(text)
	}
	if q.Closed || q.resolve {
		for i, p := range parts {
			word, err := q.choose(p)
			if err != nil {
				return "", err
			}
			parts[i] = word
		}
		text = strings.Join(parts, ", ")
	}
	if q.test != nil {
		if err := q.test(text); err != nil {
			what, write := remedy.Parts(err)
			return "", &Error{What: what, Remedy: write}
		}
	}
	return withUnit(text, q.unit), nil
}

// choose finds the choice a text means: itself, or the only one it is the
// beginning of.
func (q *Question) choose(text string) (string, error) {
	var begin, kind []string // kind: of a family, without its group
	low := strings.ToLower(text)
	for _, c := range q.Choices {
		if strings.EqualFold(c.Word, text) {
			return c.Word, nil
		}
		if strings.HasPrefix(strings.ToLower(c.Word), low) {
			begin = append(begin, c.Word)
		}
		if _, after, ok := strings.Cut(c.Word, "/"); ok && strings.HasPrefix(strings.ToLower(after), low) {
			kind = append(kind, c.Word)
		}
	}
	if begin == nil {
		begin = kind
	}
	switch {
	case len(begin) == 1, q.Role != Key && len(begin) > 0 && slices.Contains([]string{Next, Another, Keep}, begin[0]):
		return begin[0], nil
	case !q.Closed:
		return text, nil
	case len(begin) > 1:
		return "", &Error{What: "\"" + text + "\" may be " + strings.Join(clip(begin), " or "), Remedy: "write more of it"}
	}
	all := words(q.Choices)
	near := schema.Nearest(text, all)
	for _, word := range all { // fial is near the beginning of failed
		if near == "" && len(text) > 2 && len(word) > len(text) && schema.Nearest(text, []string{word[:len(text)]}) != "" {
			near = word
		}
	}
	if near != "" {
		return "", &Error{What: "\"" + text + "\" is not known here", Remedy: "did you mean " + near + "?"}
	}
	return "", &Error{What: "\"" + text + "\" is not known here", Remedy: "write one of: " + strings.Join(clip(all), ", ")}
}

// Offered returns the choices that go with what was typed so far: those that
// begin with it, then those that hold it. Of several answers the last counts.
func (q *Question) Offered(text string) []Choice {
	text = strings.ToLower(strings.TrimLeft(text, " "))
	if q.Several {
		text = strings.TrimLeft(text[strings.LastIndexByte(text, ',')+1:], " ")
	}
	if text == "" {
		return q.Choices
	}
	var begin, hold []Choice
	for _, c := range q.Choices {
		switch i := strings.Index(strings.ToLower(c.Word), text); {
		case i == 0:
			begin = append(begin, c)
		case i > 0:
			hold = append(hold, c)
		}
	}
	return append(begin, hold...)
}

// Complete puts a choice in the place of the answer typed last.
func (q *Question) Complete(text, word string) string {
	if q.Several {
		if i := strings.LastIndexByte(text, ','); i >= 0 {
			return text[:i+1] + " " + word
		}
	}
	return word
}

func split(text string) []string {
	var out []string
	for _, p := range strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' }) {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}

func words(list []Choice) []string {
	out := make([]string, len(list))
	for i, c := range list {
		out[i] = c.Word
	}
	return out
}

// clip shortens a list that would not be read to its end.
func clip(list []string) []string {
	const most = 12
	if len(list) > most {
		return append(slices.Clone(list[:most]), "...")
	}
	return list
}

// walk goes through the form with the answers there are.
func (f *Form) walk() {
	rec := schema.New(f.src.Head.Kind)
	*rec.Head() = f.src.Head
	w := &walker{src: &f.src, rec: rec, answers: f.answers}
	f.q = nil
	if !w.record(reflect.ValueOf(rec).Elem()) {
		f.q = w.q
	}
	f.rec, f.answers, f.shown = rec, f.answers[:w.next], w.shown
}
