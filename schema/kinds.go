package schema

import (
	"fmt"
	"net/url"
	"reflect"
	"strings"

	"benchlore/schema/pattern"
	"benchlore/schema/remedy"
)

// Kind is the kind of a record, the second part of its file name.
type Kind string

// The kinds of records that travel with an instrument.
const (
	KindIntake        Kind = "intake"
	KindParts         Kind = "parts"
	KindMeasurements  Kind = "measurements"
	KindSafety        Kind = "safety"
	KindSoak          Kind = "soak"
	KindMod           Kind = "mod"
	KindRelease       Kind = "release"
	KindFollowup      Kind = "followup"
	KindDemonstration Kind = "demonstration"
	KindCustody       Kind = "custody"
	KindNote          Kind = "note"
)

// Stay is what a record does to a unit's stay at the bench.
type Stay int

// What a record does to a stay.
const (
	StayTold  Stay = iota // nothing: it tells about the unit
	StayOpens             // it begins one; only where none is open
	StayWork              // work on the unit, or a test of it
	StayEnds              // it ends the open one
)

// kindRow says everything about one kind of record that holds for all its
// records. What its keys are is said by the fields of its type, what is wrong
// with a record by the type's validate, what it tells in a line by its
// sentence.
type kindRow struct {
	kind  Kind
	about string // what it is for, in a sentence
	blank func() Record

	stay   Stay
	within bool // it belongs into a stay; outside one a warning says so
	// rank is its place among records of one day that are not numbered.
	rank int
	// aside: it says nothing about a part, nor whether the unit was heard of.
	aside bool
	// weighty: taking it back changes the unit's state, safety or originality.
	weighty bool
}

// kinds is the table of record kinds, in the order they are listed everywhere.
// A new kind is a row here, a type, and its tests.
var kinds = []kindRow{
	{kind: KindIntake, blank: func() Record { return &Intake{} }, stay: StayOpens, rank: 0, weighty: true,
		about: "Opens a job: the unit as it was received, and what the player noticed."},
	{kind: KindParts, blank: func() Record { return &Parts{} }, stay: StayWork, within: true, rank: 3, weighty: true,
		about: "What was found and done, part by part."},
	{kind: KindMeasurements, blank: func() Record { return &Measurements{} }, stay: StayWork, rank: 2,
		about: "Readings, before and after the work."},
	{kind: KindSafety, blank: func() Record { return &Safety{} }, stay: StayWork, rank: 5, weighty: true,
		about: "The electrical safety checks the shop made. Limits are the shop's own, with their source."},
	{kind: KindSoak, blank: func() Record { return &Soak{} }, stay: StayWork, within: true, rank: 6, weighty: true,
		about: "A run under power to see whether the work holds."},
	{kind: KindMod, blank: func() Record { return &Mod{} }, stay: StayWork, within: true, rank: 4, weighty: true,
		about: "A modification: it changes what the unit is made of."},
	{kind: KindRelease, blank: func() Record { return &Release{} }, stay: StayEnds, within: true, rank: 8, weighty: true,
		about: "The sign-off: in what state the unit leaves the bench."},
	{kind: KindFollowup, blank: func() Record { return &Followup{} }, rank: 10, weighty: true,
		about: "Later news of a unit."},
	{kind: KindDemonstration, blank: func() Record { return &Demonstration{} }, rank: 7, aside: true, weighty: true,
		about: "The walk through what the unit does, function by function, and where to hear it. It is no reading and no step of a procedure."},
	{kind: KindCustody, blank: func() Record { return &Custody{} }, rank: 9,
		about: "A change of hands: a date, and no names."},
	{kind: KindNote, blank: func() Record { return &Note{} }, rank: 1, aside: true,
		about: "Anything else."},
}

var (
	kindWords  []string
	rowOf      = map[Kind]*kindRow{}
	kindOfType = map[reflect.Type]Kind{}
)

func init() {
	for i := range kinds {
		k := &kinds[i]
		kindWords = append(kindWords, string(k.kind))
		rowOf[k.kind] = k
		kindOfType[reflect.TypeOf(k.blank())] = k.kind
	}
}

// row is the kind's row of the table; an empty one for an unknown kind.
func (k Kind) row() *kindRow {
	if r := rowOf[k]; r != nil {
		return r
	}
	return &kindRow{}
}

// Words lists the kinds.
func (Kind) Words() []string { return kindWords }

// New returns an empty record of the kind, nil for an unknown one.
func New(k Kind) Record {
	if r := rowOf[k]; r != nil {
		return r.blank()
	}
	return nil
}

// KindOf is the kind a record is by its type. The record's own key kind may
// say something else in a file that is still to be corrected.
func KindOf(rec Record) Kind { return kindOfType[reflect.TypeOf(rec)] }

// About says what a kind of record is for, in a sentence.
func (k Kind) About() string { return k.row().about }

// Stay says what a record of the kind does to a stay at the bench.
func (k Kind) Stay() Stay { return k.row().stay }

// WithinStay reports whether a record of the kind belongs into a stay.
func (k Kind) WithinStay() bool { return k.row().within }

// Rank orders the kinds within a day, as the work goes: the intake first, the
// release and what comes after it last. It is 0 for an unknown kind.
func (k Kind) Rank() int { return k.row().rank }

// Evidence reports whether a record of the kind may say anything about a part,
// or that the unit was heard of. Statistics leave out the others.
func (k Kind) Evidence() bool { return !k.row().aside }

// Weighty reports whether taking back a record of the kind changes the state,
// the safety or the originality of the unit.
func (k Kind) Weighty() bool { return k.row().weighty }

// Summary tells a record in a few words, without a full stop; "" where it says
// nothing.
func Summary(rec Record) string { return rec.sentence() }

func (r *Intake) sentence() string {
	return fmt.Sprintf("%s, works: %s%s", r.Reason, r.Works, counted(len(r.Faults), "fault"))
}

func (r *Parts) sentence() string {
	s := counted(len(r.Lines), "line")
	for _, k := range r.ApplyKits {
		s += fmt.Sprintf(", kit %s", strings.TrimSuffix(k.Kit+" "+k.Revision, " "))
	}
	return strings.TrimPrefix(s, ", ")
}

func (r *Measurements) sentence() string {
	return strings.TrimPrefix(counted(len(r.Readings), "reading")+counted(len(r.Tables), "table"), ", ")
}

func (r *Safety) sentence() string {
	return strings.TrimPrefix(counted(len(r.Checks), "check"), ", ")
}

func (r *Soak) sentence() string { return string(r.Duration) + counted(len(r.Events), "event") }

func (r *Mod) sentence() string { return r.Name }

func (r *Release) sentence() string { return "works: " + string(r.Works) }

func (r *Followup) sentence() string { return fmt.Sprintf("%s, says the %s", r.State, r.SaidBy) }

func (r *Custody) sentence() string { return string(r.Event) }

func (r *Note) sentence() string {
	if r.Title != "" {
		return r.Title
	}
	s := strings.Join(strings.Fields(r.Note), " ")
	if c := []rune(s); len(c) > 60 {
		return string(c[:57]) + "..."
	}
	return s
}

// counted adds a number of things to a sentence: ", 2 lines". None adds
// nothing.
func counted(n int, what string) string {
	switch n {
	case 0:
		return ""
	case 1:
		return ", 1 " + what
	}
	return fmt.Sprintf(", %d %ss", n, what)
}

// Demonstration is the walk through what a unit does, as it came or as it
// leaves, or later. The latest one that names a function at a stage counts.
type Demonstration struct {
	Common
	Stage     DemonstrationStage `toml:"stage" need:"yes" ask:"yes" doc:"as-found, as-left"`
	Functions []Shown            `toml:"function" need:"yes" ask:"yes" of:"function" doc:"one function of the model"`
}

// Shown is one function as it was shown. A recording is a file, known by its
// digest, or stands at an address; At is the place in it.
type Shown struct {
	ID     string        `toml:"id" need:"yes" ask:"yes" of:"function" doc:"the function, by its id in the model"`
	Works  FunctionState `toml:"works" need:"yes" ask:"yes" doc:"fully, partly, no, not-tried, not-fitted"`
	Note   string        `toml:"note,omitempty" ask:"yes" doc:"what the notice says"`
	File   string        `toml:"file,omitempty" ask:"yes" doc:"the recording: path from the instrument's folder, or the name of a file handed over beside it"`
	SHA256 string        `toml:"sha256,omitempty" ask:"yes" doc:"digest of the recording, 64 hexadecimal digits"`
	URL    string        `toml:"url,omitempty" doc:"the recording, where it is on the web: https://..."`
	At     MinuteSecond  `toml:"at,omitempty" ask:"yes" doc:"where in the recording: mm:ss"`
}

// DemonstrationStage says whether a unit was shown before or after the work.
type DemonstrationStage string

// The stages of a demonstration.
const (
	ShownAsFound DemonstrationStage = "as-found"
	ShownAsLeft  DemonstrationStage = "as-left"
)

// Words lists the stages.
func (DemonstrationStage) Words() []string { return []string{"as-found", "as-left"} }

// FunctionState says how far a function works.
type FunctionState string

// The states of a function.
const (
	FunctionFully     FunctionState = "fully"
	FunctionPartly    FunctionState = "partly"
	FunctionNo        FunctionState = "no"
	FunctionNotTried  FunctionState = "not-tried"
	FunctionNotFitted FunctionState = "not-fitted"
)

// Words lists the states.
func (FunctionState) Words() []string {
	return []string{"fully", "partly", "no", "not-tried", "not-fitted"}
}

// MinuteSecond is a place in a recording: 01:20. Minutes run on past the hour.
type MinuteSecond string

var minuteSecondForm = pattern.New(`^[0-9]{2,3}:[0-5][0-9]$`)

func (MinuteSecond) pattern() string { return minuteSecondForm.String() }

// Check implements the form of the field.
func (m MinuteSecond) Check() error {
	if !minuteSecondForm.MatchString(string(m)) {
		return remedy.Errorf("%q is not a place in a recording => write minutes and seconds with two digits each: 01:20", string(m))
	}
	return nil
}

func (r *Demonstration) validate(c *Collector) {
	unique(c, "function", "id", len(r.Functions), func(i int) string { return r.Functions[i].ID })
	for i, f := range r.Functions {
		at := fmt.Sprintf("function[%d]", i)
		c.localPath(at+".file", f.File, "")
		c.digest(at+".sha256", f.SHA256)
		switch {
		case f.File != "" && f.SHA256 == "":
			c.Errorf(at+".file", "a recording without its digest => add sha256 = \"...\", as sha256sum prints it, so that it is known to be the same file")
		case f.File == "" && f.SHA256 != "":
			c.Errorf(at+".sha256", "a digest without a file => add file = \"...\"")
		case f.At != "" && f.File == "" && f.URL == "":
			c.Errorf(at+".at", "a place in a recording, but no recording => add file and sha256, or url")
		}
		if u, err := url.Parse(f.URL); f.URL != "" && (err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "") {
			c.Errorf(at+".url", "%q is not an address on the web => write it whole: https://...", f.URL)
		}
	}
}

func (r *Demonstration) sentence() string {
	s := strings.ReplaceAll(string(r.Stage), "-", " ")
	for _, w := range FunctionState("").Words() {
		n := 0
		for _, f := range r.Functions {
			if string(f.Works) == w {
				n++
			}
		}
		if n > 0 {
			s += fmt.Sprintf(", %d %s", n, strings.ReplaceAll(w, "-", " "))
		}
	}
	return s
}
