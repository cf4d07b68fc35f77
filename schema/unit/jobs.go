package unit

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/schema"
)

// jobs sorts the records into stays at the bench: by their job key, else by
// the intake before them. What comes after a release belongs to no job.
func (b *builder) jobs() {
	u := b.u
	b.jobOf = map[string]*Job{}
	byName := map[string]*Job{}
	seen := map[string]bool{} // fault ids
	for i := range u.Files {
		f := &u.Files[i]
		if schema.KindOf(f.Record).Stay() != schema.StayOpens || f.Record.Head().Withdrawn {
			continue
		}
		j := &Job{Intake: f}
		u.Jobs = append(u.Jobs, j)
		byName[f.Name()] = j
	}
	var current *Job
	for i := range u.Files {
		f := &u.Files[i]
		h := f.Record.Head()
		if h.Withdrawn {
			continue
		}
		c := b.col(f.Path)
		kind := schema.KindOf(f.Record)
		if kind.Stay() == schema.StayOpens {
			if current != nil && current.Open() {
				c.Errorf("", "the job that %s opened has no release yet => release the unit first; a second finding goes into a parts or note record. Records of one day are ordered by seq", current.Name())
			}
			current = byName[f.Name()]
		}
		j := current
		if h.Job != "" {
			named := byName[h.Job]
			if named == nil {
				c.Errorf("job", "this unit has no intake %q => name the intake by its file name without .toml: %s", h.Job, strings.Join(jobNames(u), ", "))
			} else if Less(*f, *named.Intake) {
				c.Errorf("job", "the job %q begins only on %s => correct the date, or name the job this belongs to", h.Job, named.Intake.Record.Head().Date)
			} else {
				j = named
			}
		} else if j != nil && !j.Open() {
			j = nil
		}
		switch {
		case kind.Stay() == schema.StayEnds:
			switch {
			case j == nil:
				c.Errorf("", "a release without an intake before it => add an intake record, or name the job")
			case j.Release != nil:
				c.Errorf("", "the job that %s opened was released already in %s => a later finding opens a new job", j.Name(), j.Release.Name())
				j = nil
			default:
				j.Release = f
			}
		case kind.WithinStay() && j == nil:
			c.Warnf("", "work outside any job => add the intake it belongs to, or name the job")
		}
		if j != nil {
			j.Files = append(j.Files, f)
			b.jobOf[f.Path] = j
		}
		for k, x := range schema.Faults(f.Record) {
			if x.State == "" {
				x.State = schema.FaultOpen
			}
			if seen[x.ID] {
				c.Errorf(fmt.Sprintf("fault[%d].id", k), "fault %q exists already => ids are unique within a unit: use the next number", x.ID)
				continue
			}
			seen[x.ID] = true
			ft := &Fault{Fault: x, Job: j, File: f, State: x.State}
			u.Faults = append(u.Faults, ft)
			if j != nil {
				j.Faults = append(j.Faults, ft)
			}
		}
	}
}

func jobNames(u *Unit) []string {
	names := make([]string, len(u.Jobs))
	for i, j := range u.Jobs {
		names[i] = j.Name()
	}
	return names
}

func (b *builder) faultExists(c *schema.Collector, at, id string) {
	if id == "" {
		return
	}
	ids := make([]string, len(b.u.Faults))
	for i, f := range b.u.Faults {
		if f.ID == id {
			return
		}
		ids[i] = f.ID
	}
	if len(ids) == 0 {
		c.Errorf(at, "there is no fault %q: no intake of this unit lists any => add a [[fault]] to the intake", id)
		return
	}
	c.Errorf(at, "there is no fault %q => the unit's faults are: %s", id, strings.Join(ids, ", "))
}

// faultStates sets every fault to what its release says.
func (b *builder) faultStates() {
	for _, j := range b.u.Jobs {
		r := j.ReleaseRecord()
		if r == nil {
			continue
		}
		c := b.col(j.Release.Path)
		for i, x := range r.Faults {
			b.faultExists(c, fmt.Sprintf("fault[%d].id", i), x.ID)
			for _, f := range b.u.Faults {
				if f.ID == x.ID {
					f.State, f.Note = x.State, x.Note
				}
			}
		}
		for _, f := range j.Faults {
			if !slices.ContainsFunc(r.Faults, func(x schema.FaultAtEnd) bool { return x.ID == f.ID }) {
				c.Errorf("", "the release does not say what became of fault %s (%s) => add [[fault]] with id = %q and its state", f.ID, f.Symptom, f.ID)
			}
			if f.State == schema.FaultCured && len(f.Cured) == 0 {
				c.Warnf("", "fault %s is cured, but no part line names it => add fault = %q to the line that cured it", f.ID, f.ID)
			}
		}
	}
}

// releases reports what a release leaves unsaid: parts still pending.
func (b *builder) releases() {
	for _, j := range b.u.Jobs {
		if j.Release == nil {
			continue
		}
		var pending []string
		for _, p := range b.u.Positions {
			for _, o := range p.Occupants {
				if n := len(o.Events); n > 0 {
					if e := o.Events[n-1]; e.Line.Action == schema.Pending && e.Job == j {
						pending = append(pending, p.Name())
					}
				}
			}
		}
		if pending != nil {
			b.col(j.Release.Path).Errorf("", "still pending: %s => add the lines that finish them; for a part that stays as it is, write action = \"left\"", clip(pending))
		}
	}
}

// matchedGroups reports groups of which a job changed some members and left
// others.
func (b *builder) matchedGroups() {
	type group struct{ section, name string }
	members := map[group][]*Position{}
	var order []group
	for _, p := range b.u.Positions {
		names := map[string]bool{}
		if p.Match != "" {
			names[p.Match] = true
		}
		for _, o := range p.Occupants {
			for _, e := range o.Events {
				if e.Line.Match != "" {
					names[e.Line.Match] = true
				}
			}
		}
		for n := range names {
			g := group{p.Section, n}
			if members[g] == nil {
				order = append(order, g)
			}
			members[g] = append(members[g], p)
		}
	}
	for _, g := range order {
		for _, j := range b.u.Jobs {
			var changed []*Position
			var last *Event
			for _, p := range members[g] {
				for _, o := range p.Occupants {
					for _, e := range o.Events {
						if e.Job == j && (e.Line.Action == schema.Replaced || e.Line.Action == schema.Removed) {
							if len(changed) == 0 || changed[len(changed)-1] != p {
								changed = append(changed, p)
							}
							last = e
						}
					}
				}
			}
			if len(changed) == 0 || len(changed) == len(members[g]) {
				continue
			}
			var rest []string
			for _, p := range members[g] {
				if !slices.Contains(changed, p) {
					rest = append(rest, string(p.Ref))
				}
			}
			b.col(last.File.Path).Errorf(last.Path, "%d of the %d parts of matched group %q in %s were changed, not %s => change the whole group: one new part does not match old ones",
				len(changed), len(members[g]), g.name, g.section, clip(rest))
		}
	}
}
