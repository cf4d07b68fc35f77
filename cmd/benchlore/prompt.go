package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/form"
)

// prompter asks for one record at the terminal. Every answer, and what is typed
// before there is one, is kept as a draft until the record is stored.
type prompter struct {
	form  *form.Form
	draft *ledger.Draft
	what  form.Draft // the draft, but for its answers
	out   io.Writer
	trial *ledger.Trial
}

// prompts asks for a record of the kind and returns it, with the draft to drop
// once it is stored.
func (a *app) prompts(l *ledger.Ledger, name string, head schema.Common) (schema.Record, *ledger.Draft, error) {
	out := a.promptOut()
	if out == nil {
		return nil, nil, usagef("give flags (see --help), --from FILE or --from -", "nothing says what the record holds, and there is no terminal to ask at")
	}
	stock, err := l.Stock()
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
	p := &prompter{draft: draft, out: out, what: form.Draft{Kind: head.Kind, Unit: name, Date: head.Date, By: head.By}}
	kept, err := p.kept(a)
	if err == nil {
		head.Date, head.By = p.what.Date, p.what.By
		if head.Seq, err = l.NextSeq(name, head.Date); err == nil {
			p.trial, err = l.Trial(name, stock, head.Kind, head.Date)
		}
	}
	if err != nil {
		return nil, draft, err
	}
	src := form.Source{Head: head, Unit: u.Unit, Shop: l.Shop, Families: stock.Families, Lots: stock.Lots, Check: p.whole}
	var lost []form.Answer
	p.form, lost = form.Resume(src, kept)
	if len(lost) > 0 {
		fmt.Fprintf(out, "the ledger has changed since; these answers have no question any more:\n")
		for _, x := range lost {
			fmt.Fprintf(out, "  %s: %s\n", x.Path, x.Text)
		}
	}
	if !a.json {
		a.powerLine(u.Unit)
	}
	if plainTerminal() {
		err = p.plain(a.in)
	} else {
		err = p.screen(a.in)
	}
	return p.form.Record(), draft, err
}

// promptOut is where questions go: standard error, so that the answer of the
// command can be sent elsewhere, else standard output; nil where neither is a
// terminal, or nobody is there to answer.
func (a *app) promptOut() io.Writer {
	if !a.interactive() {
		return nil
	}
	for _, w := range []io.Writer{a.err, a.out} {
		if f := fileOf(w); f != nil && term.IsTerminal(int(f.Fd())) {
			return f
		}
	}
	return nil
}

// plainTerminal reports whether the terminal can do no more than print lines.
func plainTerminal() bool {
	return os.Getenv("TERM") == "dumb"
}

// kept offers what an earlier prompt left behind.
func (p *prompter) kept(a *app) ([]form.Answer, error) {
	data, err := p.draft.Read()
	if err != nil || data == nil {
		return nil, err
	}
	d, err := form.DecodeDraft(data)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w; move it away", p.draft.Name(), err)
	}
	if d.Empty() || d.Unit != p.what.Unit || d.Kind != p.what.Kind {
		return nil, nil
	}
	fmt.Fprintf(p.out, "%s: a %s record of %s is unfinished, %s\ngo on with it? n throws it away. [Y/n] ",
		d.Unit, d.Kind, d.Date, plural(len(d.Answers), "answer"))
	var answer string
	fmt.Fscanln(a.in, &answer)
	switch strings.ToLower(answer) {
	case "", "y", "yes":
		p.what = *d
		return d.Answers, nil
	case "n", "no":
		return nil, p.draft.Drop()
	}
	return nil, errKept(p)
}

// errKept says that nothing was stored, and how to go on.
func errKept(p *prompter) error {
	if data, err := p.draft.Read(); err == nil && data == nil {
		return usagef("", "nothing was stored, and nothing was typed")
	}
	return usagef("go on with: benchlore record "+string(p.what.Kind)+" --unit "+p.what.Unit, "nothing was stored; what was typed is kept")
}

// save keeps the answers and what is typed. Answers survive a power cut, single
// keys a program that dies.
func (p *prompter) save(typed string) error {
	d := p.what
	d.Typed = typed
	d.Answers = p.form.Answers()
	if d.Empty() {
		return p.draft.Drop()
	}
	return p.draft.Save(d.Encode(), typed == "")
}

// whole reads the record among the unit's others.
func (p *prompter) whole(rec schema.Record) []schema.Problem {
	problems, err := p.trial.Across(rec)
	if err != nil {
		return nil // storing the record will say so
	}
	return problems
}

// review is the record as it would be stored, with what is wrong with it.
func (p *prompter) review() (text, wrong string) {
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
