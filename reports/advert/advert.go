// Package advert writes the text of a sale from a unit's records. It says nothing
// that no record says, and it uses a word that claims something ([Words]) only where
// the records carry it.
package advert

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/reports/provenance"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// Advert is the text, sentence by sentence, and what it does not say.
type Advert struct {
	Unit  string     `json:"unit"`
	Title string     `json:"title"`
	Text  []Sentence `json:"text"`
	// LeftOut are the claiming words that the records do not carry, and why. They are
	// for the shop and not for the buyer.
	LeftOut []LeftOut `json:"leftOut"`
}

// Sentence is one sentence and the records it rests on: names of files in the unit's
// folder, without .toml.
type Sentence struct {
	About   string   `json:"about"` // what it is, condition, done, original, not-looked-at, safety, warranty, check
	Text    string   `json:"text"`
	Short   bool     `json:"short"`          // also in the short text
	Word    string   `json:"word,omitempty"` // the claiming word it uses
	Records []string `json:"records"`
}

// LeftOut is a word that was not used.
type LeftOut struct {
	Word string `json:"word"`
	Why  string `json:"why"`
}

// Sealed is the last seal of the unit, for the sentence on how to check; the zero
// value says that there is none.
type Sealed struct{ Short, Key string }

// never are words that no record can carry: a buyer's own judgement, a promise, or a
// test to the tolerances of a new instrument, which no bench makes.
var never = []string{"as new", "like new", "as good as new", "factory fresh", "mint", "perfect", "flawless", "immaculate", "pristine", "restored", "rebuilt",
	"remanufactured", "refurbished", "certified", "guaranteed", "verified", "safe to use", "all original", "fully original", "100% original", "no faults",
	"fully working", "museum quality", "professionally", "expertly", "bulletproof", "best"}

// gated are the words of the table, and those near to them. A record's own text may not
// use them either: it is no way around the table.
var gated = []string{"recapped", "recap", "overhauled", "overhaul", "serviced", "service", "tested", "original", "originals", "restoration", "rebuild", "warranted",
	"works fully", "safe"}

// claimsIn finds a word that claims in somebody's text, however it is written; "" for
// none.
var claimsIn = func() func(string) string {
	words := append(slices.Clone(never), gated...)
	slices.SortFunc(words, func(a, b string) int { return cmp.Compare(len(b), len(a)) })
	for i, w := range words {
		words[i] = strings.ReplaceAll(regexp.QuoteMeta(w), " ", `[\s\p{P}]*`)
	}
	pattern := regexp.MustCompile(`(?i)(^|[^\p{L}\p{N}])(` + strings.Join(words, "|") + `)($|[^\p{L}\p{N}])`)
	return func(s string) string {
		if m := pattern.FindStringSubmatch(page.Clean(s)); m != nil {
			return m[2]
		}
		return ""
	}
}()

// writer gathers the sentences of one unit.
type writer struct {
	a *Advert
	r *provenance.Report
	u *unit.Unit
}

// Of writes the advert of a unit from its report and its records, both of the same
// day.
func Of(r *provenance.Report, u *unit.Unit, sealed Sealed) *Advert {
	w := &writer{a: &Advert{Unit: u.Name, Text: []Sentence{}, LeftOut: []LeftOut{}}, r: r, u: u}
	w.what()
	w.condition()
	w.words()
	w.done()
	w.original()
	w.notLookedAt()
	w.safety()
	w.warranty()
	w.check(sealed)
	return w.a
}

// own sets a record's own words, and leaves them out where they claim: a note is no
// way around the table.
func (w *writer) own(s, about string) string {
	if word := claimsIn(s); word != "" {
		w.a.LeftOut = append(w.a.LeftOut, LeftOut{word, "a record's own words use it, for " + about + "; the advert leaves those words out"})
		return "(in words that are left out here)"
	}
	return page.Quote(s)
}

// name sets a short text of a record that is a name and not a sentence.
func (w *writer) name(s, about string) string {
	if claimsIn(s) != "" {
		return w.own(s, about)
	}
	return page.Clean(s)
}

func (w *writer) say(about string, short bool, records []string, format string, args ...any) *Sentence {
	slices.Sort(records)
	w.a.Text = append(w.a.Text, Sentence{About: about, Text: page.Tidy(fmt.Sprintf(format, args...)), Short: short, Records: slices.Compact(records)})
	return &w.a.Text[len(w.a.Text)-1]
}

// what says which instrument it is.
func (w *writer) what() {
	id := w.r.Unit
	name := strings.TrimSpace(w.name(id.Maker, "the maker") + " " + w.name(id.Model, "the model"))
	if name == "" {
		name = "Instrument of unknown make"
	}
	if id.Variant != "" {
		name += ", " + w.name(id.Variant, "the variant")
	}
	w.a.Title = name
	built := "built: not recorded"
	if id.Built != "" {
		built = "built " + id.BuiltText
		if id.BuiltFrom != "" {
			built += ", going by " + w.own(id.BuiltFrom, "the build date")
		}
	}
	var serials []string
	for _, s := range id.Serials {
		switch s.How {
		case schema.SerialMissing:
			serials = append(serials, w.name(s.Place, "a serial number")+" number missing")
		case schema.SerialAssumed:
			serials = append(serials, w.name(s.Place, "a serial number")+" number "+w.name(s.Value, "a serial number")+", assumed and not read")
		default:
			serials = append(serials, w.name(s.Place, "a serial number")+" number "+w.name(s.Value, "a serial number"))
		}
	}
	if serials == nil {
		serials = []string{"serial number not recorded"}
	}
	w.say("what it is", true, []string{"instrument"}, "%s; %s.", page.Capital(built), strings.Join(serials, "; "))
}

// release is the last one of the records that count.
func (w *writer) release() *unit.Job {
	for _, j := range slices.Backward(w.u.Jobs) {
		if !j.Open() {
			return j
		}
	}
	return nil
}

// condition says in what state it was released, by whom, and what was heard since.
func (w *writer) condition() {
	last := w.release()
	if j := w.u.OpenJob(); j != nil {
		w.say("condition", true, []string{j.Name()}, "It is on the bench since %s and not released: what follows can change.", j.IntakeRecord().Date)
	}
	if last == nil {
		w.say("condition", true, w.intakes(), "Nobody has recorded a release, so nothing is said about whether it works.")
	} else {
		s := w.r.State
		by := w.name(s.By, "who released it")
		if w.r.Shop.Name != "" && s.Bench == "" {
			by += " for " + w.name(w.r.Shop.Name, "the shop's name")
		} else if s.Bench != "" {
			by += " for " + w.name(s.Bench, "another shop's name")
		}
		w.say("condition", true, []string{last.Release.Name()}, "%s, by the word of %s at its release on %s.", page.Capital(provenance.WorksWords(s.Works)), by, s.Date)
	}
	for _, f := range w.u.Faults {
		about := "fault " + f.ID
		symptom := w.own(f.Symptom, about)
		switch f.State {
		case schema.FaultOpen, "":
			w.say("condition", true, faultRecords(f), "Known fault: %s.", symptom)
		case schema.FaultDeclined:
			w.say("condition", true, faultRecords(f), "Known fault, its repair declined: %s.", symptom)
		case schema.FaultAccepted:
			w.say("condition", true, faultRecords(f), "Known and accepted as it is: %s.", symptom)
		case schema.FaultNotReproduced:
			w.say("condition", false, faultRecords(f), "Reported and not seen again at the bench: %s.", symptom)
		}
	}
	for i := len(w.r.Since) - 1; i >= 0; i-- {
		n := w.r.Since[i]
		if n.Event == string(schema.FollowupFaulty) && n.Date >= w.r.State.Date {
			w.say("condition", true, []string{n.Record}, "Said to be faulty since, on %s.", n.Date)
			break
		}
	}
	if power, _, f := w.u.Power(); power != "" && power != schema.PowerNormal && f != nil {
		w.say("condition", true, []string{f.Name()}, "Do not switch it on before you have asked the shop.")
	}
	comebacks := []string{}
	for _, j := range w.u.Jobs {
		if j.IntakeRecord().Comeback != nil {
			comebacks = append(comebacks, j.Name())
		}
	}
	if n := len(comebacks); n > 0 {
		w.say("condition", false, comebacks, "It came back to the bench after a release %s.", [...]string{"once", "more than once"}[min(n-1, 1)])
	}
}

func faultRecords(f *unit.Fault) []string {
	out := []string{f.File.Name()}
	if f.Job != nil && f.Job.Release != nil {
		out = append(out, f.Job.Release.Name())
	}
	return out
}

func (w *writer) intakes() []string {
	out := []string{}
	for _, j := range w.u.Jobs {
		out = append(out, j.Name())
	}
	return out
}

// done counts what was worked on, by what was done.
func (w *writer) done() {
	type sum struct {
		parts   int
		by      map[string]int
		records []string
	}
	sums := map[schema.Action]*sum{}
	for _, x := range w.r.Work {
		if x.Action == schema.Left || x.Action == schema.Pending || x.Mod != "" {
			continue
		}
		s := sums[x.Action]
		if s == nil {
			s = &sum{by: map[string]int{}}
			sums[x.Action] = s
		}
		s.parts += x.Parts
		if len(x.Titles) == 1 {
			s.by[x.Titles[0]] += x.Parts
		} else {
			s.by["several families in one line"] += x.Parts
		}
		s.records = append(s.records, x.Record)
	}
	any := false
	for _, a := range []schema.Action{schema.Replaced, schema.Reworked, schema.Fitted, schema.Cleaned, schema.Adjusted, schema.Removed} {
		s := sums[a]
		if s == nil || s.parts == 0 {
			continue
		}
		any = true
		var families []string
		for f, n := range s.by {
			families = append(families, fmt.Sprintf("%s %s", w.name(f, "a family"), page.Thousands(n)))
		}
		slices.SortFunc(families, func(x, y string) int {
			nx, ny := s.by[x[:strings.LastIndexByte(x, ' ')]], s.by[y[:strings.LastIndexByte(y, ' ')]]
			if c := cmp.Compare(ny, nx); c != 0 {
				return c
			}
			return cmp.Compare(x, y)
		})
		w.say("done", a == schema.Replaced, s.records, "%s: %s (%s), over all its stays at the bench.", page.Capital(string(a)), page.Plural(s.parts, "part", "parts"), strings.Join(families, ", "))
	}
	if !any {
		w.say("done", true, w.intakes(), "No work on its parts is recorded.")
	}
}

// original says what is not as it left the factory.
func (w *writer) original() {
	parts, records := 0, []string{}
	second := map[schema.Source]int{}
	for _, p := range w.r.Parts {
		parts += p.Parts
		if p.Part != nil {
			switch p.Part.Source {
			case schema.SourceUsed, schema.SourceDonor, schema.SourceReproduction, schema.SourceShopMade:
				second[p.Part.Source] += p.Parts
			}
		}
	}
	for _, x := range w.r.Work {
		if x.Action != schema.Left && x.Action != schema.Pending {
			records = append(records, x.Record)
		}
	}
	if parts > 0 {
		w.say("original", true, records, "Not as it left the factory: %s. Parts that no record mentions may have been changed before.", page.Plural(parts, "part", "parts"))
	} else {
		w.say("original", true, records, "No record says that a part is not as it left the factory. Parts may have been changed before.")
	}
	for _, s := range []schema.Source{schema.SourceUsed, schema.SourceDonor, schema.SourceReproduction, schema.SourceShopMade} {
		if n := second[s]; n > 0 {
			words := map[schema.Source]string{schema.SourceUsed: "used parts", schema.SourceDonor: "parts from a donor", schema.SourceReproduction: "reproductions",
				schema.SourceShopMade: "parts made in the shop"}[s]
			w.say("original", false, records, "Among them %s: %s.", words, page.Thousands(n))
		}
	}
	for _, m := range w.r.Mods {
		undo := map[schema.Reversible]string{schema.ReversibleYes: "it can be undone", schema.ReversiblePartly: "it can be undone in part", schema.ReversibleNo: "it cannot be undone"}[m.Reversible]
		if undo == "" {
			undo = "whether it can be undone is not recorded"
		}
		w.say("original", true, []string{m.Record}, "Modified: %s, on %s; %s.", w.own(m.Name, "a modification"), m.Date, undo)
	}
}

// notLookedAt says where nobody looked.
func (w *writer) notLookedAt() {
	c := w.r.Coverage
	if len(c.NotDealtWith) > 0 {
		w.say("not looked at", true, w.intakes(), "Not looked at, as far as the records say: %s.", w.name(page.Listed(c.NotDealtWith), "the name of a section"))
	}
	if len(c.SeenOnly) > 0 {
		w.say("not looked at", true, w.intakes(), "Seen when it came in, and no more: %s.", w.name(page.Listed(c.SeenOnly), "the name of a section"))
	}
	if len(c.Incomplete) > 0 {
		w.say("not looked at", false, nil, "How many parts there are is not known for %s, so nothing is said about all of them.", w.name(page.Listed(c.Incomplete), "the name of a section"))
	}
	unseen := 0
	for _, f := range c.Families {
		unseen += f.NotLooked
	}
	if unseen > 0 {
		w.say("not looked at", false, nil, "Of the parts that are listed, no record mentions %s.", page.Thousands(unseen))
	}
}

// safety says what the last stay's checks were, and never that it is safe.
func (w *writer) safety() {
	last := w.release()
	done, outside, records, after := 0, 0, []string{}, false
	for _, s := range w.r.Safety {
		if last == nil || s.Job != last.Name() {
			continue
		}
		for _, c := range s.Checks {
			if c.Result == schema.CheckDone && !c.Superseded && (c.Stage == "" || c.Stage == schema.AsLeft) {
				done++
				if c.Verdict == unit.Outside || strings.HasPrefix(string(c.Verdict), "FAILED") {
					outside++
				}
				records = append(records, s.Record)
				after = after || s.WorkAfter
			}
		}
	}
	switch {
	case done == 0:
		w.say("safety", true, w.intakes(), "NOT SAFETY TESTED at its last stay.")
	case outside > 0:
		w.say("safety", true, records, "Safety checks at its last stay: %d, and %d of them FAILED the shop's own limits.", done, outside)
	case after:
		w.say("safety", true, records, "Safety checks at its last stay: %d; parts were worked on after them.", done)
	default:
		w.say("safety", true, records, "Safety checks at its last stay: %d. They are the shop's own, against its own limits, and no certificate.", done)
	}
}

// warranty says what is promised, and until when.
func (w *writer) warranty() {
	running := false
	for _, x := range w.r.Warranties {
		if x.Ended || x.End == "" {
			continue
		}
		running = true
		by := w.r.Shop.Name
		if x.Bench != "" {
			by = x.Bench
		}
		goes := "it does not pass to another owner"
		if x.Transferable {
			goes = "it passes to the next owner"
		}
		records := []string{}
		if x.Release != "" {
			records = append(records, x.Release)
		} else if last := w.release(); last != nil {
			records = append(records, last.Release.Name())
		}
		w.say("warranty", true, records, "Warranty from %s until %s by %s, on %s; %s.", x.Start, x.End, w.name(by, "the shop's name"), w.own(x.Scope, "the scope of a warranty"), goes)
	}
	if !running {
		w.say("warranty", true, w.intakes(), "No warranty is running.")
	}
}

// check says how to check all this without trusting anybody.
func (w *writer) check(s Sealed) {
	if s.Short == "" {
		w.say("check", true, nil, "The history behind this text is not sealed yet; ask for the sealed packet before you buy.")
		return
	}
	w.say("check", true, nil, "The whole history comes with it as one signed file, seal %s. Ask the shop to read out the fingerprint of its key, %s, and check the file yourself.", s.Short, s.Key)
}
