package entry

import (
	"regexp"
	"strings"
)

// What problems advise to write into a file, and how the same is typed in a line.
var (
	fileNew   = regexp.MustCompile(`add new = \{value = "\.\.\."(?:, source = "new")?\}`)
	fileInner = regexp.MustCompile(`\b(new|old) = \{([a-z_]+) = "([^"]*)"\}`)
	fileWord  = regexp.MustCompile(`\b(?:found|how|mode|action|source|old_kept) = "([^"]+)"`)
	fileKey   = regexp.MustCompile(`\b([a-z_.]+) = "([^"]*)"`)
)

// AsTyped writes what a problem advises for a file as it is typed in a line: why="...",
// failed, new.family=capacitor/film.
func AsTyped(advice string) string {
	advice = fileNew.ReplaceAllString(advice, "add it: value/rating such as 470uF/35V, type=AX-12, or like for what the model has")
	advice = strings.ReplaceAll(advice, `add mode = "...": `, "add a mode: ")
	advice = fileInner.ReplaceAllStringFunc(advice, func(m string) string {
		s := fileInner.FindStringSubmatch(m)
		return s[1] + "." + s[2] + "=" + quoted(s[3])
	})
	advice = fileWord.ReplaceAllStringFunc(advice, func(m string) string {
		s := fileWord.FindStringSubmatch(m)
		if s[1] == "..." {
			return m
		}
		return s[1]
	})
	return fileKey.ReplaceAllStringFunc(advice, func(m string) string {
		s := fileKey.FindStringSubmatch(m)
		return s[1] + "=" + quoted(s[2])
	})
}

// quoted puts what a shell or a line would take apart into quotation marks.
func quoted(s string) string {
	if strings.ContainsAny(s, " .") {
		return `"` + s + `"`
	}
	return s
}
