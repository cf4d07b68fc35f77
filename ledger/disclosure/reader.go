package disclosure

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"
	"unicode/utf8"
)

// reader takes a file apart. It hands on every text it comes to, and remembers
// what it could not look into.
type reader struct {
	left  int // bytes that may still be unpacked
	depth int
	parts int
	emit  func(part, text string, m mode)
	flag  func(part, what, text string)

	unseen []string
}

// closed notes what could not be looked into.
func (r *reader) closed(part, format string, args ...any) {
	s := fmt.Sprintf(format, args...)
	if part != "" {
		s = cut(part, 100) + ": " + s
	}
	if len(r.unseen) < maxFindings {
		r.unseen = append(r.unseen, s)
	}
}

// part counts a part of a file; false where there are too many.
func (r *reader) part() bool {
	r.parts++
	if r.parts == maxParts+1 {
		r.closed("", "it has more than %d parts; the rest was not looked into", maxParts)
	}
	return r.parts <= maxParts
}

// unpack reads what a compressed part holds, as far as the limit allows. What
// came before an error is returned with it.
func (r *reader) unpack(part string, from io.Reader) []byte {
	data, err := io.ReadAll(io.LimitReader(from, int64(r.left)+1))
	if len(data) > r.left {
		data = data[:r.left]
		r.closed(part, "more than %d MB unpacked; the rest was not looked into", maxUnpacked>>20)
	} else if err != nil && !errors.Is(err, io.EOF) {
		r.closed(part, "it cannot be unpacked")
	}
	r.left -= len(data)
	return data
}

// kinds that are known by how they begin and not looked into.
var kinds = []struct{ magic, name string }{
	{"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "old office file"}, {"7z\xbc\xaf\x27\x1c", "7z archive"}, {"Rar!\x1a\x07", "RAR archive"},
	{"BZh", "bzip2 file"}, {"\xfd7zXZ\x00", "xz file"}, {"\x28\xb5\x2f\xfd", "zstd file"}, {"\x1a\x45\xdf\xa3", "Matroska or WebM film"},
	{"wOFF", "font"}, {"wOF2", "font"}, {"OTTO", "font"}, {"\x00\x01\x00\x00\x00", "font"}, {"true", "font"}, {"SQLite format 3\x00", "database"}, {"BM", "BMP picture"},
	{"8BPS", "Photoshop picture"}, {"\x00\x00\x00\x0cjP  ", "JPEG 2000 picture"}, {"\xff\x4f\xff\x51", "JPEG 2000 picture"},
	{"\x7fELF", "program"}, {"MZ", "program"}, {"%!PS", ""},
}

// look looks into a file, or a part of one.
func (r *reader) look(part string, data []byte) {
	if len(data) == 0 {
		return
	}
	if r.depth > maxDepth {
		r.closed(part, "it lies too deep in other files")
		return
	}
	r.depth++
	defer func() { r.depth-- }()
	has := func(s string) bool { return bytes.HasPrefix(data, []byte(s)) }
	riff := func(s string) bool { return len(data) >= 12 && string(data[8:12]) == s }
	switch {
	case has("\xff\xd8\xff"):
		r.jpeg(part, data)
	case has(pngMagic):
		r.png(part, data)
	case has("GIF87a"), has("GIF89a"):
		r.gif(part, data)
	case (has("II*\x00") || has("MM\x00*")) && len(data) > 8:
		r.exif(part, data)
		r.closed(part, "TIFF: only what is written beside the picture was read")
	case has("RIFF") && riff("WEBP"):
		r.webp(part, data)
	case (has("RIFF") || has("RF64") || has("BW64")) && riff("WAVE"):
		r.wav(part, data)
	case has("RIFF") && len(data) >= 12:
		r.closed(part, "film or sound of another kind")
	case has("FORM") && (riff("AIFF") || riff("AIFC")):
		r.aiff(part, data)
	case has("fLaC"):
		r.flac(part, data)
	case has("OggS"):
		r.ogg(part, data)
	case has("ID3"), mp3Frame(data):
		r.mp3(part, data)
	case has("PK\x03\x04"), has("PK\x05\x06"):
		r.zip(part, data)
	case has("\x1f\x8b"):
		if z, err := gzip.NewReader(bytes.NewReader(data)); err != nil {
			r.closed(part, "gzip: it cannot be unpacked")
		} else {
			r.emit(r.name(part, "gzip header"), z.Name+"\n"+z.Comment, everything)
			r.look(part, r.unpack(part, z))
		}
	case len(data) > 265 && string(data[257:262]) == "ustar":
		r.tar(part, data)
	case bytes.Contains(data[:min(len(data), 1024)], []byte("%PDF-")):
		r.pdf(part, data)
	case has("{\\rtf"):
		r.rtf(part, data)
	case r.text(part, data):
		return
	default:
		r.closed(part, "%s", kindOf(part, data))
	}
	if r.depth == 1 || r.unseenPart(part) {
		r.runs(part, data)
	}
}

// unseenPart reports whether the last thing that was closed is this part.
func (r *reader) unseenPart(part string) bool {
	return len(r.unseen) > 0 && part != "" && strings.HasPrefix(r.unseen[len(r.unseen)-1], cut(part, 100)+": ")
}

func kindOf(part string, data []byte) string {
	for _, k := range kinds {
		if k.name != "" && bytes.HasPrefix(data, []byte(k.magic)) {
			return k.name
		}
	}
	if len(data) > 12 && string(data[4:8]) == "ftyp" {
		switch string(data[8:11]) {
		case "hei", "hev", "mif", "msf", "avi":
			return "HEIC or AVIF picture"
		}
		return "MP4 or QuickTime film or sound"
	}
	if ext := path.Ext(part); ext != "" && len(ext) < 8 {
		return "unknown kind " + ext
	}
	return "unknown kind"
}

// name names a part of a part.
func (r *reader) name(part, below string) string {
	if part == "" {
		return below
	}
	return part + ", " + below
}

func (r *reader) tar(part string, data []byte) {
	t := tar.NewReader(bytes.NewReader(data))
	for r.part() {
		h, err := t.Next()
		if err == io.EOF {
			return
		}
		if err != nil {
			r.closed(part, "tar: it is broken")
			return
		}
		p := r.name(part, cut(h.Name, 200))
		r.emit(r.name(part, "list of files"), h.Name+"\n"+h.Uname+"\n"+h.Linkname, everything)
		r.look(p, r.unpack(p, t))
	}
}

// runs hands on what looks like text in a file of another kind: rows of six
// letters and more, of one byte each, of UTF-8, or of two bytes each.
func (r *reader) runs(part string, data []byte) {
	const window, overlap, least = 1 << 20, 256, 6
	printable := func(c byte) bool { return c >= ' ' && c < 0x7f || c >= 0xc0 && c != 0xd7 && c != 0xf7 }
	p := r.name(part, "text in its bytes")
	for at := 0; at < len(data); at += window {
		b := data[at:min(len(data), at+window+overlap)]
		var out strings.Builder
		for i := 0; i < len(b); {
			n := 0
			for i+n < len(b) {
				if c := b[i+n]; printable(c) || c >= 0x80 && n > 0 && b[i+n-1] >= 0xc0 {
					n++
				} else {
					break
				}
			}
			if n >= least {
				if s := string(b[i : i+n]); utf8.ValidString(s) {
					out.WriteString(s)
				} else {
					out.WriteString(windows1252(b[i : i+n]))
				}
				out.WriteByte('\n')
			}
			i += n + 1
		}
		for shift := range 2 {
			for i := shift; i+1 < len(b); {
				n := 0
				for i+2*n+1 < len(b) && printable(b[i+2*n]) && b[i+2*n+1] == 0 {
					n++
				}
				if n >= least {
					for k := range n {
						out.WriteRune(rune(b[i+2*k]))
					}
					out.WriteByte('\n')
				}
				i += 2 * (n + 1)
			}
		}
		r.emit(p, out.String(), loose)
	}
}
