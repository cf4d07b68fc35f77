package lifedata

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// normalUpper returns what a standard normal variable exceeds with
// probability tail.
func normalUpper(tail float64) float64 { return -mathext.NormalQuantile(tail) }

// studentUpper returns what Student's t with df degrees of freedom exceeds
// with probability tail < 1/2.
func studentUpper(tail, df float64) float64 {
	// df/(df+t²) has a beta distribution.
	x := mathext.InvRegIncBeta(df/2, 0.5, 2*tail)
	return math.Sqrt(df * (1 - x) / x)
}

// studentBeyond returns the probability that Student's t with df degrees of
// freedom lies further from 0 than t.
func studentBeyond(t, df float64) float64 {
	return mathext.RegIncBeta(df/2, 0.5, df/(df+t*t))
}

// chiSquareBeyond returns the probability that a chi-square variable with df
// degrees of freedom exceeds x.
func chiSquareBeyond(x, df float64) float64 {
	if x <= 0 {
		return 1
	}
	return mathext.GammaIncRegComp(df/2, x/2)
}

// fisherBeyond returns the probability that an F variable exceeds x.
func fisherBeyond(x, df1, df2 float64) float64 {
	if x <= 0 {
		return 1
	}
	return mathext.RegIncBeta(df2/2, df1/2, df2/(df2+df1*x))
}
