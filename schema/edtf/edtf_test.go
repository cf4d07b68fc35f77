package edtf

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParse(t *testing.T) {
	t.Parallel()
	tests := []struct{ text, lo, hi, flags string }{
		// Examples of the Library of Congress specification of 4 February
		// 2019, levels 0 and 1, from memory.
		{"1985-04-12", "1985-04-12", "1985-04-12", "exact"},
		{"1985-04", "1985-04-01", "1985-04-30", ""},
		{"1985", "1985-01-01", "1985-12-31", ""},
		{"1964/2008", "1964-01-01", "2008-12-31", ""},
		{"2004-06/2006-08", "2004-06-01", "2006-08-31", ""},
		{"2004-02-01/2005-02-08", "2004-02-01", "2005-02-08", ""},
		{"2004-02-01/2005-02", "2004-02-01", "2005-02-28", ""},
		{"2004-02-01/2005", "2004-02-01", "2005-12-31", ""},
		{"2005/2006-02", "2005-01-01", "2006-02-28", ""},
		{"2001-21", "2001-01-01", "2001-12-31", ""},
		{"1984?", "1984-01-01", "1984-12-31", "uncertain"},
		{"2004-06~", "2004-06-01", "2004-06-30", "approximate"},
		{"2004-06-11%", "2004-06-11", "2004-06-11", "approximate uncertain"},
		{"201X", "2010-01-01", "2019-12-31", ""},
		{"20XX", "2000-01-01", "2099-12-31", ""},
		{"2004-XX", "2004-01-01", "2004-12-31", ""},
		{"1985-04-XX", "1985-04-01", "1985-04-30", ""},
		{"1985-XX-XX", "1985-01-01", "1985-12-31", ""},
		{"1985-04-12/..", "1985-04-12", "9999-12-31", "open-end"},
		{"1985-04/..", "1985-04-01", "9999-12-31", "open-end"},
		{"1985/..", "1985-01-01", "9999-12-31", "open-end"},
		{"../1985-04-12", "0001-01-01", "1985-04-12", "open-start"},
		{"../1985-04", "0001-01-01", "1985-04-30", "open-start"},
		{"../1985", "0001-01-01", "1985-12-31", "open-start"},
		{"1984~/2004-06", "1984-01-01", "2004-06-30", "approximate"},
		{"1984/2004-06~", "1984-01-01", "2004-06-30", "approximate"},
		{"1984?/2004%", "1984-01-01", "2004-12-31", "approximate uncertain"},
		{"1984-06-02?/2004-08-08~", "1984-06-02", "2004-08-08", "approximate uncertain"},

		// The same rules of the specification, levels 0 and 1, on dates of our
		// own; leap years are those of the Gregorian calendar (ISO 8601-1). That
		// a season is anywhere in its year, and that years run from 0001 to 9999,
		// is ours.
		{"1974-24", "1974-01-01", "1974-12-31", ""},
		{"1972-02", "1972-02-01", "1972-02-29", ""},
		{"1900-02", "1900-02-01", "1900-02-28", ""},
		{"2000-02", "2000-02-01", "2000-02-29", ""},
		{"197X~", "1970-01-01", "1979-12-31", "approximate"},
		{"197X/1974", "1970-01-01", "1974-12-31", ""},
		{"1974-05-17/1974-05-17", "1974-05-17", "1974-05-17", "exact"},
		{"1974-05/1974", "1974-05-01", "1974-12-31", ""},
		{"00XX", "0001-01-01", "0099-12-31", ""},
	}
	for _, tt := range tests {
		d, err := Parse(tt.text)
		if err != nil {
			t.Errorf("Parse(%q): %v", tt.text, err)
			continue
		}
		var flags []string
		for name, set := range map[string]bool{"exact": d.Exact(), "open-end": d.OpenHi, "open-start": d.OpenLo} {
			if set {
				flags = append(flags, name)
			}
		}
		if d.Approximate {
			flags = append(flags, "approximate")
		}
		if d.Uncertain {
			flags = append(flags, "uncertain")
		}
		if d.Lo.String() != tt.lo || d.Hi.String() != tt.hi || strings.Join(flags, " ") != tt.flags {
			t.Errorf("Parse(%q) = %v to %v, %q; want %s to %s, %q", tt.text, d.Lo, d.Hi, flags, tt.lo, tt.hi, tt.flags)
		}
		if d.String() != tt.text {
			t.Errorf("Parse(%q) kept %q", tt.text, d.String())
		}
	}
}

// How people write dates otherwise: common practice, no source. What is written
// instead follows the specification named above.
func TestParseErrors(t *testing.T) {
	t.Parallel()
	tests := []struct{ text, write, reason string }{
		{"1971-74", "1971/1974", "a span of years is written with a slash"},
		{"1971–74", "1971/1974", "a span of years"},
		{"1971-1974", "1971/1974", "a span of years"},
		{"1971–1974", "1971/1974", "a span of years"},
		{"1971/74", "1971/1974", "whole years"},
		{"1971 to 1974", "1971/1974", "a span of years"},
		{"1971 / 1974", "1971/1974", "no spaces around it"},
		{"1974/1971", "1971/1974", "ends before it starts"},
		{"1974-05/1974-04", "1974-04/1974-05", "ends before it starts"},
		{"ca. 1974", "1974~", "written with ~"},
		{"c1974", "1974~", "written with ~"},
		{"c. 1974", "1974~", "written with ~"},
		{"Circa 1974", "1974~", "written with ~"},
		{"about 1974", "1974~", "written with ~"},
		{"~1974", "1974~", "written with ~"},
		{"probably 1974", "1974?", "written with ?"},
		{"1974 ?", "1974?", "without a space"},
		{"1974?~", "1974%", "together are %"},
		{"05/1974", "1974-05", "the year comes first"},
		{"5.1974", "1974-05", "the year comes first"},
		{"1974/05", "1974-05", "after a hyphen"},
		{"1974-5", "1974-05", "two digits"},
		{"1974-5-3", "1974-05-03", "two digits"},
		{"1974/05/17", "1974-05-17", "hyphens"},
		{"19740517", "1974-05-17", "hyphens"},
		{"17.5.1974", "1974-05-17", "the year comes first"},
		{"17/05/1974", "1974-05-17", "the year comes first"},
		{"05/17/1974", "1974-05-17", "the year comes first"},
		{"70s", "197X", "a decade"},
		{"'70s", "197X", "a decade"},
		{"1970s", "197X", "a decade"},
		{"1970's", "197X", "a decade"},
		{"197x", "197X", "written X"},
		{"197?", "197X", "written X"},
		{"19--", "19XX", "written X"},
		{"1974-xx", "1974-XX", "written X"},
		{"1974/", "1974/..", "one side of the slash is empty"},
		{"/1974", "../1974", "an open start"},
		{"1974-", "1974/..", ""},
		{"since 1974", "1974/..", "an open end"},
		{"1974-present", "1974/..", "an open end"},
		{"before 1974", "../1974", "an open start"},
		{"May 1974", "1974-05", "months are numbers"},
		{"17 May 1974", "1974-05-17", "months are numbers"},
		{"Sept. 3rd, 1974", "1974-09-03", "months are numbers"},
		{"September 3rd, 1974", "1974-09-03", "months are numbers"},
		{"autumn 1974", "1974-23", "21 to 24"},
		{"1985-04-12T23:20:30", "1985-04-12", "time of day is left out"},
		{" 1974 ", "1974", "spaces around it"},

		{"05/06/1974", "", "not of the form"},
		{"1974-13", "", "there is no month 13"},
		{"1974-00", "", "there is no month 00"},
		{"1974-02-30", "", "there is no day 30 in 1974-02"},
		{"1973-02-29", "", "there is no day 29 in 1973-02"},
		{"1974-05-00", "", "there is no day 00"},
		{"1974-21-01", "", "there is no month 21"},
		{"0000", "", "0001 to 9999"},
		{"-0044", "", "not of the form"},
		{"Y17000", "", "not of the form"},
		{"74", "", "not of the form"},
		{"XXXX", "", "not of the form"},
		{"1XXX", "", "not of the form"},
		{"197X-05", "", "at the end"},
		{"1974-XX-17", "", "at the end"},
		{"../..", "", "both sides are open"},
		{"1971/1972/1973", "", "not of the form"},
		{"", "", "leave the key out"},
		{"unknown", "", "not of the form"},
		{"1974\u202e", "", "not of the form"},
		{strings.Repeat("1", 65), "", "longer than 64 bytes"},
	}
	for _, tt := range tests {
		d, err := Parse(tt.text)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("Parse(%q) = %v to %v, %v; want an *Error", tt.text, d.Lo, d.Hi, err)
			continue
		}
		if e.Write != tt.write || !strings.Contains(e.Error(), tt.reason) {
			t.Errorf("Parse(%q): %v; want %q and to write %q", tt.text, err, tt.reason, tt.write)
		}
	}
	_, err := Parse("1971-74")
	if want := `date "1971-74": a span of years is written with a slash and whole years: write 1971/1974`; err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
}

func drawDay(t *rapid.T, label string) Day {
	return FirstDay.AddDays(rapid.IntRange(0, LastDay.Sub(FirstDay)).Draw(t, label))
}

func TestIntervalOfDays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawDay(t, "a"), drawDay(t, "b")
		d, err := Parse(a.String() + "/" + b.String())
		if b.Before(a) {
			var e *Error
			if !errors.As(err, &e) || e.Write != b.String()+"/"+a.String() {
				t.Fatalf("%v/%v: %v", a, b, err)
			}
			return
		}
		if err != nil || d.Lo != a || d.Hi != b || d.Exact() != (a == b) {
			t.Fatalf("%v/%v = %v to %v, %v", a, b, d.Lo, d.Hi, err)
		}
	})
}

// Leaving out the day, the month or a digit never narrows a date.
func TestLessKnownIsWider(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := drawDay(t, "day").String()
		inner := Date{Lo: LastDay, Hi: FirstDay}
		for _, s := range []string{text, text[:8] + "XX", text[:7], text[:5] + "XX", text[:4], text[:3] + "X", text[:2] + "XX"} {
			d, err := Parse(s)
			if err != nil {
				t.Fatal(err)
			}
			if d.Lo.After(inner.Lo) || d.Hi.Before(inner.Hi) || !d.Lo.Valid() || !d.Hi.Valid() {
				t.Fatalf("%s is %v to %v, inside %v to %v", s, d.Lo, d.Hi, inner.Lo, inner.Hi)
			}
			inner = d
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"1974", "1974-05-17", "1971/1974", "197X", "1974-21", "1974?", "../1974", "1971-74", "c. 1974", "'70s", "5.1974", "May 1974", "1974 ~?", "0000", "2000-02-29"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := Parse(s)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Text != s {
				t.Fatalf("%q: %v", s, err)
			}
			if e.Write != "" {
				if _, err := Parse(e.Write); err != nil || e.Write == s {
					t.Fatalf("%q: suggests %q: %v", s, e.Write, err)
				}
			}
			return
		}
		if d.Text != s || d.Hi.Before(d.Lo) || !d.Lo.Valid() || !d.Hi.Valid() {
			t.Fatalf("%q is %v to %v, kept as %q", s, d.Lo, d.Hi, d.Text)
		}
		if (d.OpenLo && d.Lo != FirstDay) || (d.OpenHi && d.Hi != LastDay) {
			t.Fatalf("%q is open and runs from %v to %v", s, d.Lo, d.Hi)
		}
	})
}
