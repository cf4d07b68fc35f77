// Package edtf reads dates of manufacture: the part of the Extended Date/Time
// Format (ISO 8601-2:2019, and the specification of the Library of Congress of
// 4 February 2019) that a maker's plate, a date code or a memory calls for.
//
//	1974  1974-05  1974-05-17   a year, a month, a day
//	1974-21                     spring; 22 summer, 23 autumn, 24 winter
//	1974?  1974~  1974%         uncertain, approximate, both
//	197X  19XX  1974-XX         digits not known
//	1971/1974                   some time between the two
//	1974/..  ../1974            not before, not after
//
// Left out of the format: times of day, years beyond 1 to 9999, a side of an
// interval that is empty rather than "..", and everything of level 2.
package edtf

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"benchlore/schema/pattern"
	"benchlore/schema/remedy"
)

// maxText bounds a date as written, in bytes.
const maxText = 64

// Date is a date that may be known only in part. Lo and Hi are the first and
// the last day it can mean, both included, and Lo is never after Hi.
//
// A qualifier does not widen them: how far an approximate year reaches is for
// the reader to say.
type Date struct {
	// Text is the date as written.
	Text   string
	Lo, Hi Day
	// OpenLo and OpenHi mark an interval without a start or an end, whose Lo
	// is then FirstDay or whose Hi is LastDay.
	OpenLo, OpenHi         bool
	Approximate, Uncertain bool
}

// Exact says whether the date is one day, stated without a qualifier.
func (d Date) Exact() bool {
	return d.Lo == d.Hi && !d.Approximate && !d.Uncertain && d.Lo.Valid()
}

// String gives the date as it was written.
func (d Date) String() string { return d.Text }

// An Error says why a text is no date.
type Error struct {
	Text   string // as written
	Reason string
	Write  string // a text that Parse takes and that was probably meant, or ""

	advice string // what to do where nothing is known to be meant
}

func (e *Error) Error() string {
	what, write := e.Parts()
	if write == "" {
		return what
	}
	return what + ": " + write
}

// Parts says what is wrong and what to write instead, as errors of package remedy
// do.
func (e *Error) Parts() (what, write string) {
	what, write = fmt.Sprintf("date %q: %s", e.Text, e.Reason), e.advice
	if e.Write != "" {
		write = "write " + e.Write
	}
	return what, write
}

// Parse reads a date. Its error is an *Error.
func Parse(s string) (Date, error) {
	if day, ok := plainDay(s); ok {
		return Date{Text: s, Lo: day, Hi: day}, nil
	}
	d, err := parse(s)
	if err == nil {
		return d, nil
	}
	reason, advice := remedy.Parts(err)
	if len(s) <= maxText {
		if why, write := suggest(s); write != "" {
			if why == "" {
				why = reason
			}
			return Date{}, &Error{Text: s, Reason: why, Write: write}
		}
	}
	return Date{}, &Error{Text: s, Reason: reason, advice: advice}
}

// parse reads a date without regard to what else may have been meant.
func parse(s string) (Date, error) {
	if s == "" {
		return Date{}, remedy.Errorf("it is empty => leave the key out if nothing is known")
	}
	if len(s) > maxText {
		return Date{}, fmt.Errorf("it is longer than %d bytes", maxText)
	}
	from, to, interval := strings.Cut(s, "/")
	if !interval {
		d, err := parseOne(s)
		d.Text = s
		return d, err
	}
	if from == "" || to == "" {
		return Date{}, remedy.Errorf("one side of the slash is empty => write .. for an open side")
	}
	if from == ".." && to == ".." {
		return Date{}, remedy.Errorf("both sides are open => leave the key out if nothing is known")
	}
	lo, hi := Date{Lo: FirstDay, OpenLo: true}, Date{Hi: LastDay, OpenHi: true}
	var err error
	if from != ".." {
		if lo, err = parseOne(from); err != nil {
			return Date{}, err
		}
	}
	if to != ".." {
		if hi, err = parseOne(to); err != nil {
			return Date{}, err
		}
	}
	if lo.Lo.After(hi.Hi) {
		return Date{}, errors.New("it ends before it starts")
	}
	return Date{
		Text: s, Lo: lo.Lo, Hi: hi.Hi,
		OpenLo: lo.OpenLo, OpenHi: hi.OpenHi,
		Approximate: lo.Approximate || hi.Approximate,
		Uncertain:   lo.Uncertain || hi.Uncertain,
	}, nil
}

// The year may lack its last one or two digits; month and day may lack both,
// from the right (level 1).
var oneDate = pattern.New(`^(\d{4}|\d{3}X|\d{2}XX)(?:-(\d\d|XX)(?:-(\d\d|XX))?)?([?~%]?)$`)

// parseOne reads one side of an interval or a whole date that is none.
func parseOne(s string) (Date, error) {
	m := oneDate.FindStringSubmatch(s)
	if m == nil {
		return Date{}, errors.New("it is not of the form 1974, 1974-05, 1974-05-17, 197X or 1971/1974, with ? or ~ at the end if need be")
	}
	year, month, day, qualifier := m[1], m[2], m[3], m[4]
	if strings.Contains(year, "X") && month != "" || month == "XX" && day != "" && day != "XX" {
		return Date{}, errors.New("unknown digits may only be at the end, as in 197X or 1974-XX")
	}
	d := Date{
		Uncertain:   qualifier == "?" || qualifier == "%",
		Approximate: qualifier == "~" || qualifier == "%",
	}
	first := number(strings.ReplaceAll(year, "X", "0"))
	last := number(strings.ReplaceAll(year, "X", "9"))
	if last == 0 {
		return Date{}, remedy.Errorf("the year 0000 is not supported => years run from 0001 to 9999")
	}
	d.Lo, d.Hi = Day{max(first, 1), 1, 1}, Day{last, 12, 31}
	if month == "" || month == "XX" {
		return d, nil
	}
	n := number(month)
	switch {
	case n >= 21 && n <= 24 && day == "":
		// A season counts as its whole year: the standard leaves the
		// hemisphere open, and with it the months.
		return d, nil
	case n < 1 || n > 12:
		return Date{}, remedy.Errorf("there is no month %s => months run from 01 to 12, and 21 to 24 are the seasons", month)
	}
	d.Lo.Month, d.Hi.Month, d.Hi.Day = n, n, daysIn(first, n)
	if day == "" || day == "XX" {
		return d, nil
	}
	d.Lo.Day, d.Hi.Day = number(day), number(day)
	if !d.Lo.Valid() {
		return Date{}, fmt.Errorf("there is no day %s in %s-%s", day, year, month)
	}
	return d, nil
}

// number reads decimal digits that a pattern has let through.
func number(digits string) int {
	n, err := strconv.Atoi(digits)
	if err != nil {
		panic("edtf: " + err.Error())
	}
	return n
}
