package lifedata

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// A mean time is the reciprocal of a rate, and with the end of the test fixed
// beforehand so are its limits.
func TestMTBFIsReciprocalOfRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		failures := rapid.IntRange(0, 500).Draw(t, "failures")
		total := rapid.Float64Range(1e-3, 1e6).Draw(t, "total")
		level := level(t)
		m, err := MTBFLimits(failures, total, level, TimeTruncated)
		if err != nil {
			t.Fatal(err)
		}
		two := Garwood(failures, level)
		for _, tt := range []struct {
			what         string
			time, events float64
		}{
			{"mean", m.Mean, float64(failures)},
			{"two-sided lower", m.Limits.Low, two.High},
			{"two-sided upper", m.Limits.High, two.Low},
			{"one-sided lower", m.Lower, GarwoodUpper(failures, level)},
			{"one-sided upper", m.Upper, GarwoodLower(failures, level)},
		} {
			if tt.events == 0 {
				if !math.IsInf(tt.time, 1) {
					t.Fatalf("%s = %v, want +Inf", tt.what, tt.time)
				}
			} else if !near(tt.time*tt.events, total, 1e-12, 0) {
				t.Fatalf("%s %v times %v events is not %v", tt.what, tt.time, tt.events, total)
			}
		}
	})
}

// Stopping at a failure leaves no failure-free time at the end unused, so the
// lower limits are higher; the upper limits are the same.
func TestMTBFTruncation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		failures := rapid.IntRange(1, 500).Draw(t, "failures")
		level := level(t)
		byTime, err := MTBFLimits(failures, 1000, level, TimeTruncated)
		if err != nil {
			t.Fatal(err)
		}
		byFailure, err := MTBFLimits(failures, 1000, level, FailureTruncated)
		if err != nil {
			t.Fatal(err)
		}
		if !(byFailure.Limits.Low > byTime.Limits.Low && byFailure.Lower > byTime.Lower) {
			t.Fatalf("lower limits %+v are not above %+v", byFailure, byTime)
		}
		if byFailure.Limits.High != byTime.Limits.High || byFailure.Upper != byTime.Upper {
			t.Fatalf("upper limits of %+v and %+v differ", byFailure, byTime)
		}
	})
}

func TestMTBFErrors(t *testing.T) {
	tests := []struct {
		name         string
		failures     int
		total, level float64
		end          Truncation
		want         string
	}{
		{"no time", 2, 0, 0.9, TimeTruncated, "the total time is 0; give a finite number above zero"},
		{"negative count", -2, 800, 0.9, TimeTruncated, "the number of failures is -2; give zero or more"},
		{"level in percent", 2, 800, 90, TimeTruncated, "confidence level 90 is not between 0 and 1; write 95 % as 0.95"},
		{"ended by no failure", 0, 800, 0.9, FailureTruncated, "a test that ended with a failure has at least one failure; write \"time\" if it ended by the calendar"},
		{"unknown truncation", 2, 800, 0.9, "clock", "unknown truncation \"clock\"; write \"time\" or \"failure\""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := MTBFLimits(tt.failures, tt.total, tt.level, tt.end)
			checkError(t, err, tt.want)
		})
	}
}
