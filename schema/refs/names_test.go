package refs

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParseNames(t *testing.T) {
	t.Parallel()
	tests := []struct {
		text, want string
	}{
		{"power supply", "power supply"},
		{"voice 3", "voice 3"},
		{"voice 1-3, power supply", "voice 1|voice 2|voice 3|power supply"},
		{"voice 1–3", "voice 1|voice 2|voice 3"},
		{"voice 1 - 3", "voice 1|voice 2|voice 3"},
		{"voice  3 ,  key-bed", "voice 3|key-bed"},
		{"LM-3", "LM-3"},
		{"voice 3-3", "voice 3"},
		{"voice 1--2", "voice 1--2"},
		{"voice 123456", "voice 123456"},
	}
	for _, tt := range tests {
		l, err := ParseNames(tt.text)
		if err != nil {
			t.Errorf("ParseNames(%q): %v", tt.text, err)
			continue
		}
		if got := join(l.Enumerate()); got != tt.want || l.Text != tt.text {
			t.Errorf("ParseNames(%q) = %s, text %q; want %s", tt.text, got, l.Text, tt.want)
		}
	}
}

func TestParseNamesErrors(t *testing.T) {
	t.Parallel()
	tests := []struct{ text, want string }{
		{"", "list of sections is empty"},
		{"voice 1,", "take the comma out"},
		{"voice 3, Voice 03", "named twice"},
		{"voice 1-8, voice 3", `"voice 3" is named twice: it is in "voice 1-8" and again in "voice 3"`},
		{"voice 1-4, Voice 4-8", `"Voice 4" is named twice: it is in "voice 1-4" and again in "Voice 4-8"`},
		{"voice 1-1, tone 1-2000, key 1-2000, reed 1-1000", "more than 5000 names"},
		{"voice 8-1", "runs backwards"},
		{"voice 1-2001", "more than 2000 names"},
		{"voice 1-2000, tone 1-2000, key 1-2000", "more than 5000 names"},
		{strings.Repeat("x", 81), "longer than 80 bytes"},
		{"voice\u202e3", "invisible character U+202E"},
		{"voice\x1b[1m", "invisible character U+001B"},
	}
	for _, tt := range tests {
		if l, err := ParseNames(tt.text); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("ParseNames(%q) = %v, %v; want %q", tt.text, l.Enumerate(), err, tt.want)
		}
	}
}

func TestSelectNames(t *testing.T) {
	t.Parallel()
	have := []string{"Power supply", "voice 10", "voice 2", "voice 1", "octave 1-2", "octave 1", "key-bed", "voice 2"}
	tests := []struct{ list, found, unmatched string }{
		{"voice 1-8, power supply", "voice 1|voice 2|Power supply", ""},
		{"voice 1-16", "voice 1|voice 2|voice 10", ""},
		{"Voice 02", "voice 2", ""},
		{"octave 1-2", "octave 1-2", ""},
		{"octave 1-3", "octave 1", ""},
		{"voice 3, voice 4-8, Key-Bed", "key-bed", "voice 3|voice 4-8"},
	}
	for _, tt := range tests {
		l, err := ParseNames(tt.list)
		if err != nil {
			t.Errorf("ParseNames(%q): %v", tt.list, err)
			continue
		}
		found, unmatched := l.Select(have)
		if join(found) != tt.found || join(unmatched) != tt.unmatched {
			t.Errorf("%q selects %s and misses %s; want %s and %s", tt.list, join(found), join(unmatched), tt.found, tt.unmatched)
		}
	}
}

func TestCompactNames(t *testing.T) {
	t.Parallel()
	tests := []struct {
		names []string
		want  string
	}{
		{nil, ""},
		{[]string{"voice 2", "power supply", "voice 1", "voice 3", "voice 3"}, "power supply, voice 1-3"},
		{[]string{"voice 9", "voice 10", "voice 12"}, "voice 9-10, voice 12"},
		{[]string{"Voice 1", "voice 2"}, "Voice 1, voice 2"},
		{[]string{"voice 01", "voice 2"}, "voice 01, voice 2"},
	}
	for _, tt := range tests {
		if got := CompactNames(tt.names); got != tt.want {
			t.Errorf("CompactNames(%q) = %q, want %q", tt.names, got, tt.want)
		}
	}
}

func TestCompactNamesRoundTrip(t *testing.T) {
	t.Parallel()
	genName := rapid.Custom(func(t *rapid.T) string {
		stem := rapid.SampledFrom([]string{"voice", "tone generator", "power supply", "voice 7"}).Draw(t, "stem")
		if rapid.Bool().Draw(t, "bare") && stem != "voice 7" {
			return stem
		}
		return fmt.Sprintf("%s %d", stem, rapid.IntRange(0, 20).Draw(t, "number"))
	})
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.SliceOfN(genName, 1, 40).Draw(t, "names")
		text := CompactNames(names)
		l, err := ParseNames(text)
		if err != nil {
			t.Fatal(err)
		}
		got, want := l.Enumerate(), slices.Clone(names)
		slices.Sort(want)
		want = slices.Compact(want)
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Fatalf("%q: %q counts through as %q", want, text, got)
		}
		found, unmatched := l.Select(names)
		if len(found) != len(want) || len(unmatched) > 0 {
			t.Fatalf("%q selects %q and misses %q", text, found, unmatched)
		}
	})
}

func FuzzParseNames(f *testing.F) {
	for _, s := range []string{"voice 1-8, power supply", "voice 3", "voice 1 – 2", "LM-3", "a 1 2-3", "voice 01-2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := ParseNames(s)
		if err != nil {
			return
		}
		names := l.Enumerate()
		if l.Text != s || len(names) == 0 || len(names) > maxMembers {
			t.Fatalf("%q: %d names, kept as %q", s, len(names), l.Text)
		}
		found, unmatched := l.Select(names)
		if len(found) != len(names) || len(unmatched) > 0 {
			t.Fatalf("%q selects %d of its own %d and misses %q", s, len(found), len(names), unmatched)
		}
	})
}
