package provenance

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
)

// pageOne says what a buyer needs to know, in order. Every fact is given, or said
// to be missing; none is left out because nobody recorded it.
func (b *builder) pageOne() {
	p := b.p
	p.Preamble = []string{
		"As the records stood on " + p.AsOf + ". Words in “quotation marks” are the records' own: they are those of whoever wrote them, not of this report. What is not recorded is not known, and the report says so.",
	}
	add := func(key, label string, lines ...string) {
		p.PageOne = append(p.PageOne, Fact{key, label, lines})
	}
	if s := p.State.OnBenchSince; s != "" {
		add("onBench", "On the bench", "On the bench since "+s+"; not released. What follows is as recorded so far, with the work unfinished; it will change.")
	} else if !p.Closed {
		add("notClosed", "Not closed", "These records have not been closed: they can still change.")
	}
	if n := len(p.Contradicts); n > 0 {
		add("contradictions", "Contradictions", page.Plural(n, "record contradicts", "records contradict")+" the others or cannot be right as written: "+strings.Join(p.Contradicts, ", ")+".")
	}
	if lines := b.power(); lines != nil {
		add("power", "Switching on", lines...)
	}
	add("what", "What it is", b.whatItIs()...)
	if lines := b.otherBenches(); lines != nil {
		add("benches", "Whose records", lines...)
	}
	add("proof", "Sealed", b.proofLines()...)
	if lines := p.crossLines(); lines != nil {
		add("corrected", "Changed by others", lines...)
	}
	add("works", "Does it work", b.works()...)
	add("openFaults", "Open faults", b.faultLines(schema.FaultOpen)...)
	add("otherFaults", "Faults accepted or not reproduced", append(b.faultLines(schema.FaultAccepted), b.faultLines(schema.FaultNotReproduced)...)...)
	add("declined", "Repairs declined", b.faultLines(schema.FaultDeclined)...)
	var bad []string
	for _, w := range p.KnownBad {
		bad = append(bad, placesWords(w.Places)+": "+w.sentence())
	}
	add("knownBad", "Bad or waiting parts still in it", bad...)
	add("mains", "Mains", b.mains()...)
	add("safety", "Safety checks", b.safetyLines()...)
	add("donor", "Used, donor, old-stock or reproduction parts", b.secondHand()...)
	add("modifications", "Modifications", b.modLines()...)
	add("warranty", "Warranty", b.warranty()...)
	add("transit", "Transit locks", b.transit())
	add("due", "What comes next", b.due()...)
	add("done", "Done", b.done()...)
	add("notLookedAt", "NOT looked at", b.notLookedAt()...)
	if w := p.weighty(); w != nil {
		add("corrections", "Corrected since", w...)
	}
	none := map[string]string{
		"openFaults":  "None recorded as open.",
		"otherFaults": "None recorded.",
		"declined":    "None recorded.",
		"knownBad":    "None recorded.",
		"donor":       "None recorded.",
	}
	if len(b.u.Jobs) == 0 {
		none["openFaults"] = "Nobody has recorded any fault, nor that there is none: there is no intake."
	}
	for i := range p.PageOne {
		if f := &p.PageOne[i]; len(f.Lines) == 0 {
			f.Lines = []string{none[f.Key]}
		}
		for k, s := range p.PageOne[i].Lines {
			p.PageOne[i].Lines[k] = page.Tidy(s)
		}
	}
}

func (b *builder) whatItIs() []string {
	id := b.p.Unit
	name := strings.TrimSpace(Own(id.Maker) + " " + Own(id.Model))
	if name == "" {
		name = "Maker and model are not recorded"
	}
	if id.Variant != "" {
		name += ", " + Own(id.Variant)
	}
	built := "Built: " + id.BuiltText
	if id.Built != "" && id.BuiltFrom != "" {
		built += ", going by " + page.Quote(id.BuiltFrom)
	}
	lines := []string{name + "."}
	var serials []string
	for _, s := range id.Serials {
		switch s.How {
		case schema.SerialMissing:
			serials = append(serials, Own(s.Place)+" missing")
		case schema.SerialAssumed:
			serials = append(serials, Own(s.Place)+" "+Own(s.Value)+" (assumed, not read)")
		default:
			serials = append(serials, Own(s.Place)+" "+Own(s.Value)+" (read)")
		}
	}
	if serials == nil {
		lines = append(lines, "No serial number is recorded.")
	} else {
		label := "Serial numbers: "
		if len(serials) == 1 {
			label = "Serial number: "
		}
		lines = append(lines, label+strings.Join(serials, "; ")+".")
	}
	return append(lines, built+".")
}

// power warns where the last word on power in the records is not "normal".
func (b *builder) power() []string {
	s := b.p.State
	if s.Power == "" || s.Power == schema.PowerNormal {
		return nil
	}
	why := "."
	if s.PowerWhy != "" {
		why = ", because " + page.Quote(s.PowerWhy) + "."
	}
	if s.OnBenchSince == "" && s.Date > s.PowerDate {
		return []string{
			"On " + s.PowerDate + " it was marked: " + strings.ToLower(powerWords(s.Power)) + why,
			"The release of " + s.Date + " (" + WorksWords(s.Works) + ") came later and says nothing about it. Ask the shop before you switch it on.",
		}
	}
	return []string{powerWords(s.Power) + ", according to the record of " + s.PowerDate + why}
}

func (b *builder) works() []string {
	s := b.p.State
	var lines []string
	if s.Works == "" {
		lines = append(lines, "No release is recorded: nobody has signed for the state it is in.")
		if n := len(b.p.Jobs); n > 0 {
			j := b.p.Jobs[n-1]
			lines = append(lines, fmt.Sprintf("As received on %s it %s, by the intake record of %s.", j.Received, intakeWorks(j.Works), Own(j.By)))
		}
	} else {
		says := Own(s.By)
		if s.Bench != "" {
			says += " for " + Own(s.Bench)
		} else if b.p.Shop.Name != "" {
			says += " for " + Own(b.p.Shop.Name)
		}
		line := page.Capital(WorksWords(s.Works)) + ", says " + says + ", on " + s.Date
		if c, was := b.otherWord("works"); c != nil {
			// Nobody may be made to say what another shop wrote over their words.
			by, _ := c.shops(false)
			line = fmt.Sprintf("%s, says %s, which changed the release of %s", page.Capital(WorksWords(s.Works)), by, s.Date)
			if c.On != "" {
				line += " on " + c.On
			}
			line += "; " + says + " had written " + changedText(was)
		}
		switch {
		case s.SoakHours > 0:
			line += ", after " + plainNumber(s.SoakHours) + " hours of soak run"
			if s.SoakHours == 1 {
				line = strings.TrimSuffix(line, "hours of soak run") + "hour of soak run"
			}
			if s.SoakCycles > 0 {
				line += " and " + page.Plural(s.SoakCycles, "power cycle", "power cycles")
			}
			line += "."
		default:
			line += ". No soak run is recorded for that job."
		}
		lines = append(lines, line)
		if s.WorkAfterSoak {
			lines = append(lines, "Parts were worked on after that soak run.")
		}
		if s.OnBenchSince != "" {
			lines = append(lines, "That was before its present stay at the bench.")
		}
	}
	for _, j := range b.p.Jobs {
		if j.Comeback != nil {
			lines = append(lines, "It came back on "+j.Received+" after an earlier release: "+comebackWords(j.Comeback.Fault)+".")
		}
	}
	// The latest news, and every fault reported since the release.
	var news []NewsReport
	for _, n := range b.p.Since {
		if n.SaidBy != "" && n.Date >= s.Date {
			news = append(news, n)
		}
	}
	for i, n := range news {
		if i == len(news)-1 || n.Event == string(schema.FollowupFaulty) {
			lines = append(lines, newsWords(n))
		}
	}
	return lines
}

func intakeWorks(w schema.Works) string {
	switch w {
	case schema.WorksFully:
		return "worked fully"
	case schema.WorksPartly:
		return "worked partly"
	case schema.WorksNo:
		return "did not work"
	}
	return "was of unknown state"
}

// newsWords tells what was heard of a unit, and from whom.
func newsWords(n NewsReport) string {
	what := map[string]string{"working": "working", "faulty": "FAULTY", "unknown": "state unknown"}[n.Event]
	s := fmt.Sprintf("%s: %s (%s).", n.Date, what, heardFrom(n.SaidBy, n.Bench))
	if n.About != "" {
		s += " " + page.Says(n.About)
	}
	if n.Note != "" {
		s += " " + page.Says(n.Note)
	}
	return s
}

func (b *builder) faultLines(state schema.FaultState) []string {
	var out []string
	for _, f := range b.p.Faults {
		if f.State == state {
			out = append(out, f.sentence())
		}
	}
	return out
}

// sentence puts a fault in words.
func (f FaultReport) sentence() string {
	s := Own(f.ID) + ": " + page.Quote(f.Symptom)
	if f.Conditions != "" {
		s += ", when: " + page.Quote(f.Conditions)
	}
	if f.Section != "" {
		s += " (" + Own(f.Section) + ")"
	}
	state := strings.ReplaceAll(string(f.State), "-", " ")
	switch f.State {
	case schema.FaultAccepted:
		state = "accepted as it is"
	case schema.FaultDeclined:
		state = "repair declined"
	case schema.FaultNotReproduced:
		state = "could not be reproduced"
	}
	s += ", noted " + f.Noted + atBench(f.Bench) + ": " + state
	if f.Unsaid {
		s += "; the release does not say what became of it"
	}
	s += "."
	if f.Note != "" {
		s += " " + page.Says(f.Note)
	}
	return s
}

func (b *builder) mains() []string {
	s := b.p.State
	orNot := func(x string) string {
		if x == "" {
			return "not recorded"
		}
		return Own(x)
	}
	left := "As left"
	if s.MainsDate != "" {
		left += " on " + s.MainsDate
	}
	lines := []string{left + ": set to " + orNot(s.Mains) + ", mains fuse " + orNot(s.Fuse) + "."}
	if s.Mains == "" {
		lines[0] = left + ": mains setting not recorded, mains fuse " + orNot(s.Fuse) + "."
	}
	if s.MainsFound != "" || s.FuseFound != "" {
		lines = append(lines, "As first found: set to "+orNot(s.MainsFound)+", mains fuse "+orNot(s.FuseFound)+".")
	}
	return lines
}

func (b *builder) safetyLines() []string {
	runs := b.p.Safety
	current := ""
	if n := len(b.p.Jobs); n > 0 {
		current = b.p.Jobs[n-1].Name
	}
	var lines []string
	counts := false
	for _, r := range runs {
		counts = counts || r.Counts
	}
	if !counts {
		lines = append(lines, "NOT SAFETY TESTED.")
		for i := len(runs) - 1; i >= 0; i-- {
			if r := runs[i]; r.Job != current && slices.ContainsFunc(r.Checks, func(c SafetyReport) bool { return c.Result == schema.CheckDone }) {
				lines[0] = "NOT SAFETY TESTED at its last stay at the bench."
				lines = append(lines, "The checks before that are of "+r.Date+"; they are listed further on.")
				break
			}
		}
	}
	shown, repeated := false, 0
	for _, r := range runs {
		if r.Job != current {
			continue
		}
		here := false
		for _, c := range r.Checks {
			if c.Superseded {
				repeated++
				continue
			}
			lines = append(lines, r.Date+atBench(r.Bench)+", "+c.sentence())
			here = here || c.Result == schema.CheckDone
		}
		shown = shown || here
		if r.WorkAfter && here {
			lines = append(lines, "Parts were worked on after the checks of "+r.Date+".")
		}
	}
	if repeated > 0 {
		lines = append(lines, page.Capital(page.Plural(repeated, "earlier check", "earlier checks"))+" of this stay, done again since; listed further on with their results.")
	}
	if shown {
		lines = append(lines, "Limits are those of the shop that measured. These checks say nothing about what they do not measure, or about any later day.")
	}
	return lines
}

// sentence puts a safety check in words.
func (c SafetyReport) sentence() string {
	s := Own(c.Name) + ": "
	switch c.Result {
	case schema.CheckNotDone:
		s += "NOT DONE"
	case schema.CheckNotApplicable:
		s += "not applicable"
	default:
		switch {
		case c.Value != "" && c.Limit == "":
			s += c.Value + ", no limit given, so no verdict"
		case c.Value != "":
			s += c.Value + ", limit " + c.Limit + ": " + verdictWords(c.Verdict)
		case c.Verdict != "":
			s += string(c.Verdict)
		default:
			s += "recorded as done, without a result"
		}
	}
	if c.Why != "" {
		s += ", because " + page.Quote(c.Why)
	}
	if c.Conditions != "" {
		s += " (" + page.Quote(c.Conditions) + ")"
	}
	s += "."
	if c.Note != "" {
		s += " " + page.Says(c.Note)
	}
	return s
}

func (b *builder) secondHand() []string {
	var out []string
	for _, n := range b.p.Parts {
		if n.Part == nil || n.Is != PartFitted {
			continue
		}
		switch n.Part.Source {
		case schema.SourceDonor, schema.SourceUsed, schema.SourceReproduction, schema.SourceShopMade, schema.SourceOldStock:
			out = append(out, n.sentence())
		}
	}
	var unknown []placed
	for _, q := range b.u.Positions {
		if o := q.Current(); o != nil && o.Origin == schema.OriginUnknown {
			unknown = append(unknown, placed{q.Section, q.Ref, q.Family})
		}
	}
	if n := len(unknown); n > 0 {
		out = append(out, "Of unknown age and origin: "+page.Plural(n, "part", "parts")+" ("+placesWords(places(unknown))+").")
	}
	return out
}

// sentence puts a line of the parts list in words.
func (n PartNow) sentence() string {
	s := placesWords(n.Places) + ": "
	if len(n.Places) == 1 && n.Places[0].Refs == "" {
		s += page.Thousands(n.Parts) + " × "
	}
	d := describe(n.Part)
	switch {
	case n.Is == PartEmpty && n.Title != "":
		s += Own(n.Title) + ", taken out"
	case n.Is == PartEmpty:
		s += "taken out"
	case n.Is == PartUnknown:
		s += "of unknown age and origin"
		if d != "" {
			s += ", " + d
		}
	case d == "":
		s += Own(n.Title) + ", not described"
	case n.Part.Type == "":
		s += Own(n.Title) + ", " + d
	default:
		s += d
	}
	if n.Since != "" {
		s += ", " + n.Since
	}
	s += atBench(n.Bench)
	if n.Kit != "" {
		s += ", kit " + Own(n.Kit)
	}
	if n.Mod != "" {
		s += ", by the modification " + page.Quote(n.Mod)
	}
	return s + "."
}

func (b *builder) modLines() []string {
	var out []string
	for _, m := range b.p.Mods {
		s := page.Quote(m.Name)
		if m.Kit != "" {
			s += ", kit " + Own(m.Kit)
		}
		if m.Serial != "" {
			s += " no. " + Own(m.Serial)
		}
		s += ", " + m.Date + atBench(m.Bench) + "."
		if m.Fitted > 0 && m.StillFitted == 0 {
			s += " The parts it fitted have since been taken out."
		} else if m.StillFitted < m.Fitted {
			s += fmt.Sprintf(" %d of the %d parts it fitted are still there.", m.StillFitted, m.Fitted)
		}
		s += " What it changes: " + page.Quote(m.Changes) + ". " + reversibleWords(m.Reversible)
		if m.Undo != "" {
			s += " " + page.Says(m.Undo)
		}
		s += " " + originalsWords(m.Originals)
		if m.Note != "" {
			s += " " + page.Says(m.Note)
		}
		out = append(out, s)
	}
	if out == nil {
		out = []string{"None recorded."}
	}
	var earlier []string
	for _, j := range b.p.Jobs {
		for _, e := range j.EarlierWork {
			earlier = append(earlier, page.Quote(e))
		}
	}
	if earlier != nil {
		out = append(out, "Earlier work by others, as seen on arrival: "+strings.Join(earlier, "; ")+".")
	}
	return out
}

// warranty tells what is promised now, and of the promises that have ended the
// last one.
func (b *builder) warranty() []string {
	if b.last == nil && len(b.p.Warranties) == 0 {
		return []string{"None given: no release is recorded."}
	}
	var out []string
	covered := false // the last release, by a promise of its own
	for i, w := range b.p.Warranties {
		covered = covered || b.last != nil && w.Release == b.last.Release.Name()
		if w.Ended {
			if i == len(b.p.Warranties)-1 {
				out = append(out, fmt.Sprintf("Ended on %s (it had begun on %s): %s.%s", w.End, w.Start, page.Quote(w.Scope), givenBy(w)))
			}
			continue
		}
		s := fmt.Sprintf("From %s to %s: %s.%s", w.Start, w.End, page.Quote(w.Scope), givenBy(w))
		if w.Transferable {
			s += " It passes to the next owner."
		} else {
			s += " Nothing says that it passes to the next owner."
		}
		out = append(out, s)
	}
	if b.last != nil && !covered {
		out = append(out, "None was given with the release of "+b.p.State.Date+".")
	}
	return out
}

// givenBy names the bench a warranty is from, where it is not this one.
func givenBy(w WarrantyReport) string {
	if w.Bench == "" {
		return ""
	}
	return " Given by " + Own(w.Bench) + "."
}

func (b *builder) transit() string {
	s := b.p.State
	switch s.TransitLocks {
	case schema.LocksOn:
		return "ON since " + s.TransitDate + ": take them off before it is used."
	case schema.LocksOff:
		return "Off since " + s.TransitDate + ": put them on before it is moved."
	case schema.LocksNone:
		return "It has none."
	}
	return "Not recorded. Look before you move it or use it."
}

func (b *builder) due() []string {
	var out []string
	for _, d := range b.p.Due {
		if d.Settled {
			continue
		}
		s := page.Quote(d.What)
		if d.Section != "" {
			s += " (" + Own(d.Section) + ")"
		}
		if d.When != "" {
			s += ", by " + d.When
		}
		if d.AtHours != nil {
			s += ", at " + plainNumber(*d.AtHours) + " on the hour meter"
		}
		s += "; said on " + d.Said + atBench(d.Bench) + "."
		if d.Passed {
			s += " It is past due; look in the history to see whether it was done."
		}
		out = append(out, s)
	}
	if out == nil {
		return []string{"Nothing is recorded as due."}
	}
	return out
}

// familyTally counts parts by family, largest first.
type familyTally map[string]int

func (t familyTally) words() (total int, text string) {
	names := make([]string, 0, len(t))
	for n, k := range t {
		names = append(names, n)
		total += k
	}
	slices.SortFunc(names, func(x, y string) int {
		if c := cmp.Compare(t[y], t[x]); c != 0 {
			return c
		}
		return cmp.Compare(x, y)
	})
	const most = 9
	rest := 0
	for i, n := range names {
		if i >= most && len(names) > most+1 {
			rest += t[n]
		}
		names[i] = Own(n) + " " + page.Thousands(t[n])
	}
	if rest > 0 {
		names = append(names[:most], "others "+page.Thousands(rest))
	}
	return total, strings.Join(names, ", ")
}

// done counts what was done, by kind of work.
func (b *builder) done() []string {
	acts := []struct {
		word string
		is   func(l schema.PartLine) bool
	}{
		{"Replaced", func(l schema.PartLine) bool { return l.Action == schema.Replaced }},
		{"Fitted where none was", func(l schema.PartLine) bool { return l.Action == schema.Fitted }},
		{"Taken out", func(l schema.PartLine) bool { return l.Action == schema.Removed }},
		{"Reworked", func(l schema.PartLine) bool { return l.Action == schema.Reworked }},
		{"Cleaned", func(l schema.PartLine) bool { return l.Action == schema.Cleaned }},
		{"Adjusted", func(l schema.PartLine) bool { return l.Action == schema.Adjusted }},
		{"Tested, in order, left", func(l schema.PartLine) bool { return l.Action == schema.Left && l.Found == schema.OK }},
	}
	var out []string
	for _, a := range acts {
		t := familyTally{}
		again := 0
		for _, p := range b.u.Positions {
			n := 0
			for _, e := range b.events[p] {
				if a.is(e.Line) {
					t[b.family(p.Family)]++
					n++
				}
			}
			again += max(0, n-1)
		}
		for _, q := range b.u.Pools {
			for _, e := range q.Events {
				if a.is(e.Line) {
					t[b.family(q.Family)] += e.Line.Count
				}
			}
		}
		if n, text := t.words(); n > 0 {
			s := fmt.Sprintf("%s: %s (%s)", a.word, page.Plural(n, "part", "parts"), text)
			if again > 0 {
				s += ", " + page.Thousands(again) + " of them again later"
			}
			out = append(out, s+".")
		}
	}
	var measured []string
	if n := len(b.p.Readings); n > 0 {
		measured = append(measured, page.Plural(n, "point", "points"))
	}
	if n := len(b.p.Tables); n > 0 {
		measured = append(measured, page.Plural(n, "table", "tables")+" of readings")
	}
	if measured != nil {
		out = append(out, "Measured: "+page.Listed(measured)+".")
	}
	if out == nil {
		return []string{"No work is recorded."}
	}
	return out
}

// notLookedAt says what nobody dealt with, as far as it can be told.
func (b *builder) notLookedAt() []string {
	c := b.p.Coverage
	var out []string
	names := func(l []string) string {
		q := make([]string, len(l))
		for i, s := range l {
			q[i] = Own(s)
		}
		return strings.Join(q, ", ")
	}
	if len(c.NotDealtWith) > 0 {
		out = append(out, "No record mentions: "+names(c.NotDealtWith)+".")
	}
	if len(c.SeenOnly) > 0 {
		out = append(out, "Described on arrival, and nothing further recorded: "+names(c.SeenOnly)+".")
	}
	not, circuit, untested := familyTally{}, familyTally{}, familyTally{}
	listed := 0
	for _, f := range c.Families {
		listed += f.Listed
		for t, n := range map[*familyTally]int{&not: f.NotLooked, &circuit: f.InService, &untested: f.Untested} {
			if n > 0 {
				(*t)[f.Title] += n
			}
		}
	}
	if n, text := not.words(); n > 0 {
		out = append(out, fmt.Sprintf("No record mentions %s of the %s listed for sections whose lists are complete: %s.", page.Thousands(n), page.Plural(listed, "part", "parts"), text))
	}
	if n, text := circuit.words(); n > 0 {
		out = append(out, fmt.Sprintf("Not tested one by one, though their circuits worked: %s (%s).", page.Plural(n, "part", "parts"), text))
	}
	if n, text := untested.words(); n > 0 {
		out = append(out, fmt.Sprintf("Left untested: %s (%s).", page.Plural(n, "part", "parts"), text))
	}
	if c.Note != "" {
		out = append(out, c.Note)
	}
	left := false
	for _, r := range b.p.Readings {
		left = left || r.Left != nil
	}
	for _, t := range b.p.Tables {
		left = left || t.Stage == schema.AsLeft
	}
	if !left {
		out = append(out, "No reading as left is recorded.")
	}
	if len(b.p.Soaks) == 0 {
		out = append(out, "No soak run is recorded.")
	}
	if out == nil {
		return []string{"Every part listed for this model is mentioned in a record. What is on no list was not looked at."}
	}
	return out
}
