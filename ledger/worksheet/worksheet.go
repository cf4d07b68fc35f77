// Package worksheet makes worksheets of a unit and reads them back.
//
// A worksheet is a table for a spreadsheet or for paper: one row for each
// position, or for each point to be measured, with columns that are filled in at
// the bench. Every row names its unit, section and reference, so rows may be
// sorted, deleted and added, and columns moved. A row with no entry has not been
// reached; a part that was seen and stays says "left".
package worksheet

import (
	"fmt"
	"slices"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
	"benchlore/schema/remedy"
	"benchlore/schema/unit"
)

// Kind says what the rows of a worksheet are.
type Kind string

// The kinds of worksheet.
const (
	Parts    Kind = "parts"    // a position a row
	Readings Kind = "readings" // a point a row, a stage a column
	Tables   Kind = "tables"   // a position a row, a table of readings a column
)

// Column is a column of a worksheet.
type Column struct {
	Heading string
	Key     string   // the key of the record it fills, "new.value"; one of the keys below for the others
	Doc     string   // what to write
	Words   []string // the closed list it takes its words from, if it has one
}

// Keys of columns that fill no key of a record.
const (
	KeyInstrument = "instrument" // model/tag
	KeyJob        = "job"        // the intake of the job the sheet was made for
	KeyHasNow     = "has now"    // what sits there, as model and records have it
	KeyLimit      = "limit"      // what the reading should be
	KeyUnit       = "unit"       // the unit of the values in a row of readings
)

// ListsSheet is the name of the hidden sheet that holds the drop-down lists of a
// workbook.
const ListsSheet = "lists"

// sheetLike stands under "new value" for the model's own value and rating, as it
// does in a line about a part; "same" is taken too.
const sheetLike = "like"

func isLike(text string) bool {
	return strings.EqualFold(text, sheetLike) || strings.EqualFold(text, "same")
}

var identity = []Column{
	{Heading: "instrument", Key: KeyInstrument, Doc: "the unit the row is about; leave as it is"},
	{Heading: "job", Key: KeyJob, Doc: "the stay at the bench the sheet was made for; leave as it is"},
}

// partColumns are all columns a worksheet of positions may have: every plain key of a part
// line, and every key of the old and the new part.
func partColumns() []Column {
	out := []Column{{Heading: "has now", Key: KeyHasNow, Doc: "what sits there, as the model and the records have it; not read back"}}
	add := func(prefix string, v any) {
		for _, f := range schema.FieldsOf(v) {
			if f.Tables() {
				continue
			}
			c := Column{Heading: strings.ReplaceAll(f.Key, "_", " "), Key: f.Key, Doc: f.Doc, Words: f.Words()}
			if prefix != "" {
				c.Heading, c.Key = prefix+" "+c.Heading, prefix+"."+f.Key
			}
			out = append(out, c)
		}
	}
	add("", schema.PartLine{})
	add("new", schema.Component{})
	add("old", schema.Component{})
	return append(out, identity...)
}

// readingColumns are all columns a worksheet of readings may have. Every stage is a column;
// the keys beside the value go to the stages of the row that are new or changed.
func readingColumns() []Column {
	out := []Column{{Heading: "limit", Key: KeyLimit, Doc: "what the reading should be; not read back"},
		{Heading: "unit", Key: KeyUnit, Doc: "the unit of values that are written as a number alone"}}
	for _, f := range schema.FieldsOf(schema.Reading{}) {
		switch f.Key {
		case "stage", "value":
		default:
			out = append(out, Column{Heading: strings.ReplaceAll(f.Key, "_", " "), Key: f.Key, Doc: f.Doc})
		}
	}
	for _, s := range schema.Stage("").Words() {
		out = append(out, Column{Heading: s, Key: "stage." + s, Doc: "the reading " + s + "; x where it could not be taken, with the reason under why"})
	}
	return append(out, identity...)
}

// tableColumns are the columns a worksheet of tables has beside the tables themselves.
func tableColumns() []Column {
	out := []Column{
		{Heading: "section", Key: "section", Doc: "where"},
		{Heading: "ref", Key: "ref", Doc: "the position: key:17"},
		{Heading: "limit", Key: KeyLimit, Doc: "what the readings should be; not read back"},
		{Heading: "with", Key: "with", Doc: "the test instrument, by its id in shop.toml"},
		{Heading: "why", Key: "why", Doc: "why a value marked x could not be taken"},
	}
	return append(out, identity...)
}

// tableHeading is the heading of the column that holds one table of readings.
func tableHeading(point string, unit schema.UnitName, stage schema.Stage) string {
	return fmt.Sprintf("%s (%s) %s", point, unit, stage)
}

var tableHeadingForm = pattern.New(`^(.+\S)\s*\(([^()]+)\)\s*([A-Za-z -]+)$`)

// sheetTable is a table of readings as its heading has it.
type sheetTable struct {
	point string
	unit  schema.UnitName
	stage schema.Stage
}

// parseTableHeading reads what tableHeading writes. ok is false where the
// heading has another form.
func parseTableHeading(s string) (t sheetTable, ok bool, err error) {
	m := tableHeadingForm.FindStringSubmatch(strings.Join(strings.Fields(s), " "))
	if m == nil {
		return t, false, nil
	}
	t = sheetTable{m[1], schema.UnitName(strings.TrimSpace(m[2])), schema.Stage(wordForm(m[3]))}
	if err := t.unit.Check(); err != nil {
		return t, true, err
	}
	if !slices.Contains(t.stage.Words(), string(t.stage)) {
		return t, true, remedy.Errorf("%q is not a stage of measuring => write one of: %s", m[3], strings.Join(t.stage.Words(), ", "))
	}
	return t, true, nil
}

// sheetAliases are other headings people give the columns.
var sheetAliases = map[string]string{
	"value": "new.value", "rating": "new.rating", "lot": "new.lot", "source": "new.source", "type": "new.type",
	"maker": "new.maker", "part number": "new.part_number", "part no": "new.part_number", "date code": "new.date_code", "measured": "new.measured",
	"reference": "ref", "designator": "ref", "position": "ref", "notes": "note", "faults": "fault", "modes": "mode",
}

// Guard makes text from a record safe to stand in a spreadsheet: what a
// spreadsheet would take for a formula gets an apostrophe in front.
func Guard(s string) string {
	if s == "" || !strings.ContainsRune("=+-@\t\r'", rune(s[0])) {
		return s
	}
	if s[0] == '\'' && (len(s) == 1 || !strings.ContainsRune("=+-@\t\r'", rune(s[1]))) {
		return s
	}
	if (s[0] == '+' || s[0] == '-') && plainNumber.MatchString(s) {
		return s
	}
	return "'" + s
}

var plainNumber = pattern.New(`^[+-][0-9]+([.,][0-9]+)?$`)

// unguard takes off what Guard put on.
func unguard(s string) string {
	if len(s) > 1 && s[0] == '\'' && strings.ContainsRune("=+-@\t\r'", rune(s[1])) {
		return s[1:]
	}
	return s
}

// wordForm writes a word of a closed list as the list has it: "In Service" is
// in-service.
func wordForm(s string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return r == ' ' || r == '_' || r == '-' || r == '\u00a0' }), "-")
}

// hasNow tells what sits in a position, as the column of that name has it.
func hasNow(p *unit.Position) string {
	if o := p.Current(); o != nil && o.Component != nil {
		return componentText(o.Component)
	}
	return modelText(p)
}

func componentText(c *schema.Component) string {
	var parts []string
	for _, s := range []string{string(c.Value), string(c.Rating), c.Type} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, " / ")
}

// modelText is what the model has in a position.
func modelText(p *unit.Position) string {
	return componentText(&schema.Component{Value: p.Value, Rating: p.Rating, Type: p.Type})
}

// jobEvents are the events of one job on a position, in order.
func jobEvents(p *unit.Position, job *unit.Job) []*unit.Event {
	var out []*unit.Event
	add := func(e *unit.Event) {
		if e != nil && e.Job == job && !slices.Contains(out, e) {
			out = append(out, e)
		}
	}
	for _, o := range p.Occupants {
		add(o.Fitted)
		for _, e := range o.Events {
			add(e)
		}
	}
	return out
}

// place is a position by section and reference.
type place struct {
	section string
	ref     refs.Ref
}

func (p place) String() string { return strings.TrimSpace(p.section + " " + string(p.ref)) }
