package provenance

import (
	"fmt"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/unit"
)

// claims are words a report never uses of its own: they promise more than
// records can show. A record's own text that holds one is quoted.
var claims = pattern.New(`(?i)\b(as[\s-]+new|like[\s-]+new|(fully|completely)[\s-]+restored|all[\s-]+original|certified|verified|guaranteed|mint|perfect|safe[\s-]+to[\s-]+use)\b`)

// Own gives a record's short text, such as the type of a part, plain where it
// only describes and in quotation marks where it claims.
func Own(s string) string {
	s = page.Clean(s)
	if claims.MatchString(s) || strings.ContainsAny(s, "“”") {
		return page.Quote(s)
	}
	return s
}

func WorksWords(w schema.Works) string {
	switch w {
	case schema.WorksFully:
		return "works fully"
	case schema.WorksPartly:
		return "works partly"
	case schema.WorksNo:
		return "does not work"
	case schema.WorksUnknown:
		return "not known whether it works"
	}
	return "not stated whether it works"
}

func reasonWords(r schema.Reason) string {
	switch r {
	case schema.ReasonOverhaul:
		return "for overhaul"
	case schema.ReasonRepair:
		return "for repair"
	case schema.ReasonComeback:
		return "as a comeback"
	case schema.ReasonInspection:
		return "for inspection"
	case schema.ReasonPurchase:
		return "as a purchase"
	}
	return Own(string(r))
}

func comebackWords(f schema.ComebackFault) string {
	switch f {
	case schema.ComebackSame:
		return "the same fault again"
	case schema.ComebackNew:
		return "a new fault"
	case schema.ComebackInduced:
		return "a fault caused by the earlier work"
	case schema.ComebackTransport:
		return "a fault from transport"
	case schema.ComebackUse:
		return "a fault from use"
	case schema.ComebackNotFound:
		return "no fault found"
	}
	return Own(string(f))
}

func powerWords(p schema.Power) string {
	switch p {
	case schema.PowerForbidden:
		return "DO NOT SWITCH ON"
	case schema.PowerLimited:
		return "Switch on only with limits"
	}
	return "May be switched on"
}

func foundWords(f schema.Finding) string {
	switch f {
	case schema.OK:
		return "in order"
	case schema.InService:
		return "in service (its circuit worked, itself not tested)"
	case schema.Untested:
		return "untested"
	}
	return string(f)
}

func howWords(h schema.How) string {
	switch h {
	case schema.Visual:
		return "seen by eye"
	case schema.InCircuit:
		return "tested in circuit"
	case schema.OutOfCircuit:
		return "tested out of circuit"
	case schema.Substitution:
		return "tested by substitution"
	}
	return string(h)
}

func reversibleWords(r schema.Reversible) string {
	switch r {
	case schema.ReversibleYes:
		return "It can be undone."
	case schema.ReversiblePartly:
		return "It can be undone in part."
	case schema.ReversibleNo:
		return "It cannot be undone."
	}
	return "Whether it can be undone is not recorded."
}

func originalsWords(o schema.Originals) string {
	switch o {
	case schema.OriginalsWithUnit:
		return "The parts that came out are with the unit."
	case schema.OriginalsKept:
		return "The parts that came out are kept at the shop."
	case schema.OriginalsReturned:
		return "The parts that came out were returned to the owner."
	case schema.OriginalsScrapped:
		return "The parts that came out were scrapped."
	case schema.OriginalsNone:
		return "No parts came out."
	}
	return "Where the parts are that came out is not recorded."
}

func actionWords(a schema.Action) string {
	switch a {
	case schema.Left:
		return "left as it is"
	case schema.Pending:
		return "still to be dealt with"
	case schema.Removed:
		return "taken out"
	}
	return string(a)
}

func keptWords(k schema.OldKept) string {
	if k == "" {
		return ""
	}
	return "old part " + Own(string(k))
}

func stageWords(s schema.Stage) string { return strings.ReplaceAll(string(s), "-", " ") }

func verdictWords(v unit.Verdict) string {
	switch v {
	case unit.NoLimit:
		return "no limit given"
	case unit.Outside:
		return "OUTSIDE"
	}
	return string(v)
}

func modeWords(modes []schema.Mode) string {
	names := make([]string, len(modes))
	for i, m := range modes {
		names[i] = string(m)
	}
	s := strings.ReplaceAll(strings.Join(names, ", "), "-", " ")
	return strings.ReplaceAll(s, "high esr", "high ESR")
}

// placesWords names positions: "C1-C8 (power supply); C2 (divider 1-8)".
func placesWords(ps []Place) string {
	out := make([]string, len(ps))
	for i, p := range ps {
		out[i] = Own(p.Sections)
		if p.Refs != "" {
			out[i] = Own(p.Sections) + " " + Own(p.Refs)
		}
	}
	return strings.Join(out, "; ")
}

// sentence puts a work item in words, without its place.
func (w WorkItem) sentence() string {
	var s strings.Builder
	if w.Places != nil && w.Places[0].Refs == "" {
		fmt.Fprintf(&s, "%s of the %s: ", page.Thousands(w.Parts), Own(strings.Join(w.Titles, ", ")))
	}
	if w.Found != "" {
		s.WriteString(foundWords(w.Found))
		if len(w.Modes) > 0 {
			s.WriteString(" (" + modeWords(w.Modes) + ")")
		}
		if w.How != "" {
			s.WriteString(", " + howWords(w.How))
		}
		if w.CausedBy != "" {
			s.WriteString(", because of " + Own(strings.ReplaceAll(w.CausedBy, "-", " ")))
		}
		s.WriteString("; ")
	}
	s.WriteString(actionWords(w.Action))
	old, fresh := describe(w.Old), describe(w.New)
	switch {
	case old != "" && fresh != "":
		s.WriteString(": " + old + " → " + fresh)
	case fresh != "":
		s.WriteString(": " + fresh)
	case old != "" && !w.Old.FromModel:
		s.WriteString(": " + old)
	}
	for _, t := range []struct{ format, what string }{
		{"; kit %s", Own(w.Kit)}, {"; %s", keptWords(w.OldKept)}, {"; for fault %s", Own(strings.Join(w.Faults, ", "))},
	} {
		if t.what != "" {
			fmt.Fprintf(&s, t.format, t.what)
		}
	}
	if w.Bench != "" {
		s.WriteString("; recorded" + atBench(w.Bench))
	}
	s.WriteString(".")
	if w.Note != "" {
		s.WriteString(" " + page.Says(w.Note))
	}
	return s.String()
}
