package provenance

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/refs"
)

// WriteText sets the report for paper: page one, then the rest.
func (p *Report) WriteText(w io.Writer, o page.TextOptions) error {
	o.Width = o.Columns()
	pg := &page.Text{W: w, O: o}
	t := &textReport{sheet: textSheet{pg}, p: p}
	t.front(o.Width)
	t.body()
	return pg.Err
}

// WriteInShort sets the head of page one alone: whose report it is, and the
// answers to what a buyer asks first.
func (p *Report) WriteInShort(w io.Writer, o page.TextOptions) error {
	o.Width = o.Columns()
	pg := &page.Text{W: w, O: o}
	t := &textReport{sheet: textSheet{pg}, p: p}
	t.title()
	t.facts(o.Width, p.InShort)
	return pg.Err
}

// sheet is what a report is set on: text, or a page of another kind. Lead and
// indent are columns of a text; other sheets keep the order and the words.
type sheet interface {
	Heading(s string)
	Subheading(s string)
	Para(indent int, s string)
	Item(indent int, s string)
	Hang(lead string, indent int, s string)
	Labelled(label string, indent int, lines []string)
	Table(indent int, t *page.Table)
	Line(s string)
	command(s string)                              // to be typed, or compared letter by letter
	positionMap(s MapSection)                      // what sits in each position of some sections
	readingTable(rows []ReadingRow, t *page.Table) // rows and the table that says them
	values(x TableReport)                          // the values of a table, position by position
	photo(x PhotoReport, words string)
}

// body sets everything after page one, in order.
func (t *textReport) body() {
	t.identity()
	t.received()
	t.faultWork()
	t.work()
	t.coverage()
	t.positions()
	t.readings()
	for _, c := range chapters {
		c.set(t)
	}
	t.parts()
	t.warnings()
	t.pictures()
	t.since()
	t.history()
	t.signers()
	t.closing()
}

type textReport struct {
	sheet
	p *Report
}

// heading is the report's title with what it is about.
func (p *Report) heading() string {
	title := strings.TrimSpace(Own(p.Unit.Maker) + " " + Own(p.Unit.Model))
	if title == "" {
		title = Own(p.Unit.Name)
	}
	return p.Title + ": " + title
}

// who says who reports.
func (p *Report) who() string {
	who := Own(p.Shop.Name)
	switch {
	case who == "":
		who = "The shop is not named here"
	case strings.HasPrefix(Own(p.Shop.Contact), who):
		who = Own(p.Shop.Contact)
	case p.Shop.Contact != "":
		who += ", " + Own(p.Shop.Contact)
	}
	return who + "."
}

func (t *textReport) front(width int) {
	t.title()
	t.facts(width, t.p.InShort)
	t.facts(width, t.p.PageOne)
}

func (t *textReport) title() {
	p := t.p
	t.Heading(p.heading())
	t.Para(0, p.who())
	t.Line("")
	for _, s := range p.Preamble {
		t.Para(0, s)
	}
}

func (t *textReport) facts(width int, list []Fact) {
	indent := 22
	if width < 60 {
		indent = 14
	}
	for _, f := range list {
		t.Line("")
		t.Labelled(f.Label, indent, f.Lines)
	}
}

func (t *textReport) identity() {
	id := t.p.Unit
	t.Heading("Identity")
	row := func(label, s string) {
		if s != "" {
			t.Hang(label, 22, s)
		}
	}
	row("Unit", Own(id.Name))
	row("Identity (UUID)", Own(id.UUID))
	row("Maker, model", strings.TrimSpace(Own(id.Maker)+" "+Own(id.Model)))
	row("Variant", Own(id.Variant))
	built := id.BuiltText
	if id.BuiltFrom != "" {
		built += "; going by " + page.Quote(id.BuiltFrom)
	}
	row("Built", built)
	for _, s := range id.Serials {
		v := "missing"
		if s.Value != "" {
			v = Own(s.Value) + " (" + Own(string(s.How)) + ")"
		}
		if s.Note != "" {
			v += " " + page.Says(s.Note)
		}
		row("Serial, "+Own(s.Place), v)
	}
	if len(id.Serials) == 0 {
		row("Serial", "none recorded")
	}
	if id.Hours != nil {
		row("Hour meter", fmt.Sprintf("%s on %s", plainNumber(*id.Hours), id.HoursOn))
	} else {
		row("Hour meter", "no reading recorded")
	}
	if s := t.p.State.Overhaul; s != "" {
		row("Last overhaul", "released "+s)
	} else {
		row("Last overhaul", "none recorded")
	}
	for _, b := range id.Boards {
		s := Own(b.Board)
		if b.Revision != "" {
			s += " revision " + Own(b.Revision)
		}
		if !b.Stated {
			s += " (standard)"
		}
		row("Board, "+Own(b.Sections), s)
	}
	if len(id.Differences) == 0 {
		row("Factory differences", "none recorded")
	}
	for _, d := range id.Differences {
		s := Own(d.Section) + " " + Own(d.Refs)
		if d.Absent {
			s += ": never there"
		} else if d.Part != "" {
			s += ": " + Own(d.Part)
		}
		if d.Note != "" {
			s += " " + page.Says(d.Note)
		}
		row("Factory difference", s)
	}
	if id.Note != "" {
		row("Note", page.Quote(id.Note))
	}
}

func (t *textReport) received() {
	t.Heading("As received, and as it left")
	if len(t.p.Jobs) == 0 {
		t.Para(0, "No stay at the bench is recorded.")
	}
	for i, j := range t.p.Jobs {
		title := fmt.Sprintf("Stay %d: received %s %s", i+1, j.Received, reasonWords(j.Reason))
		if j.Released != "" {
			title += ", released " + j.Released
		} else {
			title += ", not released"
		}
		t.Subheading(title)
		if j.Bench != "" {
			t.Para(2, "This stay was"+atBench(j.Bench)+", and is described as that bench recorded it.")
		}
		t.Para(2, fmt.Sprintf("As received it %s; recorded by %s.", intakeWorks(j.Works), Own(j.By)))
		switch {
		case j.LastWorking != "" && j.LastWorkingBy != "":
			t.Para(2, "Last known to work fully: "+j.LastWorking+" (said by: "+Own(j.LastWorkingBy)+").")
		case j.LastWorking != "":
			t.Para(2, "Last known to work fully: "+j.LastWorking+". Who says so is not recorded.")
		default:
			t.Para(2, "When it last worked fully is not recorded.")
		}
		if c := j.Comeback; c != nil {
			s := "It came back after the release " + Own(c.Release) + ": " + comebackWords(c.Fault) + "."
			if c.Note != "" {
				s += " " + page.Says(c.Note)
			}
			t.Para(2, s)
		}
		if j.Power != "" {
			s := "Marked on arrival: " + strings.ToLower(powerWords(j.Power))
			if j.PowerWhy != "" {
				s += ", because " + page.Quote(j.PowerWhy)
			}
			t.Para(2, s+".")
		}
		for _, f := range t.p.Faults {
			if f.Job == j.Name {
				s := "Fault " + Own(f.ID) + ": " + page.Quote(f.Symptom)
				if f.Conditions != "" {
					s += ", when: " + page.Quote(f.Conditions)
				}
				if f.Section != "" {
					s += " (" + Own(f.Section) + ")"
				}
				t.Item(2, s+".")
			}
		}
		for _, s := range j.Sections {
			text := Own(s.Name) + ": "
			if s.Condition != "" {
				text += page.Quote(s.Condition)
			} else {
				text += "condition not described"
			}
			switch s.Origin {
			case schema.OriginOriginal:
				text += "; parts taken to be the original ones"
			case schema.OriginReplaced:
				text += "; parts replaced before"
			case schema.OriginUnknown:
				text += "; nobody can say how old the parts are"
			}
			if s.Note != "" {
				text += ". " + page.Quote(s.Note)
			}
			t.Item(2, text+".")
		}
		t.quoted("Earlier work seen", j.EarlierWork)
		t.quoted("Missing", j.Missing)
		t.quoted("Came with it", j.Accessories)
		if j.UserMemory != "" && j.UserMemory != schema.MemoryNone {
			t.Para(2, "Sounds and settings stored in it: "+strings.ReplaceAll(string(j.UserMemory), "-", " ")+".")
		}
		if j.Note != "" {
			t.Para(2, page.Quote(j.Note))
		}
		if j.Released != "" {
			s := "As it left on " + j.Released + " it " + strings.ReplaceAll(intakeWorks(j.WorksReleased), "was of unknown state", "was in a state not known") + ", says " + Own(j.ReleasedBy) + "."
			if j.ReleaseNote != "" {
				s += " " + page.Says(j.ReleaseNote)
			}
			t.Para(2, s)
		}
	}
}

func (t *textReport) quoted(label string, texts []string) {
	if len(texts) == 0 {
		return
	}
	q := make([]string, len(texts))
	for i, s := range texts {
		q[i] = page.Quote(s)
	}
	t.Para(2, label+": "+strings.Join(q, "; ")+".")
}

func (t *textReport) faultWork() {
	t.Heading("Faults and what was done about them")
	if len(t.p.Faults) == 0 {
		t.Para(0, "No faults are recorded.")
	}
	for _, f := range t.p.Faults {
		t.Line("")
		t.Para(0, f.sentence())
		for _, w := range f.Work {
			t.Item(2, placesWords(w.Places)+": "+brief(w))
		}
		if len(f.Work) == 0 {
			t.Para(2, "No part line mentions it.")
		}
	}
}

// brief is a work item in a few words; the section list has the whole.
func brief(w WorkItem) string {
	s := w.Date + ", "
	if w.Found != "" {
		s += foundWords(w.Found)
		if len(w.Modes) > 0 {
			s += " (" + modeWords(w.Modes) + ")"
		}
		s += ", "
	}
	s += actionWords(w.Action)
	if w.Bench != "" {
		s += "; recorded" + atBench(w.Bench)
	}
	return s + "."
}

func (t *textReport) work() {
	t.Heading("What was found and done, section by section")
	if len(t.p.Work) == 0 {
		t.Para(0, "No work is recorded.")
		return
	}
	var order []string
	by := map[string][]WorkItem{}
	for _, w := range t.p.Work {
		s := w.Places[0].Sections
		if by[s] == nil {
			order = append(order, s)
		}
		by[s] = append(by[s], w)
	}
	slices.SortStableFunc(order, func(x, y string) int { return t.p.sectionRank(x) - t.p.sectionRank(y) })
	for _, s := range order {
		t.Subheading(page.Capital(Own(s)))
		for _, w := range by[s] {
			text := w.sentence()
			if refs := w.Places[0].Refs; refs != "" {
				text = Own(refs) + ": " + text
			}
			t.Item(2, w.Date+" "+text)
		}
	}
}

func (t *textReport) coverage() {
	c := t.p.Coverage
	t.Heading("How many parts were dealt with, family by family")
	if c.Note != "" {
		t.Para(0, c.Note)
	}
	if len(c.Families) == 0 {
		return
	}
	t.Para(0, "Counted only in sections whose list of parts is complete: "+Own(strings.Join(c.Complete, ", "))+". The counts of a line add up to its “listed”.")
	tab := &page.Table{Header: []string{"family", "listed", "worked on", "tested, left", "circuit worked", "left untested", "NOT looked at"}, Right: []int{1, 2, 3, 4, 5, 6}}
	for _, f := range c.Families {
		row := []string{Own(f.Title)}
		for _, n := range []int{f.Listed, f.Worked, f.Tested, f.InService, f.Untested, f.NotLooked} {
			row = append(row, page.Thousands(n))
		}
		tab.Rows = append(tab.Rows, row)
	}
	t.Table(0, tab)
}

func (t *textReport) positions() {
	t.Heading("Map of positions")
	if len(t.p.Map) == 0 {
		t.Para(0, "No section has a complete list of parts, so no map is drawn.")
		return
	}
	t.Para(0, "What is fitted where now, one letter for each position in the order named; only sections whose list of parts is complete. “×” and a number: the same letter that many times.")
	t.Line("")
	for _, l := range t.p.MapLegend {
		t.Hang("  "+l.Letter, 6, l.Meaning)
	}
	for _, s := range t.p.Map {
		t.Subheading(page.Capital(Own(s.Sections)))
		t.positionMap(s)
	}
}

// alike tells whether the letters of a map row are one letter many times.
func alike(letters string) bool {
	return len(letters) > 8 && strings.Count(letters, letters[:1]) == len(letters)
}

// lettersWords sets the letters of a map row in groups of five, long runs of
// one letter as a count.
func lettersWords(letters string) string {
	if alike(letters) {
		return fmt.Sprintf("%s × %d", letters[:1], len(letters))
	}
	var out []string
	for c := range slices.Chunk([]byte(letters), 5) {
		out = append(out, string(c))
	}
	return strings.Join(out, " ")
}

func (t *textReport) parts() {
	t.Heading("Parts list as it is now")
	t.Para(0, "Everything known to differ from how it left the factory. What is not listed here was not changed in any stay recorded here; whether it was changed before is not known.")
	if len(t.p.Parts) == 0 {
		t.Para(0, "Nothing is recorded.")
	}
	for _, n := range t.p.Parts {
		t.Item(0, n.sentence())
	}
}

func (t *textReport) warnings() {
	t.Heading("Warnings for the next technician")
	n := 0
	for _, w := range t.p.Warnings {
		s := page.Quote(w.Text)
		if w.Section != "" {
			s = Own(w.Section) + ": " + s
		}
		s += " " + Own(w.By) + ", " + w.Date + "."
		if w.Settled {
			s += " A later record says that this has been dealt with."
		}
		t.Item(0, s)
		n++
	}
	if n == 0 {
		t.Para(0, "None recorded.")
	}
	t.Line("")
	t.Para(0, "In any case:")
	for _, c := range t.p.Cautions {
		t.Item(0, c)
	}
}

func (t *textReport) pictures() {
	t.Heading("Photographs and files")
	if len(t.p.Photos)+len(t.p.Files) == 0 {
		t.Para(0, "None.")
	}
	for _, x := range t.p.Photos {
		s := x.File
		if x.Caption != "" {
			s += " " + page.Quote(x.Caption)
		}
		for _, d := range []struct{ format, what string }{
			{", %s", x.Section}, {", fault %s", x.Fault}, {", %s", stageWords(x.Stage)}, {", taken %s", x.Taken}, {", recorded at %s", x.Bench},
		} {
			if d.what != "" {
				s += fmt.Sprintf(d.format, Own(d.what))
			}
		}
		t.photo(x, s+".")
	}
	for _, x := range t.p.Files {
		s := x.File
		if x.Title != "" {
			s += " " + page.Quote(x.Title)
		}
		if x.Bench != "" {
			s += ", recorded" + atBench(x.Bench)
		}
		t.Item(0, s+".")
	}
}

func (t *textReport) since() {
	t.Heading("Changes of hands, and what was heard later")
	if len(t.p.Since) == 0 {
		t.Para(0, "Nothing recorded.")
	}
	for _, n := range t.p.Since {
		if n.SaidBy != "" {
			t.Item(0, newsWords(n))
			continue
		}
		s := n.Date + ": " + Own(n.Event)
		if n.Bench != "" {
			s += ", as recorded" + atBench(n.Bench)
		}
		s += "."
		for _, d := range []struct{ label, what string }{{"As it left", n.ConditionOut}, {"As it arrived", n.ConditionIn}} {
			if d.what != "" {
				s += " " + d.label + ": " + page.Quote(d.what) + "."
			}
		}
		switch n.TransitLocks {
		case schema.LocksOn, schema.LocksOff:
			s += " Transit locks " + string(n.TransitLocks) + "."
		case schema.LocksNone:
			s += " It has no transit locks."
		}
		if n.Note != "" {
			s += " " + page.Says(n.Note)
		}
		t.Item(0, s)
	}
	t.Heading("Bench notes")
	if len(t.p.Notes) == 0 {
		t.Para(0, "None.")
	}
	for _, n := range t.p.Notes {
		s := n.Date + ", " + Own(n.By)
		if n.Kind != schema.KindNote {
			s += ", with the " + Own(string(n.Kind))
		}
		if n.Title != "" {
			s += ", " + page.Quote(n.Title)
		}
		if n.Text != "" {
			s += ": " + page.Quote(n.Text)
		} else {
			s += "."
		}
		t.Item(0, s)
	}
}

func (t *textReport) history() {
	t.Heading("History")
	t.Para(0, "Every record, in order of the day it is about. Corrections are normal: each is shown here with its reason, and git keeps what was there before.")
	key := usualKey(t.p.History)
	if key != "" {
		t.Para(0, "Unless noted otherwise, a record was saved on the day it is about and signed with the key "+Own(key)+".")
	}
	t.Line("")
	for _, e := range t.p.History {
		s := e.Summary + " " + Own(e.By) + ". Record " + Own(e.File)
		if e.Withdrawn {
			s = "WITHDRAWN, counts for nothing: " + s
		}
		if e.Saved != "" && (key == "" || e.Saved != e.Date) {
			s += ", saved " + e.Saved
		}
		if e.Late {
			s += " (late entry)"
		}
		if e.Commit != "" {
			s += ", commit " + Own(shortHash(e.Commit))
		}
		switch {
		case e.SignedBy == "" && key != "":
			s += ", not signed"
		case e.SignedBy != key:
			s += ", signed by " + Own(e.SignedBy)
		}
		t.Hang(e.Date, 12, s+".")
		for _, c := range e.Corrections {
			t.Para(12, "Corrected "+c.Date+" by "+Own(c.By)+": "+page.Quote(c.Reason))
			for _, x := range c.Changes {
				t.Item(12, changeWords(x, 400))
			}
		}
	}
	if len(t.p.Identity) > 0 {
		t.Subheading("What is said of the instrument itself, corrected")
		for _, c := range t.p.Identity {
			if c.Reason == "" {
				t.Para(0, "Added where nothing was said:")
			} else {
				t.Para(0, "Corrected "+c.Date+" by "+Own(c.By)+": "+page.Quote(c.Reason))
			}
			for _, x := range c.Changes {
				t.Item(4, changeWords(x, 400))
			}
		}
	}
	if len(t.p.Crossed) > 0 {
		t.Subheading("Corrected by another shop than the one that wrote it")
		for _, c := range t.p.Crossed {
			t.Item(0, c.sentence(50, true))
		}
	}
}

// usualKey is the key that signed most of at least three records, "" for none.
func usualKey(entries []HistoryEntry) string {
	n := map[string]int{}
	for _, e := range entries {
		n[e.SignedBy]++
	}
	for k, c := range n {
		if k != "" && c >= 3 && 2*c > len(entries) {
			return k
		}
	}
	return ""
}

// shortHash is as much of a commit's name as tells it from every other of its
// history; JSON has the whole.
func shortHash(commit string) string {
	if len(commit) > 12 {
		return commit[:12]
	}
	return commit
}

func (t *textReport) signers() {
	t.Heading("Who signed, and how to check")
	switch q := t.p.Proof; {
	case q == nil && len(t.p.Signers) == 0:
		t.Para(0, "No signing key is known to this report.")
	case q != nil && q.Number != "":
		t.Para(0, "The last seal, number "+q.Number+" of "+q.On+", is signed with the key "+q.Key+".")
	}
	for _, s := range t.p.Proof.unsigned("") {
		t.Para(0, s)
	}
	for _, s := range t.p.Signers {
		text := "Key " + Own(s.Fingerprint)
		if s.Name != "" {
			text = Own(s.Name) + ", key " + Own(s.Fingerprint)
		}
		switch {
		case s.First != "" && s.Last != "":
			text += ", from " + s.First + " to " + s.Last
		case s.First != "":
			text += ", from " + s.First
		}
		if s.Note != "" {
			text += ". " + page.Quote(s.Note)
		}
		t.Item(0, text+".")
	}
	t.Line("")
	for _, v := range t.p.Verify {
		t.Para(0, v.Text)
		if v.Command != "" {
			t.command(v.Command)
		}
	}
}

func (t *textReport) closing() {
	t.Heading("What this report covers")
	for _, s := range t.p.Scope {
		t.Para(0, s)
	}
	t.Line("")
	end := "End of the report on " + Own(t.p.Unit.Name)
	if t.p.Unit.UUID != "" {
		end += ", " + Own(t.p.Unit.UUID)
	}
	t.Para(0, end+", as of "+t.p.AsOf+".")
}

// sectionRank is where the first of some sections stands in the model.
func (p *Report) sectionRank(list string) int {
	l, err := refs.ParseNames(list)
	if err == nil {
		for _, n := range l.Enumerate() {
			if i := slices.Index(p.Sections, n); i >= 0 {
				return i
			}
		}
	}
	return len(p.Sections)
}
