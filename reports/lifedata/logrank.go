package lifedata

import (
	"gonum.org/v1/gonum/mat"
)

// LogRankGroup is one group of a log-rank test.
type LogRankGroup struct {
	Name     string
	Count    float64 // components
	Observed float64 // failures
	Expected float64 // failures if all groups failed alike
}

// LogRankTest is the result of [LogRank].
type LogRankTest struct {
	Groups    []LogRankGroup // by name
	ChiSquare float64
	DF        int
	P         float64
	Variance  *mat.SymDense // of Observed − Expected, groups in order
}

// LogRank tests whether all groups survive alike, from exact and
// right-censored ages with delayed entry. At each age at failure, with n at
// risk and d failed of which n_g and d_g in group g,
//
//	expected   d·n_g/n
//	covariance d·(n−d)/(n−1) · n_g/n · (1{g=h} − n_h/n)
//
// (Mantel and Haenszel, hypergeometric variance) and the statistic is the
// quadratic form of observed less expected in the inverse of the summed
// covariance, chi-square with one degree of freedom less than there are
// groups that were ever at risk when something failed.
//
// The test is for independent components: where a unit holds several
// ([Tally].OnePerUnit is false) use [CompareHazards].
//
// It refuses interval- and left-censored failures, fewer than two groups at
// risk, and data without failures.
//
// Sources: Mantel (1966), Cancer Chemotherapy Reports 50, 163–170; the rules
// are those of R survival's survdiff.
func LogRank(groups []Group) (LogRankTest, error) {
	var all []Obs
	t := LogRankTest{}
	for _, g := range groups {
		t.Groups = append(t.Groups, LogRankGroup{Name: g.Name, Count: TallyOf(g.Obs).Components})
		all = append(all, g.Obs...)
	}
	if err := checkObs(all); err != nil {
		return LogRankTest{}, err
	}
	if len(all) == 0 {
		return LogRankTest{}, refuse("there are no observations")
	}
	k := len(groups)
	risk := &riskSet{}
	for i, g := range groups {
		r, err := newRiskSet(g.Obs)
		if err != nil {
			return LogRankTest{}, err
		}
		for _, row := range r.byTime {
			row.group = i
			risk.byTime = append(risk.byTime, row)
		}
	}
	risk.sort()

	t.Variance = mat.NewSymDense(k, nil)
	share := make([]float64, k)
	risk.walk(k, func(_, n, d float64, atRisk, failed []float64) {
		for g := range k {
			share[g] = atRisk[g] / n
			t.Groups[g].Observed += failed[g]
			t.Groups[g].Expected += d * share[g]
		}
		if n <= 1 {
			return
		}
		scale := d * (n - d) / (n - 1)
		for g := range k {
			t.Variance.SetSym(g, g, t.Variance.At(g, g)+scale*share[g]*(1-share[g]))
			for h := range g {
				t.Variance.SetSym(g, h, t.Variance.At(g, h)-scale*share[g]*share[h])
			}
		}
	})

	var used []int
	for g := range t.Groups {
		if t.Groups[g].Expected > 0 {
			used = append(used, g)
		}
	}
	if len(used) == 0 {
		return LogRankTest{}, refuse("nothing failed")
	}
	if len(used) == 1 {
		return LogRankTest{}, refuse("only one group was at risk when something failed")
	}
	// One group is what the others leave; the last is left out.
	t.DF = len(used) - 1
	v := mat.NewSymDense(t.DF, nil)
	diff := mat.NewVecDense(t.DF, nil)
	for i, g := range used[:t.DF] {
		diff.SetVec(i, t.Groups[g].Observed-t.Groups[g].Expected)
		for j, h := range used[:i+1] {
			v.SetSym(i, j, t.Variance.At(g, h))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(v) {
		return LogRankTest{}, refuse("the groups were not at risk at the same ages, so that nothing compares them")
	}
	var solved mat.VecDense
	if err := chol.SolveVecTo(&solved, diff); err != nil {
		return LogRankTest{}, refuse("the groups were not at risk at the same ages, so that nothing compares them")
	}
	t.ChiSquare = mat.Dot(diff, &solved)
	t.P = chiSquareBeyond(t.ChiSquare, float64(t.DF))
	return t, nil
}
