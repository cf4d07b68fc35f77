package disclosure

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"strings"
)

const pngMagic = "\x89PNG\r\n\x1a\n"

// aPlaceAndTime is said of a picture whose camera wrote more than how to show
// it.
const aPlaceAndTime = "picture metadata, which may hold place and time"

// segment is one of a JPEG's before the picture itself (ITU-T T.81, B.1.1).
type segment struct {
	marker     byte
	body       []byte // without marker and length
	start, end int    // in the file, with marker and length
}

// segments are those of a JPEG up to the picture. at is where the picture
// begins, -1 where the file is broken before.
func segments(data []byte) (list []segment, at int) {
	for p := 2; p+4 <= len(data) && len(list) < maxParts; {
		if data[p] != 0xff {
			return list, -1
		}
		m := data[p+1]
		switch {
		case m == 0xff:
			p++
			continue
		case m == 0xda:
			return list, p
		case m == 0xd8 || m == 0x01 || 0xd0 <= m && m <= 0xd7: // without a length
			p += 2
			continue
		case m == 0xd9:
			return list, -1
		}
		n := int(binary.BigEndian.Uint16(data[p+2:]))
		if n < 2 || p+2+n > len(data) {
			return list, -1
		}
		list = append(list, segment{m, data[p+4 : p+2+n], p, p + 2 + n})
		p += 2 + n
	}
	return list, -1
}

// pictureEnd is behind the end mark of a JPEG whose picture begins at a place.
func pictureEnd(data []byte, at int) int {
	for p := at; p+1 < len(data); p++ {
		if data[p] != 0xff {
			continue
		}
		switch m := data[p+1]; {
		case m == 0xd9:
			return p + 2
		case m == 0 || m == 0xff || 0xd0 <= m && m <= 0xd7 || m == 0xda:
		case p+4 <= len(data): // a table between two passes
			p += 1 + int(binary.BigEndian.Uint16(data[p+2:]))
		}
	}
	return len(data)
}

func (r *reader) jpeg(part string, data []byte) {
	list, at := segments(data)
	if at < 0 {
		r.closed(part, "JPEG: it is broken")
	}
	for _, s := range list {
		switch b := s.body; {
		case s.marker == 0xfe:
			r.words(r.name(part, "JPEG comment"), b, everything)
		case s.marker == 0xe1 && bytes.HasPrefix(b, []byte("Exif\x00")) && len(b) > 6:
			r.exif(part, b[6:])
		case s.marker == 0xe1 && bytes.HasPrefix(b, []byte("http://ns.adobe.com/")):
			_, packet, _ := bytes.Cut(b, []byte{0})
			r.xmp(part, packet)
		case s.marker == 0xed:
			r.iptc(part, b)
		case s.marker == 0xe2 && bytes.HasPrefix(b, []byte("ICC_PROFILE")):
		case s.marker == 0xe0 && (bytes.HasPrefix(b, []byte("JFIF")) || bytes.HasPrefix(b, []byte("JFXX"))):
		case s.marker == 0xee && bytes.HasPrefix(b, []byte("Adobe")):
		case s.marker >= 0xe0 && s.marker <= 0xef:
			r.closed(part, "JPEG: a segment of a maker's own")
		}
	}
	if at >= 0 {
		if tail := bytes.TrimRight(data[pictureEnd(data, at):], "\x00"); len(tail) > 0 {
			r.closed(part, "JPEG: %d bytes behind the picture", len(tail))
		}
	}
}

// words hands on bytes that are meant as text, in whatever encoding.
func (r *reader) words(part string, b []byte, m mode) {
	b = bytes.Trim(b, "\x00 ")
	if len(b) == 0 {
		return
	}
	text, ok := unicodeText(b)
	if !ok {
		text = windows1252(b)
	}
	r.emit(part, text, m)
}

// xmp hands on the words of an XMP packet (ISO 16684-1).
func (r *reader) xmp(part string, b []byte) {
	r.flag(r.name(part, "XMP"), aPlaceAndTime, "XMP")
	text, ok := unicodeText(b)
	if !ok {
		text = windows1252(bytes.ReplaceAll(b, []byte{0}, []byte("\n")))
	}
	p := r.name(part, "XMP")
	r.emit(p, xmlText(text, true), everything)
	// Simple properties may stand as attributes.
	r.emit(p, strings.NewReplacer("\"", "\n", "'", "\n").Replace(unescaped(text)), namesOnly)
}

// iptc hands on the data sets of IPTC-IIM 4.2, in Photoshop's resources or bare.
func (r *reader) iptc(part string, b []byte) {
	p := r.name(part, "IPTC")
	found := false
	for i := 0; i+5 <= len(b); {
		if b[i] != 0x1c {
			i++
			continue
		}
		n := int(binary.BigEndian.Uint16(b[i+3:]))
		if b[i+1] == 0 || b[i+1] > 9 || n > 0x7fff || i+5+n > len(b) {
			i++
			continue
		}
		found = true
		r.words(p, b[i+5:i+5+n], everything)
		i += 5 + n
	}
	if found {
		r.flag(p, aPlaceAndTime, "IPTC")
	} else {
		r.runs(p, b)
	}
}

// Tags of Exif 3.0 (CIPA DC-008) and TIFF 6.0 that say how a picture is shown,
// and nothing of who took it, where and when.
var shown = map[uint16]bool{0x0100: true, 0x0101: true, 0x0102: true, 0x0103: true, 0x0106: true, 0x0111: true, 0x0112: true, 0x0115: true, 0x0116: true,
	0x0117: true, 0x011a: true, 0x011b: true, 0x011c: true, 0x0128: true, 0x013e: true, 0x013f: true, 0x0140: true, 0x0142: true, 0x0143: true, 0x0144: true, 0x0145: true,
	0x0152: true, 0x0153: true, 0x0211: true, 0x0212: true, 0x0213: true, 0x0214: true, 0xa001: true, 0xa002: true, 0xa003: true, 0x9000: true, 0x9101: true, 0xa000: true, 0x8769: true}

// exif hands on the texts of an Exif block, which is a TIFF file.
func (r *reader) exif(part string, b []byte) {
	var order binary.ByteOrder = binary.LittleEndian
	if b[0] == 'M' {
		order = binary.BigEndian
	}
	p := r.name(part, "EXIF")
	if len(b) < 8 {
		r.closed(p, "it is broken")
		return
	}
	size := []uint64{0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4}
	queue := []uint64{uint64(order.Uint32(b[4:]))}
	done := map[uint64]bool{}
	more, read := false, 0
	for entries := 0; len(queue) > 0 && len(done) < 64; {
		at := queue[0]
		queue = queue[1:]
		if at == 0 || done[at] || at+2 > uint64(len(b)) {
			continue
		}
		done[at] = true
		n := uint64(order.Uint16(b[at:]))
		for i := uint64(0); i < n; i++ {
			e := at + 2 + i*12
			if e+12 > uint64(len(b)) {
				break
			}
			if entries++; entries > maxParts {
				r.closed(p, "it has too many entries")
				return
			}
			tag, kind, count := order.Uint16(b[e:]), order.Uint16(b[e+2:]), uint64(order.Uint32(b[e+4:]))
			if int(kind) >= len(size) || size[kind] == 0 {
				continue
			}
			value := b[e+8 : e+12]
			if bytes := size[kind] * count; bytes > 4 {
				from := uint64(order.Uint32(value))
				if from+bytes > uint64(len(b)) || from+bytes < from {
					continue
				}
				value = b[from : from+bytes]
			} else {
				value = value[:bytes]
			}
			// Entries that all name the same bytes would take for ever.
			if read += len(value); read > 4*len(b) {
				r.closed(p, "its entries overlap")
				return
			}
			more = more || !shown[tag]
			switch {
			case tag == 0x8769 || tag == 0xa005 || tag == 0x014a: // further directories
				for k := uint64(0); k < min(count, 16) && int(k*4+4) <= len(value); k++ {
					queue = append(queue, uint64(order.Uint32(value[k*4:])))
				}
			case tag == 0x8825:
				r.flag(p, "where the picture was taken", "GPS")
				queue = append(queue, uint64(order.Uint32(b[e+8:])))
			case tag == 0x02bc: // XMP within TIFF
				r.xmp(part, value)
			case tag == 0x83bb:
				r.iptc(part, value)
			case tag == 0x8649:
				r.iptc(part, value)
			case tag == 0x9286 && len(value) > 8: // UserComment: eight bytes name its encoding
				r.words(p, value[8:], everything)
			case tag >= 0x9c9b && tag <= 0x9c9f: // Windows' titles, UTF-16
				r.emit(p, utf16(value, binary.LittleEndian), everything)
			case kind == 2, kind == 13:
				r.words(p, bytes.ReplaceAll(value, []byte{0}, []byte{'\n'}), everything)
			case kind == 7 || kind == 1:
				if tag == 0x927c {
					r.runs(p, value)
				}
			}
		}
		if next := at + 2 + n*12; next+4 <= uint64(len(b)) {
			queue = append(queue, uint64(order.Uint32(b[next:])))
		}
	}
	if more {
		r.flag(p, aPlaceAndTime, "EXIF")
	}
}

// chunk is one of a PNG (ISO/IEC 15948).
type chunk struct {
	kind       string
	body       []byte
	start, end int
}

// chunks walks a PNG's. whole is false where it breaks off; tail is what is
// behind its end.
func chunks(data []byte) (list []chunk, tail []byte, whole bool) {
	for p := len(pngMagic); p+12 <= len(data); {
		n := uint64(binary.BigEndian.Uint32(data[p:]))
		if n > uint64(len(data)-p-12) {
			return list, nil, false
		}
		c := chunk{string(data[p+4 : p+8]), data[p+8 : p+8+int(n)], p, p + 12 + int(n)}
		p = c.end
		list = append(list, c)
		if c.kind == "IEND" {
			return list, data[p:], true
		}
	}
	return list, nil, false
}

func (r *reader) png(part string, data []byte) {
	list, tail, whole := chunks(data)
	if !whole {
		r.closed(part, "PNG: it is broken")
	}
	if len(tail) > 0 {
		r.closed(part, "PNG: %d bytes behind the picture", len(tail))
	}
	for _, c := range list {
		switch c.kind {
		case "tEXt", "zTXt", "iTXt", "eXIf":
			if !r.part() {
				return
			}
		}
		p := r.name(part, "PNG text")
		switch c.kind {
		case "tEXt":
			key, text, _ := bytes.Cut(c.body, []byte{0})
			r.words(p, append(append(bytes.Clone(key), '\n'), text...), everything)
		case "zTXt":
			key, text, _ := bytes.Cut(c.body, []byte{0})
			r.words(p, key, everything)
			if len(text) > 1 {
				r.words(p, r.inflate(p, text[1:]), everything)
			}
		case "iTXt":
			// Keyword 0 compressed method language 0 translated 0 text.
			key, rest, ok := bytes.Cut(c.body, []byte{0})
			if !ok || len(rest) < 2 {
				continue
			}
			packed := rest[0] == 1
			_, rest, _ = bytes.Cut(rest[2:], []byte{0})
			other, text, _ := bytes.Cut(rest, []byte{0})
			if packed {
				text = r.inflate(p, text)
			}
			if string(key) == "XML:com.adobe.xmp" {
				r.xmp(part, text)
				continue
			}
			r.words(p, append(append(bytes.Clone(key), '\n'), other...), everything)
			r.words(p, text, everything)
		case "eXIf":
			if len(c.body) > 8 {
				r.exif(part, c.body)
			}
		case "iCCP": // a colour profile: name 0 method, packed
			if _, packed, ok := bytes.Cut(c.body, []byte{0}); ok && len(packed) > 1 && r.part() {
				r.runs(r.name(part, "PNG colour profile"), r.inflate(p, packed[1:]))
			}
		case "IHDR", "PLTE", "IDAT", "IEND", "tRNS", "cHRM", "gAMA", "sBIT", "sRGB", "cICP", "mDCV", "cLLI", "bKGD", "hIST", "pHYs", "sPLT", "tIME", "acTL", "fcTL", "fdAT":
		default:
			r.closed(part, "PNG: a part called %q", printableName(c.kind))
		}
	}
}

func printableName(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, s)
}

func (r *reader) inflate(part string, b []byte) []byte {
	z, err := zlib.NewReader(bytes.NewReader(b))
	if err != nil {
		r.closed(part, "it cannot be unpacked")
		return nil
	}
	return r.unpack(part, z)
}

// gif hands on comments and what programs add (GIF89a, clauses 23 to 26).
func (r *reader) gif(part string, data []byte) {
	blocks := func(p int) ([]byte, int) {
		var b []byte
		for p < len(data) && data[p] != 0 {
			end := min(len(data), p+1+int(data[p]))
			b = append(b, data[p+1:end]...)
			p = end
		}
		return b, p + 1
	}
	table := func(flags byte) int {
		if flags&0x80 == 0 {
			return 0
		}
		return 3 << (1 + flags&7)
	}
	if len(data) < 13 {
		r.closed(part, "GIF: it is broken")
		return
	}
	for p := 13 + table(data[10]); p < len(data) && r.part(); {
		switch {
		case data[p] == 0x3b:
			return
		case data[p] == 0x21 && p+2 < len(data):
			kind := data[p+1]
			var b []byte
			b, p = blocks(p + 2)
			switch {
			case kind == 0xfe, kind == 0x01:
				r.words(r.name(part, "GIF comment"), b, everything)
			case kind == 0xff && bytes.HasPrefix(b, []byte("XMP Data")):
				r.xmp(part, b)
			case kind == 0xff && !bytes.HasPrefix(b, []byte("NETSCAPE")) && !bytes.HasPrefix(b, []byte("ANIMEXTS")):
				r.closed(part, "GIF: an addition of a program's own")
			}
		case data[p] == 0x2c && p+10 < len(data):
			for p += 11 + table(data[p+9]); p < len(data) && data[p] != 0; p += 1 + int(data[p]) {
			}
			p++
		default:
			r.closed(part, "GIF: it is broken")
			return
		}
	}
}

func (r *reader) webp(part string, data []byte) {
	whole := riff(data, binary.LittleEndian, func(tag string, body []byte, _, _ int) bool {
		switch tag {
		case "EXIF":
			if b := bytes.TrimPrefix(body, []byte("Exif\x00\x00")); len(b) > 8 {
				r.exif(part, b)
			}
		case "XMP ":
			r.xmp(part, body)
		case "VP8 ", "VP8L", "VP8X", "ALPH", "ANIM", "ANMF", "ICCP":
		default:
			r.closed(part, "WebP: a part called %q", printableName(tag))
		}
		return r.part()
	})
	if !whole {
		r.closed(part, "WebP: it is broken")
	}
}
