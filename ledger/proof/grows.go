package proof

import (
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/ledger/proof/growth"
)

// Grows holds a history with its seals against the rule that it only grows. uuid
// is the unit's where it is known already; with the zero time no date is told.
func Grows(from gitobj.Objects, head object.Hash, chain []*Seal, uuid string, now time.Time) (*growth.Result, error) {
	return growth.Check(growth.Input{Objects: from, Head: head, Seals: GrowthSeals(chain), UUID: uuid, Now: now, Readable: CheckNesting})
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

// Correction is one change of what a closed file said.
type Correction struct {
	Commit string   `json:"commit"`
	File   string   `json:"file"`
	Reason string   `json:"reason,omitempty"`
	By     string   `json:"by,omitempty"` // fingerprint that stands for the shop
	Of     string   `json:"of,omitempty"` // whose words they were
	Cross  bool     `json:"cross,omitempty"`
	Bears  []string `json:"bears,omitempty"`
}

// grows checks that the history only grew, once all else about it holds.
func (v *verifier) grows() {
	r, err := Grows(v.objects, v.headAt, v.chain, v.UUID, v.now)
	if err != nil {
		v.flaw("growth", v.branch, "it cannot be held against the rules of a history: %v", err)
		return
	}
	v.grown = r
	for _, f := range r.Findings {
		place, what, _ := strings.Cut(f.String(), ": ")
		switch {
		case f.Level == growth.Broken:
			v.flaw("growth", place, "%s", what)
		case f.Level == growth.Forked:
			v.flaw("forked", place, "%s", what)
		case f.Rule == growth.RuleSetAside, f.Rule == growth.RuleBeginnings:
			v.warn("growth", place, "%s", what)
		}
	}
	for _, c := range r.Corrections {
		v.Corrections = append(v.Corrections, Correction{Commit: c.Commit.String(), File: c.Path, Reason: c.Correction.Reason, By: c.By, Of: c.Of, Cross: c.Cross, Bears: c.Bears})
		if c.Cross {
			on := ""
			if len(c.Bears) > 0 {
				on = ", on " + strings.Join(c.Bears, " and ")
			}
			v.warn("growth", c.Path, "commit %s corrects what another shop wrote%s: %s", c.Commit.String()[:10], on, OneLine(c.Correction.Reason))
		}
	}
}
