// Package provenance builds the report on one instrument as a plain value and
// sets it as text, HTML, PDF and JSON. The value holds everything a page shows,
// resolved and in order; setting it adds no facts.
package provenance

import (
	"encoding/json"
	"io"

	"benchlore/ledger/proof"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// Input is what a report is made from.
type Input struct {
	Unit     *unit.Unit
	Shop     *schema.Shop      // nil: a unit from another bench; ids are shown in place of names
	Families schema.FamilyList // titles; nil: family names are shown
	// History is what the repository knows of each record, by File. A record it
	// does not name is listed from its own text alone.
	History []HistoryEntry
	Closed  bool        // every record is on the unit's own history
	AsOf    schema.Date // the day of the report; zero: that of the last record
	Signers []Signer
	Vouched *proof.Vouched // what stands for the history; nil: nothing is known of it
	Branch  string         // the unit's branch; "": unit/<model>/<tag>
	Head    string         // the commit the records were read from; "": not from git
}

// Report is the report on one unit: page one for a buyer, and after it what the
// next bench needs. It is complete: writers add nothing.
//
// Bench, here and there, names the other bench that recorded a fact; the text
// says so beside it. It is empty for what this bench recorded.
//
// Fields named after record keys hold the record's own words. PageOne,
// History[].Summary, Verify, Cautions and the other sentences are the
// report's, with the record's words in quotation marks.
type Report struct {
	Schema   int          `json:"schema"`
	Title    string       `json:"title"`
	AsOf     string       `json:"asOf"`
	Closed   bool         `json:"closed"`
	Shop     ShopName     `json:"shop"`
	Unit     UnitIdentity `json:"unit"`
	Preamble []string     `json:"preamble"`
	InShort  []Fact       `json:"inShort"` // a buyer's three questions, answered from what page one says
	PageOne  []Fact       `json:"pageOne"`

	State        State              `json:"state"`
	Faults       []FaultReport      `json:"faults"`
	KnownBad     []WorkItem         `json:"knownBad"`
	Safety       []SafetyRun        `json:"safety"`
	Functions    []FunctionReport   `json:"functions,omitempty"` // how each was last shown, as found before as left
	NotShown     []string           `json:"functionsNotShown,omitempty"`
	Warranties   []WarrantyReport   `json:"warranties"`
	Mods         []ModReport        `json:"modifications"`
	Due          []DueReport        `json:"due"`
	Jobs         []JobReport        `json:"jobs"`
	Work         []WorkItem         `json:"work"`
	Coverage     CoverageReport     `json:"coverage"`
	Sections     []string           `json:"sections"` // in the model's order
	Map          []MapSection       `json:"map"`
	MapLegend    []MapLetter        `json:"mapLegend"`
	DecisionRule []string           `json:"decisionRule"`
	Readings     []ReadingRow       `json:"readings"`
	Tables       []TableReport      `json:"tables"`
	Instruments  []InstrumentReport `json:"testInstruments"`
	Soaks        []SoakReport       `json:"soaks"`
	Parts        []PartNow          `json:"partsNow"`
	Warnings     []WarningReport    `json:"warnings"`
	Notes        []NoteReport       `json:"notes"`
	Since        []NewsReport       `json:"newsAndCustody"`
	Photos       []PhotoReport      `json:"photos"`
	Files        []FileReport       `json:"files"`
	History      []HistoryEntry     `json:"history"`
	Proof        *ProofReport       `json:"proof,omitempty"`
	Crossed      []CrossReport      `json:"correctedByOthers"`   // corrections of what another shop wrote
	Identity     []CorrectionEntry  `json:"identityCorrections"` // of instrument.toml
	Signers      []Signer           `json:"signers"`
	Verify       []VerifyStep       `json:"verify"`
	Cautions     []string           `json:"cautions"`
	Scope        []string           `json:"scope"`
	Contradicts  []string           `json:"contradictions"` // records with errors, by file name
}

// A chapter is the part of a report on one kind of record: what it adds to the
// report, and how that is set on every kind of sheet.
type chapter struct {
	build func(*builder)
	set   func(*textReport)
}

// chapters are those after the readings, in order.
var chapters = []chapter{
	{(*builder).safety, (*textReport).safety},
	{(*builder).demonstration, (*textReport).demonstration},
}

// ShopName is the shop that makes the report.
type ShopName struct {
	Name    string `json:"name"`
	Contact string `json:"contact,omitempty"`
}

// Fact is one entry of page one: a label and what is to be said, in order.
// Key is stable; every fact carries the same weight.
type Fact struct {
	Key   string   `json:"key"`
	Label string   `json:"label"`
	Lines []string `json:"lines"`
}

// UnitIdentity is which instrument it is.
type UnitIdentity struct {
	Name        string             `json:"name"` // model/tag
	UUID        string             `json:"uuid"`
	Maker       string             `json:"maker"`
	Model       string             `json:"model"`
	Variant     string             `json:"variant,omitempty"`
	Built       string             `json:"built,omitempty"` // EDTF
	BuiltText   string             `json:"builtText"`
	BuiltFrom   string             `json:"builtFrom,omitempty"`
	Serials     []SerialReport     `json:"serials"`
	Boards      []BoardReport      `json:"boards"`
	Differences []DifferenceReport `json:"factoryDifferences"`
	Hours       *float64           `json:"hours,omitempty"` // last reading of the hour meter
	HoursOn     string             `json:"hoursOn,omitempty"`
	Note        string             `json:"note,omitempty"`
}

// SerialReport is one number of the unit and how it was established.
type SerialReport struct {
	Place string           `json:"place"`
	Value string           `json:"value,omitempty"`
	How   schema.SerialHow `json:"how"`
	Note  string           `json:"note,omitempty"`
}

// BoardReport is the board revision some sections carry.
type BoardReport struct {
	Sections string `json:"sections"`
	Board    string `json:"board"`
	Revision string `json:"revision,omitempty"`
	Stated   bool   `json:"stated"` // of this unit; false: as the model usually has it
}

// DifferenceReport is one way the unit left the factory unlike its model.
type DifferenceReport struct {
	Section string `json:"section"`
	Refs    string `json:"refs"`
	Absent  bool   `json:"absent"`
	Part    string `json:"part,omitempty"`
	Note    string `json:"note,omitempty"`
}

// State is the state the unit last left the bench in, and what changed since.
type State struct {
	OnBenchSince  string              `json:"onBenchSince,omitempty"`
	Works         schema.Works        `json:"works"` // no, partly, fully, unknown; "" without a release
	Date          string              `json:"date,omitempty"`
	By            string              `json:"by,omitempty"`
	SoakHours     float64             `json:"soakHours"`
	SoakCycles    int                 `json:"soakCycles"`
	WorkAfterSoak bool                `json:"workAfterSoak"`
	Power         schema.Power        `json:"power,omitempty"`
	PowerWhy      string              `json:"powerWhy,omitempty"`
	PowerDate     string              `json:"powerDate,omitempty"`
	MainsFound    string              `json:"mainsFound,omitempty"`
	FuseFound     string              `json:"fuseFound,omitempty"`
	Mains         string              `json:"mains,omitempty"`
	Fuse          string              `json:"fuse,omitempty"`
	MainsDate     string              `json:"mainsDate,omitempty"`
	TransitLocks  schema.TransitLocks `json:"transitLocks,omitempty"`
	TransitDate   string              `json:"transitDate,omitempty"`
	Overhaul      string              `json:"lastOverhaul,omitempty"` // day of the release of the last overhaul
	Bench         string              `json:"bench,omitempty"`
}

// FaultReport is one symptom and what became of it.
type FaultReport struct {
	ID         string            `json:"id"`
	Symptom    string            `json:"symptom"`
	Conditions string            `json:"conditions,omitempty"`
	Section    string            `json:"section,omitempty"`
	Noted      string            `json:"noted"` // the day
	Job        string            `json:"job"`
	State      schema.FaultState `json:"state"`
	Unsaid     bool              `json:"unsaid"` // its job was released without saying what became of it
	Note       string            `json:"note,omitempty"`
	Work       []WorkItem        `json:"work"`
	Bench      string            `json:"bench,omitempty"`
}

// Place is some positions of some sections.
type Place struct {
	Sections string `json:"sections"`
	Refs     string `json:"refs,omitempty"`
}

// PartText describes a part.
type PartText struct {
	Value      string        `json:"value,omitempty"`
	Rating     string        `json:"rating,omitempty"`
	Type       string        `json:"type,omitempty"`
	Maker      string        `json:"maker,omitempty"`
	PartNumber string        `json:"partNumber,omitempty"`
	Lot        string        `json:"lot,omitempty"`
	DateCode   string        `json:"dateCode,omitempty"`
	Source     schema.Source `json:"source,omitempty"`
	Measured   string        `json:"measured,omitempty"`
	FromModel  bool          `json:"fromModel,omitempty"` // not recorded: as the model lists it
}

// WorkItem is one thing found and done, on one part or several alike.
type WorkItem struct {
	Job      string              `json:"job,omitempty"`
	Date     string              `json:"date"`
	Record   string              `json:"record,omitempty"` // file name without .toml
	By       string              `json:"by,omitempty"`
	Places   []Place             `json:"places"`
	Parts    int                 `json:"parts"` // of the whole line, over all sections it met
	Families []schema.FamilyName `json:"families"`
	Titles   []string            `json:"familyTitles"`
	Found    schema.Finding      `json:"found,omitempty"`
	How      schema.How          `json:"how,omitempty"`
	Modes    []schema.Mode       `json:"modes,omitempty"`
	CausedBy string              `json:"causedBy,omitempty"`
	Faults   []string            `json:"faults,omitempty"`
	Action   schema.Action       `json:"action"`
	Old      *PartText           `json:"old,omitempty"`
	New      *PartText           `json:"new,omitempty"`
	Kit      string              `json:"kit,omitempty"`
	Mod      string              `json:"modification,omitempty"`
	OldKept  schema.OldKept      `json:"oldKept,omitempty"`
	Note     string              `json:"note,omitempty"`
	Bench    string              `json:"bench,omitempty"`
}

// SafetyRun is one safety record.
type SafetyRun struct {
	Record    string         `json:"record"`
	Job       string         `json:"job,omitempty"`
	Date      string         `json:"date"`
	By        string         `json:"by"`
	Counts    bool           `json:"counts"`    // at least one check was done, in the last job
	WorkAfter bool           `json:"workAfter"` // parts were worked on after it
	Checks    []SafetyReport `json:"checks"`
	Note      string         `json:"note,omitempty"`
	Bench     string         `json:"bench,omitempty"`
}

// Verdicts on checks that measure nothing.
const (
	passedByInspection unit.Verdict = "passed by inspection"
	failedByInspection unit.Verdict = "FAILED by inspection"
)

// SafetyReport is one check. Verdict is empty where there is no limit.
type SafetyReport struct {
	Name        string             `json:"name"`
	Result      schema.CheckResult `json:"result"`
	Stage       schema.Stage       `json:"stage,omitempty"` // as-found, ...; empty: as-left
	Superseded  bool               `json:"superseded"`      // done again later in the same stay
	Why         string             `json:"why,omitempty"`
	Value       string             `json:"value,omitempty"`
	Limit       string             `json:"limit,omitempty"`
	LimitSource string             `json:"limitSource,omitempty"`
	Verdict     unit.Verdict       `json:"verdict"`
	Conditions  string             `json:"conditions,omitempty"`
	With        string             `json:"with,omitempty"`
	By          string             `json:"by"`
	Note        string             `json:"note,omitempty"`
}

// WarrantyReport is what was promised with a release, or with the change of
// hands after it.
type WarrantyReport struct {
	Start        string `json:"start"`
	End          string `json:"end"`
	Scope        string `json:"scope"`
	Transferable bool   `json:"transferable"`
	Ended        bool   `json:"ended"` // before the day of the report
	Release      string `json:"release,omitempty"`
	Bench        string `json:"bench,omitempty"`
}

// ModReport is one modification.
type ModReport struct {
	Name        string            `json:"name"`
	Kit         string            `json:"kit,omitempty"`
	Serial      string            `json:"serial,omitempty"`
	Date        string            `json:"date"`
	By          string            `json:"by"`
	Record      string            `json:"record"`
	Changes     string            `json:"changes"`
	Reversible  schema.Reversible `json:"reversible,omitempty"`
	Undo        string            `json:"undo,omitempty"`
	Originals   schema.Originals  `json:"originals,omitempty"`
	Fitted      int               `json:"fitted"`      // parts it fitted
	StillFitted int               `json:"stillFitted"` // of them still there
	Removed     int               `json:"removed"`     // parts it took out without another in their place
	Note        string            `json:"note,omitempty"`
	Bench       string            `json:"bench,omitempty"`
}

// DueReport is what comes next.
type DueReport struct {
	What    string   `json:"what"`
	When    string   `json:"when,omitempty"`
	AtHours *float64 `json:"atHours,omitempty"`
	Section string   `json:"section,omitempty"`
	Said    string   `json:"said"`   // the day
	Passed  bool     `json:"passed"` // the day, or the reading of the hour meter
	Settled bool     `json:"settled"`
	Bench   string   `json:"bench,omitempty"`
}

// JobReport is one stay at the bench: the unit as received and as released.
type JobReport struct {
	Name          string            `json:"name"`
	Received      string            `json:"received"`
	Released      string            `json:"released,omitempty"`
	ReleasedBy    string            `json:"releasedBy,omitempty"`
	WorksReleased schema.Works      `json:"worksReleased,omitempty"`
	ReleaseNote   string            `json:"releaseNote,omitempty"`
	By            string            `json:"by"`
	Reason        schema.Reason     `json:"reason"`
	Works         schema.Works      `json:"works"`
	LastWorking   string            `json:"lastKnownWorking,omitempty"`
	LastWorkingBy string            `json:"lastKnownWorkingBy,omitempty"`
	Power         schema.Power      `json:"power,omitempty"`
	PowerWhy      string            `json:"powerWhy,omitempty"`
	Faults        []string          `json:"faults"`
	Sections      []SectionAsSeen   `json:"sections"`
	EarlierWork   []string          `json:"earlierWork"`
	Missing       []string          `json:"missing"`
	Accessories   []string          `json:"accessories"`
	UserMemory    schema.UserMemory `json:"userMemory,omitempty"`
	Comeback      *ComebackReport   `json:"comeback,omitempty"`
	Note          string            `json:"note,omitempty"`
	Bench         string            `json:"bench,omitempty"`
}

// SectionAsSeen is a section at intake.
type SectionAsSeen struct {
	Name      string        `json:"name"`
	Condition string        `json:"condition,omitempty"`
	Origin    schema.Origin `json:"origin,omitempty"`
	Note      string        `json:"note,omitempty"`
}

// ComebackReport ties a job to the release before it.
type ComebackReport struct {
	Release string               `json:"release"`
	Fault   schema.ComebackFault `json:"fault"`
	Note    string               `json:"note,omitempty"`
}

// CoverageReport counts what was dealt with, family by family, in sections
// whose list of parts is complete, and nowhere else.
type CoverageReport struct {
	Complete   []string         `json:"completeSections"`
	Incomplete []string         `json:"incompleteSections"`
	Families   []FamilyCoverage `json:"families"`
	// NotDealtWith are sections no line, reading or intake mentions;
	// SeenOnly those only an intake describes.
	NotDealtWith []string `json:"sectionsNotDealtWith"`
	SeenOnly     []string `json:"sectionsSeenOnly"`
	Note         string   `json:"note,omitempty"`
}

// FamilyCoverage is how many of a family's parts were dealt with. The counts
// add up to Listed.
type FamilyCoverage struct {
	Family    schema.FamilyName `json:"family"`
	Title     string            `json:"title"`
	Listed    int               `json:"listed"`
	Worked    int               `json:"workedOn"`
	Tested    int               `json:"testedAndLeft"`
	InService int               `json:"circuitWorksOnly"`
	Untested  int               `json:"leftUntested"`
	NotLooked int               `json:"notLookedAt"`
}

// MapSection shows what sits in every position of some sections alike.
type MapSection struct {
	Sections string   `json:"sections"`
	Rows     []MapRow `json:"rows"`
}

// MapRow is a run of positions, one letter each, in natural order.
type MapRow struct {
	Refs    string `json:"refs"`
	Letters string `json:"letters"`
}

// MapLetter explains a letter of the map.
type MapLetter struct {
	Letter  string `json:"letter"`
	Meaning string `json:"meaning"`
}

// ReadingRow is one point as found and as left within one job.
type ReadingRow struct {
	Job      string        `json:"job,omitempty"`
	Section  string        `json:"section,omitempty"`
	Point    string        `json:"point"`
	Quantity string        `json:"quantity,omitempty"`
	Found    *ReadingValue `json:"asFound,omitempty"`
	Between  *ReadingValue `json:"between,omitempty"` // after repair or after soak
	Left     *ReadingValue `json:"asLeft,omitempty"`
}

// ReadingValue is one reading. Verdict is empty where there is no limit.
type ReadingValue struct {
	Record      string       `json:"record"`
	Date        string       `json:"date"`
	By          string       `json:"by"`
	Stage       schema.Stage `json:"stage"`
	Value       string       `json:"value"`
	Why         string       `json:"why,omitempty"`
	Uncertainty string       `json:"uncertainty,omitempty"`
	Limit       string       `json:"limit,omitempty"`
	LimitSource string       `json:"limitSource,omitempty"`
	Verdict     unit.Verdict `json:"verdict"`
	Conditions  string       `json:"conditions,omitempty"`
	With        string       `json:"with,omitempty"`
	Procedure   string       `json:"procedure,omitempty"`
	Note        string       `json:"note,omitempty"`
	// Value and limits as plain numbers in one unit, the base unit of the
	// quantity; nil where there is none. They are for drawing: the verdict comes
	// from the exact values.
	Number    *float64 `json:"number,omitempty"`
	LimitLow  *float64 `json:"limitLow,omitempty"`
	LimitHigh *float64 `json:"limitHigh,omitempty"`
	Bench     string   `json:"bench,omitempty"`
}

// TableReport is readings over many positions. Min, Max, Spread are in Unit
// and empty where nothing could be measured.
type TableReport struct {
	Record        string       `json:"record"`
	Job           string       `json:"job,omitempty"`
	Date          string       `json:"date"`
	By            string       `json:"by"`
	Stage         schema.Stage `json:"stage"`
	Section       string       `json:"section,omitempty"`
	Point         string       `json:"point"`
	At            string       `json:"at"`
	Unit          string       `json:"unit"`
	Positions     []string     `json:"positions"`
	Values        []string     `json:"values"` // x: not measurable
	Measured      int          `json:"measured"`
	Min           string       `json:"min"`
	MinAt         string       `json:"minAt"`
	Max           string       `json:"max"`
	MaxAt         string       `json:"maxAt"`
	Spread        string       `json:"spread"`
	Limits        []string     `json:"limits"` // distinct; empty: none given
	LimitSources  []string     `json:"limitSources"`
	LimitSpans    []LimitSpan  `json:"limitSpans"` // which limits hold where, for drawing
	Judged        int          `json:"judged"`     // values checked against a limit
	Outside       []string     `json:"outside"`    // positions
	Near          []string     `json:"near"`       // positions inside by less than the uncertainty
	SpreadLimit   string       `json:"spreadLimit,omitempty"`
	SpreadVerdict unit.Verdict `json:"spreadVerdict"`
	Uncertainty   string       `json:"uncertainty,omitempty"`
	Conditions    string       `json:"conditions,omitempty"`
	With          string       `json:"with,omitempty"`
	Procedure     string       `json:"procedure,omitempty"`
	Why           string       `json:"why,omitempty"`
	Note          string       `json:"note,omitempty"`
	Bench         string       `json:"bench,omitempty"`
}

// LimitSpan is a run of positions that share limits on their values, in the
// unit of the table; "" where there is none on that side.
type LimitSpan struct {
	From string `json:"from"` // positions, both included
	To   string `json:"to"`
	Low  string `json:"low,omitempty"`
	High string `json:"high,omitempty"`
}

// InstrumentReport is a test instrument the readings cite, and how far it was
// calibrated on the days it was used.
type InstrumentReport struct {
	ID    string   `json:"id"`
	Name  string   `json:"name"`
	Lines []string `json:"calibration"`
	Bench string   `json:"bench,omitempty"`
}

// SoakReport is one run under power.
type SoakReport struct {
	Record   string   `json:"record"`
	Job      string   `json:"job,omitempty"`
	Date     string   `json:"date"`
	By       string   `json:"by"`
	Duration string   `json:"duration"`
	Cycles   int      `json:"cycles,omitempty"`
	Ambient  string   `json:"ambient,omitempty"`
	Events   []string `json:"events"`
	Note     string   `json:"note,omitempty"`
	Bench    string   `json:"bench,omitempty"`
}

// PartState is what is known of a place whose part is not the one it left the
// factory with.
type PartState string

const (
	PartFitted  PartState = "fitted"
	PartEmpty   PartState = "empty"
	PartUnknown PartState = "unknown"
)

// PartNow is something that is not as the unit left the factory.
type PartNow struct {
	Places []Place           `json:"places"`
	Parts  int               `json:"parts"`
	Family schema.FamilyName `json:"family,omitempty"` // of what is fitted
	Title  string            `json:"familyTitle,omitempty"`
	Is     PartState         `json:"is"`
	Part   *PartText         `json:"part,omitempty"`
	Since  string            `json:"since,omitempty"`
	Kit    string            `json:"kit,omitempty"`
	Mod    string            `json:"modification,omitempty"`
	Bench  string            `json:"bench,omitempty"`
}

// WarningReport is a trap for the next technician.
type WarningReport struct {
	Text    string `json:"text"`
	Section string `json:"section,omitempty"`
	Date    string `json:"date"`
	By      string `json:"by"`
	Settled bool   `json:"settled"` // a later record says it is dealt with
}

// NoteReport is a record's free note.
type NoteReport struct {
	Date   string      `json:"date"`
	By     string      `json:"by"`
	Record string      `json:"record"`
	Kind   schema.Kind `json:"kind"`
	Title  string      `json:"title,omitempty"`
	Text   string      `json:"text"`
}

// NewsReport is news of the unit, or a change of hands.
type NewsReport struct {
	Date         string              `json:"date"`
	By           string              `json:"by"`
	Record       string              `json:"record"`
	Event        string              `json:"event"` // received, returned, sold, shipped; working, faulty, unknown
	SaidBy       string              `json:"saidBy,omitempty"`
	About        string              `json:"about,omitempty"`
	ConditionOut string              `json:"conditionOut,omitempty"`
	ConditionIn  string              `json:"conditionIn,omitempty"`
	TransitLocks schema.TransitLocks `json:"transitLocks,omitempty"`
	Note         string              `json:"note,omitempty"`
	Bench        string              `json:"bench,omitempty"`
}

// PhotoReport is one picture of the unit's folder.
type PhotoReport struct {
	File    string       `json:"file"`
	Caption string       `json:"caption,omitempty"`
	Section string       `json:"section,omitempty"`
	Fault   string       `json:"fault,omitempty"`
	Stage   schema.Stage `json:"stage,omitempty"`
	Taken   string       `json:"taken,omitempty"`
	SHA256  string       `json:"sha256,omitempty"`
	Record  string       `json:"record"`
	Bench   string       `json:"bench,omitempty"`
}

// FileReport is another file of the unit's folder.
type FileReport struct {
	File   string `json:"file"`
	Title  string `json:"title,omitempty"`
	SHA256 string `json:"sha256,omitempty"`
	Record string `json:"record"`
	Bench  string `json:"bench,omitempty"`
}

// HistoryEntry is one record in the unit's history. File, Date, By, Kind,
// Summary and Withdrawn come from the record itself where they are empty.
type HistoryEntry struct {
	Date        string            `json:"date"`
	Saved       string            `json:"saved,omitempty"` // the day it was first saved
	By          string            `json:"by"`
	File        string            `json:"file"` // without .toml
	Kind        schema.Kind       `json:"kind"`
	Summary     string            `json:"summary"`
	Late        bool              `json:"late"` // saved long after the day it is about
	Withdrawn   bool              `json:"withdrawn"`
	Corrections []CorrectionEntry `json:"corrections"`
	Commit      string            `json:"commit,omitempty"`
	SignedBy    string            `json:"signedBy,omitempty"`
	Bench       string            `json:"bench,omitempty"`
}

// CorrectionEntry is one change of a record after its job was closed.
type CorrectionEntry struct {
	Date    string          `json:"date"`
	By      string          `json:"by"`
	Reason  string          `json:"reason"`
	Changes []schema.Change `json:"changes"`
}

// Signer is a key that signed the unit's history.
type Signer struct {
	Name        string `json:"name"`
	Fingerprint string `json:"fingerprint"` // SHA256:...
	First       string `json:"first,omitempty"`
	Last        string `json:"last,omitempty"`
	Note        string `json:"note,omitempty"`
}

// VerifyStep is one step of checking the history, with the command or text it
// is about.
type VerifyStep struct {
	Text    string `json:"text"`
	Command string `json:"command,omitempty"`
}

// WriteJSON writes the report as one JSON object. Keys are stable within a
// schema number, and lists are never null.
func (p *Report) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(p)
}
