package lifedata

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

var obsColumns = []string{"unit", "group", "entry", "lower", "upper", "count"}

// ReadObs reads an observation file: CSV (RFC 4180) with a header naming the
// columns unit, group, entry, lower, upper and count in any order, of which
// only lower and upper must be there. Empty entry is 0, empty lower
// left-censored, empty upper right-censored, empty count 1; equal lower and
// upper are an exact age.
//
// Rows that are alike but for their count become one observation, in the
// place of the first, so that memory grows with the number of different rows
// and not with the length of the file.
//
// An error names the line and says what to write instead.
func ReadObs(r io.Reader) ([]Obs, error) {
	var all []Obs
	at := map[Obs]int{}
	err := ScanObs(r, func(o Obs) error {
		key := o
		key.Count = 0
		if i, ok := at[key]; ok {
			all[i].Count += o.Count
			return nil
		}
		at[key] = len(all)
		all = append(all, o)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

// ScanObs reads an observation file as [ReadObs] does and calls visit with
// every row in turn. It stops at the first error, its own or that of visit.
func ScanObs(r io.Reader, visit func(Obs) error) error {
	cr := csv.NewReader(r)
	cr.ReuseRecord = true
	cr.TrimLeadingSpace = true
	header, err := cr.Read()
	if err == io.EOF {
		return errors.New("the file is empty; the first line names the columns unit,group,entry,lower,upper,count")
	}
	if err != nil {
		return csvError(err)
	}
	columns, err := readHeader(header)
	if err != nil {
		return fmt.Errorf("line 1: %w", err)
	}
	names := map[string]string{}
	rows := 0
	for {
		record, err := cr.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return csvError(err)
		}
		o, err := parseObs(record, columns, names)
		if err == nil {
			err = visit(o)
		}
		if err != nil {
			line, _ := cr.FieldPos(0)
			return fmt.Errorf("line %d: %w", line, err)
		}
		rows++
	}
	if rows == 0 {
		return errors.New("the file has a header and no observations under it")
	}
	return nil
}

func csvError(err error) error {
	var parse *csv.ParseError
	if !errors.As(err, &parse) {
		return err
	}
	if parse.Err == csv.ErrFieldCount {
		return fmt.Errorf("line %d: the row has not as many fields as the header; write decimals with a point, and a comma for every empty field", parse.Line)
	}
	return fmt.Errorf("line %d: %w", parse.Line, parse.Err)
}

// columnIndex holds where each of obsColumns stands in a row; −1 if nowhere.
type columnIndex [6]int

func readHeader(header []string) (columnIndex, error) {
	columns := columnIndex{-1, -1, -1, -1, -1, -1}
	for at, name := range header {
		if at == 0 {
			name = strings.TrimPrefix(name, "\ufeff")
		}
		name = strings.ToLower(strings.TrimSpace(name))
		if len(header) == 1 && strings.ContainsAny(name, ";\t") {
			return columns, fmt.Errorf("the columns in %q are not separated by commas", name)
		}
		i := slices.Index(obsColumns, name)
		if i < 0 {
			return columns, fmt.Errorf("unknown column %q; the columns are %s", name, strings.Join(obsColumns, ", "))
		}
		if columns[i] >= 0 {
			return columns, fmt.Errorf("column %q stands twice", name)
		}
		columns[i] = at
	}
	for _, i := range []int{3, 4} {
		if columns[i] < 0 {
			return columns, fmt.Errorf("column %q is missing; the columns are %s, of which lower and upper must be there", obsColumns[i], strings.Join(obsColumns, ", "))
		}
	}
	return columns, nil
}

// parseObs turns a row into an observation. names holds each unit and group
// once, because the reader's strings share one buffer per row.
func parseObs(record []string, columns columnIndex, names map[string]string) (Obs, error) {
	text := func(i int) string {
		if columns[i] < 0 {
			return ""
		}
		return strings.TrimSpace(record[columns[i]])
	}
	intern := func(s string) string {
		kept, ok := names[s]
		if !ok {
			kept = strings.Clone(s)
			names[kept] = kept
		}
		return kept
	}
	o := Obs{Unit: intern(text(0)), Group: intern(text(1)), Upper: math.Inf(1), Count: 1}
	if text(3) == "" && text(4) == "" {
		return o, errors.New("lower and upper are both empty; leave out a row that says nothing")
	}
	for i, into := range [...]*float64{&o.Entry, &o.Lower, &o.Upper, &o.Count} {
		if err := parseNumber(obsColumns[i+2], text(i+2), into); err != nil {
			return o, err
		}
	}
	return o, o.Validate()
}

func parseNumber(column, text string, into *float64) error {
	if text == "" {
		return nil
	}
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case err == nil && !math.IsNaN(v) && !math.IsInf(v, 0):
		*into = v
		return nil
	case column == "upper":
		return fmt.Errorf("upper %q is not a finite number; leave it empty where nothing failed", text)
	case column == "lower":
		return fmt.Errorf("lower %q is not a finite number; leave it empty where nothing is known before upper", text)
	}
	return fmt.Errorf("%s %q is not a finite number", column, text)
}

// WriteObs writes an observation file that [ReadObs] reads back unchanged but
// for spaces around names and for rows that are alike.
// It returns an error for an observation that is not valid, and passes on
// those of w.
func WriteObs(w io.Writer, obs []Obs) error {
	cw := csv.NewWriter(w)
	if err := cw.Write(obsColumns); err != nil {
		return err
	}
	for i, o := range obs {
		if err := o.Validate(); err != nil {
			return fmt.Errorf("observation %d: %w", i+1, err)
		}
		if err := cw.Write(obsRecord(o)); err != nil {
			return err
		}
	}
	cw.Flush()
	return cw.Error()
}

func obsRecord(o Obs) []string {
	number := func(v float64, write bool) string {
		if !write {
			return ""
		}
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return []string{
		o.Unit, o.Group,
		number(o.Entry, o.Entry > 0),
		number(o.Lower, o.Lower > 0 || o.RightCensored()),
		number(o.Upper, !o.RightCensored()),
		number(o.Count, true),
	}
}
