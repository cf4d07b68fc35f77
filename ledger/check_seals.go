package ledger

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
)

// checkSeals reports seals that two benches made beside one another: until a next
// one supersedes both, nothing is handed over. And it reports seals that are gone or another by now: those that
// main says were made, those that adopted/ says came with a unit, and those that a
// later number shows to have been there.
func (l *Ledger) checkSeals(r *CheckReport, only []string, made, units map[string]object.Hash) error {
	refs, err := l.repo.Refs(tagRefs + sealTags)
	if err != nil {
		return err
	}
	bad := func(unit, remedy, format string, args ...any) {
		r.Git = append(r.Git, GitProblem{Unit: unit, What: fmt.Sprintf(format, args...), Remedy: remedy})
	}
	wanted := func(unit string) bool { return len(only) == 0 || slices.Contains(only, unit) }
	first := map[string]string{}
	numbers := map[string]map[int]bool{}
	for _, ref := range slices.Sorted(maps.Keys(refs)) {
		tag := strings.TrimPrefix(ref, tagRefs)
		m := proof.SealForm.FindStringSubmatch(tag)
		if m == nil || !wanted(m[1]) {
			continue
		}
		n, err := strconv.Atoi(m[2])
		if err != nil {
			return err
		}
		if numbers[m[1]] == nil {
			numbers[m[1]] = map[int]bool{}
		}
		numbers[m[1]][n] = true
		key := m[1] + "/" + m[2]
		if other, ok := first[key]; ok {
			r.Git = append(r.Git, GitProblem{Unit: m[1], Warning: true, What: fmt.Sprintf("two benches sealed it under one number: %s and %s", other, tag),
				Remedy: "seal it again; whoever was handed a packet in between should be given the new one"})
			continue
		}
		first[key] = tag
	}
	missed := map[string]map[int]bool{}
	miss := func(unit, tag string) {
		if missed[unit] == nil {
			missed[unit] = map[int]bool{}
		}
		if n, err := strconv.Atoi(proof.SealForm.FindStringSubmatch(tag)[2]); err == nil {
			missed[unit][n] = true
		}
		bad(unit, "get it back from another copy: benchlore sync, or git fetch COPY "+tagRefs+tag+":"+tagRefs+tag, "the seal %s was made and is not in this copy; a buyer may hold it", tag)
	}
	for _, tag := range slices.Sorted(maps.Keys(made)) {
		unit := proof.SealForm.FindStringSubmatch(tag)[1]
		switch have, ok := refs[tagRefs+tag]; {
		case !wanted(unit) || units[unit].IsZero(): // it was given away for good
		case !ok:
			miss(unit, tag)
		case have != made[tag]:
			bad(unit, "put back the one that was made: git update-ref "+tagRefs+tag+" "+made[tag].String(), "the seal %s is not the one that was made", tag)
		}
	}
	for _, unit := range slices.Sorted(maps.Keys(numbers)) {
		have, most := numbers[unit], 0
		for n := range have {
			most = max(most, n)
		}
		if len(have)+len(missed[unit]) >= most {
			continue
		}
		// Those that came with the unit may have another unit's name.
		a, err := l.adoption(unit)
		if err != nil {
			continue // reported with its file
		}
		if a != nil {
			for _, tag := range a.Seals {
				m := proof.SealForm.FindStringSubmatch(tag)
				if m == nil {
					continue
				}
				n, err := strconv.Atoi(m[2])
				if _, ok := refs[tagRefs+tag]; ok && err == nil {
					have[n] = true
				} else if made[tag].IsZero() {
					miss(unit, tag)
				}
			}
		}
		for n := 1; n < most; n++ {
			if !have[n] && !missed[unit][n] {
				bad(unit, "get it back from another copy: benchlore sync, or git fetch COPY 'refs/tags/"+sealTags+unit+"/*:refs/tags/"+sealTags+unit+"/*'",
					"its seal number %d is not in this copy, though later ones are; a buyer may hold it", n)
			}
		}
	}
	return nil
}
