package reports

import (
	"fmt"
	"io"

	"benchlore/ledger"
)

// WriteFound writes file:line of every line that was found, and below it what
// the line is about and the line itself.
func WriteFound(w io.Writer, found []ledger.Found, o TextOptions) error {
	p := &page{w: w, o: o}
	for _, f := range found {
		mark := ""
		if f.Withdrawn {
			mark = "  WITHDRAWN"
		}
		p.line(fmt.Sprintf("%s:%d%s", f.File, f.Line, mark))
		text := clean(f.Text)
		if f.About != "" {
			text = clean(f.About) + ": " + text
		}
		for _, l := range chop(text, o.width()-4) {
			p.line("    " + l)
		}
	}
	return p.err
}
