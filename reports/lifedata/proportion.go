package lifedata

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// ClopperPearson returns the exact two-sided interval for the probability of
// success after x successes in n independent trials. With α = 1−level, and
// B(q; a, b) the q quantile of the beta distribution,
//
//	Low  = B(α/2;   x,   n−x+1)
//	High = B(1−α/2; x+1, n−x)
//
// The interval covers the true probability at least level of the time, and
// usually more often.
//
// Domain: 0 ≤ x ≤ n, 0 < level < 1. Special cases are:
//
//	Low is exactly 0 at x = 0
//	High is exactly 1 at x = n
//	n = 0 gives [0, 1]: no trials, nothing ruled out
//	both ends are NaN outside the domain
//
// Sources: Clopper and Pearson (1934), Biometrika 26, 404–413;
// NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.2.
func ClopperPearson(x, n int, level float64) Interval {
	if !validTrials(x, n) || !validLevel(level) {
		return undefined()
	}
	tail := (1 - level) / 2
	return Interval{betaLow(x, n, tail), betaHigh(x, n, tail)}
}

// Wilson returns the two-sided score interval, without continuity correction,
// for the probability of success after x successes in n independent trials.
// With p = x/n and z the 1−(1−level)/2 quantile of the standard normal
// distribution its ends are
//
//	p + z²/2n ± z √( p(1−p)/n + z²/4n² )
//	------------------------------------
//	             1 + z²/n
//
// Its coverage is near level on average; for a given true probability it may
// fall short of it.
//
// Domain: 0 ≤ x ≤ n, 0 < level < 1. Special cases are:
//
//	Low is exactly 0 at x = 0
//	High is exactly 1 at x = n
//	n = 0 gives [0, 1], the limit of the formula
//	both ends are NaN outside the domain
//
// Sources: Wilson (1927), Journal of the American Statistical Association 22,
// 209–212; NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1.
func Wilson(x, n int, level float64) Interval {
	if !validTrials(x, n) || !validLevel(level) {
		return undefined()
	}
	if n == 0 {
		return Interval{0, 1}
	}
	z := -mathext.NormalQuantile((1 - level) / 2)
	s, m := float64(x), float64(n)
	mid := s + z*z/2
	half := z * math.Sqrt(s*(m-s)/m+z*z/4)
	w := Interval{
		// The lower end multiplied by its conjugate: the textbook form
		// subtracts two nearly equal numbers when x is small against z².
		Low:  s * s / m / (mid + half),
		High: (mid + half) / (m + z*z),
	}
	if x == n {
		w.High = 1
	}
	return w
}

func validTrials(x, n int) bool {
	return 0 <= x && x <= n
}

func betaLow(x, n int, tail float64) float64 {
	if x == 0 {
		return 0
	}
	if x == n {
		return math.Pow(tail, 1/float64(n))
	}
	return mathext.InvRegIncBeta(float64(x), float64(n-x)+1, tail)
}

func betaHigh(x, n int, tail float64) float64 {
	if x == n {
		return 1
	}
	if x == 0 {
		return -math.Expm1(math.Log(tail) / float64(n))
	}
	return 1 - betaLow(n-x, n, tail)
}
