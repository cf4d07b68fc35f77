package disclosure

import (
	"bytes"
	"encoding/binary"
	"html"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode/utf32"

	"benchlore/schema/pattern"
)

// text hands on a text in any of the usual encodings; false where it is none.
func (r *reader) text(part string, data []byte) bool {
	text, ok := unicodeText(data)
	if !ok {
		if !plain(data) {
			return false
		}
		r.emit(part, windows1252(data), everything)
		// Other pages of eight bits, and UTF-8 with a few such bytes in it.
		for _, m := range []*charmap.Charmap{charmap.CodePage850, charmap.Macintosh, charmap.Windows1250} {
			if s, err := m.NewDecoder().Bytes(data); err == nil {
				r.emit(part, string(s), namesOnly)
			}
		}
		r.emit(part, strings.ToValidUTF8(string(data), "\ufffd"), namesOnly)
		return true
	}
	r.emit(part, text, everything)
	if s := unescaped(text); s != text {
		r.emit(part, s, namesOnly)
	}
	return true
}

// unicodeText decodes UTF-8, UTF-16 and UTF-32, the latter two with a mark, and
// UTF-16 without one where it reads as text.
func unicodeText(data []byte) (string, bool) {
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xfe\x00\x00")), bytes.HasPrefix(data, []byte("\x00\x00\xfe\xff")):
		if s, err := utf32.UTF32(utf32.BigEndian, utf32.UseBOM).NewDecoder().Bytes(data); err == nil {
			return string(s), true
		}
	case bytes.HasPrefix(data, []byte("\xff\xfe")):
		return utf16(data[2:], binary.LittleEndian), true
	case bytes.HasPrefix(data, []byte("\xfe\xff")):
		return utf16(data[2:], binary.BigEndian), true
	}
	if bytes.IndexByte(data, 0) >= 0 {
		for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
			if readable(utf16(data[:min(len(data)&^1, 1<<16)], order)) {
				return utf16(data, order), true
			}
		}
		return "", false
	}
	if utf8.Valid(data) && (plain(data) || !bytes.ContainsAny(data, "\x01\x02\x03\x04")) {
		return strings.TrimPrefix(string(data), "\ufeff"), true
	}
	return "", false
}

func utf16(data []byte, order binary.ByteOrder) string {
	var b strings.Builder
	b.Grow(len(data)/2 + 1)
	for i := 0; i+1 < len(data); i += 2 {
		u := rune(order.Uint16(data[i:]))
		if u >= 0xd800 && u < 0xdc00 && i+3 < len(data) {
			if low := rune(order.Uint16(data[i+2:])); low >= 0xdc00 && low < 0xe000 {
				u = (u-0xd800)<<10 + (low - 0xdc00) + 0x10000
				i += 2
			}
		}
		b.WriteRune(u)
	}
	return b.String()
}

// readable reports whether nearly all of a text are letters of our part of the
// world, digits, spaces and signs.
func readable(s string) bool {
	good, all := 0, 0
	for _, r := range s {
		all++
		switch {
		case r < ' ' && r != '\n' && r != '\r' && r != '\t', r == utf8.RuneError, r == 0x7f:
		case r < 0x0590, r >= 0x1e00 && r < 0x2300:
			good++
		}
	}
	return all > 3 && good*20 >= all*19
}

// plain reports whether bytes are text of eight bits: hardly a control
// character.
func plain(data []byte) bool {
	control := 0
	for _, c := range data {
		if c < ' ' && c != '\n' && c != '\r' && c != '\t' && c != '\f' && c != 0x1b || c == 0x7f {
			if c == 0 {
				return false
			}
			control++
		}
	}
	return control*100 <= len(data)
}

func windows1252(data []byte) string {
	s, err := charmap.Windows1252.NewDecoder().Bytes(data)
	if err != nil {
		return strings.ToValidUTF8(string(data), "\ufffd")
	}
	return string(s)
}

var escapeForm = pattern.New(`\\u[0-9a-fA-F]{4}|\\U[0-9a-fA-F]{8}|%[0-9a-fA-F]{2}(?:%[0-9a-fA-F]{2})*|=[0-9A-F]{2}(?:=[0-9A-F]{2})*`)

// unescaped reads a text with its escapes resolved: those of TOML and JSON, of
// HTML and XML, of addresses on the net and of mail.
func unescaped(s string) string {
	if strings.IndexByte(s, '\\') >= 0 || strings.IndexByte(s, '%') >= 0 || strings.IndexByte(s, '=') >= 0 {
		s = escapeForm.ReplaceAllStringFunc(s, func(m string) string {
			switch m[0] {
			case '\\':
				n, err := strconv.ParseUint(m[2:], 16, 32)
				if err != nil || !unicode.IsPrint(rune(n)) {
					return m
				}
				return string(rune(n))
			}
			var b []byte
			for i := 0; i+2 < len(m); i += 3 {
				n, err := strconv.ParseUint(m[i+1:i+3], 16, 8)
				if err != nil || n < ' ' {
					return m
				}
				b = append(b, byte(n))
			}
			if utf8.Valid(b) {
				return string(b)
			}
			return windows1252(b)
		})
	}
	if strings.IndexByte(s, '&') >= 0 {
		s = html.UnescapeString(s)
	}
	return s
}

// rtf hands on the words of a rich text file.
func (r *reader) rtf(part string, data []byte) {
	var b, raw strings.Builder
	flush := func() {
		if raw.Len() > 0 {
			b.WriteString(windows1252([]byte(raw.String())))
			raw.Reset()
		}
	}
	for i := 0; i < len(data); i++ {
		c := data[i]
		switch {
		case c == '{' || c == '}' || c == '\r' || c == '\n':
		case c != '\\':
			raw.WriteByte(c)
		case i+1 >= len(data):
		case data[i+1] == '\'' && i+3 < len(data):
			if n, err := strconv.ParseUint(string(data[i+2:i+4]), 16, 8); err == nil {
				raw.WriteByte(byte(n))
			}
			i += 3
		case data[i+1] == '~':
			raw.WriteByte(' ')
			i++
		case data[i+1] < 'a' || data[i+1] > 'z':
			if data[i+1] == '\\' || data[i+1] == '{' || data[i+1] == '}' {
				raw.WriteByte(data[i+1])
			}
			i++
		default:
			j := i + 1
			for j < len(data) && data[j] >= 'a' && data[j] <= 'z' && j-i < 40 {
				j++
			}
			word := string(data[i+1 : j])
			k := j
			for k < len(data) && (data[k] >= '0' && data[k] <= '9' || data[k] == '-' && k == j) && k-j < 12 {
				k++
			}
			switch word {
			case "par", "line", "cell", "row", "tab", "sect", "page":
				raw.WriteByte('\n')
			case "u":
				if n, err := strconv.Atoi(string(data[j:k])); err == nil {
					flush()
					b.WriteRune(rune(uint16(n)))
					if k < len(data) && data[k] == '?' {
						k++
					}
				}
			case "author", "operator", "title", "company", "manager", "subject", "doccomm", "keywords", "fonttbl", "info", "stylesheet":
				raw.WriteByte('\n')
			case "bin":
				r.closed(part, "RTF: data in it")
			}
			if k < len(data) && data[k] == ' ' {
				k++
			}
			i = k - 1
		}
	}
	flush()
	r.emit(r.name(part, "RTF text"), b.String(), everything)
	if bytes.Contains(data, []byte(`\pict`)) || bytes.Contains(data, []byte(`\object`)) {
		r.closed(part, "RTF: pictures or objects in it")
	}
}
