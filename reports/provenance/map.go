package provenance

import (
	"fmt"
	"html"
	"strings"
)

// The map of positions is drawn as rows of cells, one letter each: the letter
// says it, the shade helps the eye. Shades differ in lightness as well as hue,
// and letters keep at least 4.5:1 against them (WCAG 2.2, 1.4.3).
const (
	cellSize = 13 // pixels; the widest row fits a telephone
	cellsRow = 24
)

type cellLook struct{ fill, text string }

var cellLooks = map[byte]cellLook{
	letterOriginal: {"#e3e0d6", "#1a1a1a"},
	letterTaken:    {"#f7f6f1", "#1a1a1a"},
	letterNew:      {"#37475a", "#ffffff"},
	letterModified: {"#5a2a6e", "#ffffff"},
	letterDonor:    {"#8a4b08", "#ffffff"},
	letterRepro:    {"#f0c674", "#1a1a1a"},
	letterUnknown:  {"#ffffff", "#1a1a1a"},
	letterEmpty:    {"#ffffff", "#1a1a1a"},
}

// mapCells draws a row of the map. Label is what the picture is said to be.
func mapCells(letters, label string) string {
	per := min(len(letters), cellsRow)
	rows := (len(letters) + cellsRow - 1) / cellsRow
	var s strings.Builder
	w, h := per*cellSize+1, rows*(cellSize+2)
	fmt.Fprintf(&s, `<svg class="cells" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-label="%s">`, w, h, w, h, html.EscapeString(label))
	for i := 0; i < len(letters); {
		// A run of one letter within a row is one box with its cells ruled.
		n := 1
		for i+n < len(letters) && (i+n)%cellsRow != 0 && letters[i+n] == letters[i] {
			n++
		}
		look := cellLooks[letters[i]]
		x, y := i%cellsRow*cellSize, i/cellsRow*(cellSize+2)
		fmt.Fprintf(&s, `<path fill="%s" stroke="#8a8a8a" d="M%d.5 %d.5h%dv%dh-%dz"/>`, look.fill, x, y, n*cellSize, cellSize, n*cellSize)
		if n > 1 {
			var d strings.Builder
			for k := 1; k < n; k++ {
				fmt.Fprintf(&d, "M%d.5 %d.5v%d", x+k*cellSize, y, cellSize)
			}
			fmt.Fprintf(&s, `<path stroke="#8a8a8a" d="%s"/>`, d.String())
		}
		xs := make([]string, n)
		for k := range xs {
			xs[k] = fmt.Sprintf("%d", x+k*cellSize+cellSize/2)
		}
		fmt.Fprintf(&s, `<text x="%s" y="%d" fill="%s">%s</text>`, strings.Join(xs, " "), y+cellSize-3, look.text, html.EscapeString(letters[i:i+n]))
		i += n
	}
	s.WriteString("</svg>")
	return s.String()
}

// mapWords says a row of the map by counts, the most first to come first.
func mapWords(row MapRow, legend []MapLetter) string {
	var out []string
	seen := map[byte]bool{}
	for i := range len(row.Letters) {
		c := row.Letters[i]
		if seen[c] {
			continue
		}
		seen[c] = true
		meaning := string(c)
		for _, l := range legend {
			if l.Letter == string(c) {
				meaning, _, _ = strings.Cut(l.Meaning, ",")
			}
		}
		out = append(out, fmt.Sprintf("%d %s", strings.Count(row.Letters, string(c)), meaning))
	}
	return row.Refs + ": " + strings.Join(out, "; ")
}
