package main

import (
	"math"
	"math/rand/v2"
	"regexp"
	"sync"

	"benchlore/examples/synth"
	"benchlore/reports/reliability"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// study says how many ledgers of which size are made.
type study struct {
	ledgers, least, most int
	truthUnits           int
	seed                 uint64
	workers              int
}

// tally counts what became of one kind of interval.
type tally struct {
	estimate string
	covered  int
	below    int // the truth lies below the interval
	above    int // and above it
	refused  int
	excuses  map[string]int
}

func (t *tally) given() int { return t.covered + t.below + t.above }

func (t *tally) share(k int) string { return percent(k, t.given()) }

// excuse is the commonest reason for refusing.
func (t *tally) excuse() string {
	best := ""
	for e, n := range t.excuses {
		if n > t.excuses[best] || n == t.excuses[best] && (best == "" || e < best) {
			best = e
		}
	}
	return best
}

func (t *tally) see(truth, low, high float64) {
	switch {
	case truth < low:
		t.below++
	case truth > high:
		t.above++
	default:
		t.covered++
	}
}

func (t *tally) refuse(why string) {
	t.refused++
	if t.excuses == nil {
		t.excuses = map[string]int{}
	}
	t.excuses[why]++
}

func (t *tally) add(o tally) {
	t.covered, t.below, t.above, t.refused = t.covered+o.covered, t.below+o.below, t.above+o.above, t.refused+o.refused
	for e, n := range o.excuses {
		if t.excuses == nil {
			t.excuses = map[string]int{}
		}
		t.excuses[e] += n
	}
}

// The estimates looked at, in the order they are printed.
const (
	rateUnknown = iota
	rateWorking
	unitShare
	partShare
	shape
	estimates
)

var names = [estimates]string{"rate, silence unknown", "rate, silence working", "share of units", "share of parts", "Weibull shape"}

// truth is what the intervals of one family should hold.
type truth struct {
	rate  float64 // per part-year; NaN where the hazard is not constant
	shape float64
	units float64 // probability that a unit looked at has a failure
	parts float64 // of a part handled, that it is found failed
}

// preset runs one preset.
func (s study) preset(name string) ([]tally, error) {
	truths, err := s.truths(name)
	if err != nil {
		return nil, err
	}
	type result struct {
		t   [estimates]tally
		err error
	}
	jobs := make(chan int)
	results := make(chan result, s.workers)
	var workers sync.WaitGroup
	for range s.workers {
		workers.Add(1)
		go func() {
			defer workers.Done()
			for i := range jobs {
				var r result
				r.t, r.err = s.ledger(name, i, truths)
				results <- r
			}
		}()
	}
	go func() {
		for i := range s.ledgers {
			jobs <- i
		}
		close(jobs)
		workers.Wait()
		close(results)
	}()
	var sum [estimates]tally
	for r := range results {
		if r.err != nil {
			err = r.err
		}
		for k := range sum {
			sum[k].add(r.t[k])
		}
	}
	var out []tally
	for k := range sum {
		sum[k].estimate = names[k]
		if sum[k].given()+sum[k].refused > 0 {
			out = append(out, sum[k])
		}
	}
	return out, err
}

// ledger makes one ledger and holds its report against the truth.
func (s study) ledger(name string, i int, truths map[schema.FamilyName]truth) (out [estimates]tally, err error) {
	rng := rand.New(rand.NewPCG(s.seed, uint64(i)))
	units := s.least + rng.IntN(s.most-s.least+1)
	r, err := report(name, units, rng.Uint64(), false)
	if err != nil {
		return out, err
	}
	for _, g := range r.Groups {
		t, ok := truths[schema.FamilyName(g.Key[0].Value)]
		if !ok {
			continue
		}
		if g.Units.Inspected > 0 && !math.IsNaN(t.units) {
			out[unitShare].see(t.units, g.Units.Interval.Low, g.Units.Interval.High)
		}
		if i := g.Parts.OfHandled.Interval; i != nil && !math.IsNaN(t.parts) {
			out[partShare].see(t.parts, i.Low, i.High)
		} else if g.Parts.Handled > 0 {
			out[partShare].refuse("parts of a single unit get no interval")
		}
		for k, silence := range map[int]reliability.Silence{rateUnknown: reliability.SilenceUnknown, rateWorking: reliability.SilenceWorking} {
			life := g.Life[silence]
			switch {
			case math.IsNaN(t.rate) || life == nil:
			case life.Rate == nil:
				out[k].refuse(generic(life.RateRefused))
			case life.Rate.UpperOnly || life.Rate.LowerOnly:
				// One-sided: a bound, not an interval of the level asked about.
			default:
				out[k].see(t.rate, life.Rate.Low, life.Rate.High)
			}
		}
		if life := g.Life[reliability.SilenceUnknown]; life != nil {
			if life.Weibull == nil {
				out[shape].refuse(generic(life.WeibullRefused))
			} else {
				i := life.ShapeLimits()
				out[shape].see(t.shape, i.Low, i.High)
			}
		}
	}
	return out, nil
}

// report makes a ledger and estimates from it, or only counts.
func report(name string, units int, seed uint64, countsOnly bool) (*reliability.Report, error) {
	opt, err := synth.Preset(name, units, seed)
	if err != nil {
		return nil, err
	}
	l, err := synth.Generate(opt)
	if err != nil {
		return nil, err
	}
	list := make([]*unit.Unit, units)
	for i := range list {
		list[i] = l.Build(i)
	}
	obs := reliability.Observe(list, reliability.ObserveOptions{AsOf: opt.End, Families: l.Families, Lag: reliability.DefaultLag})
	return reliability.Estimate(obs, l.Families, reliability.Options{CountsOnly: countsOnly})
}

// truths are what the preset's families are made from. Shares depend on how
// units come to the bench, and are counted over very many of them.
func (s study) truths(name string) (map[schema.FamilyName]truth, error) {
	opt, err := synth.Preset(name, 1, 0)
	if err != nil {
		return nil, err
	}
	out := map[schema.FamilyName]truth{}
	type counts struct{ inspected, affected, handled, failed int }
	sum := map[schema.FamilyName]counts{}
	const batch = 200 // units at a time, to bound memory
	var mu sync.Mutex
	var wg sync.WaitGroup
	slots := make(chan struct{}, s.workers)
	for k := 0; k*batch < s.truthUnits; k++ {
		wg.Add(1)
		slots <- struct{}{}
		go func() {
			defer wg.Done()
			defer func() { <-slots }()
			c, e := tallies(name, batch, s.seed+1_000_000+uint64(k))
			mu.Lock()
			defer mu.Unlock()
			if e != nil {
				err = e
			}
			for f, n := range c {
				x := sum[f]
				sum[f] = counts{x.inspected + n[0], x.affected + n[1], x.handled + n[2], x.failed + n[3]}
			}
		}()
	}
	wg.Wait()
	if err != nil {
		return nil, err
	}
	for _, f := range opt.Families {
		n := sum[f.Name] // none of a hidden family in a shop that looks at suspects only: 0/0
		out[f.Name] = truth{rate: f.Rate(), shape: f.Shape, units: float64(n.affected) / float64(n.inspected), parts: float64(n.failed) / float64(n.handled)}
	}
	return out, nil
}

// tallies counts, by family, units inspected and affected, parts handled and
// failed.
func tallies(name string, units int, seed uint64) (map[schema.FamilyName][4]int, error) {
	r, err := report(name, units, seed, true)
	if err != nil {
		return nil, err
	}
	out := map[schema.FamilyName][4]int{}
	for _, g := range r.Groups {
		out[schema.FamilyName(g.Key[0].Value)] = [4]int{g.Units.Inspected, g.Units.Affected, g.Parts.Handled, g.Parts.Failed}
	}
	return out, nil
}

// generic takes the figures out of a reason, so that alike ones are counted
// together.
func generic(why string) string { return figures.ReplaceAllString(why, "n") }

var figures = regexp.MustCompile(`[0-9][0-9.,]*`)
