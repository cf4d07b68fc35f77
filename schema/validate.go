package schema

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"benchlore/schema/pattern"
	"benchlore/schema/quantity"
	"benchlore/schema/refs"
)

// validateRecord checks what one record says against itself. What needs the
// rest of the unit or the shop is checked by package unit.
func validateRecord(c *Collector, rec Record) {
	h := rec.Head()
	if h.Power != "" && isWord(h.Power) && h.Power != PowerNormal && h.PowerWhy == "" {
		c.Warnf("power", "power = %q without a reason => add power_why, so that the next one at the bench knows", string(h.Power))
	}
	if h.Withdrawn && len(h.Corrections) == 0 {
		c.Errorf("withdrawn", "the record is withdrawn without a reason => add a [[correction]] with date, by and reason")
	}
	for i, d := range h.Due {
		if d.When.IsZero() && d.AtHours == nil {
			c.Errorf(fmt.Sprintf("due[%d]", i), "this has no due date => add when = 2031-03-04 or at_hours = 500")
		}
	}
	for i, p := range h.Photos {
		at := fmt.Sprintf("photo[%d]", i)
		c.localPath(at+".file", p.File, "photos/")
		c.digest(at+".sha256", p.SHA256)
	}
	for i, f := range h.Files {
		at := fmt.Sprintf("file[%d]", i)
		c.localPath(at+".file", f.File, "")
		c.digest(at+".sha256", f.SHA256)
	}
	for i, w := range h.Corrections {
		c.correction(fmt.Sprintf("correction[%d]", i), w)
	}
	faults := Faults(rec)
	unique(c, "fault", "id", len(faults), func(i int) string { return faults[i].ID })
	rec.validate(c)
}

func (r *Soak) validate(c *Collector) {
	c.unitOf("duration", r.Duration, "h", "24 h")
	c.unitOf("ambient", r.Ambient, "C", "23 C")
	for i, e := range r.Events {
		c.unitOf(fmt.Sprintf("event[%d].at", i), e.At, "h", "40 min")
	}
}

func (r *Followup) validate(c *Collector) {
	if r.State == FollowupFaulty && r.About == "" {
		c.Warnf("state", "faulty, but it does not say what is faulty => add about = \"...\" in their words")
	}
}

func (r *Custody) validate(c *Collector) {
	r.Warranty.validate(c)
	if r.Event == CustodyShipped && r.TransitLocks == "" {
		c.Warnf("event", "shipped, but transit locks are not mentioned => add transit_locks = \"on\", \"off\" or \"none\"")
	}
}

func (r *Note) validate(c *Collector) {
	if r.Note == "" && r.Title == "" && len(r.Warnings)+len(r.Due)+len(r.Photos)+len(r.Files) == 0 {
		c.Errorf("", "the note is empty => add note = \"...\"")
	}
}

// localPath refuses a path that leaves the instrument's folder.
func (c *Collector) localPath(at, p, under string) {
	if p == "" {
		return
	}
	if strings.ContainsAny(p, `\:`) || path.IsAbs(p) || path.Clean(p) != p || p == ".." || strings.HasPrefix(p, "../") {
		c.Errorf(at, "%q leaves the instrument's folder, or is not a plain path => write it from the instrument's folder with forward slashes: photos/front.jpg", p)
	} else if under != "" && !strings.HasPrefix(p, under) {
		c.Errorf(at, "%q is not in %s => put pictures into %s", p, under, under)
	}
}

var digestForm = pattern.New(`^[0-9a-f]{64}$`)

func (c *Collector) digest(at, s string) {
	if s != "" && !digestForm.MatchString(s) {
		c.Errorf(at, "%q is not a SHA-256 digest => write 64 hexadecimal digits in lower case", s)
	}
}

// correction checks the digests a correction gives.
func (c *Collector) correction(at string, w Correction) {
	for i, d := range w.Over {
		c.digest(fmt.Sprintf("%s.over[%d]", at, i), d)
	}
	for i, f := range w.Files {
		at := fmt.Sprintf("%s.file[%d]", at, i)
		c.localPath(at+".file", f.File, "")
		c.digest(at+".sha256", f.SHA256)
	}
}

// unitOf requires a quantity to fit the unit.
func (c *Collector) unitOf(at string, q Quantity, unit, example string) {
	v, ok := q.Parse()
	if !ok {
		return
	}
	want, err := quantity.Parse("1 " + unit)
	if err == nil && !v.Compatible(want) {
		c.Errorf(at, "%s is %q => write it like %s", lastKey(at), string(q), example)
	}
}

// sameUnit requires two quantities to fit one another.
func (c *Collector) sameUnit(at string, q Quantity, than string, other Quantity) {
	a, ok := q.Parse()
	b, ok2 := other.Parse()
	if ok && ok2 && !a.Compatible(b) {
		c.Errorf(at, "%s is %q where %s is %q => give both in the same kind of unit", lastKey(at), string(q), than, string(other))
	}
}

func (r *Intake) validate(c *Collector) {
	switch {
	case r.Reason == ReasonComeback && r.Comeback == nil:
		c.Errorf("reason", "the comeback does not name the release it follows => add [comeback] with release and fault")
	case r.Reason != ReasonComeback && isWord(r.Reason) && r.Comeback != nil:
		c.Errorf("comeback", "[comeback] in an intake whose reason is %q => write reason = \"comeback\"", string(r.Reason))
	}
	if r.LastKnownWorking != "" && r.LastKnownWorkingBy == "" {
		c.Warnf("last_known_working", "it does not say who gave that date => add last_known_working_by = \"owner\"")
	}
	if s, ok := r.LastKnownWorking.Span(); ok && !s.OpenLo && s.Lo.After(r.Date.Day) && !r.Date.IsZero() {
		c.Errorf("last_known_working", "%s is after the intake itself => write a date up to the day of the intake, or correct that day", string(r.LastKnownWorking))
	}
}

func (r *Parts) validate(c *Collector) {
	if len(r.Lines)+len(r.ApplyKits) == 0 {
		c.Warnf("", "no part lines => add [[part]] or [[apply_kit]]")
	}
	for i := range r.Lines {
		r.Lines[i].validate(c, fmt.Sprintf("part[%d]", i), lineRules{actionFromKit: len(r.ApplyKits) > 0})
	}
}

// lineRules say what a line may leave to others.
type lineRules struct {
	foundFromKit  bool // a kit's own line: the finding comes with apply_kit
	actionFromKit bool // a line beside a kit: action and new part come with the kit
}

// isWord reports whether a word is in its list; no word at all is.
func isWord[T interface {
	~string
	vocabulary
}](w T) bool {
	return w == "" || slices.Contains(w.Words(), string(w))
}

// validate checks one line against itself.
func (l *PartLine) validate(c *Collector, at string, may lineRules) {
	f, a := l.Found, l.Action
	if a == "" && !may.actionFromKit {
		c.Errorf(at, "action is missing => write what was done: %s", strings.Join(Action("").Words(), ", "))
	}
	switch {
	case l.Ref == "" && l.Count == 0:
		c.Errorf(at, "the line names no part => add ref = \"C14\", or count = 12 for a counted pool")
	case l.Ref != "" && l.Count > 0:
		c.Errorf(at+".count", "the line has both ref and count => keep ref for parts with a place of their own, count for a pool")
	case l.Count > 0 && l.Family == "":
		c.Errorf(at+".count", "a count needs a family => add family = \"board/joint\"")
	}
	if l.Section == "" {
		c.Errorf(at, "section is missing => write the section it sits in, e.g. section = \"power supply\"")
	}
	if !isWord(f) || !isWord(a) {
		return // reported by the decoder; the rest would follow from it
	}
	if f == "" && a != Fitted && !may.foundFromKit {
		c.Errorf(at, "found is missing => write how it was found: %s", strings.Join(Finding("").Words(), ", "))
	}
	if f != "" && a == Fitted && f != Missing {
		c.Errorf(at+".found", "a part that was fitted cannot have been found %s => leave found out, or write action = \"replaced\"", f)
	}
	if f == Missing && slices.Contains([]Action{Cleaned, Adjusted, Reworked, Removed}, a) {
		c.Errorf(at+".action", "a missing part cannot have been %s => write action = \"fitted\", \"left\" or \"pending\"", a)
	}
	misplaced := len(l.Mode) == 1 && l.Mode[0] == "wrong-part" // a good part may be the wrong one
	if len(l.Mode) > 0 && f != Failed && f != Degraded && f != "" && !misplaced {
		c.Errorf(at+".mode", "a mode of failure on a part found %s => write found = \"failed\" or \"degraded\", or leave mode out", f)
	}
	if (f == Failed || f == Degraded) && len(l.Mode) == 0 {
		c.Warnf(at+".found", "found %s, but the mode of failure is missing => add mode = \"...\": %s", f, strings.Join(Mode("").Words(), ", "))
	}
	if l.CausedBy != "" && f != Failed && f != Degraded && f != Missing && f != "" {
		c.Errorf(at+".caused_by", "caused_by on a part found %s => only a failed, degraded or missing part has a cause", f)
	}
	if f == OK && l.How == "" {
		c.Warnf(at+".found", "ok means tested, but how is missing => add how = \"in-circuit\", or write found = \"in-service\"")
	}
	needsNew := a == Replaced || a == Fitted
	if needsNew && l.New == nil && !may.actionFromKit {
		c.Errorf(at+".action", "%s with what? => add new = {value = \"...\", source = \"new\"}", a)
	}
	if !needsNew && l.New != nil && !slices.Contains([]Action{Pending, Reworked, ""}, a) {
		c.Errorf(at+".new", "a new part on a line whose action is %q => write action = \"replaced\", or leave new out", string(a))
	}
	if f == Failed && a == Left && l.Note == "" {
		c.Warnf(at+".action", "a failed part was left in => add note = \"...\" that says why")
	}
	if l.OldKept != "" && a != "" && !slices.Contains([]Action{Replaced, Removed, Pending}, a) {
		c.Errorf(at+".old_kept", "old_kept on a part that did not come out (action %q) => leave it out", string(a))
	}
	if l.Old != nil && l.New != nil {
		c.sameUnit(at+".new.value", l.New.Value, "the old one's value", l.Old.Value)
		if l.Family.Group() != "fuse" {
			c.LowerRating(at+".new.rating", l.New.Rating, "the old part's", l.Old.Rating)
		}
	}
}

// LowerRating records an error where the rating of a new part is below that of
// the part or position it is for. Fuses are not held to it: there the right
// rating may well be the lower one.
func (c *Collector) LowerRating(at string, fresh Quantity, whose string, old Quantity) {
	a, ok := fresh.Parse()
	b, ok2 := old.Parse()
	if !ok || !ok2 {
		return
	}
	cmp, err := a.Cmp(b)
	switch {
	case err != nil:
		c.Errorf(at, "rating %q where %s is %q => give both in the same unit", string(fresh), whose, string(old))
	case cmp < 0:
		c.Errorf(at, "rating %s is below %s %s => fit a part rated at least %s, or say in a note of the model why less will do and correct the model",
			string(fresh), whose, string(old), string(old))
	}
}

func (r *Measurements) validate(c *Collector) {
	if len(r.Readings)+len(r.Tables) == 0 {
		c.Warnf("", "no readings => add [[reading]] or [[table]]")
	}
	for i, m := range r.Readings {
		at := fmt.Sprintf("reading[%d]", i)
		if m.Value == NotMeasurable && m.Why == "" {
			c.Errorf(at+".value", "not measurable, but the reason is missing => add why = \"...\"")
		}
		if m.Value != NotMeasurable && m.With == "" && m.Value != "" {
			c.Warnf(at, "the test instrument for %q is missing => add with = \"...\", an id of shop.toml", m.Point)
		}
		v := Quantity(m.Value)
		if m.Value == NotMeasurable {
			v = ""
		}
		limits(c, at, "the value", v, m.Low, m.High, "")
		limitSource(c, at, m.Low, m.High, "", m.LimitSource)
		c.sameUnit(at+".uncertainty", m.Uncertainty, "the value", v)
	}
	for i, t := range r.Tables {
		at := fmt.Sprintf("table[%d]", i)
		one := Quantity("")
		if t.Unit.Check() == nil && t.Unit != "" {
			one = Quantity("1 " + string(t.Unit))
		}
		limits(c, at, "the unit", one, t.Low, t.High, t.Spread)
		limitSource(c, at, t.Low, t.High, t.Spread, t.LimitSource)
		c.sameUnit(at+".uncertainty", t.Uncertainty, "the unit", one)
		values, err := t.Values.Parse()
		l, err2 := refs.Parse(string(t.At))
		if err != nil || err2 != nil || t.Values == "" || t.At == "" {
			continue
		}
		if n := len(l.Enumerate()); n != len(values) {
			c.Errorf(at+".values", "%d values for %d positions (%s) => write one for each, x where it could not be measured", len(values), n, string(t.At))
		}
		if slices.Contains(values, nil) && t.Why == "" {
			c.Errorf(at+".values", "some were not measurable, but the reason is missing => add why = \"...\"")
		}
	}
}

// limits checks that limits fit the value and are the right way round.
func limits(c *Collector, at, what string, value, low, high, spread Quantity) {
	c.sameUnit(at+".low", low, what, value)
	c.sameUnit(at+".high", high, what, value)
	c.sameUnit(at+".spread", spread, what, value)
	l, ok := low.Parse()
	h, ok2 := high.Parse()
	if ok && ok2 {
		if cmp, err := l.Cmp(h); err != nil {
			c.Errorf(at+".high", "high is %q where low is %q => give both in the same unit", string(high), string(low))
		} else if cmp > 0 {
			c.Errorf(at+".high", "high %s is below low %s => swap them", string(high), string(low))
		}
	}
}

// limitSource requires a record's own limit to say where it comes from.
func limitSource(c *Collector, at string, low, high, spread Quantity, source string) {
	if low+high+spread != "" && source == "" {
		c.Errorf(at, "the limit has no source => add limit_source = \"service sheet\" or \"shop practice\"")
	}
}

func (r *Safety) validate(c *Collector) {
	for i, k := range r.Checks {
		at := fmt.Sprintf("check[%d]", i)
		switch {
		case !isWord(k.Result): // reported by the decoder
		case k.Result == CheckDone && k.Value == "" && k.Passed == nil:
			c.Errorf(at, "%q was done, but its outcome is missing => add value = \"0.08 Ohm\", or passed = true for a check by inspection", k.Name)
		case k.Result != CheckDone && k.Result != "" && k.Why == "":
			c.Errorf(at+".result", "%q is %s, but the reason is missing => add why = \"...\"", k.Name, string(k.Result))
		case k.Result != CheckDone && (k.Value != "" || k.Passed != nil):
			c.Errorf(at+".result", "%q is %s, but it has an outcome => write result = \"done\"", k.Name, string(k.Result))
		}
		v := Quantity(k.Value)
		if k.Value == NotMeasurable {
			v = ""
			c.Errorf(at+".value", "a safety check that could not be measured was not done => write result = \"not-done\" and why")
		}
		limits(c, at, "the value", v, k.Low, k.High, "")
		limitSource(c, at, k.Low, k.High, "", k.LimitSource)
		if v != "" && k.With == "" {
			c.Warnf(at, "the test instrument for %q is missing => add with = \"...\", an id of shop.toml", k.Name)
		}
	}
}

func (r *Mod) validate(c *Collector) {
	for i := range r.Lines {
		r.Lines[i].validate(c, fmt.Sprintf("part[%d]", i), lineRules{})
	}
	if r.Reversible != ReversibleYes && r.Reversible != "" && r.Undo == "" {
		c.Warnf("reversible", "reversible = %q, but it does not say what stays => add undo = \"...\"", string(r.Reversible))
	}
}

func (r *Release) validate(c *Collector) {
	seen := map[string]bool{}
	for i, f := range r.Faults {
		if f.ID != "" && seen[f.ID] {
			c.Errorf(fmt.Sprintf("fault[%d].id", i), "fault %q is listed twice => keep one line", f.ID)
		}
		seen[f.ID] = true
		if f.State == FaultOpen && r.Works == WorksFully {
			c.Errorf(fmt.Sprintf("fault[%d].state", i), "works = \"fully\" with fault %s still open => write works = \"partly\", or say what became of the fault", f.ID)
		}
	}
	r.Warranty.validate(c)
	c.unitOf("mains", r.Mains, "V", "230 V")
}

func (w *Warranty) validate(c *Collector) {
	if w != nil && !w.Start.IsZero() && !w.End.IsZero() && w.End.Before(w.Start.Day) {
		c.Errorf("warranty.end", "the warranty ends (%s) before it starts (%s) => swap them", w.End, w.Start)
	}
}

var uuidForm = pattern.New(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)

func (s *Instrument) validate(c *Collector) {
	for i, w := range s.Corrections {
		c.correction(fmt.Sprintf("correction[%d]", i), w)
	}
	c.format(s.Format, InstrumentFormat)
	if s.UUID != "" && !uuidForm.MatchString(s.UUID) {
		c.Errorf("uuid", "%q is not a UUID => write it as benchlore new made it: 8-4-4-4-12 hexadecimal digits in lower case", s.UUID)
	}
	for i, n := range s.Serials {
		at := fmt.Sprintf("serial[%d]", i)
		if n.How == SerialMissing && n.Value != "" {
			c.Errorf(at+".value", "a missing serial with a number => write how = \"read\" or \"assumed\", or leave value out")
		}
		if n.How != SerialMissing && n.How != "" && n.Value == "" {
			c.Errorf(at, "the serial was %s, but the number is missing => add value = \"...\"", string(n.How))
		}
	}
	if s.Built != "" && s.BuiltFrom == "" {
		c.Warnf("built", "it does not say how the build date is known => add built_from = \"date codes on the boards\"")
	}
	if s.Mains != nil {
		c.unitOf("mains.as_found", s.Mains.AsFound, "V", "230 V")
	}
	for i, d := range s.Differences {
		if !d.Absent && d.Family == "" && d.Value == "" && d.Rating == "" {
			c.Errorf(fmt.Sprintf("difference[%d]", i), "the difference is empty => add absent = true, or family, value or rating")
		}
	}
}

// format explains a version this program does not know. The caller reads the
// version before anything else; this catches what was typed by hand.
func (c *Collector) format(n int, f FileFormat) {
	if n != 0 && !slices.Contains(f.Read, n) {
		c.Errorf("format", "format is %d; this program writes format %d => write format = %d if it was typed by hand, else use a program of that format", n, f.Current, f.Current)
	}
}

func (s *Shop) validate(c *Collector) {
	c.format(s.Format, ShopFormat)
	unique(c, "technician", "id", len(s.Technicians), func(i int) string { return s.Technicians[i].ID })
	unique(c, "test_instrument", "id", len(s.TestInstruments), func(i int) string { return s.TestInstruments[i].ID })
	unique(c, "remote", "name", len(s.Remotes), func(i int) string { return s.Remotes[i].Name })
	for i, t := range s.TestInstruments {
		for j, k := range t.Calibrations {
			if !k.Due.IsZero() && k.Due.Before(k.Date.Day) {
				c.Errorf(fmt.Sprintf("test_instrument[%d].calibration[%d].due", i, j), "due (%s) before it was calibrated (%s) => swap them", k.Due, k.Date)
			}
		}
	}
	c.currency(s.Currency)
}

var currencyForm = pattern.New(`^[A-Z]{3}$`)

func (c *Collector) currency(code string) {
	if code != "" && !currencyForm.MatchString(code) {
		c.Errorf("currency", "%q is not a currency code => write the three letters of ISO 4217: EUR, GBP, USD", code)
	}
}

// unique requires a key of a list of tables to differ from one to the next.
func unique(c *Collector, list, key string, n int, id func(int) string) {
	seen := map[string]bool{}
	for i := range n {
		if s := id(i); s != "" && seen[s] {
			c.Errorf(fmt.Sprintf("%s[%d].%s", list, i, key), "%q is listed twice => give each its own %s", s, key)
		} else {
			seen[s] = true
		}
	}
}

func (l *Lot) validate(c *Collector) {
	if l.Tested > l.Quantity && l.Quantity > 0 {
		c.Errorf("tested", "%d tested of %d => the lot has only %d", l.Tested, l.Quantity, l.Quantity)
	}
	if l.Rejected > l.Tested {
		c.Errorf("rejected", "%d rejected of %d tested => correct one of them", l.Rejected, l.Tested)
	}
}

func (f *Families) validate(c *Collector) {
	unique(c, "family", "name", len(f.Families), func(i int) string { return string(f.Families[i].Name) })
}

func (s *Customers) validate(c *Collector) {
	unique(c, "customer", "code", len(s.Customers), func(i int) string { return s.Customers[i].Code })
}

func (b *Book) validate(c *Collector) {
	c.unitOf("time", b.Time, "h", "6.5 h")
	c.currency(b.Currency)
}
