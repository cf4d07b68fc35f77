package schema

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestCompareSameIsEmpty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := Kind(rapid.SampledFrom(Kind("").Words()).Draw(t, "kind"))
		text := Encode(drawRecord(t, k))
		changes, err := Compare(text, text)
		if err != nil || len(changes) > 0 {
			t.Fatalf("a record differs from itself: %v %v\n%s", changes, err, text)
		}
	})
}

// Two records without differences say the same, corrections apart.
func TestCompareEmptyMeansSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := Kind(rapid.SampledFrom(Kind("").Words()).Draw(t, "kind"))
		a := drawRecord(t, k)
		b := drawRecord(t, k)
		if rapid.Bool().Draw(t, "all but one key alike") {
			fields := FieldsOf(a)
			f := rapid.SampledFrom(fields).Draw(t, "key")
			v := reflect.ValueOf(b).Elem().FieldByIndex(f.Index).Interface()
			reflect.ValueOf(b).Elem().Set(reflect.ValueOf(a).Elem())
			reflect.ValueOf(b).Elem().FieldByIndex(f.Index).Set(reflect.ValueOf(v))
		}
		changes, err := Compare(Encode(a), Encode(b))
		if err != nil {
			t.Fatal(err)
		}
		x, y := reflect.New(reflect.TypeOf(a).Elem()), reflect.New(reflect.TypeOf(b).Elem())
		x.Elem().Set(reflect.ValueOf(a).Elem())
		y.Elem().Set(reflect.ValueOf(b).Elem())
		for _, r := range []any{x.Interface(), y.Interface()} {
			r.(Record).Head().Corrections = nil
		}
		if same := string(Encode(x.Interface())) == string(Encode(y.Interface())); same != (len(changes) == 0) {
			t.Fatalf("same: %v, changes: %v\n%s\n%s", same, changes, Encode(a), Encode(b))
		}
	})
}

// A changed field is one change, named by its path, with both values.
func TestCompareNamesTheField(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40).Draw(t, "lines")
		i := rapid.IntRange(0, n-1).Draw(t, "line")
		a, b := fortyLines(n), fortyLines(n)
		b.Lines[i].New.Rating = "63 V"
		changes, err := Compare(Encode(a), Encode(b))
		want := []Change{{Path: fmt.Sprintf("part[%d].new.rating", i), Old: `"35 V"`, New: `"63 V"`}}
		if err != nil || !reflect.DeepEqual(changes, want) {
			t.Fatalf("got %v (%v), want %v", changes, err, want)
		}
	})
}

// fortyLines is a record of n lines, no two alike.
func fortyLines(n int) *Parts {
	r := &Parts{Common: Common{Kind: KindParts, By: "mw"}}
	for i := range n {
		r.Lines = append(r.Lines, PartLine{Section: "power supply", Ref: Refs(fmt.Sprintf("C%d", i+1)), Found: Untested, Action: Replaced,
			New: &Component{Value: "10 uF", Rating: "35 V"}})
	}
	return r
}

func TestCompareListsByContent(t *testing.T) {
	fresh := PartLine{Section: "keybed", Ref: "C99", Found: OK, Action: Left}
	rapid.Check(t, func(t *rapid.T) {
		i := rapid.IntRange(0, 40).Draw(t, "at")
		a, b := fortyLines(40), fortyLines(40)
		b.Lines = slices.Insert(b.Lines, i, fresh)
		for _, c := range []struct {
			name          string
			before, after *Parts
			want          string
		}{
			{"inserted", a, b, "added {"},
			{"removed", b, a, "removed {"},
		} {
			changes, err := Compare(Encode(c.before), Encode(c.after))
			if err != nil || len(changes) != 1 {
				t.Fatalf("%s line %d: %v (%v), want one change", c.name, i, changes, err)
			}
			if s := changes[0].String(); !strings.HasPrefix(s, fmt.Sprintf("part[%d]: %s", i, c.want)) || !strings.Contains(s, `ref = "C99"`) {
				t.Errorf("%s line %d: %s", c.name, i, s)
			}
		}
	})
}

func TestCompare(t *testing.T) {
	for _, c := range []struct {
		name, before, after string
		want                []string
	}{
		{"comments, order and notation", "a = 'x' # one\nb = 1.0\nmode = \"short\"", "# two\nmode = [\"short\"]\nb = 1\na = \"x\"", nil},
		{"inline and table", "new = {value = \"1 uF\"}", "[new]\nvalue = \"1 uF\"", nil},
		{"corrections", "by = \"mw\"", "by = \"mw\"\n[[correction]]\nby = \"mw\"\nreason = \"slip\"", nil},
		{"field changed", "date = 2031-03-04", "date = 2031-03-05", []string{"date: 2031-03-05, was 2031-03-04"}},
		{"field added", "", "note = \"n\"", []string{`note: added "n"`}},
		{"field removed", "seq = 2", "", []string{"seq: removed 2"}},
		{"second mode", "mode = \"short\"", "mode = [\"short\", \"burnt\"]", []string{`mode[1]: added "burnt"`}},
		{"blank and absent differ", "note = \"\"", "", []string{`note: removed ""`}},
		{"first list", "", "missing = [\"lid\"]", []string{`missing[0]: added "lid"`}},
		{"table for a value", "new = \"1 uF\"", "[new]\nvalue = \"1 uF\"\nrating = \"35 V\"",
			[]string{`new: {rating = "35 V", value = "1 uF"}, was "1 uF"`}},
		{"two lines exchanged", "x = [1, 2]", "x = [2, 1]", []string{"x[0]: added 2", "x[1]: removed 2"}},
	} {
		changes, err := Compare([]byte(c.before), []byte(c.after))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var got []string
		for _, ch := range changes {
			got = append(got, ch.String())
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

func TestCompareUnreadable(t *testing.T) {
	good, bad := []byte("a = 1"), []byte("a = ")
	if _, err := Compare(bad, good); err == nil || !strings.HasPrefix(err.Error(), "the earlier version: ") {
		t.Errorf("earlier version unreadable: %v", err)
	}
	if _, err := Compare(good, bad); err == nil || !strings.HasPrefix(err.Error(), "the later version: ") {
		t.Errorf("later version unreadable: %v", err)
	}
}

func TestNamed(t *testing.T) {
	before := "kind = \"intake\"\nworks = \"no\"\n[[fault]]\nid = \"F1\"\nstate = \"open\"\n[[fault]]\nid = \"F2\"\nstate = \"open\"\n" +
		"[[section]]\ncondition = \"dusty\"\n"
	after := "kind = \"intake\"\nworks = \"partly\"\n[[fault]]\nid = \"F1\"\nstate = \"cured\"\n[[section]]\ncondition = \"clean\"\n" +
		"[[part]]\nref = \"C14\"\n[part.new]\nrating = \"35 V\"\n"
	changes, err := Compare([]byte(before), []byte(after))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range Named(changes, []byte(before), []byte(after)) {
		got = append(got, c.Path)
	}
	want := []string{"state of fault F1", "fault F2", "part C14", "condition of section 1", "works"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
