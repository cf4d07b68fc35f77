package disclosure

import (
	"bytes"
	"encoding/binary"
	"strings"
)

// Stripped is a file without what was written beside its picture or sound.
type Stripped struct {
	Data    []byte
	Removed []string // what was taken out, such as "EXIF"; none: the file is as it was
	Left    []string // what may tell more than the file shows and was left in
}

// Strip takes the metadata out of the kinds of files of which it knows how to
// without touching what is seen or heard: JPEG, PNG, GIF, WebP, WAV, FLAC and MP3.
// The picture's way up stays. Of other kinds it says what is left in them. A
// file that is broken is left as it is.
func Strip(data []byte) Stripped {
	s := &Stripped{Data: data}
	has := func(m string) bool { return bytes.HasPrefix(data, []byte(m)) }
	is := func(m string) bool { return len(data) >= 12 && string(data[8:12]) == m }
	switch {
	case has("\xff\xd8\xff"):
		s.jpeg()
	case has(pngMagic):
		s.png()
	case has("GIF8"):
		s.left("GIF comments, if there are any")
	case has("RIFF") && is("WEBP"):
		s.webp()
	case has("RIFF") && is("WAVE"):
		s.wav()
	case has("fLaC"):
		s.flac()
	case has("ID3"), mp3Frame(data):
		s.mp3()
	case has("OggS"):
		s.left("Ogg comments")
	case has("FORM"):
		s.left("AIFF name, author and remarks")
	case has("II*\x00"), has("MM\x00*"):
		s.left("what a TIFF says of its picture")
	case has("PK\x03\x04"):
		s.left("what is in a zip or an office file: author, company, changes, remarks")
	case has("{\\rtf"):
		s.left("RTF author and company")
	case bytes.Contains(data[:min(len(data), 1024)], []byte("%PDF-")):
		s.left("PDF author, title and programs")
	default:
		if _, ok := unicodeText(data); !ok && !plain(data) {
			s.left("all of " + kindOf("", data))
		}
	}
	return *s
}

func (s *Stripped) left(what string) { s.Left = appendNew(s.Left, what) }

func (s *Stripped) removed(what string) { s.Removed = appendNew(s.Removed, what) }

func appendNew(list []string, s string) []string {
	for _, x := range list {
		if x == s {
			return list
		}
	}
	return append(list, s)
}

// jpeg keeps what a picture is decoded with, its colours and which way is up.
func (s *Stripped) jpeg() {
	list, at := segments(s.Data)
	if at < 0 {
		s.left("all of a broken JPEG")
		return
	}
	var out bytes.Buffer
	out.WriteString("\xff\xd8")
	up := uint16(0)
	for _, x := range list {
		if x.marker == 0xe1 && bytes.HasPrefix(x.body, []byte("Exif\x00")) && len(x.body) > 14 && up == 0 {
			up = wayUp(x.body[6:])
		}
	}
	if up == 0 {
		up = 1
	}
	written := false
	upright := func() {
		// The way up alone, behind the head of the file (JFIF 1.02, Exif 3.0).
		if up > 1 && !written {
			out.Write(orientation(up))
		}
		written = true
	}
	for _, x := range list {
		what := ""
		switch {
		case x.marker == 0xfe:
			what = "JPEG comment"
		case x.marker == 0xe1 && bytes.HasPrefix(x.body, []byte("Exif\x00")):
			if bytes.Equal(s.Data[x.start:x.end], orientation(up)) {
				continue // ours of before: written again
			}
			what = "EXIF"
		case x.marker == 0xe1:
			what = "XMP"
		case x.marker == 0xed:
			what = "IPTC"
		case x.marker == 0xe0 && bytes.HasPrefix(x.body, []byte("JFIF\x00")):
			out.Write(s.Data[x.start:x.end])
			upright()
			continue
		case x.marker == 0xe2 && bytes.HasPrefix(x.body, []byte("ICC_PROFILE")), x.marker == 0xee && bytes.HasPrefix(x.body, []byte("Adobe")):
		case x.marker >= 0xe0 && x.marker <= 0xef:
			what = "a segment of a maker's own"
		}
		if what != "" {
			s.removed(what)
			continue
		}
		upright()
		out.Write(s.Data[x.start:x.end])
	}
	upright()
	end := pictureEnd(s.Data, at)
	out.Write(s.Data[at:end])
	if end < len(s.Data) {
		s.removed("what stood behind the picture")
	}
	if s.Removed != nil {
		s.Data = out.Bytes()
	}
}

// orientation is a segment that says which way a picture is up, and nothing else.
func orientation(up uint16) []byte {
	b := []byte("\xff\xe1\x00\x22Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01")
	b = binary.BigEndian.AppendUint16(b, up)
	return append(b, 0, 0, 0, 0, 0, 0)
}

// wayUp is the orientation of an Exif block, 1 to 8; 0: not said.
func wayUp(b []byte) uint16 {
	var order binary.ByteOrder = binary.LittleEndian
	if b[0] == 'M' {
		order = binary.BigEndian
	}
	at := uint64(order.Uint32(b[4:]))
	if at+2 > uint64(len(b)) {
		return 0
	}
	for i := range uint64(order.Uint16(b[at:])) {
		e := at + 2 + i*12
		if e+12 > uint64(len(b)) {
			return 0
		}
		if order.Uint16(b[e:]) == 0x0112 && order.Uint16(b[e+2:]) == 3 {
			if v := order.Uint16(b[e+8:]); v >= 1 && v <= 8 {
				return v
			}
		}
	}
	return 0
}

func (s *Stripped) png() {
	list, tail, whole := chunks(s.Data)
	if !whole {
		s.left("all of a broken PNG")
		return
	}
	var out bytes.Buffer
	out.WriteString(pngMagic)
	for _, c := range list {
		switch c.kind {
		case "tEXt", "zTXt", "iTXt":
			s.removed("PNG text")
			continue
		case "eXIf":
			s.removed("EXIF")
			continue
		case "tIME":
			s.removed("PNG time")
			continue
		case "IHDR", "PLTE", "IDAT", "IEND", "tRNS", "cHRM", "gAMA", "iCCP", "sBIT", "sRGB", "cICP", "mDCV", "cLLI", "bKGD", "hIST", "pHYs", "sPLT", "acTL", "fcTL", "fdAT":
		default:
			s.left("a PNG part called " + printableName(c.kind))
		}
		out.Write(s.Data[c.start:c.end])
	}
	if len(tail) > 0 {
		s.removed("what stood behind the picture")
	}
	if s.Removed != nil {
		s.Data = out.Bytes()
	}
}

// riff writes a RIFF file anew without the chunks that drop names.
func (s *Stripped) riff(drop func(tag string) string) {
	var out bytes.Buffer
	out.Write(s.Data[:12])
	whole := riff(s.Data, binary.LittleEndian, func(tag string, _ []byte, start, end int) bool {
		if what := drop(tag); what != "" {
			s.removed(what)
		} else {
			out.Write(s.Data[start:end])
		}
		return true
	})
	if !whole {
		s.Removed = nil
		s.left("all of a broken file of this kind")
		return
	}
	if s.Removed != nil {
		s.Data = out.Bytes()
		binary.LittleEndian.PutUint32(s.Data[4:], uint32(len(s.Data)-8))
	}
}

func (s *Stripped) wav() {
	s.riff(func(tag string) string {
		t := strings.TrimSpace(tag)
		switch {
		case wavWords[t]:
			return "WAV " + t
		case !wavSound[t]:
			s.left("a WAV part called " + printableName(tag))
		}
		return ""
	})
}

func (s *Stripped) webp() {
	s.riff(func(tag string) string {
		switch tag {
		case "EXIF":
			return "EXIF"
		case "XMP ":
			return "XMP"
		case "VP8 ", "VP8L", "VP8X", "ALPH", "ANIM", "ANMF", "ICCP":
		default:
			s.left("a WebP part called " + printableName(tag))
		}
		return ""
	})
	// The head says whether there are EXIF and XMP (RFC 9649, 2.7).
	if s.Removed != nil && len(s.Data) > 20 && string(s.Data[12:16]) == "VP8X" {
		s.Data[20] &^= 0x08 | 0x04
	}
}

func (s *Stripped) flac() {
	out := []byte("fLaC")
	last := -1
	at := flacBlocks(s.Data, func(kind byte, _ []byte, start, end int) {
		switch kind {
		case 4:
			s.removed("FLAC comment")
			return
		case 6:
			s.removed("FLAC picture")
			return
		case 0, 1, 3, 5:
		default:
			s.left("a FLAC part of a program's own")
		}
		last = len(out)
		out = append(out, s.Data[start:end]...)
		out[last] &^= 0x80
	})
	if at < 0 || last < 0 {
		s.Removed = nil
		s.left("all of a broken FLAC")
		return
	}
	if s.Removed != nil {
		out[last] |= 0x80
		s.Data = append(out, s.Data[at:]...)
	}
}

func (s *Stripped) mp3() {
	data := s.Data
	for n := id3Size(data); n > 0; n = id3Size(data) {
		data = data[n:]
	}
	if n := len(data); n >= 128 && string(data[n-128:n-125]) == "TAG" {
		data = data[:n-128]
	}
	// An APE tag ends with a foot that tells its length without the head.
	if n := len(data); n >= 32 && string(data[n-32:n-24]) == "APETAGEX" {
		size := uint64(binary.LittleEndian.Uint32(data[n-20:]))
		if binary.LittleEndian.Uint32(data[n-12:])&(1<<31) != 0 {
			size += 32
		}
		if size <= uint64(n) {
			data = data[:uint64(n)-size]
		}
	}
	if len(data) == 0 {
		s.left("all of a broken MP3")
		return
	}
	if len(data) < len(s.Data) {
		s.removed("ID3 and APE tags")
		s.Data = data
	}
}
