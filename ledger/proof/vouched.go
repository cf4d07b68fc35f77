package proof

import (
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/ledger/proof/growth"
	"benchlore/schema"
)

// Vouched is what a history and its seals say of themselves, for a report: who
// stands for it, and who changed whose words.
type Vouched struct {
	Seals    []*Seal // in order; none: nobody sealed it
	After    int     // commits that stand after the last seal
	Commits  int
	Unsigned int       // of them, without a signature
	Foreign  int       // of them, with a signature that is not SSH's and is not checked
	Began    time.Time // when the first commit was made, by its maker's clock
	// KeyChanges are the seals that were made with another key than the seal of the
	// same shop before them.
	KeyChanges  []KeyChanged
	Corrections []Correction
}

// Last is the seal that vouches for the history as it stands; nil where none does.
func (v *Vouched) Last() *Seal {
	if len(v.Seals) == 0 || v.After > 0 {
		return nil
	}
	return v.Seals[len(v.Seals)-1]
}

// KeyChanged is a seal made with another key than the one of the same shop before.
type KeyChanged struct {
	Before, Seal *Seal
	How          KeyChange
}

// Correction is one change of what a closed file said.
type Correction struct {
	Commit string      `json:"commit"`
	File   string      `json:"file"`
	Kind   schema.Kind `json:"kind,omitempty"`   // of the record; "": instrument.toml
	Day    string      `json:"day,omitempty"`    // of the record
	On     string      `json:"on,omitempty"`     // the day of the correction
	Person string      `json:"person,omitempty"` // who entered it, as their shop's list has them
	Reason string      `json:"reason,omitempty"`
	By     string      `json:"by,omitempty"` // fingerprint that stands for the shop
	ByShop string      `json:"byShop,omitempty"`
	Of     string      `json:"of,omitempty"` // whose words they were
	OfShop string      `json:"ofShop,omitempty"`
	Cross  bool        `json:"cross,omitempty"` // one shop corrects what another wrote
	Bears  []string    `json:"bears,omitempty"` // state, safety, fault, originality
	// Changes are both texts, fact by fact: at most maxChanges, and More of them are
	// left out.
	Changes []schema.Change `json:"changes"`
	More    int             `json:"moreChanges,omitempty"`
}

// An honest correction changes a few facts; texts are cut where a reader would stop.
const (
	maxChanges    = 50
	maxChangeText = 2000
)

// Vouch reads what vouches for a history. grown is what the rules say of it.
func Vouch(from gitobj.Objects, head object.Hash, chain []*Seal, grown *growth.Result) (*Vouched, error) {
	return vouch(newHistory(from), head, chain, grown)
}

func vouch(h *history, head object.Hash, chain []*Seal, grown *growth.Result) (*Vouched, error) {
	order, err := h.log(head)
	if err != nil {
		return nil, err
	}
	out := &Vouched{Seals: chain, Commits: len(order), KeyChanges: shopsOf(chain, nil).changes(chain)}
	covered := map[object.Hash]bool{}
	var queue []object.Hash
	for _, s := range chain {
		queue = append(queue, s.head)
	}
	for len(queue) > 0 {
		id := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		if c := h.commits[id]; c != nil && !covered[id] {
			covered[id] = true
			queue = append(queue, c.Parents...)
		}
	}
	for i, id := range order {
		c := h.commits[id]
		if i == 0 {
			out.Began = c.Committed
		}
		if !covered[id] {
			out.After++
		}
		switch key, err := c.Key(); {
		case err == nil && key != nil:
		case c.OtherSignature():
			out.Foreign++
		default:
			out.Unsigned++
		}
	}
	out.Corrections, err = tellCorrections(h, chain, grown, covered)
	return out, err
}

// tellCorrections gives the corrections of a history with both texts and the names
// of the shops. A key that a seal still to come may list belongs to nobody yet: what
// no seal covers is not called another shop's.
func tellCorrections(h *history, chain []*Seal, grown *growth.Result, covered map[object.Hash]bool) ([]Correction, error) {
	shops := shopsOf(chain, nil)
	names := map[string]string{}
	persons := map[string]map[string]string{} // by shop and id
	for _, s := range chain {
		root := shops.root(s.Fingerprint())
		names[root] = OneLine(s.Statement.Shop.Name)
		if persons[root] == nil {
			persons[root] = map[string]string{}
		}
		for _, p := range s.Statement.Persons {
			persons[root][p.ID] = OneLine(p.Name)
		}
	}
	var out []Correction
	for _, c := range grown.Corrections {
		by, of := shops.root(c.By), shops.root(c.Of)
		x := Correction{Commit: c.Commit.String(), File: c.Path, Reason: c.Correction.Reason, Person: c.Correction.By,
			By: c.By, Of: c.Of, Cross: c.Cross && covered[c.Commit], Bears: c.Bears, Changes: []schema.Change{}}
		if c.By != "" {
			x.ByShop = names[by]
			if name := persons[by][c.Correction.By]; name != "" {
				x.Person = name
			}
		}
		if c.Of != "" {
			x.OfShop = names[of]
		}
		if !c.Correction.Date.IsZero() {
			x.On = c.Correction.Date.String()
		}
		if day, kind, _, ok := schema.ParseName(c.Path); ok {
			x.Kind, x.Day = schema.Kind(kind), day.String()
		}
		f, err := h.fileStep(change{path: c.Path, before: c.Was, after: c.Is})
		if err != nil {
			return nil, err
		}
		for _, w := range f.Changes[:min(len(f.Changes), maxChanges)] {
			x.Changes = append(x.Changes, schema.Change{Path: cutText(w.Path, maxChangeText), Old: cutText(w.Old, maxChangeText), New: cutText(w.New, maxChangeText)})
		}
		x.More = len(f.Changes) - len(x.Changes)
		out = append(out, x)
	}
	return out, nil
}

// cutText keeps so many bytes of a text.
func cutText(s string, most int) string {
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}

// changes lists the seals of a chain whose key is another one than that of the seal
// of the same shop before. A rotation says which shop that is; else the name it
// gives itself does, and then nothing vouches for it.
func (s shops) changes(chain []*Seal) []KeyChanged {
	var out []KeyChanged
	byShop, byName := map[string]*Seal{}, map[string]*Seal{}
	for _, seal := range chain {
		if seal.key == nil {
			continue
		}
		root, name := s.root(seal.Fingerprint()), strings.ToLower(OneLine(seal.Statement.Shop.Name))
		if before := byShop[root]; before != nil {
			if before.Fingerprint() != seal.Fingerprint() {
				out = append(out, KeyChanged{before, seal, KeyLinked})
			}
		} else if before := byName[name]; before != nil {
			out = append(out, KeyChanged{before, seal, KeyUnlinked})
		}
		byShop[root], byName[name] = seal, seal
	}
	return out
}
