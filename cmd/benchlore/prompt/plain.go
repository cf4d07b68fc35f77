package prompt

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"unicode/utf8"

	"benchlore/schema/form"
)

// back is typed to go back where there are no keys for it.
const back = "<"

// plain asks line by line, on terminals that can do no more.
func (p *Prompt) plain(in io.Reader) error {
	lines := make(chan string)
	go func() {
		defer close(lines)
		r := bufio.NewReader(in)
		for {
			line, err := r.ReadString('\n')
			if err != nil && line == "" {
				return
			}
			lines <- strings.TrimRight(line, "\r\n")
		}
	}()
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, os.Interrupt)
	defer signal.Stop(stop)

	fmt.Fprintf(p.at.Out, "\n%s, %s, %s, %s\n", p.what.Unit, p.what.Kind, p.what.Date, p.what.By)
	fmt.Fprintf(p.at.Out, "Enter takes the value in brackets, or skips the key; - skips it;\n%s goes back; ? lists the choices; Ctrl-C keeps it for later.\n", back)
	doubted, was := "", p.what.Typed // was: what was typed here before
	for again := false; !p.form.Done(); {
		q := p.form.Question()
		if !again {
			p.plainQuestion(q)
		}
		if was == "" {
			was = q.Default
		}
		fmt.Fprint(p.at.Out, bracketed(was)+"> ")
		var text string
		var ok bool
		select {
		case text, ok = <-lines:
		case <-stop:
		}
		if !ok {
			fmt.Fprintln(p.at.Out)
			return p.unfinished()
		}
		again = true
		switch strings.TrimSpace(text) {
		case "?":
			for _, c := range q.Choices {
				fmt.Fprintln(p.at.Out, strings.TrimRight("  "+choiceLine(c), " "))
			}
			continue
		case back:
			again = false
			if was, ok = p.form.Back(); !ok {
				fmt.Fprintln(p.at.Out, "  this is the first question")
			}
			if err := p.save(""); err != nil {
				return err
			}
			continue
		}
		if strings.TrimSpace(text) == "" {
			text = was
			if path, doubt, ok := strings.Cut(doubted, "\n"); ok && path == q.Path { // Enter keeps it
				text = doubt
			}
		}
		if r := q.Remark(text); r.Verdict != "" {
			p.say(r.Text)
		}
		err := p.form.Answer(text, doubted == q.Path+"\n"+text)
		if e := (*form.Error)(nil); errors.As(err, &e) {
			p.say(refusal(e))
			if doubted = ""; e.Doubt {
				doubted = q.Path + "\n" + text
			}
			continue
		}
		again, was = false, ""
		if err := p.save(""); err != nil {
			return err
		}
	}
	return nil
}

func (p *Prompt) plainQuestion(q *form.Question) {
	if q.Role == form.Store {
		text, wrong := p.review()
		fmt.Fprint(p.at.Out, "\n"+text)
		if wrong != "" {
			fmt.Fprint(p.at.Out, "\n"+wrong)
		}
	}
	fmt.Fprintln(p.at.Out, "\n"+questionTitle(q))
	if q.Help != "" {
		p.say(q.Help)
	}
	if n := len(q.Choices); n > 0 && n <= 12 && q.Role == form.Key {
		var words []string
		for _, c := range q.Choices {
			words = append(words, c.Word)
		}
		p.say(strings.Join(words, ", "))
	}
	if r := q.Remark(""); r.Text != "" {
		p.say(r.Text)
	}
}

// say prints a text in lines of at most 78 columns, set in.
func (p *Prompt) say(text string) {
	line := " "
	for _, w := range strings.Fields(text) {
		if utf8.RuneCountInString(line)+1+utf8.RuneCountInString(w) > 78 && line != " " {
			fmt.Fprintln(p.at.Out, line)
			line = " "
		}
		line += " " + w
	}
	fmt.Fprintln(p.at.Out, line)
}

// questionTitle names the table and the key asked for.
func questionTitle(q *form.Question) string {
	if q.Table == "" {
		return q.Name
	}
	return q.Table + ": " + q.Name
}

func bracketed(s string) string {
	if s == "" {
		return ""
	}
	return "[" + s + "] "
}

func choiceLine(c form.Choice) string { return fmt.Sprintf("%-20s %s", c.Word, c.About) }

// refusal says why an answer is not taken, and what to do.
func refusal(e *form.Error) string {
	text := e.What
	if e.Remedy != "" {
		text += "; " + e.Remedy
	}
	if e.Doubt {
		text += "; Enter keeps it, another answer replaces it"
	}
	return text
}
