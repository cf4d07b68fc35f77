//go:build !js

package page

import (
	"bytes"
	"io"
	"strings"

	"github.com/olekukonko/tablewriter"
	"github.com/olekukonko/tablewriter/renderer"
	"github.com/olekukonko/tablewriter/tw"
)

// Write sets the table, every line behind indent.
func (t *Table) Write(w io.Writer, indent string, width int) error {
	widths := t.columnWidths(width - TextWidth(indent))
	cells := func(row []string) []string {
		out := make([]string, len(row))
		for i, c := range row {
			out[i] = strings.Join(Chop(c, max(widths[i], 1)), "\n")
		}
		return out
	}
	var buf bytes.Buffer
	align := make([]tw.Align, len(t.Header))
	pads := make([]tw.Padding, len(t.Header))
	for i := range align {
		align[i] = tw.AlignLeft
		pads[i] = tw.Padding{Right: "  ", Overwrite: true}
	}
	pads[len(pads)-1] = tw.Padding{Overwrite: true}
	for _, i := range t.Right {
		align[i] = tw.AlignRight
	}
	table := tablewriter.NewTable(&buf,
		tablewriter.WithRenderer(renderer.NewBlueprint(tw.Rendition{
			Borders:  tw.BorderNone,
			Settings: tw.Settings{Separators: tw.SeparatorsNone, Lines: tw.LinesNone},
		})),
		tablewriter.WithHeaderAutoFormat(tw.Off),
		tablewriter.WithHeaderAutoWrap(tw.WrapNone),
		tablewriter.WithRowAutoWrap(tw.WrapNone),
		tablewriter.WithHeaderPaddingPerColumn(pads),
		tablewriter.WithRowPaddingPerColumn(pads),
		tablewriter.WithHeaderAlignmentConfig(tw.CellAlignment{PerColumn: align}),
		tablewriter.WithRowAlignmentConfig(tw.CellAlignment{PerColumn: align}),
		tablewriter.WithEastAsian(tw.Off),
	)
	table.Header(cells(t.Header))
	for _, row := range t.Rows {
		if err := table.Append(cells(row)); err != nil {
			return err
		}
	}
	if err := table.Render(); err != nil {
		return err
	}
	for line := range strings.Lines(buf.String()) {
		line = strings.TrimRight(line, " \n")
		if line != "" {
			line = indent + line
		}
		if _, err := io.WriteString(w, line+"\n"); err != nil {
			return err
		}
	}
	return nil
}
