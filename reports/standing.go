package reports

import (
	"fmt"

	"benchlore/schema"
	"benchlore/schema/unit"
)

// DueItem is work that comes next and has come due.
type DueItem struct {
	What    string  `json:"what"`
	Section string  `json:"section,omitempty"`
	When    string  `json:"when,omitempty"`
	AtHours float64 `json:"atHours,omitempty"`
}

func (d DueItem) words() string {
	s := d.What
	if d.Section != "" {
		s += " (" + d.Section + ")"
	}
	if d.When != "" {
		return s + ", due " + d.When
	}
	return fmt.Sprintf("%s, due at %g hours", s, d.AtHours)
}

// dueBy lists what is due on a day and nobody settled: by its date, or by the
// last reading of the hour meter.
func dueBy(u *unit.Unit, day schema.Date) []DueItem {
	var hours float64
	for _, f := range u.Files {
		if h := f.Record.Head(); h.Hours != nil && !h.Withdrawn {
			hours = max(hours, *h.Hours)
		}
	}
	var out []DueItem
	for _, d := range u.Due {
		item := DueItem{What: clean(d.What), Section: d.Section}
		switch {
		case d.Settled:
			continue
		case !d.When.IsZero() && !d.When.After(day.Day):
			item.When = d.When.String()
		case d.AtHours != nil && *d.AtHours <= hours:
			item.AtHours = *d.AtHours
		default:
			continue
		}
		out = append(out, item)
	}
	return out
}
