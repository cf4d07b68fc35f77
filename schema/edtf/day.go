package edtf

import (
	"cmp"
	"errors"
	"fmt"
	"time"
)

// Day is a day of the proleptic Gregorian calendar, years 1 to 9999. The zero
// Day is none.
type Day struct{ Year, Month, Day int }

// The first and the last day there is.
var (
	FirstDay = Day{1, 1, 1}
	LastDay  = Day{9999, 12, 31}
)

const dayLength = len("2006-01-02")

// ParseDay reads a day written as 2006-01-02. Its error is an *Error.
func ParseDay(s string) (Day, error) {
	if d, ok := plainDay(s); ok {
		return d, nil
	}
	_, err := Parse(s)
	var e *Error
	if errors.As(err, &e) && (e.Write == "" || len(e.Write) == dayLength) {
		return Day{}, err
	}
	return Day{}, &Error{Text: s, Reason: "it is not one day", advice: "write year, month and day as in 1974-05-17"}
}

// plainDay reads a day of the calendar written as 2006-01-02. It is apart from
// Parse because every record has such a date.
func plainDay(s string) (d Day, ok bool) {
	if len(s) != dayLength || s[4] != '-' || s[7] != '-' {
		return Day{}, false
	}
	for i := range dayLength {
		if i == 4 || i == 7 {
			continue
		}
		if s[i] < '0' || s[i] > '9' {
			return Day{}, false
		}
		n := int(s[i] - '0')
		switch {
		case i < 4:
			d.Year = 10*d.Year + n
		case i < 7:
			d.Month = 10*d.Month + n
		default:
			d.Day = 10*d.Day + n
		}
	}
	return d, d.Valid()
}

// FromTime gives the day t falls on in its own time zone.
func FromTime(t time.Time) Day {
	y, m, d := t.Date()
	return Day{y, int(m), d}
}

// Valid says whether the day is in the calendar.
func (d Day) Valid() bool {
	return d.Year >= 1 && d.Year <= 9999 && d.Month >= 1 && d.Month <= 12 && d.Day >= 1 && d.Day <= daysIn(d.Year, d.Month)
}

// Time gives midnight UTC at the start of the day.
func (d Day) Time() time.Time {
	return time.Date(d.Year, time.Month(d.Month), d.Day, 0, 0, 0, 0, time.UTC)
}

// String gives the day as 2006-01-02.
func (d Day) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }

// Compare gives -1 if d is before o, 0 if it is the same day, +1 if after.
func (d Day) Compare(o Day) int {
	return cmp.Or(cmp.Compare(d.Year, o.Year), cmp.Compare(d.Month, o.Month), cmp.Compare(d.Day, o.Day))
}

// Before says whether d is before o.
func (d Day) Before(o Day) bool { return d.Compare(o) < 0 }

// After says whether d is after o.
func (d Day) After(o Day) bool { return d.Compare(o) > 0 }

// Sub gives the number of days from o to d.
func (d Day) Sub(o Day) int {
	const secondsADay = 24 * 60 * 60
	return int((d.Time().Unix() - o.Time().Unix()) / secondsADay)
}

// AddDays gives the day n days later, or earlier if n is negative. The result
// is not Valid if it leaves the years 1 to 9999.
func (d Day) AddDays(n int) Day { return FromTime(d.Time().AddDate(0, 0, n)) }

// daysIn gives the number of days of a month.
func daysIn(year, month int) int {
	switch month {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	}
	return 31
}
