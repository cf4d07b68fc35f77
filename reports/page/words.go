package page

import (
	"strconv"
	"strings"
	"unicode"

	"benchlore/schema"
	"benchlore/schema/refs"
)

// Clean makes a text safe to print in one line: white space of every kind is
// one blank, control and direction-override characters are dropped.
func Clean(s string) string { return schema.OneLine(s) }

var innerQuotes = strings.NewReplacer("“", "‘", "”", "’", `"`, "'")

// Quote sets a record's own words in quotation marks. Quotation marks within
// become single ones, so that the quotation ends where it ends.
func Quote(s string) string {
	return "“" + innerQuotes.Replace(Clean(s)) + "”"
}

var doubleStops = strings.NewReplacer(".”.", ".”", "!”.", "!”", "?”.", "?”")

// Tidy drops the full stop behind a quotation that ends with one.
func Tidy(s string) string {
	return doubleStops.Replace(s)
}

// Says sets a record's own words as a sentence of their own.
func Says(s string) string { return Quote(s) + "." }

// Plural gives "1 part", "2 parts", "1,204 parts".
func Plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return Thousands(n) + " " + many
}

// Thousands writes a count with commas.
func Thousands(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Listed joins words as a sentence does: a, b and c.
func Listed(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}

// Capital sets the first letter of a sentence.
func Capital(s string) string {
	for i, r := range s {
		return string(unicode.ToUpper(r)) + s[i+len(string(r)):]
	}
	return s
}

// CompactNames writes names as a list of ranges that can be printed in one line.
func CompactNames(names []string) string { return Clean(refs.CompactNames(names)) }
