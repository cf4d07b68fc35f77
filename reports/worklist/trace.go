package worklist

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"benchlore/ledger"
	"benchlore/ledger/worksheet"
	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// TraceQuery says which parts are looked for. Keys that are given must all fit;
// at least one is.
type TraceQuery struct {
	Lot        string `json:"lot,omitempty"`
	Maker      string `json:"maker,omitempty"`      // in any case
	PartNumber string `json:"partNumber,omitempty"` // in any case
	Kit        string `json:"kit,omitempty"`        // name, or name/revision
}

// Trace is which units carry or carried some parts.
type Trace struct {
	Schema int         `json:"schema"`
	Query  TraceQuery  `json:"query"`
	Lot    *TraceLot   `json:"lot,omitempty"`
	Units  []TraceUnit `json:"units"`
	Fitted int         `json:"fitted"` // parts still there
	Gone   int         `json:"gone"`   // parts that were taken out again
}

// TraceLot is the lot that is looked for.
type TraceLot struct {
	Name     string `json:"name"`
	Part     string `json:"part"`
	Supplier string `json:"supplier,omitempty"`
	Date     string `json:"date"`
	Quantity int    `json:"quantity"`
	Rejected int    `json:"rejected"`
	Used     int    `json:"used"`
	Verdict  string `json:"verdict,omitempty"` // of the last notice
	What     string `json:"what,omitempty"`
	Noticed  string `json:"noticed,omitempty"`
}

// TraceUnit is one unit that has or had such parts.
type TraceUnit struct {
	Unit   string       `json:"unit"`
	Title  string       `json:"title"`
	State  string       `json:"state"`
	Since  string       `json:"since"`
	Fitted int          `json:"fitted"`
	Gone   int          `json:"gone"`
	Places []TracePlace `json:"places"`
}

// TracePlace is positions of a unit with the same story.
type TracePlace struct {
	Where  string `json:"where"`
	Count  int    `json:"count"`
	Family string `json:"family"`
	Part   string `json:"part"`
	Kit    string `json:"kit,omitempty"`
	In     string `json:"in,omitempty"`     // the day it went in; "" it was there before
	Done   string `json:"done"`             // fitted, or what a kit did
	Out    string `json:"out,omitempty"`    // the day it came out
	Found  string `json:"found,omitempty"`  // the gravest finding on it since
	Record string `json:"record,omitempty"` // the record that put it there
	Bench  string `json:"bench,omitempty"`  // whose record that is, where it is another bench's
	Fitted bool   `json:"fitted"`
}

// TraceOf looks through every unit of a ledger. A lot nobody knows is a
// *ledger.UsageError.
func TraceOf(l *ledger.Ledger, q TraceQuery) (*Trace, error) {
	stock, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	t := &Trace{Schema: 1, Query: q, Units: []TraceUnit{}}
	used := Usage{}
	known := map[string]bool{}
	if err := l.All(stock, func(_ string, u *ledger.Loaded, err error) error {
		if err == nil {
			used.Add(u.Unit)
			t.add(u.Unit, l.Today(), known)
		}
		return err
	}); err != nil {
		return nil, err
	}
	if q.Lot != "" {
		lot := stock.Lots[q.Lot]
		if lot == nil && len(t.Units) == 0 {
			e := &ledger.UsageError{What: fmt.Sprintf("there is no lot %q", q.Lot), Remedy: "see: benchlore list lots"}
			if near := schema.Nearest(q.Lot, slices.Sorted(maps.Keys(stock.Lots))); near != "" {
				e.Remedy = "did you mean " + near + "? " + e.Remedy
			}
			return nil, e
		}
		if lot != nil {
			t.Lot = traceLot(q.Lot, lot, used[q.Lot])
		}
	}
	if len(t.Units) == 0 && q.Lot == "" {
		want := cmp.Or(q.Kit, q.PartNumber, q.Maker)
		have := slices.Sorted(maps.Keys(known))
		near := schema.Nearest(want, have)
		if near != "" && !slices.ContainsFunc(have, func(s string) bool { return strings.EqualFold(s, want) }) {
			return nil, &ledger.UsageError{What: fmt.Sprintf("no record names %q", want), Remedy: fmt.Sprintf("did you mean %q?", near)}
		}
	}
	return t, nil
}

func traceLot(name string, lot *schema.Lot, used int) *TraceLot {
	out := &TraceLot{Name: name, Part: string(lot.Family), Supplier: page.Clean(lot.Supplier), Date: lot.Date.String(), Quantity: lot.Quantity, Rejected: lot.Rejected, Used: used}
	if s := partWords(&lot.Part); s != "" {
		out.Part += ", " + s
	}
	if n := len(lot.Notices); n > 0 {
		k := lot.Notices[n-1]
		out.Verdict, out.What, out.Noticed = string(k.Verdict), page.Clean(k.What), k.Date.String()
	}
	return out
}

// partWords tells a component in a few words.
func partWords(c *schema.Component) string {
	if c == nil {
		return ""
	}
	var words []string
	for _, w := range []string{string(c.Value), string(c.Rating), c.Type, c.Maker, c.PartNumber} {
		if w != "" {
			words = append(words, page.Clean(w))
		}
	}
	if c.DateCode != "" {
		words = append(words, "date code "+page.Clean(c.DateCode))
	}
	return strings.Join(words, ", ")
}

// fits reports whether a component that a kit may have brought is one that is
// looked for. What it met of the kind asked for goes into known.
func (q TraceQuery) fits(c *schema.Component, kit string, known map[string]bool) bool {
	if c == nil {
		c = &schema.Component{}
	}
	kitName, _, _ := strings.Cut(kit, "/")
	kit = strings.TrimSuffix(kit, "/")
	note := func(want string, has ...string) {
		if want != "" {
			for _, h := range has {
				if h != "" {
					known[h] = true
				}
			}
		}
	}
	note(q.Maker, c.Maker)
	note(q.PartNumber, c.PartNumber)
	note(q.Kit, kit, kitName)
	return (q.Lot == "" || c.Lot == q.Lot) &&
		(q.Maker == "" || strings.EqualFold(c.Maker, q.Maker)) &&
		(q.PartNumber == "" || strings.EqualFold(c.PartNumber, q.PartNumber)) &&
		(q.Kit == "" || kit != "" && (strings.EqualFold(kit, q.Kit) || strings.EqualFold(kitName, q.Kit)))
}

// add looks through one unit.
func (t *Trace) add(u *unit.Unit, today schema.Date, known map[string]bool) {
	positions := map[TracePlace][]*unit.Position{}
	var order []TracePlace
	bench := func(f *unit.File) string {
		if f == nil || u.Elsewhere[f.Name()] == nil {
			return ""
		}
		return cmp.Or(u.Elsewhere[f.Name()].Name, "another bench")
	}
	note := func(k TracePlace, p *unit.Position) {
		if _, ok := positions[k]; !ok {
			order = append(order, k)
		}
		positions[k] = append(positions[k], p)
	}
	for _, p := range u.Positions {
		for _, o := range p.Occupants {
			if t.Query.fits(o.Component, o.Kit, known) {
				k := TracePlace{Family: string(o.Family), Part: partWords(o.Component), Kit: strings.TrimSuffix(o.Kit, "/"), Done: "was there",
					Found: string(o.Finding()), Fitted: o.Ended.IsZero()}
				if o.Fitted != nil {
					k.Done, k.In, k.Record, k.Bench = "fitted", o.Fitted.Date.String(), o.Fitted.File.Name(), bench(o.Fitted.File)
				}
				if !k.Fitted {
					k.Out = o.Ended.String()
				}
				note(k, p)
			}
			if t.Query.Kit == "" {
				continue
			}
			for _, e := range o.Events { // what a kit did without a new part
				if e.Line.Action != schema.Replaced && e.Line.Action != schema.Fitted && e.Kit != "" && t.Query.fits(e.Line.New, e.Kit, known) {
					note(TracePlace{Family: string(o.Family), Kit: strings.TrimSuffix(e.Kit, "/"), Done: string(e.Line.Action), In: e.Date.String(),
						Record: e.File.Name(), Bench: bench(e.File), Fitted: o.Ended.IsZero()}, p)
				}
			}
		}
	}
	s := NewStatus(u, today)
	out := TraceUnit{Unit: u.Name, Title: s.Title, State: s.words(), Since: s.StateSince}
	for _, k := range order {
		ps := positions[k]
		k.Where, k.Count = placesOf(ps), len(ps)
		out.Places = append(out.Places, k)
	}
	for _, p := range u.Pools {
		for _, e := range p.Events {
			if e.Line.New == nil || !t.Query.fits(e.Line.New, e.Kit, known) || e.Line.Action != schema.Replaced && e.Line.Action != schema.Fitted {
				continue
			}
			out.Places = append(out.Places, TracePlace{Where: p.Section + ", of a pool", Count: e.Line.Count, Family: string(p.Family), Part: partWords(e.Line.New),
				In: e.Date.String(), Done: "fitted", Record: e.File.Name(), Bench: bench(e.File), Fitted: true})
		}
	}
	for _, k := range out.Places {
		if k.Done != "fitted" && k.In != "" {
			continue // a kit did something to what is there
		}
		if k.Fitted {
			out.Fitted += k.Count
		} else {
			out.Gone += k.Count
		}
	}
	if out.Places != nil {
		t.Units = append(t.Units, out)
		t.Fitted += out.Fitted
		t.Gone += out.Gone
	}
}

// words tells what is looked for.
func (q TraceQuery) words() string {
	var out []string
	for _, x := range [][2]string{{"lot", q.Lot}, {"maker", q.Maker}, {"part number", q.PartNumber}, {"kit", q.Kit}} {
		if x[1] != "" {
			out = append(out, x[0]+" "+x[1])
		}
	}
	return strings.Join(out, ", ")
}

// WriteText writes the trace, a block for each unit.
func (t *Trace) WriteText(w io.Writer, o page.TextOptions) error {
	p := &page.Text{W: w, O: o}
	if l := t.Lot; l != nil {
		if l.Verdict != "" && l.Verdict != string(schema.LotGood) {
			p.Para(0, fmt.Sprintf("%s LOT since %s: %s", strings.ToUpper(l.Verdict), o.Day(l.Noticed), l.What))
		}
		from := ""
		if l.Supplier != "" {
			from = " from " + l.Supplier
		}
		p.Para(0, o.Number(fmt.Sprintf("Lot %s: %s.", l.Name, l.Part))+fmt.Sprintf(" %d came on %s%s; %d rejected, %d used, %d left.",
			l.Quantity, o.Day(l.Date), from, l.Rejected, l.Used, l.Quantity-l.Rejected-l.Used))
	} else {
		p.Para(0, page.Capital(t.Query.words())+".")
	}
	if len(t.Units) == 0 {
		p.Para(0, "No unit has or had any.")
		return p.Err
	}
	p.Para(0, fmt.Sprintf("%s: %s still there, %s taken out again.", page.Plural(len(t.Units), "unit", "units"), page.Plural(t.Fitted, "part", "parts"), page.Thousands(t.Gone)))
	for _, u := range t.Units {
		p.Line("")
		state := strings.TrimSpace(u.State + " " + o.Day(u.Since))
		if s, silent := strings.CutSuffix(u.State, ", silent"); silent {
			state = s + " " + o.Day(u.Since) + ", silent since"
		}
		p.Bold(u.Unit + "  " + u.Title + "  (" + state + ")")
		for _, k := range u.Places {
			p.Item(2, k.words(t, o))
		}
	}
	return p.Err
}

func (k TracePlace) words(t *Trace, o page.TextOptions) string {
	s := k.Where
	if k.Count > 1 {
		s += fmt.Sprintf(" (%d)", k.Count)
	}
	what := ""
	if t.Lot == nil && k.Part != "" {
		what = ": " + o.Number(k.Part)
	}
	if k.Kit != "" {
		what += ", kit " + k.Kit
	}
	switch {
	case k.In == "":
		s += ": there before" + what
	default:
		s += ": " + k.Done + " " + o.Day(k.In) + what
	}
	if k.Bench != "" {
		s += ", at " + page.Clean(k.Bench)
	}
	switch {
	case k.Found == "":
	case k.Found == string(schema.Failed), k.Found == string(schema.Degraded):
		s += ", found " + strings.ToUpper(k.Found) + " since"
	case k.In == "" || !k.Fitted:
		s += ", found " + k.Found
	}
	if k.Out != "" {
		s += ", taken out " + o.Day(k.Out)
	} else if k.Done == "fitted" || k.In == "" {
		s += ", still there"
	}
	return s
}

// WriteCSV writes a row for each place (RFC 4180).
func (t *Trace) WriteCSV(w io.Writer) error {
	heads := []string{"unit", "state", "since", "where", "count", "family", "part", "kit", "done", "in", "out", "found", "still there", "record", "bench"}
	var rows [][]string
	for _, u := range t.Units {
		for _, k := range u.Places {
			there := "no"
			if k.Fitted {
				there = "yes"
			}
			rows = append(rows, []string{u.Unit, u.State, u.Since, k.Where, fmt.Sprint(k.Count), k.Family, k.Part, k.Kit, k.Done, k.In, k.Out, k.Found, there, k.Record, k.Bench})
		}
	}
	return worksheet.WriteCSV(w, heads, rows)
}
