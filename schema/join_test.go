package schema

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestJoinCorrections(t *testing.T) {
	list := func(s string) (out []Correction) {
		for _, r := range s {
			out = append(out, Correction{By: "mw", Reason: string(r)})
		}
		return out
	}
	word := func(l []Correction) (s string) {
		for _, c := range l {
			s += c.Reason
		}
		return s
	}
	for _, c := range []struct{ a, b, want string }{
		{"", "", ""},
		{"", "x", "x"},
		{"xp", "xq", "xpq"},
		{"w", "cw", "cw"}, // both withdrew it, one after a correction
		{"pw", "qw", "pqw"},
		{"wp", "cwq", "cwpq"},
		{"xy", "yx", "xyx"},
		{"xx", "x", "xx"},
	} {
		if got := word(JoinCorrections(list(c.a), list(c.b))); got != c.want {
			t.Errorf("%q and %q: %q, want %q", c.a, c.b, got, c.want)
		}
	}
	within := func(part, whole string) bool {
		for i := range whole {
			if part != "" && part[0] == whole[i] {
				part = part[1:]
			}
		}
		return part == ""
	}
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.StringMatching("[a-d]{0,9}").Draw(t, "a")
		b := rapid.StringMatching("[a-d]{0,9}").Draw(t, "b")
		la, lb := list(a), list(b)
		got := word(JoinCorrections(slices.Clip(la), lb))
		if !within(a, got) || !within(b, got) {
			t.Fatalf("%q and %q: %q has not both", a, b, got)
		}
		for i := range got {
			if less := got[:i] + got[i+1:]; within(a, less) && within(b, less) {
				t.Fatalf("%q and %q: %q has one too many", a, b, got)
			}
		}
		if word(la) != a || word(lb) != b {
			t.Fatal(fmt.Sprint(la, lb))
		}
	})
}
