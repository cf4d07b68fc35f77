package lifedata

import (
	"cmp"
	"math"
	"slices"
)

// BenjaminiHochberg returns p-values adjusted for there being several, in the
// order given: rejecting all that are at most q keeps the expected share of
// false rejections at q. With m of them sorted upwards, the adjusted one of
// rank i is the least of m·p_j/j over j ≥ i, and at most 1. A NaN (not
// tested) stays NaN and is not counted.
//
// Source: Benjamini and Hochberg (1995), Journal of the Royal Statistical
// Society B 57, 289–300.
func BenjaminiHochberg(p []float64) []float64 {
	adjusted := slices.Clone(p)
	var order []int
	for i, v := range p {
		if !math.IsNaN(v) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	least := 1.0
	m := float64(len(order))
	for rank := len(order); rank >= 1; rank-- {
		i := order[rank-1]
		least = math.Min(least, m/float64(rank)*p[i])
		adjusted[i] = least
	}
	return adjusted
}
