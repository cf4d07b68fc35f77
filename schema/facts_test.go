package schema

import (
	"bytes"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func readVersion(t interface{ Fatal(...any) }, text []byte) *Version {
	v, err := ReadVersion(text)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Whatever two records say, the facts named between them hold, and no others do.
func TestFactsBetweenHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := Kind(rapid.SampledFrom(Kind("").Words()).Draw(t, "kind"))
		a, b := drawRecord(t, k), drawRecord(t, k)
		va, vb := readVersion(t, Encode(a)), readVersion(t, Encode(b))
		f := FactsBetween(va, vb)
		if err := f.Check(va, vb); err != nil {
			t.Fatalf("%+v: %v\n%s\n%s", f, err, Encode(a), Encode(b))
		}
		// One fact less, and one too many.
		for _, list := range []*[]string{&f.Changed, &f.Added, &f.Removed} {
			if len(*list) == 0 {
				continue
			}
			whole := *list
			*list = whole[1:]
			if f.Check(va, vb) == nil {
				t.Fatalf("holds without %s", whole[0])
			}
			*list = append(slices.Clone(whole), "note_of_nobody")
			if f.Check(va, vb) == nil {
				t.Fatal("holds with a fact that did not change")
			}
			*list = append(slices.Clone(whole), whole[0])
			if f.Check(va, vb) == nil {
				t.Fatalf("holds with %s named twice", whole[0])
			}
			*list = whole
		}
	})
}

func TestFactsByPath(t *testing.T) {
	for _, c := range []struct {
		name, before, after string
		want                Facts
	}{
		{"a value", "[[part]]\nnew = {value = \"47 uF\"}\n", "[[part]]\nnew = {value = \"4.7 uF\"}\n", Facts{Changed: []string{"part[1].new.value"}}},
		{"a line in front", "[[part]]\nref = \"C1\"\n[[part]]\nref = \"C2\"\n", "[[part]]\nref = \"C0\"\n[[part]]\nref = \"C1\"\n[[part]]\nref = \"C2\"\n", Facts{Added: []string{"part[1]"}}},
		{"a line out", "[[part]]\nref = \"C1\"\n[[part]]\nref = \"C2\"\n", "[[part]]\nref = \"C2\"\n", Facts{Removed: []string{"part[1]"}}},
		{"withdrawn", "note = \"x\"\n", "note = \"x\"\nwithdrawn = true\n", Facts{Added: []string{"withdrawn"}}},
		{"layout and comments", "note=\"x\"\nhours = 1.0\n", "# seen\nhours = 1.0\nnote = 'x'\n", Facts{}},
		{"a float that was a whole number", "hours = 1500\n", "hours = 1500.0\n", Facts{Changed: []string{"hours"}}},
		{"one mode and a list of it", "mode = \"short\"\n", "mode = [\"short\"]\n", Facts{Changed: []string{"mode"}}},
		{"a date", "date = 2031-01-01\n", "date = 2031-01-02\n", Facts{Changed: []string{"date"}}},
		{"the last line of a list", "[[part]]\nref = \"C1\"\n", "note = \"none\"\n", Facts{Added: []string{"note"}, Removed: []string{"part"}}},
		{"an empty list", "missing = []\n", "missing = [\"lid\"]\n", Facts{Added: []string{"missing[1]"}}},
		{"a key that needs quotes", "\"a.b\" = 1\n", "\"a.b\" = 2\n", Facts{Changed: []string{"\"a.b\""}}},
		{"corrections are no facts", "note = \"x\"\n", "note = \"x\"\n[[correction]]\nby = \"mw\"\n", Facts{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			a, b := readVersion(t, []byte(c.before)), readVersion(t, []byte(c.after))
			if got := FactsBetween(a, b); !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %+v, want %+v", got, c.want)
			}
			if err := c.want.Check(a, b); err != nil {
				t.Error(err)
			}
		})
	}
}

// However the lines are matched, what differs must be named.
func TestFactsAskForNoAlignment(t *testing.T) {
	a := readVersion(t, []byte("[[part]]\nref = \"C1\"\n[[part]]\nref = \"C2\"\n"))
	b := readVersion(t, []byte("[[part]]\nref = \"C2\"\n[[part]]\nref = \"C1\"\n"))
	for _, f := range []Facts{
		{Changed: []string{"part[1].ref", "part[2].ref"}},
		{Added: []string{"part[1]"}, Removed: []string{"part[2]"}},
		{Added: []string{"part[2]"}, Removed: []string{"part[1]"}},
	} {
		if err := f.Check(a, b); err != nil {
			t.Errorf("%+v: %v", f, err)
		}
	}
	for _, f := range []Facts{
		{}, {Changed: []string{"part"}}, {Changed: []string{"part[1].ref"}}, {Added: []string{"part"}}, {Added: []string{"part[1]"}},
		{Removed: []string{"part[1]"}}, {Added: []string{"part[1]"}, Removed: []string{"part[1]"}},
	} {
		if f.Check(a, b) == nil {
			t.Errorf("%+v: it holds", f)
		}
	}
}

func TestBlanks(t *testing.T) {
	const plate = "uuid = \"u\"\nformat = 1\n[[serial]]\nplace = \"plate\"\nvalue = \"10233\"\n"
	for _, c := range []struct {
		name, before, after string
		filled, changed     []string
	}{
		{"a build date", plate, "built = \"1974\"\n" + plate, []string{"built"}, nil},
		{"a board's number", plate, plate + "[[serial]]\nplace = \"voice 3\"\nvalue = \"7\"\n", []string{"serial[2]"}, nil},
		{"another plate", plate, plate + "[[serial]]\nplace = \"Plate\"\nvalue = \"10238\"\n", nil, []string{"serial[2]"}},
		{"another plate in other words", plate, plate + "[[serial]]\nplace = \"rear name-plate\"\nvalue = \"10238\"\n", nil, []string{"serial[2]"}},
		{"a plate where none was read", "uuid = \"u\"\n", "uuid = \"u\"\n[[serial]]\nplace = \"plate\"\n", []string{"serial"}, nil},
		{"two plates where none was read", "uuid = \"u\"\n", "uuid = \"u\"\n[[serial]]\nplace = \"plate\"\n[[serial]]\nplace = \"PLATE \"\n", []string{"serial"}, []string{"serial[2]"}},
		{"a plate read otherwise", plate, "uuid = \"u\"\nformat = 1\n[[serial]]\nplace = \"plate\"\nvalue = \"10238\"\n", nil, []string{"serial[1].value"}},
		{"a line in front", plate, "uuid = \"u\"\nformat = 1\n[[serial]]\nplace = \"voice 3\"\n[[serial]]\nplace = \"plate\"\nvalue = \"10233\"\n",
			nil, []string{"serial[1].place", "serial[1].value", "serial[2]"}},
		{"format up", plate, "uuid = \"u\"\nformat = 2\n[[serial]]\nplace = \"plate\"\nvalue = \"10233\"\n", nil, nil},
		{"format down", "format = 2\n", "format = 1\n", nil, []string{"format"}},
		{"a fact gone", "built = \"1974\"\n" + plate, plate, nil, []string{"built"}},
		{"an empty text filled in", "note = \"\"\n", "note = \"x\"\n", []string{"note"}, nil},
		{"mains filled in", "[mains]\nas_found = \"117 V\"\n", "[mains]\nas_found = \"117 V\"\nfuse_found = \"T 1 A\"\n", []string{"mains.fuse_found"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			filled, changed := Blanks(readVersion(t, []byte(c.before)), readVersion(t, []byte(c.after)))
			if !slices.Equal(filled, c.filled) || !slices.Equal(changed, c.changed) {
				t.Errorf("filled %q, changed %q; want %q, %q", filled, changed, c.filled, c.changed)
			}
		})
	}
}

// Taking corrections out and putting them in again changes nothing else.
func TestWithCorrections(t *testing.T) {
	text := []byte("kind = \"note\"\nnote = \"\"\"\n[[correction]]\nis how it begins\n\"\"\"\n\n[[correction]]\ndate = 2031-01-02\nby = \"mw\"\nreason = \"slip\"\n\n" +
		"[[correction.file]]\nfile = \"photos/a.jpg\"\nsha256 = \"x\"\n\n# the trap\n[[warning]]\ntext = \"hot\"\n")
	v := readVersion(t, text)
	if len(v.Corrections) != 1 || len(v.Corrections[0].Files) != 1 {
		t.Fatalf("%+v", v.Corrections)
	}
	got := WithCorrections(text, v.Corrections)
	again := readVersion(t, got)
	if !FactsBetween(v, again).None() || !reflect.DeepEqual(v.Corrections, again.Corrections) || bytes.Count(got, []byte("slip")) != 1 || !bytes.Contains(got, []byte("\n# the trap\n[[warning]]")) {
		t.Fatalf("%s", got)
	}
	if got := WithCorrections([]byte("note = \"x\"\ncorrection = [{date = 2031-01-02, by = \"mw\", reason = \"slip\"}]\nkind = \"note\"\n"), nil); string(got) != "note = \"x\"\nkind = \"note\"\n" {
		t.Fatalf("%s", got)
	}
}
