package slate

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Shot is a photograph of a series.
type Shot struct {
	Name   string    // of its file, by which it is put in order
	Path   string    // to the file
	At     time.Time // by the camera's clock; zero: not said
	Digest string    // of the file
	Seen   Seen
}

// Place is where pictures belong. Section is "" for the whole unit, Stage where none
// is said.
type Place struct{ Unit, Section, Stage string }

// Role is what a photograph is in its series.
type Role string

// Roles.
const (
	Picture Role = "picture"  // it belongs to its place
	Card    Role = "slate"    // it is a slate, and says where what follows belongs
	Unclear Role = "unclear"  // somebody has to say where it belongs
	Twice   Role = "repeated" // the same file was there before
)

// Step says what a photograph was taken for.
type Step struct {
	Shot  Shot
	Role  Role
	Place Place  // of a picture or a slate
	Note  string // why it is unclear, or what else there is to say
	Group int    // unclear ones of one group belong together
	Code  bool   // it is unclear since it shows a code, so that it may be a slate
	Last  Place  // of unclear ones: the place of the last slate before, if there was one
}

// Order is by what photographs are put in order.
type Order string

// Orders.
const (
	ByTime Order = "time" // capture time, then file name
	ByName Order = "name" // file name, numbers in it by their value
)

// Sort puts photographs in order. Asked for none it takes the capture times, and the
// names where no photograph has a time, or where some have none and the names of the
// others run as their times do. It returns "" where neither will do. In an order by
// time those without one come last.
func Sort(shots []Shot, want Order) Order {
	byName := func(a, b Shot) int { return naturally(a.Name, b.Name) }
	timed := 0
	for _, s := range shots {
		if !s.At.IsZero() {
			timed++
		}
	}
	if want == "" {
		switch {
		case timed == len(shots):
			want = ByTime
		case timed == 0:
			want = ByName
		default:
			slices.SortStableFunc(shots, byName)
			last := time.Time{}
			for _, s := range shots {
				if !s.At.IsZero() && s.At.Before(last) {
					return ""
				}
				if !s.At.IsZero() {
					last = s.At
				}
			}
			return ByName
		}
	}
	if want == ByName {
		slices.SortStableFunc(shots, byName)
		return want
	}
	slices.SortStableFunc(shots, func(a, b Shot) int {
		if a.At.IsZero() != b.At.IsZero() {
			return map[bool]int{true: 1, false: -1}[a.At.IsZero()]
		}
		return cmp.Or(a.At.Compare(b.At), byName(a, b))
	})
	return want
}

// naturally compares names as people count: IMG_9 is before IMG_10.
func naturally(a, b string) int {
	x, y := strings.ToLower(a), strings.ToLower(b)
	digit := func(c byte) bool { return c >= '0' && c <= '9' }
	for x != "" && y != "" {
		if !digit(x[0]) || !digit(y[0]) {
			if x[0] != y[0] {
				return cmp.Compare(x[0], y[0])
			}
			x, y = x[1:], y[1:]
			continue
		}
		number := func(s string) (string, string) {
			n := 0
			for n < len(s) && digit(s[n]) {
				n++
			}
			return strings.TrimLeft(s[:n], "0"), s[n:]
		}
		var m, n string
		m, x = number(x)
		n, y = number(y)
		if d := cmp.Or(cmp.Compare(len(m), len(n)), cmp.Compare(m, n)); d != 0 {
			return d
		}
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(a, b))
}

// Plan goes through photographs in order and says what each is. Where tells the place a
// mark stands for, or why there is none.
//
// A slate holds until the next. So does anything that could be a slate and was not
// understood: what follows it is unclear, rather than filed under the slate before. In an
// order by time a photograph without one is unclear. The label inside the case is a slate of
// the whole unit, and a picture of the case as well; while a slate of the same unit
// holds, it is only a picture.
func Plan(shots []Shot, by Order, where func(Mark) (Place, string)) []Step {
	var steps []Step
	var place, last Place
	known, why, group := false, "no slate was photographed before it", 0
	unknown := func(reason string) { known, why, group = false, reason, group+1 }
	first := map[string]string{} // names by digest
	for _, shot := range shots {
		step := Step{Shot: shot, Role: Picture}
		if name, ok := first[shot.Digest]; ok && shot.Digest != "" {
			step.Role, step.Note = Twice, "the same file as "+name
			steps = append(steps, step)
			continue
		}
		first[shot.Digest] = shot.Name
		if by == ByTime && shot.At.IsZero() && known {
			unknown("it does not say when it was taken")
		}
		marks, trouble, foreign := understood(shot.Seen)
		switch {
		case len(marks) > 1:
			trouble = fmt.Sprintf("it shows %d slates", len(marks))
		case len(marks) == 1 && trouble == "":
			to, reason := where(marks[0])
			if marks[0].Label && reason == "" && known && to.Unit == place.Unit {
				step.Note = "shows the label of the unit"
				break
			}
			step.Role = Card
			if reason != "" {
				step.Note = reason
				unknown("after the slate " + shot.Name + ": " + reason)
				break
			}
			place, last, known = to, to, true
			if marks[0].Label {
				step.Role, step.Note = Picture, "the label of the unit, taken as a slate"
			}
		case foreign != "":
			step.Note = "shows a code that is not a slate"
		}
		switch {
		case trouble != "":
			unknown("after " + shot.Name + ": " + trouble)
			step.Role, step.Note, step.Code = Unclear, trouble, true
		case step.Role == Picture && !known:
			step.Role, step.Note = Unclear, why
		}
		if step.Role == Unclear {
			step.Group, step.Last = group, last
		} else if known {
			step.Place = place
		}
		steps = append(steps, step)
	}
	return steps
}

// understood sorts what a photograph shows: the different slates; what is not
// understood; and a code of somebody else's. A label beside a slate of the same unit
// is left out.
func understood(seen Seen) (marks []Mark, trouble, foreign string) {
	for _, text := range seen.Texts {
		m, kind := Parse(text)
		switch {
		case kind == Foreign:
			foreign = text
		case kind == Damaged:
			trouble = "it shows a slate whose code is wrong"
		case kind == Newer:
			trouble = "it shows a slate of a later version of this program"
		case !slices.Contains(marks, m):
			marks = append(marks, m)
		}
	}
	if seen.Unread && trouble == "" {
		trouble = "it shows a code that cannot be read"
	}
	for _, m := range marks {
		if !m.Label {
			marks = slices.DeleteFunc(marks, func(x Mark) bool { return x.Label && x.Unit == m.Unit })
			break
		}
	}
	return marks, trouble, foreign
}
