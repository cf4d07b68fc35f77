package worklist

import (
	"fmt"
	"io"
	"path"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"benchlore/ledger/worksheet"
	"benchlore/reports/page"
)

// part tells what is to be ordered in a few words.
func (l OrderLine) part() string {
	words := []string{l.Family}
	for _, w := range []string{l.Value, l.Rating, l.Type, l.Maker, l.PartNumber} {
		if w != "" {
			words = append(words, w)
		}
	}
	if l.Match != "" {
		words = append(words, "matched: "+l.Match)
	}
	return strings.Join(words, ", ")
}

func (l OrderLine) places(unit func(string) string) string {
	var out []string
	for _, f := range l.For {
		out = append(out, unit(f.Unit)+" "+f.Where)
	}
	return strings.Join(out, "; ")
}

func (l OrderLine) lots() string {
	var out []string
	for _, x := range l.Lots {
		out = append(out, fmt.Sprintf("%d of %s", x.Count, x.Lot))
	}
	return strings.Join(out, ", ")
}

// WriteText writes the order as a table.
func (o *Order) WriteText(w io.Writer, opt page.TextOptions) error {
	p := &page.Text{W: w, O: opt}
	switch {
	case len(o.Units) == 0:
		p.Para(0, "No unit is open: nothing is needed.")
	case len(o.Lines) == 0 && len(o.Refused) == 0:
		p.Para(0, "No part is needed.")
	}
	if len(o.Lines) > 0 {
		t := &page.Table{Header: []string{"order", "stock", "part", "for"}, Right: []int{0, 1}}
		for _, l := range o.Lines {
			part := opt.Number(l.part())
			if s := l.lots(); s != "" {
				part += "; in stock: " + s
			}
			t.Rows = append(t.Rows, []string{strconv.Itoa(l.Order), strconv.Itoa(l.Stock), part, l.places(path.Base)})
		}
		t.Breakable()
		if p.Err == nil {
			p.Err = t.Write(w, "", opt.Columns())
			p.Begun = true
		}
	}
	if len(o.Refused) > 0 {
		p.Subheading("Not ordered: correct the lines first")
		for _, r := range o.Refused {
			p.Item(2, r.Unit+" "+r.Where+": "+r.Text)
		}
	}
	if len(o.Notes) > 0 {
		p.Line("")
		for _, n := range o.Notes {
			p.Item(0, n)
		}
	}
	return p.Err
}

var orderHeadings = []string{"family", "value", "rating at least", "type", "maker", "part number", "matched group", "need", "in stock", "order", "from lots", "for"}

// cells are the texts of a line under orderHeadings.
func (l OrderLine) cells() []string {
	return []string{l.Family, l.Value, l.Rating, l.Type, l.Maker, l.PartNumber, l.Match,
		strconv.Itoa(l.Need), strconv.Itoa(l.Stock), strconv.Itoa(l.Order), l.lots(), l.places(func(u string) string { return u })}
}

// WriteCSV writes the order as CSV (RFC 4180).
func (o *Order) WriteCSV(w io.Writer) error {
	var rows [][]string
	for _, l := range o.Lines {
		rows = append(rows, l.cells())
	}
	return worksheet.WriteCSV(w, orderHeadings, rows)
}

// WriteXLSX writes the order as a workbook (ISO/IEC 29500): counts as numbers,
// everything else as text, so that nothing becomes a date or a formula.
func (o *Order) WriteXLSX(w io.Writer) error {
	f := excelize.NewFile()
	defer f.Close()
	const name = "order"
	if err := f.SetSheetName("Sheet1", name); err != nil {
		return err
	}
	text, err := f.NewStyle(&excelize.Style{NumFmt: worksheet.TextFormat, Alignment: &excelize.Alignment{Vertical: "top"}})
	if err != nil {
		return err
	}
	head, err := f.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}})
	if err != nil {
		return err
	}
	widths := make([]int, len(orderHeadings))
	put := func(row int, cells []string, numbers bool) error {
		for c, s := range cells {
			widths[c] = max(widths[c], page.TextWidth(s))
			at := worksheet.CellAt(c, row)
			if n, err := strconv.Atoi(s); numbers && err == nil && c >= 7 && c <= 9 {
				if err := f.SetCellInt(name, at, int64(n)); err != nil {
					return err
				}
				continue
			}
			if err := f.SetCellStr(name, at, worksheet.Guard(s)); err != nil {
				return err
			}
			if numbers {
				if err := f.SetCellStyle(name, at, at, text); err != nil {
					return err
				}
			}
		}
		return nil
	}
	if err := put(1, orderHeadings, false); err != nil {
		return err
	}
	for i, l := range o.Lines {
		if err := put(i+2, l.cells(), true); err != nil {
			return err
		}
	}
	last := worksheet.CellAt(len(orderHeadings)-1, 1)
	if err := f.SetCellStyle(name, "A1", last, head); err != nil {
		return err
	}
	for c, n := range widths {
		if err := f.SetColWidth(name, worksheet.ColumnName(c), worksheet.ColumnName(c), float64(min(n, 60)+2)); err != nil {
			return err
		}
	}
	if err := f.SetPanes(name, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	return f.Write(w)
}
