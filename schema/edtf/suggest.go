package edtf

import (
	"fmt"
	"strings"

	"benchlore/schema/pattern"
)

// A slip is a way of writing dates that is not EDTF, and what to write instead.
type slip struct {
	pattern *pattern.Pattern // on the text in lower case, trimmed, with ASCII dashes
	write   func(m []string) string
	reason  string // "" keeps the parser's own
}

const months = `(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*\.?`

var monthNumber = map[string]int{
	"jan": 1, "feb": 2, "mar": 3, "apr": 4, "may": 5, "jun": 6, "jul": 7, "aug": 8, "sep": 9, "oct": 10, "nov": 11, "dec": 12,
}

var seasonNumber = map[string]int{"spring": 21, "summer": 22, "autumn": 23, "fall": 23, "winter": 24}

// join builds a template of one date from the groups of a match, by number.
func join(format string, groups ...int) func([]string) string {
	return func(m []string) string {
		args := make([]any, len(groups))
		for i, g := range groups {
			args[i] = m[g]
		}
		return fmt.Sprintf(format, args...)
	}
}

// padded writes the groups year, month and, if there, day as numbers.
func padded(year, month, day int) func([]string) string {
	return func(m []string) string {
		if day == 0 {
			return fmt.Sprintf("%s-%02d", m[year], number(m[month]))
		}
		return fmt.Sprintf("%s-%02d-%02d", m[year], number(m[month]), number(m[day]))
	}
}

// named writes a date whose month is a name.
func named(year, month, day int) func([]string) string {
	return func(m []string) string {
		if day == 0 {
			return fmt.Sprintf("%s-%02d", m[year], monthNumber[m[month]])
		}
		return fmt.Sprintf("%s-%02d-%02d", m[year], monthNumber[m[month]], number(m[day]))
	}
}

var slips = []slip{
	{re(`^(\d\d)(\d\d)-(\d\d)$`), join("%s%s/%s%s", 1, 2, 1, 3), "a span of years is written with a slash and whole years"},
	{re(`^(\d{4}) ?(?:-|to|or|and|\.\.) ?(\d{4})$`), join("%s/%s", 1, 2), "a span of years is written with a slash"},
	{re(`^(\d\d)(\d\d)/(\d\d)$`), join("%s%s/%s%s", 1, 2, 1, 3), "a span of years is written with whole years"},
	{re(`^(?:ca|circa|c|about|approx|approximately|around|abt)?[ .~]*(\d{4})$`), join("%s~", 1), "an approximate year is written with ~ after it"},
	{re(`^(\d{4}) ?(?:ca|circa|approx)\.?$`), join("%s~", 1), "an approximate year is written with ~ after it"},
	{re(`^(?:probably|perhaps|maybe|\?) ?(\d{4})$`), join("%s?", 1), "an uncertain year is written with ? after it"},
	{re(`^([\dx-]{4,10}) ?(?:\?~|~\?)$`), join("%s%%", 1), "uncertain and approximate together are %"},
	{re(`^([\dx-]{4,10}) ([?~%])$`), join("%s%s", 1, 2), "the qualifier follows without a space"},
	{re(`^'?(\d)0'?s$`), join("19%sX", 1), "a decade is written with X for the last digit"},
	{re(`^(\d{3})0'?s$`), join("%sX", 1), "a decade is written with X for the last digit"},
	{re(`^(\d{3})[x?_-]$`), join("%sX", 1), "an unknown digit is written X"},
	{re(`^(\d\d)(?:xx|\?\?|__|--)$`), join("%sXX", 1), "unknown digits are written X"},
	{re(`^(\d{4})-(?:xx|\?\?|__)$`), join("%s-XX", 1), "unknown digits are written X"},
	{re(`^(\d{4})(?:/|-)$`), join("%s/..", 1), ""},
	{re(`^(\d{4}) ?(?:/|-) ?(?:now|present|open|today)$`), join("%s/..", 1), "an open end is written .."},
	{re(`^(?:after|since|from|not before) (\d{4})(?: on(?:wards)?)?$`), join("%s/..", 1), "an open end is written .."},
	{re(`^(\d{4})(?:\+| or later| onwards)$`), join("%s/..", 1), "an open end is written .."},
	{re(`^(?:/|before |until |to |up to |not after )(\d{4})$`), join("../%s", 1), "an open start is written .."},
	{re(`^(\d{4}) or (?:earlier|before)$`), join("../%s", 1), "an open start is written .."},
	{re(`^(\d{1,2})[/.-](\d{4})$`), padded(2, 1, 0), "the year comes first"},
	{re(`^(\d{4})[/.-](\d{1,2})$`), padded(1, 2, 0), "a month is two digits after a hyphen"},
	{re(`^(\d{4})[/.-](\d{1,2})[/.-](\d{1,2})$`), padded(1, 2, 3), "month and day are two digits after hyphens"},
	{re(`^(\d{4})(\d\d)(\d\d)$`), join("%s-%s-%s", 1, 2, 3), "year, month and day are separated by hyphens"},
	{re(`^(\d\d?)\. ?(\d\d?)\. ?(\d{4})$`), padded(3, 2, 1), "the year comes first"},
	{re(`^(1[3-9]|2\d|3[01])[/-](\d\d?)[/-](\d{4})$`), padded(3, 2, 1), "the year comes first"},
	{re(`^(\d\d?)[/-](1[3-9]|2\d|3[01])[/-](\d{4})$`), padded(3, 1, 2), "the year comes first"},
	{re(`^` + months + `[ ,]*(\d{4})$`), named(2, 1, 0), "months are numbers and the year comes first"},
	{re(`^(\d{4}) ` + months + `$`), named(1, 2, 0), "months are numbers"},
	{re(`^(\d\d?)\.?[ -]` + months + `[ ,-]*(\d{4})$`), named(3, 2, 1), "months are numbers and the year comes first"},
	{re(`^` + months + ` (\d\d?)(?:st|nd|rd|th)?[ ,]+(\d{4})$`), named(3, 1, 2), "months are numbers and the year comes first"},
	{re(`^(spring|summer|autumn|fall|winter)[ ,]+(\d{4})$`), func(m []string) string {
		return fmt.Sprintf("%s-%d", m[2], seasonNumber[m[1]])
	}, "seasons are the numbers 21 to 24"},
	{re(`^(\d{4}-\d\d-\d\d)[t ]\d\d:?\d\d.*$`), join("%s", 1), "the time of day is left out"},
}

func re(s string) *pattern.Pattern { return pattern.New(s) }

var dashes = strings.NewReplacer("\u2010", "-", "\u2011", "-", "\u2012", "-", "\u2013", "-", "\u2014", "-", "\u2019", "'", "\u00a0", " ")

// suggest finds what was probably meant by s, which Parse does not take. What
// it suggests Parse takes.
func suggest(s string) (reason, write string) {
	text := strings.TrimSpace(dashes.Replace(s))
	if text != s {
		if _, err := parse(text); err == nil {
			return "it has spaces around it or a long dash in it", text
		}
	}
	if from, to, ok := strings.Cut(text, "/"); ok {
		swapped := to + "/" + from
		if _, err := parse(swapped); err == nil {
			return "", swapped
		}
		spaced := strings.TrimSpace(from) + "/" + strings.TrimSpace(to)
		if _, err := parse(spaced); err == nil {
			return "the slash has no spaces around it", spaced
		}
	}
	text = strings.ToLower(text)
	for _, c := range slips {
		m := c.pattern.FindStringSubmatch(text)
		if m == nil {
			continue
		}
		write := strings.ReplaceAll(c.write(m), "x", "X")
		if _, err := parse(write); err == nil {
			return c.reason, write
		}
	}
	return "", ""
}
