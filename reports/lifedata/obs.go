package lifedata

import (
	"fmt"
	"math"
)

// Obs is what is known of one lifetime, or of Count alike. Times are in the
// caller's unit and count from installation.
//
//	failed in (Lower, Upper]    0 < Lower < Upper
//	failed by Upper             Lower = 0 (left-censored)
//	failed at Upper             Lower = Upper (exact)
//	not failed by Lower         Upper = +Inf (right-censored)
//
// Entry is the age from which it was at risk of being seen to fail: had it
// failed earlier it would not be in the data (delayed entry, left
// truncation). What happened before Entry says nothing, so a Lower below it
// counts as Entry.
//
// Observations with the same Unit are not independent of one another. An
// empty Unit means a unit of its own for each of Count.
type Obs struct {
	Unit, Group string
	Entry       float64
	Lower       float64
	Upper       float64
	Count       float64 // a whole number, zero or more
}

// RightCensored says that no failure was seen.
func (o Obs) RightCensored() bool { return math.IsInf(o.Upper, 1) }

// Exact says that the age at failure is known.
func (o Obs) Exact() bool { return o.Lower == o.Upper }

// LeftCensored says that a failure was found and nothing is known of the time
// between Entry and Upper.
func (o Obs) LeftCensored() bool {
	return !o.RightCensored() && !o.Exact() && o.Lower <= o.Entry
}

// Validate returns an error unless the times are numbers in order, a failure
// comes after entry, and the count is a whole number.
func (o Obs) Validate() error {
	for _, f := range []struct {
		name  string
		value float64
	}{{"entry", o.Entry}, {"lower", o.Lower}, {"upper", o.Upper}, {"count", o.Count}} {
		switch {
		case math.IsNaN(f.value), math.IsInf(f.value, 0) && !(f.name == "upper" && f.value > 0):
			return fmt.Errorf("%s is %v; write a finite number", f.name, f.value)
		case f.value < 0:
			return fmt.Errorf("%s %v is negative; write zero or more", f.name, f.value)
		}
	}
	switch {
	case o.Upper < o.Lower:
		return fmt.Errorf("upper %v is below lower %v; a failure lies between lower, when it was last good, and upper, when it had failed", o.Upper, o.Lower)
	case o.Upper == 0:
		return fmt.Errorf("upper is 0, a failure at no age; write the end of the first day, or leave the row out")
	case o.Upper <= o.Entry:
		return fmt.Errorf("entry %v is not before upper %v; a failure from before observation began must be left out", o.Entry, o.Upper)
	case o.Count > 1<<53:
		return fmt.Errorf("count %v is too large", o.Count)
	case o.Count != math.Trunc(o.Count):
		return fmt.Errorf("count %v is not a whole number", o.Count)
	}
	return nil
}

// start is the age from which the observation says anything but survival.
func (o Obs) start() float64 { return max(o.Lower, o.Entry) }

// informative says whether the observation changes any likelihood.
func (o Obs) informative() bool {
	return o.Count > 0 && (!o.RightCensored() || o.Lower > o.Entry)
}

func checkObs(obs []Obs) error {
	for i, o := range obs {
		if err := o.Validate(); err != nil {
			return fmt.Errorf("observation %d: %w", i+1, err)
		}
	}
	return nil
}

// Group is the observations of one group.
type Group struct {
	Name string
	Obs  []Obs
}

// Tally counts what a set of observations holds.
type Tally struct {
	Components float64 // lifetimes observed
	Failures   float64 // of them failed
	Exact      float64 // failures of known age
	Left       float64 // failures of which only the end of the time is known
	Units      int     // units that carry information
	Failed     int     // units with a failure
	Named      bool    // at least one observation names its unit
	OnePerUnit bool    // no unit holds more than one lifetime
}

// LeftShare is the share of the failures that are left-censored; 0 where
// nothing failed.
func (t Tally) LeftShare() float64 {
	if t.Failures == 0 {
		return 0
	}
	return t.Left / t.Failures
}

// Clustered says that failures may come together: some named unit holds more
// than one lifetime.
func (t Tally) Clustered() bool { return t.Named && !t.OnePerUnit }

// TallyOf counts observations. An observation that says nothing (censored at
// entry, or none of it) counts as a component but not as a unit.
func TallyOf(obs []Obs) Tally {
	t := Tally{OnePerUnit: true}
	type seen struct{ count, failures float64 }
	units := map[string]seen{}
	for _, o := range obs {
		t.Components += o.Count
		failed := 0.0
		if !o.RightCensored() {
			failed = o.Count
		}
		t.Failures += failed
		if o.Exact() {
			t.Exact += failed
		}
		if o.LeftCensored() {
			t.Left += failed
		}
		if o.Unit != "" {
			t.Named = true
		}
		if !o.informative() {
			continue
		}
		if o.Unit == "" {
			t.Units += int(o.Count)
			t.Failed += int(failed)
			continue
		}
		s := units[o.Unit]
		s.count += o.Count
		s.failures += failed
		units[o.Unit] = s
	}
	for _, s := range units {
		t.Units++
		if s.failures > 0 {
			t.Failed++
		}
		if s.count > 1 {
			t.OnePerUnit = false
		}
	}
	return t
}
