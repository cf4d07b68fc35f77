package lifedata

import (
	"math"
	"slices"
)

// KMPoint is one step of a Kaplan–Meier curve.
type KMPoint struct {
	Time     float64 // age at which something failed
	AtRisk   float64 // entered before Time, neither failed nor censored before it
	Events   float64
	Survival float64 // share surviving Time
	StdErr   float64 // Greenwood's, of Survival
	Low      float64
	High     float64
}

// KaplanMeier returns the survival curve from exact and right-censored ages
// with delayed entry, one point for each age at failure. With n at risk and d
// failed at an age,
//
//	S = Π (1 − d/n)    G = Σ d/(n(n−d))    StdErr = S·√G
//
// and limits S^exp(∓z·√G/ln S), from the normal distribution of ln(−ln S).
// Those censored at an age are at risk there; those that enter at it are not.
//
// From the point where S reaches 0 on, StdErr and both limits are NaN. With
// delayed entry that can come early, when all of the few at risk at a young
// age fail, and then says little of those that entered later.
//
// It refuses interval- and left-censored failures, for which [Turnbull] is
// made.
//
// Sources: Kaplan and Meier (1958), Journal of the American Statistical
// Association 53, 457–481; Meeker and Escobar (1998), section 3.7, for the
// limits; delayed entry as in R survival's survfit(Surv(entry, time, event)).
func KaplanMeier(obs []Obs, level float64) ([]KMPoint, error) {
	if err := checkFit(obs, level); err != nil {
		return nil, err
	}
	risk, err := newRiskSet(obs)
	if err != nil {
		return nil, err
	}
	z := normalUpper((1 - level) / 2)
	var points []KMPoint
	survival, greenwood := 1., 0.
	risk.walk(1, func(time, n, d float64, _, _ []float64) {
		survival *= (n - d) / n
		greenwood += d / (n * (n - d))
		p := KMPoint{Time: time, AtRisk: n, Events: d, Survival: survival}
		if survival > 0 {
			p.StdErr = survival * math.Sqrt(greenwood)
			half := z * math.Sqrt(greenwood) / math.Log(survival) // below zero
			p.Low = math.Pow(survival, math.Exp(-half))
			p.High = math.Pow(survival, math.Exp(half))
		} else {
			p.StdErr, p.Low, p.High = math.NaN(), math.NaN(), math.NaN()
		}
		points = append(points, p)
	})
	if len(points) == 0 {
		return nil, refuse("nothing failed")
	}
	return points, nil
}

// riskRow is an observation of a risk set: at risk from after entry to time.
type riskRow struct {
	entry, time, count float64
	failed             bool
	group              int
}

type riskSet struct {
	byTime  []riskRow
	byEntry []riskRow
}

func newRiskSet(obs []Obs) (*riskSet, error) {
	r := &riskSet{byTime: make([]riskRow, 0, len(obs))}
	for _, o := range obs {
		if !o.Exact() && !o.RightCensored() {
			return nil, refuse("some failures are only known to lie in an interval of ages; this needs exact ages at failure")
		}
		if !o.informative() {
			continue
		}
		r.byTime = append(r.byTime, riskRow{o.Entry, o.Lower, o.Count, o.Exact(), 0})
	}
	r.sort()
	return r, nil
}

func (r *riskSet) sort() {
	slices.SortFunc(r.byTime, func(a, b riskRow) int { return order(a.time, b.time) })
	r.byEntry = r.byTime
	if slices.ContainsFunc(r.byTime, func(row riskRow) bool { return row.entry > 0 }) {
		r.byEntry = slices.Clone(r.byTime)
		slices.SortFunc(r.byEntry, func(a, b riskRow) int { return order(a.entry, b.entry) })
	}
}

// order is cmp.Compare for numbers that are not NaN, which costs less.
func order(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// walk calls visit at each age at failure, in order, with the numbers at
// risk and failed, in all and by group.
func (r *riskSet) walk(groups int, visit func(time, atRisk, failed float64, atRiskBy, failedBy []float64)) {
	var n float64
	by := make([]float64, groups)
	failedBy := make([]float64, groups)
	entered := 0
	for i := 0; i < len(r.byTime); {
		time := r.byTime[i].time
		for ; entered < len(r.byEntry) && r.byEntry[entered].entry < time; entered++ {
			n += r.byEntry[entered].count
			by[r.byEntry[entered].group] += r.byEntry[entered].count
		}
		j := i
		var failed float64
		clear(failedBy)
		for ; j < len(r.byTime) && r.byTime[j].time == time; j++ {
			if row := r.byTime[j]; row.failed {
				failed += row.count
				failedBy[row.group] += row.count
			}
		}
		if failed > 0 {
			visit(time, n, failed, by, failedBy)
		}
		for ; i < j; i++ {
			n -= r.byTime[i].count
			by[r.byTime[i].group] -= r.byTime[i].count
		}
	}
}
