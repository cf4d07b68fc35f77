// Package lifedata estimates proportions, failure rates and mean times
// between failures from counts, each with its confidence limits.
//
// It knows nothing of records or instruments: callers hand it counts and
// exposures and get numbers back. Exposure is in whatever unit the caller
// counts in (component-years, meter hours); a rate is per one of that unit.
//
// A confidence level is a probability strictly between 0 and 1, such as 0.95.
// Two-sided limits leave (1−level)/2 in each tail; one-sided limits leave all
// of 1−level in the one tail they bound.
//
// Functions that return bare numbers answer arguments outside their domain
// with NaN. Functions that take an exposure return an error instead, because
// an exposure comes from records that a person can put right.
package lifedata
