package proof

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema/pattern"
)

// Seal is one seal of a unit, as its tag has it.
type Seal struct {
	Name      string      // of the tag: seal/<model>/<tag>/<n>-<8 hex>
	ID        object.Hash // of the tag object
	Digest    string      // SHA-256 of the tag object's content, by which later seals name it
	Message   []byte      // the statement as it stands
	Statement *Statement
	Tagger    string // "Name <address>"

	key     ssh.PublicKey
	keyFlaw error // why the signature does not hold
	head    object.Hash
}

// Key is the key that signed, nil where the signature does not hold; the error
// says why.
func (s *Seal) Key() (ssh.PublicKey, error) { return s.key, s.keyFlaw }

// Head is the commit it stands on.
func (s *Seal) Head() object.Hash { return s.head }

// StatementDigest is the SHA-256 of the statement.
func (s *Seal) StatementDigest() string { return Digest(s.Message) }

// Short is what two people compare by telephone: the number and eight digits.
func (s *Seal) Short() string {
	return fmt.Sprintf("%d-%s", s.Statement.Number, s.StatementDigest()[:8])
}

// QR is what a code on paper says of a seal: the unit, the head and the
// beginning of the statement's digest.
func (s *Seal) QR() string {
	return QRText(s.Statement.UUID, s.Statement.Head, s.StatementDigest())
}

// Fingerprint names the key that signed, "" where the signature does not hold.
func (s *Seal) Fingerprint() string {
	if s.key == nil {
		return ""
	}
	return gitobj.Fingerprint(s.key)
}

// SealForm is how the tag of a seal is named: unit, number, eight digits of the
// statement's digest.
var SealForm = pattern.New(`^seal/([a-z0-9-]+/[a-z0-9-]+)/([1-9][0-9]{0,6})-([0-9a-f]{8})$`)

// SealTag is the name of the tag of a seal with this statement.
func SealTag(st *Statement, text []byte) string {
	return fmt.Sprintf("%s%s/%d-%s", SealTags, st.Unit, st.Number, Digest(text)[:8])
}

// ParseSeal reads a tag object as a seal. Whether its signature holds is noted;
// everything else that is wrong is an error.
// Errors: *TooNewError among others.
func ParseSeal(name string, id object.Hash, raw []byte) (*Seal, error) {
	m := SealForm.FindStringSubmatch(name)
	if m == nil {
		return nil, fmt.Errorf("%.120q is not named as a seal", name)
	}
	if len(raw) > MaxStatement+(1<<20) {
		return nil, fmt.Errorf("the seal %s has %d bytes; more than %d are not read", name, len(raw), MaxStatement)
	}
	t, err := gitobj.ParseTag(raw)
	if err != nil {
		return nil, fmt.Errorf("the seal %s: %w", name, err)
	}
	if t.Name != name {
		return nil, fmt.Errorf("the tag %s calls itself %.120q", name, t.Name)
	}
	s := &Seal{Name: name, ID: id, Digest: Digest(raw), Message: t.Message, Tagger: t.Tagger, head: t.Object}
	if s.Statement, err = ParseStatement(s.Message); err != nil {
		return nil, fmt.Errorf("the seal %s: %w", name, err)
	}
	st := s.Statement
	switch {
	case m[1] != st.Unit:
		return nil, fmt.Errorf("the seal %s is over the unit %s", name, st.Unit)
	case m[2] != strconv.Itoa(st.Number):
		return nil, fmt.Errorf("the seal %s has the number %d", name, st.Number)
	case m[3] != s.StatementDigest()[:8]:
		return nil, fmt.Errorf("the statement of the seal %s has another digest than its name says", name)
	case t.Tagged.Unix() != st.Sealed.Unix():
		return nil, fmt.Errorf("the seal %s carries another time than its statement", name)
	case t.Object.String() != st.Head:
		return nil, fmt.Errorf("the seal %s stands on another commit than its statement names", name)
	}
	s.key, s.keyFlaw = t.Key()
	return s, nil
}

// Order puts seals in the order of the chain. A seal has a higher number than
// those it supersedes, or it is refused: so it is the order of numbers, then of
// names. Dates decide nothing.
func Order(all []*Seal) []*Seal {
	out := slices.Clone(all)
	slices.SortFunc(out, func(a, b *Seal) int {
		return cmp.Or(a.Statement.Number-b.Statement.Number, strings.Compare(a.Name, b.Name))
	})
	return out
}

// Tips are the seals that no other of them supersedes, in the order given.
func Tips(all []*Seal) []*Seal {
	named := map[string]bool{}
	for _, s := range all {
		for _, d := range s.Statement.Supersedes {
			named[d] = true
		}
	}
	var out []*Seal
	for _, s := range all {
		if !named[s.Digest] {
			out = append(out, s)
		}
	}
	return out
}

// below says which seals each one supersedes, by itself or through others: by the
// place of the seal in the chain, which is in order.
func below(chain []*Seal) []map[int]bool {
	at := map[string]int{}
	out := make([]map[int]bool, len(chain))
	for i, s := range chain {
		out[i] = map[int]bool{}
		for _, d := range s.Statement.Supersedes {
			if j, ok := at[d]; ok {
				out[i][j] = true
				for k := range out[j] {
					out[i][k] = true
				}
			}
		}
		at[s.Digest] = i
	}
	return out
}
