package reports

import (
	"fmt"
	"slices"
	"strings"
)

// textSheet sets a report as text.
type textSheet struct{ *page }

// positionMap sets a row of letters for each kind of reference.
func (p textSheet) positionMap(s MapSection) {
	label := 0
	for _, r := range s.Rows {
		label = max(label, min(textWidth(r.Refs), 28))
	}
	for _, r := range s.Rows {
		letters := lettersWords(r.Letters)
		if textWidth(r.Refs) > label {
			p.para(2, r.Refs)
			p.hang("", 4+label, letters)
			continue
		}
		p.hang("  "+r.Refs, 4+label, letters)
	}
}

func (p textSheet) photo(_ PhotoReport, words string) { p.item(0, words) }

func (p textSheet) command(s string) { p.para(4, s) }

func (p textSheet) readingTable(_ []ReadingRow, t *textTable) { p.table(2, t) }

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
		label = max(label, min(textWidth(x.Positions[i]), 20))
	}
	per := 12
	for per > 1 && 3+label+per*(width+1) > p.o.Width {
		per--
	}
	p.line("")
	for i := 0; i < len(cells); i += per {
		from := x.Positions[i]
		row := "  " + from + strings.Repeat(" ", max(1, label-textWidth(from)+1))
		for _, v := range cells[i:min(i+per, len(cells))] {
			row += fmt.Sprintf(" %*s", width, v)
		}
		p.line(row)
	}
}
