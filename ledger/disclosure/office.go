package disclosure

import (
	"archive/zip"
	"bytes"
	"html"
	"strings"
)

// zip looks into an archive: office files, which are zips of XML (ECMA-376,
// ISO/IEC 26300), and others.
func (r *reader) zip(part string, data []byte) {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		r.closed(part, "zip: it is broken")
		return
	}
	office := false
	for i, f := range z.File {
		if i == 50 {
			break
		}
		office = office || f.Name == "[Content_Types].xml" || f.Name == "mimetype"
	}
	if z.Comment != "" {
		r.emit(r.name(part, "zip comment"), z.Comment, everything)
	}
	for _, f := range z.File {
		if !r.part() {
			return
		}
		p := r.name(part, cut(f.Name, 200))
		if !office {
			r.emit(r.name(part, "list of files"), strings.ToValidUTF8(f.Name, "?")+"\n"+f.Comment, everything)
		}
		if strings.HasSuffix(f.Name, "/") {
			continue
		}
		if f.Flags&1 != 0 {
			r.closed(p, "it is locked with a password")
			continue
		}
		if r.left == 0 {
			r.closed("", "more than %d MB unpacked; the rest was not looked into", maxUnpacked>>20)
			return
		}
		o, err := f.Open()
		if err != nil {
			r.closed(p, "it cannot be unpacked")
			continue
		}
		content := r.unpack(p, o)
		o.Close()
		if text, ok := unicodeText(content); office && ok && strings.HasPrefix(strings.TrimSpace(text), "<") {
			words := xmlText(text, strings.HasPrefix(f.Name, "docProps/") || f.Name == "meta.xml")
			r.emit(p, words, everything)
			continue
		}
		r.look(p, content)
	}
}

// breaking are the elements that end a paragraph, a cell or a line.
var breaking = set(`p h br cr tab line-break s si c row tr tbl table table-row table-cell td th li item hyperlink comment annotation
	creator lastModifiedBy title subject description keywords author text list-item sectPr fldChar instrText docPr cNvPr body
	header footer footnote endnote oddHeader oddFooter evenHeader evenFooter firstHeader firstFooter`)

// spoken are the attributes that people fill in.
var spoken = set(`author initials title descr alt tooltip href target string-value userid displayname creator name-of-author formula username`)

// xmlText returns the words of an XML file in one pass and without nesting.
// Elements that end a paragraph or a cell part words; others, such as changes
// of type within a word, do not. all: every element parts words.
func xmlText(s string, all bool) string {
	var b, attributes strings.Builder
	for len(s) > 0 {
		lt := strings.IndexByte(s, '<')
		if lt < 0 {
			lt = len(s)
		}
		b.WriteString(html.UnescapeString(s[:lt]))
		if s = s[lt:]; s == "" {
			break
		}
		var rest string
		switch {
		case strings.HasPrefix(s, "<![CDATA["):
			inner, after, _ := strings.Cut(s[9:], "]]>")
			b.WriteString(inner)
			s = after
			continue
		case strings.HasPrefix(s, "<!--"):
			inner, after, _ := strings.Cut(s[4:], "-->")
			attributes.WriteString(inner + "\n")
			s = after
			continue
		}
		gt := tagEnd(s)
		tag := s[1:gt]
		if gt < len(s) {
			rest = s[gt+1:]
		}
		s = rest
		name := strings.TrimPrefix(tag, "/")
		if i := strings.IndexAny(name, " \t\r\n/"); i >= 0 {
			name = name[:i]
		}
		if i := strings.LastIndexByte(name, ':'); i >= 0 {
			name = name[i+1:]
		}
		if all || breaking[name] {
			b.WriteByte('\n')
		}
		if strings.IndexByte(tag, '=') >= 0 {
			spokenIn(tag, &attributes)
		}
	}
	return b.String() + "\n" + attributes.String()
}

// tagEnd is where a tag ends; a > within quotes does not end it.
func tagEnd(s string) int {
	quote := byte(0)
	for i := 1; i < len(s); i++ {
		switch c := s[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '>':
			return i
		}
	}
	return len(s)
}

// spokenIn hands on the values of a tag's attributes that people fill in.
func spokenIn(tag string, b *strings.Builder) {
	for {
		eq := strings.IndexByte(tag, '=')
		if eq < 0 || eq+1 >= len(tag) {
			return
		}
		name := strings.TrimSpace(tag[:eq])
		if i := strings.LastIndexAny(name, " \t\r\n:"); i >= 0 {
			name = name[i+1:]
		}
		rest := strings.TrimLeft(tag[eq+1:], " \t\r\n")
		if rest == "" || rest[0] != '"' && rest[0] != '\'' {
			tag = tag[eq+1:]
			continue
		}
		value, after, ok := strings.Cut(rest[1:], rest[:1])
		if spoken[strings.ToLower(name)] {
			b.WriteString(html.UnescapeString(value))
			b.WriteByte('\n')
		}
		if !ok {
			return
		}
		tag = after
	}
}
