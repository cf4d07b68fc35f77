package refs

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// join writes references for comparison.
func join[T ~string](rs []T) string {
	texts := make([]string, len(rs))
	for i, r := range rs {
		texts[i] = string(r)
	}
	return strings.Join(texts, "|")
}

func TestParse(t *testing.T) {
	t.Parallel()
	tests := []struct {
		text, want string
		exact      bool
	}{
		{"C14", "C14", true},
		{"c14a", "C14A", true},
		{"C014", "C14", true},
		{"C1-C4, C15", "C1|C2|C3|C4|C15", false},
		{"C1-4", "C1|C2|C3|C4", false},
		{"c1-C4", "C1|C2|C3|C4", false},
		{"C1–C4", "C1|C2|C3|C4", false},
		{"C1 - C4", "C1|C2|C3|C4", false},
		{"C15,C1-C2", "C15|C1|C2", false},
		{"C5-C5", "C5", true},
		{"IC4, TR12, VR3", "IC4|TR12|VR3", true},
		{"key:17", "key:17", true},
		{"Key:17/Contact.2", "key:17/contact.2", true},
		{"key:17/contact:2", "key:17/contact.2", true},
		{"key:1-3", "key:1|key:2|key:3", false},
		{"key:1-2/contact.1-2", "key:1/contact.1|key:1/contact.2|key:2/contact.1|key:2/contact.2", false},
		{"K1/contact.1-2", "K1/contact.1|K1/contact.2", false},
		{"slider:3, tone-bar:4", "slider:3|tone-bar:4", true},
		{"@under IC4", "@under IC4", true},
		{"@ under   IC4 , C1", "@under IC4|C1", true},
		{"@left of IC4 – not marked", "@left of IC4 – not marked", true},
	}
	for _, tt := range tests {
		l, err := Parse(tt.text)
		if err != nil {
			t.Errorf("Parse(%q): %v", tt.text, err)
			continue
		}
		if got := join(l.Enumerate()); got != tt.want || l.Exact() != tt.exact || l.Text != tt.text {
			t.Errorf("Parse(%q) = %s, exact %v, text %q; want %s, exact %v", tt.text, got, l.Exact(), l.Text, tt.want, tt.exact)
		}
	}
}

func TestParseErrors(t *testing.T) {
	t.Parallel()
	tests := []struct{ text, want string }{
		{"", "list of positions is empty"},
		{"  ", "list of positions is empty"},
		{"C1,", "take the comma out"},
		{"C1,,C2", "take the comma out"},
		{"C1, C2, C1", `"C1" is named twice: take the second one out`},
		{"C1-C12, C5", `"C5" is named twice: it is in "C1-C12" and again in "C5"`},
		{"C1-C12, c12-c15", `"C12" is named twice: it is in "C1-C12" and again in "c12-c15"`},
		{"@under IC4, @under  IC4", "named twice"},
		{"C12-C1", "runs backwards"},
		{"key:61-1", "runs backwards"},
		{"C1-R4", "starts with C and ends with R"},
		{"C1A-C1D", "write C14A, C14B one by one"},
		{"C1-C4B", "write C14A, C14B one by one"},
		{"C1-C2000", ""},
		{"C1-C2001", "more than 2000 positions"},
		{"key:1-61/contact.1-61", "more than 2000 positions"},
		{"key:1-99999/contact.1-99999/leaf.1-99999", "more than 2000 positions"},
		{"C1-C2000, R1-R2000, D1-D2000", "more than 5000 positions"},
		{"C1 C2", "write C1, C2"},
		{"C1; C2; C3", "write C1, C2, C3"},
		{"C1 to C4", "write the range C1-C4"},
		{"C1..C4", "write the range C1-C4"},
		{"key 17", "write key:17"},
		{"contact.2", "write contact:2"},
		{"key:17/spring", "write a name and a number, as in key:17/contact.2"},
		{"key:1/a.1/b.1/c.1/d.1", "more than 4 steps"},
		{"capacitor14", "is no position"},
		{"C123456", "is no position"},
		{"C", "is no position"},
		{"14", "is no position"},
		{"C-1", "is no position"},
		{"C1-", "is no position"},
		{"C1-C", "is no position"},
		{"C1+C", "is no position"},
		{"CAPAC1", "is no position"},
		{"key:", "is no position"},
		{"key:x", "is no position"},
		{"key:1x", "is no position"},
		{"key:1-", "is no position"},
		{"key:1-2x", "is no position"},
		{"key1:1", "is no position"},
		{"-key:1", "is no position"},
		{"under IC4", "is no position"},
		{"@", "say where"},
		{"@" + strings.Repeat("x", 81), "longer than 80 bytes"},
		{"C1\tC2", "invisible character U+0009"},
		{"C1\n", "invisible character U+000A"},
		{"@under \u202eIC4", "invisible character U+202E"},
		{"C1\u200b", "invisible character U+200B"},
		{"C1\x00", "invisible character U+0000"},
		{"C1\xff", "not UTF-8"},
		{strings.Repeat("C1,", 40_000), "longer than 100000 bytes"},
	}
	for _, tt := range tests {
		l, err := Parse(tt.text)
		switch {
		case tt.want == "" && err != nil:
			t.Errorf("Parse(%q): %v", tt.text, err)
		case tt.want != "" && err == nil:
			t.Errorf("Parse(%q) = %s, want an error with %q", tt.text, join(l.Enumerate()), tt.want)
		case err != nil && !strings.Contains(err.Error(), tt.want):
			t.Errorf("Parse(%q): %v; want %q in it", tt.text, err, tt.want)
		}
	}
}

func TestSelect(t *testing.T) {
	t.Parallel()
	have := []Ref{"C12", "C2", "C3A", "C1", "C3", "C3B", "C13", "R2", "CR2", "key:2", "key:17", "key:2/contact.1", "key:2/contact.2", "key:3/contact.2", "@under IC4", "C2"}
	tests := []struct{ list, found, unmatched string }{
		{"C1-C12", "C1|C2|C3|C3A|C3B|C12", ""},
		{"C3-C4", "C3|C3A|C3B", ""},
		{"C3", "C3", ""},
		{"C3B", "C3B", ""},
		{"C13, C1-C3", "C13|C1|C2|C3|C3A|C3B", ""},
		{"C1-C12, C3A", "C1|C2|C3|C3A|C3B|C12", ""},
		{"C4, R2", "R2", "C4"},
		{"C4-11, r2, D1–D3", "R2", "C4-11|D1–D3"},
		{"key:1-61", "key:2|key:17", ""},
		{"key:1-61/contact.1-2", "key:2/contact.1|key:2/contact.2|key:3/contact.2", ""},
		{"key:1-61/contact.2", "key:2/contact.2|key:3/contact.2", ""},
		{"key:2/contact.1-9", "key:2/contact.1|key:2/contact.2", ""},
		{"@under IC4, @under IC5", "@under IC4", "@under IC5"},
	}
	for _, tt := range tests {
		l, err := Parse(tt.list)
		if err != nil {
			t.Errorf("Parse(%q): %v", tt.list, err)
			continue
		}
		found, unmatched := l.Select(have)
		if join(found) != tt.found || join(unmatched) != tt.unmatched {
			t.Errorf("%q selects %s and misses %s; want %s and %s", tt.list, join(found), join(unmatched), tt.found, tt.unmatched)
		}
	}
}

func TestLess(t *testing.T) {
	t.Parallel()
	ordered := []Ref{"C1", "C2", "C2A", "C2B", "C10", "CR1", "K1", "K1/contact.1", "K1/contact.2", "K1/contact.10", "K2", "R1",
		"key:2", "key:2/contact.1", "key:10", "slider:1", "@above C1", "@under IC4"}
	for i, a := range ordered {
		for j, b := range ordered {
			if Less(a, b) != (i < j) {
				t.Errorf("Less(%s, %s) = %v", a, b, Less(a, b))
			}
		}
	}
}

func TestCompact(t *testing.T) {
	t.Parallel()
	tests := []struct {
		refs []Ref
		want string
	}{
		{nil, ""},
		{[]Ref{"C15", "C3", "C1", "C2", "C2"}, "C1-C3, C15"},
		{[]Ref{"C1", "C2A", "C2", "C3"}, "C1-C2, C2A, C3"},
		{[]Ref{"C9", "C10", "R10", "R9"}, "C9-C10, R9-R10"},
		{[]Ref{"key:3", "key:1", "key:2", "@under IC4"}, "key:1-3, @under IC4"},
		{[]Ref{"key:1/contact.1", "key:1/contact.2", "key:2/contact.1", "key:2/contact.2"}, "key:1-2/contact.1-2"},
		{[]Ref{"key:1/contact.2", "key:2/contact.2", "key:3/contact.2"}, "key:1-3/contact.2"},
		{[]Ref{"key:1/contact.1", "key:1/contact.2", "key:2/contact.1"}, "key:1/contact.1-2, key:2/contact.1"},
	}
	for _, tt := range tests {
		if got := Compact(tt.refs); got != tt.want {
			t.Errorf("Compact(%v) = %q, want %q", tt.refs, got, tt.want)
		}
	}
	var many []Ref
	for n := range 2001 {
		many = append(many, Ref(fmt.Sprintf("R%d", n)))
	}
	if got := Compact(many); got != "R0-R1999, R2000" {
		t.Errorf("2001 positions are %q", got)
	}
}

var genRef = rapid.Custom(func(t *rapid.T) Ref {
	n := rapid.IntRange(0, 12).Draw(t, "number")
	switch rapid.IntRange(0, 4).Draw(t, "kind") {
	case 0:
		return Ref(fmt.Sprintf("%s%d", rapid.SampledFrom([]string{"C", "IC"}).Draw(t, "prefix"), n))
	case 1:
		return Ref(fmt.Sprintf("C%d%s", n, rapid.SampledFrom([]string{"A", "B"}).Draw(t, "suffix")))
	case 2:
		return Ref(fmt.Sprintf("key:%d", n))
	case 3:
		return Ref(fmt.Sprintf("key:%d/contact.%d", n, rapid.IntRange(1, 3).Draw(t, "contact")))
	}
	return Ref("@under IC" + fmt.Sprint(n))
})

func TestCompactRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rs := rapid.SliceOfN(genRef, 1, 80).Draw(t, "refs")
		text := Compact(rs)
		l, err := Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		sorted := slices.Clone(rs)
		slices.SortFunc(sorted, func(a, b Ref) int {
			switch {
			case Less(a, b):
				return -1
			case Less(b, a):
				return 1
			}
			return 0
		})
		sorted = slices.Compact(sorted)
		if !slices.Equal(l.Enumerate(), sorted) {
			t.Fatalf("%v: %q counts through as %v", sorted, text, l.Enumerate())
		}
		if found, unmatched := l.Select(rs); join(found) != join(sorted) && !hasSuffixes(sorted) || len(unmatched) > 0 || len(found) != len(sorted) {
			t.Fatalf("%v: %q selects %v and misses %v", sorted, text, found, unmatched)
		}
		if Compact(l.Enumerate()) != text {
			t.Fatalf("%q becomes %q", text, Compact(l.Enumerate()))
		}
	})
}

// hasSuffixes tells whether a range may select C2A before its turn in the list.
func hasSuffixes(rs []Ref) bool {
	return slices.ContainsFunc(rs, func(r Ref) bool { return strings.HasSuffix(string(r), "A") || strings.HasSuffix(string(r), "B") })
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"C1-C12, C15", "C14A", "key:1-61/contact.1-2", "@under IC4", "C1–C4", "c1 - 4,slider:3", "C1, C1", "K1/contact:2", "C1-C99999", "@@x, @ y"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := Parse(s)
		if err != nil {
			return
		}
		rs := l.Enumerate()
		if l.Text != s || len(rs) == 0 || len(rs) > maxMembers {
			t.Fatalf("%q: %d positions, kept as %q", s, len(rs), l.Text)
		}
		for _, r := range rs {
			one, err := Parse(string(r))
			if err != nil || !slices.Equal(one.Enumerate(), []Ref{r}) || !one.Exact() {
				t.Fatalf("%q: %q reads as %v, %v", s, r, one.Enumerate(), err)
			}
		}
		found, unmatched := l.Select(rs)
		if len(found) != len(rs) || len(unmatched) > 0 {
			t.Fatalf("%q selects %d of its own %d and misses %q", s, len(found), len(rs), unmatched)
		}
		again, err := Parse(Compact(rs))
		if err != nil {
			t.Fatalf("%q: %q: %v", s, Compact(rs), err)
		}
		if got := again.Enumerate(); len(got) != len(rs) || !slices.IsSortedFunc(got, func(a, b Ref) int {
			if Less(b, a) {
				return 1
			}
			return -1
		}) {
			t.Fatalf("%q: %q counts through as %v", s, Compact(rs), got)
		}
	})
}
