package page

import (
	"bytes"
	"image"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"benchlore/reports/internal/pagetest"
)

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
		if got, err := pagetest.ReadQR(pagetest.Painted(q.Size+2*QRQuiet, moved), true); err != nil || got != s {
			t.Fatalf("read %q, %v; want %q", got, err, s)
		}
	})
	if _, err := QROf(strings.Repeat("x", 3000)); err == nil {
		t.Error("a text of 3000 bytes was taken")
	}
}

func TestQRSVG(t *testing.T) {
	q, err := QROf(pagetest.TestCode)
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
	if got, err := pagetest.ReadQR(pagetest.Painted(q.Size+2*QRQuiet, pagetest.SvgRects(b.String())), true); err != nil || got != pagetest.TestCode {
		t.Errorf("read %q, %v", got, err)
	}
}
