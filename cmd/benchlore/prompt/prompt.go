// Package prompt asks at a terminal: for a record, key by key ([Prompt]), and for
// one line after another ([Lines]). It stores nothing itself but the draft of an
// unfinished record, through an interface.
package prompt

import (
	"fmt"
	"os"
	"strings"

	"benchlore/schema"
	"benchlore/schema/form"
)

// Terminal is where questions are asked: In is read, Out shows them. Both are
// terminals.
type Terminal struct{ In, Out *os.File }

// plainTerminal reports whether the terminal can only print lines.
func plainTerminal() bool { return os.Getenv("TERM") == "dumb" }

// Draft keeps the answers, and what is typed before there is one, until the record
// is stored.
type Draft interface {
	Name() string
	Read() ([]byte, error) // nil where nothing is kept
	Save(data []byte, sync bool) error
	Drop() error
}

// Trial reads a record among the unit's others, as if it were stored.
type Trial interface {
	Across(schema.Record) ([]schema.Problem, error)
	Problems(data []byte) ([]schema.Problem, error)
}

// Prompt asks for one record.
type Prompt struct {
	at    Terminal
	form  *form.Form
	draft Draft
	what  form.Draft // the draft without its answers
	kept  []form.Answer
	trial Trial
}

// New prepares to ask for the record that what names. Where an earlier prompt for
// the same kind and unit was left unfinished, it offers to continue that one.
func New(at Terminal, draft Draft, what form.Draft) (*Prompt, error) {
	p := &Prompt{at: at, draft: draft, what: what}
	data, err := draft.Read()
	if err != nil || data == nil {
		return p, err
	}
	d, err := form.DecodeDraft(data)
	if err != nil {
		return nil, fmt.Errorf("cannot read the draft %s: %w; move it away", draft.Name(), err)
	}
	if d.Empty() || d.Unit != what.Unit || d.Kind != what.Kind {
		return p, nil
	}
	answers := fmt.Sprintf("%d answers", len(d.Answers))
	if len(d.Answers) == 1 {
		answers = "1 answer"
	}
	fmt.Fprintf(at.Out, "%s: there is an unfinished %s record of %s, %s\ncontinue it? (n discards it) [Y/n] ", d.Unit, d.Kind, d.Date, answers)
	var answer string
	fmt.Fscanln(at.In, &answer)
	switch strings.ToLower(answer) {
	case "", "y", "yes":
		p.what, p.kept = *d, d.Answers
		return p, nil
	case "n", "no":
		return p, draft.Drop()
	}
	return nil, p.unfinished()
}

// What is the record asked for: as given to [New], or as an unfinished draft that
// is continued has it.
func (p *Prompt) What() form.Draft { return p.what }

// Ask asks until the record is complete and returns it. The error is
// [*UnfinishedError] where the prompt was left before that.
func (p *Prompt) Ask(src form.Source, trial Trial) (schema.Record, error) {
	p.trial, src.Check = trial, p.whole
	var lost []form.Answer
	p.form, lost = form.Resume(src, p.kept)
	if len(lost) > 0 {
		fmt.Fprintf(p.at.Out, "the ledger has changed since; these answers no longer fit a question:\n")
		for _, x := range lost {
			fmt.Fprintf(p.at.Out, "  %s: %s\n", x.Path, x.Text)
		}
	}
	var err error
	if plainTerminal() {
		err = p.plain(p.at.In)
	} else {
		err = p.screen()
	}
	return p.form.Record(), err
}

// UnfinishedError says that a prompt was left before its record was complete.
type UnfinishedError struct {
	What form.Draft
	Kept bool // what was typed is kept as a draft
}

func (e *UnfinishedError) Error() string {
	if e.Kept {
		return "nothing was stored; what you typed is kept"
	}
	return "nothing was stored, and nothing was typed"
}

// Hint says how to continue.
func (e *UnfinishedError) Hint() string {
	if e.Kept {
		return fmt.Sprintf("continue with: benchlore record %s --unit %s", e.What.Kind, e.What.Unit)
	}
	return ""
}

func (p *Prompt) unfinished() error {
	data, err := p.draft.Read()
	return &UnfinishedError{What: p.what, Kept: err != nil || data != nil}
}

// save keeps the answers and what is typed. Answers survive a power cut, single
// keys a program that dies.
func (p *Prompt) save(typed string) error {
	d := p.what
	d.Typed = typed
	d.Answers = p.form.Answers()
	if d.Empty() {
		return p.draft.Drop()
	}
	return p.draft.Save(d.Encode(), typed == "")
}

// whole checks the record among the unit's others.
func (p *Prompt) whole(rec schema.Record) []schema.Problem {
	problems, err := p.trial.Across(rec)
	if err != nil {
		return nil // storing the record will say so
	}
	return problems
}

// review is the record as it would be stored, and what is wrong with it.
func (p *Prompt) review() (text, wrong string) {
	data := schema.Encode(p.form.Record())
	problems, err := p.trial.Problems(data)
	if err != nil {
		return string(data), err.Error() + "\n"
	}
	var b strings.Builder
	for _, q := range problems {
		q.File = "the record"
		b.WriteString(q.Drawing())
	}
	return string(data), b.String()
}
