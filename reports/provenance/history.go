package provenance

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/unit"
)

// history lists every record, withdrawn ones too, with what the repository
// knows of it.
func (b *builder) history() {
	known := map[string]HistoryEntry{}
	for _, e := range b.in.History {
		known[e.File] = e
	}
	for i := range b.u.Files {
		f := &b.u.Files[i]
		h := f.Record.Head()
		e := known[f.Name()]
		delete(known, f.Name())
		e.Bench = b.benchName(f)
		e.File, e.Withdrawn = f.Name(), e.Withdrawn || h.Withdrawn
		e.Kind, e.Date, e.By = h.Kind, dayText(h.Date), b.person(f, h.By)
		if e.Summary == "" {
			e.Summary = b.summary(f)
		}
		e.Corrections = slices.Clone(e.Corrections)
		for i := range e.Corrections {
			e.Corrections[i].By = b.person(f, e.Corrections[i].By)
		}
		for _, c := range h.Corrections {
			same := func(x CorrectionEntry) bool { return x.Date == dayText(c.Date) && x.Reason == c.Reason }
			if !slices.ContainsFunc(e.Corrections, same) {
				e.Corrections = append(e.Corrections, CorrectionEntry{Date: dayText(c.Date), By: b.person(f, c.By), Reason: c.Reason})
			}
		}
		b.p.History = append(b.p.History, e)
	}
	// What the repository knows and the unit does not hold, such as a change of
	// instrument.toml, stays in its own order.
	for _, e := range b.in.History {
		if _, left := known[e.File]; left {
			e.By = b.person(nil, e.By)
			e.Corrections = slices.Clone(e.Corrections)
			for i := range e.Corrections {
				e.Corrections[i].By = b.person(nil, e.Corrections[i].By)
			}
			b.p.History = append(b.p.History, e)
		}
	}
	slices.SortStableFunc(b.p.History, func(x, y HistoryEntry) int { return strings.Compare(x.Date, y.Date) })
}

// summary puts a record in one line.
func (b *builder) summary(f *unit.File) string {
	switch r := f.Record.(type) {
	case *schema.Intake:
		return fmt.Sprintf("Received %s; it %s; %s.", reasonWords(r.Reason), intakeWorks(r.Works), page.Plural(len(r.Faults), "fault noted", "faults noted"))
	case *schema.Parts:
		var w []string
		for _, k := range r.ApplyKits {
			w = append(w, "kit "+Own(kitName(k.Kit, k.Revision)))
		}
		if n := len(r.Lines); n > 0 {
			w = append(w, page.Plural(n, "part line", "part lines"))
		}
		return page.Capital(page.Listed(w)) + "."
	case *schema.Measurements:
		var w []string
		if n := len(r.Readings); n > 0 {
			w = append(w, page.Plural(n, "reading", "readings"))
		}
		if n := len(r.Tables); n > 0 {
			w = append(w, page.Plural(n, "table of readings", "tables of readings"))
		}
		return page.Listed(w) + "."
	case *schema.Safety:
		done := 0
		for _, c := range r.Checks {
			if c.Result == schema.CheckDone {
				done++
			}
		}
		return fmt.Sprintf("%s, %d done.", page.Plural(len(r.Checks), "safety check", "safety checks"), done)
	case *schema.Soak:
		s := "Run under power for " + page.Clean(string(r.Duration))
		if len(r.Events) > 0 {
			s += ", " + page.Plural(len(r.Events), "event", "events")
		}
		return s + "."
	case *schema.Mod:
		return "Modification " + page.Quote(r.Name) + "."
	case *schema.Release:
		s := "Released; " + WorksWords(r.Works)
		if r.Warranty != nil {
			s += "; warranty to " + dayText(r.Warranty.End)
		}
		return s + "."
	case *schema.Followup:
		return fmt.Sprintf("News: %s (%s).", r.State, heardFrom(r.SaidBy, b.benchName(f)))
	case *schema.Custody:
		return page.Capital(string(r.Event)) + "."
	case *schema.Note:
		if r.Title != "" {
			return "Note: " + page.Quote(r.Title) + "."
		}
	default:
		return page.Capital(page.Clean(schema.Summary(r))) + "."
	}
	var holds []string
	if n := len(f.Record.Head().Photos); n > 0 {
		holds = append(holds, page.Plural(n, "photograph", "photographs"))
	}
	if n := len(f.Record.Head().Files); n > 0 {
		holds = append(holds, page.Plural(n, "file", "files"))
	}
	if holds != nil {
		return "Note with " + page.Listed(holds) + "."
	}
	return "Note."
}

// heardFrom says who said something, and whether the bench saw it.
func heardFrom(who, bench string) string {
	switch seen := strings.EqualFold(page.Clean(who), "own bench"); {
	case seen && bench != "":
		return "seen" + atBench(bench) + "; not at this bench"
	case seen:
		return "seen at this bench"
	}
	return "said by: " + Own(page.Clean(who)) + "; not seen at this bench"
}

// weightyKeys are the keys whose correction changes the state, the safety or
// the originality of the unit, and so belongs on page one.
var weightyKeys = pattern.New(`(^|\.)(withdrawn|works|state|power|power_why|mains|fuse|reversible|originals|origin|source|found|action|check|serial|built)(\[|\.|$)|^part\[\d+\]$`)

// weighty picks the corrections that belong on page one.
func (p *Report) weighty() []string {
	var out []string
	for _, e := range p.History {
		if reason := ""; e.Withdrawn {
			if !e.Kind.Weighty() {
				continue
			}
			for _, c := range e.Corrections {
				reason = " Reason: " + page.Quote(c.Reason) + "."
			}
			out = append(out, fmt.Sprintf("The %s of %s was withdrawn and counts for nothing.%s", e.Kind, e.Date, reason))
			continue
		}
		for _, c := range e.Corrections {
			if p.crossed(e, c) {
				continue // told with both shops
			}
			var changes []string
			for _, x := range c.Changes {
				if weightyKeys.MatchString(x.Path) {
					changes = append(changes, changeWords(x, 100))
				}
			}
			if changes == nil {
				continue
			}
			more := ""
			if len(changes) > 3 {
				more = fmt.Sprintf(" and %d more, see the history", len(changes)-3)
				changes = changes[:3]
			}
			out = append(out, fmt.Sprintf("%s, %s of %s: %s%s. Reason: %s.", c.Date, e.Kind, e.Date, strings.Join(changes, "; "), more, page.Quote(c.Reason)))
		}
	}
	for _, c := range p.Identity {
		if p.crossed(HistoryEntry{File: "instrument"}, c) {
			continue
		}
		var changes []string
		for _, x := range c.Changes {
			if x.Old != "" && x.Path != "format" {
				changes = append(changes, changeWords(x, 100))
			}
		}
		if changes != nil {
			out = append(out, fmt.Sprintf("%s, what is said of the instrument: %s. Reason: %s.", c.Date, strings.Join(changes, "; "), page.Quote(c.Reason)))
		}
	}
	return out
}

var countedPath = pattern.New(`\[(\d+)\]`)

// changeWords puts one changed field in words: what it was and what it is,
// each cut to so many characters.
func changeWords(c schema.Change, most int) string {
	cut := func(s string) string {
		if text, err := strconv.Unquote(s); err == nil {
			s = text // a word, which TOML sets in quotation marks of its own
		}
		if r := []rune(page.Clean(s)); len(r) > most {
			s = string(r[:most]) + " ..."
		}
		return page.Quote(s)
	}
	path := countedPath.ReplaceAllStringFunc(page.Clean(c.Path), func(s string) string {
		var n int
		fmt.Sscanf(s, "[%d]", &n)
		return fmt.Sprintf(" %d", n+1)
	})
	path = strings.ReplaceAll(path, ".", " ")
	path = strings.ReplaceAll(path, "_", " ")
	switch {
	case c.Old == "":
		return path + ": added " + cut(c.New)
	case c.New == "":
		return path + ": removed " + cut(c.Old)
	}
	return path + ": was " + cut(c.Old) + ", is " + cut(c.New)
}

// closing adds signers, how to check the history, cautions and the scope.
func (b *builder) closing() {
	p := b.p
	p.Signers = append(p.Signers, b.in.Signers...)
	for i := range p.Signers {
		p.Signers[i].Name, p.Signers[i].Fingerprint = page.Clean(p.Signers[i].Name), page.Clean(p.Signers[i].Fingerprint)
	}
	branch := b.in.Branch
	if branch == "" {
		branch = "unit/" + b.u.Name
	}
	branch = page.Clean(branch)
	say := func(text, command string) { p.Verify = append(p.Verify, VerifyStep{text, command}) }
	switch {
	case b.in.Head == "":
		say("This report was made from the record files alone, not from their history in git. Nothing in it can be checked against a signature.", "")
	case !b.in.Closed:
		say("Some of these records have not been closed: they are not on the unit's own history yet, and nothing vouches for them so far.", "")
	}
	// A name beside a key in claims, or in the shop's own signers, is whoever wrote
	// the file; the fingerprint is what counts. Without either git shows no signature.
	where, names := "in the clone that VERIFY.txt in the packet tells how to make", "../claims"
	if p.Proof != nil && p.Proof.Number == "" {
		where, names = "in the shop's own ledger", "signers"
	}
	say("The history is a branch in git, and stock git reads it. Type these lines "+where+".", "")
	if q := p.Proof; q != nil && q.Number != "" {
		say("Whether the last seal holds, and which key made it:", "git -c gpg.ssh.allowedSignersFile="+names+" verify-tag "+b.in.Vouched.Seals[len(b.in.Vouched.Seals)-1].Name)
	}
	if q := p.Proof; q != nil && q.Commits > 0 && q.Unsigned == q.Commits {
		say("Every record; none of the commits is signed:", "git log --show-signature "+branch)
	} else {
		say("Every record with the key that signed it:", "git -c gpg.ssh.allowedSignersFile="+names+" log --show-signature "+branch)
	}
	say("Every record and every later change of it:", "git log -p "+branch)
	say("Whether anything in the copy is damaged; no answer is a good answer:", "git fsck --strict")
	if b.in.Head != "" {
		say("The history this report was made from ends at the commit below. If git log begins with it, it is the same history.", page.Clean(b.in.Head))
	}
	say("The keys named here are this report's own claim. Compare a fingerprint by telephone with the shop, or with the one on the shop's own site, before you rely on it.", "")
	say("A signature shows who signed and that nothing was changed since. It does not show that the work was done, nor, without a trusted timestamp, when; nor that no other version exists.", "")
	p.Cautions = []string{
		"Mains voltage can kill. Parts inside can hold charge long after the plug is out.",
		"Old solder and paint can hold lead; old insulation can crumble when moved; old lagging and heat shields can hold asbestos.",
		"Work inside is for people licensed or trained for it where you live, under the codes and rules that apply there. Where this report and those rules differ, the rules apply.",
		"Safety limits in this report are the shop's own, with the source it names. The report sets none and is no inspection under any code.",
	}
	p.Scope = []string{
		"This report relates only to the unit named at its head, and to the days its records name.",
		"It names no owners or customers. What owners and others said is marked as theirs.",
		"Read it whole: parts of it mislead without the rest.",
	}
	seen := map[string]bool{}
	for _, x := range b.u.Problems {
		name := x.File[strings.LastIndexByte(x.File, '/')+1:]
		if x.Severity == schema.Wrong && !seen[name] {
			seen[name] = true
			p.Contradicts = append(p.Contradicts, page.Clean(strings.TrimSuffix(name, ".toml")))
		}
	}
}
