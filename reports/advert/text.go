package advert

import (
	"io"
	"strings"

	"benchlore/reports/page"
)

// TextOptions say which text is written.
type TextOptions struct {
	page.TextOptions
	Short bool
	Cite  bool // each sentence with the records it rests on
}

// WriteText writes the advert as plain text, to be pasted anywhere.
func (a *Advert) WriteText(w io.Writer, o TextOptions) error {
	var out strings.Builder
	out.WriteString(a.Title + "\n")
	about := ""
	var run []string
	flush := func() {
		if len(run) > 0 {
			out.WriteString("\n" + strings.Join(page.Wrap(strings.Join(run, " "), o.Columns()), "\n") + "\n")
		}
		run = nil
	}
	for _, s := range a.Text {
		if o.Short && !s.Short {
			continue
		}
		if s.About != about || o.Cite {
			flush()
			about = s.About
		}
		text := s.Text
		if o.Cite {
			text += " [" + strings.Join(s.Records, ", ") + "]"
		}
		run = append(run, text)
	}
	flush()
	_, err := io.WriteString(w, out.String())
	return err
}
