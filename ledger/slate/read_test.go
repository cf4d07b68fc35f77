package slate

import (
	"bytes"
	"fmt"
	"image"
	"image/draw"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"testing"

	"benchlore/ledger/testutil"
)

// photographed is a scene as a telephone keeps it.
func photographed(t testing.TB, s testutil.Scene, quality int) *image.Gray {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, s.Draw(), &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	m, err := jpeg.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	out := image.NewGray(m.Bounds())
	draw.Draw(out, out.Rect, m, image.Point{}, draw.Src)
	return out
}

var units = []string{"0b0f4f0e-6d55-4a52-8c50-6f1f4dbd7a01", "6f0c7e5a-0d0c-4c0e-9b7e-2d3a5c1f4b11", "f1b3a7d2-55c1-4b8e-8a8e-0a2c6a0e9d02",
	"3d9e2f60-7b1a-4f0c-a5c3-91e2d4b7c803", "a8c4e1b7-2e6f-4d3a-9f10-5c7b8d9e0f04"}

// TestSlatesInPhotographs reads slates of five units from made-up photographs, as badly taken as a
// slate may be: blurred by 3 pixels of a picture of 3000, turned by 30°, tilted by
// 40°, a shadow across, 6 to 40 % of the width. Of a hundred 98 must be read, and none
// wrong; one that is not read must be seen to be a code. The default run takes twelve small ones.
func TestSlatesInPhotographs(t *testing.T) {
	count, widths := 12, []int{1600}
	if os.Getenv("BENCHLORE_TEST_LONG") != "" {
		count, widths = 100, []int{2000, 3000, 1600, 2400}
	}
	read, seen, wrong := 0, 0, 0
	for i := range count {
		rnd := rand.New(rand.NewPCG(uint64(i), 7))
		width := widths[i%len(widths)]
		within := func(most float64) float64 { return (rnd.Float64()*2 - 1) * most }
		s := testutil.Scene{Seed: uint64(i), Width: width, Height: width * 3 / 4, Code: 0.06 + 0.34*rnd.Float64(), Turn: within(30),
			Tilt: 40 * rnd.Float64(), Toward: 360 * rnd.Float64(), Blur: 3 * rnd.Float64() * float64(width) / 3000, Shadow: rnd.IntN(2) == 0}
		if i%10 == 0 { // the worst of all
			s.Code, s.Tilt, s.Blur, s.Shadow = 0.06, 40, 3*float64(width)/3000, true
		}
		if i%10 == 5 {
			s.Code, s.Tilt, s.Shadow = 0.4, 40, true
		}
		s.Text = Text(units[i%len(units)], fmt.Sprintf("voice %d", i%12+1), []string{"", "as-found", "as-left"}[i%3])
		got := Read(photographed(t, s, 60+rnd.IntN(35)))
		switch {
		case len(got.Texts) == 1 && got.Texts[0] == s.Text:
			read++
		case len(got.Texts) > 0 || !got.Unread:
			wrong++
			t.Errorf("%+v: %+v", s, got)
		default:
			seen++
			t.Logf("not read, and seen to be a code: %+v", s)
		}
	}
	t.Logf("of %d photographs %d read, %d seen to hold a code that could not be read, %d wrong", count, read, seen, wrong)
	if read*100 < 98*count {
		t.Errorf("%d of %d read", read, count)
	}
}

// TestNoSlate: a bench without a code is nothing to ask about.
func TestNoSlate(t *testing.T) {
	for seed := range uint64(6) {
		if got := Read(photographed(t, testutil.Scene{Seed: 500 + seed, Width: 1600, Height: 1200, Blur: float64(seed % 3)}, 85)); len(got.Texts) > 0 || got.Unread {
			t.Errorf("%d: %+v", seed, got)
		}
	}
}

// TestOtherCodes: a code of somebody else's and the label inside the case are read as what they are, and
// of a slate half of which is covered it is said that it was not read.
func TestOtherCodes(t *testing.T) {
	label := "benchlore:1:" + units[1] + ":c0ffee00c0ffee00c0ffee00c0ffee00c0ffee00:0123456789abcdef"
	for _, c := range []struct {
		text string
		kind Kind
	}{{"https://quillard.example/manuals/4711", Foreign}, {"P/N 4711-A", Foreign}, {label, Good}} {
		s := testutil.Scene{Seed: 900, Width: 1600, Height: 1200, Text: c.text, Code: 0.3, Turn: 12, Tilt: 15, Blur: 0.6}
		got := Read(photographed(t, s, 85))
		if len(got.Texts) != 1 || got.Texts[0] != c.text {
			t.Errorf("%s: %+v", c.text, got)
			continue
		}
		if m, kind := Parse(got.Texts[0]); kind != c.kind || kind == Good && m.Unit != UnitPart(units[1]) {
			t.Errorf("%s: %+v, %v", c.text, m, kind)
		}
	}
	s := testutil.Scene{Seed: 901, Width: 1600, Height: 1200, Text: Text(units[0], "keybed", ""), Code: 0.25, Turn: 5, Blur: 0.5}
	for seed := range uint64(8) {
		s.Seed, s.Spoiled = 901+seed, 0.55
		if got := Read(photographed(t, s, 85)); len(got.Texts) > 0 && got.Texts[0] != s.Text {
			t.Errorf("covered: %+v", got)
		}
	}
}
