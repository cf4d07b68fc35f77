package provenance

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// inShort answers what a buyer asks first. It says nothing that page one does
// not say in full, and never leaves out the worst of an answer.
func (b *builder) inShort() {
	p := b.p
	p.InShort = []Fact{
		{"works", "Does it work, and who says so?", b.shortWorks()},
		{"notOriginal", "What is not original?", b.shortOriginal()},
		{"ifItFails", "What happens if it fails?", b.shortWarranty()},
	}
	for i := range p.InShort {
		for k, s := range p.InShort[i].Lines {
			p.InShort[i].Lines[k] = page.Tidy(s)
		}
	}
}

// shortened keeps a quotation to about so many letters and ends it with dots.
func shortened(s string, most int) string {
	s = page.Clean(s)
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	cut := string([]rune(s)[:most])
	if i := strings.LastIndexByte(cut, ' '); i > most/2 {
		cut = cut[:i]
	}
	return cut + " …"
}

func (b *builder) shortWorks() []string {
	p, s := b.p, b.p.State
	var out []string
	if s.OnBenchSince != "" {
		out = append(out, "On the bench since "+s.OnBenchSince+"; not released.")
	}
	works := b.works()
	out = append(out, works[0])
	if s.OnBenchSince != "" && s.Works != "" {
		out = append(out, "That was before its present stay at the bench.")
	}
	comebacks := 0
	for _, j := range p.Jobs {
		if j.Comeback != nil {
			comebacks++
		}
	}
	switch {
	case comebacks == 1:
		out = append(out, "It came back once after a release.")
	case comebacks > 1:
		out = append(out, fmt.Sprintf("It came back %d times after a release.", comebacks))
	}
	for i := len(p.Since) - 1; i >= 0; i-- {
		if n := p.Since[i]; n.Event == string(schema.FollowupFaulty) && n.Date >= s.Date {
			out = append(out, "Said to be FAULTY since, on "+n.Date+".")
			break
		}
	}
	if s.Power != "" && s.Power != schema.PowerNormal {
		if s.OnBenchSince == "" && s.Date > s.PowerDate {
			out = append(out, "Ask before you switch it on: see “Switching on”.")
		} else {
			out = append(out, powerWords(s.Power)+".")
		}
	}
	count := func(state schema.FaultState) (n int) {
		for _, f := range p.Faults {
			if f.State == state {
				n++
			}
		}
		return n
	}
	if n := count(schema.FaultOpen); n > 0 {
		out = append(out, page.Capital(page.Plural(n, "open fault", "open faults"))+": listed below.")
	} else if len(b.u.Jobs) > 0 {
		out = append(out, "No fault is recorded as open.")
	}
	var settled []string
	if n := count(schema.FaultDeclined); n > 0 {
		settled = append(settled, page.Plural(n, "repair declined", "repairs declined"))
	}
	if n := count(schema.FaultAccepted) + count(schema.FaultNotReproduced); n > 0 {
		settled = append(settled, page.Plural(n, "fault accepted or not reproduced", "faults accepted or not reproduced"))
	}
	if settled != nil {
		out = append(out, page.Capital(page.Listed(settled))+": listed below.")
	}
	if len(p.KnownBad) > 0 {
		out = append(out, "Parts known to be bad, or waiting, are still in it: listed below.")
	}
	return append(out, b.shortSafety())
}

// shortSafety counts the checks of the last stay that were not done again.
func (b *builder) shortSafety() string {
	current := ""
	if n := len(b.p.Jobs); n > 0 {
		current = b.p.Jobs[n-1].Name
	}
	done, not, outside, day := 0, 0, 0, ""
	after := false
	for _, r := range b.p.Safety {
		if r.Job != current {
			continue
		}
		for _, c := range r.Checks {
			switch {
			case c.Superseded:
			case c.Result == schema.CheckDone:
				done++
				day = r.Date
				after = after || r.WorkAfter
				if c.Verdict == unit.Outside || c.Verdict == failedByInspection {
					outside++
				}
			case c.Result == schema.CheckNotDone:
				not++
			}
		}
	}
	if done == 0 {
		return strings.Split(b.safetyLines()[0], "\n")[0]
	}
	s := page.Capital(page.Plural(done, "safety check", "safety checks")) + " done on " + day
	if not > 0 {
		s += fmt.Sprintf(", %d NOT done", not)
	}
	if outside > 0 {
		s += fmt.Sprintf(", %d OUTSIDE its limit or failed", outside)
	}
	if after {
		s += "; parts were worked on after them"
	}
	return s + "."
}

func (b *builder) shortOriginal() []string {
	fitted, second, empty, unknown := 0, 0, 0, 0
	for _, n := range b.p.Parts {
		switch n.Is {
		case PartFitted:
			fitted += n.Parts
			if n.Part == nil {
				continue
			}
			switch n.Part.Source {
			case schema.SourceDonor, schema.SourceUsed, schema.SourceReproduction, schema.SourceShopMade, schema.SourceOldStock:
				second += n.Parts
			}
		case PartEmpty:
			empty += n.Parts
		case PartUnknown:
			unknown += n.Parts
		}
	}
	var out []string
	switch {
	case fitted > 0:
		s := page.Capital(page.Plural(fitted, "part is", "parts are")) + " recorded as replaced or added"
		switch {
		case second == fitted && fitted == 1:
			s += "; it is used, donor, old-stock, reproduction or made in the shop"
		case second > 0:
			s += ", " + page.Thousands(second) + " of them used, donor, old-stock, reproduction or made in the shop"
		}
		out = append(out, s+".")
	case len(b.u.Files) == 0:
		out = append(out, "Nothing is recorded, so nobody can say.")
	default:
		out = append(out, "No part is recorded as replaced.")
	}
	if empty > 0 {
		out = append(out, page.Capital(page.Plural(empty, "part was", "parts were"))+" taken out and not replaced.")
	}
	if unknown > 0 {
		out = append(out, page.Capital(page.Plural(unknown, "part is", "parts are"))+" of unknown age and origin.")
	}
	var mods []string
	undone := 0
	for _, m := range b.p.Mods {
		if m.Fitted > 0 && m.StillFitted == 0 {
			undone++
			continue
		}
		mods = append(mods, page.Quote(shortened(m.Name, 40)))
	}
	switch n := len(mods); {
	case n > 3:
		out = append(out, fmt.Sprintf("%d modifications, among them %s.", n, page.Listed(mods[:2])))
	case n > 0:
		s := page.Capital(page.Plural(n, "modification: ", "modifications: "))
		out = append(out, s+page.Listed(mods)+".")
	case undone == 0:
		out = append(out, "No modification is recorded.")
	}
	earlier, missing := 0, 0
	for _, j := range b.p.Jobs {
		earlier += len(j.EarlierWork)
		missing += len(j.Missing)
	}
	if earlier > 0 {
		out = append(out, "Earlier work by others was seen on arrival: see “Modifications”.")
	}
	if missing > 0 {
		out = append(out, page.Capital(page.Plural(missing, "thing was", "things were"))+" missing on arrival.")
	}
	return append(out, "Parts that no record mentions may have been changed before.")
}

func (b *builder) shortWarranty() []string {
	var out []string
	running := slices.DeleteFunc(slices.Clone(b.p.Warranties), func(w WarrantyReport) bool { return w.Ended })
	for _, w := range running {
		s := fmt.Sprintf("Warranty from %s to %s: %s.%s", w.Start, w.End, page.Quote(shortened(w.Scope, 90)), givenBy(w))
		if w.Transferable {
			s += " It passes to the next owner."
		} else {
			s += " Nothing says that it passes to the next owner."
		}
		out = append(out, s)
	}
	if len(running) == 0 {
		switch n := len(b.p.Warranties); {
		case n > 0:
			out = append(out, "No warranty is running: the last ended on "+b.p.Warranties[n-1].End+".")
		case b.last == nil:
			out = append(out, "No warranty: no release is recorded.")
		default:
			out = append(out, "No warranty was given with the release of "+b.p.State.Date+".")
		}
	}
	if who := Own(b.p.Shop.Name); who != "" {
		out = append(out, "Who to ask: "+b.p.who())
	} else {
		out = append(out, "The shop is not named here.")
	}
	return append(out, "The next workshop can carry on from this history: its warnings, readings and parts list are further on.")
}
