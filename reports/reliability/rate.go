package reliability

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
)

// Share is a proportion of parts. Interval is nil where the parts of a single
// unit are all there is: they say how that unit is, not how others are.
type Share struct {
	Share        float64
	Interval     *lifedata.Interval
	DesignEffect float64 // NaN where it cannot be told
}

// partShare estimates failures over parts from one cluster per unit. The
// interval is the wider, at either end, of Clopper and Pearson's and the
// unit-clustered one of [lifedata.EstimateRatio], on the logit scale with
// Student's t.
func partShare(units []lifedata.Cluster, level float64) Share {
	var failed, parts float64
	for _, u := range units {
		failed += u.Numerator
		parts += u.Denominator
	}
	s := Share{DesignEffect: math.NaN()}
	if parts == 0 {
		return s
	}
	s.Share = failed / parts
	if len(units) < 2 {
		return s
	}
	limits := lifedata.ClopperPearson(int(failed), int(parts), level)
	s.Interval = &limits
	if s.Share == 0 || s.Share == 1 {
		return s
	}
	// Refused only where a unit counts more failures than parts.
	if e, err := lifedata.EstimateRatio(lifedata.KindProportion, units, level); err == nil {
		s.DesignEffect = e.DesignEffect
		limits.Low = min(limits.Low, e.TransformedT.Low)
		limits.High = max(limits.High, e.TransformedT.High)
	}
	return s
}

func studentHalf(units int, level float64) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: float64(units - 1)}.Quantile((1 + level) / 2)
}

// Rate is a constant failure rate of a group, per component and unit of time.
type Rate struct {
	Events       int
	PerYear      float64 // +Inf where only Low can be told
	Low, High    float64
	UpperOnly    bool // nothing failed: High is the one-sided limit
	LowerOnly    bool // all failed at an unknown time: Low is the one-sided limit
	Method       lifedata.RateMethod
	LeftCensored float64 // share of the failures
	Years        float64 // component-years at risk; of a failure's interval the middle is taken
	Units        int
	DesignEffect float64 // NaN where it cannot be told
}

// What a rate needs here. Common practice, no source.
const (
	unitsForRate   = 3
	mostForLeftOut = 0.5 // of the parts that came to the bench
)

// rate estimates a constant hazard; otherwise it returns why not, in words for
// the bench. See [lifedata.EstimateRate] for the method.
func (l lifetimes) rate(obs []lifedata.Obs, level float64) (*Rate, string) {
	switch why := l.tooLittle(); {
	case why != "":
		return nil, why
	case len(obs) == 0 && l.early() > 0:
		return nil, "nothing says whether parts had been repaired elsewhere before the first visit, and none has been seen at risk since"
	case len(obs) == 0:
		return nil, "no part has a time from when it was fitted to when it was last known good"
	}
	tally := lifedata.TallyOf(obs)
	r := &Rate{Events: int(tally.Failures), LeftCensored: tally.LeftShare(), Units: tally.Units}
	for _, o := range obs {
		until := o.Lower
		if !o.RightCensored() {
			until = (max(o.Lower, o.Entry) + o.Upper) / 2
		}
		r.Years += (until - o.Entry) * o.Count
	}
	switch {
	case tally.Named && tally.Units < unitsForRate:
		return nil, fmt.Sprintf("times from %s are too few to say anything", page.Plural(tally.Units, "unit", "units"))
	case tally.Named && r.Events > 1 && tally.Failed == 1:
		return nil, "all failures are of one unit: they say how that one is, not how others are"
	}
	e, err := lifedata.EstimateRate(obs, level)
	if err != nil {
		return nil, refusal(err)
	}
	r.PerYear, r.Low, r.High, r.Method, r.DesignEffect = e.PerUnit, e.Low, e.High, e.Method, e.DesignEffect
	r.UpperOnly, r.LowerOnly = e.Method == lifedata.RateUpper, e.Method == lifedata.RateLower
	return r, ""
}

// tooLittle says what holds back every estimate of times.
func (l lifetimes) tooLittle() string {
	told := slices.ContainsFunc(l.parts, func(t timed) bool { return !t.leftOut || t.untold() })
	switch {
	case l.noMeter != "":
		return fmt.Sprintf("%s has no reading of its hour meter; hours need one for every unit", l.noMeter)
	case l.came == 0:
		return "no part of it has come to the bench yet"
	case !told:
		return "no part has a time from when it was fitted to when it was last known good"
	case l.untold() == 0 && float64(l.out) > mostForLeftOut*float64(l.came):
		return fmt.Sprintf("%s of %s parts have no usable times", page.Thousands(l.out), page.Thousands(l.came))
	}
	return ""
}

// early counts the parts that say something only from the first visit on.
func (l lifetimes) early() int {
	n := 0.0
	for i := range l.parts {
		if l.parts[i].is(isFromFirst) {
			n += l.parts[i].Count
		}
	}
	return int(n)
}

// refusal is why an estimator gave nothing. Data that came this far are valid,
// so any other error is about numbers no report should hide.
func refusal(err error) string {
	var r *lifedata.Refusal
	if errors.As(err, &r) {
		return r.Reason
	}
	return err.Error()
}
