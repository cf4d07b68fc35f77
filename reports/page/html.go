//go:build !js

package page

import (
	"html/template"
	"slices"
)

type Figure struct {
	SVG            template.HTML
	Label, Caption string
}

type HTMLTable struct {
	Caption, Legend string
	Head            []HTMLCell
	Rows            [][]HTMLCell
}

type HTMLCell struct {
	Text   string
	Number bool
}

// AsHTML sets a table for a page; nil where it is empty.
func AsHTML(t *Table, caption string) *HTMLTable {
	if len(t.Rows) == 0 {
		return nil
	}
	cells := func(row []string) []HTMLCell {
		var out []HTMLCell
		for i, c := range row {
			out = append(out, HTMLCell{Clean(c), slices.Contains(t.Right, i)})
		}
		return out
	}
	h := &HTMLTable{Caption: caption, Head: cells(t.Header)}
	for _, row := range t.Rows {
		h.Rows = append(h.Rows, cells(row))
	}
	return h
}
