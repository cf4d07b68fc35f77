package worklist

import (
	"cmp"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"

	"benchlore/ledger"
	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// Checklist is what is missing before a unit can leave the bench. Must is what
// close refuses, and what the release has to settle; Should is what a buyer or
// the next technician would ask for.
type Checklist struct {
	Schema   int             `json:"schema"`
	Unit     string          `json:"unit"`
	Title    string          `json:"title"`
	Job      string          `json:"job"` // the intake; "" where every job is closed
	Since    string          `json:"since,omitempty"`
	Reason   string          `json:"reason,omitempty"`
	Released string          `json:"released,omitempty"` // the day, where only the close is missing
	Power    string          `json:"power"`
	PowerWhy string          `json:"powerWhy,omitempty"`
	Must     []ChecklistItem `json:"must"`
	Should   []ChecklistItem `json:"should"`
}

// ChecklistItem is one thing that is missing.
type ChecklistItem struct {
	Topic string `json:"topic"` // record, private, fault, pending, power, coverage, reading, safety, soak, photograph, calibration, due, mains, shop
	Text  string `json:"text"`
	Write string `json:"write,omitempty"` // what settles it
}

// ChecklistInput is what a checklist is made from.
type ChecklistInput struct {
	Unit     *unit.Unit
	Shop     *schema.Shop
	Today    schema.Date
	Closed   bool             // nothing of the last job is left to be closed
	Problems []schema.Problem // what check says of the unit
	Findings []ledger.Finding // what looks private in what would travel
	Unsaved  []string         // files edited by hand and not saved
}

// ChecklistOf reads a unit and what a close would say of it.
func ChecklistOf(l *ledger.Ledger, name string) (*Checklist, error) {
	stock, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	u, err := l.Unit(name, stock)
	if err != nil {
		return nil, err
	}
	in := ChecklistInput{Unit: u.Unit, Shop: l.Shop, Today: l.Today(), Problems: u.Problems}
	r, unsaved, err := l.ReviewUnsaved(name, stock)
	if err != nil {
		return nil, err
	}
	in.Unsaved = unsaved
	if r != nil {
		in.Problems, in.Findings = r.Problems, r.Findings
		in.Closed = !r.Open && len(r.Files) == 0
	}
	return NewChecklist(in), nil
}

// NewChecklist makes a checklist of the last job of a unit.
func NewChecklist(in ChecklistInput) *Checklist {
	u := in.Unit
	c := &Checklist{Schema: 1, Unit: u.Name, Title: page.Clean(u.Instrument.Maker + " " + u.Instrument.Model),
		Must: []ChecklistItem{}, Should: []ChecklistItem{}}
	power, why, _ := u.Power()
	c.Power, c.PowerWhy = string(power), why
	b := &checklist{in: in, u: u, c: c}
	for _, f := range in.Unsaved {
		b.must("record", path.Base(f)+" was edited by hand and is not saved", "benchlore save")
	}
	if !in.Closed && len(u.Jobs) > 0 {
		b.job = u.Jobs[len(u.Jobs)-1]
	}
	b.records()
	for _, f := range in.Findings {
		b.must("private", fmt.Sprintf("%s:%d: %s: %s", path.Base(f.File), f.Line, f.What, page.Quote(f.Text)), "take it out, or close with --allow "+f.Key)
	}
	if b.job == nil {
		return c
	}
	intake := b.job.IntakeRecord()
	c.Job, c.Since, c.Reason = b.job.Name(), intake.Date.String(), string(intake.Reason)
	if r := b.job.ReleaseRecord(); r != nil {
		c.Released = r.Date.String()
	}
	b.work()
	b.faults()
	b.pending()
	b.power(power, why)
	b.coverage()
	b.readings()
	b.safety()
	b.soak()
	b.photos()
	b.calibration()
	b.due()
	b.mains()
	b.contact()
	return c
}

// records names the errors in the files, and the warnings on those of the job.
// Lines of one record with the same warning are one item.
func (b *checklist) records() {
	type kind struct{ file, message, write string }
	doubtful := map[kind][]schema.Problem{}
	var kinds []kind
	for _, p := range b.in.Problems {
		ofJob := b.job != nil && slices.ContainsFunc(b.job.Files, func(f *unit.File) bool { return f.Path == p.File })
		if p.Severity >= schema.Wrong {
			b.must("record", placeOf(p)+": "+p.Message, p.Write)
		} else if ofJob {
			k := kind{p.File, quotedWords.ReplaceAllString(p.Message, `""`), p.Write}
			if doubtful[k] == nil {
				kinds = append(kinds, k)
			}
			doubtful[k] = append(doubtful[k], p)
		}
	}
	for _, k := range kinds {
		all := doubtful[k]
		text := placeOf(all[0]) + ": " + all[0].Message
		if n := len(all) - 1; n > 0 {
			text += fmt.Sprintf("; the same in %s", page.Plural(n, "more line", "more lines"))
		}
		b.should("record", text, k.write)
	}
}

var quotedWords = pattern.New(`"[^"]*"`)

// placeOf is where a problem stands: its file, and its line where it has one.
func placeOf(p schema.Problem) string {
	where := path.Base(p.File)
	if p.Line > 0 {
		where += fmt.Sprintf(":%d", p.Line)
	}
	return where
}

type checklist struct {
	in   ChecklistInput
	u    *unit.Unit
	c    *Checklist
	job  *unit.Job      // nil: every job is closed
	last int            // index of the job's file with the last work; -1: none
	at   map[string]int // the same by section
	deal map[string]bool
}

func (b *checklist) must(topic, text, write string) {
	b.c.Must = append(b.c.Must, ChecklistItem{topic, page.Clean(text), page.Clean(write)})
}

func (b *checklist) should(topic, text, write string) {
	b.c.Should = append(b.c.Should, ChecklistItem{topic, page.Clean(text), page.Clean(write)})
}

// index is the place of a record in the order of the job, -1 where it is of
// another.
func (b *checklist) index(f *unit.File) int { return slices.Index(b.job.Files, f) }

// day is the day of a record of the job.
func (b *checklist) day(i int) schema.Date { return b.job.Files[i].Record.Head().Date }

// work finds where and when something was last done, and which sections the
// job is about.
func (b *checklist) work() {
	b.last, b.at, b.deal = -1, map[string]int{}, map[string]bool{}
	note := func(section string, e *unit.Event) {
		if e.Job != b.job {
			return
		}
		b.deal[section] = true
		if !worked(e.Line.Action) {
			return
		}
		i := b.index(e.File)
		b.last = max(b.last, i)
		if at, ok := b.at[section]; !ok || i > at {
			b.at[section] = i
		}
	}
	for _, p := range b.u.Positions {
		for _, o := range p.Occupants {
			for _, e := range o.Events {
				note(p.Section, e)
			}
			if o.Fitted != nil {
				note(p.Section, o.Fitted)
			}
		}
	}
	for _, p := range b.u.Pools {
		for _, e := range p.Events {
			note(p.Section, e)
		}
	}
	for _, f := range b.job.Faults {
		if names, err := refs.ParseNames(f.Section); err == nil && f.Section != "" {
			for _, n := range names.Enumerate() {
				b.deal[n] = true
			}
		}
	}
}

// worked reports whether a line did something, rather than look or put off.
func worked(a schema.Action) bool { return a != schema.Left && a != schema.Pending }

// whole reports whether the job is about all of the unit rather than about
// what failed.
func (b *checklist) whole() bool {
	switch b.job.IntakeRecord().Reason {
	case schema.ReasonRepair, schema.ReasonComeback:
		return false
	}
	return true
}

func (b *checklist) faults() {
	for _, f := range b.job.Faults {
		if f.State != schema.FaultOpen {
			continue
		}
		name := f.ID + " (" + f.Symptom + ")"
		switch {
		case !b.job.Open():
			b.should("fault", "fault "+name+" is still open at the release", "say so to the owner; a repair would be a job of its own")
		case !slices.ContainsFunc(f.Cured, func(e *unit.Event) bool { return worked(e.Line.Action) }):
			b.must("fault", "fault "+name+" is open, and no part line cures it",
				"benchlore part ... "+f.ID+", or a release that says "+f.ID+" is not-reproduced, accepted, declined or open")
		}
	}
}

func (b *checklist) pending() {
	if !b.job.Open() {
		return // the problems of the release name them
	}
	var waiting []*unit.Position
	for _, p := range b.u.Positions {
		o := p.Current()
		if o == nil || len(o.Events) == 0 {
			continue
		}
		if e := o.Events[len(o.Events)-1]; e.Line.Action == schema.Pending && e.Job == b.job {
			waiting = append(waiting, p)
		}
	}
	if waiting != nil {
		b.must("pending", "parts still pending: "+unit.List(waiting), "a line that finishes each; what stays as it is is left")
	}
	for _, p := range b.u.Pools {
		if n := len(p.Events); n > 0 && p.Events[n-1].Line.Action == schema.Pending && p.Events[n-1].Job == b.job {
			b.should("pending", fmt.Sprintf("%s: %d of %s still pending", p.Section, p.Events[n-1].Line.Count, p.Family), "a line that finishes them")
		}
	}
}

func (b *checklist) power(p schema.Power, why string) {
	if why != "" {
		why = " (" + why + ")"
	}
	switch p {
	case schema.PowerForbidden:
		b.should("power", "DO NOT POWER is still set"+why, "--power normal on the record that lifts it")
	case schema.PowerLimited:
		b.should("power", "power is still limited"+why, "--power normal on the record that lifts it")
	}
}

// coverage names what nobody looked at in sections whose list of parts is
// complete: all of them, or those a repair is about.
func (b *checklist) coverage() {
	type gap struct{ listed, left int }
	bySection := map[string]*gap{}
	refsOf := map[string][]refs.Ref{}
	var order []string
	for _, p := range b.u.Positions {
		if !p.Complete || !p.InModel || !b.whole() && !b.deal[p.Section] {
			continue
		}
		g := bySection[p.Section]
		if g == nil {
			g = &gap{}
			bySection[p.Section] = g
			order = append(order, p.Section)
		}
		g.listed++
		seen := slices.ContainsFunc(p.Occupants, func(o *unit.Occupant) bool {
			return slices.ContainsFunc(o.Events, func(e *unit.Event) bool { return e.Job == b.job }) || o.Fitted != nil && o.Fitted.Job == b.job
		})
		if !seen {
			g.left++
			refsOf[p.Section] = append(refsOf[p.Section], p.Ref)
		}
	}
	// Sections with the same gap share a line.
	alike := map[string][]string{}
	var texts []string
	for _, s := range order {
		g := bySection[s]
		if g.left == 0 {
			continue
		}
		text := fmt.Sprintf("%d of %s not looked at in this job: %s", g.left, page.Plural(g.listed, "part", "parts"), clip(refs.Compact(refsOf[s]), 120))
		if g.left == g.listed {
			text = fmt.Sprintf("none of its %s was looked at in this job", page.Plural(g.listed, "part", "parts"))
			if g.listed == 1 {
				text = "its one part was not looked at in this job"
			}
		}
		if alike[text] == nil {
			texts = append(texts, text)
		}
		alike[text] = append(alike[text], s)
	}
	for _, text := range texts {
		each := ""
		if len(alike[text]) > 1 {
			each = "in each, "
		}
		b.should("coverage", page.CompactNames(alike[text])+": "+each+text, "")
	}
}

// clip shortens a text at a blank.
func clip(s string, most int) string {
	if r := []rune(s); len(r) > most {
		s = string(r[:most])
		if i := strings.LastIndexByte(s, ' '); i > 0 {
			s = s[:i]
		}
		return strings.TrimRight(s, ",; ") + " ..."
	}
	return s
}

// readings names the model's limits that no reading as left is held against,
// or only one from before the last work.
func (b *checklist) readings() {
	type spot struct{ point, section string }
	left := map[spot]int{}        // the record with the last reading as left
	measured := map[string]bool{} // points of the job, at any stage
	note := func(i int, point, section string, stage schema.Stage) {
		measured[strings.ToLower(point)] = true
		if stage == schema.AsLeft {
			left[spot{strings.ToLower(point), section}] = i
			left[spot{strings.ToLower(point), ""}] = i
		}
	}
	for i, f := range b.job.Files {
		m, ok := f.Record.(*schema.Measurements)
		if !ok {
			continue
		}
		for _, r := range m.Readings {
			note(i, r.Point, r.Section, r.Stage)
		}
		for _, t := range m.Tables {
			note(i, t.Point, t.Section, t.Stage)
		}
	}
	type lack struct {
		point string
		stale bool
	}
	var order []lack
	sections := map[lack][]string{}
	done := map[spot]bool{}
	for _, l := range b.u.Model.Limits {
		names := []string{""}
		if list, err := refs.ParseNames(string(l.Section)); err == nil && l.Section != "" {
			names = list.Enumerate()
		}
		for _, n := range names {
			s := b.u.Section(n)
			if n != "" && (s == nil || l.Revision != "" && s.Revision != l.Revision) {
				continue
			}
			at := spot{strings.ToLower(l.Point), n}
			if done[at] || !b.whole() && !b.deal[n] && !(n == "" && measured[at.point]) {
				continue
			}
			done[at] = true
			i, ok := left[at]
			work, worked := b.at[n]
			if n == "" {
				work, worked = b.last, b.last >= 0
			}
			if ok && !(worked && i < work) {
				continue
			}
			k := lack{l.Point, ok}
			if sections[k] == nil {
				order = append(order, k)
			}
			sections[k] = append(sections[k], n)
		}
	}
	for _, k := range order {
		where := ""
		if names := slices.DeleteFunc(sections[k], func(s string) bool { return s == "" }); len(names) > 0 {
			where = " (" + page.CompactNames(names) + ")"
		}
		text := "no reading as left of " + k.point + where + ", which has a limit"
		if k.stale {
			text = "the reading as left of " + k.point + where + " is from before the last work there"
		}
		b.should("reading", text, "")
	}
}

func (b *checklist) safety() {
	at := -1
	latest := map[string]schema.SafetyCheck{}
	var names []string
	for i, f := range b.job.Files {
		r, ok := f.Record.(*schema.Safety)
		if !ok {
			continue
		}
		at = i
		for _, k := range r.Checks {
			if _, ok := latest[k.Name]; !ok {
				names = append(names, k.Name)
			}
			latest[k.Name] = k
		}
	}
	switch {
	case at < 0:
		b.should("safety", "no safety checks in this job: the report will say NOT SAFETY TESTED", "benchlore record safety")
		return
	case at < b.last:
		b.should("safety", fmt.Sprintf("the safety checks of %s are from before the last work (%s)", b.day(at), b.day(b.last)), "benchlore record safety")
	}
	for _, n := range names {
		k := latest[n]
		switch {
		case k.Result == schema.CheckNotDone:
			b.should("safety", fmt.Sprintf("safety check %s was not done: %s", page.Quote(n), k.Why), "")
		case safetyFailed(k):
			b.should("safety", "safety check "+page.Quote(n)+" did not pass", "")
		}
	}
}

// safetyFailed reports whether a check that was made did not pass, by
// inspection or by the shop's own limit.
func safetyFailed(k schema.SafetyCheck) bool {
	if k.Result != schema.CheckDone {
		return false
	}
	if k.Passed != nil && !*k.Passed {
		return true
	}
	v, ok := k.Value.Parse()
	return ok && (&unit.Limit{Low: k.Low, High: k.High}).Judge(v, nil) == unit.Outside
}

func (b *checklist) soak() {
	at := -1
	for i, f := range b.job.Files {
		if _, ok := f.Record.(*schema.Soak); ok {
			at = i
		}
	}
	switch {
	case b.last < 0:
	case at < 0:
		b.should("soak", "no soak in this job", "benchlore record soak --duration \"24 h\"")
	case at < b.last:
		b.should("soak", fmt.Sprintf("no soak since the last work (%s); the last one was on %s", b.day(b.last), b.day(at)), "benchlore record soak --duration \"24 h\"")
	}
}

func (b *checklist) photos() {
	n, left := 0, 0
	for _, f := range b.job.Files {
		for _, p := range f.Record.Head().Photos {
			n++
			if p.Stage == schema.AsLeft || p.Stage == "" && f.Record.Head().Kind == schema.KindRelease {
				left++
			}
		}
	}
	switch {
	case n == 0:
		b.should("photograph", "no photograph in this job", "benchlore photo FILE")
	case left == 0:
		b.should("photograph", "no photograph as left", "benchlore photo FILE --stage as-left")
	}
}

// calibration names test instruments whose last calibration has run out.
func (b *checklist) calibration() {
	used := map[string]bool{}
	for _, f := range b.job.Files {
		switch r := f.Record.(type) {
		case *schema.Measurements:
			for _, m := range r.Readings {
				used[m.With] = true
			}
			for _, t := range r.Tables {
				used[t.With] = true
			}
		case *schema.Safety:
			for _, k := range r.Checks {
				used[k.With] = true
			}
		}
	}
	for _, t := range b.in.Shop.TestInstruments {
		var due schema.Date
		for _, k := range t.Calibrations {
			if k.Due.After(due.Day) {
				due = k.Due
			}
		}
		if due.IsZero() || !due.Before(b.in.Today.Day) {
			continue
		}
		text := fmt.Sprintf("%s (%s) is past its calibration date, %s", t.ID, t.Name, due)
		if used[t.ID] {
			text += "; it was used in this job"
		}
		b.should("calibration", text, "")
	}
}

func (b *checklist) due() {
	for _, d := range dueBy(b.u, b.in.Today) {
		b.should("due", d.words(page.TextOptions{}), "the work, and settles on the record that did it")
	}
}

func (b *checklist) mains() {
	if r := b.job.ReleaseRecord(); r != nil && b.u.Instrument.Mains != nil && (r.Mains == "" || r.Fuse == "") {
		b.should("mains", "the release does not say which mains setting and fuse the unit leaves with", "mains and fuse in the release")
	}
}

// contact asks for the contact that the report gives under "who to ask".
func (b *checklist) contact() {
	if b.in.Shop.Contact == "" {
		b.should("shop", "the report will name the shop but not how to reach it", "contact in shop.toml")
	}
}

// OK reports whether a close would find nothing to refuse.
func (c *Checklist) OK() bool { return len(c.Must) == 0 }

// WriteText writes the checklist as text.
func (c *Checklist) WriteText(w io.Writer, o page.TextOptions) error {
	p := &page.Text{W: w, O: o}
	switch schema.Power(c.Power) {
	case schema.PowerForbidden:
		p.Para(0, "DO NOT POWER: "+cmp.Or(c.PowerWhy, "no reason recorded"))
	case schema.PowerLimited:
		p.Para(0, "Power limited: "+cmp.Or(c.PowerWhy, "no reason recorded"))
	}
	p.Bold(strings.TrimSpace(c.Unit + "  " + c.Title))
	switch {
	case c.Job == "" && len(c.Must)+len(c.Should) == 0:
		p.Para(0, "Everything is closed: nothing is missing.")
		return p.Err
	case c.Job == "":
	case c.Released != "":
		p.Para(0, fmt.Sprintf("%s since %s, released %s, not closed.", page.Capital(c.Reason), o.Day(c.Since), o.Day(c.Released)))
	default:
		p.Para(0, fmt.Sprintf("%s since %s, not released.", page.Capital(c.Reason), o.Day(c.Since)))
	}
	for _, g := range []struct {
		title string
		items []ChecklistItem
	}{{"Must: close refuses it, or the release has to settle it", c.Must}, {"Should: worth doing first", c.Should}} {
		if len(g.items) == 0 {
			continue
		}
		p.Subheading(g.title)
		for _, i := range g.items {
			text := o.Days(i.Text)
			if i.Write != "" {
				text += " => " + i.Write
			}
			p.Hang("  [ ]", 6, text)
		}
	}
	if len(c.Must) == 0 && c.Job != "" {
		p.Line("")
		next := "Ready to be released: benchlore record release"
		if c.Released != "" {
			next = "Ready to be closed: benchlore close"
		}
		p.Para(0, next)
	}
	return p.Err
}
