// Package unit reads all records of one instrument as a whole: which
// positions it has, what sat in each and when, which faults it had, which jobs
// it went through, and where its records contradict one another, the model or
// the shop.
package unit

import (
	"path"
	"sort"
	"strings"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/refs"
)

// File is one decoded record with its source.
type File struct {
	Path   string // slash path from the ledger
	Data   []byte
	Record schema.Record
}

// Name is the file name without .toml, by which other records refer to it.
func (f File) Name() string { return strings.TrimSuffix(path.Base(f.Path), ".toml") }

// Context is what a unit is read against. Shop may be nil: a unit that came
// from elsewhere is then read without the shop's lists.
type Context struct {
	Shop     *schema.Shop
	Families schema.FamilyList
	Lots     map[string]*schema.Lot // by name
	Today    schema.Date            // later dates are in the future; zero: no such check
	// Elsewhere says which records were written at another bench, by file name
	// without .toml. Their technicians, test instruments and lots are that
	// bench's: they are neither looked for in the shop's lists nor taken from
	// them, even where the same short name stands there.
	Elsewhere map[string]*Bench
}

// Bench is a shop that records came from, as far as it told about itself.
type Bench struct {
	Name, Contact   string
	Technicians     []schema.Technician
	TestInstruments []schema.TestInstrument
	Lots            map[string]*schema.Lot // by name
}

// Source is the files of one unit.
type Source struct {
	Name           string // model/tag
	Dir            string // slash path from the ledger
	Instrument     *schema.Instrument
	InstrumentData []byte
	Model          *schema.Model // nil: no population known
	Records        []File        // in any order
}

// Unit is one instrument, read as a whole.
type Unit struct {
	Name       string
	Dir        string
	Instrument *schema.Instrument
	Model      *schema.Model
	Built      edtf.Date // zero Text: not known
	Files      []File    // by date, seq, name
	Sections   []*Section
	Positions  []*Position // in the model's order, then as the records name them
	Pools      []*Pool
	Faults     []*Fault
	Jobs       []*Job
	Warnings   []*Warning
	Due        []*Due
	Kits       []*AppliedKit     // in order of the records
	Problems   []schema.Problem  // across files; those of single files are not repeated
	Elsewhere  map[string]*Bench // as the context has it
	LotsNamed  []string          // lots its records name, in order of name
	Ahead      bool              // a date lies after the context's Today
}

// Section is one section of the unit with the board it carries.
type Section struct {
	Name     string
	Board    string
	Revision string
	Also     []string             // what else it is called at the bench
	Complete bool                 // its population is all there is
	Origin   schema.Origin        // as the last intake that says so has it; "" is original
	Seen     schema.Date          // the day of that intake
	sets     []schema.PositionSet // its own population, where it has no board
}

// Position is one place a component sits.
type Position struct {
	Section  string
	Ref      refs.Ref
	Family   schema.FamilyName
	Value    schema.Quantity // the model's
	Rating   schema.Quantity
	Type     string
	Match    string
	Function string
	InModel  bool // the model or a factory difference names it
	Complete bool // its section's population is all there is

	Occupants []*Occupant // oldest first; at least one unless it was never filled
}

// Name gives section and reference.
func (p *Position) Name() string { return p.Section + " " + string(p.Ref) }

// Current returns what sits there now, nil where nothing does.
func (p *Position) Current() *Occupant {
	if n := len(p.Occupants); n > 0 && p.Occupants[n-1].Ended.IsZero() {
		return p.Occupants[n-1]
	}
	return nil
}

// Occupant is what sits in a position from one date to another.
type Occupant struct {
	Family    schema.FamilyName // the position's, unless another kind of part sits there
	Origin    schema.Origin     // original, replaced (fitted here), unknown
	Component *schema.Component // what is known of it; nil: as the model says
	Since     edtf.Date         // when it came to sit there; empty Text: not known
	Seen      schema.Date       // first day this ledger saw it
	Events    []*Event          // in order
	Ended     schema.Date       // zero: still there
	Fitted    *Event            // the line that put it there; nil: it was there before
	Mod       *File             // the modification that fitted it, if one did
	Kit       string            // kit and revision that fitted it, "A3/2", if one did
}

// Failure returns the event in which the occupant was first found failed, nil
// where it was not.
func (o *Occupant) Failure() *Event {
	for _, e := range o.Events {
		if e.Line.Found == schema.Failed {
			return e
		}
	}
	return nil
}

// Finding returns the gravest finding on the occupant: failed before degraded
// before missing, then the last of the others. "" where nobody looked.
func (o *Occupant) Finding() schema.Finding {
	rank := map[schema.Finding]int{schema.Failed: 3, schema.Degraded: 2, schema.Missing: 1}
	var found schema.Finding
	for _, e := range o.Events {
		if f := e.Line.Found; f != "" && rank[f] >= rank[found] {
			found = f
		}
	}
	return found
}

// Event is one part line as it applies to one position.
type Event struct {
	File *File
	Path string // of the line in its file
	Date schema.Date
	Line schema.PartLine // kit, lot and model filled in
	Kit  string          // "A3/2" where the line came from a kit
	Job  *Job            // nil: outside any job
	// CausedBy is the position that took the part down, where the line names one.
	CausedBy *Position
}

// AppliedKit is a kit of the model as a record took it. What it did to each
// position is in the events whose File is the record and whose Kit is Name.
type AppliedKit struct {
	schema.ApplyKit
	Kit  *schema.Kit
	File *File
}

// Name is kit and revision, as events and occupants name it: "A3/2".
func (a *AppliedKit) Name() string { return a.Kit.Name + "/" + a.Kit.Revision }

// Pool is a counted pool of parts nobody names one by one.
type Pool struct {
	Section  string
	Family   schema.FamilyName
	Count    int // 0: not known
	InModel  bool
	Complete bool
	Events   []*Event // Line.Count parts each
}

// Fault is one symptom with what became of it.
type Fault struct {
	schema.Fault
	Job   *Job
	File  *File
	State schema.FaultState // by the last record that says so
	Note  string            // of the release
	Cured []*Event          // part lines that name it
}

// Warning is a trap for the next technician, with the record that says so.
type Warning struct {
	schema.Warning
	File    *File
	Settled bool
}

// Due is work that comes next, with the record that says so.
type Due struct {
	schema.Due
	File    *File
	Settled bool
}

// Job is one stay at the bench.
type Job struct {
	Intake  *File
	Release *File   // nil while open
	Files   []*File // all records of the job, intake and release included
	Faults  []*Fault
}

// Name is the intake's file name, by which records refer to the job.
func (j *Job) Name() string { return j.Intake.Name() }

// Open reports whether the job has no release yet.
func (j *Job) Open() bool { return j.Release == nil }

// IntakeRecord returns the record that opened the job.
func (j *Job) IntakeRecord() *schema.Intake { return j.Intake.Record.(*schema.Intake) }

// ReleaseRecord returns the record that ended it, nil while it is open.
func (j *Job) ReleaseRecord() *schema.Release {
	if j.Release == nil {
		return nil
	}
	return j.Release.Record.(*schema.Release)
}

// OpenJob returns the job on the bench, nil where there is none.
func (u *Unit) OpenJob() *Job {
	if n := len(u.Jobs); n > 0 && u.Jobs[n-1].Open() {
		return u.Jobs[n-1]
	}
	return nil
}

// Position returns a position by section and reference, nil where the unit
// has none such.
func (u *Unit) Position(section string, ref refs.Ref) *Position {
	for _, p := range u.Positions {
		if p.Section == section && p.Ref == ref {
			return p
		}
	}
	return nil
}

// Section returns a section by name, nil where the unit has none such.
func (u *Unit) Section(name string) *Section {
	for _, s := range u.Sections {
		if s.Name == name {
			return s
		}
	}
	return nil
}

// Power returns what the records last said about switching the unit on, and
// the record that said it; nil where none did.
func (u *Unit) Power() (schema.Power, string, *File) {
	for i := len(u.Files) - 1; i >= 0; i-- {
		if h := u.Files[i].Record.Head(); h.Power != "" && !h.Withdrawn {
			return h.Power, h.PowerWhy, &u.Files[i]
		}
	}
	return "", "", nil
}

// Less orders records by date, then the numbered before the others by seq,
// then by name.
func Less(a, b File) bool {
	x, y := a.Record.Head(), b.Record.Head()
	if c := x.Date.Compare(y.Date.Day); c != 0 {
		return c < 0
	}
	if x.Seq != y.Seq {
		return y.Seq == 0 || x.Seq != 0 && x.Seq < y.Seq
	}
	return kindOrder(a, b)
}

// releasesLast puts work behind a release, on its day and up to the next intake, before it:
// what was written down after it was done before the unit left.
func releasesLast(files []File) {
	for i := range files {
		r := files[i].Record
		if schema.KindOf(r).Stay() != schema.StayEnds || r.Head().Withdrawn {
			continue
		}
		at := i
		for k := i + 1; k < len(files); k++ {
			x := files[k].Record
			if x.Head().Date != r.Head().Date || schema.KindOf(x).Stay() == schema.StayOpens {
				break
			}
			if schema.KindOf(x).Stay() == schema.StayWork {
				f := files[k]
				copy(files[at+1:k+1], files[at:k])
				files[at] = f
				at++
			}
		}
	}
}

// kindOrder breaks ties within a day as the table of kinds has it, then by
// file name.
func kindOrder(a, b File) bool {
	x, y := a.Record.Head().Kind.Rank(), b.Record.Head().Kind.Rank()
	if x != y {
		return x < y
	}
	return a.Path < b.Path
}

// Build reads a unit. It never fails: what does not fit is left out of the
// whole and reported in Problems.
func Build(src Source, ctx Context) *Unit {
	b := &builder{ctx: ctx, cols: map[string]*schema.Collector{}}
	u := &Unit{Name: src.Name, Dir: src.Dir, Instrument: src.Instrument, Model: src.Model, Elsewhere: ctx.Elsewhere}
	b.u = u
	if u.Instrument == nil {
		u.Instrument = &schema.Instrument{}
	}
	if u.Model == nil {
		u.Model = &schema.Model{}
	}
	u.Built, _ = u.Instrument.Built.Span()
	u.Files = append([]File{}, src.Records...)
	sort.SliceStable(u.Files, func(i, j int) bool { return Less(u.Files[i], u.Files[j]) })
	releasesLast(u.Files)

	b.instrumentPath = src.Dir + "/instrument.toml"
	b.sections()
	b.population()
	b.jobs()
	for i := range u.Files {
		f := &u.Files[i]
		if f.Record.Head().Withdrawn {
			continue
		}
		b.record(f)
	}
	b.faultStates()
	b.matchedGroups()
	b.releases()

	data := map[string][]byte{b.instrumentPath: src.InstrumentData}
	for _, f := range u.Files {
		data[f.Path] = f.Data
	}
	paths := make([]string, 0, len(b.cols))
	for p := range b.cols {
		paths = append(paths, p)
	}
	sort.Strings(paths)
	for _, p := range paths {
		c := b.cols[p]
		if d := data[p]; d != nil && len(c.Problems) > 0 {
			schema.Locate(d).Place(c.Problems)
		}
		schema.Sort(c.Problems)
		u.Problems = append(u.Problems, c.Problems...)
	}
	return u
}
