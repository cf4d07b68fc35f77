package config

import (
	"fmt"
	"strings"
)

// parse reads git's configuration syntax (git-config(1), "Syntax") in
// order, which includes depend on.
func parse(text, file string, set func(key, value string, bare bool) error) error {
	p := &parser{text: strings.TrimPrefix(text, "\ufeff"), line: 1, file: file}
	section := ""
	for {
		c, ok := p.next()
		switch {
		case !ok:
			return nil
		case c == '\n' || isBlank(c):
		case c == '#' || c == ';':
			p.skipLine()
		case c == '[':
			var err error
			if section, err = p.section(); err != nil {
				return err
			}
		case isLetter(c):
			p.back()
			key, value, bare, err := p.setting()
			if err != nil {
				return err
			}
			if section != "" {
				key = section + "." + key
			}
			if err := set(key, value, bare); err != nil {
				return err
			}
		default:
			return p.fail("unexpected %q", c)
		}
	}
}

type parser struct {
	text string
	at   int
	line int
	file string
}

func (p *parser) fail(format string, args ...any) error {
	return &Error{p.file, p.line, fmt.Sprintf(format, args...)}
}

// next returns the next byte, with CR LF as LF.
func (p *parser) next() (byte, bool) {
	if p.at >= len(p.text) {
		return '\n', false
	}
	c := p.text[p.at]
	p.at++
	if c == '\r' && p.at < len(p.text) && p.text[p.at] == '\n' {
		c = '\n'
		p.at++
	}
	if c == '\n' {
		p.line++
	}
	return c, true
}

// back undoes next for a byte that was not a line end.
func (p *parser) back() { p.at-- }

func (p *parser) skipLine() {
	for {
		if c, ok := p.next(); !ok || c == '\n' {
			return
		}
	}
}

func isBlank(c byte) bool  { return c == ' ' || c == '\t' || c == '\r' || c == '\v' || c == '\f' }
func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }
func isKey(c byte) bool    { return isLetter(c) || c >= '0' && c <= '9' || c == '-' }

func (p *parser) section() (string, error) {
	var name strings.Builder
	for {
		c, ok := p.next()
		switch {
		case !ok || c == '\n':
			return "", p.fail("a section header does not end in ]")
		case c == ']':
			return strings.ToLower(name.String()), nil
		case isKey(c) || c == '.':
			name.WriteByte(c)
		case isBlank(c):
			sub, err := p.subsection()
			return strings.ToLower(name.String()) + "." + sub, err
		default:
			return "", p.fail("unexpected %q in a section header", c)
		}
	}
}

func (p *parser) subsection() (string, error) {
	c, ok := p.next()
	for ok && isBlank(c) {
		c, ok = p.next()
	}
	if c != '"' {
		return "", p.fail("a subsection must stand in double quotes")
	}
	var sub strings.Builder
	for {
		c, ok = p.next()
		if c == '\\' && ok {
			c, ok = p.next()
		} else if c == '"' {
			break
		}
		if !ok || c == '\n' {
			return "", p.fail("a subsection does not end in a quote")
		}
		sub.WriteByte(c)
	}
	if c, _ = p.next(); c != ']' {
		return "", p.fail("a section header does not end in ]")
	}
	return sub.String(), nil
}

func (p *parser) setting() (key, value string, bare bool, err error) {
	var name strings.Builder
	c, ok := p.next()
	for ok && isKey(c) {
		name.WriteByte(c)
		c, ok = p.next()
	}
	key = strings.ToLower(name.String())
	for ok && isBlank(c) {
		c, ok = p.next()
	}
	if !ok || c == '\n' {
		return key, "", true, nil
	}
	if c == '#' || c == ';' {
		p.skipLine()
		return key, "", true, nil
	}
	if c != '=' {
		return "", "", false, p.fail("unexpected %q after %q", c, key)
	}
	value, err = p.value()
	return key, value, false, err
}

func (p *parser) value() (string, error) {
	var b strings.Builder
	blanks := 0 // seen, and only written when more follows
	quoted := false
	line := p.line
	for {
		c, ok := p.next()
		if !ok || c == '\n' {
			if quoted {
				p.line = line
				return "", p.fail("a quote is not closed")
			}
			return b.String(), nil
		}
		if isBlank(c) && !quoted {
			if b.Len() > 0 {
				blanks++
			}
			continue
		}
		if !quoted && (c == '#' || c == ';') {
			p.skipLine()
			return b.String(), nil
		}
		for ; blanks > 0; blanks-- {
			b.WriteByte(' ')
		}
		switch c {
		case '"':
			quoted = !quoted
		case '\\':
			c, _ = p.next()
			switch c {
			case '\n':
			case 't':
				b.WriteByte('\t')
			case 'b':
				b.WriteByte('\b')
			case 'n':
				b.WriteByte('\n')
			case '\\', '"':
				b.WriteByte(c)
			default:
				return "", p.fail("unknown escape \\%c; write \\\\ for a backslash", c)
			}
		default:
			b.WriteByte(c)
		}
	}
}
