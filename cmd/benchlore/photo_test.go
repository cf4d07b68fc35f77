package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"slices"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"

	"benchlore/ledger/testutil"
	"benchlore/reports/label"
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

	return dated(b.Bytes(), day+" 10:11:12", remark), nil
}

// dated is a JPEG with what a camera writes into it: that it lies on its side, when it was
// taken, and a remark.
func dated(j []byte, at, remark string) []byte {
	// TIFF 6.0: one directory with orientation 6 and the Exif directory, which
	// has DateTimeOriginal.
	le := binary.LittleEndian
	t := le.AppendUint32([]byte("II*\x00"), 8)
	t = le.AppendUint16(t, 2)
	t = append(t, 0x12, 0x01, 3, 0, 1, 0, 0, 0, 6, 0, 0, 0)
	t = append(t, 0x69, 0x87, 4, 0, 1, 0, 0, 0, 38, 0, 0, 0)
	t = append(t, 0, 0, 0, 0)
	t = append(t, 1, 0, 0x03, 0x90, 2, 0, 20, 0, 0, 0, 56, 0, 0, 0, 0, 0, 0, 0)
	t = append(t, at+"\x00"...)
	segment := func(marker byte, data string) []byte {
		return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(data)+2)), data...)
	}
	out := append([]byte{}, j[:2]...)
	out = append(out, segment(0xe1, "Exif\x00\x00"+string(t))...)
	out = append(out, segment(0xfe, remark)...)
	return append(out, j[2:]...)
}

// cmdShoot writes a photograph of a bench as a camera does, with the time it was taken, and on
// the bench a card with a code where TEXT is one. The seed is the file's name, so that one
// picture is not another. TEXT may be FILE.json#SECTION: the slate of a section among those that
// label --slate --json printed.
func cmdShoot(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 3, "shoot FILE 'YEAR:MM:DD HH:MM:SS' TEXT")
	text := args[2]
	if file, section, ok := strings.Cut(text, ".json#"); ok {
		var list []label.Slate
		ts.Check(json.Unmarshal([]byte(ts.ReadFile(file+".json")), &list))
		i := slices.IndexFunc(list, func(s label.Slate) bool { return s.Section == section })
		if i < 0 {
			ts.Fatalf("%s has no slate of %q", file, section)
		}
		text = list[i].Code
	}
	h := fnv.New64a()
	h.Write([]byte(args[0]))
	m := testutil.Scene{Seed: h.Sum64(), Width: 640, Height: 480, Text: text, Code: 0.25, Turn: 8, Tilt: 12}.Draw()
	var b bytes.Buffer
	ts.Check(jpeg.Encode(&b, m, &jpeg.Options{Quality: 85}))
	data := b.Bytes()
	if args[1] != "" {
		data = dated(data, args[1], "")
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o666))
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
