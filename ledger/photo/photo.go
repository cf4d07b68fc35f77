// Package photo takes pictures in: from a camera's file it makes a small upright
// JPEG that carries nothing but what is seen.
package photo

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/gif"
	"image/jpeg"
	"image/png"
	"io"
	"sync"
	"time"

	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/webp"

	"benchlore/schema"
)

// Limits of what is taken in as a picture. They are checked on the file's head,
// before anything of it is unpacked.
const (
	MaxBytes  = 60 << 20
	MaxPixels = 100e6
	// maxMemory bounds what the unpacked picture takes: 100 million pixels of a
	// telephone's JPEG, 37 million of a PNG.
	maxMemory = 150e6

	maxSide = 2000 // pixels, the long side as it is kept
	quality = 85   // of JPEG
)

// Picture is one as it is kept: upright, at most 2000 pixels on its long
// side, and nothing but the picture.
type Picture struct {
	JPEG          []byte
	Width, Height int
	Taken         schema.Date // from the camera's clock; zero: not said
	SHA256        string      // of the original file, hexadecimal
	At            time.Time   // when it was taken, to the second or finer, by the camera's clock and without a zone; zero: not said
	Camera        string      // which sort of camera says so; it is not kept
}

// Error says why a file was not taken in as a picture.
type Error struct{ Name, Why, Remedy string }

func (e *Error) Error() string { return e.Name + ": " + e.Why }

// Hint names the next step.
func (e *Error) Hint() string { return e.Remedy }

// format is a kind of picture, told by how its file begins.
type format struct {
	name   string
	magic  func(head []byte) bool
	config func(io.Reader) (image.Config, error)
	decode func(io.Reader) (image.Image, error)
}

func begins(s string) func([]byte) bool {
	return func(b []byte) bool { return bytes.HasPrefix(b, []byte(s)) }
}

var formats = []format{
	{"JPEG", begins("\xff\xd8\xff"), jpeg.DecodeConfig, jpeg.Decode},
	{"PNG", begins("\x89PNG\r\n\x1a\n"), png.DecodeConfig, png.Decode},
	{"GIF", func(b []byte) bool { return begins("GIF87a")(b) || begins("GIF89a")(b) }, gif.DecodeConfig, gif.Decode},
	{"WebP", func(b []byte) bool { return len(b) >= 12 && string(b[:4]) == "RIFF" && string(b[8:12]) == "WEBP" }, webpConfig, webp.Decode},
}

// Read takes in a picture: JPEG, PNG, GIF or WebP, whatever the file's
// ending says. It turns it upright, shrinks it and writes it anew as JPEG, so
// that nothing of the file survives but what is seen. Of a moving picture it
// keeps the first one. Errors: *Error, and those of reading.
func Read(name string, r io.Reader) (*Picture, error) { return ReadAndLook(name, r, nil) }

// large is held by whoever unpacks a picture that takes much memory: several at a time
// may be read, and of these only one.
var large sync.Mutex

// muchMemory is what a picture of 12 million pixels takes three times over.
const muchMemory = 60e6

// ReadAndLook reads a picture as [Read] does and shows it, as large as it came and
// not turned, in grey, to look, where that is not nil. Look must not keep it.
func ReadAndLook(name string, r io.Reader, look func(*image.Gray)) (*Picture, error) {
	refuse := func(remedy, why string, args ...any) (*Picture, error) {
		return nil, &Error{name, fmt.Sprintf(why, args...), remedy}
	}
	const other = "save it again as JPEG or PNG with a picture program, and take that"
	const smaller = "shrink it with a picture program first"
	data, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return nil, err
	}
	if len(data) == 0 {
		return refuse("", "the file is empty")
	}
	if len(data) > MaxBytes {
		return refuse(smaller, "the file is larger than %d MB", MaxBytes>>20)
	}
	var f *format
	for i := range formats {
		if formats[i].magic(data) {
			f = &formats[i]
		}
	}
	if f == nil && IsHEIF(data) {
		return refuse("have the telephone take or send JPEG (its “most compatible” format), or save it again as JPEG with a picture program, and take that",
			"it is an HEIC or AVIF picture, which this program does not read")
	}
	if f == nil {
		return refuse(other, "it is not a JPEG, PNG, GIF or WebP picture")
	}
	c, err := f.config(bytes.NewReader(data))
	if err != nil {
		return refuse(other, "the %s picture is broken: %v", f.name, err)
	}
	if c.Width <= 0 || c.Height <= 0 {
		return refuse(other, "the picture is %d × %d pixels", c.Width, c.Height)
	}
	pixels, each := float64(c.Width)*float64(c.Height), bytesPerPixel(c.ColorModel)
	switch f.name {
	case "JPEG":
		each = jpegBytesPerPixel(data)
	case "PNG":
		each = pngBytesPerPixel(c.ColorModel, data)
	case "WebP":
		each = webpBytesPerPixel(data)
	}
	if pixels > MaxPixels || pixels*each > maxMemory {
		return refuse(smaller, "the picture is %d × %d pixels, too many to unpack", c.Width, c.Height)
	}
	if pixels*each > muchMemory {
		large.Lock()
		defer large.Unlock()
	}
	img, err := f.decode(bytes.NewReader(data))
	if err != nil {
		return refuse(other, "the %s picture is broken: %v", f.name, err)
	}
	if img.Bounds().Empty() {
		return refuse(other, "the picture is empty")
	}
	sum := sha256.Sum256(data)
	if look != nil {
		look(grey(img))
	}
	meta := readExif(data)
	var small image.Image
	if p := planesOf(img); p != nil {
		small = p.shrunk(maxSide).upright(meta.orientation)
	} else {
		small = upright(shrink(img, maxSide), meta.orientation)
	}
	var out bytes.Buffer
	w := bufio.NewWriter(&out)
	if err := errors.Join(jpeg.Encode(w, small, &jpeg.Options{Quality: quality}), w.Flush()); err != nil {
		return nil, err
	}
	return &Picture{JPEG: out.Bytes(), Width: small.Bounds().Dx(), Height: small.Bounds().Dy(), Taken: meta.taken, SHA256: hex.EncodeToString(sum[:]), At: meta.at, Camera: meta.camera}, nil
}

// IsHEIF tells whether a file is a picture of the HEIF family (ISO/IEC 23008-12,
// clause 10; brands from memory): HEIC, as telephones take them, or AVIF.
func IsHEIF(data []byte) bool {
	if len(data) < 12 || string(data[4:8]) != "ftyp" {
		return false
	}
	switch string(data[8:12]) {
	case "heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "msf1", "avif", "avis":
		return true
	}
	return false
}

// jpegBytesPerPixel is what the decoder of a JPEG holds for each pixel, from the
// head of its frame (ITU-T T.81, B.2.2): a byte a sample, of a progressive one
// all coefficients, of four bytes, until the last scan, and of four inks or of red,
// green and blue a second picture. It passes over what the decoder passes over.
func jpegBytesPerPixel(data []byte) float64 {
	for p := 2; p+10 <= len(data); {
		if data[p] != 0xff || data[p+1] == 0xff {
			p++
			continue
		}
		switch marker := data[p+1]; {
		case marker == 0, 0xd0 <= marker && marker <= 0xd7: // these have no length
			p += 2
			continue
		case 0xc0 <= marker && marker <= 0xc2:
			n := int(data[p+9])
			parts := data[p+10:]
			if n == 0 || len(parts) < 3*n {
				return 4
			}
			samples, most := 0, 1
			for i := range n {
				here := int(parts[3*i+1]>>4) * int(parts[3*i+1]&15)
				samples, most = samples+here, max(most, here)
			}
			each := float64(samples) / float64(most)
			if marker == 0xc2 {
				each *= 5
			}
			if n == 4 || n == 3 && (parts[0] == 'R' && parts[3] == 'G' && parts[6] == 'B' || adobeRGB(data)) {
				each += 4
			}
			return each
		case marker == 0xda, marker == 0xd9:
			return 4
		}
		p += 2 + int(data[p+2])<<8 + int(data[p+3])
	}
	return 4
}

// adobeRGB tells whether a JPEG says, wherever it may, that its colours are not
// transformed: Adobe's segment, of type 0xee.
func adobeRGB(data []byte) bool {
	for {
		_, after, found := bytes.Cut(data, []byte("\xff\xee"))
		if !found {
			return false
		}
		if len(after) > 13 && string(after[2:7]) == "Adobe" && after[13] == 0 {
			return true
		}
		data = after
	}
}

// pngBytesPerPixel is what the decoder of a PNG holds for each pixel (ISO/IEC 15948):
// one colour that stands for nothing makes it add a channel of depth, which the head
// does not say, and of one in passes it holds the last one, half of it, as well.
func pngBytesPerPixel(m color.Model, data []byte) float64 {
	each := bytesPerPixel(m)
	if m == color.Gray16Model && bytes.Contains(data, []byte("tRNS")) {
		each = 8
	}
	if len(data) > 28 && data[28] != 0 {
		each *= 1.5
	}
	return each
}

// webpBytesPerPixel is what the decoder of a WebP holds for each pixel: four bytes of
// a lossless one (RFC 9649), and half of that more while it takes pixels of few
// colours out of each other. How much shows through is such a picture too. Others
// take less than is said here.
func webpBytesPerPixel(data []byte) float64 {
	for tag := range riffChunks(data) {
		if tag == "VP8L" || tag == "ALPH" {
			return 6
		}
	}
	return 4
}

// bytesPerPixel is what a decoder holds for each pixel.
func bytesPerPixel(m color.Model) float64 {
	switch m {
	case color.NRGBA64Model, color.RGBA64Model:
		return 8
	case color.Gray16Model:
		return 2
	}
	return 4
}

// shrink returns a picture on white, its long side at most so many pixels.
// Very large ones are averaged in squares of whole pixels first, which takes
// little memory, and then resampled (Catmull-Rom).
func shrink(img image.Image, side int) *image.RGBA {
	b := img.Bounds()
	long := max(b.Dx(), b.Dy())
	if long <= side {
		return average(img, 1)
	}
	if k := long / (side + side/4); k > 1 {
		img = average(img, k)
		b = img.Bounds()
		long = max(b.Dx(), b.Dy())
	}
	w, h := max(1, (b.Dx()*side+long/2)/long), max(1, (b.Dy()*side+long/2)/long)
	// First the height, in strips of columns, then the width, in strips of lines: for
	// the whole at once the library takes 32 bytes for every pixel of w × the old
	// height. At its own size this filter leaves a direction as it is.
	const strip = 64
	mid := image.NewRGBA(image.Rect(0, 0, b.Dx(), h))
	columns := image.NewRGBA(image.Rect(0, 0, min(strip, b.Dx()), b.Dy()))
	for x := 0; x < b.Dx(); x += strip {
		to := min(x+strip, b.Dx())
		part := image.Rect(0, 0, to-x, b.Dy())
		onWhite(columns, part, img, image.Pt(b.Min.X+x, b.Min.Y))
		xdraw.CatmullRom.Scale(mid, image.Rect(x, 0, to, h), columns, part, xdraw.Src, nil)
	}
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := 0; y < h; y += strip {
		to := min(y+strip, h)
		xdraw.CatmullRom.Scale(dst, image.Rect(0, y, w, to), mid, image.Rect(0, y, b.Dx(), to), xdraw.Src, nil)
	}
	return dst
}

// onWhite copies a part of a picture, from a point on, without what shows through.
func onWhite(dst *image.RGBA, part image.Rectangle, img image.Image, from image.Point) {
	draw.Draw(dst, part, image.White, image.Point{}, draw.Src)
	draw.Draw(dst, part, img, from, draw.Over)
}

// average makes one pixel of every k × k, on white, going through the picture
// in strips of k lines, some thousand pixels at a time. What is left at the right and
// lower edge counts whole.
func average(img image.Image, k int) *image.RGBA {
	b := img.Bounds()
	w, h := (b.Dx()+k-1)/k, (b.Dy()+k-1)/k
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	wide := max(1, 4096/k) // in pixels of dst
	strip := image.NewRGBA(image.Rect(0, 0, min(wide*k, b.Dx()), min(k, b.Dy())))
	for y := range h {
		lines := min(k, b.Dy()-y*k)
		for x := 0; x < w; x += wide {
			part := image.Rect(0, 0, min(wide*k, b.Dx()-x*k), lines)
			onWhite(strip, part, img, image.Pt(b.Min.X+x*k, b.Min.Y+y*k))
			for i := range min(wide, w-x) {
				columns := min(k, part.Dx()-i*k)
				var sum [3]int
				for sy := range lines {
					row := strip.Pix[sy*strip.Stride+i*k*4:]
					for sx := range columns {
						sum[0] += int(row[sx*4])
						sum[1] += int(row[sx*4+1])
						sum[2] += int(row[sx*4+2])
					}
				}
				n := lines * columns
				at := dst.Pix[y*dst.Stride+(x+i)*4:]
				at[0], at[1], at[2], at[3] = uint8((sum[0]+n/2)/n), uint8((sum[1]+n/2)/n), uint8((sum[2]+n/2)/n), 0xff
			}
		}
	}
	return dst
}

// stored is where a pixel of the upright picture is in the stored one, of w × h.
func stored(orientation, w, h, x, y int) (sx, sy int) {
	switch orientation {
	case 2: // mirrored
		return w - 1 - x, y
	case 3: // upside down
		return w - 1 - x, h - 1 - y
	case 4: // mirrored and upside down
		return x, h - 1 - y
	case 5: // mirrored, on its left side
		return y, x
	case 6: // to be turned right
		return y, h - 1 - x
	case 7: // mirrored, on its right side
		return w - 1 - y, h - 1 - x
	case 8: // to be turned left
		return w - 1 - y, x
	}
	return x, y
}

// upright turns and mirrors a picture as its orientation asks, 1 to 8 as the
// Exif standard numbers them (CIPA DC-008, tag 0x0112): which sides of the scene
// its first row and first column are.
func upright(src *image.RGBA, orientation int) *image.RGBA {
	if orientation < 2 || orientation > 8 {
		return src
	}
	w, h := src.Rect.Dx(), src.Rect.Dy()
	dw, dh := w, h
	if orientation >= 5 {
		dw, dh = h, w
	}
	dst := image.NewRGBA(image.Rect(0, 0, dw, dh))
	for y := range dh {
		for x := range dw {
			sx, sy := stored(orientation, w, h, x, y)
			copy(dst.Pix[y*dst.Stride+x*4:][:4], src.Pix[sy*src.Stride+sx*4:][:4])
		}
	}
	return dst
}
