package main

import (
	"io"

	"github.com/olekukonko/tablewriter"
	"github.com/olekukonko/tablewriter/renderer"
	"github.com/olekukonko/tablewriter/tw"
)

// table prints rows under plain headings, without lines.
func (a *app) table(head []string, rows [][]string) error {
	return a.write(func(w io.Writer) error {
		t := tablewriter.NewTable(w,
			tablewriter.WithRenderer(renderer.NewBlueprint(tw.Rendition{
				Borders: tw.BorderNone,
				Settings: tw.Settings{
					Separators: tw.SeparatorsNone,
					Lines:      tw.Lines{ShowTop: tw.Off, ShowBottom: tw.Off, ShowHeaderLine: tw.Off, ShowFooterLine: tw.Off},
				},
			})),
			tablewriter.WithConfig(tablewriter.Config{
				Header: tw.CellConfig{
					Formatting: tw.CellFormatting{AutoFormat: tw.Off},
					Alignment:  tw.CellAlignment{Global: tw.AlignLeft},
					Padding:    tw.CellPadding{Global: tw.Padding{Right: "  "}},
				},
				Row: tw.CellConfig{
					Formatting: tw.CellFormatting{AutoWrap: tw.WrapNone},
					Alignment:  tw.CellAlignment{Global: tw.AlignLeft},
					Padding:    tw.CellPadding{Global: tw.Padding{Right: "  "}},
				},
			}),
		)
		t.Header(head)
		if err := t.Bulk(rows); err != nil {
			return err
		}
		return t.Render()
	})
}
