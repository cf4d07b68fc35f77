package reliability

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"benchlore/reports/lifedata"
	"benchlore/reports/page"
)

// WearVerdict says in words how the failure rate changes with age.
type WearVerdict string

// The verdicts.
const (
	WearShown    WearVerdict = "wears out"
	WearConstant WearVerdict = "constant"
	WearEarly    WearVerdict = "fails early, or a mixture of good and bad lots"
	WearTooFew   WearVerdict = "too few to tell"
	WearNotShown WearVerdict = "not shown"
)

// Wear is what a group tells of wear. Fit is nil where it was refused.
type Wear struct {
	Verdict WearVerdict
	Reasons []string // why it is not shown, or what it rests on
	Fit     *lifedata.Weibull
	Refused string
	B10     float64           // from the middle of all build dates
	Tenth   lifedata.Interval // of B10, from all readings of the build dates
	Dropped int               // units left out of the fit because their build date is too vague
	Bracket *Bracket          // nil where no part was taken out as degraded
}

// Bracket is the share failed by an age where degraded parts were taken out
// before they failed: as if they would have lasted, and as if they had failed
// when they came out.
type Bracket struct {
	Age       float64
	Low, High float64
	Taken     int // parts taken out as degraded
	Failed    int // parts failed
}

const (
	mostSpan     = 0.05 // of the variance of ages that build dates may add. Common practice, no source
	mostDegraded = 0.1  // of the parts that failed or were taken out as degraded
)

// spans is the mean of span²/12 over parts, and the variance of their ages.
func spans(parts []timed) (span, ages float64) {
	var n, sum, squares float64
	for _, t := range parts {
		age := t.Lower
		if !t.RightCensored() {
			age = t.Upper
		}
		n += t.Count
		sum += t.Count * age
		squares += t.Count * age * age
		span += t.Count * t.half * t.half / 3
	}
	if n == 0 {
		return 0, 0
	}
	mean := sum / n
	return span / n, max(0, squares/n-mean*mean)
}

// dated leaves out the units with the vaguest build dates until the others
// carry ages; see [mostSpan].
func (l lifetimes) dated() (kept lifetimes, dropped int) {
	kept = l
	kept.parts = nil
	for _, t := range l.parts {
		if ofKnownAge(&t) && !t.leftOut {
			kept.parts = append(kept.parts, t)
		}
	}
	for {
		span, ages := spans(kept.parts)
		if !(span > mostSpan*ages) {
			return kept, dropped
		}
		widest := slices.MaxFunc(kept.parts, func(a, b timed) int { return cmp.Compare(a.half, b.half) }).half
		gone := map[string]bool{}
		kept.parts = slices.DeleteFunc(slices.Clone(kept.parts), func(t timed) bool {
			if t.half < widest {
				return false
			}
			gone[t.Unit] = true
			return true
		})
		dropped += len(gone)
	}
}

// shifted is the observations with every unit built at the beginning of what is
// known of it (by 1), in the middle (0) or at the end (-1).
func (l lifetimes) shifted(by float64) []lifedata.Obs {
	moved := l
	moved.parts = slices.Clone(l.parts)
	for i := range moved.parts {
		t := &moved.parts[i]
		d := by * t.half
		if d == 0 {
			continue
		}
		t.Lower = max(0, t.Lower+d)
		if t.first > 0 {
			t.first = max(0, t.first+d)
		}
		if !t.RightCensored() {
			t.Upper = max(t.Upper+d, t.Lower+oneDay)
		}
	}
	return moved.aged()
}

// wear fits a Weibull life to the parts of known age, three times where build
// dates are spans: early, middle and late.
func (l lifetimes) wear(opt Options) (w Wear) {
	refuse := func(why string) Wear {
		w.Verdict, w.Refused = WearNotShown, why
		w.Reasons = append(w.Reasons, why)
		return w
	}
	if why := l.noAge(); why != "" {
		return refuse(why)
	}
	kept, dropped := l.dated()
	w.Dropped = dropped
	w.Bracket = l.bracket()
	if n := l.untold(); float64(n) > mostUntold*float64(l.came) {
		return refuse(fmt.Sprintf("%s of %s parts were not looked at, and those that were may have been the suspects", page.Thousands(n), page.Thousands(l.came)))
	}
	if lost, failed := l.lost(); float64(lost) > mostUntold*float64(lost+failed) {
		return refuse(fmt.Sprintf("%s replaced before the first visit, nobody knows at what age, beside %s since", page.Plural(lost, "was or may have been", "were or may have been"), page.Plural(failed, "failure found", "failures found")))
	}
	if b := w.Bracket; b != nil && float64(b.Taken) > mostDegraded*float64(b.Taken+b.Failed) && !opt.FitAnyway {
		return refuse(fmt.Sprintf("%s taken out as degraded before they failed, beside %s that failed; --failure degraded counts both",
			page.Plural(b.Taken, "was", "were"), page.Thousands(b.Failed)))
	}
	if len(kept.parts) == 0 && dropped > 0 {
		return refuse("no build date is known closely enough to tell an age")
	}
	if l.fromFirst() && l.silence == SilenceUnknown {
		return refuse(fmt.Sprintf("%d of %d failures found at first visits brought the unit in, and of units that did not come back nothing is known since: --silence working takes them to work", l.firstPrompted, l.firstFailed))
	}
	fit := func(by float64) (*lifedata.Weibull, string) {
		x, err := lifedata.FitWeibull(kept.shifted(by), lifedata.WeibullOptions{Level: opt.Confidence, FitAnyway: opt.FitAnyway})
		if err != nil {
			return nil, refusal(err)
		}
		return &x, ""
	}
	middle, why := fit(0)
	if middle == nil {
		if l.fromFirst() {
			why = fmt.Sprintf("%d of %d failures found at first visits brought the unit in, so only what happened after a release counts: %s", l.firstPrompted, l.firstFailed, why)
		} else if len(l.ageless()) > 0 {
			why = "of the parts of known age, " + why
		}
		return refuse(why)
	}
	w.Fit, w.Verdict = middle, WearVerdict(middle.Verdict)
	w.B10, w.Tenth = wearB10(middle)
	if l.fromFirst() {
		w.Reasons = append(w.Reasons, fmt.Sprintf("%d of %d failures found at first visits brought the unit in: only what happened after a release counts", l.firstPrompted, l.firstFailed))
	}
	if dropped > 0 {
		w.Reasons = append(w.Reasons, fmt.Sprintf("%s left out, whose build date is too vague", page.Plural(dropped, "unit", "units")))
	}
	if !slices.ContainsFunc(kept.parts, func(t timed) bool { return t.half > 0 }) {
		return w
	}
	for _, end := range []struct {
		by   float64
		name string
	}{{1, "earliest"}, {-1, "latest"}} {
		x, why := fit(end.by)
		if x == nil {
			w.Reasons = append(w.Reasons, fmt.Sprintf("with every unit built on its %s day there is no fit: %s", end.name, why))
			w.Verdict = WearNotShown
			continue
		}
		_, tenth := wearB10(x)
		w.Tenth.Low, w.Tenth.High = min(w.Tenth.Low, tenth.Low), max(w.Tenth.High, tenth.High)
		if x.Verdict != middle.Verdict {
			w.Reasons = append(w.Reasons, fmt.Sprintf("it hangs on the build dates: with every unit built on its %s day the verdict is %q", end.name, string(x.Verdict)))
			w.Verdict = WearNotShown
		}
	}
	return w
}

// lost counts the parts that left before the first visit, and those of known age
// that failed.
func (l lifetimes) lost() (lost, failed int) {
	for i := range l.parts {
		t := &l.parts[i]
		switch {
		case t.is(isEarlier):
			lost += int(t.Count)
		case ofKnownAge(t) && !t.RightCensored():
			failed += int(t.Count)
		}
	}
	return lost, failed
}

// bracket is the share failed by the age that half of the failures had.
func (l lifetimes) bracket() *Bracket {
	b := &Bracket{}
	var ages []float64
	for i := range l.parts {
		t := &l.parts[i]
		switch {
		case !ofKnownAge(t) || t.leftOut:
		case t.is(isDegradedOut) && t.RightCensored():
			b.Taken += int(t.Count)
			ages = append(ages, t.Lower)
		case !t.RightCensored():
			b.Failed += int(t.Count)
			ages = append(ages, t.Upper)
		}
	}
	if b.Taken == 0 {
		return nil
	}
	slices.Sort(ages)
	b.Age = ages[len(ages)/2]
	b.Low, b.High = math.NaN(), math.NaN()
	for _, failed := range []bool{false, true} {
		m := l
		m.parts = slices.Clone(l.parts)
		for i := range m.parts {
			t := &m.parts[i]
			switch {
			case !t.is(isDegradedOut) || !t.RightCensored():
			case failed:
				t.Upper, t.Lower = t.Lower, 0
			default:
				t.Lower = max(t.Lower, b.Age)
			}
		}
		curve, err := lifedata.Turnbull(m.aged())
		if err != nil {
			continue
		}
		share := 0.0
		for _, s := range curve.Steps {
			if s.Upper <= b.Age {
				share = 1 - s.Survival
			}
		}
		if failed {
			b.High = share
		} else {
			b.Low = share
		}
	}
	if math.IsNaN(b.Low) || math.IsNaN(b.High) {
		return nil
	}
	b.High = max(b.High, b.Low)
	return b
}

func (l lifetimes) noAge() string {
	if why := l.tooLittle(); why != "" {
		return why
	}
	if len(l.aged()) == 0 {
		if slices.ContainsFunc(l.parts, func(t timed) bool { return ofKnownAge(&t) && !t.leftOut }) {
			return "nothing is known of its parts after a release"
		}
		return "no part has a known age; those of a counted pool have none of their own"
	}
	return ""
}
