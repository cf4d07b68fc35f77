package schema

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

var (
	dotted  = regexp.MustCompile(`^([0-9]{1,2})\. ?([0-9]{1,2})\.? ?([0-9]{2}|[0-9]{4})?$`)
	slashed = regexp.MustCompile(`^([0-9]{1,2})/([0-9]{1,2})(?:/([0-9]{2}|[0-9]{4}))?$`)
)

// ReadDate reads a day as people type it: 2031-03-04, 4.3.31, 4.3., 04/03/2031 in the
// order the shop writes days, today, yesterday. A year that is left out is today's, one
// of two figures the last that is not in the next year or later. With an error it says
// what to write.
func ReadDate(text string, today Date, order DateOrder) (d Date, write string, err error) {
	text = strings.ToLower(strings.TrimSpace(text))
	switch text {
	case "today":
		return today, "", nil
	case "yesterday":
		return Date{today.AddDays(-1)}, "", nil
	}
	if d, err := ParseDate(text); err == nil {
		return d, "", nil
	}
	m, day, month := dotted.FindStringSubmatch(text), 1, 2
	if m == nil {
		m = slashed.FindStringSubmatch(text)
		switch {
		case m == nil:
		case order == MonthDayYear:
			day, month = 2, 1
		case order == DayMonthYear:
		default:
			a, okA := date(m[1], m[2], m[3], today)
			b, okB := date(m[2], m[1], m[3], today)
			switch {
			case okA && okB && a != b:
				return d, fmt.Sprintf("%s or %s", a, b), fmt.Errorf("%q can be two days, %s and %s", text, a, b)
			case okA:
				return a, "", nil
			case okB:
				return b, "", nil
			}
		}
	}
	if m == nil {
		_, err := ParseDate(text)
		return d, today.String(), err
	}
	if d, ok := date(m[day], m[month], m[3], today); ok {
		return d, "", nil
	}
	month_, _ := strconv.Atoi(m[month])
	if month_ < 1 || month_ > 12 {
		return d, today.String(), fmt.Errorf("%q is no day: there is no month %d", text, month_)
	}
	year := yearOf(m[3], today)
	last := time.Date(year, time.Month(month_)+1, 0, 0, 0, 0, 0, time.UTC)
	return d, last.Format("2006-01-02"), fmt.Errorf("%q is no day: %s has %d days", text, last.Month(), last.Day())
}

func yearOf(text string, today Date) int {
	year, _ := strconv.Atoi(text)
	switch {
	case text == "":
		return today.Year
	case len(text) == 4:
		return year
	case 2000+year > today.Year+1:
		return 1900 + year
	}
	return 2000 + year
}

func date(day, month, year string, today Date) (Date, bool) {
	d, _ := strconv.Atoi(day)
	m, _ := strconv.Atoi(month)
	x, err := ParseDate(fmt.Sprintf("%04d-%02d-%02d", yearOf(year, today), m, d))
	return x, err == nil
}
