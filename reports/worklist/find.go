package worklist

import (
	"fmt"
	"io"

	"benchlore/reports/page"
)

// WriteFound writes file:line of every line that was found, and below it what
// the line is about and the line itself.
func WriteFound(w io.Writer, found []Found, o page.TextOptions) error {
	p := &page.Text{W: w, O: o}
	for _, f := range found {
		mark := ""
		if f.Withdrawn {
			mark = "  WITHDRAWN"
		}
		p.Line(fmt.Sprintf("%s:%d%s", f.File, f.Line, mark))
		text := page.Clean(f.Text)
		if f.About != "" {
			text = page.Clean(f.About) + ": " + text
		}
		for _, l := range page.Chop(text, o.Columns()-4) {
			p.Line("    " + l)
		}
	}
	return p.Err
}
