package lifedata

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// HazardModel is the family of lives within which groups are compared.
type HazardModel string

const (
	// WeibullHazard: a common shape, a scale for each group.
	WeibullHazard HazardModel = "weibull"
	// ConstantHazard: a constant rate for each group.
	ConstantHazard HazardModel = "constant"
)

// HazardComparison is the result of [CompareHazards].
type HazardComparison struct {
	Model  HazardModel
	Groups []string // compared: those that carry information
	Units  int
	LR     float64 // likelihood-ratio statistic
	DF     int     // groups less one
	// DesignEffect is the mean factor, at least 1, by which the clustering of
	// failures in units widens the differences between groups; 1 where every
	// lifetime is in a unit of its own.
	DesignEffect float64
	P            float64
}

// CompareHazards tests whether the failure rates of groups are the same, from
// exact, interval-, left- and right-censored ages with delayed entry. With LR
// twice the gain in log likelihood from a scale for each group over one for
// all, k groups and G units,
//
//	LR/(DesignEffect·(k−1)) ~ F(k−1, G−k)
//
// where DesignEffect is the mean eigenvalue of the unit-clustered variance of
// the efficient scores of the groups, at the common fit, in the metric of
// their variance were all components independent. A unit may hold components
// of several groups. Where every lifetime is in a unit of its own, or no unit
// is named, LR is chi-square with k−1 degrees of freedom.
//
// The model is a Weibull life of common shape where the data tell one (see
// [FitWeibull]), which takes care of groups seen at different ages; otherwise,
// or if constant is set, a constant rate.
//
// It refuses fewer than two groups that carry information, fewer than five
// failures in all, and too few units for the F distribution.
//
// Sources: Meeker and Escobar (1998), chapter 17, for the likelihood ratio;
// Rao and Scott (1984), The Annals of Statistics 12, 46–60, for the
// correction; Thomas and Rao (1987), Journal of the American Statistical
// Association 82, 630–636, for F.
func CompareHazards(groups []Group, constant bool) (HazardComparison, error) {
	var all []Obs
	var used []Group
	for _, g := range groups {
		if err := checkObs(g.Obs); err != nil {
			return HazardComparison{}, err
		}
		if TallyOf(g.Obs).Units > 0 {
			used = append(used, g)
			all = append(all, g.Obs...)
		}
	}
	c := HazardComparison{Model: WeibullHazard, DF: len(used) - 1, DesignEffect: 1}
	for _, g := range used {
		c.Groups = append(c.Groups, g.Name)
	}
	tally := TallyOf(all)
	c.Units = tally.Units
	switch {
	case len(used) < 2:
		return HazardComparison{}, refuse("fewer than two groups have time at risk")
	case tally.Failures < minFailures:
		return HazardComparison{}, refuse("%.0f failed in all groups together; a comparison needs at least %d", tally.Failures, minFailures)
	case tally.Clustered() && c.Units <= len(used):
		return HazardComparison{}, refuse("%d units are too few to compare %d groups", c.Units, len(used))
	}
	// The best constant rate, from which to start.
	t := newTerms(all)
	common, err := t.constant()
	if err != nil {
		return HazardComparison{}, err
	}
	best := common
	if wear, ok := t.maximize(best, true, true); ok && !constant {
		best = wear
	} else {
		c.Model = ConstantHazard
	}
	separate, ok := fitSeparate(used, best, c.Model == WeibullHazard)
	if !ok && c.Model == WeibullHazard {
		c.Model = ConstantHazard
		best = common
		separate, ok = fitSeparate(used, best, false)
	}
	if !ok {
		return HazardComparison{}, refuse("the likelihood of separate rates has no maximum that can be found")
	}
	c.LR = math.Max(0, 2*(separate-best.ll))
	if !tally.Clustered() {
		c.P = chiSquareBeyond(c.LR, float64(c.DF))
		return c, nil
	}
	effect, ok := clusterEffect(used, best, c.Model == WeibullHazard, c.Units)
	if !ok {
		return HazardComparison{}, refuse("the groups carry too little information to tell how units differ")
	}
	c.DesignEffect = math.Max(1, effect)
	df := float64(c.DF)
	c.P = fisherBeyond(c.LR/c.DesignEffect/df, df, float64(c.Units-len(used)))
	return c, nil
}

// fitSeparate returns the greatest log likelihood with a scale for each group
// and, if free, one shape for all.
func fitSeparate(groups []Group, start point, free bool) (float64, bool) {
	var parts []*terms
	var last []point
	for _, g := range groups {
		t := newTerms(g.Obs)
		// Without failures, or without anything seen to survive, the best
		// scale is infinite or 0 and explains the group fully.
		tally := TallyOf(g.Obs)
		if tally.Failures == 0 || !t.atRisk {
			continue
		}
		parts = append(parts, t)
		last = append(last, start)
	}
	at := func(_, s float64) point {
		sum := point{s: s}
		for i, t := range parts {
			p, ok := t.maximize(t.at(last[i].mu, s), true, false)
			if !ok {
				sum.ll = math.Inf(-1)
				return sum
			}
			last[i] = p
			sum.ll += p.ll
			sum.gs += p.gs
			sum.iss += p.iss - p.ims*p.ims/p.imm
		}
		return sum
	}
	p := at(0, start.s)
	if math.IsInf(p.ll, -1) {
		return 0, false
	}
	if free && len(parts) > 0 {
		var ok bool
		p, ok = maximize(at, p, false, true, maxLogShape)
		return p.ll, ok
	}
	return p.ll, true
}

// clusterEffect returns the mean eigenvalue of E⁻¹V, with V the variance of the
// scores of all groups but the last, less their regression on those of what is
// common, from sums over units, and E the same from single components.
func clusterEffect(groups []Group, common point, free bool, units int) (float64, bool) {
	k := len(groups) - 1
	nuisance := 1
	if free {
		nuisance = 2
	}
	// Information: of what is common, and between it and the groups.
	across := mat.NewDense(k, nuisance, nil)
	shared := mat.NewDense(nuisance, nuisance, nil)
	for g, group := range groups {
		p := newTerms(group.Obs).at(common.mu, common.s)
		if g < k {
			across.Set(g, 0, p.imm)
			if free {
				across.Set(g, 1, p.ims)
			}
		}
		shared.Set(0, 0, shared.At(0, 0)+p.imm)
		if free {
			shared.Set(0, 1, shared.At(0, 1)+p.ims)
			shared.Set(1, 0, shared.At(1, 0)+p.ims)
			shared.Set(1, 1, shared.At(1, 1)+p.iss)
		}
	}
	// What is common takes its part of the scores away.
	var project mat.Dense // across · shared⁻¹
	var inverse mat.Dense
	if err := inverse.Inverse(shared); err != nil {
		return 0, false
	}
	project.Mul(across, &inverse)
	// add adds times·v·vᵀ.
	add := func(into *mat.Dense, v []float64, times float64) {
		for i := range v {
			for j := range v {
				into.Set(i, j, into.At(i, j)+times*v[i]*v[j])
			}
		}
	}
	single, clustered := mat.NewDense(k, k, nil), mat.NewDense(k, k, nil)
	at := map[string]int{}
	var sums [][]float64
	for g, group := range groups {
		for _, o := range group.Obs {
			if !o.informative() {
				continue
			}
			gm, gs := o.score(common.mu, common.s)
			v := make([]float64, k)
			if g < k {
				v[g] = gm
			}
			for i := range v {
				v[i] -= project.At(i, 0) * gm
				if free {
					v[i] -= project.At(i, 1) * gs
				}
			}
			add(single, v, o.Count)
			if o.Unit == "" {
				add(clustered, v, o.Count)
				continue
			}
			unit, ok := at[o.Unit]
			if !ok {
				unit = len(sums)
				at[o.Unit] = unit
				sums = append(sums, make([]float64, k))
			}
			for i := range v {
				sums[unit][i] += o.Count * v[i]
			}
		}
	}
	for _, v := range sums {
		add(clustered, v, 1)
	}
	var ratio mat.Dense
	if err := ratio.Solve(single, clustered); err != nil {
		return 0, false
	}
	n := float64(units)
	effect := mat.Trace(&ratio) / float64(k) * n / (n - 1)
	return effect, !bad(effect) && effect > 0
}
