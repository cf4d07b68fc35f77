package page

import (
	"io"
	"slices"
	"strings"

	"github.com/mattn/go-runewidth"
)

// TextOptions says how a report is set as text.
type TextOptions struct {
	Width int  // columns; 0: 80. Narrower than 40 is set as 40
	Color bool // headings in bold by ANSI escapes
	Conventions
}

func (o TextOptions) Columns() int {
	switch {
	case o.Width == 0:
		return 80
	case o.Width < 40:
		return 40
	}
	return o.Width
}

// eastAsianNarrow measures ambiguous characters such as curly quotes as one
// column whatever the locale, so that a report is the same bytes everywhere.
var eastAsianNarrow = &runewidth.Condition{}

// TextWidth is the number of columns s takes.
func TextWidth(s string) int { return eastAsianNarrow.StringWidth(s) }

// Wrap breaks a text at blanks into lines of at most width columns. A word
// longer than that has a line to itself and is not broken.
func Wrap(s string, width int) []string {
	var lines []string
	line, used := "", 0
	for _, word := range strings.Fields(Tidy(Clean(s))) {
		n := TextWidth(word)
		if used > 0 && used+1+n > width {
			lines = append(lines, line)
			line, used = "", 0
		}
		if used > 0 {
			line += " "
			used++
		}
		line += word
		used += n
	}
	if used > 0 {
		lines = append(lines, line)
	}
	return lines
}

// Chop breaks a text as wrap does, and words that are too long anywhere.
func Chop(s string, width int) []string {
	var lines []string
	for _, l := range Wrap(s, width) {
		for TextWidth(l) > width {
			head := eastAsianNarrow.Truncate(l, width, "")
			if head == "" {
				break
			}
			lines = append(lines, head)
			l = l[len(head):]
		}
		lines = append(lines, l)
	}
	return lines
}

// textTable is a table without rules: a header and rows of cells, wrapped to
// fit. Columns named in right are set to the right.
type Table struct {
	Header []string
	Rows   [][]string
	Right  []int
}

// columnWidths shares width among the columns: the widest give way first, and
// none to below its longest word.
func (t *Table) columnWidths(width int) []int {
	n := len(t.Header)
	natural, least := make([]int, n), make([]int, n)
	for i, row := range append([][]string{t.Header}, t.Rows...) {
		for k, cell := range row {
			for _, word := range strings.Fields(Clean(cell)) {
				least[k] = max(least[k], min(TextWidth(word), 16))
			}
			if i > 0 { // headings wrap rather than make a column wide
				natural[k] = max(natural[k], TextWidth(Clean(cell)))
			}
		}
	}
	for k, h := range t.Header {
		if n := TextWidth(h); n <= 8 { // too short to be worth breaking
			least[k] = max(least[k], n)
		}
		natural[k] = max(natural[k], least[k])
	}
	room := width - 2*(n-1)
	for _, w := range natural {
		room -= w
	}
	for room < 0 {
		widest := -1
		for i, w := range natural {
			if w > least[i] && (widest < 0 || w > natural[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			break
		}
		natural[widest]--
		room++
	}
	for i, h := range t.Header {
		more := max(0, min(TextWidth(h)-natural[i], room))
		natural[i] += more
		room -= more
	}
	return natural
}

// page writes headings, paragraphs and lists, and keeps the first error.
type Text struct {
	W     io.Writer
	O     TextOptions
	Err   error
	Begun bool
}

func (p *Text) Line(s string) {
	if p.Err == nil {
		_, p.Err = io.WriteString(p.W, strings.TrimRight(s, " ")+"\n")
	}
	p.Begun = true
}

// Heading writes a title with a rule below it.
func (p *Text) Heading(s string) {
	if p.Begun {
		p.Line("")
		p.Line("")
	}
	for _, l := range Wrap(s, p.O.Columns()) {
		p.Bold(l)
	}
	p.Line(strings.Repeat("─", p.O.Columns()))
}

// Subheading writes a smaller title.
func (p *Text) Subheading(s string) {
	p.Line("")
	for _, l := range Wrap(s, p.O.Columns()) {
		p.Bold(l)
	}
}

func (p *Text) Bold(s string) {
	if p.O.Color {
		s = "\x1b[1m" + s + "\x1b[0m"
	}
	p.Line(s)
}

// Para writes a paragraph behind an indent of so many columns.
func (p *Text) Para(indent int, s string) { p.Hang(strings.Repeat(" ", indent), indent, s) }

// Item writes one entry of a list.
func (p *Text) Item(indent int, s string) { p.Hang(strings.Repeat(" ", indent)+"-", indent+2, s) }

// Hang writes a text whose first line starts behind lead and whose others are
// indented; lead is widened to the indent, and has a line to itself if it is
// wider or leaves too little room.
func (p *Text) Hang(lead string, indent int, s string) {
	longest := 0
	for _, word := range strings.Fields(s) {
		longest = max(longest, TextWidth(word))
	}
	if label := strings.TrimSpace(lead); label != "" && label != "-" {
		switch {
		case indent+longest > p.O.Columns():
			p.Line(lead)
			lead, indent = "", 2
		case TextWidth(lead) >= indent:
			p.Line(lead)
			lead = ""
		}
	}
	for _, l := range Wrap(s, p.O.Columns()-indent) {
		p.Line(lead + strings.Repeat(" ", max(0, indent-TextWidth(lead))) + l)
		lead = ""
	}
}

// Labelled writes entries behind a label, a blank line between labels.
func (p *Text) Labelled(label string, indent int, lines []string) {
	names := Wrap(label, indent-2)
	var body []string
	for _, s := range lines {
		for i, l := range Wrap(s, p.O.Columns()-indent-2) {
			lead := "  "
			if i == 0 && len(lines) > 1 {
				lead = "- "
			} else if len(lines) == 1 {
				lead = ""
			}
			body = append(body, lead+l)
		}
	}
	for i := range max(len(names), len(body)) {
		name, text := "", ""
		if i < len(names) {
			name = names[i]
		}
		if i < len(body) {
			text = body[i]
		}
		pad := strings.Repeat(" ", indent-TextWidth(name))
		if p.O.Color && name != "" {
			name = "\x1b[1m" + name + "\x1b[0m"
		}
		p.Line(name + pad + text)
	}
}

// Table writes a table behind an indent, a blank line before it. Where the
// page is too narrow for it, each row becomes an entry of a list.
func (p *Text) Table(indent int, t *Table) {
	p.Line("")
	if p.Err != nil || len(t.Rows) == 0 {
		return
	}
	room := p.O.Columns() - indent
	for _, w := range t.columnWidths(room) {
		room -= w + 2
	}
	if room+2 >= 0 {
		p.Err = t.Write(p.W, strings.Repeat(" ", indent), p.O.Columns())
		return
	}
	for _, row := range t.Rows {
		var s []string
		for i, cell := range row {
			if t.Header[i] != "" {
				cell = t.Header[i] + ": " + cell
			}
			s = append(s, cell)
		}
		p.Item(indent, strings.Join(s, "; ")+".")
	}
}

// Beside sets the columns of another table, but for its first, behind those of
// t.
func (t *Table) Beside(o *Table) *Table {
	n := len(t.Header)
	both := &Table{Header: slices.Concat(t.Header, o.Header[1:]), Right: slices.Clone(t.Right)}
	for _, i := range o.Right {
		both.Right = append(both.Right, n-1+i)
	}
	for i := range t.Rows {
		both.Rows = append(both.Rows, slices.Concat(t.Rows[i], o.Rows[i][1:]))
	}
	return both
}

// First keeps so many columns.
func (t *Table) First(n int) *Table {
	out := &Table{Header: t.Header[:n], Right: slices.DeleteFunc(slices.Clone(t.Right), func(i int) bool { return i >= n })}
	for _, row := range t.Rows {
		out.Rows = append(out.Rows, row[:n])
	}
	return out
}

// Natural is the width of a table of which no cell is wrapped.
func (t *Table) Natural() int {
	sum := 2 * (len(t.Header) - 1)
	for i := range t.Header {
		widest := TextWidth(t.Header[i])
		for _, row := range t.Rows {
			widest = max(widest, TextWidth(row[i]))
		}
		sum += widest
	}
	return sum
}

// Breakable lets the names of families break at the slash and nowhere else.
func (t *Table) Breakable() {
	for _, row := range t.Rows {
		row[0] = strings.ReplaceAll(row[0], "/", "/ ")
	}
}
