package main

import (
	"bytes"
	"io"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"
)

// Every help text keeps to one voice and to 80 columns.
func TestHelpTexts(t *testing.T) {
	root := (&app{in: strings.NewReader(""), out: io.Discard, err: io.Discard}).root()
	var check func(c *cobra.Command)
	check = func(c *cobra.Command) {
		if c.Name() == "completion" || c.Name() == "help" {
			return
		}
		at := c.CommandPath()
		if r, _ := utf8.DecodeRuneInString(c.Short); c.Short == "" || !unicode.IsUpper(r) || strings.HasSuffix(c.Short, ".") || len(c.Short) > 80 {
			t.Errorf("%s: short help %q: begin with a capital, no full stop, one line", at, c.Short)
		}
		if c.Long != "" && strings.TrimSpace(c.Long) != c.Long {
			t.Errorf("%s: blanks around the help text", at)
		}
		if c != root && !strings.HasPrefix(c.Example, "  "+c.CommandPath()) {
			t.Errorf("%s: no example of it in its help", at)
		}
		var b bytes.Buffer
		c.SetOut(&b)
		if err := c.Help(); err != nil {
			t.Fatal(err)
		}
		_, flags, _ := strings.Cut(b.String(), "\nFlags:\n")
		for _, part := range []string{c.Long, flags} {
			for _, l := range strings.Split(part, "\n") {
				if n := utf8.RuneCountInString(l); n > helpWidth && strings.Contains(strings.TrimSpace(l), " ") {
					t.Errorf("%s: %d columns: %s", at, n, l)
				}
			}
		}
		if strings.Contains(flags, "string") && !strings.Contains(c.Long, "string") {
			t.Errorf("%s: a flag does not name what it takes:\n%s", at, flags)
		}
		for _, sub := range c.Commands() {
			check(sub)
		}
	}
	check(root)
}
