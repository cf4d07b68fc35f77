package pagetest

import (
	"encoding/xml"
	"errors"
	"io"
	"strconv"
	"strings"
	"testing"
)

// Flat runs a text together so that a phrase is found wherever lines break.
func Flat(s string) string { return strings.Join(strings.Fields(s), " ") }

// A span may end within a word ("2021-03-01,"), so words are compared run
// together: without any white space.
func Squeezed(words []string) string {
	var s strings.Builder
	for _, w := range words {
		if w != "-" && strings.Trim(w, "─") != "" {
			s.WriteString(w)
		}
	}
	return s.String()
}

// CheckSVG reads a drawing: well formed, no NaN, no text outside it.
func CheckSVG(t *testing.T, name, svg string, width float64) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	texts := 0
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		for _, a := range e.Attr {
			if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") || a.Name.Local == "style" {
				t.Errorf("%s: %s=%q", name, a.Name.Local, a.Value)
			}
			if e.Name.Local != "text" || a.Name.Local != "x" {
				continue
			}
			texts++
			if x, err := strconv.ParseFloat(a.Value, 64); err != nil || x < -0.5 || x > width {
				t.Errorf("%s: text at x=%s", name, a.Value)
			}
		}
	}
	if texts < 5 {
		t.Errorf("%s: %d texts", name, texts)
	}
}
