package growth

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
)

// shops says which keys are one shop's. Only a change of keys that both signed
// makes two keys one shop's: a list of keys is what one side says.
type shops struct {
	up   map[string]string // key by key, towards one that stands for all of a shop's
	name map[string]string // of those: the key of the shop's first seal
}

func newShops(seals []Seal) *shops {
	s := &shops{up: map[string]string{}, name: map[string]string{}}
	for _, x := range seals {
		for _, r := range x.Rotations {
			if a, b := s.root(r.Old), s.root(r.New); a != b {
				s.up[b] = a
			}
		}
	}
	for _, x := range inOrder(seals) {
		if r := s.root(x.Key); x.Key != "" && s.name[r] == "" {
			s.name[r] = x.Key
		}
	}
	return s
}

func (s *shops) root(key string) string {
	for s.up[key] != "" {
		key = s.up[key]
	}
	return key
}

// of is the shop of a key: the key of its first seal, or what stands for its keys
// where none of them has sealed.
func (s *shops) of(key string) string {
	if key == "" {
		return ""
	}
	r := s.root(key)
	if n := s.name[r]; n != "" {
		return n
	}
	return r
}

// sealed reports whether the shop of a key has sealed this history.
func (s *shops) sealed(key string) bool { return s.name[s.root(key)] != "" }

// inOrder sorts seals by number, day and name.
func inOrder(seals []Seal) []*Seal {
	out := make([]*Seal, len(seals))
	for i := range seals {
		out[i] = &seals[i]
	}
	slices.SortStableFunc(out, func(a, b *Seal) int {
		if a.Number != b.Number {
			return a.Number - b.Number
		}
		if c := a.Sealed.Compare(b.Sealed); c != 0 {
			return c
		}
		return strings.Compare(a.Name, b.Name)
	})
	return out
}

// maxSeals bounds the seals that are held against one another.
const maxSeals = 1000

func (k *checker) sealFlaw(s *Seal, rule Rule, level Level, format string, args ...any) error {
	return k.find(Finding{Level: level, Rule: rule, Path: s.Name, Commit: s.Head, Text: fmt.Sprintf(format, args...)})
}

// seals holds the seals against the history and against one another.
func (k *checker) seals() error {
	if len(k.in.Seals) > maxSeals {
		return k.find(Finding{Level: Broken, Rule: RuleTangled, Text: fmt.Sprintf("%d seals stand over it; %d are looked at", len(k.in.Seals), maxSeals)})
	}
	all := inOrder(k.in.Seals)
	byDigest := map[string]*Seal{}
	var here []*Seal
	for _, s := range all {
		byDigest[s.Digest] = s
		if k.nodes[s.Head] != nil {
			here = append(here, s)
		}
	}
	knows := knowing(all, byDigest)
	for _, s := range all {
		if k.nodes[s.Head] == nil {
			if err := k.elsewhere(s, all, knows); err != nil {
				return err
			}
			continue
		}
		if err := k.seal(s, here, byDigest, knows); err != nil {
			return err
		}
	}
	// The first seal that covers a commit.
	for _, s := range here {
		queue := []*node{k.nodes[s.Head]}
		for len(queue) > 0 {
			n := queue[len(queue)-1]
			queue = queue[:len(queue)-1]
			if n.seal != nil {
				continue
			}
			n.seal = s
			for _, p := range n.Parents {
				queue = append(queue, k.nodes[p])
			}
		}
	}
	open := 0
	var first *node
	for _, n := range k.order {
		if n.seal == nil {
			if open++; first == nil {
				first = n
			}
		}
	}
	if open > 0 && len(all) > 0 {
		return k.tells(first, "", RuleUnsealed, none, none, "%d commits from here on stand after the last seal", open)
	}
	return nil
}

// knowing gives for each seal those it supersedes, at once or through others.
func knowing(all []*Seal, byDigest map[string]*Seal) map[*Seal]map[*Seal]bool {
	out := map[*Seal]map[*Seal]bool{}
	var visit func(s *Seal, depth int) map[*Seal]bool
	visit = func(s *Seal, depth int) map[*Seal]bool {
		if set, ok := out[s]; ok {
			return set
		}
		set := map[*Seal]bool{}
		out[s] = set
		for _, d := range s.Supersedes {
			if t := byDigest[d]; t != nil && t != s && depth < maxSeals {
				set[t] = true
				for u := range visit(t, depth+1) {
					set[u] = true
				}
			}
		}
		return set
	}
	for _, s := range all {
		visit(s, 0)
	}
	return out
}

// elsewhere judges a seal whose commit is not in the history.
func (k *checker) elsewhere(s *Seal, all []*Seal, knows map[*Seal]map[*Seal]bool) error {
	for _, t := range all {
		if t != s && s.Key != "" && k.shop.of(s.Key) == k.shop.of(t.Key) && k.nodes[t.Head] != nil && !knows[s][t] && !knows[t][s] {
			return k.sealFlaw(s, RuleForked, Forked, "one shop sealed two histories of this unit, and neither goes on from the other: %s (digest %s) and %s (digest %s)", s.Name, s.Digest, t.Name, t.Digest)
		}
	}
	return k.sealFlaw(s, RuleSeal, Broken, "the commit it stands on is not part of the history")
}

// seal holds one seal against the history and the other seals.
func (k *checker) seal(s *Seal, here []*Seal, byDigest map[string]*Seal, knows map[*Seal]map[*Seal]bool) error {
	head := k.nodes[s.Head]
	var list []Finding
	add := func(level Level, rule Rule, format string, args ...any) {
		list = append(list, Finding{Level: level, Rule: rule, Path: s.Name, Commit: s.Head, Text: fmt.Sprintf(format, args...)})
	}
	if s.UUID != k.out.UUID {
		add(Broken, RuleSeal, "it is over the instrument %.80q, and the history of %.80q", s.UUID, k.out.UUID)
	}
	if s.Key == "" {
		add(Broken, RuleSignature, "its signature does not hold")
	}
	root := k.nodes[s.Root]
	rooted := root != nil && len(root.Parents) == 0
	if rooted {
		var err error
		if rooted, err = k.descends(head, root); err != nil {
			return err
		}
	}
	if !rooted {
		add(Broken, RuleSeal, "it names the beginning %.10s, with which the history it stands on does not begin", s.Root)
	}
	number := 0
	for _, d := range s.Supersedes {
		t := byDigest[d]
		switch {
		case t == nil:
			add(Broken, RuleSeal, "it was made after a seal that is not here (digest %.16s...)", d)
			continue
		case k.nodes[t.Head] == nil:
			add(Broken, RuleSeal, "it was made after %s, which stands on another history", t.Name)
		default:
			below, err := k.descends(head, k.nodes[t.Head])
			if err != nil {
				return err
			}
			if !below || t == s || knows[t][s] {
				add(Broken, RuleSeal, "it was made after %s, whose history it does not go on from", t.Name)
			}
		}
		number = max(number, t.Number)
		if !s.Sealed.After(t.Sealed) {
			add(Told, RuleDate, "it is dated %s, and the seal before it %s: one of the two clocks was wrong", s.Sealed.Format(time.RFC3339), t.Sealed.Format(time.RFC3339))
		}
	}
	if s.Number != number+1 {
		add(Broken, RuleSeal, "it has the number %d, where %d follows", s.Number, number+1)
	}
	for _, t := range here {
		if t == s || knows[s][t] || knows[t][s] {
			continue
		}
		// Told once, with the later of the two.
		if slices.Index(here, t) > slices.Index(here, s) {
			continue
		}
		add(Told, RuleBeside, "it was made without knowing of %s: two benches sealed, each for itself, and their work was brought together since", t.Name)
	}
	for _, f := range list {
		if err := k.find(f); err != nil {
			return err
		}
	}
	return nil
}

// key is the fingerprint of the key that signed a commit; "" where none did.
func key(n *node) (string, error) {
	c, err := n.commit()
	if err != nil {
		return "", err
	}
	pub, err := c.Key()
	if err != nil || pub == nil {
		return "", err
	}
	return gitobj.Fingerprint(pub), nil
}

// shopOf is the shop a commit belongs to: that of its own key where this has
// sealed the history, else that of the first seal over it.
func (k *checker) shopOf(n *node) string {
	if s, ok := k.out.shops[n.id]; ok {
		return s
	}
	own, _ := key(n)
	s := k.shop.of(own)
	switch {
	case own != "" && k.shop.sealed(own):
	case n.seal != nil && (own == "" || slices.Contains(n.seal.Keys, own)):
		s = k.shop.of(n.seal.Key)
	case own != "":
		// A key that no seal lists stands for itself: whoever leaves the other
		// shop's seals out must not pass for that shop.
		for _, t := range inOrder(k.in.Seals) {
			if slices.Contains(t.Keys, own) {
				s = k.shop.of(t.Key)
				break
			}
		}
	}
	k.out.shops[n.id] = s
	return s
}

// dates tells whose clock ran back, and what lies ahead.
func (k *checker) dates() error {
	for _, n := range k.order {
		for _, p := range n.Parents {
			if up := k.nodes[p]; n.Committed.Before(up.Committed) {
				if err := k.tells(n, "", RuleDate, none, none, "it is dated %s, before the commit it follows (%s)", n.Committed.Format(time.RFC3339), up.Committed.Format(time.RFC3339)); err != nil {
					return err
				}
				break
			}
		}
		if !k.in.Now.IsZero() && n.Committed.After(k.in.Now) {
			if err := k.tells(n, "", RuleDate, none, none, "it is dated %s, which is still to come", n.Committed.Format(time.RFC3339)); err != nil {
				return err
			}
		}
	}
	return nil
}

// signatures tells who signed what.
func (k *checker) signatures() error {
	if !k.in.Signatures {
		return nil
	}
	unsigned, other := 0, 0
	var first *node
	strangers := map[string]bool{}
	for _, n := range k.order {
		own, err := key(n)
		switch {
		case err != nil:
			if err := k.breaks(n, "", RuleSignature, none, none, "its signature does not hold: %v", err); err != nil {
				return err
			}
		case own == "":
			if unsigned++; first == nil {
				first = n
			}
			if n.whole.OtherSignature() {
				other++
			}
		case n.seal != nil && own != n.seal.Key && !slices.Contains(n.seal.Keys, own) && k.shop.of(own) != k.shop.of(n.seal.Key) && !k.shop.sealed(own) && !strangers[own]:
			strangers[own] = true
			if err := k.tells(n, "", RuleKey, none, none, "it is signed with %s, which %s over it does not list among its shop's keys", own, n.seal.Name); err != nil {
				return err
			}
		}
		k.shopOf(n)
	}
	if unsigned > 0 {
		with := ""
		if other > 0 {
			with = fmt.Sprintf(" (%d of them with a signature that is not SSH's, and so not checked)", other)
		}
		return k.tells(first, "", RuleUnsigned, none, none, "%d of %d commits are not signed%s, from here on; what vouches for them is the seal over them", unsigned, len(k.order), with)
	}
	return nil
}

// corrections gives each correction the shops it lies between.
func (k *checker) corrections() {
	origin := map[string]*node{}
	brought := func(p string, blob object.Hash) *node {
		var first *node
		for _, id := range k.came[p][blob] {
			if n := k.nodes[id]; first == nil || n.index < first.index {
				first = n
			}
		}
		return first
	}
	for _, c := range k.pending {
		n := k.nodes[c.Commit]
		was := brought(c.Path, c.Was)
		if origin[c.Path] == nil {
			// The first version there was.
			for blob := range k.came[c.Path] {
				if b := brought(c.Path, blob); b != nil && (origin[c.Path] == nil || b.index < origin[c.Path].index) {
					origin[c.Path] = b
				}
			}
		}
		c.By = k.shopOf(n)
		for _, from := range []*node{origin[c.Path], was} {
			if from == nil {
				continue
			}
			of := k.shopOf(from)
			if c.Of == "" {
				c.Of = of
			}
			if c.By != "" && of != "" && of != c.By {
				c.Cross, c.Of = true, of
				break
			}
		}
		for _, b := range c.SetAside {
			if from := brought(c.Path, b); from != nil {
				if of := k.shopOf(from); c.By != "" && of != "" && of != c.By && !c.Cross {
					c.Cross, c.Of = true, of
				}
			}
		}
		k.out.Corrections = append(k.out.Corrections, c)
	}
}
