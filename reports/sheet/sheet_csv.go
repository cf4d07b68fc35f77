package sheet

import (
	"encoding/csv"
	"io"
	"strings"

	"benchlore/ledger"
)

// WriteCSV writes the worksheet as CSV (RFC 4180) in UTF-8, with commas. Where it
// has letters beyond ASCII it begins with a byte-order mark, without which some
// spreadsheets show other letters.
func (s *Sheet) WriteCSV(w io.Writer) error {
	var b strings.Builder
	c := csv.NewWriter(&b)
	heads := make([]string, len(s.Columns))
	for i, col := range s.Columns {
		heads[i] = col.Heading
	}
	if err := c.Write(heads); err != nil {
		return err
	}
	for _, row := range s.Rows {
		safe := make([]string, len(row))
		for i, text := range row {
			safe[i] = ledger.GuardCell(text)
		}
		if err := c.Write(safe); err != nil {
			return err
		}
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return err
	}
	text := b.String()
	if strings.IndexFunc(text, func(r rune) bool { return r > '~' }) >= 0 {
		text = "\ufeff" + text
	}
	_, err := io.WriteString(w, text)
	return err
}
