package edtf

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// A calendar day as YYYY-MM-DD: ISO 8601-1, from memory.
func TestParseDay(t *testing.T) {
	t.Parallel()
	d, err := ParseDay("1974-05-17")
	if err != nil || d != (Day{1974, 5, 17}) {
		t.Errorf("ParseDay = %v, %v", d, err)
	}
	for text, want := range map[string]string{
		"1974":                  "not one day",
		"1974-05":               "not one day",
		"1974-05-17?":           "not one day",
		"1974-05-XX":            "not one day",
		"1974-05-17/1974-05-17": "not one day",
		"1974-02-29":            "no day 29",
		"17.05.1974":            "write 1974-05-17",
		"05/1974":               "not one day",
		"":                      "empty",
	} {
		if d, err := ParseDay(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParseDay(%q) = %v, %v; want %q", text, d, err, want)
		}
	}
}

// Leap years of the Gregorian calendar: divisible by 4, but not by 100 unless by
// 400.
func TestDayValid(t *testing.T) {
	t.Parallel()
	tests := []struct {
		day  Day
		want bool
	}{
		{Day{1974, 5, 17}, true},
		{Day{1972, 2, 29}, true},
		{Day{1900, 2, 29}, false},
		{Day{2000, 2, 29}, true},
		{Day{1974, 4, 31}, false},
		{Day{1974, 13, 1}, false},
		{Day{1974, 0, 1}, false},
		{Day{0, 1, 1}, false},
		{Day{10000, 1, 1}, false},
		{Day{}, false},
		{FirstDay, true},
		{LastDay, true},
	}
	for _, tt := range tests {
		if got := tt.day.Valid(); got != tt.want {
			t.Errorf("%v valid: %v", tt.day, got)
		}
	}
}

// Julian day numbers of 1858-11-17 (2400001) and 2000-01-01 (2451545), from
// memory of the definition of the modified Julian date and of epoch J2000. The
// years 1 to 9999 have 9999*365 + 2499 - 99 + 24 = 3652059 days, by hand.
func TestSub(t *testing.T) {
	t.Parallel()
	if got := (Day{2000, 1, 1}).Sub(Day{1858, 11, 17}); got != 2451545-2400001 {
		t.Errorf("days from 1858-11-17 to 2000-01-01: %d", got)
	}
	if got := (Day{1972, 3, 1}).Sub(Day{1972, 2, 28}); got != 2 {
		t.Errorf("days over a leap day: %d", got)
	}
	if got := FirstDay.Sub(LastDay); got != -3652058 {
		t.Errorf("days of 9999 years: %d", got)
	}
}

func TestDayArithmetic(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawDay(t, "a"), drawDay(t, "b")
		n := b.Sub(a)
		if a.AddDays(n) != b || !a.Valid() {
			t.Fatalf("%v and %d days is %v, not %v", a, n, a.AddDays(n), b)
		}
		if a.Before(b) != (n > 0) || a.After(b) != (n < 0) || (a.Compare(b) == 0) != (n == 0) {
			t.Fatalf("%v and %v are %d days apart but compare as %d", a, b, n, a.Compare(b))
		}
		if FromTime(a.Time()) != a {
			t.Fatalf("%v is %v", a, a.Time())
		}
		if back, err := ParseDay(a.String()); err != nil || back != a {
			t.Fatalf("%v reads as %v, %v", a, back, err)
		}
	})
}

// A day is in the calendar if the standard library does not move it.
func TestValidIsCalendar(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := Day{rapid.IntRange(1, 9999).Draw(t, "year"), rapid.IntRange(0, 13).Draw(t, "month"), rapid.IntRange(0, 32).Draw(t, "day")}
		if d.Valid() != (FromTime(d.Time()) == d) {
			t.Fatalf("%v valid: %v, but the calendar has %v", d, d.Valid(), FromTime(d.Time()))
		}
	})
}

// A day is the one on the wall, not the one in Greenwich.
func TestFromTimeZone(t *testing.T) {
	t.Parallel()
	east := time.FixedZone("", 9*60*60)
	if got := FromTime(time.Date(1974, 5, 17, 1, 0, 0, 0, east)); got != (Day{1974, 5, 17}) {
		t.Errorf("got %v", got)
	}
}
