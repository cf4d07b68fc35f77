package reports

import (
	"html/template"
	"slices"
)

type htmlFigure struct {
	SVG            template.HTML
	Label, Caption string
}

type htmlTable struct {
	Caption, Legend string
	Head            []htmlCell
	Rows            [][]htmlCell
}

type htmlCell struct {
	Text   string
	Number bool
}

// asHTML sets a table for a page; nil where it is empty.
func asHTML(t *textTable, caption string) *htmlTable {
	if len(t.rows) == 0 {
		return nil
	}
	cells := func(row []string) []htmlCell {
		var out []htmlCell
		for i, c := range row {
			out = append(out, htmlCell{clean(c), slices.Contains(t.right, i)})
		}
		return out
	}
	h := &htmlTable{Caption: caption, Head: cells(t.header)}
	for _, row := range t.rows {
		h.Rows = append(h.Rows, cells(row))
	}
	return h
}
