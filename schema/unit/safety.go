package unit

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"benchlore/schema"
)

// alarming are words of an intake that tell of heat, fire or a shock.
var alarming = regexp.MustCompile(`(?i)\b(burn[a-z]*|smok[a-z]*|scorch[a-z]*|char(?:red|ring)|fire|flames?|flash(?:ed)?|sparks?|melt[a-z]*|electric shock|shocks?|tingl[a-z]*|exploded|bang)\b`)

// SafetyStops are the reasons why a job should not end as its records stand: it came in
// burnt, or with too large a fuse, and nobody says that it was
// tested for safety, or why not. They are errors of the release, or of the job while it
// has none; close refuses them.
func (u *Unit) SafetyStops(j *Job) []schema.Problem {
	if j == nil {
		return nil
	}
	file := j.Intake.Path
	if j.Release != nil {
		file = j.Release.Path
	}
	var out []schema.Problem
	stop := func(message, write string) {
		out = append(out, schema.Problem{File: file, Severity: schema.Wrong, Message: message, Write: write})
	}
	reason := u.alarm(j)
	tested := slices.ContainsFunc(j.Files, func(f *File) bool {
		s, ok := f.Record.(*schema.Safety)
		return ok && len(s.Checks) > 0
	})
	fuse := ""
	if m := u.Instrument.Mains; m != nil {
		fuse = m.FuseFound
	}
	belongs, larger, times := u.MainsFuse(fuse)
	if larger && j == u.Jobs[0] {
		found := fmt.Sprintf("it came with a mains fuse of %s where %s belongs", fuse, belongs)
		if times != "" {
			found += ", " + times
		}
		if reason == "" {
			reason = found
		} else {
			reason += ", and " + found
		}
	}
	if reason != "" && !tested {
		stop(reason+": no safety check is recorded",
			`record one: benchlore record safety --check 'name = "earth continuity", result = "done", value = "0.1 Ohm"'; or say why there is none: benchlore record safety --check 'name = "safety test", result = "not-done", why = "..."'`)
	}
	if r := j.ReleaseRecord(); r != nil && r.Note == "" {
		if belongs, larger, times := u.MainsFuse(r.Fuse); larger {
			stop(strings.TrimSuffix(fmt.Sprintf("it would leave with a mains fuse of %s where %s belongs, %s", r.Fuse, belongs, times), ", ")+": a danger of fire",
				"fit the right one and correct fuse; or say why in the note of the release")
		}
	}
	return out
}

// alarm says what of a job's records asks for a safety check, "" where nothing does.
func (u *Unit) alarm(j *Job) string {
	in := j.IntakeRecord()
	for _, f := range in.Faults {
		if alarming.MatchString(f.Symptom) || alarming.MatchString(f.Conditions) {
			return fmt.Sprintf("fault %s is %q", f.ID, f.Symptom)
		}
	}
	for _, s := range in.Sections {
		if alarming.MatchString(s.Condition) {
			return fmt.Sprintf("%s came in as %q", s.Name, s.Condition)
		}
	}
	if in.Power != "" && in.Power != schema.PowerNormal && alarming.MatchString(in.PowerWhy) {
		return fmt.Sprintf("it came in not to be powered (%s)", in.PowerWhy)
	}
	for _, p := range u.Positions {
		switch p.Family { // of the mains side
		case "fuse/mains", "transformer/mains", "cable/mains", "capacitor/safety":
		default:
			continue
		}
		for _, o := range p.Occupants {
			for _, e := range o.Events {
				if e.Job == j && slices.Contains(e.Line.Mode, "burnt") && (e.Line.Found == schema.Failed || e.Line.Found == schema.Degraded) {
					return p.Name() + " was found burnt"
				}
			}
		}
	}
	return ""
}

// forbidden reports work under power on a unit that must not be switched on.
func (b *builder) forbidden(c *schema.Collector, f *File, what string) {
	if p := f.Record.Head().Power; p != "" && p != schema.PowerForbidden {
		return // the record itself lifts it
	}
	var last *schema.Common
	for i := range b.u.Files {
		g := &b.u.Files[i]
		if g == f {
			break
		}
		if h := g.Record.Head(); h.Power != "" && !h.Withdrawn {
			last = h
		}
	}
	if last != nil && last.Power == schema.PowerForbidden {
		why := ""
		if last.PowerWhy != "" {
			why = " (" + last.PowerWhy + ")"
		}
		c.Warnf("", "%s on a unit marked DO NOT POWER since %s%s => if that is over, say so in the record that ends it: power = \"normal\"", what, last.Date, why)
	}
}
