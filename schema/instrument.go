package schema

import (
	"fmt"
	"strconv"
	"strings"

	"benchlore/schema/refs"
)

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
	Family  FamilyName `toml:"family,omitempty" doc:"what is there instead"`
	Value   Quantity   `toml:"value,omitempty" doc:"its value"`
	Rating  Quantity   `toml:"rating,omitempty" doc:"its rating"`
	Note    string     `toml:"note,omitempty" doc:"how that is known"`
}

// Model is models/<model>.toml, and model.toml in an instrument's folder.
type Model struct {
	Maker      string      `toml:"maker" need:"yes" doc:"as on the instrument"`
	Name       string      `toml:"name" need:"yes" doc:"as on the instrument"`
	About      string      `toml:"about,omitempty" doc:"what it is, in one sentence"`
	Made       EDTF        `toml:"made,omitempty" doc:"years of production: 1971/1977"`
	Note       string      `toml:"note,omitempty" doc:"anything else"`
	Sections   []Section   `toml:"section" need:"yes" doc:"a part of the instrument a technician would name"`
	Functions  []Function  `toml:"function,omitempty" doc:"something it does that can be shown: a stop, a pedal, a socket"`
	Boards     []Board     `toml:"board,omitempty" doc:"a printed circuit type and revision"`
	Limits     []Limit     `toml:"limit,omitempty" doc:"what a reading should be"`
	Kits       []Kit       `toml:"kit,omitempty" doc:"a named list of part lines"`
	Procedures []Procedure `toml:"procedure,omitempty" doc:"an ordered list of steps"`
}

// Function is something an instrument does. Demonstrations name it by ID.
type Function struct {
	ID      string `toml:"id" need:"yes" doc:"short name, for demonstrations: percussion"`
	Name    string `toml:"name" need:"yes" doc:"as a player would say"`
	Section Names  `toml:"section,omitempty" doc:"the section, or sections, that make it"`
}

// Section is a part of the instrument. With Count it stands for name 1 to
// name Count. Its population is its board's, or its own positions.
type Section struct {
	Name      string        `toml:"name" need:"yes" doc:"as a technician would say: power supply, keybed"`
	Count     int           `toml:"count,omitempty" min:"2" doc:"several of a kind: voice with count = 12 is voice 1 to voice 12"`
	Board     string        `toml:"board,omitempty" doc:"the board it carries"`
	Revision  string        `toml:"revision,omitempty" doc:"the revision usually found"`
	Also      []string      `toml:"also,omitempty" doc:"what else it is called at the bench: PSU"`
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
	Count    int        `toml:"count,omitempty" min:"1" doc:"instead of ref: a pool of parts without names of their own: 240 joints"`
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
	Title      string     `toml:"title,omitempty" doc:"what it is, in one sentence"`
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
	Caution  string `toml:"caution,omitempty" doc:"what is dangerous, and to whom"`
	Steps    []Step `toml:"step" need:"yes" doc:"one step"`
}

// Step is one step of a procedure.
type Step struct {
	Do    string `toml:"do" need:"yes" doc:"what to do"`
	Point string `toml:"point,omitempty" doc:"the reading it gives"`
}

func (m *Model) validate(c *Collector) {
	boards := map[string]bool{}
	for i, b := range m.Boards {
		at := fmt.Sprintf("board[%d]", i)
		if boards[b.Name+"/"+b.Revision] {
			c.Errorf(at, "board %s is listed twice => give each its own name or revision", revised(b.Name, b.Revision))
		}
		boards[b.Name+"/"+b.Revision] = true
		boards[b.Name] = true
		population(c, at, b.Positions)
	}
	unique(c, "section", "name", len(m.Sections), func(i int) string { return m.Sections[i].Name })
	unique(c, "function", "id", len(m.Functions), func(i int) string { return m.Functions[i].ID })
	m.functionSections(c)
	for _, s := range m.Sections {
		for i, other := range m.Sections {
			rest, ok := strings.CutPrefix(other.Name, s.Name+" ")
			if n, err := strconv.Atoi(rest); ok && err == nil && n >= 1 && n <= s.Count {
				c.Errorf(fmt.Sprintf("section[%d].name", i), "%q is one of the %d sections %q already => leave it out, or give it another name", other.Name, s.Count, s.Name)
			}
		}
	}
	for i, s := range m.Sections {
		at := fmt.Sprintf("section[%d]", i)
		if strings.ContainsAny(s.Name, ",/@") {
			c.Errorf(at+".name", "%q: a section's name has no comma, slash or @ => leave them out: voice 3", s.Name)
		}
		if s.Board != "" {
			if !boards[s.Board] {
				c.Errorf(at+".board", "the model has no board %q => add a [[board]] of that name", s.Board)
			} else if s.Revision != "" && !boards[s.Board+"/"+s.Revision] {
				c.Errorf(at+".revision", "the model has no board %q of revision %q => add it as a [[board]]", s.Board, s.Revision)
			}
			if len(s.Positions) > 0 || s.Complete {
				c.Errorf(at, "section %q carries a board and has positions of its own => put the board's parts under [[board]]", s.Name)
			}
		}
		population(c, at, s.Positions)
	}
	for i, l := range m.Limits {
		at := fmt.Sprintf("limit[%d]", i)
		if l.Low == "" && l.High == "" && l.Spread == "" {
			c.Errorf(at, "the limit on %q says nothing => add low, high or spread", l.Point)
		}
		limits(c, at, "nominal", l.Nominal, l.Low, l.High, l.Spread)
		first := l.Low
		if first == "" {
			first = l.High
		}
		c.sameUnit(at+".spread", l.Spread, "the limit", first)
	}
	kits := map[string]bool{}
	for i, k := range m.Kits {
		at := fmt.Sprintf("kit[%d]", i)
		if kits[k.Name+"/"+k.Revision] {
			c.Errorf(at, "kit %s is listed twice => give each its own name or revision", revised(k.Name, k.Revision))
		}
		kits[k.Name+"/"+k.Revision] = true
		for j := range k.Lines {
			k.Lines[j].validate(c, fmt.Sprintf("%s.part[%d]", at, j), lineRules{foundFromKit: true})
		}
	}
}

// functionSections reports functions made by sections the model does not have.
func (m *Model) functionSections(c *Collector) {
	names := make([]string, len(m.Sections))
	for i, s := range m.Sections {
		names[i] = s.Name
	}
	has := func(name string) bool {
		for _, s := range m.Sections {
			rest, numbered := strings.CutPrefix(name, s.Name+" ")
			n, err := strconv.Atoi(rest)
			if s.Count == 0 && name == s.Name || numbered && err == nil && n >= 1 && n <= s.Count {
				return true
			}
		}
		return false
	}
	for i, f := range m.Functions {
		l, err := refs.ParseNames(string(f.Section))
		if f.Section == "" || err != nil {
			continue
		}
		for _, name := range l.Enumerate() {
			if !has(name) {
				c.Errorf(fmt.Sprintf("function[%d].section", i), "the model has no section %q => its sections are: %s", name, strings.Join(names, ", "))
				break
			}
		}
	}
}

// revised names a board or kit with its revision, if it has one.
func revised(name, revision string) string {
	if revision == "" {
		return fmt.Sprintf("%q", name)
	}
	return fmt.Sprintf("%q revision %q", name, revision)
}

// population checks a board's or section's positions: each reference once.
func population(c *Collector, at string, sets []PositionSet) {
	seen := map[refs.Ref]bool{}
	for i, s := range sets {
		p := fmt.Sprintf("%s.position[%d]", at, i)
		switch {
		case s.Ref == "" && s.Count == 0:
			c.Errorf(p, "the positions have no ref => add ref = \"C1-C12\", or count = 240 for a pool")
		case s.Ref != "" && s.Count > 0:
			c.Errorf(p+".count", "ref and count together => keep ref for parts with a place of their own, count for a pool")
		}
		l, err := refs.Parse(string(s.Ref))
		if s.Ref == "" || err != nil {
			continue
		}
		for _, r := range l.Enumerate() {
			if seen[r] {
				c.Errorf(p+".ref", "%s is listed twice => leave it out of one of the two", r)
				break
			}
			seen[r] = true
		}
	}
}
