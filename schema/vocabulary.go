package schema

// A closed list of words. Every field whose type has Words accepts exactly
// those; the JSON Schema, completion and error messages come from it.
type vocabulary interface{ Words() []string }

// Power says whether a unit may be switched on, as the shop recorded it.
type Power string

const (
	PowerForbidden Power = "do-not-power"
	PowerLimited   Power = "limited"
	PowerNormal    Power = "normal"
)

func (Power) Words() []string { return []string{"do-not-power", "limited", "normal"} }

// Reason is why a unit came to the bench.
type Reason string

const (
	ReasonOverhaul   Reason = "overhaul"
	ReasonRepair     Reason = "repair"
	ReasonComeback   Reason = "comeback"
	ReasonInspection Reason = "inspection"
	ReasonPurchase   Reason = "purchase"
)

func (Reason) Words() []string {
	return []string{"overhaul", "repair", "comeback", "inspection", "purchase"}
}

// Works says how far a unit works.
type Works string

const (
	WorksNo      Works = "no"
	WorksPartly  Works = "partly"
	WorksFully   Works = "fully"
	WorksUnknown Works = "unknown"
)

func (Works) Words() []string { return []string{"no", "partly", "fully", "unknown"} }

// FaultState is what became of a fault.
type FaultState string

const (
	FaultOpen          FaultState = "open"
	FaultCured         FaultState = "cured"
	FaultNotReproduced FaultState = "not-reproduced"
	FaultAccepted      FaultState = "accepted"
	FaultDeclined      FaultState = "declined"
)

func (FaultState) Words() []string {
	return []string{"open", "cured", "not-reproduced", "accepted", "declined"}
}

// Origin is where the parts of a section come from.
type Origin string

const (
	OriginOriginal Origin = "original"
	OriginReplaced Origin = "replaced"
	OriginUnknown  Origin = "unknown"
)

func (Origin) Words() []string { return []string{"original", "replaced", "unknown"} }

// UserMemory is what became of sounds and settings stored in the unit.
type UserMemory string

const (
	MemoryNone UserMemory = "none"
)

func (UserMemory) Words() []string { return []string{"saved", "not-saved", "lost", "none"} }

// ComebackFault relates the fault of a comeback to the work before it.
type ComebackFault string

const (
	ComebackSame      ComebackFault = "same"
	ComebackNew       ComebackFault = "new"
	ComebackInduced   ComebackFault = "induced"
	ComebackTransport ComebackFault = "transport"
	ComebackUse       ComebackFault = "use"
	ComebackNotFound  ComebackFault = "not-found"
)

func (ComebackFault) Words() []string {
	return []string{"same", "new", "induced", "transport", "use", "not-found"}
}

// Finding is the state a part was found in.
type Finding string

const (
	Failed    Finding = "failed"
	Degraded  Finding = "degraded"
	OK        Finding = "ok"         // tested
	InService Finding = "in-service" // its circuit worked, itself not tested
	Untested  Finding = "untested"
	Missing   Finding = "missing"
)

func (Finding) Words() []string {
	return []string{"failed", "degraded", "ok", "in-service", "untested", "missing"}
}

// How says by what means a finding was made.
type How string

const (
	Visual       How = "visual"
	InCircuit    How = "in-circuit"
	OutOfCircuit How = "out-of-circuit"
	Substitution How = "substitution"
)

func (How) Words() []string {
	return []string{"visual", "in-circuit", "out-of-circuit", "substitution"}
}

// Because is why a part was looked at. It is decided before anything is found:
// parts looked at because they are suspected fail more often than the others.
type Because string

const (
	BecauseSuspect    Because = "suspect"
	BecauseSystematic Because = "systematic" // all of them were to be looked at
	BecauseReach      Because = "reach"      // it was open anyway
)

func (Because) Words() []string { return []string{"suspect", "systematic", "reach"} }

// NormalEnd is how the parts of a family end as a rule.
type NormalEnd string

const (
	EndFailed NormalEnd = "failed"
	EndWorn   NormalEnd = "worn" // found degraded and replaced before it fails
)

func (NormalEnd) Words() []string { return []string{"failed", "worn"} }

// Mode is how a part failed, after the mode / mechanism / cause separation of
// ISO 14224 and FRACAS practice (MIL-HDBK-2155).
type Mode string

func (Mode) Words() []string {
	return []string{"short", "open", "dead", "leakage", "drift", "high-esr", "intermittent", "noise", "wear",
		"seizure", "loose", "out-of-adjustment", "hardened", "tacky", "warped", "crack", "corrosion", "burnt",
		"contamination", "dry-joint", "wrong-part"}
}

// Modes is one mode or several: mode = "short" or mode = ["short", "burnt"].
type Modes []Mode

// Action is what was done with a part.
type Action string

const (
	Replaced Action = "replaced"
	Reworked Action = "reworked"
	Cleaned  Action = "cleaned"
	Adjusted Action = "adjusted"
	Removed  Action = "removed"
	Fitted   Action = "fitted"
	Left     Action = "left"
	Pending  Action = "pending"
)

func (Action) Words() []string {
	return []string{"replaced", "reworked", "cleaned", "adjusted", "removed", "fitted", "left", "pending"}
}

// Source is where a new part came from.
type Source string

const (
	SourceNew          Source = "new"
	SourceOldStock     Source = "old-stock"
	SourceUsed         Source = "used"
	SourceDonor        Source = "donor"
	SourceReproduction Source = "reproduction"
	SourceShopMade     Source = "shop-made"
)

func (Source) Words() []string {
	return []string{"new", "old-stock", "used", "donor", "reproduction", "shop-made"}
}

// OldKept is what became of a part that came out.
type OldKept string

func (OldKept) Words() []string { return []string{"returned", "kept", "scrapped"} }

// Stage places a reading before or after the work.
type Stage string

const (
	AsFound     Stage = "as-found"
	AfterRepair Stage = "after-repair"
	AfterSoak   Stage = "after-soak"
	AsLeft      Stage = "as-left"
)

func (Stage) Words() []string { return []string{"as-found", "after-repair", "after-soak", "as-left"} }

// CheckResult says whether a safety check was made.
type CheckResult string

const (
	CheckDone          CheckResult = "done"
	CheckNotDone       CheckResult = "not-done"
	CheckNotApplicable CheckResult = "not-applicable"
)

func (CheckResult) Words() []string { return []string{"done", "not-done", "not-applicable"} }

// Reversible says whether a modification can be undone.
type Reversible string

const (
	ReversibleYes    Reversible = "yes"
	ReversiblePartly Reversible = "partly"
	ReversibleNo     Reversible = "no"
)

func (Reversible) Words() []string { return []string{"yes", "partly", "no"} }

// Originals is where the parts are that a modification took out.
type Originals string

const (
	OriginalsWithUnit Originals = "with-unit"
	OriginalsKept     Originals = "kept"
	OriginalsReturned Originals = "returned"
	OriginalsScrapped Originals = "scrapped"
	OriginalsNone     Originals = "none"
)

func (Originals) Words() []string {
	return []string{"with-unit", "kept", "returned", "scrapped", "none"}
}

// FollowupState is how a unit is doing, by hearsay.
type FollowupState string

const (
	FollowupWorking FollowupState = "working"
	FollowupFaulty  FollowupState = "faulty"
	FollowupUnknown FollowupState = "unknown"
)

func (FollowupState) Words() []string { return []string{"working", "faulty", "unknown"} }

// CustodyEvent is a change of hands.
type CustodyEvent string

const (
	CustodyReceived CustodyEvent = "received"
	CustodyReturned CustodyEvent = "returned"
	CustodySold     CustodyEvent = "sold"
	CustodyShipped  CustodyEvent = "shipped"
)

func (CustodyEvent) Words() []string { return []string{"received", "returned", "sold", "shipped"} }

// TransitLocks says whether the transport screws or locks are in.
type TransitLocks string

const (
	LocksOn   TransitLocks = "on"
	LocksOff  TransitLocks = "off"
	LocksNone TransitLocks = "none"
)

func (TransitLocks) Words() []string { return []string{"on", "off", "none"} }

// causes are the words caused_by accepts besides a position of the unit.
var causes = []string{"transport", "liquid", "battery-leak", "surge", "misuse", "earlier-work", "workmanship",
	"kit", "storage", "unknown"}

// SerialHow says how a serial number was established.
type SerialHow string

const (
	SerialRead    SerialHow = "read"
	SerialAssumed SerialHow = "assumed"
	SerialMissing SerialHow = "missing"
)

func (SerialHow) Words() []string { return []string{"read", "assumed", "missing"} }

// LotVerdict is what the shop thinks of a lot now.
type LotVerdict string

const (
	LotGood    LotVerdict = "good"
	LotSuspect LotVerdict = "suspect"
	LotBad     LotVerdict = "bad"
)

func (LotVerdict) Words() []string { return []string{"good", "suspect", "bad"} }

// Decimals is the decimal sign in text for the shop.
type Decimals string

const (
	DecimalPoint Decimals = "point"
	DecimalComma Decimals = "comma"
)

func (Decimals) Words() []string { return []string{"point", "comma"} }

// DateOrder is how days are written in text for the shop.
type DateOrder string

const (
	YearMonthDay DateOrder = "year-month-day"
	DayMonthYear DateOrder = "day-month-year" // 04.03.2031
	MonthDayYear DateOrder = "month-day-year" // 03/04/2031
)

func (DateOrder) Words() []string {
	return []string{"year-month-day", "day-month-year", "month-day-year"}
}

// RemoteRole says what a remote may receive.
type RemoteRole string

// The roles.
const (
	RemoteOwn  RemoteRole = "own"
	RemotePeer RemoteRole = "peer"
)

func (RemoteRole) Words() []string { return []string{"own", "peer"} }

// BookKind is the kind of a shop-only entry in books/.
type BookKind string

func (BookKind) Words() []string {
	return []string{"commission", "quote", "labour", "cost", "sale", "value"}
}

// ColumnHolds is what a column of a list of the shop's own holds.
type ColumnHolds string

func (ColumnHolds) Words() []string {
	return []string{"ref", "value", "unit", "rating", "description", "section", "board", "count", "maker", "part number", "note", "none",
		"instrument", "date", "found", "action", "new value", "hours", "price"}
}

// WordIn is the column that a word of a list stands in.
type WordIn string

func (WordIn) Words() []string { return []string{"section", "instrument"} }
