package proof

import (
	"fmt"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/ledger/proof/growth"
)

// Grows holds a history with its seals against the rule that it only grows. uuid
// is the unit's where it is known already. What is dated ahead of the reader's clock
// is not told.
func Grows(from gitobj.Objects, head object.Hash, chain []*Seal, uuid string) (*growth.Result, error) {
	return growth.Check(growth.Input{Objects: from, Head: head, Seals: GrowthSeals(chain), UUID: uuid, Readable: CheckNesting})
}

// GrowthSeals is what the rules of histories need to know of seals.
func GrowthSeals(chain []*Seal) []growth.Seal {
	var out []growth.Seal
	for _, s := range chain {
		x := growth.Seal{Name: s.Name, Digest: s.Digest, Head: s.head, Root: object.NewHash(s.Statement.Root), Number: s.Statement.Number,
			UUID: s.Statement.UUID, Sealed: s.Statement.Sealed, Key: s.Fingerprint(), Supersedes: s.Statement.Supersedes}
		for _, k := range s.Statement.Shop.Keys {
			if key, err := gitobj.ParseKey(k); err == nil {
				x.Keys = append(x.Keys, gitobj.Fingerprint(key))
			}
		}
		for i := range s.Statement.Rotations {
			r, err := s.Statement.Rotations[i].Check()
			if err != nil {
				continue // a flaw of its own
			}
			from, err1 := gitobj.ParseKey(r.Old)
			to, err2 := gitobj.ParseKey(r.New)
			if err1 == nil && err2 == nil {
				x.Rotations = append(x.Rotations, growth.Rotation{Old: gitobj.Fingerprint(from), New: gitobj.Fingerprint(to)})
			}
		}
		out = append(out, x)
	}
	return out
}

// grows checks that the history only grew, once all else about it holds.
func (v *verifier) grows() {
	r, err := Grows(v.objects, v.headAt, v.chain, v.UUID)
	if err != nil {
		v.flaw("growth", v.branch, "it cannot be held against the rules of a history: %v", err)
		return
	}
	v.grown = r
	for _, f := range r.Findings {
		place, what, _ := strings.Cut(f.String(), ": ")
		switch f.Level {
		case growth.Broken:
			v.flaw("growth", place, "%s", what)
		case growth.Forked:
			v.flaw("forked", place, "%s", what)
		default:
			if !toldElsewhere[f.Rule] {
				v.warn(toldAs(f.Rule), place, "%s", what)
			}
		}
	}
	if r.More {
		v.warn("growth", v.branch, "there is more to be said of this history than is listed")
	}
}

// toldElsewhere are the rules whose findings this package words itself, with what it
// knows of the reader's trust: who signed which stretch.
var toldElsewhere = map[growth.Rule]bool{growth.RuleUnsigned: true, growth.RuleKey: true, growth.RuleUnsealed: true}

// toldAs is the word of [Checks] that a finding is filed under.
func toldAs(r growth.Rule) string {
	switch r {
	case growth.RuleDate, growth.RuleLate:
		return "clock"
	case growth.RuleBeside:
		return "seal"
	}
	return "growth"
}

// corrected lists the corrections, and tells of those that cross from one shop to
// another, with both texts.
func (v *verifier) corrected(list []Correction) {
	v.CorrectionCount = len(list)
	for _, c := range list {
		if len(v.Corrections) < maxListed {
			v.Corrections = append(v.Corrections, c)
		}
		if !c.Cross {
			continue
		}
		on := ""
		if len(c.Bears) > 0 {
			on = ", on " + strings.Join(c.Bears, " and ")
		}
		var texts []string
		for _, x := range c.Changes[:min(len(c.Changes), 3)] {
			texts = append(texts, cutText(OneLine(x.String()), 120))
		}
		if n := len(c.Changes) + c.More - len(texts); n > 0 {
			texts = append(texts, fmt.Sprintf("and %d more", n))
		}
		v.warn("growth", c.File, "commit %s corrects what another shop wrote%s: %s; the reason given: %s", c.Commit[:10], on, strings.Join(texts, "; "), OneLine(c.Reason))
	}
}
