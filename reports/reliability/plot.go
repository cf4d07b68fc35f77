package reliability

import (
	"fmt"
	"io"

	"benchlore/reports/page"
)

// WritePlot writes one plot as an SVG file: rates, comebacks, or the survival
// curve of the group of that key. It returns an error where there is none.
func (r *Report) WritePlot(w io.Writer, name string) error {
	p, err := r.plot(name)
	if err != nil {
		return err
	}
	_, err = io.WriteString(w, p.Render("plot", true)+"\n")
	return err
}

func (r *Report) plot(name string) (*page.Picture, error) {
	switch name {
	case "rates":
		if p := r.plotRates(); p != nil {
			return p, nil
		}
		return nil, fmt.Errorf("no group has a rate to plot")
	case "comebacks":
		if p := r.plotComebacks(); p != nil {
			return p, nil
		}
		return nil, fmt.Errorf("there are no comebacks to plot")
	}
	for _, g := range r.Groups {
		if g.title() == name || g.Title == name {
			if p := r.plotCurve(g); p != nil {
				return p, nil
			}
			return nil, fmt.Errorf("%s has no curve: %s", name, g.Life[r.Silence].CurveRefused)
		}
	}
	return nil, fmt.Errorf("there is no group %q", name)
}
