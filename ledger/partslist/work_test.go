package partslist

import (
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"benchlore/schema"
	"benchlore/schema/refs"
)

// astrella is what the example ledger has: its model, and two of its units.
func astrella(t *testing.T) WorkOptions {
	t.Helper()
	const file = "../../examples/ledger/models/astrella-61.toml"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	m, problems := schema.Decode[schema.Model](file, data)
	if m == nil {
		t.Fatal(problems)
	}
	sets := func(section string) []schema.PositionSet {
		for _, s := range m.Sections {
			if section != s.Name && !(s.Count > 0 && strings.HasPrefix(section, s.Name+" ")) {
				continue
			}
			for _, b := range m.Boards {
				if b.Name == s.Board && (s.Revision == "" || s.Revision == b.Revision) {
					return b.Positions
				}
			}
			return s.Positions
		}
		return nil
	}
	today, err := schema.ParseDate("2026-11-25")
	if err != nil {
		t.Fatal(err)
	}
	var sections []string
	for _, s := range m.Sections {
		if s.Count == 0 {
			sections = append(sections, s.Name)
		}
		for n := 1; n <= s.Count; n++ {
			sections = append(sections, fmt.Sprintf("%s %d", s.Name, n))
		}
	}
	return WorkOptions{
		Today: today, Currency: "EUR",
		Find: func(text string) string {
			for _, tag := range []string{"a61-18052", "a61-19204", "a61-19377", "a61-20033"} {
				if text == tag || strings.HasSuffix(text, " "+strings.TrimPrefix(tag, "a61-")) {
					return "astrella-61/" + tag
				}
			}
			return ""
		},
		Sections: func(string) []string { return sections },
		Positions: func(_, section string) []refs.Ref {
			var out []refs.Ref
			for _, s := range sets(section) {
				if l, err := refs.Parse(string(s.Ref)); err == nil && s.Ref != "" {
					out = append(out, l.Enumerate()...)
				}
			}
			return out
		},
		Fitted: func(_, section string, ref refs.Ref) schema.PositionSet {
			for _, s := range sets(section) {
				if l, err := refs.Parse(string(s.Ref)); err == nil && s.Ref != "" && slices.Contains(l.Enumerate(), ref) {
					return s
				}
			}
			return schema.PositionSet{}
		},
	}
}

func readWork(t *testing.T, name string, opt WorkOptions) *Work {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(fixtures, name))
	if err != nil {
		t.Fatal(err)
	}
	sheets, err := ReadSheets(name, data)
	if err != nil {
		t.Fatal(err)
	}
	if !IsWork(sheets, nil) {
		t.Fatalf("%s is taken for no list of finished work", name)
	}
	w, err := ReadWork(sheets, opt)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func TestFinishedWork(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, unit string
		// Rows of which something is to be said that the ledger says, not the reader:
		// it is about other records, or the word of the shop's for a finding.
		elsewhere []string
		left      []string // rows left out by the answer to a question
	}{
		{"done-book.csv", "", nil, nil},
		{"done-werkstatt.csv", "", []string{"!2", "!4"}, []string{"!10"}},
		{"done-atelier.xlsx", "a61-20033", nil, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			opt := astrella(t)
			opt.Unit = tt.unit
			w := readWork(t, tt.name, opt)
			e := readExpectation(t, filepath.Join(fixtures, tt.name+".expected"))
			var got []string
			for _, x := range w.Lines {
				got = append(got, workText(x))
			}
			for _, s := range w.Sums {
				if s.Hours != nil {
					got = append(got, fmt.Sprintf("labour|%s|%s|%s h", s.Unit, s.Day, decimalOf(s.Hours)))
				}
				if s.Amount != nil {
					got = append(got, fmt.Sprintf("cost|%s|%s|%s|parts", s.Unit, s.Day, s.Amount.FloatString(2)))
				}
			}
			if want := e.head["records"]; fmt.Sprint(len(got)) != want {
				t.Errorf("%d records, want %s", len(got), want)
			}
			for _, line := range e.lines["records"] {
				at := slices.IndexFunc(got, func(g string) bool { return sameWork(line, g) })
				if at < 0 {
					t.Errorf("%s is missing", line)
					continue
				}
				got = slices.Delete(got, at, at+1)
			}
			for _, g := range got {
				t.Errorf("%s is too many", g)
			}
			var refused, said []Note
			for _, n := range w.NotTaken {
				if !slices.Contains(tt.left, fmt.Sprintf("%s!%d", n.Sheet, n.Row)) {
					refused = append(refused, n)
				}
			}
			said = append(said, w.Said...)
			for _, at := range tt.elsewhere {
				sheet, row, _ := strings.Cut(at, "!")
				n := 0
				fmt.Sscan(row, &n)
				said = append(said, Note{Sheet: sheet, Row: n})
			}
			if slices.ContainsFunc(refused, func(n Note) bool { return n.Sheet == "notes" && n.Row == 2 }) { // the expectation has notes!1-2
				refused = slices.DeleteFunc(refused, func(n Note) bool { return n.Sheet == "notes" && n.Row == 2 })
			}
			compareRows(t, "not taken", e.lines["not taken"], refused, true)
			compareRows(t, "said", e.lines["said"], said, false)
		})
	}
}

// workText writes a line as the expectations have it.
func workText(x WorkLine) string {
	f := []string{"part", x.Unit, x.Day.String(), string(x.Line.Section), string(x.Line.Ref), string(x.Line.Found), "", string(x.Line.Action), "", "", x.Line.Note}
	if len(x.Line.Mode) > 0 {
		f[6] = string(x.Line.Mode[0])
	}
	if c := x.Line.New; c != nil {
		f[8], f[9] = string(c.Value), string(c.Rating)
		f[10] += " " + c.Type
	}
	return strings.Join(f, "|")
}

// sameWork holds a record against an expected one: quantities by value, references
// by what they name, of notes the words. A mode with ? is a guess.
func sameWork(want, got string) bool {
	a, b := strings.Split(want, "|"), strings.Split(got, "|")
	if a[0] != b[0] || len(a) != len(b) || a[0] != "part" {
		return want == got
	}
	for i := range a {
		switch i {
		case 4:
			x, err1 := refs.Parse(a[i])
			y, err2 := refs.Parse(b[i])
			if err1 != nil || err2 != nil || !slices.Equal(x.Enumerate(), y.Enumerate()) {
				return false
			}
		case 6:
			if m, guess := strings.CutSuffix(a[i], "?"); m != b[i] && !(guess && b[i] != "") {
				return false
			}
		case 8, 9:
			if a[i] != b[i] && !sameQuantities(schema.Quantity(a[i]), schema.Quantity(b[i])) {
				return false
			}
		case 10:
			for _, w := range strings.FieldsFunc(a[i], func(r rune) bool { return r == ' ' || r == ',' }) {
				if english := inEnglish[fold(w)]; english != "" {
					w = english
				}
				if !strings.Contains(strings.ToLower(b[i]), strings.ToLower(w)) {
					return false
				}
			}
		default:
			if a[i] != b[i] {
				return false
			}
		}
	}
	return true
}

// What cannot be read in one way only is asked about.
func TestDaysBothWays(t *testing.T) {
	t.Parallel()
	read := func(rows string, order schema.DateOrder) (*Work, error) {
		sheets, err := ReadSheets("book.csv", []byte("Unit,Date,Section,Ref,Found,Action,Hours\n"+rows))
		if err != nil {
			t.Fatal(err)
		}
		opt := astrella(t)
		opt.Dates = order
		return ReadWork(sheets, opt)
	}
	if _, err := read("a61-18052,02/03/2015,preamp,C1,shorted,replaced,1\n", ""); err == nil || !strings.Contains(err.(*Error).Remedy, "--dates") {
		t.Errorf("02/03/2015: %v", err)
	}
	for _, tt := range []struct {
		day, want string
		order     schema.DateOrder
	}{
		{"02/03/2015", "2015-03-02", schema.DayMonthYear},
		{"02/03/2015", "2015-02-03", schema.MonthDayYear},
		{"13/03/2015", "2015-03-13", ""},
		{"3.2.98", "1998-02-03", ""},
		{"3.2.24", "2024-02-03", ""},
		{"2015/03/02", "2015-03-02", ""},
		{"42065", "2015-03-02", ""}, // a day number of a spreadsheet: 42065 days after 1899-12-30
	} {
		w, err := read("a61-18052,"+tt.day+",preamp,C1,shorted,replaced,1.5\n", tt.order)
		if err != nil || len(w.Lines) != 1 || w.Lines[0].Day.String() != tt.want {
			t.Errorf("%s: %v %+v", tt.day, err, w)
			continue
		}
		if w.Sums[0].Hours.Cmp(big.NewRat(3, 2)) != 0 {
			t.Errorf("%s: hours %v", tt.day, w.Sums[0].Hours)
		}
	}
}
