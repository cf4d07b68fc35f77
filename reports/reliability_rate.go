package reports

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"benchlore/reports/lifedata"
)

// Share is a proportion of parts. Interval is nil where the parts of a single
// unit are all there is: they say how that unit is, not how others are.
type Share struct {
	Share        float64
	Interval     *lifedata.Interval
	DesignEffect float64 // NaN where it cannot be told
}

// partShare estimates failures over parts from one count per unit. The
// interval is the wider, at either end, of Clopper and Pearson's and a
// cluster-robust one on the logit scale with k-1 degrees of freedom: with p
// the share, f failures among n parts in each of k units and N parts in all
//
//	v = k/(k-1) · Σ(f - p·n)² / N²     design effect = v / (p(1-p)/N)
//
// Source: the linearised variance of a ratio, Cochran, Sampling Techniques
// (3rd ed.), 6.4 and 11.8 for the sum over clusters; from memory.
func partShare(units []lifedata.Count, level float64) Share {
	failed, parts := 0, 0.0
	for _, u := range units {
		failed += u.Events
		parts += u.Exposure
	}
	s := Share{DesignEffect: math.NaN()}
	if parts == 0 {
		return s
	}
	s.Share = float64(failed) / parts
	if len(units) < 2 {
		return s
	}
	limits := lifedata.ClopperPearson(failed, int(parts), level)
	s.Interval = &limits
	p := s.Share
	if p == 0 || p == 1 {
		return s
	}
	v := clusterVariance(units, p, parts)
	s.DesignEffect = v / (p * (1 - p) / parts)
	half := studentHalf(len(units), level) * math.Sqrt(v) / (p * (1 - p))
	logit := math.Log(p / (1 - p))
	limits.Low = min(limits.Low, 1/(1+math.Exp(half-logit)))
	limits.High = max(limits.High, 1/(1+math.Exp(-half-logit)))
	return s
}

func clusterVariance(units []lifedata.Count, p, total float64) float64 {
	sum := 0.0
	for _, u := range units {
		d := float64(u.Events) - p*u.Exposure
		sum += d * d
	}
	k := float64(len(units))
	return k / (k - 1) * sum / (total * total)
}

func studentHalf(units int, level float64) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: float64(units - 1)}.Quantile((1 + level) / 2)
}

// Rate is a constant failure rate of a group, per component and year.
type Rate struct {
	Events       int
	PerYear      float64
	Low, High    float64
	UpperOnly    bool   // nothing failed: High is the one-sided limit
	Method       string // exact, clustered, upper bound
	LeftCensored float64
	Years        float64 // component-years at risk
	Units        int
}

// What a rate needs here. Common practice, no source.
const (
	closelyDated   = 1.0 // years from last known good to found
	closelyBuilt   = 2.0 // width of the span of installation, in years
	unitsForRate   = 3
	failedForRate  = 2   // units with failures, where anything failed
	mostForLeftOut = 0.5 // of the parts that came to the bench
)

// rate estimates a constant hazard as failures over exposure, where every
// failure is dated closely enough for that to mean something; otherwise it
// returns why not, in words for the bench. Of an event's interval the middle
// is taken. Limits are Garwood's, or at either end the wider cluster-robust
// ones on the log scale with k-1 degrees of freedom, with failures d, exposure
// e of each of k units, E in all and λ the rate
//
//	v = k/(k-1) · Σ(d - λ·e)² / E²
func rate(obs []Observation, s Silence, level float64) (*Rate, string) {
	byUnit := map[string]*lifedata.Count{}
	var names []string
	r := &Rate{Method: "exact"}
	came, out, late, wide, leftCensored := 0, 0, 0, 0, 0
	for _, o := range obs {
		kind, lower := o.Under(s)
		if kind == ObservedLeftOut {
			if o.Reason != LeftOutNotBack {
				came += o.Count
				out += o.Count
			}
			continue
		}
		came += o.Count
		u := byUnit[o.Unit]
		if u == nil {
			u = &lifedata.Count{}
			byUnit[o.Unit] = u
			names = append(names, o.Unit)
		}
		until := lower
		if kind == ObservedEvent {
			u.Events += o.Count
			r.Events += o.Count
			until = (o.Lower + o.Upper) / 2
			switch {
			case o.Gap > closelyDated:
				late += o.Count
			case o.Span > closelyBuilt:
				wide += o.Count
			}
			if o.Lower <= o.Entry {
				leftCensored += o.Count
			}
		}
		u.Exposure += (until - o.Entry) * float64(o.Count)
	}
	var units []lifedata.Count
	withFailures := 0
	for _, name := range names {
		u := byUnit[name]
		if u.Exposure > 0 {
			units = append(units, *u)
			r.Years += u.Exposure
		}
		if u.Events > 0 {
			withFailures++
		}
	}
	r.Units = len(units)
	switch {
	case came == 0:
		return nil, "no part of it has come to the bench yet"
	case r.Years == 0:
		return nil, "no part has a time from when it was fitted to when it was last known good"
	case float64(out) > mostForLeftOut*float64(came):
		return nil, fmt.Sprintf("%d of %d parts had to be left out of times", out, came)
	case late > 0:
		return nil, fmt.Sprintf("%s happened at an unknown time before being found; a rate needs the full interval method", ofFailures(late, r.Events))
	case wide > 0:
		return nil, fmt.Sprintf("%s happened in units whose build date is known to no better than %.0f years; a rate needs the full interval method", ofFailures(wide, r.Events), closelyBuilt)
	case r.Units < unitsForRate:
		return nil, fmt.Sprintf("times from %s are too few to say anything", plural(r.Units, "unit", "units"))
	case r.Events > 0 && withFailures < failedForRate:
		return nil, "all failures are of one unit: they say how that one is, not how others are"
	}
	e, err := lifedata.ExactRate(r.Events, r.Years, level)
	if err != nil {
		return nil, err.Error()
	}
	r.PerYear, r.Low, r.High = e.PerUnit, e.Low, e.High
	if r.Events == 0 {
		r.Method, r.UpperOnly = "upper bound", true
		return r, ""
	}
	r.LeftCensored = float64(leftCensored) / float64(r.Events)
	half := studentHalf(len(units), level) * math.Sqrt(clusterVariance(units, r.PerYear, r.Years)) / r.PerYear
	low, high := r.PerYear*math.Exp(-half), r.PerYear*math.Exp(half)
	if low < r.Low || high > r.High {
		r.Method = "clustered"
		r.Low, r.High = min(r.Low, low), max(r.High, high)
	}
	return r, ""
}

// ofFailures counts among the failures whose times are known at all.
func ofFailures(n, all int) string {
	switch {
	case all == 1:
		return "the one usable failure"
	case n == all:
		return fmt.Sprintf("all %d usable failures", n)
	}
	return fmt.Sprintf("%d of %d usable failures", n, all)
}
