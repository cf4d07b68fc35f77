package page

import (
	"fmt"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
)

// Conventions say how figures and days are set in text for the shop's own eyes.
// Records, JSON and CSV keep the decimal point and 2031-03-04. The zero value
// sets everything as they do.
type Conventions struct {
	Comma bool             // a decimal comma
	Dates schema.DateOrder // "" is year-month-day
}

// ConventionsOf are those of shop.toml.
func ConventionsOf(s *schema.Shop) Conventions {
	return Conventions{Comma: s.Decimal == schema.DecimalComma, Dates: s.Dates}
}

// Day sets a day written 2031-03-04; anything else stays as it is.
func (c Conventions) Day(s string) string {
	d, err := schema.ParseDate(s)
	if err != nil || len(s) != 10 {
		return s
	}
	switch c.Dates {
	case schema.DayMonthYear:
		return fmt.Sprintf("%02d.%02d.%04d", d.Day.Day, d.Month, d.Year)
	case schema.MonthDayYear:
		return fmt.Sprintf("%02d/%02d/%04d", d.Month, d.Day.Day, d.Year)
	}
	return s
}

// textDay is a day in a text, and not a part of something longer such as the name
// of a file.
var textDay = pattern.New(`(^|[^-\w/])([0-9]{4}-[0-9]{2}-[0-9]{2})($|[^-\w])`)

// Days sets the days within a text.
func (c Conventions) Days(s string) string {
	return textDay.ReplaceAllStringFunc(s, func(m string) string {
		g := textDay.FindStringSubmatch(m)
		return g[1] + c.Day(g[2]) + g[3]
	})
}

// decimalPoint is a point between digits, with what stands before and behind them.
var decimalPoint = pattern.New(`[0-9.]*[0-9]\.[0-9][0-9.]*`)

// Number sets the numbers of a text: "2.2 uF". What has several points, such as
// a version, stays as it is.
func (c Conventions) Number(s string) string {
	if !c.Comma {
		return s
	}
	return decimalPoint.ReplaceAllStringFunc(s, func(m string) string {
		if n := strings.TrimSuffix(m, "."); strings.Count(n, ".") > 1 {
			return m
		}
		return strings.Replace(m, ".", ",", 1)
	})
}
