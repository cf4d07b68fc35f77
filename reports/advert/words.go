package advert

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// Word is a word that claims something, and what the records must show before an
// advert uses it.
type Word struct {
	Word, Asks, Source string
	// says writes the sentence, or says why the word is not used.
	says func(w *writer) (text string, records []string, why string)
}

// Words is the table of the words that claim. 14 CFR 43.2(a) lets nobody describe an
// item as overhauled unless it was disassembled, cleaned, inspected, repaired as
// necessary, reassembled, and tested; 43.2(b) asks for tests to the tolerances of a new
// item before "rebuilt", which is why that word is among those never used. The AIC's
// Commentary 27 asks that what is told of a treatment is what its records document.
var Words = []Word{
	{"recapped", "every capacitor of the families named was replaced by a new one, in each section named, and the list of that section's parts is complete",
		"AIC Code of Ethics, Commentary 27; common practice, no source, for the word itself", recapped},
	{"overhauled", "received for overhaul; every section dealt with, and its list of parts complete; parts cleaned; readings as left, none outside its limit; a soak or readings after the last work; released as working fully, no fault left open",
		"14 CFR 43.2(a)", overhauled},
	{"serviced", "at the last stay parts were cleaned, adjusted, reworked or replaced, readings were taken or it was run after the last of that work, and it was released",
		"14 CFR 43.9 (what a maintenance entry holds); common practice, no source, for the word itself", serviced},
	{"tested", "readings as left at the last stay, after its last work; how many of them have a limit, and how many are outside, is said with it",
		"ISO/IEC 17025, 7.8", tested},
	{"original", "an intake calls the section original, its list of parts is complete, no record says that others worked on it, and each part in it is still the one that was there",
		"AIC Code of Ethics, Commentary 27", original},
}

// words uses each word that the records carry.
func (w *writer) words() {
	for _, x := range Words {
		text, records, why := x.says(w)
		if why != "" {
			w.a.LeftOut = append(w.a.LeftOut, LeftOut{x.Word, why})
		}
		if text != "" {
			w.say("done", x.Word != "original", records, "%s", text).Word = x.Word
		}
	}
}

// capacitors are the families that "recapped" is said of, as they are named.
var capacitors = []struct {
	family schema.FamilyName
	title  string
}{{"capacitor/electrolytic", "aluminium electrolytic"}, {"capacitor/tantalum", "tantalum"}}

// recapped looks at each family in each section.
func recapped(w *writer) (string, []string, string) {
	var texts, why, records []string
	for _, c := range capacitors {
		var sections []string
		parts, listed := 0, 0
		first, last := "", ""
		var from []string
		for _, s := range w.u.Sections {
			n, all := 0, s.Complete
			var here []string
			for _, p := range w.u.Positions {
				if p.Section != s.Name || p.Family != c.family {
					continue
				}
				n++
				o := p.Current()
				if o == nil || o.Fitted == nil || o.Mod != nil || !strings.HasPrefix(string(o.Family), "capacitor/") || o.Component != nil && o.Component.Source != "" && o.Component.Source != schema.SourceNew {
					all = false
					continue
				}
				here = append(here, o.Fitted.File.Name())
				day := o.Fitted.Date.String()
				if first == "" || day < first {
					first = day
				}
				last = max(last, day)
			}
			for _, q := range w.u.Pools {
				if q.Section == s.Name && q.Family == c.family {
					n++
					all = false // nobody can tell which of a pool were met
				}
			}
			listed += n
			if n > 0 && all {
				sections = append(sections, s.Name)
				parts += n
				from = append(from, here...)
			}
		}
		switch {
		case listed == 0:
		case sections == nil:
			why = append(why, "not every "+c.title+" capacitor of any section with a complete list of parts is recorded as replaced by a new one")
		default:
			when := "on " + first
			if last != first {
				when = "between " + first + " and " + last
			}
			texts = append(texts, fmt.Sprintf("all %s %s capacitors of %s were replaced by new ones %s", page.Thousands(parts), c.title, w.name(page.Listed(mergedSections(sections)), "the name of a section"), when))
			records = append(records, from...)
		}
	}
	if texts == nil {
		if why == nil {
			why = []string{"no capacitor of the families it is said of is listed"}
		}
		return "", nil, strings.Join(why, "; ")
	}
	return "Recapped: " + strings.Join(texts, "; ") + ".", records, strings.Join(why, "; ")
}

// stay is the last finished stay, nil while the unit is on the bench or has none.
func (w *writer) stay() *unit.Job {
	if w.u.OpenJob() != nil {
		return nil
	}
	return w.release()
}

// workOf lists the days and records of the work on parts of a stay.
func (w *writer) workOf(j *unit.Job) (last string, records []string, cleaned bool) {
	for _, x := range w.r.Work {
		if x.Job != j.Name() || x.Action == schema.Left || x.Action == schema.Pending {
			continue
		}
		last = max(last, x.Date)
		records = append(records, x.Record)
		cleaned = cleaned || x.Action == schema.Cleaned
	}
	return last, records, cleaned
}

// left counts the readings as left of a stay that are not older than a day.
type left struct {
	readings, limited, outside int
	records                    []string
}

func (w *writer) leftOf(j *unit.Job, since string) (l left) {
	for _, x := range w.r.Readings {
		v := x.Left
		if x.Job != j.Name() || v == nil || v.Verdict == unit.NotTaken || v.Date < since {
			continue
		}
		l.readings++
		if v.Verdict != unit.NoLimit {
			l.limited++
		}
		if v.Verdict == unit.Outside {
			l.outside++
		}
		l.records = append(l.records, v.Record)
	}
	for _, t := range w.r.Tables {
		if t.Job != j.Name() || t.Stage != schema.AsLeft || t.Date < since {
			continue
		}
		l.readings += t.Measured
		l.limited += t.Judged
		l.outside += len(t.Outside)
		if t.SpreadVerdict == unit.Outside {
			l.outside++
		}
		l.records = append(l.records, t.Record)
	}
	return l
}

// soaked lists the soaks of a stay that are not older than a day.
func (w *writer) soaked(j *unit.Job, since string) (records []string) {
	for _, s := range w.r.Soaks {
		if s.Job == j.Name() && s.Date >= since {
			records = append(records, s.Record)
		}
	}
	return records
}

func overhauled(w *writer) (string, []string, string) {
	j := w.stay()
	if j == nil {
		return "", nil, "it is on the bench, or was never released"
	}
	last, records, cleaned := w.workOf(j)
	c := w.r.Coverage
	l := w.leftOf(j, last)
	soaks := w.soaked(j, last)
	release := j.ReleaseRecord()
	for _, no := range []struct {
		is  bool
		why string
	}{
		{j.IntakeRecord().Reason != schema.ReasonOverhaul, "its last stay was not for overhaul"},
		{len(c.Incomplete) > 0 || len(c.Complete) == 0, "the list of parts is not complete for every section"},
		{len(c.NotDealtWith)+len(c.SeenOnly) > 0, "not dealt with: " + page.Listed(append(slices.Clone(c.NotDealtWith), c.SeenOnly...))},
		{len(records) == 0, "no work on parts is recorded"},
		{!cleaned, "no part is recorded as cleaned"},
		{l.readings == 0, "no reading as left was taken after the last work"},
		{l.limited == 0, "no reading as left has a limit to be held against"},
		{l.outside > 0, "readings as left are outside their limits"},
		{len(soaks) == 0, "it was not run under power after the last work"},
		{release.Works != schema.WorksFully, "it was not released as working fully"},
		{w.openFaults(j), "a fault was left open, declined or accepted"},
	} {
		if no.is {
			return "", nil, no.why
		}
	}
	records = append(append(append(records, l.records...), soaks...), j.Name(), j.Release.Name())
	return fmt.Sprintf("Overhauled between %s and %s: taken apart, cleaned, inspected section by section, repaired, and tested with %s as left, none outside its limit.",
		j.IntakeRecord().Date, release.Date, page.Plural(l.readings, "reading", "readings")), records, ""
}

// openFaults reports whether a fault known at a stay, or before, is not cured.
func (w *writer) openFaults(*unit.Job) bool {
	return slices.ContainsFunc(w.u.Faults, func(f *unit.Fault) bool { return f.State != schema.FaultCured && f.State != schema.FaultNotReproduced })
}

func serviced(w *writer) (string, []string, string) {
	j := w.stay()
	if j == nil {
		return "", nil, "it is on the bench, or was never released"
	}
	last, records, _ := w.workOf(j)
	if len(records) == 0 {
		return "", nil, "no work on parts is recorded at its last stay"
	}
	l := w.leftOf(j, last)
	soaks := w.soaked(j, last)
	if l.readings == 0 && len(soaks) == 0 {
		return "", nil, "nothing was measured, and it was not run, after the last work"
	}
	records = append(append(append(records, l.records...), soaks...), j.Name(), j.Release.Name())
	return fmt.Sprintf("Serviced: in the workshop from %s to %s, and then measured or run under power.", j.IntakeRecord().Date, j.ReleaseRecord().Date), records, ""
}

func tested(w *writer) (string, []string, string) {
	j := w.stay()
	if j == nil {
		return "", nil, "it is on the bench, or was never released"
	}
	last, _, _ := w.workOf(j)
	l := w.leftOf(j, last)
	if l.readings == 0 {
		return "", nil, "no reading as left was taken after the last work of its last stay"
	}
	limits := "none of them has a limit to be held against"
	switch {
	case l.limited > 0 && l.outside == 0:
		limits = fmt.Sprintf("%s of them with a limit, none outside it", page.Thousands(l.limited))
	case l.limited > 0 || l.outside > 0:
		limits = fmt.Sprintf("%s of them with a limit, %d OUTSIDE it", page.Thousands(l.limited), l.outside)
	}
	return fmt.Sprintf("Tested at its last stay: %s as left, %s.", page.Plural(l.readings, "reading", "readings"), limits), l.records, ""
}

func original(w *writer) (string, []string, string) {
	stated := map[string][]string{}
	touched := map[string]bool{}
	elsewhere := false
	for i := range w.u.Files {
		f := &w.u.Files[i]
		in, ok := f.Record.(*schema.Intake)
		if !ok || f.Record.Head().Withdrawn {
			continue
		}
		elsewhere = elsewhere || len(in.EarlierWork) > 0
		for _, s := range in.Sections {
			for _, name := range w.sections(string(s.Name)) {
				switch s.Origin {
				case schema.OriginOriginal:
					stated[name] = append(stated[name], f.Name())
				case "":
				default:
					touched[name] = true
				}
			}
		}
	}
	if elsewhere {
		return "", nil, "an intake tells of work by others"
	}
	for _, q := range w.u.Pools {
		if len(q.Events) > 0 {
			touched[q.Section] = true
		}
	}
	for _, p := range w.u.Positions {
		if o := p.Current(); len(p.Occupants) != 1 || o == nil || o.Fitted != nil || o.Mod != nil || o.Origin != schema.OriginOriginal {
			touched[p.Section] = true
		}
	}
	var sections, records []string
	for _, s := range w.u.Sections {
		if s.Complete && len(stated[s.Name]) > 0 && !touched[s.Name] {
			sections = append(sections, s.Name)
			records = append(records, stated[s.Name]...)
		}
	}
	if sections == nil {
		return "", nil, "no section is called original by an intake, has a complete list of parts, and is untouched"
	}
	return fmt.Sprintf("Original, as far as the records say: %s.", w.name(page.Listed(mergedSections(sections)), "the name of a section")), records, ""
}

// sections are the names of the unit that a list of names means.
func (w *writer) sections(list string) []string {
	names, err := refs.ParseNames(list)
	if err != nil {
		return nil // told with the record
	}
	found, _ := names.Select(w.u.SectionNames())
	return found
}

// mergedSections writes names with their numbers run together.
func mergedSections(names []string) []string {
	return strings.Split(page.CompactNames(names), ", ")
}
