package reports

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/refs"
)

// WriteText sets the report for paper: page one, then what stands behind it.
func (p *Provenance) WriteText(w io.Writer, o TextOptions) error {
	o.Width = o.width()
	pg := &page{w: w, o: o}
	t := &provenanceText{sheet: textSheet{pg}, p: p}
	t.front(o.Width)
	t.body()
	return pg.err
}

// WriteInShort sets the head of page one alone: whose report it is, and the
// answers to what a buyer asks first.
func (p *Provenance) WriteInShort(w io.Writer, o TextOptions) error {
	o.Width = o.width()
	pg := &page{w: w, o: o}
	t := &provenanceText{sheet: textSheet{pg}, p: p}
	t.title()
	t.facts(o.Width, p.InShort)
	return pg.err
}

// sheet is what a report is set on: text, or a page of another kind. Lead and
// indent are columns of a text; other sheets keep the order and the words.
type sheet interface {
	heading(s string)
	subheading(s string)
	para(indent int, s string)
	item(indent int, s string)
	hang(lead string, indent int, s string)
	labelled(label string, indent int, lines []string)
	table(indent int, t *textTable)
	line(s string)
	command(s string)                             // to be typed, or compared letter by letter
	positionMap(s MapSection)                     // what sits in each position of some sections
	readingTable(rows []ReadingRow, t *textTable) // rows and the table that says them
	values(x TableReport)                         // the values of a table, position by position
	photo(x PhotoReport, words string)
}

// body sets everything behind page one, in order.
func (t *provenanceText) body() {
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

type provenanceText struct {
	sheet
	p *Provenance
}

// heading is the report's title with what it is about.
func (p *Provenance) heading() string {
	title := strings.TrimSpace(own(p.Unit.Maker) + " " + own(p.Unit.Model))
	if title == "" {
		title = own(p.Unit.Name)
	}
	return p.Title + ": " + title
}

// who says who reports.
func (p *Provenance) who() string {
	who := own(p.Shop.Name)
	switch {
	case who == "":
		who = "The shop is not named here"
	case strings.HasPrefix(own(p.Shop.Contact), who):
		who = own(p.Shop.Contact)
	case p.Shop.Contact != "":
		who += ", " + own(p.Shop.Contact)
	}
	return who + "."
}

func (t *provenanceText) front(width int) {
	t.title()
	t.facts(width, t.p.InShort)
	t.facts(width, t.p.PageOne)
}

func (t *provenanceText) title() {
	p := t.p
	t.heading(p.heading())
	t.para(0, p.who())
	t.line("")
	for _, s := range p.Preamble {
		t.para(0, s)
	}
}

func (t *provenanceText) facts(width int, list []Fact) {
	indent := 22
	if width < 60 {
		indent = 14
	}
	for _, f := range list {
		t.line("")
		t.labelled(f.Label, indent, f.Lines)
	}
}

func (t *provenanceText) identity() {
	id := t.p.Unit
	t.heading("Identity")
	row := func(label, s string) {
		if s != "" {
			t.hang(label, 22, s)
		}
	}
	row("Unit", own(id.Name))
	row("Identity (UUID)", own(id.UUID))
	row("Maker, model", strings.TrimSpace(own(id.Maker)+" "+own(id.Model)))
	row("Variant", own(id.Variant))
	built := id.BuiltText
	if id.BuiltFrom != "" {
		built += "; going by " + quote(id.BuiltFrom)
	}
	row("Built", built)
	for _, s := range id.Serials {
		v := "missing"
		if s.Value != "" {
			v = own(s.Value) + " (" + own(s.How) + ")"
		}
		if s.Note != "" {
			v += " " + says(s.Note)
		}
		row("Serial, "+own(s.Place), v)
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
		s := own(b.Board)
		if b.Revision != "" {
			s += " revision " + own(b.Revision)
		}
		if !b.Stated {
			s += " (as the model usually has it)"
		}
		row("Board, "+own(b.Sections), s)
	}
	if len(id.Differences) == 0 {
		row("Factory differences", "none recorded")
	}
	for _, d := range id.Differences {
		s := own(d.Section) + " " + own(d.Refs)
		if d.Absent {
			s += ": never there"
		} else if d.Part != "" {
			s += ": " + own(d.Part)
		}
		if d.Note != "" {
			s += " " + says(d.Note)
		}
		row("Factory difference", s)
	}
	if id.Note != "" {
		row("Note", quote(id.Note))
	}
}

func (t *provenanceText) received() {
	t.heading("As received, and as it left")
	if len(t.p.Jobs) == 0 {
		t.para(0, "No stay at the bench is recorded.")
	}
	for i, j := range t.p.Jobs {
		title := fmt.Sprintf("Stay %d: received %s %s", i+1, j.Received, reasonWords(j.Reason))
		if j.Released != "" {
			title += ", released " + j.Released
		} else {
			title += ", not released"
		}
		t.subheading(title)
		if j.Bench != "" {
			t.para(2, "This stay was"+atBench(j.Bench)+", and is told as that bench recorded it.")
		}
		t.para(2, fmt.Sprintf("As received it %s; recorded by %s.", intakeWorks(j.Works), own(j.By)))
		switch {
		case j.LastWorking != "" && j.LastWorkingBy != "":
			t.para(2, "Last known to work fully: "+j.LastWorking+" (said by: "+own(j.LastWorkingBy)+").")
		case j.LastWorking != "":
			t.para(2, "Last known to work fully: "+j.LastWorking+". Who says so is not recorded.")
		default:
			t.para(2, "When it last worked fully is not recorded.")
		}
		if c := j.Comeback; c != nil {
			s := "It came back after the release " + own(c.Release) + ": " + comebackWords(c.Fault) + "."
			if c.Note != "" {
				s += " " + says(c.Note)
			}
			t.para(2, s)
		}
		if j.Power != "" {
			s := "Marked on arrival: " + strings.ToLower(powerWords(j.Power))
			if j.PowerWhy != "" {
				s += ", because " + quote(j.PowerWhy)
			}
			t.para(2, s+".")
		}
		for _, f := range t.p.Faults {
			if f.Job == j.Name {
				s := "Fault " + own(f.ID) + ": " + quote(f.Symptom)
				if f.Conditions != "" {
					s += ", when: " + quote(f.Conditions)
				}
				if f.Section != "" {
					s += " (" + own(f.Section) + ")"
				}
				t.item(2, s+".")
			}
		}
		for _, s := range j.Sections {
			text := own(s.Name) + ": "
			if s.Condition != "" {
				text += quote(s.Condition)
			} else {
				text += "condition not described"
			}
			switch schema.Origin(s.Origin) {
			case schema.OriginOriginal:
				text += "; parts taken to be the original ones"
			case schema.OriginReplaced:
				text += "; parts replaced before"
			case schema.OriginUnknown:
				text += "; nobody can say how old the parts are"
			}
			if s.Note != "" {
				text += ". " + quote(s.Note)
			}
			t.item(2, text+".")
		}
		t.quoted("Earlier work seen", j.EarlierWork)
		t.quoted("Missing", j.Missing)
		t.quoted("Came with it", j.Accessories)
		if j.UserMemory != "" && j.UserMemory != "none" {
			t.para(2, "Sounds and settings stored in it: "+strings.ReplaceAll(j.UserMemory, "-", " ")+".")
		}
		if j.Note != "" {
			t.para(2, quote(j.Note))
		}
		if j.Released != "" {
			s := "As it left on " + j.Released + " it " + strings.ReplaceAll(intakeWorks(j.WorksReleased), "was of unknown state", "was in a state not known") + ", says " + own(j.ReleasedBy) + "."
			if j.ReleaseNote != "" {
				s += " " + says(j.ReleaseNote)
			}
			t.para(2, s)
		}
	}
}

func (t *provenanceText) quoted(label string, texts []string) {
	if len(texts) == 0 {
		return
	}
	q := make([]string, len(texts))
	for i, s := range texts {
		q[i] = quote(s)
	}
	t.para(2, label+": "+strings.Join(q, "; ")+".")
}

func (t *provenanceText) faultWork() {
	t.heading("Faults and what was done about them")
	if len(t.p.Faults) == 0 {
		t.para(0, "No faults are recorded.")
	}
	for _, f := range t.p.Faults {
		t.line("")
		t.para(0, f.sentence())
		for _, w := range f.Work {
			t.item(2, placesWords(w.Places)+": "+brief(w))
		}
		if len(f.Work) == 0 {
			t.para(2, "No part line names it.")
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

func (t *provenanceText) work() {
	t.heading("What was found and done, section by section")
	if len(t.p.Work) == 0 {
		t.para(0, "No work is recorded.")
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
		t.subheading(capital(own(s)))
		for _, w := range by[s] {
			text := w.sentence()
			if refs := w.Places[0].Refs; refs != "" {
				text = own(refs) + ": " + text
			}
			t.item(2, w.Date+" "+text)
		}
	}
}

func (t *provenanceText) coverage() {
	c := t.p.Coverage
	t.heading("How much was dealt with, family by family")
	if c.Note != "" {
		t.para(0, c.Note)
	}
	if len(c.Families) == 0 {
		return
	}
	t.para(0, "Counted only in sections whose list of parts is complete: "+own(strings.Join(c.Complete, ", "))+". The counts of a line add up to its “listed”.")
	tab := &textTable{header: []string{"family", "listed", "worked on", "tested, left", "circuit worked", "left untested", "NOT looked at"}, right: []int{1, 2, 3, 4, 5, 6}}
	for _, f := range c.Families {
		row := []string{own(f.Title)}
		for _, n := range []int{f.Listed, f.Worked, f.Tested, f.InService, f.Untested, f.NotLooked} {
			row = append(row, thousands(n))
		}
		tab.rows = append(tab.rows, row)
	}
	t.table(0, tab)
}

func (t *provenanceText) positions() {
	t.heading("Map of positions")
	if len(t.p.Map) == 0 {
		t.para(0, "No section has a complete list of parts, so no map is drawn.")
		return
	}
	t.para(0, "What sits where now, one letter for each position in the order named; only sections whose list of parts is complete. “×” stands for the same letter so many times.")
	t.line("")
	for _, l := range t.p.MapLegend {
		t.hang("  "+l.Letter, 6, l.Meaning)
	}
	for _, s := range t.p.Map {
		t.subheading(capital(own(s.Sections)))
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

func (t *provenanceText) parts() {
	t.heading("Parts list as it is now")
	t.para(0, "Everything that is known not to be as it left the factory. What is not listed here was not changed in any stay recorded here; whether it was changed before is not known.")
	if len(t.p.Parts) == 0 {
		t.para(0, "Nothing is recorded.")
	}
	for _, n := range t.p.Parts {
		t.item(0, n.sentence())
	}
}

func (t *provenanceText) warnings() {
	t.heading("Warnings for the next technician")
	n := 0
	for _, w := range t.p.Warnings {
		s := quote(w.Text)
		if w.Section != "" {
			s = own(w.Section) + ": " + s
		}
		s += " " + own(w.By) + ", " + w.Date + "."
		if w.Settled {
			s += " A later record says that this is dealt with."
		}
		t.item(0, s)
		n++
	}
	if n == 0 {
		t.para(0, "None recorded.")
	}
	t.line("")
	t.para(0, "In any case:")
	for _, c := range t.p.Cautions {
		t.item(0, c)
	}
}

func (t *provenanceText) pictures() {
	t.heading("Photographs and files")
	if len(t.p.Photos)+len(t.p.Files) == 0 {
		t.para(0, "None.")
	}
	for _, x := range t.p.Photos {
		s := x.File
		if x.Caption != "" {
			s += " " + quote(x.Caption)
		}
		for _, d := range []struct{ format, what string }{
			{", %s", x.Section}, {", fault %s", x.Fault}, {", %s", stageWords(x.Stage)}, {", taken %s", x.Taken}, {", recorded at %s", x.Bench},
		} {
			if d.what != "" {
				s += fmt.Sprintf(d.format, own(d.what))
			}
		}
		t.photo(x, s+".")
	}
	for _, x := range t.p.Files {
		s := x.File
		if x.Title != "" {
			s += " " + quote(x.Title)
		}
		if x.Bench != "" {
			s += ", recorded" + atBench(x.Bench)
		}
		t.item(0, s+".")
	}
}

func (t *provenanceText) since() {
	t.heading("Changes of hands, and what was heard later")
	if len(t.p.Since) == 0 {
		t.para(0, "Nothing recorded.")
	}
	for _, n := range t.p.Since {
		if n.SaidBy != "" {
			t.item(0, newsWords(n))
			continue
		}
		s := n.Date + ": " + own(n.Event)
		if n.Bench != "" {
			s += ", as recorded" + atBench(n.Bench)
		}
		s += "."
		for _, d := range []struct{ label, what string }{{"As it left", n.ConditionOut}, {"As it arrived", n.ConditionIn}} {
			if d.what != "" {
				s += " " + d.label + ": " + quote(d.what) + "."
			}
		}
		switch n.TransitLocks {
		case "on", "off":
			s += " Transit locks " + n.TransitLocks + "."
		case "none":
			s += " It has no transit locks."
		}
		if n.Note != "" {
			s += " " + says(n.Note)
		}
		t.item(0, s)
	}
	t.heading("Bench notes")
	if len(t.p.Notes) == 0 {
		t.para(0, "None.")
	}
	for _, n := range t.p.Notes {
		s := n.Date + ", " + own(n.By)
		if n.Kind != string(schema.KindNote) {
			s += ", with the " + own(n.Kind)
		}
		if n.Title != "" {
			s += ", " + quote(n.Title)
		}
		if n.Text != "" {
			s += ": " + quote(n.Text)
		} else {
			s += "."
		}
		t.item(0, s)
	}
}

func (t *provenanceText) history() {
	t.heading("History")
	t.para(0, "Every record, in order of the day it tells of. A correction is a normal thing: it stands here with its reason, and git keeps what was there before.")
	key := usualKey(t.p.History)
	if key != "" {
		t.para(0, "Unless something else is said, a record was saved on the day it tells of and signed with the key "+own(key)+".")
	}
	t.line("")
	for _, e := range t.p.History {
		s := e.Summary + " " + own(e.By) + ". Record " + own(e.File)
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
			s += ", commit " + own(shortHash(e.Commit))
		}
		switch {
		case e.SignedBy == "" && key != "":
			s += ", not signed"
		case e.SignedBy != key:
			s += ", signed by " + own(e.SignedBy)
		}
		t.hang(e.Date, 12, s+".")
		for _, c := range e.Corrections {
			t.para(12, "Corrected "+c.Date+" by "+own(c.By)+": "+quote(c.Reason))
			for _, x := range c.Changes {
				t.item(12, changeWords(x, 400))
			}
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

func (t *provenanceText) signers() {
	t.heading("Who signed, and how to check")
	if len(t.p.Signers) == 0 {
		t.para(0, "No signing key is known to this report.")
	}
	for _, s := range t.p.Signers {
		text := "Key " + own(s.Fingerprint)
		if s.Name != "" {
			text = own(s.Name) + ", key " + own(s.Fingerprint)
		}
		switch {
		case s.First != "" && s.Last != "":
			text += ", from " + s.First + " to " + s.Last
		case s.First != "":
			text += ", from " + s.First
		}
		if s.Note != "" {
			text += ". " + quote(s.Note)
		}
		t.item(0, text+".")
	}
	t.line("")
	for _, v := range t.p.Verify {
		t.para(0, v.Text)
		if v.Command != "" {
			t.command(v.Command)
		}
	}
}

func (t *provenanceText) closing() {
	t.heading("What this report covers")
	for _, s := range t.p.Scope {
		t.para(0, s)
	}
	t.line("")
	end := "End of the report on " + own(t.p.Unit.Name)
	if t.p.Unit.UUID != "" {
		end += ", " + own(t.p.Unit.UUID)
	}
	t.para(0, end+", as of "+t.p.AsOf+".")
}

// sectionRank is where the first of some sections stands in the model.
func (p *Provenance) sectionRank(list string) int {
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
