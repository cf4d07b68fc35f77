package pagetest

import (
	"bytes"
	"encoding/xml"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Poppler runs one of its programs on a PDF: the judge from outside.
func Poppler(t testing.TB, data []byte, program string, args ...string) string {
	t.Helper()
	path := Need(t, program)
	file := filepath.Join(t.TempDir(), "x.pdf")
	if err := os.WriteFile(file, data, 0o666); err != nil {
		t.Fatal(err)
	}
	for i, a := range args {
		if a == "FILE" {
			args[i] = file
		}
	}
	cmd := exec.Command(path, args...)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if err != nil || complaints.Len() > 0 {
		t.Fatalf("%s: %v\n%s", program, err, &complaints)
	}
	return string(out)
}

// box is a word on a page, in points from the top left.
type box struct {
	XMin float64 `xml:"xMin,attr"`
	YMin float64 `xml:"yMin,attr"`
	XMax float64 `xml:"xMax,attr"`
	YMax float64 `xml:"yMax,attr"`
	Word string  `xml:",chardata"`
}

type boxes struct {
	Pages []struct {
		Width  float64 `xml:"width,attr"`
		Height float64 `xml:"height,attr"`
		Words  []box   `xml:"word"`
	} `xml:"body>doc>page"`
}

func PageBoxes(t testing.TB, data []byte) boxes {
	t.Helper()
	out := Poppler(t, data, "pdftotext", "-bbox", "FILE", "-")
	var b boxes
	d := xml.NewDecoder(strings.NewReader(out))
	d.Strict, d.Entity = false, xml.HTMLEntity
	if err := d.Decode(&b); err != nil {
		t.Fatal(err)
	}
	if len(b.Pages) == 0 {
		t.Fatalf("no pages in %.200q", out)
	}
	return b
}
