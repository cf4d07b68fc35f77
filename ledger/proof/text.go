package proof

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
	"github.com/google/uuid"

	"benchlore/schema/pattern"
)

var (
	sha1Form   = pattern.New(`^[0-9a-f]{40}$`)
	sha256Form = pattern.New(`^[0-9a-f]{64}$`)
	slugForm   = pattern.New(`^[a-z0-9][a-z0-9-]{0,63}$`)
	// deviceNames are names Windows gives to devices, whatever their ending.
	deviceNames = pattern.New(`^(con|prn|aux|nul|com[0-9]|lpt[0-9])$`)
	// attachmentForm is a file name every system can keep: Windows drops a dot at
	// the end.
	attachmentForm = pattern.New(`^[A-Za-z0-9]([A-Za-z0-9._-]{0,98}[A-Za-z0-9_-])?$`)
)

// IsSlug reports whether a word can be a folder's name on every system.
func IsSlug(s string) bool { return slugForm.MatchString(s) && !deviceNames.MatchString(s) }

// IsDevice reports names that Windows keeps for itself.
func IsDevice(s string) bool { return deviceNames.MatchString(s) }

// IsAttachment reports whether a file name can be kept on every system.
func IsAttachment(name string) bool {
	stem, _, _ := strings.Cut(strings.ToLower(name), ".")
	return attachmentForm.MatchString(name) && !deviceNames.MatchString(stem)
}

// IsUnit reports whether a name is model/tag.
func IsUnit(name string) bool {
	model, tag, _ := strings.Cut(name, "/")
	return IsSlug(model) && IsSlug(tag)
}

// CheckUUID refuses what is not a UUID in its usual form.
func CheckUUID(s string) error {
	if u, err := uuid.Parse(s); err != nil || u.String() != s {
		return fmt.Errorf("%.80q is not a UUID in lower case", s)
	}
	return nil
}

// OneLine keeps what somebody wrote from looking like lines of ours.
func OneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// Quote writes a TOML basic string.
func Quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// Hidden reports characters that do not show or turn the direction of text
// (Unicode TR 36, UAX 9).
func Hidden(r rune) bool {
	return r < 0x20 && r != '\n' && r != '\t' || r >= 0x7f && r < 0xa0 || r == 0x61c || r == 0x200e || r == 0x200f ||
		r >= 0x2028 && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}

// Strange says what in a name may make a reader take it for another, "" for
// nothing: letters without width, and words that mix the letters of two scripts
// (Unicode TR 39, mixed-script confusables).
func Strange(name string) string {
	for _, r := range name {
		if Hidden(r) || unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Variation_Selector, r) ||
			r == 0x115f || r == 0x1160 || r == 0x3164 || r == 0xffa0 || r == 0x34f || r == 0x2800 {
			return fmt.Sprintf("it holds U+%04X, which does not show", r)
		}
	}
	for _, word := range strings.FieldsFunc(name, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsMark(r) }) {
		var scripts []string
		for _, s := range []struct {
			name  string
			table *unicode.RangeTable
		}{{"Latin", unicode.Latin}, {"Cyrillic", unicode.Cyrillic}, {"Greek", unicode.Greek}, {"Armenian", unicode.Armenian}, {"Cherokee", unicode.Cherokee}} {
			if strings.ContainsFunc(word, func(r rune) bool { return unicode.Is(s.table, r) }) {
				scripts = append(scripts, s.name)
			}
		}
		if len(scripts) > 1 {
			return fmt.Sprintf("the word %.60q mixes %s letters, which may look alike", word, strings.Join(scripts, " and "))
		}
	}
	return ""
}

// CheckNesting refuses text whose tables and lists stand too deep in one another:
// the library that reads it would take a stack, or memory, without end. It looks
// at brackets, braces and dotted keys outside of strings and comments.
func CheckNesting(data []byte) error {
	deep := func(line int) error {
		return fmt.Errorf("line %d: tables and lists stand more than %d deep in one another", line, MaxNesting)
	}
	depth, dots, line := 0, 0, 1
	for i := 0; i < len(data); {
		switch c := data[i]; c {
		case '\n':
			line++
			dots = 0
		case '#':
			for i < len(data) && data[i] != '\n' {
				i++
			}
			continue
		case '"', '\'':
			end, lines := stringEnd(data[i:])
			line += lines
			i += end
			continue
		case '[', '{':
			if depth++; depth > MaxNesting {
				return deep(line)
			}
			if c == '{' {
				dots = 0
			}
		case ']', '}':
			depth = max(0, depth-1)
		case '.':
			if dots++; dots >= MaxNesting {
				return deep(line)
			}
		case '=', ',':
			dots = 0
		}
		i++
	}
	return nil
}

// stringEnd measures the TOML string at the beginning of data: its length, and the
// line breaks in it. One without an end goes to the end of its line, or of data.
func stringEnd(data []byte) (n, lines int) {
	q := data[0]
	long := len(data) >= 3 && data[1] == q && data[2] == q
	i := 1
	if long {
		i = 3
	}
	for i < len(data) {
		switch {
		case data[i] == '\n':
			if !long {
				return i, lines
			}
			lines++
		case data[i] == '\\' && q == '"':
			i++
			if i < len(data) && data[i] == '\n' {
				lines++
			}
		case data[i] == q && !long:
			return i + 1, lines
		case data[i] == q && i+2 < len(data) && data[i+1] == q && data[i+2] == q:
			i += 3
			// Up to two more belong to the string.
			for k := 0; k < 2 && i < len(data) && data[i] == q; k++ {
				i++
			}
			return i, lines
		}
		i++
	}
	return min(i, len(data)), lines
}

// StrictTOML decodes text that a stranger may have written: at most so many bytes
// of UTF-8 without hidden characters, and no key the value does not have. what
// names the text in errors: "statement".
func StrictTOML(what string, most int, data []byte, into any) error {
	if len(data) > most {
		return fmt.Errorf("the %s has more than the %d bytes that are read", what, most)
	}
	if !utf8.Valid(data) {
		return fmt.Errorf("the %s is not UTF-8", what)
	}
	for _, r := range string(data) {
		if Hidden(r) {
			return fmt.Errorf("the %s holds the hidden character U+%04X", what, r)
		}
	}
	if err := CheckNesting(data); err != nil {
		return fmt.Errorf("the %s: %w", what, err)
	}
	md, err := toml.Decode(string(data), into)
	if err != nil {
		return fmt.Errorf("the %s cannot be read as TOML: %w", what, err)
	}
	if keys := md.Undecoded(); len(keys) > 0 {
		return fmt.Errorf("the %s has the key %.80q, which this program does not know", what, keys[0].String())
	}
	// The library takes a key for the field whatever its case; only the names of
	// files and refs may have capitals.
	for _, k := range md.Keys() {
		if k[0] != "files" && k[0] != "refs" && strings.ToLower(k.String()) != k.String() {
			return fmt.Errorf("the %s has the key %.80q, which this program does not know", what, k.String())
		}
	}
	var plain map[string]any
	if _, err := toml.Decode(string(data), &plain); err != nil {
		return err
	}
	return checkWords(what, plain)
}

// checkWords refuses hidden characters that are written with a backslash.
func checkWords(what string, v any) error {
	switch v := v.(type) {
	case string:
		for _, r := range v {
			if Hidden(r) {
				return fmt.Errorf("the %s holds the hidden character U+%04X", what, r)
			}
		}
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			if err := errors.Join(checkWords(what, k), checkWords(what, v[k])); err != nil {
				return err
			}
		}
	case []map[string]any:
		for _, x := range v {
			if err := checkWords(what, x); err != nil {
				return err
			}
		}
	case []any:
		for _, x := range v {
			if err := checkWords(what, x); err != nil {
				return err
			}
		}
	}
	return nil
}

// formatOf reads the format of a text before anything else in it: 0 where it says
// none that can be read.
func formatOf(data []byte) int {
	if len(data) > MaxStatement || CheckNesting(data) != nil {
		return 0
	}
	var head struct {
		Format int `toml:"format"`
	}
	if _, err := toml.Decode(string(data), &head); err != nil {
		return 0
	}
	return head.Format
}
