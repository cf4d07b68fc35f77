package provenance

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/reports/page"
)

// textSheet sets a report as text.
type textSheet struct{ *page.Text }

// positionMap sets a row of letters for each kind of reference.
func (p textSheet) positionMap(s MapSection) {
	label := 0
	for _, r := range s.Rows {
		label = max(label, min(page.TextWidth(r.Refs), 28))
	}
	for _, r := range s.Rows {
		letters := lettersWords(r.Letters)
		if page.TextWidth(r.Refs) > label {
			p.Para(2, r.Refs)
			p.Hang("", 4+label, letters)
			continue
		}
		p.Hang("  "+r.Refs, 4+label, letters)
	}
}

func (p textSheet) photo(_ PhotoReport, words string) { p.Item(0, words) }

func (p textSheet) command(s string) { p.Para(4, s) }

func (p textSheet) readingTable(_ []ReadingRow, t *page.Table) { p.Table(2, t) }

// values sets a table's values in rows, each behind its first position.
func (p textSheet) values(x TableReport) {
	cells := make([]string, len(x.Values))
	width, label := 1, 0
	for i, v := range x.Values {
		cells[i] = v
		if slices.Contains(x.Outside, x.Positions[i]) {
			cells[i] += "*"
		}
		width = max(width, len(cells[i]))
		label = max(label, min(page.TextWidth(x.Positions[i]), 20))
	}
	per := 12
	for per > 1 && 3+label+per*(width+1) > p.O.Width {
		per--
	}
	p.Line("")
	for i := 0; i < len(cells); i += per {
		from := x.Positions[i]
		row := "  " + from + strings.Repeat(" ", max(1, label-page.TextWidth(from)+1))
		for _, v := range cells[i:min(i+per, len(cells))] {
			row += fmt.Sprintf(" %*s", width, v)
		}
		p.Line(row)
	}
}
