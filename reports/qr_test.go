package reports

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"pgregory.net/rapid"
)

// readQR has another library read a picture of a code: one drawn by a machine
// where it is pure, and else as a camera would see it.
func readQR(m image.Image, pure bool) (string, error) {
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

// painted is a white square with rectangles in black, every module four pixels.
func painted(size int, rects []image.Rectangle) image.Image {
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

func TestQRText(t *testing.T) {
	const id, head = "6f0c7e5a-0d0c-4c0e-9b7e-2d3a5c1f4b11", "c0ffee00c0ffee00c0ffee00c0ffee00c0ffee00"
	for _, c := range []struct{ statement, want string }{
		{strings.Repeat("0123456789abcdef", 4), "benchlore:1:" + id + ":" + head + ":0123456789abcdef"},
		{"", "benchlore:1:" + id + ":" + head + ":"},
	} {
		if got := QRText(id, head, c.statement); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// TestQRReads has the codes read back from their modules by a reader of
// another origin.
func TestQRReads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`benchlore:1:[0-9a-f-]{36}:[0-9a-f]{40}:([0-9a-f]{16})?`).Draw(t, "text")
		q, err := QROf(s)
		if err != nil {
			t.Fatal(err)
		}
		// ISO/IEC 18004: 106 bytes are version 6 at level M, 41 modules wide.
		if q.Size > 41 {
			t.Fatalf("%d modules", q.Size)
		}
		black := 0
		var moved []image.Rectangle
		for _, r := range q.Rects() {
			black += r.Dx() * r.Dy()
			moved = append(moved, r.Add(image.Pt(QRQuiet, QRQuiet)))
		}
		want := 0
		for y := range q.Size {
			for x := range q.Size {
				if q.Dark(x, y) {
					want++
				}
			}
		}
		if black != want {
			t.Fatalf("rectangles cover %d modules of %d", black, want)
		}
		if got, err := readQR(painted(q.Size+2*QRQuiet, moved), true); err != nil || got != s {
			t.Fatalf("read %q, %v; want %q", got, err, s)
		}
	})
	if _, err := QROf(strings.Repeat("x", 3000)); err == nil {
		t.Error("a text of 3000 bytes was taken")
	}
}

var svgRect = regexp.MustCompile(`M([0-9]+) ([0-9]+)h([0-9]+)v([0-9]+)h-[0-9]+z`)

// svgRects reads the rectangles of the path of a code.
func svgRects(svg string) []image.Rectangle {
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

func TestQRSVG(t *testing.T) {
	q, err := QROf(testCode)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := q.WriteSVG(&b, `code <of> "it"`); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "<title>code &lt;of&gt;") || strings.Contains(b.String(), "style") {
		t.Errorf("%.200s", b.String())
	}
	if got, err := readQR(painted(q.Size+2*QRQuiet, svgRects(b.String())), true); err != nil || got != testCode {
		t.Errorf("read %q, %v", got, err)
	}
}

// rastered is a page of a PDF as poppler paints it.
func rastered(t testing.TB, data []byte, dpi string) image.Image {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "x.pdf")
	if err := os.WriteFile(file, data, 0o666); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(need(t, "pdftoppm"), "-r", dpi, "-png", "-singlefile", file, filepath.Join(dir, "x")).CombinedOutput(); err != nil {
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

// TestQROnPaper reads the code from page one, as a camera would see it.
func TestQROnPaper(t *testing.T) {
	m := rastered(t, provenancePDF(t, pageFixtures(t)["restored"], PDFOptions{Code: testCode}), "130")
	if got, err := readQR(m, false); err != nil || got != testCode {
		t.Errorf("read %q, %v", got, err)
	}
}
