package schema

// Instrument is instrument.toml: who this unit is.
type Instrument struct {
	Format      int          `toml:"format" need:"yes" doc:"version of the unit's files"`
	UUID        string       `toml:"uuid" need:"yes" doc:"the unit's identity across shops; never changes"`
	Maker       string       `toml:"maker" need:"yes" doc:"as on the instrument"`
	Model       string       `toml:"model" need:"yes" doc:"as on the instrument"`
	Variant     string       `toml:"variant,omitempty" doc:"colour, export version, case"`
	Built       EDTF         `toml:"built,omitempty" doc:"build date: 1974, 1974-05, 1971/1974, 1974~"`
	BuiltFrom   string       `toml:"built_from,omitempty" doc:"how that is known: date codes, plate, owner"`
	Serials     []Serial     `toml:"serial,omitempty" doc:"every number that identifies it or a part of it"`
	Mains       *Mains       `toml:"mains,omitempty" doc:"mains setting as it first came"`
	Boards      []BoardFit   `toml:"board,omitempty" doc:"which board and revision sits in which section, where it differs from the model"`
	Differences []Difference `toml:"difference,omitempty" doc:"how it differs from the model as it left the factory"`
	Note        string       `toml:"note,omitempty" doc:"anything else"`
	Corrections []Correction `toml:"correction,omitempty" doc:"why this file was changed after a close"`
}

// Serial is one number that identifies the unit or a part of it.
type Serial struct {
	Place string    `toml:"place" need:"yes" doc:"plate, chassis, or a board or section"`
	Value string    `toml:"value,omitempty" doc:"the number; left out where it is missing"`
	How   SerialHow `toml:"how" need:"yes" doc:"read, assumed, missing"`
	Note  string    `toml:"note,omitempty" doc:"anything else"`
}

// Mains is the mains setting of the unit as it first came. How it leaves is
// a fact of each release.
type Mains struct {
	AsFound   Quantity `toml:"as_found,omitempty" doc:"voltage it was set to: 117 V"`
	FuseFound string   `toml:"fuse_found,omitempty" doc:"mains fuse as found"`
	Note      string   `toml:"note,omitempty" doc:"anything else"`
}

// BoardFit says which board revision sits in which sections of this unit.
type BoardFit struct {
	Section  Names  `toml:"section" need:"yes" doc:"voice 1-4"`
	Board    string `toml:"board" need:"yes" doc:"a board of the model"`
	Revision string `toml:"revision,omitempty" doc:"its revision"`
}

// Difference is one way in which a unit left the factory unlike its model.
type Difference struct {
	Section Names      `toml:"section" need:"yes" doc:"where"`
	Ref     Refs       `toml:"ref" need:"yes" doc:"which positions"`
	Absent  bool       `toml:"absent,omitempty" doc:"true: this unit never had them"`
	Family  FamilyName `toml:"family,omitempty" doc:"what sits there instead"`
	Value   Quantity   `toml:"value,omitempty" doc:"its value"`
	Rating  Quantity   `toml:"rating,omitempty" doc:"its rating"`
	Note    string     `toml:"note,omitempty" doc:"how that is known"`
}

// Model is models/<model>.toml, and model.toml in an instrument's folder.
type Model struct {
	Maker      string      `toml:"maker" need:"yes" doc:"as on the instrument"`
	Name       string      `toml:"name" need:"yes" doc:"as on the instrument"`
	About      string      `toml:"about,omitempty" doc:"what it is, in a sentence"`
	Made       EDTF        `toml:"made,omitempty" doc:"years of production: 1971/1977"`
	Note       string      `toml:"note,omitempty" doc:"anything else"`
	Sections   []Section   `toml:"section" need:"yes" doc:"a part of the instrument a technician would name"`
	Boards     []Board     `toml:"board,omitempty" doc:"a printed circuit type and revision"`
	Limits     []Limit     `toml:"limit,omitempty" doc:"what a reading should be"`
	Kits       []Kit       `toml:"kit,omitempty" doc:"a named list of part lines"`
	Procedures []Procedure `toml:"procedure,omitempty" doc:"an ordered list of steps"`
}

// Section is a part of the instrument. With Count it stands for name 1 to
// name Count. Its population is its board's, or its own positions.
type Section struct {
	Name      string        `toml:"name" need:"yes" doc:"as a technician would say: power supply, keybed"`
	Count     int           `toml:"count,omitempty" min:"2" doc:"several alike: voice with count = 12 is voice 1 to voice 12"`
	Board     string        `toml:"board,omitempty" doc:"the board it carries"`
	Revision  string        `toml:"revision,omitempty" doc:"the revision usually found"`
	Complete  bool          `toml:"complete,omitempty" doc:"true: the positions below are all there are; only without a board"`
	Positions []PositionSet `toml:"position,omitempty" doc:"its parts, where it has no board"`
	Note      string        `toml:"note,omitempty" doc:"anything else"`
}

// Board is a printed circuit type and revision with its population.
type Board struct {
	Name      string        `toml:"name" need:"yes" doc:"as printed on it, or the shop's name for it"`
	Revision  string        `toml:"revision,omitempty" doc:"as printed on it"`
	Complete  bool          `toml:"complete,omitempty" doc:"true: the positions below are all there are"`
	Positions []PositionSet `toml:"position,omitempty" doc:"its parts"`
	Note      string        `toml:"note,omitempty" doc:"anything else"`
}

// PositionSet is a set of positions alike, by Ref, or a counted pool, by Count.
type PositionSet struct {
	Ref      Refs       `toml:"ref,omitempty" doc:"C1-C12, C15; key:1-61/contact.1-2"`
	Count    int        `toml:"count,omitempty" min:"1" doc:"instead of ref: a pool nobody names one by one: 240 joints"`
	Family   FamilyName `toml:"family" need:"yes" doc:"group/kind"`
	Value    Quantity   `toml:"value,omitempty" doc:"10 uF"`
	Rating   Quantity   `toml:"rating,omitempty" doc:"25 V"`
	Type     string     `toml:"type,omitempty" doc:"in a few words: NPN small signal"`
	Match    string     `toml:"match,omitempty" doc:"name of the matched group they form"`
	Function string     `toml:"function,omitempty" doc:"what it does: rail smoothing"`
	Note     string     `toml:"note,omitempty" doc:"anything else"`
}

// Limit is what a reading of a point should be. At least one of Low, High and
// Spread is given.
type Limit struct {
	Point      string   `toml:"point" need:"yes" doc:"as written in readings"`
	Section    Names    `toml:"section,omitempty" doc:"only in these sections"`
	Revision   string   `toml:"revision,omitempty" doc:"only where the section carries this revision of its board"`
	At         Refs     `toml:"at,omitempty" doc:"only for these positions of a table: key:1-24"`
	Nominal    Quantity `toml:"nominal,omitempty" doc:"what it should be: 15 V"`
	Low        Quantity `toml:"low,omitempty" doc:"lowest"`
	High       Quantity `toml:"high,omitempty" doc:"highest"`
	Spread     Quantity `toml:"spread,omitempty" doc:"largest minus smallest over a table"`
	Conditions string   `toml:"conditions,omitempty" doc:"under which it holds"`
	Source     string   `toml:"source" need:"yes" doc:"where the limit comes from"`
	Note       string   `toml:"note,omitempty" doc:"anything else"`
}

// Kit is a named list of part lines, taken by apply_kit.
type Kit struct {
	Name       string     `toml:"name" need:"yes" doc:"as written in apply_kit"`
	Revision   string     `toml:"revision,omitempty" doc:"which version of the kit"`
	Title      string     `toml:"title,omitempty" doc:"what it is, in a sentence"`
	Changes    string     `toml:"changes,omitempty" doc:"what it changes for the player; none: like for like"`
	Reversible Reversible `toml:"reversible,omitempty" doc:"yes, partly, no"`
	From       Date       `toml:"from,omitempty" doc:"the day this revision was first used"`
	Lines      []PartLine `toml:"part" need:"yes" doc:"its lines"`
	Note       string     `toml:"note,omitempty" doc:"what changed since the last revision"`
}

// Procedure is an ordered list of steps that a measurement can cite by
// name/revision.
type Procedure struct {
	Name     string `toml:"name" need:"yes" doc:"as cited"`
	Revision string `toml:"revision" need:"yes" doc:"which version of it"`
	Caution  string `toml:"caution,omitempty" doc:"what can hurt whom"`
	Steps    []Step `toml:"step" need:"yes" doc:"one step"`
}

// Step is one step of a procedure.
type Step struct {
	Do    string `toml:"do" need:"yes" doc:"what to do"`
	Point string `toml:"point,omitempty" doc:"the reading it gives"`
}
