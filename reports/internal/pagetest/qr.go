package pagetest

import (
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
)

// ReadQR has another library read a picture of a code: one drawn by a machine
// where it is pure, and else as a camera would see it.
func ReadQR(m image.Image, pure bool) (string, error) {
	bmp, err := gozxing.NewBinaryBitmapFromImage(m)
	if err != nil {
		return "", err
	}
	hints := map[gozxing.DecodeHintType]interface{}{gozxing.DecodeHintType_TRY_HARDER: true}
	if pure {
		hints[gozxing.DecodeHintType_PURE_BARCODE] = true
	}
	r, err := qrcode.NewQRCodeReader().Decode(bmp, hints)
	if err != nil {
		return "", err
	}
	return r.GetText(), nil
}

// Painted is a white square with rectangles in black, every module four pixels.
func Painted(size int, rects []image.Rectangle) image.Image {
	m := image.NewGray(image.Rect(0, 0, size*4, size*4))
	for i := range m.Pix {
		m.Pix[i] = 0xff
	}
	for _, r := range rects {
		for y := r.Min.Y * 4; y < r.Max.Y*4; y++ {
			for x := r.Min.X * 4; x < r.Max.X*4; x++ {
				m.SetGray(x, y, color.Gray{})
			}
		}
	}
	return m
}

var svgRect = regexp.MustCompile(`M([0-9]+) ([0-9]+)h([0-9]+)v([0-9]+)h-[0-9]+z`)

// SvgRects reads the rectangles of the path of a code.
func SvgRects(svg string) []image.Rectangle {
	var out []image.Rectangle
	for _, m := range svgRect.FindAllStringSubmatch(svg, -1) {
		var n [4]int
		for i := range n {
			n[i], _ = strconv.Atoi(m[i+1])
		}
		out = append(out, image.Rect(n[0], n[1], n[0]+n[2], n[1]+n[3]))
	}
	return out
}

// Rastered is a page of a PDF as poppler paints it.
func Rastered(t testing.TB, data []byte, dpi string) image.Image {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "x.pdf")
	if err := os.WriteFile(file, data, 0o666); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(Need(t, "pdftoppm"), "-r", dpi, "-png", "-singlefile", file, filepath.Join(dir, "x")).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	f, err := os.Open(filepath.Join(dir, "x.png"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestCode is a code as a label has it.
const TestCode = "benchlore:1:6f0c7e5a-0d0c-4c0e-9b7e-2d3a5c1f4b11:c0ffee00c0ffee00c0ffee00c0ffee00c0ffee00:0123456789abcdef"
