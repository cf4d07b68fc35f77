package schema

// Record is one file of an instrument's folder. [New] makes one of each kind;
// the concrete types are those of this package.
type Record interface {
	// Head returns the keys every record has. It never returns nil.
	Head() *Common

	validate(c *Collector) // reports what it says wrong of itself
	sentence() string      // tells it in a few words
}

// Common holds the keys every record may carry.
type Common struct {
	Kind        Kind         `toml:"kind" need:"yes" doc:"what the record is; the same word as in the file name"`
	Date        Date         `toml:"date" need:"yes" doc:"the day the work was done or the thing seen, e.g. 2031-03-04, without quotes"`
	By          string       `toml:"by" need:"yes" doc:"the technician, by the id in shop.toml"`
	Job         string       `toml:"job,omitempty" doc:"the intake this belongs to, by file name without .toml; default: the intake before it"`
	Seq         int          `toml:"seq,omitempty" min:"1" doc:"order within the day, from 1; default: after the numbered ones"`
	Hours       *float64     `toml:"hours,omitempty" min:"0" doc:"reading of the unit's hour meter"`
	Power       Power        `toml:"power,omitempty" doc:"whether it may be switched on: do-not-power, limited, normal"`
	PowerWhy    string       `toml:"power_why,omitempty" doc:"why, and what limits it"`
	Note        string       `toml:"note,omitempty" doc:"anything else worth keeping"`
	Settles     Idents       `toml:"settles,omitempty" doc:"ids of warnings and due items that are dealt with"`
	Withdrawn   bool         `toml:"withdrawn,omitempty" doc:"the record was a mistake; needs a correction that says why"`
	Warnings    []Warning    `toml:"warning,omitempty" doc:"a trap for the next technician"`
	Due         []Due        `toml:"due,omitempty" doc:"what comes next, and when"`
	Photos      []Photo      `toml:"photo,omitempty" doc:"a picture in photos/"`
	Files       []File       `toml:"file,omitempty" doc:"another file that goes with the record"`
	Corrections []Correction `toml:"correction,omitempty" doc:"why a record was changed after its job was closed; git keeps what it said before"`
}

// Head implements [Record] for every kind that embeds Common.
func (c *Common) Head() *Common { return c }

// Warning is a trap for the next technician.
type Warning struct {
	Text    string `toml:"text" need:"yes" doc:"the trap, in one sentence"`
	Section string `toml:"section,omitempty" doc:"where"`
	ID      string `toml:"id,omitempty" doc:"a short name, for a later record that settles it: W1"`
}

// Due is work that comes next. At least one of When and AtHours is given.
type Due struct {
	What    string   `toml:"what" need:"yes" doc:"what must be done"`
	When    Date     `toml:"when,omitempty" doc:"by which day"`
	AtHours *float64 `toml:"at_hours,omitempty" min:"0" doc:"at which reading of the hour meter"`
	Section string   `toml:"section,omitempty" doc:"where"`
	ID      string   `toml:"id,omitempty" doc:"a short name, for a later record that settles it: D1"`
}

// Photo names one picture of the unit's photos folder.
type Photo struct {
	File    string `toml:"file" need:"yes" doc:"path from the instrument's folder, photos/..."`
	Caption string `toml:"caption,omitempty" doc:"what it shows"`
	Section string `toml:"section,omitempty" doc:"where"`
	Fault   string `toml:"fault,omitempty" doc:"the fault it shows"`
	Stage   Stage  `toml:"stage,omitempty" doc:"as-found, after-repair, after-soak, as-left"`
	Taken   Date   `toml:"taken,omitempty" doc:"the day it was taken"`
	SHA256  string `toml:"sha256,omitempty" doc:"digest of the original picture, 64 hexadecimal digits"`
}

// File is another file that goes with a record.
type File struct {
	File   string `toml:"file" need:"yes" doc:"path from the instrument's folder"`
	Title  string `toml:"title,omitempty" doc:"what it is"`
	SHA256 string `toml:"sha256,omitempty" doc:"digest, 64 hexadecimal digits"`
}

// Correction says why a closed record was changed, and names the facts that are
// different since (see [Facts]).
type Correction struct {
	Date    Date          `toml:"date" need:"yes" doc:"the day of the correction"`
	By      string        `toml:"by" need:"yes" doc:"who corrected it"`
	Reason  string        `toml:"reason" need:"yes" doc:"what was wrong, in one sentence"`
	Changed []string      `toml:"changed,omitempty" doc:"facts that read differently now, lines counted from 1: part[3].new.value; written by correct"`
	Added   []string      `toml:"added,omitempty" doc:"facts that were not there: part[4]; written by correct"`
	Removed []string      `toml:"removed,omitempty" doc:"facts that are gone, counted as they stood before; written by correct"`
	Over    []string      `toml:"over,omitempty" doc:"SHA-256 of versions from another bench that this one stands against; written by sync"`
	Files   []BroughtFile `toml:"file,omitempty" doc:"a picture or other file that came with the correction; written by correct"`
}

// BroughtFile is an attachment that came with a correction.
type BroughtFile struct {
	File   string `toml:"file" need:"yes" doc:"path from the instrument's folder"`
	SHA256 string `toml:"sha256" need:"yes" doc:"digest, 64 hexadecimal digits"`
}

// Intake opens a job: the unit as it was received.
type Intake struct {
	Common
	Reason             Reason         `toml:"reason" need:"yes" doc:"overhaul, repair, comeback, inspection, purchase"`
	Works              Works          `toml:"works" need:"yes" doc:"no, partly, fully; unknown where it must not be powered"`
	LastKnownWorking   EDTF           `toml:"last_known_working,omitempty" doc:"when it last worked fully as far as anybody knows, e.g. 2019, 2019-05, 2015/2018"`
	LastKnownWorkingBy string         `toml:"last_known_working_by,omitempty" doc:"who says so: owner, seller, own bench"`
	Faults             []Fault        `toml:"fault,omitempty" doc:"what the player noticed"`
	Sections           []SectionState `toml:"section,omitempty" doc:"condition and origin, section by section"`
	EarlierWork        []string       `toml:"earlier_work,omitempty" doc:"signs of work by others; none-seen: somebody looked and saw none"`
	WorkedOn           []WorkedOn     `toml:"worked_on,omitempty" doc:"what others repaired or replaced before, by section or family"`
	Missing            []string       `toml:"missing,omitempty" doc:"what should be there and is not"`
	Accessories        []string       `toml:"accessories,omitempty" doc:"what came with it"`
	UserMemory         UserMemory     `toml:"user_memory,omitempty" doc:"saved, not-saved, lost, none"`
	Comeback           *Comeback      `toml:"comeback,omitempty" doc:"only with reason = \"comeback\""`
}

// Faults returns the faults a record reports, with nil for most kinds.
func Faults(rec Record) []Fault {
	if r, ok := rec.(interface{ faults() []Fault }); ok {
		return r.faults()
	}
	return nil
}

func (r *Intake) faults() []Fault       { return r.Faults }
func (r *Measurements) faults() []Fault { return r.Faults }
func (r *Soak) faults() []Fault         { return r.Faults }
func (r *Note) faults() []Fault         { return r.Faults }

// Fault is one symptom as the player noticed it. ID is unique within the unit.
type Fault struct {
	ID         string     `toml:"id" need:"yes" doc:"short name, e.g. F1; unique for the unit"`
	Symptom    string     `toml:"symptom" need:"yes" doc:"what is heard, seen or felt"`
	Conditions string     `toml:"conditions,omitempty" doc:"when it shows: cold, after 20 minutes, on loud notes"`
	Section    string     `toml:"section,omitempty" doc:"where, if known"`
	Since      EDTF       `toml:"since,omitempty" doc:"when it was first noticed, e.g. 2030-11, 2029/2030"`
	State      FaultState `toml:"state,omitempty" doc:"open (the default), cured, not-reproduced, accepted, declined"`
}

// SectionState is the condition and origin of a section at intake.
type SectionState struct {
	Name      string `toml:"name" need:"yes" doc:"section, or several: voice 1-4"`
	Condition string `toml:"condition,omitempty" doc:"condition as found, in a few words"`
	Origin    Origin `toml:"origin,omitempty" doc:"original, replaced, unknown; unknown: nobody can say how old the parts are"`
	Note      string `toml:"note,omitempty" doc:"anything else"`
}

// NoneSeen stands alone in EarlierWork where somebody looked for work by others
// and saw none. An empty list says that nobody looked.
const NoneSeen = "none-seen"

// WorkedOn is a place where others have been before. At least one of Section
// and Family is given; what they do not name is as the maker left it.
type WorkedOn struct {
	Section Names      `toml:"section,omitempty" doc:"where: power supply, or several: voice 1-4"`
	Family  FamilyName `toml:"family,omitempty" doc:"which parts, group/kind; default: all of the section"`
	What    string     `toml:"what,omitempty" doc:"what is seen: newer capacitors, other solder"`
}

// Comeback ties an intake to the release the unit came back after.
type Comeback struct {
	Release string        `toml:"release" need:"yes" doc:"the release, by file name without .toml"`
	Fault   ComebackFault `toml:"fault" need:"yes" doc:"same, new, induced (by the work), transport, use, not-found"`
	Note    string        `toml:"note,omitempty" doc:"anything else"`
}

// Parts carries what was found and done, part by part.
type Parts struct {
	Common
	ApplyKits []ApplyKit `toml:"apply_kit,omitempty" doc:"takes the lines of a kit; the lines below win over them"`
	Lines     []PartLine `toml:"part,omitempty" doc:"one line for one part, or for several of a kind"`
}

// ApplyKit takes a kit's part lines for some sections of the unit.
type ApplyKit struct {
	Kit      string  `toml:"kit" need:"yes" doc:"name of a kit in the model"`
	Revision string  `toml:"revision,omitempty" doc:"which revision; needed where the model has several"`
	Serial   string  `toml:"serial,omitempty" doc:"number of this kit, if it has one"`
	Section  Names   `toml:"section,omitempty" doc:"only in these sections: voice 1-4"`
	Ref      Refs    `toml:"ref,omitempty" doc:"only these positions: C1-C40"`
	Except   Refs    `toml:"except,omitempty" doc:"but not these: C14"`
	Found    Finding `toml:"found,omitempty" doc:"what all its lines were found as: untested, in-service, ok ..."`
	How      How     `toml:"how,omitempty" doc:"visual, in-circuit, out-of-circuit, substitution"`
	Because  Because `toml:"because,omitempty" doc:"why these parts were dealt with: suspect, systematic, reach"`
	Lot      string  `toml:"lot,omitempty" doc:"the lot of all its new parts"`
	OldKept  OldKept `toml:"old_kept,omitempty" doc:"returned, kept, scrapped"`
}

// PartLine is one line about one part, or about several alike. It names its
// positions by Ref, or a number of a counted pool by Count, never both. In a
// record that applies a kit, a line may leave Action, New and OldKept out where
// the kit has them: the line then says only what was found.
type PartLine struct {
	Section  Names      `toml:"section,omitempty" doc:"where: power supply, or several: voice 1-4"`
	Ref      Refs       `toml:"ref,omitempty" doc:"which: C14, C1-C12, key:1-61, key:17/contact.2, @under IC4"`
	Count    int        `toml:"count,omitempty" min:"1" doc:"instead of ref: how many of a counted pool"`
	Family   FamilyName `toml:"family,omitempty" doc:"group/kind; default: what the model says"`
	Found    Finding    `toml:"found,omitempty" doc:"failed, degraded, ok (tested), in-service (its circuit worked), untested, missing"`
	How      How        `toml:"how,omitempty" doc:"how that was found: visual, in-circuit, out-of-circuit, substitution"`
	Because  Because    `toml:"because,omitempty" doc:"why this part was looked at: suspect, systematic (all of them were to be), reach (it was open anyway)"`
	Mode     Modes      `toml:"mode,omitempty" doc:"how it failed: short, open, leakage, drift ..."`
	CausedBy Cause      `toml:"caused_by,omitempty" doc:"the position whose failure damaged it, or transport, liquid, battery-leak, surge, misuse, earlier-work, workmanship, kit, storage, unknown"`
	Fault    Idents     `toml:"fault,omitempty" doc:"the fault it cures"`
	Action   Action     `toml:"action,omitempty" doc:"replaced, reworked, cleaned, adjusted, removed, fitted, left, pending"`
	Old      *Component `toml:"old,omitempty" doc:"the part that was there"`
	New      *Component `toml:"new,omitempty" doc:"the part that is there now"`
	Match    string     `toml:"match,omitempty" doc:"name of a matched group; its members change together"`
	OldKept  OldKept    `toml:"old_kept,omitempty" doc:"the old part: returned, kept, scrapped"`
	Date     Date       `toml:"date,omitempty" doc:"the day, where it differs from the record's"`
	Why      string     `toml:"why,omitempty" doc:"why another value, rating or type went in than belongs there, or why it was replaced again"`
	Note     string     `toml:"note,omitempty" doc:"anything else"`
}

// Component describes a part, old or new.
type Component struct {
	Family     FamilyName `toml:"family,omitempty" doc:"its own family, where another kind of part is or was fitted: capacitor/film"`
	Value      Quantity   `toml:"value,omitempty" doc:"e.g. 22 uF, 4u7, 2k2"`
	Rating     Quantity   `toml:"rating,omitempty" doc:"voltage, power or current rating, e.g. 35 V"`
	Type       string     `toml:"type,omitempty" doc:"what kind, in a few words: polyester film, NPN small signal"`
	Maker      string     `toml:"maker,omitempty" doc:"who made it"`
	PartNumber string     `toml:"part_number,omitempty" doc:"the maker's number"`
	Lot        string     `toml:"lot,omitempty" doc:"the lot it came from, by file name in lots/"`
	DateCode   string     `toml:"date_code,omitempty" doc:"as printed on it"`
	Source     Source     `toml:"source,omitempty" doc:"new, old-stock, used, donor, reproduction, shop-made; default: new"`
	Measured   Quantity   `toml:"measured,omitempty" doc:"what it measured: 21.4 uF, or its leakage or resistance"`
}

// Measurements carries readings.
type Measurements struct {
	Common
	Procedure string    `toml:"procedure,omitempty" of:"procedure" doc:"a procedure of the model, with its revision: output level/2"`
	Readings  []Reading `toml:"reading,omitempty" doc:"one reading"`
	Tables    []Table   `toml:"table,omitempty" doc:"readings per key, note or voice"`
	Faults    []Fault   `toml:"fault,omitempty" doc:"a fault found while measuring"`
}

// Reading is one measured value. Value is a quantity or "not-measurable"
// with the reason in Why.
type Reading struct {
	Point       string   `toml:"point" need:"yes" doc:"where it is measured; the model's limits refer to this name"`
	Section     string   `toml:"section,omitempty" doc:"in which section"`
	Ref         Refs     `toml:"ref,omitempty" doc:"at which position, where the point is a part of its own: key:17"`
	Quantity    string   `toml:"quantity,omitempty" doc:"what is measured, where the point does not say: hum, DC voltage"`
	Value       Measured `toml:"value" need:"yes" doc:"e.g. 15.02 V, or not-measurable"`
	Why         string   `toml:"why,omitempty" doc:"why it could not be measured"`
	Stage       Stage    `toml:"stage" need:"yes" doc:"as-found, after-repair, after-soak, as-left"`
	Conditions  string   `toml:"conditions,omitempty" doc:"load, controls, temperature, warm-up"`
	Uncertainty Quantity `toml:"uncertainty,omitempty" doc:"expanded uncertainty (k = 2), in the unit of the value"`
	With        string   `toml:"with,omitempty" doc:"the test instrument, by its id in shop.toml"`
	Low         Quantity `toml:"low,omitempty" doc:"own lower limit, where the model has none"`
	High        Quantity `toml:"high,omitempty" doc:"own upper limit"`
	LimitSource string   `toml:"limit_source,omitempty" doc:"where the limit comes from"`
	Note        string   `toml:"note,omitempty" doc:"anything else"`
}

// Table is one quantity over many positions: per key, per note, per voice.
// Values holds one number for every position of At in order, separated by
// white space; "x" stands for not measurable.
type Table struct {
	Point       string   `toml:"point" need:"yes" doc:"what is measured; the model's limits refer to this name"`
	Section     string   `toml:"section,omitempty" doc:"in which section"`
	At          Refs     `toml:"at" need:"yes" doc:"the positions, in order: key:1-61"`
	Unit        UnitName `toml:"unit" need:"yes" doc:"the unit of all values: cent, mV, mm"`
	Values      Values   `toml:"values" need:"yes" doc:"one number for each position, separated by blanks; x: not measurable"`
	Why         string   `toml:"why,omitempty" doc:"why some could not be measured"`
	Stage       Stage    `toml:"stage" need:"yes" doc:"as-found, after-repair, after-soak, as-left"`
	Conditions  string   `toml:"conditions,omitempty" doc:"load, controls, temperature, warm-up"`
	Uncertainty Quantity `toml:"uncertainty,omitempty" doc:"expanded uncertainty (k = 2) of one value"`
	With        string   `toml:"with,omitempty" doc:"the test instrument, by its id in shop.toml"`
	Low         Quantity `toml:"low,omitempty" doc:"own lower limit of each value"`
	High        Quantity `toml:"high,omitempty" doc:"own upper limit of each value"`
	Spread      Quantity `toml:"spread,omitempty" doc:"own limit on largest minus smallest"`
	LimitSource string   `toml:"limit_source,omitempty" doc:"where the limit comes from"`
	Note        string   `toml:"note,omitempty" doc:"anything else"`
}

// Safety carries the electrical safety checks the shop made. Limits are the
// shop's own, with their source; Benchlore supplies none.
type Safety struct {
	Common
	Checks []SafetyCheck `toml:"check" need:"yes" doc:"one check"`
}

// SafetyCheck is one check: done with a value, or not done with the reason.
type SafetyCheck struct {
	Name        string      `toml:"name" need:"yes" doc:"e.g. earth continuity"`
	Result      CheckResult `toml:"result" need:"yes" doc:"done, not-done, not-applicable"`
	Stage       Stage       `toml:"stage,omitempty" doc:"as-found, after-repair, after-soak, as-left; default: as-left"`
	Why         string      `toml:"why,omitempty" doc:"why not; needed unless it was done"`
	Value       Measured    `toml:"value,omitempty" doc:"what was measured; needed when done, unless passed by inspection"`
	Passed      *bool       `toml:"passed,omitempty" doc:"for checks by inspection: true or false"`
	Low         Quantity    `toml:"low,omitempty" doc:"the shop's lower limit"`
	High        Quantity    `toml:"high,omitempty" doc:"the shop's upper limit"`
	LimitSource string      `toml:"limit_source,omitempty" doc:"where the shop's limit comes from; needed with a limit"`
	Conditions  string      `toml:"conditions,omitempty" doc:"test voltage, switch position, warm or cold"`
	With        string      `toml:"with,omitempty" doc:"the test instrument, by its id in shop.toml"`
	By          string      `toml:"by,omitempty" doc:"who, where it was not the one who wrote the record"`
	Note        string      `toml:"note,omitempty" doc:"anything else"`
}

// Soak is a run under power to see whether the work holds.
type Soak struct {
	Common
	Duration Quantity    `toml:"duration" need:"yes" doc:"how long it ran: 24 h, 90 min"`
	Cycles   int         `toml:"cycles,omitempty" min:"1" doc:"how often it was switched on"`
	Ambient  Quantity    `toml:"ambient,omitempty" doc:"temperature of the room: 23 C"`
	Events   []SoakEvent `toml:"event,omitempty" doc:"what happened; none: nothing did"`
	Faults   []Fault     `toml:"fault,omitempty" doc:"a fault that appeared only now"`
}

// SoakEvent is something that happened during a soak.
type SoakEvent struct {
	At    Quantity `toml:"at,omitempty" doc:"after how long: 40 min"`
	What  string   `toml:"what" need:"yes" doc:"what happened"`
	Fault string   `toml:"fault,omitempty" doc:"the fault it is, if known"`
}

// Mod is a modification: it changes the unit's population.
type Mod struct {
	Common
	Name       string     `toml:"name" need:"yes" doc:"what it is called"`
	Kit        string     `toml:"kit,omitempty" doc:"name of a kit in the model"`
	Revision   string     `toml:"revision,omitempty" doc:"revision of the kit"`
	Serial     string     `toml:"serial,omitempty" doc:"number of this kit, if it has one"`
	Changes    string     `toml:"changes" need:"yes" doc:"what it changes for the player"`
	Reversible Reversible `toml:"reversible" need:"yes" doc:"yes, partly, no"`
	Undo       string     `toml:"undo,omitempty" doc:"how to undo it, or what cannot be undone"`
	Originals  Originals  `toml:"originals" need:"yes" doc:"the parts that came out: with-unit, kept, returned, scrapped, none"`
	Lines      []PartLine `toml:"part,omitempty" doc:"what was fitted, removed or replaced"`
}

// Release is the sign-off: in what state the unit leaves the bench.
type Release struct {
	Common
	Works    Works        `toml:"works" need:"yes" doc:"no, partly, fully"`
	Faults   []FaultAtEnd `toml:"fault,omitempty" doc:"the state of every fault of the job"`
	Mains    Quantity     `toml:"mains,omitempty" doc:"mains voltage it is set to as it leaves: 230 V"`
	Fuse     string       `toml:"fuse,omitempty" doc:"mains fuse fitted as it leaves"`
	Warranty *Warranty    `toml:"warranty,omitempty" doc:"default: none given"`
}

// FaultAtEnd is the state of one fault at release.
type FaultAtEnd struct {
	ID    string     `toml:"id" need:"yes" doc:"the fault"`
	State FaultState `toml:"state" need:"yes" doc:"open, cured, not-reproduced, accepted, declined"`
	Note  string     `toml:"note,omitempty" doc:"why, or what remains"`
}

// Warranty is what the shop promises.
type Warranty struct {
	Start        Date   `toml:"start" need:"yes" doc:"first day"`
	End          Date   `toml:"end" need:"yes" doc:"last day"`
	Scope        string `toml:"scope" need:"yes" doc:"what is covered, in plain words"`
	Transferable bool   `toml:"transferable,omitempty" doc:"whether it passes to the next owner"`
}

// Followup is later news of a unit.
type Followup struct {
	Common
	State  FollowupState `toml:"state" need:"yes" doc:"working, faulty, unknown"`
	SaidBy string        `toml:"said_by" need:"yes" doc:"who says so: owner, dealer, own bench; no names"`
	About  string        `toml:"about,omitempty" doc:"what is faulty, in their words"`
}

// Custody is a change of hands: a date, and no names.
type Custody struct {
	Common
	Event        CustodyEvent `toml:"event" need:"yes" doc:"received, returned, sold, shipped"`
	ConditionOut string       `toml:"condition_out,omitempty" doc:"as it left"`
	ConditionIn  string       `toml:"condition_in,omitempty" doc:"as it arrived"`
	TransitLocks TransitLocks `toml:"transit_locks,omitempty" doc:"on, off, none"`
	Warranty     *Warranty    `toml:"warranty,omitempty" doc:"where it begins with this change of hands; replaces the release's"`
}

// Note is anything else. Its text is the common note key.
type Note struct {
	Common
	Title  string  `toml:"title,omitempty" doc:"in a few words"`
	Faults []Fault `toml:"fault,omitempty" doc:"a fault found at the bench"`
}
