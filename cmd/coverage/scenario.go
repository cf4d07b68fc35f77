package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"text/tabwriter"

	"benchlore/examples/synth"
	"benchlore/reports/lifedata"
	"benchlore/reports/reliability"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// scenario is a shop with one nasty habit, or with all of them.
type scenario struct {
	name, about string
	units       int
	change      func(*synth.Options)
}

func scenarios() []scenario {
	prompted := func(o *synth.Options) {
		h := &o.Habits
		h.FirstByFailure, h.Neutral, h.Return, h.Notice, h.Service, h.Noticed = true, false, 0.9, 0.3, 0, true
	}
	suspects := func(o *synth.Options) { o.Habits.Tested, o.Habits.TestedFailed = 0.25, 0.7 }
	elsewhere := func(o *synth.Options) { o.Habits.Elsewhere = 0.6 }
	unseen := func(o *synth.Options) { o.Habits.Elsewhere, o.Habits.Looks = 0.6, false }
	wrong := func(o *synth.Options) { o.Habits.BuildSpan, o.Habits.BuildError = 1, 2 }
	frailty := func(o *synth.Options) {
		for i := range o.Families {
			o.Families[i].Spread = synth.Spread{Kind: synth.GammaSpread, Variance: 0.5}
		}
	}
	blanket := func(o *synth.Options) {
		o.Habits.Principle, o.Habits.Kits, o.Habits.Blanket = []schema.FamilyName{"capacitor/electrolytic"}, 0.7, 0.4
	}
	degraded := func(o *synth.Options) {
		for i := range o.Families {
			if f := &o.Families[i]; f.Hidden {
				f.Degrades = 0.7
			}
		}
		o.Habits.ReplaceDegraded = 1
	}
	span := func(years float64) func(*synth.Options) {
		return func(o *synth.Options) { o.Habits.BuildSpan = years }
	}
	wearing := func(o *synth.Options) {
		for i := range o.Families {
			f := &o.Families[i]
			f.Scale = 40 / math.Cbrt(40/f.Scale)
			f.Shape = 3
		}
	}
	none := func(*synth.Options) {}
	return []scenario{
		{"clean", "all tested, all dates known, visits at any time", 20, none},
		{"prompted", "units come because something failed", 20, prompted},
		{"asked", "the same, and owners are asked twice a year how it is", 20, func(o *synth.Options) {
			prompted(o)
			o.Habits.Followups = 2
		}},
		{"suspects", "25% of good and 70% of failed parts tested", 20, suspects},
		{"elsewhere", "60% of heard failures repaired elsewhere before, and seen", 20, elsewhere},
		{"unseen", "the same, and nobody looked", 20, unseen},
		{"year", "build dates known to the year", 20, span(1)},
		{"five-years", "build dates known to five years", 20, span(5)},
		{"wrong", "build dates to the year, wrong by up to two", 20, wrong},
		{"frailty", "units differ: variance 0.5 of the hazard", 20, frailty},
		{"blanket", "electrolytics of 40% of units replaced untested", 20, blanket},
		{"degraded", "degraded parts replaced before they fail", 20, degraded},
		{"five-units", "as clean, five units", 5, none},
		{"many-units", "as clean, 200 units", 200, none},
		{"wearing", "as clean, shape 3", 20, wearing},
		{"together", "all of it, build dates to the year", 20, func(o *synth.Options) {
			for _, f := range []func(*synth.Options){prompted, suspects, unseen, wrong, frailty, blanket, degraded} {
				f(o)
			}
		}},
	}
}

// options are those of a ledger of a scenario.
func (s scenario) options(units int, seed uint64) (synth.Options, error) {
	o, err := synth.Preset("independent", units, seed)
	if err != nil {
		return o, err
	}
	twin := o.Models[0]
	twin.Slug, twin.Name = "longwave-6", "Longwave 6"
	o.Models = append(o.Models, twin) // like the first, so that comparing them is comparing equals
	o.Habits = synth.Habits{Tested: 1, Because: true, Neutral: true, Looks: true, Service: 8, KnownBuild: 1}
	s.change(&o)
	return o, nil
}

// ledgerOf makes as many units as come to the bench.
func (s scenario) ledgerOf(units int, seed uint64) (*synth.Ledger, []*unit.Unit, []*synth.Unit, error) {
	o, err := s.options(40*units, seed)
	if err != nil {
		return nil, nil, nil, err
	}
	l, err := synth.Generate(o)
	if err != nil {
		return nil, nil, nil, err
	}
	var read []*unit.Unit
	var lived []*synth.Unit
	for i := 0; i < o.Units && len(read) < units; i++ {
		u := l.Unit(i)
		if u.Never {
			continue
		}
		read = append(read, unit.Build(l.Source(u), l.Context()))
		lived = append(lived, u)
	}
	return l, read, lived, nil
}

// The statistics of a scenario.
const (
	firstShare = iota
	partsFirst
	rateInterval
	rateBounds
	b10
	wearsOut
	unlike
	theWorst
	statistics
)

var statisticNames = [statistics]string{"units failed at first visit", "parts failed at first visit", "rate", "rate, bounds", "B10",
	"says: wears out", "says: do not fail alike", "says: the worst"}

// cell is what became of one statistic of a scenario.
type cell struct {
	tally
	bias   float64 // sum of the logarithms of point over truth
	points int
	widths []float64 // high over low
	wide   []float64 // width over that of one who knows all dates, both as logarithms
	said   int       // claims made
	wrong  int       // of them wrong
	asked  int       // that could have been made
}

func (c *cell) interval(truth, point, low, high float64) {
	c.see(truth, low, high)
	if point > 0 && truth > 0 {
		c.bias += math.Log(point / truth)
		c.points++
	}
	if low > 0 && !math.IsInf(high, 1) {
		c.widths = append(c.widths, high/low)
	} else {
		c.widths = append(c.widths, math.Inf(1))
	}
}

func (c *cell) claim(said, right bool) {
	c.asked++
	if said {
		c.said++
		if !right {
			c.wrong++
		}
	}
}

func (c *cell) addCell(o cell) {
	c.tally.add(o.tally)
	c.bias, c.points, c.said, c.wrong, c.asked = c.bias+o.bias, c.points+o.points, c.said+o.said, c.wrong+o.wrong, c.asked+o.asked
	c.widths, c.wide = append(c.widths, o.widths...), append(c.wide, o.wide...)
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// scenarioTruth is what the intervals of one family should hold.
type scenarioTruth struct {
	units, parts float64 // found failed at first visits
	rate, b10    float64
	shape        float64
}

func (s study) scenario(x scenario) (out [statistics]cell, err error) {
	truths, err := s.scenarioTruths(x)
	if err != nil {
		return out, err
	}
	var mu sync.Mutex
	err = s.each(s.ledgers, func(i int) error {
		c, err := s.scenarioLedger(x, i, truths)
		mu.Lock()
		defer mu.Unlock()
		for k := range out {
			out[k].addCell(c[k])
		}
		return err
	})
	return out, err
}

// each does work for every number below n on all workers.
func (s study) each(n int, work func(int) error) error {
	var wg sync.WaitGroup
	jobs := make(chan int)
	errs := make(chan error, s.workers)
	for range s.workers {
		wg.Go(func() {
			for i := range jobs {
				if err := work(i); err != nil {
					select {
					case errs <- err:
					default:
					}
				}
			}
		})
	}
	for i := range n {
		jobs <- i
	}
	close(jobs)
	wg.Wait()
	select {
	case err := <-errs:
		return err
	default:
		return nil
	}
}

func (s study) scenarioTruths(x scenario) (map[schema.FamilyName]scenarioTruth, error) {
	type counts struct{ units, affected, tested, failed int }
	sum := map[schema.FamilyName]counts{}
	var mu sync.Mutex
	const batch = 100
	var families []synth.Family
	err := s.each((s.truthUnits+batch-1)/batch, func(i int) error {
		l, units, _, err := x.ledgerOf(batch, s.seed+1_000_000+uint64(i))
		if err != nil {
			return err
		}
		r, err := estimated(l, units, reliability.Options{CountsOnly: true})
		if err != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		families = l.Options.Families
		for _, g := range r.Groups {
			f := schema.FamilyName(g.Key[0].Value)
			c := sum[f]
			sum[f] = counts{c.units + g.First.Units.Inspected, c.affected + g.First.Units.Affected, c.tested + g.First.Tested, c.failed + g.First.Failed}
		}
		return nil
	})
	out := map[schema.FamilyName]scenarioTruth{}
	for _, f := range families {
		c := sum[f.Name]
		out[f.Name] = scenarioTruth{units: float64(c.affected) / float64(c.units), parts: float64(c.failed) / float64(c.tested),
			rate: f.Rate(), shape: f.Shape, b10: f.Scale * math.Pow(-math.Log(0.9), 1/f.Shape)}
	}
	return out, err
}

func estimated(l *synth.Ledger, units []*unit.Unit, opt reliability.Options) (*reliability.Report, error) {
	obs := reliability.Observe(units, reliability.ObserveOptions{AsOf: l.Options.End, Families: l.Families, Lag: reliability.DefaultLag})
	return reliability.Estimate(obs, l.Families, opt)
}

func (s study) scenarioLedger(x scenario, i int, truths map[schema.FamilyName]scenarioTruth) (out [statistics]cell, err error) {
	seed := rand.New(rand.NewPCG(s.seed, uint64(i))).Uint64()
	l, units, lived, err := x.ledgerOf(x.units, seed)
	if err != nil {
		return out, err
	}
	r, err := estimated(l, units, reliability.Options{})
	if err != nil {
		return out, err
	}
	worst := schema.FamilyName("")
	for _, f := range l.Options.Families {
		if worst == "" || 1/f.Scale > 1/scaleOf(l, worst) {
			worst = f.Name
		}
	}
	for _, g := range r.Groups {
		t, ok := truths[schema.FamilyName(g.Key[0].Value)]
		if !ok {
			continue
		}
		f := g.First
		if f.Units.Inspected > 0 {
			out[firstShare].interval(t.units, f.Units.Share, f.Units.Interval.Low, f.Units.Interval.High)
		} else {
			out[firstShare].refuse("nothing was looked at")
		}
		if i := f.OfTested.Interval; i != nil {
			out[partsFirst].interval(t.parts, f.OfTested.Share, i.Low, i.High)
		} else {
			out[partsFirst].refuse("nothing was tested, or in one unit only")
		}
		life := g.Life[reliability.SilenceUnknown]
		k := rateInterval
		if life.Bounds != nil || g.Life[reliability.SilenceWorking].Bounds != nil {
			k = rateBounds
		}
		if !math.IsNaN(t.rate) {
			failures := foundFailures(lived, g.Key[0].Value)
			switch e, ok := r.EitherRate(g); {
			case ok && e.Low == 0:
				// Nothing failed: a bound of one side, which is to hold all the same.
				out[k].interval(t.rate, e.Point, 0, e.High)
			case ok:
				out[k].interval(t.rate, e.Point, e.Low, e.High)
				if best := lifedata.Garwood(failures, 0.95); failures >= 5 {
					out[k].wide = append(out[k].wide, math.Log(e.High/e.Low)/math.Log(best.High/best.Low))
				}
			default:
				out[k].refuse(generic(cmp.Or(life.RateRefused, g.Life[reliability.SilenceWorking].RateRefused)))
			}
		}
		verdict, reasons := r.Verdict(g)
		if t.shape == 1 || g.Parts.Failed >= 20 {
			out[wearsOut].claim(verdict == reliability.WearShown, t.shape > 1)
			if verdict != reliability.WearShown {
				why := string(verdict)
				if len(reasons) > 0 {
					why += ": " + generic(reasons[len(reasons)-1])
				}
				out[wearsOut].refuse(why)
			}
		}
		if w := life.Wear; w.Fit != nil {
			out[b10].interval(t.b10, w.B10, w.Tenth.Low, w.Tenth.High)
		} else {
			out[b10].refuse(generic(w.Refused))
		}
	}
	g, sure := r.Worst()
	out[theWorst].claim(sure, sure && schema.FamilyName(g.Key[0].Value) == worst)
	if !sure {
		why := "not sure enough"
		if n := len(r.Unranked()); n > 0 {
			why = "not all families are ranked"
		}
		out[theWorst].refuse(why)
	}
	both, err := estimated(l, units, reliability.Options{By: []string{"family", "model"}, ComparisonsOnly: true})
	if err != nil {
		return out, err
	}
	for _, c := range both.Comparisons {
		if c.NotTested != "" {
			out[unlike].asked++
			out[unlike].refuse(generic(c.NotTested))
			continue
		}
		out[unlike].claim(c.Differ(), false)
	}
	return out, nil
}

func scaleOf(l *synth.Ledger, name schema.FamilyName) float64 {
	for _, f := range l.Options.Families {
		if f.Name == name {
			return f.Scale
		}
	}
	return math.Inf(1)
}

// foundFailures counts the failures of a family that the bench has found.
func foundFailures(units []*synth.Unit, family string) int {
	n := 0
	for _, u := range units {
		for _, l := range u.Lives {
			if string(l.Family) == family && !l.Found.Never() {
				n++
			}
		}
	}
	return n
}

// writeScenario prints the cells of a scenario.
func writeScenario(w io.Writer, x scenario, cells [statistics]cell) {
	for k := range cells {
		c := &cells[k]
		if k >= wearsOut {
			if c.asked == 0 {
				continue
			}
			fmt.Fprintf(w, "%s\t%s\twrong %s\t\t\tsaid in %s of %d\t\t%s\n", x.name, statisticNames[k], percent(c.wrong, c.asked), percent(c.said, c.asked), c.asked, c.excuse())
			continue
		}
		if c.given()+c.refused == 0 {
			continue
		}
		bias := "-"
		if c.points > 0 {
			bias = fmt.Sprintf("%.2f", math.Exp(c.bias/float64(c.points)))
		}
		wide := ""
		if len(c.wide) > 0 {
			wide = fmt.Sprintf(", %.2f of the best", median(c.wide))
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s/%s\t%s\t%.1f%s\t%s\t%s\n", x.name, statisticNames[k], c.share(c.covered), c.share(c.below), c.share(c.above), bias, median(c.widths), wide,
			percent(c.refused, c.given()+c.refused), c.excuse())
	}
}

func (s study) printScenarios(out io.Writer, list []scenario) error {
	fmt.Fprintf(out, "95 %% intervals over %d ledgers of each scenario, seed %d\n", s.ledgers, s.seed)
	fmt.Fprintln(out, "holds: share of the intervals that hold the truth; below/above: the truth lies there. bias: point over truth, geometric mean.")
	fmt.Fprintln(out, "width: high over low, the median. refused: share without an interval. A claim is wrong in so many of all families or ledgers.")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "scenario\tstatistic\tholds\tbelow/above\tbias\twidth\trefused\twhat the report says most often where it refuses")
	for _, x := range list {
		cells, err := s.scenario(x)
		if err != nil {
			return err
		}
		writeScenario(w, x, cells)
		w.Flush()
	}
	return nil
}
