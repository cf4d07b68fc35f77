package reliability

import (
	"fmt"
	"math"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
)

// RateBounds is the rate read three ways, for a group some of whose parts were
// not looked at.
type RateBounds struct {
	Low     float64 // all left out were good to the last day they were there
	Middle  float64 // suspects among them failed as often as tested parts did, the rest were good
	High    float64 // all left out had failed; +Inf where nothing is known to have lasted
	LeftOut int     // parts
}

// RateBounded marks a [Rate] whose interval runs from the lower limit of the low
// reading to the upper limit of the high one, and whose point is the middle one.
const RateBounded lifedata.RateMethod = "bounds"

// reading is how parts are read that nobody looked at.
type partReading int

const (
	asRecorded partReading = iota // good to the last day they were known to be
	allGood
	suspectsFailed
	allFailed
)

// whole reports whether the group as a whole counts from first visits on:
// at least one in ten of its failures there brought the unit in, so that units
// came because of what is counted.
func (l lifetimes) fromFirst() bool {
	return l.firstPrompted > 0 && 10*l.firstPrompted >= l.firstFailed
}

// read gives the observations under one reading. Those that count from the
// first visit on are at risk from then; what happened before says nothing.
func (l lifetimes) read(how partReading, keep func(*timed) bool) []lifedata.Obs {
	share := 0.0
	if l.tested > 0 {
		share = float64(l.testedFailed) / float64(l.tested)
	}
	suspects, failed := 0.0, 0.0
	later := l.fromFirst()
	out := make([]lifedata.Obs, 0, len(l.parts))
	at := map[lifedata.Obs]int{} // those alike but for their count are one, as in a file
	for i := range l.parts {
		t := &l.parts[i]
		if !keep(t) {
			continue
		}
		o := t.Obs
		add := func(o lifedata.Obs) {
			if t.is(isFromFirst) || later && t.first > 0 {
				o.Entry = max(o.Entry, t.first)
			}
			if !(o.Count > 0 && o.Upper > o.Entry && (!o.RightCensored() || o.Lower > o.Entry)) {
				return
			}
			key := o
			key.Count = 0
			if i, ok := at[key]; ok {
				out[i].Count += o.Count
				return
			}
			at[key] = len(out)
			out = append(out, o)
		}
		if how == asRecorded || !t.untold() {
			if !t.leftOut {
				add(o)
			}
			continue
		}
		good, bad := o, o
		good.Lower = t.latest
		bad.Upper = t.latest
		switch {
		case how == allGood, how == suspectsFailed && !t.is(isSuspect):
			add(good)
		case how == allFailed:
			add(bad)
		default: // whole parts, so that the share comes out over all of them
			suspects += o.Count
			n := min(o.Count, math.Round(share*suspects)-failed)
			failed += n
			bad.Count, good.Count = n, o.Count-n
			add(bad)
			add(good)
		}
	}
	return out
}

func every(*timed) bool        { return true }
func ofKnownAge(t *timed) bool { return t.is(isAged) && !t.is(isEarlier) }

// all is every observation as the records have it.
func (l lifetimes) all() []lifedata.Obs { return append(l.aged(), l.ageless()...) }

// aged is those of known age.
func (l lifetimes) aged() []lifedata.Obs { return l.read(asRecorded, ofKnownAge) }

// ageless is those of unknown age, from pools and after repairs: they serve a
// constant hazard only.
func (l lifetimes) ageless() []lifedata.Obs {
	return l.read(asRecorded, func(t *timed) bool { return !ofKnownAge(t) })
}

// nothing is the parts left out: not failed by 0.
func (l lifetimes) nothing() []lifedata.Obs {
	var out []lifedata.Obs
	at := map[string]int{}
	for _, t := range l.parts {
		if !t.leftOut || t.is(isEarlier) {
			continue
		}
		if i, ok := at[t.Unit]; ok {
			out[i].Count += t.Count
			continue
		}
		at[t.Unit] = len(out)
		out = append(out, lifedata.Obs{Unit: t.Unit, Upper: math.Inf(1), Count: t.Count})
	}
	return out
}

// untold counts the parts that were not looked at when they were last there.
func (l lifetimes) untold() int {
	n := 0.0
	for i := range l.parts {
		t := &l.parts[i]
		if !t.untold() || (t.is(isFromFirst) || l.fromFirst()) && !(t.latest > t.first) {
			continue
		}
		n += t.Count
	}
	return int(n)
}

// bounded estimates the rate. Where parts were left out the interval is that of
// all readings together.
func (l lifetimes) bounded(level float64) (*Rate, *RateBounds, string) {
	left := l.untold()
	if left == 0 {
		r, why := l.rate(l.all(), level)
		return r, nil, why
	}
	low, why := l.rate(l.read(allGood, every), level)
	if low == nil {
		return nil, nil, why
	}
	high, whyHigh := l.rate(l.read(allFailed, every), level)
	middle, _ := l.rate(l.read(suspectsFailed, every), level)
	b := &RateBounds{Low: low.point(), High: math.Inf(1), LeftOut: left}
	if low.LowerOnly {
		b.Low = low.Low
	}
	if high != nil {
		b.High = high.point()
	}
	b.Middle = b.Low
	if middle != nil && !middle.LowerOnly {
		b.Middle = middle.point()
	}
	if high == nil || high.LowerOnly {
		return nil, b, whyNoUpper(left, whyHigh)
	}
	if b.Low > 0 && b.High > widestBounds*b.Low {
		scale, per := l.time.per()
		return nil, b, fmt.Sprintf("%s not looked at when last there, which leaves it anywhere from %s to %s %s", page.Plural(left, "part was", "parts were"), figure(scale*b.Low), figure(scale*b.High), per)
	}
	r := *low
	r.PerYear, r.Low, r.High, r.Method = b.Middle, min(low.Low, b.Low), max(high.High, b.High, b.Middle), RateBounded
	if low.UpperOnly {
		r.Low = 0
	}
	if middle != nil {
		r.Units, r.LeftCensored, r.DesignEffect = middle.Units, middle.LeftCensored, middle.DesignEffect
	}
	r.UpperOnly, r.LowerOnly = false, false
	return &r, b, ""
}

func whyNoUpper(left int, why string) string {
	if why == "" {
		why = "nothing is known to have lasted"
	}
	return fmt.Sprintf("%s not looked at; had they all failed there would be no upper limit: %s", page.Plural(left, "part was", "parts were"), why)
}

// widestBounds is how far apart bounds may lie that still tell something. Common
// practice, no source.
const widestBounds = 100

// point is the rate, 0 where nothing failed.
func (r *Rate) point() float64 {
	if r.UpperOnly {
		return 0
	}
	return r.PerYear
}

// free is the rate from groups of parts that were tested whole because all of
// them were to be; nil where there are none or they tell no rate.
func (l lifetimes) free(level float64) *Rate {
	if l.untold() == 0 {
		return nil
	}
	obs := l.read(asRecorded, func(t *timed) bool { return t.is(isSystematic) && !t.untold() })
	if len(obs) == 0 {
		return nil
	}
	r, _ := l.rate(obs, level)
	return r
}

// mostUntold is the share of parts not looked at from which on nothing is said
// that hangs on who was looked at: wear, curves, ranks and comparisons. Common
// practice, no source.
const mostUntold = 0.1

// unlike says what keeps a group out of comparisons with others.
func (l lifetimes) unlike() string {
	if why := l.tooLittle(); why != "" {
		return why
	}
	if n := l.untold(); float64(n) > mostUntold*float64(l.came) {
		return fmt.Sprintf("%s of %s parts were not looked at", page.Thousands(n), page.Thousands(l.came))
	}
	return ""
}
