package disclosure

import (
	"bytes"
	"compress/zlib"
	"encoding/ascii85"
	"encoding/hex"
	"io"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/image/tiff/lzw"
	"golang.org/x/text/encoding/charmap"

	"benchlore/schema/pattern"
)

// A PDF (ISO 32000-1) is read without following its tables, which a broken or
// hostile file may bend: every object and every stream in it is looked at, also
// what a later save put out of use. Text is told by the tables that its fonts
// carry for copying.

// pdf is what is gathered of one.
type pdf struct {
	r       *reader
	part    string
	bodies  map[string][]byte // objects without their streams, by number
	cmaps   map[string]*cmap  // by number
	content [][]byte          // streams that draw
	fonts   map[string][]*font
	picture bool // there are pictures
	text    bool // there is text
	dumb    bool // some text does not say its letters
}

var (
	objectHead  = pattern.New(`(?:^|[\s>])([0-9]{1,8})\s+[0-9]{1,5}\s+obj\b`)
	fontUse     = pattern.New(`/([^\s/<>\[\]()]{1,60})\s+([0-9]{1,8})\s+[0-9]{1,5}\s+R\b`)
	filterForm  = pattern.New(`/(?:Filter|F)\s*(\[[^\]]{0,200}\]|/[A-Za-z0-9]+)`)
	nameForm    = pattern.New(`/([A-Za-z0-9]+)`)
	firstForm   = pattern.New(`/First\s+([0-9]{1,8})`)
	toUnicode   = pattern.New(`/ToUnicode\s+([0-9]{1,8})\s`)
	encodingRef = pattern.New(`/Encoding\s+([0-9]{1,8})\s+[0-9]{1,5}\s+R`)
	predictor   = pattern.New(`/Predictor\s+([0-9]{1,2})`)
	columnsForm = pattern.New(`/Columns\s+([0-9]{1,5})`)
)

const (
	maxFontsOfName = 6 // fonts that share a name in one file
	maxContents    = 20000
)

func (r *reader) pdf(part string, data []byte) {
	p := &pdf{r: r, part: part, bodies: map[string][]byte{}, cmaps: map[string]*cmap{}, fonts: map[string][]*font{}}
	if bytes.Contains(data, []byte("/Encrypt")) {
		r.closed(part, "PDF: it is locked")
	}
	at, number := 0, ""
	for at < len(data) {
		i := bytes.Index(data[at:], []byte("stream"))
		end := len(data)
		if i >= 0 {
			end = at + i
		}
		number = p.objects(data[at:end], number)
		if i < 0 {
			break
		}
		body := end + len("stream")
		if bytes.HasPrefix(data[body:], []byte("\r\n")) {
			body += 2
		} else if body < len(data) && (data[body] == '\n' || data[body] == '\r') {
			body++
		}
		stop := bytes.Index(data[body:], []byte("endstream"))
		if stop < 0 {
			r.closed(part, "PDF: it breaks off")
			break
		}
		p.stream(number, data[body:body+stop])
		at = body + stop + len("endstream")
	}
	p.gatherFonts()
	for _, c := range p.content {
		p.draw(c)
	}
	if p.dumb {
		r.closed(part, "PDF: some of its text does not say its letters")
	}
	if p.picture && !p.text {
		r.closed(part, "PDF: pages that are pictures")
	} else if !p.text {
		r.closed(part, "PDF: no text was found in it")
	}
}

// objects notes the objects of a stretch between streams, and hands on the
// strings in them: particulars, remarks, bookmarks, what a form was filled in
// with. It returns the number of the last one.
func (p *pdf) objects(b []byte, last string) string {
	heads := objectHead.FindAllSubmatchIndex(b, -1)
	for i, h := range heads {
		end := len(b)
		if i+1 < len(heads) {
			end = heads[i+1][0]
		}
		last = string(b[h[2]:h[3]])
		p.bodies[last] = b[h[1]:end]
	}
	p.strings(b)
	return last
}

// strings hands on the strings of objects.
func (p *pdf) strings(b []byte) {
	var out strings.Builder
	for i := 0; i < len(b); {
		switch c := b[i]; {
		case c == '(':
			s, n := literal(b[i:])
			out.WriteString(pdfString(s) + "\n")
			i += n
		case c == '<' && i+1 < len(b) && b[i+1] != '<':
			s, n := hexString(b[i:])
			if len(s) >= 2 && (s[0] == 0xfe && s[1] == 0xff || plain(s)) {
				out.WriteString(pdfString(s) + "\n")
			}
			i += n
		case c == '<':
			i += 2
		default:
			i++
		}
	}
	if out.Len() > 0 {
		p.r.emit(p.r.name(p.part, "PDF particulars and remarks"), out.String(), everything)
	}
}

// pdfString decodes a text string: UTF-16 or UTF-8 with a mark, else PDFDoc,
// which is close to Windows-1252.
func pdfString(s []byte) string {
	if text, ok := unicodeText(s); ok {
		return text
	}
	return windows1252(s)
}

// literal reads a string in parentheses and says how long it is in the file.
func literal(b []byte) (out []byte, n int) {
	depth := 0
	for i := 0; i < len(b); i++ {
		switch c := b[i]; c {
		case '(':
			if depth++; depth > 1 {
				out = append(out, c)
			}
		case ')':
			if depth--; depth == 0 {
				return out, i + 1
			}
			out = append(out, c)
		case '\\':
			if i++; i == len(b) {
				return out, i
			}
			switch c := b[i]; c {
			case 'n':
				out = append(out, '\n')
			case 'r':
				out = append(out, '\r')
			case 't':
				out = append(out, '\t')
			case 'b', 'f':
			case '\n':
			case '\r':
				if i+1 < len(b) && b[i+1] == '\n' {
					i++
				}
			default:
				if c < '0' || c > '7' {
					out = append(out, c)
					continue
				}
				v, k := 0, 0
				for ; k < 3 && i+k < len(b) && b[i+k] >= '0' && b[i+k] <= '7'; k++ {
					v = v<<3 | int(b[i+k]-'0')
				}
				out = append(out, byte(v))
				i += k - 1
			}
		default:
			out = append(out, c)
		}
	}
	return out, len(b)
}

func hexString(b []byte) (out []byte, n int) {
	end := bytes.IndexByte(b, '>')
	if end < 0 {
		return nil, len(b)
	}
	digits := bytes.Map(func(r rune) rune {
		if strings.ContainsRune("0123456789abcdefABCDEF", r) {
			return r
		}
		return -1
	}, b[1:end])
	if len(digits)%2 == 1 {
		digits = append(digits, '0')
	}
	out = make([]byte, len(digits)/2)
	hex.Decode(out, digits) //nolint:errcheck // there are only digits left
	return out, end + 1
}

// stream looks at one stream.
func (p *pdf) stream(number string, raw []byte) {
	dict := p.bodies[number]
	dict = dict[max(0, len(dict)-1<<14):] // one that is longer is none
	has := func(s string) bool { return bytes.Contains(dict, []byte(s)) }
	if !p.r.part() {
		return
	}
	var filters []string
	if m := filterForm.FindSubmatch(dict); m != nil {
		for _, n := range nameForm.FindAllSubmatch(m[1], -1) {
			filters = append(filters, string(n[1]))
		}
	}
	if has("/XRef") || has("/FontFile") || has("/Length1") || has("/CIDFontType0C") || has("/Type1C") || has("/OpenType") {
		return // tables, and the shapes of letters
	}
	image := has("/Image") && has("/Width")
	p.picture = p.picture || image
	data := raw
	for _, f := range filters {
		switch f {
		case "FlateDecode", "Fl":
			z, err := zlib.NewReader(bytes.NewReader(data))
			if err != nil {
				p.r.closed(p.part, "PDF: a part of it cannot be unpacked")
				return
			}
			if image {
				return // pixels
			}
			data = p.unpredict(dict, p.packed(z))
		case "LZWDecode", "LZW":
			if image {
				return
			}
			data = p.unpredict(dict, p.packed(lzw.NewReader(bytes.NewReader(data), lzw.MSB, 8)))
		case "ASCIIHexDecode", "AHx":
			data, _ = hexString(append([]byte{'<'}, append(bytes.Clone(data), '>')...))
		case "ASCII85Decode", "A85":
			text, _, _ := bytes.Cut(data, []byte("~>"))
			data = p.packed(ascii85.NewDecoder(bytes.NewReader(bytes.TrimPrefix(bytes.TrimSpace(text), []byte("<~")))))
		case "DCTDecode", "DCT":
			p.r.look(p.r.name(p.part, "picture"), data[max(0, bytes.Index(data, []byte("\xff\xd8"))):])
			return
		case "JPXDecode", "CCITTFaxDecode", "CCF", "JBIG2Decode", "RunLengthDecode", "RL":
			if !image {
				p.r.closed(p.part, "PDF: a part packed with %s", f)
			}
			return
		case "Crypt":
			p.r.closed(p.part, "PDF: a part of it is locked")
			return
		default:
			p.r.closed(p.part, "PDF: a part packed in an unknown way")
			return
		}
	}
	switch {
	case image:
	case has("/ObjStm"):
		p.objectStream(dict, data)
	case has("/EmbeddedFile"):
		p.r.look(p.r.name(p.part, "file in it"), bytes.TrimRight(data, "\r\n"))
	case has("/Metadata"), bytes.Contains(data[:min(len(data), 2048)], []byte("<x:xmpmeta")):
		text, ok := unicodeText(bytes.TrimSpace(data))
		if !ok {
			text = windows1252(data)
		}
		p.r.emit(p.r.name(p.part, "XMP"), xmlText(text, true), everything)
	case bytes.Contains(data, []byte("beginbfchar")), bytes.Contains(data, []byte("beginbfrange")):
		p.cmaps[number] = readCMap(data)
	case len(p.content) < maxContents:
		p.content = append(p.content, data)
	default:
		p.r.closed(p.part, "PDF: it has too many parts")
	}
}

// packed unpacks a part of a PDF. Programs often leave the check sum away.
func (p *pdf) packed(from io.Reader) []byte {
	data, err := io.ReadAll(io.LimitReader(from, int64(p.r.left)+1))
	switch {
	case len(data) > p.r.left:
		data = data[:p.r.left]
		p.r.closed(p.part, "PDF: more than %d MB unpacked; the rest was not looked into", maxUnpacked>>20)
	case err != nil && len(data) == 0:
		p.r.closed(p.part, "PDF: a part of it cannot be unpacked")
	}
	p.r.left -= len(data)
	return data
}

// unpredict takes back the PNG filters that tables of objects may have.
func (p *pdf) unpredict(dict, data []byte) []byte {
	m := predictor.FindSubmatch(dict)
	if m == nil {
		return data
	}
	if n, _ := strconv.Atoi(string(m[1])); n < 10 {
		if n > 1 {
			p.r.closed(p.part, "PDF: a part packed in an unknown way")
		}
		return data
	}
	columns := 1
	if m := columnsForm.FindSubmatch(dict); m != nil {
		columns, _ = strconv.Atoi(string(m[1]))
	}
	if columns < 1 {
		return data
	}
	var out []byte
	before := make([]byte, columns)
	for len(data) > 1 {
		row := data[1:min(len(data), 1+columns)]
		for i := range row {
			left := byte(0)
			if i > 0 {
				left = row[i-1]
			}
			switch data[0] {
			case 1:
				row[i] += left
			case 2:
				row[i] += before[i]
			case 3:
				row[i] += byte((int(left) + int(before[i])) / 2)
			}
		}
		out = append(out, row...)
		copy(before, row)
		data = data[1+len(row):]
	}
	return out
}

// objectStream notes the objects of a stream that holds some.
func (p *pdf) objectStream(dict, data []byte) {
	m := firstForm.FindSubmatch(dict)
	if m == nil {
		return
	}
	first, _ := strconv.Atoi(string(m[1]))
	if first > len(data) {
		return
	}
	fields := bytes.Fields(data[:first])
	body := data[first:]
	for i := 0; i+1 < len(fields); i += 2 {
		from, err := strconv.Atoi(string(fields[i+1]))
		to := len(body)
		if i+3 < len(fields) {
			to, _ = strconv.Atoi(string(fields[i+3]))
		}
		if err != nil || from < 0 || from > to || to > len(body) {
			continue
		}
		p.bodies[string(fields[i])] = body[from:to]
	}
	p.strings(body)
}

// font is how a font tells its letters.
type font struct {
	cmap  *cmap
	wide  bool // two bytes a letter
	mac   bool
	names map[byte]string // from /Differences
	mute  bool            // it does not tell them
}

// gatherFonts finds the fonts that pages call by a name. One name may mean
// another font on another page: then text is read with each.
func (p *pdf) gatherFonts() {
	read := map[string]*font{}
	for _, number := range sortedKeys(p.bodies) {
		for _, m := range fontUse.FindAllSubmatch(p.bodies[number], -1) {
			name, object := string(m[1]), string(m[2])
			body := p.bodies[object]
			if !bytes.Contains(body, []byte("/Font")) || !bytes.Contains(body, []byte("/Subtype")) || bytes.Contains(body, []byte("/CIDFontType")) {
				continue
			}
			f := read[object]
			if f == nil {
				f = p.font(body)
				read[object] = f
			}
			if list := p.fonts[name]; !slices.Contains(list, f) {
				if len(list) == maxFontsOfName {
					p.dumb = true
					continue
				}
				p.fonts[name] = append(list, f)
			}
		}
	}
}

func sortedKeys(m map[string][]byte) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func (p *pdf) font(body []byte) *font {
	f := &font{wide: bytes.Contains(body, []byte("/Type0")), mac: bytes.Contains(body, []byte("/MacRomanEncoding"))}
	if m := toUnicode.FindSubmatch(body); m != nil {
		f.cmap = p.cmaps[string(m[1])]
	}
	if f.cmap != nil {
		return f
	}
	if f.wide {
		f.mute = true
		return f
	}
	encoding := body
	if m := encodingRef.FindSubmatch(body); m != nil {
		encoding = p.bodies[string(m[1])]
	}
	if _, list, ok := bytes.Cut(encoding, []byte("/Differences")); ok {
		list, _, _ = bytes.Cut(list, []byte("]"))
		f.names = map[byte]string{}
		code := 0
		for _, w := range bytes.Fields(bytes.ReplaceAll(bytes.TrimLeft(list, " \r\n\t["), []byte("/"), []byte(" /"))) {
			if n, err := strconv.Atoi(string(w)); err == nil {
				code = n
				continue
			}
			letter, ok := glyph(strings.TrimPrefix(string(w), "/"))
			f.mute = f.mute || !ok
			f.names[byte(code)] = letter
			code++
		}
	}
	return f
}

// glyphs are names of the Adobe Glyph List that are no letter with an accent.
var glyphs = map[string]string{"space": " ", "hyphen": "-", "minus": "-", "period": ".", "comma": ",", "colon": ":", "semicolon": ";", "at": "@", "slash": "/",
	"plus": "+", "parenleft": "(", "parenright": ")", "Euro": "€", "sterling": "£", "dollar": "$", "yen": "¥", "underscore": "_", "quotesingle": "'",
	"quoteright": "'", "zero": "0", "one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6", "seven": "7", "eight": "8", "nine": "9",
	"fi": "fi", "fl": "fl", "ff": "ff", "ffi": "ffi", "ffl": "ffl", "f_i": "fi", "f_f": "ff", "germandbls": "ß", "ae": "æ", "oe": "œ", "AE": "Æ", "OE": "Œ",
	"dotlessi": "i", "eth": "ð", "thorn": "þ", "emdash": "—", "endash": "–"}

var accented = pattern.New(`^([A-Za-z])(?:acute|grave|circumflex|dieresis|tilde|ring|cedilla|caron|slash|macron|breve|ogonek|dotaccent|commaaccent|hungarumlaut)$`)

// glyph is the letter a font's name for it means; accents are left out, as in
// every comparison of names.
func glyph(name string) (string, bool) {
	if len(name) == 1 {
		return name, true
	}
	if s, ok := glyphs[name]; ok {
		return s, true
	}
	if m := accented.FindStringSubmatch(name); m != nil {
		return m[1], true
	}
	if h, ok := strings.CutPrefix(name, "uni"); ok && len(h) == 4 {
		if n, err := strconv.ParseUint(h, 16, 16); err == nil {
			return string(rune(n)), true
		}
	}
	for _, c := range name {
		if c >= '0' && c <= '9' {
			return "\ufffd", false // g17, c42, cid:7: numbers of shapes
		}
	}
	return "\u00b7", true // some other sign
}

// decode reads a string that is drawn in the font.
func (f *font) decode(s []byte) string {
	if f.cmap != nil {
		return f.cmap.decode(s, f.wide)
	}
	if f.wide {
		return ""
	}
	var b strings.Builder
	for _, c := range s {
		if t, ok := f.names[c]; ok {
			b.WriteString(t)
		} else if f.mac {
			b.WriteRune(charmap.Macintosh.DecodeByte(c))
		} else {
			b.WriteRune(charmap.Windows1252.DecodeByte(c))
		}
	}
	return b.String()
}

// cmap maps the codes of a font to letters (ISO 32000-1, 9.10.3).
type cmap struct {
	wide   bool
	chars  map[uint32]string
	ranges []cmapRange
}

type cmapRange struct {
	low, high uint32
	to        []rune
}

var hexForm = pattern.New(`<[0-9A-Fa-f\s]{0,128}>|\[|\]|endbf(?:char|range)|beginbf(?:char|range)|endcodespacerange|begincodespacerange`)

func readCMap(data []byte) *cmap {
	c := &cmap{chars: map[uint32]string{}}
	mode := ""
	var row [][]byte
	list := false
	for _, m := range hexForm.FindAll(data, 1<<20) {
		switch {
		case m[0] == '[':
			list = true
			continue
		case m[0] == ']':
			list, row = false, nil
			continue
		case m[0] != '<':
			mode, row, list = string(m), nil, false
			continue
		}
		s, _ := hexString(m)
		row = append(row, s)
		switch mode {
		case "begincodespacerange":
			c.wide = c.wide || len(s) > 1
		case "beginbfchar":
			if len(row) == 2 {
				c.chars[code(row[0])] = utf16BE(row[1])
				row = nil
			}
		case "beginbfrange":
			switch {
			case list && len(row) > 2:
				c.chars[code(row[0])+uint32(len(row)-3)] = utf16BE(s)
			case len(row) == 3:
				c.ranges = append(c.ranges, cmapRange{code(row[0]), code(row[1]), []rune(utf16BE(s))})
				row = nil
			}
		}
	}
	slices.SortStableFunc(c.ranges, func(a, b cmapRange) int { return int(int64(a.low) - int64(b.low)) })
	return c
}

func code(b []byte) uint32 {
	var n uint32
	for _, c := range b {
		n = n<<8 | uint32(c)
	}
	return n
}

func utf16BE(b []byte) string {
	if len(b) == 1 {
		return string(rune(b[0]))
	}
	s, _ := unicodeText(append([]byte{0xfe, 0xff}, b...))
	return s
}

func (c *cmap) decode(s []byte, wide bool) string {
	var b strings.Builder
	step := 1
	if c.wide || wide {
		step = 2
	}
	for i := 0; i+step <= len(s); i += step {
		n := code(s[i : i+step])
		if t, ok := c.chars[n]; ok {
			b.WriteString(t)
			continue
		}
		k, _ := slices.BinarySearchFunc(c.ranges, n, func(r cmapRange, n uint32) int {
			if r.high < n {
				return -1
			}
			return 1
		})
		if k < len(c.ranges) && c.ranges[k].low <= n && n <= c.ranges[k].high && len(c.ranges[k].to) > 0 {
			to := c.ranges[k].to
			b.WriteString(string(to[:len(to)-1]))
			b.WriteRune(to[len(to)-1] + rune(n-c.ranges[k].low))
			continue
		}
		b.WriteRune('\ufffd')
	}
	return b.String()
}

// draw hands on the text that a stream draws, with each font that a name may
// mean, and read twice: with a space where the pen moves, and without.
func (p *pdf) draw(data []byte) {
	if !bytes.Contains(data, []byte("BT")) || !bytes.Contains(data, []byte("T")) {
		p.r.emit(p.r.name(p.part, "data in it"), windows1252(data[:min(len(data), 1<<20)]), loose)
		return
	}
	for k := range maxFontsOfName {
		spaced, joined, more, shown := p.drawn(data, k)
		if !shown {
			return
		}
		p.text = true
		m := everything
		if k > 0 {
			m = namesOnly
		}
		name := p.r.name(p.part, "PDF text")
		p.r.emit(name, spaced, m)
		if joined != spaced {
			p.r.emit(name, joined, namesOnly)
		}
		if !more {
			return
		}
	}
}

// drawn reads a stream with the nth font of each name.
func (p *pdf) drawn(data []byte, nth int) (spaced, joined string, more, shown bool) {
	var a, b strings.Builder
	var current *font
	var operands [][]byte // strings of the operator to come
	var numbers []float64
	var name string
	text := func(s []byte) {
		shown = true
		t := ""
		switch {
		case current == nil:
			t = windows1252(s)
		default:
			t = current.decode(s)
			p.dumb = p.dumb || current.mute && len(s) > 0
		}
		a.WriteString(t)
		b.WriteString(t)
	}
	move := func(sep string) {
		a.WriteString(sep)
		if sep == "\n" {
			b.WriteString(sep)
		}
	}
	inArray := false
	const most = 4 << 20 // of what one stream may say
	for i := 0; i < len(data) && a.Len() < most; {
		c := data[i]
		switch {
		case c == '(':
			s, n := literal(data[i:])
			operands = append(operands, s)
			i += n
		case c == '<' && i+1 < len(data) && data[i+1] == '<':
			i += 2
		case c == '<':
			s, n := hexString(data[i:])
			operands = append(operands, s)
			i += n
		case c == '[':
			inArray = true
			i++
		case c == ']':
			inArray = false
			i++
		case c == '%':
			for i < len(data) && data[i] != '\n' && data[i] != '\r' {
				i++
			}
		case c == '/':
			j := i + 1
			for j < len(data) && !bytes.ContainsRune([]byte(" \t\r\n/<>[]()"), rune(data[j])) {
				j++
			}
			name = string(data[i+1 : j])
			i = j
		case c >= '0' && c <= '9' || c == '-' || c == '.' || c == '+':
			j := i + 1
			for j < len(data) && (data[j] >= '0' && data[j] <= '9' || data[j] == '.' || data[j] == '-') {
				j++
			}
			n, _ := strconv.ParseFloat(string(data[i:j]), 64)
			if inArray && n < -150 && len(operands) > 0 {
				operands = append(operands, nil) // a gap as wide as a space
			} else {
				if numbers = append(numbers, n); len(numbers) > 6 {
					numbers = numbers[1:]
				}
			}
			i = j
		case c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c == '\'' || c == '"' || c == '*':
			j := i + 1
			for j < len(data) && (data[j] >= 'A' && data[j] <= 'Z' || data[j] >= 'a' && data[j] <= 'z' || data[j] == '*' || data[j] >= '0' && data[j] <= '9') {
				j++
			}
			switch op := string(data[i:j]); op {
			case "Tf":
				list := p.fonts[name]
				more = more || len(list) > nth+1
				current = nil
				if len(list) > 0 {
					current = list[min(nth, len(list)-1)]
				}
			case "Tj", "TJ", "'", "\"":
				if op == "'" || op == "\"" {
					move("\n")
				}
				for _, s := range operands {
					if s == nil {
						a.WriteByte(' ')
						b.WriteByte(' ')
						continue
					}
					text(s)
				}
			case "Td", "TD":
				if n := len(numbers); n > 0 && numbers[n-1] == 0 {
					move(" ")
				} else {
					move("\n")
				}
			case "T*":
				move("\n")
			case "Tm", "ET":
				move(" ")
			case "ID": // a picture between the lines
				if end := bytes.Index(data[j:], []byte("EI")); end >= 0 {
					j += end + 2
				} else {
					j = len(data)
				}
				p.picture = true
			}
			operands, numbers = operands[:0], numbers[:0]
			i = j
		default:
			i++
		}
	}
	return a.String(), b.String(), more, shown
}
