package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"io"
	"strings"
	"time"

	"golang.org/x/image/webp"

	"benchlore/schema"
)

// exif is what is read of a picture's metadata before all of it is dropped.
type exif struct {
	orientation int         // 1 to 8; 0: not said
	taken       schema.Date // DateTimeOriginal; zero: not said
	at          time.Time   // the same with its time of day; zero: not said
	camera      string      // Model
}

// Tags of Exif 3.0 (CIPA DC-008).
const (
	tagOrientation  = 0x0112
	tagExifIFD      = 0x8769
	tagTimeOriginal = 0x9003
	tagModel        = 0x0110
	tagSubSec       = 0x9291 // SubSecTimeOriginal
)

// readExif finds the Exif block of a picture and reads the few facts that are
// used. A block that is broken says nothing.
func readExif(data []byte) exif {
	var block []byte
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xd8")):
		block = exifOfJPEG(data)
	case bytes.HasPrefix(data, []byte("\x89PNG\r\n\x1a\n")):
		block = exifOfPNG(data)
	case bytes.HasPrefix(data, []byte("RIFF")):
		for tag, chunk := range riffChunks(data) {
			if tag == "EXIF" {
				block = bytes.TrimPrefix(chunk, []byte("Exif\x00\x00"))
				break
			}
		}
	}
	return readTIFF(block)
}

// exifOfJPEG returns the TIFF data of the first APP1 segment that holds some.
func exifOfJPEG(data []byte) []byte {
	for p := 2; p+4 <= len(data) && data[p] == 0xff; {
		marker := data[p+1]
		if marker == 0xff { // fill
			p++
			continue
		}
		if marker == 0xda || marker == 0xd9 { // the picture itself, or its end
			return nil
		}
		n := int(binary.BigEndian.Uint16(data[p+2:]))
		if n < 2 || p+2+n > len(data) {
			return nil
		}
		if t, ok := bytes.CutPrefix(data[p+4:p+2+n], []byte("Exif\x00\x00")); marker == 0xe1 && ok {
			return t
		}
		p += 2 + n
	}
	return nil
}

// exifOfPNG returns the data of the eXIf chunk.
func exifOfPNG(data []byte) []byte {
	for p := 8; p+12 <= len(data); {
		n := int(binary.BigEndian.Uint32(data[p:]))
		if n > len(data)-p-12 {
			return nil
		}
		if string(data[p+4:p+8]) == "eXIf" {
			return data[p+8 : p+8+n]
		}
		p += 12 + n
	}
	return nil
}

// readTIFF reads these facts from the first directory of a TIFF block and
// the Exif directory it names.
func readTIFF(b []byte) exif {
	var out exif
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(b, []byte("II*\x00")):
		order = binary.LittleEndian
	case bytes.HasPrefix(b, []byte("MM\x00*")):
		order = binary.BigEndian
	default:
		return out
	}
	// entries calls fn for each entry of the directory at an offset.
	entries := func(at uint64, fn func(tag, kind uint16, count uint32, value []byte)) {
		if at+2 > uint64(len(b)) {
			return
		}
		n := uint64(order.Uint16(b[at:]))
		for i := range n {
			e := at + 2 + i*12
			if e+12 > uint64(len(b)) {
				return
			}
			fn(order.Uint16(b[e:]), order.Uint16(b[e+2:]), order.Uint32(b[e+4:]), b[e+8:e+12])
		}
	}
	if len(b) < 8 {
		return out
	}
	const short, long, ascii = 3, 4, 2
	// text is an entry's text, where its bytes are as its length says (TIFF 6.0).
	text := func(kind uint16, count uint32, value []byte) string {
		if kind != ascii || count == 0 || count > 64 {
			return ""
		}
		if count > 4 {
			at := uint64(order.Uint32(value))
			if at+uint64(count) > uint64(len(b)) {
				return ""
			}
			value = b[at:]
		}
		s, _, _ := strings.Cut(string(value[:count]), "\x00")
		return s
	}
	var below uint64
	entries(uint64(order.Uint32(b[4:])), func(tag, kind uint16, count uint32, value []byte) {
		switch {
		case tag == tagOrientation && kind == short && count == 1:
			if o := order.Uint16(value); o >= 1 && o <= 8 {
				out.orientation = int(o)
			}
		case tag == tagExifIFD && kind == long && count == 1:
			below = uint64(order.Uint32(value))
		case tag == tagModel:
			out.camera = strings.TrimSpace(text(kind, count, value))
		}
	})
	if below == 0 {
		return out
	}
	var fraction string
	entries(below, func(tag, kind uint16, count uint32, value []byte) {
		switch tag {
		case tagSubSec:
			fraction = strings.TrimSpace(text(kind, count, value))
		case tagTimeOriginal:
			s := text(kind, count, value)
			if len(s) < 10 {
				return
			}
			if t, err := time.Parse("2006:01:02", s[:10]); err == nil && t.Year() > 1826 {
				out.taken = schema.NewDate(t)
			}
			if t, err := time.Parse("2006:01:02 15:04:05", s); err == nil && t.Year() > 1826 {
				out.at = t
			}
		}
	})
	if d, err := time.ParseDuration("0." + fraction + "s"); err == nil && fraction != "" && !out.at.IsZero() && d >= 0 && d < time.Second {
		out.at = out.at.Add(d)
	}
	return out
}

// riffChunks walks the chunks of a RIFF file, as long as they are whole.
func riffChunks(data []byte) func(func(string, []byte) bool) {
	return func(yield func(string, []byte) bool) {
		for p := 12; p+8 <= len(data); {
			n := int64(binary.LittleEndian.Uint32(data[p+4:]))
			if n > int64(len(data)-p-8) {
				return
			}
			if !yield(string(data[p:p+4]), data[p+8:p+8+int(n)]) {
				return
			}
			p += 8 + int(n) + int(n&1)
		}
	}
}

// webpConfig reads the size of a WebP picture: the largest any of its parts
// claims, since the head of the file and what is unpacked may differ.
func webpConfig(r io.Reader) (image.Config, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return image.Config{}, err
	}
	c, err := webp.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return c, err
	}
	for tag, b := range riffChunks(data) {
		w, h := 0, 0
		switch {
		case tag == "ANIM" || tag == "ANMF":
			return c, errors.New("it moves; only single pictures are read")
		case tag == "VP8 " && len(b) >= 10: // RFC 6386, section 9.1
			w, h = int(binary.LittleEndian.Uint16(b[6:]))&0x3fff, int(binary.LittleEndian.Uint16(b[8:]))&0x3fff
		case tag == "VP8L" && len(b) >= 5: // RFC 9649, section 3.4
			bits := binary.LittleEndian.Uint32(b[1:])
			w, h = int(bits&0x3fff)+1, int(bits>>14&0x3fff)+1
		}
		c.Width, c.Height = max(c.Width, w), max(c.Height, h)
	}
	return c, nil
}
