package lifedata

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mathext"
)

// Count is a number of failures over an exposure.
type Count struct {
	Events   int
	Exposure float64
}

// RateRatio compares the constant failure rates of two independent counts.
type RateRatio struct {
	Level  float64
	Ratio  float64  // rate of the first over rate of the second; +Inf if only the first failed, NaN if neither did
	Limits Interval // exact two-sided limits of Ratio; High +Inf if the second had no failures

	// The test that the true ratio is a given one. Given Total failures in
	// all, the first count is then binomial with probability Share.
	Total    int
	Share    float64
	TwoSided float64 // p-value against any other ratio
	Greater  float64 // p-value against a larger ratio
	Less     float64 // p-value against a smaller ratio
}

// CompareRates tests exactly whether the ratio of two constant failure rates
// is null, conditionally on the total number of failures. Given
// N = a.Events + b.Events, a.Events is binomial with N trials and probability
//
//	p = null·a.Exposure / (null·a.Exposure + b.Exposure)
//
// The limits are the [ClopperPearson] limits of p turned into ratios. The
// two-sided p-value sums the probabilities of all outcomes no more likely
// than the one seen. Only counts that are Poisson justify the test: failures
// that come several to a unit are not.
//
// With no failures at all every p-value is 1, the limits are [0, +Inf] and the
// ratio is NaN.
//
// It returns an error if a count is negative, an exposure, their quotient or
// null is not a finite number above zero, or level is not strictly between 0
// and 1.
//
// Source: Przyborowski and Wilenski (1940), Biometrika 31, 313–323; the rule
// for the two-sided p-value is that of R's poisson.test and binom.test.
func CompareRates(a, b Count, null, level float64) (RateRatio, error) {
	for i, c := range []Count{a, b} {
		if err := checkCount(fmt.Sprintf("the number of failures of group %d", i+1), c.Events); err != nil {
			return RateRatio{}, err
		}
		if err := checkPositive(fmt.Sprintf("the exposure of group %d", i+1), c.Exposure); err != nil {
			return RateRatio{}, err
		}
	}
	if err := checkPositive("the ratio to test", null); err != nil {
		return RateRatio{}, err
	}
	if err := checkLevel(level); err != nil {
		return RateRatio{}, err
	}
	n := a.Events + b.Events
	if n < 0 {
		return RateRatio{}, fmt.Errorf("%d and %d failures are too many to add", a.Events, b.Events)
	}
	relative := b.Exposure / a.Exposure
	if err := checkPositive("the exposure of group 2 over that of group 1", relative); err != nil {
		return RateRatio{}, err
	}
	share := null / (null + relative)
	first := ClopperPearson(a.Events, n, level)
	second := ClopperPearson(b.Events, n, level)
	return RateRatio{
		Level: level,
		Ratio: float64(a.Events) / float64(b.Events) * relative,
		Limits: Interval{
			Low:  first.Low / second.High * relative,
			High: first.High / second.Low * relative,
		},
		Total:    n,
		Share:    share,
		TwoSided: binomialTwoSided(a.Events, n, share),
		Greater:  binomialAtLeast(a.Events, n, share),
		Less:     binomialAtMost(a.Events, n, share),
	}, nil
}

// binomialAtMost returns P(K ≤ x) for K binomial with n trials.
func binomialAtMost(x, n int, p float64) float64 {
	if x < 0 {
		return 0
	}
	if x >= n {
		return 1
	}
	return mathext.RegIncBeta(float64(n-x), float64(x)+1, 1-p)
}

// binomialAtLeast returns P(K ≥ x) for K binomial with n trials.
func binomialAtLeast(x, n int, p float64) float64 {
	if x > n {
		return 0
	}
	if x <= 0 {
		return 1
	}
	return mathext.RegIncBeta(float64(x), float64(n-x)+1, p)
}

// binomialTwoSided returns the probability of all outcomes no more likely
// than x for a binomial with n trials.
func binomialTwoSided(x, n int, p float64) float64 {
	mean := float64(n) * p
	if float64(x) == mean {
		return 1
	}
	if p == 0 || p == 1 {
		return 0 // the outcome is certain, and it is not x
	}
	// Outcomes that tie with x must count, whatever rounding does to them; R
	// allows the same relative slack.
	limit := logBinomial(x, n, p) + math.Log1p(1e-7)
	if float64(x) < mean {
		// The probabilities fall from the mean upwards, so the far tail starts
		// at the first outcome as unlikely as x.
		from := int(math.Ceil(mean))
		far := from + sort.Search(n-from+1, func(i int) bool {
			return logBinomial(from+i, n, p) <= limit
		})
		return math.Min(1, binomialAtMost(x, n, p)+binomialAtLeast(far, n, p))
	}
	to := int(math.Floor(mean))
	steps := sort.Search(to+1, func(i int) bool {
		return logBinomial(to-i, n, p) <= limit
	})
	return math.Min(1, binomialAtMost(to-steps, n, p)+binomialAtLeast(x, n, p))
}

// logBinomial returns ln P(K = k) for K binomial with n trials, 0 < p < 1.
func logBinomial(k, n int, p float64) float64 {
	return logFactorial(n) - logFactorial(k) - logFactorial(n-k) +
		float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p)
}

func logFactorial(n int) float64 {
	l, _ := math.Lgamma(float64(n) + 1)
	return l
}
