package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"

	"benchlore/schema/form"
)

// back is typed to go back where there are no keys for it.
const back = "<"

// plain asks line by line, on terminals that can do no more.
func (p *prompter) plain(in io.Reader) error {
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

	fmt.Fprintf(p.out, "%s, %s, %s, %s\n", p.what.Unit, p.what.Kind, p.what.Date, p.what.By)
	fmt.Fprintf(p.out, "Enter takes what stands in brackets or leaves the key out, - leaves it out,\n%s goes back, ? lists the choices, Ctrl-C keeps it for later.\n", back)
	doubted := ""
	for again := false; !p.form.Done(); {
		q := p.form.Question()
		if !again {
			p.plainQuestion(q)
		}
		fmt.Fprint(p.out, bracketed(q.Default)+"> ")
		var text string
		var ok bool
		select {
		case text, ok = <-lines:
		case <-stop:
		}
		if !ok {
			fmt.Fprintln(p.out)
			return errKept(p)
		}
		again = true
		switch strings.TrimSpace(text) {
		case "?":
			for _, c := range q.Choices {
				fmt.Fprintln(p.out, strings.TrimRight("  "+choiceLine(c), " "))
			}
			continue
		case back:
			again = false
			if _, ok := p.form.Back(); !ok {
				fmt.Fprintln(p.out, "  this is the first question")
			}
			if err := p.save(""); err != nil {
				return err
			}
			continue
		}
		if r := q.Remark(text); r.Verdict != "" {
			fmt.Fprintln(p.out, "  "+r.Text)
		}
		err := p.form.Answer(text, doubted == q.Path+"\n"+text)
		if e := (*form.Error)(nil); errors.As(err, &e) {
			fmt.Fprintln(p.out, "  "+refusal(e))
			if doubted = ""; e.Doubt {
				doubted = q.Path + "\n" + text
			}
			continue
		}
		again = false
		if err := p.save(""); err != nil {
			return err
		}
	}
	return nil
}

func (p *prompter) plainQuestion(q *form.Question) {
	if q.Role == form.Store {
		text, wrong := p.review()
		fmt.Fprint(p.out, "\n"+text)
		if wrong != "" {
			fmt.Fprint(p.out, "\n"+wrong)
		}
	}
	fmt.Fprintln(p.out, "\n"+questionTitle(q))
	if q.Help != "" {
		fmt.Fprintln(p.out, "  "+q.Help)
	}
	if n := len(q.Choices); n > 0 && n <= 12 && q.Role == form.Key {
		var words []string
		for _, c := range q.Choices {
			words = append(words, c.Word)
		}
		fmt.Fprintln(p.out, "  "+strings.Join(words, ", "))
	}
	if r := q.Remark(""); r.Text != "" {
		fmt.Fprintln(p.out, "  "+r.Text)
	}
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
		text += "; the same again keeps it"
	}
	return text
}
