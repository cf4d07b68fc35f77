package label

import (
	"io"
	"path"
	"time"

	"benchlore/reports/page"
)

// Slate is a card that is photographed before the pictures it files: a code, and in
// words what the code says.
type Slate struct {
	Title   string `json:"title"` // maker and model
	Unit    string `json:"unit"`
	Section string `json:"section"` // "" for the whole unit
	Stage   string `json:"stage,omitempty"`
	Code    string `json:"code"`   // what the QR code says
	Spaced  string `json:"spaced"` // the same to be read and typed
}

// Sheets wider and higher than this hold several slates, to be cut apart.
const (
	slateWidth  = 92.0
	slateHeight = 55.0
)

// WriteSlates writes slates as a PDF: on a sheet as many as it holds, with lines to cut
// along, on labels one each.
func WriteSlates(w io.Writer, list []Slate, size Size) error {
	t := page.NewTypesetter(size.Paper, time.Unix(0, 0).UTC())
	if len(list) > 0 {
		t.SetTitle("Slates of "+list[0].Unit, true)
	}
	edge := size.margin()
	across, down := int((size.Width-2*edge)/slateWidth), int((size.Height-2*edge)/slateHeight)
	cell := page.Paper{Width: size.Width - 2*edge, Height: size.Height - 2*edge}
	sheet := across*down > 1
	if sheet {
		cell = page.Paper{Width: cell.Width / float64(across), Height: cell.Height / float64(down)}
	} else {
		across, down = 1, 1
	}
	for i, s := range list {
		at := i % (across * down)
		if at == 0 {
			t.AddPage()
			if sheet {
				cuts(t, size, cell, across, min(down, (len(list)-i+across-1)/across))
			}
		}
		x, y := edge+float64(at%across)*cell.Width, edge+float64(at/across)*cell.Height
		inside := 0.0
		if sheet {
			inside = 4
		}
		if err := s.set(t, x+inside, y+inside, cell.Width-2*inside, cell.Height-2*inside, sheet || edge > 2); err != nil {
			return err
		}
	}
	return t.Output(w)
}

// cuts draws the lines to cut along.
func cuts(t *page.Typesetter, size Size, cell page.Paper, across, down int) {
	edge := size.margin()
	t.SetDrawColor(150, 150, 150)
	t.SetLineWidth(0.15)
	t.SetDashPattern([]float64{2, 2}, 0)
	for i := 0; i <= across; i++ {
		x := edge + float64(i)*cell.Width
		t.Line(x, edge, x, edge+float64(down)*cell.Height)
	}
	for i := 0; i <= down; i++ {
		y := edge + float64(i)*cell.Height
		t.Line(edge, y, edge+float64(across)*cell.Width, y)
	}
	t.SetDashPattern(nil, 0)
}

// set sets a slate into a box: the code to the left, or above in an upright one, and
// the section in the largest letters.
func (s Slate) set(t *page.Typesetter, x, y, width, height float64, large bool) error {
	q, err := page.QROf(s.Code)
	if err != nil {
		return err
	}
	upright := height > width
	black := min(height, width*0.46)
	if upright {
		black = min(width, height*0.55)
	}
	module := black / float64(q.Size)
	t.QR(q, x-page.QRQuiet*module, y-page.QRQuiet*module, module*float64(q.Size+2*page.QRQuiet))
	// The border of a code stays white.
	tx, ty, tw, th := x+black+page.QRQuiet*module, y, width-black-page.QRQuiet*module, height
	if upright {
		tx, ty, tw, th = x, y+black+page.QRQuiet*module, width, height-black-page.QRQuiet*module
	}
	section := s.Section
	if section == "" {
		section = "whole unit"
	}
	lines := []string{section, path.Base(s.Unit), s.Title}
	if s.Stage != "" {
		lines = append(lines, s.Stage)
	}
	if large {
		lines = append(lines, "Photograph this slate first, then what it names.")
	}
	lines = append(lines, s.Spaced)
	points := 8.0
	if large {
		points = 11
	}
	for _, text := range fit(t, lines, box{tx, ty, tw, th, points, 1.6}) {
		t.Put(text.Face, text.x, text.y, text.text)
	}
	return nil
}
