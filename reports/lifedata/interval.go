package lifedata

import (
	"fmt"
	"math"
)

// Interval is a closed interval. High is +Inf where the data set no upper
// limit. Both ends are NaN where the arguments were outside the domain.
type Interval struct {
	Low, High float64
}

func undefined() Interval {
	return Interval{math.NaN(), math.NaN()}
}

func validLevel(level float64) bool {
	return level > 0 && level < 1
}

func checkLevel(level float64) error {
	if !validLevel(level) {
		return fmt.Errorf("confidence level %v is not between 0 and 1; write 95 %% as 0.95", level)
	}
	return nil
}

func checkPositive(what string, v float64) error {
	if !(v > 0) || math.IsInf(v, 1) {
		return fmt.Errorf("%s is %v; give a finite number above zero", what, v)
	}
	return nil
}
