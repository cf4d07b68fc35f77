package proof

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema/pattern"
)

var labelForm = pattern.New(`^benchlore:1:([0-9a-f-]{36}):([0-9a-f]{40}):([0-9a-f]{16})?$`)

// earlier holds the history against what is at hand of it from before.
func (v *verifier) earlier() {
	if v.opt.Label != "" {
		m := labelForm.FindStringSubmatch(strings.TrimSpace(v.opt.Label))
		switch {
		case m == nil:
			v.flaw("earlier", "the label", "%.120q is not what a label of this program says", v.opt.Label)
		case m[1] != v.UUID:
			v.flaw("earlier", "the label", "it belongs to another unit, %s", m[1])
		case m[3] != "" && !slices.ContainsFunc(v.chain, func(s *Seal) bool {
			return strings.HasPrefix(s.StatementDigest(), m[3]) && s.Statement.Head == m[2]
		}):
			v.flaw("earlier", "the label", "the seal it was printed from is not among the seals here: the history was shortened, forked or replaced since")
		case !v.HasCommit(object.NewHash(m[2])):
			v.flaw("earlier", "the label", "the history it was printed from, %s, is not part of this one: it was shortened, forked or replaced since", m[2][:10])
		}
	}
	for _, d := range v.opt.Seals {
		if !isDigest(d) {
			v.flaw("earlier", "the seal you named", "%.80q is no digest of a statement: write at least its first 16 hexadecimal digits", d)
			continue
		}
		if !slices.ContainsFunc(v.chain, func(s *Seal) bool {
			return strings.HasPrefix(s.StatementDigest(), d) || strings.HasPrefix(s.Digest, d)
		}) {
			v.flaw("earlier", "the seal you named", "no seal here has the digest %s: the history was shortened, forked or replaced since", d)
		}
	}
	for _, data := range v.opt.Earlier {
		v.earlierPacket(data)
	}
}

// Check refuses what cannot be held against any history, an [InputError]: a label
// read wrongly or the wrong file says nothing about the packet in hand.
func (o Options) Check() error {
	if o.Label != "" && !labelForm.MatchString(strings.TrimSpace(o.Label)) {
		return &InputError{fmt.Sprintf("--label: %.120q is not what a label of this program says", o.Label),
			"give all the code says; it begins with benchlore:1:"}
	}
	for _, d := range o.Seals {
		if !isDigest(d) {
			return &InputError{fmt.Sprintf("--seal: %.80q is no digest of a statement", d), "write at least its first 16 hexadecimal digits, in lower case"}
		}
	}
	for _, data := range o.Earlier {
		if _, err := ParseStatement(data); err == nil {
			continue
		}
		if _, err := earlierBundle(data); err != nil {
			return &InputError{fmt.Sprintf("--earlier: it is neither a packet, nor a bundle, nor the statement of a seal: %v", err),
				"name the file as it was handed over"}
		}
	}
	return nil
}

// isDigest reports whether a text is the beginning of a SHA-256 long enough to
// tell seals apart.
func isDigest(d string) bool {
	return len(d) >= 16 && len(d) <= 64 && strings.Trim(d, "0123456789abcdef") == ""
}

// earlierBundle is the history of an earlier packet, or the bundle alone.
func earlierBundle(data []byte) (*Bundle, error) {
	if IsBundle(data) {
		return ReadBundle(data)
	}
	list, err := readZip(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, err
	}
	env, err := readEnvelope(list, false)
	if err != nil {
		return nil, err
	}
	return ReadBundle(env.files[BundleFile])
}

// earlierPacket holds the history against an earlier packet, bundle or
// statement of a seal.
func (v *verifier) earlierPacket(data []byte) {
	const place = "what you hold from before"
	if st, err := ParseStatement(data); err == nil {
		if !slices.ContainsFunc(v.chain, func(s *Seal) bool { return bytes.Equal(s.Message, data) }) {
			v.flaw("earlier", place, "seal %d of %s is not among the seals here: the history was shortened, forked or replaced since", st.Number, st.UUID)
		}
		return
	}
	b, err := earlierBundle(data)
	if err != nil {
		v.flaw("earlier", place, "it is neither a packet, nor a bundle, nor the statement of a seal: %v", err)
		return
	}
	old := newVerifier("bundle", Options{Now: v.now})
	old.unit(b, false)
	if old.breaks+old.newer > 0 {
		for _, f := range old.Flaws {
			if !f.Warning {
				v.flaw("earlier", place, "it is broken itself: %s: %s", f.Place, f.What)
				return
			}
		}
	}
	if old.UUID != v.UUID {
		v.flaw("earlier", place, "it is of another unit, %s", old.UUID)
		return
	}
	here := map[string]bool{}
	for _, s := range v.chain {
		here[s.Digest] = true
	}
	common := 0
	for _, s := range old.chain {
		if here[s.Digest] {
			common++
		}
	}
	theirs, ours := old.chain[len(old.chain)-1], v.chain[len(v.chain)-1]
	switch {
	case common == len(old.chain) && v.HasCommit(old.headAt):
	case common == len(v.chain):
		v.flaw("earlier", place, "it goes on to seal %s, and the history here ends with seal %s: it was shortened", theirs.Short(), ours.Short())
	case common > 0:
		v.flaw("earlier", place, "the two histories part: one was sealed as %s and the other as %s, and neither comes after the other: this one was forked", theirs.Digest, ours.Digest)
	default:
		v.flaw("earlier", place, "the two histories have no seal in common: this one replaces the other")
	}
}

// known holds the history against the seals that the reader's own ledger has of
// the unit.
func (v *verifier) known() {
	if v.opt.Known == nil {
		return
	}
	const place = "your ledger"
	theirs := v.opt.Known(v.UUID)
	here := map[string]bool{}
	for _, s := range v.chain {
		here[s.Digest] = true
	}
	last := v.chain[len(v.chain)-1]
	all := slices.Concat(v.chain, slices.DeleteFunc(slices.Clone(theirs), func(s *Seal) bool { return here[s.Digest] }))
	all = Order(all)
	under := below(all)
	at := slices.IndexFunc(all, func(s *Seal) bool { return s.Digest == last.Digest })
	for i, s := range all {
		switch {
		case here[s.Digest]:
		case under[i][at]:
			v.warn("newer", place, "it holds seal %s of this unit, dated %s, which comes after the last seal here: this packet is not the newest", s.Short(), s.Statement.Sealed.Format("2006-01-02"))
		case under[at][i]:
			// The last seal names it, and it is missing here: a flaw of the chain.
		case v.shops.same(s, last):
			v.flaw("forked", place, "it holds seal %s of this unit, and neither it nor %s comes after the other: two versions of this history were sealed, %s and %s",
				s.Short(), last.Name, s.Digest, last.Digest)
		default:
			v.warn("forked", place, "it holds seal %s of this unit, by %s, which this history does not know: %s", s.Short(), s.Statement.Shop.Name, s.Digest)
		}
	}
}
