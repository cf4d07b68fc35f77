package reliability

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"benchlore/ledger"
	"benchlore/reports/lifedata"
)

// Life is what is estimated of a group's lifetimes under one reading of
// silence. Each estimate is nil where it was refused.
type Life struct {
	Rate           *Rate
	RateRefused    string
	Bounds         *RateBounds // nil where no part was left out
	Free           *Rate       // from groups tested whole because all of them were to be; nil where there are none
	Wear           Wear
	Weibull        *lifedata.Weibull // that of Wear
	WeibullRefused string
	Rank           *Rank
	RankRefused    string
	Curve          *Curve
	CurveRefused   string

	times lifetimes
	sum   [sha256.Size]byte // over times, where results are kept
}

// Rank is a rate estimated together with those of all other groups.
type Rank struct {
	Mean, Low, High float64 // with a 90 % interval
	ProbWorst       float64
}

// rankLevel is the probability of the interval of a [Rank].
const rankLevel = 0.9

// timed is what is known of the lifetime of some parts of one unit, and what
// that hangs on.
type timed struct {
	lifedata.Obs
	half    float64 // half the span of the build date
	latest  float64 // age at the last visit, where nothing says how it was then; else 0
	first   float64 // age at the end of the first visit, of a part the unit came with
	flags   uint8
	leftOut bool // nothing is known of its time
}

// What may be so of a [timed].
const (
	isAged        = 1 << iota // of known age
	isSuspect                 // not tested, though suspected
	isFromFirst               // counts from the first visit on
	isSystematic              // of a group tested whole because all of it was to be
	isDegradedOut             // taken out as degraded
	isEarlier                 // ended before the first visit
)

func (t *timed) is(flag uint8) bool { return t.flags&flag != 0 }

// untold reports whether nothing says how the part was when it was last there.
func (t *timed) untold() bool { return t.latest > t.Lower && t.RightCensored() }

// lifetimes is the observations of one group.
type lifetimes struct {
	parts   []timed
	came    int    // parts that came to the bench
	out     int    // of them, left out because nothing is known of their times
	noMeter string // a unit without an hour meter, where hours were asked for

	silence                    Silence // as it is read
	time                       TimeUnit
	firstFailed, firstPrompted int // failures at first visits, and those that brought the unit in
	testedFailed, tested       int // parts tested, and found failed
}

// merger turns the observations of a group into lifetimes, those of a unit
// after those of another. It makes one of those of a unit that are alike but
// for their count, as [lifedata.ReadObs] does, so that a file gives the same
// sums to the last bit.
type merger struct {
	lifetimes
	unit string        // the unit at hand
	at   map[timed]int // its observations, by what they are but for the count
}

func newMerger(s Silence) *merger {
	return &merger{lifetimes: lifetimes{silence: s}, at: map[timed]int{}}
}

// add takes in one observation. Of the parts left out, those fitted here and
// not seen since are no loss: they had no time to fail.
func (m *merger) add(o Observation) {
	if o.Unit != m.unit {
		clear(m.at)
		m.unit = o.Unit
	}
	kind, lower := o.Under(m.silence)
	if kind == ObservedLeftOut && o.Reason == LeftOutNotBack {
		return
	}
	if bench(o.Found) && o.Restart == 0 {
		m.tested += o.Count
		if o.Failed {
			m.testedFailed += o.Count
		}
	}
	if o.FailedFirst && o.Restart == 0 {
		m.firstFailed += o.Count
		if o.Prompted {
			m.firstPrompted += o.Count
		}
	}
	t := timed{Obs: lifedata.Obs{Unit: o.Unit, Entry: o.Entry, Lower: lower, Upper: o.Upper, Count: float64(o.Count)},
		half: o.Half, first: o.First}
	if o.Latest > lower {
		t.latest = o.Latest
	}
	for _, f := range []struct {
		set  bool
		flag uint8
	}{{o.Suspect, isSuspect}, {!o.Verified && !o.Hidden && o.First > 0, isFromFirst}, {o.Systematic, isSystematic},
		{o.DegradedOut, isDegradedOut}, {o.Restart == earlierWindow, isEarlier},
		{!o.UnknownOrigin && !o.Pool && o.Restart == 0, isAged}} {
		if f.set {
			t.flags |= f.flag
		}
	}
	if o.Restart == earlierWindow {
		t.leftOut = true
		m.merge(t)
		return
	}
	m.came += o.Count
	if kind == ObservedLeftOut || kind == ObservedCensored && !(lower > o.Entry) {
		m.out += o.Count
		t.leftOut = true
		t.Upper = math.Inf(1)
		if o.Reason == LeftOutMeter && m.noMeter == "" {
			m.noMeter = o.Unit
		}
	}
	m.merge(t)
}

func (m *merger) merge(t timed) {
	key := t
	key.Count = 0
	if i, ok := m.at[key]; ok {
		m.parts[i].Count += t.Count
		return
	}
	m.at[key] = len(m.parts)
	m.parts = append(m.parts, t)
}

// estimate fills in all that one group tells by itself.
func (l lifetimes) estimate(opt Options) Life {
	var e Life
	e.Rate, e.Bounds, e.RateRefused = l.bounded(opt.Confidence)
	e.Free = l.free(opt.Confidence)
	e.Wear = l.wear(opt)
	e.Weibull, e.WeibullRefused = e.Wear.Fit, e.Wear.Refused
	e.Curve, e.CurveRefused = l.curve(opt)
	return e
}

// estimateOnce is estimate, but for what was kept from earlier runs.
func (l lifetimes) estimateOnce(opt Options, results *ledger.Results) Life {
	var sum [sha256.Size]byte
	if results != nil {
		sum = l.sum()
	}
	e := ledger.Once(results, sum, func() Life { return l.estimate(opt) })
	e.times, e.sum = l, sum
	return e
}

// sum is over everything estimates are made from.
func (l lifetimes) sum() (sum [sha256.Size]byte) {
	h := sha256.New()
	var b []byte
	text := func(s string) { b = append(binary.LittleEndian.AppendUint32(b, uint32(len(s))), s...) }
	number := func(n uint64) { b = binary.LittleEndian.AppendUint64(b, n) }
	for _, n := range []int{l.came, l.out, l.firstFailed, l.firstPrompted, l.testedFailed, l.tested, len(l.parts)} {
		number(uint64(n))
	}
	text(l.noMeter)
	text(string(l.silence))
	for _, t := range l.parts {
		text(t.Unit)
		for _, v := range []float64{t.Entry, t.Lower, t.Upper, t.Count, t.half, t.latest, t.first} {
			number(math.Float64bits(v))
		}
		b = append(b, t.flags, byte(bit(t.leftOut)))
		if len(b) > 1<<15 {
			h.Write(b)
			b = b[:0]
		}
	}
	h.Write(b)
	h.Sum(sum[:0])
	return sum
}

// ranked is a rank or why there is none.
type ranked struct {
	Rank    *Rank
	Refused string
}

// rankGroups estimates the rates of all groups together. Groups whose times
// were mostly left out take no part.
func rankGroups(groups []Group, s Silence, results *ledger.Results) {
	var families []lifedata.Group
	var at []int
	key := sha256.New()
	key.Write([]byte("rank"))
	for i, g := range groups {
		l := g.Life[s].times
		if why := l.unlike(); why != "" {
			g.Life[s].RankRefused = why
			continue
		}
		families = append(families, lifedata.Group{Name: g.Title, Obs: l.all()})
		at = append(at, i)
		fmt.Fprintf(key, "%q %x", g.Title, g.Life[s].sum)
	}
	ranks := ledger.Once(results, [sha256.Size]byte(key.Sum(nil)), func() []ranked { return rank(families) })
	for k, i := range at {
		e := groups[i].Life[s]
		e.Rank, e.RankRefused = ranks[k].Rank, ranks[k].Refused
	}
}

func rank(families []lifedata.Group) []ranked {
	out := make([]ranked, len(families))
	ranking, err := lifedata.RankFamilies(families, rankLevel)
	for i := range out {
		if err != nil {
			out[i].Refused = refusal(err)
			continue
		}
		f := ranking.Families[i]
		if out[i].Refused = f.Refused; f.Refused == "" {
			// A skewed distribution may have its mean beyond a quantile.
			out[i].Rank = &Rank{Mean: f.Mean, Low: min(f.Low, f.Mean), High: max(f.High, f.Mean), ProbWorst: f.ProbWorst}
		}
	}
	return out
}

// ShapeLimits are the limits of the Weibull shape as the report shows them, NaN
// where no life was fitted.
func (e *Life) ShapeLimits() lifedata.Interval {
	if e.Weibull == nil {
		return lifedata.Interval{Low: math.NaN(), High: math.NaN()}
	}
	return wearLimits(e.Weibull)
}

// wearLimits are the limits of a shape to be shown: those from the information
// on its logarithm, which B10 and the curve have too; where a unit holds several
// parts the wider, at either end, of them and the unit-clustered ones.
func wearLimits(w *lifedata.Weibull) lifedata.Interval {
	i := w.ShapeWald
	if !clustered(w) {
		return i
	}
	return lifedata.Interval{Low: min(i.Low, w.RobustShape.Low), High: max(i.High, w.RobustShape.High)}
}

func clustered(w *lifedata.Weibull) bool {
	return w.Named && !w.OnePerUnit && !math.IsNaN(w.RobustShape.Low)
}

// wearWider is by how much the limits of a fitted life widen, on their own
// scale, because parts of one unit may fail together: as much as those of the
// shape do.
func wearWider(w *lifedata.Weibull) float64 {
	if !clustered(w) {
		return 1
	}
	return max(1, math.Log(w.RobustShape.High/w.RobustShape.Low)/math.Log(w.ShapeWald.High/w.ShapeWald.Low))
}

// wearB10 is the age by which one part in ten has failed, and its limits. Few
// units with failures tell little of how sure that is: their limits take
// Student's quantile for so many units in place of the normal one.
func wearB10(w *lifedata.Weibull) (age float64, limits lifedata.Interval) {
	q := w.Quantile(0.1)
	k := wearWider(w)
	if w.Named && w.Failed > 1 {
		k = max(k, studentHalf(w.Failed, w.Level)/distuv.UnitNormal.Quantile((1+w.Level)/2))
	}
	return q.Value, lifedata.Interval{Low: q.Value * math.Pow(q.Low/q.Value, k), High: q.Value * math.Pow(q.High/q.Value, k)}
}

// wearSurvival is the limits of the share that survives an age, on the scale of
// log(-log S).
func wearSurvival(w *lifedata.Weibull, age float64) lifedata.Interval {
	if age <= 0 {
		return lifedata.Interval{Low: 1, High: 1}
	}
	logHazard := w.Shape * math.Log(age/w.Scale)
	half := distuv.UnitNormal.Quantile((1+w.Level)/2) * w.Survival(age).SE * wearWider(w)
	return lifedata.Interval{Low: math.Exp(-math.Exp(logHazard + half)), High: math.Exp(-math.Exp(logHazard - half))}
}
