package disclosure

import (
	"bytes"
	"encoding/binary"
	"strings"
)

// riff walks the chunks of a RIFF or AIFF file, with where each begins and ends.
// It reports whether the last one is whole.
func riff(data []byte, order binary.ByteOrder, fn func(tag string, body []byte, start, end int) bool) bool {
	p := 12
	for p+8 <= len(data) {
		n := int64(order.Uint32(data[p+4:]))
		if n > int64(len(data)-p-8) {
			return false
		}
		end := min(len(data), p+8+int(n)+int(n&1))
		if !fn(string(data[p:p+4]), data[p+8:p+8+int(n)], p, end) {
			return true
		}
		p = end
	}
	return p >= len(data)
}

// wavSound are the chunks of a WAV that make the sound, its loops and marks.
var wavSound = set(`fmt fact data cue smpl inst plst PEAK ds64 JUNK junk FLLR PAD slnt wavl acid chna`)

// wavWords are those that hold words: LIST INFO and labels, the broadcast
// extension (EBU Tech 3285), iXML, XMP, ID3, cart (AES46).
var wavWords = set(`LIST list bext iXML axml _PMX id3 ID3 cart DISP afsp strc levl umid`)

func (r *reader) wav(part string, data []byte) {
	whole := riff(data, binary.LittleEndian, func(tag string, body []byte, _, _ int) bool {
		switch tag = strings.TrimSpace(tag); {
		case tag == "LIST" || tag == "list":
			r.list(part, body)
		case tag == "id3" || tag == "ID3":
			r.id3(part, body)
		case tag == "_PMX":
			r.xmp(part, body)
		case wavWords[tag]:
			r.strings(r.name(part, "WAV "+tag), body)
		case !wavSound[tag]:
			r.closed(part, "WAV: a part called %q", printableName(tag))
		}
		return r.part()
	})
	if !whole {
		r.closed(part, "WAV: it breaks off, or is larger than its head says")
	}
}

// list hands on the texts of a LIST chunk.
func (r *reader) list(part string, body []byte) {
	if len(body) < 4 {
		return
	}
	p := r.name(part, "WAV LIST "+printableName(string(body[:4])))
	for at := 4; at+8 <= len(body) && r.part(); {
		n := int64(binary.LittleEndian.Uint32(body[at+4:]))
		if n > int64(len(body)-at-8) {
			n = int64(len(body) - at - 8)
		}
		text := body[at+8 : at+8+int(n)]
		switch string(body[at : at+4]) {
		case "labl", "note":
			text = text[min(len(text), 4):]
		case "ltxt":
			text = text[min(len(text), 20):]
		}
		r.words(p, text, everything)
		at += 8 + int(n) + int(n&1)
	}
}

// strings hands on fields of a fixed length, filled with zeros.
func (r *reader) strings(part string, body []byte) {
	for _, field := range bytes.FieldsFunc(body, func(c rune) bool { return c == 0 }) {
		if len(field) >= 2 && plain(field) && r.part() {
			r.words(part, field, everything)
		}
	}
	r.runs(part, body)
}

func (r *reader) aiff(part string, data []byte) {
	whole := riff(data, binary.BigEndian, func(tag string, body []byte, _, _ int) bool {
		switch tag {
		case "NAME", "AUTH", "(c) ", "ANNO", "COMT", "APPL", "MARK":
			r.strings(r.name(part, "AIFF "+tag), body)
		case "ID3 ":
			r.id3(part, body)
		case "COMM", "SSND", "FVER", "INST", "AESD", "MIDI":
		default:
			r.closed(part, "AIFF: a part called %q", printableName(tag))
		}
		return r.part()
	})
	if !whole {
		r.closed(part, "AIFF: it breaks off")
	}
}

// comments hands on Vorbis comments: FLAC, Ogg Vorbis and Opus (RFC 9639, 8.6;
// RFC 7845, 5.2). It reports whether they were whole.
func (r *reader) comments(part string, b []byte) bool {
	take := func() ([]byte, bool) {
		if len(b) < 4 {
			return nil, false
		}
		n := uint64(binary.LittleEndian.Uint32(b))
		if n > uint64(len(b)-4) {
			return nil, false
		}
		s := b[4 : 4+n]
		b = b[4+n:]
		return s, true
	}
	vendor, ok := take()
	if !ok || len(b) < 4 {
		return false
	}
	r.words(part, vendor, everything)
	n := binary.LittleEndian.Uint32(b)
	b = b[4:]
	for range n {
		s, ok := take()
		if !ok {
			return false
		}
		if !r.part() {
			return true
		}
		if len(s) > 1<<12 && bytes.HasPrefix(bytes.ToUpper(s[:32]), []byte("METADATA_BLOCK_PICTURE")) {
			r.closed(part, "a picture in it")
			continue
		}
		r.words(part, s, everything)
	}
	return true
}

// flacBlocks walks the metadata blocks of a FLAC file (RFC 9639, 8); at is where
// the sound begins, -1 where the file is broken.
func flacBlocks(data []byte, fn func(kind byte, body []byte, start, end int)) (at int) {
	for p := 4; p+4 <= len(data); {
		head := binary.BigEndian.Uint32(data[p:])
		n := int(head & 0xffffff)
		if n > len(data)-p-4 {
			return -1
		}
		fn(data[p]&0x7f, data[p+4:p+4+n], p, p+4+n)
		last := data[p]&0x80 != 0
		p += 4 + n
		if last {
			return p
		}
	}
	return -1
}

func (r *reader) flac(part string, data []byte) {
	at := flacBlocks(data, func(kind byte, body []byte, _, _ int) {
		if !r.part() {
			return
		}
		switch kind {
		case 0, 1, 3:
		case 4:
			if !r.comments(r.name(part, "FLAC comment"), body) {
				r.closed(part, "FLAC: its comments are broken")
			}
		case 6:
			r.flacPicture(part, body)
		case 5:
			r.strings(r.name(part, "FLAC cue sheet"), body)
		default:
			r.closed(part, "FLAC: a part of a program's own")
		}
	})
	if at < 0 {
		r.closed(part, "FLAC: it is broken")
	}
}

// flacPicture hands on what a picture is called, and looks into it.
func (r *reader) flacPicture(part string, b []byte) {
	p := r.name(part, "FLAC picture")
	if len(b) < 8 {
		return
	}
	skip := func(n uint64) bool {
		if n > uint64(len(b)) {
			b = nil
			return false
		}
		b = b[n:]
		return len(b) >= 4
	}
	if !skip(4) || !skip(4+uint64(binary.BigEndian.Uint32(b))) {
		return
	}
	n := uint64(binary.BigEndian.Uint32(b))
	if !skip(4) || n > uint64(len(b)) {
		return
	}
	r.words(p, b[:n], everything)
	if skip(n+16) && skip(4) {
		r.look(p, b)
	}
}

// ogg hands on the comments of the streams of an Ogg file (RFC 3533): they are
// the second packet of each.
func (r *reader) ogg(part string, data []byte) {
	const most = 4 << 20 // of one comment packet
	packets := map[uint32][]byte{}
	count := map[uint32]int{}
	found := false
	for p := 0; p+27 <= len(data) && string(data[p:p+4]) == "OggS"; {
		stream := binary.LittleEndian.Uint32(data[p+14:])
		n := int(data[p+26])
		if p+27+n > len(data) {
			break
		}
		at := p + 27 + n
		for _, lace := range data[p+27 : p+27+n] {
			end := min(len(data), at+int(lace))
			if count[stream] == 1 && len(count) < 64 {
				if len(packets[stream]) < most {
					packets[stream] = append(packets[stream], data[at:end]...)
				}
			}
			at = end
			if lace < 255 {
				if count[stream] == 1 {
					found = r.oggComments(part, packets[stream]) || found
					delete(packets, stream)
				}
				count[stream]++
			}
		}
		p = at
	}
	if !found {
		r.closed(part, "Ogg of a kind that is not known")
	}
}

func (r *reader) oggComments(part string, b []byte) bool {
	for _, head := range []string{"\x03vorbis", "OpusTags", "\x04\x00\x00"} {
		if rest, ok := bytes.CutPrefix(b, []byte(head)); ok {
			if head[0] == 4 {
				rest = rest[min(len(rest), 1):]
			}
			return r.comments(r.name(part, "Ogg comment"), rest)
		}
	}
	return r.comments(r.name(part, "Ogg comment"), b) // Speex has no head
}

func mp3Frame(data []byte) bool {
	// ISO/IEC 11172-3, 2.4.1.3: twelve bits of ones, a layer and a rate.
	return len(data) > 4 && data[0] == 0xff && data[1]&0xe0 == 0xe0 && data[1]&0x06 != 0 && data[1]&0x18 != 0x08 && data[2]&0xf0 != 0xf0 && data[2]&0x0c != 0x0c &&
		data[2]&0xf0 != 0 && data[1] != 0xfe
}

func (r *reader) mp3(part string, data []byte) {
	if bytes.HasPrefix(data, []byte("ID3")) {
		r.id3(part, data)
	}
	if n := len(data); n >= 128 && string(data[n-128:n-125]) == "TAG" {
		r.strings(r.name(part, "ID3"), data[n-125:])
	}
	if i := bytes.LastIndex(data, []byte("APETAGEX")); i >= 0 {
		r.strings(r.name(part, "APE tag"), data[max(0, i-1<<16):])
	}
}

// id3Size is the length of an ID3v2 tag at the head of data with its own head,
// 0 where there is none (id3.org, ID3v2.4.0 structure, 3.1).
func id3Size(data []byte) int {
	if len(data) < 10 || string(data[:3]) != "ID3" {
		return 0
	}
	n := 10 + syncsafe(data[6:])
	if data[5]&0x10 != 0 {
		n += 10
	}
	return min(n, len(data))
}

func syncsafe(b []byte) int {
	return int(b[0]&0x7f)<<21 | int(b[1]&0x7f)<<14 | int(b[2]&0x7f)<<7 | int(b[3]&0x7f)
}

// id3 hands on the texts of an ID3v2 tag, versions 2.2 to 2.4.
func (r *reader) id3(part string, data []byte) {
	p := r.name(part, "ID3")
	size := id3Size(data)
	if size == 0 {
		r.strings(p, data)
		return
	}
	version, flags, b := data[3], data[5], data[10:size]
	if flags&0x80 != 0 && version < 4 {
		b = bytes.ReplaceAll(b, []byte{0xff, 0}, []byte{0xff})
	}
	if flags&0x40 != 0 && version > 2 && len(b) > 4 { // a longer head
		n := syncsafe(b)
		if version == 3 {
			n = 4 + int(binary.BigEndian.Uint32(b)&0xffffff)
		}
		b = b[min(n, len(b)):]
	}
	head, idLen := 10, 4
	if version == 2 {
		head, idLen = 6, 3
	}
	for len(b) > head && b[0] != 0 && r.part() {
		id := string(b[:idLen])
		var n int
		packed := false
		switch version {
		case 2:
			n = int(b[3])<<16 | int(b[4])<<8 | int(b[5])
		case 3:
			n = int(binary.BigEndian.Uint32(b[4:]) & 0x7fffffff)
			packed = b[9]&0xc0 != 0
		default:
			n = syncsafe(b[4:])
			packed = b[9]&0x0c != 0
		}
		if n > len(b)-head {
			n = len(b) - head
		}
		body := b[head : head+n]
		b = b[head+n:]
		switch {
		case packed:
			r.closed(p, "a packed or locked field")
		case id == "APIC" || id == "PIC" || id == "GEOB":
			r.id3Picture(p, body)
		case id == "PRIV" || id == "UFID":
			r.strings(p, body)
		case len(body) > 1 && body[0] <= 3 && id[0] != 'W':
			r.id3Text(p, body[0], body[1:])
		default:
			r.words(p, bytes.ReplaceAll(body, []byte{0}, []byte{'\n'}), everything)
		}
	}
}

func (r *reader) id3Text(part string, encoding byte, b []byte) {
	switch encoding {
	case 1, 2:
		var order binary.ByteOrder = binary.BigEndian
		if i := bytes.Index(b, []byte("\xff\xfe")); encoding == 1 && i >= 0 && i < 8 {
			order = binary.LittleEndian
		}
		clean := strings.NewReplacer("\x00", "\n", "\ufeff", "")
		r.emit(part, clean.Replace(utf16(b, order)), everything)
		if len(b) > 3 { // behind three letters of a language
			r.emit(part, clean.Replace(utf16(b[3:], order)), everything)
		}
	default:
		r.words(part, bytes.ReplaceAll(b, []byte{0}, []byte{'\n'}), everything)
	}
}

func (r *reader) id3Picture(part string, b []byte) {
	r.runs(part, b[:min(len(b), 512)])
	for _, magic := range []string{"\xff\xd8\xff", pngMagic} {
		if i := bytes.Index(b[:min(len(b), 512)], []byte(magic)); i >= 0 {
			r.look(r.name(part, "picture"), b[i:])
			return
		}
	}
	r.closed(part, "an object in it")
}
