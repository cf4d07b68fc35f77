package photo

import (
	"bytes"
	"compress/zlib"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/color/palette"
	"image/gif"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/webp"
)

// quarters is a picture whose four quarters differ: red, green, blue, grey
// from the top left, row by row.
func quarters(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{200, 30, 30, 255}
			switch {
			case x >= w/2 && y < h/2:
				c = color.RGBA{30, 180, 30, 255}
			case x < w/2 && y >= h/2:
				c = color.RGBA{30, 30, 200, 255}
			case x >= w/2:
				c = color.RGBA{120, 120, 120, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

func jpegOf(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func pngOf(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// segment is a marker segment of a JPEG.
func segment(marker byte, data string) []byte {
	b := []byte{0xff, marker, 0, 0}
	binary.BigEndian.PutUint16(b[2:], uint16(len(data)+2))
	return append(b, data...)
}

// withSegments puts segments behind the start of a JPEG.
func withSegments(j []byte, segments ...[]byte) []byte {
	out := append([]byte{}, j[:2]...)
	for _, s := range segments {
		out = append(out, s...)
	}
	return append(out, j[2:]...)
}

// tiff is an Exif block with an orientation, a capture time and a text
// elsewhere, laid out as CIPA DC-008 and TIFF 6.0 have it.
func tiff(order binary.AppendByteOrder, orientation uint16, taken, text string) string {
	b := []byte("II*\x00")
	if order.String() == "BigEndian" {
		b = []byte("MM\x00*")
	}
	b = order.AppendUint32(b, 8)
	entry := func(tag, kind uint16, count, value uint32) {
		b = order.AppendUint16(order.AppendUint16(b, tag), kind)
		b = order.AppendUint32(b, count)
		if kind == 3 {
			b = order.AppendUint16(order.AppendUint16(b, uint16(value)), 0)
		} else {
			b = order.AppendUint32(b, value)
		}
	}
	below := uint32(8 + 2 + 3*12 + 4)
	texts := below + 2 + 12 + 4
	b = order.AppendUint16(b, 3)
	entry(0x010f, 2, uint32(len(text)+1), texts+20)
	entry(0x0112, 3, 1, uint32(orientation))
	entry(0x8769, 4, 1, below)
	b = order.AppendUint32(b, 0)
	b = order.AppendUint16(b, 1)
	entry(0x9003, 2, 20, texts)
	b = order.AppendUint32(b, 0)
	b = append(b, (taken + strings.Repeat("\x00", 20))[:20]...)
	return string(b) + text + "\x00"
}

func read(t testing.TB, data []byte) *Picture {
	t.Helper()
	p, err := Read("picture", bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func decoded(t testing.TB, p *Picture) image.Image {
	t.Helper()
	m, err := jpeg.Decode(bytes.NewReader(p.JPEG))
	if err != nil {
		t.Fatal(err)
	}
	if b := m.Bounds(); b.Dx() != p.Width || b.Dy() != p.Height {
		t.Errorf("it is %v, said to be %d × %d", b, p.Width, p.Height)
	}
	return m
}

// near tells whether the colour in the middle of a quarter is about c.
func near(m image.Image, right, low bool, c color.RGBA) bool {
	b := m.Bounds()
	x, y := b.Min.X+b.Dx()/4, b.Min.Y+b.Dy()/4
	if right {
		x += b.Dx() / 2
	}
	if low {
		y += b.Dy() / 2
	}
	r, g, bl, _ := m.At(x, y).RGBA()
	d := func(a uint32, b uint8) int { return max(int(a>>8)-int(b), int(b)-int(a>>8)) }
	return d(r, c.R)+d(g, c.G)+d(bl, c.B) < 40
}

// TestPhotoUpright turns one scene stored in all eight ways of the Exif
// standard, and always gets the scene. How each way stores it follows from
// CIPA DC-008, 4.6.5: what the first row and the first column are.
func TestPhotoUpright(t *testing.T) {
	scene := quarters(64, 32)
	red, green, blue, grey := scene.RGBAAt(0, 0), scene.RGBAAt(63, 0), scene.RGBAAt(0, 31), scene.RGBAAt(63, 31)
	// at gives the pixel of the scene that is stored at row r, column c of a
	// picture whose first row is the scene's side row0, and first column col0.
	type side int
	const (
		top side = iota
		bottom
		left
		right
	)
	for o, how := range map[int][2]side{1: {top, left}, 2: {top, right}, 3: {bottom, right}, 4: {bottom, left},
		5: {left, top}, 6: {right, top}, 7: {right, bottom}, 8: {left, bottom}} {
		w, h := 64, 32
		if how[0] == left || how[0] == right {
			w, h = 32, 64
		}
		stored := image.NewRGBA(image.Rect(0, 0, w, h))
		for r := range h {
			for c := range w {
				x, y := 0, 0
				for i, n := range []int{r, c} {
					switch how[i] {
					case top:
						y = n
					case bottom:
						y = 31 - n
					case left:
						x = n
					case right:
						x = 63 - n
					}
				}
				stored.SetRGBA(c, r, scene.RGBAAt(x, y))
			}
		}
		for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
			data := withSegments(jpegOf(t, stored), segment(0xe1, "Exif\x00\x00"+tiff(order, uint16(o), "2031:02:28 10:11:12", "")))
			p := read(t, data)
			m := decoded(t, p)
			if p.Width != 64 || p.Height != 32 {
				t.Errorf("orientation %d: %d × %d", o, p.Width, p.Height)
			}
			if !near(m, false, false, red) || !near(m, true, false, green) || !near(m, false, true, blue) || !near(m, true, true, grey) {
				t.Errorf("orientation %d (%v): not upright", o, order)
			}
			if p.Taken.String() != "2031-02-28" {
				t.Errorf("taken %v", p.Taken)
			}
		}
	}
}

// TestPhotoKeepsNothing plants a text in every place of a picture that can
// hold one. Nothing of it may be left, nor any segment that could hold one.
func TestPhotoKeepsNothing(t *testing.T) {
	const canary = "Oona Quist, 12 Weir Lane"
	exifBlock := tiff(binary.LittleEndian, 1, "2031:02:28 10:11:12", canary)
	j := jpegOf(t, quarters(40, 40))
	plain := pngOf(t, quarters(40, 40))
	chunk := func(name, data string) []byte {
		b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
		b = append(b, name+data...)
		return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
	}
	var z bytes.Buffer
	zw := zlib.NewWriter(&z)
	fmt.Fprint(zw, canary)
	zw.Close()
	withChunks := append([]byte{}, plain[:33]...) // behind IHDR
	for _, c := range [][]byte{chunk("tEXt", "Author\x00"+canary), chunk("zTXt", "Comment\x00\x00"+z.String()),
		chunk("iTXt", "XML:com.adobe.xmp\x00\x00\x00\x00\x00"+canary), chunk("eXIf", exifBlock)} {
		withChunks = append(withChunks, c...)
	}
	withChunks = append(withChunks, plain[33:]...)
	var g bytes.Buffer
	pal := image.NewPaletted(image.Rect(0, 0, 8, 8), palette.Plan9)
	if err := gif.Encode(&g, pal, nil); err != nil {
		t.Fatal(err)
	}
	withComment := bytes.TrimSuffix(g.Bytes(), []byte{0x3b})
	withComment = append(append(append(withComment, 0x21, 0xfe, byte(len(canary))), canary...), 0, 0x3b)
	for name, data := range map[string][]byte{
		"jpeg": withSegments(j, segment(0xe1, "Exif\x00\x00"+exifBlock), segment(0xe1, "http://ns.adobe.com/xap/1.0/\x00"+canary),
			segment(0xed, "Photoshop 3.0\x008BIM\x04\x04\x00\x00\x00\x00\x00\x20"+canary), segment(0xe2, "ICC_PROFILE\x00\x01\x01"+canary),
			segment(0xfe, canary), segment(0xe5, canary)),
		"jpeg with something behind it": append(append([]byte{}, j...), "PK\x03\x04"+canary+"<script>"+canary+"</script>"...),
		"png":                           withChunks,
		"png with something behind it":  append(append([]byte{}, plain...), canary...),
		"gif":                           withComment,
	} {
		t.Run(name, func(t *testing.T) {
			if !bytes.Contains(data, []byte(canary)) {
				t.Fatal("the text was not planted")
			}
			p := read(t, data)
			for _, part := range append(strings.Fields(canary), "Exif\x00\x00", "http://ns.adobe.com/xap", "eXIf") {
				if bytes.Contains(p.JPEG, []byte(part)) {
					t.Errorf("%q is still in it", part)
				}
			}
			// Only what a picture needs: ITU-T T.81, table B.1.
			for at := 2; at < len(p.JPEG); {
				m := p.JPEG[at+1]
				if p.JPEG[at] != 0xff || m != 0xdb && m != 0xc0 && m != 0xc4 && m != 0xda {
					t.Fatalf("segment %#x %#x at %d", p.JPEG[at], m, at)
				}
				if m == 0xda {
					break
				}
				at += 2 + int(binary.BigEndian.Uint16(p.JPEG[at+2:]))
			}
			if !bytes.HasSuffix(p.JPEG, []byte{0xff, 0xd9}) {
				t.Error("something stands behind the picture")
			}
			sum := sha256.Sum256(data)
			if p.SHA256 != hex.EncodeToString(sum[:]) {
				t.Error("the digest is not the original's")
			}
		})
	}
}

func TestPhotoSizes(t *testing.T) {
	for _, c := range []struct{ w, h, wantW, wantH int }{
		{1, 1, 1, 1}, {2000, 1500, 2000, 1500}, {2001, 10, 2000, 10}, {10, 4100, 5, 2000}, {4032, 3024, 2000, 1500},
		{6000, 4000, 2000, 1333}, {12000, 3, 2000, 1},
	} {
		p := read(t, pngOf(t, quarters(c.w, c.h)))
		if p.Width != c.wantW || p.Height != c.wantH {
			t.Errorf("%d × %d became %d × %d, want %d × %d", c.w, c.h, p.Width, p.Height, c.wantW, c.wantH)
		}
		if m := decoded(t, p); c.w > 100 && c.h > 100 && !(near(m, false, false, color.RGBA{200, 30, 30, 255}) && near(m, true, true, color.RGBA{120, 120, 120, 255})) {
			t.Errorf("%d × %d: other colours", c.w, c.h)
		}
	}
}

// TestPhotoKinds takes in what bench cameras, scanners and screens write.
func TestPhotoKinds(t *testing.T) {
	deep := image.NewNRGBA64(image.Rect(0, 0, 20, 20))
	for i := range deep.Pix {
		deep.Pix[i] = 0xff
	}
	glass := image.NewNRGBA(image.Rect(0, 0, 20, 20)) // wholly transparent black
	var moving bytes.Buffer
	frame := func(i uint8) *image.Paletted {
		m := image.NewPaletted(image.Rect(0, 0, 20, 20), color.Palette{color.White, color.Black})
		for k := range m.Pix {
			m.Pix[k] = i
		}
		return m
	}
	if err := gif.EncodeAll(&moving, &gif.GIF{Image: []*image.Paletted{frame(0), frame(1)}, Delay: []int{1, 1}}); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{
		"16 bits a channel":   pngOf(t, deep),
		"transparent":         pngOf(t, glass),
		"grey":                pngOf(t, &image.Gray16{Pix: bytes.Repeat([]byte{0xff}, 800), Stride: 40, Rect: image.Rect(0, 0, 20, 20)}),
		"moving, first white": moving.Bytes(),
		"CMYK":                cmyk(t),
	} {
		m := decoded(t, read(t, data))
		if !near(m, false, false, color.RGBA{255, 255, 255, 255}) {
			t.Errorf("%s: its white is %v", name, m.At(0, 0))
		}
	}
}

// cmyk is a white JPEG of 8 × 8 pixels in CMYK with Adobe's marker, written
// by hand after ITU-T T.81. With the marker, 255 is no ink.
func cmyk(t testing.TB) []byte {
	t.Helper()
	table := append([]byte{0}, bytes.Repeat([]byte{1}, 64)...)
	b := []byte{0xff, 0xd8}
	b = append(b, segment(0xee, "Adobe\x00\x64\x00\x00\x00\x00\x00")...)
	b = append(b, segment(0xdb, string(table))...)
	b = append(b, segment(0xc0, "\x08\x00\x08\x00\x08\x04\x01\x11\x00\x02\x11\x00\x03\x11\x00\x04\x11\x00")...)
	// DC: category 0 has code 0, category 10 code 10. AC: end of block code 0.
	b = append(b, segment(0xc4, "\x00"+"\x01\x01"+strings.Repeat("\x00", 14)+"\x00\x0a")...)
	b = append(b, segment(0xc4, "\x10"+"\x01"+strings.Repeat("\x00", 15)+"\x00")...)
	b = append(b, segment(0xda, "\x04\x01\x00\x02\x00\x03\x00\x04\x00\x00\x3f\x00")...)
	// Each component: DC 10 + ten bits 1111111000 is +1016, that is 128 + 1016/8 = 255; AC 0.
	bits := strings.Repeat("10"+"1111111000"+"0", 4)
	for len(bits)%8 != 0 {
		bits += "1"
	}
	for i := 0; i < len(bits); i += 8 {
		var v byte
		for _, c := range bits[i : i+8] {
			v = v<<1 | byte(c-'0')
		}
		b = append(b, v)
		if v == 0xff {
			b = append(b, 0)
		}
	}
	return append(b, 0xff, 0xd9)
}

// TestPhotoRefuses goes through files that are broken or made to do harm. Each is
// refused with a reason, and none is unpacked first.
func TestPhotoRefuses(t *testing.T) {
	j, p := jpegOf(t, quarters(64, 64)), pngOf(t, quarters(64, 64))
	huge := append([]byte{}, p...)
	binary.BigEndian.PutUint32(huge[16:], 60000)
	binary.BigEndian.PutUint32(huge[20:], 60000)
	binary.BigEndian.PutUint32(huge[29:], crc32.ChecksumIEEE(huge[12:29]))
	deep := pngOf(t, image.NewNRGBA64(image.Rect(0, 0, 4, 4)))
	binary.BigEndian.PutUint32(deep[16:], 10000)
	binary.BigEndian.PutUint32(deep[20:], 9000)
	binary.BigEndian.PutUint32(deep[29:], crc32.ChecksumIEEE(deep[12:29]))
	none := append([]byte{}, p...)
	binary.BigEndian.PutUint32(none[16:], 0)
	binary.BigEndian.PutUint32(none[29:], crc32.ChecksumIEEE(none[12:29]))
	wide := append([]byte{}, j...)
	sof := bytes.Index(wide, []byte{0xff, 0xc0})
	copy(wide[sof+5:], "\xff\xff\xff\xff")
	// The head says 1 × 1, what is unpacked 16384 × 16384.
	bomb := "WEBPVP8X\x0a\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00" + "VP8L\x0a\x00\x00\x00\x2f\xff\xff\xff\x0f\x00\x00\x00\x00\x00"
	bomb = "RIFF" + string(binary.LittleEndian.AppendUint32(nil, uint32(len(bomb)))) + bomb
	moving := "WEBPVP8X\x0a\x00\x00\x00\x02\x00\x00\x00\x07\x00\x00\x07\x00\x00" + "ANIM\x06\x00\x00\x00\x00\x00\x00\x00\x00\x00"
	moving = "RIFF" + string(binary.LittleEndian.AppendUint32(nil, uint32(len(moving)))) + moving
	for name, c := range map[string]struct {
		data []byte
		says string
	}{
		"nothing":                {nil, "empty"},
		"a text":                 {[]byte("not a picture at all"), "it is not a JPEG, PNG, GIF or WebP picture"},
		"a web page in disguise": {[]byte("<svg xmlns='http://www.w3.org/2000/svg'/>"), "it is not a JPEG"},
		"a phone's HEIC":         {[]byte("\x00\x00\x00\x18ftypheic"), "HEIC or AVIF"},
		"a progressive giant":    {progressiveHead(t, 6000, 6000), "6000 × 6000 pixels, too many"},
		"a JPEG cut short":       {j[:len(j)/2], "broken"},
		"a JPEG's head alone":    {j[:20], "broken"},
		"a PNG cut short":        {p[:len(p)-20], "broken"},
		"a PNG of 3.6 billion":   {huge, "60000 × 60000 pixels, too many"},
		"a PNG of 16 bits":       {deep, "too many to unpack"},
		"a PNG of no width":      {none, ""},
		"a JPEG of 4 billion":    {wide, "65535 × 65535 pixels, too many"},
		"a WebP bomb":            {[]byte(bomb), "too many"},
		"a moving WebP":          {[]byte(moving), ""},
		"a GIF's head alone":     {[]byte("GIF89a\x10\x00\x10\x00\x00\x00\x00"), "broken"},
		"a GIF of no size":       {[]byte("GIF89a\x00\x00\x00\x00\x00\x00\x00\x3b"), ""},
		"too many bytes":         {make([]byte, MaxBytes+1), "larger than 60 MB"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Read("left.jpg", bytes.NewReader(c.data))
			var e *Error
			if !errors.As(err, &e) || !strings.Contains(err.Error(), c.says) || !strings.HasPrefix(err.Error(), "left.jpg: ") {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
		})
	}
}

// progressiveHead is a JPEG of a size whose frame says that it is progressive.
func progressiveHead(t testing.TB, w, h int) []byte {
	t.Helper()
	j := jpegOf(t, quarters(64, 64))
	sof := bytes.Index(j, []byte{0xff, 0xc0})
	j[sof+1] = 0xc2
	binary.BigEndian.PutUint16(j[sof+5:], uint16(h))
	binary.BigEndian.PutUint16(j[sof+7:], uint16(w))
	return j
}

// TestJPEGBytesPerPixel: a picture is held to what its decoder needs: colour at half
// the size takes half a byte a pixel, and of progressive ones all coefficients are
// held, of four bytes.
func TestJPEGBytesPerPixel(t *testing.T) {
	grey := jpegOf(t, image.NewGray(image.Rect(0, 0, 8, 8)))
	full := jpegOf(t, quarters(8, 8))
	full[bytes.Index(full, []byte{0xff, 0xc0})+11] = 0x11
	half, waves := jpegOf(t, quarters(8, 8)), progressiveHead(t, 8, 8)
	before := func(junk string, j []byte) []byte { return slices.Concat(j[:2], []byte(junk), j[2:]) }
	adobe := string(segment(0xee, "Adobe\x00\x64\x00\x00\x00\x00\x00"))
	decoy := before("\xff\xd0\x00\x00", waves)
	binary.BigEndian.PutUint16(decoy[4:], uint16(len(decoy)-4))
	inks := []byte("\xff\xd8\xff\xc0\x00\x14\x08\x00\x08\x00\x08\x04\x01\x11\x00\x02\x11\x00\x03\x11\x00\x04\x11\x00")
	for name, c := range map[string]struct {
		data []byte
		want float64
	}{
		"colour at half the size": {jpegOf(t, quarters(8, 8)), 1.5}, "progressive": {progressiveHead(t, 8, 8), 7.5},
		"grey": {grey, 1}, "colour whole": {full, 3}, "four inks": {inks, 8},
		"no JPEG": {[]byte("hello"), 4}, "nothing": {nil, 4}, "cut short": {inks[:20], 4}, "after fill": {append([]byte("\xff\xd8\xff\xff"), inks[2:]...), 8},
		"after a byte too many": {before("x", waves), 7.5}, "after what stands for a byte": {before("\xff\x00", waves), 7.5},
		"after a restart": {before("\xff\xd0", waves), 7.5}, "a grey decoy behind the end": {append(decoy, "\xff\xc0\x00\x0b\x08\x00\x08\x00\x08\x01\x01\x11\x00"...), 7.5},
		"untransformed": {before(adobe, half), 5.5}, "red, green, blue": {redGreenBlue(full), 7},
	} {
		if got := jpegBytesPerPixel(c.data); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// redGreenBlue says of a JPEG that its colours are what they are.
func redGreenBlue(j []byte) []byte {
	j = bytes.Clone(j)
	sof, sos := bytes.Index(j, []byte{0xff, 0xc0}), bytes.Index(j, []byte{0xff, 0xda})
	for i, c := range []byte("RGB") {
		j[sof+10+3*i], j[sos+5+2*i] = c, c
	}
	return j
}

// allocated is how many bytes f asks for.
func allocated(f func()) float64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return float64(after.TotalAlloc - before.TotalAlloc)
}

// TestDecodersTakeNoMore: what a picture is held to is what its decoder takes, also
// where the file's head does not say so.
func TestDecodersTakeNoMore(t *testing.T) {
	const side = 1000
	grey := pngOf(t, image.NewGray16(image.Rect(0, 0, side, side)))
	clear := slices.Concat(grey[:33], pngChunk("tRNS", "\x00\x07"), grey[33:])
	j := jpegOf(t, quarters(side, side))
	for name, c := range map[string]struct {
		data   []byte
		decode func(io.Reader) (image.Image, error)
		each   float64
	}{
		"grey of 16 bits":         {grey, png.Decode, pngBytesPerPixel(color.Gray16Model, grey)},
		"grey that may be clear":  {clear, png.Decode, pngBytesPerPixel(color.Gray16Model, clear)},
		"a table of colours":      {losslessWebP(side), webp.Decode, webpBytesPerPixel(losslessWebP(side))},
		"colour at half the size": {j, jpeg.Decode, jpegBytesPerPixel(j)},
		"red, green, blue":        {redGreenBlue(j), jpeg.Decode, jpegBytesPerPixel(redGreenBlue(j))},
	} {
		var err error
		took := allocated(func() { _, err = c.decode(bytes.NewReader(c.data)) })
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if most := c.each*side*side*1.05 + 1e5; took > most {
			t.Errorf("%s: %.1f MB, more than %.1f", name, took/1e6, most/1e6)
		}
	}
	passes := bytes.Clone(grey)
	passes[28] = 1
	if each := pngBytesPerPixel(color.Gray16Model, passes); each != 3 {
		t.Errorf("in passes: %v", each)
	}
}

// losslessWebP is a WebP of one colour out of a table of 16, as RFC 9649 has it.
func losslessWebP(side int) []byte {
	var bits []byte
	n := 0
	put := func(value, count int) {
		for i := range count {
			if n%8 == 0 {
				bits = append(bits, 0)
			}
			bits[n/8] |= byte(value>>i&1) << (n % 8)
			n++
		}
	}
	put(0x2f, 8)
	put(side-1, 14)
	put(side-1, 14)
	put(0, 4) // nothing shows through; version
	put(1|3<<1, 3)
	put(16-1, 8)
	put(0, 1)
	for range 5 {
		put(1, 4) // a code of one symbol, 0: no bits for any pixel
	}
	put(0, 3)
	for range 5 {
		put(1, 4)
	}
	bits = append(bits, make([]byte, 8+len(bits)%2)...)
	b := "WEBPVP8L" + string(binary.LittleEndian.AppendUint32(nil, uint32(len(bits)))) + string(bits)
	return []byte("RIFF" + string(binary.LittleEndian.AppendUint32(nil, uint32(len(b)))) + b)
}

// pngChunk is a chunk of a PNG.
func pngChunk(name, data string) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(b, name+data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// TestLongPhoto: a picture of a few lines takes no more than one of a few columns.
func TestLongPhoto(t *testing.T) {
	for _, c := range []struct{ w, h int }{{1_000_000, 1}, {1, 1_000_000}, {300_000, 40}} {
		data := pngOf(t, image.NewGray(image.Rect(0, 0, c.w, c.h)))
		var p *Picture
		took := allocated(func() { p = read(t, data) })
		if p.Width != max(1, min(c.w, 2000)) || took > 100e6 {
			t.Errorf("%d × %d: %d pixels wide, %.0f MB", c.w, c.h, p.Width, took/1e6)
		}
	}
}

// watched is a white picture that takes no memory and tells how much is in use when
// its last pixel is looked at.
type watched struct {
	rect  image.Rectangle
	inUse *uint64
}

func (w watched) Bounds() image.Rectangle { return w.rect }
func (w watched) ColorModel() color.Model { return color.RGBAModel }
func (w watched) At(x, y int) color.Color {
	if x == w.rect.Max.X-1 && y == w.rect.Max.Y-1 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		*w.inUse = m.HeapAlloc
	}
	return color.White
}

// TestShrinkMakesNoCopy: beside a picture that is unpacked there is no room for
// another of its size.
func TestShrinkMakesNoCopy(t *testing.T) {
	var inUse uint64
	var before runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	const w, h = 4990, 1000
	if got := shrink(watched{image.Rect(0, 0, w, h), &inUse}, 2000); got.Rect.Dx() != 2000 || got.RGBAAt(1999, 200) != (color.RGBA{255, 255, 255, 255}) {
		t.Errorf("%v, %v", got.Rect, got.RGBAAt(1999, 200))
	}
	if took := int64(inUse) - int64(before.HeapAlloc); inUse == 0 || took > w*h*3 {
		t.Errorf("%d bytes in use", took)
	}
}

// TestShrinkInStrips: shrinking in strips gives what shrinking at once does, but
// for rounding, also at the seams.
func TestShrinkInStrips(t *testing.T) {
	src := image.NewRGBA(image.Rect(0, 0, 301, 263))
	draw := rand.New(rand.NewPCG(3, 4))
	for i := range src.Pix {
		src.Pix[i] = uint8(80 + draw.IntN(96)) // the filter goes beyond, and what would leave 0 to 255 is cut off twice
		if i%4 == 3 {
			src.Pix[i] = 0xff
		}
	}
	got := shrink(src, 254)
	want := image.NewRGBA(got.Rect)
	xdraw.CatmullRom.Scale(want, want.Rect, src, src.Rect, xdraw.Src, nil)
	for i := range want.Pix {
		if d := int(got.Pix[i]) - int(want.Pix[i]); d < -2 || d > 2 {
			t.Fatalf("at %d, %d: %d, want %d", i%got.Stride/4, i/got.Stride, got.Pix[i], want.Pix[i])
		}
	}
}

// TestPhotoWebP reads a picture written by another program.
func TestPhotoWebP(t *testing.T) {
	data, err := os.ReadFile("../../testdata/images/red.webp")
	if err != nil {
		t.Fatal(err)
	}
	if m := decoded(t, read(t, data)); !near(m, false, false, color.RGBA{200, 30, 30, 255}) {
		t.Errorf("it is %v", m.At(0, 0))
	}
}

// FuzzReadExif holds the reader of metadata to what it promises of any bytes:
// no fault, an orientation that exists, a day that exists.
func FuzzReadExif(f *testing.F) {
	for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
		b := tiff(order, 6, "2031:02:28 10:11:12", "text")
		f.Add([]byte(b))
		f.Add(withSegments(jpegOf(f, quarters(8, 8)), segment(0xe1, "Exif\x00\x00"+b)))
		f.Add([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00" + string(rune(len(b))) + "eXIf" + b + "crc4"))
		f.Add([]byte("RIFF\x00\x00\x00\x00WEBPEXIF" + string(binary.LittleEndian.AppendUint32(nil, uint32(len(b)))) + b))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, x := range []exif{readExif(data), readTIFF(data)} {
			if x.orientation < 0 || x.orientation > 8 {
				t.Errorf("orientation %d", x.orientation)
			}
			if !x.taken.IsZero() && (x.taken.Year < 1826 || x.taken.Year > 9999) {
				t.Errorf("taken %v", x.taken)
			}
		}
	})
}

// FuzzRead takes in any bytes: it returns a small upright JPEG or refuses.
func FuzzRead(f *testing.F) {
	f.Add(jpegOf(f, quarters(16, 8)))
	f.Add(pngOf(f, quarters(8, 16)))
	f.Add(cmyk(f))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Read("x", bytes.NewReader(data))
		if err != nil {
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("%v", err)
			}
			return
		}
		if p.Width > maxSide || p.Height > maxSide {
			t.Errorf("%d × %d", p.Width, p.Height)
		}
		decoded(t, p)
	})
}
