package lifedata

import (
	"errors"
	"fmt"
	"math"
)

// Truncation says what ended a life test. It decides the degrees of freedom
// of the lower limit of the mean time between failures.
type Truncation string

const (
	// TimeTruncated: observation ended at a time fixed beforehand, as every
	// service history does.
	TimeTruncated Truncation = "time"
	// FailureTruncated: observation ended with the last failure counted.
	FailureTruncated Truncation = "failure"
)

// MTBF is a mean time between failures under a constant failure rate. Its
// times are in the unit of TotalTime.
type MTBF struct {
	Failures  int
	TotalTime float64  // time on test, summed over the units
	Level     float64  // confidence level of each set of limits
	Mean      float64  // TotalTime/Failures; +Inf where nothing failed
	Limits    Interval // two-sided
	Lower     float64  // one-sided
	Upper     float64  // one-sided
}

// MTBFLimits returns the mean time between failures and its exact limits.
// With α = 1−level, T the total time, r the failures, and χ²(q; k) the q
// quantile of the chi-square distribution with k degrees of freedom,
//
//	lower = 2T / χ²(1−α/2; k)   k = 2r+2 if time truncated, 2r if failure truncated
//	upper = 2T / χ²(α/2; 2r)
//
// and α in place of α/2 for the one-sided limits. With no failures Mean and
// both upper limits are +Inf, and the one-sided lower limit is T / −ln α.
//
// It returns an error if failures is negative, if it is zero in a test that
// ended with a failure, if totalTime is not a finite number above zero, or if
// level is not strictly between 0 and 1.
//
// Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1;
// MIL-HDBK-338B, 8.3.2.5.
func MTBFLimits(failures int, totalTime, level float64, end Truncation) (MTBF, error) {
	if err := checkCount("the number of failures", failures); err != nil {
		return MTBF{}, err
	}
	if err := checkPositive("the total time", totalTime); err != nil {
		return MTBF{}, err
	}
	if err := checkLevel(level); err != nil {
		return MTBF{}, err
	}
	shape := float64(failures)
	switch end {
	case TimeTruncated:
		shape++
	case FailureTruncated:
		if failures == 0 {
			return MTBF{}, errors.New("a test that ended with a failure has at least one failure; write \"time\" if it ended by the calendar")
		}
	default:
		return MTBF{}, fmt.Errorf("unknown truncation %q; write \"time\" or \"failure\"", string(end))
	}
	m := MTBF{
		Failures:  failures,
		TotalTime: totalTime,
		Level:     level,
		Mean:      math.Inf(1),
		Limits:    Interval{Low: totalTime / gammaHigh(shape, (1-level)/2), High: math.Inf(1)},
		Lower:     totalTime / gammaHigh(shape, 1-level),
		Upper:     math.Inf(1),
	}
	if failures > 0 {
		m.Mean = totalTime / float64(failures)
		m.Limits.High = totalTime / gammaLow(failures, (1-level)/2)
		m.Upper = totalTime / gammaLow(failures, 1-level)
	}
	return m, nil
}
