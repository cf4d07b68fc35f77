package provenance

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchlore/ledger/proof"
	"benchlore/reports/page"
	"benchlore/schema"
)

// ProofReport is what stands for the history the report was made from, as the
// seals over it say.
type ProofReport struct {
	Sealed     bool              `json:"sealed"`           // a seal stands on the last commit
	Number     string            `json:"number,omitempty"` // of the last seal: this report's own number
	Key        string            `json:"key,omitempty"`    // fingerprint of the last seal's
	Shop       string            `json:"shop,omitempty"`   // that made the last seal
	On         string            `json:"on,omitempty"`
	FirstSeal  string            `json:"firstSeal,omitempty"` // the day
	Began      string            `json:"began,omitempty"`     // the day of the first close
	Commits    int               `json:"commits"`
	Unsigned   int               `json:"unsigned"`   // of them, without a signature
	NotSSH     int               `json:"notSSH"`     // of them, with a signature of another kind
	After      int               `json:"afterSeal"`  // of them, after the last seal
	KeyChanges []KeyChangeReport `json:"keyChanges"` // seals made with another key than that shop's before
}

// KeyChangeReport is a seal made with another key than the same shop's before it.
type KeyChangeReport struct {
	Number string          `json:"number"` // of the seal
	Shop   string          `json:"shop"`
	On     string          `json:"on"`
	From   string          `json:"from"` // fingerprints
	To     string          `json:"to"`
	How    proof.KeyChange `json:"how"`
}

// CrossReport is a correction of what another shop wrote.
type CrossReport struct {
	File    string          `json:"file"` // as in History; or instrument
	Kind    schema.Kind     `json:"kind,omitempty"`
	Day     string          `json:"day,omitempty"` // of the record
	On      string          `json:"on,omitempty"`
	Person  string          `json:"person,omitempty"`
	By      string          `json:"by"`    // the shop
	ByKey   string          `json:"byKey"` // a key that stands for it
	Of      string          `json:"of"`
	OfKey   string          `json:"ofKey"`
	Reason  string          `json:"reason"`
	Bears   []string        `json:"bears"` // on state, safety, fault, originality
	Commit  string          `json:"commit"`
	Changes []schema.Change `json:"changes"`
	More    int             `json:"moreChanges,omitempty"`
}

// vouched tells what stands for the history, and who changed whose words.
func (b *builder) vouched() {
	v := b.in.Vouched
	if v == nil {
		return
	}
	p := &ProofReport{Sealed: v.Last() != nil, Commits: v.Commits, Unsigned: v.Unsigned, NotSSH: v.Foreign, After: v.After}
	b.p.Proof = p
	if !v.Began.IsZero() {
		p.Began = v.Began.UTC().Format(time.DateOnly)
	}
	day := func(s *proof.Seal) string { return schema.NewDate(s.Statement.Sealed).String() }
	if n := len(v.Seals); n > 0 {
		last := v.Seals[n-1]
		p.Number, p.Key, p.Shop, p.On = last.Short(), last.Fingerprint(), page.Clean(last.Statement.Shop.Name), day(last)
		p.FirstSeal = day(v.Seals[0])
	}
	for _, c := range v.KeyChanges {
		p.KeyChanges = append(p.KeyChanges, KeyChangeReport{Number: c.Seal.Short(), Shop: page.Clean(c.Seal.Statement.Shop.Name), On: day(c.Seal),
			From: c.Before.Fingerprint(), To: c.Seal.Fingerprint(), How: c.How})
	}
	for _, c := range v.Corrections {
		file := page.Clean(strings.TrimSuffix(c.File, ".toml"))
		if c.Cross {
			b.p.Crossed = append(b.p.Crossed, CrossReport{File: file, Kind: c.Kind, Day: c.Day, On: c.On, Person: page.Clean(c.Person),
				By: page.Clean(c.ByShop), ByKey: c.By, Of: page.Clean(c.OfShop), OfKey: c.Of, Reason: page.Clean(c.Reason), Bears: c.Bears,
				Commit: c.Commit, Changes: c.Changes, More: c.More})
		}
		// Records have their corrections in the history; what is said of the
		// instrument itself has its own here.
		if c.Kind == "" && len(c.Changes) > 0 {
			b.p.Identity = append(b.p.Identity, CorrectionEntry{Date: c.On, By: page.Clean(c.Person), Reason: page.Clean(c.Reason), Changes: c.Changes})
		}
	}
}

// proofLines says on page one whether the history is sealed, by which key, and how
// to check it.
func (b *builder) proofLines() []string {
	p := b.p.Proof
	switch {
	case b.in.Head == "":
		return []string{"NOT SEALED: this report was made from the record files alone, not from a history. Nothing in it can be checked."}
	case p == nil || p.Number == "":
		return append([]string{"NOT SEALED: no seal stands over this history, so nothing shows whether a record was changed or taken out since."}, p.unsigned("")...)
	}
	by := fmt.Sprintf("on %s by %s as number %s, with the key %s.", p.On, Own(p.Shop), p.Number, p.Key)
	var out []string
	switch {
	case !p.Sealed:
		out = append(out, "NOT SEALED as it stands: "+page.Plural(p.After, "commit", "commits")+" came after the last seal, and nothing vouches for what is new in them.",
			"The last seal was made "+by)
	case !b.p.Closed:
		out = append(out, "Sealed "+by+" NOT under that seal: the records that are not closed yet.")
	default:
		out = append(out, "Sealed "+by)
	}
	out = append(out, "To check it, call the shop on a number that is not from this report, have it read out that key and the number of its last seal for this unit, and follow VERIFY.txt in the packet.")
	out = append(out, p.unsigned(" The seal alone vouches for them: it shows that they have not changed since "+p.FirstSeal+" or a later seal, not who wrote them.")...)
	if p.Began != "" && p.Began < p.FirstSeal {
		out = append(out, "The history begins on "+p.Began+", and its first seal is of "+p.FirstSeal+": nothing vouches for what was changed between the two.")
	}
	for _, c := range b.p.Proof.KeyChanges {
		s := fmt.Sprintf("Seal %s of %s, by %s, was made with the key %s, and that shop's seal before it with %s: %s.", c.Number, c.On, Own(c.Shop), c.To, c.From, c.How)
		if c.How == proof.KeyUnlinked {
			s += " Ask the shop whether both keys are its own."
		}
		out = append(out, s)
	}
	return out
}

// unsigned says how many commits have no signature that was checked, and what that
// means.
func (p *ProofReport) unsigned(but string) []string {
	if p == nil {
		return nil
	}
	var out []string
	say := func(n int, what string) {
		switch {
		case n == 0:
		case n == p.Commits && n == 1:
			out = append(out, "Its one commit "+strings.Replace(what, "are", "is", 1)+"."+but)
		case n == p.Commits:
			out = append(out, fmt.Sprintf("All %s commits %s.%s", page.Thousands(n), what, but))
		default:
			out = append(out, fmt.Sprintf("%s of its %s commits %s.%s", page.Thousands(n), page.Thousands(p.Commits), what, but))
		}
	}
	say(p.Unsigned, "are not signed")
	say(p.NotSSH, "are signed in a way that is not checked here")
	return out
}

// changedText gives what stood in a file as the words of whoever wrote it.
func changedText(s string) string {
	if text, err := strconv.Unquote(s); err == nil {
		s = text
	}
	return page.Quote(s)
}

// shopWords names a shop by what its seals say and by its key, which alone
// identifies it.
func shopWords(name, key string) string {
	switch {
	case name != "" && key != "":
		return Own(name) + " (key " + key + ")"
	case key != "":
		return "the holder of the key " + key
	}
	return "somebody unknown"
}

// shops names the two shops of a correction across shops. Their keys stand beside
// them in the history, and wherever the names do not tell them apart.
func (c CrossReport) shops(keys bool) (by, of string) {
	if keys || c.By == "" || c.Of == "" || strings.EqualFold(c.By, c.Of) {
		return shopWords(c.By, c.ByKey), shopWords(c.Of, c.OfKey)
	}
	return Own(c.By), Own(c.Of)
}

// sentence tells a correction across shops with both texts, of at most so many facts.
func (c CrossReport) sentence(most int, keys bool) string {
	what := "of the instrument itself"
	if c.Kind != "" {
		what = fmt.Sprintf("in the %s of %s", c.Kind, c.Day)
	}
	s := ""
	if c.On != "" {
		s = c.On + ": "
	}
	by, of := c.shops(keys)
	s += fmt.Sprintf("%s changed what %s had written %s", by, of, what)
	// What weighs most comes first, however many facts stand beside it.
	list := slices.Clone(c.Changes)
	slices.SortStableFunc(list, func(x, y schema.Change) int { return weight(x.Path) - weight(y.Path) })
	var words []string
	for _, x := range list[:min(len(list), most)] {
		words = append(words, changeWords(x, 200))
	}
	if n := len(list) + c.More - len(words); n > 0 {
		words = append(words, fmt.Sprintf("and %d more", n))
	}
	if words != nil {
		s += ": " + strings.Join(words, "; ")
	}
	s += "."
	if c.Reason != "" {
		s += " Reason: " + page.Quote(c.Reason) + "."
	}
	if len(c.Bears) > 0 {
		s += " It bears on " + page.Listed(c.Bears) + "."
	}
	return s
}

// weight sorts facts by how much a buyer goes by them.
func weight(path string) int {
	for i, w := range []string{"withdrawn", "works", "power", "state", "event", "check", "mains", "fuse", "fault", "serial"} {
		if strings.HasPrefix(path, w) {
			return i
		}
	}
	if weightyKeys.MatchString(path) {
		return 20
	}
	return 30
}

// otherWord finds the last correction by which another shop changed a fact of the last
// release, and what had stood there; nil: none did.
func (b *builder) otherWord(path string) (*CrossReport, string) {
	if b.last == nil {
		return nil, ""
	}
	for i := len(b.p.Crossed) - 1; i >= 0; i-- {
		c := &b.p.Crossed[i]
		if c.File != b.last.Release.Name() {
			continue
		}
		for _, x := range c.Changes {
			if x.Path == path {
				return c, x.Old
			}
		}
	}
	return nil, ""
}

// crossLines are the corrections across shops that belong on page one.
func (p *Report) crossLines() []string {
	var out []string
	for _, c := range p.Crossed {
		if len(c.Bears) > 0 {
			out = append(out, c.sentence(6, false))
		}
	}
	return out
}

// crossed reports whether a correction of a record is told as one across shops.
func (p *Report) crossed(e HistoryEntry, c CorrectionEntry) bool {
	return slices.ContainsFunc(p.Crossed, func(x CrossReport) bool {
		return len(x.Bears) > 0 && x.File == page.Clean(e.File) && x.On == c.Date && x.Reason == page.Clean(c.Reason)
	})
}
