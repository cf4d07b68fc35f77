package refs

import (
	"slices"
	"strings"
)

// Compact writes canonical positions as a list, in natural order and each once,
// with ranges for numbers that follow one another: "C1-C12, C15". Parsing the
// list and counting it through gives the sorted positions again, provided there
// are no more than Parse takes.
func Compact(rs []Ref) string {
	all := make([]parsed, len(rs))
	for i, r := range rs {
		all[i] = parseRef(r)
	}
	slices.SortFunc(all, compare)
	all = slices.CompactFunc(all, func(a, b parsed) bool { return a.ref == b.ref })

	var items []item
	for _, p := range all {
		items = append(items, item{steps: p.steps, words: string(p.ref)})
	}
	// Joining the last steps first lets whole rows of contacts become one item
	// before the keys that have them are joined in turn.
	for level := maxDepth - 1; level >= 0; level-- {
		items = joinRanges(items, level)
	}
	texts := make([]string, len(items))
	for i, it := range items {
		texts[i] = it.words
		if it.steps != nil {
			texts[i] = stepsText(it.steps)
		}
	}
	return strings.Join(texts, ", ")
}

// joinRanges joins neighbours that differ in the step at level alone and whose
// numbers there follow one another.
func joinRanges(items []item, level int) []item {
	var out []item
	for _, it := range items {
		if len(out) > 0 {
			last := &out[len(out)-1]
			if follows(last.steps, it.steps, level) {
				joined := slices.Clone(last.steps)
				joined[level].hi = it.steps[level].hi
				if size(joined) <= maxRange {
					last.steps = joined
					continue
				}
			}
		}
		out = append(out, it)
	}
	return out
}

func follows(a, b []step, level int) bool {
	if len(a) != len(b) || level >= len(a) {
		return false
	}
	for i := range a {
		x, y := a[i], b[i]
		if i == level {
			if x.suffix != "" || y.suffix != "" || y.lo != x.hi+1 {
				return false
			}
			x.lo, x.hi, y.lo, y.hi = 0, 0, 0, 0
		}
		if x != y {
			return false
		}
	}
	return true
}

// size counts the positions of an item.
func size(steps []step) int {
	n := 1
	for _, s := range steps {
		n *= s.hi - s.lo + 1
	}
	return n
}
