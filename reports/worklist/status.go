package worklist

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"benchlore/ledger"
	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// State is where a unit is and how far its job has come.
type State string

// The states. The first four have an open job, or are still to get one.
const (
	StateWaiting  State = "waiting"      // here, and nothing was done yet
	StateBench    State = "on the bench" // something was done
	StateSoaking  State = "soaking"      // the last record is a soak
	StateBack     State = "back"         // a comeback whose job is open
	StateReleased State = "released"     // and not gone yet, as far as records say
	StateSold     State = "sold"
	StateShipped  State = "shipped"
	StateReturned State = "returned" // to its owner
)

// silentAfter is how many days without a record make a unit that has left
// silent: two years, the longer of the spans comebacks are counted over.
const silentAfter = 730

// Status is where one unit is at the bench, or has gone, on a day.
type Status struct {
	Unit       string        `json:"unit"`
	Title      string        `json:"title"`
	Built      string        `json:"built"`
	OnBench    bool          `json:"onBench"`
	Open       bool          `json:"open"` // a job is open
	State      State         `json:"state"`
	StateSince string        `json:"stateSince"`
	Works      string        `json:"works,omitempty"` // as the last release has it, where no job is open
	Silent     bool          `json:"silent"`
	Since      string        `json:"since"` // the open job's first day
	Reason     string        `json:"reason"`
	Last       string        `json:"last"` // last thing done
	LastDay    string        `json:"lastDay"`
	Days       int           `json:"days"` // since then
	Faults     []StatusFault `json:"openFaults"`
	Pending    []string      `json:"pending"`
	Waiting    int           `json:"partsPending"`
	Due        []DueItem     `json:"due"`
	Power      string        `json:"power"` // "" not recorded
	Why        string        `json:"powerWhy,omitempty"`
	Records    int           `json:"records"`
	Errors     int           `json:"errors"`
}

// StatusFault is one fault that is open.
type StatusFault struct {
	ID         string `json:"id"`
	Symptom    string `json:"symptom"`
	Conditions string `json:"conditions,omitempty"`
}

// StatusesOf reads the status of every unit of a ledger, in order of name.
func StatusesOf(l *ledger.Ledger) ([]Status, error) {
	stock, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	view, err := l.View(stock)
	if err != nil {
		return nil, err
	}
	out := []Status{}
	onBench, today := l.OnBench(), l.Today()
	err = ledger.Derive(view, "status", func(_ string, u *ledger.Loaded) (undated, error) {
		s := undatedStatus(u.Unit)
		s.Status.Errors, _ = schema.Count(u.Problems)
		return s, nil
	}, func(name string, x undated) error {
		s := x.on(today)
		s.OnBench = name == onBench
		out = append(out, s)
		return nil
	})
	return out, err
}

// undated is the status of a unit, without what depends on the day.
type undated struct {
	Status Status
	Coming []DueItem // what nobody settled yet, due or not
}

// NewStatus is the status of a unit on a day.
func NewStatus(u *unit.Unit, today schema.Date) Status { return undatedStatus(u).on(today) }

// on fills in what depends on the day.
func (x undated) on(today schema.Date) Status {
	s := x.Status
	s.Faults, s.Pending = orEmpty(s.Faults), orEmpty(s.Pending) // JSON has [] for them
	s.Due = orEmpty(dueOf(x.Coming, today))
	if day, err := schema.ParseDate(s.LastDay); err == nil {
		s.Days = max(0, today.Sub(day.Day))
		s.Silent = !s.Open && s.State != StateWaiting && s.Days > silentAfter
	}
	return s
}

func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func undatedStatus(u *unit.Unit) undated {
	return undated{statusOf(u), coming(u)}
}

// statusOf is the status of a unit, but for what depends on the day.
func statusOf(u *unit.Unit) Status {
	s := Status{Unit: u.Name, Title: page.Clean(u.Instrument.Maker + " " + u.Instrument.Model), Built: string(u.Instrument.Built),
		Records: len(u.Files)}
	p, why, _ := u.Power()
	s.Power, s.Why = string(p), why
	var waiting []*unit.Position
	for _, p := range u.Positions {
		if o := p.Current(); o != nil && len(o.Events) > 0 && o.Events[len(o.Events)-1].Line.Action == schema.Pending {
			waiting = append(waiting, p)
		}
	}
	if waiting != nil {
		s.Pending = strings.Split(unit.List(waiting), "; ")
		s.Waiting = len(waiting)
	}
	var last *unit.File
	for i := range u.Files {
		if !u.Files[i].Record.Head().Withdrawn {
			last = &u.Files[i]
		}
	}
	j := u.OpenJob()
	if j != nil { // what was added to an earlier job after this one began does not count
		last = j.Files[len(j.Files)-1]
	}
	if last == nil {
		s.State = StateWaiting
		return s
	}
	s.LastDay = last.Record.Head().Date.String()
	s.Last = strings.TrimSuffix(string(last.Record.Head().Kind)+", "+schema.Summary(last.Record), ", ")
	for _, f := range u.Faults {
		if f.State == schema.FaultOpen {
			s.Faults = append(s.Faults, StatusFault{f.ID, f.Symptom, f.Conditions})
		}
	}
	if j != nil {
		s.Open = true
		in := j.IntakeRecord()
		s.Since, s.Reason = in.Date.String(), string(in.Reason)
		s.StateSince = s.Since
		switch {
		case last.Record.Head().Kind == schema.KindSoak:
			s.State, s.StateSince = StateSoaking, s.LastDay
		case in.Reason == schema.ReasonComeback:
			s.State = StateBack
		case !slices.ContainsFunc(j.Files, func(f *unit.File) bool { return begun(f.Record) }):
			s.State = StateWaiting
		default:
			s.State = StateBench
		}
		return s
	}
	s.gone(u)
	return s
}

// begun reports whether a record says that work on a unit has begun.
func begun(r schema.Record) bool {
	stay := schema.KindOf(r).Stay()
	return stay == schema.StayWork || stay == schema.StayEnds
}

// gone tells where a unit without an open job is, by its last release or change
// of hands.
func (s *Status) gone(u *unit.Unit) {
	s.State = StateWaiting
	for i := range u.Files {
		h := u.Files[i].Record.Head()
		if h.Withdrawn {
			continue
		}
		switch r := u.Files[i].Record.(type) {
		case *schema.Release:
			s.State, s.StateSince, s.Works = StateReleased, h.Date.String(), string(r.Works)
		case *schema.Custody:
			s.StateSince = h.Date.String()
			switch r.Event {
			case schema.CustodyReceived:
				s.State = StateWaiting
			case schema.CustodySold:
				s.State = StateSold
			case schema.CustodyShipped:
				s.State = StateShipped
			default:
				s.State = StateReturned
			}
		}
	}
}

// StateWords tells the state in a few words, as JSON has it: "released, works:
// fully".
func (s *Status) StateWords() string {
	if s.State == StateReleased {
		return string(s.State) + ", works: " + s.Works
	}
	return string(s.State)
}

// words tells the state in fewer.
func (s *Status) words() string {
	w := string(s.State)
	if s.State == StateReleased {
		w += ", " + s.Works
	}
	if s.Silent {
		w += ", silent"
	}
	return w
}

// States are the words units can be chosen by.
func States() []string {
	return []string{"open", "waiting", "bench", "soaking", "back", "released", "sold", "shipped", "returned", "silent"}
}

// Is reports whether one of [States] is true of a unit.
func (s *Status) Is(word string) bool {
	switch word {
	case "open":
		return s.Open
	case "silent":
		return s.Silent
	case "bench":
		return s.State == StateBench
	}
	return string(s.State) == word
}

// WriteList writes a line for each unit.
func WriteList(w io.Writer, list []Status, o page.TextOptions) error {
	p := &page.Text{W: w, O: o}
	if len(list) == 0 {
		p.Line("no unit")
		return p.Err
	}
	none := func(n int) string {
		if n == 0 {
			return ""
		}
		return fmt.Sprint(n)
	}
	t := &page.Table{Header: []string{"unit", "state", "since", "days", "faults", "wait", "due", ""}, Right: []int{3, 4, 5, 6}}
	for _, s := range list {
		more := ""
		switch {
		case s.Power == string(schema.PowerForbidden):
			more = "DO NOT POWER"
		case s.Errors > 0:
			more = page.Plural(s.Errors, "error", "errors")
		case s.OnBench:
			more = "on"
		}
		days := ""
		if s.LastDay != "" {
			days = fmt.Sprint(s.Days)
		}
		t.Rows = append(t.Rows, []string{s.Unit, s.words(), o.Day(s.StateSince), days, none(len(s.Faults)), none(s.Waiting), none(len(s.Due)), more})
	}
	return t.Write(w, "", max(o.Columns(), t.Natural()))
}

// WriteDue writes what is due, the longest overdue first.
func WriteDue(w io.Writer, list []Status, o page.TextOptions) error {
	p := &page.Text{W: w, O: o}
	type due struct {
		s Status
		d DueItem
	}
	var all []due
	for _, s := range list {
		for _, d := range s.Due {
			all = append(all, due{s, d})
		}
	}
	if len(all) == 0 {
		p.Line("nothing is due")
		return p.Err
	}
	slices.SortStableFunc(all, func(a, b due) int {
		return cmp.Or(cmp.Compare(b2i(a.d.When == ""), b2i(b.d.When == "")), cmp.Compare(a.d.When, b.d.When))
	})
	t := &page.Table{Header: []string{"due", "unit", "state", "what"}}
	for _, x := range all {
		when := o.Day(x.d.When)
		if when == "" {
			when = o.Number(fmt.Sprintf("%g h", x.d.AtHours))
		}
		what := x.d.What
		if x.d.Section != "" {
			what += " (" + x.d.Section + ")"
		}
		t.Rows = append(t.Rows, []string{when, x.s.Unit, x.s.words(), what})
	}
	return t.Write(w, "", o.Columns())
}

// WriteWhere writes a block for each unit: what is overdue first, then the unit
// on the bench, then by name.
func WriteWhere(w io.Writer, list []Status, o page.TextOptions) error {
	p := &page.Text{W: w, O: o}
	if len(list) == 0 {
		p.Line("no unit is open")
		return p.Err
	}
	for i, s := range list {
		if i > 0 {
			p.Line("")
		}
		mark := ""
		if s.OnBench {
			mark = "  (on the bench)"
		}
		p.Line(s.Unit + "  " + s.Title + mark)
		row := func(name, text string) { p.Hang("  "+name, 16, text) }
		switch schema.Power(s.Power) {
		case schema.PowerForbidden:
			row("DO NOT POWER", cmp.Or(s.Why, "no reason recorded"))
		case schema.PowerLimited:
			row("power limited", cmp.Or(s.Why, "no reason recorded"))
		case schema.PowerNormal:
			row("power", "normal, as recorded")
		default:
			row("power", "not recorded")
		}
		for _, d := range s.Due {
			row("DUE", d.words(o))
		}
		if s.Open {
			row("since", o.Day(s.Since)+", "+s.Reason)
		}
		if s.LastDay == "" {
			row("state", "waiting: no record yet => benchlore record intake")
			continue
		}
		state := string(s.State)
		switch s.Days {
		case 0:
		case 1:
			state += ", nothing for a day"
		default:
			state += fmt.Sprintf(", nothing for %d days", s.Days)
		}
		row("state", state)
		row("last", o.Day(s.LastDay)+", "+s.Last)
		for _, f := range s.Faults {
			text := f.Symptom
			if f.Conditions != "" {
				text += " (" + f.Conditions + ")"
			}
			row("fault "+f.ID, text)
		}
		if len(s.Pending) > 0 {
			row("pending", strings.Join(s.Pending, "; "))
		}
	}
	return p.Err
}

// SortWhere puts what is overdue first, then the unit on the bench, and keeps the
// order of the others.
func SortWhere(list []Status) {
	rank := func(s Status) int {
		switch {
		case len(s.Due) > 0:
			return 0
		case s.OnBench:
			return 1
		}
		return 2
	}
	slices.SortStableFunc(list, func(a, b Status) int { return rank(a) - rank(b) })
}

// DueItem is work that comes next and has come due.
type DueItem struct {
	What    string  `json:"what"`
	Section string  `json:"section,omitempty"`
	When    string  `json:"when,omitempty"`
	AtHours float64 `json:"atHours,omitempty"`
}

func (d DueItem) words(o page.TextOptions) string {
	s := d.What
	if d.Section != "" {
		s += " (" + d.Section + ")"
	}
	if d.When != "" {
		return s + ", due " + o.Day(d.When)
	}
	return s + o.Number(fmt.Sprintf(", due at %g hours", d.AtHours))
}

// dueBy lists what is due on a day and nobody settled: by its date, or by the
// last reading of the hour meter.
func dueBy(u *unit.Unit, day schema.Date) []DueItem { return dueOf(coming(u), day) }

func dueOf(list []DueItem, day schema.Date) (out []DueItem) {
	for _, d := range list {
		when, err := schema.ParseDate(d.When)
		switch {
		case err == nil && !when.After(day.Day):
			d.AtHours = 0
		case d.AtHours > 0:
			d.When = ""
		default:
			continue
		}
		out = append(out, d)
	}
	return out
}

// coming lists what nobody settled: what has a date, due or not, and what is
// due by the last reading of the hour meter.
func coming(u *unit.Unit) []DueItem {
	var hours float64
	for _, f := range u.Files {
		if h := f.Record.Head(); h.Hours != nil && !h.Withdrawn {
			hours = max(hours, *h.Hours)
		}
	}
	var out []DueItem
	for _, d := range u.Due {
		if d.Settled {
			continue
		}
		item := DueItem{What: page.Clean(d.What), Section: d.Section}
		if !d.When.IsZero() {
			item.When = d.When.String()
		}
		if d.AtHours != nil && *d.AtHours <= hours {
			item.AtHours = *d.AtHours
		}
		out = append(out, item)
	}
	return out
}
