package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"strings"

	"benchlore/ledger"
	"benchlore/schema"
)

// overview runs a command whose answer is worked out from records. Where a file could
// not be read, the answer lacks it: it says so first and last, and ends with 1.
func (a *app) overview(fn func(l *ledger.Ledger) error) error {
	return a.with(func(l *ledger.Ledger) error {
		a.unread = l.Unread
		defer func() { a.unread = nil }()
		err := fn(l)
		if list := l.Unread(); len(list) > 0 && (err == nil || errors.Is(err, errFound)) {
			// Where the answer stands in a file, or is no text, it is said here as well.
			if a.unreadSaid < len(list) || a.output != "" && a.output != "-" {
				fmt.Fprint(a.err, unreadText("this answer lacks ", list, true))
			}
			err = errFound
		}
		return err
	})
}

// unreadText lists files that could not be read, with the place and the remedy.
func unreadText(first string, list []schema.Problem, remedies bool) string {
	const most = 20
	var b strings.Builder
	fmt.Fprintf(&b, "NOT COMPLETE: %s%s that cannot be read:\n", first, plural(len(list), "file"))
	for i, p := range list {
		if i == most {
			fmt.Fprintf(&b, "  and %d more; see: benchlore check\n", len(list)-most)
			break
		}
		fmt.Fprintf(&b, "  %s\n", p.Error())
		if remedies && p.Write != "" {
			fmt.Fprintf(&b, "    %s\n", p.Write)
		}
	}
	return b.String()
}

// complete passes an answer on, and says first and last what it lacks. Tables for
// other programs have no place for it: there standard error and the exit code say it.
func (a *app) complete(w io.Writer, fn func(io.Writer) error) error {
	if a.unread == nil {
		return fn(w)
	}
	var b bytes.Buffer
	if err := fn(&b); err != nil {
		return errors.Join(err, passOn(w, b.Bytes()))
	}
	list, data := a.unread(), b.Bytes()
	if len(list) == 0 {
		return passOn(w, data)
	}
	said := true
	switch text := bytes.TrimSpace(data); {
	case a.tabular || bytes.HasPrefix(text, []byte("<svg")) || bytes.HasPrefix(text, []byte("<?xml")) || bytes.HasPrefix(text, []byte("PK\x03\x04")):
		said = false
	case json.Valid(text):
		data = unreadJSON(text, list)
	case bytes.HasPrefix(bytes.ToLower(text), []byte("<!doctype html")):
		data = unreadHTML(data, list)
	default:
		data = []byte(unreadText("what follows lacks ", list, true) + "\n" + string(data) + "\n" + unreadText("what stands above lacks ", list, false))
	}
	if said {
		a.unreadSaid = len(list)
	}
	return passOn(w, data)
}

func passOn(w io.Writer, data []byte) error {
	_, err := w.Write(data)
	return err
}

// unreadJSON adds what is missing: the key "unread" to an object, and to a list an
// object with that key as its last element.
func unreadJSON(text []byte, list []schema.Problem) []byte {
	words, err := json.MarshalIndent(list, "  ", "  ")
	if err != nil {
		panic(err) // a problem is a plain value
	}
	end := len(text) - 1
	body := bytes.TrimRight(text[:end], " \n")
	key := append([]byte("\"unread\": "), words...)
	if text[end] == ']' {
		key = append(append([]byte("{"), key...), '}')
	}
	out := bytes.Clone(body)
	if len(body) > 1 {
		out = append(out, ',')
	}
	out = append(append(out, "\n  "...), key...)
	return append(out, '\n', text[end], '\n')
}

// unreadHTML says on a page, first and last, what it lacks.
func unreadHTML(page []byte, list []schema.Problem) []byte {
	note := []byte("<pre role=\"note\">" + html.EscapeString(unreadText("this page lacks ", list, true)) + "</pre>\n")
	if i := bytes.Index(page, []byte("<main")); i >= 0 {
		page = append(append(bytes.Clone(page[:i]), note...), page[i:]...)
	}
	if i := bytes.LastIndex(page, []byte("</main>")); i >= 0 {
		i += len("</main>")
		page = append(append(bytes.Clone(page[:i]), note...), page[i:]...)
	}
	return page
}
