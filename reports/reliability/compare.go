package reliability

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"strings"

	"benchlore/ledger"
	"benchlore/reports/lifedata"
	"benchlore/reports/page"
	"benchlore/schema"
)

// Comparison asks whether groups that differ in nothing but a key fail at the
// same rate: the makers, lots or kit revisions of one family.
type Comparison struct {
	Of     string   // the family; empty: all observations of a file
	Keys   []string // what the groups differ in
	Groups []ComparedGroup
	Test   ComparisonTest
	P      float64 // NaN where not tested
	// Adjusted is P after Benjamini and Hochberg across all comparisons of the
	// report.
	Adjusted  float64
	NotTested string // why, empty where tested
	// Other is the comparison with silence read the other way; nil where there
	// is no other reading.
	Other *Comparison
}

// Differ reports whether the groups are shown to differ: under both readings of
// silence, where there are two.
func (c *Comparison) Differ() bool {
	sure := func(x *Comparison) bool { return x.NotTested == "" && x.Adjusted < sureDifference }
	return sure(c) && (c.Other == nil || sure(c.Other))
}

// part reports whether the readings of silence part: one shows a difference
// and the other does not.
func (c *Comparison) part() bool {
	if c.NotTested != "" || c.Other == nil {
		return false
	}
	return c.Adjusted < sureDifference != (c.Other.NotTested == "" && c.Other.Adjusted < sureDifference)
}

// ComparisonTest names the test of a comparison.
type ComparisonTest string

const (
	// TestLikelihood: a likelihood ratio under every kind of censoring, with
	// the variance between units.
	TestLikelihood ComparisonTest = "likelihood ratio"
	// TestLogRank: exact ages, one part a unit.
	TestLogRank ComparisonTest = "log-rank"
)

// ComparedGroup is one side of a comparison.
type ComparedGroup struct {
	Name     string
	Parts    int
	Failures int
	Units    int
	Rate     *Rate // nil where refused
}

// compared gathers, for every family, the groups that the other keys make of
// it, with silence read as the report does. Nothing is compared by family, or
// by group of families, alone: those are different things.
type compared struct {
	silence  Silence
	names    []string
	keys     []func(Observation) string
	byFamily map[schema.FamilyName]map[string]map[Silence]*merger
}

func newCompared(opt Options) *compared {
	c := &compared{silence: opt.Silence, byFamily: map[schema.FamilyName]map[string]map[Silence]*merger{}}
	for _, k := range reliabilityKeys {
		if slices.Contains(opt.By, k.name) && k.name != "family" && k.name != "group" {
			c.names = append(c.names, k.name)
			c.keys = append(c.keys, k.value)
		}
	}
	return c
}

func (c *compared) add(o Observation) {
	if c.keys == nil {
		return
	}
	var words []string
	for _, k := range c.keys {
		w := page.Clean(k(o))
		if w == "" {
			return // what was not recorded is no maker and no lot
		}
		words = append(words, w)
	}
	if c.byFamily[o.Family] == nil {
		c.byFamily[o.Family] = map[string]map[Silence]*merger{}
	}
	id := strings.Join(words, ", ")
	m := c.byFamily[o.Family][id]
	if m == nil {
		m = map[Silence]*merger{SilenceUnknown: newMerger(SilenceUnknown), SilenceWorking: newMerger(SilenceWorking)}
		c.byFamily[o.Family][id] = m
	}
	for _, x := range m {
		x.add(o)
	}
}

// compare compares the groups of every family.
func (r *Report) compare(x *compared, families schema.FamilyList, opt Options, results *ledger.Results) {
	type tested struct {
		Comparison Comparison
		Told       bool
	}
	for _, family := range sortedKeys(x.byFamily) {
		groups := x.byFamily[family]
		if len(groups) < 2 {
			continue
		}
		test := func(silence Silence) tested {
			c := Comparison{Of: families.Title(family), Keys: x.names}
			key := sha256.New()
			fmt.Fprintf(key, "compare %q", c.Of)
			var times []lifetimes
			for _, name := range sortedKeys(groups) {
				l := groups[name][silence].lifetimes
				times = append(times, l)
				c.Groups = append(c.Groups, ComparedGroup{Name: name})
				if results != nil {
					fmt.Fprintf(key, "%q %x", name, l.sum())
				}
			}
			return ledger.Once(results, [sha256.Size]byte(key.Sum(nil)), func() tested {
				told := c.test(times, opt)
				return tested{c, told}
			})
		}
		other := SilenceUnknown
		if x.silence == other {
			other = SilenceWorking
		}
		if t := test(x.silence); t.Told {
			o := test(other).Comparison
			t.Comparison.Other = &o
			r.Comparisons = append(r.Comparisons, t.Comparison)
		}
	}
	r.adjust()
}

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K {
	var keys []K
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// adjust allows for there being several comparisons.
func (r *Report) adjust() {
	var p, other []float64
	for _, c := range r.Comparisons {
		p = append(p, c.P)
		if c.Other != nil {
			other = append(other, c.Other.P)
		}
	}
	q := lifedata.BenjaminiHochberg(other)
	for i, x := range lifedata.BenjaminiHochberg(p) {
		r.Comparisons[i].Adjusted = x
		if o := r.Comparisons[i].Other; o != nil {
			o.Adjusted = q[i]
		}
	}
}

// test fills in the groups and compares those that carry times. It is false
// where there is nothing to speak of: no failure, or one group only that came
// to the bench.
func (c *Comparison) test(times []lifetimes, opt Options) bool {
	c.P, c.Adjusted = math.NaN(), math.NaN()
	var groups []lifedata.Group
	var left []string
	exact, ageless, failures, came := true, false, 0, 0
	var together []lifedata.Obs
	for i := range times {
		l, g := times[i], &c.Groups[i]
		obs := l.all()
		tally := lifedata.TallyOf(obs)
		g.Parts, g.Failures, g.Units = l.came, int(tally.Failures), tally.Units
		g.Rate, _, _ = l.bounded(opt.Confidence)
		failures += g.Failures
		if l.came > 0 {
			came++
		}
		if why := l.unlike(); why != "" {
			left = append(left, g.Name+": "+why)
			continue
		}
		groups = append(groups, lifedata.Group{Name: g.Name, Obs: obs})
		ageless = ageless || len(l.ageless()) > 0
		together = append(together, obs...)
		exact = exact && !slices.ContainsFunc(obs, func(o lifedata.Obs) bool { return !o.Exact() && !o.RightCensored() })
	}
	if failures == 0 || came < 2 {
		return false
	}
	if len(groups) < 2 {
		c.NotTested = "fewer than two of them have times to compare (" + strings.Join(left, "; ") + ")"
		return true
	}
	if tally := lifedata.TallyOf(together); exact && !ageless && tally.OnePerUnit {
		t, err := lifedata.LogRank(groups)
		if err != nil {
			c.NotTested = refusal(err)
			return true
		}
		c.Test, c.P = TestLogRank, t.P
		return true
	}
	t, err := lifedata.CompareHazards(groups, ageless)
	if err != nil {
		c.NotTested = refusal(err)
		return true
	}
	c.Test, c.P = TestLikelihood, t.P
	return true
}

// sureDifference is the adjusted p-value below which groups are said to differ.
const sureDifference = 0.05

// comparisonSentence says in words what a comparison tells.
func (r *Report) comparisonSentence(c Comparison) string {
	of := "the groups of the file"
	if c.Of != "" {
		of = c.Of + " by " + page.Listed(c.Keys)
	}
	scale, per := r.Time.per()
	var sides []string
	for _, g := range c.Groups {
		s := fmt.Sprintf("%s %s of %s failed", g.Name, page.Thousands(g.Failures), page.Plural(g.Parts, "part", "parts"))
		if g.Failures == 0 {
			s = fmt.Sprintf("%s none of %s failed", g.Name, page.Plural(g.Parts, "part", "parts"))
		}
		if g.Rate != nil && !g.Rate.UpperOnly && !g.Rate.LowerOnly {
			s += fmt.Sprintf(" (%s %s)", figure(scale*g.Rate.PerYear), per)
		}
		sides = append(sides, s)
	}
	counts := strings.Join(sides, ", ")
	switch {
	case c.NotTested != "":
		return fmt.Sprintf("%s: not tested, because %s. %s.", page.Capital(of), c.NotTested, page.Capital(counts))
	case c.part():
		return fmt.Sprintf("%s: not shown, because it hangs on silence: %s with silence read as %s, %s as %s. %s.",
			page.Capital(of), c.pWords(), r.Silence, c.Other.pWords(), r.otherReading(), page.Capital(counts))
	case c.Differ():
		return fmt.Sprintf("%s: they do not fail alike (p %s after allowing for %s, %s test). %s. Other differences between them, in age or use, may be behind it.",
			page.Capital(of), pValue(c.Adjusted), page.Plural(r.tested(), "test", "tests"), c.Test, page.Capital(counts))
	}
	return fmt.Sprintf("%s: no difference shown (p %s after allowing for %s, %s test); that is not to say there is none. %s.",
		page.Capital(of), pValue(c.Adjusted), page.Plural(r.tested(), "test", "tests"), c.Test, page.Capital(counts))
}

// pWords is the adjusted p-value, or that there is none.
func (c *Comparison) pWords() string {
	if c.NotTested != "" {
		return "no test"
	}
	return "p " + pValue(c.Adjusted)
}

func (r *Report) tested() int {
	n := 0
	for _, c := range r.Comparisons {
		if c.NotTested == "" {
			n++
		}
	}
	return n
}

// pValue writes a p-value with no more digits than it is good for.
func pValue(p float64) string {
	switch {
	case p < 0.001:
		return "below 0.001"
	case p < 0.1:
		return fmt.Sprintf("%.3f", p)
	}
	return fmt.Sprintf("%.2f", p)
}
