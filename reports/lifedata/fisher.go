package lifedata

import (
	"fmt"
	"math"
	"slices"
)

// FisherTest is the result of [FisherExact].
type FisherTest struct {
	TwoSided float64 // p-value: all tables with these margins no likelier than the one seen
	TwoByTwo *OddsRatio
}

// OddsRatio is what a 2×2 table tells besides.
type OddsRatio struct {
	Level       float64
	Greater     float64  // p-value against an odds ratio above 1
	Less        float64  // and below 1
	Conditional float64  // maximum likelihood given the margins; 0 or +Inf at the ends
	Sample      float64  // ad/bc; NaN where that is 0/0
	Limits      Interval // exact, given the margins
}

// FisherExact tests whether rows and columns of a table of counts are
// independent, given its margins. For a 2×2 table [[a, b], [c, d]] it also
// gives the odds ratio ad/bc with the limits at which the one-sided tests
// leave (1−level)/2. Counts must be of independent components.
//
// It returns an error for a table with fewer than two rows or columns, rows of
// different length, or a negative count; it refuses tables with too many
// others of the same margins to go through.
//
// Sources: Fisher (1935), Journal of the Royal Statistical Society 98, 39–82;
// Agresti (2013), Categorical Data Analysis, section 16.5; the rule for the
// two-sided p-value is that of R's fisher.test.
func FisherExact(table [][]int, level float64) (FisherTest, error) {
	if err := checkLevel(level); err != nil {
		return FisherTest{}, err
	}
	if len(table) < 2 || len(table[0]) < 2 {
		return FisherTest{}, fmt.Errorf("the table needs at least two rows and two columns")
	}
	for i, row := range table {
		if len(row) != len(table[0]) {
			return FisherTest{}, fmt.Errorf("row %d has %d columns, the first %d", i+1, len(row), len(table[0]))
		}
		for _, n := range row {
			if err := checkCount(fmt.Sprintf("a count in row %d", i+1), n); err != nil {
				return FisherTest{}, err
			}
		}
	}
	if len(table) == 2 && len(table[0]) == 2 {
		return fisherTwoByTwo(table, level)
	}
	p, err := fisherMany(table)
	return FisherTest{TwoSided: p}, err
}

// How many tables, halves of tables or terms of a sum are gone through.
const maxTables = 1 << 20

func fisherTwoByTwo(table [][]int, level float64) (FisherTest, error) {
	a, b, c, d := table[0][0], table[0][1], table[1][0], table[1][1]
	first, top, left := a+c, a+b, a
	lo, hi := max(0, top-(b+d)), min(top, first)
	if hi-lo >= maxTables {
		return FisherTest{}, refuse("the counts are too large for an exact test")
	}
	// ln of the number of ways to fill the table with x in the first place
	ways := make([]float64, hi-lo+1)
	for x := lo; x <= hi; x++ {
		ways[x-lo] = logChoose(first, x) + logChoose(b+d, top-x)
	}
	// With log odds ratio l, the distribution of x is ways·exp(l·x).
	sums := func(l float64) (mean, atLeast, atMost float64) {
		most := math.Inf(-1)
		for i, w := range ways {
			most = math.Max(most, w+l*float64(i))
		}
		var total float64
		for i, w := range ways {
			p := math.Exp(w + l*float64(i) - most)
			total += p
			mean += p * float64(i)
			if lo+i >= left {
				atLeast += p
			}
			if lo+i <= left {
				atMost += p
			}
		}
		return mean / total, atLeast / total, atMost / total
	}
	o := &OddsRatio{Level: level, Sample: float64(a) * float64(d) / (float64(b) * float64(c)), Limits: Interval{0, math.Inf(1)}}
	_, o.Greater, o.Less = sums(0)
	root := func(f func(l float64) float64) float64 {
		far := 1.
		for f(-far)*f(far) > 0 {
			far *= 2
		}
		return math.Exp(zero(f, -far, far))
	}
	tail := (1 - level) / 2
	if left == lo {
		o.Conditional = 0
	} else {
		o.Limits.Low = root(func(l float64) float64 { _, p, _ := sums(l); return p - tail })
	}
	switch {
	case left == hi && left > lo:
		o.Conditional = math.Inf(1)
	case left > lo:
		o.Conditional = root(func(l float64) float64 { m, _, _ := sums(l); return m - float64(left-lo) })
	case left == hi:
		o.Conditional = math.NaN() // the margins leave no other table
	}
	if left < hi {
		o.Limits.High = root(func(l float64) float64 { _, _, p := sums(l); return p - tail })
	}

	seen := ways[left-lo] + math.Log1p(1e-7)
	var likely, total float64
	most := slices.Max(ways)
	for _, w := range ways {
		p := math.Exp(w - most)
		total += p
		if w <= seen {
			likely += p
		}
	}
	return FisherTest{TwoSided: math.Min(1, likely/total), TwoByTwo: o}, nil
}

// fisherMany sums over all tables with the same margins by meeting in the
// middle: the columns are filled from both ends, and the two halves that add
// up to the row totals are paired by a sorted list of their probabilities.
func fisherMany(table [][]int) (float64, error) {
	rows := make([]int, len(table))
	columns := make([]int, len(table[0]))
	var n int
	seen := 0.0
	for i, row := range table {
		for j, v := range row {
			rows[i] += v
			columns[j] += v
			n += v
			seen -= logFactorial(v)
		}
	}
	// ln P(table) = scale − Σ ln cell!
	scale := -logFactorial(n)
	for _, m := range append(slices.Clone(rows), columns...) {
		scale += logFactorial(m)
	}
	slices.Sort(columns) // the large ones meet the small ones' budget half
	var halves [2][]int
	for i, c := range columns {
		halves[i%2] = append(halves[i%2], c)
	}
	left, err := fillings(rows, halves[0])
	if err != nil {
		return 0, err
	}
	right, err := fillings(rows, halves[1])
	if err != nil {
		return 0, err
	}
	limit := seen + math.Log1p(1e-7)
	var sum float64
	rest := make([]int, len(rows))
	for key, as := range left {
		used := decode(key, len(rows))
		for i := range rest {
			rest[i] = rows[i] - used[i]
		}
		bs := right[encode(rest)]
		if len(bs) == 0 {
			continue
		}
		slices.Sort(as)
		slices.Sort(bs)
		// upTo[k] is the sum over the k least likely of the right half.
		upTo := make([]float64, len(bs)+1)
		most := bs[len(bs)-1]
		for k, b := range bs {
			upTo[k+1] = upTo[k] + math.Exp(b-most)
		}
		k := len(bs)
		for _, a := range as {
			for k > 0 && a+bs[k-1] > limit {
				k--
			}
			sum += math.Exp(scale+a+most) * upTo[k]
		}
	}
	return math.Min(1, sum), nil
}

// fillings returns, for every way to use up row totals, the logs of Π 1/cell!
// of all ways to fill the columns that do so.
func fillings(rows, columns []int) (map[string][]float64, error) {
	found := map[string][]float64{}
	cells := 0
	used := make([]int, len(rows))
	var fill func(column, row, left int, sum float64) error
	fill = func(column, row, left int, sum float64) error {
		if column == len(columns) {
			if cells++; cells > maxTables {
				return refuse("there are too many tables with these margins for an exact test")
			}
			key := encode(used)
			found[key] = append(found[key], sum)
			return nil
		}
		if row == len(rows)-1 {
			if used[row]+left > rows[row] {
				return nil
			}
			used[row] += left
			next := 0
			if column+1 < len(columns) {
				next = columns[column+1]
			}
			err := fill(column+1, 0, next, sum-logFactorial(left))
			used[row] -= left
			return err
		}
		for v := 0; v <= min(left, rows[row]-used[row]); v++ {
			used[row] += v
			err := fill(column, row+1, left-v, sum-logFactorial(v))
			used[row] -= v
			if err != nil {
				return err
			}
		}
		return nil
	}
	return found, fill(0, 0, columns[0], 0)
}

// encode and decode turn row totals into a map key and back.
func encode(totals []int) string {
	key := make([]byte, 0, 4*len(totals))
	for _, v := range totals {
		key = append(key, byte(v>>24), byte(v>>16), byte(v>>8), byte(v))
	}
	return string(key)
}

func decode(key string, n int) []int {
	totals := make([]int, n)
	for i := range totals {
		totals[i] = int(key[4*i])<<24 | int(key[4*i+1])<<16 | int(key[4*i+2])<<8 | int(key[4*i+3])
	}
	return totals
}

func logChoose(n, k int) float64 {
	return logFactorial(n) - logFactorial(k) - logFactorial(n-k)
}
