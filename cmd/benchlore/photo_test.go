package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"os"

	"github.com/rogpeppe/go-internal/testscript"
)

// cmdPicture writes a JPEG of some pixels as a camera held upright does: lying
// on its side, with a capture time and a remark of the camera's owner.
func cmdPicture(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 4, "picture FILE WIDTHxHEIGHT DAY REMARK")
	var w, h int
	_, err := fmt.Sscanf(args[1], "%dx%d", &w, &h)
	ts.Check(err)
	data, err := pictureOf(w, h, args[2], args[3])
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o666))
}

// pictureOf is such a picture.
func pictureOf(w, h int, day, remark string) ([]byte, error) {
	m := image.NewGray(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = byte(i)
	}
	m.SetGray(0, 0, color.Gray{Y: 0xff})
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		return nil, err
	}

	// TIFF 6.0: one directory with orientation 6 and the Exif directory, which
	// has DateTimeOriginal.
	le := binary.LittleEndian
	t := le.AppendUint32([]byte("II*\x00"), 8)
	t = le.AppendUint16(t, 2)
	t = append(t, 0x12, 0x01, 3, 0, 1, 0, 0, 0, 6, 0, 0, 0)
	t = append(t, 0x69, 0x87, 4, 0, 1, 0, 0, 0, 38, 0, 0, 0)
	t = append(t, 0, 0, 0, 0)
	t = append(t, 1, 0, 0x03, 0x90, 2, 0, 20, 0, 0, 0, 56, 0, 0, 0, 0, 0, 0, 0)
	t = append(t, day+" 10:11:12\x00"...)
	segment := func(marker byte, data string) []byte {
		return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(data)+2)), data...)
	}
	out := append([]byte{}, b.Bytes()[:2]...)
	out = append(out, segment(0xe1, "Exif\x00\x00"+string(t))...)
	out = append(out, segment(0xfe, remark)...)
	return append(out, b.Bytes()[2:]...), nil
}

// cmdLacks checks that none of some files holds a text.
func cmdLacks(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 2, "lacks TEXT FILE ...")
	for _, f := range args[1:] {
		if bytes.Contains([]byte(ts.ReadFile(f)), []byte(args[0])) {
			ts.Fatalf("%s holds %q", f, args[0])
		}
	}
}
