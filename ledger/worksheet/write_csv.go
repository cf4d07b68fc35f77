package worksheet

import (
	"encoding/csv"
	"io"
	"strings"
)

// WriteCSV writes the worksheet as [WriteCSV] does.
func (s *Sheet) WriteCSV(w io.Writer) error {
	heads := make([]string, len(s.Columns))
	for i, col := range s.Columns {
		heads[i] = col.Heading
	}
	return WriteCSV(w, heads, s.Rows)
}

// WriteCSV writes a table as CSV (RFC 4180) in UTF-8, separated by commas, its
// cells as [Guard] makes them safe. A table with letters beyond ASCII begins with a
// byte-order mark, without which some spreadsheets take them for others.
func WriteCSV(w io.Writer, heads []string, rows [][]string) error {
	var b strings.Builder
	c := csv.NewWriter(&b)
	if err := c.Write(heads); err != nil {
		return err
	}
	for _, row := range rows {
		safe := make([]string, len(row))
		for i, text := range row {
			safe[i] = Guard(text)
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
